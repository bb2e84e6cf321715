"""Operations and records: what certifiers and cost-share programmes ask for, filled in as far as the plan goes.

The columns are those that the job sheets of the public practice standard for cover crops (USDA NRCS code 340) and the
record-keeping rule of the organic regulation (7 CFR 205.103) ask for; which form it goes into is for the office to say.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from typing import Any

import pandas as pd

from greengap.farm.settings import PURPOSES
from greengap.output.jobs import Grams, Job, reconcile
from greengap.output.paper import Grid, Heading, Part, Words, to_html, to_pdf
from greengap.output.table import to_csv
from greengap.output.workbook import workbook
from greengap.plan import Plan
from greengap.tables import DataFrame, Operation
from greengap.units import ACRE_M2, LB_AC_KG_HA, write

TO_FILL = ("sown_on", "seed_used", "seed_tag_kept", "sown_by", "ended_on", "ended_how", "remarks")


def records_table(plan: Plan, jobs: Sequence[Job]) -> pd.DataFrame:
    """One row for each sowing and species: what is planned, and empty cells for what was done.

    `still_missing` names what the plan does not know and a form asks for.
    """
    rows = [row for job in jobs for row in _of_job(plan, job)]
    return pd.DataFrame(rows)


def _of_job(plan: Plan, job: Job) -> Iterator[dict[str, Any]]:
    gap = next(g for g in plan.gaps.itertuples() if g.gap_id == job.gap_id)
    after = plan.after[(plan.after["gap_id"] == job.gap_id) & (plan.after["cover_id"] == job.cover_id)]
    purposes = "; ".join(PURPOSES[p.key] for p in plan.settings.purposes)
    for seed in job.seeds:
        species = plan.catalogue.species[seed.species]
        lots = plan.order_lines[(plan.order_lines["year"] == job.year) & (plan.order_lines["species"] == seed.species)]
        source = "; ".join(dict.fromkeys(s for s in lots["supplier"] if s))
        lot = "; ".join(dict.fromkeys(s for s in lots["lot"] if s))
        organic, treated = _same(lots["organic"]), _same(lots["treated"])
        missing = [
            word
            for word, known in (
                ("seed source", source or lots["from_where"].eq("shed").all()), ("lot", lot), ("variety", False),
                ("organic or not", organic), ("treated or not", treated), ("seed tag", bool(lots["tag_known"].all())),
                ("date sown", False), ("date ended", False),
            )
            if not known
        ]  # fmt: skip
        yield {
            "year": job.year,
            "field": job.field,
            "block": job.block_id,
            "gap": job.gap_id,
            "area_ha": round(job.area_m2 / 10_000, 4),
            "area_ac": round(job.area_m2 / ACRE_M2, 3),
            "crop_before": _crop(plan, gap.crop_before),
            "purpose": purposes,
            "cover": job.cover,
            "species": species.name,
            "scientific_name": species.scientific_name,
            "variety": "",
            "seed_source": source,
            "lot": lot,
            "organic_seed": organic,
            "treated_seed": treated,
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
            "crop_after": _crop(plan, gap.crop_after),
            "crop_after_from": gap.end + pd.Timedelta(days=1) if _crop(plan, gap.crop_after) else pd.NaT,
            **dict.fromkeys(TO_FILL, ""),
            "still_missing": "; ".join(missing),
        }  # fmt: skip


def _same(column: pd.Series) -> str:
    """The one answer of all lots; empty if they differ or one is silent."""
    if column.isna().any() or len(set(column)) != 1:
        return ""
    return "yes" if bool(column.iloc[0]) else "no"


def _crop(plan: Plan, crop: Any) -> str:
    return plan.catalogue.crop_name(crop) if isinstance(crop, str) and crop else ""


def record_files(plan: Plan, jobs: Sequence[Job], operations: DataFrame[Operation], wanted: Grams) -> dict[str, bytes]:
    """The operations and the records as CSV, in one workbook, and as a page to sign (HTML and PDF).

    Raises
    ------
    Mismatch
        If a table does not hold the seed of the order when it is read again.
    """
    records = records_table(plan, jobs)
    tables = {"operations": pd.DataFrame(operations), "records": records}
    book = workbook(f"Records, {plan.metadata['farm']}", tables)
    names = {plan.catalogue.species[s.species].name: s.species for j in jobs for s in j.seeds}
    files = {f"{name}.csv": to_csv(table).encode("utf-8") for name, table in tables.items()}
    for shown, table in (
        ("records.csv", pd.read_csv(io.BytesIO(files["records.csv"]))),
        ("records.xlsx", pd.read_excel(io.BytesIO(book), sheet_name="records")),
    ):
        sums = table.groupby(["year", "species"])["seed_g"].sum()
        reconcile(shown, {(int(y), names[str(s)]): int(g) for (y, s), g in sums.items()}, wanted)
    title = f"Cover crop records, {plan.metadata['farm']}"
    parts = list(_parts(plan, records, title))
    foot = f"greengap {plan.metadata['program_version']}, catalogue {plan.metadata['catalogue_version']}"
    pdf = to_pdf(title, parts, foot, letter=plan.settings.units == "us")
    return files | {"records.xlsx": book, "records.html": to_html(title, parts).encode(), "records.pdf": pdf}


def _parts(plan: Plan, records: pd.DataFrame, title: str) -> Iterator[Part]:
    units = plan.settings.units
    yield Heading(title, 1)
    if plan.metadata["note"]:
        yield Words(plan.metadata["note"])
    yield Words(
        "Planned is printed, done is written by hand on the day. Keep seed tags, receipts and this page as long as "
        "your certifier or contract asks for. Dates in a contract come before dates printed here."
    )
    for year, some in records.groupby("year", sort=True):
        yield Heading(f"Sown in {year}")
        rows = [
            [
                r.block if r.field == r.block else f"{r.block} ({r.field})", write(r.area_ha * 10_000, "m2", units),
                f"{r.species} ({r.scientific_name})" if r.scientific_name else r.species,
                write(r.rate_kg_ha, "kg_ha", units), write(r.seed_g, "g", units), r.method,
                f"{r.planned_sowing:%d %b}", ", ".join(s for s in (r.seed_source, r.lot) if s), "", "", "",
                f"{r.planned_end_by:%d %b}: {r.planned_end_how.split(';')[0]}", "", "",
            ]
            for r in some.itertuples()
        ]  # fmt: skip
        yield Grid(
            ["block (field)", "area", "species", "rate", "seed", "how", "planned", "source, lot", "lot and tag",
             "sown on", "used", "to end by", "ended on, how", "who"],
            rows, [13, 7, 15, 8, 10, 7, 9, 10, 10, 8, 7, 13, 11, 6], frozenset({1, 3, 4}),
        )  # fmt: skip
    yield Words("Signed, date: ______________________________    Reviewed by: ______________________________")
