"""How far trials scatter about the catalogue: between places, between years of a place, between plots of a year.

It is what partial pooling weighs a farm's own records against, so it is taken from trials of other places.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class Components:
    """Standard deviations of the residuals [log], and what they rest on.

    Attributes
    ----------
    site, year, record : float
        Between places about the catalogue (not about their own mean), between years of a place, between plots of a
        year; NaN where nothing tells.
    places, repeated, years, rows : int
        Places, places with several years, site-years and rows.
    """

    site: float
    year: float
    record: float
    places: int
    repeated: int
    years: int
    rows: int


def components(rows: pd.DataFrame) -> Components:
    """Variance components of residuals by moments.

    Parameters
    ----------
    rows : DataFrame
        Columns place, species, year, residual; a place with two species counts as two.

    Returns
    -------
    Components

    Notes
    -----
    Nested analysis of variance with unequal numbers (S. R. Searle, G. Casella and C. E. McCulloch, "Variance
    Components", Wiley, 1992, chapter 3, from memory), each mean square set equal to what it is expected to be. The
    one departure: the uppermost level scatters about zero, which is the catalogue, not about its mean. A variance
    that comes out below zero is 0.
    """
    key, year_key = ["place", "species"], ["place", "species", "year"]
    by_year = rows.groupby(year_key)["residual"].agg(["mean", "size", "var"]).reset_index()
    spare = (by_year["size"] - 1).sum()
    record = float((by_year["var"] * (by_year["size"] - 1)).sum() / spare) if spare else np.nan
    noise = np.nan_to_num(record) / by_year["size"]
    by_place = by_year.assign(noise=noise).groupby(key)
    many = by_place["mean"].transform("size")
    spare = int((by_place["mean"].size() - 1).sum())
    year = np.nan
    if spare:
        squares = ((by_year["mean"] - by_place["mean"].transform("mean")) ** 2).sum()
        year = max(0.0, float((squares - (noise * (1 - 1 / many)).sum()) / spare))
    means = by_place["mean"].mean()
    within = np.nan_to_num(year) / by_place["mean"].size() + by_place["noise"].sum() / by_place["mean"].size() ** 2
    site = max(0.0, float((means**2 - within).mean()))
    counts = len(means), int((by_place["mean"].size() > 1).sum()), len(by_year), len(rows)
    return Components(float(np.sqrt(site)), float(np.sqrt(year)), float(np.sqrt(record)), *counts)
