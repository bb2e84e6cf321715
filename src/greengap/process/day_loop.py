"""The compiled day loop: light, growth, nitrogen and water of every sowing date in every weather year.

What does not depend on growth (emergence, flower, seed, frost) is known before the loop starts; the
loop carries only what one day hands to the next. `tests/process/day_loop_reference.py` says the same
in plain float64 Python.

Shape of the code: a compiler packs a loop only if it can prove that rows do not overlap. So all rows
of a sowing date lie in one flat array at distances that are known when the kernel is built (`WIDTH`
weather years, number of components and targets), and nothing in the inner loop needs exp, pow or a
table: they are short polynomials.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Float = NDArray[np.float32]

WIDTH = 32  # weather years in a block of lanes: four registers of 256 bits
NEVER = 1.0e6  # a day that does not come

# Rows of a day's drivers, then three for each component.
ET0, RAIN, LIGHT, SOIL_NITROGEN, DRIVER_ROWS = 0, 1, 2, 3, 4
UNITS, WARMTH, HEAT, DRIVER_ROWS_EACH = 0, 1, 2, 3

# Rows of a sowing date: what is given, what is carried and handed back, what is scratch.
(
    LAST_DAY, SURFACE, DEPLETION, ROOT, TRANSPIRED, EVAPORATED, DRAINED, WATERED, RAINED, OPENED,
    WATER_SUM, NITROGEN_SUM, CANOPY_DAYS, SUPPLY, LAYERS, BASAL, READY, ZONE, COVER, WATER, FED, NEED, LANE_ROWS,
) = range(23)  # fmt: skip
UP, DEAD, CANOPY_SHARE, UNITS_UP, MASS, LAYER, AGE, LANE_ROWS_EACH = range(8)

# Numbers of a component.
(
    PER_UNIT, LAYER_MOST, CURVE_1, CURVE_2, SENESCENCE, LIGHT_USE, SHOOT_YOUNG, SHOOT_RIPE, LEGUME, KCB, READY_SHARE,
    ROOT_START, ROOT_RATE, ROOT_MOST, CRITICAL_FROM, CRITICAL_LOW, CRITICAL_0, CRITICAL_1, CRITICAL_2, CRITICAL_3,
    CRITICAL_4, PLANT_NUMBERS,
) = range(22)  # fmt: skip
# Numbers of the soil.
AVAILABLE, START_SHARE, EVAPORABLE, READILY_EVAPORABLE, BELOW_WILTING, IRRIGATED, GROUND_NUMBERS = range(7)


class Job(NamedTuple):
    """One cover in one gap, `WIDTH` weather years side by side.

    Attributes
    ----------
    first_day : ndarray of int, shape (sowing,)
        Day of the gap on which each sowing date begins, early ones first.
    drivers : ndarray, shape (day, DRIVER_ROWS + component * DRIVER_ROWS_EACH, WIDTH)
        Reference evapotranspiration [mm], rain after runoff [mm], light [MJ m-2], nitrogen mineralised
        [kg ha-1]; for each component the running sum of canopy units [°C d], temperature factor, heat factor.
    lanes : ndarray, shape (sowing, LANE_ROWS + component * LANE_ROWS_EACH + target, WIDTH)
        Given: last day of growth, evaporation layer's depletion at sowing [mm], nitrogen in the soil
        [kg ha-1] (`SUPPLY`); for each component the day it is up, the day it is dead, its canopy's share
        of a full one, its units on the day it is up. Days are days of the gap. The rest is written.
    plants : ndarray, shape (component, PLANT_NUMBERS)
    ground : ndarray, shape (GROUND_NUMBERS,)
    targets : ndarray, shape (target, 2 + component)
        1 if it is a share of the ground, the amount, and the amount for each kg of dry matter of a component.
    """

    first_day: NDArray[np.int64]
    drivers: Float
    lanes: Float
    plants: Float
    ground: Float
    targets: Float


ZERO, ONE, TWO, TINY = np.float32(0), np.float32(1), np.float32(2), np.float32(1e-9)
KC_CEILING, KC_ROOM = np.float32(1.2), np.float32(0.05)  # FAO-56 eq. 72, in the climate of its tables
KCB_FLOOR = np.float32(0.15)  # FAO-56 eq. 97: basal coefficient of a scarce canopy
READY_SLOPE, READY_AT = np.float32(0.04), np.float32(5)  # FAO-56 table 22, note 2
READY_LEAST, READY_MOST = np.float32(0.1), np.float32(0.8)
EXPOSED_LEAST = np.float32(0.01)  # FAO-56 eq. 75
NITROGEN_NONE, NITROGEN_SPAN = np.float32(0.4), np.float32(0.6)  # no growth at 40 % of critical, full at 100 %


@njit(inline="always")
def fast_expm1(x: Any) -> Any:
    """exp(x) - 1 for -20 < x < 7 within 2e-6 of itself, near zero too; packs where expm1 does not.

    Five terms at x / 64, then six times ``(1 + m)**2 - 1 = m * (m + 2)``, which loses no digits of a thin canopy.
    """
    z = x * np.float32(1 / 64)
    m = np.float32(1 / 24) + z * np.float32(1 / 120)
    m = z * (ONE + z * (np.float32(1 / 2) + z * (np.float32(1 / 6) + z * m)))
    m = m * (m + TWO)
    m = m * (m + TWO)
    m = m * (m + TWO)
    m = m * (m + TWO)
    m = m * (m + TWO)
    return m * (m + TWO)


def is_compiled() -> bool:
    """True if the compiled loop of an earlier run lies on disk."""
    folder = bare_days.stats.cache_path
    return folder is not None and any(Path(folder).glob("day_loop.*.nbi"))


@njit(nogil=True, cache=True)
def bare_days(rain, et0, available_mm, evaporable, readily, below_wilting):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Bare ground through a record: depletion of the evaporation layer, evaporation and drainage of each day [mm].

    The same as `greengap.process.soil_water.bare_balance`, in one pass.
    """
    surface, lost, gone = np.zeros(rain.size), np.zeros(rain.size), np.zeros(rain.size)
    dr = de = 0.0
    for t in range(rain.size):
        balance = max(dr - rain[t], 0.0)
        wet = min(max(de - rain[t], 0.0), balance)
        gone[t] = max(rain[t] - dr, 0.0)
        kr = min(max((evaporable - wet) / max(evaporable - readily, 1e-9), 0.0), 1.0)
        left = max(available_mm + below_wilting - balance, 0.0)
        loss = min(min(kr * 1.2 * et0[t], max(evaporable - wet, 0.0)), left)
        dr, de = balance + loss, wet + loss
        surface[t], lost[t] = de, loss
    return surface, lost, gone


@lru_cache(maxsize=16)
def day_loop(components: int, wanted: int) -> Callable[..., None]:
    """The kernel for a number of components and targets, compiled once and kept on disk.

    Order of a day: canopy and light; rain, evaporation and transpiration; nitrogen; growth; targets.
    Water follows `greengap.process.soil_water.water_step`, FAO-56 chapter 8 (dual crop coefficient).
    Components share light by their leaf layers (Beer's law on the sum), water by one root zone, soil
    nitrogen by demand; legumes fill their own gap. That rule of sharing is a choice of this project.
    """
    driver_rows = (DRIVER_ROWS + components * DRIVER_ROWS_EACH) * WIDTH
    lane_rows = (LANE_ROWS + components * LANE_ROWS_EACH + wanted) * WIDTH
    parts = LANE_ROWS * WIDTH
    each = LANE_ROWS_EACH * WIDTH
    goals = parts + components * each
    given = DRIVER_ROWS * WIDTH
    given_each = DRIVER_ROWS_EACH * WIDTH

    @njit(nogil=True, cache=True, error_model="numpy", fastmath=True)
    def run(first_day, drivers, lanes, plants, ground, targets):  # type: ignore[no-untyped-def]  # pragma: no cover
        days, sowings = drivers.size // driver_rows, first_day.size  # both arrays come flat
        available, dry_share = ground[AVAILABLE], ONE - ground[START_SHARE]
        evaporable, irrigated = ground[EVAPORABLE], ground[IRRIGATED]
        per_evaporable = ONE / max(evaporable - ground[READILY_EVAPORABLE], TINY)
        below_wilting = ground[BELOW_WILTING]
        for s in range(sowings):
            a = lanes[s * lane_rows : (s + 1) * lane_rows]
            end = np.float32(-1)
            for y in range(WIDTH):
                end = max(end, a[LAST_DAY * WIDTH + y])
            for t in range(first_day[s], min(days, int(end) + 1)):
                now = np.float32(t)
                w = drivers[t * driver_rows : (t + 1) * driver_rows]
                for c in range(components):
                    o, i = parts + c * each, given + c * given_each
                    more = ZERO if c == 0 else ONE  # the first component opens the day's sums
                    none = ONE - more
                    per_unit, most = plants[c, PER_UNIT], plants[c, LAYER_MOST]
                    curve_1, curve_2, late = plants[c, CURVE_1], plants[c, CURVE_2], plants[c, SENESCENCE]
                    per_late = ONE / (ONE - late)
                    kcb, ready = plants[c, KCB], plants[c, READY_SHARE]
                    start, rate, deepest = plants[c, ROOT_START], plants[c, ROOT_RATE], plants[c, ROOT_MOST]
                    thins, low = plants[c, CRITICAL_FROM], plants[c, CRITICAL_LOW]
                    c0, c1 = plants[c, CRITICAL_0], plants[c, CRITICAL_1]
                    c2, c3, c4 = plants[c, CRITICAL_2], plants[c, CRITICAL_3], plants[c, CRITICAL_4]
                    for y in range(WIDTH):
                        here = ONE if (now > a[o + UP * WIDTH + y]) & (now < a[o + DEAD * WIDTH + y]) else ZERO
                        since = max(w[i + UNITS * WIDTH + y] - a[o + UNITS_UP * WIDTH + y], ZERO)
                        age = min(since * per_unit, ONE)
                        a[o + AGE * WIDTH + y] = age
                        leaf = age / (age + max(ONE + fast_expm1(curve_1 - curve_2 * age), ZERO) + TINY)
                        fading = min((ONE - age) * per_late, ONE)
                        layer = most * leaf * fading * here * a[o + CANOPY_SHARE * WIDTH + y]
                        a[o + LAYER * WIDTH + y] = layer
                        a[LAYERS * WIDTH + y] = more * a[LAYERS * WIDTH + y] + layer
                        a[BASAL * WIDTH + y] = more * a[BASAL * WIDTH + y] + layer * kcb
                        a[READY * WIDTH + y] = more * a[READY * WIDTH + y] + layer * ready
                        zone = min(deepest, start + rate * since) * here
                        a[ZONE * WIDTH + y] = max(none * a[ROOT * WIDTH + y] + more * a[ZONE * WIDTH + y], zone)
                        mass = a[o + MASS * WIDTH + y] * np.float32(0.001)
                        q = np.sqrt(np.sqrt(max(mass, thins)))
                        curve = c0 + q * (c1 + q * (c2 + q * (c3 + q * c4)))
                        a[NEED * WIDTH + y] = more * a[NEED * WIDTH + y] + (curve if mass > thins else low * mass)
                for y in range(WIDTH):
                    on = ONE if now <= a[LAST_DAY * WIDTH + y] else ZERO
                    layers = a[LAYERS * WIDTH + y]
                    covered = -fast_expm1(-layers)
                    per_layer = ONE / max(layers, TINY)
                    grown = ONE if layers > ZERO else ZERO
                    kcb_full = a[BASAL * WIDTH + y] * per_layer
                    kcb = grown * (KCB_FLOOR + (kcb_full - KCB_FLOOR) * covered)
                    et0, rain = w[ET0 * WIDTH + y], w[RAIN * WIDTH + y] * on
                    # roots reach soil that is as dry as the zone was at sowing
                    root = a[ROOT * WIDTH + y]
                    deeper = max(root, a[ZONE * WIDTH + y] * on)
                    opened = (deeper - root) * available * dry_share
                    a[ROOT * WIDTH + y] = deeper
                    a[OPENED * WIDTH + y] += opened
                    held = deeper * available
                    before = a[DEPLETION * WIDTH + y] + opened
                    etc = kcb * et0
                    share = a[READY * WIDTH + y] * per_layer + READY_SLOPE * (READY_AT - etc)
                    ready_mm = min(max(share, READY_LEAST), READY_MOST) * held
                    water_mm = irrigated * on * (before if before > ready_mm else ZERO)
                    balance = before - rain - water_mm
                    drained = max(-balance, ZERO)
                    balance = max(balance, ZERO)
                    # the top is part of the root zone: it lacks no more than the whole
                    wet = min(max(a[SURFACE * WIDTH + y] - rain - water_mm, ZERO), balance)
                    stress = min(max((held - balance) / max(held - ready_mm, TINY), ZERO), ONE)
                    use = min(stress * etc * on, max(held - balance, ZERO))
                    kr = min(max((evaporable - wet) * per_evaporable, ZERO), ONE)
                    exposed = max(ONE - covered, EXPOSED_LEAST)
                    ceiling = max(KC_CEILING, kcb + KC_ROOM)
                    ke = min(kr * (ceiling - kcb), exposed * ceiling)
                    left = max(held + below_wilting - balance - use, ZERO)
                    loss = min(min(ke * et0 * on, exposed * max(evaporable - wet, ZERO)), left)
                    a[DEPLETION * WIDTH + y] = balance + use + loss
                    a[SURFACE * WIDTH + y] = wet + loss / exposed
                    a[TRANSPIRED * WIDTH + y] += use
                    a[EVAPORATED * WIDTH + y] += loss
                    a[DRAINED * WIDTH + y] += drained
                    a[WATERED * WIDTH + y] += water_mm
                    a[RAINED * WIDTH + y] += rain
                    a[COVER * WIDTH + y] = covered
                    a[WATER * WIDTH + y] = stress
                    a[WATER_SUM * WIDTH + y] += stress * grown * on
                    a[CANOPY_DAYS * WIDTH + y] += grown * on
                    supply = a[SUPPLY * WIDTH + y] + w[SOIL_NITROGEN * WIDTH + y] * on
                    a[SUPPLY * WIDTH + y] = supply
                    ratio = supply / max(a[NEED * WIDTH + y], TINY)
                    fed = min(max((min(ratio, ONE) - NITROGEN_NONE) / NITROGEN_SPAN, ZERO), ONE)
                    a[FED * WIDTH + y] = fed
                    a[NITROGEN_SUM * WIDTH + y] += fed * grown * on
                for c in range(components):
                    o, i = parts + c * each, given + c * given_each
                    use_of_light, legume = plants[c, LIGHT_USE], plants[c, LEGUME]
                    young, riper = plants[c, SHOOT_YOUNG], plants[c, SHOOT_RIPE] - plants[c, SHOOT_YOUNG]
                    for y in range(WIDTH):
                        on = ONE if now <= a[LAST_DAY * WIDTH + y] else ZERO
                        own = a[o + LAYER * WIDTH + y] / max(a[LAYERS * WIDTH + y], TINY)
                        light = w[LIGHT * WIDTH + y] * a[COVER * WIDTH + y] * own
                        warm = min(w[i + WARMTH * WIDTH + y], a[WATER * WIDTH + y])
                        limit = min(warm, max(a[FED * WIDTH + y], legume)) * w[i + HEAT * WIDTH + y]
                        shoot = young + riper * a[o + AGE * WIDTH + y]
                        a[o + MASS * WIDTH + y] += use_of_light * light * limit * shoot * on
                for k in range(wanted):
                    on_cover, amount = targets[k, 0], targets[k, 1]
                    for y in range(WIDTH):
                        got = on_cover * a[COVER * WIDTH + y]
                        for c in range(components):
                            got += targets[k, 2 + c] * a[parts + c * each + MASS * WIDTH + y]
                        day = a[goals + k * WIDTH + y]
                        hit = (got >= amount) & (now <= a[LAST_DAY * WIDTH + y])
                        a[goals + k * WIDTH + y] = min(day, now) if hit else day

    return run
