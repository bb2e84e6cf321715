"""Soil temperature in the seed zone, from air temperature, radiation, soil water and cover.

The damping-depth model of the SWAT and EPIC families: S. L. Neitsch, J. G. Arnold, J. R. Kiniry and
J. R. Williams, "Soil and Water Assessment Tool theoretical documentation, version 2009", Texas Water
Resources Institute Technical Report 406, 2011, section 1:1.3 (SWAT). Numbers in square brackets are
its equations; their constants are physical coefficients of that model, not figures of any crop.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

SEED_ZONE_MM = 50.0
LAG = 0.8  # share of yesterday's temperature that a layer keeps, SWAT eq. 2.3.3
START_DAYS = 10  # days of air temperature that the first soil temperature is taken from
SPIN_UP_DAYS = 30  # days after which the start no longer matters; the caller leaves them out


def maximum_damping_depth(bulk_density_mg_m3: ArrayLike) -> NDArray[np.float64]:
    """Depth at which a dry soil no longer feels the yearly wave.

    Parameters
    ----------
    bulk_density_mg_m3 : array_like of float
        Dry bulk density [Mg m-3].

    Returns
    -------
    ndarray of float
        Maximum damping depth [mm].
    """
    density = np.asarray(bulk_density_mg_m3, dtype=float)
    return 1000 + 2500 * density / (density + 686 * np.exp(-5.63 * density))  # [2.3.6]


def damping_depth(
    bulk_density_mg_m3: ArrayLike, soil_water_mm: ArrayLike, profile_depth_mm: ArrayLike
) -> NDArray[np.float64]:
    """Damping depth of a soil at its present water content.

    Parameters
    ----------
    bulk_density_mg_m3 : array_like of float
        Dry bulk density [Mg m-3].
    soil_water_mm : array_like of float
        Plant-available water in the profile, above wilting point [mm].
    profile_depth_mm : array_like of float
        Depth of the profile [mm].

    Returns
    -------
    ndarray of float
        Damping depth [mm].
    """
    density = np.asarray(bulk_density_mg_m3, dtype=float)
    capacity = (0.356 - 0.144 * density) * np.asarray(profile_depth_mm, dtype=float)
    wetness = np.asarray(soil_water_mm, dtype=float) / capacity  # [2.3.7]
    deepest = maximum_damping_depth(density)
    return deepest * np.exp(np.log(500 / deepest) * ((1 - wetness) / (1 + wetness)) ** 2)  # [2.3.8]


def depth_factor(damping_depth_mm: ArrayLike, depth_mm: ArrayLike = SEED_ZONE_MM) -> NDArray[np.float64]:
    """Share of the distance from surface to mean annual temperature, 0 at the surface.

    Parameters
    ----------
    damping_depth_mm : array_like of float
        Damping depth [mm].
    depth_mm : array_like of float
        Depth of the layer's middle [mm].

    Returns
    -------
    ndarray of float
        Depth factor, 0 to 1 [-].
    """
    ratio = np.asarray(depth_mm, dtype=float) / np.asarray(damping_depth_mm, dtype=float)  # [2.3.5]
    return ratio / (ratio + np.exp(-0.867 - 2.078 * ratio))  # [2.3.4]


def bare_surface_temperature(
    tmin_degc: ArrayLike,
    tmax_degc: ArrayLike,
    radiation_mj_m2_d: ArrayLike,
    albedo: ArrayLike = 0.2,
    excess_degc: ArrayLike = 0.0,
) -> NDArray[np.float64]:
    """Daily mean temperature of a bare surface.

    Parameters
    ----------
    tmin_degc, tmax_degc : array_like of float
        Daily minimum and maximum air temperature [°C].
    radiation_mj_m2_d : array_like of float
        Global radiation [MJ m-2 d-1].
    albedo : array_like of float
        Share of radiation sent back: 0.2 bare soil, 0.23 a green canopy, 0.8 snow (SWAT 1:1.2.5) [-].
    excess_degc : array_like of float
        What the surface is warmer by than the equations say, 0 in the source; found by calibration [°C].

    Returns
    -------
    ndarray of float
        Surface temperature [°C].
    """
    tmin, tmax = np.asarray(tmin_degc, dtype=float), np.asarray(tmax_degc, dtype=float)
    absorbed = np.asarray(radiation_mj_m2_d, dtype=float) * (1 - np.asarray(albedo, dtype=float))
    excess = np.asarray(excess_degc, dtype=float)
    return (tmin + tmax) / 2 + (absorbed - 14) / 20 * (tmax - tmin) / 2 + excess  # [2.3.9, 2.3.10]


def cover_weight(cover_kg_ha: ArrayLike, snow_water_mm: ArrayLike = 0.0, averaged: bool = False) -> NDArray[np.float64]:
    """How strongly plants, residue and snow hold the surface at yesterday's soil temperature.

    Parameters
    ----------
    cover_kg_ha : array_like of float
        Live plants and residue above ground, dry [kg ha-1].
    snow_water_mm : array_like of float
        Water held in snow [mm].
    averaged : bool
        Take the mean of a bare and a covered surface, as the present program of the source does because
        the covered one alone ran too cool under much summer growth; it halves the weight of plants.

    Returns
    -------
    ndarray of float
        Weight of yesterday's soil temperature, 0 to 1 [-].
    """
    cover, snow = np.asarray(cover_kg_ha, dtype=float), np.asarray(snow_water_mm, dtype=float)
    plants = cover / (cover + np.exp(7.563 - 1.297e-4 * cover))  # [2.3.11]
    blanket = np.where(snow > 120, 1.0, snow / (snow + np.exp(6.055 - 0.3002 * np.minimum(snow, 120))))  # [2.3.11]
    return np.maximum(plants / 2 if averaged else plants, blanket)


def next_soil_temperature(
    previous_degc: ArrayLike,
    bare_surface_degc: ArrayLike,
    cover_weight: ArrayLike,
    depth_factor: ArrayLike,
    mean_annual_air_degc: ArrayLike,
) -> NDArray[np.float64]:
    """Soil temperature of a day from that of the day before.

    Parameters
    ----------
    previous_degc : array_like of float
        Soil temperature of the day before [°C].
    bare_surface_degc : array_like of float
        Bare surface temperature of the day [°C].
    cover_weight, depth_factor : array_like of float
        See the functions of that name [-].
    mean_annual_air_degc : array_like of float
        Mean annual air temperature [°C].

    Returns
    -------
    ndarray of float
        Soil temperature [°C].
    """
    previous, weight = np.asarray(previous_degc, dtype=float), np.asarray(cover_weight, dtype=float)
    surface = weight * previous + (1 - weight) * np.asarray(bare_surface_degc, dtype=float)  # [2.3.12]
    factor = np.asarray(depth_factor, dtype=float)
    deep = np.asarray(mean_annual_air_degc, dtype=float)
    return LAG * previous + (1 - LAG) * (factor * (deep - surface) + surface)  # [2.3.3]


def soil_temperature_5cm(
    tmin_degc: ArrayLike,
    tmax_degc: ArrayLike,
    radiation_mj_m2_d: ArrayLike,
    bulk_density_mg_m3: ArrayLike,
    soil_water_mm: ArrayLike,
    profile_depth_mm: ArrayLike,
    mean_annual_air_degc: ArrayLike,
    cover_kg_ha: ArrayLike = 0.0,
    snow_water_mm: ArrayLike = 0.0,
    albedo: ArrayLike = 0.2,
    surface_excess_degc: ArrayLike = 0.0,
    averaged_cover: bool = False,
) -> NDArray[np.float64]:
    """Daily mean soil temperature at 5 cm.

    Parameters
    ----------
    tmin_degc, tmax_degc : array_like of float, shape (..., day)
        Daily minimum and maximum air temperature [°C].
    radiation_mj_m2_d : array_like of float, broadcastable to (..., day)
        Global radiation [MJ m-2 d-1].
    bulk_density_mg_m3, profile_depth_mm, mean_annual_air_degc : float or array_like, shape (...)
        Dry bulk density [Mg m-3], depth of the profile [mm], mean annual air temperature [°C].
    soil_water_mm : float or array_like broadcastable to (..., day)
        Plant-available water in the profile [mm].
    cover_kg_ha, snow_water_mm : float or array_like broadcastable to (..., day)
        Dry matter of plants and residue [kg ha-1], water held in snow [mm].
    albedo : float or array_like broadcastable to (..., day)
        Share of radiation sent back, see `bare_surface_temperature` [-].
    surface_excess_degc : float or array_like broadcastable to (..., day)
        Fitted warmth of the surface, see `bare_surface_temperature` [°C].
    averaged_cover : bool
        Mean of bare and covered surface, see `cover_weight`.

    Returns
    -------
    ndarray of float, shape (..., day)
        Soil temperature [°C]. NaN on days whose weather is missing; the soil then keeps its
        temperature until the next known day. The first `SPIN_UP_DAYS` still carry the guess that
        the soil began at the air's mean of the first `START_DAYS`.

    Raises
    ------
    ValueError
        If any minimum lies above its maximum.

    Notes
    -----
    Meant for the growing season: without snow water given it is far too cold in winter, and it
    knows no freezing of soil water.
    """
    tmin, tmax = np.asarray(tmin_degc, dtype=float), np.asarray(tmax_degc, dtype=float)
    if np.any(tmin > tmax):
        raise ValueError("tmin_degc must not lie above tmax_degc on any day")
    bare = bare_surface_temperature(tmin, tmax, radiation_mj_m2_d, albedo, surface_excess_degc)
    density = np.asarray(bulk_density_mg_m3, dtype=float)[..., np.newaxis]
    depth = np.asarray(profile_depth_mm, dtype=float)[..., np.newaxis]
    factor = depth_factor(damping_depth(density, soil_water_mm, depth))
    weight = cover_weight(cover_kg_ha, snow_water_mm, averaged_cover)
    deep = np.asarray(mean_annual_air_degc, dtype=float)

    shape = np.broadcast_shapes(bare.shape, factor.shape, weight.shape, (*deep.shape, 1))
    bare, factor, weight = (np.broadcast_to(a, shape) for a in (bare, factor, weight))
    first = np.broadcast_to((tmin + tmax) / 2, shape)[..., :START_DAYS]
    known = ~np.isnan(first)
    started = np.where(known, first, 0.0).sum(axis=-1) / np.maximum(known.sum(axis=-1), 1)
    soil = np.where(known.any(axis=-1), started, deep)

    out = np.empty(shape)
    for day in range(shape[-1]):
        today = next_soil_temperature(soil, bare[..., day], weight[..., day], factor[..., day], deep)
        out[..., day] = today
        soil = np.where(np.isnan(today), soil, today)
    return out
