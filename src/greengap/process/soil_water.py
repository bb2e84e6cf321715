"""Water in the soil day by day: dual crop coefficients, evaporation layer, root zone and runoff.

Source: R. G. Allen, L. S. Pereira, D. Raes and M. Smith, "Crop evapotranspiration", FAO Irrigation
and Drainage Paper 56, FAO, Rome, 1998 (FAO-56), chapters 7 to 9. Equation numbers in square brackets
are its own.

The pieces take arrays of any shape. `water_step` puts them together for one day and is the plain
double-precision form of what the compiled day loop does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

EVAPORATION_LAYER_M = 0.10  # m that evaporation dries, FAO-56, page 144: 0.10 to 0.15
GRASS_CLIMATE_KC = 1.2  # [-], most that any surface evaporates against grass, FAO-56, eq. 72
LEAST_KC_ROOM = 0.05  # [-] above the basal coefficient, FAO-56, eq. 72
MM_PER_INCH = 25.4  # mm, by definition


class WaterDay(NamedTuple):
    """One day of the balance, or many along a first axis.

    Attributes
    ----------
    dr_mm, de_mm : ndarray of float
        Depletion of the root zone and of the evaporation layer at the end of the day [mm].
    evaporation_mm, transpiration_mm, runoff_mm, drainage_mm : ndarray of float
        What left the soil on the day [mm].
    """

    dr_mm: NDArray[np.float64]
    de_mm: NDArray[np.float64]
    evaporation_mm: NDArray[np.float64]
    transpiration_mm: NDArray[np.float64]
    runoff_mm: NDArray[np.float64]
    drainage_mm: NDArray[np.float64]


@dataclass(frozen=True)
class WaterStore:
    """What the soil can hold and give.

    Attributes
    ----------
    total_available_mm : array_like of float
        Water of the root zone between field capacity and wilting point [mm].
    readily_available_mm : array_like of float
        Part of it that roots draw without stress [mm].
    total_evaporable_mm, readily_evaporable_mm : array_like of float
        Water that evaporation can draw from the top layer, and the part of it drawn without hindrance [mm].
    below_wilting_mm : array_like of float
        Part of the total that lies below wilting point, out of reach of roots [mm].
    """

    total_available_mm: ArrayLike
    readily_available_mm: ArrayLike
    total_evaporable_mm: ArrayLike
    readily_evaporable_mm: ArrayLike
    below_wilting_mm: ArrayLike = 0.0


def total_available_mm(field_capacity: ArrayLike, wilting: ArrayLike, root_depth_m: ArrayLike) -> NDArray[np.float64]:
    """Water that roots can draw between field capacity and wilting point (FAO-56, equation 82).

    Parameters
    ----------
    field_capacity, wilting : array_like of float
        Water at field capacity and at wilting point, share of the soil's volume [-].
    root_depth_m : array_like of float
        Depth of the root zone [m].

    Returns
    -------
    ndarray of float
        Total available water [mm].

    Examples
    --------
    >>> round(float(total_available_mm(0.32, 0.12, 0.8)))
    160
    """
    share = np.asarray(field_capacity, dtype=float) - np.asarray(wilting, dtype=float)
    return 1000 * share * np.asarray(root_depth_m, dtype=float)  # [82]


def total_evaporable_mm(
    field_capacity: ArrayLike, wilting: ArrayLike, layer_m: ArrayLike = EVAPORATION_LAYER_M
) -> NDArray[np.float64]:
    """Water that evaporation can draw from the top layer (FAO-56, equation 73).

    Parameters
    ----------
    field_capacity, wilting : array_like of float
        Water at field capacity and at wilting point, share of the soil's volume [-].
    layer_m : array_like of float
        Depth of the layer [m].

    Returns
    -------
    ndarray of float
        Total evaporable water: down to half of wilting point [mm].
    """
    share = np.asarray(field_capacity, dtype=float) - 0.5 * np.asarray(wilting, dtype=float)
    return 1000 * share * np.asarray(layer_m, dtype=float)  # [73]


def readily_evaporable_mm(sand_fraction: ArrayLike, clay_fraction: ArrayLike) -> NDArray[np.float64]:
    """Water that evaporates from a wet surface before the soil hinders it.

    Parameters
    ----------
    sand_fraction, clay_fraction : array_like of float
        Mass shares of the fine earth, 0 to 1 [-].

    Returns
    -------
    ndarray of float
        Readily evaporable water, 5 to 12 [mm].

    Notes
    -----
    J. T. Ritchie et al., 1989, as used with FAO-56 by R. G. Allen et al., "FAO-56 dual crop coefficient
    method for estimating evaporation from soil and application extensions", J. Irrig. Drain. Eng.,
    vol. 131, pp. 2-13, 2005 (from memory; seen in public code): within the ranges of FAO-56, table 19.

    Examples
    --------
    >>> readily_evaporable_mm([0.92, 0.40, 0.20], [0.03, 0.20, 0.60]).round(1)
    array([6.2, 9.6, 7.4])
    """
    sand, clay = 100 * np.asarray(sand_fraction, dtype=float), 100 * np.asarray(clay_fraction, dtype=float)
    return np.where(sand > 80, 20 - 0.15 * sand, np.where(clay > 50, 11 - 0.06 * clay, 8 + 0.08 * clay))


def readily_available_fraction(p_table: ArrayLike, etc_mm: ArrayLike) -> NDArray[np.float64]:
    """Share of the available water that roots draw without stress.

    Parameters
    ----------
    p_table : array_like of float
        Share at 5 mm of evapotranspiration a day [-].
    etc_mm : array_like of float, broadcastable to `p_table`
        Evapotranspiration of the unstressed stand [mm d-1].

    Returns
    -------
    ndarray of float
        Share, 0.1 to 0.8 [-].

    Notes
    -----
    FAO-56, note to table 22.

    Examples
    --------
    >>> round(float(readily_available_fraction(0.40, 6.0)), 2)
    0.36
    """
    etc = np.asarray(etc_mm, dtype=float)
    return np.clip(np.asarray(p_table, dtype=float) + 0.04 * (5 - etc), 0.1, 0.8)


def stress_coefficient(dr_mm: ArrayLike, taw_mm: ArrayLike, raw_mm: ArrayLike) -> NDArray[np.float64]:
    """Share of the wanted transpiration that the root zone gives (FAO-56, equation 84).

    Parameters
    ----------
    dr_mm : array_like of float
        Depletion of the root zone [mm].
    taw_mm, raw_mm : array_like of float, broadcastable to `dr_mm`
        Total and readily available water [mm].

    Returns
    -------
    ndarray of float
        1 until the readily available water is drawn, 0 at wilting point [-].

    Examples
    --------
    >>> stress_coefficient([40.0, 61.0, 160.0], 160.0, 57.6).round(3)
    array([1.   , 0.967, 0.   ])
    """
    return _falling(dr_mm, taw_mm, raw_mm)  # [84]


def evaporation_reduction(de_mm: ArrayLike, rew_mm: ArrayLike, tew_mm: ArrayLike) -> NDArray[np.float64]:
    """Share of the evaporation of a wet surface (FAO-56, equation 74).

    Parameters
    ----------
    de_mm : array_like of float
        Depletion of the evaporation layer [mm].
    rew_mm, tew_mm : array_like of float, broadcastable to `de_mm`
        Readily and totally evaporable water [mm].

    Returns
    -------
    ndarray of float
        1 until the readily evaporable water is gone, 0 when all is [-].
    """
    return _falling(de_mm, tew_mm, rew_mm)  # [74]


def kc_max(
    kcb: ArrayLike,
    wind_m_s: ArrayLike = 2.0,
    lowest_humidity_fraction: ArrayLike = 0.45,
    height_m: ArrayLike = 0.0,
) -> NDArray[np.float64]:
    """Upper limit of the crop coefficient.

    Parameters
    ----------
    kcb : array_like of float
        Basal crop coefficient [-].
    wind_m_s : array_like of float, broadcastable to `kcb`
        Wind speed at 2 m, held between 1 and 6 [m s-1].
    lowest_humidity_fraction : array_like of float, broadcastable to `kcb`
        Lowest relative humidity of the day, held between 0.2 and 0.8 [-].
    height_m : array_like of float, broadcastable to `kcb`
        Height of the stand [m].

    Returns
    -------
    ndarray of float
        Coefficient against reference evapotranspiration of grass [-].

    Notes
    -----
    FAO-56, equation 72. With the defaults, which are the climate FAO-56 tables stand for, height does
    not matter.

    Examples
    --------
    >>> kc_max([0.1, 1.2])
    array([1.2 , 1.25])
    """
    wind = np.clip(np.asarray(wind_m_s, dtype=float), 1.0, 6.0)
    humidity = 100 * np.clip(np.asarray(lowest_humidity_fraction, dtype=float), 0.2, 0.8)
    climate = 0.04 * (wind - 2) - 0.004 * (humidity - 45)
    tall = GRASS_CLIMATE_KC + climate * (np.asarray(height_m, dtype=float) / 3) ** 0.3
    return np.maximum(tall, np.asarray(kcb, dtype=float) + LEAST_KC_ROOM)  # [72]


def basal_coefficient(
    cover_fraction: ArrayLike, full_coefficient: ArrayLike, bare_coefficient: ArrayLike = 0.0
) -> NDArray[np.float64]:
    """Crop coefficient of transpiration at a ground cover.

    Parameters
    ----------
    cover_fraction : array_like of float
        Share of the light or of the ground that leaves cover, ``1 - exp(-k LAI)`` [-].
    full_coefficient : array_like of float, broadcastable to `cover_fraction`
        Basal coefficient of the closed stand [-].
    bare_coefficient : array_like of float, broadcastable to `cover_fraction`
        Coefficient without leaves [-].

    Returns
    -------
    ndarray of float
        Basal crop coefficient [-].

    Notes
    -----
    The form of FAO-56, equation 97, with the cover's own light extinction in place of 0.7. FAO-56 takes
    0.15 to 0.20 without leaves, for slow evaporation from below a dry surface; 0 here by default, so
    that bare ground and a stand without leaves are the same.

    Examples
    --------
    >>> basal_coefficient([0.0, 0.5, 1.0], 1.1)
    array([0.  , 0.55, 1.1 ])
    """
    bare = np.asarray(bare_coefficient, dtype=float)
    return bare + (np.asarray(full_coefficient, dtype=float) - bare) * np.asarray(cover_fraction, dtype=float)  # [97]


def evaporation_coefficient(
    kr: ArrayLike, kcb: ArrayLike, highest: ArrayLike, exposed_wetted: ArrayLike
) -> NDArray[np.float64]:
    """Crop coefficient of evaporation from the soil (FAO-56, equation 71).

    Parameters
    ----------
    kr : array_like of float
        Share of the evaporation of a wet surface, from `evaporation_reduction` [-].
    kcb, highest : array_like of float, broadcastable to `kr`
        Basal crop coefficient and its upper limit, from `kc_max` [-].
    exposed_wetted : array_like of float, broadcastable to `kr`
        Share of the ground that is neither covered nor left dry by irrigation [-].

    Returns
    -------
    ndarray of float
        Evaporation coefficient [-].

    Examples
    --------
    >>> evaporation_coefficient([1.0, 0.5], 0.3, 1.2, 0.6).round(2)
    array([0.72, 0.45])
    """
    most = np.asarray(highest, dtype=float)
    room = np.maximum(most - np.asarray(kcb, dtype=float), 0.0)
    return np.minimum(np.asarray(kr, dtype=float) * room, np.asarray(exposed_wetted, dtype=float) * most)  # [71]


def runoff_mm(rain_mm: ArrayLike, curve_number: ArrayLike) -> NDArray[np.float64]:
    """Rain of a day that runs off.

    Parameters
    ----------
    rain_mm : array_like of float
        Rain of the day [mm].
    curve_number : array_like of float, broadcastable to `rain_mm`
        Runoff curve number of soil and cover, above 0 up to 100 [-].

    Returns
    -------
    ndarray of float
        Runoff [mm].

    Raises
    ------
    ValueError
        If a curve number lies outside its range.

    Notes
    -----
    USDA-NRCS, "Urban hydrology for small watersheds", TR-55, 1986, equations 2-1 to 2-4, with 0.2 of the
    storage lost before runoff begins (from memory). One number for all states of moisture.

    Examples
    --------
    >>> runoff_mm([10.0, 76.2], 80.0).round(1)
    array([ 0. , 31.8])
    """
    number = np.asarray(curve_number, dtype=float)
    if np.any((number <= 0) | (number > 100)):
        raise ValueError("curve_number must lie above 0 and not above 100")
    storage = MM_PER_INCH * (1000 / number - 10)
    rain = np.asarray(rain_mm, dtype=float)
    beyond = np.maximum(rain - 0.2 * storage, 0.0)
    whole = beyond + storage
    return np.divide(beyond**2, whole, out=np.zeros(whole.shape), where=~(whole <= 0))


def water_step(
    dr_mm: ArrayLike,
    de_mm: ArrayLike,
    rain_mm: ArrayLike,
    et0_mm: ArrayLike,
    store: WaterStore,
    kcb: ArrayLike = 0.0,
    exposed_wetted: ArrayLike = 1.0,
    irrigation_mm: ArrayLike = 0.0,
    curve_number: ArrayLike | None = None,
    highest: ArrayLike | None = None,
) -> WaterDay:
    """One day of the water balance.

    Parameters
    ----------
    dr_mm, de_mm : array_like of float
        Depletion of the root zone and of the evaporation layer at the end of the day before [mm].
    rain_mm, et0_mm : array_like of float
        Rain and reference evapotranspiration of the day [mm].
    store : WaterStore
        What the soil can hold and give.
    kcb : array_like of float
        Basal crop coefficient, 0 for bare ground [-].
    exposed_wetted : array_like of float
        Share of the ground from which water evaporates, 0 to 1 [-].
    irrigation_mm : array_like of float
        Irrigation of the whole ground, without runoff [mm].
    curve_number : array_like of float, optional
        For `runoff_mm`; without it nothing runs off [-].
    highest : array_like of float, optional
        Upper limit of the crop coefficient, else `kc_max` of the standard climate [-].

    Returns
    -------
    WaterDay
        Each an array of the common shape of the inputs.

    Notes
    -----
    ``rain + irrigation = runoff + evaporation + transpiration + drainage + fall of dr``, exactly.
    Departures from FAO-56, equations 77, 79, 85 and 88: water comes early in the day and what the
    root zone cannot hold drains before it is drawn, so that more rain never leaves it drier; the
    evaporation layer, being part of the root zone, lacks no more than the whole; and
    transpiration and evaporation end at what is there to draw, where FAO-56 cuts the depletion off
    afterwards and loses the difference. Roots are taken to draw from below the evaporation layer.
    """
    dr, de, rain, et0, basal, exposed, irrigation = np.broadcast_arrays(
        *(np.asarray(v, float) for v in (dr_mm, de_mm, rain_mm, et0_mm, kcb, exposed_wetted, irrigation_mm))
    )
    taw, tew = np.asarray(store.total_available_mm, float), np.asarray(store.total_evaporable_mm, float)
    most = kc_max(basal) if highest is None else np.asarray(highest, dtype=float)
    runoff = np.zeros(rain.shape) if curve_number is None else runoff_mm(rain, curve_number)
    wetted = rain - runoff + irrigation
    drainage = np.maximum(wetted - dr, 0.0)  # [88], before the day's use
    balance = np.maximum(dr - wetted, 0.0)
    surface = np.minimum(np.maximum(de - wetted, 0.0), balance)  # [79]

    stress = stress_coefficient(balance, taw, store.readily_available_mm)
    transpiration = np.minimum(stress * basal * et0, np.maximum(taw - balance, 0.0))
    reduction = evaporation_reduction(surface, store.readily_evaporable_mm, tew)
    wanted = evaporation_coefficient(reduction, basal, most, exposed) * et0
    left = np.maximum(taw + np.asarray(store.below_wilting_mm, dtype=float) - balance - transpiration, 0.0)
    evaporation = np.minimum(np.minimum(wanted, exposed * np.maximum(tew - surface, 0.0)), left)

    drop = np.divide(evaporation, exposed, out=np.zeros(evaporation.shape), where=exposed > 0)  # [77]
    surface = surface + np.minimum(drop, np.maximum(tew - surface, 0.0))  # a share near zero divides inexactly
    balance = balance + evaporation + transpiration
    parts = (balance, surface, evaporation, transpiration, runoff, drainage)
    return WaterDay(*np.broadcast_arrays(*parts))


def bare_balance(
    rain_mm: ArrayLike,
    et0_mm: ArrayLike,
    store: WaterStore,
    curve_number: ArrayLike | None = None,
    dr_start_mm: ArrayLike = 0.0,
    de_start_mm: ArrayLike = 0.0,
) -> WaterDay:
    """Water balance of bare ground through a record.

    Parameters
    ----------
    rain_mm, et0_mm : array_like of float, shape (day, ...)
        Rain and reference evapotranspiration [mm].
    store : WaterStore
        What the soil can hold and give.
    curve_number : array_like of float, optional
        For `runoff_mm`; without it nothing runs off [-].
    dr_start_mm, de_start_mm : array_like of float
        Depletion of the root zone and of the evaporation layer before the first day [mm].

    Returns
    -------
    WaterDay
        Each of shape (day, ...).

    Notes
    -----
    `water_step` with no transpiration, day after day: what the ground would hold without the cover.
    """
    rain, et0 = np.broadcast_arrays(np.asarray(rain_mm, dtype=float), np.asarray(et0_mm, dtype=float))
    days: list[WaterDay] = []
    dr, de = np.asarray(dr_start_mm, dtype=float), np.asarray(de_start_mm, dtype=float)
    for fallen, drawn in zip(rain, et0, strict=True):
        days.append(water_step(dr, de, fallen, drawn, store, curve_number=curve_number))
        dr, de = days[-1].dr_mm, days[-1].de_mm
    return WaterDay(*(np.array(column) for column in zip(*days, strict=True)))


def _falling(depletion_mm: ArrayLike, total_mm: ArrayLike, ready_mm: ArrayLike) -> NDArray[np.float64]:
    """1 until the ready water is drawn, then down in a straight line to 0 when all is."""
    depletion, total, ready = np.broadcast_arrays(
        np.asarray(depletion_mm, float), np.asarray(total_mm, float), np.asarray(ready_mm, float)
    )
    # A coarse soil may hold less than its readily drawn water: full speed until all is gone.
    room = np.maximum(total - ready, 1e-9)
    return np.clip((total - depletion) / room, 0.0, 1.0)
