"""Rows of the season record as people write them, made whole and checked: names, units, days, what is filled in."""

from __future__ import annotations

import hashlib
import json
import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from greengap.catalogue import Catalogue
from greengap.errors import ImportReport, InputProblem, several
from greengap.farm.season_record import (
    ALLOWED,
    CHOICES,
    COLUMNS,
    HEAD,
    KINDS,
    NUMBERS,
    OTHER_UNITS,
    YES_NO,
    current,
    record_of,
)
from greengap.farm.settings import suggestion
from greengap.farm.soft_dates import NotCertain, Order, read_date
from greengap.table_file import read_rows
from greengap.tables import DataFrame, Gap, SeasonRecord
from greengap.units import System, write

SHORT = {"block": "block_id", "gap": "gap_id", "cover": "cover_id", "kind": "what"}  # as people head a column
YES, NO = {"yes", "y", "true", "1", "x"}, {"no", "n", "false", "0"}
LONGEST_TEXT = 500
FIRST_DAY = pd.Timestamp("1950-01-01")  # an earlier year is a slip of the pen
NEAR_GAP_D = 45  # a day this near to a gap may belong to it: a harvest that ended early, a bed fit to plant late
ID_LETTERS = 4  # of a record_id, enough to name a row if no other begins so
WRITTEN = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")
ENTRY_ID = re.compile(r"[A-Za-z0-9._:-]{1,64}")


@dataclass(frozen=True)
class Known:
    """What is known before a row is written, so that it need not be asked.

    Attributes
    ----------
    areas_m2 : mapping of block_id to float
        Sown area of each block.
    gaps : DataFrame[Gap]
    catalogue : Catalogue
    record : DataFrame[SeasonRecord]
        What was written down before.
    units : str
        Of the farm.
    now : datetime
        UTC.
    today : date
        Where the farm is.
    date_order : str
        How the farm writes 10/7.
    planned : callable
        Gives the cover of each gap by the plan; asked only when a row needs it.
    """

    areas_m2: Mapping[str, float]
    gaps: DataFrame[Gap]
    catalogue: Catalogue
    record: DataFrame[SeasonRecord] = field(default_factory=SeasonRecord.empty)
    units: System = "metric"
    now: datetime = field(default_factory=lambda: datetime.now(UTC))
    today: date = field(default_factory=date.today)
    date_order: Order = ""
    planned: Callable[[], Mapping[str, str]] = dict

    @cached_property
    def held(self) -> DataFrame[SeasonRecord]:
        """What of the record holds."""
        return current(self.record)

    def sown(self, gap_id: str) -> Mapping[str, Any] | None:
        """The last sowing that holds in a gap."""
        return self.last("sown", gap_id)

    def last(self, what: str, gap_id: str) -> Mapping[str, Any] | None:
        """The last row of a kind that holds in a gap."""
        rows = self.held[(self.held["what"] == what) & (self.held["gap_id"] == gap_id)]
        return None if rows.empty else dict(rows.iloc[-1])

    def row_named(self, name: str) -> Mapping[str, Any] | None:
        """A row by its record_id, the beginning of it, or the number that a device gave it."""
        record = self.record
        for column in ("record_id", "entry_id"):
            rows = record[record[column] == name]
            if len(rows):
                return dict(rows.iloc[-1])
        rows = record[record["record_id"].str.startswith(name)] if len(name) >= ID_LETTERS else record.iloc[:0]
        return dict(rows.iloc[0]) if len(rows) == 1 else None


@dataclass
class Checked:
    """A row as it would go into the record, what is wrong with it, and what was filled in."""

    row: dict[str, Any]
    wrong: list[tuple[str, str, str]] = field(default_factory=list)  # column, what, remedy
    filled: list[str] = field(default_factory=list)

    def problem(self, column: str, what: str, remedy: str) -> None:
        """Note something wrong."""
        self.wrong.append((column, what, remedy))


@dataclass(frozen=True)
class Entered:
    """Rows that may go into the record, and what was filled in of itself."""

    rows: DataFrame[SeasonRecord]
    filled: tuple[str, ...] = ()


def check_row(cells: Mapping[str, Any], known: Known, decimal_comma: bool = False, fill: bool = True) -> Checked:
    """One row, made whole and checked.

    Parameters
    ----------
    cells : mapping of column to value
        Columns of `SeasonRecord`, or of `OTHER_UNITS`, as text, number or yes/no; empty ones are passed over.
    known : Known
    decimal_comma : bool
        Numbers in text have a comma for the decimals.
    fill : bool
        Find the gap, the cover and the area where they are not said. A device has shown and sent them, and its rows
        have to stay as they are, so that the same row is the same whenever and wherever it arrives.

    Returns
    -------
    Checked
    """
    cells = {SHORT.get(k, k): v for k, v in cells.items() if not _empty(v)}
    out = Checked({})
    what = _plain(cells.pop("what", ""))
    if what not in KINDS:
        out.problem("what", f"{what!r:.40} is no kind of row", suggestion(what, list(KINDS)))
        return out
    out.row["what"] = what
    _columns(out, what, cells)
    for column in ("entry_id", "written", "who", "corrects", "note"):
        _text(out, cells, column)
    _stamp(out, known)
    _values(out, cells, decimal_comma)
    _day(out, cells, known)
    _place(out, cells, known, fill)
    _cover(out, cells, known, fill)
    kind = KINDS[what]
    for column in kind.required:
        if column not in out.row and not any(c == column for c, *_ in out.wrong):
            out.problem(column, "is missing", _ask(column))
    if fill and what == "sown" and "seed_kg" in out.row and "area_m2" not in out.row and out.row.get("block_id"):
        out.row["area_m2"] = round(float(known.areas_m2[out.row["block_id"]]), 1)
        area = write(out.row["area_m2"], "m2", known.units)
        out.filled.append(f"{out.row['block_id']}: its whole sown area of {area} is taken as sown.")
    return out


def _empty(value: Any) -> bool:
    return value is None or value == "" or (isinstance(value, str) and not value.strip()) or value != value


def _plain(value: Any) -> str:
    """Text in one line without what cannot be seen, accents put together."""
    if isinstance(value, int) and abs(value) > 10**18:  # Python refuses to write out the longest
        return "a very large number"
    text = unicodedata.normalize("NFC", str(value))
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _ask(column: str) -> str:
    others = [other for other, (si, _) in OTHER_UNITS.items() if si == column]
    return f"Give {column}{' or ' + ' or '.join(others) if others else ''}"


def _columns(out: Checked, what: str, cells: dict[str, Any]) -> None:
    """What this kind does not say is refused; other units become SI's own columns."""
    kind = KINDS[what]
    may = {*kind.columns, *HEAD, "note", "visit"} - {"record_id"}
    cells.pop("record_id", None)  # is reckoned anew
    if "species" in kind.columns or what == "ended":
        may.add("cover_id")
    for column in list(cells):
        si = OTHER_UNITS.get(column, (column, 1.0))[0]
        if si in may:
            continue
        del cells[column]
        if si in COLUMNS:
            out.problem(column, f"is not said of a row '{what}'", f"It may say {', '.join(kind.columns) or 'a note'}")
        else:
            shown = [*(c for c in kind.columns), *(o for o, (s, _) in OTHER_UNITS.items() if s in kind.columns)]
            out.problem(_plain(column)[:40], "is not a column that is read", suggestion(column, shown))


def _text(out: Checked, cells: Mapping[str, Any], column: str) -> None:
    text = _plain(cells.get(column, ""))
    if len(text) > LONGEST_TEXT:
        out.problem(column, f"has {len(text)} letters", f"Write at most {LONGEST_TEXT}")
    elif text:
        out.row[column] = text


def _stamp(out: Checked, known: Known) -> None:
    """When it was written, and by which number of its device."""
    row, latest = out.row, known.now + timedelta(days=1)
    written = row.setdefault("written", f"{known.now:%Y-%m-%dT%H:%M:%SZ}")
    try:
        if not WRITTEN.fullmatch(written):
            raise ValueError
        if datetime.fromisoformat(written) > latest:
            out.problem("written", f"{written} has not come yet", "Set the clock of that device")
    except ValueError:
        out.problem("written", f"{written:.40} is not a time in UTC", "Write it as 2027-04-19T16:30:00Z")
    if "entry_id" in row and not ENTRY_ID.fullmatch(row["entry_id"]):
        out.problem("entry_id", "is not a number of a device", "Use at most 64 letters, digits, points and dashes")


def _limits(column: str) -> tuple[float, bool, float, bool]:
    """Lowest and highest value of a column by its table, and whether each itself is allowed."""
    low, low_in, high, high_in = -math.inf, True, math.inf, True
    for check in SeasonRecord.to_schema().columns[column].checks:
        told = check.statistics or {}
        if "min_value" in told:
            low, low_in = float(told["min_value"]), check.name == "greater_than_or_equal_to"
        if "max_value" in told:
            high, high_in = float(told["max_value"]), check.name == "less_than_or_equal_to"
    return low, low_in, high, high_in


LIMITS = {column: _limits(column) for column in NUMBERS}


def number(value: Any, decimal_comma: bool = False) -> float:
    """The number in a cell.

    Raises
    ------
    ValueError
        If it is none.
    """
    if isinstance(value, bool):
        raise ValueError
    if isinstance(value, str):
        value = value.strip()
        if decimal_comma and "." not in value:
            value = value.replace(",", ".")
        if "_" in value:
            raise ValueError
    found = float(value)
    if not math.isfinite(found) or abs(found) > 1e9:
        raise ValueError
    return found


def _values(out: Checked, cells: Mapping[str, Any], decimal_comma: bool) -> None:
    for column, value in cells.items():
        si, factor = OTHER_UNITS.get(column, (column, 1.0))
        if si in NUMBERS:
            _number(out, column, si, factor, value, decimal_comma)
        elif si in YES_NO:
            said = _plain(value).lower()
            if isinstance(value, bool) or said in YES | NO:
                out.row[si] = value if isinstance(value, bool) else said in YES
            else:
                out.problem(column, f"{said:.40} is neither yes nor no", "Write yes or no")
        elif column not in HEAD and column not in ("cover_id", "species", "note"):
            _text(out, cells, column)
            allowed = CHOICES.get(out.row["what"], ()) if column == "choice" else ALLOWED.get(column, ())
            if column in out.row and allowed:
                said = out.row[column].lower()
                out.row[column] = said
                if said not in allowed:
                    out.problem(column, f"{said:.40} is not known", suggestion(said, list(allowed)))


def _number(out: Checked, column: str, si: str, factor: float, value: Any, decimal_comma: bool) -> None:
    if si in out.row:
        out.problem(column, f"says the same as another column ({si})", "Keep one of them")
        return
    try:
        found = number(value, decimal_comma)
    except (ValueError, TypeError, OverflowError):
        out.problem(column, f"{_plain(value):.40} is not a number", "Write digits, with a point for the decimals")
        return
    if factor != 1.0:
        found = float(f"{found * factor:.10g}")  # without the dust of the conversion
    low, low_in, high, high_in = LIMITS[si]
    if (
        found < low or found > high or (found == low and not low_in) or (found == high and not high_in)
    ):  # one of four ways to be outside
        bounds = [f"{'at least' if low_in else 'above'} {low:g}"] if low > -math.inf else []
        bounds += [f"{'at most' if high_in else 'below'} {high:g}"] if high < math.inf else []
        unit = "" if column == si else f" in {si}"
        out.problem(column, f"{_plain(value):.40} cannot be", f"It is {' and '.join(bounds)}{unit}")
    elif si == "frame" and found != round(found):
        out.problem(column, f"{found:g} is not a whole number", "Number the frames 1, 2, 3")
    else:
        out.row[si] = found


def _day(out: Checked, cells: Mapping[str, Any], known: Known) -> None:
    said = _plain(cells.get("date", ""))
    if not said:
        out.problem("date", "is missing", "Say on which day it was")
        return
    try:
        soft = read_date(said, None, known.date_order)
    except (NotCertain, ValueError) as error:
        why = str(error) if isinstance(error, NotCertain) else "is not a date"
        out.problem("date", f"{said:.40} {why}", "Write year, month and day, as 2027-07-10")
        return
    if soft.is_soft:
        out.problem("date", f"{said:.40} is several days", "Write the day on which it was, as 2027-07-10")
        return
    day = pd.Timestamp(soft.usual)
    kind = KINDS.get(str(out.row.get("what", "")))
    if soft.usual > known.today + timedelta(days=1) and not (kind and kind.may_be_ahead):
        out.problem("date", f"{day:%Y-%m-%d} has not come yet", "Write down what was, not what is planned")
    elif day < FIRST_DAY:
        out.problem("date", f"{day:%Y-%m-%d} is too long ago", "Look at the year")
    else:
        out.row["date"] = day


def _place(out: Checked, cells: Mapping[str, Any], known: Known, fill: bool) -> None:
    """Block and gap: looked up, and the gap found from block and day where it is not said."""
    blocks, gaps = list(known.areas_m2), known.gaps
    block, gap = _plain(cells.get("block_id", "")), _plain(cells.get("gap_id", ""))
    if gap:
        found = _named(gap, list(gaps["gap_id"]))
        if found is None:
            out.problem("gap_id", f"there is no gap {gap!r:.60}", suggestion(gap, list(gaps["gap_id"]), most=6))
        else:
            out.row["gap_id"] = found
            of_gap = str(gaps.loc[gaps["gap_id"] == found, "block_id"].iloc[0])
            if block and _named(block, blocks) not in (None, of_gap):
                out.problem("gap_id", f"{found} is not on {block:.60}", "Leave the gap out, or correct the block")
            block = block or of_gap
    if block:
        named = _named(block, blocks)
        if named is None:
            out.problem("block_id", f"there is no block {block!r:.60}", suggestion(block, blocks))
        else:
            out.row["block_id"] = named
    elif KINDS[out.row["what"]].needs_block and not gap:
        out.problem("block_id", "is missing", "Say on which block it was")
    if fill and "block_id" in out.row and "date" in out.row and not gap:
        gap_id = gap_of(out.row["block_id"], out.row["date"], out.row["what"], known)
        if gap_id:
            out.row["gap_id"] = gap_id


def _named(name: str, known: list[str]) -> str | None:
    """A name as it is known; capitals do not count unless two names differ by them alone."""
    if name in known:
        return name
    alike = [k for k in known if k.casefold() == name.casefold()]
    return alike[0] if len(alike) == 1 else None


def gap_of(block_id: str, day: pd.Timestamp, what: str, known: Known) -> str:
    """The gap that something on a block on a day belongs to; empty if none is near.

    What comes after a sowing belongs to the gap that was sown last, as far as that reaches; else it is the gap
    around the day, or the nearest one.
    """
    gaps = known.gaps[known.gaps["block_id"] == block_id]
    if gaps.empty:
        return ""
    held = known.held
    sown = held[(held["what"] == "sown") & (held["block_id"] == block_id) & (held["date"] <= day)]
    away = pd.Series(
        [max((g.start - day).days, (day - g.end).days, 0) for g in gaps.itertuples()], index=list(gaps["gap_id"])
    )
    if what != "sown" and len(sown):
        last = sown.sort_values("date")["gap_id"].iloc[-1]
        if last in away.index and away[last] <= NEAR_GAP_D:
            return str(last)
    nearest = str(away.idxmin())
    return nearest if away[nearest] <= NEAR_GAP_D else ""


def _cover(out: Checked, cells: Mapping[str, Any], known: Known, fill: bool) -> None:
    """Cover and species by name, and the cover of the plan or of the sowing where none is said."""
    row, covers = out.row, known.catalogue.covers
    said = _plain(cells.get("cover_id", ""))
    names = {c.name: key for key, c in covers.items()}
    if said:
        key = _named(said, list(covers)) or names.get(_named(said, list(names)) or "")
        if key is None:
            out.problem("cover_id", f"there is no cover {said!r:.60}", suggestion(said, [*covers, *names], most=12))
        else:
            row["cover_id"] = key
    elif fill and row.get("gap_id"):
        sown = known.sown(row["gap_id"]) if row["what"] != "sown" else None
        if sown and ("species" in KINDS[row["what"]].columns or row["what"] == "ended"):
            row["cover_id"] = sown["cover_id"]
        elif row["what"] == "sown" and (key := known.planned().get(row["gap_id"])) in covers:
            row["cover_id"] = key
            out.filled.append(f"{row['gap_id']}: {covers[key].name}, as planned.")
    species = _plain(cells.get("species", ""))
    if species:
        parts = [c.species for c in covers[row["cover_id"]].components] if row.get("cover_id") in covers else []
        offered = parts or list(known.catalogue.species)
        called = {known.catalogue.species[s].name: s for s in offered}
        key = _named(species, offered) or called.get(_named(species, list(called)) or "")
        if key is None:
            which = "in that cover" if parts else "in the catalogue"
            out.problem("species", f"there is no {species!r:.60} {which}", suggestion(species, [*offered, *called]))
        else:
            row["species"] = key


# ---- several rows ---------------------------------------------------------------------------------


def numbered(rows: Iterable[dict[str, Any]], known: Known) -> list[dict[str, Any]]:
    """Rows with visit, frame and entry number, the same for the same rows whenever they are read.

    Frames of one look that are not numbered are numbered on. An entry number is made of what a row says, so that
    a list that is read twice adds nothing the second time.
    """
    out: list[dict[str, Any]] = []
    frames: dict[tuple[str, str, str], int] = {}
    seen: dict[str, int] = {}
    written = dict(zip(known.record["entry_id"], known.record["written"], strict=True))
    for given in rows:
        row = dict(given)
        if "frame_area_m2" in row:
            row.setdefault("visit", f"{row.get('gap_id') or row['block_id']} {row['date']:%Y-%m-%d}")
            look = (row["what"], row["visit"], row.get("species", ""))
            row.setdefault("frame", float(frames.get(look, 0) + 1))
            frames[look] = max(frames.get(look, 0), int(row["frame"]))
        if "entry_id" not in row:
            said = {k: str(v) for k, v in row.items() if k != "written"}
            print_ = hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()[:16]
            seen[print_] = seen.get(print_, 0) + 1
            row["entry_id"] = f"w-{print_}-{seen[print_]}"
            row["written"] = written.get(row["entry_id"], row["written"])
        out.append(row)
    return out


def joined_corrections(rows: list[dict[str, Any]], record: DataFrame[SeasonRecord]) -> list[dict[str, Any]]:
    """Rows that correct another by the number of its device, made to name its record_id.

    Parameters
    ----------
    rows : list of dict
        As a device gives them; it cannot know the fingerprint of a row that it has not sent.
    record : DataFrame[SeasonRecord]
        What is there already.
    """
    ids = set(record["record_id"])
    by_entry = dict(zip(record["entry_id"], record["record_id"], strict=True))
    own = {row.get("entry_id"): n for n, row in enumerate(rows)}
    out: dict[int, dict[str, Any]] = {}

    def settle(number: int, above: frozenset[int]) -> dict[str, Any]:
        if number not in out:
            row = rows[number]
            target = row.get("corrects", "")
            if target and target not in ids:
                other = own.get(target)
                if other is not None and other not in above:
                    target = record_of([settle(other, above | {other})])["record_id"].iloc[0]
                else:
                    target = by_entry.get(target, target)
            out[number] = {**row, "corrects": target} if target else row
        return out[number]

    return [settle(number, frozenset({number})) for number in range(len(rows))]


def rows_from_file(path: Path, shown: str, what: str, known: Known) -> Entered:
    """Rows of one kind from a CSV or XLSX.

    Parameters
    ----------
    path : Path
    shown : str
        Name of the file as the user knows it.
    what : str
        Key of `KINDS`.
    known : Known

    Returns
    -------
    Entered

    Raises
    ------
    InputProblem
        If the file cannot be read as a table, or any row is wrong; all of them are told.
    """
    report = ImportReport()
    lines = [line for line in read_rows(path, shown, report) if any(c.strip() for c in line.cells)]
    if not lines:
        raise InputProblem(shown, "", "is empty", f"Give it the columns block, date{_and(KINDS[what].required)}")
    header = [re.sub(r"[\s-]+", "_", _plain(name).lower()) for name in lines[0].cells]
    header = [SHORT.get(name, name) for name in header]
    place = f"row {lines[0].number}"
    twice = sorted({c for c in header if c and header.count(c) > 1})
    if twice:
        raise InputProblem(shown, place, f"the column {twice[0]!r:.40} is there twice", "Keep one of them")
    needed = ["date"] + (["block_id"] if KINDS[what].needs_block and "gap_id" not in header else [])
    for column in needed:
        if column not in header:
            called = {v: k for k, v in SHORT.items()}.get(column, column)
            raise InputProblem(shown, place, f"the column {called!r} is missing", "Name the columns in the first row")
    separated = "," not in "".join(lines[0].cells) and path.suffix.lower() != ".xlsx"
    decimal_comma = separated and _semicolons(path)
    bad: list[tuple[str, str]] = []
    remedies: list[str] = []
    good: list[dict[str, Any]] = []
    filled: list[str] = []
    for line in lines[1:]:
        named = next((c.strip()[:40] for c in line.cells if c.strip()), "")
        if any(c.strip() for c in line.cells[len(header) :]):
            bad.append((f"row {line.number} ({named})", f"has {len(line.cells)} cells under {len(header)} columns"))
            remedies.append("Put text with a comma in quotes")
            continue
        cells = {k: v for k, v in zip(header, line.cells, strict=False) if k}
        said = cells.pop("what", what).strip().lower() or what
        found = check_row({**cells, "what": what}, known, decimal_comma)
        if said != what:
            found.problem("what", f"{said:.40} stands in a list of rows '{what}'", "Give each kind a list of its own")
        for column, wrong, remedy in found.wrong:
            bad.append((f"row {line.number} ({named}), {column}", wrong))
            remedies.append(remedy)
        good.append(found.row)
        filled += found.filled
    if bad:
        raise several(shown, bad, ". ".join(dict.fromkeys(remedies)))
    return Entered(record_of(numbered(good, known)), tuple(dict.fromkeys([*report.assumptions, *filled])))


def _and(columns: Iterable[str]) -> str:
    return "".join(f", {c}" for c in columns)


def _semicolons(path: Path) -> bool:
    """Whether cells are separated by semicolons, as where the comma stands before the decimals."""
    with path.open("rb") as file:
        first = file.readline(20_000)
    return first.count(b";") > first.count(b",")


def one_row(cells: Mapping[str, Any], known: Known, place: str, shown: str) -> Entered:
    """A single row, by hand; a correction takes over what it does not say anew.

    Raises
    ------
    InputProblem
        If anything of it is wrong.
    """
    cells = dict(cells)
    target = _plain(cells.get("corrects", ""))
    if target:
        old = known.row_named(target)
        if old is None:
            what = f"there is no row {target!r:.40}, or more than one begins so"
            raise InputProblem(shown, place, what, "`greengap record FARM list --all` lists them with their numbers")
        cells = over(old, cells, known)
    found = check_row(cells, known)
    if found.wrong:
        bad = [(", ".join(p for p in (place, column) if p), wrong) for column, wrong, _ in found.wrong]
        raise several(shown, bad, ". ".join(dict.fromkeys(remedy for *_, remedy in found.wrong)))
    return Entered(record_of(numbered([found.row], known)), tuple(found.filled))


def over(old: Mapping[str, Any], cells: Mapping[str, Any], known: Known) -> dict[str, Any]:
    """A row with what is said anew over it, as a correction of it; written after it, whatever the clocks say."""
    new = {SHORT.get(k, k): v for k, v in cells.items() if not _empty(v)}
    said = {OTHER_UNITS.get(k, (k, 1.0))[0] for k in new}
    kept = {k: v for k, v in old.items() if k not in said and not _is_nothing(v)}
    for own in ("record_id", "entry_id", "written", "who"):
        kept.pop(own, None)
    if new.get("what") == "struck":
        kept = {k: v for k, v in kept.items() if k in ("date", "block_id", "gap_id")}
    if "date" in kept:
        kept["date"] = f"{pd.Timestamp(kept['date']):%Y-%m-%d}"
    if {"date", "block_id"} & said:
        kept.pop("gap_id", None)  # is found anew
    after = datetime.fromisoformat(str(old["written"])) + timedelta(seconds=1)
    kept["written"] = f"{max(known.now, after):%Y-%m-%dT%H:%M:%SZ}"
    return {**kept, **new, "corrects": str(old["record_id"])}


def _is_nothing(value: Any) -> bool:
    return value is None or value is pd.NA or value is pd.NaT or value == "" or value != value
