"""Operations and records: what certifiers and cost-share programmes ask for, filled in as far as the plan goes.

The columns are those that the job sheets of the public practice standard for cover crops (USDA NRCS code 340) and the
record-keeping rule of the organic regulation (7 CFR 205.103) ask for; which form it goes into is for the office to say.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Sequence
from typing import Any

import pandas as pd

from greengap.advice.as_done import as_done
from greengap.catalogue.record_forms import form_name, record_items
from greengap.farm.season_record import KINDS, NUMBERS, YES_NO
from greengap.farm.settings import PURPOSES
from greengap.output.jobs import Grams, Job, Seed, reconcile
from greengap.output.paper import Grid, Heading, Part, Words, to_html, to_pdf
from greengap.output.records_map import records_map
from greengap.output.table import to_csv
from greengap.output.workbook import workbook
from greengap.plan import Plan
from greengap.tables import DataFrame, Operation
from greengap.units import ACRE_M2, FOOT_M, LB_AC_KG_HA, System, write

ACTUAL = (
    "cover_sown", "sown_on", "days_late", "sown_area_ha", "seed_used_kg", "true_rate_kg_ha", "rate_percent_of_planned",
    "lot_sown", "seed_tag_kept", "method_done", "depth_done_mm", "sown_by", "up_on", "plants_m2", "first_flower",
    "dry_matter_kg_ha", "ended_on", "ended_how", "seed_seen", "ready_on", "next_crop_set", "verdict", "remarks",
)  # fmt: skip
AFTER = pd.Timedelta(days=1)
NOT_SOWN = "not sown"


def records_table(plan: Plan, jobs: Sequence[Job]) -> pd.DataFrame:
    """One row for each sowing and species: what was planned beside what was done, by the season record.

    `still_missing` names what forms ask for and neither plan nor record knows. What was sown without being planned,
    or instead of what was, has rows of its own; they hold no planned seed, so that the seed adds up to the order.
    """
    area = dict(zip(plan.blocks["block_id"], plan.blocks["area_sown_m2"], strict=True))
    done = as_done(plan.gaps, plan.record, area, plan.catalogue)
    years = {j.year for j in jobs}
    rows, told = [], set()
    for job in jobs:
        in_gap = done[done["gap_id"] == job.gap_id]
        for seed in job.seeds:
            here = in_gap[(in_gap["cover_id"] == job.cover_id) & in_gap["species"].isin({seed.species, ""})]
            told |= {(r.gap_id, r.sowing, r.species) for r in here.itertuples()}
            planned = _planned(plan, job, seed)
            for again, act in enumerate(list(here.itertuples()) or [None]):
                rows.append(planned | ({"seed_g": 0} if again else {}) | _actual(plan, act, planned))
            if here.empty and len(in_gap):
                instead = dict.fromkeys(_cover(plan, c) for c in in_gap["cover_id"])
                rows[-1]["remarks"] = f"{NOT_SOWN}; instead: {', '.join(instead)}"
    for act in done.itertuples():
        if (act.gap_id, act.sowing, act.species) not in told and act.sown_on.year in years:
            planned = _not_planned(plan, act)
            rows.append(planned | _actual(plan, act, planned))
    rows.sort(key=lambda r: (r["year"], r["sown_on"] or r["planned_sowing"]))
    table = pd.DataFrame(rows)
    table["still_missing"] = ["; ".join(_missing(plan, r)) for r in rows]
    return table


def _missing(plan: Plan, row: dict[str, Any]) -> Iterator[str]:
    """What forms ask for and nobody has said, of what could be known by the last day of the record."""
    if row["remarks"].startswith(NOT_SOWN):
        return
    by = plan.record["date"].max() if len(plan.record) else pd.Timestamp.max
    not_yet: set[str] = set()
    if not row["sown_on"] and row["planned_sowing"] > by:
        not_yet |= {"rate", "date_sown", "seed_tag", "lot"}
    if not row["ended_on"] and (pd.isna(row["planned_end_by"]) or row["planned_end_by"] > by):
        not_yet |= {"date_ended", "how_ended"}
    yield from (i.words for i in record_items() if i.key not in not_yet and not _known(plan, i.key, row))


def _cover(plan: Plan, cover: str) -> str:
    return plan.catalogue.covers[cover].name if cover in plan.catalogue.covers else cover


def _planned(plan: Plan, job: Job, seed: Seed) -> dict[str, Any]:
    gap = next(g for g in plan.gaps.itertuples() if g.gap_id == job.gap_id)
    after = plan.after[(plan.after["gap_id"] == job.gap_id) & (plan.after["cover_id"] == job.cover_id)]
    species = plan.catalogue.species[seed.species]
    lots = plan.order_lines[(plan.order_lines["year"] == job.year) & (plan.order_lines["species"] == seed.species)]
    bought = "; ".join(dict.fromkeys(s for s in lots["supplier"] if s))
    from_shed = bool(len(lots)) and bool(lots["from_where"].eq("shed").all())
    return _place(plan, gap, job.field, job.area_m2) | {
        "year": job.year,
        "cover": job.cover,
        "species": species.name,
        "scientific_name": species.scientific_name,
        "variety": "",
        "seed_source": bought or ("own shed" if from_shed else ""),
        "lot": "; ".join(dict.fromkeys(s for s in lots["lot"] if s)),
        "organic_seed": _same(lots["organic"]),
        "treated_seed": _same(lots["treated"]),
        "inoculant_group": species.text("inoculant"),
        "pure_live_seed_percent": round(100 * float((lots["pls_fraction"] * lots["seed_g"]).sum())
                                        / max(float(lots["seed_g"].sum()), 1.0), 1),
        "rate_kg_ha": round(seed.rate_kg_ha, 2),
        "rate_lb_ac": round(seed.rate_kg_ha / LB_AC_KG_HA, 2),
        "seed_g": seed.grams,
        "method": job.method,
        "depth_mm": round(seed.depth_mm, 1),
        "planned_sowing": job.row.sow_best,
        "planned_end_by": job.row.terminate_by,
        "planned_end_how": after["method"].iloc[0] if len(after) else "",
    }  # fmt: skip


def _not_planned(plan: Plan, act: Any) -> dict[str, Any]:
    """A row for what was sown and stands in no plan."""
    gap = next(g for g in plan.gaps.itertuples() if g.gap_id == act.gap_id)
    block = plan.blocks[plan.blocks["block_id"] == act.block_id].iloc[0]
    species = plan.catalogue.species.get(act.species)
    return _place(plan, gap, block["field"], float(block["area_sown_m2"])) | {
        "year": act.sown_on.year, "cover": "", "species": species.name if species else act.species,
        "scientific_name": species.scientific_name if species else "", "variety": "", "seed_source": "", "lot": "",
        "organic_seed": "", "treated_seed": "", "inoculant_group": species.text("inoculant") if species else "",
        "pure_live_seed_percent": math.nan, "rate_kg_ha": math.nan, "rate_lb_ac": math.nan, "seed_g": 0, "method": "",
        "depth_mm": math.nan, "planned_sowing": pd.NaT, "planned_end_by": pd.NaT, "planned_end_how": "",
    }  # fmt: skip


def _place(plan: Plan, gap: Any, field: str, area_m2: float) -> dict[str, Any]:
    """Columns of block and gap; the year comes first in the table."""
    after = _crop(plan, gap.crop_after)
    return {
        "year": 0,
        "field": field,
        "block": gap.block_id,
        "gap": gap.gap_id,
        "area_ha": round(area_m2 / 10_000, 4),
        "area_ac": round(area_m2 / ACRE_M2, 3),
        "crop_before": _crop(plan, gap.crop_before),
        "purpose": "; ".join(PURPOSES[p.key] for p in plan.settings.purposes),
        "crop_after": after,
        "crop_after_from": gap.end + AFTER if after else pd.NaT,
    }


def _actual(plan: Plan, act: Any, planned: dict[str, Any]) -> dict[str, Any]:
    """What was done; empty cells where nothing was written down."""
    if act is None:
        return dict.fromkeys(ACTUAL, "")
    of_planned = 100 * act.rate_kg_ha / planned["rate_kg_ha"]
    late = (act.sown_on - planned["planned_sowing"]).days if pd.notna(planned["planned_sowing"]) else ""
    values = (
        _cover(plan, act.cover_id), act.sown_on, late, _round(act.area_m2 / 10_000, 4), _round(act.seed_kg, 2),
        _round(act.rate_kg_ha, 1), _round(of_planned, 0), act.lot, _yes(act.tag_kept), act.method,
        _round(act.depth_mm, 0), act.sown_by, act.up_on, _round(act.plants_m2, 1), act.flower_on,
        _round(act.dry_kg_ha, 0), act.ended_on, act.ended_how, _yes(act.seed_seen), act.ready_on, act.planted_on,
        act.verdict, act.remarks,
    )  # fmt: skip
    return {k: "" if v is pd.NaT else v for k, v in zip(ACTUAL, values, strict=True)}


def _round(value: float, digits: int) -> Any:
    if not math.isfinite(value):
        return ""
    return round(value, digits) if digits else round(value)


def _yes(value: Any) -> str:
    return "" if value is pd.NA or value is None or value != value else "yes" if value else "no"


def _known(plan: Plan, item: str, row: dict[str, Any]) -> bool:
    """Whether plan and record say a thing that forms ask for."""
    office = plan.settings.office
    known = {
        "client": office.get("client"),
        "tract": office.get("farm_number") and office.get("tract_number"),
        "seed_tag": row["seed_tag_kept"] == "yes",
        "date_sown": row["sown_on"],
        "rate": row["true_rate_kg_ha"],
        "method": row["method_done"] or row["method"],
        "lot": row["lot_sown"] or row["lot"],
        "date_ended": row["ended_on"],
        "how_ended": row["ended_how"],
        "area": row["area_ha"],
    }
    return bool(known[item]) if item in known else bool(row[item])


def missing_table(plan: Plan, records: pd.DataFrame) -> pd.DataFrame:
    """One row for each form and thing it asks for: in how many sowings it is known, and where it is not."""
    rows = []
    lacking = records["still_missing"].str.split("; ")
    sources = plan.catalogue.sources
    for key in dict.fromkeys(s for item in record_items() for s in item.asked_by):
        for item in record_items():
            if key in item.asked_by:
                lacks = records[[item.words in said for said in lacking]]
                rows.append(
                    {
                        "form": form_name(sources[key]), "asks_for": item.words, "sowings": len(records),
                        "known_in": len(records) - len(lacks), "missing_in": ", ".join(dict.fromkeys(lacks["gap"])),
                    }
                )  # fmt: skip
    return pd.DataFrame(rows, columns=["form", "asks_for", "sowings", "known_in", "missing_in"])


def _same(column: pd.Series) -> str:
    """The one answer of all lots; empty if they differ or one is silent."""
    if column.isna().any() or len(set(column)) != 1:
        return ""
    return "yes" if bool(column.iloc[0]) else "no"


def _crop(plan: Plan, crop: Any) -> str:
    return plan.catalogue.crop_name(crop) if isinstance(crop, str) and crop else ""


def record_files(plan: Plan, jobs: Sequence[Job], operations: DataFrame[Operation], wanted: Grams) -> dict[str, bytes]:
    """Operations, records, what forms still miss and the log, as CSV, workbook, page to sign, and map.

    Raises
    ------
    Mismatch
        If a table does not hold the seed of the order when it is read again.
    """
    records = records_table(plan, jobs)
    missing, log = missing_table(plan, records), log_table(plan)
    tables = {"operations": pd.DataFrame(operations), "records": records, "missing": missing, "log": log}
    book = workbook(f"Records, {plan.metadata['farm']}", tables)
    names = {plan.catalogue.species[s.species].name: s.species for j in jobs for s in j.seeds}
    files = {f"{name}.csv": to_csv(table).encode("utf-8") for name, table in tables.items()}
    for shown, table in (
        ("records.csv", pd.read_csv(io.BytesIO(files["records.csv"]))),
        ("records.xlsx", pd.read_excel(io.BytesIO(book), sheet_name="records")),
    ):
        sums = table[table["seed_g"] > 0].groupby(["year", "species"])["seed_g"].sum()
        reconcile(shown, {(int(y), names[str(s)]): int(g) for (y, s), g in sums.items()}, wanted)
    title = f"Cover crop records, {plan.metadata['farm']}"
    parts = list(_parts(plan, records, missing, log, title))
    foot = f"greengap {plan.metadata['program_version']}, catalogue {plan.metadata['catalogue_version']}"
    letter = plan.settings.units == "us"
    pdf = to_pdf(title, parts, foot, letter=letter)
    drawn = records_map(plan, records, title, foot, letter)
    return files | {
        "records.xlsx": book, "records.html": to_html(title, parts).encode(), "records.pdf": pdf,
        "records_map.pdf": drawn,
    }  # fmt: skip


def log_table(plan: Plan) -> pd.DataFrame:
    """Every row of the record that holds, in words, by day."""
    units = plan.settings.units
    rows = [
        {
            "date": r.date, "block": r.block_id, "gap": r.gap_id,
            "what": KINDS[r.what].words if r.what in KINDS else r.what,
            "said": "; ".join(_said(plan, r, units)), "who": r.who, "written": r.written, "record_id": r.record_id,
        }
        for r in plan.record.itertuples()
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["date", "block", "gap", "what", "said", "who", "written", "record_id"])


def _said(plan: Plan, row: Any, units: System) -> Iterator[str]:
    """The filled cells of a row of the record, with their units."""
    for column in KINDS[row.what].columns if row.what in KINDS else ():
        value = getattr(row, column)
        if column == "visit" or value is pd.NA or value != value or value == "":
            continue
        words = column.replace("_", " ")
        if column == "cover_id":
            yield _cover(plan, str(value))
        elif column == "species":
            yield plan.catalogue.species[value].name if value in plan.catalogue.species else str(value)
        elif column in YES_NO:
            yield f"{words}: {'yes' if value else 'no'}"
        elif column not in NUMBERS:
            yield str(value) if column in ("choice", "tool", "method", "cause") else f"{words}: {value}"
        else:
            yield _measured(column, float(value), units)
    if row.note:
        yield f"“{row.note}”"


def _measured(column: str, value: float, units: System) -> str:
    """A number of the record with its unit, in the reader's."""
    base, _, unit = column.rpartition("_")
    if unit == "fraction":
        return f"{base.replace('_', ' ')} {100 * value:.3g} %"
    if unit in ("kg", "g", "mm", "m2"):
        if column == "frame_area_m2":
            return f"frame {value:g} m²" if units == "metric" else f"frame {value / FOOT_M**2:.2f} ft²"
        scaled, name = (1000 * value, "g") if unit == "kg" else (value, unit)
        return f"{base.replace('_', ' ')} {write(scaled, name, units)}"
    return f"{column.replace('_', ' ')} {value:g}"


def _parts(plan: Plan, records: pd.DataFrame, missing: pd.DataFrame, log: pd.DataFrame, title: str) -> Iterator[Part]:
    units = plan.settings.units
    yield Heading(title, 1)
    if plan.metadata["note"]:
        yield Words(plan.metadata["note"])
    office = plan.settings.office
    if office:
        yield Words(", ".join(f"{key.replace('_', ' ')}: {said}" for key, said in office.items()))
    yield Words(
        "Planned is printed, and so is what the season record says was done; empty cells are for the pen. Keep seed "
        "tags, receipts and this page as long as your certifier or contract asks for. Dates in a contract come before "
        "dates printed here. Which form it goes into is for the office to say."
    )
    for year, some in records.groupby("year", sort=True):
        yield Heading(f"Sown in {year}: planned and done")
        rows = [_row(r, units) for r in some.itertuples()]
        yield Grid(
            ["block (field), gap", "area", "species", "rate: planned, true", "seed: planned, used", "how, depth",
             "planned", "sown on", "source, lot, tag", "to end by", "ended on, how", "fit, next crop", "who"],
            rows, [12, 7, 14, 10, 10, 8, 8, 9, 13, 11, 12, 10, 6], frozenset({1, 3, 4}),
        )  # fmt: skip
    if len(missing):
        yield Heading("Still missing, by what published forms ask for")
        lacking = missing[missing["missing_in"] != ""]
        if lacking.empty:
            yield Words("Nothing that these forms ask for is missing.")
        else:
            yield Grid(
                ["form", "asks for", "known in", "missing in"],
                [[r.form, r.asks_for, f"{r.known_in} of {r.sowings}", r.missing_in] for r in lacking.itertuples()],
                [30, 16, 9, 55],
            )
    if len(log):
        yield Heading("Log: what was written down, by day")
        yield Grid(
            ["day", "block", "what", "said", "who"],
            [[f"{r.date:%d %b %Y}", r.block, r.what, r.said, r.who] for r in log.itertuples()],
            [9, 10, 15, 60, 8],
        )
    yield Words("Signed, date: ______________________________    Reviewed by: ______________________________")


def _row(r: Any, units: System) -> list[str]:
    """A sowing on the page to sign."""

    def day(value: Any) -> str:
        return f"{value:%d %b %Y}" if isinstance(value, pd.Timestamp) and pd.notna(value) else ""

    def joined(*words: str, between: str = ", ") -> str:
        return between.join(w for w in words if w)

    true = write(r.true_rate_kg_ha, "kg_ha", units) if r.true_rate_kg_ha != "" else ""
    used = write(1000 * r.seed_used_kg, "g", units) if r.seed_used_kg != "" else ""
    late = f" ({r.days_late:+d} d)" if isinstance(r.days_late, int) and r.days_late else ""
    other = f" (sown instead: {r.cover_sown})" if not r.cover and r.cover_sown else ""
    tag = {"yes": "tag kept", "no": "no tag"}.get(r.seed_tag_kept, "")
    planned_rate = write(r.rate_kg_ha, "kg_ha", units) if r.rate_kg_ha == r.rate_kg_ha else ""
    planned_seed = write(r.seed_g, "g", units) if r.seed_g else ""
    depth = write(r.depth_done_mm, "mm", units) if r.depth_done_mm != "" else ""
    fit, set_on = day(r.ready_on), day(r.next_crop_set)
    end = f"{day(r.planned_end_by)}: {r.planned_end_how.split(';')[0]}" if day(r.planned_end_by) else ""
    return [
        f"{r.block if r.field == r.block else f'{r.block} ({r.field})'}, {r.gap}",
        write(r.area_ha * 10_000, "m2", units),
        (f"{r.species} ({r.scientific_name})" if r.scientific_name else r.species) + other,
        joined(planned_rate, true, between=" / "), joined(planned_seed, used, between=" / "),
        joined(r.method_done or r.method, depth), day(r.planned_sowing), day(r.sown_on) + late,
        joined(r.seed_source, r.lot_sown or r.lot, tag), end, joined(day(r.ended_on), r.ended_how),
        joined(fit and f"fit {fit}", set_on and f"set {set_on}"),
        r.sown_by,
    ]  # fmt: skip
