"""The plan as of today: what is done stays, what is ahead stays where it can, and what changes is listed with why."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from greengap.advice.next_crop import what_follows
from greengap.advice.options import NO_COVER, list_options
from greengap.advice.progress import gap_states, gaps_by_now, known_by
from greengap.errors import InputProblem
from greengap.farm.season_record import current
from greengap.farm.settings import Choice, suggestion
from greengap.farm_input import Farm
from greengap.plan import Judged, Plan, before_season, join_judged, judge, judged_of, plan_farm, settle
from greengap.process.standing import Standing
from greengap.site.weather_join import splice_season, with_gauge
from greengap.stand_check_of import standing_of
from greengap.tables import Change, DataFrame, Gap, GapState, Option, Recommendation, Rung, SeasonRecord, SeedChange

DAY = pd.Timedelta(days=1)
STANDS = ("sown", "ended")
LEAVE = ("keep clean", "leave bare")  # decisions that leave a gap without a cover


@dataclass(frozen=True)
class Replanned:
    """A plan from today, beside the one before the season.

    Attributes
    ----------
    as_of : Timestamp
    farm : Farm
        With this season's days up to then.
    before, plan : Plan
        As it was planned, and as it is from today.
    states : DataFrame[GapState]
    changes : DataFrame[Change]
    seed : DataFrame[SeedChange]
    notes : tuple of str
        What could not be known or heeded, in words.
    """

    as_of: pd.Timestamp
    farm: Farm
    before: Plan
    plan: Plan
    states: DataFrame[GapState]
    changes: DataFrame[Change]
    seed: DataFrame[SeedChange]
    notes: tuple[str, ...]


def farm_as_of(farm: Farm, as_of: pd.Timestamp, record: DataFrame[SeasonRecord]) -> tuple[Farm, list[str]]:
    """The farm with this season's days up to a day, the rain of its own gauge in them, and what is not known.

    Parameters
    ----------
    farm : Farm
    as_of : Timestamp
    record : DataFrame[SeasonRecord]
        What holds of it.
    """
    rain = record[(record["what"] == "rain") & (record["date"] <= as_of)]
    so_far = farm.so_far
    if so_far is not None:
        so_far = so_far.sel(date=slice(None, as_of))
        so_far = so_far if so_far.sizes["date"] else None
    so_far = with_gauge(so_far, rain.set_index("date")["water_mm"])
    if so_far is None:
        return replace(farm, so_far=None, this_season=None), [
            f"No weather of this season up to {as_of:%d %b %Y} is known (files.this_season, or rain in the record): "
            "what is ahead is run on the weather years as they were."
        ]
    last = pd.Timestamp(so_far["date"].to_numpy()[-1])
    notes = []
    if last < as_of - DAY:
        notes.append(
            f"This season's weather is known up to {last:%d %b %Y}; the days since are each weather year's own."
        )
    if not np.isfinite(so_far["tmin_degc"].to_numpy()).any():
        notes.append("Of this season only rain is known, no temperatures.")
    return replace(farm, so_far=so_far, this_season=splice_season(farm.weather, so_far)), notes


def replan(
    farm: Farm,
    as_of: pd.Timestamp,
    progress: Callable[[int, int], None] | None = None,
    before: Plan | None = None,
    without: Collection[str] = (),
    whole_farm: bool = False,
) -> Replanned:
    """Plan anew from a day on, with what the record says, and change as little as possible.

    Parameters
    ----------
    farm : Farm
        With its record and this season's days.
    as_of : Timestamp
        Rows and days after it are not looked at.
    progress : callable, optional
        Called with (done, total) while seasons are run.
    before : Plan, optional
        The plan before the season, if it is at hand; otherwise it is made.
    without : collection of str
        Species that cannot be had.
    whole_farm : bool
        Also weigh gaps anew that lie ahead and that nothing has touched.

    Returns
    -------
    Replanned
        What has been sown stays, with the days that were kept and from there on with this season's weather. A gap
        that could be sown by now and is not keeps its cover on the nearest day that still keeps the wanted odds; if
        none does, the next rung of its ladder that does, then the best ranked cover, then none. A gap that lies
        ahead keeps everything, unless its days have moved, its seed is not to be had, or `whole_farm` is asked for.

    Raises
    ------
    InputProblem
        If the day lies outside the plan, or a species is not known.
    """
    if unknown := sorted(set(without) - set(farm.catalogue.species)):
        what = f"{unknown[0]:.40} is not a species of the catalogue"
        raise InputProblem("--without", "", what, suggestion(unknown[0], sorted(farm.catalogue.species)))
    record = known_by(current(farm.record), as_of)
    if before is None:
        before = plan_farm(before_season(farm), progress)
    first, last = before.gaps["start"].min(), before.gaps["end"].max()
    if not first - pd.Timedelta(days=366) <= as_of <= last:
        what = f"{as_of:%Y-%m-%d} lies outside the plan, which goes from {first:%Y-%m-%d} to {last:%Y-%m-%d}"
        raise InputProblem("--as-of", "", what, "Name a day of the season")
    season, notes = farm_as_of(farm, as_of, record)
    states = gap_states(before.gaps, record, as_of)
    gaps = gaps_by_now(before.gaps, states)
    missing = _without(before, set(without))
    touched = _touched(before, gaps, states, missing, as_of, whole_farm)
    now = Gap.validate(gaps[gaps["gap_id"].isin(touched)].reset_index(drop=True))
    held = judged_of(before)
    if touched:
        sowable, options = _options(now, states, as_of, season)
        standing = _standing(season, states, touched, as_of, notes)
        anew = judge(_not_wanting(season, missing), sowable, progress, options, standing)
        as_planned = _as_planned(before, states)
        anew = replace(anew, recommendation=_with_windows(before, anew.recommendation, as_planned))
        kept = held.of_gaps(set(gaps["gap_id"]) - touched)
        gaps = _with(gaps, sowable)
        judged = _in_order(join_judged([p for p in (kept, anew) if len(p.recommendation)]), gaps)
        choices, why = _choices(before, now, states, anew, as_of, season.settings.wanted_odds)
    else:
        judged, choices, why, as_planned = held, (), {}, set()
    settings = replace(
        season.settings,
        choices=tuple(c for c in season.settings.choices if not _of_gaps(c, now))
        + _kept(before, gaps, touched)
        + choices,
    )
    plan = settle(replace(_not_wanting(season, missing), settings=settings), gaps, judged)
    plan = replace(
        plan,
        options=_also(plan.options, before.options, before, as_planned),
        odds=_also(plan.odds, before.odds, before, as_planned),
        settings=season.settings,
        ladder=_ladder(before, plan, touched - as_planned),
        metadata=plan.metadata | {"as_of": f"{as_of:%Y-%m-%d}"},
    )
    seen = "for the day it was sown" if season.so_far is None else "with this season's days so far"
    changes = list_changes(before, plan, states, why, seen)
    return Replanned(as_of, season, before, plan, states, changes, seed_changes(before, plan), tuple(notes))


def _without(plan: Plan, species: set[str]) -> frozenset[str]:
    """Covers that need a species that is not to be had."""
    covers = plan.catalogue.covers.items()
    return frozenset(key for key, c in covers if {part.species for part in c.components} & species)


def _not_wanting(farm: Farm, covers: frozenset[str]) -> Farm:
    if not covers:
        return farm
    return replace(farm, settings=replace(farm.settings, not_wanted=farm.settings.not_wanted | covers))


def _touched(
    plan: Plan, gaps: DataFrame[Gap], states: DataFrame[GapState], missing: Collection[str], as_of: pd.Timestamp,
    whole_farm: bool,
) -> set[str]:  # fmt: skip
    """Gaps that have to be looked at anew."""
    cover = dict(zip(plan.allocation["gap_id"], plan.allocation["cover_id"], strict=True))
    best = plan.recommendation.set_index(["gap_id", "cover_id"])["sow_best"]
    moved = (plan.gaps["start"] != gaps["start"]).to_numpy() | (plan.gaps["end"] != gaps["end"]).to_numpy()
    out = set()
    for state, has_moved in zip(states.itertuples(), moved, strict=True):
        if state.state == "past":
            continue
        planned = cover[state.gap_id]
        overdue = planned != NO_COVER and best[state.gap_id, planned] < as_of
        if state.state in STANDS or has_moved or state.decided or whole_farm or planned in missing or overdue:
            out.add(str(state.gap_id))
    return out


def _options(
    gaps: DataFrame[Gap], states: DataFrame[GapState], as_of: pd.Timestamp, farm: Farm
) -> tuple[DataFrame[Gap], DataFrame[Option]]:
    """Gaps with their first sowing day from today on, and what can still be sown in them, or stands there."""
    following = what_follows(gaps, farm.settings, farm.catalogue)
    listed = list_options(gaps, farm.catalogue, following.crops)
    by_gap = dict(iter(listed.groupby("gap_id", sort=False)))
    state_of = {s.gap_id: s for s in states.itertuples()}
    least = int(farm.catalogue.rule("waiting_least"))
    rows, out = [], []
    for gap in gaps.to_dict("records"):
        state, mine = state_of[gap["gap_id"]], by_gap.get(gap["gap_id"], listed.iloc[:0])
        if state.state in STANDS:
            crop = following.crops.get(gap["gap_id"])
            closes = gap["closes"] if crop is None else crop.date - crop.minimum_d * DAY
            if pd.notna(state.ended_on):
                closes = state.ended_on
            closes = max(closes, state.sown_on + (1 if pd.notna(state.ended_on) else least) * DAY)
            rows.append(_option(gap, state.cover_id, state.sown_on, closes))
            gap |= dict.fromkeys(("opens_early", "opens"), state.sown_on)
        else:
            today = max(as_of, gap["opens"])
            still = mine[mine["sow_date"] >= as_of]
            rows += still.to_dict("records")
            if (
                len(mine)
                and today not in set(still["sow_date"])
                and mine["sow_date"].min() <= today <= mine["sow_date"].max()
            ):
                closes = mine["terminate_by"].iloc[0]
                rows += [_option(gap, cover, today, closes) for cover in sorted(farm.catalogue.covers)]
            gap |= {"opens": today, "opens_early": min(max(as_of, gap["opens_early"]), today)}
        out.append(gap)
    table = pd.DataFrame(rows, columns=list(Option.to_schema().columns))
    table = table.sort_values(["gap_id", "cover_id", "sow_date"], kind="stable", ignore_index=True)
    return Gap.validate(pd.DataFrame(out, columns=list(Gap.to_schema().columns))), Option.validate(table)


def _with(gaps: DataFrame[Gap], some: DataFrame[Gap]) -> DataFrame[Gap]:
    """The gaps, some of them as they are by now."""
    by_id = {g["gap_id"]: g for g in some.to_dict("records")}
    rows = [by_id.get(g["gap_id"], g) for g in gaps.to_dict("records")]
    return Gap.validate(pd.DataFrame(rows, columns=list(Gap.to_schema().columns)))


def _option(gap: dict[str, Any], cover: str, day: pd.Timestamp, closes: pd.Timestamp) -> dict[str, Any]:
    return {
        "option_id": f"{gap['gap_id']} {cover} {day:%Y-%m-%d}", "gap_id": gap["gap_id"], "block_id": gap["block_id"],
        "cover_id": cover, "sow_date": day, "terminate_by": closes,
    }  # fmt: skip


def _in_order(judged: Judged, gaps: DataFrame[Gap]) -> Judged:
    """Tables by gap in the order of the gaps, so that the plan does not depend on which of them were touched."""
    at = {gap: n for n, gap in enumerate(gaps["gap_id"])}
    of_option = dict(zip(judged.options["option_id"], judged.options["gap_id"], strict=True))

    def sort(table: pd.DataFrame) -> Any:
        gap = table["gap_id"] if "gap_id" in table else table["option_id"].map(of_option)
        order = np.argsort(gap.map(at).to_numpy(), kind="stable")
        return table.iloc[order].reset_index(drop=True)

    return Judged(**{name: sort(table) for name, table in vars(judged).items()})


def _standing(
    farm: Farm, states: DataFrame[GapState], touched: Collection[str], as_of: pd.Timestamp, notes: list[str]
) -> dict[str, Standing]:
    """Stands as they were counted and weighed, of the gaps in which a cover stands or was ended."""
    found = {}
    for state in states.itertuples():
        if state.gap_id in touched and state.state in STANDS:
            try:
                seen = standing_of(farm, str(state.gap_id), as_of)
            except InputProblem as problem:
                notes.append(f"{problem.sentence} The stand is taken as it is reckoned.")
                continue
            if seen is not None:
                found[str(state.gap_id)] = seen
    return found


def _as_planned(plan: Plan, states: DataFrame[GapState]) -> set[str]:
    """Gaps in which the cover stands that was planned: window and ladder on their sheets say what they said."""
    cover = dict(zip(plan.allocation["gap_id"], plan.allocation["cover_id"], strict=True))
    return {str(s.gap_id) for s in states.itertuples() if s.state in STANDS and s.cover_id == cover[s.gap_id]}


def _with_windows(
    plan: Plan, recommendation: DataFrame[Recommendation], gap_ids: Collection[str]
) -> DataFrame[Recommendation]:
    """Sowing windows of some gaps as they were planned."""
    window = ["sow_from", "sow_until"]
    was = plan.recommendation.set_index(["gap_id", "cover_id"])[window]
    out = recommendation.copy()
    for at in out.index[out["gap_id"].isin(gap_ids)]:
        key = out.loc[at, "gap_id"], out.loc[at, "cover_id"]
        if key in was.index and pd.notna(out.loc[at, "option_id"]):
            out.loc[at, window] = was.loc[key].to_numpy()
    return Recommendation.validate(out)


def _also(table: Any, more: Any, before: Plan, gap_ids: Collection[str]) -> Any:
    """A table by option with the planned options of some gaps too: the rungs of their ladders are among them."""
    planned = set(before.options.loc[before.options["gap_id"].isin(gap_ids), "option_id"]) - set(table["option_id"])
    return pd.concat([table, more[more["option_id"].isin(planned)]], ignore_index=True) if planned else table


def _ladder(before: Plan, plan: Plan, touched: Collection[str]) -> DataFrame[Rung]:
    """Ladders of gaps that nothing has touched stay: their seed is in the shed, whatever is sown elsewhere."""
    kept, anew = before.ladder, plan.ladder
    both = [kept[~kept["gap_id"].isin(touched)], anew[anew["gap_id"].isin(touched)]]
    at = {gap: n for n, gap in enumerate(plan.gaps["gap_id"])}
    table = pd.concat([t for t in both if len(t)] or both[:1], ignore_index=True)
    order = np.argsort(table["gap_id"].map(at).to_numpy(), kind="stable")
    return Rung.validate(table.iloc[order].reset_index(drop=True))


def _of_gaps(choice: Choice, gaps: pd.DataFrame) -> bool:
    day = pd.Timestamp(choice.day)
    return bool(((gaps["block_id"] == choice.block_id) & (gaps["start"] <= day) & (gaps["end"] >= day)).any())


def _kept(plan: Plan, gaps: DataFrame[Gap], touched: set[str]) -> tuple[Choice, ...]:
    """Gaps that nothing has touched hold what was planned for them, whatever becomes of the rest of the farm."""
    rows = plan.allocation[~plan.allocation["gap_id"].isin(touched)]
    day = dict(zip(gaps["gap_id"], gaps["start"], strict=True))
    return tuple(Choice(r.block_id, f"{day[r.gap_id]:%Y-%m-%d}", r.cover_id, "sown") for r in rows.itertuples())


def _choices(
    plan: Plan, gaps: DataFrame[Gap], states: DataFrame[GapState], anew: Judged, as_of: pd.Timestamp, wanted: float
) -> tuple[tuple[Choice, ...], dict[str, str]]:
    """What goes into each gap that was looked at anew, and why; no more is changed than has to be."""
    state_of = {s.gap_id: s for s in states.itertuples()}
    planned = plan.allocation.set_index("gap_id")
    odds = anew.odds.set_index("option_id")
    choices, why = [], {}
    for gap in gaps.itertuples():
        state = state_of[gap.gap_id]
        if state.state in STANDS:
            choices.append(_choice(gap, state.cover_id, "sown", state.sown_on))
            why[str(gap.gap_id)] = "sown, as the record says"
            continue
        here = anew.recommendation[anew.recommendation["gap_id"] == gap.gap_id].sort_values("rank")
        if state.decided in LEAVE:
            choices.append(_choice(gap, NO_COVER, "sown", None))
            why[str(gap.gap_id)] = f"decided: {state.decided}"
            continue
        was = str(planned.loc[gap.gap_id, "cover_id"])
        cover, day, reason = _next(plan, gap, here, anew.options, odds, was, state, as_of, wanted)
        choices.append(_choice(gap, cover, "lock" if day is not None else "choose", day))
        why[str(gap.gap_id)] = reason
    return tuple(choices), why


def _choice(gap: Any, cover: str, answer: str, day: pd.Timestamp | None) -> Choice:
    return Choice(gap.block_id, f"{gap.start:%Y-%m-%d}", cover, answer, None if day is None else f"{day:%Y-%m-%d}")


def _next(
    plan: Plan, gap: Any, here: pd.DataFrame, options: pd.DataFrame, odds: pd.DataFrame, was: str, state: Any,
    as_of: pd.Timestamp, wanted: float,
) -> tuple[str, pd.Timestamp | None, str]:  # fmt: skip
    """Cover, day and reason of a gap that is not sown yet."""
    could = here[here["eligible"] & here["option_id"].notna()].set_index("cover_id")

    def holds(option: Any) -> bool:
        return bool(odds.loc[option, "holds_years"] >= wanted * odds.loc[option, "years"] > 0)

    if state.decided and state.cover_id in set(here["cover_id"]):
        return state.cover_id, None, f"decided: {state.decided} {_name(plan, state.cover_id)}"
    if was == NO_COVER and gap.opens >= as_of and pd.isna(state.cleared_on):
        return NO_COVER, None, "nothing was planned"
    before = plan.recommendation[
        (plan.recommendation["gap_id"] == gap.gap_id) & (plan.recommendation["cover_id"] == was)
    ].iloc[0]
    weak = was != NO_COVER and before["holds_years"] < wanted * before["years"]
    if was in could.index:
        ids = options[(options["gap_id"] == gap.gap_id) & (options["cover_id"] == was)].set_index("sow_date")[
            "option_id"
        ]
        if before["sow_best"] in ids.index and (holds(ids[before["sow_best"]]) or weak):
            return was, before["sow_best"], "as planned"
        later = [day for day, option in ids.items() if day >= as_of and holds(option)]
        if later:
            nearest = min(later, key=lambda day: (abs(day - before["sow_best"]), day))
            return was, nearest, f"not sown by {as_of:%d %b}; the nearest day that keeps the odds"
        if weak:
            return was, None, "no day keeps the wanted odds, as before"
    tried = _why_not(plan, gap, here, options, odds, was, as_of)
    rungs = plan.ladder[(plan.ladder["gap_id"] == gap.gap_id) & (plan.ladder["cover_id"] != NO_COVER)]["cover_id"]
    for cover in [c for c in rungs if c != was] + list(could.index):
        if cover != NO_COVER and cover in could.index and holds(could.loc[cover, "option_id"]):
            how = "the next rung of the ladder" if cover in set(rungs) else "the best that still holds"
            return str(cover), None, f"{tried}; {how}" if tried else how
    return NO_COVER, None, f"{tried}; no cover keeps the wanted odds any more: keep it clean" if tried else "too late"


def _why_not(
    plan: Plan, gap: Any, here: pd.DataFrame, options: pd.DataFrame, odds: pd.DataFrame, was: str, as_of: pd.Timestamp
) -> str:
    """Why what was planned cannot be had any more."""
    if was == NO_COVER:
        return ""
    mine = options[(options["gap_id"] == gap.gap_id) & (options["cover_id"] == was)]
    row = here[here["cover_id"] == was]
    name = _name(plan, was)
    if mine.empty:
        return f"too late for {name}"
    if len(row) and not bool(row["eligible"].iloc[0]):
        return f"{name} is not possible: {row['limiting_factor'].iloc[0].split('; ')[0]}"
    best = odds.loc[mine["option_id"]].sort_values("holds_years").iloc[-1]
    return f"{name} would hold in {int(best['holds_years'])} of {int(best['years'])} years from {as_of:%d %b} on"


def _name(plan: Plan, cover: str) -> str:
    return plan.catalogue.covers[cover].name if cover in plan.catalogue.covers else "no cover"


def list_changes(
    before: Plan, plan: Plan, states: DataFrame[GapState], why: dict[str, str], seen: str = "for the day it was sown"
) -> DataFrame[Change]:
    """What is another than it was planned, gap by gap.

    Parameters
    ----------
    before, plan : Plan
    states : DataFrame[GapState]
    why : dict of gap_id to str
        Of the gaps that were looked at anew.
    seen : str
        What odds are reckoned with, in words.

    Returns
    -------
    DataFrame[Change]
        Nothing for gaps in which all is as it was.
    """
    rows: list[dict[str, Any]] = []
    old, new = _rows(before), _rows(plan)
    old_gap, new_gap = (p.gaps.set_index("gap_id") for p in (before, plan))
    for state in states.itertuples():
        gap_id, reason = str(state.gap_id), why.get(str(state.gap_id), "")
        if gap_id not in why:
            continue
        a, b = old[gap_id], new[gap_id]

        def add(
            what: str, was: str, now: str, days: float, reason: str, gap_id: str = gap_id, state: Any = state
        ) -> None:
            rows.append(
                {"gap_id": gap_id, "block_id": state.block_id, "what": what, "before": was, "now": now, "days": days,
                 "reason": reason}
            )  # fmt: skip

        for side, words in (("start", "begins"), ("end", "ends")):
            was, now = old_gap.loc[gap_id, side], new_gap.loc[gap_id, side]
            if was != now:
                crop = "the crop before comes off" if side == "start" else "the next crop goes in"
                add("gap", f"{words} {_day(was)}", f"{words} {_day(now)}", (now - was).days, f"{crop} then")
        if a.cover_id != b.cover_id:
            add("cover", _name(before, a.cover_id), _name(plan, b.cover_id), np.nan, reason)
        if b.cover_id == NO_COVER:
            continue
        same = a.cover_id != NO_COVER
        stands = state.state in STANDS
        if not same or a.sow_best != b.sow_best:
            add(
                "sowing",
                _day(a.sow_best) if same else "-",
                _day(b.sow_best),
                _days(a.sow_best, b.sow_best, same),
                reason,
            )
        if not same or a.terminate_by != b.terminate_by or a.ended_by != b.ended_by:
            how = "as the record says" if state.state == "ended" else f"by {b.ended_by}, counted from the sowing"
            add("ending", _day(a.terminate_by) if same else "-", _day(b.terminate_by),
                _days(a.terminate_by, b.terminate_by, same), how)  # fmt: skip
        fit, was_fit = _fit(plan, gap_id, b.cover_id), _fit(before, gap_id, a.cover_id) if same else None
        if stands and fit is not None and fit != was_fit:
            next_crop = new_gap.loc[gap_id, "end"] + DAY
            late = (fit[1] - next_crop).days
            tail = f"{_day(next_crop)} is planned: {late} days too soon in the median year" if late > 0 else "in time"
            now_fit = _day(fit[1]) if fit[0] == fit[2] else f"{_day(fit[1])} ({_day(fit[0])} to {_day(fit[2])})"
            moved = np.nan if was_fit is None else (fit[1] - was_fit[1]).days
            add("fit to plant", "-" if was_fit is None else _day(was_fit[1]), now_fit, moved, tail)
        if stands and (a.holds_years, a.years) != (b.holds_years, b.years):
            add("odds", f"{a.holds_years} of {a.years}" if same else "-", f"{b.holds_years} of {b.years}", np.nan,
                seen)  # fmt: skip
    return Change.validate(pd.DataFrame(rows, columns=list(Change.to_schema().columns)))


def _rows(plan: Plan) -> dict[str, Any]:
    chosen = plan.allocation[["gap_id", "cover_id"]].merge(plan.recommendation, on=["gap_id", "cover_id"])
    return {str(r.gap_id): r for r in chosen.itertuples()}


def _day(day: Any) -> str:
    return "-" if pd.isna(day) else f"{day:%d %b %Y}"


def _days(was: Any, now: Any, same: bool) -> float:
    return float((now - was).days) if same and pd.notna(was) and pd.notna(now) else np.nan


def _fit(plan: Plan, gap_id: str, cover: str) -> tuple[pd.Timestamp, pd.Timestamp, pd.Timestamp] | None:
    """Day on which the ground is fit to plant: 10 % of years earlier, median, 10 % later; None without a next crop."""
    after = plan.after[(plan.after["gap_id"] == gap_id) & (plan.after["cover_id"] == cover)]
    if after.empty or not isinstance(after["crop_after"].iloc[0], str) or not after["crop_after"].iloc[0]:
        return None
    years = plan.season[plan.season["option_id"] == after["option_id"].iloc[0]]["ready_d"].dropna()
    if years.empty:
        return None
    options = plan.options.set_index("option_id")["sow_date"]
    sown = options[after["option_id"].iloc[0]]
    low, middle, high = (sown + pd.Timedelta(days=round(years.quantile(q))) for q in (0.1, 0.5, 0.9))
    return low, middle, high


def seed_changes(before: Plan, plan: Plan) -> DataFrame[SeedChange]:
    """Species whose seed is another than it was, over the whole farm; what has been sown counts as planned.

    Parameters
    ----------
    before, plan : Plan
    """

    def sums(of: Plan) -> dict[tuple[int, str], int]:
        found = of.seed_need.groupby([of.seed_need["sow_date"].dt.year, "species"])["seed_g"].sum()
        return {(int(y), str(s)): int(g) for (y, s), g in found.items()}

    old, new = sums(before), sums(plan)
    rows: Sequence[dict[str, Any]] = [
        {
            "year": key[0], "species": key[1], "name": plan.catalogue.species[key[1]].name,
            "before_g": old.get(key, 0), "now_g": new.get(key, 0),
        }
        for key in sorted({*old, *new})
        if old.get(key, 0) != new.get(key, 0)
    ]  # fmt: skip
    return SeedChange.validate(pd.DataFrame(rows, columns=list(SeedChange.to_schema().columns)))
