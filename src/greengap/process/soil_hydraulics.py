"""What a soil holds, how tightly, and what it lets through, from its texture and organic matter; its texture class."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

PARTICLE_DENSITY_MG_M3 = 2.65  # Saxton and Rawls 2006, eq. 6
HIGHEST_ORGANIC_MATTER_FRACTION = 0.08  # end of the range that Saxton and Rawls 2006 fitted
WILTING_SUCTION_KPA = 1500.0  # kPa at wilting point, Saxton and Rawls 2006, eq. 1
FIELD_SUCTION_KPA = 33.0  # kPa at field capacity, Saxton and Rawls 2006, eq. 2
SMALLEST_SUCTION_KPA = 0.1  # kPa, in place of air entry below zero that eq. 4 gives for sands
OVEN_DRY_SUCTION_KPA = 1e6  # kPa, pF 7, the driest a soil gets


@dataclass(frozen=True)
class SoilWater:
    """Water and density of a soil, each an array of the shape of its texture.

    Attributes
    ----------
    wilting_point_fraction : ndarray of float
        Water at 1500 kPa suction, share of the soil's volume [-].
    field_capacity_fraction : ndarray of float
        Water at 33 kPa suction, share of the soil's volume [-].
    saturation_fraction : ndarray of float
        Water at saturation, share of the soil's volume [-].
    bulk_density_mg_m3 : ndarray of float
        Dry bulk density [Mg m-3].
    saturated_conductivity_mm_h : ndarray of float
        Hydraulic conductivity at saturation [mm h-1].
    """

    wilting_point_fraction: NDArray[np.float64]
    field_capacity_fraction: NDArray[np.float64]
    saturation_fraction: NDArray[np.float64]
    bulk_density_mg_m3: NDArray[np.float64]
    saturated_conductivity_mm_h: NDArray[np.float64]


def saxton_rawls(sand_fraction: ArrayLike, clay_fraction: ArrayLike, organic_matter_fraction: ArrayLike) -> SoilWater:
    """Soil water limits, density and conductivity from texture and organic matter.

    Parameters
    ----------
    sand_fraction, clay_fraction : array_like of float
        Mass shares of the fine earth, 0 to 1 [-].
    organic_matter_fraction : array_like of float
        Mass share of the soil, 0 to 1 [-].

    Returns
    -------
    SoilWater
        NaN where an input is missing.

    Raises
    ------
    ValueError
        If a share lies outside 0 to 1, or sand and clay together exceed 1.

    Notes
    -----
    The equations of [1]_ for normal density, without gravel or salt. They were fitted to soils with
    at most 8 % organic matter and 60 % clay: more organic matter is reckoned as 8 %, more clay is
    extrapolated.

    References
    ----------
    .. [1] K. E. Saxton and W. J. Rawls, "Soil water characteristic estimates by texture and organic
       matter for hydrologic solutions", Soil Sci. Soc. Am. J., vol. 70, pp. 1569-1578, 2006.

    Examples
    --------
    >>> loam = saxton_rawls(0.40, 0.20, 0.025)
    >>> float(loam.field_capacity_fraction.round(2)), float(loam.wilting_point_fraction.round(2))
    (0.28, 0.14)
    """
    s, c = _checked_texture(sand_fraction, clay_fraction)
    om = _organic_matter_percent(organic_matter_fraction)

    t1500 = -0.024 * s + 0.487 * c + 0.006 * om + 0.005 * s * om - 0.013 * c * om + 0.068 * s * c + 0.031
    wilting = t1500 + 0.14 * t1500 - 0.02
    t33 = -0.251 * s + 0.195 * c + 0.011 * om + 0.006 * s * om - 0.027 * c * om + 0.452 * s * c + 0.299
    capacity = t33 + 1.283 * t33**2 - 0.374 * t33 - 0.015
    drained = _drained_fraction(s, c, om)
    # Heavy clays without organic matter can come out with no room above field capacity.
    saturation = np.maximum(capacity + drained - 0.097 * s + 0.043, capacity)

    # Extreme sands can come out with next to no water at wilting point.
    wilting = np.clip(wilting, 0.001, 0.95 * capacity)
    slope = np.log(WILTING_SUCTION_KPA / FIELD_SUCTION_KPA) / np.log(capacity / wilting)
    conductivity = 1930 * (saturation - capacity) ** (3 - 1 / slope)
    density = (1 - saturation) * PARTICLE_DENSITY_MG_M3
    return SoilWater(wilting, capacity, saturation, density, conductivity)


def air_entry_kpa(
    sand_fraction: ArrayLike, clay_fraction: ArrayLike, organic_matter_fraction: ArrayLike
) -> NDArray[np.float64]:
    """Suction at which air enters a saturated soil.

    Parameters
    ----------
    sand_fraction, clay_fraction : array_like of float
        Mass shares of the fine earth, 0 to 1 [-].
    organic_matter_fraction : array_like of float
        Mass share of the soil, 0 to 1 [-].

    Returns
    -------
    ndarray of float
        Suction, at least 0.1 and at most that at field capacity, 33; NaN where an input is missing
        [kPa].

    Raises
    ------
    ValueError
        If a share lies outside 0 to 1, or sand and clay together exceed 1.

    Notes
    -----
    Saxton and Rawls 2006, equation 4 (see `saxton_rawls`). It falls slightly below zero for sands,
    hence the lower limit.

    Examples
    --------
    >>> round(float(air_entry_kpa(0.40, 0.20, 0.025)), 1)
    4.1
    """
    s, c = _checked_texture(sand_fraction, clay_fraction)
    drained = _drained_fraction(s, c, _organic_matter_percent(organic_matter_fraction))
    entry = -21.67 * s - 27.93 * c - 81.97 * drained + 71.12 * s * drained + 8.29 * c * drained + 14.05 * s * c + 27.16
    return np.clip(entry + 0.02 * entry**2 - 0.113 * entry - 0.70, SMALLEST_SUCTION_KPA, FIELD_SUCTION_KPA)


def water_potential_kpa(
    theta: ArrayLike, wilting: ArrayLike, field_capacity: ArrayLike, saturation: ArrayLike, psi_e: ArrayLike
) -> NDArray[np.float64]:
    """How tightly a soil holds its water.

    Parameters
    ----------
    theta : array_like of float
        Water, share of the soil's volume; more than saturation counts as saturation [-].
    wilting, field_capacity, saturation : array_like of float, broadcastable to `theta`
        Limits from `saxton_rawls`, share of the soil's volume [-].
    psi_e : array_like of float, broadcastable to `theta`
        Suction at which air enters, from `air_entry_kpa`, above zero [kPa].

    Returns
    -------
    ndarray of float
        Water potential, below zero: -33 at field capacity, -1500 at wilting point; NaN where an
        input is missing [kPa].

    Notes
    -----
    Saxton and Rawls 2006, equations 11 to 15 (see `saxton_rawls`): a power of the water content up to
    field capacity, a straight line from there to air entry at saturation. Below wilting point the
    power is extrapolated, down to oven-dry.

    Examples
    --------
    >>> water_potential_kpa([0.14, 0.20, 0.28, 0.37, 0.46], 0.14, 0.28, 0.46, 4.1).round()
    array([-1500.,  -210.,   -33.,   -19.,    -4.])
    """
    water, dry, full, most, entry = np.broadcast_arrays(
        *(np.asarray(value, dtype=float) for value in (theta, wilting, field_capacity, saturation, psi_e))
    )
    slope = np.log(WILTING_SUCTION_KPA / FIELD_SUCTION_KPA) / np.log(full / dry)  # eq. 15
    with np.errstate(divide="ignore", over="ignore"):
        held = FIELD_SUCTION_KPA * (np.maximum(water, 0.0) / full) ** -slope  # eq. 11
    room = most - full
    above = np.divide(water - full, room, out=np.zeros(water.shape), where=room > 0)
    loose = FIELD_SUCTION_KPA - np.clip(above, 0.0, 1.0) * (FIELD_SUCTION_KPA - entry)  # eq. 12
    return -np.minimum(np.where(water > full, loose, held), OVEN_DRY_SUCTION_KPA)


def texture_class(sand_fraction: ArrayLike, clay_fraction: ArrayLike) -> NDArray[np.str_]:
    """USDA texture class.

    Parameters
    ----------
    sand_fraction, clay_fraction : array_like of float
        Mass shares of the fine earth, 0 to 1 [-].

    Returns
    -------
    ndarray of str
        One of the twelve classes, in lower case; empty where an input is missing.

    Raises
    ------
    ValueError
        If a share lies outside 0 to 1, or sand and clay together exceed 1.

    Notes
    -----
    Limits of the USDA Soil Survey Manual (Agriculture Handbook 18), from memory.

    Examples
    --------
    >>> texture_class([0.4, 0.2], [0.2, 0.15])
    array(['loam', 'silt loam'], dtype='<U15')
    """
    sand, clay = _checked_texture(sand_fraction, clay_fraction)
    # Per cent, freed of binary rounding: 0.28 * 100 is not 28.
    s, c = np.round(100 * sand, 6), np.round(100 * clay, 6)
    z = np.round(100 - s - c, 6)
    classes = {
        "sand": z + 1.5 * c < 15,
        "loamy sand": z + 2 * c < 30,
        "sandy loam": ((c >= 7) & (c < 20) & (s > 52)) | ((c < 7) & (z < 50)),
        "loam": (c >= 7) & (c < 27) & (z >= 28) & (z < 50) & (s <= 52),
        "silt loam": ((z >= 50) & (c >= 12) & (c < 27)) | ((z >= 50) & (z < 80) & (c < 12)),
        "silt": (z >= 80) & (c < 12),
        "sandy clay loam": (c >= 20) & (c < 35) & (z < 28) & (s > 45),
        "clay loam": (c >= 27) & (c < 40) & (s > 20) & (s <= 45),
        "silty clay loam": (c >= 27) & (c < 40) & (s <= 20),
        "sandy clay": (c >= 35) & (s > 45),
        "silty clay": (c >= 40) & (z >= 40),
        "clay": (c >= 40) & (s <= 45) & (z < 40),
    }
    return np.select(list(classes.values()), list(classes), default="")


def _organic_matter_percent(organic_matter_fraction: ArrayLike) -> NDArray[np.float64]:
    """Organic matter in the terms of the equations, at most what they were fitted for."""
    share = np.asarray(organic_matter_fraction, dtype=float)
    if np.any((share < 0) | (share > 1)):
        raise ValueError("organic_matter_fraction must lie between 0 and 1")
    return 100 * np.minimum(share, HIGHEST_ORGANIC_MATTER_FRACTION)


def _drained_fraction(s: NDArray[np.float64], c: NDArray[np.float64], om: NDArray[np.float64]) -> NDArray[np.float64]:
    """Water between field capacity and saturation, share of the soil's volume (equation 3)."""
    ts33 = 0.278 * s + 0.034 * c + 0.022 * om - 0.018 * s * om - 0.027 * c * om - 0.584 * s * c + 0.078
    return ts33 + 0.636 * ts33 - 0.107


def _checked_texture(
    sand_fraction: ArrayLike, clay_fraction: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sand and clay as arrays of one shape, refused if they cannot be shares of one soil."""
    sand, clay = np.broadcast_arrays(np.asarray(sand_fraction, float), np.asarray(clay_fraction, float))
    for name, share in (("sand_fraction", sand), ("clay_fraction", clay)):
        if np.any((share < 0) | (share > 1)):
            raise ValueError(f"{name} must lie between 0 and 1, not {np.nanmin(share):g} to {np.nanmax(share):g}")
    if np.any(sand + clay > 1 + 1e-6):
        raise ValueError(f"sand_fraction and clay_fraction together must not exceed 1, not {np.nanmax(sand + clay):g}")
    return sand, clay


# NEH 630 chapter 7 (2009), table 7-1, deep ground: least conductivity of groups A, B, C [um/s] (from memory).
GROUP_UM_S = ((10.0, "a"), (4.0, "b"), (0.4, "c"))
UM_S_PER_MM_H = 1000 / 3600


def hydrologic_group(saturated_conductivity_mm_h: float) -> str:
    """Hydrologic soil group of deep ground, a (lets most in) to d.

    Parameters
    ----------
    saturated_conductivity_mm_h : float
        Of the least conducting layer [mm h-1].

    Returns
    -------
    str
        One letter.

    Examples
    --------
    >>> [hydrologic_group(k) for k in (50.3, 15.5, 5.7, 1.0)]
    ['a', 'b', 'c', 'd']
    """
    speed = saturated_conductivity_mm_h * UM_S_PER_MM_H
    return next((group for least, group in GROUP_UM_S if speed > least), "d")
