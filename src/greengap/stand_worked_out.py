"""A sown gap worked out before anybody looks: the verdict for every density of the stand and cover of weeds.

What is run here from a stand, and what sowing again would do, serves the stand check itself, too
(`greengap.stand_check_of`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from greengap.advice.next_crop import what_follows
from greengap.advice.options import NO_COVER
from greengap.advice.purposes import growth_target
from greengap.advice.seeding import plants_per_m2, seed_needs
from greengap.advice.stand_check import (
    CLEAN,
    KEEP,
    RESOW,
    STAND_SHARES,
    SWITCH,
    WEED,
    WEED_COVERS,
    StandTerms,
    WeedingWork,
    best_choice,
    is_good,
    stand_limits,
    stand_terms,
    weeding_work,
    years_won,
)
from greengap.catalogue import Catalogue, Cover
from greengap.errors import InputProblem
from greengap.farm.gaps import find_gaps
from greengap.farm.settings import suggestion
from greengap.farm_input import Farm
from greengap.plan import Judged, Plan, judge, places, southern
from greengap.process.afterwards import Following
from greengap.process.drivers import BlockDays, Place
from greengap.process.season import Target, bird_risk, simulate
from greengap.process.sowings import reckoned_weeds
from greengap.process.standing import Standing
from greengap.process.weeds import leaf_area_of_cover
from greengap.seed_order import order_lines
from greengap.tables import Allocation, DataFrame, Gap, Option, Season, StandLimit, StandTable

DAY = pd.Timedelta(days=1)
SLIPPED_D = 45  # by which a season may run ahead of its calendar or behind it
NEXT_DAY_D = 1  # pulling is done the day after the look


@dataclass(frozen=True)
class SownAgain:
    """One cover sown on the block as soon as it can be.

    Attributes
    ----------
    cover_id : str
    on : Timestamp or NaT
    years, closes_years, aim_years, wins_years : int
    bird_risk_share : float
    last_date : Timestamp or NaT
        Last of the days run that keeps the wanted odds.
    rank : int
        In the recommendation from that day on.
    why_not : str
        Why it cannot be; empty if it can.
    """

    cover_id: str
    on: Any
    years: int = 0
    closes_years: int = 0
    aim_years: int = 0
    wins_years: int = 0
    bird_risk_share: float = 0.0
    last_date: Any = pd.NaT
    rank: int = 0
    why_not: str = ""

    @property
    def odds(self) -> float:
        """Share of the years that win, less what birds take."""
        return self.wins_years / self.years * (1 - self.bird_risk_share) if self.years else 0.0


@dataclass(frozen=True)
class StandTables:
    """What can be worked out before anybody looks: for paper, and for a phone without a network.

    Attributes
    ----------
    gap_id, block_id : str
    cover : Cover
    sown_on, look_on : Timestamp
    up_on : tuple of Timestamp
        Days by which it is up in one year of ten, in half and in nine of ten; NaT where it comes up in none.
    area_m2 : float
        That is sown [m2].
    full_stand_m2 : dict of species to float
        Plants of a full stand [m-2].
    years : int
        Weather years that were run.
    ordinary_weeds_m2, ordinary_leaf_area : float
        Weeds of an ordinary seed bank on the day of the look, medians of the years: number [m-2], leaf area index [-].
    table : DataFrame[StandTable]
    limits : DataFrame[StandLimit]
    resow : SownAgain
        The same cover; `on` is the first day that it can be.
    switch : SownAgain or None
        The best other cover; None if none fits.
    work : WeedingWork
    terms : StandTerms
    notes : tuple of str
    """

    gap_id: str
    block_id: str
    cover: Cover
    sown_on: pd.Timestamp
    look_on: pd.Timestamp
    up_on: tuple[Any, Any, Any]
    area_m2: float
    full_stand_m2: dict[str, float]
    years: int
    ordinary_weeds_m2: float
    ordinary_leaf_area: float
    table: DataFrame[StandTable]
    limits: DataFrame[StandLimit]
    resow: SownAgain
    switch: SownAgain | None
    work: WeedingWork
    terms: StandTerms
    notes: tuple[str, ...]


@dataclass
class Ground:
    """What every run on one gap shares."""

    farm: Farm
    gaps: DataFrame[Gap]  # the one gap
    plan: Plan | None = None

    @cached_property
    def gap(self) -> Any:
        """Its row."""
        return next(self.gaps.itertuples())

    @cached_property
    def place(self) -> Place:
        """The block."""
        return places(self.farm)[str(self.gap.block_id)]

    @cached_property
    def weather(self) -> xr.Dataset:
        """With this season's days in every year, where the gap lies wholly within this year."""
        season = self.farm.this_season
        if season is None or {self.gap.start.year, self.gap.end.year} != {season.attrs["season_year"]}:
            return self.farm.weather
        return season

    @cached_property
    def following(self) -> Following:
        """What comes after the gap."""
        return what_follows(self.gaps, self.farm.settings, self.farm.catalogue)

    @cached_property
    def aim(self) -> Target:
        """What makes a cover worth its seed."""
        settings = self.farm.settings
        return growth_target(settings.growth_aim, self.farm.catalogue, settings.units)

    @cached_property
    def rungs(self) -> dict[str, str]:
        """Cover of the plan's ladder by day."""
        found: dict[str, str] = {}
        if self.plan is None:
            return found
        ladder = self.plan.ladder
        for rung in ladder[(ladder["gap_id"] == self.gap.gap_id) & (ladder["cover_id"] != NO_COVER)].itertuples():
            for day in pd.date_range(rung.sow_from, rung.sow_until):
                found[f"{day:%Y-%m-%d}"] = str(rung.cover_id)
        return found

    @cached_property
    def area_m2(self) -> float:
        """Area that is sown [m2]."""
        return float(self.farm.blocks.set_index("block_id").loc[self.gap.block_id, "area_sown_m2"])

    @property
    def closes(self) -> pd.Timestamp:
        """Latest termination, as `greengap.advice.options.list_options` has it."""
        crop = self.following.crops.get(str(self.gap.gap_id))
        return self.gap.closes if crop is None else crop.date - crop.minimum_d * DAY

    def run(
        self,
        cover_id: str,
        sown_on: pd.Timestamp,
        stands: Sequence[Standing | None],
        by: pd.Timestamp | None = None,
    ) -> DataFrame[Season]:
        """The sown cover from each of several stands, until a day or as long as it can; option_id is their position."""
        names = [str(k) for k in range(len(stands))]
        options = pd.DataFrame(
            {
                "option_id": names, "gap_id": names, "block_id": self.gap.block_id, "cover_id": cover_id,
                "sow_date": sown_on, "terminate_by": self.closes if by is None else by,
            }
        )  # fmt: skip
        crop = None if by is not None else self.following.crops.get(str(self.gap.gap_id))
        following = replace(self.following, crops={} if crop is None else dict.fromkeys(names, crop))
        standing = {name: one for name, one in zip(names, stands, strict=True) if one is not None}
        season, _ = simulate(
            Option.validate(options), self.weather, self.farm.site_of_block,
            {str(self.gap.block_id): self.place}, self.farm.catalogue, self.aim, [], None, following, standing,
        )  # fmt: skip
        return season

    def weeds_by(self, sown_on: pd.Timestamp, day: pd.Timestamp) -> tuple[float, float]:
        """Weeds to be expected on a day: their number [m-2] and leaf area index, medians of the years."""
        days = BlockDays(
            self.weather.sel(site_id=self.farm.site_of_block[self.gap.block_id]), self.place, self.farm.catalogue
        )
        years = np.unique(self.weather["date"].dt.year.to_numpy())
        plants, area = reckoned_weeds(days, self.farm.catalogue, sown_on, years, max((day - sown_on).days, 1))
        return (float(np.median(plants)), float(np.median(area))) if plants.size else (0.0, 0.0)

    def sown_again(
        self, cover_id: str, as_of: pd.Timestamp, birds_came: bool, anew_run: bool = True
    ) -> tuple[SownAgain, SownAgain | None]:
        """The same cover and the best other one, sown as soon as the bed can be made anew.

        Run anew from that day on, or taken from the plan: from the next of the days that it tried.
        """
        farm, catalogue, wanted = self.farm, self.farm.catalogue, self.farm.settings.wanted_odds
        seedbed = farm.settings.seedbed_d
        first = as_of + int(catalogue.rule("seedbed") if seedbed is None else seedbed) * DAY
        anew = self.gaps.assign(start=as_of, opens_early=first, opens=first, opens_late=first)
        late = f"the block closes on {self.closes:%d %b %Y}: too late to sow"
        if first + int(catalogue.rule("shortest_growth")) * DAY > self.closes:
            return SownAgain(cover_id, pd.NaT, why_not=late), None
        judged: Judged | Plan = judge(farm, Gap.validate(anew)) if anew_run or self.plan is None else self.plan
        options = judged.options[(judged.options["gap_id"] == self.gap.gap_id) & (judged.options["sow_date"] >= first)]
        if options.empty:
            return SownAgain(cover_id, pd.NaT, why_not=late), None
        first = options["sow_date"].min()
        won = years_won(judged.season[judged.season["option_id"].isin(set(options["option_id"]))], sown_again=True)
        here = judged.recommendation[judged.recommendation["gap_id"] == self.gap.gap_id]
        rated = {r.cover_id: r for r in here.itertuples()}
        found: dict[str, SownAgain] = {}
        for cover, dates in options.sort_values("sow_date").groupby("cover_id"):
            row, name = rated.get(cover), str(cover)
            rows = won.reindex(dates["option_id"]).fillna(0).astype(int)
            now = rows.iloc[0]
            kept = (rows["years"] > 0) & (rows["wins_years"] >= wanted * rows["years"] - 1e-9)
            run_of = kept.cummin().to_numpy()
            last = dates["sow_date"].iloc[int(run_of.sum()) - 1] if run_of.any() else pd.NaT
            why = "" if row is not None and row.eligible else "not possible here"
            if row is not None and not row.eligible:
                why = str(row.limiting_factor)
            if now["years"] == 0:
                why = why or "no weather year covers it"
            birds = bird_risk(catalogue.covers[name], catalogue)
            if birds and birds_came:
                birds = catalogue.rule("bird_loss_again")
            found[name] = SownAgain(
                name, first, int(now["years"]), int(now["closes_years"]), int(now["aim_years"]), int(now["wins_years"]),
                birds, last,
                0 if row is None else int(row.rank), why,
            )  # fmt: skip
        same = found.get(cover_id, SownAgain(cover_id, pd.NaT, why_not=late))
        others = [f for f in found.values() if f.cover_id != cover_id and not f.why_not and f.wins_years]
        if not others:
            return same, None
        best = max(one.odds for one in others)
        near = [one for one in others if one.odds > best - catalogue.rule("stand_margin") + 1e-9]
        rung = self.rungs.get(f"{first:%Y-%m-%d}", "")
        return same, min(near, key=lambda one: (one.cover_id != rung, one.rank, one.cover_id))

    def seed_for(self, cover_id: str, on: pd.Timestamp) -> tuple[float, float, str]:
        """Seed of a sowing [kg], its cost by the farm's list (NaN where that is not known), and the currency."""
        farm = self.farm
        options = pd.DataFrame(
            [("now", self.gap.gap_id, self.gap.block_id, cover_id, on, self.closes)],
            columns=list(Option.to_schema().columns),
        )
        chosen = options[["gap_id", "block_id", "cover_id", "option_id"]]
        need = seed_needs(
            Allocation.validate(chosen), Option.validate(options), farm.blocks, farm.catalogue,
            farm.settings.equipment, farm.settings.seed_lots,
        )  # fmt: skip
        lines = order_lines(need, farm.seed_lists, farm.catalogue, farm.settings.organic)
        each = lines["price_per_bag"] / lines["bag_kg"] * lines["seed_g"] / 1000
        known = each.where(lines["from_where"] != "shed", 0.0)  # paid for already
        return float(need["seed_g"].sum()) / 1000, float(known.sum(skipna=False)), farm.seed_lists.currency


def ground_of(farm: Farm, gap_id: str, plan: Plan | None) -> Ground:
    """What every run on a gap shares.

    Raises
    ------
    InputProblem
        If there is no such gap.
    """
    gaps = find_gaps(farm.crop_calendar, farm.settings, farm.catalogue, southern=southern(farm))
    if gap_id not in set(gaps["gap_id"]):
        known = sorted(gaps["gap_id"])
        remedy = f"{suggestion(gap_id, known)}; `greengap gaps` lists them with their dates"
        raise InputProblem(farm.settings.folder.as_posix(), f"gap {gap_id!r}", "there is no such gap", remedy)
    return Ground(farm, Gap.validate(gaps[gaps["gap_id"] == gap_id].reset_index(drop=True)), plan)


def full_stand(cover: Cover, catalogue: Catalogue) -> dict[str, float]:
    """Plants of a full stand of each species of a cover [m-2]."""
    return {
        c.species: plants_per_m2(catalogue.species[c.species], c.share_of_sole_rate, 1.0, catalogue)
        for c in cover.components
    }


def rows_of_gap(record: pd.DataFrame, gap: Any) -> pd.DataFrame:
    """Rows of a season record about a gap: by its name, or without one by its block; of its own season only.

    Gaps of another year may have the same name, and a block is sown sooner or cleared later than was planned: rows
    belong to it from some weeks before it opens to some weeks after it ends.
    """
    first, last = gap.start - SLIPPED_D * DAY, gap.end + SLIPPED_D * DAY
    named = (record["gap_id"] == gap.gap_id) & record["date"].between(first, last)
    by_day = (
        (record["gap_id"] == "") & (record["block_id"] == gap.block_id) & record["date"].between(gap.start, gap.end)
    )
    return record[named | by_day].sort_values(["date", "written", "record_id"])


def numbered(frames: pd.DataFrame) -> pd.DataFrame:
    """Rows of frames with a number each; a row without one is a frame of its own."""
    own = pd.Series(range(-1, -1 - len(frames), -1), index=frames.index).astype("Float64")
    return frames.assign(frame=frames["frame"].astype("Float64").fillna(own).astype(int))


def usable_share(share: float, catalogue: Catalogue) -> float:
    """Share of a full stand that is run: none below the rule ``stand_least_share``.

    Plants branch into the room of those that are missing, and the engine's canopy falls slowly with the stand; where
    hardly any stand, what lies between them stays bare, which the engine does not see.
    """
    return share if share >= catalogue.rule("stand_least_share") else 0.0


def as_good_as_thinner(odds: np.ndarray, axis: int) -> np.ndarray:
    """Odds that do not fall where the stand rises along an axis.

    Notes
    -----
    A season ends a cover early enough for what it leaves, so that a stand that leaves more is ended sooner and may miss
    its aim for that. No stand is given up for being too good: it counts as the best of those thinner than it.

    Examples
    --------
    >>> as_good_as_thinner(np.array([0.0, 0.9, 0.2, 0.6]), axis=0)
    array([0. , 0.9, 0.9, 0.9])
    """
    return np.maximum.accumulate(odds, axis=axis)


def work_out_stand(
    farm: Farm, gap_id: str, cover_id: str, sown_on: pd.Timestamp, look_on: pd.Timestamp, plan: Plan | None = None
) -> StandTables:
    """The decision on a stand for every density and cover of weeds, before anybody has looked.

    Parameters
    ----------
    farm : Farm
    gap_id, cover_id : str
    sown_on, look_on : Timestamp
        Day it is sown, and day of the look.
    plan : Plan, optional
        Its ladder names the cover that is sown next, where that is as good as another, and what it ran of later
        sowings is not run anew.

    Returns
    -------
    StandTables

    Raises
    ------
    InputProblem
        If there is no such gap.
    """
    return work_out(ground_of(farm, gap_id, plan), cover_id, sown_on, look_on, WEED_COVERS, {}, False, False)


def work_out(
    ground: Ground,
    cover_id: str,
    sown_on: pd.Timestamp,
    look_on: pd.Timestamp,
    weed_covers: Sequence[float],
    plants_m2: Mapping[float, float],
    birds_came: bool,
    anew_run: bool = True,
    up_on: pd.Timestamp | None = None,
) -> StandTables:
    """The same; `plants_m2` are numbers of weeds by their cover, where they were counted, `up_on` a day seen."""
    catalogue, settings = ground.farm.catalogue, ground.farm.settings
    cover, rule = catalogue.covers[cover_id], catalogue.rule
    work, terms = weeding_work(settings.hand_weeding, catalogue), stand_terms(settings.wanted_odds, catalogue)
    full = full_stand(cover, catalogue)
    extinction = rule("weed_light_extinction")
    seen = {weeds: float(leaf_area_of_cover(weeds, extinction)) for weeds in weed_covers}
    grid = [
        Standing(
            dict.fromkeys(full, usable_share(share, catalogue)), look_on, up_on, look_on, seen[weeds],
            look_on + NEXT_DAY_D * DAY if pulled else None, rule("hand_weeding_left") if pulled else 1.0,
        )
        for weeds in weed_covers for share in STAND_SHARES for pulled in (False, True)
    ]  # fmt: skip
    season = ground.run(cover_id, sown_on, [*grid, None])
    won = years_won(season)
    odds = (won["wins_years"] / won["years"]).reindex([str(k) for k in range(len(grid))]).fillna(0.0).to_numpy()
    odds = as_good_as_thinner(odds.reshape(len(weed_covers), len(STAND_SHARES), 2), axis=1)
    up = season.loc[season["option_id"] == str(len(grid)), "emergence_d"]
    years = int(won["years"].max()) if len(won) else 0
    quantiles = [up.quantile(q) if up.notna().any() else np.nan for q in (0.1, 0.5, 0.9)]
    comes_up = tuple(pd.NaT if np.isnan(q) else sown_on + int(np.ceil(q)) * DAY for q in quantiles)
    resow, switch = ground.sown_again(cover_id, look_on, birds_came, anew_run)
    number, area = ground.weeds_by(sown_on, look_on)
    each = area / number if number > 0 else rule("weed_seedling_area")
    rows = []
    for w, weeds in enumerate(weed_covers):
        counted = plants_m2.get(weeds, seen[weeds] / each)
        counted = min(counted, rule("weed_seedlings")) if weeds not in plants_m2 else counted
        hours = work.hours_for(ground.area_m2, counted)
        for s, share in enumerate(STAND_SHARES):
            keep, pulled = (float(odds[w, s, k]) for k in (0, 1))
            possible = {KEEP: keep, CLEAN: terms.least}
            if hours <= work.hours and weeds > 0:
                possible[WEED] = pulled
            if not resow.why_not:
                possible[RESOW] = resow.odds
            if switch is not None:
                possible[SWITCH] = switch.odds
            good = is_good(share, seen[weeds], area, catalogue)
            verdict, toss = (KEEP, "") if good else best_choice(possible, terms)
            rows.append(
                {
                    "gap_id": ground.gap.gap_id,
                    "cover_id": cover_id,
                    "look_on": look_on,
                    "weed_cover_fraction": weeds,
                    "ordinary_weeds": seen[weeds] <= area,
                    "stand_share": share,
                    "plants_m2": share * sum(full.values()),
                    "keep_odds": keep,
                    "weed_odds": pulled,
                    "weed_hours": hours,
                    "resow_odds": 0.0 if resow.why_not else resow.odds,
                    "switch_odds": 0.0 if switch is None else switch.odds,
                    "switch_cover_id": "" if switch is None else switch.cover_id,
                    "verdict": verdict,
                    "toss_with": toss,
                }
            )
    table = StandTable.validate(pd.DataFrame(rows, columns=list(StandTable.to_schema().columns)))
    limits = stand_limits(table, ground.area_m2, work, terms, rule("stand_failure_share"))
    notes = []
    if ground.farm.this_season is None:
        notes.append("This season's weather so far is not in the farm: the weather years stand for it.")
    elif ground.weather is ground.farm.weather:
        notes.append(
            "The gap reaches into another year: it is run with the weather years, not with this season's days."
        )
    return StandTables(
        str(ground.gap.gap_id), str(ground.gap.block_id), cover, sown_on, look_on,
        (comes_up[0], comes_up[1], comes_up[2]), ground.area_m2, full, years, number, area, table, limits, resow,
        switch, work, terms, tuple(notes),
    )  # fmt: skip


def pulling_put_off(
    ground: Ground, tables: StandTables, later_d: Sequence[int], up_on: pd.Timestamp | None = None
) -> list[int]:
    """By how many days pulling can be put off.

    Parameters
    ----------
    ground : Ground
    tables : StandTables
        Of that ground.
    later_d : sequence of int
        Days after the first that are run, rising [d].
    up_on : Timestamp, optional
        Day that somebody saw it up.

    Returns
    -------
    list of int
        For each row of the table the last of them up to which every one keeps the wanted odds, 0 for the first day
        itself, -1 where even that does not keep them [d].
    """
    rule, wanted = ground.farm.catalogue.rule, tables.terms.wanted
    rows = list(tables.table.itertuples())
    worth = [k for k, row in enumerate(rows) if row.weed_odds >= wanted - 1e-9]
    first = tables.look_on + NEXT_DAY_D * DAY
    stands = [
        Standing(
            dict.fromkeys(tables.full_stand_m2, usable_share(rows[k].stand_share, ground.farm.catalogue)),
            tables.look_on, up_on, tables.look_on,
            float(leaf_area_of_cover(rows[k].weed_cover_fraction, rule("weed_light_extinction"))),
            first + days * DAY, rule("hand_weeding_left"),
        )
        for k in worth for days in later_d
    ]  # fmt: skip
    out = [-1] * len(rows)
    if not stands:
        return out
    won = years_won(ground.run(tables.cover.key, tables.sown_on, stands))
    odds = (won["wins_years"] / won["years"]).reindex([str(n) for n in range(len(stands))]).fillna(0.0).to_numpy()
    so_far: dict[float, np.ndarray] = {}
    for k, mine in zip(worth, odds.reshape(len(worth), len(later_d)), strict=True):
        weeds = rows[k].weed_cover_fraction  # rows rise with the stand
        so_far[weeds] = as_good_as_thinner(np.stack([so_far.get(weeds, mine), mine]), axis=0)[-1]
        kept = int(np.cumprod(so_far[weeds] >= wanted - 1e-9).sum())
        out[k] = int(later_d[kept - 1]) if kept else 0
    return out
