"""Frost: what reaches the plant through snow, how far it is hardened, and the share that dies."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def snow_water_mm(
    precipitation_mm: ArrayLike,
    mean_degc: ArrayLike,
    tmax_degc: ArrayLike,
    falls_below_degc: float,
    melts_above_degc: float,
    melt_mm_per_degc_d: float,
) -> NDArray[np.float64]:
    """Water that lies on the ground as snow.

    Parameters
    ----------
    precipitation_mm, mean_degc, tmax_degc : array_like of float, shape (day,)
        Precipitation [mm], mean and highest air temperature [°C], without gaps.
    falls_below_degc : float
        Mean air temperature below which precipitation is snow [°C].
    melts_above_degc : float
        Temperature above which it melts, felt half by the air's maximum and half by the snow [°C].
    melt_mm_per_degc_d : float
        Melt for each degree and day [mm °C-1 d-1].

    Returns
    -------
    ndarray of float, shape (day,)
        At the end of each day; none before the first [mm].

    Notes
    -----
    Degree-day melt of S. L. Neitsch et al., "Soil and Water Assessment Tool Theoretical Documentation,
    Version 2009", TR-406, 2011, section 1:2.5 (from memory), with one melt factor for the whole year,
    full cover, and snow at the day's mean but not above zero in place of its own lagged temperature.

    Examples
    --------
    >>> snow_water_mm([5.0, 0.0, 0.0], [-4.0, -1.0, 3.0], [-1.0, 2.0, 6.0], 1.0, 0.5, 4.5).round(2)
    array([5., 5., 0.])
    """
    rain, mean = np.asarray(precipitation_mm, dtype=float), np.asarray(mean_degc, dtype=float)
    warmth = (np.minimum(mean, 0.0) + np.asarray(tmax_degc, dtype=float)) / 2 - melts_above_degc
    change = np.where(mean < falls_below_degc, rain, 0.0) - melt_mm_per_degc_d * np.maximum(warmth, 0.0)
    out, lying = np.empty(change.size), 0.0
    for day, more in enumerate(change.tolist()):
        lying = max(lying + more, 0.0)
        out[day] = lying
    return out


def crown_temperature(
    tmin_degc: ArrayLike, snow_cm: ArrayLike, share_under_snow: float, share_without: float, deep_snow_cm: float
) -> NDArray[np.float64]:
    """Lowest temperature of the night at the crown, some 2 cm deep in the ground.

    Parameters
    ----------
    tmin_degc : array_like of float, shape (..., day)
        Daily minimum air temperature [°C].
    snow_cm : array_like of float, broadcastable to `tmin_degc`
        Snow on the ground [cm].
    share_under_snow, share_without : float
        Share of a frost that reaches the crown under deep snow, and what is added to it without any [-].
    deep_snow_cm : float
        Snow beyond which more of it makes no difference, above 0 [cm].

    Returns
    -------
    ndarray of float
        The air's own minimum where it does not freeze [°C].

    Notes
    -----
    ``Tmin (A + B (1 - snow / deep)^2)`` below zero: the crown temperature of the public crop model library
    PCSE, Wageningen Environmental Research, with its typical A, B and depth as data.

    Examples
    --------
    >>> crown_temperature([-20.0, -20.0, 3.0], [0.0, 15.0, 0.0], 0.2, 0.5, 15.0)
    array([-14.,  -4.,   3.])
    """
    air = np.asarray(tmin_degc, dtype=float)
    bare = 1 - np.clip(np.asarray(snow_cm, dtype=float) / deep_snow_cm, 0.0, 1.0)
    return np.where(air < 0, air * (share_under_snow + share_without * bare**2), air)


def hardened_share(mean_degc: ArrayLike, cold_degc: float, needed_d: int, memory_d: int) -> NDArray[np.float64]:
    """How far cold days have hardened an overwintering stand.

    Parameters
    ----------
    mean_degc : array_like of float, shape (day,)
        Mean air temperature, without gaps [°C].
    cold_degc : float
        Mean up to which a day hardens [°C].
    needed_d, memory_d : int
        Cold days for full hardiness, out of how many that end with the day [d].

    Returns
    -------
    ndarray of float, shape (day,)
        0 to 1 [-]. Warm days count out what cold ones gave, so that hardiness is lost in spring.

    Notes
    -----
    Two weeks near freezing harden fully; that they are counted within a window is a choice of this project.

    Examples
    --------
    >>> hardened_share([9.0, 4.0, 2.0, 8.0, 8.0, 8.0], 5.0, 2, 3)
    array([0. , 0.5, 1. , 1. , 0.5, 0. ])
    """
    cold = np.cumsum(np.concatenate([[0], np.asarray(mean_degc, dtype=float) <= cold_degc]))
    day = np.arange(cold.size - 1)
    counted = cold[1:] - cold[np.maximum(day + 1 - memory_d, 0)]
    return np.minimum(counted / needed_d, 1.0)


def killed_share(tmin_degc: ArrayLike, lt50_degc: ArrayLike, width_degc: ArrayLike) -> NDArray[np.float64]:
    """Share of the stand that the night kills.

    Parameters
    ----------
    tmin_degc : array_like of float
        Lowest temperature of the night where the plant feels it: in the air, or at the crown [°C].
    lt50_degc : array_like of float, broadcastable to `tmin_degc`
        Minimum that kills half [°C].
    width_degc : array_like of float, broadcastable to `tmin_degc`
        Spread within the stand, above 0: 10 and 90 % die 2.2 widths above and below `lt50_degc` [°C].

    Returns
    -------
    ndarray of float
        Share, 0 to 1. A missing minimum kills nothing [-].

    Raises
    ------
    ValueError
        If a width is not above zero.

    Notes
    -----
    ``1 / (1 + exp((tmin - lt50) / width))``: a choice of this project for the shape, in common use.

    Examples
    --------
    >>> killed_share([5.0, -7.0, -9.0, -13.0], -9.0, 1.0).round(2)
    array([0.  , 0.12, 0.5 , 0.98])
    """
    width = np.asarray(width_degc, dtype=float)
    if np.any(width <= 0):
        raise ValueError("width_degc must be above zero")
    distance = (np.asarray(tmin_degc, dtype=float) - np.asarray(lt50_degc, dtype=float)) / width
    share = 0.5 * (1 - np.tanh(distance / 2))  # the same curve, without overflow
    return np.where(np.isnan(np.asarray(tmin_degc, dtype=float)), 0.0, share)
