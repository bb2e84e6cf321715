"""Student's t for a handful of frames: its distribution, quantiles, and how many frames a wanted precision takes."""

from __future__ import annotations

from functools import lru_cache
from math import atan, cos, pi, sin, sqrt

LARGEST = 1e6  # beyond which no quantile of use lies


def t_within(t: float, freedom: int) -> float:
    """Share of the distribution between ``-t`` and ``t``.

    Parameters
    ----------
    t : float
        Not below 0.
    freedom : int
        Degrees of freedom, from 1.

    Returns
    -------
    float
        [fraction].

    Raises
    ------
    ValueError
        If there is no such distribution.

    Notes
    -----
    The finite series of M. Abramowitz and I. A. Stegun, "Handbook of Mathematical Functions", 1964, 26.7.3 for odd
    and 26.7.4 for even degrees of freedom (from memory; the tests hold it against printed tables of t).

    Examples
    --------
    >>> round(t_within(2.776, 4), 3)
    0.95
    """
    if freedom < 1 or t < 0:
        raise ValueError(f"t {t} with {freedom} degrees of freedom; allowed are t from 0 and freedom from 1")
    angle = atan(t / sqrt(freedom))
    if freedom == 1:
        return 2 * angle / pi
    odd = freedom % 2
    term = total = cos(angle) if odd else 1.0
    for step in range(2 + odd, freedom - 1, 2):
        term *= (step - 1) / step * cos(angle) ** 2
        total += term
    share = 2 / pi * (angle + sin(angle) * total) if odd else sin(angle) * total
    return min(share, 1.0)


@lru_cache(maxsize=256)
def t_quantile(level: float, freedom: int) -> float:
    """The t between whose two signs a share of the distribution lies.

    Parameters
    ----------
    level : float
        Above 0 and below 1, as 0.95 [fraction].
    freedom : int
        Degrees of freedom, from 1.

    Examples
    --------
    >>> [round(t_quantile(0.95, n), 3) for n in (1, 2, 5, 30)]
    [12.706, 4.303, 2.571, 2.042]
    """
    if not 0 < level < 1:
        raise ValueError(f"level {level} must lie between 0 and 1")
    low, high = 0.0, 1.0
    while t_within(high, freedom) < level and high < LARGEST:
        high *= 2
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if t_within(middle, freedom) < level else (low, middle)
    return (low + high) / 2


def frames_needed(variation: float, wanted: float, level: float = 0.95, most: int = 200) -> int:
    """Frames after which the interval of a mean is no wider than wanted.

    Parameters
    ----------
    variation : float
        Standard deviation between frames over their mean [fraction].
    wanted : float
        Half width of the interval over the mean, above 0 [fraction].
    level : float
        Of the interval [fraction].
    most : int
        Where the search ends.

    Returns
    -------
    int
        At least 2. The smallest n with ``t * variation / sqrt(n) <= wanted``, t with n - 1 degrees of freedom (W. G.
        Cochran, "Sampling Techniques", 3rd ed., 1977, section 4.7 iterates the same; from memory).

    Examples
    --------
    >>> frames_needed(0.2, 0.25), frames_needed(0.4, 0.25)
    (5, 13)
    """
    if not wanted > 0:
        raise ValueError(f"wanted {wanted} must lie above 0")
    for n in range(2, most):
        if t_quantile(level, n - 1) * variation / sqrt(n) <= wanted:
            return n
    return most
