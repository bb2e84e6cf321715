"""Rows of trials as they are gathered: what they have in common, whichever file they come from."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd
import xarray as xr

from greengap.errors import ImportReport, InputProblem
from greengap.tables import DataFrame

MISSING = ("NA", "nan", ".")  # a point is how one of the sources writes a missing day
TRAIN_SHARE = 0.6
# Put before the name: with it no cover that has two site-years lies in one part only.
SPLIT_MARK = "0"
COVER_IDS = {
    "phacelia": "lacy_phacelia",
    "field_pea+oat": "pea_oat",
    "cowpea+sorghum_sudangrass": "cowpea_sorghum_sudangrass",
}


@dataclass
class Gathered:
    """What the readers gather: rows of both tables, weather by site-year, the report."""

    report: ImportReport = field(default_factory=ImportReport)
    observations: list[dict[str, object]] = field(default_factory=list)
    levels: list[dict[str, object]] = field(default_factory=list)
    weather: dict[str, xr.Dataset] = field(default_factory=dict)

    def observe(self, site_year: str, weather: xr.Dataset, **row: object) -> None:
        """Add an observation and its weather; of two records of a site-year the longer stays."""
        kept = self.weather.get(site_year)
        if kept is None or kept.sizes["date"] < weather.sizes["date"]:
            self.weather[site_year] = weather
        empty = {"value": None, "low": None, "high": None, "irrigated": None}
        self.observations.append(empty | row | {"site_year": site_year, "split": split_of(site_year)})

    def level(self, site_year: str, **row: object) -> None:
        """Add a level."""
        empty = {"component": None, "low": None, "high": None}
        self.levels.append(empty | row | {"site_year": site_year, "split": split_of(site_year)})


def split_of(site_year: str) -> str:
    """Part of the data that a site-year belongs to, from its name alone.

    Parameters
    ----------
    site_year : str
        Place and year.

    Returns
    -------
    str
        ``train`` for about 60 % of all names, else ``test``; always the same for the same name.
    """
    number = int.from_bytes(hashlib.sha256(f"{SPLIT_MARK} {site_year}".encode()).digest()[:8], "big")
    return "train" if number / 2**64 < TRAIN_SHARE else "test"


def text_table(folder: Path, name: str) -> tuple[str, pd.DataFrame]:
    """A file as text, indexed by its lines as an editor counts them."""
    path = folder / name
    if not path.is_file():
        raise InputProblem(name, "", "is not in the data folder", "Name the folder that holds the trials")
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    table.index = pd.RangeIndex(2, 2 + len(table))
    return name, table.apply(lambda column: column.str.strip().where(~column.str.strip().isin(MISSING), ""))


def watered(text: str) -> bool | None:
    """Whether a treatment is watered, from its words; None if they do not say."""
    words = text.lower()
    if re.search(r"no[nt]\s*-?\s*irrig|non\s*-\s*irr|rainfed|dryland|^dry$", words):
        return False
    return True if re.search(r"irrig|\birr?\b|no water stres", words) else None


def signed(text: str) -> float | None:
    """A number that may be negative; None if it is none."""
    return float(text) if re.fullmatch(r"-?\d+(\.\d+)?", text) else None


def typed(rows: list[dict[str, object]], model: type) -> DataFrame:
    """Rows as a checked table, in the order of the model's columns."""
    columns = list(model.to_schema().columns)  # type: ignore[attr-defined]
    return model.validate(pd.DataFrame(rows, columns=columns))  # type: ignore[attr-defined]
