"""Trials as if they were a farm's own records: the same rows, the same residuals, the same learning."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd
import xarray as xr

from greengap.calibration.learning import pool_rows, scatter_of
from greengap.calibration.own_residuals import OwnGround
from greengap.calibration.own_sowings import OwnSowing, Seen
from greengap.calibration.pooling import Scatter
from greengap.calibration.prior_scatter import Components, components
from greengap.calibration.trial_season import record_around, trial_place
from greengap.catalogue import Catalogue
from greengap.tables import DataFrame, Observation

TEN_TO_NINETY = 1.2815515655446004  # standard normal quantile of 0.9
SEEN_AS = {"emergence_d": "up", "first_flower_d": "flower", "biomass_kg_ha": "sample"}


def as_own_records(
    observations: DataFrame[Observation],
    weather: Mapping[str, xr.Dataset],
    catalogue: Catalogue,
    methods: pd.Series | None = None,
) -> tuple[list[OwnSowing], dict[str, OwnGround]]:
    """Dated trials as sowings of a farm, one for each row, and the ground each stood on.

    Parameters
    ----------
    observations : DataFrame[Observation]
        Rows with a value, of covers of the catalogue.
    weather : mapping of str to Dataset
        By site-year.
    catalogue : Catalogue
        From `greengap.calibration.trial_season.trial_catalogue`.
    methods : Series of str, optional
        drilled, broadcast or empty, by the index of `observations`.

    Returns
    -------
    (list of OwnSowing, dict of block_id to OwnGround)
        A block is named by its place and the row; the soil is the loam of a farm without soil data.
    """
    rows = observations.assign(wet=observations["irrigated"].fillna(False).astype(bool))
    found, grounds = [], {}
    for (site_year, lat, wet), part in rows.groupby(["site_year", "lat", "wet"], sort=True):
        last = part["observe_date"].where(part["quantity"] == "biomass_kg_ha", part["sow_date"])
        events = part["quantity"] != "biomass_kg_ha"
        last = last.mask(events, part["sow_date"] + pd.to_timedelta(part["value"].where(events, 0).round(), unit="D"))
        record = record_around(weather[str(site_year)], part["sow_date"].min(), last.max())
        ground = OwnGround(record, trial_place(record, float(lat), bool(wet)))
        for at, row in part.iterrows():
            if row["cover_id"] not in catalogue.covers:
                continue
            block, what = f"{row['place']} {at}", SEEN_AS[row["quantity"]]
            value = float(row["value"]) if what == "sample" else float("nan")
            seen = Seen(what, "", last[at], (str(at),), value)
            method = "" if methods is None else str(methods[at])
            found.append(OwnSowing(f"sown {at}", block, row["cover_id"], row["sow_date"], method=method, seen=(seen,)))
            grounds[block] = ground
    return sorted(found, key=lambda s: (s.sown, s.block_id)), grounds


def scatter_without(rows: pd.DataFrame, farm: str, parameter: str, catalogue: Catalogue) -> Scatter:
    """How far a parameter scatters by the trials of all other places, so that a replay does not know its own farm.

    Parameters
    ----------
    rows : DataFrame
        Columns place, species, year, residual, of one parameter.
    farm : str
        The place that is left out.
    parameter : str
    catalogue : Catalogue
        For what the others do not tell: levels without repetition, and how much is common to all species.
    """
    return scatter_from(components(rows[rows["place"] != farm]), parameter, catalogue)


def scatter_from(found: Components, parameter: str, catalogue: Catalogue) -> Scatter:
    """Components as scatter; the catalogue's where one is not known or comes out as nothing."""
    given = scatter_of(parameter, catalogue)
    stand_in = (given.elsewhere, np.hypot(given.year, given.species_year), given.record)
    site, year, record = (
        own if np.isfinite(own) and own > 0 else own_else
        for own, own_else in zip((found.site, found.year, found.record), stand_in, strict=True)
    )
    farm, common = catalogue.rule("learning_farm_share"), catalogue.rule("learning_year_share")
    return Scatter(
        site * np.sqrt(farm), site * np.sqrt(1 - farm), year * np.sqrt(common), year * np.sqrt(1 - common), record
    )


def replay(rows: pd.DataFrame, scatter: Callable[[str], Scatter]) -> pd.DataFrame:
    """Learn on the first years of each farm, and look at all later ones.

    Parameters
    ----------
    rows : DataFrame
        Columns place, species, year, residual, slope, of one parameter; a place is a farm.
    scatter : callable
        Scatter to use for a place.

    Returns
    -------
    DataFrame
        One row per place and number of years learned from: place, learned_years, learned_records, later_years,
        later_records; mean over the later years of the absolute residual: before (catalogue), after (partial
        pooling), own_mean (the plain mean of the farm's earlier residuals, as without pooling); inside (share of the
        later years' mean residuals within their 80 % interval).
    """
    out = []
    for place, of_farm in rows.groupby("place", sort=True):
        years = sorted(set(of_farm["year"]))
        for count in range(1, len(years)):
            first = of_farm[of_farm["year"].isin(years[:count])]
            later = of_farm[of_farm["year"].isin(years[count:]) & of_farm["species"].isin(set(first["species"]))]
            if later.empty:
                continue
            used = scatter(str(place))
            pooled = pool_rows(first, used)
            at = np.array([pooled.species.index(s) for s in later["species"]])
            plain = first.groupby(["species", "year"])["residual"].mean().groupby("species").mean()
            slope = later["slope"].to_numpy(float)
            table = later.assign(
                before=later["residual"].abs(),
                after=(later["residual"] - slope * pooled.mean[at]).abs(),
                own_mean=(later["residual"] - later["species"].map(plain)).abs(),
                off=later["residual"] - slope * pooled.mean[at],
                spread=(slope * pooled.sd[at]) ** 2 + used.year**2 + used.species_year**2,
            )
            by_year = table.groupby(["species", "year"]).agg(
                before=("before", "mean"), after=("after", "mean"), own_mean=("own_mean", "mean"), off=("off", "mean"),
                spread=("spread", "mean"), n=("off", "size"),
            )  # fmt: skip
            reach = TEN_TO_NINETY * np.sqrt(by_year["spread"] + used.record**2 / by_year["n"])
            out.append(
                {
                    "place": place, "learned_years": count, "learned_records": len(first),
                    "later_years": later["year"].nunique(), "later_records": len(later),
                    **{name: float(by_year[name].mean()) for name in ("before", "after", "own_mean")},
                    "inside": float((by_year["off"].abs() <= reach).mean()),
                }
            )  # fmt: skip
    return pd.DataFrame(out)
