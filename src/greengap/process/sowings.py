"""The sowing dates of a gap in the weather record: where they lie, and what every cover sown on them shares."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from greengap.catalogue import Catalogue, Species
from greengap.process import day_loop as loop
from greengap.process.drivers import BlockDays, component_events
from greengap.process.weeds import seedlings_emerged, weed_leaf_area

UNIT_STEP = 2.0**-10  # °C d; float32 counts in such steps up to 16384 °C d, more than a gap brings


def same_day(date: pd.Timestamp, year: int) -> np.datetime64:
    """The date with its year replaced; 29 February becomes 28 February where there is none."""
    day = 28 if (date.month == 2 and date.day == 29) else date.day
    return np.datetime64(f"{year:04d}-{date.month:02d}-{day:02d}")


@dataclass
class Sowings:
    """The sowing dates of one gap in every weather year, arrays of shape (sowing, year).

    Attributes
    ----------
    start : ndarray of int
        Position of the sowing day in the weather record. A weather year is the year in which the first
        sowing date of the gap falls; after 29 February of a leap year dates lie one day off the plan's.
    limit : ndarray of int
        Days from sowing to the latest termination.
    ran : ndarray of bool
        Whether the weather of that year is complete from 30 days before sowing to the latest termination.
    """

    days: BlockDays
    catalogue: Catalogue
    sow_dates: list[pd.Timestamp]
    terminate_by: pd.Timestamp
    years: np.ndarray

    def __post_init__(self) -> None:
        first, last = self.days.dates[0], self.days.dates.size - 1
        # The weather year is that of the first sowing date; later ones follow it, over New Year too.
        opening = np.array([int((same_day(self.sow_dates[0], y) - first).astype(int)) for y in self.years])
        self.offset = np.array([(d - self.sow_dates[0]).days for d in self.sow_dates])
        start = opening + self.offset[:, None]
        length = np.array([(self.terminate_by - d).days for d in self.sow_dates])
        end = start + length[:, None]
        ran = (start >= 30) & (end <= last)
        missing = self.days.missing_before
        ran &= missing[np.clip(end + 1, 0, last + 1)] == missing[np.clip(start - 30, 0, last)]
        self.ran = ran
        self.opening = np.where(ran.any(axis=0), opening, 30)
        self.start = np.clip(self.opening + self.offset[:, None], 0, last)
        self.limit = np.broadcast_to(length[:, None], start.shape)
        self._events: dict[tuple[str, float], dict[str, np.ndarray]] = {}
        self._growing: dict[str, list[np.ndarray]] = {}

    def events(self, species: Species, depth_mm: float) -> dict[str, np.ndarray]:
        """Events of a species at a sowing depth, as positions in the record (`component_events`)."""
        key = (species.key, depth_mm)
        if key not in self._events:
            margin = int(self.catalogue.rule("seed_margin"))
            self._events[key] = component_events(self.days, species, self.start, margin, depth_mm)
        return self._events[key]

    @cached_property
    def weed_leaf_area(self) -> np.ndarray:
        """Leaf area index of weeds without a cover, by days from sowing, shape (sowing, year, day).

        The bed is taken to be clean on the day of sowing, so that weeds start anew from it; a stale
        seedbed has spent part of them before.
        """
        days, rule = self.days, self.catalogue.rule
        count = int(self.limit.max(initial=0)) + 1
        index = np.minimum(self.start[..., None] + np.arange(count), days.dates.size - 1)
        half, steepness = rule("weed_emergence_half_common_lambsquarters_sum"), rule("weed_emergence_steepness")
        sums = days.weed_germination
        before = sums[self.start] - sums[np.maximum(self.start - days.place.stale_seedbed_d, 0)]
        left = 1 - seedlings_emerged(before, half, steepness) * (days.place.stale_seedbed_d > 0)
        up = seedlings_emerged(sums[index] - sums[self.start][..., None], half, steepness)
        up *= left[..., None] * rule("weed_seedlings")
        return weed_leaf_area(up, days.weed_warmth[index], rule("weed_seedling_area"), rule("weed_relative_growth"))

    @cached_property
    def blocks(self) -> list[slice]:
        """Weather years that run side by side."""
        count = self.years.size
        return [slice(low, min(low + loop.WIDTH, count)) for low in range(0, count, loop.WIDTH)]

    @cached_property
    def _index(self) -> list[np.ndarray]:
        """Position in the record of each day of the gap in each weather year, a block of years at a time."""
        days = np.arange(int(self.limit[0, 0]) + 1)[:, None]
        return [np.clip(self.opening[b] + days, 0, self.days.dates.size - 1) for b in self.blocks]

    @cached_property
    def weather(self) -> list[np.ndarray]:
        """The rows of `greengap.process.day_loop.Job.drivers` that all covers share, a block of years at a time."""
        days = self.days
        rows = {
            loop.ET0: days.reference_evapotranspiration,
            loop.RAIN: days.rain_after_runoff,
            loop.LIGHT: days.light,
            loop.SOIL_NITROGEN: days.mineralised,
        }
        return [_gathered(index, rows, loop.DRIVER_ROWS) for index in self._index]

    def canopy_units(self, species: Species) -> np.ndarray:
        """Running sum of canopy units, shape (day,) [°C d].

        In steps that float32 holds exactly, so that it does not matter on which day the count begins.
        """
        return np.round(self.days.sums(species.values["maturity_sum"]) / UNIT_STEP) * UNIT_STEP

    def _zero(self, units: np.ndarray) -> np.ndarray:
        return units[np.maximum(self.opening, 0)]

    def units_up(self, species: Species, depth_mm: float) -> np.ndarray:
        """Canopy units on the day of emergence, counted from the first sowing date, shape (sowing, year) [°C d]."""
        units = self.canopy_units(species)
        return units[np.minimum(self.events(species, depth_mm)["emerged"], units.size - 1)] - self._zero(units)

    def growing(self, species: Species) -> list[np.ndarray]:
        """The rows of `greengap.process.day_loop.Job.drivers` of a species, a block of years at a time."""
        if species.key not in self._growing:
            warmth, heat = self.days.growth_factors(species)
            units = self.canopy_units(species)
            rows = {loop.UNITS: units, loop.WARMTH: warmth, loop.HEAT: heat}
            found = []
            for block, index in zip(self.blocks, self._index, strict=True):
                out = _gathered(index, rows, loop.DRIVER_ROWS_EACH)
                # The running sum is brought near zero, so that float32 keeps its digits.
                out[:, loop.UNITS, : index.shape[1]] = units[index] - self._zero(units)[block]
                found.append(out)
            self._growing[species.key] = found
        return self._growing[species.key]


def _gathered(index: np.ndarray, rows: Mapping[int, np.ndarray], count: int) -> np.ndarray:
    """Series of the record by day and year, shape (day, row, WIDTH)."""
    out = np.zeros((index.shape[0], count, loop.WIDTH), np.float32)
    for row, series in rows.items():
        out[:, row, : index.shape[1]] = series[index]
    return out
