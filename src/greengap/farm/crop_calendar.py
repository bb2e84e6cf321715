"""The crop calendar in: which crop stands on which block, from when to when."""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import pairwise
from pathlib import Path

import pandas as pd

from greengap.catalogue.loader import Catalogue
from greengap.errors import Fate, ImportReport, InputProblem, several
from greengap.tables import CropCalendar, DataFrame

REQUIRED = ("block", "crop", "establishment", "start", "end")
SOFT = ("start_early", "start_late", "end_early", "end_late")
ESTABLISHMENT = {
    "transplanted": "transplanted",
    "transplant": "transplanted",
    "seeded": "seeded",
    "seed": "seeded",
    "sown": "seeded",
    "direct_seeded": "seeded",
    "planted": "planted",
    "plant": "planted",
}
DATE_COLUMNS = ("start_early", "start", "start_late", "end_early", "end", "end_late")
YEARS = (1900, 2200)  # a year outside is a slip of the keyboard
MOST_YEARS_OFF = 15  # so is one this far from the middle of the calendar; it would make a gap of decades


@dataclass
class _Row:
    """One filled row: its line in the file, its cells, and what becomes of them."""

    line: int
    cells: dict[str, str]
    block: str = ""
    crop: str = ""
    establishment: str = ""
    dates: dict[str, pd.Timestamp] = field(default_factory=dict)

    @property
    def place(self) -> str:
        named = ", ".join(part for part in (self.cells["block"], self.cells["crop"]) if part)
        return f"row {self.line}" + (f" ({named})" if named else "")

    def day(self, column: str) -> pd.Timestamp:
        return self.dates[column]


def read_crop_calendar(
    path: Path,
    shown: str,
    report: ImportReport,
    block_ids: Sequence[str],
    catalogue: Catalogue,
    set_aside: Sequence[str] = (),
) -> DataFrame[CropCalendar]:
    """Read ``crop_calendar.csv``.

    Parameters
    ----------
    path : Path
        CSV with a header; commas, semicolons or tabs between cells; lines that begin with # are
        remarks. Columns `block`, `crop`, `establishment` (transplanted, seeded or planted),
        `start` (usual first day), `end` (usual last day of harvest); where known also
        `start_early`, `start_late`, `end_early`, `end_late`. Dates as YYYY-MM-DD.
    shown : str
        Name of the file as the user knows it.
    report : ImportReport
        Receives the row counts, findings (empty rows, rotation) and assumptions.
    block_ids : sequence of str
        Blocks of the farm.
    catalogue : Catalogue
        Names and families of vegetables.
    set_aside : sequence of str
        Blocks whose outlines cannot be used; their rows are reported and not used.

    Returns
    -------
    DataFrame[CropCalendar]
        By block, in the order of `block_ids`, then by start. Missing early and late dates equal
        the usual ones. A crop of the catalogue stands under its key, another as the farm writes it.

    Raises
    ------
    InputProblem
        If the file is no table, a column is missing, a cell cannot be read, a block is unknown,
        a crop ends before it starts, early, usual and late are out of order, or two crops stand
        on one block at once. All places of one kind are listed together.
    """
    rows, read = _rows(path, shown, report)
    _read_cells(rows, shown)
    rows = _without_set_aside(rows, shown, block_ids, set_aside, report)
    _match_blocks(rows, shown, block_ids, report)
    _check_dates(rows, shown)
    unknown = _match_crops(rows, catalogue)
    position = {block: i for i, block in enumerate(block_ids)}
    rows.sort(key=lambda r: (position[r.block], r.day("start"), r.line))
    _check_clashes(rows, shown)
    _note_rotation(rows, shown, catalogue, report)
    for name, hint in sorted(unknown.items()):
        report.assume(
            f"{shown}: {name!r} is not a vegetable of the catalogue{hint}; its family is taken as unknown, so nothing "
            "is ruled out because of it."
        )
    planted = {r.block for r in rows}
    for block in block_ids:
        if block not in planted:
            report.assume(f"{shown}: no calendar for block {block}, so no gap is planned on it.")
    report.count(shown, read, len(rows))
    calendar = pd.DataFrame(
        {
            "block_id": [r.block for r in rows],
            "crop": [r.crop for r in rows],
            "establishment": [r.establishment for r in rows],
            "start_early": [r.day("start_early") for r in rows],
            "start_usual": [r.day("start") for r in rows],
            "start_late": [r.day("start_late") for r in rows],
            "end_early": [r.day("end_early") for r in rows],
            "end_usual": [r.day("end") for r in rows],
            "end_late": [r.day("end_late") for r in rows],
        }
    )
    return CropCalendar.validate(calendar)


# --- the table ---------------------------------------------------------------------------------


def _rows(path: Path, shown: str, report: ImportReport) -> tuple[list[_Row], int]:
    """Filled rows with their line numbers, and how many rows were read, empty ones too."""
    lines = _lines(path, shown, report)
    try:
        header, body = next(lines), list(lines)
    except StopIteration:
        raise InputProblem(shown, "", "is empty", f"Give it the columns {', '.join(REQUIRED)}") from None
    except csv.Error as error:
        raise InputProblem(shown, "", f"cannot be read as a table ({error})", "Save it as CSV") from error
    columns = [re.sub(r"[\s-]+", "_", name.strip().lower()) for name in header[1]]
    _check_columns(columns, header[0], shown, report)
    rows, long = [], []
    for line, cells in body:
        if not any(cell.strip() for cell in cells):
            report.note(shown, f"row {line}", Fate.SKIPPED, "is empty")
            continue
        if any(cell.strip() for cell in cells[len(columns) :]):
            long.append((f"row {line}", f"has {len(cells)} cells under {len(columns)} column names"))
        filled = [cell.strip() for cell in cells] + [""] * len(columns)
        rows.append(_Row(line, dict(zip(columns, filled, strict=False))))
    if long:
        raise several(shown, long, "Put cells that hold a comma in quotes")
    if not rows:
        raise InputProblem(shown, "", "names no crop", "Add a row for each crop on each block")
    return rows, len(body)


def _lines(path: Path, shown: str, report: ImportReport) -> Iterator[tuple[int, list[str]]]:
    """Cells of each line that is neither blank nor a remark, with the line's number."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputProblem(shown, "", "cannot be opened", "Correct the name or add the file") from error
    if data.startswith((b"PK", b"\xd0\xcf")) or b"\0" in data:
        raise InputProblem(shown, "", "is not a CSV file", "Save it from the spreadsheet as CSV (UTF-8)")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
        report.assume(f"{shown}: letters are read as Windows-1252, since the file is not UTF-8.")
    first = next((line for line in text.splitlines() if line.strip() and not line.startswith("#")), "")
    separator = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    for cells in reader:
        if cells and not cells[0].startswith("#"):
            yield reader.line_num, cells


def _check_columns(columns: list[str], line: int, shown: str, report: ImportReport) -> None:
    twice = sorted({c for c in columns if c and columns.count(c) > 1})
    if twice:
        raise InputProblem(shown, f"row {line}", f"the column {twice[0]} is there twice", "Rename or remove one")
    missing = [c for c in REQUIRED if c not in columns]
    if missing:
        raise InputProblem(
            shown,
            f"row {line}",
            f"the column{'s' if len(missing) > 1 else ''} {', '.join(missing)} cannot be found among "
            f"{', '.join(c for c in columns if c) or 'none'}",
            f"The first row names the columns; needed are {', '.join(REQUIRED)}",
        )
    unused = [c for c in columns if c and c not in REQUIRED + SOFT]
    if unused:
        report.assume(f"{shown}: nothing is read from {', '.join(unused)}.")


def _read_cells(rows: list[_Row], shown: str) -> None:
    """Dates and establishment of every row; all unreadable cells are named in one go."""
    empty, words, dates = [], [], []
    for row in rows:
        for column in REQUIRED:
            if not row.cells[column]:
                empty.append((f"{row.place}, {column}", "the cell is empty"))
        word = row.cells["establishment"]
        row.establishment = ESTABLISHMENT.get(re.sub(r"[\s-]+", "_", word.lower()), "")
        if word and not row.establishment:
            words.append((f"{row.place}, establishment", f"{word!r} is not a way to set up a crop"))
        for column in DATE_COLUMNS:
            cell = row.cells.get(column, "")
            day = _day(cell)
            if day is not None:
                row.dates[column] = day
            elif cell:
                odd = re.fullmatch(r"(\d{4})-\d{2}-\d{2}", cell)
                outside = odd is not None and not YEARS[0] <= int(odd[1]) <= YEARS[1]
                why = (
                    f"is not a date from {YEARS[0]} to {YEARS[1]}"
                    if outside
                    else "is not a date that can be read for certain"
                )
                dates.append((f"{row.place}, {column}", f"{cell!r} {why}"))
    if dates:
        raise several(shown, dates, "Write year, month and day, as 2027-07-10")
    if empty:
        raise several(shown, empty, "Fill the cells, or remove the rows")
    if words:
        raise several(shown, words, "Write transplanted, seeded or planted (bulbs, tubers, sets)")
    for row in rows:
        for column in SOFT:
            row.dates.setdefault(column, row.day(column.split("_")[0]))


def _day(cell: str) -> pd.Timestamp | None:
    """A date written in full (ISO 8601), or None; nothing is guessed."""
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", cell):
        return None
    try:
        day = date.fromisoformat(cell)
    except ValueError:
        return None
    return pd.Timestamp(day) if YEARS[0] <= day.year <= YEARS[1] else None


# --- blocks, dates, crops ----------------------------------------------------------------------


def _key(name: str) -> str:
    return re.sub(r"\s", "", name).casefold()


def _without_set_aside(
    rows: list[_Row], shown: str, block_ids: Sequence[str], set_aside: Sequence[str], report: ImportReport
) -> list[_Row]:
    """The rows of blocks that can be planned; the others are reported."""
    usable, aside = set(block_ids), {_key(name) for name in set_aside}
    waiting = [row for row in rows if row.cells["block"] not in usable and _key(row.cells["block"]) in aside]
    if len(waiting) == len(rows):
        what = f"every row is of a block that has no outline that can be used: {', '.join(set_aside)}"
        raise InputProblem(shown, "", what, "Draw these outlines again, or add rows for other blocks")
    for row in waiting:
        what = f"block {row.cells['block']} has no outline that can be used, so this row waits for it"
        report.note(shown, row.place, Fate.REVIEW, what)
    return [row for row in rows if row not in waiting]


def _match_blocks(rows: list[_Row], shown: str, block_ids: Sequence[str], report: ImportReport) -> None:
    exact, alike = set(block_ids), {_key(b): b for b in block_ids}
    found = []
    for row in rows:
        name = row.cells["block"]
        if name in exact:
            row.block = name
        elif _key(name) in alike:
            row.block = alike[_key(name)]
            report.assume(f"{shown}: block {name!r} is taken as {row.block!r}.")
        else:
            near = difflib.get_close_matches(_key(name), alike, n=1)
            hint = f", the closest is {alike[near[0]]!r}" if near else ""
            found.append((f"row {row.line}", f"there is no block {name!r}{hint}"))
    if found:
        raise several(shown, found, "Write block names as in the polygon file, or add the polygon")


def _check_dates(rows: list[_Row], shown: str) -> None:
    backward, order, far = [], [], []
    middle = int(pd.Series([row.day("start").year for row in rows]).median())
    for row in rows:
        start, end = row.day("start"), row.day("end")
        for name in DATE_COLUMNS:
            if abs(row.day(name).year - middle) > MOST_YEARS_OFF:
                far.append(
                    (f"{row.place}, {name}", f"{row.day(name):%Y-%m-%d} lies far from {middle}, where most rows lie")
                )
        if end < start:
            backward.append((row.place, f"the end {end:%Y-%m-%d} lies before the start {start:%Y-%m-%d}"))
        for name in ("start", "end"):
            early, usual, late = row.day(f"{name}_early"), row.day(name), row.day(f"{name}_late")
            if not early <= usual <= late:
                what = f"{early:%Y-%m-%d}, {usual:%Y-%m-%d}, {late:%Y-%m-%d} are not in order early, usual, late"
                order.append((f"{row.place}, {name}", what))
    if backward:
        raise several(shown, backward, "Correct the dates; a crop that stands over New Year ends in the next year")
    if far:
        raise several(shown, far, "Correct the year, or leave rows of other years out")
    if order:
        raise several(shown, order, "Correct the dates so that early <= usual <= late")


def _check_clashes(rows: list[_Row], shown: str) -> None:
    """Refuse two crops on one block at once; rows come sorted by block and start."""
    found, longest = [], None
    for row in rows:
        if longest is None or longest.block != row.block:
            longest = row
            continue
        if row.day("start") <= longest.day("end"):
            what = (
                f"{row.cells['crop']} from {row.day('start'):%Y-%m-%d} stands on block {row.block} together with "
                f"{longest.cells['crop']} of row {longest.line}, which ends {longest.day('end'):%Y-%m-%d}"
            )
            found.append((f"row {row.line}", what))
        if row.day("end") > longest.day("end"):
            longest = row
    if found:
        raise several(
            shown, found, "Correct the dates, or split the block; a crop may start the day after another ends"
        )


def _word(name: str) -> str:
    return re.sub(r"[\W_]+", "_", name.strip().lower()).strip("_")


def _match_crops(rows: list[_Row], catalogue: Catalogue) -> dict[str, str]:
    """Set each row's crop; give the names that the catalogue does not know, with the nearest it does."""
    known = {_word(v.name): key for key, v in catalogue.vegetables.items()} | {k: k for k in catalogue.vegetables}
    unknown = {}
    for row in rows:
        name = row.cells["crop"]
        word = _word(name)
        singular = (word, word.removesuffix("s"), word.removesuffix("es"), re.sub("ies$", "y", word))
        key = next((known[w] for w in singular if w in known), None)
        row.crop = key or name
        if key is None:
            near = difflib.get_close_matches(word, known, n=1)
            unknown[name] = f" (the nearest is {known[near[0]]})" if near else ""
    return unknown


def _note_rotation(rows: list[_Row], shown: str, catalogue: Catalogue, report: ImportReport) -> None:
    """Note where a family follows itself on a block; a crop's own successions of one year do not count."""
    for before, after in pairwise(rows):
        if before.block != after.block:
            continue
        first, second = catalogue.vegetables.get(before.crop), catalogue.vegetables.get(after.crop)
        if first is None or second is None or first.family != second.family:
            continue
        if before.crop == after.crop and before.day("start").year == after.day("start").year:
            continue
        what = f"{second.name} follows {first.name} of row {before.line} on block {after.block}, both {second.family}"
        report.note(shown, f"row {after.line}", Fate.USED, what)


def clashes(calendar: DataFrame[CropCalendar]) -> list[tuple[str, str, str, pd.Timestamp, pd.Timestamp]]:
    """Crops that stand on a block before another has left it.

    Returns
    -------
    list of (block_id, crop that leaves late, crop that comes, its last day, first day of the other)
    """
    found = []
    for block, rows in calendar.sort_values(["block_id", "start_usual"], kind="stable").groupby("block_id", sort=False):
        longest = None
        for row in rows.itertuples():
            if longest is not None and row.start_usual <= longest.end_usual:
                found.append((str(block), longest.crop, row.crop, longest.end_usual, row.start_usual))
            if longest is None or row.end_usual > longest.end_usual:
                longest = row
    return found
