"""The flowers of the farm as the page shows them: what is said is said as the command says it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from greengap.farm.settings import FILE
from greengap.farm.sprays import PlannedSpray
from greengap.farm_flowers import FarmFlowers
from greengap.output.flowers_text import (
    caution_lines,
    meeting_words,
    mowing_gain,
    mowing_words,
    period_words,
    stretch_words,
    window_words,
)
from greengap.web.views import iso


def flowers_view(found: FarmFlowers, sprays: Sequence[PlannedSpray]) -> dict[str, Any]:
    """Windows, mowing, stretches, parts of the season, sprays with the flowers they meet.

    Parameters
    ----------
    found : FarmFlowers
    sprays : sequence of PlannedSpray
        Of the farm, in the order of the plan's table.
    """
    met: dict[int, list[dict[str, Any]]] = {}
    for c in found.conflicts.itertuples():
        met.setdefault(int(c.spray), []).append(
            {"block": c.block_id, "gap": c.gap_id, "words": meeting_words(found, c)}
        )
    return {
        "windows": [
            {
                "gap": w.gap_id, "block": w.block_id, "mow_by": iso(w.mow_by), "frost": w.ended_by == "frost",
                "words": window_words(found, w),
            }
            for w in found.windows.itertuples()
        ],
        "mowing": [
            {"gap": m.gap_id, "block": m.block_id, "on": iso(m.mow_on), "words": mowing_words(found, m)}
            for m in found.mowing.itertuples()
        ],
        "gain": "" if found.mowing.empty else mowing_gain(found),
        "stretches": [stretch_words(s) for s in found.stretches.itertuples()],
        "periods": [period_words(p) for p in found.periods.itertuples()],
        "sprays": [_spray(number, s, met.get(number, [])) for number, s in enumerate(sprays, 1)],
        "cautions": list(caution_lines(found)),
    }  # fmt: skip


def _spray(number: int, s: PlannedSpray, met: list[dict[str, Any]]) -> dict[str, Any]:
    """One spray; `at` is its place in the list of ``farm.toml``, None for a row of the file."""
    typed = s.place.startswith(f"{FILE} ")
    return {
        "number": number, "at": int(s.place.rsplit(" ", 1)[1]) - 1 if typed else None, "place": s.place,
        "ground": s.block_id or s.neighbour, "first": iso(s.first), "last": iso(s.last), "product": s.product,
        "label_on_bees": s.label_on_bees, "call": s.call, "met": met,
        "harms": "not_known" if s.harms_bees is None else "yes" if s.harms_bees else "no",
    }  # fmt: skip
