"""Ground without a cover in a gap: when weeds come up, what a harrow, a tarp or a mower does to them, what is left.

Weeds come up by the same hydrothermal sums and the same curve as under a cover (`greengap.process.sowings`), from a
pool of the season's seedlings. Numbers are shares of that pool: how many it is, nobody has counted. A cleaning starts
the curve anew for those that are still to come, as a sowing does.

Arrays are of shape (gap, year) and (gap, year, day); gaps of a block stand one below the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import pandas as pd

from greengap.catalogue import Catalogue
from greengap.process.drivers import BlockDays
from greengap.process.nitrogen import leached_share
from greengap.process.soil_water import WaterStore, basal_coefficient, total_available_mm, water_step
from greengap.process.sowings import same_day
from greengap.process.weeds import seedlings_emerged, sum_at_share, weed_leaf_area

MOST_PASSES = 40  # a gap of three years, harrowed every ten days of its growing seasons, has fewer


class Stretch(NamedTuple):
    """Days that lie without a cover: from the first on which the ground is clean and ready to the last."""

    first: pd.Timestamp
    last: pd.Timestamp


@dataclass(frozen=True)
class WeedRules:
    """What is held of weeds and of what kills them; sums of soil degree-days [°C d], shares [-]."""

    half: float
    steepness: float
    flush_share: float
    kills: float
    kills_rooted: float
    tender_sum: float
    seed_sum: float
    first_share: float
    mown_at: float
    mown_seeding: float
    mown_left: float
    tarp_kills: float
    tarp_time_d: float

    @classmethod
    def of(cls, catalogue: Catalogue) -> WeedRules:
        """Those of the catalogue."""
        rule = catalogue.rule
        return cls(
            rule("weed_emergence_half_common_lambsquarters_sum"), rule("weed_emergence_steepness"), rule("flush_share"),
            rule("harrow_kills"), rule("harrow_kills_rooted"), rule("harrow_tender_sum"), rule("weed_seed_sum"),
            rule("weeds_first_share"), rule("weeds_mown_at"), rule("mown_seeding_share"), rule("mown_leaf_left"),
            rule("tarp_kills"), rule("tarp_time"),
        )  # fmt: skip

    def up(self, degc_d: np.ndarray) -> np.ndarray:
        """Share of the seedlings that are up after a sum; none before it has begun."""
        return np.where(degc_d > 0, seedlings_emerged(degc_d, self.half, self.steepness), 0.0)

    def sum_at(self, share: float) -> float:
        """Sum at which a share is up."""
        return float(sum_at_share(share, self.half, self.steepness))


class Weeds(NamedTuple):
    """What weeds do in a stretch, shares of the season's seedlings, shape (gap, year)."""

    up: np.ndarray  # come up until its last day
    standing: np.ndarray  # alive on its last day
    seeding: np.ndarray  # of them with ripe seed


def fit_for_harrow(rain_mm: np.ndarray, top_lacks_mm: np.ndarray, dry_mm: float, most_rain_mm: float) -> np.ndarray:
    """Days on which shallow work leaves no clods and what it pulls out dries up.

    Parameters
    ----------
    rain_mm, top_lacks_mm : ndarray, shape (day,)
        Rain, and what the evaporation layer lacks in the evening [mm].
    dry_mm : float
        It lacked at least so much the evening before [mm].
    most_rain_mm : float
        No more rain on the day, nor on the day after [mm].

    Returns
    -------
    ndarray of bool, shape (day,)
        The last day of a record is never fit: the day after is not known.

    Examples
    --------
    >>> fit_for_harrow(np.array([0.0, 0.0, 8.0, 0.0, 0.0]), np.array([5.0, 8.0, 0.0, 2.0, 5.0]), 3.0, 2.0)
    array([False, False, False, False, False])
    >>> fit_for_harrow(np.array([0.0, 0.0, 0.0, 8.0]), np.array([5.0, 8.0, 9.0, 0.0]), 3.0, 2.0)
    array([False,  True, False, False])
    """
    calm = rain_mm <= most_rain_mm
    fit = np.zeros(rain_mm.size, dtype=bool)
    fit[1:-1] = (top_lacks_mm[:-2] >= dry_mm) & calm[1:-1] & calm[2:]
    return fit


def next_fit(fit: np.ndarray) -> np.ndarray:
    """Position of the first fit day at or after each day, shape (day + 1,); the length of the record if none comes.

    Examples
    --------
    >>> next_fit(np.array([False, True, False, False]))
    array([1, 1, 4, 4, 4])
    """
    position = np.where(np.append(fit, True), np.arange(fit.size + 1), fit.size)
    return np.minimum.accumulate(position[::-1])[::-1]


def passes_due(
    sums: np.ndarray, next_day: np.ndarray, start: np.ndarray, last: np.ndarray, first_sum: float, again_sum: float
) -> np.ndarray:
    """Days on which weeds are worked over: each time that a sum is reached, on the next fit day.

    Parameters
    ----------
    sums : ndarray, shape (day,)
        Running sum [°C d].
    next_day : ndarray of int, shape (day + 1,)
        From `next_fit`.
    start, last : ndarray of int, shape (gap, year)
        Positions of the first and last day; no pass comes after the last.
    first_sum, again_sum : float
        From the start to the first pass, and from each pass to the next [°C d].

    Returns
    -------
    ndarray of int, shape (pass, gap, year)
        Positions; the length of the record where there is none. Rising, as many as the fullest year has.
    """
    none, found, since, need = sums.size, [], start, first_sum
    for _ in range(MOST_PASSES):
        reached = np.searchsorted(sums, sums[np.minimum(since, none - 1)] + need, side="left")
        day = next_day[np.maximum(np.minimum(reached, none), np.minimum(since + 1, none))]
        day = np.where((since < none) & (day <= last), day, none)
        if (day == none).all():
            break
        found.append(day)
        since, need = day, again_sum
    return np.array(found, dtype=np.int64).reshape(len(found), *start.shape)


def weeds_harrowed(
    germination: np.ndarray,
    warmth: np.ndarray,
    start: np.ndarray,
    last: np.ndarray,
    passes: np.ndarray,
    rules: WeedRules,
) -> Weeds:
    """Weeds of ground that is worked over shallowly.

    Parameters
    ----------
    germination, warmth : ndarray, shape (day,)
        Running sums of weed seed and of weeds that are up [°C d].
    start, last : ndarray of int, shape (gap, year)
    passes : ndarray of int, shape (pass, gap, year)
        From `passes_due`.
    rules : WeedRules

    Notes
    -----
    A pass kills most seedlings that are young, fewer of those that came up more than a sum before and have rooted, and
    starts the curve anew for the rest of the pool. What a pass has missed counts as rooted at the next.
    """
    none = germination.size
    pool, since = np.ones(start.shape), start
    left, seeding, came = (np.zeros(start.shape) for _ in range(3))
    # What comes up before this sum has ripe seed on the last day, if nothing kills it.
    ripe_before = warmth[last] - rules.seed_sum
    ripe = np.minimum(np.searchsorted(warmth, ripe_before, side="right") - 1, last)
    for day in passes:
        is_on, at = day < none, np.minimum(day, last)
        flush = rules.up(germination[at] - germination[since])
        tender_from = np.searchsorted(warmth, warmth[at] - rules.tender_sum, side="right") - 1
        rooted = np.minimum(rules.up(germination[np.maximum(tender_from, since)] - germination[since]), flush)
        old = np.minimum(rules.up(germination[np.clip(ripe, since, at)] - germination[since]), flush)
        missed = rooted * (1 - rules.kills_rooted) + (flush - rooted) * (1 - rules.kills)
        missed_old = np.minimum(old, rooted) * (1 - rules.kills_rooted) + np.maximum(old - rooted, 0) * (
            1 - rules.kills
        )
        left = np.where(is_on, left * (1 - rules.kills_rooted) + pool * missed, left)
        seeding = np.where(is_on, seeding * (1 - rules.kills_rooted) + pool * missed_old, seeding)
        came = np.where(is_on, came + pool * flush, came)
        pool, since = np.where(is_on, pool * (1 - flush), pool), np.where(is_on, at, since)
    flush = rules.up(germination[last] - germination[since])
    old = np.minimum(rules.up(germination[np.clip(ripe, since, last)] - germination[since]), flush)
    return Weeds(came + pool * flush, left + pool * flush, seeding + pool * old)


def weeds_under_tarp(
    germination: np.ndarray, start: np.ndarray, last: np.ndarray, warm_d: np.ndarray, rules: WeedRules
) -> Weeds:
    """Weeds of ground under a light-proof tarp; in the dark none seeds.

    Parameters
    ----------
    warm_d : ndarray, shape (gap, year)
        Days with warm soil under the tarp [d]; fewer than the full time kill in proportion (a choice of this project).
    """
    up = rules.up(germination[last] - germination[start])
    killed = rules.tarp_kills * np.minimum(warm_d / rules.tarp_time_d, 1.0)
    return Weeds(up, up * (1 - killed), np.zeros(up.shape))


def mown_leaf_area(
    leaf_area: np.ndarray, warmth: np.ndarray, cuts: np.ndarray, left: float, growth: float
) -> np.ndarray:
    """Leaf area index of weeds that are mown, from that of weeds left alone.

    Parameters
    ----------
    leaf_area, warmth : ndarray, shape (gap, year, day)
        Of weeds left alone [-], and their running sum [°C d].
    cuts : ndarray of int, shape (cut, gap, year)
        Days of the stretch; any number beyond it for none.
    left : float
        Part of the leaf area that a cut leaves [-].
    growth : float
        Relative growth [1/(°C d)].

    Notes
    -----
    What is left grows on by the exponential law of `weed_leaf_area`, up to what weeds left alone would have.
    """
    area, days = leaf_area.copy(), np.arange(leaf_area.shape[-1])
    for cut in cuts:
        at = np.minimum(cut, days.size - 1)[..., None]
        stubble = left * np.take_along_axis(area, at, axis=-1)
        grown = np.exp(np.clip(growth * (warmth - np.take_along_axis(warmth, at, axis=-1)), -500.0, 500.0))
        area = np.where((days >= cut[..., None]), np.minimum(stubble * grown, area), area)
    return area


def weed_water(
    rain_mm: np.ndarray, et0_mm: np.ndarray, covered: np.ndarray, store: WaterStore, coefficient: float,
    dr_mm: np.ndarray, de_mm: np.ndarray, days: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """What the root zone lacks on the last day of each lane [mm].

    Parameters
    ----------
    rain_mm, et0_mm : ndarray, shape (day, lane)
        Rain that enters the ground, and reference evapotranspiration [mm].
    covered : ndarray, shape (day, ..., lane)
        Ground under weeds, 0 for bare ground [fraction].
    store : WaterStore
        Of each lane.
    coefficient : float
        Basal crop coefficient of closed weeds [-].
    dr_mm, de_mm : ndarray, shape (lane,)
        Depletion of the root zone and of the evaporation layer before the first day [mm].
    days : ndarray of int, shape (lane,)
        Days of each lane.
    """
    shape = covered.shape[1:]
    dr, de = np.broadcast_to(dr_mm, shape), np.broadcast_to(de_mm, shape)
    for day in range(covered.shape[0]):
        step = water_step(
            dr, de, rain_mm[day], et0_mm[day], store, basal_coefficient(covered[day], coefficient), 1 - covered[day]
        )
        on = day < days
        dr, de = np.where(on, step.dr_mm, dr), np.where(on, step.de_mm, de)
    return np.asarray(dr)


@dataclass
class CleanRun:
    """The stretches of one block in every weather year, arrays of shape (stretch, year).

    Attributes
    ----------
    ran : ndarray of bool
        Whether the weather is complete from 30 days before the stretch to its end.
    start, last : ndarray of int
        Positions in the weather record.
    """

    days: BlockDays
    catalogue: Catalogue
    stretches: Sequence[Stretch]
    years: np.ndarray

    def __post_init__(self) -> None:
        first, end = self.days.dates[0], self.days.dates.size - 1
        begins = [[int((same_day(s.first, y) - first).astype(int)) for y in self.years] for s in self.stretches]
        start = np.array(begins, dtype=np.int64).reshape(len(self.stretches), self.years.size)
        self.length = np.array([(s.last - s.first).days for s in self.stretches], dtype=np.int64)
        last = start + self.length[:, None]
        self.ran = (start >= 30) & (last <= end)
        missing = self.days.missing_before
        self.ran &= missing[np.clip(last + 1, 0, end + 1)] == missing[np.clip(start - 30, 0, end)]
        self.start, self.last = np.where(self.ran, start, 30), np.where(self.ran, last, 30)
        self.rules = WeedRules.of(self.catalogue)

    @cached_property
    def at(self) -> np.ndarray:
        """Position of each day of the longest stretch, shape (stretch, year, day); shorter ones stay on their last."""
        days = np.arange(int(self.length.max(initial=0)) + 1)
        return np.minimum(self.start[..., None] + days, self.last[..., None])

    @cached_property
    def flush(self) -> np.ndarray:
        """Share of the first flush that is up by each day of the stretches, shape (stretch, year, day)."""
        sums = self.days.weed_germination
        return self.rules.up(sums[self.at] - sums[self.start][..., None])

    @cached_property
    def harrowings(self) -> np.ndarray:
        """Positions of the passes, shape (pass, stretch, year)."""
        rule, need = self.catalogue.rule, self.rules.sum_at(self.rules.flush_share)
        fit = fit_for_harrow(self.days.rain, self.days.bare_surface_mm, rule("harrow_dry_top"), rule("harrow_rain"))
        return passes_due(self.days.weed_germination, next_fit(fit), self.start, self.last, need, need)

    @cached_property
    def mowings(self) -> np.ndarray:
        """Positions of the mowings, shape (pass, stretch, year)."""
        fit = next_fit(self.days.rain <= self.catalogue.rule("mow_rain"))
        first = self.rules.sum_at(self.rules.first_share) + self.rules.mown_at
        return passes_due(self.days.weed_germination, fit, self.start, self.last, first, self.rules.mown_at)

    def harrowed(self, passes: np.ndarray) -> Weeds:
        """Weeds of ground that is harrowed."""
        return weeds_harrowed(
            self.days.weed_germination, self.days.weed_warmth, self.start, self.last, passes, self.rules
        )

    @cached_property
    def left_alone(self) -> Weeds:
        """Weeds that nobody touches."""
        return self.harrowed(np.empty((0, *self.start.shape), dtype=np.int64))

    def mown(self, cuts: np.ndarray) -> Weeds:
        """Weeds that are mown before seed: low ones seed below the mower; uncut, all that would."""
        alone = self.left_alone
        cut = (cuts < self.days.dates.size).any(axis=0) if cuts.size else np.zeros(self.start.shape, dtype=bool)
        return alone._replace(seeding=np.where(cut, alone.seeding * self.rules.mown_seeding, alone.seeding))

    def warm_days(self) -> np.ndarray:
        """Days with soil warm enough for a tarp to kill what comes up below it [d]."""
        warm = np.concatenate([[0], np.cumsum(self.days.soil_temperature >= self.catalogue.rule("tarp_warm"))])
        return np.asarray(warm[self.last + 1] - warm[self.start])

    def tarped(self) -> Weeds:
        """Weeds under a tarp that lies through the stretch."""
        return weeds_under_tarp(self.days.weed_germination, self.start, self.last, self.warm_days(), self.rules)

    def weed_leaf_area(self) -> np.ndarray:
        """Leaf area index of weeds left alone, shape (stretch, year, day)."""
        rule = self.catalogue.rule
        seedlings = self.flush * rule("weed_seedlings")
        return weed_leaf_area(seedlings, self.warmth, rule("weed_seedling_area"), rule("weed_relative_growth"))

    @cached_property
    def warmth(self) -> np.ndarray:
        """Running sum of weeds that are up, shape (stretch, year, day) [°C d]."""
        return self.days.weed_warmth[self.at]

    def mown_area(self, cuts: np.ndarray, alone: np.ndarray) -> np.ndarray:
        """Leaf area index of weeds that are mown, shape (stretch, year, day)."""
        growth = self.catalogue.rule("weed_relative_growth")
        return mown_leaf_area(alone, self.warmth, cuts - self.start, self.rules.mown_left, growth)

    def covered(self, leaf_area: np.ndarray) -> np.ndarray:
        """Ground under weeds, shape (stretch, year, day) [fraction]."""
        return -np.expm1(-self.catalogue.rule("weed_light_extinction") * leaf_area)

    # -- water and nitrogen of ground without a cover ---------------------------------------------

    @property
    def bare_lacks_mm(self) -> np.ndarray:
        """What the profile of bare ground lacks in the evening of each day, shape (day,) [mm]."""
        days = self.days
        every = np.arange(days.dates.size)
        gone = days.bare_evaporation(every, every) + days.bare_drainage(every, every)
        return np.asarray(np.maximum(np.cumsum(gone - days.rain_after_runoff), 0.0))

    def drainage(self) -> np.ndarray:
        """Water that drains below bare ground in the stretch [mm]."""
        return self.days.bare_drainage(self.start, self.last)

    def tarp_lacks_mm(self) -> np.ndarray:
        """What ground under a tarp lacks more than bare ground on the last day: it keeps what it had [mm]."""
        lacks = self.bare_lacks_mm
        return np.asarray(lacks[self.start - 1] - lacks[self.last])

    def set_free(self) -> np.ndarray:
        """Nitrogen that humus sets free in the stretch [kg ha-1]."""
        sums = np.concatenate([[0.0], np.cumsum(self.days.mineralised)])
        return np.asarray(sums[self.last + 1] - sums[self.start])

    def washed_out(self) -> np.ndarray:
        """Nitrate that drains below the next crop's reach from bare ground [kg ha-1].

        What is there at the start lies spread over the depth, what humus sets free in the middle of its layer; each
        day's is carried by what drains from that day on.
        """
        rule, days = self.catalogue.rule, self.days
        depth, at = rule("leaching_depth"), self.at
        inside = np.arange(at.shape[-1]) <= self.length[:, None, None]
        to_come = days.bare_drainage(at, np.broadcast_to(self.last[..., None], at.shape))
        capacity = days.field_capacity
        free = days.mineralised[at] * inside
        from_humus = (free * leached_share(to_come, depth - rule("humus_depth") / 2000, capacity)).sum(axis=-1)
        at_start = rule("mineral_nitrogen_at_sowing") * leached_share(self.drainage(), depth / 2, capacity)
        return np.asarray(at_start + from_humus)

    def store(self) -> WaterStore:
        """The root zone of weeds."""
        days, depth = self.days, self.catalogue.rule("weed_root_depth")
        total = float(total_available_mm(days.available, 0.0, depth))
        water = days.evaporable
        return WaterStore(total, self.catalogue.rule("weed_depletion_fraction") * total, *water)


def lacking_for_weeds(runs: Sequence[CleanRun], covers: Sequence[np.ndarray]) -> list[np.ndarray]:
    """What the ground lacks on the last day more than bare ground does, all blocks of a farm in one pass [mm].

    Parameters
    ----------
    runs : sequence of CleanRun
        Blocks.
    covers : sequence of ndarray, shape (way, stretch, year, day)
        Of each, ground under weeds in some ways of leaving them [fraction].

    Returns
    -------
    list of ndarray, shape (way, stretch, year)
    """
    if not runs:
        return []
    longest = max(c.shape[-1] for c in covers)
    lanes, rain, et0, start_dr, start_de, length = [], [], [], [], [], []
    stores: list[list[np.ndarray]] = []
    for run, cover in zip(runs, covers, strict=True):
        ways, shape, days = cover.shape[0], run.start.shape, run.days
        bare = np.zeros((ways + 1, *cover.shape[1:]))
        bare[1:] = cover
        padded = np.zeros((longest, ways + 1, run.start.size))
        padded[: cover.shape[-1]] = np.moveaxis(bare.reshape(ways + 1, run.start.size, -1), -1, 0)
        lanes.append(padded)
        at = np.minimum(run.start.ravel() + np.arange(longest)[:, None], days.dates.size - 1)
        rain.append(days.rain_after_runoff[at])
        et0.append(days.reference_evapotranspiration[at])
        store, before = run.store(), run.start.ravel() - 1
        total = np.broadcast_to(np.asarray(store.total_available_mm, float), before.shape)
        # Roots find the zone as a cover's do at sowing, drier where the bare top is.
        dry = (1 - run.catalogue.rule("soil_water_share")) * total
        surface = days.bare_surface_mm[before]
        start_dr.append(np.maximum(dry, surface))
        start_de.append(surface)
        length.append(np.broadcast_to(run.length[:, None] + 1, shape).ravel())
        stores.append([np.full(before.shape, float(np.asarray(v))) for v in vars(store).values()])
    together = WaterStore(*(np.concatenate(column) for column in zip(*stores, strict=True)))
    coefficient = runs[0].catalogue.rule("weed_basal_coefficient")
    dr = weed_water(
        np.concatenate(rain, axis=1), np.concatenate(et0, axis=1), np.concatenate(lanes, axis=2), together, coefficient,
        np.concatenate(start_dr), np.concatenate(start_de), np.concatenate(length),
    )  # fmt: skip
    more = dr[1:] - dr[0]
    bounds = np.cumsum([0, *(run.start.size for run in runs)])
    return [
        more[:, low:high].reshape(-1, *run.start.shape)
        for run, low, high in zip(runs, bounds[:-1], bounds[1:], strict=True)
    ]
