"""What a count of sprouted seed says of a lot, and what it cannot say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from greengap.advice.windows import wilson_interval

Verdict = Literal["as the tag says", "raise the rate", "retest"]


@dataclass(frozen=True)
class GerminationCount:
    """A count against the figure that the rate was reckoned with.

    Attributes
    ----------
    good, sown : int
        Seeds that came up as sound seedlings, of those laid out.
    expected : float
        Germination that the rate was reckoned with, hard seed left out [fraction].
    low, high : float
        Wilson's interval of 95 % for the germination of the lot [fraction].
    verdict : str
    raise_share, raise_low, raise_high : float
        Seed to add by the count, and at the ends of its interval; below zero where the lot is better than
        expected, endless where nothing may live [fraction].
    """

    good: int
    sown: int
    expected: float
    low: float
    high: float
    verdict: Verdict
    raise_share: float
    raise_low: float
    raise_high: float

    @property
    def share(self) -> float:
        """Germination by the count itself [fraction]."""
        return self.good / self.sown


def judge_count(good: int, sown: int, expected: float, enough: int) -> GerminationCount:
    """Judge a count of sprouted seed.

    Parameters
    ----------
    good, sown : int
        Sound seedlings, of seeds laid out.
    expected : float
        Germination that the rate was reckoned with [fraction].
    enough : int
        Seeds below which a count that leaves room for both answers decides nothing.

    Returns
    -------
    GerminationCount
        "raise the rate" if the whole interval lies below what was expected and the count is large enough to say
        by how much; "as the tag says" if a count that is large enough holds it, or the whole interval lies above,
        since a field is harsher than a wet towel and no rate is lowered for it; "retest" otherwise.

    Raises
    ------
    ValueError
        If a count or a share cannot be.

    References
    ----------
    .. [1] E. B. Wilson, "Probable inference, the law of succession, and statistical inference",
       J. Am. Stat. Assoc., vol. 22, pp. 209-212, 1927.

    Examples
    --------
    >>> judge_count(28, 30, 0.90, 100).verdict
    'retest'
    >>> count = judge_count(78, 100, 0.90, 100)
    >>> count.verdict, round(count.raise_share, 2)
    ('raise the rate', 0.15)
    """
    if not (0 <= good <= sown and sown > 0 and 0 < expected <= 1):
        raise ValueError(f"{good} of {sown} seeds, {expected} expected: not a count")
    low, high = wilson_interval(good, sown)
    verdict: Verdict = "retest"
    if low > expected or (high >= expected and sown >= enough):
        verdict = "as the tag says"
    elif high < expected and sown >= enough:
        verdict = "raise the rate"
    more = [expected / share - 1 if share > 0 else float("inf") for share in (good / sown, high, low)]
    return GerminationCount(good, sown, expected, low, high, verdict, *more)
