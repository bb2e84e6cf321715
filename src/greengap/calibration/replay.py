"""Trials as if they were a farm's own records: the same rows, the same residuals, the same learning."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd
import xarray as xr

from greengap.calibration.own_residuals import OwnGround
from greengap.calibration.own_sowings import OwnSowing, Seen
from greengap.calibration.trial_season import record_around, trial_place
from greengap.catalogue import Catalogue
from greengap.tables import DataFrame, Observation

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
