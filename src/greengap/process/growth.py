"""Biomass and ground cover as curves of thermal time since emergence."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def biomass(
    thermal_sum_degc_d: ArrayLike,
    ceiling_kg_ha: ArrayLike,
    midpoint_degc_d: ArrayLike,
    slope_per_degc_d: ArrayLike,
) -> NDArray[np.float64]:
    """Dry matter above ground after a thermal sum.

    Parameters
    ----------
    thermal_sum_degc_d : array_like of float
        Degree-days since emergence, by the method, base and upper limit the curve was fitted
        with [°C d].
    ceiling_kg_ha : array_like of float
        Dry matter the curve levels off at [kg ha-1].
    midpoint_degc_d : array_like of float
        Sum at which growth is fastest, with 37 % of the ceiling grown [°C d].
    slope_per_degc_d : array_like of float
        Steepness [1/(°C d)].

    Returns
    -------
    ndarray of float
        Dry matter; NaN where the sum is missing [kg ha-1].

    Notes
    -----
    A Gompertz curve: ``ceiling * exp(-exp(-slope * (sum - midpoint)))``. It stands for a healthy
    stand with water and nutrients of an ordinary year; it knows neither drought nor thin stands,
    and must not be read before emergence.

    Examples
    --------
    >>> biomass([0.0, 400.0, 2000.0], 5000.0, 400.0, 0.005).round().astype(int)
    array([   3, 1839, 4998])
    """
    total = np.asarray(thermal_sum_degc_d, dtype=float)
    slope, midpoint = np.asarray(slope_per_degc_d, dtype=float), np.asarray(midpoint_degc_d, dtype=float)
    return np.asarray(ceiling_kg_ha, dtype=float) * np.exp(-np.exp(-slope * (total - midpoint)))


def leaf_layer(
    thermal_sum_degc_d: ArrayLike, half_cover_sum_degc_d: ArrayLike, fullest_cover_fraction: float = 0.99
) -> NDArray[np.float64]:
    """Optical thickness of a canopy: leaf area index times light extinction.

    Parameters
    ----------
    thermal_sum_degc_d : array_like of float
        Degree-days since emergence; below zero counts as zero [°C d].
    half_cover_sum_degc_d : array_like of float
        Sum at which half the ground is covered [°C d].
    fullest_cover_fraction : float
        Cover beyond which the layer grows no thicker, 0 to 1 [-].

    Returns
    -------
    ndarray of float
        Thickness of the layer; those of the components of a mix add up, each times its share of
        the sole rate; NaN where the sum is missing [-].

    Notes
    -----
    A choice of this project, not a published curve: leaf area grows with the square of the sum,
    ``ln(2) * (sum / half)**2``, and ends at `fullest_cover_fraction`, since the cover can no
    longer tell layers apart.
    """
    ratio = np.maximum(np.asarray(thermal_sum_degc_d, dtype=float), 0.0) / np.asarray(half_cover_sum_degc_d, float)
    return np.minimum(np.log(2.0) * ratio**2, -np.log1p(-fullest_cover_fraction))


def cover_of_layers(layers: ArrayLike) -> NDArray[np.float64]:
    """Share of the ground covered by leaf layers above each other.

    Parameters
    ----------
    layers : array_like of float
        Thickness of one layer, or the sum over the components of a mix [-].

    Returns
    -------
    ndarray of float
        Ground cover, 0 to 1 [-].

    Notes
    -----
    Beer's law as for light in canopies: M. Monsi and T. Saeki, "Über den Lichtfaktor in den
    Pflanzengesellschaften und seine Bedeutung für die Stoffproduktion", Jpn. J. Bot., vol. 14,
    pp. 22-52, 1953 (from memory).
    """
    return -np.expm1(-np.asarray(layers, dtype=float))


def ground_cover(thermal_sum_degc_d: ArrayLike, half_cover_sum_degc_d: ArrayLike) -> NDArray[np.float64]:
    """Share of the ground covered by one species.

    Parameters
    ----------
    thermal_sum_degc_d : array_like of float
        Degree-days since emergence; below zero counts as zero [°C d].
    half_cover_sum_degc_d : array_like of float
        Sum at which half the ground is covered [°C d].

    Returns
    -------
    ndarray of float
        Ground cover, 0 to 1; NaN where the sum is missing [-].

    Notes
    -----
    ``1 - exp(-ln(2) * (sum / half)**2)``: the leaf layer of `leaf_layer` under Beer's law.

    Examples
    --------
    >>> ground_cover([0.0, 300.0, 600.0], 300.0).round(2)
    array([0.  , 0.5 , 0.94])
    """
    return cover_of_layers(leaf_layer(thermal_sum_degc_d, half_cover_sum_degc_d))
