"""Counts of plants in frames: how dense the stand is, how sure that is, and when to stop counting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, exp, inf, log, sqrt
from typing import Literal

import numpy as np

from greengap.advice.students_t import t_quantile

Z_95 = 1.96
Side = Literal["enough", "too few", "go on", "between"]


@dataclass(frozen=True)
class Density:
    """Plants on a square metre by a count.

    Attributes
    ----------
    frames : int
    plants : float
        In all frames.
    per_m2, low_m2, high_m2 : float
        The count, and an interval for the whole block [m-2].
    dispersion : float
        Variance of a frame over its mean; 1 where plants lie at random [-].
    """

    frames: int
    plants: float
    per_m2: float
    low_m2: float
    high_m2: float
    dispersion: float


def counted_density(
    plants: Sequence[float], areas_m2: Sequence[float], clumping: float, level: float = 0.95
) -> Density:
    """Density of plants with an interval that minds patches.

    Parameters
    ----------
    plants : sequence of float, shape (frame,)
        Plants in each frame.
    areas_m2 : sequence of float, shape (frame,)
        Ground in each, above 0 [m2].
    clumping : float
        Exponent k of the negative binomial that stands for the spread between frames while there is only one
        [-].
    level : float
        Of the interval [fraction].

    Returns
    -------
    Density

    Raises
    ------
    ValueError
        If there is no frame, or a number cannot be.

    Notes
    -----
    Quasi-likelihood of P. McCullagh and J. A. Nelder, "Generalized Linear Models", 2nd ed., 1989 (from memory): a
    Poisson mean with a logarithmic link, its variance times Pearson's chi-square over its degrees of freedom, never
    below 1, and t for the frames but one. Nothing found at all: the exact upper limit of a Poisson count, F. Garwood,
    "Fiducial limits for the Poisson distribution", Biometrika, vol. 28, pp. 437-442, 1936 (from memory), that of a
    stand that is no more patchy than chance.

    Examples
    --------
    >>> found = counted_density([20, 14, 26, 9], [0.1] * 4, clumping=4.0)
    >>> found.per_m2, round(found.low_m2), round(found.high_m2)
    (172.5, 87, 340)
    """
    count, area = np.asarray(plants, dtype=float), np.asarray(areas_m2, dtype=float)
    if count.size == 0 or count.shape != area.shape:
        raise ValueError(f"{count.size} counts in {area.size} frames")
    if not ((count >= 0).all() and (area > 0).all() and np.isfinite(count).all() and np.isfinite(area).all()):
        raise ValueError("plants must not be below 0 and areas must lie above 0")
    total, ground = float(count.sum()), float(area.sum())
    density, frames = total / ground, int(count.size)
    if total == 0:
        return Density(frames, 0.0, 0.0, 0.0, -log((1 - level) / 2) / ground, 1.0)
    expected = density * area
    if frames == 1:
        spread, width = 1 + total / clumping, Z_95
    else:
        spread = max(float(((count - expected) ** 2 / expected).sum()) / (frames - 1), 1.0)
        width = t_quantile(level, frames - 1)
    ratio = exp(min(width * sqrt(spread / total), 50.0))
    return Density(frames, total, density, density / ratio, density * ratio, spread)


def measured_clumping(plants: Sequence[float], areas_m2: Sequence[float]) -> float:
    """Exponent k of the negative binomial by moments; infinite where frames differ no more than by chance.

    Notes
    -----
    ``k = mean**2 / (variance - mean)``, F. J. Anscombe, "The statistical analysis of insect counts based on the
    negative binomial distribution", Biometrics, vol. 5, pp. 165-173, 1949 (from memory), on frames brought to their
    mean area.
    """
    count, area = np.asarray(plants, dtype=float), np.asarray(areas_m2, dtype=float)
    if count.size < 2:
        return inf
    level = count / area * area.mean()
    mean, variance = float(level.mean()), float(level.var(ddof=1))
    return mean**2 / (variance - mean) if variance > mean > 0 else inf


@dataclass(frozen=True)
class StopRule:
    """When enough frames are counted to tell a stand that is too thin from one that is not.

    Attributes
    ----------
    too_few_m2, enough_m2 : float
        Density at which the verdict is to be the one, and at which it is to be the other [m-2].
    clumping : float
        Exponent k of the negative binomial; infinite for Poisson counts [-].
    wrong_enough, wrong_few : float
        Odds of saying "enough" at `too_few_m2`, and "too few" at `enough_m2` [fraction].
    least, most : int
        Frames before which, and after which, nobody counts on.

    Notes
    -----
    The sequential probability ratio test of A. Wald, "Sequential Analysis", 1947. For negative binomial counts it is
    the sampling plan of pest scouting: G. W. Fowler and A. M. Lynch, "Sampling plans in insect pest management based
    on Wald's sequential probability ratio test", Environ. Entomol., vol. 16, pp. 345-354, 1987 (from memory). The
    rates of error hold on the average over stands at the two densities; a least number of frames makes them smaller,
    a largest number leaves counts that say neither.
    """

    too_few_m2: float
    enough_m2: float
    clumping: float
    wrong_enough: float
    wrong_few: float
    least: int = 1
    most: int = 1000

    def __post_init__(self) -> None:
        if not 0 < self.too_few_m2 < self.enough_m2:
            raise ValueError(f"too_few_m2 {self.too_few_m2} must lie above 0 and below enough_m2 {self.enough_m2}")
        if not (self.clumping > 0 and 0 < self.wrong_enough < 0.5 and 0 < self.wrong_few < 0.5):
            raise ValueError("clumping must lie above 0, and odds of error between 0 and a half")

    @property
    def bounds(self) -> tuple[float, float]:
        """Logarithm of the ratio of likelihoods at which "too few" and "enough" are said."""
        return log(self.wrong_few / (1 - self.wrong_enough)), log((1 - self.wrong_few) / self.wrong_enough)

    def _terms(self, area_m2: float) -> tuple[float, float]:
        """What a plant adds to the logarithm of the ratio, and what a frame takes from it."""
        few, enough = self.too_few_m2 * area_m2, self.enough_m2 * area_m2
        if self.clumping == inf:
            return log(enough / few), enough - few
        wider = log((enough + self.clumping) / (few + self.clumping))
        return log(enough / few) - wider, self.clumping * wider

    def evidence(self, plants: Sequence[float], areas_m2: Sequence[float]) -> float:
        """Logarithm of the ratio of likelihoods, "enough" over "too few"."""
        terms = [self._terms(area) for area in areas_m2]
        return sum(count * plant - frame for count, (plant, frame) in zip(plants, terms, strict=True))

    def lines(self, frames: int, area_m2: float) -> tuple[float, float]:
        """Plants in all frames so far at or below which to stop with "too few", and from which with "enough"."""
        plant, frame = self._terms(area_m2)
        low, high = self.bounds
        return (low + frames * frame) / plant, (high + frames * frame) / plant


@dataclass(frozen=True)
class Stop:
    """Whether to count on.

    Attributes
    ----------
    side : str
        "enough" or "too few" once that is decided; "go on"; "between" where all the frames that anybody would count
        decide nothing: the density lies between the two, and more frames would not help.
    frames : int
        Counted so far.
    more : int
        Frames that it would take on from here, if they come out as those so far; 0 once it is decided.
    """

    side: Side
    frames: int
    more: int


def stop_counting(plants: Sequence[float], areas_m2: Sequence[float], rule: StopRule) -> Stop:
    """Whether the frames so far decide.

    Parameters
    ----------
    plants, areas_m2 : sequence of float, shape (frame,)
        In the order they were counted.
    rule : StopRule

    Returns
    -------
    Stop

    Examples
    --------
    >>> rule = StopRule(40, 80, clumping=4.0, wrong_enough=0.1, wrong_few=0.1, least=3, most=12)
    >>> stop_counting([12, 15, 11], [0.1] * 3, rule)
    Stop(side='enough', frames=3, more=0)
    >>> stop_counting([6, 7, 5], [0.1] * 3, rule).side
    'go on'
    """
    done = len(plants)
    if done < rule.least:
        return Stop("go on", done, rule.least - done)
    low, high = rule.bounds
    sums = np.cumsum([rule.evidence([c], [a]) for c, a in zip(plants, areas_m2, strict=True)])
    for at in range(rule.least, done + 1):  # the first that decides, as if it had been asked after each frame
        if sums[at - 1] >= high:
            return Stop("enough", done, 0)
        if sums[at - 1] <= low:
            return Stop("too few", done, 0)
    if done >= rule.most:
        return Stop("between", done, 0)
    now = float(sums[-1])
    drift = now / done
    left = rule.most - done
    if drift == 0:
        return Stop("go on", done, left)
    away = ((high if drift > 0 else low) - now) / drift
    return Stop("go on", done, min(max(ceil(away), 1), left))
