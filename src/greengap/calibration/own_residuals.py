"""How far what was seen of a sowing lies from what the engine reckons for the same day, block and weather.

The weather is that of the year itself, never a distribution. Every residual stands on the scale of the number
that may move, so that a shift of it is a factor on that number.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
import xarray as xr

from greengap.advice.seeding import emergence_fraction, seeds_per_m2, typical_pls
from greengap.calibration.own_sowings import OwnSowing, Seen, of_species
from greengap.calibration.trial_season import record_around, stand_given, with_number
from greengap.catalogue import Catalogue, Species
from greengap.catalogue.learned import own_value, start_of
from greengap.process.drivers import NEVER, BlockDays, Place, component_events
from greengap.process.season import Target, simulate
from greengap.process.seedbed import sole_rate, sowing_depth
from greengap.process.thermal_time import day_reached
from greengap.tables import Option

PARAMETER_OF = {"up": "emergence", "stand": "stand", "flower": "flowering", "sample": "growth"}
LEAD_D = 30  # days of weather before sowing without which the season does not run
NUDGE = 1.2  # factor on growth by which it is found how much the dry matter answers
COLUMNS = (
    "record_ids", "species", "parameter", "block_id", "sown", "date", "year", "observed", "reckoned", "residual",
    "slope", "why_not",
)  # fmt: skip


@dataclass(frozen=True)
class NotUsed(Exception):
    """Why a thing seen moves nothing."""

    reason: str


class OwnGround:
    """A block with the weather of its years; its daily series are reckoned once.

    Parameters
    ----------
    weather : Dataset
        One site by date, dimensions (site_id, date); days of no record are missing.
    place : Place
    """

    def __init__(self, weather: xr.Dataset, place: Place) -> None:
        self.weather, self.place = weather, place
        self.dates = weather["date"].to_numpy().astype("datetime64[D]")
        parts = [weather[n].isel(site_id=0).to_numpy() for n in ("tmin_degc", "tmax_degc", "precipitation_mm")]
        self.known = np.concatenate([[0], np.cumsum(~np.isnan(np.stack(parts)).any(axis=0))])
        self._kept: tuple[Catalogue, BlockDays] | None = None

    def days(self, catalogue: Catalogue) -> BlockDays:
        """Daily series by the rules of a catalogue."""
        if self._kept is None or self._kept[0] is not catalogue:
            self._kept = catalogue, BlockDays(self.weather.isel(site_id=0), self.place, catalogue)
        return self._kept[1]

    @cached_property
    def drilled(self) -> OwnGround:
        """The same block as if it were drilled."""
        if self.place.method == "drilled":
            return self
        return OwnGround(self.weather, replace(self.place, method="drilled"))

    def at(self, date: pd.Timestamp) -> int:
        """Position of a day in the record; outside of it where the record does not reach."""
        return int((date.to_datetime64().astype("datetime64[D]") - self.dates[0]).astype(int))

    def has(self, sown: pd.Timestamp, until: pd.Timestamp) -> bool:
        """Whether every day is there from `LEAD_D` days before sowing."""
        first, last = self.at(sown) - LEAD_D, self.at(until)
        if first < 0 or last >= self.dates.size:
            return False
        return bool(self.known[last + 1] - self.known[first] == last + 1 - first)


def residuals(sowings: list[OwnSowing], grounds: Mapping[str, OwnGround], catalogue: Catalogue) -> pd.DataFrame:
    """Residual of everything seen, or why there is none.

    Parameters
    ----------
    sowings : list of OwnSowing
    grounds : mapping of block_id to OwnGround
    catalogue : Catalogue
        Without anything learned.

    Returns
    -------
    DataFrame
        `COLUMNS`: record_ids (joined by spaces), species, parameter, block_id, sown, date, year (of sowing);
        observed and reckoned (days from sowing, share of the full stand, or dry matter [kg/ha]); residual [log] and
        slope, NaN where `why_not` says why it is not used.
    """
    rows = []
    given = stand_given(catalogue)
    for sowing in sowings:
        first_look: set[str] = set()
        for seen in sowing.seen:
            if seen.what not in PARAMETER_OF:
                continue
            species = of_species(seen, sowing, catalogue)
            row = {
                "record_ids": " ".join(seen.record_ids), "species": species, "parameter": PARAMETER_OF[seen.what],
                "block_id": sowing.block_id, "sown": sowing.sown, "date": seen.date, "year": sowing.sown.year,
                "observed": np.nan, "reckoned": np.nan, "residual": np.nan, "slope": np.nan, "why_not": "",
            }  # fmt: skip
            try:
                _usable(sowing, seen, species, grounds, first_look)
                ground, s = grounds[sowing.block_id], catalogue.species[species]
                of = {"up": _emergence, "flower": _flowering, "stand": _stand}.get(seen.what)
                found = (
                    of(ground, s, sowing, seen, catalogue) if of else _growth(ground, s, sowing, seen, catalogue, given)
                )
                row |= dict(zip(("observed", "reckoned", "residual", "slope"), found, strict=True))
            except NotUsed as note:
                row["why_not"] = note.reason
            rows.append(row)
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _usable(
    sowing: OwnSowing, seen: Seen, species: str, grounds: Mapping[str, OwnGround], first_look: set[str]
) -> None:
    """Raise `NotUsed` for what no reckoning goes with."""
    if not species:
        raise NotUsed("of a whole mix, and no species is named")
    if sowing.block_id not in grounds:
        raise NotUsed("the block is not on the farm any more")
    ground = grounds[sowing.block_id]
    if not ground.has(sowing.sown, seen.date):
        raise NotUsed("the weather of these days is not in the farm's files")
    if seen.date <= sowing.sown:
        raise NotUsed("seen on the day of sowing")
    losses = [o.date for o in sowing.seen if o.what == "loss" and of_any(o, species)]
    if seen.what in ("stand", "sample") and losses and min(losses) <= seen.date:
        raise NotUsed("seen after animals had been there: it counts as a loss")
    if seen.what == "stand":
        if species in first_look:
            raise NotUsed("a later look: the first tells what came up")
        first_look.add(species)


def of_any(seen: Seen, species: str) -> bool:
    """Whether a thing seen is about a species or the whole stand."""
    return seen.species in ("", species)


Found = tuple[float, float, float, float]  # observed, reckoned, residual, slope


def _depth(sowing: OwnSowing, species: Species, catalogue: Catalogue) -> float:
    if sowing.depth_mm is not None and sowing.depth_mm > 0:
        return sowing.depth_mm
    return sowing_depth(catalogue.covers[sowing.cover_id], catalogue).depth_mm[species.key]


def _middle(sums: np.ndarray, at: int) -> float:
    """Sum at noon of the day on which something was seen."""
    return float(sums[at - 1] + sums[at]) / 2


def _emergence(ground: OwnGround, s: Species, sowing: OwnSowing, seen: Seen, catalogue: Catalogue) -> Found:
    start, at = ground.at(sowing.sown), ground.at(seen.date)
    sums, wanted = ground.days(catalogue).emergence_sums(s, _depth(sowing, s, catalogue)), s.number("emergence_sum")
    got = _middle(sums, at) - sums[start - 1]
    if got <= 0:
        raise NotUsed("by the reckoning the soil was too cold or too dry to sprout at all")
    up = int(day_reached(sums, np.array([start]), wanted)[0])
    return at - start, up - start if up >= 0 else np.nan, float(np.log(got / wanted)), 1.0


def _flowering(ground: OwnGround, s: Species, sowing: OwnSowing, seen: Seen, catalogue: Catalogue) -> Found:
    start, at, days = ground.at(sowing.sown), ground.at(seen.date), ground.days(catalogue)
    events = component_events(days, s, np.array([[start]]), 0, _depth(sowing, s, catalogue))
    ups = [ground.at(o.date) for o in sowing.seen if o.what == "up" and of_any(o, s.key)]
    up = ups[0] if ups else int(events["emerged"][0, 0])
    if up >= NEVER or up >= at:
        raise NotUsed("by the reckoning it was not up by then; write down when it came up")
    develops = up
    if s.has("vernalisation_cold"):
        develops = int(day_reached(days.cold_sums(s), np.array([up + 1]), s.number("vernalisation_cold"))[0])
        if not 0 <= develops < at:
            raise NotUsed("by the reckoning it had not had its cold by then")
    sums, wanted = days.development_sums(s), s.number("flower_sum")
    if s.has("flower_day_length"):
        ready = int(day_reached(sums, np.array([develops + 1]), wanted)[0])
        if ready >= 0 and days.long_day_index(s.number("flower_day_length"))[ready] > ready:
            raise NotUsed("it waits for longer days, so that its date tells nothing of warmth")
    got = _middle(sums, at) - sums[develops]
    if got <= 0:
        raise NotUsed("by the reckoning it had had no warmth since it came up")
    flower = events["flower"][0, 0]
    reckoned = float(flower - start) if flower < NEVER else np.nan
    return at - start, reckoned, float(np.log(got / wanted)), 1.0


def stand_share(sowing: OwnSowing, seen: Seen, s: Species, place: Place, catalogue: Catalogue) -> float:
    """Plants that were counted against those of a full stand from the seed that went in.

    Fewer than half a plant in the ground that was counted cannot be told from none, and count as half a plant.
    """
    method = sowing.method or place.method
    if sowing.seed_kg_m2 is not None:
        rate = sowing.seed_kg_m2 * 10_000
    else:
        shares = {c.species: c.share_of_sole_rate for c in catalogue.covers[sowing.cover_id].components}
        rate = sole_rate(s, method, catalogue) * shares[s.key]
    live = seeds_per_m2(rate, s.number("seed_weight")) * typical_pls(s)
    least = 0.5 / seen.area_m2 if seen.area_m2 > 0 else 0.0
    return max(seen.value, least) / (live * emergence_fraction(method, catalogue))


def _stand(ground: OwnGround, s: Species, sowing: OwnSowing, seen: Seen, catalogue: Catalogue) -> Found:
    start = ground.at(sowing.sown)
    days = ground.drilled.days(catalogue)  # the method is in the full stand
    events = component_events(days, s, np.array([[start]]), 0, _depth(sowing, s, catalogue))
    reckoned = float(events["stand_share"][0, 0])
    observed = stand_share(sowing, seen, s, ground.place, catalogue)
    if events["emerged"][0, 0] > ground.at(seen.date):
        raise NotUsed("by the reckoning it was not up yet when it was counted")
    if reckoned <= 0 or observed <= 0:
        raise NotUsed("by the reckoning there is no stand at all")
    return observed, reckoned, float(np.log(observed / reckoned)), 1.0


def _growth(
    ground: OwnGround, s: Species, sowing: OwnSowing, seen: Seen, catalogue: Catalogue, given: Catalogue
) -> Found:
    if catalogue.covers[sowing.cover_id].is_mix:
        raise NotUsed("weighed from a mix: how much each species grew is not known")
    if not seen.value > 0:
        raise NotUsed("nothing was weighed")
    counted = [o for o in sowing.seen if o.what == "stand" and o.date <= seen.date and of_any(o, s.key)]
    share = min(1.0, stand_share(sowing, counted[0], s, ground.place, catalogue)) if counted else 1.0
    light = start_of(s, "growth", catalogue)
    weather = record_around(ground.weather, sowing.sown, seen.date)
    place = replace(ground.place, method=sowing.method or ground.place.method)
    grown = []
    for factor in (1.0, NUDGE):
        changed = with_number(given.species[s.key], "radiation_use_multiplier", light * factor)
        values = changed.values | {"stand_multiplier": own_value(s, "stand_multiplier", share)}
        changed = replace(changed, values=values)
        run = replace(given, species=given.species | {s.key: changed})
        grown.append(_dry_matter(place, weather, sowing, seen.date, run))
    if not min(grown) > 1.0:
        raise NotUsed("by the reckoning it had not grown at all")
    slope = float(np.log(grown[1] / grown[0]) / np.log(NUDGE))
    return seen.value, grown[0], float(np.log(seen.value / grown[0])), slope


def _dry_matter(place: Place, weather: xr.Dataset, sowing: OwnSowing, cut: pd.Timestamp, run: Catalogue) -> float:
    """Dry matter of a sowing on a day, a stand given [kg ha-1]."""
    row = {
        "option_id": "own", "gap_id": "own", "block_id": sowing.block_id, "cover_id": sowing.cover_id,
        "sow_date": sowing.sown, "terminate_by": cut,
    }  # fmt: skip
    site = {sowing.block_id: str(weather["site_id"].to_numpy()[0])}
    any_growth = Target("growth", "biomass_kg_ha", 1.0)
    options = Option.validate(pd.DataFrame([row]))
    season = simulate(options, weather, site, {sowing.block_id: place}, run, any_growth, [])[0]
    of_year = season.loc[season["weather_year"] == sowing.sown.year, "biomass_kg_ha"]
    return float(of_year.iloc[0]) if len(of_year) else np.nan
