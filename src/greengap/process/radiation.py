"""Day length, extraterrestrial radiation, and global radiation estimated from temperature.

Equation numbers in square brackets are those of R. G. Allen, L. S. Pereira, D. Raes and M. Smith,
"Crop evapotranspiration", FAO Irrigation and Drainage Paper 56, FAO, Rome, 1998 (FAO-56).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

SOLAR_CONSTANT_MJ_M2_MIN = 0.0820  # FAO-56, eq. 21
MINUTES_A_DAY = 24 * 60


def _sunset_angle(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> tuple[NDArray, NDArray, NDArray]:
    """Latitude, solar declination and sunset hour angle [rad]."""
    phi = np.radians(np.asarray(latitude_deg, dtype=float))
    j = np.asarray(day_of_year, dtype=float)
    delta = 0.409 * np.sin(2 * np.pi * j / 365 - 1.39)  # [24]
    # Beyond the polar circles the sun may not cross the horizon: 0 or 24 hours.
    omega = np.arccos(np.clip(-np.tan(phi) * np.tan(delta), -1.0, 1.0))  # [25]
    return phi, delta, omega


def extraterrestrial_radiation(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> NDArray[np.float64]:
    """Solar radiation at the top of the atmosphere on a horizontal plane.

    Parameters
    ----------
    latitude_deg : array_like of float
        Geographic latitude, north positive [°].
    day_of_year : array_like of int, broadcastable to `latitude_deg`
        1 on 1 January [-].

    Returns
    -------
    ndarray of float
        Daily radiation [MJ m-2 d-1].

    Notes
    -----
    FAO-56, equations 21 and 23 to 25.

    Examples
    --------
    >>> round(float(extraterrestrial_radiation(-20.0, 246)), 1)
    32.2
    """
    phi, delta, omega = _sunset_angle(latitude_deg, day_of_year)
    inverse_distance = 1 + 0.033 * np.cos(2 * np.pi * np.asarray(day_of_year, dtype=float) / 365)  # [23]
    height = omega * np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.sin(omega)
    return MINUTES_A_DAY / np.pi * SOLAR_CONSTANT_MJ_M2_MIN * inverse_distance * height  # [21]


def day_length_cbm(
    latitude_deg: ArrayLike, day_of_year: ArrayLike, sun_below_horizon_deg: float = 0.8333
) -> NDArray[np.float64]:
    """Day length for the response of plants.

    Parameters
    ----------
    latitude_deg : array_like of float
        Geographic latitude, north positive [°].
    day_of_year : array_like of int, broadcastable to `latitude_deg`
        1 on 1 January [-].
    sun_below_horizon_deg : float
        Angle of the sun's centre below the horizon at which day begins and ends [°]: 0.8333 for
        the sun's upper edge with refraction, 6 with civil twilight.

    Returns
    -------
    ndarray of float
        Day length, 0 to 24 [h].

    Notes
    -----
    The "CBM" model of [1]_.

    References
    ----------
    .. [1] W. C. Forsythe et al., "A model comparison for daylength as a function of latitude and
       day of year", Ecol. Modelling, vol. 80, pp. 87-95, 1995.

    Examples
    --------
    >>> round(float(day_length_cbm(45.0, 172, sun_below_horizon_deg=6.0)), 2)
    16.87
    """
    latitude = np.radians(np.asarray(latitude_deg, dtype=float))
    j = np.asarray(day_of_year, dtype=float)
    revolution = 0.2163108 + 2 * np.arctan(0.9671396 * np.tan(0.00860 * (j - 186)))
    declination = np.arcsin(0.39795 * np.cos(revolution))
    sine = np.sin(np.radians(sun_below_horizon_deg)) + np.sin(latitude) * np.sin(declination)
    ratio = np.clip(sine / (np.cos(latitude) * np.cos(declination)), -1.0, 1.0)
    return 24 - 24 / np.pi * np.arccos(ratio)


def clear_sky_radiation(extraterrestrial_mj_m2_d: ArrayLike, elevation_m: ArrayLike = 0.0) -> NDArray[np.float64]:
    """Global radiation of a cloudless day (FAO-56, equation 37).

    Parameters
    ----------
    extraterrestrial_mj_m2_d : array_like of float
        Radiation at the top of the atmosphere [MJ m-2 d-1].
    elevation_m : array_like of float
        Height above sea level [m].

    Returns
    -------
    ndarray of float
        Clear-sky radiation [MJ m-2 d-1].
    """
    share = 0.75 + 2e-5 * np.asarray(elevation_m, dtype=float)  # [37]
    return share * np.asarray(extraterrestrial_mj_m2_d, dtype=float)


def hargreaves_radiation(
    tmin_degc: ArrayLike,
    tmax_degc: ArrayLike,
    extraterrestrial_mj_m2_d: ArrayLike,
    krs: float = 0.16,
    elevation_m: ArrayLike = 0.0,
) -> NDArray[np.float64]:
    """Global radiation estimated from the daily temperature range.

    Parameters
    ----------
    tmin_degc, tmax_degc : array_like of float, shape (..., day)
        Daily minimum and maximum air temperature [°C].
    extraterrestrial_mj_m2_d : array_like of float, broadcastable to (..., day)
        Radiation at the top of the atmosphere [MJ m-2 d-1].
    krs : float
        Adjustment coefficient, 0.16 for interior and 0.19 for coastal places (FAO-56, chapter 3)
        [°C-0.5].
    elevation_m : array_like of float, broadcastable to (..., day)
        Height above sea level, for the clear-sky limit [m].

    Returns
    -------
    ndarray of float, shape (..., day)
        Global radiation, at most that of a clear day; NaN where a temperature is missing
        [MJ m-2 d-1].

    Raises
    ------
    ValueError
        If any minimum lies above its maximum.

    Notes
    -----
    FAO-56, equation 50, limited by equation 37.
    """
    tmin, tmax = np.asarray(tmin_degc, dtype=float), np.asarray(tmax_degc, dtype=float)
    if np.any(tmin > tmax):
        raise ValueError("tmin_degc must not lie above tmax_degc on any day")
    estimate = krs * np.sqrt(tmax - tmin) * np.asarray(extraterrestrial_mj_m2_d, dtype=float)  # [50]
    return np.minimum(estimate, clear_sky_radiation(extraterrestrial_mj_m2_d, elevation_m))
