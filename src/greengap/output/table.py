"""Any table of the plan as CSV, and what is said of it on a terminal."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from greengap.clean_ground_of import WithoutCover
from greengap.errors import ImportReport
from greengap.output.files import write_text
from greengap.plan import Plan

# Tables that a plan writes, by file name; those per weather year are large and written on request.
TABLES = (
    "gaps", "recommendation", "suitability", "after", "nitrogen", "clocks", "ladder", "seed_need", "rates",
    "seed_order", "order_lines", "inoculants", "flowers", "listed_names", "label_intervals", "soil", "ground",
    "water_sets", "cautions",
)  # fmt: skip
LARGE_TABLES = ("options", "odds", "purpose_odds", "season")
WITHOUT_COVER, LARGE_WITHOUT_COVER = ("clean_ground", "stale_seedbed"), ("flush",)  # of gaps without a cover


def safe_cell(value: object) -> object:
    """A text that a spreadsheet would take for a formula gets an apostrophe in front.

    Examples
    --------
    >>> safe_cell("=1+1"), safe_cell("River 1"), safe_cell(-3.5)
    ("'=1+1", 'River 1', -3.5)
    """
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    return value


def to_csv(table: pd.DataFrame) -> str:
    """A table as CSV: ISO dates, at most six decimals, no index."""
    plain = pd.DataFrame(table).copy()
    for column in plain.columns:
        if pd.api.types.is_datetime64_any_dtype(plain[column]):
            plain[column] = plain[column].dt.strftime("%Y-%m-%d")
        elif pd.api.types.is_float_dtype(plain[column]):
            plain[column] = plain[column].round(6)
        elif not pd.api.types.is_numeric_dtype(plain[column]):
            plain[column] = plain[column].map(safe_cell)
    return plain.to_csv(index=False, lineterminator="\n")


def findings_table(report: ImportReport) -> pd.DataFrame:
    """The import report as a table: one row for each finding, with the repair that is offered."""
    return pd.DataFrame(
        [(f.file, f.place, f.fate.value, f.what, f.area_before_m2, f.area_after_m2, f.offer) for f in report.findings],
        columns=["file", "place", "fate", "what", "area_before_m2", "area_after_m2", "offer"],
    )


def write_tables(plan: Plan, folder: Path, large: bool = False) -> list[Path]:
    """Write the tables of the plan as CSV files.

    Parameters
    ----------
    plan : Plan
    folder : Path
    large : bool
        Also the tables with one row per sowing date or weather year.

    Returns
    -------
    list of Path
        Files written.
    """
    written = []
    for name in TABLES + (LARGE_TABLES if large else ()):
        path = folder / f"{name}.csv"
        write_text(path, to_csv(getattr(plan, name)))
        written.append(path)
    path = folder / "import_report.csv"
    write_text(path, to_csv(findings_table(plan.report)))
    return [*written, path]


def write_without_cover(found: WithoutCover, folder: Path, large: bool = False) -> list[Path]:
    """Write the gaps without a cover as CSV files, the flush of weeds by date only with the large tables."""
    written = []
    for name in WITHOUT_COVER + (LARGE_WITHOUT_COVER if large else ()):
        path = folder / f"{name}.csv"
        write_text(path, to_csv(getattr(found, name)))
        written.append(path)
    return written
