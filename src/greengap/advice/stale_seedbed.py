"""The stale seedbed: how much of the first flush of weeds is up by which day, and when the pass that kills it falls."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from greengap.advice.clean_ground import DAY, PlanTables, quantiles
from greengap.catalogue import Catalogue
from greengap.process.clean_ground import CleanRun
from greengap.tables import DataFrame, Flush, StaleSeedbed


def flush_tables(
    gaps: pd.DataFrame,
    runs: Mapping[str, CleanRun],
    plan: PlanTables,
    compared: Mapping[str, tuple[str, str]],
    wanted: float,
    can_harrow: bool,
    catalogue: Catalogue,
) -> tuple[DataFrame[Flush], DataFrame[StaleSeedbed]]:
    """Share of the flush that is up by date, and the day of the killing pass.

    Parameters
    ----------
    gaps : DataFrame[Gap]
    runs : mapping of block_id to CleanRun
        Of the gaps of each block, in their order.
    plan : PlanTables
        Of the covers that are compared.
    compared : mapping of gap_id to (cover_id, option_id)
        The cover that would be sown after it, and its option in the plan.
    wanted : float
        Share of the weather years that have to hold.
    can_harrow : bool
        Whether the farm has what kills the flush.
    catalogue : Catalogue

    Returns
    -------
    flush : DataFrame[Flush]
        Stepped as sowing dates are, from the clean bed to the end of the gap.
    stale : DataFrame[StaleSeedbed]
        One row for every gap.
    """
    sown = plan.options.merge(plan.odds[["option_id", "holds_years", "years"]], on="option_id")
    dates = {str(gap): part.sort_values("sow_date") for gap, part in sown.groupby("gap_id")}
    rows: dict[str, list[dict[str, Any]]] = {}
    stale: dict[str, dict[str, Any]] = {}
    for block, run in runs.items():
        here = gaps[gaps["block_id"] == block]
        ids, has_next = [str(g) for g in here["gap_id"]], [bool(c) for c in here["crop_after"].fillna("")]
        up, passes, none = run.flush, run.harrowings, run.days.dates.size
        due = (
            np.where(passes[0] < none, passes[0] - run.start, np.inf)
            if len(passes)
            else np.full(run.start.shape, np.inf)
        )
        for k, gap_id in enumerate(ids):
            cover, option = compared.get(gap_id, ("", ""))
            rows[gap_id] = _by_date(gap_id, run, k, up[k], due[k], catalogue)
            stale[gap_id] = _killing_pass(
                gap_id, block, run, k, up[k], due[k], cover, dates.get(gap_id), option, wanted, can_harrow,
                has_next[k], catalogue,
            )  # fmt: skip
    flush = [row for gap_id in gaps["gap_id"] for row in rows[str(gap_id)]]
    return (
        Flush.validate(pd.DataFrame(flush, columns=list(Flush.to_schema().columns))),
        StaleSeedbed.validate(
            pd.DataFrame([stale[str(g)] for g in gaps["gap_id"]], columns=list(StaleSeedbed.to_schema().columns))
        ),
    )


def _by_date(
    gap_id: str, run: CleanRun, k: int, up: np.ndarray, due: np.ndarray, catalogue: Catalogue
) -> list[dict[str, Any]]:
    """The flush of one gap by date."""
    rule, length, ran = catalogue.rule, int(run.length[k]), run.ran[k]
    if not ran.any():
        return []
    step = int(rule("sowing_step_fine" if length <= rule("short_gap") else "sowing_step"))
    days = sorted({*range(0, length + 1, step), length})
    shares = up[ran][:, days].T
    low, middle, high = quantiles(shares, np.ones(shares.shape, dtype=bool), (0.1, 0.5, 0.9))
    return [
        {
            "gap_id": gap_id,
            "date": run.stretches[k].first + day * DAY,
            "after_d": day,
            "up_p10_share": low[i],
            "up_p50_share": middle[i],
            "up_p90_share": high[i],
            "up_years": int((shares[i] >= run.rules.flush_share).sum()),
            "killed_years": int((due[ran] <= day).sum()),
            "years": int(ran.sum()),
        }
        for i, day in enumerate(days)
    ]


def kept_by(days: np.ndarray, wanted: float) -> float:
    """Day by which a thing has come in the wanted share of years; infinite if it has not.

    Examples
    --------
    >>> kept_by(np.array([9.0, 12.0, 10.0, 30.0, np.inf]), 0.8)
    30.0
    """
    in_order = np.sort(days)
    return float(in_order[int(np.ceil(wanted * in_order.size - 1e-9)) - 1]) if in_order.size else np.inf


def _killing_pass(
    gap_id: str, block: str, run: CleanRun, k: int, up: np.ndarray, due: np.ndarray, cover: str,
    dates: pd.DataFrame | None, option: str, wanted: float, can_harrow: bool, has_next: bool, catalogue: Catalogue,
) -> dict[str, Any]:  # fmt: skip
    """When the pass falls, what the wait costs, and whether there is time for it."""
    ran, first = run.ran[k], run.stretches[k].first
    years = int(ran.sum())
    row = {
        "gap_id": gap_id, "block_id": block, "cover_id": cover, "kill_on": pd.NaT, "wait_d": np.nan, "killed_years": 0,
        "years": years, "weeds_gone_share": np.nan, "sow_on": pd.NaT, "holds_now_years": 0, "holds_then_years": 0,
        "fits": False,
    }  # fmt: skip
    name = catalogue.covers[cover].name.lower() if cover else ""
    if not can_harrow:
        return row | {"sentence": "A stale seedbed needs a harrow, and there is none."}
    if not years:
        return row | {"sentence": "No weather year covers the gap completely."}
    now = dates[dates["option_id"] == option] if dates is not None else None
    if now is not None and len(now):
        row["holds_now_years"] = int(now["holds_years"].iloc[0])
    wait = kept_by(due[ran], wanted)
    most = int(np.isfinite(due[ran]).sum())
    if not np.isfinite(wait):
        often = f"only in {most} of {years} years" if most else "in no year"
        words = f"{often} is most of a flush up, and the ground fit for a harrow, before the gap ends"
        return row | {"killed_years": most, "sentence": f"A stale seedbed does not fit: {words}."}
    kill = first + int(wait) * DAY
    gone = float(np.median(up[ran][:, int(wait)])) * run.rules.kills
    killed = int((due[ran] <= wait).sum())
    row |= {"kill_on": kill, "wait_d": wait, "killed_years": killed, "weeds_gone_share": gone}
    ready = f"most of the flush is up, and the ground fit, in {killed} of {years} years"
    if cover:
        later = dates[dates["sow_date"] >= kill] if dates is not None else None
        too_late = f"A stale seedbed does not fit before {name}: {ready} by {kill:%d %b}, after {wait:.0f} days"
        if later is None or later.empty:
            return row | {"sentence": f"{too_late}, too late to sow it."}
        then = later.iloc[0]
        held, run_years = int(then["holds_years"]), int(then["years"])
        row |= {"sow_on": then["sow_date"], "holds_then_years": held, "fits": held >= wanted * run_years > 0}
        sown = f"sown on {then['sow_date']:%d %b} it holds in {held} of {run_years} years, on the day of the plan in "
        sown += str(row["holds_now_years"])
        if not row["fits"]:
            return row | {"sentence": f"{too_late}, and {sown}."}
        after = f"; {name} {sown}".replace(" it holds", " holds")
    else:
        row["fits"], after = True, " before the next crop" if has_next else ""
    said = f"Let the weeds come until {kill:%d %b}, {wait:.0f} days: then {ready}. Harrow shallowly"
    return row | {"sentence": f"{said}: {gone:.0%} of the season's weeds are gone{after}."}
