"""A line in the two-letter code of the field sheet, as typed in the evening: ``River 1/2 so 0419 kg 61 by Ann``.

The line names a gap (or a block) and then says, code by code, what stands in the boxes of the sheet. Days are month
and day; the year comes from the gap. What a bare number is in follows the sheet; where it could be two things it is
asked about.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd

from greengap.errors import InputProblem, several
from greengap.farm.record_rows import Entered, Known, check_row, numbered, over
from greengap.farm.season_record import record_of
from greengap.farm.settings import suggestion
from greengap.units import ACRE_M2, FOOT_M, HECTARE_M2, INCH_MM, POUND_KG

# The codes of the sheet's boxes, what each says, and the kind of row it goes into; then those of its table of counts.
CODES: dict[str, tuple[str, str]] = {
    "cl": ("crop before off on", "cleared"),
    "so": ("sown on", "sown"),
    "bd": ("area done, or which beds", "sown"),
    "kg": ("seed used", "sown"),
    "lf": ("seed left", "sown"),
    "lo": ("lot, then 'tag' if the tag is kept", "sown"),
    "de": ("depth found", "sown"),
    "ms": ("soil: crumbly, ball or dry", "sown"),
    "wx": ("weather", "sown"),
    "by": ("who", ""),
    "fl": ("first flower on", "flower"),
    "en": ("ended on, then the tool", "ended"),
    "ht": ("height then", "ended"),
    "sd": ("seed seen: y or n", "ended"),
    "rd": ("ready on", "ready"),
    "nx": ("next crop set on", "planted"),
    "re": ("remarks", ""),
    "ct": ("counted on", "stand"),
    "pl": ("plants in each frame; of a mix the species first, and one pl for each", "stand"),
    "wd": ("weeds in each frame", "stand"),
    "fr": ("area of the frame, if it is not the sheet's", "stand"),
}
DATED = {
    "cl": "cleared", "so": "sown", "fl": "flower", "en": "ended", "rd": "ready", "nx": "planted", "ct": "stand",
}  # fmt: skip
OF_NO_COVER = ("cleared", "ready", "planted")  # rows about the ground
MAY_REPEAT = {"pl"}
LONGEST_LINE, MOST_FRAMES = 1000, 60
RING_M2 = 0.1  # what the field sheet counts in: a ring of 0.1 m2, or a square foot
WEIGHT = {"kg": 1.0, "g": 0.001, "lb": POUND_KG, "lbs": POUND_KG, "oz": POUND_KG / 16}
LENGTH = {"mm": 1.0, "cm": 10.0, "in": INCH_MM, "m": 1000.0, "ft": FOOT_M * 1000}
AREA = {"m2": 1.0, "m²": 1.0, "ha": HECTARE_M2, "ac": ACRE_M2, "ft2": FOOT_M**2, "ft²": FOOT_M**2}


class NotRead(ValueError):
    """A part of a line that cannot be read; its words say why, `remedy` what to do."""

    def __init__(self, what: str, remedy: str) -> None:
        self.remedy = remedy
        super().__init__(what)


@dataclass(frozen=True)
class Line:
    """A line taken apart: the gap, and the words after each code in order."""

    gap_id: str
    block_id: str
    said: tuple[tuple[str, tuple[str, ...]], ...]

    def words(self, code: str) -> tuple[str, ...]:
        """What stands after a code, nothing if it is not there."""
        return next((words for c, words in self.said if c == code), ())

    def has(self, code: str) -> bool:
        """Whether the code is there."""
        return any(c == code for c, _ in self.said)


def rows_from_lines(lines: Sequence[str], known: Known, shown: str = "line") -> Entered:
    """Rows of lines in the sheet's code.

    Parameters
    ----------
    lines : sequence of str
        Empty lines and those that begin with # are passed over.
    known : Known
    shown : str
        What to call them to the user.

    Returns
    -------
    Entered

    Raises
    ------
    InputProblem
        If any line cannot be read or says what cannot be; all are told.
    """
    bad: list[tuple[str, str]] = []
    remedies: list[str] = []
    rows: list[dict[str, Any]] = []
    filled: list[str] = []
    found = 0
    for number, text in enumerate(lines, 1):
        if not text.strip() or text.lstrip().startswith("#"):
            continue
        found += 1
        place = f"line {number}" if len(lines) > 1 else ""
        try:
            cells = list(_rows(take_apart(text, known), known))
        except NotRead as error:
            bad.append((place, str(error)))
            remedies.append(error.remedy)
            continue
        cover = ""
        for one in cells:
            checked = check_row({"cover_id": cover, **one} if one["what"] not in OF_NO_COVER else one, known)
            cover = cover or checked.row.get("cover_id", "")
            for column, what, remedy in checked.wrong:
                bad.append((", ".join(p for p in (place, f"{one['what']} ({column})") if p), what))
                remedies.append(remedy)
            rows.append(checked.row)
            filled += checked.filled
    if not found:
        raise InputProblem(shown, "", "is empty", "Write a gap and what was done, as River 1/2 so 0419 kg 61")
    if bad:
        raise several(shown, bad, ". ".join(dict.fromkeys(remedies)))
    return Entered(record_of(numbered(rows, known)), tuple(dict.fromkeys(filled)))


def take_apart(text: str, known: Known) -> Line:
    """The gap that a line begins with, and what follows each code.

    Raises
    ------
    NotRead
    """
    if len(text) > LONGEST_LINE:
        raise NotRead(f"has {len(text)} letters", f"Write at most {LONGEST_LINE}; a line is one gap")
    text = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    gaps, blocks = list(known.gaps["gap_id"]), list(known.areas_m2)
    begins = [n for n in (*gaps, *blocks) if f"{text} ".casefold().startswith(n.casefold() + " ")]
    words = re.findall(r'"[^"]*"|\S+', text)
    if not begins:
        before = []
        for word in words:
            if word.casefold() in CODES:
                break
            before.append(word)
        named = " ".join(before)
        raise NotRead(f"{named[:60]!r} is neither a gap nor a block", suggestion(named, [*gaps, *blocks], most=6))
    name = max(begins, key=len)
    words = re.findall(r'"[^"]*"|\S+', text[len(name) + 1 :])
    said: list[tuple[str, list[str]]] = []
    for word in words:
        code = word.casefold()
        if code in CODES and (code in MAY_REPEAT or not any(c == code for c, _ in said)):
            said.append((code, []))
        elif not said:
            raise NotRead(f"{word[:40]!r} is no code", f"After the gap comes one of {', '.join(CODES)}")
        else:
            said[-1][1].append(word.strip('"'))
    if not said:
        raise NotRead(f"says nothing of {name}", "Write what was done, as so 0419 kg 61")
    empty = [c for c, w in said if not w]
    if empty:
        raise NotRead(f"nothing stands after {empty[0]} ({CODES[empty[0]][0]})", "Fill it, or leave the code out")
    block = name if name in blocks and name not in gaps else str(known.gaps.set_index("gap_id").loc[name, "block_id"])
    return Line(name if name in gaps else "", block, tuple((c, tuple(w)) for c, w in said))


def _rows(line: Line, known: Known) -> Iterator[dict[str, Any]]:
    """The rows that a line says, as cells for `check_row`."""
    says = {kind for code, _ in line.said if (kind := CODES[code][1])}
    if not says:
        raise NotRead("says only who or a remark", "Write what was done, as so 0419 kg 61")
    shared: dict[str, Any] = {"block_id": line.block_id}
    if line.gap_id:
        shared["gap_id"] = line.gap_id
    if line.has("by"):
        shared["who"] = " ".join(line.words("by"))
    first = True
    for kind in ("cleared", "sown", "stand", "flower", "ended", "ready", "planted"):
        if kind not in says:
            continue
        note = {"note": " ".join(line.words("re"))} if first and line.has("re") else {}
        first = False
        code = next(c for c, k in DATED.items() if k == kind)
        if kind == "stand":
            yield from ({**row, **(note if n == 0 else {})} for n, row in enumerate(_frames(line, shared, known)))
            continue
        said = {**_said(line, kind, known), **note}
        if line.has(code):
            day, *rest = line.words(code)
            if kind == "ended" and rest:
                said["tool"] = " ".join(rest)
            elif rest:
                raise NotRead(f"{' '.join(rest)[:40]!r} after {code} {day} cannot be read", "Put remarks after re")
            yield {**shared, **said, "what": kind, "date": day_of(day, code, line, known)}
            continue
        old = known.last(kind, line.gap_id or _gap_on(line.block_id, kind, known))
        if old is None:
            raise NotRead(f"does not say the day ({code}, {CODES[code][0]})", f"Add {code} and month and day")
        yield over(old, {**shared, **said, "what": kind}, known)


def _gap_on(block: str, kind: str, known: Known) -> str:
    rows = known.held[(known.held["block_id"] == block) & (known.held["what"] == kind)]
    return "" if rows.empty else str(rows["gap_id"].iloc[-1])


def day_of(text: str, code: str, line: Line, known: Known) -> str:
    """A day written as month and day, in the year in which it lies nearest to the gap.

    Raises
    ------
    NotRead
    """
    if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
        return text
    match = re.fullmatch(r"(\d\d)-?(\d\d)", text)
    remedy = f"After {code} write month and day, as 0419 for 19 April"
    if not match:
        raise NotRead(f"{text[:40]!r} is not a day", remedy)
    gaps = known.gaps[known.gaps["gap_id"] == line.gap_id] if line.gap_id else known.gaps[:0]
    years = range(gaps["start"].iloc[0].year - 1, gaps["end"].iloc[0].year + 2) if len(gaps) else None
    days = []
    for year in years or range(known.today.year - 1, known.today.year + 1):
        try:
            days.append(pd.Timestamp(date(year, int(match[1]), int(match[2]))))
        except ValueError:
            continue
    if not days:
        raise NotRead(f"{text} is not a day of the calendar", remedy)
    if len(gaps):
        start, end = gaps["start"].iloc[0], gaps["end"].iloc[0]
        return f"{min(days, key=lambda d: (max((start - d).days, (d - end).days, 0), d)):%Y-%m-%d}"
    past = [d for d in days if d <= pd.Timestamp(known.today)]
    return f"{(past or days)[-1]:%Y-%m-%d}"  # of a block the last such day


def _said(line: Line, kind: str, known: Known) -> dict[str, Any]:
    us = known.units == "us"
    out: dict[str, Any] = {}
    for code, words in line.said:
        if CODES[code][1] != kind or code in DATED:
            continue
        text = " ".join(words)
        match code:
            case "kg" | "lf":
                out["seed_kg" if code == "kg" else "seed_left_kg"] = _quantity(text, code, WEIGHT, None if us else "kg")
            case "de":
                out["depth_mm"] = _quantity(text, code, LENGTH, "in" if us else "cm")
            case "ht":
                out["height_mm"] = _quantity(text, code, LENGTH, "in" if us else "cm")
            case "bd":
                out |= _beds(text)
            case "lo":
                out |= _lot(words)
            case "ms":
                out["soil_state"] = text
            case "wx":
                out["weather"] = text
            case "sd":
                out["seed_seen"] = text
    return out


def _quantity(text: str, code: str, units: dict[str, float], bare: str | None) -> float:
    """A number with its unit, in SI; a bare one in the unit of the sheet."""
    match = re.fullmatch(r"(\d{1,7}(?:[.,]\d{1,6})?)\s*([A-Za-z²2]*)", text)
    some = ", ".join(units)
    if not match:
        raise NotRead(
            f"{text[:40]!r} after {code} is not a number", f"Write a number, with its unit if need be: {some}"
        )
    unit = match[2].casefold() or bare
    if unit is None:
        raise NotRead(f"{code} {match[1]} could be pounds or kilograms", f"Write {match[1]} lb or {match[1]} kg")
    if unit not in units:
        raise NotRead(f"{match[2]!r} after {code} is not a unit of it", f"Write one of {some}")
    return float(f"{float(match[1].replace(',', '.')) * units[unit]:.10g}")


def _beds(text: str) -> dict[str, Any]:
    """An area done, or which beds in words; 'all' is the whole block."""
    if text.casefold() == "all":
        return {}
    try:
        return {"area_m2": _quantity(text, "bd", AREA, None)}
    except NotRead:
        return {"note": f"beds {text}"}


def _lot(words: tuple[str, ...]) -> dict[str, Any]:
    *lot, last = words
    if last.casefold() == "tag":
        kept = not (lot and lot[-1].casefold() == "no")
        lot = lot if kept else lot[:-1]
        return {"tag_kept": kept} | ({"lot": " ".join(lot)} if lot else {})
    return {"lot": " ".join(words)}


def _frames(line: Line, shared: dict[str, Any], known: Known) -> Iterator[dict[str, Any]]:
    """Counts, frame by frame; weeds of a frame stand on its first row."""
    if not line.has("ct"):
        raise NotRead(f"does not say the day (ct, {CODES['ct'][0]})", "Add ct and month and day")
    counts = [words for code, words in line.said if code == "pl"]
    if not counts:
        raise NotRead("says no plants (pl)", "Add pl and the plants in each frame, as pl 9 8 11")
    day, *rest = line.words("ct")
    if rest:
        raise NotRead(f"{' '.join(rest)[:40]!r} after ct {day} cannot be read", "Put remarks after re")
    frame_m2 = RING_M2 if known.units == "metric" else FOOT_M**2
    if line.has("fr"):
        frame_m2 = _quantity(" ".join(line.words("fr")), "fr", AREA, "m2" if known.units == "metric" else "ft2")
    weeds = _numbers(line.words("wd"), "wd") if line.has("wd") else []
    on = {**shared, "what": "stand", "date": day_of(day, "ct", line, known), "frame_area_m2": frame_m2}
    for number, words in enumerate(counts):
        species = " ".join(w for w in words if not w[0].isdigit())
        plants = _numbers([w for w in words if w[0].isdigit()], "pl")
        if weeds and len(weeds) != len(plants):
            what = f"has {len(plants)} numbers of plants and {len(weeds)} of weeds"
            raise NotRead(what, "Give a number for each frame, 0 where there is none")
        if len(plants) > MOST_FRAMES:
            raise NotRead(f"has {len(plants)} frames", f"Write at most {MOST_FRAMES} in a line")
        for frame, count in enumerate(plants, 1):
            row = {**on, "frame": float(frame), "plants": count, "species": species}
            yield row | ({"weed_plants": weeds[frame - 1]} if weeds and number == 0 else {})


def _numbers(words: Sequence[str], code: str) -> list[float]:
    found = [word for word in words if not re.fullmatch(r"\d{1,6}(\.\d{1,3})?", word)]
    if found or not words:
        what = f"{found[0][:40]!r} after {code} is not a number" if found else f"no number stands after {code}"
        raise NotRead(what, "Write a number for each frame, with a space between")
    return [float(word) for word in words]
