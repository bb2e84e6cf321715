"""Rows that come from a phone or another computer: sent, in a record page's file, or in an exported CSV."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from greengap.errors import InputProblem, several
from greengap.farm.record_rows import Entered, Known, check_row, joined_corrections
from greengap.farm.season_record import KINDS, from_text, merged, record_of
from greengap.tables import DataFrame, SeasonRecord

SMALL_FILE = "greengap season record"  # what the file of a record page calls itself
SMALL_FILE_VERSION = 1
MOST_FILE_BYTES = 50_000_000
MOST_FILE_ROWS = 100_000
NAMES = {"block_id", "gap_id", "cover_id", "species"}  # which may have changed on the farm since


@dataclass(frozen=True)
class Refused:
    """A row that is not taken: the number its device gave it, and why."""

    entry_id: str
    sentence: str


@dataclass(frozen=True)
class Taken:
    """Rows that are taken as they are, those that are not, and what to know of them."""

    rows: DataFrame[SeasonRecord]
    refused: tuple[Refused, ...] = ()
    notes: tuple[str, ...] = ()


def rows_from_device(given: Sequence[Mapping[str, Any]], known: Known, old_names: bool = False) -> Taken:
    """Rows as a device gives them: each is taken or refused by itself, and stays as it is.

    Parameters
    ----------
    given : sequence of mapping
        Columns of `SeasonRecord` in SI; ``corrects`` may name an ``entry_id``, since a device cannot know the
        fingerprint of a row that it has not sent.
    known : Known
    old_names : bool
        Keep a block, gap or cover that the farm does not know (any more), with a note.

    Returns
    -------
    Taken
    """
    good: list[dict[str, Any]] = []
    refused: list[Refused] = []
    strange: dict[str, int] = {}
    for cells in given:
        entry = str(cells.get("entry_id") or "")[:64]
        checked = check_row(cells, known, fill=False)
        wrong = checked.wrong
        if not entry:
            wrong = [("entry_id", "is missing", "Every row of a device has a number of its own"), *wrong]
        if old_names and wrong and {column for column, *_ in wrong} <= NAMES:
            for column, *_ in wrong:
                checked.row[column] = str(cells[column])
                strange[str(cells[column])] = strange.get(str(cells[column]), 0) + 1
            wrong = []
        if wrong:
            refused.append(Refused(entry, " ".join(f"{column}: {what}. {remedy}." for column, what, remedy in wrong)))
        else:
            good.append(checked.row)
    notes = [f"{name!r} is not on this farm (any more); it is kept in {n} rows." for name, n in strange.items()]
    return Taken(record_of(joined_corrections(good, known.record)), tuple(refused), tuple(notes))


def rows_from_small_file(text: str, shown: str, known: Known, farm: str) -> Entered:
    """Rows of a file that another device gave: that of a record page (JSON), or an exported record (CSV).

    Parameters
    ----------
    text : str
    shown : str
        Its name.
    known : Known
    farm : str
        Name of this farm, to tell a file of another.

    Returns
    -------
    Entered

    Raises
    ------
    InputProblem
        If it is neither, is of another farm, or holds a row that cannot be; nothing of it is taken then.
    """
    if text.lstrip().startswith("{"):
        return _of_page(text, shown, known, farm)
    try:
        rows = from_text(text.removeprefix("\ufeff"))
    except Exception as error:  # of pandas and pandera many kinds
        what = f"is no season record ({' '.join(str(error).split())[:160]})"
        raise InputProblem(shown, "", what, "Take a file that `record list --csv` or a record page wrote") from error
    bad = [
        (f"row {r.record_id}", f"{r.what!r:.40} is no kind of row") for r in rows.itertuples() if r.what not in KINDS
    ]
    latest = pd.Timestamp(known.today + timedelta(days=1))
    bad += [
        (f"row {r.record_id}", f"{r.date:%Y-%m-%d} has not come yet")
        for r in rows.itertuples()
        if r.date > latest and r.what in KINDS and not KINDS[r.what].may_be_ahead
    ]
    if bad:
        raise several(shown, bad, "Correct these rows where the file was made")
    blocks = set(rows["block_id"]) - {""}
    _same_farm(blocks, known, shown, "")
    strange = sorted(blocks - set(known.areas_m2))
    notes = (f"Not on this farm (any more), but kept: {', '.join(strange[:6])}.",) if strange else ()
    return Entered(rows, notes)


def _of_page(text: str, shown: str, known: Known, farm: str) -> Entered:
    remedy = "Take the file that a record page gave"
    try:
        told = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputProblem(shown, "", "is cut off or damaged", "Let the device give it again") from error
    if not isinstance(told, dict) or told.get("kind") != SMALL_FILE or not isinstance(told.get("rows"), list):
        raise InputProblem(shown, "", "is not the file of a record page", remedy)
    if told.get("version") != SMALL_FILE_VERSION:
        what = f"is of another form ({str(told.get('version'))[:20]!r})"
        raise InputProblem(shown, "", what, f"This program reads form {SMALL_FILE_VERSION}; bring it up to date")
    rows = [row for row in told["rows"] if isinstance(row, dict)]
    if len(rows) != len(told["rows"]) or len(rows) > MOST_FILE_ROWS:
        raise InputProblem(shown, "", "holds what is no row", remedy)
    said = str(told.get("farm") or "")[:80]
    if said != farm:
        _same_farm({str(r.get("block_id") or "") for r in rows} - {""}, known, shown, said)
    taken = rows_from_device(rows, known, old_names=True)
    if taken.refused:
        bad = [(f"row {r.entry_id[:13] or '?'}", r.sentence.rstrip(".")) for r in taken.refused]
        raise several(shown, bad, "Correct them on the device and let it give the file again")
    return Entered(taken.rows, taken.notes)


def _same_farm(blocks: set[str], known: Known, shown: str, said: str) -> None:
    """Refuse rows none of which is about a block of this farm."""
    if blocks and not blocks & set(known.areas_m2):
        whose = f"is of the farm {said!r}" if said else f"is about {', '.join(sorted(blocks)[:3])}"
        raise InputProblem(shown, "", f"{whose}, and none of its blocks is here", "Merge it into its own farm")


def read_small_file(path: Path, shown: str) -> str:
    """The text of such a file.

    Raises
    ------
    InputProblem
        If it cannot be read as text.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(MOST_FILE_BYTES + 1)
    except OSError as error:
        raise InputProblem(shown, "", f"cannot be opened ({error.strerror})", "Correct its name") from error
    if len(raw) > MOST_FILE_BYTES:
        raise InputProblem(shown, "", f"has more than {MOST_FILE_BYTES:,} bytes", "Take the file of a record page")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputProblem(shown, "", "is not text in UTF-8", "Take it as the device gave it") from error


def new_rows(rows: DataFrame[SeasonRecord], record: DataFrame[SeasonRecord]) -> DataFrame[SeasonRecord]:
    """Those that are not there yet."""
    return merged(rows[~rows["record_id"].isin(record["record_id"])])
