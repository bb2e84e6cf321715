"""The same season as the compiled day loop, the three ways one would otherwise write it.

Every rival gets the same drivers, the same numbers of plants and soil, and does the whole of a day: canopy and
shared light, water by the dual crop coefficient, nitrogen, growth, targets. All stop a lane on its last day.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import exp, sqrt
from typing import NamedTuple

import numpy as np
import pandas as pd

from greengap.process import day_loop as loop


class Job(NamedTuple):
    """One call of the compiled loop, with arrays in shape."""

    first_day: np.ndarray  # (sowing,)
    drivers: np.ndarray  # (day, row, WIDTH)
    lanes: np.ndarray  # (sowing, row, WIDTH)
    plants: np.ndarray
    ground: np.ndarray
    targets: np.ndarray

    @property
    def components(self) -> int:
        return self.plants.shape[0]

    def real(self) -> list[tuple[int, int, int]]:
        """Sowing, weather year and number of days of every lane that is not padding."""
        last = self.lanes[:, loop.LAST_DAY].astype(int)
        return [(s, y, last[s, y] - self.first_day[s] + 1) for s, y in zip(*np.nonzero(last >= 0), strict=True)]


# -- NumPy: days in Python, lanes in arrays --------------------------------------------------------


class Batch(NamedTuple):
    """Lanes of many jobs with as many components, longest first, each counted from its own sowing day."""

    days: np.ndarray  # (lane,)
    drivers: np.ndarray  # (day, row, lane)
    state: np.ndarray  # (row, lane): rows of `day_loop`
    plants: np.ndarray  # (component, PLANT_NUMBERS, lane)
    ground: np.ndarray  # (GROUND_NUMBERS, lane)
    targets: np.ndarray  # (target, 2 + component, lane)
    first_day: np.ndarray  # (lane,)
    places: list[tuple[int, int, int]]  # job, sowing, year of each lane


def make_batches(jobs: list[Job], lanes: int, dtype: type) -> list[Batch]:
    """Sort the lanes by length and cut them into batches of so many."""
    out = []
    for components in sorted({job.components for job in jobs}):
        every = [(d, j, s, y) for j, job in enumerate(jobs) if job.components == components for s, y, d in job.real()]
        every.sort(key=lambda lane: (-lane[0], *lane[1:]))
        for low in range(0, len(every), lanes):
            some = every[low : low + lanes]
            drivers = np.zeros((some[0][0], jobs[some[0][1]].drivers.shape[1], len(some)), dtype)
            for i, (d, j, s, y) in enumerate(some):
                first = jobs[j].first_day[s]
                drivers[:d, :, i] = jobs[j].drivers[first : first + d, :, y]
            first_day = np.array([jobs[j].first_day[s] for _, j, s, _ in some])
            state = np.stack([jobs[j].lanes[s, :, y] for _, j, s, y in some], axis=1).astype(dtype)
            for c in range(components):
                at = loop.LANE_ROWS + c * loop.LANE_ROWS_EACH
                for row in (loop.UP, loop.DEAD):
                    state[at + row] -= first_day
            out.append(
                Batch(
                    np.array([d for d, *_ in some]),
                    drivers,
                    state,
                    np.stack([jobs[j].plants for _, j, *_ in some], axis=2).astype(dtype),
                    np.stack([jobs[j].ground for _, j, *_ in some], axis=1).astype(dtype),
                    np.stack([jobs[j].targets for _, j, *_ in some], axis=2).astype(dtype),
                    first_day,
                    [(j, s, y) for _, j, s, y in some],
                )
            )
    return out


def run_numpy(batch: Batch) -> dict[str, np.ndarray]:
    """Mass (component, lane), water added (lane,) and days of the targets (target, lane), counted in the gap."""
    dtype, components = batch.state.dtype.type, batch.plants.shape[0]
    every = batch.state
    at = [loop.LANE_ROWS + c * loop.LANE_ROWS_EACH for c in range(components)]
    up, dead, canopy, units_up = (
        np.stack([every[a + row] for a in at]) for row in (loop.UP, loop.DEAD, loop.CANOPY_SHARE, loop.UNITS_UP)
    )
    mass = np.zeros(up.shape, dtype)
    surface, depletion, root, supply = (
        every[row].copy() for row in (loop.SURFACE, loop.DEPLETION, loop.ROOT, loop.SUPPLY)
    )
    watered, transpired, evaporated, drained, rained = (np.zeros(batch.days.size, dtype) for _ in range(5))
    water_sum, nitrogen_sum, canopy_days = (np.zeros(batch.days.size, dtype) for _ in range(3))
    reached = np.full((batch.targets.shape[0], batch.days.size), loop.NEVER, dtype)
    p = {
        name: batch.plants[:, getattr(loop, name)]
        for name in (
            "PER_UNIT", "LAYER_MOST", "CURVE_1", "CURVE_2", "SENESCENCE", "LIGHT_USE", "SHOOT_YOUNG", "SHOOT_RIPE",
            "LEGUME", "KCB", "READY_SHARE", "ROOT_START", "ROOT_RATE", "ROOT_MOST", "CRITICAL_FROM", "CRITICAL_LOW",
            "CRITICAL_0", "CRITICAL_1", "CRITICAL_2", "CRITICAL_3", "CRITICAL_4",
        )
    }  # fmt: skip
    g = batch.ground
    available, dry_share, evaporable = g[loop.AVAILABLE], 1 - g[loop.START_SHARE], g[loop.EVAPORABLE]
    per_evaporable = 1 / np.maximum(evaporable - g[loop.READILY_EVAPORABLE], dtype(1e-9))
    alive = np.searchsorted(-batch.days, -np.arange(batch.drivers.shape[0]))  # lanes with more days than t
    for t, n in enumerate(alive):
        w, cut = batch.drivers[t, :, :n], slice(0, n)
        part = [w[loop.DRIVER_ROWS + c * loop.DRIVER_ROWS_EACH :] for c in range(components)]
        layer, age = np.empty((components, n), dtype), np.empty((components, n), dtype)
        zone, need = root[cut], np.zeros(n, dtype)
        for c in range(components):
            here = (t > up[c, cut]) & (t < dead[c, cut])
            since = np.maximum(part[c][loop.UNITS] - units_up[c, cut], 0)
            f = age[c] = np.minimum(since * p["PER_UNIT"][c, cut], 1)
            leaf = f / (f + np.exp(p["CURVE_1"][c, cut] - p["CURVE_2"][c, cut] * f) + dtype(1e-9))
            fading = np.minimum((1 - f) / (1 - p["SENESCENCE"][c, cut]), 1)
            layer[c] = p["LAYER_MOST"][c, cut] * leaf * fading * here * canopy[c, cut]
            deep = np.minimum(p["ROOT_MOST"][c, cut], p["ROOT_START"][c, cut] + p["ROOT_RATE"][c, cut] * since)
            zone = np.maximum(zone, deep * here)
            heavy = mass[c, cut] * dtype(0.001)
            thins = p["CRITICAL_FROM"][c, cut]
            q = np.sqrt(np.sqrt(np.maximum(heavy, thins)))
            curve = p["CRITICAL_3"][c, cut] + q * p["CRITICAL_4"][c, cut]
            for name in ("CRITICAL_2", "CRITICAL_1", "CRITICAL_0"):
                curve = p[name][c, cut] + q * curve
            need += np.where(heavy > thins, curve, p["CRITICAL_LOW"][c, cut] * heavy)
        layers = layer.sum(axis=0)
        covered = -np.expm1(-layers)
        grown = layers > 0
        share = layer / np.maximum(layers, dtype(1e-9))
        et0, rain = w[loop.ET0], w[loop.RAIN]
        opened = (zone - root[cut]) * available[cut] * dry_share[cut]
        root[cut] = zone
        held = zone * available[cut]
        before = depletion[cut] + opened
        kcb = grown * (dtype(0.15) + ((share * p["KCB"][:, cut]).sum(axis=0) - dtype(0.15)) * covered)
        etc = kcb * et0
        ready = (share * p["READY_SHARE"][:, cut]).sum(axis=0) + dtype(0.04) * (5 - etc)
        ready_mm = np.minimum(np.maximum(ready, dtype(0.1)), dtype(0.8)) * held
        water_mm = g[loop.IRRIGATED, cut] * before * (before > ready_mm)
        balance = before - rain - water_mm
        gone, balance = np.maximum(-balance, 0), np.maximum(balance, 0)
        wet = np.minimum(np.maximum(surface[cut] - rain - water_mm, 0), balance)
        short = (held - balance) / np.maximum(held - ready_mm, dtype(1e-9))
        stress = np.minimum(np.maximum(short, 0), 1)
        use = np.minimum(stress * etc, np.maximum(held - balance, 0))
        kr = np.minimum(np.maximum((evaporable[cut] - wet) * per_evaporable[cut], 0), 1)
        exposed = np.maximum(1 - covered, dtype(0.01))
        ceiling = np.maximum(dtype(1.2), kcb + dtype(0.05))
        ke = np.minimum(kr * (ceiling - kcb), exposed * ceiling)
        left = np.maximum(held + g[loop.BELOW_WILTING, cut] - balance - use, 0)
        loss = np.minimum(np.minimum(ke * et0, exposed * np.maximum(evaporable[cut] - wet, 0)), left)
        depletion[cut], surface[cut] = balance + use + loss, wet + loss / exposed
        for total, amount in (
            (watered, water_mm), (transpired, use), (evaporated, loss), (drained, gone), (rained, rain),
            (water_sum, stress * grown), (canopy_days, grown),
        ):  # fmt: skip
            total[cut] += amount
        supply[cut] += w[loop.SOIL_NITROGEN]
        ratio = np.minimum(supply[cut] / np.maximum(need, dtype(1e-9)), 1)
        fed = np.minimum(np.maximum((ratio - dtype(0.4)) / dtype(0.6), 0), 1)
        nitrogen_sum[cut] += fed * grown
        for c in range(components):
            limit = np.minimum(part[c][loop.WARMTH], stress)
            limit = np.minimum(limit, np.maximum(fed, p["LEGUME"][c, cut])) * part[c][loop.HEAT]
            young = p["SHOOT_YOUNG"][c, cut]
            shoot = young + (p["SHOOT_RIPE"][c, cut] - young) * age[c]
            mass[c, cut] += p["LIGHT_USE"][c, cut] * (w[loop.LIGHT] * covered * share[c]) * limit * shoot
        for k in range(reached.shape[0]):
            got = batch.targets[k, 0, cut] * covered
            for c in range(components):
                got += batch.targets[k, 2 + c, cut] * mass[c, cut]
            hit = got >= batch.targets[k, 1, cut]
            reached[k, cut] = np.where(hit, np.minimum(reached[k, cut], t), reached[k, cut])
    reached = np.where(reached < loop.NEVER, reached + batch.first_day, reached)
    return {"mass": mass, "watered": watered, "reached": reached}


# -- plain Python: one lane, one day, one number at a time -----------------------------------------


class Lane(NamedTuple):
    """One option in one weather year as plain numbers."""

    days: list[tuple[float, ...]]  # rows of the drivers, from sowing
    state: list[float]
    plants: list[list[float]]
    ground: list[float]
    targets: list[list[float]]
    first_day: int
    table: pd.DataFrame  # the same days, as a script would hold them


def make_lane(job: Job, sowing: int, year: int, days: int) -> Lane:
    first = int(job.first_day[sowing])
    rows = job.drivers[first : first + days, :, year].astype(float)
    names = ["et0", "rain", "light", "soil_nitrogen"]
    names += [f"{name}_{c}" for c in range(job.components) for name in ("units", "warmth", "heat")]
    numbers = (job.lanes[sowing, :, year], job.plants, job.ground, job.targets)
    state, plants, ground, targets = (n.astype(float).tolist() for n in numbers)
    table = pd.DataFrame(rows, columns=names)
    return Lane([tuple(r) for r in rows.tolist()], state, plants, ground, targets, first, table)


def run_lane(lane: Lane, days: Iterable[tuple[float, ...]]) -> tuple[list[float], float, list[float]]:
    """Mass of each component, water added, day of each target."""
    s, g, plants = lane.state, lane.ground, lane.plants
    at = [loop.LANE_ROWS + c * loop.LANE_ROWS_EACH for c in range(len(plants))]
    mass, reached = [0.0] * len(plants), [loop.NEVER] * len(lane.targets)
    surface, depletion, root, supply = s[loop.SURFACE], s[loop.DEPLETION], s[loop.ROOT], s[loop.SUPPLY]
    watered = transpired = evaporated = drained = rained = water_sum = nitrogen_sum = canopy_days = 0.0
    available, evaporable = g[loop.AVAILABLE], g[loop.EVAPORABLE]
    span = max(evaporable - g[loop.READILY_EVAPORABLE], 1e-9)
    for t, day in enumerate(days, start=lane.first_day):
        et0, rain, light, soil_nitrogen = day[:4]
        layer, age, zone, need = [], [], root, 0.0
        for c, p in enumerate(plants):
            a = at[c]
            since = max(day[4 + 3 * c] - s[a + loop.UNITS_UP], 0.0)
            f = min(since * p[loop.PER_UNIT], 1.0)
            age.append(f)
            if s[a + loop.UP] < t < s[a + loop.DEAD]:
                leaf = f / (f + exp(p[loop.CURVE_1] - p[loop.CURVE_2] * f) + 1e-9)
                fading = min((1 - f) / (1 - p[loop.SENESCENCE]), 1.0)
                layer.append(p[loop.LAYER_MOST] * leaf * fading * s[a + loop.CANOPY_SHARE])
                zone = max(zone, min(p[loop.ROOT_MOST], p[loop.ROOT_START] + p[loop.ROOT_RATE] * since))
            else:
                layer.append(0.0)
            heavy = mass[c] * 0.001
            if heavy > p[loop.CRITICAL_FROM]:
                q = sqrt(sqrt(heavy))
                c0, c1, c2, c3, c4 = p[loop.CRITICAL_0 : loop.CRITICAL_4 + 1]
                need += c0 + q * (c1 + q * (c2 + q * (c3 + q * c4)))
            else:
                need += p[loop.CRITICAL_LOW] * heavy
        layers = sum(layer)
        covered = 1 - exp(-layers)
        share = [one / layers for one in layer] if layers > 1e-9 else [one / 1e-9 for one in layer]
        kcb = 0.0
        if layers > 0:
            kcb = 0.15 + (sum(x * p[loop.KCB] for x, p in zip(share, plants, strict=True)) - 0.15) * covered
        opened = (zone - root) * available * (1 - g[loop.START_SHARE])
        root = zone
        held, before, etc = root * available, depletion + opened, kcb * et0
        ready = sum(x * p[loop.READY_SHARE] for x, p in zip(share, plants, strict=True)) + 0.04 * (5 - etc)
        ready_mm = min(max(ready, 0.1), 0.8) * held
        water_mm = before if g[loop.IRRIGATED] and before > ready_mm else 0.0
        balance = before - rain - water_mm
        gone, balance = max(-balance, 0.0), max(balance, 0.0)
        wet = min(max(surface - rain - water_mm, 0.0), balance)
        stress = min(max((held - balance) / max(held - ready_mm, 1e-9), 0.0), 1.0)
        use = min(stress * etc, max(held - balance, 0.0))
        kr = min(max((evaporable - wet) / span, 0.0), 1.0)
        exposed, ceiling = max(1 - covered, 0.01), max(1.2, kcb + 0.05)
        ke = min(kr * (ceiling - kcb), exposed * ceiling)
        left = max(held + g[loop.BELOW_WILTING] - balance - use, 0.0)
        loss = min(ke * et0, exposed * max(evaporable - wet, 0.0), left)
        depletion, surface = balance + use + loss, wet + loss / exposed
        watered += water_mm
        transpired += use
        evaporated += loss
        drained += gone
        rained += rain
        supply += soil_nitrogen
        fed = min(max((min(supply / max(need, 1e-9), 1.0) - 0.4) / 0.6, 0.0), 1.0)
        if layers > 0:
            water_sum += stress
            nitrogen_sum += fed
            canopy_days += 1
        for c, p in enumerate(plants):
            limit = min(day[5 + 3 * c], stress, max(fed, p[loop.LEGUME])) * day[6 + 3 * c]
            shoot = p[loop.SHOOT_YOUNG] + (p[loop.SHOOT_RIPE] - p[loop.SHOOT_YOUNG]) * age[c]
            mass[c] += p[loop.LIGHT_USE] * light * covered * share[c] * limit * shoot
        for k, target in enumerate(lane.targets):
            got = target[0] * covered + sum(x * m for x, m in zip(target[2:], mass, strict=True))
            if got >= target[1] and reached[k] > t:
                reached[k] = float(t)
    return mass, watered, reached


def days_by_iterrows(table: pd.DataFrame) -> Iterator[tuple[float, ...]]:
    """The days of a table as `DataFrame.iterrows` gives them, each column read by its name."""
    names = list(table.columns)
    for _, row in table.iterrows():
        yield tuple(row[name] for name in names)
