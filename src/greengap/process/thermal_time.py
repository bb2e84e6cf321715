"""Degree-days, and the dates on which their sums are reached.

The method is part of a threshold's name: a sum fitted with one method must be compared with
daily values of that same method, base and upper limit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

METHODS = ("average", "clipped average", "single sine", "single sine, horizontal cutoff")

# Sums are compared to this many degree-days, so that rounding cannot shift a date.
SUM_TOLERANCE_DEGC_D = 1e-9


def degree_days(
    tmin_degc: ArrayLike,
    tmax_degc: ArrayLike,
    base_degc: ArrayLike,
    upper_degc: ArrayLike | None = None,
    method: str = "average",
) -> NDArray[np.float64]:
    """Growing degree-days of each day.

    Parameters
    ----------
    tmin_degc, tmax_degc : array_like of float, shape (..., day)
        Daily minimum and maximum temperature [°C].
    base_degc : float or array_like broadcastable to (..., day)
        Temperature below which development stands still [°C].
    upper_degc : float or array_like broadcastable to (..., day), optional
        Temperature above which development goes no faster [°C]. Needed by
        ``"single sine, horizontal cutoff"``, refused by ``"single sine"``; with ``"average"`` it
        caps the daily mean, with ``"clipped average"`` both temperatures.
    method : {"average", "clipped average", "single sine", "single sine, horizontal cutoff"}
        How the day's temperature course is reckoned.

    Returns
    -------
    ndarray of float, shape (..., day)
        Degree-days, never below zero; NaN where a temperature is missing [°C d].

    Raises
    ------
    ValueError
        If the method is unknown or does not go with `upper_degc`, if any minimum lies above its
        maximum, or if the upper limit does not lie above the base.

    Notes
    -----
    ``average`` is ``max((tmin + tmax) / 2 - base, 0)``, method 1 of [1]_. ``clipped average``
    first clips both temperatures to ``[base, upper]``, method 2 of [1]_; the two differ widely in
    cool weather. ``single sine`` integrates a sine through minimum and maximum above the base
    [2]_. A horizontal cutoff subtracts the part of the sine above the upper limit, so that warmer
    hours count as much as the limit and no more.

    References
    ----------
    .. [1] G. S. McMaster and W. W. Wilhelm, "Growing degree-days: one equation, two
       interpretations", Agric. For. Meteorol., vol. 87, pp. 291-300, 1997.
    .. [2] G. L. Baskerville and P. Emin, "Rapid estimation of heat accumulation from maximum and
       minimum temperatures", Ecology, vol. 50, pp. 514-517, 1969.

    Examples
    --------
    >>> degree_days([2.0, 6.0], [10.0, 18.0], base_degc=5.0)
    array([1., 7.])
    >>> degree_days([5.0], [25.0], base_degc=10.0, method="single sine").round(2)
    array([6.09])
    """
    tmin, tmax = np.asarray(tmin_degc, dtype=float), np.asarray(tmax_degc, dtype=float)
    base = np.asarray(base_degc, dtype=float)
    upper = None if upper_degc is None else np.asarray(upper_degc, dtype=float)
    if method not in METHODS:
        raise ValueError(f"method {method!r} is unknown; allowed are {', '.join(METHODS)}")
    if method == "single sine" and upper is not None:
        raise ValueError("method 'single sine' takes no upper_degc; use 'single sine, horizontal cutoff'")
    if method == "single sine, horizontal cutoff" and upper is None:
        raise ValueError("method 'single sine, horizontal cutoff' needs upper_degc")
    if np.any(tmin > tmax):
        raise ValueError("tmin_degc must not lie above tmax_degc on any day")
    if upper is not None and np.any(upper <= base):
        raise ValueError("upper_degc must lie above base_degc")

    if method == "average":
        mean = (tmin + tmax) / 2
        return np.maximum((mean if upper is None else np.minimum(mean, upper)) - base, 0.0)
    if method == "clipped average":
        ceiling = np.inf if upper is None else upper
        return (np.clip(tmin, base, ceiling) + np.clip(tmax, base, ceiling)) / 2 - base
    above_base = _sine_above(tmin, tmax, base)
    if upper is None:
        return above_base
    return np.maximum(above_base - _sine_above(tmin, tmax, upper), 0.0)


def _sine_above(
    tmin: NDArray[np.float64], tmax: NDArray[np.float64], limit: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Degree-days of a daily sine above a limit [°C d]."""
    mean, half_range = (tmin + tmax) / 2, (tmax - tmin) / 2
    # Where the sine does not cross the limit, the crossing angle is never used.
    crosses = (tmin < limit) & (limit < tmax)
    ratio = np.divide(limit - mean, half_range, out=np.zeros(np.shape(limit - mean)), where=crosses)
    angle = np.arcsin(np.clip(ratio, -1.0, 1.0))
    crossing = ((mean - limit) * (np.pi / 2 - angle) + half_range * np.cos(angle)) / np.pi
    out = np.where(crosses, crossing, np.maximum(mean - limit, 0.0))
    return np.where(np.isnan(mean), np.nan, np.where(tmax <= limit, 0.0, out))


def cumulative(degree_days_degc_d: ArrayLike) -> NDArray[np.float64]:
    """Running sum of degree-days over days.

    Parameters
    ----------
    degree_days_degc_d : array_like of float, shape (..., day)
        Degree-days of each day [°C d].

    Returns
    -------
    ndarray of float, shape (..., day)
        Sum up to and with each day [°C d]. A missing day makes all later sums NaN, since they
        are not known.

    Examples
    --------
    >>> cumulative([1.0, 7.0, 2.0])
    array([ 1.,  8., 10.])
    """
    return np.cumsum(np.asarray(degree_days_degc_d, dtype=float), axis=-1)


def day_reached(
    cumulative_sum_degc_d: ArrayLike, start_index: ArrayLike, threshold_degc_d: ArrayLike
) -> NDArray[np.int64]:
    """Find the day on which the sum counted from a start reaches a threshold.

    Parameters
    ----------
    cumulative_sum_degc_d : array_like of float, shape (..., day)
        Running sum from `cumulative` [°C d].
    start_index : array_like of int, shape (n,) or (..., n)
        First day that counts, as position on the day axis; -1 for a start that never comes.
        For a single series any shape will do.
    threshold_degc_d : array_like of float, broadcastable to `start_index`
        Sum to be reached [°C d].

    Returns
    -------
    ndarray of int, shape (..., n), or (...) if start and threshold are single numbers
        Position of the first day on which the sum, the start day included, is at least the
        threshold; -1 if it never is within the series, or if a missing day lies between.

    Raises
    ------
    ValueError
        If starts are not whole numbers, or the shapes do not go together.

    Examples
    --------
    >>> day_reached(cumulative([5.0, 5.0, 5.0, 5.0]), start_index=[0, 1, 3], threshold_degc_d=10.0)
    array([ 1,  2, -1])
    """
    total = np.asarray(cumulative_sum_degc_d, dtype=float)
    start, threshold = np.asarray(start_index), np.asarray(threshold_degc_d, dtype=float)
    if not np.issubdtype(start.dtype, np.integer):
        raise ValueError(f"start_index must be whole numbers, not {start.dtype}")
    leading, days = total.shape[:-1], total.shape[-1]
    shape = np.broadcast_shapes(start.shape, threshold.shape, (*leading, 1))
    if leading and shape[:-1] != leading:
        raise ValueError(f"starts and thresholds of shape {shape} do not go with sums of shape {total.shape}")
    out = np.full(shape, -1, dtype=np.int64)
    for row in np.ndindex(leading):
        series = total[row]
        begin, limit = np.broadcast_to(start, shape)[row], np.broadcast_to(threshold, shape)[row]
        before = np.where(begin > 0, series[np.clip(begin - 1, 0, days - 1)], 0.0)
        # numpy sorts NaN last, so a sum that turns NaN ends the search.
        found = np.searchsorted(series, before + limit - SUM_TOLERANCE_DEGC_D, side="left")
        found = np.maximum(found, begin)
        known = ~np.isnan(series[np.clip(found, 0, days - 1)])
        out[row] = np.where((begin >= 0) & (found < days) & known, found, -1)
    return out.reshape(leading) if start.ndim == 0 and threshold.ndim == 0 else out


def next_day_with(condition: ArrayLike, never: int = -1) -> NDArray[np.int64]:
    """Find, for each day, the first day from it on which a condition holds.

    Parameters
    ----------
    condition : array_like of bool, shape (..., day)
        True on the days looked for.
    never : int
        Given where no such day follows.

    Returns
    -------
    ndarray of int, shape (..., day)
        Position of the day itself or of the next one on which the condition holds.

    Examples
    --------
    >>> next_day_with([False, True, False])
    array([ 1,  1, -1])
    """
    holds = np.asarray(condition, dtype=bool)
    days = holds.shape[-1]
    position = np.where(holds, np.arange(days), days)
    following = np.flip(np.minimum.accumulate(np.flip(position, axis=-1), axis=-1), axis=-1)
    return np.where(following < days, following, never)
