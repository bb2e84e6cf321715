"""Runs the season engine on trials: one block, one sowing, the weather of the trial, until it was cut.

One rule of a farm is left out: a trial is cut by the calendar, not in good time before seed turns viable.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr

from greengap.catalogue import Catalogue, Component, Cover, Species
from greengap.process.drivers import NEVER, BlockDays, Place, component_events
from greengap.process.season import Target, simulate
from greengap.process.soil_hydraulics import saxton_rawls
from greengap.site.soil import soil_defaults
from greengap.tables import DataFrame, Observation, Option, Season

BLOCK = "trial"
STAND_INS = {"sorghum": "sorghum_sudangrass"}  # grain crops that stand for a cover of their kin
NO_SEED = 1e9  # a thermal sum that no season reaches [°C d]
NO_DROUGHT_MPA, NO_FROST_DEGC = -1e6, -200.0  # limits that no seedbed and no night reach
LEAD_D = 60  # days of weather that the season wants before sowing
EVENTS = {"emergence_d": "emerged", "first_flower_d": "flower", "frost_kill_d": "kill"}
PLACE_COLUMNS = ["site_year", "lat", "irrigated"]


@dataclass(frozen=True)
class Sowing:
    """What was sown when, and when growth was looked at."""

    cover_id: str
    sown: pd.Timestamp
    cut: pd.Timestamp

    @property
    def option_id(self) -> str:
        """Its name in the tables of the season."""
        return f"{self.cover_id} {self.sown:%Y-%m-%d} {self.cut:%Y-%m-%d}"


def loam() -> pd.Series:
    """Soil of a trial that tells nothing of its own: the loam that a farm without soil data gets."""
    given = {name: soil_defaults()[name]["value"] for name in ("sand_fraction", "clay_fraction")}
    given["organic_matter_fraction"] = soil_defaults()["organic_matter_fraction"]["value"]
    water = saxton_rawls(*given.values())
    held = float(water.field_capacity_fraction - water.wilting_point_fraction)
    return pd.Series(
        given | {"available_water_fraction": held, "bulk_density_mg_m3": float(water.bulk_density_mg_m3)}, name=BLOCK
    )


def trial_place(weather: xr.Dataset, lat: float, irrigated: bool) -> Place:
    """Block of a trial; its height is that of the weather."""
    height = float(weather["elevation_m"].to_numpy().ravel()[0]) if "elevation_m" in weather.coords else 0.0
    return Place(loam(), lat, irrigated, 0.0, height if np.isfinite(height) else 0.0)


def record_around(weather: xr.Dataset, first: pd.Timestamp, last: pd.Timestamp) -> xr.Dataset:
    """The part of a record that a trial needs, whole calendar years where there are any.

    Parameters
    ----------
    weather : Dataset
        One site, by date.
    first, last : Timestamp
        First sowing and last day looked at.

    Returns
    -------
    Dataset
        From 1 January of the year before sowing to the end of the last year. A record that starts less than
        `LEAD_D` days before sowing is led in by its own first days in reverse order.
    """
    part = weather.sel(date=slice(f"{first.year - 1}-01-01", f"{last.year}-12-31"))
    lead = LEAD_D - (first - pd.Timestamp(part["date"].to_numpy()[0])).days
    if lead <= 0:
        return part
    before = part.isel(date=slice(1, lead + 1)).isel(date=slice(None, None, -1))
    start = part["date"].to_numpy()[0]
    before = before.assign_coords(date=start - np.arange(lead, 0, -1).astype("timedelta64[D]"))
    return xr.concat([before, part], dim="date", data_vars="minimal", coords="minimal", compat="override")


def trial_catalogue(
    catalogue: Catalogue,
    multipliers: Mapping[str, float] | None = None,
    moist_seedbed: bool = False,
    no_frost: bool = False,
) -> Catalogue:
    """The catalogue as trials need it: every species a cover, none ended before its seed.

    Parameters
    ----------
    catalogue : Catalogue
    multipliers : mapping of str to float, optional
        Multipliers of growth that replace those of the catalogue, by species.
    moist_seedbed, no_frost : bool
        Seed comes up by warmth alone; no night kills. With both, it is taken from the trial that a stand came up
        and lived until it was cut, and what is left is growth by light, warmth, water and nitrogen.
    """
    species = {}
    for key, s in catalogue.species.items():
        changed = {"viable_seed_sum": NO_SEED}
        if key in (multipliers or {}):
            changed["radiation_use_multiplier"] = (multipliers or {})[key]
        if moist_seedbed:
            changed["seed_base_water_potential"] = NO_DROUGHT_MPA
        if no_frost:
            changed["frost_kill_temperature"] = NO_FROST_DEGC
        for trait, number in changed.items():
            s = with_number(s, trait, number)
        species[key] = s
    alone = {key: Cover(key, s.name, (Component(key, 1.0),)) for key, s in species.items()}
    return replace(catalogue, species=species, covers=alone | catalogue.covers)


def stand_given(catalogue: Catalogue, multipliers: Mapping[str, float] | None = None) -> Catalogue:
    """The catalogue for trials of which it is known that a stand came up and lived, see `trial_catalogue`."""
    return trial_catalogue(catalogue, multipliers, moist_seedbed=True, no_frost=True)


def with_number(species: Species, trait: str, number: float) -> Species:
    """The species with another number for one trait, in SI."""
    value = replace(species.values[trait], number=number, low=None, high=None)
    return replace(species, values=species.values | {trait: value})


def run_season(
    sowings: list[Sowing], weather: xr.Dataset, lat: float, irrigated: bool, catalogue: Catalogue
) -> DataFrame[Season]:
    """Run sowings on one place.

    Parameters
    ----------
    sowings : list of Sowing
    weather : Dataset
        One site, by date; every year that is complete for a sowing is run.
    lat : float
        Latitude [°].
    irrigated : bool
    catalogue : Catalogue
        From `trial_catalogue`.

    Returns
    -------
    DataFrame[Season]
        One row per sowing and weather year, by `Sowing.option_id`.
    """
    named = {s.option_id: s for s in sowings}
    options = pd.DataFrame(
        {
            "option_id": list(named),
            "gap_id": list(named),
            "block_id": BLOCK,
            "cover_id": [s.cover_id for s in named.values()],
            "sow_date": [s.sown for s in named.values()],
            "terminate_by": [s.cut for s in named.values()],
        }
    )
    site = str(weather["site_id"].to_numpy()[0])
    places = {BLOCK: trial_place(weather, lat, irrigated)}
    any_growth = Target("growth", "biomass_kg_ha", 1.0)
    return simulate(Option.validate(options), weather, {BLOCK: site}, places, catalogue, any_growth, [])[0]


def predict_biomass(
    observations: DataFrame[Observation],
    weather: Mapping[str, xr.Dataset],
    catalogue: Catalogue,
    irrigated: bool | None = None,
) -> np.ndarray:
    """Shoot dry matter on the day each trial was cut.

    Parameters
    ----------
    observations : DataFrame[Observation]
        Rows of biomass.
    weather : mapping of str to Dataset
        By site-year.
    catalogue : Catalogue
        From `trial_catalogue`.
    irrigated : bool, optional
        Take all trials as watered or not; as each of them says if left out, where it says nothing not watered.

    Returns
    -------
    ndarray of float, shape (rows,)
        NaN where the engine cannot run it [kg ha-1].
    """
    out = np.full(len(observations), np.nan)
    rows = observations.reset_index(drop=True)
    watered = rows["irrigated"].fillna(False).astype(bool) if irrigated is None else irrigated
    for (site_year, lat, wet), part in rows.assign(irrigated=watered).groupby(PLACE_COLUMNS):
        sowings = [
            Sowing(STAND_INS.get(cover, cover), sown, cut)
            for cover, sown, cut in part[["cover_id", "sow_date", "observe_date"]].itertuples(index=False)
        ]
        record = record_around(weather[str(site_year)], part["sow_date"].min(), part["observe_date"].max())
        season = run_season(sowings, record, float(lat), bool(wet), catalogue)
        mass = season.set_index(["option_id", "weather_year"])["biomass_kg_ha"]
        wanted = pd.MultiIndex.from_arrays([[s.option_id for s in sowings], part["sow_date"].dt.year])
        out[part.index] = mass.reindex(wanted).to_numpy()
    return out


def predict_events(observations: pd.DataFrame, weather: Mapping[str, xr.Dataset], catalogue: Catalogue) -> np.ndarray:
    """Days from sowing to emergence, first flower or death by frost, as the season engine has them.

    Parameters
    ----------
    observations : DataFrame
        As `Observation`; quantity is emergence_d, first_flower_d or frost_kill_d.
    weather : mapping of str to Dataset
        By site-year.
    catalogue : Catalogue

    Returns
    -------
    ndarray of float, shape (rows,)
        NaN where the event does not come [d].
    """
    out = np.full(len(observations), np.nan)
    rows = observations.reset_index(drop=True)
    margin = int(catalogue.rule("seed_margin"))
    rows["irrigated"] = rows["irrigated"].fillna(False).astype(bool)
    for (site_year, lat, wet, cover), part in rows.groupby([*PLACE_COLUMNS, "cover_id"]):
        record = record_around(weather[str(site_year)], part["sow_date"].min(), part["observe_date"].max())
        days = BlockDays(record.isel(site_id=0), trial_place(record, float(lat), bool(wet)), catalogue)
        start = np.searchsorted(days.dates, part["sow_date"].to_numpy().astype("datetime64[D]"))
        species = catalogue.species[STAND_INS.get(str(cover), str(cover))]
        events = component_events(days, species, start[:, None], margin)
        event = np.select(
            [part["quantity"] == quantity for quantity in EVENTS],
            [events[name][:, 0] for name in EVENTS.values()],
            NEVER,
        )
        out[part.index] = np.where(event < NEVER, event - start, np.nan)
    return out
