"""Bloom of the covers of a plan in each weather year, written as days of the plan, and what has been seen of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from greengap.catalogue import Catalogue
from greengap.process.bloom import FLOWERS_THAT_FEED
from greengap.tables import Allocation, DataFrame, Option, Season, SeasonRecord

DAY = np.timedelta64(1, "D")


@dataclass(frozen=True)
class Bloom:
    """Days in flower of the cover of a gap.

    Attributes
    ----------
    years : ndarray of int, shape (years,)
        Weather year less the year of the plan, so that the same weather has the same number in every gap.
    opens, closes : ndarray of datetime64[D], shape (years,)
        First and last day in flower; NaT in years without a flower.
    seen : bool
        The first flower has been seen.
    """

    gap_id: str
    block_id: str
    cover_id: str
    years: np.ndarray
    opens: np.ndarray
    closes: np.ndarray
    seen: bool = False

    @property
    def flowers(self) -> np.ndarray:
        """Years with a flower, shape (years,)."""
        return ~np.isnat(self.opens)

    def open_years(self, first: pd.Timestamp, last: pd.Timestamp) -> int:
        """Years with flowers open on one day at least from `first` to `last`."""
        a, b = (np.datetime64(day.date(), "D") for day in (first, last))
        return int(((self.opens <= b) & (self.closes >= a)).sum())  # a comparison with NaT is false


def bloom_by_year(
    allocation: DataFrame[Allocation], options: DataFrame[Option], season: DataFrame[Season]
) -> list[Bloom]:
    """Bloom of every cover that is sown and flowers in any weather year.

    Parameters
    ----------
    allocation : DataFrame[Allocation]
    options : DataFrame[Option]
    season : DataFrame[Season]
        The flowers in it are those that feed insects, before the cover is ended.

    Returns
    -------
    list of Bloom
        In the order of the gaps.
    """
    sow = dict(zip(options["option_id"], options["sow_date"], strict=True))
    first = options.groupby("gap_id")["sow_date"].min()
    given = allocation[allocation["option_id"].notna()]
    seasons = dict(iter(season[season["option_id"].isin(given["option_id"])].groupby("option_id", sort=False)))
    out = []
    for chosen in given.itertuples():
        rows = seasons.get(chosen.option_id)
        if rows is None or not (rows["bloom_d"] > 0).any():
            continue
        rows = rows.sort_values("weather_year")
        sown = np.datetime64(pd.Timestamp(sow[chosen.option_id]).date(), "D")
        begins = np.where(rows["bloom_d"] > 0, rows["bloom_from_d"], np.nan)
        opens = _days(sown, np.floor(begins))
        closes = _days(sown, np.ceil(begins + rows["bloom_d"].to_numpy() - 1))
        years = rows["weather_year"].to_numpy() - first[chosen.gap_id].year
        out.append(Bloom(str(chosen.gap_id), str(chosen.block_id), str(chosen.cover_id), years, opens, closes))
    return out


def _days(sown: np.datetime64, after: np.ndarray) -> np.ndarray:
    known = np.isfinite(after)
    found = sown + np.where(known, after, 0).astype("timedelta64[D]")
    return np.where(known, found, np.datetime64("NaT", "D"))


def with_seen(
    blooms: Sequence[Bloom], record: DataFrame[SeasonRecord], catalogue: Catalogue, as_of: pd.Timestamp | None = None
) -> list[Bloom]:
    """Bloom with the first flower that was seen, and the end that was written down, in place of the reckoned.

    Parameters
    ----------
    blooms : sequence of Bloom
    record : DataFrame[SeasonRecord]
        What holds of it.
    catalogue : Catalogue
    as_of : Timestamp, optional
        Rows after it are not looked at.

    Returns
    -------
    list of Bloom
        Where a first flower was seen it opens on that day in every year and lasts as long as reckoned; a year that
        was to have no flower gets the longest of the others. No flower stands after the day on which a cover ended.
    """
    rows = record if as_of is None else record[record["date"] <= as_of]
    out = []
    for bloom in blooms:
        mine = rows[rows["gap_id"] == bloom.gap_id]
        feeding = {
            c.species
            for c in catalogue.covers[bloom.cover_id].components
            if catalogue.species[c.species].text("flower_value") in FLOWERS_THAT_FEED
        }
        flowers = mine[(mine["what"] == "flower") & mine["species"].isin({*feeding, ""})]
        if len(flowers):
            day = np.datetime64(flowers["date"].min().date(), "D")
            lasts = (bloom.closes - bloom.opens) / DAY
            lasts = np.where(bloom.flowers, lasts, np.max(lasts[bloom.flowers])).astype("timedelta64[D]")
            bloom = replace(bloom, opens=np.full(len(lasts), day), closes=day + lasts, seen=True)
        ended = mine.loc[mine["what"] == "ended", "date"]
        if len(ended):
            last = np.datetime64(ended.max().date(), "D")
            stood = bloom.opens <= last
            nothing = np.datetime64("NaT", "D")
            bloom = replace(
                bloom,
                opens=np.where(stood, bloom.opens, nothing),
                closes=np.where(stood, np.minimum(bloom.closes, last), nothing),
            )
        out.append(bloom)
    return [bloom for bloom in out if bloom.flowers.any()]
