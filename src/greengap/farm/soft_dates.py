"""Dates as people write them: a day, 'mid July', 'wk 28'; what has two meanings is asked about, never guessed."""

from __future__ import annotations

import calendar
import re
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

Order = Literal["", "day first", "month first"]
MONTHS = {name.lower(): i for i, name in enumerate(calendar.month_name) if name}
MONTHS |= {name.lower(): i for i, name in enumerate(calendar.month_abbr) if name} | {"sept": 9}
MONTH = "|".join(sorted(MONTHS, key=len, reverse=True))
PARTS = {"early": (1, 10), "beginning of": (1, 10), "start of": (1, 10), "mid": (11, 20), "middle of": (11, 20)}
PARTS |= {"late": (21, 31), "end of": (21, 31)}
YEAR = r"(?:[\s,/.-]+(?P<year>\d{4}))?"
DAY = r"(?P<day>\d{1,2})(?:st|nd|rd|th)?"


@dataclass(frozen=True)
class SoftDate:
    """A day with the range it may fall in, and how it was read."""

    early: date
    usual: date
    late: date
    read_as: str = ""  # empty for a date written in full

    @property
    def is_soft(self) -> bool:
        """Whether it is a stretch of days."""
        return self.early != self.late


class NotCertain(ValueError):
    """A cell that is no date, or could be several; says which."""


def read_date(cell: str, year: int | None = None, order: Order = "") -> SoftDate:
    """A date from a cell.

    Parameters
    ----------
    cell : str
        Filled.
    year : int, optional
        Year of a date that does not say its own.
    order : str
        How dates such as 10/7 are written on this farm, if it says so.

    Returns
    -------
    SoftDate
        A third of a month counts ten days with its fifth or sixth as the usual one; a week counts from Monday to
        Sunday (ISO 8601) with Thursday; a whole month counts from its first to its last day with the 15th.

    Raises
    ------
    NotCertain
        If it cannot be read for certain; the message says what it could mean.

    Examples
    --------
    >>> soft = read_date("mid July", 2027)
    >>> str(soft.early), str(soft.usual), str(soft.late)
    ('2027-07-11', '2027-07-15', '2027-07-20')
    >>> str(read_date("wk 28", 2027).usual)
    '2027-07-15'
    >>> read_date("10/7", 2027)
    Traceback (most recent call last):
    ...
    greengap.farm.soft_dates.NotCertain: could be 10 July or 7 October
    """
    text = re.sub(r"\s+", " ", cell.strip().lower().rstrip("."))
    if match := re.fullmatch(r"(\d{4})-(\d{2})-(\d{2})(?:[ t]00:00(?::00)?)?", text):
        day = _day(int(match[1]), int(match[2]), int(match[3]))
        return SoftDate(day, day, day)
    for reader in (_range, _day_and_month, _part_of_month, _week, _numbers):
        found = reader(text, year, order)
        if found is not None:
            return found
    raise NotCertain("is not a date that can be read for certain")


def _day(year: int, month: int, day: int) -> date:
    try:
        return date(year, month, day)
    except ValueError:
        raise NotCertain("is not a day of the calendar") from None


def _year(own: str | None, given: int | None) -> int:
    if own:
        return int(own)
    if given is None:
        raise NotCertain("does not say its year")
    return given


def _words(day: date) -> str:
    return f"{day.day} {calendar.month_name[day.month]}"


def _range(text: str, year: int | None, order: Order) -> SoftDate | None:
    """10-20 July; 28 June to 5 July; July 10-20."""
    dash = r"\s*(?:-|–|to|until)\s*"
    match = re.fullmatch(rf"{DAY}{dash}(?P<last>\d{{1,2}})(?:st|nd|rd|th)? (?P<month>{MONTH})\.?{YEAR}", text)
    match = match or re.fullmatch(rf"(?P<month>{MONTH})\.? {DAY}{dash}(?P<last>\d{{1,2}}){YEAR}", text)
    if match:
        in_year, month = _year(match["year"], year), MONTHS[match["month"]]
        early, late = _day(in_year, month, int(match["day"])), _day(in_year, month, int(match["last"]))
    else:
        first = rf"(?:(?P<d1>\d{{1,2}}) (?P<m1>{MONTH})|(?P<m2>{MONTH}) (?P<d2>\d{{1,2}}))"
        last = rf"(?:(?P<d3>\d{{1,2}}) (?P<m3>{MONTH})|(?P<m4>{MONTH}) (?P<d4>\d{{1,2}}))"
        match = re.fullmatch(rf"{first}{dash}{last}{YEAR}", text)
        if not match:
            return None
        in_year = _year(match["year"], year)
        early = _day(in_year, MONTHS[match["m1"] or match["m2"]], int(match["d1"] or match["d2"]))
        late = _day(in_year, MONTHS[match["m3"] or match["m4"]], int(match["d3"] or match["d4"]))
    if late < early:
        raise NotCertain("ends before it begins")
    return SoftDate(early, early + (late - early) // 2, late, f"{_words(early)} to {_words(late)} {early.year}")


def _day_and_month(text: str, year: int | None, order: Order) -> SoftDate | None:
    """10 July; July 10, 2027; 10-Jul-2027."""
    text = re.sub(r"^(?:about|around|ca|c\.|~)\s*", "", text)
    match = re.fullmatch(rf"{DAY}[\s.-]*(?:of )?(?P<month>{MONTH})\.?{YEAR}", text)
    match = match or re.fullmatch(rf"(?P<month>{MONTH})\.?[\s-]+{DAY}{YEAR}", text)
    if match is None:
        return None
    if re.fullmatch(rf"(?:{MONTH})-\d\d", text):  # Jul-27: a day or a year
        raise NotCertain(f"could be {match['day']} {match['month'].capitalize()} or a month of 20{match['day']}")
    day = _day(_year(match["year"], year), MONTHS[match["month"]], int(match["day"]))
    return SoftDate(day, day, day, f"{_words(day)} {day.year}")


def _part_of_month(text: str, year: int | None, order: Order) -> SoftDate | None:
    """Mid July; early-August; end of June; July."""
    parts = "|".join(PARTS)
    match = re.fullmatch(rf"(?:(?P<part>{parts})[\s-]*)?(?P<month>{MONTH})\.?{YEAR}", text)
    if match is None:
        return None
    in_year, month = _year(match["year"], year), MONTHS[match["month"]]
    last = calendar.monthrange(in_year, month)[1]
    first, end = PARTS.get(match["part"] or "", (1, last))
    end = min(end, last)
    early, late = date(in_year, month, first), date(in_year, month, end)
    usual = date(in_year, month, 15) if not match["part"] else early + (late - early) // 2
    return SoftDate(early, usual, late, f"{_words(early)} to {_words(late)} {in_year}, usually {_words(usual)}")


def _week(text: str, year: int | None, order: Order) -> SoftDate | None:
    """Wk 28; week 28 2027; 2027-W28; KW 28."""
    match = re.fullmatch(rf"(?:week|wk|kw|w)\.?\s*(?P<week>\d{{1,2}}){YEAR}", text)
    match = match or re.fullmatch(r"(?P<year>\d{4})-?w(?P<week>\d{1,2})", text)
    if match is None:
        return None
    in_year, week = _year(match["year"], year), int(match["week"])
    try:
        monday = date.fromisocalendar(in_year, week, 1)
    except ValueError:
        raise NotCertain(f"is not a week of {in_year}") from None
    sunday, thursday = monday + timedelta(days=6), monday + timedelta(days=3)
    return SoftDate(monday, thursday, sunday, f"ISO week {week}, {_words(monday)} to {_words(sunday)} {sunday.year}")


def _numbers(text: str, year: int | None, order: Order) -> SoftDate | None:
    """10/7, 25.7.2027, 7/25/27: read only where one reading is left."""
    match = re.fullmatch(r"(\d{1,2})([/.-])(\d{1,2})(?:\2(\d{4}|\d{2})?)?", text)
    if match is None:
        if re.fullmatch(r"\d{5}", text):
            raise NotCertain("is the number of a day in a spreadsheet; format the cell as a date")
        return None
    first, second = int(match[1]), int(match[3])
    own = match[4]
    if own and len(own) == 2:
        own = f"20{own}"
    in_year = int(own) if own else year
    readings = []
    for name, day, month in (("day first", first, second), ("month first", second, first)):
        if 1 <= month <= 12 and 1 <= day <= calendar.monthrange(in_year or 2000, month)[1]:
            readings.append((name, day, month))
    if order and len(readings) == 2 and first != second:
        readings = [r for r in readings if r[0] == order]
    if len({r[1:] for r in readings}) > 1:
        could = " or ".join(f"{day} {calendar.month_name[month]}" for _, day, month in readings)
        raise NotCertain(f"could be {could}")
    if not readings:
        raise NotCertain("is not a day of the calendar")
    _, day, month = readings[0]
    found = _day(_year(own, year), month, day)
    return SoftDate(found, found, found, f"{_words(found)} {found.year}")
