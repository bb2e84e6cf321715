"""The race against weeds: how many come up before the cover closes, and what share they end with."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

# Slopes were not printed with the sums; this ratio is a choice of this project.
EMERGENCE_STEEPNESS = 2.5  # slope of the emergence curve times its half sum [-]
# 75 % less weed biomass under 5 Mg/ha: V. Nichols et al., Agric. Environ. Lett., vol. 5, e20022, 2020.
SUPPRESSION_HA_PER_MG = 0.277  # ha Mg-1, ln(4) / 5


def seedlings_emerged(
    thermal_sum_degc_d: ArrayLike, half_sum_degc_d: ArrayLike, steepness: ArrayLike = EMERGENCE_STEEPNESS
) -> NDArray[np.float64]:
    """Share of the season's weed seedlings that are up.

    Parameters
    ----------
    thermal_sum_degc_d : array_like of float
        Soil degree-days since 1 January, in the base of the half sum [°C d].
    half_sum_degc_d : array_like of float, broadcastable to `thermal_sum_degc_d`
        Sum at which half are up, above zero [°C d].
    steepness : array_like of float, broadcastable
        Slope of the curve times its half sum [-].

    Returns
    -------
    ndarray of float
        Share, 0 to 1; NaN where the sum is missing [-].

    Notes
    -----
    A Gompertz curve as in F. Forcella et al., 1997 (abstract: half sums of soil degree-days above
    4.4 °C of the north-central United States), ``exp(-ln(2) * exp(-b * (sum - half)))`` with ``b = steepness / half``.

    Examples
    --------
    >>> seedlings_emerged([0.0, 100.0, 200.0, 600.0], 200.0).round(3)
    array([0.   , 0.089, 0.5  , 0.995])
    """
    half = np.asarray(half_sum_degc_d, dtype=float)
    ahead = np.asarray(thermal_sum_degc_d, dtype=float) / half - 1
    with np.errstate(over="ignore"):
        return np.exp(-np.log(2.0) * np.exp(-np.asarray(steepness, dtype=float) * ahead))


def sum_at_share(
    share: ArrayLike, half_sum_degc_d: ArrayLike, steepness: ArrayLike = EMERGENCE_STEEPNESS
) -> NDArray[np.float64]:
    """Soil degree-days at which a share of the seedlings is up: `seedlings_emerged` turned round.

    Parameters
    ----------
    share : array_like of float
        Above 0 and below 1 [-].
    half_sum_degc_d, steepness : array_like of float, broadcastable to `share`
        As in `seedlings_emerged`.

    Returns
    -------
    ndarray of float
        [°C d].

    Examples
    --------
    >>> sum_at_share([0.089, 0.5, 0.8], 200.0).round(0)
    array([100., 200., 291.])
    """
    half = np.asarray(half_sum_degc_d, dtype=float)
    doubled = -np.log(np.asarray(share, dtype=float)) / np.log(2.0)
    return np.asarray(half * (1 - np.log(doubled) / np.asarray(steepness, dtype=float)))


def weed_leaf_area(
    seedlings_m2: ArrayLike,
    warmth_degc_d: ArrayLike,
    seedling_area_m2: float,
    growth_per_degc_d: float,
    most: float = 4.0,
) -> NDArray[np.float64]:
    """Leaf area index of weeds that have come up since the bed was cleaned.

    Parameters
    ----------
    seedlings_m2 : array_like of float, shape (..., day)
        Weed seedlings up by each day [m-2].
    warmth_degc_d : array_like of float, shape (..., day)
        Running degree-days, in the base of the growth rate [°C d].
    seedling_area_m2 : float
        Leaf area of one when it comes up [m2].
    growth_per_degc_d : float
        Relative growth of young leaf area [1/(°C d)].
    most : float
        Leaf area index of a closed canopy, beyond which it grows no more [-].

    Returns
    -------
    ndarray of float, shape (..., day)
        Leaf area index [-].

    Notes
    -----
    Exponential growth of each from the day it comes up, as in M. J. Kropff and C. J. T. Spitters, "A simple
    model of crop loss by weed competition from early observations on relative leaf area of the weeds", Weed
    Res., vol. 31, pp. 97-105, 1991 (from memory).

    Examples
    --------
    >>> weed_leaf_area([100.0, 100.0, 200.0], [0.0, 50.0, 100.0], 1e-4, 0.016).round(4)
    array([0.01  , 0.0223, 0.0595])
    """
    up, warmth = np.asarray(seedlings_m2, dtype=float), np.asarray(warmth_degc_d, dtype=float)
    grown = np.exp(np.minimum(growth_per_degc_d * (warmth - warmth[..., :1]), 500.0))
    new = np.diff(up, axis=-1, prepend=0.0)
    return np.minimum(seedling_area_m2 * grown * np.cumsum(new / grown, axis=-1), most)


def leaf_area_of_cover(cover_fraction: ArrayLike, light_extinction: float) -> NDArray[np.float64]:
    """Leaf area index that covers a share of the ground, from straight above.

    Parameters
    ----------
    cover_fraction : array_like of float
        Ground under leaves, 0 and below 1 [fraction].
    light_extinction : float
        Of the canopy [-].

    Returns
    -------
    ndarray of float
        [-].

    Notes
    -----
    Beer's law, ``1 - exp(-k L)``, by which the engine closes canopies, turned round.

    Examples
    --------
    >>> leaf_area_of_cover([0.0, 0.1, 0.5], 0.6).round(3)
    array([0.   , 0.176, 1.155])
    """
    covered = np.minimum(np.asarray(cover_fraction, dtype=float), 0.99)
    return -np.log1p(-covered) / light_extinction


def leaf_area_of_plants(plants_m2: ArrayLike, height_mm: ArrayLike, leaf_of_height: float) -> NDArray[np.float64]:
    """Leaf area index of young weeds from their number and height.

    Parameters
    ----------
    plants_m2 : array_like of float
        [m-2].
    height_mm : array_like of float, broadcastable
        [mm].
    leaf_of_height : float
        Leaf area of one over its height squared [m2 m-2].

    Returns
    -------
    ndarray of float
        [-].

    Notes
    -----
    Plants of one shape: area goes with the square of height. A choice of this project, for seedlings.

    Examples
    --------
    >>> leaf_area_of_plants(100.0, 50.0, 0.4).round(3)
    np.float64(0.1)
    """
    height_m = np.asarray(height_mm, dtype=float) / 1000
    return np.asarray(np.asarray(plants_m2, dtype=float) * leaf_of_height * height_m**2)


def height_weight(weed_height_mm: float, cover_height_mm: float, least: float, most: float) -> float:
    """How much the leaf area of weeds counts by their height against the cover's.

    Notes
    -----
    What stands above shades what stands below, which a race of leaf areas alone does not see: leaf area is weighed by
    the ratio of heights, within bounds. A choice of this project in the place of the relative damage coefficient of
    Kropff and Spitters 1991 (see `relative_leaf_area_loss`).

    Examples
    --------
    >>> height_weight(30, 100, 0.5, 2.0), height_weight(120, 100, 0.5, 2.0), height_weight(400, 100, 0.5, 2.0)
    (0.5, 1.2, 2.0)
    """
    if cover_height_mm <= 0:
        return most
    return min(max(weed_height_mm / cover_height_mm, least), most)


def height_class_weight(level: str, least: float, most: float) -> float:
    """The same by eye: tops of the weeds below those of the cover, level with them, or above.

    Notes
    -----
    Halfway, on a logarithm, from weeds as tall as the cover to the bounds of `height_weight`. A choice of this project.

    Examples
    --------
    >>> [round(height_class_weight(level, 0.5, 2.0), 2) for level in ("below", "level", "above")]
    [0.71, 1.0, 1.41]
    """
    return {"below": least**0.5, "level": 1.0, "above": most**0.5}[level]


def weed_share(weed_leaf_area: ArrayLike, cover_leaf_area: ArrayLike) -> NDArray[np.float64]:
    """Share of the leaf area that is weeds' when the cover closes.

    Parameters
    ----------
    weed_leaf_area, cover_leaf_area : array_like of float
        Leaf area indices; the cover's above zero [-].

    Returns
    -------
    ndarray of float
        Share, 0 to 1 [-].

    Examples
    --------
    >>> weed_share([0.0, 0.25, 1.0], 1.0)
    array([0. , 0.2, 0.5])
    """
    weeds = np.asarray(weed_leaf_area, dtype=float)
    return weeds / (weeds + np.asarray(cover_leaf_area, dtype=float))


def relative_leaf_area_loss(q: ArrayLike, weed_leaf_share: ArrayLike) -> NDArray[np.float64]:
    """Share of its biomass that a crop loses to weeds, from their leaf area.

    Parameters
    ----------
    q : array_like of float
        Relative damage, above 0, and above 1 for weeds stronger than the crop [-].
    weed_leaf_share : array_like of float, broadcastable to `q`
        Weeds' share of the leaf area of crop and weeds, 0 to 1 [-].

    Returns
    -------
    ndarray of float
        Share lost, 0 to 1 [-].

    Notes
    -----
    Kropff and Spitters 1991 (see `weed_leaf_area`): ``q L / (1 + (q - 1) L)``.

    Examples
    --------
    >>> round(float(relative_leaf_area_loss(1.5, 0.2)), 4)
    0.2727
    """
    damage, share = np.asarray(q, dtype=float), np.asarray(weed_leaf_share, dtype=float)
    return damage * share / (1 + (damage - 1) * share)


def biomass_suppression(
    biomass_mg_ha: ArrayLike, rate_ha_per_mg: ArrayLike = SUPPRESSION_HA_PER_MG
) -> NDArray[np.float64]:
    """Share of the weeds' biomass that the cover's own keeps down.

    Parameters
    ----------
    biomass_mg_ha : array_like of float
        Dry matter of the cover above ground [Mg ha-1].
    rate_ha_per_mg : array_like of float, broadcastable to `biomass_mg_ha`
        Rate of the exponential [ha Mg-1].

    Returns
    -------
    ndarray of float
        Share, 0 to 1 [-].

    Notes
    -----
    ``1 - exp(-rate * biomass)`` through the one point of Nichols et al. 2020: winter grasses in the
    Midwest. The exponential is a choice of this project.

    Examples
    --------
    >>> biomass_suppression([0.0, 2.0, 5.0]).round(2)
    array([0.  , 0.43, 0.75])
    """
    return -np.expm1(-np.asarray(rate_ha_per_mg, dtype=float) * np.asarray(biomass_mg_ha, dtype=float))


def remaining_weeds(
    weed_share: ArrayLike, biomass_mg_ha: ArrayLike, suppression_ha_mg: ArrayLike = SUPPRESSION_HA_PER_MG
) -> NDArray[np.float64]:
    """Weeds' biomass, as a share of what they would grow alone.

    Parameters
    ----------
    weed_share : array_like of float
        From the function `weed_share` [-].
    biomass_mg_ha : array_like of float, broadcastable to `weed_share`
        Dry matter of the cover above ground [Mg ha-1].
    suppression_ha_mg : array_like of float
        Rate of `biomass_suppression` [ha Mg-1].

    Returns
    -------
    ndarray of float
        Share, 0 to 1 [-].

    Notes
    -----
    The smaller of what the race and what the mass of the cover leave: both see the same leaves, so
    that their product would count them twice. A choice of this project.
    """
    return np.minimum(np.asarray(weed_share, dtype=float), 1 - biomass_suppression(biomass_mg_ha, suppression_ha_mg))
