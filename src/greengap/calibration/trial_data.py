"""Reads the trials that the season is calibrated and checked on, as typed tables with their weather.

Every row of a file is used or reported. What is split is the site-year, a place and a year of sowing,
never the plot: plots of one field share weather and soil, and would tell the test what they were fitted to.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import xarray as xr

from greengap.calibration.trial_cells import (
    FLOWERING,
    read_amount,
    read_dates,
    read_flowering,
    read_sampling,
    read_stage,
    read_us_date,
    read_years,
)
from greengap.calibration.trial_levels import read_long_term_rye, read_new_york, read_published_ranges
from greengap.calibration.trial_rows import COVER_IDS, Gathered, signed, text_table, typed, watered
from greengap.calibration.trial_weather import FARTHEST_KM, Station, covers, nearest, stations, weather_of
from greengap.errors import Fate, ImportReport
from greengap.tables import DataFrame, Level, Observation

HERE = Path(__file__).parent
LONGEST_SOWING_D = 14  # a sowing spread over more days is no date
LONGEST_SAMPLING_D = 14
SWARD_SPECIES = {
    "Trifolium pratense": "red_clover",
    "Trifolium repens": "white_clover",
    "Lolium perenne": "perennial_ryegrass",
    "Dactylis glomerata": "cocksfoot",
    "Phleum pratense": "timothy",
    "Festuca arundinacea": "tall_fescue",
    "Poa pratensis": "smooth_meadow_grass",
}


@dataclass
class TrialData:
    """What was read.

    Attributes
    ----------
    observations : DataFrame[Observation]
        Dated, with weather.
    levels : DataFrame[Level]
        Without dates or weather.
    weather : dict of str to Dataset
        Daily weather by site-year: dimensions (site_id, date) with one site.
    report : ImportReport
        Every row that is in neither table, and why.
    """

    observations: DataFrame[Observation]
    levels: DataFrame[Level]
    weather: dict[str, xr.Dataset]
    report: ImportReport


def read_trials(folder: Path, checks: Path | None = None, farthest_km: float = FARTHEST_KM) -> TrialData:
    """Read all trials of a data folder.

    Parameters
    ----------
    folder : Path
        Holds the folders cover_crop_trials, cereal_rye_biomass, ny_summer_winter_cover_crops,
        field_crop_phenology, clover_grass_swards, weather_daily and soil_temperature.
    checks : Path, optional
        Table of published ranges of biomass, rows ``bio_``.
    farthest_km : float
        Largest distance from a trial to the station that stands for it [km].

    Returns
    -------
    TrialData
        Typed tables, weather and report.

    Raises
    ------
    InputProblem
        If a folder or file is missing.
    """
    gathered = Gathered()
    found = stations(folder, gathered.report)
    read_cover_crop_trials(folder, found, farthest_km, gathered)
    read_rye(folder, found, farthest_km, gathered)
    read_long_term_rye(folder, gathered)
    read_new_york(folder, gathered)
    read_field_crops(folder, gathered)
    read_swards(folder, gathered)
    if checks is not None:
        read_published_ranges(checks, gathered)
    return TrialData(
        typed(gathered.observations, Observation),
        typed(gathered.levels, Level),
        gathered.weather,
        gathered.report,
    )


def read_cover_crop_trials(folder: Path, found: list[Station], farthest_km: float, gathered: Gathered) -> None:
    """Published results of spring- and summer-sown covers: amounts and flowers with both dates and weather near."""
    file, table = text_table(folder, "cover_crop_trials/trials.csv")
    used = 0
    for line, row in table.iterrows():
        place, cover = row["place"], row["species_key_or_mix"]
        cover = COVER_IDS.get(cover, cover)
        common = {"cover_id": cover, "place": place, "irrigated": watered(row["irrigation"])}
        lat, lon = signed(row["lat"]), signed(row["lon"])
        source = f"{file}, {row['trial_id']}"
        wanted: list[dict[str, Any]] = []
        amount = read_amount(row["dry_matter_kg_ha"])
        sowings = read_dates(row["sowing_date"], read_years(row["year"]))
        why = _why_undated(row, sowings, amount is not None)
        if amount is not None and not why:
            sown = sowings[0].middle
            cut = read_sampling(row["sampling_date_or_days"], sown)[0].middle
            figures = {"value": amount.value, "low": amount.low, "high": amount.high}
            wanted.append({"quantity": "biomass_kg_ha", "sow_date": sown, "observe_date": cut, **figures})
        for sown, seen, in_flower in read_flowering(row["flower_days_or_date"]):
            days = {"high" if in_flower else "low": float((seen - sown).days)}
            wanted.append({"quantity": "first_flower_d", "sow_date": sown, "observe_date": seen, **days})
        before = len(gathered.observations)
        for event in wanted:
            if lat is None or lon is None:
                why = "no single place with coordinates"
                break
            near = nearest(found, lat, lon, event["sow_date"], event["observe_date"], farthest_km)
            if near is None:
                why = f"no weather within {farthest_km:.0f} km that has every day"
                continue
            station, km = near
            where = {"lat": lat, "lon": lon, "source": f"{source}; weather of {station.name}, {km:.0f} km away"}
            site_year = f"{station.name} {event['sow_date'].year}"
            gathered.observe(site_year, station.read(), **common, **where, **event)
        if len(gathered.observations) > before:
            used += 1
        else:
            gathered.report.note(file, f"line {line}, {row['trial_id']}", Fate.SKIPPED, why)
    gathered.report.count(file, len(table), used)


def read_rye(folder: Path, found: list[Station], farthest_km: float, gathered: Gathered) -> None:
    """Plots of winter rye: biomass, and from the growth stage whether it had flowered."""
    file, table = text_table(folder, "cereal_rye_biomass/3_rye_data.csv")
    _, studies = text_table(folder, "cereal_rye_biomass/2_study_metadata.csv")
    places: dict[tuple[str, ...], tuple[float, float]] = {}
    for row in studies.to_dict("records"):
        lat, lon = signed(row["latitude"]), signed(row["longitude"])
        if lat is None or lon is None:
            continue
        site = row["study_id"], _letters(row["site_name"])
        places.setdefault(site, (lat, lon))
        places[(*site, row["year"])] = (lat, lon)
    used = 0
    near: dict[tuple[object, ...], tuple[Station, float] | None] = {}
    for line, row in table.iterrows():
        site = row["study_id"], _letters(row["site_id"])
        place = places.get((*site, row["year"])) or places.get(site)
        sown, cut = read_us_date(row["rye_planting_date"]), read_us_date(row["rye_sampling_date"])
        amount = signed(row["shoot_biomass_mean_kg_ha"])
        if sown is None or cut is None or amount is None or cut <= sown:
            why = "no sowing date, sampling date or biomass"
            gathered.report.note(file, f"line {line}", Fate.SKIPPED, why)
            continue
        if place is None:
            gathered.report.note(file, f"line {line}", Fate.SKIPPED, "site has no coordinates under this spelling")
            continue
        key = (place, sown, cut)
        if key not in near:
            near[key] = nearest(found, *place, sown, cut, farthest_km)
        match = near[key]
        if match is None:
            why = f"no weather within {farthest_km:.0f} km that has every day"
            gathered.report.note(file, f"line {line}", Fate.SKIPPED, why)
            continue
        station, km = match
        common: dict[str, Any] = {
            "place": row["site_id"],
            "lat": place[0],
            "lon": place[1],
            "cover_id": "cereal_rye",
            "sow_date": sown,
            "observe_date": cut,
            "source": f"{file}, line {line}; cv {row['cultivar']}; weather of {station.name}, {km:.0f} km away",
        }
        site_year = f"{station.name} {sown.year}"
        gathered.observe(site_year, station.read(), quantity="biomass_kg_ha", value=amount, **common)
        stage = read_stage(row["growth_stage_at_termination"])
        if stage is not None and (stage[0] >= FLOWERING or stage[1] < FLOWERING):
            days = {"high" if stage[0] >= FLOWERING else "low": float((cut - sown).days)}
            gathered.observe(site_year, station.read(), quantity="first_flower_d", **days, **common)
        used += 1
    gathered.report.count(file, len(table), used)


def read_field_crops(folder: Path, gathered: Gathered) -> None:
    """Related field crops with their own weather: emergence, first flower, shoot at maturity."""
    file, table = text_table(folder, "field_crop_phenology/observations.csv")
    daily_file, daily = text_table(folder, "field_crop_phenology/weather_daily.csv")
    gathered.report.count(daily_file, len(daily), len(daily))
    places = pd.read_csv(HERE / "experiment_places.csv", dtype=str, keep_default_na=False).set_index("experiment")
    for experiment, row in places[places["lat"] != ""].iterrows():
        gathered.report.assume(f"{experiment} in {file}: place set to {row['lat']}, {row['lon']}; {row['reason']}.")
    names = {"solar_mj_m2": "radiation_mj_m2_d", "tmax_c": "tmax_degc", "tmin_c": "tmin_degc"}
    daily = daily.rename(columns=names | {"precip_mm": "precipitation_mm"})
    records: dict[str, xr.Dataset] = {}
    used = 0
    for line, row in table.iterrows():
        experiment = row["experiment"]
        at = places.loc[experiment]
        if at["use"] != "yes":
            gathered.report.note(file, f"line {line}, {experiment}", Fate.SKIPPED, at["reason"])
            continue
        lat, lon = float(at["lat"] or row["lat"]), float(at["lon"] or row["lon"])
        if experiment not in records:
            days = daily[daily["experiment"] == experiment].set_index("date").drop(columns="experiment").astype(float)
            days.index = pd.to_datetime(days.index)
            height = float(row["elev_m"] or "nan")
            records[experiment] = weather_of(days, at["place"], lat, lon, height, daily_file, gathered.report)
        sown = pd.Timestamp(row["planting"])
        events: list[dict[str, Any]] = []
        for column, quantity in (("emergence", "emergence_d"), ("anthesis", "first_flower_d")):
            if row[column]:
                day = pd.Timestamp(row[column])
                events.append({"quantity": quantity, "observe_date": day, "value": float((day - sown).days)})
        if row["shoot_dm_kg_ha"] and row["maturity"]:
            cut, amount = pd.Timestamp(row["maturity"]), float(row["shoot_dm_kg_ha"])
            events.append({"quantity": "biomass_kg_ha", "observe_date": cut, "value": amount})
        kept = [event for event in events if covers(records[experiment], sown, event["observe_date"])]
        for event in kept:
            gathered.observe(
                f"{at['place']} {sown.year}",
                records[experiment],
                place=at["place"],
                lat=lat,
                lon=lon,
                cover_id=row["crop"].lower().replace(" ", "_"),
                sow_date=sown,
                irrigated=watered(row["treatment_name"]),
                source=f"{file}, line {line}; {experiment}, {row['treatment_name'].strip()}, cv {row['cultivar']}",
                **event,
            )
        if kept:
            used += 1
        else:
            why = "weather has a hole between sowing and the event" if events else "no date of emergence or flower"
            gathered.report.note(file, f"line {line}, {experiment}", Fate.SKIPPED, why)
    gathered.report.count(file, len(table), used)


def read_swards(folder: Path, gathered: Gathered) -> None:
    """First cut after sowing of clovers and grasses sown alone."""
    file, table = text_table(folder, "clover_grass_swards/harvests.csv")
    _, sites = text_table(folder, "clover_grass_swards/site_info.csv")
    daily_file, daily = text_table(folder, "clover_grass_swards/weather_daily.csv")
    gathered.report.count(daily_file, len(daily), len(daily))
    names = {"tmax_c": "tmax_degc", "tmin_c": "tmin_degc", "precip_mm": "precipitation_mm"}
    daily = daily.rename(columns=names)[["site", "date", *names.values()]]
    daily[list(names.values())] = daily[list(names.values())].apply(pd.to_numeric)
    known: dict[str, tuple[Mapping[str, str], pd.Timestamp, float, float, xr.Dataset]] = {}
    for site in sites.to_dict("records"):
        lat = (int(site["lat_deg"]) + int(site["lat_min"]) / 60) * (-1 if site["lat_ns"] == "S" else 1)
        lon = (int(site["long_deg"]) + int(site["long_min"]) / 60) * (-1 if site["long_ew"] == "W" else 1)
        days = daily[daily["site"] == site["site"]].set_index("date").drop(columns="site")
        days.index = pd.to_datetime(days.index)
        height = float(site["elevation"])
        weather = weather_of(days, site["location"], lat, lon, height, daily_file, gathered.report)
        known[site["site"]] = site, read_us_date(site["sowing_date"]), lat, lon, weather
    used = 0
    for line, row in table.iterrows():
        site, sown, lat, lon, weather = known[row["site"]]
        alone = next((c for c in ("g1", "g2", "l1", "l2") if float(row[c]) == 1.0), None)
        cut = pd.Timestamp(row["harvest_dt"])
        amount = signed(row[f"{alone}_y"]) if alone else None
        total = signed(row["harv_yield"])
        why = ""
        if (row["yearn"], row["harvest"]) != ("1", "1"):
            why = "not the first cut after sowing"
        elif alone is None:
            why = "sown as a mixture"
        elif amount is None or total is None:
            why = "yield of the species not given"
        elif amount > 1.05 * total:
            why = f"yield of the species, {amount} t/ha, above that of the plot, {total} t/ha"
        elif not covers(weather, sown, cut):
            why = "weather does not reach from sowing to the cut"
        if why or amount is None:
            gathered.report.note(file, f"line {line}", Fate.SKIPPED, why)
            continue
        cleaned = f"; cleaning cut {site['cleaning_cut_date']}" if site["cleaning_cut_date"] else ""
        gathered.observe(
            f"{site['location']} {sown.year}",
            weather,
            place=site["location"],
            lat=lat,
            lon=lon,
            cover_id=SWARD_SPECIES[site[f"{alone}_species"]],
            sow_date=sown,
            observe_date=cut,
            quantity="biomass_kg_ha",
            value=amount * 1000,
            source=f"{file}, line {line}; without weeds, above {site['harvest_ht']}{cleaned}",
        )
        used += 1
    gathered.report.count(file, len(table), used)


def _why_undated(row: pd.Series, sowings: list, amount: bool) -> str:
    """Why the dry matter of a row cannot be placed between two days; empty if it can."""
    if not amount:
        return "no dry matter"
    if not sowings:
        return f"sowing date {row['sowing_date']!r} is not a date"
    if len(sowings) > 1:
        return "one amount for several sowings"
    if (sowings[0].last - sowings[0].first).days > LONGEST_SOWING_D:
        return "sown over too many days"
    cuts = read_sampling(row["sampling_date_or_days"], sowings[0].middle)
    if len(cuts) != 1 or (cuts[0].last - cuts[0].first).days > LONGEST_SAMPLING_D:
        return f"sampling {row['sampling_date_or_days']!r} is not one date"
    return ""


def _letters(text: str) -> str:
    """A site name without what spellings differ in."""
    return re.sub(r"[^a-z0-9]", "", text.lower())
