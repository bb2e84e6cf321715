"""What the season engine gives for every trial, beside what was measured and what a plain mean would have said.

Each table has the engine twice: the whole chain as on a farm, and with a stand given: the seedbed moist, no
frost. The second tells how well plants grow and develop once they stand, the first what a plan would have said.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from greengap.calibration.fit import drilled, role, usable
from greengap.calibration.skill import species_mean
from greengap.calibration.trial_data import TrialData
from greengap.calibration.trial_season import (
    STAND_INS,
    Sowing,
    predict_biomass,
    predict_events,
    run_season,
    stand_given,
    trial_catalogue,
)
from greengap.catalogue import Catalogue

# Plots without dates are run on every sowing and length that a midsummer cover there may have had.
NEW_YORK_YEAR = 2020
MIDSUMMER_SOWINGS = ("06-15", "06-25", "07-05", "07-15")
MIDSUMMER_LENGTHS_D = (50, 60, 70)
NEW_YORK_PLACES = {"Farm Hub": (41.92, -74.08), "Musgrave": (42.73, -76.66)}  # from memory, as the data's notes say
# Sunn hemp is not in the catalogue: the mix with cowpea stands for that with sunn hemp.
NEW_YORK_COVERS = {
    "sorghum_sudangrass": "sorghum_sudangrass",
    "buckwheat": "buckwheat",
    "sunn_hemp+sorghum_sudangrass": "cowpea_sorghum_sudangrass",
}
# What the words of the published ranges are taken to mean: the cover run, sowings, last day of growth.
PUBLISHED_SEASONS = {
    "bio_mn_01": ("sorghum_sudangrass", ("07-13",), "08-26"),
    "bio_wi_01": ("oat", ("08-01", "08-10", "08-20"), "10-20"),
    "bio_wi_02": ("pea_oat", ("08-01", "08-10", "08-20"), "10-20"),
    "bio_wi_04": ("crimson_clover", ("07-01", "07-10", "07-20"), "10-01"),
}


def biomass_table(trials: TrialData, catalogue: Catalogue, folder: Path) -> pd.DataFrame:
    """Biomass of every trial of a species of the catalogue, by site-year and way of sowing.

    Parameters
    ----------
    trials : TrialData
    catalogue : Catalogue
    folder : Path
        Of the data, for the way of sowing.

    Returns
    -------
    DataFrame
        cover_id, split, site_year, role, drilled, rows; measured, least, most; whole_chain, stand_given; baseline,
        the mean of the cover over the training site-years that multipliers are fitted on [kg ha-1].
    """
    seen = trials.observations
    seen = seen.assign(role=role(seen, catalogue), drilled=drilled(seen, folder))
    rows = seen[seen["role"].isin(["fit", "stubble"])].dropna(subset="value").reset_index(drop=True)
    rows["whole_chain"] = predict_biomass(rows, trials.weather, trial_catalogue(catalogue))
    rows["stand_given"] = predict_biomass(rows, trials.weather, stand_given(catalogue))
    rows["baseline"] = species_mean(usable(trials.observations, catalogue, folder), rows)
    return _by(rows, ["cover_id", "split", "site_year", "role", "drilled"])


def date_table(trials: TrialData, catalogue: Catalogue) -> pd.DataFrame:
    """Emergence and first flower of every trial of a species of the catalogue, by site-year.

    Returns
    -------
    DataFrame
        cover_id, quantity, split, site_year, rows; measured, least, most; whole_chain (NaN if it never comes up),
        stand_given; baseline, the mean of the crop over the training site-years [d].
    """
    seen = trials.observations
    known = seen["cover_id"].replace(STAND_INS).isin(catalogue.species)
    rows = seen[known & (seen["quantity"] != "biomass_kg_ha")].dropna(subset="value").reset_index(drop=True)
    rows["whole_chain"] = predict_events(rows, trials.weather, catalogue)
    rows["stand_given"] = predict_events(rows, trials.weather, stand_given(catalogue))
    rows["baseline"] = species_mean(rows[rows["split"] == "train"], rows)
    return _by(rows, ["cover_id", "quantity", "split", "site_year"])


def _by(rows: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Means of rows by some columns; a prediction that is missing in any row is missing."""
    measured = rows.groupby(keys)["value"].agg(rows="size", measured="mean", least="min", most="max")
    predicted = rows.groupby(keys)[["whole_chain", "stand_given", "baseline"]].agg(lambda v: v.mean(skipna=False))
    return measured.join(predicted).reset_index()


def bound_table(trials: TrialData, catalogue: Catalogue) -> pd.DataFrame:
    """Ripe grain crops, which a cover should not outgrow.

    Returns
    -------
    DataFrame
        cover_id, split, site_year, rows, heaviest (measured), grown (by the day of harvest, watered, a stand given)
        [kg ha-1].
    """
    seen = trials.observations
    rows = seen[role(seen, catalogue) == "bound"].reset_index(drop=True)
    rows["grown"] = predict_biomass(rows, trials.weather, stand_given(catalogue), irrigated=True)
    by = rows.groupby(["cover_id", "split", "site_year"], as_index=False)
    return by.agg(rows=("value", "size"), heaviest=("value", "max"), grown=("grown", "max"))


def stand_table(trials: TrialData, catalogue: Catalogue) -> pd.DataFrame:
    """Sowings that stood in the field, and what the engine makes of them.

    Returns
    -------
    DataFrame
        cover_id, site_year, split, sow_date, irrigated (false where it is not said), days (from sowing to the last
        look); up_d (NaN if it never comes up), up_moist_d (in a moist seedbed), frost_kill_d (sown into a moist
        seedbed; NaN if it lives until the last look).
    """
    seen = trials.observations
    known = seen["cover_id"].replace(STAND_INS).isin(catalogue.species)
    keys = ["cover_id", "site_year", "split", "lat", "sow_date", "irrigated"]
    watered = seen["irrigated"].fillna(False).astype(bool)
    rows = seen[known].assign(irrigated=watered).groupby(keys, as_index=False)["observe_date"].max()
    rows["days"] = (rows["observe_date"] - rows["sow_date"]).dt.days
    moist = trial_catalogue(catalogue, moist_seedbed=True)
    for column, quantity, run in (
        ("up_d", "emergence_d", catalogue),
        ("up_moist_d", "emergence_d", moist),
        ("frost_kill_d", "frost_kill_d", moist),
    ):
        rows[column] = predict_events(rows.assign(quantity=quantity), trials.weather, run)
    rows["frost_kill_d"] = rows["frost_kill_d"].where(rows["frost_kill_d"] <= rows["days"])
    return rows.drop(columns=["lat", "observe_date"])


def new_york_table(trials: TrialData, weather: Mapping[str, xr.Dataset], catalogue: Catalogue) -> pd.DataFrame:
    """Midsummer plots of two New York sites against the engine, over every likely sowing and length.

    Parameters
    ----------
    trials : TrialData
    weather : mapping of str to Dataset
        Weather of 2020 by place.
    catalogue : Catalogue

    Returns
    -------
    DataFrame
        place, cover_id, rows; measured, least, most; whole_chain, stand_given, with their least and most over sowings
        and lengths [kg ha-1]; weeds' part of all that grew, measured and of both runs; part of
        sorghum-sudangrass in the mix, measured and of both runs, NaN for the rest.
    """
    out = []
    for place, record in weather.items():
        levels = trials.levels[trials.levels["place"] == place]
        sowings = [
            (pd.Timestamp(f"{NEW_YORK_YEAR}-{day}"), pd.Timedelta(days=length))
            for day in MIDSUMMER_SOWINGS
            for length in MIDSUMMER_LENGTHS_D
        ]
        for measured, cover in NEW_YORK_COVERS.items():
            plots = levels[levels["cover_id"] == measured]
            whole = plots[plots["component"].isna()].groupby("quantity")["value"]
            mass, weeds = (whole.get_group(name) for name in ("biomass_kg_ha", "weeds_kg_ha"))
            sorghum = plots[plots["component"] == "sorghum_sudangrass"]["value"]
            row = {"place": place, "cover_id": measured, "rows": len(mass)}
            row |= {"measured": mass.mean(), "least": mass.min(), "most": mass.max()}
            row["weed_share"] = weeds.mean() / (weeds.mean() + mass.mean())
            row["sorghum_share"] = sorghum.mean() / mass.mean()
            for name, run in (("whole_chain", trial_catalogue(catalogue)), ("stand_given", stand_given(catalogue))):
                season = run_season(
                    [Sowing(cover, sown, sown + length) for sown, length in sowings],
                    record, NEW_YORK_PLACES[place][0], False, run,
                )  # fmt: skip
                grown = season["biomass_kg_ha"]
                row |= {name: grown.mean(), f"{name}_least": grown.min(), f"{name}_most": grown.max()}
                row[f"weed_share_{name}"] = season["weed_share"].mean()
                legume = catalogue.species["cowpea"]
                per_kg = legume.number("tissue_nitrogen") * legume.number("fixed_share")
                share = 1 - season["nitrogen_fixed_kg_ha"].sum() / per_kg / grown.sum()
                row[f"sorghum_share_{name}"] = share if catalogue.covers[cover].is_mix else np.nan
            out.append(row)
    return pd.DataFrame(out)


def range_table(trials: TrialData, record: xr.Dataset, lat: float, catalogue: Catalogue) -> pd.DataFrame:
    """Published ranges of biomass against all years of one station.

    Parameters
    ----------
    trials : TrialData
        Read with the table of checks.
    record : Dataset
        Weather of many years.
    lat : float
        Its latitude [°].
    catalogue : Catalogue

    Returns
    -------
    DataFrame
        check_id, cover_id, low, high (published), runs (sowings times years); for whole_chain and stand_given the
        10, 50 and 90 % quantiles [kg ha-1] and the share of runs within the range.
    """
    out = []
    for level in trials.levels.itertuples():
        check = str(level.source).split(":")[0]
        if check not in PUBLISHED_SEASONS:
            continue
        cover, days, end = PUBLISHED_SEASONS[check]
        row = {"check_id": check, "cover_id": cover, "low": level.low, "high": level.high}
        sowings = [Sowing(cover, pd.Timestamp(f"2001-{day}"), pd.Timestamp(f"2001-{end}")) for day in days]
        for name, run in (("whole_chain", trial_catalogue(catalogue)), ("stand_given", stand_given(catalogue))):
            mass = run_season(sowings, record, lat, False, run)["biomass_kg_ha"]
            row["runs"] = len(mass)
            row |= {f"{name}_p{q}": mass.quantile(q / 100) for q in (10, 50, 90)}
            row[f"{name}_within"] = float(mass.between(level.low, level.high).mean())
        out.append(row)
    return pd.DataFrame(out)
