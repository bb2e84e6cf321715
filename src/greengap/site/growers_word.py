"""The grower's word over the map: values that somebody who works the ground knows better, with their reason."""

from __future__ import annotations

from collections.abc import Mapping
from textwrap import shorten
from typing import Protocol

import numpy as np
import pandas as pd

from greengap.errors import ImportReport
from greengap.site.soil import DRAINAGE_CLASSES, EXTRAS, WORDS, with_drainage
from greengap.site.terrain import direction
from greengap.tables import ClassShare, DataFrame

# Ground that ponds is taken at least as wet as this (common practice, no source).
PONDING_CLASS = "poorly drained"
# Criteria of the suitability that rest on a column of the soil.
CRITERIA = {
    "ph": "pH", "clay_fraction": "texture", "drainage_class": "drainage", "slope_fraction": "washing",
}  # fmt: skip
LONGEST_REASON = 60  # characters of it that stand beside a criterion; the report has it whole


class Word(Protocol):
    """What the grower says of a block."""

    @property
    def values(self) -> Mapping[str, float | str]:
        """Values in SI, by column of `Soil`."""

    @property
    def ponds(self) -> bool | None:
        """Whether water stands on it; None if it is not said."""

    @property
    def reason(self) -> str:
        """How it is known."""

    @property
    def by(self) -> str:
        """Who says so."""


def apply_word(
    soil: pd.DataFrame, shares: pd.DataFrame, words: Mapping[str, Word], report: ImportReport
) -> tuple[pd.DataFrame, DataFrame[ClassShare]]:
    """Put the grower's word over a partial soil.

    Parameters
    ----------
    soil, shares : DataFrame
        Partial soil and class shares, see `soil.no_soil`.
    words : mapping of block_id to Word
    report : ImportReport
        Takes each value that is put over the map, with the map's and the reason.

    Returns
    -------
    DataFrame, DataFrame[ClassShare]
        `source` says which values are the grower's.
    """
    soil = soil.copy().set_index("block_id")
    for column in EXTRAS:
        if column not in soil:
            soil[column] = np.nan
    for block, word in words.items():
        if block not in soil.index:
            continue
        values = dict(word.values)
        mapped = soil.loc[block, "drainage_class"]
        if word.ponds and "drainage_class" not in values and (mapped is None or not is_wet(mapped)):
            values["drainage_class"] = PONDING_CLASS
        told = []
        for column, value in values.items():
            before = soil.loc[block, column]
            soil[column] = soil[column].astype(object) if isinstance(value, str) else soil[column]
            soil.loc[block, column] = value
            name = WORDS[column]
            was = "not known" if before is None or pd.isna(before) else _shown(column, before)
            told.append(name)
            who = f" ({word.by})" if word.by else ""
            report.assume(
                f"{name[0].upper() + name[1:] if name != 'pH' else name} of {block} is the grower's word{who}, "
                f"{_shown(column, value)} where the map says {was}: {word.reason}"
            )
        if "drainage_class" in values:
            shares = shares[~((shares["block_id"] == block) & (shares["soil_property"] == "drainage_class"))]
            row = pd.DataFrame([(block, "drainage_class", values["drainage_class"], 1.0)], columns=list(shares.columns))
            shares = pd.concat([shares, row], ignore_index=True) if len(shares) else row
            soil.loc[block, "drainage_share_fraction"] = 1.0
        if told:
            own = f"grower's word: {', '.join(told)}"
            source = str(soil.loc[block, "source"])
            if own not in source:  # a farm that was unpacked has it already
                soil.loc[block, "source"] = "; ".join(part for part in (source, own) if part)
    out = soil.reset_index()
    checked = ClassShare.validate(shares.reset_index(drop=True)) if len(shares) else ClassShare.empty()
    return with_drainage(out, checked) if len(checked) else out, checked


def is_wet(drainage_class: str) -> bool:
    """Whether ground of a drainage class is at least as wet as ground that ponds is taken to be."""
    return DRAINAGE_CLASSES.index(drainage_class) >= DRAINAGE_CLASSES.index(PONDING_CLASS)


def mark_word(suitability: pd.DataFrame, block_of_gap: Mapping[str, str], words: Mapping[str, Word]) -> pd.DataFrame:
    """Say in the reason of each criterion that rests on the grower's word that it does."""
    marked = suitability.copy()
    columns_of = {
        block: {*word.values} | ({"drainage_class"} if word.ponds else set()) for block, word in words.items()
    }
    blocks = marked["gap_id"].map(block_of_gap)
    for column, criterion in CRITERIA.items():
        marks = {block: mark(words[block]) for block, columns in columns_of.items() if column in columns}
        rows = blocks.isin(list(marks)) & (marked["criterion"] == criterion)
        if rows.any():
            marked.loc[rows, "reason"] = marked.loc[rows, "reason"] + blocks[rows].map(marks)
    return marked


def mark(word: Word) -> str:
    """What stands behind an answer that rests on the grower's word."""
    reason = " ".join(word.reason.split())
    return f" (grower's word: {shorten(reason, LONGEST_REASON, placeholder=' ...')})"


def _shown(column: str, value: float | str) -> str:
    if isinstance(value, str):
        return value
    if column == "aspect_deg":
        return direction(value)
    return f"{value:.1f}" if column == "ph" else f"{value:.1%}".replace("%", " %")
