"""Biomass and ground cover as curves of thermal time since emergence; the factors of daily growth."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

PHOTOSYNTHETIC_SHARE = 0.5  # of global radiation [-], SWAT Theoretical Documentation 2009, 5:2.1 (from memory)
TEMPERATURE_STRESS = 0.1054  # [-], -ln(0.9): 10 % less half-way to the base, SWAT 2009, 5:3.1.2 (from memory)
SHOOT_SHARE_AT_EMERGENCE = 0.6  # of dry matter [-], roots 0.4, SWAT 2009, 5:2.1 (from memory)
SHOOT_SHARE_AT_MATURITY = 0.8  # of dry matter [-], roots 0.2, SWAT 2009, 5:2.1 (from memory)


def temperature_factor(mean_degc: ArrayLike, base_degc: ArrayLike, optimum_degc: ArrayLike) -> NDArray[np.float64]:
    """Share of full growth that the day's temperature lets through.

    Parameters
    ----------
    mean_degc : array_like of float
        Mean air temperature of the day [°C].
    base_degc, optimum_degc : array_like of float, broadcastable to `mean_degc`
        Temperatures of no growth and of fastest growth [°C].

    Returns
    -------
    ndarray of float
        0 at and below the base, 1 at the optimum, 0 again as far above it as the base lies below;
        NaN where the temperature is missing [-].

    Raises
    ------
    ValueError
        If an optimum does not lie above its base.

    Notes
    -----
    One less the temperature stress of S. L. Neitsch et al., "Soil and Water Assessment Tool
    Theoretical Documentation, Version 2009", TR-406, 2011, section 5:3.1.2 (from memory).

    Examples
    --------
    >>> temperature_factor([11.0, 20.0, 30.0, 36.0], 11.0, 30.0).round(3)
    array([0.   , 0.878, 1.   , 0.978])
    """
    mean, base, optimum = np.broadcast_arrays(
        np.asarray(mean_degc, float), np.asarray(base_degc, float), np.asarray(optimum_degc, float)
    )
    if np.any(optimum <= base):
        raise ValueError("optimum_degc must lie above base_degc")
    reach = np.minimum(mean - base, 2 * optimum - base - mean)  # to the nearer end of growth
    ratio = np.divide(optimum - mean, reach, out=np.full(mean.shape, np.inf), where=~(reach <= 1e-9))
    return np.exp(-TEMPERATURE_STRESS * ratio**2)


def heat_factor(tmax_degc: ArrayLike, start_degc: ArrayLike, half_degc: ArrayLike) -> NDArray[np.float64]:
    """Share of growth left on a hot day.

    Parameters
    ----------
    tmax_degc : array_like of float
        Daily maximum air temperature [°C].
    start_degc, half_degc : array_like of float, broadcastable to `tmax_degc`
        Maximum up to which heat costs nothing, and that at which it costs half [°C].

    Returns
    -------
    ndarray of float
        1 up to the start, 0.5 at half, 0 as far beyond it; NaN where the maximum is missing [-].

    Raises
    ------
    ValueError
        If `half_degc` does not lie above `start_degc`.

    Notes
    -----
    A choice of this project, not a published curve.

    Examples
    --------
    >>> heat_factor([30.0, 36.0, 40.0, 50.0], 32.0, 40.0)
    array([1.  , 0.75, 0.5 , 0.  ])
    """
    start, half = np.asarray(start_degc, dtype=float), np.asarray(half_degc, dtype=float)
    if np.any(half <= start):
        raise ValueError("half_degc must lie above start_degc")
    return np.clip(1 - 0.5 * (np.asarray(tmax_degc, dtype=float) - start) / (half - start), 0.0, 1.0)


def leaf_area_fraction(
    unit_fraction: ArrayLike, first: tuple[float, float], second: tuple[float, float]
) -> NDArray[np.float64]:
    """Leaf area as a share of the fullest, before leaves die.

    Parameters
    ----------
    unit_fraction : array_like of float
        Thermal units since emergence, share of those to maturity [-].
    first, second : tuple of float
        Two points of the curve: share of the units, share of the fullest leaf area, each between
        0 and 1 [-].

    Returns
    -------
    ndarray of float
        Share of the fullest leaf area, 0 before emergence, below 1; NaN where the units are
        missing [-].

    Raises
    ------
    ValueError
        If the points do not rise.

    Notes
    -----
    S curve through two points, S. L. Neitsch et al., "Soil and Water Assessment Tool Theoretical
    Documentation, Version 2009", TR-406, 2011, section 5:2.1 (from memory).

    Examples
    --------
    >>> leaf_area_fraction([0.0, 0.15, 0.5, 1.0], (0.15, 0.01), (0.5, 0.95)).round(3)
    array([0.  , 0.01, 0.95, 1.  ])
    """
    (f1, y1), (f2, y2) = first, second
    if not (0 < f1 < f2 <= 1 and 0 < y1 < y2 < 1):
        raise ValueError(f"first and second must rise between 0 and 1, not {first} to {second}")
    start, end = np.log(f1 / y1 - f1), np.log(f2 / y2 - f2)
    steepness = (start - end) / (f2 - f1)
    fraction = np.maximum(np.asarray(unit_fraction, dtype=float), 0.0)
    return fraction / (fraction + np.exp(start + steepness * (f1 - fraction)))


def intercepted(k_lai: ArrayLike) -> NDArray[np.float64]:
    """Share of the light that a canopy takes.

    Parameters
    ----------
    k_lai : array_like of float
        Leaf area index times light extinction coefficient, or the sum over the components of a
        mix [-].

    Returns
    -------
    ndarray of float
        Share of the light, 0 to 1 [-].

    Notes
    -----
    Beer's law: M. Monsi and T. Saeki, "Über den Lichtfaktor in den Pflanzengesellschaften und seine
    Bedeutung für die Stoffproduktion", Jpn. J. Bot., vol. 14, pp. 22-52, 1953 (from memory).
    """
    return -np.expm1(-np.asarray(k_lai, dtype=float))


def shoot_share(unit_fraction: ArrayLike) -> NDArray[np.float64]:
    """Share of the plant's dry matter that stands above ground.

    Parameters
    ----------
    unit_fraction : array_like of float
        Thermal units since emergence, share of those to maturity; held between 0 and 1 [-].

    Returns
    -------
    ndarray of float
        Share, rising in a straight line to maturity [-].

    Notes
    -----
    For yields of the whole plant; a radiation use efficiency that was given for shoots needs it not.
    """
    span = SHOOT_SHARE_AT_MATURITY - SHOOT_SHARE_AT_EMERGENCE
    return SHOOT_SHARE_AT_EMERGENCE + span * np.clip(np.asarray(unit_fraction, dtype=float), 0.0, 1.0)
