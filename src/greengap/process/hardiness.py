"""The day on which frost kills, and the share it kills."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from greengap.process.thermal_time import next_day_with


def next_kill(
    tmin_degc: ArrayLike, kill_temperature_degc: ArrayLike, never: int = -1, offset_degc: ArrayLike = 0.0
) -> NDArray[np.int64]:
    """Find, for each day, the first day from it that is cold enough to kill.

    Parameters
    ----------
    tmin_degc : array_like of float, shape (..., day)
        Daily minimum air temperature [°C].
    kill_temperature_degc : array_like of float, broadcastable to (..., day)
        Minimum that kills the stand [°C].
    never : int
        Given where no such day follows.
    offset_degc : array_like of float, broadcastable to (..., day)
        Added to the minimum, below zero for a frost hollow [°C].

    Returns
    -------
    ndarray of int, shape (..., day)
        Position on the day axis. A missing minimum kills nothing.

    Examples
    --------
    >>> next_kill([1.0, -0.5, 4.0, -3.0, 2.0], -2.0)
    array([ 3,  3,  3,  3, -1])
    """
    coldest = np.asarray(tmin_degc, dtype=float) + np.asarray(offset_degc, dtype=float)
    return next_day_with(coldest <= np.asarray(kill_temperature_degc, dtype=float), never)


def killed_share(tmin_degc: ArrayLike, lt50_degc: ArrayLike, width_degc: ArrayLike) -> NDArray[np.float64]:
    """Share of the stand that the night kills.

    Parameters
    ----------
    tmin_degc : array_like of float
        Daily minimum air temperature [°C].
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
