"""The rate at which a block was really sown, against the planned one."""

from __future__ import annotations

import math
from dataclasses import dataclass

from greengap.units import HECTARE_M2


@dataclass(frozen=True)
class TrueRate:
    """Seed on the ground.

    Attributes
    ----------
    rate_kg_ha : float
        Seed used over area sown [kg/ha].
    planned_kg_ha : float
        Rate of the plan, out of the bag; NaN if there is none [kg/ha].
    off_fraction : float
        How far it is above (or below) the plan; NaN without a plan.
    differs : bool
        Whether it is further off than is let pass.
    """

    rate_kg_ha: float
    planned_kg_ha: float
    off_fraction: float
    differs: bool


def true_rate(seed_kg: float, area_m2: float, planned_kg_ha: float, let_pass_fraction: float) -> TrueRate:
    """Seed used over area sown, against the planned rate.

    Parameters
    ----------
    seed_kg : float
        Seed used [kg].
    area_m2 : float
        Ground that it went on [m2].
    planned_kg_ha : float
        Planned rate out of the bag, NaN if there is none [kg/ha].
    let_pass_fraction : float
        Difference that is not spoken of.

    Returns
    -------
    TrueRate

    Raises
    ------
    ValueError
        If seed or area are not above zero.

    Examples
    --------
    >>> found = true_rate(61, 10_000, 55, 0.1)
    >>> round(found.rate_kg_ha), f"{found.off_fraction:+.0%}", found.differs
    (61, '+11%', True)
    """
    if not (seed_kg > 0 and area_m2 > 0):
        raise ValueError(f"seed_kg {seed_kg} and area_m2 {area_m2} have to be above zero")
    rate = seed_kg / (area_m2 / HECTARE_M2)
    off = rate / planned_kg_ha - 1 if planned_kg_ha > 0 else math.nan
    return TrueRate(rate, planned_kg_ha, off, bool(abs(off) > let_pass_fraction))
