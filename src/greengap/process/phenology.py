"""Dates of first flower and of viable seed; development by day length."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from greengap.process.thermal_time import day_reached, next_day_with


def next_long_day(day_length_h: ArrayLike, shortest_h: float, never: int = -1) -> NDArray[np.int64]:
    """Find, for each day, the first day from it that is long enough.

    Parameters
    ----------
    day_length_h : array_like of float, shape (..., day)
        Day length [h].
    shortest_h : float
        Shortest day that will do [h].
    never : int
        Given where no such day follows.

    Returns
    -------
    ndarray of int, shape (..., day)
        Position on the day axis.

    Examples
    --------
    >>> next_long_day([12.8, 13.0, 13.2, 12.9], 13.0)
    array([ 1,  1,  2, -1])
    """
    return next_day_with(np.asarray(day_length_h, dtype=float) >= shortest_h, never)


def cold_sums(tmean_degc: ArrayLike, below_degc: float) -> NDArray[np.float64]:
    """Running sum of cold, as winter cereals need it before they head.

    Parameters
    ----------
    tmean_degc : array_like of float, shape (..., day)
        Daily mean air temperature [°C].
    below_degc : float
        Temperature below which a day counts [°C].

    Returns
    -------
    ndarray of float, shape (..., day)
        Sum of what each day's mean lies below it [°C d].

    Notes
    -----
    The form and the figures of rye are those of the crop library of Daisy (source `daisy_lib`). There is no
    lower limit: a hard frost counts as more cold, so that the day is early rather than late.

    Examples
    --------
    >>> cold_sums([7.0, 4.0, -5.0], 5.0)
    array([ 0.,  1., 11.])
    """
    return np.cumsum(np.maximum(below_degc - np.asarray(tmean_degc, dtype=float), 0.0), axis=-1)


def flower_day(
    cumulative_sum_degc_d: ArrayLike,
    emergence_index: ArrayLike,
    flower_sum_degc_d: ArrayLike,
    next_long_day_index: ArrayLike | None = None,
) -> NDArray[np.int64]:
    """Day of first flower in one season or one long series.

    Parameters
    ----------
    cumulative_sum_degc_d : array_like of float, shape (day,)
        Running thermal sum in the terms of the flower sum [°C d].
    emergence_index : array_like of int
        Day of emergence, as position on the day axis; -1 if it never comes up.
    flower_sum_degc_d : array_like of float, broadcastable to `emergence_index`
        Sum from emergence to first flower [°C d].
    next_long_day_index : array_like of int, shape (day,), optional
        From `next_long_day`, with -1 for never, for a species that needs long days.

    Returns
    -------
    ndarray of int
        Position of the day; -1 if it does not flower within the series.

    Notes
    -----
    Day length is a gate, not a rate: a plant that is ready in days that are too short waits for
    longer ones.
    """
    ready = day_reached(cumulative_sum_degc_d, emergence_index, flower_sum_degc_d)
    if next_long_day_index is None:
        return ready
    return np.where(ready >= 0, np.asarray(next_long_day_index)[ready], -1)


def viable_seed_day(
    cumulative_sum_degc_d: ArrayLike,
    emergence_index: ArrayLike,
    flower_sum_degc_d: ArrayLike,
    viable_seed_sum_degc_d: ArrayLike,
    flower_index: ArrayLike,
) -> NDArray[np.int64]:
    """First day on which the stand may carry seed that can germinate.

    Parameters
    ----------
    cumulative_sum_degc_d : array_like of float, shape (day,)
        Running thermal sum in the terms of both sums [°C d].
    emergence_index : array_like of int
        Day of emergence, as position on the day axis; -1 if it never comes up.
    flower_sum_degc_d, viable_seed_sum_degc_d : array_like of float, broadcastable to `emergence_index`
        Sums from emergence to first flower and to viable seed [°C d].
    flower_index : array_like of int
        Day of first flower from `flower_day`, -1 if it never flowers.

    Returns
    -------
    ndarray of int
        Position of the day; -1 if it does not come to that within the series.

    Notes
    -----
    Where short days held the flower back, the sum from flower to seed is counted on from it.
    """
    flower = np.asarray(flower_index)
    ripe = day_reached(cumulative_sum_degc_d, emergence_index, viable_seed_sum_degc_d)
    held = np.where(flower >= 0, flower + 1, -1)
    rest = np.asarray(viable_seed_sum_degc_d, dtype=float) - np.asarray(flower_sum_degc_d, dtype=float)
    after_flower = day_reached(cumulative_sum_degc_d, held, rest)
    # Counting on from a flower that did not wait would lose the part of a day by which it was early.
    waited = flower > day_reached(cumulative_sum_degc_d, emergence_index, flower_sum_degc_d)
    return np.where(flower < 0, -1, np.where(waited, after_flower, ripe))


def photoperiod_factor(
    day_length_h: ArrayLike, critical_h: ArrayLike, sensitivity_per_h: ArrayLike
) -> NDArray[np.float64]:
    """Share of full development towards flowering that the day length lets through.

    Parameters
    ----------
    day_length_h : array_like of float
        Day length, twilight counted as in the critical one [h].
    critical_h : array_like of float, broadcastable to `day_length_h`
        Day length beyond which it no longer matters [h].
    sensitivity_per_h : array_like of float, broadcastable to `day_length_h`
        Share lost for each hour: above zero for a long-day plant, held back by days shorter than
        the critical one; below zero for a short-day plant, held back by longer ones; 0 for a
        day-neutral one [h-1].

    Returns
    -------
    ndarray of float
        Share, 0 to 1 [-].

    Notes
    -----
    A straight line with a plateau, as crop models commonly take it; the sign, which tells the side
    on which days hold the plant back, is a choice of this project.

    Examples
    --------
    >>> photoperiod_factor([10.0, 13.0, 16.0], 14.0, 0.2)
    array([0.2, 0.8, 1. ])
    >>> photoperiod_factor([10.0, 13.0, 16.0], 12.5, -0.2)
    array([1. , 0.9, 0.3])
    """
    short = np.asarray(critical_h, dtype=float) - np.asarray(day_length_h, dtype=float)
    return np.clip(1 - np.maximum(np.asarray(sensitivity_per_h, dtype=float) * short, 0.0), 0.0, 1.0)
