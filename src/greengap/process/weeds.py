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


def flush(
    sowing_sum_degc_d: ArrayLike,
    closure_sum_degc_d: ArrayLike,
    half_sum_degc_d: ArrayLike,
    steepness: ArrayLike = EMERGENCE_STEEPNESS,
) -> NDArray[np.float64]:
    """Share of the season's weed seedlings that come up between sowing and canopy closure.

    Parameters
    ----------
    sowing_sum_degc_d, closure_sum_degc_d : array_like of float
        Soil degree-days since 1 January on the day of sowing, into a bed freed of weeds, and on the
        day on which the cover closes [°C d].
    half_sum_degc_d : array_like of float, broadcastable to the sums
        Sum at which half of the weeds are up, above zero [°C d].
    steepness : array_like of float, broadcastable
        Slope of the curve times its half sum [-].

    Returns
    -------
    ndarray of float
        Share, 0 to 1 [-].
    """
    before = seedlings_emerged(sowing_sum_degc_d, half_sum_degc_d, steepness)
    return np.maximum(seedlings_emerged(closure_sum_degc_d, half_sum_degc_d, steepness) - before, 0.0)


def early_vigour(
    cover_seed_mass_mg: ArrayLike,
    weed_seed_mass_mg: ArrayLike,
    cover_growth_sum_degc_d: ArrayLike,
    weed_growth_sum_degc_d: ArrayLike,
    growth_per_degc_d: ArrayLike,
    seed_mass_exponent: ArrayLike,
) -> NDArray[np.float64]:
    """Leaf area of one seedling of the cover for each leaf area of a weed, when the canopy closes.

    Parameters
    ----------
    cover_seed_mass_mg, weed_seed_mass_mg : array_like of float
        Mass of one seed [mg].
    cover_growth_sum_degc_d, weed_growth_sum_degc_d : array_like of float
        Degree-days from the emergence of each until closure, both in the base of the growth rate [°C d].
    growth_per_degc_d : array_like of float
        Relative growth of young leaf area [1/(°C d)].
    seed_mass_exponent : array_like of float
        Power of the seed's mass with which the seedling's first leaf area grows [-].

    Returns
    -------
    ndarray of float
        Ratio of leaf areas [-].

    Notes
    -----
    Exponential growth of both from their first leaf area, as in M. J. Kropff and C. J. T. Spitters, "A
    simple model of crop loss by weed competition from early observations on relative leaf area of the
    weeds", Weed Res., vol. 31, pp. 97-105, 1991 (from memory), with one rate for both.
    """
    first = np.asarray(cover_seed_mass_mg, dtype=float) / np.asarray(weed_seed_mass_mg, dtype=float)
    head_start = np.asarray(cover_growth_sum_degc_d, dtype=float) - np.asarray(weed_growth_sum_degc_d, dtype=float)
    grown = np.exp(np.asarray(growth_per_degc_d, dtype=float) * head_start)
    return first ** np.asarray(seed_mass_exponent, dtype=float) * grown


def weed_share(flush: ArrayLike, vigour: ArrayLike, density_ratio: ArrayLike) -> NDArray[np.float64]:
    """Share of the leaf area that is weeds', when both have closed the canopy.

    Parameters
    ----------
    flush : array_like of float
        Share of the season's weeds that came up, from the function `flush` [-].
    vigour : array_like of float, broadcastable to `flush`
        Leaf area of one plant of the cover for each leaf area of a weed, from `early_vigour` [-].
    density_ratio : array_like of float, broadcastable to `flush`
        Plants of the cover for each weed seedling of the season [-].

    Returns
    -------
    ndarray of float
        Share, 0 to 1; 0 where there are no weeds [-].

    Notes
    -----
    ``flush / (flush + vigour * density_ratio)``: a choice of this project.

    Examples
    --------
    >>> weed_share([0.0, 0.2, 0.5], 4.0, 0.5).round(2)
    array([0.  , 0.09, 0.2 ])
    """
    weeds = np.asarray(flush, dtype=float)
    both = weeds + np.asarray(vigour, dtype=float) * np.asarray(density_ratio, dtype=float)
    return np.divide(weeds, both, out=np.zeros(both.shape), where=~(both <= 0))


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
    Kropff and Spitters 1991 (see `early_vigour`): ``q L / (1 + (q - 1) L)``.

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


def remaining_weeds(weed_share: ArrayLike, biomass_mg_ha: ArrayLike) -> NDArray[np.float64]:
    """Weeds' biomass, as a share of what they would grow alone.

    Parameters
    ----------
    weed_share : array_like of float
        From the function `weed_share` [-].
    biomass_mg_ha : array_like of float, broadcastable to `weed_share`
        Dry matter of the cover above ground [Mg ha-1].

    Returns
    -------
    ndarray of float
        Share, 0 to 1 [-].

    Notes
    -----
    The smaller of what the race and what the mass of the cover leave: both see the same leaves, so
    that their product would count them twice. A choice of this project.
    """
    return np.minimum(np.asarray(weed_share, dtype=float), 1 - biomass_suppression(biomass_mg_ha))
