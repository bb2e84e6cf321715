"""What the field book on a phone needs, as plain data: blocks, gaps with their dates, covers, kinds of row, the record.

All of it is handed over at once, so that a page that is kept open, or a page that was saved, goes on without the
program. The dates come from the plan; which of them are due is for the device to say, since its day moves on.
"""

from __future__ import annotations

from typing import Any

import pandas as pd

from greengap.advice.seeding import seed_needs, seeding_method
from greengap.catalogue import Catalogue
from greengap.farm.season_record import ALLOWED, CHOICES, HEAD, KINDS, NUMBERS, YES_NO, current
from greengap.farm.settings import FarmSettings
from greengap.output.jobs import Job, list_jobs
from greengap.output.operations import DAY
from greengap.plan import Plan
from greengap.tables import Allocation, DataFrame, Gap, Option, SeasonRecord
from greengap.units import ACRE_M2, FOOT_M, HECTARE_M2, INCH_MM, POUND_KG, System
from greengap.web.stand_data import judged_by
from greengap.web.views import iso

FORM = 1  # of this data; a saved page and the program that reads its file agree on it
MOST_ROWS = 3000  # of the record, the newest; a farm writes a few hundred in a year
# What a column is typed in: unit and the factor to SI, by the farm's units.
TYPED: dict[str, dict[System, tuple[str, float]]] = {
    "area_m2": {"metric": ("ha", HECTARE_M2), "us": ("ac", ACRE_M2)},
    "frame_area_m2": {"metric": ("m²", 1.0), "us": ("ft²", FOOT_M**2)},
    "seed_kg": {"metric": ("kg", 1.0), "us": ("lb", POUND_KG)},
    "seed_left_kg": {"metric": ("kg", 1.0), "us": ("lb", POUND_KG)},
    "depth_mm": {"metric": ("cm", 10.0), "us": ("in", INCH_MM)},
    "height_mm": {"metric": ("cm", 10.0), "us": ("in", INCH_MM)},
    "weed_height_mm": {"metric": ("cm", 10.0), "us": ("in", INCH_MM)},
    "water_mm": {"metric": ("mm", 1.0), "us": ("in", INCH_MM)},
    "fresh_g": {"metric": ("g", 1.0), "us": ("g", 1.0)},
    "dry_g": {"metric": ("g", 1.0), "us": ("g", 1.0)},
    "hours": {"metric": ("h", 1.0), "us": ("h", 1.0)},
    "cover_fraction": {"metric": ("%", 0.01), "us": ("%", 0.01)},
    "weed_cover_fraction": {"metric": ("%", 0.01), "us": ("%", 0.01)},
    "lost_fraction": {"metric": ("%", 0.01), "us": ("%", 0.01)},
    "nitrogen_fraction": {"metric": ("%", 0.01), "us": ("%", 0.01)},
}
# Frames that are laid out in the field: what they are called, and their area.
FRAMES: dict[System, tuple[tuple[str, float], ...]] = {
    "metric": (("ring 0.1 m²", 0.1), ("50 × 50 cm", 0.25), ("1 m²", 1.0)),
    "us": (("square foot", FOOT_M**2), ("ring 0.1 m²", 0.1), ("2 × 2 ft", 4 * FOOT_M**2)),
}


def field_book(
    settings: FarmSettings,
    catalogue: Catalogue,
    blocks: pd.DataFrame,
    gaps: DataFrame[Gap],
    record: DataFrame[SeasonRecord],
    plan: Plan | None = None,
    file: str = "",
    stands: dict[str, dict[str, Any]] | None = None,
) -> dict[str, Any]:
    """Everything that a device needs to write the season down.

    Parameters
    ----------
    settings : FarmSettings
    catalogue : Catalogue
    blocks : DataFrame
        With block_id and area_sown_m2.
    gaps : DataFrame[Gap]
    record : DataFrame[SeasonRecord]
    plan : Plan, optional
        Without it there are no dates and no covers to expect.
    file : str
        Name of the farm file, by which a device tells farms apart.
    stands : dict, optional
        Stands worked out beforehand by gap, as `greengap.web.stands` gives them.

    Returns
    -------
    dict
        Of JSON's own types.
    """
    units = settings.units
    return {
        "form": FORM,
        "farm": settings.name,
        "file": file or settings.name,
        "units": units,
        "planned": plan is not None,
        "blocks": [{"id": str(b.block_id), "area_m2": round(float(b.area_sown_m2), 1)} for b in blocks.itertuples()],
        "gaps": _gaps(gaps, catalogue, plan),
        "covers": _covers(settings, catalogue, blocks),
        "kinds": {
            key: {
                "required": list(kind.required),
                "optional": [*kind.optional, "note"],
                "needs_block": kind.needs_block,
                "may_be_ahead": kind.may_be_ahead,
            }
            for key, kind in KINDS.items()
            if key != "struck"
        },
        "columns": {column: _column(column, units) for column in _said_columns()},
        "choices": {key: list(words) for key, words in CHOICES.items()},
        "frames": [{"name": name, "area_m2": round(area, 6)} for name, area in FRAMES[units]],
        "method": seeding_method(settings.equipment) or "",
        "look_d": [int(catalogue.rule("stand_look_from")), int(catalogue.rule("stand_look_until"))],
        "rate_off": catalogue.rule("rate_off"),
        "record": record_rows(record),
        "judged_by": judged_by(settings, catalogue),
        "stands": {"state": "done", "serial": 0, "by_gap": stands or {}},
    }


def record_rows(record: DataFrame[SeasonRecord]) -> list[dict[str, Any]]:
    """Rows as JSON, without what is empty; `holds` says whether a row still does."""
    held = set(current(record)["record_id"]) if len(record) else set()
    out = []
    for row in record.tail(MOST_ROWS).to_dict("records"):
        said = {str(k): v for k, v in row.items() if not pd.isna(v) and v != ""}
        said["date"] = f"{row['date']:%Y-%m-%d}"
        if "frame" in said:
            said["frame"] = int(said["frame"])
        out.append(said | {"holds": row["record_id"] in held})
    return out


def _said_columns() -> list[str]:
    return list(dict.fromkeys(c for kind in KINDS.values() for c in kind.columns if c not in (*HEAD, "visit", "frame")))


def _column(column: str, units: System) -> dict[str, Any]:
    """How a column is typed."""
    if column in YES_NO:
        return {"type": "yes"}
    if column in ALLOWED:
        return {"type": "choice", "of": list(ALLOWED[column])}
    if column in NUMBERS:
        unit, factor = TYPED.get(column, {units: ("", 1.0)})[units]
        return {"type": "number", "unit": unit, "factor": factor}
    return {"type": "text"}


def _covers(settings: FarmSettings, catalogue: Catalogue, blocks: pd.DataFrame) -> dict[str, Any]:
    """Covers by name, with their species and the planned rate of each out of the bag [kg/ha]."""
    rates: dict[str, dict[str, float]] = {}
    if len(blocks) and seeding_method(settings.equipment):
        day, block = pd.Timestamp("2000-01-01"), blocks["block_id"].iloc[0]  # the rate is the same on every day
        rows = pd.DataFrame([{"gap_id": c, "block_id": block, "cover_id": c, "option_id": c} for c in catalogue.covers])
        options = rows.assign(sow_date=day, terminate_by=day)[list(Option.to_schema().columns)]
        need = seed_needs(
            Allocation.validate(rows), Option.validate(options), blocks, catalogue, settings.equipment,
            settings.seed_lots,
        )  # fmt: skip
        for row in need.itertuples():
            rates.setdefault(row.cover_id, {})[row.species] = round(float(row.bulk_rate_kg_ha), 3)
    return {
        key: {
            "name": cover.name,
            "species": [
                {"id": c.species, "name": catalogue.species[c.species].name, "rate": rates.get(key, {}).get(c.species)}
                for c in cover.components
            ],
        }
        for key, cover in sorted(catalogue.covers.items(), key=lambda item: item[1].name)
    }


def _gaps(gaps: DataFrame[Gap], catalogue: Catalogue, plan: Plan | None) -> list[dict[str, Any]]:
    jobs = {job.gap_id: job for job in list_jobs(plan)} if plan is not None else {}
    out = []
    for gap in gaps.itertuples():
        has_next, has_before = (isinstance(c, str) and bool(c) for c in (gap.crop_after, gap.crop_before))
        one = {
            "id": str(gap.gap_id),
            "block": str(gap.block_id),
            "start": iso(gap.start),
            "end": iso(gap.end),
            "before": catalogue.crop_name(gap.crop_before) if has_before else "",
            "next": catalogue.crop_name(gap.crop_after) if has_next else "",
            "next_on": iso(gap.end + DAY) if has_next else None,
            "cover": "",
        }
        if plan is not None and gap.gap_id in jobs:
            one |= _planned(plan, jobs[gap.gap_id])
        out.append(one)
    return out


def _planned(plan: Plan, job: Job) -> dict[str, Any]:
    """The dates of a sowing, and what to expect of it."""
    row = job.row
    first = row.terminate_by if pd.isna(row.terminate_from) else min(row.terminate_from, row.terminate_by)
    after = plan.after[(plan.after["gap_id"] == job.gap_id) & (plan.after["cover_id"] == job.cover_id)]
    rates = plan.rates[plan.rates["gap_id"] == job.gap_id]
    return {
        "cover": job.cover_id,
        "sow_from": iso(job.sow_from),
        "sow_until": iso(job.sow_until),
        "end_from": iso(first),
        "end_by": iso(row.terminate_by),
        "ended_by": row.ended_by,
        "wait_d": [] if after.empty else [int(after["waiting_p10_d"].iloc[0]), int(after["waiting_p90_d"].iloc[0])],
        "seed_kg": round(job.grams / 1000, 3),
        "method": job.method,
        "depth_mm": {s.species: s.depth_mm for s in job.seeds},
        "expect_m2": {r.species: [round(r.plants_p10_m2, 1), round(r.plants_p90_m2, 1)] for r in rates.itertuples()},
    }
