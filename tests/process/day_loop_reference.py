"""The day loop in plain double-precision NumPy: the same order of a day, true exponentials, no tricks.

Where the compiled loop has polynomials for the exponential and for the critical nitrogen of a stand, this one has
the curves themselves. It is slow, and meant to be read beside `greengap.process.day_loop`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from greengap.process import day_loop as loop

Array = NDArray[np.float64]


class Dilution(NamedTuple):
    """Critical nitrogen of the shoot, ``a * W**-b`` with W in t/ha, flat below `flat_below_mg_ha`."""

    a: float
    b: float
    flat_below_mg_ha: float


@dataclass
class Lanes:
    """What a sowing date carries from day to day, each of shape (weather year,) or (component, weather year)."""

    last_day: Array
    surface: Array
    depletion: Array
    root: Array
    supply: Array
    up: Array
    dead: Array
    canopy_share: Array
    units_up: Array
    mass: Array
    reached: Array  # (target, weather year)
    totals: dict[str, Array] = field(default_factory=dict)
    days: list[dict[str, Array]] = field(default_factory=list)  # water of each day

    def add(self, name: str, amount: Array) -> None:
        self.totals[name] = self.totals.get(name, 0.0) + amount


def read_lanes(rows: NDArray[np.float32], components: int, wanted: int) -> Lanes:
    """One sowing date of `Job.lanes` in double precision."""
    rows = rows.astype(float)
    parts = [loop.LANE_ROWS + c * loop.LANE_ROWS_EACH for c in range(components)]
    goals = loop.LANE_ROWS + components * loop.LANE_ROWS_EACH

    def each(row: int) -> Array:
        return np.array([rows[at + row] for at in parts])

    return Lanes(
        rows[loop.LAST_DAY], rows[loop.SURFACE], rows[loop.DEPLETION], rows[loop.ROOT], rows[loop.SUPPLY],
        each(loop.UP), each(loop.DEAD), each(loop.CANOPY_SHARE), each(loop.UNITS_UP), each(loop.MASS),
        rows[goals : goals + wanted],
    )  # fmt: skip


def critical_nitrogen(mass_kg_ha: Array, plant: Array, dilution: Dilution) -> Array:
    """Nitrogen with which a shoot grows at full speed, none for a legume [kg ha-1]."""
    if plant[loop.LEGUME]:
        return np.zeros(mass_kg_ha.shape)
    mass = mass_kg_ha / 1000
    return 1000 * mass * dilution.a * np.maximum(mass, dilution.flat_below_mg_ha) ** -dilution.b


def grow_one_day(
    lane: Lanes, t: int, drivers: Array, plants: Array, ground: Array, targets: Array, dilution: list[Dilution]
) -> None:
    """Move one sowing date on by a day; `drivers` are the rows of that day."""
    on = np.where(t <= lane.last_day, 1.0, 0.0)
    et0, rain, light_mj_m2 = drivers[loop.ET0], drivers[loop.RAIN] * on, drivers[loop.LIGHT]
    of_component = [drivers[loop.DRIVER_ROWS + c * loop.DRIVER_ROWS_EACH :] for c in range(len(plants))]

    # canopy: an S curve of thermal units, fading towards maturity, thinner in a thin stand
    layer, age, zone = np.zeros(lane.mass.shape), np.zeros(lane.mass.shape), lane.root
    for c, plant in enumerate(plants):
        here = np.where((t > lane.up[c]) & (t < lane.dead[c]), 1.0, 0.0)
        since = np.maximum(of_component[c][loop.UNITS] - lane.units_up[c], 0.0)
        age[c] = np.minimum(since * plant[loop.PER_UNIT], 1.0)
        leaf = age[c] / (age[c] + np.exp(plant[loop.CURVE_1] - plant[loop.CURVE_2] * age[c]) + 1e-9)
        fading = np.minimum((1 - age[c]) / (1 - plant[loop.SENESCENCE]), 1.0)
        layer[c] = plant[loop.LAYER_MOST] * leaf * fading * here * lane.canopy_share[c]
        depth = np.minimum(plant[loop.ROOT_MOST], plant[loop.ROOT_START] + plant[loop.ROOT_RATE] * since) * here
        zone = np.maximum(zone, depth)
    layers = layer.sum(axis=0)
    covered = 1 - np.exp(-layers)
    grown = np.where(layers > 0, 1.0, 0.0)
    share = layer / np.maximum(layers, 1e-9)  # of the light and of the coefficients

    # water: the roots open soil as dry as it was at sowing, then rain and irrigation, then what is drawn
    root = np.maximum(lane.root, zone * on)
    opened = (root - lane.root) * ground[loop.AVAILABLE] * (1 - ground[loop.START_SHARE])
    held = root * ground[loop.AVAILABLE]
    before = lane.depletion + opened
    basal = (share * plants[:, [loop.KCB]]).sum(axis=0)
    kcb = grown * (0.15 + (basal - 0.15) * covered)  # FAO-56 [97]
    demand = kcb * et0
    ready_share = (share * plants[:, [loop.READY_SHARE]]).sum(axis=0) + 0.04 * (5 - demand)
    ready_mm = np.clip(ready_share, 0.1, 0.8) * held
    watered = ground[loop.IRRIGATED] * on * np.where(before > ready_mm, before, 0.0)
    balance = before - rain - watered
    drained = np.maximum(-balance, 0.0)  # [88]
    balance = np.maximum(balance, 0.0)
    wet = np.minimum(np.maximum(lane.surface - rain - watered, 0.0), balance)  # [79], no drier than the whole
    stress = np.clip((held - balance) / np.maximum(held - ready_mm, 1e-9), 0.0, 1.0)  # [84]
    transpired = np.minimum(stress * demand * on, np.maximum(held - balance, 0.0))
    evaporable, readily = ground[loop.EVAPORABLE], ground[loop.READILY_EVAPORABLE]
    kr = np.clip((evaporable - wet) / max(evaporable - readily, 1e-9), 0.0, 1.0)  # [74]
    exposed = np.maximum(1 - covered, 0.01)  # [75]
    ceiling = np.maximum(1.2, kcb + 0.05)  # [72]
    ke = np.minimum(kr * (ceiling - kcb), exposed * ceiling)  # [71]
    left = np.maximum(held + ground[loop.BELOW_WILTING] - balance - transpired, 0.0)
    evaporated = np.minimum(np.minimum(ke * et0 * on, exposed * np.maximum(evaporable - wet, 0.0)), left)
    balance = balance + transpired + evaporated
    day = {
        "rain": rain, "watered": watered, "opened": opened, "transpired": transpired, "evaporated": evaporated,
        "drained": drained, "depletion_before": lane.depletion, "depletion": balance,
        "surface_before": lane.surface, "surface": wet + evaporated / exposed,
        "kcb": kcb, "exposed": exposed, "held": held, "ready_mm": ready_mm, "stress": stress,
    }  # fmt: skip
    lane.days.append(day)
    lane.root, lane.depletion, lane.surface = root, day["depletion"], day["surface"]
    for name in ("rain", "watered", "opened", "transpired", "evaporated", "drained"):
        lane.add(name, day[name])

    # nitrogen: what the soil has given since sowing against what the stand needs by now
    lane.supply = lane.supply + drivers[loop.SOIL_NITROGEN] * on
    need = sum(critical_nitrogen(m, plant, d) for m, plant, d in zip(lane.mass, plants, dilution, strict=True))
    fed = np.clip((np.minimum(lane.supply / np.maximum(need, 1e-9), 1.0) - 0.4) / 0.6, 0.0, 1.0)
    lane.add("water_sum", stress * grown * on)
    lane.add("nitrogen_sum", fed * grown * on)
    lane.add("canopy_days", grown * on)

    # growth: light x the scarcest of warmth, water and nitrogen x heat; legumes fill their own nitrogen gap
    for c, plant in enumerate(plants):
        limit = np.minimum(of_component[c][loop.WARMTH], stress)
        limit = np.minimum(limit, np.maximum(fed, plant[loop.LEGUME])) * of_component[c][loop.HEAT]
        shoot = plant[loop.SHOOT_YOUNG] + (plant[loop.SHOOT_RIPE] - plant[loop.SHOOT_YOUNG]) * age[c]
        caught = light_mj_m2 * covered * share[c]
        lane.mass[c] = lane.mass[c] + plant[loop.LIGHT_USE] * caught * limit * shoot * on

    # targets
    for k, target in enumerate(targets):
        got = target[0] * covered + (target[2:, None] * lane.mass).sum(axis=0)
        hit = (got >= target[1]) & (t <= lane.last_day)
        lane.reached[k] = np.where(hit, np.minimum(lane.reached[k], t), lane.reached[k])


def run(job: loop.Job, dilution: list[Dilution]) -> list[Lanes]:
    """Every sowing date of a job, with the dilution curve of each component."""
    components, wanted = job.plants.shape[0], job.targets.shape[0]
    drivers, plants, ground, targets = (a.astype(float) for a in (job.drivers, job.plants, job.ground, job.targets))
    lanes = [read_lanes(rows, components, wanted) for rows in job.lanes]
    for t in range(drivers.shape[0]):
        for first, lane in zip(job.first_day, lanes, strict=True):
            if first <= t:
                grow_one_day(lane, t, drivers[t], plants, ground, targets, dilution)
    return lanes
