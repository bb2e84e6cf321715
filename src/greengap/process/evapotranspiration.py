"""Reference evapotranspiration.

Source: R. G. Allen, L. S. Pereira, D. Raes and M. Smith, "Crop evapotranspiration", FAO Irrigation
and Drainage Paper 56, FAO, Rome, 1998 (FAO-56). Equation numbers in square brackets are its own.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from greengap.process.radiation import clear_sky_radiation

WATER_MM_PER_MJ_M2 = 0.408  # evaporated by 1 MJ m-2, FAO-56, eq. 20
STEFAN_BOLTZMANN_MJ_K4_M2_D = 4.903e-9  # MJ K-4 m-2 d-1, FAO-56, eq. 39
GRASS_ALBEDO = 0.23  # share of global radiation, reference grass, FAO-56, eq. 38
SUBSTITUTE_WIND_M_S = 2.0  # m s-1 at 2 m where wind was not measured, FAO-56, chapter 3
DENSEST_CLOUD_SHARE = 0.3  # of clear-sky radiation, ASCE-EWRI 2005


def hargreaves(
    tmin_degc: ArrayLike,
    tmax_degc: ArrayLike,
    extraterrestrial_mj_m2_d: ArrayLike,
    regional_multiplier: ArrayLike = 1.0,
) -> NDArray[np.float64]:
    """Reference evapotranspiration from temperature alone.

    Parameters
    ----------
    tmin_degc, tmax_degc : array_like of float, shape (..., day)
        Daily minimum and maximum air temperature [°C].
    extraterrestrial_mj_m2_d : array_like of float, broadcastable to (..., day)
        Radiation at the top of the atmosphere [MJ m-2 d-1].
    regional_multiplier : array_like of float, broadcastable to (..., day)
        Correction against a better method in the same region [-].

    Returns
    -------
    ndarray of float, shape (..., day)
        Reference evapotranspiration, never below zero; NaN where a temperature is missing [mm d-1].

    Raises
    ------
    ValueError
        If any minimum lies above its maximum.

    Notes
    -----
    FAO-56, equation 52. Meant for sums over five days and more; reads high in humid places.

    Examples
    --------
    >>> round(float(hargreaves(14.8, 26.6, 40.6)), 1)
    5.0
    """
    tmin, tmax = np.asarray(tmin_degc, dtype=float), np.asarray(tmax_degc, dtype=float)
    if np.any(tmin > tmax):
        raise ValueError("tmin_degc must not lie above tmax_degc on any day")
    mean = (tmin + tmax) / 2
    water = WATER_MM_PER_MJ_M2 * np.asarray(extraterrestrial_mj_m2_d, dtype=float)
    evaporated = 0.0023 * (mean + 17.8) * np.sqrt(tmax - tmin) * water  # [52]
    return np.maximum(evaporated, 0.0) * np.asarray(regional_multiplier, dtype=float)


def saturation_vapour_pressure(temperature_degc: ArrayLike) -> NDArray[np.float64]:
    """Vapour pressure of saturated air; at the dewpoint, that of the air itself (FAO-56, equations 11 and 14).

    Parameters
    ----------
    temperature_degc : array_like of float
        Air temperature or dewpoint [°C].

    Returns
    -------
    ndarray of float
        Vapour pressure [kPa].

    Examples
    --------
    >>> round(float(saturation_vapour_pressure(24.5)), 3)
    3.075
    """
    t = np.asarray(temperature_degc, dtype=float)
    return 0.6108 * np.exp(17.27 * t / (t + 237.3))  # [11]


def atmospheric_pressure(elevation_m: ArrayLike) -> NDArray[np.float64]:
    """Mean air pressure at a height (FAO-56, equation 7).

    Parameters
    ----------
    elevation_m : array_like of float
        Height above sea level [m].

    Returns
    -------
    ndarray of float
        Air pressure [kPa].
    """
    return 101.3 * ((293 - 0.0065 * np.asarray(elevation_m, dtype=float)) / 293) ** 5.26  # [7]


def wind_at_2m(wind_m_s: ArrayLike, height_m: ArrayLike) -> NDArray[np.float64]:
    """Wind speed at 2 m from that at another height, over short grass (FAO-56, equation 47).

    Parameters
    ----------
    wind_m_s : array_like of float
        Mean wind speed of the day [m s-1].
    height_m : array_like of float
        Height at which it was measured, above 0.1 [m].

    Returns
    -------
    ndarray of float
        Wind speed at 2 m [m s-1].
    """
    return np.asarray(wind_m_s, dtype=float) * 4.87 / np.log(67.8 * np.asarray(height_m, dtype=float) - 5.42)  # [47]


def net_longwave(
    tmin_degc: ArrayLike,
    tmax_degc: ArrayLike,
    vapour_pressure_kpa: ArrayLike,
    radiation_mj_m2_d: ArrayLike,
    clear_sky_mj_m2_d: ArrayLike,
) -> NDArray[np.float64]:
    """Longwave radiation that the surface loses.

    Parameters
    ----------
    tmin_degc, tmax_degc : array_like of float, shape (..., day)
        Daily minimum and maximum air temperature [°C].
    vapour_pressure_kpa : array_like of float, broadcastable to (..., day)
        Vapour pressure of the air [kPa].
    radiation_mj_m2_d, clear_sky_mj_m2_d : array_like of float, broadcastable to (..., day)
        Global radiation, and that of a cloudless day [MJ m-2 d-1].

    Returns
    -------
    ndarray of float, shape (..., day)
        Net outgoing longwave radiation [MJ m-2 d-1].

    Notes
    -----
    FAO-56, equation 39, with the share of clear-sky radiation held between 0.3 (dense cloud) and 1
    as in ASCE-EWRI, "The ASCE standardized reference evapotranspiration equation", 2005; FAO-56
    itself sets the upper limit only. In the polar night, without sun to tell clouds by, the sky counts
    as overcast.
    """
    sun, clear = np.broadcast_arrays(np.asarray(radiation_mj_m2_d, float), np.asarray(clear_sky_mj_m2_d, float))
    ratio = np.divide(sun, clear, out=np.where(np.isnan(sun + clear), np.nan, 0.0), where=clear > 0)
    share = np.clip(ratio, DENSEST_CLOUD_SHARE, 1.0)
    warm, cold = np.asarray(tmax_degc, dtype=float) + 273.16, np.asarray(tmin_degc, dtype=float) + 273.16
    black_body = STEFAN_BOLTZMANN_MJ_K4_M2_D * (warm**4 + cold**4) / 2
    return black_body * (0.34 - 0.14 * np.sqrt(np.asarray(vapour_pressure_kpa, float))) * (1.35 * share - 0.35)  # [39]


def penman_monteith(
    tmin_degc: ArrayLike,
    tmax_degc: ArrayLike,
    radiation_mj_m2_d: ArrayLike,
    extraterrestrial_mj_m2_d: ArrayLike,
    elevation_m: ArrayLike = 0.0,
    dewpoint_degc: ArrayLike | None = None,
    wind_m_s: ArrayLike = SUBSTITUTE_WIND_M_S,
    soil_heat_mj_m2_d: ArrayLike = 0.0,
) -> NDArray[np.float64]:
    """Reference evapotranspiration from temperature, radiation, humidity and wind.

    Parameters
    ----------
    tmin_degc, tmax_degc : array_like of float, shape (..., day)
        Daily minimum and maximum air temperature [°C].
    radiation_mj_m2_d : array_like of float, broadcastable to (..., day)
        Global radiation [MJ m-2 d-1].
    extraterrestrial_mj_m2_d : array_like of float, broadcastable to (..., day)
        Radiation at the top of the atmosphere [MJ m-2 d-1].
    elevation_m : array_like of float, broadcastable to (..., day)
        Height above sea level [m].
    dewpoint_degc : array_like of float, broadcastable to (..., day), optional
        Mean dewpoint of the day; the minimum temperature where none is given [°C].
    wind_m_s : array_like of float, broadcastable to (..., day)
        Mean wind speed at 2 m [m s-1].
    soil_heat_mj_m2_d : array_like of float, broadcastable to (..., day)
        Heat that goes into the soil, next to nothing over a day [MJ m-2 d-1].

    Returns
    -------
    ndarray of float, shape (..., day)
        Reference evapotranspiration of short grass, never below zero; NaN where an input is
        missing [mm d-1].

    Raises
    ------
    ValueError
        If any minimum lies above its maximum.

    Notes
    -----
    FAO-56, equation 6, with the substitutes of its chapter 3 for humidity and wind. In dry places the
    dewpoint lies some degrees below the minimum, so that the substitute reads low there.

    Examples
    --------
    >>> round(float(penman_monteith(12.3, 21.5, 22.07, 41.09, 100.0, dewpoint_degc=12.08, wind_m_s=2.078)), 1)
    3.9
    """
    tmin, tmax = np.asarray(tmin_degc, dtype=float), np.asarray(tmax_degc, dtype=float)
    if np.any(tmin > tmax):
        raise ValueError("tmin_degc must not lie above tmax_degc on any day")
    mean, wind = (tmin + tmax) / 2, np.asarray(wind_m_s, dtype=float)
    saturated = (saturation_vapour_pressure(tmin) + saturation_vapour_pressure(tmax)) / 2  # [12]
    vapour = saturation_vapour_pressure(tmin if dewpoint_degc is None else dewpoint_degc)  # [14]
    slope = 4098 * saturation_vapour_pressure(mean) / (mean + 237.3) ** 2  # [13]
    psychrometric = 0.665e-3 * atmospheric_pressure(elevation_m)  # [8]

    sun = np.asarray(radiation_mj_m2_d, dtype=float)
    clear = clear_sky_radiation(extraterrestrial_mj_m2_d, elevation_m)
    net = (1 - GRASS_ALBEDO) * sun - net_longwave(tmin, tmax, vapour, sun, clear)  # [38, 40]
    energy = WATER_MM_PER_MJ_M2 * slope * (net - np.asarray(soil_heat_mj_m2_d, dtype=float))
    drying = psychrometric * 900 / (mean + 273) * wind * np.maximum(saturated - vapour, 0.0)
    return np.maximum((energy + drying) / (slope + psychrometric * (1 + 0.34 * wind)), 0.0)  # [6]
