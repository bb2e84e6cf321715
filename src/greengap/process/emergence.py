"""How much of the seed comes up, and how much warmth and moisture it takes."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

IMBIBED_SHARE = 0.1  # of the thermal sum to emergence [-], seed has taken up water: a choice of this project
WETTING_MM = 3.0  # mm a day that end a dry spell, H. Tribouillois et al., Eur. J. Agron., vol. 93, 2018 (seen as cited)
# W. J. Bond, M. Honig and K. E. Maze, Oecologia, vol. 120, pp. 132-136, 1999 (from memory): 27.3 * mass**0.334.
DEEPEST_MM = 27.3  # mm, from which a seed of 1 mg still comes up
DEEPEST_EXPONENT = 0.334  # [-]


def moisture_factor(water_potential_mpa: ArrayLike, base_potential_mpa: ArrayLike) -> NDArray[np.float64]:
    """Share of the speed of germination in wet soil.

    Parameters
    ----------
    water_potential_mpa : array_like of float
        Water potential of the seed zone, 0 in wet soil and below zero in dry [MPa].
    base_potential_mpa : array_like of float, broadcastable to `water_potential_mpa`
        Potential at which germination stands still, below zero [MPa].

    Returns
    -------
    ndarray of float
        Share, 0 to 1; NaN where the potential is missing [-].

    Raises
    ------
    ValueError
        If a base potential is not below zero.

    Notes
    -----
    Hydrothermal time without its spread over seeds: K. J. Bradford, "Applications of hydrothermal time
    to quantifying and modeling seed germination and dormancy", Weed Sci., vol. 50, pp. 248-260, 2002
    (from memory). With thermal time in wet soil as the measure, warmth counts in full at 0 MPa.

    Examples
    --------
    >>> moisture_factor([-0.033, -0.5, -1.5], -1.0)
    array([0.967, 0.5  , 0.   ])
    """
    base = np.asarray(base_potential_mpa, dtype=float)
    if np.any(base >= 0):
        raise ValueError("base_potential_mpa must lie below zero")
    return np.clip(1 - np.asarray(water_potential_mpa, dtype=float) / base, 0.0, 1.0)


def emergence_total(
    germination_degc_d: ArrayLike, elongation_degc_d_per_mm: ArrayLike, depth_mm: ArrayLike
) -> NDArray[np.float64]:
    """Thermal sum from sowing to emergence.

    Parameters
    ----------
    germination_degc_d : array_like of float
        Sum until the seed has germinated [°C d].
    elongation_degc_d_per_mm : array_like of float, broadcastable to `germination_degc_d`
        Sum for each millimetre that the shoot has to grow [°C d mm-1].
    depth_mm : array_like of float, broadcastable to `germination_degc_d`
        Sowing depth [mm].

    Returns
    -------
    ndarray of float
        Sum, in the base temperature of its parts [°C d].

    Examples
    --------
    >>> float(emergence_total(40.0, 1.5, 30.0))
    85.0
    """
    shoot = np.asarray(elongation_degc_d_per_mm, dtype=float) * np.asarray(depth_mm, dtype=float)
    return np.asarray(germination_degc_d, dtype=float) + shoot


def dry_day(water_mm: ArrayLike, water_potential_mpa: ArrayLike, base_potential_mpa: ArrayLike) -> NDArray[np.bool_]:
    """Whether a day kills some of the seed that has begun to germinate.

    Parameters
    ----------
    water_mm : array_like of float
        Rain and irrigation of the day [mm].
    water_potential_mpa : array_like of float, broadcastable to `water_mm`
        Water potential of the seed zone [MPa].
    base_potential_mpa : array_like of float, broadcastable to `water_mm`
        Potential at which germination stands still, below zero [MPa].

    Returns
    -------
    ndarray of bool
        True where the seed zone is too dry and less than `WETTING_MM` of water came. Counts from
        imbibition, at `IMBIBED_SHARE` of the sum to emergence, until emergence.
    """
    too_dry = np.asarray(water_potential_mpa, dtype=float) < np.asarray(base_potential_mpa, dtype=float)
    return too_dry & (np.asarray(water_mm, dtype=float) < WETTING_MM)


def depth_factor(
    depth_mm: ArrayLike,
    recommended_low_mm: ArrayLike,
    recommended_high_mm: ArrayLike,
    seed_mass_mg: ArrayLike,
) -> NDArray[np.float64]:
    """Share of the seedlings that reach the surface.

    Parameters
    ----------
    depth_mm : array_like of float
        Sowing depth [mm].
    recommended_low_mm, recommended_high_mm : array_like of float, broadcastable to `depth_mm`
        Least and greatest recommended depth [mm].
    seed_mass_mg : array_like of float, broadcastable to `depth_mm`
        Mass of one seed [mg].

    Returns
    -------
    ndarray of float
        1 down to the greatest recommended depth, 0 from the deepest that such a seed comes up from,
        on a straight line between [-].

    Raises
    ------
    ValueError
        If the recommended depths are not in order.

    Notes
    -----
    The deepest depth by seed mass is that of Bond et al. 1999, found in wild plants on sand, and never
    less than the recommended depth; the straight line is a choice of this project. Seed that lies
    shallower than recommended loses nothing here: what it suffers is counted in dry days.

    Examples
    --------
    >>> depth_factor([10.0, 25.0, 50.0, 90.0], 13.0, 25.0, 27.0).round(2)
    array([1.  , 1.  , 0.56, 0.  ])
    """
    low, high = np.asarray(recommended_low_mm, dtype=float), np.asarray(recommended_high_mm, dtype=float)
    if np.any(low > high):
        raise ValueError("recommended_low_mm must not lie above recommended_high_mm")
    depth, high, mass = np.broadcast_arrays(np.asarray(depth_mm, float), high, np.asarray(seed_mass_mg, float))
    room = np.maximum(DEEPEST_MM * mass**DEEPEST_EXPONENT - high, 0.0)
    below = np.maximum(depth - high, 0.0)
    lost = np.divide(below, room, out=np.where(below > 0, 1.0, below), where=room > 0)
    return np.clip(1 - lost, 0.0, 1.0)


def stand_fraction(
    germination_fraction: ArrayLike,
    method_share: ArrayLike,
    dry_days: ArrayLike,
    depth_factor: ArrayLike,
    dry_loss_per_d: ArrayLike,
) -> NDArray[np.float64]:
    """Plants for each seed sown.

    Parameters
    ----------
    germination_fraction : array_like of float
        Germination of the seed lot, 0 to 1 [-].
    method_share : array_like of float, broadcastable to `germination_fraction`
        Share that comes up when sown in this way into a moist bed, 0 to 1 [-].
    dry_days : array_like of float, broadcastable to `germination_fraction`
        Days for which `dry_day` holds between imbibition and emergence [d].
    depth_factor : array_like of float, broadcastable to `germination_fraction`
        Share that reaches the surface, from the function `depth_factor` [-].
    dry_loss_per_d : array_like of float, broadcastable to `germination_fraction`
        Rate at which dry days kill [d-1].

    Returns
    -------
    ndarray of float
        Plants for each seed, 0 to 1 [-].

    Notes
    -----
    The product of independent losses: a choice of this project.

    Examples
    --------
    >>> round(float(stand_fraction(0.9, 0.85, 4.0, 1.0, 0.05)), 3)
    0.626
    """
    moist_bed = np.asarray(germination_fraction, dtype=float) * np.asarray(method_share, dtype=float)
    survived = np.exp(-np.asarray(dry_loss_per_d, dtype=float) * np.asarray(dry_days, dtype=float))
    return moist_bed * survived * np.asarray(depth_factor, dtype=float)
