"""The season record: what was done and seen, row by row, merged from every device without losing one.

Rows are added and never changed. Each is named by a fingerprint of what it says, so that the same row from two
devices is one row, two rows that differ are two, and the order in which records meet does not matter. What is
corrected stays, below the row that corrects it.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from greengap.errors import InputProblem
from greengap.tables import DataFrame, SeasonRecord
from greengap.units import ACRE_M2, FOOT_M, HECTARE_M2, INCH_MM, POUND_KG

RECORD_FILE = "season_record.csv"  # beside farm.toml; a farm file holds the same as a table
COLUMNS = tuple(SeasonRecord.to_schema().columns)
HEAD = ("record_id", "entry_id", "written", "who", "corrects", "what", "date", "block_id", "gap_id")
NUMBERS = {c for c, spec in SeasonRecord.to_schema().columns.items() if str(spec.dtype) in ("float64", "Int64")}
YES_NO = {c for c, spec in SeasonRecord.to_schema().columns.items() if str(spec.dtype) == "boolean"}

# What may stand in a cell for the column in SI, in the words of the two unit systems.
OTHER_UNITS: dict[str, tuple[str, float]] = {
    "frame_area_ft2": ("frame_area_m2", FOOT_M**2),
    "height_cm": ("height_mm", 10.0),
    "height_in": ("height_mm", INCH_MM),
    "weed_height_cm": ("weed_height_mm", 10.0),
    "weed_height_in": ("weed_height_mm", INCH_MM),
    "cover_percent": ("cover_fraction", 0.01),
    "weed_cover_percent": ("weed_cover_fraction", 0.01),
    "lost_percent": ("lost_fraction", 0.01),
    "nitrogen_percent": ("nitrogen_fraction", 0.01),
    "area_ha": ("area_m2", HECTARE_M2),
    "area_ac": ("area_m2", ACRE_M2),
    "seed_lb": ("seed_kg", POUND_KG),
    "seed_left_lb": ("seed_left_kg", POUND_KG),
    "depth_cm": ("depth_mm", 10.0),
    "depth_in": ("depth_mm", INCH_MM),
    "water_in": ("water_mm", INCH_MM),
    "fresh_oz": ("fresh_g", POUND_KG * 1000 / 16),
    "dry_oz": ("dry_g", POUND_KG * 1000 / 16),
}


@dataclass(frozen=True)
class Kind:
    """A kind of row: what it is, and what it may say.

    Attributes
    ----------
    words : str
        What is done or seen, as a person says it.
    required, optional : tuple of str
        Columns of `SeasonRecord` besides date, block and who.
    needs_block : bool
        Whether it is about one block.
    may_be_ahead : bool
        Whether its day may lie ahead: one that is expected by now.
    """

    words: str
    required: tuple[str, ...] = ()
    optional: tuple[str, ...] = ()
    needs_block: bool = True
    may_be_ahead: bool = False

    @property
    def columns(self) -> tuple[str, ...]:
        """All that it may say."""
        return (*self.required, *self.optional)


SEED = (
    "species",
    "area_m2",
    "seed_kg",
    "seed_left_kg",
    "lot",
    "tag_kept",
    "method",
    "depth_mm",
    "soil_state",
    "weather",
)
FRAME = ("visit", "frame", "species")
KINDS: dict[str, Kind] = {
    "cleared": Kind("last day of the crop before", (), ("hours",), may_be_ahead=True),
    "sown": Kind("sown", ("cover_id",), (*SEED, "hours")),
    "up": Kind("half of it is up", (), ("species",)),
    "stand": Kind(
        "counted in a frame", ("frame_area_m2", "plants"),
        (*FRAME, "cover_fraction", "height_mm", "weed_plants", "weed_cover_fraction", "weed_height_mm", "weed_level"),
    ),
    "loss": Kind("lost to birds or else", ("cause",), ("lost_fraction", "species")),
    "weeded": Kind("weeded by hand", (), ("hours", "area_m2", "tool")),
    "flower": Kind("first flower", (), ("species",)),
    "sample": Kind(
        "cut and weighed from a frame", ("frame_area_m2",),
        (*FRAME, "fresh_g", "dry_g", "nitrogen_fraction", "carbon_to_nitrogen", "height_mm"),
    ),
    "ended": Kind("ended", (), ("tool", "height_mm", "seed_seen", "hours", "area_m2")),
    "planted": Kind("next crop set", (), ("days_lost",), may_be_ahead=True),
    "ready": Kind("fit to plant", (), ("days_lost",)),
    "rain": Kind("rain in the gauge", ("water_mm",), (), needs_block=False),
    "watered": Kind("watered", ("water_mm",), ("hours",)),
    "decided": Kind("decided", ("choice",), ("cover_id", "hours")),
    "verdict": Kind("how it went", ("choice",), ("days_lost",)),
    "struck": Kind("struck out", (), (), needs_block=False),
}  # fmt: skip
SOIL_STATES = ("crumbly", "ball", "dry")
METHODS = ("drilled", "broadcast")
WEED_LEVELS = ("below", "level", "above")  # tops of the weeds against the tops of the cover
CAUSES = ("birds", "deer or hares", "slugs or insects", "drowned", "crust", "washed", "drought", "frost", "other")
CHOICES = {
    "decided": ("keep", "weed once", "resow", "switch", "keep clean", "sow", "leave bare"),
    "verdict": ("good", "middling", "poor"),
}
ALLOWED = {
    "soil_state": SOIL_STATES,
    "method": METHODS,
    "cause": CAUSES,
    "weed_level": WEED_LEVELS,
    "what": tuple(KINDS),
}


def fingerprint(row: Mapping[str, Any]) -> str:
    """Name of a row: what it says, in 16 letters.

    Examples
    --------
    >>> one = {"entry_id": "a", "what": "rain", "water_mm": 12}
    >>> fingerprint(one) == fingerprint(one | {"water_mm": 12.0, "note": ""})
    True
    """
    said = {}
    for column in COLUMNS[1:]:
        value = row.get(column)
        if value is None or value is pd.NA or value is pd.NaT or value == "" or value != value:
            continue
        if column == "date":
            value = f"{pd.Timestamp(value):%Y-%m-%d}"
        elif column in NUMBERS:
            value = format(float(value), ".12g")
        elif column in YES_NO:
            value = bool(value)
        said[column] = value if isinstance(value, bool) else str(value)
    return hashlib.sha256(json.dumps(said, sort_keys=True, ensure_ascii=False).encode()).hexdigest()[:16]


def record_of(rows: list[dict[str, Any]]) -> DataFrame[SeasonRecord]:
    """Rows as a record, each once, named by what it says, by date and time of writing.

    Parameters
    ----------
    rows : list of dict
        Columns of `SeasonRecord`; what is not there is empty. A `record_id` is reckoned, whatever it was.

    Returns
    -------
    DataFrame[SeasonRecord]

    Raises
    ------
    pandera.errors.SchemaError
        If a value cannot be.
    """
    found = {fingerprint(row): row for row in rows}
    table = pd.DataFrame([{**row, "record_id": key} for key, row in found.items()], columns=list(COLUMNS))
    for column in COLUMNS:
        if column in NUMBERS:
            table[column] = pd.to_numeric(table[column])
        elif column not in YES_NO and column != "date":
            table[column] = table[column].astype(object).where(table[column].notna(), "")
    table["date"] = pd.to_datetime(table["date"])
    table = table.sort_values(["date", "written", "record_id"], ignore_index=True)
    return SeasonRecord.validate(table)


def merged(*records: DataFrame[SeasonRecord]) -> DataFrame[SeasonRecord]:
    """Several records as one: every row of each, once; the same in whatever order they come."""
    return record_of([row for record in records for row in record.to_dict("records")])


def current(record: DataFrame[SeasonRecord]) -> DataFrame[SeasonRecord]:
    """What holds: of a row and all that corrects it, the one written last; nothing of what was struck.

    Notes
    -----
    A correction of a row that is not there holds, since the row may come later from another device.
    """
    corrected = {i: c for i, c in zip(record["record_id"], record["corrects"], strict=True) if c}
    roots = []
    for row in record["record_id"]:
        while row in corrected:
            row = corrected[row]
        roots.append(row)
    order = record.assign(_root=roots).sort_values(["_root", "written", "record_id"])
    last = order.drop_duplicates("_root", keep="last").sort_index()
    return SeasonRecord.validate(last[last["what"] != "struck"].drop(columns="_root").reset_index(drop=True))


def to_text(record: DataFrame[SeasonRecord]) -> str:
    """A record as CSV, all columns, SI; `from_text` reads it."""
    return str(record.to_csv(index=False, date_format="%Y-%m-%d", lineterminator="\n"))


def from_text(text: str) -> DataFrame[SeasonRecord]:
    """The record of a CSV that `to_text` wrote.

    Raises
    ------
    ValueError
        If a column or a value is not of a record.
    """
    table = pd.read_csv(io.StringIO(text), dtype=str, keep_default_na=False)
    if unknown := [c for c in table.columns if c not in COLUMNS]:
        raise ValueError(f"the column {unknown[0]!r} is not of a season record")
    rows = []
    for row in table.to_dict("records"):
        taken: dict[str, Any] = {str(k): v for k, v in row.items() if v != ""}
        for column in taken.keys() & YES_NO:
            taken[column] = {"true": True, "false": False}[taken[column].lower()]
        for column in taken.keys() & NUMBERS:
            taken[column] = float(taken[column])
        rows.append(taken)
    return record_of(rows)


def read_day(text: str, place: str) -> pd.Timestamp:
    """A day that was typed.

    Raises
    ------
    InputProblem
        If it is not written as year, month and day.
    """
    try:
        if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
            raise ValueError
        return pd.Timestamp(text)
    except ValueError as error:
        raise InputProblem(
            place, "", f"{text:.40} is not a date", "Write year, month and day, as 2027-07-10"
        ) from error
