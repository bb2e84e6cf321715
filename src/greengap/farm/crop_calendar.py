"""The crop calendar in: which crop stands on which block, from when to when."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from greengap.catalogue.loader import Catalogue, Vegetable
from greengap.errors import Fate, ImportReport, InputProblem, several
from greengap.farm.soft_dates import NotCertain, Order, SoftDate, read_date
from greengap.table_file import read_rows
from greengap.tables import CropCalendar, DataFrame

REQUIRED = ("block", "crop", "establishment", "start", "end")
SOFT = ("start_early", "start_late", "end_early", "end_late")
# Other headings under which the same is kept.
ALIASES = {
    **dict.fromkeys(("bed", "plot", "block_name", "block_id"), "block"),
    **dict.fromkeys(("vegetable", "crop_name"), "crop"),
    **dict.fromkeys(("planted_on", "planting_date", "sowing_date", "in", "start_date", "start_usual"), "start"),
    **dict.fromkeys(("last_harvest", "harvest_end", "end_of_harvest", "out", "end_date", "end_usual"), "end"),
    **dict.fromkeys(("set_up", "method", "planting_method"), "establishment"),
}
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
DAYS_A_YEAR = 365
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
    date_order: Order = "",
) -> DataFrame[CropCalendar]:
    """Read the crop calendar.

    Parameters
    ----------
    path : Path
        CSV (commas, semicolons or tabs between cells; lines that begin with # are remarks) or XLSX,
        with a header. Columns `block`, `crop`, `establishment` (transplanted, seeded or planted),
        `start` (usual first day), `end` (usual last day of harvest); where known also
        `start_early`, `start_late`, `end_early`, `end_late`, and `year`, in which `start` falls where
        dates do not say it. Dates as YYYY-MM-DD, or as `soft_dates.read_date` takes them.
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
    date_order : str
        "day first" or "month first", for dates such as 10/7; without it they are asked about.

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
    _read_cells(rows, shown, report, date_order)
    rows = _without_set_aside(rows, shown, block_ids, set_aside, report)
    _match_blocks(rows, shown, block_ids, report)
    _check_dates(rows, shown)
    unknown = _match_crops(rows, catalogue)
    position = {block: i for i, block in enumerate(block_ids)}
    rows.sort(key=lambda r: (position[r.block], r.day("start"), r.line))
    _check_clashes(rows, shown)
    _note_rotation(rows, shown, block_ids, catalogue, report)
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
    table = read_rows(path, shown, report, REQUIRED)
    if not table:
        raise InputProblem(shown, "", "is empty", f"Give it the columns {', '.join(REQUIRED)}")
    header, body = table[0], [(row.number, row.cells) for row in table[1:]]
    columns = [re.sub(r"[\s-]+", "_", name.strip().lower()) for name in header.cells]
    for at, name in enumerate(columns):
        if ALIASES.get(name) and ALIASES[name] not in columns:
            report.assume(f"{shown}: the column {name} is taken as {ALIASES[name]}.")
            columns[at] = ALIASES[name]
    _check_columns(columns, header.number, shown, report)
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
    unused = [c for c in columns if c and c not in (*REQUIRED, *SOFT, "year")]
    if unused:
        report.assume(f"{shown}: nothing is read from {', '.join(unused)}.")


def _read_cells(rows: list[_Row], shown: str, report: ImportReport, date_order: Order) -> None:
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
        dates += _read_dates(row, shown, report, date_order)
    if dates:
        remedy = "Write year, month and day, as 2027-07-10"
        if any("could be" in why for _, why in dates):
            remedy += ', or say how dates are written with date_order = "day first" or "month first" under [files]'
        if any("does not say its year" in why for _, why in dates):
            remedy += "; the year may stand in a column of its own, year"
        raise several(shown, dates, remedy)
    if empty:
        raise several(shown, empty, "Fill the cells, or remove the rows")
    if words:
        raise several(shown, words, "Write transplanted, seeded or planted (bulbs, tubers, sets)")
    for row in rows:
        for column in SOFT:
            row.dates.setdefault(column, row.day(column.split("_")[0]))


def _read_dates(row: _Row, shown: str, report: ImportReport, order: Order) -> list[tuple[str, str]]:
    """Put the dates of a row; give the cells that cannot be read for certain, with why."""
    wrong = []
    year: int | None = None
    if cell := row.cells.get("year", ""):
        if re.fullmatch(r"\d{4}", cell):
            year = int(cell)
        else:
            wrong.append((f"{row.place}, year", f"{cell!r} is not a year"))
    for column in ("start", "start_early", "start_late", "end", "end_early", "end_late"):
        cell = row.cells.get(column, "")
        if not cell:
            continue
        if column.startswith("end") and "start" in row.dates:
            year = row.day("start").year
        try:
            soft = _not_before(read_date(cell, year, order), cell, row, column, order)
        except NotCertain as why:
            wrong.append((f"{row.place}, {column}", f"{cell!r} {why}"))
            continue
        if not YEARS[0] <= soft.usual.year <= YEARS[1]:
            wrong.append((f"{row.place}, {column}", f"{cell!r} is not a date from {YEARS[0]} to {YEARS[1]}"))
            continue
        if column in ("start", "start_early", "start_late") and year is None:
            year = soft.usual.year
        row.dates[column] = pd.Timestamp(soft.usual)
        if soft.is_soft and column in ("start", "end"):
            for side, day in (("early", soft.early), ("late", soft.late)):
                if not row.cells.get(f"{column}_{side}"):
                    row.dates[f"{column}_{side}"] = pd.Timestamp(day)
        if soft.read_as:
            report.note(shown, f"{row.place}, {column}", Fate.USED, f"{cell!r} is read as {soft.read_as}")
    return wrong


def _not_before(soft: SoftDate, cell: str, row: _Row, column: str, order: Order) -> SoftDate:
    """An end that does not say its year falls after the start, in the next year if need be."""
    start = row.dates.get("start")
    if not column.startswith("end") or start is None or re.search(r"\d{4}", cell) or soft.late >= start.date():
        return soft
    return read_date(cell, start.year + 1, order)


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


def _note_rotation(
    rows: list[_Row], shown: str, block_ids: Sequence[str], catalogue: Catalogue, report: ImportReport
) -> None:
    """Note where a family follows itself on a block, or comes back too soon with a disease that both crops carry.

    A crop's own successions of one year do not count. Each note names blocks that have been free of the family.
    """
    years = catalogue.rule("family_return") / DAYS_A_YEAR
    families = [(row, v) for row in rows if (v := catalogue.vegetables.get(row.crop)) is not None]
    for block in block_ids:
        mine = [(row, v) for row, v in families if row.block == block]
        order = [row for row in rows if row.block == block]
        for at, (row, vegetable) in enumerate(mine):
            kin = [(r, v) for r, v in mine[:at] if v.family == vegetable.family]
            own = [r for r, _ in kin if r.crop == row.crop and r.day("start").year == row.day("start").year]
            others = [(r, v) for r, v in kin if r not in own]
            if own or not others:
                continue
            before, kind = others[-1]
            months = round((row.day("start") - before.day("end")).days / (DAYS_A_YEAR / 12))
            shared = sorted(set(vegetable.shared_diseases) & set(kind.shared_diseases))
            follows = order.index(row) == order.index(before) + 1
            if months > 12 * years or not (follows or shared):
                continue
            way = "follows" if follows else "returns after"
            what = f"{vegetable.name} {way} {kind.name} of row {before.line} on block {block}"
            what += f", both {vegetable.family}" + ("" if follows else f", {months} months later")
            what += f"; both can carry {shared[0]}" if shared else ""
            free = _free_blocks(row, vegetable.family, families, block_ids, catalogue.rule("family_return"))
            what += f"; free of the family for {years:.0f} years: {', '.join(free[:3])}" if free else ""
            report.note(shown, f"row {row.line}", Fate.USED, what)


def _free_blocks(
    row: _Row, family: str, families: list[tuple[_Row, Vegetable]], block_ids: Sequence[str], within_d: float
) -> list[str]:
    """Blocks without a crop of a family within some days of a row."""
    taken = {
        other.block
        for other, vegetable in families
        if vegetable.family == family and abs((other.day("start") - row.day("start")).days) <= within_d
    }
    return [block for block in block_ids if block not in taken]


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
