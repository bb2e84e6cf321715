"""Residuals of real trials for replays: with the engine where there is weather, as weighed where there is none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from greengap.calibration.fit import drilled, role
from greengap.calibration.learning import pool_rows
from greengap.calibration.own_residuals import OwnGround, residuals
from greengap.calibration.own_sowings import OwnSowing, Seen
from greengap.calibration.pooling import Scatter
from greengap.calibration.replay import as_own_records
from greengap.calibration.trial_data import TrialData
from greengap.calibration.trial_levels import IOWA_STATIONS
from greengap.calibration.trial_rows import text_table
from greengap.calibration.trial_season import STAND_INS, record_around, trial_catalogue, trial_place, with_number
from greengap.calibration.trial_weather import Station
from greengap.catalogue import Catalogue

METHODS = {"yes": "drilled", "no": "broadcast", "not said": ""}
RYE = "cereal_rye"
# The Iowa plots of many years have no dates. These are ours: after grain and after silage maize, and the middle of
# "late April to mid May" that goes with the data.
ASSUMED_SOWING = {"grain": "10-15", "silage": "09-25"}
ASSUMED_CUT = "05-05"


def trial_residuals(trials: TrialData, catalogue: Catalogue, folder: Path) -> pd.DataFrame:
    """Residuals of all dated trials of the catalogue's own species.

    Parameters
    ----------
    trials : TrialData
    catalogue : Catalogue
    folder : Path
        Of the data, for the way of sowing.

    Returns
    -------
    DataFrame
        As `greengap.calibration.own_residuals.residuals`, with place, and drilled (yes, no, not said). Grain crops
        that stand for a cover, ripe grain crops' biomass and swards that grew again from a stubble are not in it.
    """
    seen, every = trials.observations, trial_catalogue(catalogue)
    known = seen["cover_id"].isin(every.species) & ~seen["cover_id"].isin(STAND_INS) & seen["value"].notna()
    known &= (seen["quantity"] != "biomass_kg_ha") | (role(seen, catalogue) == "fit")
    rows, how = seen[known], drilled(seen, folder)
    sowings, grounds = as_own_records(rows, trials.weather, every, how.map(METHODS))
    found = residuals(sowings, grounds, every)
    at = found["record_ids"].astype(int)
    return found.assign(place=at.map(seen["place"]), drilled=at.map(how))


def flower_days(
    trials: TrialData, rows: pd.DataFrame, catalogue: Catalogue, scatter: Callable[[str], Scatter]
) -> pd.DataFrame:
    """First flower in the last year of each farm, reckoned by the catalogue and with what the years before said.

    Parameters
    ----------
    trials : TrialData
    rows : DataFrame
        From `trial_residuals`, those of flowering that are used.
    catalogue : Catalogue
    scatter : callable
        Scatter to use for a place.

    Returns
    -------
    DataFrame
        place, species, year, learned_years, measured, before and after [d], means over the trial's rows.
    """
    every, out = trial_catalogue(catalogue), []
    for (place, species), of_it in rows.groupby(["place", "species"], sort=True):
        years = sorted(set(of_it["year"]))
        if len(years) < 2:
            continue
        last, first = of_it[of_it["year"] == years[-1]], of_it[of_it["year"] < years[-1]]
        shift = float(pool_rows(first, scatter(str(place))).mean[0])
        s = every.species[str(species)]
        moved = with_number(s, "flower_sum", s.number("flower_sum") * float(np.exp(shift)))
        changed = replace(every, species=every.species | {str(species): moved})
        seen = trials.observations.loc[last["record_ids"].astype(int)]
        reckoned = residuals(*as_own_records(seen, trials.weather, changed), changed)["reckoned"].mean()
        row = (place, species, years[-1], len(years) - 1, last["observed"].mean(), last["reckoned"].mean(), reckoned)
        out.append(row)
    return pd.DataFrame(out, columns=["place", "species", "year", "learned_years", "measured", "before", "after"])


def weighed_rye(folder: Path) -> pd.DataFrame:
    """Every plot of rye that weighed something, dated or not, with weather or without.

    Returns
    -------
    DataFrame
        place (study and site), site, species, year of sowing, log_kg_ha.
    """
    _, plots = text_table(folder, "cereal_rye_biomass/3_rye_data.csv")
    mass = pd.to_numeric(plots["shoot_biomass_mean_kg_ha"])
    plots = plots[mass > 0]
    return pd.DataFrame(
        {
            "place": plots["study_id"] + " " + plots["site_id"],
            "site": plots["site_id"],
            "species": RYE,
            "year": plots["year"].str[:4].astype(int),
            "log_kg_ha": np.log(mass[mass > 0]),
        }
    ).reset_index(drop=True)


def against_the_others(weighed: pd.DataFrame, place: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Residuals of a place and of all others, the mean of the other places standing for the catalogue.

    Parameters
    ----------
    weighed : DataFrame
        From `weighed_rye`.
    place : str

    Returns
    -------
    (DataFrame, DataFrame)
        That place and the others, each with residual and slope; every place counts once in the mean, and in it every
        year.
    """
    own, others = weighed[weighed["place"] == place], weighed[weighed["place"] != place]
    mean = others.groupby(["place", "year"])["log_kg_ha"].mean().groupby("place").mean().mean()
    own, others = (part.assign(residual=part["log_kg_ha"] - mean, slope=1.0) for part in (own, others))
    return own, others


def long_term_residuals(folder: Path, found: list[Station], catalogue: Catalogue) -> pd.DataFrame:
    """Residuals of the Iowa plots of many years, on dates that are assumed.

    Parameters
    ----------
    folder : Path
        Of the data.
    found : list of Station
        From `greengap.calibration.trial_weather.stations`.
    catalogue : Catalogue

    Returns
    -------
    DataFrame
        As `trial_residuals`; plots that weighed nothing are in it as not used.
    """
    _, table = text_table(folder, "cereal_rye_biomass/iowa_longterm_rye_biomass.csv")
    every, sowings, grounds = trial_catalogue(catalogue), [], {}
    for line, row in table.iterrows():
        station = next(s for s in found if s.name == IOWA_STATIONS[row["site_name"]])
        sown = pd.Timestamp(f"{int(row['year']) - 1}-{ASSUMED_SOWING[row['sys_trt']]}")
        cut = pd.Timestamp(f"{row['year']}-{ASSUMED_CUT}")
        block, kg_ha = f"{row['site_name']} {row['field']} {line}", float(row["ccbio_Mgha"]) * 1000
        weather = record_around(station.read(), sown, cut)
        grounds[block] = OwnGround(weather, trial_place(weather, station.lat, irrigated=False))
        seen = (Seen("sample", "", cut, (str(line),), kg_ha),)
        sowings.append(OwnSowing(f"sown {line}", block, RYE, sown, seen=seen))
    rows = residuals(sowings, grounds, every)
    return rows.assign(place=rows["record_ids"].astype(int).map(table["site_name"]), drilled="not said")
