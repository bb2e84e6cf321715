"""Runs every option through every weather year: the one place where the processes meet.

The growth in here is the thermal-time curve; a daily engine with light, water and nitrogen will take
its place behind the same function. Everything is counted per weather year, never on mean weather.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import xarray as xr

from greengap.catalogue import Catalogue, Cover, Species, Value
from greengap.process.evapotranspiration import hargreaves
from greengap.process.growth import biomass, cover_of_layers, leaf_layer
from greengap.process.hardiness import next_kill
from greengap.process.phenology import flower_day, next_long_day, viable_seed_day
from greengap.process.radiation import day_length_cbm, extraterrestrial_radiation, hargreaves_radiation
from greengap.process.soil_temperature import soil_temperature_5cm
from greengap.process.thermal_time import cumulative, day_reached, degree_days
from greengap.tables import DataFrame, Odds, Option, PurposeOdds, Season, Soil

FLOWERS_THAT_FEED = {"moderate", "good", "excellent"}
NEVER = np.iinfo(np.int64).max // 4


@dataclass(frozen=True)
class Target:
    """A quantity to be reached in a season: by the end of growth, within some days of sowing, or by a date."""

    name: str
    quantity: str  # biomass_kg_ha, nitrogen_kg_ha, nitrogen_fixed_kg_ha, ground_cover_fraction, bloom_d
    value: float
    within_d: int | None = None
    by: tuple[int, int] | None = None  # month, day
    words: str = ""


@dataclass(frozen=True)
class Place:
    """What the season needs to know of a block besides its weather."""

    soil: pd.Series  # one row of Soil
    lat: float
    irrigated: bool
    cold_offset_degc: float


class BlockWeather:
    """Daily series of one block and the sums that all covers share; each is reckoned once.

    Parameters
    ----------
    site : xarray.Dataset
        One weather site: `tmin_degc`, `tmax_degc`, `precipitation_mm` by `date`.
    place : Place
        The block.
    catalogue : Catalogue
        For the rules of practice that the soil temperature needs.
    """

    def __init__(self, site: xr.Dataset, place: Place, catalogue: Catalogue) -> None:
        self.dates = site["date"].to_numpy().astype("datetime64[D]")
        self.tmin = site["tmin_degc"].to_numpy().astype(float)
        self.tmax = site["tmax_degc"].to_numpy().astype(float)
        self.rain = site["precipitation_mm"].to_numpy().astype(float)
        self._radiation = site["radiation_mj_m2_d"].to_numpy().astype(float) if "radiation_mj_m2_d" in site else None
        self.place, self.catalogue = place, catalogue
        missing = np.isnan(self.tmin) | np.isnan(self.tmax) | np.isnan(self.rain)
        self.missing_before = np.concatenate([[0], np.cumsum(missing)])
        self._sums: dict[tuple[str, str, float | None, float | None, bool], np.ndarray] = {}

    @cached_property
    def day_of_year(self) -> np.ndarray:
        """Day of the year of each day, shape (day,)."""
        return (self.dates - self.dates.astype("datetime64[Y]")).astype(int) + 1

    @cached_property
    def extraterrestrial(self) -> np.ndarray:
        """Radiation above the atmosphere, shape (day,) [MJ m-2 d-1]."""
        return extraterrestrial_radiation(self.place.lat, self.day_of_year)

    @cached_property
    def radiation(self) -> np.ndarray:
        """Global radiation, measured or from the temperature range, shape (day,) [MJ m-2 d-1]."""
        estimated = hargreaves_radiation(self.tmin, self.tmax, self.extraterrestrial)
        if self._radiation is None:
            return estimated
        return np.where(np.isnan(self._radiation), estimated, self._radiation)

    @cached_property
    def reference_evapotranspiration(self) -> np.ndarray:
        """Reference evapotranspiration, missing days as zero, shape (day,) [mm d-1]."""
        return np.nan_to_num(hargreaves(self.tmin, self.tmax, self.extraterrestrial))

    @cached_property
    def soil_temperature(self) -> np.ndarray:
        """Soil temperature at 5 cm under a bare seedbed, shape (day,) [°C]."""
        soil, rule = self.place.soil, self.catalogue.rule
        depth_mm = rule("soil_profile_depth") * 1000
        water_mm = soil.available_water_fraction * rule("soil_water_share") * depth_mm
        return soil_temperature_5cm(
            tmin_degc=_bridged(self.tmin),
            tmax_degc=_bridged(self.tmax),
            radiation_mj_m2_d=_bridged(self.radiation),
            bulk_density_mg_m3=float(soil.bulk_density_mg_m3),
            soil_water_mm=float(water_mm),
            profile_depth_mm=depth_mm,
            mean_annual_air_degc=float(np.nanmean((self.tmin + self.tmax) / 2)),
        )

    def sums(self, value: Value, by_light: bool = False) -> np.ndarray:
        """Running thermal sum on the clock of `value`, missing days as zero, shape (day,) [°C d].

        With `by_light` each day counts by its light, up to the rule ``full_light``.
        """
        key = (value.clock, value.method, value.base_degc, value.upper_degc, by_light)
        if key not in self._sums:
            if value.clock == "soil":
                low = high = self.soil_temperature
            else:
                low, high = self.tmin, self.tmax
            daily = degree_days(low, high, value.base_degc or 0.0, value.upper_degc, value.method)
            if by_light:
                daily = daily * np.minimum(1.0, self.extraterrestrial / self.catalogue.rule("full_light"))
            self._sums[key] = cumulative(np.nan_to_num(daily))
        return self._sums[key]

    def mean_temperature(self, first: np.ndarray, last: np.ndarray) -> np.ndarray:
        """Mean air temperature from one day to another, both counted [°C]."""
        before = np.concatenate([[0.0], np.cumsum(np.nan_to_num((self.tmin + self.tmax) / 2))])
        last = np.minimum(last, self.dates.size - 1)
        return (before[last + 1] - before[first]) / (last + 1 - first)

    def kill_index(self, kill_degc: float) -> np.ndarray:
        """For each day, the position of the next day at or below the killing temperature, -1 if none."""
        return next_kill(self.tmin, kill_degc, offset_degc=self.place.cold_offset_degc)

    def long_day_index(self, hours: float) -> np.ndarray:
        """For each day, the position of the next day at least `hours` long, -1 if none."""
        return next_long_day(day_length_cbm(self.place.lat, self.day_of_year), hours)

    def soil_warm(self, minimum_degc: float, mean_d: int, hold_d: int) -> np.ndarray:
        """Days on which sowing finds warm soil: the running mean holds for some days, shape (day,)."""
        before = np.concatenate([[0.0], np.cumsum(self.soil_temperature)])
        mean = np.full(self.dates.size, -np.inf)
        mean[mean_d - 1 :] = (before[mean_d:] - before[:-mean_d]) / mean_d
        warm = mean >= minimum_degc
        held = warm.copy()
        for ahead in range(1, hold_d):
            held[:-ahead] &= warm[ahead:]
        return held


def _bridged(series: np.ndarray) -> np.ndarray:
    """The series with missing days bridged, so that a recursive model can pass over them."""
    return pd.Series(series).interpolate(limit_direction="both").to_numpy()


def _first(reached: np.ndarray) -> np.ndarray:
    """Index of the first True along the last axis as float, NaN if none."""
    return np.where(reached.any(axis=-1), reached.argmax(axis=-1).astype(float), np.nan)


def _at(array: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Values of (..., day) at one day each."""
    return np.take_along_axis(array, day[..., None].astype(int), axis=-1)[..., 0]


def same_day(date: pd.Timestamp, year: int) -> np.datetime64:
    """The date with its year replaced; 29 February becomes 28 February where there is none."""
    day = 28 if (date.month == 2 and date.day == 29) else date.day
    return np.datetime64(f"{year:04d}-{date.month:02d}-{day:02d}")


@dataclass
class _Run:
    """A cover on one block: sowing days by weather year, arrays of shape (sowing, year, day)."""

    start: np.ndarray  # (sowing, year) index of the sowing day in the weather record
    length: np.ndarray  # (sowing,) days to the latest termination
    day: np.ndarray  # (day,)

    @cached_property
    def index(self) -> np.ndarray:
        return self.start[..., None] + self.day


def _component(weather: BlockWeather, species: Species, run: _Run, margin_d: int) -> dict[str, np.ndarray]:
    """Course of one component: positions of its events in the record, dry matter and leaf layer by day."""
    last = weather.dates.size - 1
    total = species.number

    def when(index: np.ndarray) -> np.ndarray:
        return np.where(index < 0, NEVER, index)

    up = day_reached(weather.sums(species.values["emergence_sum"]), run.start, total("emergence_sum"))
    up = np.where(up - run.start > weather.catalogue.rule("longest_emergence"), -1, up)
    long_day = weather.long_day_index(total("flower_day_length")) if species.has("flower_day_length") else None
    after_up = np.where((up >= 0) & (up < last), up + 1, -1)
    flower_sums = weather.sums(species.values["flower_sum"])
    flower = flower_day(flower_sums, after_up, total("flower_sum"), long_day)
    seed = viable_seed_day(
        weather.sums(species.values["viable_seed_sum"]), after_up, total("flower_sum"), total("viable_seed_sum"), flower
    )
    after_flower = np.where((flower >= 0) & (flower < last), flower + 1, -1)
    bloom_end = day_reached(weather.sums(species.values["bloom_length_sum"]), after_flower, total("bloom_length_sum"))
    kill = weather.kill_index(total("frost_kill_temperature"))[np.maximum(up, 0)]
    kill = np.where(up < 0, NEVER, when(kill))
    flower, seed, bloom_end, emerged = when(flower), when(seed), when(bloom_end), when(up)
    # Dry matter stays where frost stops it; leaves are gone.
    is_up = run.index > emerged[..., None]
    alive = is_up & (run.index < kill[..., None])
    stop = np.minimum(np.minimum(run.index, kill[..., None]), last)
    start = np.minimum(emerged, last)

    def since_emergence(trait: str, by_light: bool = False) -> np.ndarray:
        sums = weather.sums(species.values[trait], by_light)
        return np.maximum(sums[stop] - sums[start][..., None], 0.0)

    mass = biomass(
        since_emergence("biomass_midpoint_sum", by_light=True),
        total("biomass_ceiling"),
        total("biomass_midpoint_sum"),
        total("biomass_slope"),
    )
    layer = leaf_layer(since_emergence("half_cover_sum"), total("half_cover_sum"))
    seed = np.where(seed < kill, seed, NEVER)
    return {
        "emerged": emerged,
        "flower": np.where(flower < kill, flower, NEVER),
        "bloom_end": np.minimum(bloom_end, kill),
        "seed": seed,
        "seed_end": np.where(seed < NEVER, seed - margin_d, NEVER),
        "kill": kill,
        "mass": np.where(is_up, mass, 0.0),
        "layer": np.where(alive, layer, 0.0),
    }


def _heat_share(weather: BlockWeather, species: Species, start: np.ndarray, emerged: np.ndarray) -> np.ndarray:
    """Share of the days from sowing to emergence that are too hot to establish."""
    if not species.has("heat_limit_establishment"):
        return np.zeros(start.shape)
    hot = np.concatenate([[0], np.cumsum(np.nan_to_num(weather.tmax) > species.number("heat_limit_establishment"))])
    stop = np.minimum(np.clip(emerged, start + 1, start + 21), weather.dates.size)
    return (hot[stop] - hot[start]) / (stop - start)


def _run_cover(
    weather: BlockWeather,
    cover: Cover,
    catalogue: Catalogue,
    sow_dates: list[pd.Timestamp],
    terminate_by: pd.Timestamp,
    years: np.ndarray,
    growth_aim: Target,
    targets: list[Target],
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray], np.ndarray]:
    """One cover on one block: Season columns and target results, each of shape (sowing, year), and which years ran."""
    rule = catalogue.rule
    first = weather.dates[0]
    start = np.array([[int((same_day(d, y) - first).astype(int)) for y in years] for d in sow_dates])
    length = np.array([(terminate_by - d).days for d in sow_dates])
    end = start + length[:, None]
    ran = (start >= 30) & (end < weather.dates.size)
    safe_start = np.where(ran, start, 30)
    safe_end = np.where(ran, end, 30)
    ran &= weather.missing_before[safe_end + 1] == weather.missing_before[np.maximum(safe_start - 30, 0)]
    run = _Run(safe_start, length, np.arange(length.max() + 1))

    shares = np.array([c.share_of_sole_rate for c in cover.components])
    weights = shares / shares.sum()
    species = [catalogue.species[c.species] for c in cover.components]
    margin = int(rule("seed_margin"))
    parts = [_component(weather, s, run, margin) for s in species]

    limit = np.broadcast_to(length[:, None], start.shape)

    def days(index: np.ndarray) -> np.ndarray:
        """Days from sowing to an event, NaN where it is not before the latest termination."""
        out = (index - safe_start).astype(float)
        return np.where(out <= limit, out, np.nan)

    emerged = np.max([p["emerged"] for p in parts], axis=0)
    kill_all = np.max([p["kill"] for p in parts], axis=0)
    seed_first = np.min([p["seed"] for p in parts], axis=0)
    seed_end = np.min([p["seed_end"] for p in parts], axis=0)
    growth_end = np.clip(np.minimum(np.minimum(seed_end, kill_all) - safe_start, limit), 0, None)

    cover_fraction = cover_of_layers(sum(w * p["layer"] for w, p in zip(weights, parts, strict=True)))
    demand_factor = sum(w * s.number("water_demand") for w, s in zip(weights, species, strict=True))
    if weather.place.irrigated:
        supply = np.ones(cover_fraction.shape)
    else:
        root_m = sum(w * s.number("rooting_depth") for w, s in zip(weights, species, strict=True))
        stored_mm = weather.place.soil.available_water_fraction * root_m * 1000 * rule("soil_water_share")
        inside = np.minimum(run.index, weather.dates.size - 1)
        bare = rule("bare_soil_demand")
        demand = np.cumsum(
            weather.reference_evapotranspiration[inside] * (bare + (demand_factor - bare) * cover_fraction), axis=-1
        )
        income = stored_mm + np.cumsum(np.nan_to_num(weather.rain)[inside], axis=-1)
        supply = np.minimum(1.0, income / np.maximum(demand, 1e-9))
    water = _at(supply, growth_end)
    masses = [w * p["mass"] for w, p in zip(weights, parts, strict=True)]
    mass = sum(masses) * water[..., None]

    def per_mass(trait: Callable[[Species], float]) -> np.ndarray:
        return sum(trait(s) * m for s, m in zip(species, masses, strict=True)) * water[..., None]

    nitrogen = per_mass(lambda s: s.number("tissue_nitrogen"))
    fixed = per_mass(lambda s: s.number("tissue_nitrogen") * s.number("fixed_share") if s.has("fixed_share") else 0.0)
    blooming = np.zeros(mass.shape, dtype=bool)
    for s, p in zip(species, parts, strict=True):
        if s.text("flower_value") in FLOWERS_THAT_FEED:
            blooming |= (run.index >= p["flower"][..., None]) & (run.index < p["bloom_end"][..., None])
    growing = run.day <= growth_end[..., None]
    blooming &= growing
    bloom_days = np.cumsum(blooming, axis=-1)

    courses = {
        "biomass_kg_ha": mass,
        "nitrogen_kg_ha": nitrogen,
        "nitrogen_fixed_kg_ha": fixed,
        "ground_cover_fraction": cover_fraction,
        "bloom_d": bloom_days,
    }

    def reached(target: Target) -> np.ndarray:
        """Days until a target is reached, NaN if not in time."""
        day = _first((courses[target.quantity] >= target.value) & growing)
        latest = growth_end.astype(float)
        if target.within_d is not None:
            latest = np.minimum(latest, target.within_d)
        if target.by is not None:
            until = [_days_until(d, target.by) for d in sow_dates]
            latest = np.minimum(latest, np.array(until, dtype=float)[:, None])
        return np.where(day <= latest, day, np.nan)

    warm = np.ones(start.shape, dtype=bool)
    for s in species:
        held = weather.soil_warm(
            s.number("minimum_soil_temperature"), int(rule("soil_warm_mean")), int(rule("soil_warm_hold"))
        )
        warm &= held[safe_start]
    aim_d = reached(growth_aim)
    met = ~np.isnan(aim_d)
    kill_d = days(kill_all)
    spared = np.isnan(kill_d) | (kill_d > np.where(met, aim_d, np.inf))
    heat = sum(
        w * _heat_share(weather, s, safe_start, p["emerged"]) for w, s, p in zip(weights, species, parts, strict=True)
    )
    first_flower = days(np.min([p["flower"] for p in parts], axis=0))
    columns = {
        "soil_warm": warm,
        "emergence_d": days(emerged),
        "half_cover_d": _first((cover_fraction >= 0.5) & growing),
        "first_flower_d": np.where(first_flower <= growth_end, first_flower, np.nan),
        "bloom_d": _at(bloom_days, growth_end).astype(float),
        "viable_seed_d": days(seed_first),
        "frost_kill_d": kill_d,
        "growth_end_d": growth_end.astype(float),
        "aim_d": aim_d,
        "biomass_kg_ha": _at(mass, growth_end),
        "nitrogen_kg_ha": _at(nitrogen, growth_end),
        "nitrogen_fixed_kg_ha": _at(fixed, growth_end),
        "water_supply_fraction": water,
        "heat_share": np.clip(heat, 0, 1),
        "growth_temperature_degc": weather.mean_temperature(safe_start, safe_start + growth_end),
        "frost_spared": spared,
        "aim_met": met,
        "seed_safe": seed_end - safe_start >= limit,
        "holds": warm & spared & met,
    }
    return columns, {t.name: ~np.isnan(reached(t)) for t in targets}, ran


def _days_until(sow: pd.Timestamp, by: tuple[int, int]) -> int:
    """Days from sowing to the next such day of the year."""
    month, day = by
    date = pd.Timestamp(year=sow.year, month=month, day=min(day, 28 if month == 2 else day))
    if date < sow:
        date = date.replace(year=sow.year + 1)
    return (date - sow).days


def simulate(
    options: DataFrame[Option],
    weather: xr.Dataset,
    site_of_block: Mapping[str, str],
    places: Mapping[str, Place],
    catalogue: Catalogue,
    growth_aim: Target,
    targets: list[Target],
    progress: Callable[[int, int], None] | None = None,
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
        Called with (done, total) after each cover of a gap.

    Returns
    -------
    season : DataFrame[Season]
        One row per option and weather year that has complete weather from 30 days before sowing
        to the latest termination.
    purpose_odds : DataFrame[PurposeOdds]
        Years in which each target is met.
    """
    years = np.unique(weather["date"].dt.year.to_numpy())
    blocks: dict[str, BlockWeather] = {}
    seasons, odds = [], []
    groups = list(options.groupby(["gap_id", "cover_id"], sort=False))
    for done, ((_, cover_id), rows) in enumerate(groups, start=1):
        block_id = rows["block_id"].iloc[0]
        if block_id not in blocks:
            site = weather.sel(site_id=site_of_block[block_id])
            blocks[block_id] = BlockWeather(site, places[block_id], catalogue)
        columns, met, ran = _run_cover(
            blocks[block_id], catalogue.covers[cover_id], catalogue, list(rows["sow_date"]),
            rows["terminate_by"].iloc[0], years, growth_aim, targets,
        )  # fmt: skip
        ids = rows["option_id"].to_numpy()
        where = np.nonzero(ran)
        table = {"option_id": ids[where[0]], "weather_year": years[where[1]]}
        seasons.append(pd.DataFrame(table | {name: column[where] for name, column in columns.items()}))
        for target in targets:
            odds.append(
                pd.DataFrame(
                    {
                        "option_id": ids,
                        "purpose": target.name,
                        "aim": target.words,
                        "met_years": (met[target.name] & ran).sum(axis=1),
                        "years": ran.sum(axis=1),
                    }
                )
            )
        if progress:
            progress(done, len(groups))
    empty_season = pd.DataFrame(columns=list(Season.to_schema().columns))
    empty_odds = pd.DataFrame(columns=list(PurposeOdds.to_schema().columns))
    return (
        Season.validate(pd.concat(seasons, ignore_index=True) if seasons else empty_season),
        PurposeOdds.validate(pd.concat(odds, ignore_index=True) if odds else empty_odds),
    )


def count_odds(options: DataFrame[Option], season: DataFrame[Season]) -> DataFrame[Odds]:
    """Counts of weather years and ranges for each option; dates are those of the plan's year.

    Parameters
    ----------
    options : DataFrame[Option]
    season : DataFrame[Season]

    Returns
    -------
    DataFrame[Odds]
        One row per option, in the order of `options`; options without a usable year count zero.
    """
    counted = ["soil_warm", "frost_spared", "aim_met", "seed_safe", "holds"]
    grouped = season.groupby("option_id", sort=False)
    counts = grouped[counted].sum().astype(int)
    counts.columns = ["soil_warm_years", "frost_spared_years", "aim_years", "seed_safe_years", "holds_years"]
    counts.insert(0, "years", grouped.size())
    mass = grouped["biomass_kg_ha"].quantile([0.1, 0.5, 0.9]).unstack()
    mass.columns = ["biomass_p10_kg_ha", "biomass_p50_kg_ha", "biomass_p90_kg_ha"]
    flowers = season.assign(last_flower_d=season["first_flower_d"] + season["bloom_d"], has_bloom=season["bloom_d"] > 0)
    bloom = flowers[flowers["has_bloom"]].groupby("option_id")[["first_flower_d", "last_flower_d"]].median()
    bloom_years = flowers.groupby("option_id")["has_bloom"].sum()
    end = grouped["growth_end_d"].quantile(0.1)
    ready = season[season["aim_met"]].groupby("option_id")["aim_d"].median()

    out = options.set_index("option_id")[["sow_date"]].join(counts).join(mass)
    for column in out.columns.difference(["sow_date"]):
        out[column] = out[column].fillna(0)

    def date(days: pd.Series) -> pd.Series:
        return out["sow_date"] + pd.to_timedelta(np.floor(days.reindex(out.index)), unit="D")

    out["ready_from"] = date(ready)
    out["terminate_by"] = date(end).fillna(options.set_index("option_id")["terminate_by"])
    killed = season["frost_kill_d"].notna() & (season["frost_kill_d"] <= season["growth_end_d"])
    seeded = ~killed & ~season["seed_safe"]
    cause = pd.Series(np.select([killed, seeded], ["frost", "seed set"], "next crop"), index=season["option_id"])
    share = pd.crosstab(cause.index, cause.to_numpy()).reindex(columns=["frost", "seed set", "next crop"], fill_value=0)
    out["ended_by"] = share.idxmax(axis=1).reindex(out.index).fillna("next crop")
    often = bloom_years.reindex(out.index).fillna(0) * 2 >= out["years"].clip(lower=1)
    out["first_flower"] = date(bloom["first_flower_d"]).where(often)
    out["last_flower"] = date(bloom["last_flower_d"]).where(often)
    return Odds.validate(out.drop(columns="sow_date").reset_index())


def soil_row(soil: DataFrame[Soil], block_id: str) -> pd.Series:
    """The soil of one block."""
    return soil.loc[soil["block_id"] == block_id].iloc[0]
