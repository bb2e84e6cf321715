"""Partial pooling: how far a farm's own records move a number away from where the trials have put it.

Two published methods and no more: a normal-normal hierarchical model whose variances come from trials elsewhere
(empirical Bayes), for everything that has a size; a beta-binomial model for what happens or does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

GRID = np.linspace(-30.0, 30.0, 6001)  # logit of a share: fine enough for quantiles to four digits


@dataclass(frozen=True)
class Scatter:
    """How far things scatter, as standard deviations on the scale of the residuals.

    Attributes
    ----------
    farm : float
        Between farms, common to all species of a farm.
    species : float
        Between farms, of one species more than of the others.
    year : float
        Between the years of a farm, common to all its species.
    species_year : float
        Between the years of a farm, of one species more than of the others.
    record : float
        Between the records of a species in one year.
    """

    farm: float
    species: float
    year: float
    species_year: float
    record: float

    @property
    def elsewhere(self) -> float:
        """Between farms, of one species: what is known before a farm has a record."""
        return float(np.hypot(self.farm, self.species))


@dataclass(frozen=True)
class Pooled:
    """What the records of a farm say of its species.

    Attributes
    ----------
    species : tuple of str
    mean, sd : ndarray, shape (species,)
        Of the shift of each species, on the scale of the residuals.
    weights : ndarray, shape (species, record)
        `mean` is `weights` times the residuals: what each record does to each species.
    surprise : ndarray, shape (record,)
        How many standard deviations each record lies from what all others let expect.
    """

    species: tuple[str, ...]
    mean: NDArray[np.float64]
    sd: NDArray[np.float64]
    weights: NDArray[np.float64]
    surprise: NDArray[np.float64]

    def interval(self, share: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Ends of the middle `share` of each shift, each of shape (species,)."""
        reach = NormalDist().inv_cdf(0.5 + share / 2) * self.sd
        return self.mean - reach, self.mean + reach


def pool(
    residual: ArrayLike,
    species: Sequence[str],
    year: Sequence[int],
    scatter: Scatter,
    slope: ArrayLike = 1.0,
    wanted: Sequence[str] | None = None,
) -> Pooled:
    """Shift of each species of a farm, pooled over its species and years.

    Parameters
    ----------
    residual : array_like of float, shape (record,)
        Observed less predicted, on a scale where the scatter is about normal (most often logarithms).
    species, year : sequence, shape (record,)
        What each record is of.
    scatter : Scatter
        From trials.
    slope : array_like of float, broadcastable to `residual`
        By how much a residual changes where the shift changes by one.
    wanted : sequence of str, optional
        Species to give the shift of; those of the records if left out.

    Returns
    -------
    Pooled

    Raises
    ------
    ValueError
        If the lengths differ, or the records have no scatter.

    Notes
    -----
    ``residual = slope * (farm + species) + year + species_year + record``, all five normal about zero: zero is the
    catalogue, so that without records nothing moves, with few it moves little, and many blocks in one year share
    that year's effect and count as little more than one. The shift is the conditional mean given the variances, the
    best linear unbiased predictor of a mixed model with known variances [1]_ [2]_ (both from memory). `surprise` is
    the leave-one-out residual over its standard deviation, [3]_ equations 5.12 (from memory).

    References
    ----------
    .. [1] B. Efron and C. Morris, "Data analysis using Stein's estimator and its generalizations",
       J. Am. Stat. Assoc., vol. 70, pp. 311-319, 1975.
    .. [2] A. Gelman and J. Hill, "Data Analysis Using Regression and Multilevel/Hierarchical Models", Cambridge
       University Press, 2007.
    .. [3] C. E. Rasmussen and C. K. I. Williams, "Gaussian Processes for Machine Learning", MIT Press, 2006.

    Examples
    --------
    >>> like_trials = Scatter(farm=0.0, species=0.2, year=0.0, species_year=0.2, record=0.1)
    >>> pool([0.2], ["oat"], [2024], like_trials).mean.round(3)
    array([0.089])
    >>> pool([0.2] * 5, ["oat"] * 5, [2024] * 5, like_trials).mean.round(3)
    array([0.098])
    >>> pool([0.2] * 5, ["oat"] * 5, range(2020, 2025), like_trials).mean.round(3)
    array([0.16])
    """
    y = np.asarray(residual, dtype=float)
    s = np.broadcast_to(np.asarray(slope, dtype=float), y.shape)
    of, when = np.asarray(species, dtype=object), np.asarray(year)
    if not y.shape == of.shape == when.shape:
        raise ValueError(f"residual, species and year must be as long as each other: {y.size}, {of.size}, {when.size}")
    if scatter.record <= 0:
        raise ValueError(f"scatter.record must lie above zero, not {scatter.record:g}")
    keys = tuple(sorted(set(of) if wanted is None else set(wanted)))
    same, together = of[:, None] == of[None, :], when[:, None] == when[None, :]
    between = s[:, None] * s[None, :] * (scatter.farm**2 + scatter.species**2 * same)
    within = scatter.year**2 * together + scatter.species_year**2 * (same & together)
    inverse = np.linalg.inv(between + within + scatter.record**2 * np.eye(y.size))
    named = np.array(keys, dtype=object)
    cross = s[None, :] * (scatter.farm**2 + scatter.species**2 * (named[:, None] == of[None, :]))
    weights = cross @ inverse
    variance = scatter.elsewhere**2 - np.einsum("kr,kr->k", weights, cross)
    surprise = (inverse @ y) / np.sqrt(np.diag(inverse))
    return Pooled(keys, weights @ y, np.sqrt(np.maximum(variance, 0.0)), weights, surprise)


@dataclass(frozen=True)
class Share:
    """A share of cases in which something happens: a beta distribution."""

    happened: float
    spared: float

    @property
    def mean(self) -> float:
        """Expected share."""
        return self.happened / (self.happened + self.spared)

    def quantile(self, level: float) -> float:
        """Share below which the true one lies with a probability of `level`."""
        share = 1 / (1 + np.exp(-GRID))
        # The density of the logit of a beta variable.
        log_density = self.happened * np.log(share) + self.spared * np.log1p(-share)
        density = np.exp(log_density - log_density.max())
        below = np.cumsum(density) - density / 2
        return float(np.interp(level, below / density.sum(), share))


def pool_share(
    happened: ArrayLike, year: Sequence[int], before: float, worth: float, alike: float
) -> tuple[Share, NDArray[np.float64]]:
    """A share after a farm's own cases.

    Parameters
    ----------
    happened : array_like of bool, shape (case,)
    year : sequence of int, shape (case,)
    before : float
        Share that is expected without any case of the farm.
    worth : float
        How many independent cases that expectation is worth.
    alike : float
        Correlation of the cases of one year, 0 to 1: 1 makes all of them count as one.

    Returns
    -------
    (Share, ndarray of shape (case,))
        The share, and what each case counts.

    Notes
    -----
    A beta prior and binomial cases give a beta posterior (A. Gelman et al., "Bayesian Data Analysis", 2nd ed.,
    Chapman & Hall/CRC, 2004, section 2.4, from memory). The m cases of a year count as ``m / (1 + (m - 1) alike)``,
    the effective size of a cluster (L. Kish, "Survey Sampling", Wiley, 1965, from memory).

    Examples
    --------
    >>> share, counts = pool_share([True, True], [2023, 2024], before=0.1, worth=8, alike=0.5)
    >>> round(share.mean, 3), counts
    (0.28, array([1., 1.]))
    """
    hit, when = np.asarray(happened, dtype=float), np.asarray(year)
    many = np.array([(when == y).sum() for y in when], dtype=float)
    counts = 1 / (1 + (many - 1) * alike)
    return Share(float(worth * before + hit @ counts), float(worth * (1 - before) + (1 - hit) @ counts)), counts
