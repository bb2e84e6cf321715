"""Stretches of a season without flowers on the farm, and how many species flower in each part of it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pandas as pd

from greengap.advice.bloom_years import Bloom
from greengap.advice.mowing import OFTEN, FlowerDays
from greengap.catalogue import Catalogue
from greengap.process.bloom import FLOWERS_THAT_FEED
from greengap.tables import BloomPeriod, DataFrame, FlowerStretch

PERIODS = ("spring", "summer", "fall")
MONTHS = 3  # of a period


def hungry_stretches(flowers: FlowerDays, least_d: float) -> DataFrame[FlowerStretch]:
    """Days between the first and the last bloom of a calendar year on which most weather years have no flower.

    Parameters
    ----------
    flowers : FlowerDays
    least_d : float
        Shorter ones are left out [d].

    Returns
    -------
    DataFrame[FlowerStretch]
        By day.
    """
    calendar = pd.DatetimeIndex(flowers.days).year
    mostly = flowers.open_on.mean(axis=0) >= OFTEN
    rows = []
    for year in sorted(set(calendar)):
        there = np.flatnonzero((calendar == year) & mostly)
        for a, b in pairwise(there):
            if (length := int(b - a - 1)) >= least_d:
                rows.append(
                    {
                        "year": year, "start": flowers.days[a + 1], "end": flowers.days[b - 1], "length_d": length,
                        "empty_years": int((~flowers.open_on[:, a + 1 : b].any(axis=1)).sum()),
                        "years": len(flowers.open_on),
                    }
                )  # fmt: skip
    return FlowerStretch.validate(pd.DataFrame(rows)) if rows else FlowerStretch.empty()


def bloom_periods(
    blooms: Sequence[Bloom], flowers: FlowerDays, catalogue: Catalogue, southern: bool
) -> DataFrame[BloomPeriod]:
    """Species in flower in spring, summer and fall against the number that habitat specifications ask for.

    Parameters
    ----------
    blooms : sequence of Bloom
    flowers : FlowerDays
    catalogue : Catalogue
        For the rules ``bloom_period_species`` and ``bloom_period_first_month``.
    southern : bool
        The farm lies south of the equator: its spring begins half a year later.

    Returns
    -------
    DataFrame[BloomPeriod]
        Three rows for each season in which anything flowers. A mix counts with every species of it that feeds
        insects, since its species have no dates of their own here.
    """
    wanted = int(catalogue.rule("bloom_period_species"))
    month = int(catalogue.rule("bloom_period_first_month")) + (6 if southern else 0)
    years = sorted({d.year for b in blooms for d in pd.DatetimeIndex(b.opens[b.flowers])})
    rows = []
    for year in range(years[0] - 1, years[-1] + 1) if years else ():
        begins = pd.Timestamp(year, month, 1)
        season = []
        for n, period in enumerate(PERIODS):
            start = begins + pd.DateOffset(months=n * MONTHS)
            end = begins + pd.DateOffset(months=(n + 1) * MONTHS) - pd.Timedelta(days=1)
            found = {
                c.species
                for b in blooms
                if b.open_years(start, end) >= OFTEN * len(b.years)
                for c in catalogue.covers[b.cover_id].components
                if catalogue.species[c.species].text("flower_value") in FLOWERS_THAT_FEED
            }
            inside = (flowers.days >= np.datetime64(start.date())) & (flowers.days <= np.datetime64(end.date()))
            season.append(
                {
                    "year": year, "period": period, "start": start, "end": end, "species": len(found),
                    "names": ", ".join(sorted(found)), "wanted": wanted,
                    "covered_d": float(np.median(flowers.open_on[:, inside].sum(axis=1))),
                }
            )  # fmt: skip
        if any(one["species"] or one["covered_d"] for one in season):
            rows += season
    return BloomPeriod.validate(pd.DataFrame(rows)) if rows else BloomPeriod.empty()
