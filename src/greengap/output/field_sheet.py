"""Field sheets: what one page for the tractor says of a sowing, and the cover sheet with the year on it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pandas as pd

from greengap.advice.cautions import WHOLE_FARM
from greengap.advice.drill import calibration, farm_drill
from greengap.advice.options import NO_COVER
from greengap.advice.seeding import plants_per_m2, seed_needs
from greengap.farm_input import Farm
from greengap.output.files import write_bytes
from greengap.output.jobs import Grams, Job, list_jobs, order_grams, reconcile
from greengap.output.operations import DAY, Emergence, count_after_d, emergence, seedbed_words, window_words
from greengap.output.passes import pass_words
from greengap.output.stand_text import again_in_words, limit_cells, percent
from greengap.plan import Plan
from greengap.stand_worked_out import StandTables, work_out_stand
from greengap.tables import Allocation, Calibration, DataFrame
from greengap.units import FOOT_M, INCH_MM, LB_AC_KG_HA, POUND_KG, System, write

FINGER_JOINT_MM = 25.0
RING_M2 = 0.1
FRAMES = 6
WEEDS_ON_PAPER = (0.0, 0.01, 0.05)  # of those that a stand is worked out for
# Codes of what is written down in the field, in the order of a season; the same in every sheet, so that typing them
# in the evening needs no looking up.
BOXES = (
    ("cl", "crop before off"), ("so", "sown on"), ("bd", "beds, area done"), ("kg", "seed used"), ("lf", "seed left"),
    ("lo", "lot, tag kept"), ("de", "depth found"), ("ms", "soil: crumbly / ball"), ("wx", "weather"), ("by", "who"),
    ("ct", "counted on"), ("fl", "first flower"), ("en", "ended on, tool"), ("ht", "height then"),
    ("sd", "seed seen: y / n"), ("rd", "ready on"), ("nx", "next crop set"),
)  # fmt: skip


@dataclass(frozen=True)
class Section:
    """A heading with lines under it; `rows` is a small table, its first row the heading."""

    title: str
    lines: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    widths: tuple[float, ...] = ()


@dataclass(frozen=True)
class Sheet:
    """One page."""

    job: Job
    title: str
    under: str
    note: str
    code: str
    left: tuple[Section, ...]
    right: tuple[Section, ...]
    foot: str


@dataclass(frozen=True)
class CalendarRow:
    """One sowing on the cover sheet."""

    block: str
    cover: str
    load: str
    sow_from: pd.Timestamp
    sow_best: pd.Timestamp
    sow_until: pd.Timestamp
    count_on: pd.Timestamp | None
    end_from: pd.Timestamp
    end_by: pd.Timestamp
    by_frost: bool
    next_on: pd.Timestamp | None
    next_crop: str
    below_odds: bool


@dataclass(frozen=True)
class CoverSheet:
    """A year of the farm on a page."""

    year: int
    title: str
    note: str
    rows: tuple[CalendarRow, ...]
    seed: tuple[tuple[str, ...], ...]
    cautions: tuple[str, ...]
    limits: tuple[str, ...]
    foot: str


@dataclass
class _Look:
    """Tables of a plan by what a sheet asks for."""

    plan: Plan
    slips: DataFrame[Calibration]
    rungs: dict[tuple[str, int], int]  # grams of a rung
    stands: Mapping[str, StandTables] = field(default_factory=dict)  # worked out beforehand, by gap
    gaps: dict[str, Any] = field(default_factory=dict)


def stands_beforehand(farm: Farm, plan: Plan, jobs: Sequence[Job]) -> dict[str, StandTables]:
    """The stand check of each sowing worked out for the day of the count, by gap."""
    found = {}
    for job in jobs:
        up = emergence(plan, job.row.option_id)
        if up is not None:
            look_on = row_day(job, count_after_d(plan, up))
            found[job.gap_id] = work_out_stand(farm, job.gap_id, job.row.cover_id, job.row.sow_best, look_on, plan)
    return found


def make_sheets(
    plan: Plan, jobs: Sequence[Job], page: str | None = None, stands: Mapping[str, StandTables] | None = None
) -> list[Sheet]:
    """What each sheet says.

    Parameters
    ----------
    plan : Plan
    jobs : sequence of Job
    page : str, optional
        Address of the farm's page, which the code opens; without it the code is the record as text, to be filled in.
    stands : mapping of gap_id to StandTables, optional
        Then a sheet has the counts at which the stand is kept or sown again, see `stands_beforehand`.

    Returns
    -------
    list of Sheet
    """
    slips = calibration(plan.seed_need, plan.order_lines, plan.catalogue, farm_drill(plan.settings.machinery))
    look = _Look(plan, slips, rung_grams(plan), stands or {}, {g.gap_id: g for g in plan.gaps.itertuples()})
    return [_sheet(look, job, page) for job in jobs]


def rung_grams(plan: Plan) -> dict[tuple[str, int], int]:
    """Seed for each rung below the first, if it has to be sown instead [g]."""
    ids = {(o.gap_id, o.cover_id, o.sow_date): o.option_id for o in plan.options.itertuples()}
    out: dict[tuple[str, int], int] = {}
    for number, rungs in plan.ladder[(plan.ladder["rung"] > 1) & (plan.ladder["cover_id"] != NO_COVER)].groupby("rung"):
        rows = [
            {"gap_id": r.gap_id, "block_id": r.block_id, "cover_id": r.cover_id, "option_id": option}
            for r in rungs.itertuples()
            if (option := ids.get((r.gap_id, r.cover_id, r.sow_until))) is not None
        ]
        if not rows:
            continue
        need = seed_needs(
            Allocation.validate(pd.DataFrame(rows)), plan.options, plan.blocks, plan.catalogue, plan.settings.equipment,
            plan.settings.seed_lots,
        )  # fmt: skip
        out |= {(str(g), int(str(number))): int(s) for g, s in need.groupby("gap_id")["seed_g"].sum().items()}
    return out


def _sheet(look: _Look, job: Job, page: str | None) -> Sheet:
    plan, gap = look.plan, look.gaps[job.gap_id]
    meta = plan.metadata
    before, after = (
        plan.catalogue.crop_name(c) if isinstance(c, str) and c else "" for c in (gap.crop_before, gap.crop_after)
    )
    around = ", ".join(word for word in (before and f"after {before}", after and f"before {after}") if word)
    place = "" if job.field == job.block_id else f"{job.field}, "
    under = f"{place}gap {job.gap_id}, {gap.start:%d %b %Y} to {gap.end:%d %b %Y}" + (f", {around}" if around else "")
    prints = f"plan {'-'.join(str(meta[k]) for k in ('program_version', 'catalogue_version'))}"
    inputs = meta.get("inputs", {})
    foot = (
        f"{meta['farm']}. {prints}, inputs {fingerprint(inputs)}. Made from {meta['weather_years']} weather years, "
        f"{meta['weather_first_year']} to {meta['weather_last_year']}. A prediction, not a promise: look at the block."
    )
    left = (_sow(look, job), _seedbed(look, job, gap), _slip(look, job), _ladder(look, job))
    right = (
        *_driving(plan, job),
        _look_at(look, job),
        *_keep_or_not(look, job),
        _end(look, job, gap),
        _do_not(plan, job),
    )
    return Sheet(job, job.block_id, under, meta["note"], record_code(job, page), left, right, foot)


def fingerprint(inputs: dict[str, str]) -> str:
    """Eight letters that change with any file that the plan was made from."""
    import hashlib

    joined = "\n".join(f"{name} {digest}" for name, digest in sorted(inputs.items()))
    return hashlib.sha256(joined.encode()).hexdigest()[:8]


def record_code(job: Job, page: str | None) -> str:
    """What the code on a sheet says: an address, or the start of a record."""
    if page:
        return f"{page.rstrip('/')}/#block={quote(job.block_id, safe='')}&gap={quote(job.gap_id, safe='')}"
    return f"{job.gap_id} so  kg  lf  by  (record {job.uid})"


def _sow(look: _Look, job: Job) -> Section:
    plan, units = look.plan, look.plan.settings.units
    spacing = plan.settings.machinery.row_spacing_m
    net = sum(s.rate_kg_ha for s in job.seeds) * job.area_m2 / 10
    rows = [("Load", f"{kilos(job.grams, units)} for {write(job.area_m2, 'm2', units)}")]
    for box, seeds in job.boxes.items():
        rate = (
            f"{rate_words(sum(s.rate_kg_ha for s in seeds), units)}, {density(sum(s.seeds_m2 for s in seeds), units)}"
        )
        rows.append((f"Rate, box {box}" if len(job.boxes) > 1 else "Rate", rate))
        if len(job.seeds) > 1:
            rows.append(("", "; ".join(f"{s.name} {kilos(s.grams, units)}" for s in seeds)))
    for depth in sorted({s.depth_mm for s in job.seeds}):
        some = [s.name for s in job.seeds if s.depth_mm == depth]
        names = f" ({', '.join(some)})" if len(some) < len(job.seeds) else ""
        rows.append(("Depth", f"{write(depth, 'depth_mm', units)}, {finger_joints(depth)}{names}"))
    if job.method == "drilled":
        rows.append(("Rows", f"{_row_width(spacing, units)} apart" if spacing else "spacing not entered: ________"))
    rows.append(("How", "drilled" if job.method == "drilled" else "broadcast, then covered shallow"))
    rows.append(("Should be left", f"{kilos(max(round(job.grams - net), 0), units)} if nothing is sown twice"))
    groups = sorted({g for s in job.seeds if (g := plan.catalogue.species[s.species].text("inoculant"))})
    if groups:
        rows.append(("Inoculant", f"{', '.join(groups)}, on the day"))
    return Section(f"1  Sow {job.cover.lower()}", (window_words(job),), tuple(rows), (0.31, 0.69))


def _row_width(spacing_m: float, units: System) -> str:
    return f"{spacing_m * 100:.1f} cm" if units == "metric" else f"{spacing_m * 1000 / INCH_MM:.1f} in"


def kilos(grams: float, units: System) -> str:
    """A load as it is weighed: grams below a kilogram, else kilograms."""
    if units == "us":
        return f"{grams / 1000 / POUND_KG:,.2f} lb"
    return (
        f"{grams:,.0f} g"
        if grams < 1000
        else f"{grams / 1000:,.1f} kg"
        if grams >= 20_000
        else f"{grams / 1000:,.2f} kg"
    )


def density(per_m2: float, units: System) -> str:
    """Seeds or plants on a unit of ground."""
    value, unit = (per_m2, "m²") if units == "metric" else (per_m2 * FOOT_M**2, "ft²")
    return f"{value:,.0f} seeds/{unit}" if value >= 20 else f"{value:,.1f} seeds/{unit}"


def rate_words(rate_kg_ha: float, units: System) -> str:
    """A rate with one decimal where it is small."""
    value, unit = (rate_kg_ha, "kg/ha") if units == "metric" else (rate_kg_ha / LB_AC_KG_HA, "lb/ac")
    return f"{value:.1f} {unit}" if value < 20 else f"{value:.0f} {unit}"


def finger_joints(depth_mm: float) -> str:
    """Depth by the hand.

    Examples
    --------
    >>> finger_joints(25.4), finger_joints(50.8), finger_joints(5)
    ('about 1 finger joint', 'about 2 finger joints', 'less than half a finger joint')
    """
    halves = round(2 * depth_mm / FINGER_JOINT_MM)
    if halves < 1:
        return "less than half a finger joint"
    if halves == 1:
        return "about half a finger joint"
    joints = f"{halves // 2}{'½' if halves % 2 else ''}"
    return f"about {joints} finger joint{'s' if halves > 2 else ''}"


def _seedbed(look: _Look, job: Job, gap: Any) -> Section:
    plan = look.plan
    lines = [seedbed_words(plan, gap)]
    clocks = plan.clocks[(plan.clocks["gap_id"] == job.gap_id) & (plan.clocks["cover_id"] == job.cover_id)]
    for clock in clocks.itertuples():
        if clock.clock == "canopy":
            lines.append(f"It closes before the weeds do in {clock.holds_years} of {clock.years} years.")
        elif clock.clock == "seedbed":
            lines.append(f"The seedbed is fit in time in {clock.holds_years} of {clock.years} years.")
    lines.append("Weeds that are up when you sow stay ahead: kill them shallow first, without new soil coming up.")
    return Section("2  Seedbed and weeds", tuple(lines))


def _slip(look: _Look, job: Job) -> Section:
    units = look.plan.settings.units
    slips = look.slips[(look.slips["year"] == job.year) & (look.slips["cover_id"] == job.cover_id)]
    rows: list[tuple[str, ...]] = [("box: seed", "catch on", "target", "caught 1", "caught 2", "true rate")]
    for r in slips.itertuples():
        area = ("1/100 ac", r.g_per_hundredth_acre) if units == "us" else ("100 m²", r.g_per_100_m2)
        ways = [area]
        if job.method == "drilled" and not math.isnan(r.g_per_100_m_row):
            ways.append(("100 m of one row" if units == "metric" else "328 ft of one row", r.g_per_100_m_row))
        if not math.isnan(r.g_per_wheel_turns):
            ways.append((f"{r.wheel_turns:.0f} turns of the wheel", r.g_per_wheel_turns))
        for number, (way, grams) in enumerate(ways):
            rows.append((f"{r.box}: {r.species}" if number == 0 else "", way, weighed(grams), "", "", ""))
    tolerance = f"{slips['tolerance_fraction'].iloc[0]:.0%}" if len(slips) else "5%"
    halves = job.grams // 2
    lines = (
        f"With this lot, box half full. Keep the setting when two catches running are within {tolerance}. New opening "
        "= old opening x target / caught. True rate = rate x caught / target.",
        f"By hand: {kilos(halves, units)} one way, {kilos(job.grams - halves, units)} crosswise.",
    )
    return Section("3  Set the drill", lines, tuple(rows), (0.25, 0.25, 0.14, 0.12, 0.12, 0.12))


def weighed(grams: float) -> str:
    """Grams as a kitchen scale shows them."""
    return f"{grams:,.0f} g" if grams >= 100 else f"{grams:.1f} g"


def _ladder(look: _Look, job: Job) -> Section:
    plan, units = look.plan, look.plan.settings.units
    rungs = plan.ladder[plan.ladder["gap_id"] == job.gap_id]
    rows: list[tuple[str, ...]] = [("until", "sow", "load", "by hand, each half")]
    lines: tuple[str, ...] = ()
    last = rungs.loc[rungs["cover_id"] != NO_COVER, "sow_until"].max()
    if job.row.sow_best > last:  # only what has been sown already stands on such a day
        past = f"It was sown on {job.row.sow_best:%d %b}, after the last day of its ladder, which was {last:%d %b}."
        return Section("4  If the day slips", (past,))
    for r in rungs.itertuples():
        if r.cover_id == NO_COVER:
            lines = (f"From {r.sow_from:%d %b}: sow nothing. Harrow shallow every 10 days or tarp; keep it clean.",)
            continue
        grams = job.grams if r.rung == 1 else look.rungs.get((job.gap_id, r.rung), 0)
        odds = f"{r.holds_years} of {r.years} years" + (", below your odds" if r.below_wanted_odds else "")
        half = kilos(grams / 2, units) if grams else ""
        name = plan.catalogue.covers[r.cover_id].name
        rows.append((f"{r.sow_until:%d %b}", f"{name} ({odds})", kilos(grams, units) if grams else "", half))
    return Section("4  If the day slips", lines, tuple(rows), (0.13, 0.49, 0.17, 0.21))


def _driving(plan: Plan, job: Job) -> tuple[Section, ...]:
    return () if job.passes is None else (Section("Passes", tuple(pass_words(job.passes, plan.settings.units))),)


def _look_at(look: _Look, job: Job) -> Section:
    plan, units = look.plan, look.plan.settings.units
    up = emergence(plan, job.row.option_id)
    frame_m2, frame = (RING_M2, "ring of 0.1 m²") if units == "metric" else (FOOT_M**2, "square foot")
    lines = []
    if up is None:
        lines.append("It comes up in none of the weather years: ask before you sow.")
    else:
        best, late = job.row.sow_best, up.late_d
        lines.append(
            f"Sown {best:%d %b}, it is up between {best + up.early_d * DAY:%d %b} and {best + late * DAY:%d %b} "
            f"({up.years} of {up.of_years} years)."
        )
        after_d = count_after_d(plan, up)
        lines.append(
            f"Count {after_d} days after sowing (about {best + after_d * DAY:%d %b}), in {FRAMES} places, per {frame}:"
        )
    rates = plan.rates[plan.rates["gap_id"] == job.gap_id]
    stand = look.stands.get(job.gap_id)
    bound = "failed below" if stand is None else "full stand"
    rows: list[tuple[str, ...]] = [("pl  per frame", "expect", bound, *(str(n + 1) for n in range(FRAMES)))]
    share = plan.catalogue.rule("stand_failure_share") if stand is None else 1.0
    for r in rates.itertuples():
        species = plan.catalogue.species[r.species]
        aim = plants_per_m2(species, r.share_of_sole_rate, 1.0, plan.catalogue)
        low, high = r.plants_p10_m2 * frame_m2, r.plants_p90_m2 * frame_m2
        expect = f"{low:.0f}" if round(low) == round(high) else f"{low:.0f} to {high:.0f}"
        rows.append((species.name, expect, f"{aim * share * frame_m2:.0f}", *[""] * FRAMES))
    rows.append(("wd  weeds", "", "", *[""] * FRAMES))
    if stand is None:
        lines += _failed(look, job, up)
    return Section("5  Look", tuple(lines), tuple(rows), (0.23, 0.15, 0.14, *[0.08] * FRAMES))


def _failed(look: _Look, job: Job, up: Emergence | None) -> list[str]:
    """What to do with a stand that failed, by the ladder."""
    plan = look.plan
    sown = plan.ladder[(plan.ladder["gap_id"] == job.gap_id) & (plan.ladder["cover_id"] != NO_COVER)]
    last = sown["sow_until"].max() if len(sown) else pd.NaT
    if up is not None and pd.notna(last) and row_day(job, count_after_d(plan, up)) < last:
        return [f"Failed: sow again until {last:%d %b} by the ladder, else harrow and keep it clean."]
    return ["Failed: by then no sowing of the ladder keeps your odds. Harrow shallow and keep it clean."]


def _keep_or_not(look: _Look, job: Job) -> tuple[Section, ...]:
    """Counts at which the verdict turns, for this block; what can be done then, and until when."""
    plan, units = look.plan, look.plan.settings.units
    stand = look.stands.get(job.gap_id)
    if stand is None:
        return ()
    frame_m2 = RING_M2 if units == "metric" else FOOT_M**2
    rows: list[tuple[str, ...]] = [("weeds cover", "keep from", "act below", "then")]
    for r in stand.limits[stand.limits["weed_cover_fraction"].isin(WEEDS_ON_PAPER)].itertuples():
        weeds = "nothing" if r.weed_cover_fraction == 0 else percent(r.weed_cover_fraction)
        rows.append((weeds, *limit_cells(r, frame_m2), str(r.instead) or "keep any"))
    one, five = (write(stand.work.limit_m2(n / frame_m2), "m2", units) for n in (1, 5))
    by_hand = (
        f"With {stand.work.hours:.0f} hours one weed in a frame can be pulled on {one}, five on {five}; not on more."
    )
    lines = (
        "Mean of the frames, all species together; between the two it is a coin toss. Weeds half as tall as the cover "
        "count half. These limits are the program's own, run for this block.",
        f"{again_in_words(stand, plan.catalogue)} {by_hand}",
    )
    return (Section("Keep it?", lines, tuple(rows), (0.25, 0.2, 0.2, 0.35)),)


def row_day(job: Job, after_d: int) -> pd.Timestamp:
    """Day some days after the best sowing day."""
    return job.row.sow_best + after_d * DAY


def _end(look: _Look, job: Job, gap: Any) -> Section:
    plan, row = look.plan, job.row
    after = plan.after[(plan.after["gap_id"] == job.gap_id) & (plan.after["cover_id"] == job.cover_id)]
    odds = plan.odds[plan.odds["option_id"] == row.option_id].iloc[0]
    how = after["method"].iloc[0] if len(after) else "end it"
    lines = []
    if pd.notna(odds["first_flower"]):
        lines.append(
            f"First flower about {odds['first_flower']:%d %b}; bees are in it until {odds['last_flower']:%d %b}."
        )
    else:
        lines.append("No flowers in most years. If it does flower, end it before seed.")
    if row.ended_by == "frost":
        lines.append(f"{how[0].upper()}{how[1:]}. In one year of ten before {row.terminate_by:%d %b}.")
    else:
        first = "" if pd.isna(row.terminate_from) else f"Not needed before {row.terminate_from:%d %b}. "
        lines.append(f"{first}End it by {row.terminate_by:%d %b %Y}: {how}.")
    if len(after) and isinstance(gap.crop_after, str) and gap.crop_after:
        a = after.iloc[0]
        low, high = round(a["waiting_p10_d"]), round(a["waiting_p90_d"])
        driver = {"minimum": "the least wait"}.get(a["waiting_driver"], a["waiting_driver"])
        wait = f"{a['waiting_p50_d']:.0f} days{f' ({low} to {high})' if low != high else ''}, set by {driver}"
        crop = plan.catalogue.crop_name(gap.crop_after)
        lines.append(f"Wait {wait}; {crop} from {gap.end + DAY:%d %b %Y} in {a['ready_years']} of {a['years']} years.")
    return Section("6  Flowers, end, wait", tuple(lines))


def _do_not(plan: Plan, job: Job) -> Section:
    here = plan.cautions[plan.cautions["gap_id"] == job.gap_id]
    farm = plan.cautions[plan.cautions["gap_id"] == WHOLE_FARM]
    lines = [f"{c.hazard[0].upper()}{c.hazard[1:]}: {c.caution} Ask: {c.defers_to}." for c in here.itertuples()]
    lines += [v.verdict for v in plan.label_intervals.itertuples() if v.gap_id == job.gap_id]
    if len(farm):
        lines.append(f"On the cover sheet, and they hold here too: {'; '.join(farm['hazard'])}.")
    return Section("7  Do not, and ask", tuple(lines))


# --- cover sheet -------------------------------------------------------------------------------


def cover_sheets(plan: Plan, jobs: Sequence[Job]) -> list[CoverSheet]:
    """One for each year of sowing."""
    meta, units = plan.metadata, plan.settings.units
    below = set(plan.seed_need.loc[plan.seed_need["below_wanted_odds"], "gap_id"])
    gaps = {g.gap_id: g for g in plan.gaps.itertuples()}
    farm = plan.cautions[plan.cautions["gap_id"] == WHOLE_FARM]
    cautions = tuple(f"{c.hazard[0].upper()}{c.hazard[1:]}: {c.caution} Ask: {c.defers_to}." for c in farm.itertuples())
    made = f"greengap {meta['program_version']}, catalogue {meta['catalogue_version']}"
    foot = f"{made}, inputs {fingerprint(meta.get('inputs', {}))}"
    out = []
    for year in sorted({j.year for j in jobs}):
        some = [j for j in jobs if j.year == year]
        totals: dict[str, int] = {}
        for seed in (s for j in some for s in j.seeds):
            totals[seed.name] = totals.get(seed.name, 0) + seed.grams
        seeds = tuple((name, kilos(g, units), f"{g:,} g") for name, g in sorted(totals.items()))
        out.append(
            CoverSheet(
                year, f"{meta['farm']}: covers sown in {year}", meta["note"],
                tuple(_calendar_row(plan, j, gaps[j.gap_id], j.gap_id in below) for j in some), seeds, cautions,
                tuple(meta["limits"]), foot,
            )
        )  # fmt: skip
    return out


def _calendar_row(plan: Plan, job: Job, gap: Any, below: bool) -> CalendarRow:
    up, row = emergence(plan, job.row.option_id), job.row
    has_next = isinstance(gap.crop_after, str) and bool(gap.crop_after)
    return CalendarRow(
        job.block_id, job.cover, kilos(job.grams, plan.settings.units), job.sow_from, row.sow_best, job.sow_until,
        None if up is None else row.sow_best + count_after_d(plan, up) * DAY,
        row.terminate_by if pd.isna(row.terminate_from) else min(row.terminate_from, row.terminate_by),
        row.terminate_by,
        row.ended_by == "frost", gap.end + DAY if has_next else None,
        plan.catalogue.crop_name(gap.crop_after) if has_next else "", below,
    )  # fmt: skip


# --- files -------------------------------------------------------------------------------------


def sheet_files(
    plan: Plan,
    jobs: Sequence[Job],
    wanted: Grams,
    letter: bool | None = None,
    page: str | None = None,
    stands: Mapping[str, StandTables] | None = None,
) -> dict[str, bytes]:
    """The sheets as one PDF.

    Raises
    ------
    Mismatch
        If the grams that are printed are not those of the order.
    """
    from greengap.output.sheet_page import to_pdf

    sheets, covers = make_sheets(plan, jobs, page, stands), cover_sheets(plan, jobs)
    names = {s.name: s.species for j in jobs for s in j.seeds}
    printed = {(c.year, names[row[0]]): int(row[2].split()[0].replace(",", "")) for c in covers for row in c.seed}
    reconcile("field_sheets.pdf", printed, wanted)
    us = plan.settings.units == "us"
    return {"field_sheets.pdf": to_pdf(plan, covers, sheets, us if letter is None else letter)}


def write_sheets(
    farm: Farm,
    plan: Plan,
    folder: Path,
    blocks: Sequence[str] | None,
    year: int | None,
    letter: bool,
    page: str | None,
) -> tuple[Path, int]:
    """Write the sheets of some blocks, or of all; gives the file and its number of pages, 0 without one."""
    jobs = [j for j in list_jobs(plan, year) if not blocks or j.block_id in blocks]
    path = folder / "field_sheets.pdf"
    if not jobs:
        return path, 0
    wanted = order_grams(plan, year)
    if blocks:
        wanted = {}
        for job in jobs:
            for seed in job.seeds:
                wanted[job.year, seed.species] = wanted.get((job.year, seed.species), 0) + seed.grams
    raw = sheet_files(plan, jobs, wanted, letter, page, stands_beforehand(farm, plan, jobs))["field_sheets.pdf"]
    write_bytes(path, raw)
    return path, raw.count(b"/Type /Page\n")
