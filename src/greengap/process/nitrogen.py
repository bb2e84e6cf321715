"""What a stand needs of nitrogen, what the soil gives and what legumes fix."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

# D. C. Godwin and C. A. Jones, "Nitrogen dynamics in soil-plant systems", in "Modeling plant and soil systems",
# ASA, 1991, in the form of the public source of DSSAT.
HUMUS_DECAY_PER_D = 8.3e-5  # d-1 at full warmth and moisture
DECAY_BASE_DEGC = 5.0  # °C, below which decay stands still
DECAY_SPAN_DEGC = 30.0  # °C, from there to full speed
SATURATED_LOSS = 0.5  # share of the speed lost between field capacity and saturation [-]
STANDSTILL_SHARE = 0.4  # of the critical nitrogen, at which growth stops [-]: a choice of this project


def critical_nitrogen_fraction(
    biomass_mg_ha: ArrayLike, a_fraction: ArrayLike, b: ArrayLike, flat_below_mg_ha: ArrayLike
) -> NDArray[np.float64]:
    """Least nitrogen in the shoot with which it grows at full speed.

    Parameters
    ----------
    biomass_mg_ha : array_like of float
        Dry matter above ground [Mg ha-1].
    a_fraction : array_like of float, broadcastable to `biomass_mg_ha`
        Nitrogen at 1 Mg/ha, share of dry matter: 0.048, not 4.8 [-].
    b : array_like of float, broadcastable to `biomass_mg_ha`
        Power with which it thins [-].
    flat_below_mg_ha : array_like of float, broadcastable to `biomass_mg_ha`
        Dry matter below which it does not rise further, above zero [Mg ha-1].

    Returns
    -------
    ndarray of float
        Share of dry matter [-].

    Notes
    -----
    ``a * biomass**-b``: G. Lemaire and F. Gastal, "N uptake and distribution in plant canopies", in
    "Diagnosis of the nitrogen status in crops", Springer, 1997 (from memory).

    Examples
    --------
    >>> critical_nitrogen_fraction([0.2, 1.0, 4.0], 0.048, 0.34, 1.0).round(4)
    array([0.048, 0.048, 0.03 ])
    """
    weight = np.maximum(np.asarray(biomass_mg_ha, dtype=float), np.asarray(flat_below_mg_ha, dtype=float))
    return np.asarray(a_fraction, dtype=float) * weight ** -np.asarray(b, dtype=float)


def nitrogen_limit(actual: ArrayLike, critical: ArrayLike) -> NDArray[np.float64]:
    """Share of full growth that the nitrogen in the stand lets through.

    Parameters
    ----------
    actual, critical : array_like of float
        Nitrogen in the stand and the critical one, both as share of dry matter [-] or both by area
        [kg ha-1].

    Returns
    -------
    ndarray of float
        1 from the critical nitrogen up, 0 at and below 0.4 of it; 1 where none is needed [-].

    Notes
    -----
    ``(actual / critical - 0.4) / 0.6``: a choice of this project.

    Examples
    --------
    >>> nitrogen_limit([0.01, 0.021, 0.04], 0.03).round(2)
    array([0. , 0.5, 1. ])
    """
    held, wanted = np.broadcast_arrays(np.asarray(actual, dtype=float), np.asarray(critical, dtype=float))
    ratio = np.divide(held, wanted, out=np.ones(held.shape), where=~(wanted <= 1e-12))
    return np.clip((ratio - STANDSTILL_SHARE) / (1 - STANDSTILL_SHARE), 0.0, 1.0)


def decay_temperature_factor(soil_degc: ArrayLike) -> NDArray[np.float64]:
    """Share of the full speed of decay at a soil temperature, Godwin and Jones 1991.

    Parameters
    ----------
    soil_degc : array_like of float
        Soil temperature [°C].

    Returns
    -------
    ndarray of float
        0 up to 5 °C, rising to 1 at 35 °C [-].
    """
    return np.clip((np.asarray(soil_degc, dtype=float) - DECAY_BASE_DEGC) / DECAY_SPAN_DEGC, 0.0, 1.0)


def decay_water_factor(
    theta: ArrayLike, air_dry: ArrayLike, field_capacity: ArrayLike, saturation: ArrayLike
) -> NDArray[np.float64]:
    """Share of the full speed of decay at a soil moisture, Godwin and Jones 1991.

    Parameters
    ----------
    theta : array_like of float
        Water, share of the soil's volume [-].
    air_dry, field_capacity, saturation : array_like of float, broadcastable to `theta`
        Water in air-dry soil, at field capacity and at saturation, rising [-].

    Returns
    -------
    ndarray of float
        0 in air-dry soil, 1 at field capacity, 0.5 at saturation [-].

    Examples
    --------
    >>> decay_water_factor([0.05, 0.175, 0.30, 0.38], 0.05, 0.30, 0.46).round(2)
    array([0.  , 0.5 , 1.  , 0.75])
    """
    water, full = np.asarray(theta, dtype=float), np.asarray(field_capacity, dtype=float)
    dry, most = np.asarray(air_dry, dtype=float), np.asarray(saturation, dtype=float)
    rising = (water - dry) / (full - dry)
    falling = 1 - SATURATED_LOSS * (water - full) / np.maximum(most - full, 1e-9)  # clays may have no room above
    return np.where(water <= full, np.clip(rising, 0.0, 1.0), np.clip(falling, 1 - SATURATED_LOSS, 1.0))


def mineralised(
    soil_degc: ArrayLike,
    humus_nitrogen_kg_ha: ArrayLike,
    water_factor: ArrayLike = 1.0,
    decay_per_d: ArrayLike = HUMUS_DECAY_PER_D,
) -> NDArray[np.float64]:
    """Nitrogen that humus sets free in a day.

    Parameters
    ----------
    soil_degc : array_like of float
        Soil temperature [°C].
    humus_nitrogen_kg_ha : array_like of float, broadcastable to `soil_degc`
        Nitrogen in the humus of the layer [kg ha-1].
    water_factor : array_like of float, broadcastable to `soil_degc`
        From `decay_water_factor` [-].
    decay_per_d : array_like of float, broadcastable to `soil_degc`
        Share of the humus that decays in a day at full speed [d-1].

    Returns
    -------
    ndarray of float
        Mineral nitrogen [kg ha-1 d-1].

    Notes
    -----
    Godwin and Jones 1991.

    Examples
    --------
    >>> round(float(mineralised(20.0, 6000.0)), 3)
    0.249
    """
    speed = decay_temperature_factor(soil_degc) * np.asarray(water_factor, dtype=float)
    return np.asarray(decay_per_d, dtype=float) * speed * np.asarray(humus_nitrogen_kg_ha, dtype=float)


def fixed(
    uptake_kg_ha: ArrayLike,
    soil_supply_kg_ha: ArrayLike,
    highest_share: ArrayLike,
    nodulated_share: ArrayLike = 1.0,
) -> NDArray[np.float64]:
    """Nitrogen that a legume takes from the air.

    Parameters
    ----------
    uptake_kg_ha : array_like of float
        Nitrogen in the stand, or that it asks for [kg ha-1].
    soil_supply_kg_ha : array_like of float, broadcastable to `uptake_kg_ha`
        Mineral nitrogen of the soil within reach, after companions took theirs [kg ha-1].
    highest_share : array_like of float, broadcastable to `uptake_kg_ha`
        Most of its nitrogen that the species fixes, 0 to 1 [-].
    nodulated_share : array_like of float, broadcastable to `uptake_kg_ha`
        Below 1 without inoculant or a history of the host on the field [-].

    Returns
    -------
    ndarray of float
        Fixed nitrogen, never below zero [kg ha-1].

    Notes
    -----
    What the soil does not give, up to the highest share: soil nitrogen comes cheaper to the plant. A
    simplification of this project; it knows no delay before nodules work.

    Examples
    --------
    >>> fixed([30.0, 100.0, 200.0], 60.0, 0.8)
    array([  0.,  40., 140.])
    """
    uptake = np.asarray(uptake_kg_ha, dtype=float)
    gap = np.maximum(uptake - np.asarray(soil_supply_kg_ha, dtype=float), 0.0)
    return np.minimum(gap, np.asarray(highest_share, dtype=float) * uptake) * np.asarray(nodulated_share, dtype=float)
