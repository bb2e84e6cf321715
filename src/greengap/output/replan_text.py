"""What today changes in a plan, in lines that can be read aloud, and the pages that take the place of others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

import pandas as pd

from greengap.advice.options import NO_COVER
from greengap.farm.season_record import record_of
from greengap.output.field_sheet import Sheet, make_sheets, write_sheets
from greengap.output.files import write_text
from greengap.output.jobs import list_jobs
from greengap.output.table import to_csv
from greengap.output.write import write_plan
from greengap.plan import Plan
from greengap.replan import Replanned
from greengap.tables import DataFrame, SeasonRecord
from greengap.units import write

SHORT = 45  # letters of a reason that stand in the line of its change
NOT_ON_THE_SHEET = {"job", "foot"}  # the foot names the inputs, which change with every day of weather


def changed_blocks(before: Plan, plan: Plan) -> list[str]:
    """Blocks whose field sheets say something else than before; all other sheets stay valid."""

    def said(of: Plan) -> dict[str, list[tuple[object, ...]]]:
        out: dict[str, list[tuple[object, ...]]] = {}
        for sheet in make_sheets(of, list_jobs(of)):
            out.setdefault(sheet.job.block_id, []).append(_said(sheet))
        return out

    old, new = said(before), said(plan)
    return [block for block in plan.blocks["block_id"] if old.get(block) != new.get(block)]


def _said(sheet: Sheet) -> tuple[object, ...]:
    return tuple(getattr(sheet, f.name) for f in fields(sheet) if f.name not in NOT_ON_THE_SHEET)


def replan_lines(done: Replanned) -> Iterator[str]:
    """The change list, seed that is another than ordered, and what could not be known."""
    counts = done.states["state"].value_counts()
    words = {"past": "over", "ended": "ended", "sown": "standing", "open": "open", "ahead": "ahead"}
    told = ", ".join(f"{counts[key]} {word}" for key, word in words.items() if key in counts)
    yield f"As of {done.as_of:%d %b %Y}: {len(done.states)} gaps, {told}."
    yield from done.notes
    cover = dict(zip(done.before.allocation["gap_id"], done.before.allocation["cover_id"], strict=True))
    unsaid = done.states[(done.states["state"] == "past") & (done.states["rows"] == 0)]
    unsaid = unsaid[unsaid["gap_id"].map(cover) != NO_COVER]
    if len(unsaid):
        yield f"Over, with a cover planned and not a row in the record: {', '.join(unsaid['gap_id'])}."
    yield ""
    if done.changes.empty:
        yield "Nothing changes: what is ahead is as it was planned."
    for gap, mine in done.changes.groupby("gap_id", sort=False):
        yield f"{gap}"
        told = ""
        for c in mine.itertuples():
            days = ""
            if c.days:  # neither 0 nor, in the next line, unknown
                number = abs(c.days)
                days = f", {number:.0f} day{'s' * (number != 1)} {'later' if c.days > 0 else 'sooner'}"
            days = "" if pd.isna(c.days) else days
            yield f"  {c.what}: {c.before} -> {c.now}{days}" + (f" ({c.reason})" if len(c.reason) <= SHORT else "")
            if len(c.reason) > SHORT and c.reason != told:
                yield f"    {c.reason}"
                told = c.reason
    if len(done.seed):
        yield ""
        units = done.plan.settings.units
        for s in done.seed.itertuples():
            more = s.now_g - s.before_g
            verb = "more is needed than was planned" if more > 0 else "is left over"
            yield f"Seed {s.year}, {s.name}: {write(abs(more), 'g', units)} {verb}."


def write_replan(done: Replanned, folder: Path, letter: bool) -> list[Path]:
    """The plan from today, the change list, and field sheets of the blocks whose sheets no longer hold.

    Parameters
    ----------
    done : Replanned
    folder : Path
    letter : bool
        Size of the paper.

    Returns
    -------
    list of Path
        Files written, each whole.
    """
    written = write_plan(done.plan, folder)
    for name in ("changes", "states", "seed"):
        path = folder / ("seed_changes.csv" if name == "seed" else f"{name}.csv")
        write_text(path, to_csv(getattr(done, name)))
        written.append(path)
    blocks = changed_blocks(done.before, done.plan)
    if blocks:
        path, pages = write_sheets(done.farm, done.plan, folder, blocks, None, letter, None)
        if pages:
            written.append(path)
    return written


def decided_rows(done: Replanned, who: str) -> DataFrame[SeasonRecord]:
    """The changed covers of gaps that are not sown yet, as decisions for the record.

    Parameters
    ----------
    done : Replanned
    who : str
        Who has decided.
    """
    cover = dict(zip(done.plan.allocation["gap_id"], done.plan.allocation["cover_id"], strict=True))
    state = dict(zip(done.states["gap_id"], done.states["state"], strict=True))
    day = f"{done.as_of:%Y-%m-%d}"
    rows = [
        {
            "entry_id": f"replan {day} {c.gap_id}", "written": f"{day}T12:00:00Z", "who": who, "what": "decided",
            "date": day, "block_id": c.block_id, "gap_id": c.gap_id,
            "cover_id": "" if cover[c.gap_id] == NO_COVER else cover[c.gap_id],
            "choice": "leave bare" if cover[c.gap_id] == NO_COVER else "sow", "note": c.reason,
        }
        for c in done.changes.itertuples()
        if c.what == "cover" and state[c.gap_id] in ("open", "ahead")
    ]  # fmt: skip
    return record_of(rows)
