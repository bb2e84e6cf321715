"""What was done on each block in the last years: crops, covers, herbicides, manure, weeds."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from datetime import date
from pathlib import Path

import pandas as pd

from greengap.catalogue.loader import Catalogue
from greengap.errors import Fate, ImportReport, InputProblem, several
from greengap.farm.soft_dates import NotCertain, Order, read_date
from greengap.table_file import read_rows
from greengap.tables import CropCalendar, DataFrame, History

KINDS = {
    **dict.fromkeys(("crop", "vegetable"), "crop"),
    **dict.fromkeys(("cover", "cover crop", "cover_crop"), "cover"),
    **dict.fromkeys(("herbicide", "spray"), "herbicide"),
    **dict.fromkeys(("manure", "compost"), "manure"),
    **dict.fromkeys(("weeds", "weed"), "weeds"),
}
REQUIRED = ("block", "date", "kind", "what")
YEARS = 3  # that rotation and plant-back sections of labels look back (common practice)


def read_history(
    path: Path,
    shown: str,
    report: ImportReport,
    block_ids: Sequence[str],
    date_order: Order = "",
) -> DataFrame[History]:
    """Read the history of the blocks.

    Parameters
    ----------
    path : Path
        CSV or XLSX with the columns ``block``, ``date`` (as in the crop calendar, or a year), ``kind`` (crop,
        cover, herbicide, manure, weeds), ``what``, and where wanted ``note``.
    shown : str
        Name of the file as the user knows it.
    report : ImportReport
        Counts the rows, and takes those of other blocks.
    block_ids : sequence of str
        Blocks of the farm.
    date_order : str
        How dates such as 10/7 are written.

    Returns
    -------
    DataFrame[History]
        By block and date.

    Raises
    ------
    InputProblem
        If the file is no such table, or a cell cannot be read; all places are listed together.
    """
    table = read_rows(path, shown, report, REQUIRED)
    columns = [re.sub(r"[\s-]+", "_", cell.strip().lower()) for cell in table[0].cells] if table else []
    missing = [name for name in REQUIRED if name not in columns]
    if missing:
        raise InputProblem(shown, "", f"has no column {', '.join(missing)}", f"Needed are {', '.join(REQUIRED)}")
    alike = {re.sub(r"\s", "", name).casefold(): name for name in block_ids}
    rows, wrong = [], []
    for line in table[1:]:
        cells = dict(zip(columns, [c.strip() for c in line.cells] + [""] * len(columns), strict=False))
        place = f"row {line.number}"
        block = alike.get(re.sub(r"\s", "", cells["block"]).casefold())
        if block is None:
            near = difflib.get_close_matches(cells["block"], list(block_ids), n=1)
            hint = f", the closest is {near[0]!r}" if near else ""
            report.note(shown, place, Fate.SKIPPED, f"there is no block {cells['block']!r}{hint}")
            continue
        kind = KINDS.get(cells["kind"].lower())
        if kind is None:
            wrong.append((f"{place}, kind", f"{cells['kind']!r} is none of crop, cover, herbicide, manure, weeds"))
            continue
        if not cells["what"]:
            wrong.append((f"{place}, what", "the cell is empty"))
            continue
        try:
            year = re.fullmatch(r"(\d{4})", cells["date"])
            day = date(int(year[1]), 7, 1) if year else read_date(cells["date"], order=date_order).usual
            if not 1900 <= day.year <= 2200:
                raise NotCertain("is not a date from 1900 to 2200")
        except (NotCertain, ValueError) as why:
            wrong.append((f"{place}, date", f"{cells['date']!r} {why}"))
            continue
        rows.append((block, pd.Timestamp(day), kind, cells["what"], cells.get("note", "")))
    if wrong:
        raise several(shown, wrong, "Correct these cells; write dates as 2026-07-10")
    report.count(shown, len(table) - 1, len(rows))
    frame = pd.DataFrame(rows, columns=list(History.to_schema().columns))
    position = {block: i for i, block in enumerate(block_ids)}
    order = frame.assign(_at=frame["block_id"].map(position)).sort_values(["_at", "date", "kind", "what"])
    return History.validate(order.drop(columns="_at").reset_index(drop=True)) if len(frame) else History.empty()


def history_findings(
    history: DataFrame[History],
    calendar: DataFrame[CropCalendar],
    catalogue: Catalogue,
    shown: str,
    report: ImportReport,
) -> None:
    """Report what the history asks to be looked at: families that return, labels to read, manure before a crop.

    No interval is stated; labels, certifier and produce-safety rules have theirs.
    """
    first = calendar.groupby("block_id")["start_usual"].min()
    family = {key: vegetable.family for key, vegetable in catalogue.vegetables.items()}
    for row in history.itertuples():
        begin = first.get(row.block_id)
        if begin is None or (begin - row.date).days > 366 * YEARS:
            continue
        place = f"{row.block_id}, {row.date:%Y-%m-%d}"
        if row.kind == "herbicide":
            what = f"{row.what} was used: read the rotation section of its label before any cover or crop is sown"
            report.note(shown, place, Fate.USED, what)
        elif row.kind == "manure":
            what = f"{row.what} was spread: count the days to the harvest of what is eaten raw, as your rules ask"
            report.note(shown, place, Fate.USED, what)
        elif row.kind == "crop":
            kin = family_of(row.what, catalogue)
            mine = calendar[calendar["block_id"] == row.block_id]
            again = [c for c in mine["crop"] if kin and family.get(c) == kin]
            if again:
                name = catalogue.vegetables[again[0]].name
                what = f"{name} returns to ground that had {row.what}, both {family[again[0]]}"
                report.note(shown, place, Fate.USED, what)


def family_of(crop: str, catalogue: Catalogue) -> str:
    """Family of a crop as the farm writes it; empty where it is not known, or may be of several."""
    word = re.sub(r"[\W_]+", "_", crop.lower()).strip("_")
    ends = tuple(f"_{w}" for w in (word, word.rstrip("s")))
    known = catalogue.vegetables.items()
    found = {v.family for _, v in known if f"_{re.sub(r'[^a-z0-9]+', '_', v.name.lower())}".endswith(ends)}
    found |= {v.family for key, v in known if key == word}
    return found.pop() if len(found) == 1 else ""
