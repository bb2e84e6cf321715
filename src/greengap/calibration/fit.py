"""Fits one multiplier of growth per species to trials, and writes it into the catalogue."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from greengap.calibration.trial_rows import text_table
from greengap.calibration.trial_season import STAND_INS, predict_biomass, stand_given
from greengap.catalogue import Catalogue
from greengap.tables import DataFrame, Observation

MULTIPLIER = "radiation_use_multiplier"
PRIOR = 1.0
FEWEST_SITE_YEARS = 2  # one tells of a field, not of a species
GRAIN_TRIALS = "field_crop_phenology"
SEARCH = (0.05, 5.0)  # a multiplier outside would be a missing process, not a value
PRECISION = 1e-3  # of the logarithm of a multiplier
GOLDEN = (5**0.5 - 1) / 2


@dataclass(frozen=True)
class Fit:
    """Multiplier of a species.

    Attributes
    ----------
    species : str
    multiplier : float
        Least squares on log biomass, every site-year of the training part counted once; the prior if not fitted.
    site_years : tuple of str
        What it was fitted on, or would have been if there were enough.
    low, high : float
        Least and largest multiplier with one site-year left out; NaN if not fitted.
    alone_low, alone_high : float
        Least and largest multiplier of a single site-year; NaN if there is none.
    """

    species: str
    multiplier: float
    site_years: tuple[str, ...]
    low: float = float("nan")
    high: float = float("nan")
    alone_low: float = float("nan")
    alone_high: float = float("nan")

    @property
    def fitted(self) -> bool:
        """Whether there were enough site-years."""
        return len(self.site_years) >= FEWEST_SITE_YEARS


def role(observations: DataFrame[Observation], catalogue: Catalogue) -> pd.Series:
    """What each row of biomass may be used for.

    Parameters
    ----------
    observations : DataFrame[Observation]
    catalogue : Catalogue

    Returns
    -------
    Series of str
        ``fit``; ``bound`` for ripe grain crops, whose shoot a cover should not outgrow; ``stubble`` for swards cut
        after a summer and a winter, which grew again from a stubble that the engine does not know; ``other crop``
        for what the catalogue does not have; empty for dates.
    """
    known = observations["cover_id"].replace(STAND_INS).isin([*catalogue.species, *catalogue.covers])
    mass = observations["quantity"] == "biomass_kg_ha"
    grain = observations["source"].str.startswith(GRAIN_TRIALS)
    both = zip(observations["sow_date"], observations["observe_date"], strict=True)
    summer = np.array([sown.year < cut.year and sown < pd.Timestamp(sown.year, 7, 1) for sown, cut in both], dtype=bool)
    words = np.select([~mass, ~known, grain, summer], ["", "other crop", "bound", "stubble"], default="fit")
    return pd.Series(words, index=observations.index, name="role")


def drilled(observations: DataFrame[Observation], folder: Path) -> pd.Series:
    """Whether a plot of rye was drilled, by the table that goes with the plots.

    Parameters
    ----------
    observations : DataFrame[Observation]
    folder : Path
        Of the data; holds ``cereal_rye_biomass``.

    Returns
    -------
    Series of str
        ``yes``; ``no`` for seed that was broadcast, in the early sowings over a standing crop; ``not said``; and
        ``yes`` for all that is not rye.
    """
    _, plots = text_table(folder, "cereal_rye_biomass/3_rye_data.csv")
    _, fields = text_table(folder, "cereal_rye_biomass/4_agronomic_data.csv")
    key = ["study_id", "site_id", "year"]
    methods = fields.groupby(key)["planting_method"].agg(lambda m: " or ".join(sorted({*m.str.lower()})))
    by_line = plots[key].apply(tuple, axis=1).map(methods.to_dict()).fillna("")
    words = {"drilled": "yes", "broadcast": "no"}
    lines = observations["source"].str.extract(r"3_rye_data\.csv, line (\d+)")[0]
    return lines.map(lambda n: "yes" if pd.isna(n) else words.get(by_line[int(n)], "not said")).rename("drilled")


def usable(observations: DataFrame[Observation], catalogue: Catalogue, folder: Path) -> DataFrame[Observation]:
    """Rows that multipliers are fitted on.

    Parameters
    ----------
    observations : DataFrame[Observation]
    catalogue : Catalogue
    folder : Path
        Of the data.

    Returns
    -------
    DataFrame[Observation]
        The training part with the role ``fit`` that was drilled: a stand that was thin from the start says nothing
        of what light does for a full one.
    """
    fits = (role(observations, catalogue) == "fit") & (observations["split"] == "train")
    return observations[fits & (drilled(observations, folder) == "yes")].dropna(subset="value")


def fit_multipliers(rows: DataFrame[Observation], weather: Mapping[str, xr.Dataset], catalogue: Catalogue) -> list[Fit]:
    """Fit every species of the catalogue.

    Parameters
    ----------
    rows : DataFrame[Observation]
        From `usable`.
    weather : mapping of str to Dataset
        By site-year.
    catalogue : Catalogue
        Its own multipliers do not matter.

    Returns
    -------
    list of Fit
        One per species, in the order of their names.
    """
    return [fit_species(key, rows[rows["cover_id"] == key], weather, catalogue) for key in sorted(catalogue.species)]


def fit_species(key: str, rows: DataFrame[Observation], weather: Mapping[str, xr.Dataset], catalogue: Catalogue) -> Fit:
    """Fit one species on the rows given.

    Parameters
    ----------
    key : str
        The species.
    rows : DataFrame[Observation]
        Its biomass.
    weather : mapping of str to Dataset
        By site-year.
    catalogue : Catalogue

    Returns
    -------
    Fit
        At the prior if there are fewer site-years than `FEWEST_SITE_YEARS`.
    """
    site_years = tuple(sorted(rows["site_year"].unique()))
    if not site_years:
        return Fit(key, PRIOR, ())
    known: dict[float, pd.Series] = {}

    def log_errors(log_multiplier: float) -> pd.Series:
        """Log of predicted over measured, for each row."""
        if log_multiplier not in known:
            changed = stand_given(catalogue, {key: float(np.exp(log_multiplier))})
            grown = np.maximum(predict_biomass(rows, weather, changed), 1.0)
            known[log_multiplier] = pd.Series(np.log(grown) - np.log(rows["value"].to_numpy()), rows.index)
        return known[log_multiplier]

    def best(chosen: tuple[str, ...]) -> float:
        of = rows["site_year"].isin(chosen)

        def cost(log_multiplier: float) -> float:
            squares = log_errors(log_multiplier)[of] ** 2
            return float(squares.groupby(rows["site_year"][of]).mean().mean())

        return float(np.exp(least(cost, *np.log(SEARCH))))

    alone = [best((name,)) for name in site_years]
    if len(site_years) < FEWEST_SITE_YEARS:
        return Fit(key, PRIOR, site_years, alone_low=min(alone), alone_high=max(alone))
    without = [best(tuple(name for name in site_years if name != left)) for left in site_years]
    return Fit(key, best(site_years), site_years, min(without), max(without), min(alone), max(alone))


def least(cost: Callable[[float], float], low: float, high: float) -> float:
    """Where a function with one valley is least, by golden section.

    Examples
    --------
    >>> round(least(lambda x: (x - 2) ** 2, 0.0, 5.0), 3)
    2.0
    """
    inner, outer = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    at_inner, at_outer = cost(inner), cost(outer)
    while high - low > PRECISION:
        if at_inner <= at_outer:
            high, outer, at_outer = outer, inner, at_inner
            inner = high - GOLDEN * (high - low)
            at_inner = cost(inner)
        else:
            low, inner, at_inner = inner, outer, at_outer
            outer = low + GOLDEN * (high - low)
            at_outer = cost(outer)
    return (low + high) / 2


def written(text: str, fit: Fit) -> str:
    """The text of a species file with the block of its multiplier as fitted.

    Parameters
    ----------
    text : str
        The file.
    fit : Fit

    Returns
    -------
    str
        Only the block of the multiplier differs; a species that was not fitted gets its prior, marked uncalibrated.

    Raises
    ------
    ValueError
        If the file has no such block, or more than one.
    """
    block = rf"^\[{MULTIPLIER}\]\n(?:[^\n]+\n)*"
    if len(re.findall(block, text, flags=re.MULTILINE)) != 1:
        raise ValueError(f"text of {fit.species} must hold one block [{MULTIPLIER}]")
    return re.sub(block, lambda _: _block(fit), text, flags=re.MULTILINE)


def _block(fit: Fit) -> str:
    lines = [f"[{MULTIPLIER}]"]
    if fit.fitted:
        lines += [
            f"value = {fit.multiplier:.3f}",
            f"range = [{fit.low:.3f}, {fit.high:.3f}]",
            'unit = "ratio"',
            'source = "greengap_fitted"',
            'where = "docs/validation/growth.md"',
            f'conditions = "{len(fit.site_years)} site-years, each counted once; the range is that with one of them '
            f'left out, a site-year alone would give {fit.alone_low:.2f} to {fit.alone_high:.2f}"',
            'confidence = "derived"',
        ]
    else:
        lines += [
            f"value = {PRIOR}",
            'unit = "ratio"',
            'source = "greengap_design"',
            'conditions = "prior; uncalibrated"',
            'confidence = "design"',
        ]
    return "\n".join(lines) + "\n"
