"""Which covers, sown when, are worth running: gap x cover x sowing date."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from greengap.catalogue import Catalogue
from greengap.process.afterwards import NextCrop
from greengap.tables import DataFrame, Gap, Option

NO_COVER = "no_cover"


def list_options(
    gaps: DataFrame[Gap], catalogue: Catalogue, next_crops: Mapping[str, NextCrop] | None = None
) -> DataFrame[Option]:
    """List the covers and sowing dates to be run in each gap.

    Sowing dates step by the rule ``sowing_step``, in gaps with no more usable days than the rule
    ``short_gap`` by ``sowing_step_fine``, forwards from the first sowing day of an early harvest to
    the last date that leaves the rule ``shortest_growth`` before the latest termination, which is
    reckoned backwards from the next crop by its least wait: how long a cover really has to be gone
    depends on what it leaves, and comes out of its season. The first
    sowing day of the usual harvest is always among them.

    Parameters
    ----------
    gaps : DataFrame[Gap]
    catalogue : Catalogue
    next_crops : mapping of gap_id to NextCrop, optional
        Gaps that are not in it end on their own last day for termination.

    Returns
    -------
    DataFrame[Option]
        Empty for gaps that are too short for any cover.
    """
    shortest = int(catalogue.rule("shortest_growth"))
    rows: list[dict[str, object]] = []
    for gap in gaps.itertuples():
        short = (gap.closes - gap.opens).days <= catalogue.rule("short_gap")
        step = int(catalogue.rule("sowing_step_fine" if short else "sowing_step"))
        crop = (next_crops or {}).get(gap.gap_id)
        closes = gap.closes if crop is None else crop.date - pd.Timedelta(days=crop.minimum_d)
        last = closes - pd.Timedelta(days=shortest)
        before = (gap.opens - gap.opens_early).days // step
        first = gap.opens - pd.Timedelta(days=before * step)
        dates = list(pd.date_range(first, last, freq=f"{step}D")) if last >= first else []
        rows.extend(
            {
                "option_id": f"{gap.gap_id} {cover} {date:%Y-%m-%d}",
                "gap_id": gap.gap_id,
                "block_id": gap.block_id,
                "cover_id": cover,
                "sow_date": date,
                "terminate_by": closes,
            }
            for cover in sorted(catalogue.covers)
            for date in dates
        )
    return Option.validate(pd.DataFrame(rows, columns=list(Option.to_schema().columns)))
