"""Lists that a farm file holds beside its blocks and calendar: told by their header, read as the commands read them.

Seed in the shed, prices, label intervals, names of noxious weeds, the farm's own species, the history of the blocks and
this season's days. An edit carries a list whole, before and after, so that undo brings back what was there.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from greengap.catalogue import LEARNED_FILE, OWN_FILE
from greengap.errors import Fate, Finding, ImportReport, InputProblem
from greengap.farm.crop_calendar import ALIASES as CALENDAR_ALIASES
from greengap.farm.crop_calendar import REQUIRED as CALENDAR_COLUMNS
from greengap.farm.farm_file import FarmContents, FarmEdit
from greengap.farm.history import REQUIRED as HISTORY_COLUMNS
from greengap.farm.law_lists import HERBICIDE_COLUMNS, HERBICIDE_FILE, NAME_COLUMNS, NAMES_FILE
from greengap.farm.season_record import COLUMNS as RECORD_COLUMNS
from greengap.farm.seed_lists import PRICE_COLUMNS, PRICE_FILE, STOCK_COLUMNS, STOCK_FILE
from greengap.farm.sprays import COLUMNS as SPRAY_COLUMNS
from greengap.farm.sprays import SPRAY_FILE
from greengap.pack import HISTORY, THIS_SEASON
from greengap.table_file import read_rows
from greengap.tables import History

# By the name under which the page speaks of a list: the file that holds the same in a farm folder.
FILES = {
    "seed_stock": STOCK_FILE, "seed_prices": PRICE_FILE, "herbicides": HERBICIDE_FILE, "noxious_names": NAMES_FILE,
    "planned_sprays": SPRAY_FILE, "catalogue": OWN_FILE, "learned": LEARNED_FILE, "history": HISTORY,
    "this_season": THIS_SEASON,
}  # fmt: skip
OWN = tuple(key for key in FILES if key not in ("history", "this_season"))  # kept as text
SETTING = {"history": "history", "this_season": "this_season"}  # under [files] in farm.toml
# Columns that are needed, and that may be there, of what is told by its header.
COLUMNS: dict[str, tuple[Sequence[str], Sequence[str]]] = {
    "seed_stock": (("species",), STOCK_COLUMNS),
    "seed_prices": (("species",), PRICE_COLUMNS),
    "herbicides": HERBICIDE_COLUMNS,
    "noxious_names": NAME_COLUMNS,
    "planned_sprays": (SPRAY_COLUMNS[:1], SPRAY_COLUMNS[1:]),
    "history": (HISTORY_COLUMNS, ("note",)),
    "crops": (CALENDAR_COLUMNS, ("year", "start_early", "start_late", "end_early", "end_late")),
    "record": (("record_id", "what", "date"), RECORD_COLUMNS),
}
OUTLINES = {"wkt", "geometry", "geom", "the_geom", "wkt_geom", "polygon"}  # headings of a column with outlines
TABLES = (".csv", ".xlsx", ".txt", ".tsv")
SHORT_D = 365  # days without a full year, which are of this season and no weather years


@dataclass(frozen=True)
class Held:
    """A list as the farm file holds it.

    Attributes
    ----------
    key : str
        One of `FILES`.
    content : Any
        The text of the file, the rows of the history, or the days of this season as plain data.
    sha256 : str
        Of the file that was brought in.
    read, used : int
        Rows.
    found : list of [place, fate, what]
        What was said of single rows.
    named : str
        How the file was called.
    since : str
        Day on which it was brought in on the page; empty if it was packed with the farm.
    """

    key: str
    content: Any
    sha256: str
    read: int
    used: int
    found: list[list[str]]
    named: str
    since: str = ""

    def row(self) -> dict[str, Any]:
        """As a row that an edit carries."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "key"}


# ---- which list it is -----------------------------------------------------------------------------------


def header_of(path: Path, shown: str) -> set[str]:
    """Column names of a table as they are compared; empty where it has none."""
    rows = [row for row in read_rows(path, shown, ImportReport()) if any(cell.strip() for cell in row.cells)]
    return {re.sub(r"[\s-]+", "_", cell.strip().lower()) for cell in rows[0].cells} - {""} if rows else set()


def kinds_of_header(header: set[str]) -> list[str]:
    """Kinds of table that a header fits: those that know every column, else those that know most of them.

    Examples
    --------
    >>> kinds_of_header({"species", "kg", "germination_percent"})
    ['seed_stock']
    >>> kinds_of_header({"species", "organic", "note"})
    ['seed_stock', 'seed_prices']
    """
    if header & OUTLINES:
        return ["blocks"]
    known: dict[str, int] = {}
    for kind, (needed, optional) in COLUMNS.items():
        names = {CALENDAR_ALIASES.get(name, name) for name in header} if kind == "crops" else header
        if set(needed) <= names:
            known[kind] = len(names & {*needed, *optional}) - len(names - {*needed, *optional})
    if "record" in known:
        return ["record"]
    most = max(known.values(), default=0)
    return [kind for kind, n in known.items() if n == most]


# ---- reading --------------------------------------------------------------------------------------------


def text_of_table(path: Path, shown: str, report: ImportReport) -> str:
    """A list as CSV text; a spreadsheet is written as CSV, every row on the line that it stands on.

    Raises
    ------
    InputProblem
        If it is neither.
    """
    data = path.read_bytes()
    if not data.startswith(b"PK"):
        try:
            return data.decode("utf-8-sig").replace("\r\n", "\n")
        except UnicodeDecodeError as error:
            line = data[: error.start].count(b"\n") + 1
            raise InputProblem(shown, f"row {line}", "is not in UTF-8", "Save it as CSV (UTF-8) or XLSX") from error
    out = io.StringIO()
    writer, line = csv.writer(out, lineterminator="\n"), 1
    for row in read_rows(path, shown, report):
        out.write("\n" * (row.number - line))
        writer.writerow([cell.replace("\n", " ").replace("\r", " ") for cell in row.cells])
        line = row.number + 1
    return out.getvalue()


def rows_of_catalogue(text: str) -> int:
    """Species and mixes of a farm's own catalogue; those that records have moved, in what they taught."""
    data = tomllib.loads(text)
    return sum(len(part) for name, part in data.items() if name != "sources" and isinstance(part, dict | list))


def held_list(key: str, content: Any, data: bytes, report: ImportReport, file: str, named: str) -> Held:
    """A list that has been read, with what its report says; `file` is how the report calls it."""
    found = [[f.place, f.fate.value, f.what] for f in report.findings if f.file == file]
    counts = report.rows_read.get(file, 0), report.rows_used.get(file, 0)
    digest = hashlib.sha256(data).hexdigest()
    return Held(key, content, digest, *counts, found, named, date.today().isoformat())


# ---- plain data of what is no text -----------------------------------------------------------------------


def season_as_data(days: xr.Dataset) -> dict[str, Any]:
    """Days of a season as plain data; NaN where a value is missing."""
    return {
        "date": [f"{day:%Y-%m-%d}" for day in pd.DatetimeIndex(days["date"].to_numpy())],
        "cells": {name: days[name].to_numpy().tolist() for name in map(str, days.coords) if name != "date"},
        "values": {
            str(name): values.transpose("cell_id", "date").to_numpy().tolist()
            for name, values in days.data_vars.items()
        },
        "attrs": {k: v for k, v in days.attrs.items() if k in ("kind", "crs", "files", "years")},
    }


def season_of_data(data: Mapping[str, Any]) -> xr.Dataset:
    """The days that `season_as_data` put down."""
    arrays = {
        name: (("cell_id", "date"), np.array(values, dtype=bool if name == "filled" else float))
        for name, values in data["values"].items()
    }
    cells = {name: ("cell_id", np.array(values)) for name, values in data["cells"].items()}
    dates = np.array(data["date"], dtype="datetime64[ns]")
    return xr.Dataset(arrays, coords={**cells, "date": dates}, attrs=dict(data["attrs"]))


def history_as_data(history: pd.DataFrame) -> list[dict[str, str]]:
    """Rows of a history as plain data."""
    return [{**row, "date": f"{row['date']:%Y-%m-%d}"} for row in history.to_dict("records")]


def history_of_data(rows: Sequence[Mapping[str, str]]) -> pd.DataFrame:
    """The history that `history_as_data` put down."""
    if not rows:
        return History.empty()
    table = pd.DataFrame(rows, columns=list(History.to_schema().columns))
    return History.validate(table.assign(date=pd.to_datetime(table["date"], format="%Y-%m-%d")))


# ---- in and out of the farm file -------------------------------------------------------------------------


def lists_of_contents(contents: FarmContents, page: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """The lists that a farm file holds, as rows by key; `page` says since when."""
    there: dict[str, Any] = {key: contents.own_files[FILES[key]] for key in OWN if FILES[key] in contents.own_files}
    if contents.history is not None:
        there["history"] = history_as_data(contents.history)
    if contents.so_far is not None:
        there["this_season"] = season_as_data(contents.so_far)
    out = {}
    for key, content in there.items():
        kept = page.get("lists", {}).get(key, {})
        report, file = contents.report, str(kept.get("file") or _reported(key, contents))
        found = [[f.place, f.fate.value, f.what] for f in report.findings if f.file == file]
        rows = rows_of(key, content)
        read, used = report.rows_read.get(file, rows), report.rows_used.get(file, rows)
        digest = contents.sources.get(file) or hashlib.sha256(repr(content).encode()).hexdigest()
        held = Held(key, content, digest, read, used, found, str(kept.get("named") or file), kept.get("since", ""))
        out[key] = held.row()
    return out


def rows_of(key: str, content: Any) -> int:
    """Rows of a list, days of a season, species and mixes of a catalogue."""
    if key == "history":
        return len(content)
    if key == "this_season":
        return len(content["date"])
    if FILES[key].endswith(".toml"):
        return rows_of_catalogue(content)
    return max(sum(1 for line in content.splitlines() if line.strip(" ,;\t") and not line.startswith("#")) - 1, 0)


def _reported(key: str, contents: FarmContents) -> str:
    """How the import report of a packed farm calls a list."""
    if key in SETTING:
        named = tomllib.loads(contents.settings_text).get("files", {}).get(SETTING[key])
        return str(named or FILES[key])
    return FILES[key]


def write_lists(
    edit: FarmEdit, before: FarmContents, lists: Mapping[str, Mapping[str, Any]], changed: Mapping[str, Sequence[Any]],
    report: ImportReport,
) -> dict[str, Any]:  # fmt: skip
    """Write the lists that an edit touches; give what changes of the contents of the farm file.

    Parameters
    ----------
    edit : FarmEdit
    before : FarmContents
    lists : mapping of key to row
        All that the farm file is to hold.
    changed : mapping of key to (row before, row after)
    report : ImportReport
        Of the farm; what it said of a list before gives way.
    """
    out: dict[str, Any] = {"own_files": dict(before.own_files), "sources": dict(before.sources)}
    for key in changed:
        names = {FILES[key], _reported(key, before)}
        for name in names:
            report.rows_read.pop(name, None)
            report.rows_used.pop(name, None)
            out["sources"].pop(name, None)
        report.findings = [f for f in report.findings if f.file not in names]
        held, file = lists.get(key), FILES[key]
        if held is not None:
            report.count(file, held["read"], held["used"])
            report.findings += [Finding(file, place, Fate(fate), what) for place, fate, what in held["found"]]
            out["sources"][file] = held["sha256"]
        if key == "history":
            out["history"] = None if held is None else history_of_data(held["content"])
            edit.write_history(out["history"])
        elif key == "this_season":
            out["so_far"] = None if held is None else season_of_data(held["content"])
            edit.write_season(out["so_far"])
        elif held is None:
            out["own_files"].pop(file, None)
        else:
            out["own_files"][file] = held["content"]
    order = [FILES[key] for key in OWN]
    out["own_files"] = {name: out["own_files"][name] for name in order if name in out["own_files"]}
    edit.set("own_files", out["own_files"])
    edit.write_sources(out["sources"])
    return out


def told_of_lists(lists: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, str]]:
    """What the page keeps of lists beside the farm: how they were called, and since when they are there."""
    return {
        key: {"named": row["named"], "since": row["since"], "file": FILES[key]}
        for key, row in sorted(lists.items())
        if row["since"]
    }


def shown_lists(lists: Mapping[str, Mapping[str, Any]], contents: FarmContents) -> list[dict[str, Any]]:
    """Everything that a farm file holds, for a person: name, rows, since when, whether it can be taken out."""
    out: list[dict[str, Any]] = []
    for key in FILES:
        if key in lists:
            row = lists[key]
            out.append({"key": key, "named": row["named"], "rows": row["used"], "since": row["since"], "out": True})
    days = int(contents.weather.sizes["date"])
    if days:
        out.append({"key": "weather", "named": str(contents.weather.attrs.get("files", "")), "rows": days, "since": ""})
    if len(contents.record):
        out.append({"key": "record", "named": "", "rows": len(contents.record), "since": ""})
    return [{"out": False, **one} for one in out]


def renamed(problem: InputProblem, file: str, shown: str) -> InputProblem:
    """A problem with a list, told under the name of the file that was dropped."""
    if problem.file != file and not problem.file.startswith(f"{file}, "):
        return problem
    return InputProblem(shown + problem.file.removeprefix(file), problem.place, problem.what, problem.remedy)


def with_list(contents: FarmContents, lists: Mapping[str, Mapping[str, Any]]) -> FarmContents:
    """Contents with other texts of the farm's own files, to be read before they are kept."""
    return replace(contents, own_files={FILES[key]: lists[key]["content"] for key in OWN if key in lists})
