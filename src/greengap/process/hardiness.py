"""The day on which frost kills."""

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
