"""A germination count in plain lines."""

from __future__ import annotations

from collections.abc import Iterator

from greengap.advice.germination import GerminationCount
from greengap.catalogue import Catalogue


def _percent(share: float) -> str:
    return f"{share:.0%}".replace("%", " %")


def count_lines(count: GerminationCount, catalogue: Catalogue, figure: str) -> Iterator[str]:
    """What a count says of a lot.

    Parameters
    ----------
    count : GerminationCount
    catalogue : Catalogue
    figure : str
        Whose figure was expected: "the tag", or "an ordinary lot".

    Yields
    ------
    str
    """
    enough = int(catalogue.rule("germination_count_seeds"))
    wanted = _percent(count.expected)
    yield f"{count.good} of {count.sown} up: {_percent(count.share)}."
    yield (
        f"The lot lies between {_percent(count.low)} and {_percent(count.high)}, as far as {count.sown} seeds can tell "
        "(Wilson 1927, 95 %)."
    )
    alone = f"{_percent(count.raise_share)} more seed" if count.raise_share >= 0.005 else "no more seed"
    as_said = count.verdict if figure == "the tag" else f"as {figure}"
    match count.verdict:
        case _ if count.good == 0:
            yield f"Verdict: retest, {enough} seeds or more. Nothing came up: look at the towel first, then at the lot."
        case "as the tag says" if count.low > count.expected:
            yield f"Verdict: {as_said}. It is better than the {wanted} of {figure}; keep the rate, a field is harsher."
        case "as the tag says":
            yield (
                f"Verdict: {as_said}, {wanted}. A raise of up to {_percent(count.raise_high)} would be too small for "
                "this count to show."
            )
        case "raise the rate":
            yield (
                f"Verdict: raise the rate by {_percent(count.raise_share)} ({_percent(count.raise_low)} to "
                f"{_percent(count.raise_high)}): {figure} has {wanted}."
            )
            yield (
                f"Write {100 * count.share:.0f} into germination_percent of the lot and order again: "
                "rates and bags follow."
            )
        case _ if count.high < count.expected:
            yield (
                f"Verdict: retest, {enough} seeds or more. The lot is below the {wanted} of {figure}, but "
                f"{count.sown} seeds cannot say by how much: between {_percent(count.raise_low)} and "
                f"{_percent(count.raise_high)} more seed. Do not sow it on this count."
            )
        case _:
            yield (
                f"Verdict: retest, {enough} seeds or more. The {wanted} of {figure} is possible, and so is a lot that "
                f"asks for {_percent(count.raise_high)} more seed; the count alone would ask for {alone}."
            )
    if count.share < catalogue.rule("germination_change_lot"):
        least = _percent(catalogue.rule("germination_change_lot"))
        yield f"Below {least} compare with the price of another lot [{catalogue.cite('nrcs_nh340')}]."
    yield (
        "Take the seeds blindly from all over the bag. Count sound seedlings only; seed that does not swell is hard "
        "seed, not up. A warm towel is kinder than cold ground."
    )
