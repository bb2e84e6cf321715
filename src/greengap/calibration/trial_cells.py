"""What a cell of a trial table says: amounts that are ranges or bounds, dates without a year, growth stages."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pandas as pd

NUMBER = r"\d+(?:\.\d+)?"
DAYS = {"d": 1, "day": 1, "days": 1, "week": 7, "weeks": 7}
# Decimal code of J. C. Zadoks, T. T. Chang and C. F. Konzak, "A decimal code for the growth stages of cereals",
# Weed Research 14:415-421, 1974 (from memory): first and last code of what is named in words.
STAGE_WORDS = {
    "tillering": (20.0, 29.0),
    "stem elongation-boot stage": (30.0, 49.0),
    "anthesis": (60.0, 69.0),
}
FLOWERING = 60.0  # first code of the same scale at which a cereal flowers


@dataclass(frozen=True)
class Amount:
    """A figure with its ends.

    Attributes
    ----------
    value : float or None
        Best single figure; the middle of a range; None where only one end is known.
    low, high : float or None
        Ends of a range, or the one end that is known.
    """

    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Span:
    """Days from the first to the last that are meant; the same twice for a single day."""

    first: pd.Timestamp
    last: pd.Timestamp

    @property
    def middle(self) -> pd.Timestamp:
        """The day in the middle, the earlier of two."""
        return (self.first + (self.last - self.first) / 2).normalize()


def read_amount(text: str) -> Amount | None:
    """Read an amount: a number, ``1233-1457``, ``>2242``, ``<500`` or ``about 8743``.

    Parameters
    ----------
    text : str
        The cell.

    Returns
    -------
    Amount or None
        None if the cell is empty or holds no amount. The unit is that of the column.

    Examples
    --------
    >>> read_amount("1233-1457")
    Amount(value=1345.0, low=1233.0, high=1457.0)
    >>> read_amount(">2242")
    Amount(value=None, low=2242.0, high=None)
    """
    plain = text.strip().replace("–", "-").removeprefix("about ").removeprefix("~").strip()
    if re.fullmatch(NUMBER, plain):
        return Amount(float(plain), None, None)
    if match := re.fullmatch(rf"({NUMBER})\s*-\s*({NUMBER})", plain):
        low, high = sorted((float(match[1]), float(match[2])))
        return Amount((low + high) / 2, low, high)
    if match := re.fullmatch(rf"(>=?|<=?)\s*({NUMBER})", plain):
        bound = float(match[2])
        return Amount(None, bound, None) if match[1][0] == ">" else Amount(None, None, bound)
    return None


def read_years(text: str) -> tuple[int, ...]:
    """Years of a cell such as ``2018`` or ``2010-2015``; empty if it names none.

    Examples
    --------
    >>> read_years("2019-2020")
    (2019, 2020)
    """
    if match := re.fullmatch(r"(\d{4})(?:\s*-\s*(\d{4}))?", text.strip()):
        return tuple(range(int(match[1]), int(match[2] or match[1]) + 1))
    return ()


def read_dates(text: str, years: tuple[int, ...] = ()) -> list[Span]:
    """Read dates: ``2018-05-10``, ``A and B``, ``08-08 to 08-18`` in each of some years.

    Parameters
    ----------
    text : str
        The cell.
    years : tuple of int
        Years that a date without a year is repeated in.

    Returns
    -------
    list of Span
        In the order written; empty if any part of the cell is in words.

    Examples
    --------
    >>> [str(s.middle.date()) for s in read_dates("2019-09-04 and 2020-07-21")]
    ['2019-09-04', '2020-07-21']
    >>> [str(s.last.date()) for s in read_dates("08-08 to 08-18", (2010, 2011))]
    ['2010-08-18', '2011-08-18']
    """
    spans = []
    for part in text.strip().split(" and "):
        ends = [end.strip() for end in part.split(" to ")]
        if len(ends) > 2:
            return []
        for year in years if all(re.fullmatch(r"\d\d-\d\d", end) for end in ends) else (None,):
            days = [_day(end if year is None else f"{year}-{end}") for end in ends]
            if any(day is None for day in days):
                return []
            spans.append(Span(min(days), max(days)))  # type: ignore[type-var]
    return spans


def read_sampling(text: str, sown: pd.Timestamp) -> list[Span]:
    """Read a sampling date, or the days after sowing: ``60 d``, ``45-60 d``, ``9-12 weeks``, ``30 and 50 d``.

    Parameters
    ----------
    text : str
        The cell; words in brackets and ``about`` are passed over.
    sown : Timestamp
        Day the days are counted from.

    Returns
    -------
    list of Span
        Empty if the cell is in words.

    Examples
    --------
    >>> [str(s.middle.date()) for s in read_sampling("about 75 d (peak)", pd.Timestamp("2018-08-01"))]
    ['2018-10-15']
    """
    plain = re.sub(r"\([^)]*\)", "", text).strip().removeprefix("about ").strip()
    if match := re.fullmatch(r"([\d\s-]+(?:and [\d\s-]+)*)\s*([a-z]+)", plain):
        if match[2] not in DAYS:
            return []
        spans = []
        for part in match[1].split("and"):
            amount = read_amount(part)
            if amount is None or amount.value is None:
                return []
            ends = [amount.low or amount.value, amount.high or amount.value]
            first, last = (sown + pd.Timedelta(days=round(end * DAYS[match[2]])) for end in ends)
            spans.append(Span(first, last))
        return spans
    return read_dates(plain, (sown.year,))


def read_us_date(text: str) -> pd.Timestamp | None:
    """Read a date with the month first, ``8/16/2002`` or ``05-07-2003``; None if it is none.

    Examples
    --------
    >>> read_us_date("05-07-2003")
    Timestamp('2003-05-07 00:00:00')
    """
    if match := re.fullmatch(r"(\d{1,2})[/-](\d{1,2})[/-](\d{4})", text.strip()):
        return _day(f"{match[3]}-{int(match[1]):02d}-{int(match[2]):02d}")
    return None


def read_flowering(text: str) -> list[tuple[pd.Timestamp, pd.Timestamp, bool]]:
    """Read what was seen of flowers: ``in flower by A (sown B); none by C (sown D)``.

    Parameters
    ----------
    text : str
        The cell.

    Returns
    -------
    list of (sown, looked at, in flower)
        Empty if the cell does not name both days.
    """
    found = re.findall(r"(in flower|none) by (\d{4}-\d\d-\d\d) \(sown (\d{4}-\d\d-\d\d)\)", text)
    return [(pd.Timestamp(sown), pd.Timestamp(seen), said == "in flower") for said, seen, sown in found]


def read_stage(text: str) -> tuple[float, float] | None:
    """Growth stage of a cereal on the Zadoks scale, first and last code that is meant.

    Parameters
    ----------
    text : str
        Free text: ``Zadoks 30``, ``Zadocks 60``, ``Zadoks 20-25 (tillering)``, ``29``, ``Anthesis``.

    Returns
    -------
    (float, float) or None
        None if the cell holds no stage.

    Examples
    --------
    >>> read_stage("Zadoks 20-25 (tillering)")
    (20.0, 25.0)
    """
    plain = re.sub(r"\([^)]*\)", "", text).strip().lower()
    if plain in STAGE_WORDS:
        return STAGE_WORDS[plain]
    amount = read_amount(re.sub(r"^zado[ck]+s\s*", "", plain))
    if amount is None or amount.value is None or amount.value > 99:
        return None
    return (amount.value if amount.low is None else amount.low, amount.value if amount.high is None else amount.high)


def _day(text: str) -> pd.Timestamp | None:
    """A full date, None if it is none."""
    if not re.fullmatch(r"\d{4}-\d\d-\d\d", text):
        return None
    day = pd.to_datetime(text, format="%Y-%m-%d", errors="coerce")
    return None if pd.isna(day) else day
