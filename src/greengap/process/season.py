"""Runs every option through every weather year, day by day: the one place where the processes meet.

Three steps for each cover in each gap: what is known before growth starts (`greengap.process.drivers`:
emergence, flower, seed, frost), the compiled day loop (`greengap.process.day_loop`: light, growth,
nitrogen, water), and what follows from both (weeds, targets, counts). Everything is counted per
weather year, never on mean weather.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import xarray as xr

from greengap.catalogue import Catalogue, Cover, Species
from greengap.process import day_loop as loop
from greengap.process.afterwards import (
    DRIVERS,
    Ending,
    Following,
    Follows,
    Residue,
    Waiting,
    end_cover,
    nitrogen_by,
    outcome,
    wait,
    what_follows_each,
)
from greengap.process.bloom import FLOWERS_THAT_FEED, VISITORS, visited_days, visitor_share
from greengap.process.drivers import NEVER, BlockDays, Place, component_numbers, run_soil_temperature
from greengap.process.seedbed import sowing_depth
from greengap.process.sowings import GapDates, Sowings
from greengap.process.standing import Standing
from greengap.process.weeds import remaining_weeds, weed_share
from greengap.tables import DataFrame, Odds, Option, PurposeOdds, Season

DRIVERS_SORTED = sorted(DRIVERS)
DRIVER_CODES = np.array([DRIVERS_SORTED.index(name) for name in DRIVERS])


@dataclass(frozen=True)
class Target:
    """A quantity to be reached in a season: by the end of growth, within some days of sowing, or by a date."""

    name: str
    quantity: str  # biomass_kg_ha, nitrogen_kg_ha, nitrogen_fixed_kg_ha, ground_cover_fraction, bloom_d
    value: float
    within_d: int | None = None
    by: tuple[int, int] | None = None  # month, day
    words: str = ""


def _days_until(sow: pd.Timestamp, by: tuple[int, int]) -> int:
    """Days from sowing to the next such day of the year."""
    month, day = by
    date = pd.Timestamp(year=sow.year, month=month, day=min(day, 28 if month == 2 else day))
    if date < sow:
        date = date.replace(year=sow.year + 1)
    return (date - sow).days


class _Run:
    """A cover on the sowing dates of a block: every date in every weather year, arrays of shape (sowing, year)."""

    def __init__(self, sowings: Sowings, cover: Cover, catalogue: Catalogue) -> None:
        self.allowed = sowings.limit[:, 0]
        self.sowings, self.cover, self.catalogue, self.days = sowings, cover, catalogue, sowings.days
        self.start, self.limit, self.ran = sowings.start, sowings.limit, sowings.ran
        self.species: list[Species] = [catalogue.species[c.species] for c in cover.components]
        shares = np.array([c.share_of_sole_rate for c in cover.components])
        self.weights = shares / shares.sum()
        self.depths = sowing_depth(cover, catalogue).depth_mm
        self.parts = [sowings.events(s, self.depths[s.key]) for s in self.species]
        self.drivers = sowings.drivers(self.species)
        self.numbers = np.array(
            [component_numbers(s, w, catalogue) for s, w in zip(self.species, self.weights, strict=True)], np.float32
        )
        self.units_up = [sowings.units_up(s, self.depths[s.key]) for s in self.species]

    def ended_by(self, allowed: np.ndarray) -> _Run:
        """The same run with an earlier latest termination, days from sowing, shape (sowing,)."""
        other = copy.copy(self)
        for derived in ("planned_end", "growth_end"):
            other.__dict__.pop(derived, None)
        other.allowed = np.minimum(allowed, self.limit[:, 0])
        return other

    @cached_property
    def planned_end(self) -> np.ndarray:
        """Days from sowing to the termination that is planned, one for each sowing date.

        The latest that residue and next crop allow, or the day by which the first component would come within
        the margin of viable seed in more weather years than the rule ``seed_safe_share`` leaves.
        """
        share = 1 - self.catalogue.rule("seed_safe_share")
        allowed = np.where(self.ran, np.minimum(self.seed_end, self.allowed[:, None]), np.inf)
        out = self.allowed.astype(float)
        counts = self.ran.sum(axis=1)
        for count in np.unique(counts[counts > 0]):  # rows of as many years are one call
            rows = counts == count
            out[rows] = np.floor(np.quantile(np.sort(allowed[rows])[:, :count], share, axis=1))
        return np.maximum(out, 0).astype(int)

    @cached_property
    def seed_end(self) -> np.ndarray:
        """Days from sowing to the first component's viable seed, less the margin; far off if it does not come."""
        return np.min([p["seed_end"] for p in self.parts], axis=0) - self.start

    @cached_property
    def growth_end(self) -> np.ndarray:
        """Days from sowing to the end of growth: planned termination, seed margin of an early year, or frost."""
        dead = np.max([p["kill"] for p in self.parts], axis=0) - self.start
        end = np.minimum(np.minimum(self.planned_end[:, None], self.seed_end), dead)
        return np.clip(end, 0, None)

    def event(self, name: str, first: bool) -> np.ndarray:
        """Days from sowing to an event of the first or last component, NaN if not before the latest termination."""
        pick = np.min if first else np.max
        found = pick([p[name] for p in self.parts], axis=0) - self.start
        return np.where(found <= self.limit, found.astype(float), np.nan)

    def bloom(self) -> tuple[np.ndarray, np.ndarray]:
        """Day on which a flower that feeds insects opens, and day on which the last closes, both before the end."""
        feeding = [
            p for s, p in zip(self.species, self.parts, strict=True) if s.text("flower_value") in FLOWERS_THAT_FEED
        ]
        if not feeding:
            none = np.full(self.start.shape, np.nan)
            return none, none
        opens = np.min([p["flower"] for p in feeding], axis=0) - self.start
        closes = np.max([np.where(p["flower"] < NEVER, p["bloom_end"], 0) for p in feeding], axis=0) - self.start
        blooms = opens < self.growth_end
        return np.where(blooms, opens, np.nan), np.where(blooms, np.minimum(closes, self.growth_end), np.nan)

    def visited(self) -> dict[str, np.ndarray]:
        """Days in flower before the end by group of visitors, those of flowers it seeks less counted in part."""
        opens = np.stack([p["flower"] for p in self.parts]) - self.start
        closes = np.minimum(np.stack([p["bloom_end"] for p in self.parts]) - self.start, self.growth_end)
        closes = np.where(opens < self.growth_end, closes, opens)
        return {
            f"{group}_d": visited_days(opens, closes, [visitor_share(s, group, self.catalogue) for s in self.species])
            for group in VISITORS
        }


def _grow(run: _Run, targets: list[Target]) -> tuple[dict[str, np.ndarray], list[np.ndarray]]:
    """Run the day loop; rows by name, and the day each target is reached, counted from sowing."""
    components, wanted = len(run.species), len(targets)
    kernel = loop.day_loop(components, wanted)
    days, rule, numbers = run.days, run.catalogue.rule, run.numbers
    goals = np.zeros((wanted, 2 + components), np.float32)
    for k, target in enumerate(targets):
        goals[k, 0], goals[k, 1] = target.quantity == "ground_cover_fraction", target.value
        for c, s in enumerate(run.species):
            nitrogen = s.number("tissue_nitrogen")
            fixed = nitrogen * s.number("fixed_share") if s.has("fixed_share") else 0.0
            goals[k, 2 + c] = {"biomass_kg_ha": 1.0, "nitrogen_kg_ha": nitrogen, "nitrogen_fixed_kg_ha": fixed}.get(
                target.quantity, 0.0
            )
    sowings, offset = run.sowings, run.sowings.offset
    given, parts = loop.LANE_ROWS, loop.LANE_ROWS_EACH
    out = np.zeros((*run.start.shape[:1], given + components * parts + wanted, run.start.shape[1]), np.float32)
    root_start = numbers[:, loop.ROOT_START].min()
    last_day = np.where(run.ran, run.growth_end + offset[:, None], -1)
    surface = days.bare_surface_mm[np.maximum(run.start - 1, 0)]  # the evening before
    events = [{name: sowings.day_of_gap(p[name]) for name in ("emerged", "kill")} for p in run.parts]
    for b, block in enumerate(sowings.blocks):
        width = block.stop - block.start
        lanes = np.zeros((*out.shape[:2], loop.WIDTH), np.float32)
        lanes[:, loop.LAST_DAY] = -1
        lanes[:, loop.LAST_DAY, :width] = last_day[:, block]
        lanes[:, loop.SURFACE, :width] = surface[:, block]
        lanes[:, loop.SUPPLY] = rule("mineral_nitrogen_at_sowing")
        lanes[:, loop.ROOT] = root_start
        dry = root_start * days.available * (1 - rule("soil_water_share"))
        lanes[:, loop.DEPLETION] = np.maximum(lanes[:, loop.SURFACE], dry)
        for c, (p, event) in enumerate(zip(run.parts, events, strict=True)):
            at = given + c * parts
            for row, name in ((loop.UP, "emerged"), (loop.DEAD, "kill")):
                lanes[:, at + row] = loop.NEVER
                lanes[:, at + row, :width] = np.minimum(event[name][:, block], loop.NEVER)
            lanes[:, at + loop.CANOPY_SHARE, :width] = p["canopy_share"][:, block]
            lanes[:, at + loop.UNITS_UP, :width] = run.units_up[c][:, block]
        lanes[:, given + components * parts :] = loop.NEVER
        for gap, drivers in zip(sowings.rows, run.drivers, strict=True):
            kernel(*loop.Job(offset[gap], drivers[b], lanes[gap].reshape(-1), numbers, days.ground, goals))
        out[:, :, block] = lanes[:, :, :width]
    rows = {
        "transpired": out[:, loop.TRANSPIRED],
        "evaporated": out[:, loop.EVAPORATED],
        "drained": out[:, loop.DRAINED],
        "watered": out[:, loop.WATERED],
        "canopy_days": out[:, loop.CANOPY_DAYS],
        "water_sum": out[:, loop.WATER_SUM],
        "nitrogen_sum": out[:, loop.NITROGEN_SUM],
        "supply": out[:, loop.SUPPLY],
        "mass": np.stack([out[:, given + c * parts + loop.MASS] for c in range(components)]),
    }
    reached = []
    for k in range(wanted):
        day = out[:, given + components * parts + k].astype(float)
        reached.append(np.where(day < loop.NEVER, day - offset[:, None], np.nan))
    return rows, reached


def _in_time(run: _Run, target: Target, day: np.ndarray) -> np.ndarray:
    """Day of a target, NaN if later than the target allows."""
    latest = run.growth_end.astype(float)
    if target.within_d is not None:
        latest = np.minimum(latest, target.within_d)
    if target.by is not None:
        until = [_days_until(d, target.by) for d in run.sowings.sow_dates]
        latest = np.minimum(latest, np.array(until, dtype=float)[:, None])
    return np.where(day <= latest, day, np.nan)


def _bloom_reached(run: _Run, target: Target, opens: np.ndarray, closes: np.ndarray) -> np.ndarray:
    """Day on which the wanted days in flower are complete."""
    full = opens + target.value
    return np.where(full <= closes, full, np.nan)


def _weeds(run: _Run, closure: np.ndarray, mass_kg_ha: np.ndarray) -> np.ndarray:
    """Share of the canopy that is weeds', 1 where the cover never closes; the race ends when it does."""
    rule = run.catalogue.rule
    weeds = run.sowings.weeds_on(np.nan_to_num(closure, nan=0).astype(int))
    extinction = sum(w * s.number("light_extinction") for w, s in zip(run.weights, run.species, strict=True))
    cover = -np.log(1 - rule("half_cover_share")) / extinction
    share = np.where(np.isnan(closure), 1.0, weed_share(weeds, cover))
    # What weeds have taken of the light the cover cannot turn into dry matter that presses on them.
    return np.clip(remaining_weeds(share, mass_kg_ha * (1 - share), rule("weed_suppression_rate")), 0.0, 1.0)


def _ended(run: _Run, rows: dict[str, np.ndarray], ending: Ending, follows: Follows) -> tuple[Residue, Waiting]:
    """What is left on the day the cover ends, and how long the next crop has to wait."""
    residue = end_cover(
        run.sowings, run.species, run.parts, rows["mass"].astype(float), run.growth_end, rows["supply"].astype(float),
        run.catalogue, ending.inoculated,
    )  # fmt: skip
    if run.sowings.weighed is not None:
        residue = residue.measured(*run.sowings.weighed)
    return residue, wait(run.days, residue, ending, follows, run.catalogue)


def _allowed(
    run: _Run, growth_aim: Target, ending: Ending, follows: Follows, wanted: float
) -> tuple[np.ndarray, np.ndarray]:
    """Latest termination of each sowing date that leaves time for the residue, and the days that a gap is short.

    In the wanted share of years what is then on the block is out of the way in time. A cover that is ended
    sooner leaves less and waits less, so that it is found in two steps: the wait if it grows as long as it
    can, the wait if it is ended so much sooner, and a straight line between. The second answer is the day
    the growth aim is met, and the wait of the first step from there, beyond the next crop's day.
    """
    latest, to_next = run.allowed, follows.days[:, 0]
    if np.isinf(to_next).all():
        return latest, np.full(run.start.shape, np.nan)
    rows, reached = _grow(run, [growth_aim])
    waiting = _ended(run, rows, ending, follows)[1].days
    short = np.where(np.isinf(follows.days), np.nan, reached[0] + waiting - follows.days)
    late = _wait_kept(waiting, run.ran, wanted) - (to_next - latest)  # days by which it is too late
    sooner = np.clip(np.floor(latest - np.maximum(late, 0)), 0, latest).astype(int)
    if not (sooner < latest).any():
        return latest, short
    again = run.ended_by(sooner)
    waiting = _ended(again, _grow(again, [growth_aim])[0], ending, follows)[1].days
    # days by which that is too soon
    spare = np.maximum(to_next - sooner - _wait_kept(waiting, run.ran, wanted), 0)
    asked = late > 0
    share = np.zeros(spare.shape)
    share[asked] = spare[asked] / (spare[asked] + late[asked])
    return np.where(asked, np.floor(sooner + (latest - sooner) * share), latest).astype(int), short


def _as_weighed(run: _Run, allowed: np.ndarray) -> np.ndarray:
    """Latest termination, not moved forward for the residue where a stand was cut and weighed: its end is known."""
    weighed = run.sowings.weighed
    return allowed if weighed is None else np.where(np.isnan(weighed[0][:, 0]), allowed, run.allowed)


def _wait_kept(waiting: np.ndarray, ran: np.ndarray, wanted: float) -> np.ndarray:
    """Days of waiting that are enough in the wanted share of years, shape (sowing,)."""
    counts = ran.sum(axis=1)
    in_order = np.sort(np.where(ran, waiting, np.inf), axis=1)
    at = np.ceil(wanted * np.maximum(counts - 1, 0) - 1e-9).astype(int)
    return np.where(counts > 0, in_order[np.arange(counts.size), at], 0.0)


def _run_cover(
    run: _Run,
    growth_aim: Target,
    targets: list[Target],
    following: Following | None = None,
    follows: Follows | None = None,
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Season columns, and which targets are met, each of shape (sowing, year)."""
    rule, days, following = run.catalogue.rule, run.days, following or Following()
    ending, follows = following.ending, follows or what_follows_each(run.sowings.sow_dates, [None] * len(run.start))
    half = Target("half cover", "ground_cover_fraction", rule("half_cover_share"))
    grown = [half, growth_aim, *targets]
    allowed, short = _allowed(run, growth_aim, ending, follows, following.wanted_odds)
    run = run.ended_by(_as_weighed(run, allowed))
    rows, reached = _grow(run, grown)
    residue, waiting = _ended(run, rows, ending, follows)
    opens, closes = run.bloom()
    end = run.growth_end
    last = np.minimum(run.start + end, days.dates.size - 1)
    used = rows["transpired"] + rows["evaporated"]
    cost = used - days.bare_evaporation(run.start, last)
    extra = cost + rows["drained"] - days.bare_drainage(run.start, last) - rows["watered"]
    planting = np.where(np.isinf(follows.days), residue.end, run.start + follows.days).astype(int)
    after = outcome(days, residue, waiting, planting, extra, run.species, rows["mass"].astype(float), run.catalogue)
    for k, target in enumerate(grown):
        if target.quantity == "bloom_d":
            reached[k] = _bloom_reached(run, target, opens, closes)
        elif target.quantity in after:  # what the stand holds in the end, by its stage and the soil
            reached[k] = np.where(
                after[target.quantity] >= target.value, np.where(np.isnan(reached[k]), end, reached[k]), np.nan
            )
    reached = [_in_time(run, t, day) for t, day in zip(grown, reached, strict=True)]
    closure, aim_d = reached[0], reached[1]
    mass = rows["mass"].sum(axis=0) if run.sowings.weighed is None else residue.mass
    ready = end + waiting.days
    clear = ready <= follows.days
    warm = np.ones(run.start.shape, dtype=bool)
    for s in run.species:
        warm &= days.soil_warm(s.number("minimum_soil_temperature"))[run.start]
    stand = sum(w * p["stand_share"] for w, p in zip(run.weights, run.parts, strict=True))
    kill_d = run.event("kill", first=False)
    met = ~np.isnan(aim_d)
    spared = np.isnan(kill_d) | (kill_d > np.where(met, aim_d, np.inf))
    established = stand >= rule("stand_failure_share")
    canopy_days = np.maximum(rows["canopy_days"], 1.0)
    columns = {
        "soil_warm": warm,
        "emergence_d": run.event("emerged", first=False),
        "stand_share": np.clip(stand, 0, 1),
        "established": established,
        "establishment_water_mm": days.establishment_water(
            run.start, [p["emerged"] for p in run.parts], run.species, run.depths
        ),
        "half_cover_d": closure,
        "first_flower_d": np.where(run.event("flower", first=True) <= end, run.event("flower", first=True), np.nan),
        "bloom_d": np.nan_to_num(closes - opens),
        "bloom_from_d": opens,
        **run.visited(),
        "viable_seed_d": run.event("seed", first=True),
        "frost_kill_d": kill_d,
        "ended_for_seed": np.broadcast_to((run.planned_end < run.allowed)[:, None], end.shape),
        "planned_end_d": np.broadcast_to(run.planned_end[:, None], end.shape).astype(float),
        "growth_end_d": end.astype(float),
        "aim_d": aim_d,
        "biomass_kg_ha": mass,
        "weed_share": _weeds(run, closure, mass),
        "weeds_close_d": run.sowings.weeds_close,
        "water_used_mm": used,
        "water_cost_mm": cost,
        "drainage_mm": rows["drained"],
        "irrigation_mm": rows["watered"],
        "water_supply_fraction": np.clip(rows["water_sum"] / canopy_days, 0, 1),
        "nitrogen_supply_fraction": np.clip(rows["nitrogen_sum"] / canopy_days, 0, 1),
        "heat_share": np.clip(sum(w * p["heat_share"] for w, p in zip(run.weights, run.parts, strict=True)), 0, 1),
        "growth_temperature_degc": days.mean_temperature(run.start, last),
        "frost_spared": spared,
        "aim_met": met,
        "seed_safe": run.seed_end >= run.limit,
        "waiting_d": waiting.days,
        "waiting_driver": DRIVER_CODES[waiting.which],
        "ready_d": ready,
        "short_d": short,
        "residue_clear": clear,
        **after,
        "holds": warm & established & spared & met & clear,
    }
    return columns, {t.name: ~np.isnan(day) for t, day in zip(targets, reached[2:], strict=True)}


def simulate(
    options: DataFrame[Option],
    weather: xr.Dataset,
    site_of_block: Mapping[str, str],
    places: Mapping[str, Place],
    catalogue: Catalogue,
    growth_aim: Target,
    targets: list[Target],
    progress: Callable[[int, int], None] | None = None,
    following: Following | None = None,
    standing: Mapping[str, Standing] | None = None,
) -> tuple[DataFrame[Season], DataFrame[PurposeOdds]]:
    """Run every option through every weather year.

    Parameters
    ----------
    options : DataFrame[Option]
        Covers in gaps with sowing dates.
    weather : xarray.Dataset
        Dimensions (site_id, date): `tmin_degc`, `tmax_degc`, `precipitation_mm`.
    site_of_block : mapping of block_id to site_id
    places : mapping of block_id to Place
    catalogue : Catalogue
    growth_aim : Target
        What makes a cover worth its seed; the odds of an option count the years that reach it.
    targets : list of Target
        One per purpose of the farm.
    progress : callable, optional
        Called with (done, total) after each cover of a block.
    following : Following, optional
        Next crops and how covers are ended; if left out nothing has to wait, and covers are worked in, coarse
        stems chopped.
    standing : mapping of gap_id to Standing, optional
        What was found on gaps that are sown already: their options are run from it.

    Returns
    -------
    season : DataFrame[Season]
        One row per option and weather year that has complete weather from 30 days before sowing
        to the latest termination.
    purpose_odds : DataFrame[PurposeOdds]
        Years in which each target is met.
    """
    years = np.unique(weather["date"].dt.year.to_numpy())
    blocks = {
        block_id: BlockDays(weather.sel(site_id=site_of_block[block_id]), places[block_id], catalogue)
        for block_id in options["block_id"].unique()
    }
    run_soil_temperature(list(blocks.values()))
    following = following or Following()
    # Covers of a gap stand together, early sowings first, as the day loop takes them.
    gap_cover = options.groupby(["gap_id", "cover_id"], sort=False).ngroup().to_numpy()
    order = np.lexsort((options["sow_date"].to_numpy(), gap_cover))
    table = options.iloc[order].reset_index(drop=True)
    found: dict[str, list[np.ndarray]] = {}
    years_ran, years_met = np.zeros(len(table), dtype=np.int64), np.zeros((len(targets), len(table)), dtype=np.int64)
    runs = list(table.groupby(["block_id", "cover_id"], sort=False).indices.items())
    tried = [
        pd.factorize(table["gap_id"])[0],
        *(table[c].to_numpy().view("int64") for c in ("sow_date", "terminate_by")),
    ]
    dates, known = np.stack(tried), np.empty((3, 0))
    for done, ((block_id, cover_id), at) in enumerate(runs, start=1):
        if not np.array_equal(dates[:, at], known):  # the covers of a gap are tried on the same dates
            known = dates[:, at]
            gaps = table.iloc[at].groupby("gap_id", sort=False)
            tried_in = [GapDates(tuple(gap["sow_date"]), gap["terminate_by"].iloc[0]) for _, gap in gaps]
            found_there = [standing.get(str(gap_id)) for gap_id, _ in gaps] if standing else ()
            sowings = Sowings(blocks[str(block_id)], catalogue, tried_in, years, found_there)
            crops = [following.crops.get(gap_id) for gap_id in table["gap_id"].iloc[at]]
            follows = what_follows_each(sowings.sow_dates, crops)
        run = _Run(sowings, catalogue.covers[str(cover_id)], catalogue)
        columns, met = _run_cover(run, growth_aim, targets, following, follows)
        where = np.flatnonzero(run.ran)
        years_ran[at] = run.ran.sum(axis=1)
        for k, target in enumerate(targets):
            years_met[k, at] = (met[target.name] & run.ran).sum(axis=1)
        columns |= {"option": at[:, None], "weather_year": years[None, :]}
        for name, column in columns.items():
            found.setdefault(name, []).append(np.broadcast_to(column, run.ran.shape).ravel().take(where))
        if progress:
            progress(done, len(runs))
    return _season_table(found, table), _purpose_table(table, targets, years_met, years_ran)


def _season_table(found: dict[str, list[np.ndarray]], table: pd.DataFrame) -> DataFrame[Season]:
    """The season in the order of the options, a weather year below the other."""
    if not found:
        return Season.validate(pd.DataFrame({name: [] for name in Season.to_schema().columns}))
    option = np.concatenate(found.pop("option"))
    order = np.argsort(option, kind="stable")
    season = {name: np.concatenate(parts)[order] for name, parts in found.items()}
    season["option_id"] = table["option_id"].array.take(option[order])
    season["waiting_driver"] = pd.Categorical.from_codes(season["waiting_driver"], categories=DRIVERS_SORTED)
    columns = {name: season[name] for name in Season.to_schema().columns}
    return Season.validate(pd.DataFrame(columns), inplace=True)  # a copy of the largest table costs a second


def _purpose_table(
    table: pd.DataFrame, targets: list[Target], years_met: np.ndarray, years_ran: np.ndarray
) -> DataFrame[PurposeOdds]:
    """Years in which each target is met, the options of a cover in a gap together."""
    count, groups = len(targets), table.groupby(["gap_id", "cover_id"], sort=False).ngroup().to_numpy()
    target, option = np.divmod(np.arange(count * len(table)), max(len(table), 1))
    order = np.lexsort((option, target, groups[option]))
    target, option = target[order], option[order]
    return PurposeOdds.validate(
        pd.DataFrame(
            {
                "option_id": table["option_id"].array.take(option),
                "purpose": pd.array([t.name for t in targets], dtype="str").take(target),
                "aim": pd.array([t.words for t in targets], dtype="str").take(target),
                "met_years": years_met[target, option],
                "years": years_ran[option],
            }
        )
    )


def release_by_day(
    options: DataFrame[Option],
    option_id: str,
    weather: xr.Dataset,
    place: Place,
    catalogue: Catalogue,
    growth_aim: Target,
    following: Following,
    longest_d: int,
    standing: Standing | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Nitrogen set free or tied up day by day after one option is ended, in every weather year.

    Parameters
    ----------
    options : DataFrame[Option]
        Of one cover in one gap, early sowings first; the first says which year is which.
    option_id : str
        The one that is followed.
    weather : xarray.Dataset
        One site.
    place : Place
        The block.
    catalogue, growth_aim, following
        As in `simulate`.
    longest_d : int
        Days that are followed [d].
    standing : Standing, optional
        What was found on the gap.

    Returns
    -------
    years : ndarray of int, shape (year,)
        Weather years that could be run.
    nitrogen : ndarray, shape (year, longest_d + 1)
        Since the end of the cover, from the planned termination on; NaN beyond the record [kg ha-1].
    """
    years = np.unique(weather["date"].dt.year.to_numpy())
    days = BlockDays(weather, place, catalogue)
    dates = GapDates(tuple(options["sow_date"]), options["terminate_by"].iloc[0])
    sowings, row = Sowings(days, catalogue, [dates], years, (standing,)), list(options["option_id"]).index(option_id)
    run, ending = _Run(sowings, catalogue.covers[options["cover_id"].iloc[0]], catalogue), following.ending
    follows = what_follows_each(sowings.sow_dates, [following.crops.get(gap_id) for gap_id in options["gap_id"]])
    run = run.ended_by(_as_weighed(run, _allowed(run, growth_aim, ending, follows, following.wanted_odds)[0]))
    rows, _ = _grow(run, [growth_aim])
    residue, waiting = _ended(run, rows, ending, follows)
    season_days = catalogue.rule("season_decay_days")
    curves = [
        nitrogen_by(days, residue, waiting, run.start + run.planned_end[:, None] + day, season_days)[row]
        for day in range(longest_d + 1)
    ]
    return years[run.ran[row]], np.stack(curves, axis=1)[run.ran[row]]


def count_odds(options: DataFrame[Option], season: DataFrame[Season], catalogue: Catalogue) -> DataFrame[Odds]:
    """Counts of weather years and ranges for each option; dates are those of the plan's year.

    Parameters
    ----------
    options : DataFrame[Option]
    season : DataFrame[Season]
    catalogue : Catalogue
        For the risk of birds and game, which is no matter of weather.

    Returns
    -------
    DataFrame[Odds]
        One row per option, in the order of `options`; options without a usable year count zero.
    """
    if season.empty:
        return _no_odds(options)
    counted = ["soil_warm", "established", "frost_spared", "aim_met", "seed_safe", "residue_clear", "holds"]
    grouped = season.groupby("option_id", sort=False)
    counts = grouped[counted].sum().astype(int)
    counts.columns = [
        "soil_warm_years", "established_years", "frost_spared_years", "aim_years", "seed_safe_years", "ready_years",
        "holds_years",
    ]  # fmt: skip
    counts.insert(0, "years", grouped.size())
    mass = grouped["biomass_kg_ha"].quantile([0.1, 0.5, 0.9]).unstack()
    mass.columns = ["biomass_p10_kg_ha", "biomass_p50_kg_ha", "biomass_p90_kg_ha"]
    last_flower = season["bloom_from_d"] + season["bloom_d"] - 1  # both ends counted
    flowers = season.assign(last_flower_d=last_flower, has_bloom=season["bloom_d"] > 0)
    bloom = flowers[flowers["has_bloom"]].groupby("option_id")[["bloom_from_d", "last_flower_d"]].median()
    bloom_years = flowers.groupby("option_id")["has_bloom"].sum()
    ready = season[season["aim_met"]].groupby("option_id")["aim_d"].median()

    out = options.set_index("option_id")[["sow_date"]].join(counts).join(mass)
    for column in out.columns.difference(["sow_date"]):
        out[column] = out[column].fillna(0)

    def date(days: pd.Series) -> pd.Series:
        return out["sow_date"] + pd.to_timedelta(np.floor(days.reindex(out.index)), unit="D")

    out["ready_from"] = date(ready)
    killed = season["frost_kill_d"].notna() & (season["frost_kill_d"] <= season["growth_end_d"])
    frost = killed.groupby(season["option_id"]).mean().reindex(out.index).fillna(0) > 0.5
    planned = grouped["planned_end_d"].first().reindex(out.index)
    latest = options.set_index("option_id")["terminate_by"]
    by_seed = grouped["ended_for_seed"].first().reindex(out.index).fillna(False).astype(bool)
    out["ended_by"] = np.select([frost, by_seed], ["frost", "seed set"], "next crop")
    # Where frost ends it in most years, the date from which it does so.
    out["terminate_by"] = date(planned.where(~frost, grouped["growth_end_d"].quantile(0.1))).fillna(latest)
    often = bloom_years.reindex(out.index).fillna(0) * 2 >= out["years"].clip(lower=1)
    out["first_flower"] = date(bloom["bloom_from_d"]).where(often)
    out["last_flower"] = date(bloom["last_flower_d"]).where(often)
    risk = {key: bird_risk(cover, catalogue) for key, cover in catalogue.covers.items()}
    out["bird_risk_share"] = options.set_index("option_id")["cover_id"].map(risk)
    return Odds.validate(out.drop(columns="sow_date").reset_index())


def _no_odds(options: DataFrame[Option]) -> DataFrame[Odds]:
    """Odds of options none of which could be run."""
    counts = [
        c for c, spec in Odds.to_schema().columns.items() if "int" in str(spec.dtype) or "float" in str(spec.dtype)
    ]
    table = options[["option_id", "terminate_by"]].assign(**dict.fromkeys(counts, 0), ended_by="next crop")
    for column in ("ready_from", "first_flower", "last_flower"):
        table[column] = pd.NaT
    return Odds.validate(table)


def bird_risk(cover: Cover, catalogue: Catalogue) -> float:
    """Share of fields on which birds or game take the stand; only of covers whose every seed they seek."""
    species = [catalogue.species[c.species] for c in cover.components]
    rule = catalogue.rule("bird_loss_share")
    return min(s.number("loss_share") if s.has("loss_share") else rule if s.has("bird_risk") else 0.0 for s in species)
