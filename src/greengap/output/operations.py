"""What is to be done when, from seedbed to next crop: the list behind calendar, workbook and field sheets."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from greengap.output.jobs import Job, permanent_id, seed_text
from greengap.plan import Plan
from greengap.tables import DataFrame, Operation
from greengap.units import write

DAY = pd.Timedelta(days=1)


@dataclass(frozen=True)
class Emergence:
    """When a sowing comes up: days from sowing in the early, middle and late year of ten, and in how many years."""

    early_d: int
    middle_d: int
    late_d: int
    years: int
    of_years: int


def emergence(plan: Plan, option_id: str) -> Emergence | None:
    """Days to emergence of the slowest species over the weather years; None if it never comes up."""
    days = plan.season.loc[plan.season["option_id"] == option_id, "emergence_d"].to_numpy(float)
    up = days[~np.isnan(days)]
    if not len(up):
        return None
    early, middle, late = np.percentile(up, [10, 50, 90])
    return Emergence(math.floor(early), round(middle), math.ceil(late), len(up), len(days))


def count_after_d(plan: Plan, up: Emergence) -> int:
    """Days from sowing to the first count of the stand."""
    return up.late_d + int(plan.catalogue.rule("stand_check_after"))


def list_operations(plan: Plan, jobs: Sequence[Job]) -> DataFrame[Operation]:
    """The operations of every sowing, by date and block.

    Parameters
    ----------
    plan : Plan
    jobs : sequence of Job
        Of that plan.

    Returns
    -------
    DataFrame[Operation]
        What counts from sowing is laid from the best day; a sowing on another day moves it.
    """
    columns = list(Operation.to_schema().columns)
    chosen = plan.odds[plan.odds["option_id"].isin([j.row.option_id for j in jobs])]
    odds, gaps = {o.option_id: o for o in chosen.itertuples()}, {g.gap_id: g for g in plan.gaps.itertuples()}
    rows = [row for j in jobs for row in _of_job(plan, j, gaps[j.gap_id], odds[j.row.option_id])]
    table = pd.DataFrame(rows, columns=columns)
    return Operation.validate(
        table.sort_values(["start", "block_id", "operation"], kind="stable").reset_index(drop=True)
    )


def _of_job(plan: Plan, job: Job, gap: Any, odds: Any) -> Iterator[dict[str, Any]]:
    units, row = plan.settings.units, job.row
    after = plan.after[(plan.after["gap_id"] == job.gap_id) & (plan.after["cover_id"] == job.cover_id)]

    def one(operation: str, start: pd.Timestamp, end: pd.Timestamp, what: str, method: str = "") -> dict[str, Any]:
        sown = operation == "sow"
        return {
            "operation_id": permanent_id(job.uid, operation),
            "gap_id": job.gap_id,
            "block_id": job.block_id,
            "field": job.field,
            "operation": operation,
            "start": start,
            "end": max(end, start),
            "cover": job.cover,
            "area_sown_m2": job.area_m2,
            "seed_g": job.grams if sown else 0,
            "seed_g_by_species": seed_text(job) if sown else "",
            "method": method,
            "what": what,
        }

    days = gap.clean_up_d + gap.seedbed_d + plan.settings.stale_seedbed_d
    begin = max(gap.start, job.sow_from - days * DAY)
    yield one("make the seedbed", begin, row.sow_best - DAY, seedbed_words(plan, gap))
    load = f"{write(job.grams, 'g', units)} on {write(job.area_m2, 'm2', units)}"
    yield one("sow", job.sow_from, job.sow_until, f"{job.cover}, {load}. {window_words(job)}", job.method)
    up = emergence(plan, row.option_id)
    if up is not None:
        after_d = count_after_d(plan, up)
        day = row.sow_best + after_d * DAY
        yield one("count the stand", day, day, f"{after_d} days after sowing; up by then in nine years of ten.")
    if pd.notna(odds.first_flower):
        what = "In flower in the middle year: bees are in it. Do not spray it or beside it; read the label."
        yield one("flowering", odds.first_flower, odds.last_flower, what)
    ways = after["method"].iloc[0] if len(after) else ""
    by = row.terminate_by
    if row.ended_by == "frost":
        yield one("end the cover", by, by, "Frost ends it from about here on; look whether it is dead.", ways)
    else:
        first = by if pd.isna(row.terminate_from) else min(row.terminate_from, by)
        yield one("end the cover", first, by, f"By {by:%d %b %Y} at the latest: {ways or 'end it'}.", ways)
    if isinstance(gap.crop_after, str) and gap.crop_after:
        day, crop = gap.end + DAY, plan.catalogue.crop_name(gap.crop_after).capitalize()
        wait = "" if after.empty else f", {after['waiting_p50_d'].iloc[0]:.0f} days after the cover in the middle year"
        yield one("next crop", day, day, f"{crop}{wait}.", str(gap.establishment_after))


def seedbed_words(plan: Plan, gap: Any) -> str:
    """What has to be done before sowing."""
    words = []
    if isinstance(gap.crop_before, str) and gap.crop_before and gap.clean_up_d:
        words.append(f"clear the {plan.catalogue.crop_name(gap.crop_before)} ({gap.clean_up_d} days)")
    words.append(f"seedbed ({gap.seedbed_d} days)")
    if plan.settings.stale_seedbed_d:
        words.append(f"let weeds come for {plan.settings.stale_seedbed_d} days and kill them shallow")
    text = ", ".join(words)
    return f"{text[0].upper()}{text[1:]}. Work it only if it crumbles in the hand."


def window_words(job: Job) -> str:
    """The sowing window with its odds."""
    row = job.row
    odds = f"holds in {row.holds_years} of {row.years} years"
    if pd.isna(row.sow_from):
        return f"On {row.sow_best:%d %b %Y}, {odds}: no date keeps the odds you want."
    if row.sow_from == row.sow_until:
        return f"On {row.sow_best:%d %b %Y} and no other day, {odds}."
    return f"{row.sow_from:%d %b} to {row.sow_until:%d %b %Y}, best {row.sow_best:%d %b} ({odds})."
