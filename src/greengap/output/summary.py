"""What a plan says on a terminal, in plain lines that can be read aloud."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd

from greengap.advice.flowers import flower_lines
from greengap.advice.irrigation import water_lines
from greengap.advice.options import NO_COVER
from greengap.catalogue.learned import learned_sentences
from greengap.errors import Fate, ImportReport
from greengap.plan import Plan
from greengap.tables import DataFrame, Gap
from greengap.units import write


def _day(value: Any, year: bool = False) -> str:
    if pd.isna(value):
        return "-"
    return f"{value:%d %b %Y}" if year else f"{value:%d %b}"


def _gaps(number: int) -> str:
    return f"{number} gap" if number == 1 else f"{number} gaps"


def aligned(rows: list[list[str]]) -> Iterator[str]:
    """Rows as columns of equal width, the first row being the heading."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    for number, row in enumerate(rows):
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        if number == 0:
            yield "  ".join("-" * width for width in widths)


def cover_name(plan: Plan, cover_id: str) -> str:
    """Trade name of a cover; no cover has one too."""
    return plan.catalogue.covers[cover_id].name if cover_id in plan.catalogue.covers else "no cover: keep it clean"


def why_no_cover(plan: Plan, gap_id: str) -> str:
    """Why nothing is sown: too few days, or what stops the cover that comes nearest."""
    covers = plan.recommendation[
        (plan.recommendation["gap_id"] == gap_id) & (plan.recommendation["cover_id"] != NO_COVER)
    ]
    gap = plan.gaps[plan.gaps["gap_id"] == gap_id].iloc[0]
    if not plan.windows["gap_id"].eq(gap_id).any():
        return f"a cover needs {plan.catalogue.rule('shortest_growth'):.0f} days"
    if gap.usable_p50_d < 0 or covers.empty:
        return "no days left"
    failed = covers["limiting_factor"].str.count("; ")
    best = covers.assign(failed=failed).sort_values(
        ["eligible", "failed", "holds_years", "biomass_p50_kg_ha"], ascending=[False, True, False, False], kind="stable"
    )
    best = best.iloc[0]
    return f"nearest is {cover_name(plan, best.cover_id)}: {best.limiting_factor.split('; ')[0]}"


def ending(row: Any) -> str:
    """What ends a cover, and when."""
    date = _day(row.terminate_by)
    match row.ended_by:
        case "frost":
            return f"frost ends it, from {date}"
        case "seed set":
            return f"end by {date}, before seed"
        case _:
            return f"end by {date}, next crop"


def _window(row: Any) -> str:
    if pd.isna(row.sow_best):
        return "-"
    if pd.isna(row.sow_from):
        return f"{_day(row.sow_best)} (odds below aim)"
    if row.sow_from == row.sow_until:
        return f"{_day(row.sow_best)}, no other date"
    return f"{_day(row.sow_from)} to {_day(row.sow_until)}, best {_day(row.sow_best)}"


def summary(plan: Plan) -> Iterator[str]:
    """The plan in short: a line for each gap, the seed order, what was assumed."""
    meta, units = plan.metadata, plan.settings.units
    yield f"{meta['farm']}: {len(plan.blocks)} blocks, {write(plan.blocks['area_sown_m2'].sum(), 'm2', units)}"
    if meta["note"]:
        yield meta["note"]
    yield (
        f"Odds are counts of {meta['weather_years']} weather years, "
        f"{meta['weather_first_year']} to {meta['weather_last_year']}."
    )
    yield f"From the same years, {'; '.join(meta['freeze'])}."
    chosen = plan.allocation.merge(plan.recommendation, on=["gap_id", "block_id", "cover_id", "option_id"])
    chosen = chosen.set_index("gap_id")
    rows = [["gap", "from", "to", "cover", "class", "sow", "end", "odds", "dry matter"]]
    heading = ["gap", "from", "to", "usable days", "why"]
    short, bare = [heading], [heading]
    run = set(plan.windows["gap_id"])
    for gap in plan.gaps.itertuples():
        row = chosen.loc[gap.gap_id]
        dates = [gap.gap_id, _day(gap.start, year=True), _day(gap.end, year=True)]
        if pd.isna(row.sow_best):
            left = bare if gap.gap_id in run else short
            left.append([*dates, f"{max(gap.usable_p50_d, 0)}", why_no_cover(plan, gap.gap_id)])
            continue
        rows.append(
            [
                *dates,
                cover_name(plan, row.cover_id),
                row.suitability_class,
                _window(row),
                ending(row),
                f"{row.holds_years} of {row.years}",
                write(row.biomass_p50_kg_ha, "biomass_kg_ha", units),
            ]
        )
    if len(rows) > 1:
        yield ""
        yield f"Sow ({len(rows) - 1} of {_gaps(len(plan.gaps))})"
        yield from aligned(rows)
    if len(short) > 1:
        yield ""
        yield f"Too short for a cover: keep it clean ({_gaps(len(short) - 1)})"
        yield from aligned(short)
    if len(bare) > 1:
        yield ""
        yield f"No cover of the catalogue fits: bare, unless you know one that does ({_gaps(len(bare) - 1)})"
        yield from aligned(bare)
    if plan.seed_order.empty:
        yield ""
        yield "No cover fits any gap of this farm; there is no seed to order."
        yield ""
        yield from report_lines(plan.report)
        yield ""
        yield from meta["limits"]
        return
    yield ""
    yield "Seed order"
    order = [["species", "year", "seed", "sown area", "needed by", "inoculant", "blocks"]]
    order += [
        [
            r.name,
            str(r.year),
            write(r.seed_g, "g", units),
            write(r.area_sown_m2, "m2", units),
            _day(r.needed_by, year=True),
            r.inoculant_group or "-",
            r.blocks,
        ]
        for r in plan.seed_order.itertuples(index=False)
    ]
    yield from aligned(order)
    weak = int(plan.seed_order["seed_g_below_wanted_odds"].sum())
    if weak:
        wanted = f"{plan.settings.wanted_odds:.0%}"
        yield (
            f"Of it {write(weak, 'g', units)} are for gaps where no date keeps the wanted odds of {wanted}; "
            "think twice before you order that part."
        )
    yield "Bags, lots, inoculant and money: `greengap order`."
    if (plan.water_sets["turns_p90"] > 0).any():
        yield ""
        yield "Water of the irrigation sets"
        yield from water_lines(plan.water_sets, plan.settings)
    yield ""
    yield "Flowers"
    yield from flower_lines(plan.allocation, plan.options, plan.flowers, plan.catalogue)
    yield ""
    yield from report_lines(plan.report)
    yield from learned_sentences(plan.catalogue)
    yield ""
    yield from meta["limits"]


def report_lines(report: ImportReport, most: int = 20) -> Iterator[str]:
    """What was read, what was found in it, what was assumed."""
    for file, read in report.rows_read.items():
        elsewhere = report.rows_elsewhere.get(file, 0)
        aside = f", {elsewhere} do not bear on the blocks" if elsewhere else ""
        yield f"{file}: {read} rows read, {report.rows_used.get(file, 0)} used{aside}"
    for finding in report.findings[:most]:
        area = ""
        if finding.area_before_m2 is not None and finding.area_after_m2 is not None:
            area = f" (area {finding.area_before_m2:.1f} m2 before, {finding.area_after_m2:.1f} m2 after)"
        offer = f"; to have it so: {finding.offer} under [repairs] in farm.toml" if finding.offer else ""
        yield f"  {finding.file}, {finding.place}: {finding.what}{area} [{finding.fate}{offer}]"
    if len(report.findings) > most:
        yield f"  and {len(report.findings) - most} more, all in import_report.csv"
    skipped = sum(f.fate in (Fate.SKIPPED, Fate.REVIEW) for f in report.findings)
    if skipped:
        yield f"  {skipped} rows are not planned."
    if report.assumptions:
        yield "Assumed, since the farm does not say:"
        yield from (f"  - {sentence}" for sentence in report.assumptions)


def gap_lines(gaps: DataFrame[Gap]) -> Iterator[str]:
    """Gaps with their usable days."""
    rows = [["gap", "season", "from", "to", "days", "usable days", "before", "after"]]
    rows += [
        [
            g.gap_id,
            g.season,
            _day(g.start, year=True),
            _day(g.end, year=True),
            str(g.length_d),
            f"{g.usable_p10_d} to {g.usable_p90_d}, usually {g.usable_p50_d}",
            g.crop_before or "-",
            g.crop_after or "-",
        ]
        for g in gaps.itertuples()
    ]
    yield from aligned(rows)


def option_lines(plan: Plan, gap_id: str) -> Iterator[str]:
    """Covers of one gap in rank order, as sentences."""
    for row in plan.recommendation[plan.recommendation["gap_id"] == gap_id].itertuples():
        name = cover_name(plan, row.cover_id)
        if not row.eligible:
            yield f"not possible: {name}. {row.limiting_factor}."
            continue
        dates = f" Sow {_window(row)}; {ending(row)}." if pd.notna(row.sow_best) else ""
        odds = f" Holds in {row.holds_years} of {row.years} years." if row.years else ""
        yield f"{row.rank}. {name}, {row.suitability_class} ({row.score:.2f}).{dates}{odds}"
        yield f"   For: {row.reasons}."
        yield f"   Held back by: {row.limiting_factor}."
