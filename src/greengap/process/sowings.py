"""The sowing dates of gaps in the weather record: where they lie, and what every cover sown on them shares."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import pandas as pd

from greengap.catalogue import Catalogue, Species
from greengap.process import day_loop as loop
from greengap.process.drivers import BlockDays, component_events
from greengap.process.standing import Standing, seen_of, weeds_from
from greengap.process.weeds import seedlings_emerged, weed_leaf_area

PULLED_AT_ONCE = pd.Timedelta(days=1)  # after the weeds were seen
UNIT_STEP = 2.0**-10  # °C d; float32 counts in such steps up to 16384 °C d, more than a gap brings


def same_day(date: pd.Timestamp, year: int) -> np.datetime64:
    """The date with its year replaced; 29 February becomes 28 February where there is none."""
    day = 28 if (date.month == 2 and date.day == 29) else date.day
    return np.datetime64(f"{year:04d}-{date.month:02d}-{day:02d}")


class GapDates(NamedTuple):
    """Sowing dates that are tried in a gap, early ones first, and the day by which all of them are ended."""

    sow_dates: tuple[pd.Timestamp, ...]
    terminate_by: pd.Timestamp


@dataclass
class Sowings:
    """The sowing dates of some gaps of a block in every weather year, arrays of shape (sowing, year).

    The gaps of a block stand one below the other, so that what needs only the block is reckoned for all
    of them at once.

    Attributes
    ----------
    rows : list of slice
        The sowings of each gap.
    offset : ndarray of int, shape (sowing,)
        Days from the first sowing date of the gap.
    opening : ndarray of int, shape (gap, year)
        Position of the first sowing date in the weather record.
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
    gaps: Sequence[GapDates]
    years: np.ndarray
    standing: Sequence[Standing | None] = ()  # of each gap, or of none

    def __post_init__(self) -> None:
        first, last = self.days.dates[0], self.days.dates.size - 1
        counts = [len(gap.sow_dates) for gap in self.gaps]
        bounds = np.cumsum([0, *counts])
        self.rows = [slice(low, high) for low, high in itertools.pairwise(bounds.tolist())]
        self.sow_dates = [date for gap in self.gaps for date in gap.sow_dates]
        # The weather year is that of the first sowing date; later ones follow it, over New Year too.
        opening = np.array(
            [[int((same_day(gap.sow_dates[0], y) - first).astype(int)) for y in self.years] for gap in self.gaps]
        )
        self.offset = np.array([(d - gap.sow_dates[0]).days for gap in self.gaps for d in gap.sow_dates])
        start = np.repeat(opening, counts, axis=0) + self.offset[:, None]
        length = np.array([(gap.terminate_by - d).days for gap in self.gaps for d in gap.sow_dates])
        end = start + length[:, None]
        ran = (start >= 30) & (end <= last)
        missing = self.days.missing_before
        ran &= missing[np.clip(end + 1, 0, last + 1)] == missing[np.clip(start - 30, 0, last)]
        self.ran = ran
        self.opening = np.where(np.stack([ran[rows].any(axis=0) for rows in self.rows]), opening, 30)
        self._opened = np.repeat(self.opening, counts, axis=0)
        self.start = np.clip(self._opened + self.offset[:, None], 0, last)
        self.limit = np.broadcast_to(length[:, None], start.shape)
        self._events: dict[tuple[str, float], dict[str, np.ndarray]] = {}
        self._growing: dict[str, list[list[np.ndarray]]] = {}

    def events(self, species: Species, depth_mm: float) -> dict[str, np.ndarray]:
        """Events of a species at a sowing depth, as positions in the record (`component_events`)."""
        key = (species.key, depth_mm)
        if key not in self._events:
            margin = int(self.catalogue.rule("seed_margin"))
            standing = [
                one for one, rows in zip(self.standing, self.rows, strict=False) for _ in range(rows.stop - rows.start)
            ]
            seen = seen_of(species.key, standing, self.sow_dates, self.start) if standing else None
            self._events[key] = component_events(self.days, species, self.start, margin, depth_mm, seen)
        return self._events[key]

    @cached_property
    def weighed(self) -> tuple[np.ndarray, np.ndarray] | None:
        """Dry matter [kg ha-1] and nitrogen [fraction] by samples, each of shape (sowing, 1); None without one."""
        found = np.full((2, self.offset.size, 1), np.nan)
        for one, rows in zip(self.standing, self.rows, strict=False):
            for k, amount in enumerate((None, None) if one is None else (one.biomass_kg_ha, one.nitrogen_fraction)):
                if amount is not None:
                    found[k, rows] = amount
        return None if np.isnan(found).all() else (found[0], found[1])

    @cached_property
    def weed_seedlings(self) -> list[np.ndarray]:
        """Weed seedlings up since sowing by days from it, each gap of shape (sowing, year, day) [m-2].

        The bed is taken to be clean on the day of sowing, so that weeds start anew from it; a stale
        seedbed has spent part of them before.
        """
        days, rule = self.days, self.catalogue.rule
        half, steepness = rule("weed_emergence_half_common_lambsquarters_sum"), rule("weed_emergence_steepness")
        sums, found = days.weed_germination, []
        for rows in self.rows:
            start = self.start[rows]
            before = sums[start] - sums[np.maximum(start - days.place.stale_seedbed_d, 0)]
            left = 1 - seedlings_emerged(before, half, steepness) * (days.place.stale_seedbed_d > 0)
            up = seedlings_emerged(sums[self._days_after(rows)] - sums[start][..., None], half, steepness)
            up *= left[..., None] * rule("weed_seedlings")
            found.append(up)
        return found

    def _days_after(self, rows: slice) -> np.ndarray:
        """Position of each day from sowing on, shape (sowing, year, day)."""
        start, count = self.start[rows], int(self.limit[rows].max(initial=0)) + 1
        return np.asarray(np.minimum(start[..., None] + np.arange(count), self.days.dates.size - 1))

    @cached_property
    def weed_leaf_area(self) -> list[np.ndarray]:
        """Leaf area index of weeds without a cover, by days from sowing, each gap of shape (sowing, year, day).

        Where somebody saw them, they go on from what was seen.
        """
        rule, found = self.catalogue.rule, []
        young = rule("weed_seedling_area"), rule("weed_relative_growth")
        for gap, (rows, up) in enumerate(zip(self.rows, self.weed_seedlings, strict=True)):
            warmth = self.days.weed_warmth[self._days_after(rows)]
            area = weed_leaf_area(up, warmth, *young)
            one = self.standing[gap] if self.standing else None
            if one is not None and one.weeds_on is not None:
                for row, sown in enumerate(self.sow_dates[rows]):
                    day, pulled = (
                        None if on is None else max((on - sown).days, 0) for on in (one.weeds_on, one.weeded_on)
                    )
                    assert day is not None, "it is asked for above"
                    later = weeds_from(
                        day, one.weed_leaf_area, pulled, one.weeds_left_share, up[row], warmth[row], *young
                    )
                    area[row] = np.where(np.isnan(later), area[row], later)
            found.append(area)
        return found

    def weeds_on(self, day: np.ndarray) -> np.ndarray:
        """Leaf area index of weeds without a cover, a number of whole days after each sowing."""
        out = np.zeros(self.start.shape)
        for rows, area in zip(self.rows, self.weed_leaf_area, strict=True):
            at = np.clip(day[rows], 0, area.shape[-1] - 1)
            out[rows] = np.take_along_axis(area, at[..., None], axis=-1)[..., 0]
        return out

    @cached_property
    def weeds_close(self) -> np.ndarray:
        """Days from sowing until weeds alone would cover as much ground as the half cover asks, NaN if they do not."""
        rule = self.catalogue.rule
        wanted = -np.log(1 - rule("half_cover_share")) / rule("weed_light_extinction")
        closed = [area >= wanted for area in self.weed_leaf_area]
        for one, rows, shut in zip(self.standing, self.rows, closed, strict=False):
            if one is None or one.weeds_on is None:
                continue
            # What was reckoned for the days before was seen not to be so. Weeds that are over the cover on the day they
            # are seen can be pulled the day after; those that close over it until a later pulling have won.
            first = one.weeds_on if one.weeded_on is None else min(one.weeded_on, one.weeds_on + PULLED_AT_ONCE)
            for row, sown in enumerate(self.sow_dates[rows]):
                shut[row, :, : max((first - sown).days, 0)] = False
        return np.concatenate([np.where(c.any(axis=-1), c.argmax(axis=-1), np.nan) for c in closed])

    @cached_property
    def blocks(self) -> list[slice]:
        """Weather years that run side by side."""
        count = self.years.size
        return [slice(low, min(low + loop.WIDTH, count)) for low in range(0, count, loop.WIDTH)]

    @cached_property
    def _index(self) -> list[list[np.ndarray]]:
        """Position in the record of each day of a gap in each weather year; by gap, a block of years at a time."""
        last, found = self.days.dates.size - 1, []
        for rows, opening in zip(self.rows, self.opening, strict=True):
            days = np.arange(int(self.limit[rows][0, 0]) + 1)[:, None]
            found.append([np.clip(opening[b] + days, 0, last) for b in self.blocks])
        return found

    @cached_property
    def weather(self) -> list[list[np.ndarray]]:
        """The rows of `greengap.process.day_loop.Job.drivers` that all covers share; by gap and block of years."""
        days = self.days
        rows = {
            loop.ET0: days.reference_evapotranspiration,
            loop.RAIN: days.rain_after_runoff,
            loop.LIGHT: days.light,
            loop.SOIL_NITROGEN: days.mineralised,
        }
        return [[_gathered(index, rows, loop.DRIVER_ROWS) for index in blocks] for blocks in self._index]

    def canopy_units(self, species: Species) -> np.ndarray:
        """Running sum of canopy units, shape (day,) [°C d].

        In steps that float32 holds exactly, so that it does not matter on which day the count begins.
        """
        return np.round(self.days.sums(species.values["maturity_sum"]) / UNIT_STEP) * UNIT_STEP

    def units_up(self, species: Species, depth_mm: float) -> np.ndarray:
        """Canopy units on the day of emergence, counted from the first sowing date, shape (sowing, year) [°C d]."""
        units = self.canopy_units(species)
        up = self.events(species, depth_mm)["emerged"]
        return units[np.minimum(up, units.size - 1)] - units[np.maximum(self._opened, 0)]

    def day_of_gap(self, position: np.ndarray) -> np.ndarray:
        """Days from the first sowing date of the gap to a position in the record, shape (sowing, year) [d]."""
        return position - self._opened

    def growing(self, species: Species) -> list[list[np.ndarray]]:
        """The rows of `greengap.process.day_loop.Job.drivers` of a species; by gap and block of years."""
        if species.key not in self._growing:
            warmth, heat = self.days.growth_factors(species)
            units = self.canopy_units(species)
            rows = {loop.UNITS: units, loop.WARMTH: warmth, loop.HEAT: heat}
            found = []
            for opening, blocks in zip(self.opening, self._index, strict=True):
                found.append([_gathered(index, rows, loop.DRIVER_ROWS_EACH) for index in blocks])
                for years, index, out in zip(self.blocks, blocks, found[-1], strict=True):
                    # The running sum is brought near zero, so that float32 keeps its digits.
                    out[:, loop.UNITS, : index.shape[1]] = units[index] - units[np.maximum(opening[years], 0)]
            self._growing[species.key] = found
        return self._growing[species.key]

    def drivers(self, species: Sequence[Species]) -> list[list[np.ndarray]]:
        """`greengap.process.day_loop.Job.drivers` of a cover, flat; by gap and block of years."""
        each = [self.growing(s) for s in species]
        return [
            [np.concatenate([w, *(rows[g][b] for rows in each)], axis=1).ravel() for b, w in enumerate(blocks)]
            for g, blocks in enumerate(self.weather)
        ]


def reckoned_weeds(
    days: BlockDays, catalogue: Catalogue, sow_date: pd.Timestamp, years: np.ndarray, after_d: int
) -> tuple[np.ndarray, np.ndarray]:
    """Weeds that are to be expected some days after a sowing into a clean bed.

    Returns
    -------
    plants_m2, leaf_area : ndarray, shape (year,)
        Seedlings [m-2] and their leaf area index [-], of the years that could be run.
    """
    gap = GapDates((sow_date,), sow_date + pd.Timedelta(days=after_d))
    sowings = Sowings(days, catalogue, [gap], years)
    ran = sowings.ran[0]
    return sowings.weed_seedlings[0][0, ran, -1], sowings.weed_leaf_area[0][0, ran, -1]


def _gathered(index: np.ndarray, rows: Mapping[int, np.ndarray], count: int) -> np.ndarray:
    """Series of the record by day and year, shape (day, row, WIDTH)."""
    out = np.zeros((index.shape[0], count, loop.WIDTH), np.float32)
    for row, series in rows.items():
        out[:, row, : index.shape[1]] = series[index]
    return out
