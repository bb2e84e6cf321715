"""The week ahead on the ground: days fit to work, what is to be sown, what was just sown, what stands."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from greengap.advice.fit_days import WEEK_D, WEEKS, DaysAhead, fit_weeks, rungs_ahead
from greengap.advice.options import NO_COVER
from greengap.advice.progress import known_by, rows_by_gap
from greengap.advice.purposes import growth_target
from greengap.advice.standing_ahead import standing_row
from greengap.advice.up_yet import ComingUp, coming_up, up_row
from greengap.advice.water_or_wait import ranked, weigh_watering
from greengap.errors import InputProblem
from greengap.farm.season_record import current, merged, record_of
from greengap.farm.settings import suggestion
from greengap.farm_input import Farm
from greengap.plan import Plan, before_season, places, plan_farm, run_seasons
from greengap.process.afterwards import Following
from greengap.process.drivers import BlockDays, Place, run_soil_temperature
from greengap.replan import Replanned, replan
from greengap.site.weather_join import splice_season, with_gauge
from greengap.stand_check_of import standing_of
from greengap.tables import DataFrame, FitWeek, Option, RungAhead, Season, StandAhead, UpYet, WaterOrWait
from greengap.units import INCH_MM, System, shown

DAY = pd.Timedelta(days=1)
BACK = pd.Timedelta(days=180)  # of this season that the soil of today remembers
LONGEST_FORECAST_D = 14
MOST_RAIN_MM = 400.0  # of a day; what is typed beyond it is a slip
TO_SOW, SOWN = ("open", "ahead"), "sown"


@dataclass(frozen=True)
class WeekAhead:
    """What lies ahead of a farm as of a day; sections of the text and of the page read it and reckon nothing new.

    Attributes
    ----------
    as_of : Timestamp
    done : Replanned
        The plan from that day; `done.plan`, `done.states`, and `done.farm` with this season's days.
    weather : Dataset
        Of the sites: every weather year with this season's last days and the typed forecast in it.
    blocks : tuple of str
        Blocks that are told of, all of the farm unless some were named.
    forecast_mm : tuple of float
        Rain that was typed for today and the days after it [mm].
    fit : DataFrame[FitWeek]
    rungs : DataFrame[RungAhead]
        What becomes too late first comes first.
    up : DataFrame[UpYet]
        Gaps just sown; what should be up first comes first.
    water : DataFrame[WaterOrWait]
        Those of them that can be watered and are not up, by rank.
    standing : DataFrame[StandAhead]
        What closes first comes first.
    notes : tuple of str
        What could not be known.
    """

    as_of: pd.Timestamp
    done: Replanned
    weather: xr.Dataset
    blocks: tuple[str, ...]
    forecast_mm: tuple[float, ...]
    fit: DataFrame[FitWeek]
    rungs: DataFrame[RungAhead]
    up: DataFrame[UpYet]
    water: DataFrame[WaterOrWait]
    standing: DataFrame[StandAhead]
    notes: tuple[str, ...]

    @property
    def farm(self) -> Farm:
        """The farm with this season's days."""
        return self.done.farm

    @property
    def plan(self) -> Plan:
        """The plan from that day."""
        return self.done.plan

    def here(self, table: pd.DataFrame) -> pd.DataFrame:
        """Rows of a table about the blocks that are told of."""
        return table[table["block_id"].isin(self.blocks)].reset_index(drop=True)


def look_ahead(
    farm: Farm,
    as_of: pd.Timestamp,
    progress: Callable[[int, int], None] | None = None,
    blocks: Collection[str] = (),
    forecast_mm: Sequence[float] = (),
    sown_on: pd.Timestamp | None = None,
    before: Plan | None = None,
) -> WeekAhead:
    """The week ahead, as of a day.

    Parameters
    ----------
    farm : Farm
        With its record and this season's days.
    as_of : Timestamp
        Today. Rows and days after it are not looked at.
    progress : callable, optional
        Called with (done, total) while seasons are run.
    blocks : collection of str
        Blocks to be told of; all if none is named.
    forecast_mm : sequence of float
        Rain of today and the days after it, as a forecast has it; days that are measured already stay so [mm].
    sown_on : Timestamp, optional
        Day on which what was planned for the one block was sown, where the record does not say so.
    before : Plan, optional
        The plan before the season, if it is at hand.

    Returns
    -------
    WeekAhead

    Raises
    ------
    InputProblem
        If the day lies outside the plan, a block is not known, or rain cannot be.
    """
    told = _blocks_told(farm, blocks)
    _check_rain(forecast_mm)
    if sown_on is not None:
        before = plan_farm(before_season(farm), progress) if before is None else before
        farm = _as_sown(farm, before, told, blocks, sown_on, as_of)
    return week_of(replan(farm, as_of, progress, before), told, forecast_mm)


def week_of(done: Replanned, blocks: Collection[str] = (), forecast_mm: Sequence[float] = ()) -> WeekAhead:
    """The same from a plan that is made anew already.

    Parameters
    ----------
    done : Replanned
        As of the day from which the week is told.
    blocks, forecast_mm
        As for `look_ahead`.
    """
    farm, as_of = done.farm, done.as_of
    told = _blocks_told(farm, blocks)
    _check_rain(forecast_mm)
    weather, notes = _weather(farm, as_of, forecast_mm)
    days = block_days(farm, weather, told)
    years = np.unique(weather["date"].dt.year.to_numpy())
    fit_rows: list[dict[str, Any]] = []
    ladders: list[list[dict[str, Any]]] = []
    steps = int(farm.catalogue.rule("tile_drained_steps"))
    to_sow = set(done.states.loc[done.states["state"].isin(TO_SOW), "gap_id"])
    ladder = done.plan.ladder[done.plan.ladder["gap_id"].isin(to_sow)]
    for block in told:
        ahead = DaysAhead(days[block], farm.catalogue, as_of, WEEKS * WEEK_D, years)
        fit = ahead.fit(steps if block in farm.settings.tile_drained else 0)
        fit_rows += fit_weeks(block, as_of, fit)
        for _, rungs in ladder[ladder["block_id"] == block].groupby("gap_id", sort=False):
            ladders.append(list(rungs_ahead(rungs, ahead, fit, farm.catalogue)))
    just = _just_sown(done, told, days, weather, years)
    ladders = sorted(filter(None, ladders), key=lambda rungs: (rungs[0]["sow_until"], rungs[0]["gap_id"]))
    return WeekAhead(
        as_of, done, weather, told, tuple(forecast_mm),
        FitWeek.validate(pd.DataFrame(fit_rows, columns=list(FitWeek.to_schema().columns))),
        RungAhead.validate(
            pd.DataFrame([row for rungs in ladders for row in rungs], columns=list(RungAhead.to_schema().columns))
        ),
        UpYet.validate(_sorted(just.up, UpYet, ["up_p90", "gap_id"])),
        WaterOrWait.validate(_sorted(ranked(just.water), WaterOrWait, ["rank"])),
        StandAhead.validate(_sorted(_standing(done, told), StandAhead, ["closes_p50", "gap_id"])),
        (*done.notes, *notes),
    )  # fmt: skip


def _sorted(rows: list[dict[str, Any]], table: Any, by: list[str]) -> pd.DataFrame:
    made = pd.DataFrame(rows, columns=list(table.to_schema().columns))
    for column, spec in table.to_schema().columns.items():
        if str(spec.dtype).startswith("datetime"):
            made[column] = pd.to_datetime(made[column])
    return made.sort_values(by, kind="stable", ignore_index=True)


def _blocks_told(farm: Farm, blocks: Collection[str]) -> tuple[str, ...]:
    """Blocks in the order of the farm."""
    known = [str(b) for b in farm.blocks["block_id"]]
    if unknown := [b for b in blocks if b not in known]:
        what = f"{unknown[0]:.40} is not a block of the farm"
        raise InputProblem("--block", "", what, suggestion(unknown[0], sorted(known)))
    return tuple(b for b in known if not blocks or b in blocks)


def read_forecast(text: str, units: System) -> tuple[float, ...]:
    """Rain of the next days as it was typed.

    Parameters
    ----------
    text : str
        Amounts with commas between, today first, in mm or, where the farm writes in US units, in inches.
    units : "metric" or "us"

    Returns
    -------
    tuple of float
        [mm].

    Raises
    ------
    InputProblem
        If it is not a row of amounts.

    Examples
    --------
    >>> read_forecast("0, 0, 4", "metric"), read_forecast("0.5", "us")
    ((0.0, 0.0, 4.0), (12.7,))
    """
    factor, name = (INCH_MM, "inches") if units == "us" else (1.0, "mm")
    out = []
    for day, part in enumerate(text.split(","), start=1):
        try:
            out.append(float(part) * factor)
        except ValueError as error:
            what = f"{part.strip():.40} is not the rain of day {day}"
            raise InputProblem("--rain", "", what, f"Write {name} with commas between, as 0,0,4") from error
    return tuple(out)


def _as_sown(
    farm: Farm, before: Plan, told: Sequence[str], named: Collection[str], day: pd.Timestamp, as_of: pd.Timestamp
) -> Farm:
    """The farm with a row that says that what was planned was sown."""
    if len(named) != 1:
        raise InputProblem("--sown", "", f"{len(named)} blocks are named", "Name the one that was sown with --block")
    if day > as_of:
        raise InputProblem("--sown", "", f"{day:%Y-%m-%d} lies after {as_of:%Y-%m-%d}", "Give the day it was sown")
    gaps = before.gaps
    here = gaps[(gaps["block_id"] == told[0]) & (gaps["start"] <= day) & (gaps["end"] >= day)]
    if here.empty:
        what = f"{told[0]} has no gap on {day:%Y-%m-%d}"
        raise InputProblem("--sown", "", what, "`greengap gaps` lists the gaps with their dates")
    gap = str(here["gap_id"].iloc[0])
    cover = str(before.allocation.set_index("gap_id").loc[gap, "cover_id"])
    if cover == NO_COVER:
        what = f"nothing is planned for {gap}"
        raise InputProblem("--sown", "", what, "Write down what was sown with `greengap record FARM sown`")
    row = {
        "entry_id": f"sown {gap} {day:%Y-%m-%d}", "written": f"{day:%Y-%m-%d}T12:00:00Z", "who": "", "what": "sown",
        "date": f"{day:%Y-%m-%d}", "block_id": told[0], "gap_id": gap, "cover_id": cover,
    }  # fmt: skip
    return replace(farm, record=merged(farm.record, record_of([row])))


@dataclass(frozen=True)
class _JustSown:
    up: list[dict[str, Any]]
    water: list[dict[str, Any]]


def _just_sown(
    done: Replanned, told: Collection[str], days: dict[str, BlockDays], weather: xr.Dataset, years: np.ndarray
) -> _JustSown:
    """Gaps that were sown and are not up, or have just come up; and what water would do for them."""
    farm, as_of, out = done.farm, done.as_of, _JustSown([], [])
    catalogue = farm.catalogue
    rows = rows_by_gap(known_by(current(farm.record), as_of), done.plan.gaps)
    ground = {str(g.block_id): g for g in done.plan.ground.itertuples()}
    area = done.plan.blocks.set_index("block_id")["area_sown_m2"]
    for state in done.states.itertuples():
        gap, block, sown_on = str(state.gap_id), str(state.block_id), state.sown_on
        if state.state != SOWN or block not in told or sown_on > as_of or state.cover_id not in catalogue.covers:
            continue
        mine = rows[gap][rows[gap]["date"] >= sown_on]
        seen = mine[(mine["what"] == "stand") & (mine["plants"] > 0)]["date"]
        up_on = state.up_on if pd.notna(state.up_on) or seen.empty else seen.min()
        since = as_of - (sown_on if pd.isna(up_on) else up_on)
        if since > (catalogue.rule("longest_emergence") if pd.isna(up_on) else WEEK_D) * DAY:
            continue
        cover = catalogue.covers[state.cover_id]
        watered = mine[(mine["what"] == "watered") & mine["water_mm"].notna()].groupby("date")["water_mm"].sum()

        def sowing(
            turns: tuple[tuple[int, float], ...] = (), block: str = block, cover: Any = cover,
            sown_on: pd.Timestamp = sown_on, watered: pd.Series = watered,
        ) -> ComingUp:  # fmt: skip
            more = pd.Series({as_of + day * DAY: mm for day, mm in turns}, dtype=float)
            wet = with_water(days[block], weather.sel(site_id=farm.site_of_block[block]), pd.concat([watered, more]))
            return coming_up(wet, catalogue, cover, sown_on, as_of, years)

        found = sowing()
        out.up.append(up_row(gap, block, cover.key, found, as_of, up_on))
        if pd.isna(up_on) and ground[block].watered:
            weighed = weigh_watering(days[block], found, sowing, ground[block], float(area[block]), catalogue)
            out.water.append({"gap_id": gap, "block_id": block, "cover_id": cover.key, "sown_on": sown_on} | weighed)
    return out


def with_water(days: BlockDays, site: xr.Dataset, water_mm: pd.Series) -> BlockDays:
    """The series of a block with what was watered, on the same days of every weather year.

    Parameters
    ----------
    days : BlockDays
    site : Dataset
        Its weather.
    water_mm : Series of float
        Water by day [mm].
    """
    if water_mm.empty:
        return days
    by_day = water_mm.groupby([water_mm.index.month, water_mm.index.day]).sum()
    dates = pd.DatetimeIndex(site["date"].to_numpy())
    given = by_day.reindex(pd.MultiIndex.from_arrays([dates.month, dates.day])).fillna(0.0).to_numpy()
    wet = BlockDays(site.assign(precipitation_mm=site["precipitation_mm"] + given), days.place, days.catalogue)
    wet.__dict__["soil_temperature"] = days.soil_temperature  # water does not move it here
    return wet


def _standing(done: Replanned, told: Collection[str]) -> list[dict[str, Any]]:
    """Stages ahead of what stands, and the water it has taken."""
    farm, plan, as_of = done.farm, done.plan, done.as_of
    stands = done.states[(done.states["state"] == SOWN) & done.states["block_id"].isin(told)]
    chosen = plan.allocation[plan.allocation["gap_id"].isin(stands["gap_id"])]["option_id"].dropna()
    options = plan.options[plan.options["option_id"].isin(chosen)].reset_index(drop=True)
    if options.empty:
        return []
    seen = {}
    for gap in options["gap_id"]:
        try:
            one = standing_of(farm, str(gap), as_of)
        except InputProblem:  # told by the plan from today, which takes the stand as it is reckoned
            continue
        if one is not None:
            seen[str(gap)] = one
    begun = options[options["sow_date"] < as_of].assign(terminate_by=as_of)
    taken = Season.empty()
    if len(begun):
        aim = growth_target(farm.settings.growth_aim, farm.catalogue, farm.settings.units)
        until_now = Option.validate(begun.reset_index(drop=True))
        taken, _ = run_seasons(farm, plan.gaps, until_now, places(farm), aim, [], Following(), None, seen)
    gaps, odds = plan.gaps.set_index("gap_id"), plan.odds.set_index("option_id")
    out = []
    for option in options.itertuples():
        gap = gaps.loc[option.gap_id]
        has_next = isinstance(gap["crop_after"], str) and bool(gap["crop_after"])
        out.append(
            standing_row(
                option, plan.season[plan.season["option_id"] == option.option_id],
                taken.loc[taken["option_id"] == option.option_id, "water_lack_mm"],
                gap["end"] + DAY if has_next else pd.NaT, odds.loc[option.option_id, "terminate_by"],
                farm.catalogue.rule("water_made_good"),
            )
        )  # fmt: skip
    return out


def _check_rain(forecast_mm: Sequence[float]) -> None:
    if len(forecast_mm) > LONGEST_FORECAST_D:
        what = f"{len(forecast_mm)} days of forecast are given"
        raise InputProblem("--rain", "", what, f"Give {LONGEST_FORECAST_D} days at most")
    for day, rain in enumerate(forecast_mm, start=1):
        if not 0 <= rain <= MOST_RAIN_MM:
            what = f"the rain of day {day} would be {rain:g} mm"
            raise InputProblem("--rain", "", what, f"Give amounts from 0 to {MOST_RAIN_MM:g} mm")


def _weather(farm: Farm, as_of: pd.Timestamp, forecast_mm: Sequence[float]) -> tuple[xr.Dataset, list[str]]:
    """Every weather year with the last half year of this season and the typed forecast in it."""
    so_far, notes = farm.so_far, list[str]()
    if so_far is not None:
        so_far = so_far.sel(date=slice(as_of - BACK, as_of))
        so_far = so_far if so_far.sizes["date"] else None
    if forecast_mm:
        ahead = pd.Series(list(forecast_mm), index=pd.date_range(as_of, periods=len(forecast_mm)))
        if so_far is not None:
            known = so_far["precipitation_mm"].isel(cell_id=0).to_series().dropna().index
            measured = ahead.index.intersection(known)
            if len(measured):
                notes.append(f"Rain of {measured[-1]:%d %b} is measured: what was typed for that day is not used.")
                ahead = ahead.drop(measured)
        amounts = ", ".join(f"{shown(mm, 'mm', farm.settings.units)[0]:.3g}" for mm in ahead)
        if amounts:
            unit = shown(0.0, "mm", farm.settings.units)[1]
            notes.append(f"Forecast from {ahead.index[0]:%d %b} on, day by day: {amounts} {unit} of rain.")
        so_far = with_gauge(so_far, ahead)
    if so_far is None:
        return farm.weather, notes
    return splice_season(farm.weather, so_far, since=as_of - BACK), notes


def block_days(farm: Farm, weather: xr.Dataset, blocks: Collection[str]) -> dict[str, BlockDays]:
    """Daily series of blocks that nobody waters, so that the soil is as the weather leaves it.

    Parameters
    ----------
    farm : Farm
    weather : Dataset
        Of the sites.
    blocks : collection of str
    """
    where: dict[str, Place] = places(farm)
    sites = {site: weather.sel(site_id=site) for site in {farm.site_of_block[b] for b in blocks}}
    days = {
        b: BlockDays(sites[farm.site_of_block[b]], replace(where[b], irrigated=False), farm.catalogue) for b in blocks
    }
    for site in sorted(sites):
        run_soil_temperature([days[b] for b in blocks if farm.site_of_block[b] == site])
    return days
