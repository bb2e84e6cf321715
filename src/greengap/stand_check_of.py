"""The stand check of one sown gap: what the record says stands there, run on through the weather years."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from greengap.advice.frame_counts import Density, Stop, counted_density, stop_counting
from greengap.advice.options import NO_COVER
from greengap.advice.stand_check import (
    CLEAN,
    KEEP,
    RESOW,
    SWITCH,
    WEED,
    WEED_COVERS,
    StandVerdict,
    is_good,
    judge_stand,
    stop_rule,
    years_won,
)
from greengap.biomass_sample_of import sample_of
from greengap.catalogue import Catalogue, Cover
from greengap.errors import InputProblem
from greengap.farm.season_record import RECORD_FILE, current
from greengap.farm.settings import FarmSettings, suggestion
from greengap.farm_input import Farm
from greengap.plan import Plan
from greengap.process.standing import Standing
from greengap.process.weeds import height_class_weight, height_weight, leaf_area_of_cover, leaf_area_of_plants
from greengap.stand_worked_out import (
    DAY,
    NEXT_DAY_D,
    Ground,
    StandTables,
    full_stand,
    ground_of,
    numbered,
    rows_of_gap,
    usable_share,
    work_out,
)
from greengap.tables import DataFrame, StandChoice

PULL_LATER_D = (3, 6, 9, 13, 20)  # days by which pulling may be put off that are run, too


@dataclass(frozen=True)
class WeedsSeen:
    """Weeds as they were found.

    Attributes
    ----------
    plants_m2 : float
        Counted, or reckoned from their leaf area [m-2].
    leaf_area : float
        Leaf area index, weighed by height [-].
    cover_fraction : float
        Ground that this leaf area covers [fraction].
    heights_mm : tuple of float
        Weeds, cover; NaN where they were not measured [mm].
    counted : bool
        Whether `plants_m2` was counted.
    """

    plants_m2: float
    leaf_area: float
    cover_fraction: float
    heights_mm: tuple[float, float]
    counted: bool


@dataclass(frozen=True)
class StandCheck:
    """One look at a stand: what was found and what to do.

    Attributes
    ----------
    settings : FarmSettings
    catalogue : Catalogue
    as_of, counted_on : Timestamp
    frames : int
    density : dict of species to Density
        A species, or "" for a mix that was counted as a whole.
    stand_share : dict of species to float
        Of a full stand [fraction].
    weeds : WeedsSeen or None
        None if nobody looked at them: they are reckoned.
    stop : Stop
        Whether to count on.
    verdict : StandVerdict
    rung : str
        Cover of the plan's ladder on that day; empty without a plan.
    early : bool
        Part of the seed may still come up: by the weather years it is not all up yet.
    beforehand : StandTables
        The same worked out for every stand, with a row for the weeds as they are.
    notes : tuple of str
    """

    settings: FarmSettings
    catalogue: Catalogue
    as_of: pd.Timestamp
    counted_on: pd.Timestamp
    frames: int
    density: dict[str, Density]
    stand_share: dict[str, float]
    weeds: WeedsSeen | None
    stop: Stop
    verdict: StandVerdict
    rung: str
    early: bool
    beforehand: StandTables
    notes: tuple[str, ...]


def check_stand(farm: Farm, gap_id: str, as_of: pd.Timestamp, plan: Plan | None = None) -> StandCheck:
    """What to do with a stand that was looked at.

    Parameters
    ----------
    farm : Farm
        Its season record says what was sown on the gap and what was counted; rows after `as_of` are not looked at.
    gap_id : str
    as_of : Timestamp
        Today.
    plan : Plan, optional
        Its ladder names the cover that is sown next, where that is as good as another.

    Returns
    -------
    StandCheck

    Raises
    ------
    InputProblem
        If there is no such gap, or nothing is written down as sown or as counted on it.
    """
    ground, as_of = ground_of(farm, gap_id, plan), pd.Timestamp(as_of)
    gap, catalogue = ground.gap, farm.catalogue
    record = current(farm.record)
    rows = rows_of_gap(record[record["date"] <= as_of], gap)
    sown = _last(rows, "sown", gap, "Write down first what was sown, with its date and cover")
    cover_id = str(sown.cover_id)
    if cover_id not in catalogue.covers:
        remedy = suggestion(cover_id, sorted(catalogue.covers))
        raise InputProblem(RECORD_FILE, f"{gap.gap_id}, sown {sown.date:%Y-%m-%d}", f"{cover_id!r} is no cover", remedy)
    if sown.date >= ground.closes:
        what = f"sown {sown.date:%Y-%m-%d}, and the block has to be clear by {ground.closes:%Y-%m-%d}"
        raise InputProblem(RECORD_FILE, str(gap.gap_id), what, "Correct the date, or the crop calendar")
    rows = rows[rows["date"] >= sown.date]
    last = _last(rows, "stand", gap, "Count plants in some frames and write them down")
    frames = rows[
        (rows["what"] == "stand") & ((rows["visit"] == last.visit) if last.visit else (rows["date"] == last.date))
    ]
    looked, cover, notes = last.date, catalogue.covers[cover_id], list[str]()
    density, full = _counted(frames, cover, catalogue, notes)
    thin, shares, dense = (_shares(density, full, cover, bound) for bound in ("low_m2", "per_m2", "high_m2"))
    weeds = _weeds_seen(frames, ground, sown.date, looked, notes)
    up = rows[(rows["what"] == "up") & (rows["species"] == "")]
    pulled = rows[(rows["what"] == "weeded") & (rows["date"] >= looked)]
    birds_came = bool(((rows["what"] == "loss") & (rows["cause"] == "birds")).any())
    stands = _Stands(
        looked, up["date"].min() if len(up) else None, weeds, pulled["date"].max() if len(pulled) else None,
        catalogue.rule("hand_weeding_left"),
    )  # fmt: skip

    weed_cover = 0.0 if weeds is None else round(weeds.cover_fraction, 6)
    if weeds is not None and stands.pulled_on is not None:
        weed_cover = round(_covered(weeds.leaf_area * stands.left, catalogue), 6)
    number = {} if weeds is None or not weeds.counted else {weed_cover: weeds.plants_m2}
    if weeds is None:
        reckoned = ground.weeds_by(sown.date, looked)[1]
        weed_cover = round(_covered(reckoned, catalogue), 6)
        notes.append("Nobody looked at the weeds: those of an ordinary seed bank are reckoned with.")
    levels = tuple(sorted({*WEED_COVERS, weed_cover}))
    beforehand = work_out(ground, cover_id, sown.date, max(as_of, looked), levels, number, birds_came)
    ends = (shares, thin, dense)
    choices = _choices(ground, cover_id, sown.date, as_of, ends, stands, beforehand, weed_cover)
    ordinary = ground.weeds_by(sown.date, looked)[1]
    leaf_area = ordinary if weeds is None else weeds.leaf_area
    good = [is_good(one.whole, leaf_area, ordinary, catalogue) for one in ends]
    verdict = judge_stand(choices, beforehand.terms, *good)
    limit = next(r for r in beforehand.limits.itertuples() if r.weed_cover_fraction == weed_cover)
    stop = _stop(frames, limit, verdict, catalogue)
    early = bool(pd.notna(beforehand.up_on[2]) and looked < beforehand.up_on[2] and not len(up))
    if birds_came and beforehand.resow.bird_risk_share:
        notes.append("Birds took part of this sowing; sown again without a net or a guard they come back.")
    rung = ground.rungs.get(f"{as_of:%Y-%m-%d}", "")
    return StandCheck(
        farm.settings, catalogue, as_of, looked, stop.frames, density, shares.species, weeds, stop, verdict, rung,
        early, beforehand, (*notes, *beforehand.notes),
    )  # fmt: skip


def standing_of(farm: Farm, gap_id: str, as_of: pd.Timestamp) -> Standing | None:
    """What the record says of a stand, for a season that is run on from it.

    Parameters
    ----------
    farm : Farm
    gap_id : str
    as_of : Timestamp
        Rows after it are not looked at.

    Returns
    -------
    Standing or None
        Counts, weeds and weeding of the last look, the day it was up, and dry matter and nitrogen of the last
        sample; None where nothing was seen since it was sown.

    Raises
    ------
    InputProblem
        If a count cannot be used.
    """
    ground, catalogue = ground_of(farm, gap_id, None), farm.catalogue
    record = current(farm.record)
    rows = rows_of_gap(record[record["date"] <= as_of], ground.gap)
    sown = rows[rows["what"] == "sown"]
    if sown.empty or str(sown["cover_id"].iloc[-1]) not in catalogue.covers:
        return None
    cover, sown_on = catalogue.covers[str(sown["cover_id"].iloc[-1])], sown["date"].iloc[-1]
    rows = rows[rows["date"] >= sown_on]
    up, counts = rows[(rows["what"] == "up") & (rows["species"] == "")], rows[rows["what"] == "stand"]
    up_on = up["date"].min() if len(up) else None
    seen = Standing(up_on=up_on) if up_on is not None else None
    if len(counts):
        last, notes = counts.iloc[-1], list[str]()
        frames = counts[(counts["visit"] == last["visit"]) if last["visit"] else (counts["date"] == last["date"])]
        density, full = _counted(frames, cover, catalogue, notes)
        weeds = _weeds_seen(frames, ground, sown_on, last["date"], notes)
        pulled = rows[(rows["what"] == "weeded") & (rows["date"] >= last["date"])]
        pulled_on, left = pulled["date"].max() if len(pulled) else None, catalogue.rule("hand_weeding_left")
        stands = _Stands(last["date"], up_on, weeds, pulled_on, left)
        seen = stands.standing(_shares(density, full, cover, "per_m2").species, None)
    sample = sample_of(farm, gap_id, as_of)
    if sample is not None and sample.sown_on == sown_on:
        weighed = sample.standing
        seen = replace(
            seen or Standing(),
            biomass_kg_ha=weighed.biomass_kg_ha,
            nitrogen_fraction=weighed.nitrogen_fraction,
        )
    return seen


# --- what the record says ----------------------------------------------------------------------


def _last(rows: pd.DataFrame, what: str, gap: Any, remedy: str) -> Any:
    mine = rows[rows["what"] == what]
    if mine.empty:
        words = {"sown": "nothing is written down as sown", "stand": "no count is written down"}[what]
        raise InputProblem(RECORD_FILE, str(gap.gap_id), words, remedy)
    return next(mine.sort_values(["date", "written", "record_id"]).tail(1).itertuples())


def _counted(
    frames: pd.DataFrame, cover: Cover, catalogue: Catalogue, notes: list[str]
) -> tuple[dict[str, Density], dict[str, float]]:
    """Density of what was counted, by species or of the whole, and plants of a full stand of the same."""
    full = full_stand(cover, catalogue)
    for row in frames.itertuples():
        place = f"frame {row.frame} of {row.date:%Y-%m-%d}"
        if np.isnan(row.plants) or np.isnan(row.frame_area_m2):
            raise InputProblem(RECORD_FILE, place, "has no number of plants or no area", "Write both down")
        if row.species and row.species not in full:
            remedy = f"Name one of {', '.join(full)}, or none for all together"
            raise InputProblem(RECORD_FILE, place, f"{row.species!r} is not in {cover.name.lower()}", remedy)
    if len(full) == 1:
        frames = frames.assign(species=next(iter(full)))
    density = {
        str(species): counted_density(
            part["plants"].tolist(), part["frame_area_m2"].tolist(), catalogue.rule("stand_clumping")
        )
        for species, part in frames.groupby("species", sort=True)
    }
    if set(density) == {""}:
        notes.append("The species were not counted apart: each is taken to stand as thick as the whole.")
        return density, {"": sum(full.values())}
    if "" in density:
        notes.append("Counts of all species together are left out, since there are counts of single ones.")
        del density[""]
    if missing := [catalogue.species[s].name for s in full if s not in density]:
        notes.append(f"Not counted: {', '.join(missing)}. That stand is reckoned, not seen.")
    return density, {s: full[s] for s in density}


@dataclass(frozen=True)
class _Shares:
    """Stand at the thin end of the interval, as counted, or at its dense end."""

    whole: float  # of what was counted, of a full stand of the same
    species: dict[str, float]

    def usable(self, catalogue: Catalogue) -> dict[str, float]:
        """The same, none where hardly any stands."""
        return {s: share * (usable_share(self.whole, catalogue) > 0) for s, share in self.species.items()}


def _shares(density: Mapping[str, Density], full: Mapping[str, float], cover: Cover, bound: str) -> _Shares:
    plants = {s: float(getattr(found, bound)) for s, found in density.items()}
    whole = sum(plants.values()) / sum(full[s] for s in density)
    if "" in density:
        return _Shares(whole, {c.species: whole for c in cover.components})
    return _Shares(whole, {s: plants[s] / full[s] for s in density})


def _covered(leaf_area: float, catalogue: Catalogue) -> float:
    """Ground that a leaf area of weeds covers [fraction]."""
    return float(-np.expm1(-catalogue.rule("weed_light_extinction") * leaf_area))


def _weeds_seen(
    frames: pd.DataFrame, ground: Ground, sown_on: pd.Timestamp, looked: pd.Timestamp, notes: list[str]
) -> WeedsSeen | None:
    """Weeds of the frames; by their cover, or else by number and height."""
    catalogue, rule = ground.farm.catalogue, ground.farm.catalogue.rule
    said = numbered(frames).assign(weed_level=frames["weed_level"].where(frames["weed_level"] != ""))
    each = said.groupby("frame").first()  # the first word on a frame, species apart or not
    cover, plants = each["weed_cover_fraction"], each["weed_plants"] / each["frame_area_m2"]
    if cover.isna().all() and plants.isna().all():
        return None
    weed_mm, cover_mm = (float(each[c].mean()) for c in ("weed_height_mm", "height_mm"))
    number, area = ground.weeds_by(sown_on, looked)
    one = area / number if number > 0 else rule("weed_seedling_area")
    if cover.notna().any():
        leaf = float(leaf_area_of_cover(cover.dropna().to_numpy(), rule("weed_light_extinction")).mean())
    elif not np.isnan(weed_mm):
        leaf = float(leaf_area_of_plants(plants.mean(), weed_mm, rule("weed_leaf_of_height")))
    else:
        leaf = float(plants.mean()) * one
        notes.append("Neither cover nor height of the weeds was written down: they are taken to be of the usual size.")
    bounds = rule("weed_height_least"), rule("weed_height_most")
    levels = each["weed_level"].dropna()
    if not (np.isnan(weed_mm) or np.isnan(cover_mm)):
        leaf *= height_weight(weed_mm, cover_mm, *bounds)
    elif len(levels):
        leaf *= float(np.mean([height_class_weight(str(level), *bounds) for level in levels]))
    counted = bool(plants.notna().any())
    many = float(plants.mean()) if counted else min(leaf / one, rule("weed_seedlings"))
    return WeedsSeen(many, leaf, _covered(leaf, catalogue), (weed_mm, cover_mm), counted)


@dataclass(frozen=True)
class _Stands:
    """What was seen besides plants."""

    looked: pd.Timestamp
    up_on: pd.Timestamp | None
    weeds: WeedsSeen | None
    pulled_on: pd.Timestamp | None
    left: float

    def standing(self, shares: Mapping[str, float], pull_on: pd.Timestamp | None) -> Standing:
        """The stand as it is, or pulled once on a day."""
        pulls = [on for on in (self.pulled_on, pull_on) if on is not None]
        if self.weeds is None:  # nobody saw them: those that are pulled are gone, those to come are reckoned
            return Standing(dict(shares), self.looked, self.up_on, pulls[-1] if pulls else None)
        weeds_on, area = self.looked, self.weeds.leaf_area
        if len(pulls) == 2:
            weeds_on, area = pulls[0], area * self.left
        last, left = (pulls[-1], self.left) if pulls else (None, 1.0)
        return Standing(dict(shares), self.looked, self.up_on, weeds_on, area, last, left)


def _choices(
    ground: Ground,
    cover_id: str,
    sown_on: pd.Timestamp,
    as_of: pd.Timestamp,
    ends: tuple[_Shares, _Shares, _Shares],
    stands: _Stands,
    beforehand: StandTables,
    weed_cover: float,
) -> DataFrame[StandChoice]:
    """Everything that can be done, from the stand as it was counted and from the two ends of its interval."""
    terms, work = beforehand.terms, beforehand.work
    catalogue, pull_on = ground.farm.catalogue, as_of + NEXT_DAY_D * DAY
    later = [pull_on + d * DAY for d in PULL_LATER_D]
    runs = [stands.standing(one.usable(catalogue), on) for on in (None, pull_on) for one in ends]
    runs += [stands.standing(ends[0].usable(catalogue), on) for on in later]
    names = [str(k) for k in range(len(runs))]
    won = years_won(ground.run(cover_id, sown_on, runs)).reindex(names).fillna(0).astype(int)
    here = beforehand.table[beforehand.table["weed_cover_fraction"] == weed_cover]
    for at, column in enumerate(3 * ["keep_odds"] + 3 * ["weed_odds"]):  # as good as a stand that is thinner
        thinner = here.loc[here["stand_share"] <= ends[at % 3].whole, column].max()
        least = 0 if pd.isna(thinner) else round(thinner * won["years"].iloc[at])
        won.iloc[at, 1:] = won.iloc[at, 1:].clip(lower=least)
    in_time = [w >= terms.wanted * max(y, 1) - 1e-9 for w, y in zip(won["wins_years"], won["years"], strict=True)]
    pulled_by = pd.NaT
    for on, holds in zip((pull_on, *later), (in_time[3], *in_time[6:]), strict=True):
        if not holds:
            break
        pulled_by = on
    hours = float(here["weed_hours"].iloc[0])
    rows: list[dict[str, Any]] = []

    def add(choice: str, cover: str, **more: Any) -> None:
        none = {
            "on": pd.NaT, "years": 0, "closes_years": 0, "aim_years": 0, "wins_years": 0, "bird_risk_share": 0.0,
            "hours": np.nan, "seed_kg": np.nan, "cost": np.nan, "currency": "", "last_date": pd.NaT, "possible": True,
            "why_not": "",
        }  # fmt: skip
        row = {"choice": choice, "cover_id": cover, **none, **more}
        row.setdefault("low_odds", row["odds"])
        row.setdefault("high_odds", row["odds"])
        rows.append(row)

    for choice, at in ((KEEP, 0), (WEED, 3)):
        mine = won.iloc[at]
        share = [float(r["wins_years"] / max(r["years"], 1)) for _, r in won.iloc[at : at + 3].iterrows()]
        more: dict[str, Any] = {c: int(mine[c]) for c in won.columns}
        more |= {"odds": share[0], "low_odds": share[1], "high_odds": share[2]}
        if choice == WEED:
            more |= {"on": pull_on, "hours": hours, "last_date": pulled_by}
            if weed_cover == 0:
                more |= {"possible": False, "why_not": "there are no weeds to pull"}
            elif hours > work.hours:
                why = f"it takes {hours:.0f} hours by hand, and {work.hours:.0f} are there for a block"
                more |= {"possible": False, "why_not": why}
        add(choice, cover_id, **more)
    for choice, again in ((RESOW, beforehand.resow), (SWITCH, beforehand.switch)):
        if again is None:
            add(choice, NO_COVER, odds=0.0, possible=False, why_not="no other cover fits any more")
            continue
        more = {c: getattr(again, c) for c in ("years", "closes_years", "aim_years", "wins_years", "bird_risk_share")}
        more |= {"on": again.on, "odds": again.odds, "last_date": again.last_date}
        if again.why_not:
            more |= {"possible": False, "why_not": again.why_not}
        else:
            more["seed_kg"], more["cost"], more["currency"] = ground.seed_for(again.cover_id, again.on)
        add(choice, again.cover_id, **more)
    add(CLEAN, NO_COVER, on=as_of, odds=terms.least)
    table = pd.DataFrame(rows, columns=list(StandChoice.to_schema().columns))
    for column in ("on", "last_date"):
        table[column] = pd.to_datetime(table[column])
    return StandChoice.validate(table)


def _stop(frames: pd.DataFrame, limit: Any, verdict: StandVerdict, catalogue: Catalogue) -> Stop:
    """Whether more frames could change the verdict."""
    least = int(catalogue.rule("stand_least_frames"))
    each = numbered(frames).groupby("frame", sort=False).agg(plants=("plants", "sum"), area=("frame_area_m2", "first"))
    done = len(each)
    if done >= least and verdict.settled:
        return Stop("enough" if verdict.choice == KEEP else "too few", done, 0)
    rule = stop_rule(limit, catalogue)
    if rule is None:
        return Stop("go on", done, least - done) if done < least else Stop("between", done, 0)
    return stop_counting(each["plants"].tolist(), each["area"].tolist(), rule)
