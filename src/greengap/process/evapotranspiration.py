"""Reference evapotranspiration.

Source: R. G. Allen, L. S. Pereira, D. Raes and M. Smith, "Crop evapotranspiration", FAO Irrigation
and Drainage Paper 56, FAO, Rome, 1998 (FAO-56).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

WATER_MM_PER_MJ_M2 = 0.408  # evaporated by 1 MJ m-2, FAO-56, eq. 20


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
