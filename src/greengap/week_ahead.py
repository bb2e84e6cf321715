"""The week ahead on the ground: days fit to work, what is to be sown, what was just sown, what stands."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from greengap.advice.fit_days import WEEK_D, WEEKS, DaysAhead, fit_weeks, rungs_ahead
from greengap.errors import InputProblem
from greengap.farm.settings import suggestion
from greengap.farm_input import Farm
from greengap.plan import Plan, places
from greengap.process.drivers import BlockDays, Place, run_soil_temperature
from greengap.replan import Replanned, replan
from greengap.site.weather_join import splice_season, with_gauge
from greengap.tables import DataFrame, FitWeek, RungAhead
from greengap.units import INCH_MM, System

DAY = pd.Timedelta(days=1)
BACK = pd.Timedelta(days=180)  # of this season that the soil of today remembers
LONGEST_FORECAST_D = 14
MOST_RAIN_MM = 400.0  # of a day; what is typed beyond it is a slip
TO_SOW = ("open", "ahead")


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
    done = replan(farm, as_of, progress, before)
    weather, notes = _weather(done.farm, as_of, forecast_mm)
    days = block_days(done.farm, weather, told)
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
    ladders = sorted(filter(None, ladders), key=lambda rungs: (rungs[0]["sow_until"], rungs[0]["gap_id"]))
    return WeekAhead(
        as_of, done, weather, told, tuple(forecast_mm),
        FitWeek.validate(pd.DataFrame(fit_rows, columns=list(FitWeek.to_schema().columns))),
        RungAhead.validate(
            pd.DataFrame([row for rungs in ladders for row in rungs], columns=list(RungAhead.to_schema().columns))
        ),
        (*done.notes, *notes),
    )  # fmt: skip


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
