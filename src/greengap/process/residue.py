"""What is left of a cover after it was ended: how fast it decays, and when the ground is fit for the next crop."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

# D. C. Godwin and C. A. Jones, "Nitrogen dynamics in soil-plant systems", in "Modeling plant and soil systems",
# ASA, 1991, in the form of the public source of DSSAT: carbohydrate, cellulose, lignin.
DECAY_PER_D = np.array([0.20, 0.05, 0.0095])  # d-1 at full warmth and moisture
CRITICAL_CARBON_TO_NITROGEN = 25.0  # [-], above which decay slows
NEWTON_STEPS = 30


def carbon_nitrogen_factor(carbon_to_nitrogen: ArrayLike) -> NDArray[np.float64]:
    """Share of the full speed of decay that the nitrogen in reach lets through.

    Parameters
    ----------
    carbon_to_nitrogen : array_like of float
        Carbon of the residue over its nitrogen and the mineral nitrogen around it, above zero [-].

    Returns
    -------
    ndarray of float
        1 up to 25, 0.5 at 50 [-].

    Notes
    -----
    Godwin and Jones 1991.

    Examples
    --------
    >>> carbon_nitrogen_factor([12.0, 25.0, 50.0])
    array([1. , 1. , 0.5])
    """
    above = np.asarray(carbon_to_nitrogen, dtype=float) - CRITICAL_CARBON_TO_NITROGEN
    return np.minimum(1.0, 0.5 ** (above / CRITICAL_CARBON_TO_NITROGEN))


def remaining_share(decay_days: ArrayLike, pools: ArrayLike) -> NDArray[np.float64]:
    """Share of the residue that is left.

    Parameters
    ----------
    decay_days : array_like of float, shape (...)
        Days of decay at full speed since it was ended [d].
    pools : array_like of float, shape (..., 3)
        Carbohydrate, cellulose and lignin, shares of the dry matter that add up to 1 [-].

    Returns
    -------
    ndarray of float, shape (...)
        1 at the start, falling [-].

    Examples
    --------
    >>> remaining_share([0.0, 35.0], [0.3, 0.6, 0.1]).round(3)
    array([1.   , 0.176])
    """
    days = np.asarray(decay_days, dtype=float)[..., None]
    return (np.asarray(pools, dtype=float) * np.exp(-DECAY_PER_D * days)).sum(axis=-1)


def decay_days_until(share: ArrayLike, pools: ArrayLike) -> NDArray[np.float64]:
    """Days of decay at full speed until no more than a share is left: the inverse of `remaining_share`.

    Parameters
    ----------
    share : array_like of float, shape (...)
        Share that may be left, above 0; 1 and more is there from the start [-].
    pools : array_like of float, shape (..., 3)
        As in `remaining_share`.

    Returns
    -------
    ndarray of float, shape (...)
        Never below zero [d].

    Examples
    --------
    >>> float(decay_days_until(0.1, [1.0, 0.0, 0.0]).round(3))
    11.513
    """
    wanted = np.asarray(share, dtype=float)
    parts = np.asarray(pools, dtype=float)
    wanted = np.minimum(wanted, 1.0)
    days = np.zeros(np.broadcast_shapes(wanted.shape, parts.shape[:-1]))
    for _ in range(NEWTON_STEPS):  # the curve is convex and falls: from the left it is never overshot
        left = parts * np.exp(-DECAY_PER_D * days[..., None])
        slope = np.maximum((left * DECAY_PER_D).sum(axis=-1), 1e-12)
        step = np.maximum(left.sum(axis=-1) - wanted, 0.0) / slope
        days = days + step
        if step.max(initial=0.0) < 1e-6:
            break
    return days


def residue_limit(coarse_share: ArrayLike, tender_kg_ha: float, coarse_kg_ha: float) -> NDArray[np.float64]:
    """Undecayed dry matter in the ground with which the next crop can be set.

    Parameters
    ----------
    coarse_share : array_like of float
        Share of the dry matter that stands in coarse stems [-].
    tender_kg_ha, coarse_kg_ha : float
        Limits of tender and of coarse residue [kg ha-1].

    Returns
    -------
    ndarray of float
        Limit [kg ha-1].

    Notes
    -----
    A straight line between the two: a choice of this project.
    """
    return tender_kg_ha + (coarse_kg_ha - tender_kg_ha) * np.asarray(coarse_share, dtype=float)


def pool_shares(progress: ArrayLike, young: ArrayLike, bloom: ArrayLike, ripe: ArrayLike) -> NDArray[np.float64]:
    """Carbohydrate, cellulose and lignin of a shoot by its stage.

    Parameters
    ----------
    progress : array_like of float, shape (...)
        0 at emergence, 1 at first flower, 2 at viable seed [-].
    young, bloom, ripe : array_like of float, shape (3,)
        Shares at half way to flower and before, at first flower, and at viable seed [-].

    Returns
    -------
    ndarray of float, shape (..., 3)
        Shares that add up to 1 [-].

    Notes
    -----
    Straight lines between the stages: a choice of this project.

    Examples
    --------
    >>> pool_shares([0.2, 1.5], [0.4, 0.5, 0.1], [0.3, 0.6, 0.1], [0.2, 0.7, 0.1]).round(2)
    array([[0.4 , 0.5 , 0.1 ],
           [0.25, 0.65, 0.1 ]])
    """
    stage = np.asarray(progress, dtype=float)
    points = [0.5, 1.0, 2.0]
    columns = zip(*(np.asarray(pools, dtype=float) for pools in (young, bloom, ripe)), strict=True)
    return np.stack([np.interp(stage, points, column) for column in columns], axis=-1)
