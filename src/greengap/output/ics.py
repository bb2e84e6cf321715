"""The operations as calendar dates: iCalendar, RFC 5545.

Identifiers are permanent, so that a calendar program replaces what it has instead of adding to it. What changed since
the last file gets a higher sequence number; what is no longer planned is sent once more as cancelled. No clock is read:
the stamp of an event is the day before the plan begins, plus a minute for each revision.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import shapely

from greengap.errors import InputProblem
from greengap.output.jobs import Grams, grams_of, reconcile
from greengap.plan import Plan
from greengap.safe_files import check_size
from greengap.tables import DataFrame, Operation

MOST_BYTES = 20_000_000
LINE_OCTETS = 75
DAY = pd.Timedelta(days=1)
# Days before an operation on which the calendar calls, at six in the morning.
CALLS_D = {"make the seedbed": 3, "sow": 2, "count the stand": 1, "end the cover": 7}
SIX_O_CLOCK_H = 6


@dataclass(frozen=True)
class Event:
    """An event of an earlier file: its revision, and its lines apart from revision and stamp."""

    sequence: int
    cancelled: bool
    body: tuple[str, ...]


def calendar(
    plan: Plan, operations: DataFrame[Operation], wanted: Grams, before: dict[str, Event] | None = None
) -> bytes:
    """The calendar of a plan.

    Parameters
    ----------
    plan : Plan
    operations : DataFrame[Operation]
    wanted : dict
        Grams of the order by year and species.
    before : dict of uid to Event, optional
        Of the file that this one takes the place of, from `read_events`.

    Returns
    -------
    bytes
        CRLF, folded at 75 octets.

    Raises
    ------
    Mismatch
        If it does not hold the seed of the order when it is read again.
    """
    before = before or {}
    begin = plan.gaps["start"].min() - DAY
    places = {r.block_id: r.geometry.representative_point() for r in plan.blocks.itertuples()}
    lines = [
        "BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//greengap//field calendar//EN", "CALSCALE:GREGORIAN",
        f"X-WR-CALNAME:{escaped('Covers, ' + plan.metadata['farm'])}",
    ]  # fmt: skip
    kept = set()
    for row in operations.itertuples():
        uid = f"{row.operation_id}@greengap"
        kept.add(uid)
        body = _body(plan, row, places[row.block_id])
        old = before.get(uid)
        revision = 0 if old is None else old.sequence + (old.cancelled or old.body != tuple(body))
        lines += _event(uid, revision, begin, body)
    for uid, old in before.items():
        if uid in kept:
            continue
        body = [line for line in old.body if not line.startswith("STATUS:")] + ["STATUS:CANCELLED"]
        lines += _event(uid, old.sequence + (not old.cancelled), begin, _without_alarm(body))
    lines.append("END:VCALENDAR")
    raw = "".join(fold(line) for line in lines).encode("utf-8")
    _check(raw, wanted)
    return raw


def _event(uid: str, revision: int, begin: pd.Timestamp, body: list[str]) -> list[str]:
    stamp = begin + pd.Timedelta(minutes=int(revision))
    head = ["BEGIN:VEVENT", f"UID:{uid}", f"DTSTAMP:{stamp:%Y%m%dT%H%M%SZ}", f"SEQUENCE:{int(revision)}"]
    return [*head, *body, "END:VEVENT"]


def _body(plan: Plan, row: Any, place: shapely.Point) -> list[str]:
    """What an event says, without its revision."""
    status = "TENTATIVE" if row.operation in ("flowering", "count the stand") else "CONFIRMED"
    lines = [
        f"DTSTART;VALUE=DATE:{row.start:%Y%m%d}",
        f"DTEND;VALUE=DATE:{row.end + DAY:%Y%m%d}",  # not counted in
        f"SUMMARY:{escaped(f'{row.block_id}: {row.operation}, {row.cover.lower()}')}",
        f"DESCRIPTION:{escaped(row.what + ' Reckoned from past weather: look at the block.')}",
        f"LOCATION:{escaped(row.block_id if row.field == row.block_id else f'{row.block_id}, {row.field}')}",
        f"GEO:{place.y:.6f};{place.x:.6f}",
        f"CATEGORIES:{escaped(row.operation.capitalize())}",
        f"STATUS:{status}",
        "TRANSP:TRANSPARENT",
    ]
    if row.seed_g:
        lines += [f"X-GREENGAP-SEED-G:{escaped(row.seed_g_by_species)}", f"X-GREENGAP-YEAR:{row_year(plan, row)}"]
    if row.operation in CALLS_D:
        hours = CALLS_D[row.operation] * 24 - SIX_O_CLOCK_H
        days, hours = divmod(hours, 24)
        lines += [
            "BEGIN:VALARM", "ACTION:DISPLAY", f"DESCRIPTION:{escaped(f'{row.block_id}: {row.operation}')}",
            f"TRIGGER:-P{days}DT{hours}H", "END:VALARM",
        ]  # fmt: skip
    return lines


def row_year(plan: Plan, row: Any) -> int:
    """Year of the order that the seed of a gap belongs to."""
    return int(plan.seed_need.loc[plan.seed_need["gap_id"] == row.gap_id, "sow_date"].iloc[0].year)


def _without_alarm(lines: list[str]) -> list[str]:
    out, inside = [], False
    for line in lines:
        inside = inside or line == "BEGIN:VALARM"
        if not inside and not line.startswith("X-GREENGAP"):
            out.append(line)
        inside = inside and line != "END:VALARM"
    return out


def escaped(text: str) -> str:
    r"""Text as RFC 5545 writes it (section 3.3.11).

    Examples
    --------
    >>> print(escaped("River 1; mow, then\nwork it in"))
    River 1\; mow\, then\nwork it in
    """
    text = text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\r\n", "\n").replace("\n", "\\n")
    return "".join(c for c in text if c.isprintable())


def fold(line: str) -> str:
    """A content line in pieces of at most 75 octets, never cut inside a letter (section 3.1)."""
    pieces: list[str] = []
    piece, size = "", 0
    for letter in line:
        octets = len(letter.encode("utf-8"))
        if size + octets > LINE_OCTETS - (1 if pieces else 0):
            pieces.append(piece)
            piece, size = "", 0
        piece += letter
        size += octets
    return "\r\n ".join([*pieces, piece]) + "\r\n"


def _unfolded(raw: bytes) -> Iterator[str]:
    yield from re.sub(r"\r?\n[ \t]", "", raw.decode("utf-8", "replace")).splitlines()


def read_events(path: Path) -> dict[str, Event]:
    """Events of an earlier calendar by UID; empty if there is none.

    Raises
    ------
    InputProblem
        If it is no calendar of this program.
    """
    if not path.is_file():
        return {}
    check_size(path, path.name, MOST_BYTES)
    return _events(path.read_bytes(), path.name)


def _events(raw: bytes, shown: str) -> dict[str, Event]:
    lines = list(_unfolded(raw))
    if not lines or lines[0] != "BEGIN:VCALENDAR" or not any(line.startswith("PRODID:-//greengap//") for line in lines):
        what = "is not a calendar that this program wrote"
        raise InputProblem(shown, "", what, "Move it away, or name another folder with --out")
    out: dict[str, Event] = {}
    head: dict[str, str] = {}
    body: list[str] = []
    for line in lines:
        if line == "BEGIN:VEVENT":
            head, body = {}, []
        elif line == "END:VEVENT":
            number = head.get("SEQUENCE", "0")
            sequence = int(number) if number.isdecimal() and len(number) < 9 else 0
            out[head.get("UID", "")] = Event(sequence, "STATUS:CANCELLED" in body, tuple(body))
        elif (name := line.partition(":")[0]) in ("UID", "DTSTAMP", "SEQUENCE"):
            head[name] = line.partition(":")[2]
        else:
            body.append(line)
    return out


def _check(raw: bytes, wanted: Grams) -> None:
    found: Grams = {}
    for event in _events(raw, "calendar.ics").values():
        held = dict(line.split(":", 1) for line in event.body if line.startswith("X-GREENGAP"))
        if not held:
            continue
        for species, grams in grams_of(held["X-GREENGAP-SEED-G"].replace("\\;", ";")).items():
            key = int(held["X-GREENGAP-YEAR"]), species
            found[key] = found.get(key, 0) + grams
    reconcile("calendar.ics", found, wanted)
