"""What a stand needs of nitrogen, what soil and residue give or tie up, and what legumes fix."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from greengap.process.residue import CRITICAL_CARBON_TO_NITROGEN, DECAY_PER_D, carbon_nitrogen_factor

# D. C. Godwin and C. A. Jones, "Nitrogen dynamics in soil-plant systems", in "Modeling plant and soil systems",
# ASA, 1991, in the form of the public source of DSSAT.
HUMUS_DECAY_PER_D = 8.3e-5  # d-1 at full warmth and moisture
DECAY_BASE_DEGC = 5.0  # °C, below which decay stands still
DECAY_SPAN_DEGC = 30.0  # °C, from there to full speed
SATURATED_LOSS = 0.5  # share of the speed lost between field capacity and saturation [-]
STANDSTILL_SHARE = 0.4  # of the critical nitrogen, at which growth stops [-]: a choice of this project
# D. M. Sullivan and N. D. Andrews, "Estimating plant-available nitrogen release from cover crops", PNW 636,
# Oregon State University, 2012 (highlights read).
LINE_ZERO = 0.015  # of dry matter [-], at which the season's release is nil
LINE_TOP = 0.035  # of dry matter [-], above which it rises no more
LINE_SLOPE = 0.875  # of the nitrogen above it that the season sets free: 17.5 lb per short ton and per cent
LEAST_AVAILABLE_KG_HA = -56.0  # kg ha-1, cereals tie up as much as 50 lb/ac
# Godwin and Jones 1991.
CARBON_OF_RESIDUE = 0.40  # of dry matter [-]
MICROBES_WANT = 0.02  # nitrogen of the dry matter that decays [-]
TO_MINERAL = 0.8  # of the nitrogen that decay sets free; the rest becomes humus [-]


def critical_nitrogen_fraction(
    biomass_mg_ha: ArrayLike, a_fraction: ArrayLike, b: ArrayLike, flat_below_mg_ha: ArrayLike
) -> NDArray[np.float64]:
    """Least nitrogen in the shoot with which it grows at full speed.

    Parameters
    ----------
    biomass_mg_ha : array_like of float
        Dry matter above ground [Mg ha-1].
    a_fraction : array_like of float, broadcastable to `biomass_mg_ha`
        Nitrogen at 1 Mg/ha, share of dry matter: 0.048, not 4.8 [-].
    b : array_like of float, broadcastable to `biomass_mg_ha`
        Power with which it thins [-].
    flat_below_mg_ha : array_like of float, broadcastable to `biomass_mg_ha`
        Dry matter below which it does not rise further, above zero [Mg ha-1].

    Returns
    -------
    ndarray of float
        Share of dry matter [-].

    Notes
    -----
    ``a * biomass**-b``: G. Lemaire and F. Gastal, "N uptake and distribution in plant canopies", in
    "Diagnosis of the nitrogen status in crops", Springer, 1997 (from memory).

    Examples
    --------
    >>> critical_nitrogen_fraction([0.2, 1.0, 4.0], 0.048, 0.34, 1.0).round(4)
    array([0.048, 0.048, 0.03 ])
    """
    weight = np.maximum(np.asarray(biomass_mg_ha, dtype=float), np.asarray(flat_below_mg_ha, dtype=float))
    return np.asarray(a_fraction, dtype=float) * weight ** -np.asarray(b, dtype=float)


def nitrogen_limit(actual: ArrayLike, critical: ArrayLike) -> NDArray[np.float64]:
    """Share of full growth that the nitrogen in the stand lets through.

    Parameters
    ----------
    actual, critical : array_like of float
        Nitrogen in the stand and the critical one, both as share of dry matter [-] or both by area
        [kg ha-1].

    Returns
    -------
    ndarray of float
        1 from the critical nitrogen up, 0 at and below 0.4 of it; 1 where none is needed [-].

    Notes
    -----
    ``(actual / critical - 0.4) / 0.6``: a choice of this project.

    Examples
    --------
    >>> nitrogen_limit([0.01, 0.021, 0.04], 0.03).round(2)
    array([0. , 0.5, 1. ])
    """
    held, wanted = np.broadcast_arrays(np.asarray(actual, dtype=float), np.asarray(critical, dtype=float))
    ratio = np.divide(held, wanted, out=np.ones(held.shape), where=~(wanted <= 1e-12))
    return np.clip((ratio - STANDSTILL_SHARE) / (1 - STANDSTILL_SHARE), 0.0, 1.0)


def decay_temperature_factor(soil_degc: ArrayLike) -> NDArray[np.float64]:
    """Share of the full speed of decay at a soil temperature, Godwin and Jones 1991.

    Parameters
    ----------
    soil_degc : array_like of float
        Soil temperature [°C].

    Returns
    -------
    ndarray of float
        0 up to 5 °C, rising to 1 at 35 °C [-].
    """
    return np.clip((np.asarray(soil_degc, dtype=float) - DECAY_BASE_DEGC) / DECAY_SPAN_DEGC, 0.0, 1.0)


def decay_water_factor(
    theta: ArrayLike, air_dry: ArrayLike, field_capacity: ArrayLike, saturation: ArrayLike
) -> NDArray[np.float64]:
    """Share of the full speed of decay at a soil moisture, Godwin and Jones 1991.

    Parameters
    ----------
    theta : array_like of float
        Water, share of the soil's volume [-].
    air_dry, field_capacity, saturation : array_like of float, broadcastable to `theta`
        Water in air-dry soil, at field capacity and at saturation, rising [-].

    Returns
    -------
    ndarray of float
        0 in air-dry soil, 1 at field capacity, 0.5 at saturation [-].

    Examples
    --------
    >>> decay_water_factor([0.05, 0.175, 0.30, 0.38], 0.05, 0.30, 0.46).round(2)
    array([0.  , 0.5 , 1.  , 0.75])
    """
    water, full = np.asarray(theta, dtype=float), np.asarray(field_capacity, dtype=float)
    dry, most = np.asarray(air_dry, dtype=float), np.asarray(saturation, dtype=float)
    rising = (water - dry) / (full - dry)
    falling = 1 - SATURATED_LOSS * (water - full) / np.maximum(most - full, 1e-9)  # clays may have no room above
    return np.where(water <= full, np.clip(rising, 0.0, 1.0), np.clip(falling, 1 - SATURATED_LOSS, 1.0))


def mineralised(
    soil_degc: ArrayLike,
    humus_nitrogen_kg_ha: ArrayLike,
    water_factor: ArrayLike = 1.0,
    decay_per_d: ArrayLike = HUMUS_DECAY_PER_D,
) -> NDArray[np.float64]:
    """Nitrogen that humus sets free in a day.

    Parameters
    ----------
    soil_degc : array_like of float
        Soil temperature [°C].
    humus_nitrogen_kg_ha : array_like of float, broadcastable to `soil_degc`
        Nitrogen in the humus of the layer [kg ha-1].
    water_factor : array_like of float, broadcastable to `soil_degc`
        From `decay_water_factor` [-].
    decay_per_d : array_like of float, broadcastable to `soil_degc`
        Share of the humus that decays in a day at full speed [d-1].

    Returns
    -------
    ndarray of float
        Mineral nitrogen [kg ha-1 d-1].

    Notes
    -----
    Godwin and Jones 1991.

    Examples
    --------
    >>> round(float(mineralised(20.0, 6000.0)), 3)
    0.249
    """
    speed = decay_temperature_factor(soil_degc) * np.asarray(water_factor, dtype=float)
    return np.asarray(decay_per_d, dtype=float) * speed * np.asarray(humus_nitrogen_kg_ha, dtype=float)


def fixed(
    uptake_kg_ha: ArrayLike,
    soil_supply_kg_ha: ArrayLike,
    highest_share: ArrayLike,
    nodulated_share: ArrayLike = 1.0,
) -> NDArray[np.float64]:
    """Nitrogen that a legume takes from the air.

    Parameters
    ----------
    uptake_kg_ha : array_like of float
        Nitrogen in the stand, or that it asks for [kg ha-1].
    soil_supply_kg_ha : array_like of float, broadcastable to `uptake_kg_ha`
        Mineral nitrogen of the soil within reach, after companions took theirs [kg ha-1].
    highest_share : array_like of float, broadcastable to `uptake_kg_ha`
        Most of its nitrogen that the species fixes, 0 to 1 [-].
    nodulated_share : array_like of float, broadcastable to `uptake_kg_ha`
        Below 1 without inoculant or a history of the host on the field [-].

    Returns
    -------
    ndarray of float
        Fixed nitrogen, never below zero [kg ha-1].

    Notes
    -----
    What the soil does not give, up to the highest share: soil nitrogen comes cheaper to the plant. A
    simplification of this project; it knows no delay before nodules work.

    Examples
    --------
    >>> fixed([30.0, 100.0, 200.0], 60.0, 0.8)
    array([  0.,  40., 140.])
    """
    uptake = np.asarray(uptake_kg_ha, dtype=float)
    gap = np.maximum(uptake - np.asarray(soil_supply_kg_ha, dtype=float), 0.0)
    return np.minimum(gap, np.asarray(highest_share, dtype=float) * uptake) * np.asarray(nodulated_share, dtype=float)


def tissue_nitrogen_fraction(
    progress: ArrayLike, young: ArrayLike, bloom: ArrayLike, ripe: ArrayLike
) -> NDArray[np.float64]:
    """Nitrogen in the shoot by its stage, where nothing is short.

    Parameters
    ----------
    progress : array_like of float
        0 at emergence, 1 at first flower, 2 at viable seed [-].
    young, bloom, ripe : array_like of float, broadcastable to `progress`
        Share of dry matter at these stages, above zero [-].

    Returns
    -------
    ndarray of float
        Share of dry matter [-].

    Notes
    -----
    By equal ratios between the stages, as shoots are thinned: a choice of this project.

    Examples
    --------
    >>> tissue_nitrogen_fraction([0.0, 0.5, 1.0, 3.0], 0.06, 0.02, 0.012).round(3)
    array([0.06 , 0.035, 0.02 , 0.012])
    """
    stage = np.clip(np.asarray(progress, dtype=float), 0.0, 2.0)
    first, middle, last = (np.log(np.asarray(v, dtype=float)) for v in (young, bloom, ripe))
    before = first + (middle - first) * np.minimum(stage, 1.0)
    return np.exp(before + (last - middle) * np.maximum(stage - 1.0, 0.0))


def season_available(
    biomass_kg_ha: ArrayLike,
    nitrogen_fraction: ArrayLike,
    zero_fraction: float = LINE_ZERO,
    top_fraction: float = LINE_TOP,
    slope: float = LINE_SLOPE,
    least_kg_ha: float = LEAST_AVAILABLE_KG_HA,
) -> NDArray[np.float64]:
    """Nitrogen that residue sets free for the next crop over the season, or ties up.

    Parameters
    ----------
    biomass_kg_ha : array_like of float
        Dry matter that was ended [kg ha-1].
    nitrogen_fraction : array_like of float, broadcastable to `biomass_kg_ha`
        Nitrogen in it, share of dry matter [-].
    zero_fraction, top_fraction : float
        Nitrogen of the dry matter at which the season sets none free, and beyond which more is not counted [-].
    slope : float
        Share of the nitrogen above `zero_fraction` that is set free [-].
    least_kg_ha : float
        Most that is tied up, below zero [kg ha-1].

    Returns
    -------
    ndarray of float
        Below zero where it is tied up, never more than 56 [kg ha-1].

    Notes
    -----
    PNW 636: nil at 1.5 % nitrogen, 35 lb per short ton at 3.5 %, a straight line between. That it goes on
    below 1.5 % until 50 lb/ac are tied up, and not beyond 3.5 %, is a choice of this project.

    Examples
    --------
    >>> season_available([1000.0, 1000.0, 8000.0], [0.035, 0.015, 0.005]).round(1)
    array([ 17.5,   0. , -56. ])
    """
    above = np.minimum(np.asarray(nitrogen_fraction, dtype=float), top_fraction) - zero_fraction
    return np.maximum(slope * np.asarray(biomass_kg_ha, dtype=float) * above, least_kg_ha)


def pool_nitrogen(
    speed: ArrayLike,
    biomass_kg_ha: float,
    nitrogen_kg_ha: float,
    mineral_kg_ha: float,
    pools: ArrayLike,
    microbes_want: float = MICROBES_WANT,
    decay_per_d: ArrayLike = DECAY_PER_D,
) -> NDArray[np.float64]:
    """Net nitrogen set free by decaying residue, day by day: the plain form of the compiled `tie_up_days`.

    Parameters
    ----------
    speed : array_like of float, shape (day,)
        Share of the full speed of decay by warmth, moisture and placement [-].
    biomass_kg_ha, nitrogen_kg_ha : float
        Residue and its nitrogen [kg ha-1].
    mineral_kg_ha : float
        Mineral nitrogen in the layer at the start [kg ha-1].
    pools : array_like of float, shape (3,)
        Shares of carbohydrate, cellulose and lignin [-].
    microbes_want : float
        Nitrogen that microbes want of the dry matter that decays [-].
    decay_per_d : array_like of float, shape (3,)
        Decay of the three at full speed [d-1].

    Returns
    -------
    ndarray of float, shape (day,)
        Set free since the start; below zero while it is tied up [kg ha-1].

    Notes
    -----
    Godwin and Jones 1991: decay slows above a carbon to nitrogen ratio of 25; what microbes want beyond
    the residue's own nitrogen is taken from the soil, and decay waits where that is short.

    Examples
    --------
    >>> float(pool_nitrogen([0.5], 4000.0, 140.0, 40.0, [0.4, 0.5, 0.1]).round(3)[0])
    5.933
    """
    parts = biomass_kg_ha * np.asarray(pools, dtype=float)
    held, mineral, net = float(nitrogen_kg_ha), float(mineral_kg_ha), 0.0
    out = np.zeros(np.asarray(speed).size)
    for day, now in enumerate(np.asarray(speed, dtype=float)):
        mass = parts.sum()
        ratio = CARBON_OF_RESIDUE * mass / max(held + mineral, 1e-9)
        lost = parts * (np.asarray(decay_per_d) * now * carbon_nitrogen_factor(ratio))
        share = lost.sum() / max(mass, 1e-9)
        want = max(lost.sum() * (microbes_want - held / max(mass, 1e-9)), 0.0)
        if want > mineral > 0 or (want > 0 and mineral <= 0):
            scale = max(mineral, 0.0) / want
            lost, share, want = lost * scale, share * scale, want * scale
        gross = share * held
        parts = parts - lost
        held += want - gross
        mineral += TO_MINERAL * gross - want
        net += TO_MINERAL * gross - want
        out[day] = net
    return out


@njit(nogil=True, cache=True)
def tie_up_days(start, speed, factor, biomass, nitrogen, mineral, pools, decay_per_d, microbes_want, longest):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Days until residue that ties nitrogen up has tied up most, and until it has given it back.

    Parameters
    ----------
    start : ndarray of int, shape (lane,)
        Day of the record on which decay begins.
    speed : ndarray, shape (day,)
        Share of the full speed of decay by warmth and moisture [-].
    factor : ndarray, shape (lane,)
        The same by placement and contact [-].
    biomass, nitrogen, mineral : ndarray, shape (lane,)
        As in `pool_nitrogen` [kg ha-1].
    pools : ndarray, shape (lane, 3)
    decay_per_d : ndarray, shape (3,)
        At full speed [d-1].
    microbes_want : float
    longest : int
        Days after which it is given up [d].

    Returns
    -------
    lowest, back : ndarray of int, shape (lane,)
        Days from the start; 0 where nothing is tied up, `longest` where it is not back by then [d].
    curve : ndarray, shape (lane, longest)
        Net nitrogen over its own deepest, 1 at the lowest and 0 when back; 0 where nothing is tied up [-].
    """
    lanes = start.size
    lowest, back = np.zeros(lanes, np.int64), np.zeros(lanes, np.int64)
    curve = np.zeros((lanes, longest))
    for i in range(lanes):
        a, b, c = biomass[i] * pools[i, 0], biomass[i] * pools[i, 1], biomass[i] * pools[i, 2]
        held, soil, net, deepest = nitrogen[i], mineral[i], 0.0, 0.0
        for day in range(longest):
            t = start[i] + 1 + day
            now = speed[t] * factor[i] if t < speed.size else 0.0
            mass = a + b + c
            ratio = CARBON_OF_RESIDUE * mass / max(held + soil, 1e-9)
            above = ratio - CRITICAL_CARBON_TO_NITROGEN
            now *= min(1.0, 0.5 ** (above / CRITICAL_CARBON_TO_NITROGEN))
            la, lb, lc = a * decay_per_d[0] * now, b * decay_per_d[1] * now, c * decay_per_d[2] * now
            lost = la + lb + lc
            share = lost / max(mass, 1e-9)
            want = max(lost * (microbes_want - held / max(mass, 1e-9)), 0.0)
            if want > 0.0 and want > soil:
                scale = max(soil, 0.0) / want
                la, lb, lc, share, want = la * scale, lb * scale, lc * scale, share * scale, want * scale
            gross = share * held
            a, b, c = a - la, b - lb, c - lc
            held += want - gross
            soil += TO_MINERAL * gross - want
            net += TO_MINERAL * gross - want
            curve[i, day] = net
            if net < deepest:
                deepest, lowest[i] = net, day + 1
            if deepest < 0.0 and net >= 0.0:
                back[i] = day + 1
                break
        if deepest < 0.0:
            if back[i] == 0:
                back[i] = longest
            for day in range(longest):
                curve[i, day] = max(curve[i, day] / deepest, 0.0) if day < back[i] else 0.0
        else:
            for day in range(longest):
                curve[i, day] = 0.0
    return lowest, back, curve


def crop_uptake_share(day: ArrayLike, days_to_harvest: ArrayLike, steepness: float) -> NDArray[np.float64]:
    """Share of its nitrogen that a vegetable has taken up, a number of days after it was set.

    Parameters
    ----------
    day : array_like of float
        Days since planting [d].
    days_to_harvest : array_like of float, broadcastable to `day`
        Length of the crop [d].
    steepness : float
        Of the curve around half its time [-].

    Returns
    -------
    ndarray of float
        0 at planting, 1 at harvest and after, half at half time [-].

    Notes
    -----
    A logistic curve, moved and stretched so that it runs from 0 to 1: a choice of this project.

    Examples
    --------
    >>> crop_uptake_share([0.0, 30.0, 60.0, 90.0], 60.0, 10.0).round(2)
    array([0. , 0.5, 1. , 1. ])
    """
    time = np.clip(np.asarray(day, dtype=float) / np.asarray(days_to_harvest, dtype=float), 0.0, 1.0)
    low, high = 1 / (1 + np.exp(steepness / 2)), 1 / (1 + np.exp(-steepness / 2))
    return (1 / (1 + np.exp(-steepness * (time - 0.5))) - low) / (high - low)


def leaching_kept_share(
    biomass_kg_ha: ArrayLike, class_share: ArrayLike, full_from_kg_ha: float
) -> NDArray[np.float64]:
    """Share of the nitrogen lost below bare ground that a cover keeps.

    Parameters
    ----------
    biomass_kg_ha : array_like of float
        Dry matter of the cover [kg ha-1].
    class_share : array_like of float
        What its family keeps when well grown [-].
    full_from_kg_ha : float
        Dry matter from which it does, above zero [kg ha-1].

    Returns
    -------
    ndarray of float
        Share [-].

    Notes
    -----
    Means of trials; that less dry matter keeps less in a straight line is a choice of this project.
    """
    grown = np.minimum(np.asarray(biomass_kg_ha, dtype=float) / full_from_kg_ha, 1.0)
    return grown * np.asarray(class_share, dtype=float)


def leached_share(drainage_mm: ArrayLike, path_m: ArrayLike, water_fraction: ArrayLike) -> NDArray[np.float64]:
    """Share of nitrate that draining water carries below a depth.

    Parameters
    ----------
    drainage_mm : array_like of float
        Water that drains through the soil [mm].
    path_m : array_like of float, broadcastable to `drainage_mm`
        From where the nitrate lies to the depth [m].
    water_fraction : array_like of float, broadcastable
        Water at field capacity, share of the soil's volume [-].

    Returns
    -------
    ndarray of float
        Share, 0 to 1 [-].

    Notes
    -----
    ``exp(-path * water / drainage)``, the equation of I. G. Burns, "An equation to predict the leaching of
    surface-applied nitrate", J. Agric. Sci., vol. 85, pp. 443-454, 1975, as written by D. R. Scotter, R. E. White and
    J. S. Dyson, "The Burns leaching equation", J. Soil Sci., vol. 44, pp. 25-33, 1993 (abstracts read).

    Examples
    --------
    >>> leached_share([0.0, 50.0, 200.0], 0.6, 0.3).round(3)
    array([0.   , 0.027, 0.407])
    """
    drained = np.maximum(np.asarray(drainage_mm, dtype=float), 1e-9)
    return np.exp(-1000 * np.asarray(path_m, dtype=float) * np.asarray(water_fraction, dtype=float) / drained)
