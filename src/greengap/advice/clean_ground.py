"""No cover compared fairly: ways of keeping a gap without one, beside the cover, by the same measures.

Every way runs through the same weather years from the first sowing day to the day before the next crop. A way serves a
purpose in the years in which it does what the purpose asks; what bare ground cannot do (feed, fix, flower) it does in
none. Weeds have one yardstick for all: whether any seed, and whether they close over the ground. The way or the cover
that serves the farm's purposes best, by their weights, is said to be better.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from greengap.advice.options import NO_COVER
from greengap.advice.purposes import default_aim
from greengap.catalogue import Catalogue
from greengap.farm.settings import FarmSettings
from greengap.process.clean_ground import CleanRun, Stretch, lacking_for_weeds
from greengap.tables import CleanGround, DataFrame
from greengap.units import write

WAYS = ("harrow", "tarp", "mow", "leave")
WAY_WORDS = {
    "harrow": "shallow harrowing", "tarp": "a tarp", "mow": "mowing the weeds", "leave": "leaving the weeds",
}  # fmt: skip
NEEDS = {"harrow": "tillage", "tarp": "tarp", "mow": "mower"}
NOT_THERE = {"tillage": "there is no harrow", "tarp": "there is no tarp", "mower": "there is no mower"}
DAY = pd.Timedelta(days=1)
OF_SEASON = (
    "half_cover_d", "growth_end_d", "frost_kill_d", "weed_share", "water_lack_mm", "leaching_kept_share",
    "nitrogen_kg_ha", "nitrogen_fixed_kg_ha", "nitrogen_0d_kg_ha",
)  # fmt: skip
# From which difference on two ways are told apart in words.
APART = {"seed_free": 0.1, "bare_d": 7.0, "leached": 5.0, "water": 10.0, "hours": 0.5, "hours_share": 0.25}


def stretch_of(gap: Any, stale_seedbed_d: int) -> Stretch:
    """Days of a gap that lie without a cover: from the clean, ready bed to the day before the next crop."""
    ready = min(gap.opens - stale_seedbed_d * DAY, gap.end)
    return Stretch(max(ready, gap.start), gap.end)


@dataclass
class Measures:
    """One way on the gaps of a block, arrays of shape (gap, year); NaN where a thing is not reckoned."""

    bare_d: np.ndarray
    passes: np.ndarray
    first_pass_d: np.ndarray  # from the start of the stretch
    up: np.ndarray
    standing: np.ndarray
    seeding: np.ndarray
    water_mm: np.ndarray
    leached: np.ndarray
    nitrate: np.ndarray
    covers_d: np.ndarray  # days until half the ground is covered, NaN if never
    closed: np.ndarray  # leaves of weeds cover half the ground on the last day
    hours_ha: np.ndarray = field(default_factory=lambda: np.zeros(0))  # by machine


@dataclass(frozen=True)
class Prices:
    """What a cover costs in seed by gap, NaN where a price is not known, and in which currency."""

    seed: Mapping[str, float]
    currency: str


@dataclass(frozen=True)
class PlanTables:
    """What a plan says of its covers, as far as the comparison needs it."""

    options: pd.DataFrame
    season: pd.DataFrame
    odds: pd.DataFrame
    purpose_odds: pd.DataFrame
    recommendation: pd.DataFrame
    allocation: pd.DataFrame
    seed_need: pd.DataFrame
    order_lines: pd.DataFrame

    def of(self, compared: Mapping[str, tuple[str, str]]) -> PlanTables:
        """The same of the covers that are compared only, and the first sowing date of each gap: the rest is large."""
        pairs = self.options["gap_id"].str.cat(self.options["cover_id"], sep="\n")
        options = self.options[pairs.isin([f"{gap}\n{cover}" for gap, (cover, _) in compared.items()])]
        wanted = [option for _, option in compared.values()]
        return replace(
            self,
            options=options,
            season=self.season[self.season["option_id"].isin(wanted)],
            odds=self.odds[self.odds["option_id"].isin(options["option_id"])],
            purpose_odds=self.purpose_odds[self.purpose_odds["option_id"].isin(wanted)],
        )


def quantiles(values: np.ndarray, ran: np.ndarray, shares: Sequence[float]) -> list[np.ndarray]:
    """Quantiles over the years that ran, by gap, as numpy reckons them; NaN where none did or a value is not known.

    Examples
    --------
    >>> quantiles(np.array([[1.0, 9.0, 3.0]]), np.array([[True, False, True]]), [0.5])
    [array([2.])]
    """
    order = np.sort(np.where(ran, values, np.inf), axis=1)
    count = ran.sum(axis=1)
    out = []
    for share in shares:
        at = share * np.maximum(count - 1, 0)
        low = np.floor(at).astype(int)
        high = np.minimum(low + 1, np.maximum(count - 1, 0))
        rows = np.arange(count.size)
        a, b = order[rows, low], order[rows, high]
        with np.errstate(invalid="ignore"):
            found = a + np.where(at > low, (at - low) * (b - a), 0.0)
        out.append(np.where((count > 0) & np.isfinite(found), found, np.nan))
    return out


def covers_compared(plan: PlanTables) -> dict[str, tuple[str, str]]:
    """The cover of each gap that bare ground is compared with, and its option: the plan's own, or the best there is."""
    out = {}
    ranked = plan.recommendation[
        plan.recommendation["eligible"]
        & plan.recommendation["option_id"].notna()
        & (plan.recommendation["cover_id"] != NO_COVER)
    ]
    for r in ranked.sort_values("rank", kind="stable").drop_duplicates("gap_id").itertuples():
        out[str(r.gap_id)] = (str(r.cover_id), str(r.option_id))
    for a in plan.allocation[plan.allocation["option_id"].notna()].itertuples():
        out[str(a.gap_id)] = (str(a.cover_id), str(a.option_id))
    return out


def seed_prices(plan: PlanTables) -> Prices:
    """What the seed of each gap's cover costs, by its share of what is ordered of each species."""
    lines = plan.order_lines
    currencies = sorted(set(lines["currency"]) - {""}) if len(lines) else []
    if len(currencies) != 1 or plan.seed_need.empty:
        return Prices({}, "")
    bought = lines.groupby(["year", "species"]).agg(cost=("cost", lambda c: c.sum(skipna=False)), g=("seed_g", "sum"))
    shed = lines["from_where"] == "shed"
    free = lines[shed].groupby(["year", "species"])["seed_g"].sum()
    need = plan.seed_need.assign(year=plan.seed_need["sow_date"].dt.year)
    need = need.join(bought, on=["year", "species"]).join(free.rename("free_g"), on=["year", "species"])
    all_free = need["free_g"].fillna(0) >= need["g"]
    share = (need["cost"] * need["seed_g"] / need["g"].clip(lower=1)).where(~all_free, 0.0)
    by_gap = share.groupby(need["gap_id"]).agg(lambda c: c.sum(skipna=False))
    return Prices({str(k): float(v) for k, v in by_gap.items()}, currencies[0])


# -- measures ----------------------------------------------------------------------------------------


def measure_ways(
    run: CleanRun, covered: np.ndarray, mown_lacks: np.ndarray, passes: np.ndarray, cuts: np.ndarray
) -> dict[str, Measures]:
    """The four ways on one block.

    Parameters
    ----------
    run : CleanRun
    covered : ndarray, shape (2, gap, year, day)
        From `covers_of_weeds`.
    mown_lacks : ndarray, shape (2, gap, year)
        What the ground lacks more than bare ground under weeds left alone and mown [mm].
    passes, cuts : ndarray of int, shape (pass, gap, year)
        Harrowings and mowings.
    """
    rule, none = run.catalogue.rule, run.days.dates.size
    whole = np.broadcast_to((run.length + 1)[:, None].astype(float), run.start.shape)
    zero, nan = np.zeros(run.start.shape), np.full(run.start.shape, np.nan)
    half = rule("half_cover_share")
    inside = np.arange(covered.shape[-1]) <= run.length[:, None, None]
    shut = (covered >= half) & inside
    ends = covered[..., -1] >= half  # shorter stretches stay on their last day
    first = np.where(shut.any(axis=-1), shut.argmax(axis=-1), np.nan)
    free, washed = run.set_free(), run.washed_out()
    held = rule("mineral_nitrogen_at_sowing") + free
    weeds = {"harrow": run.harrowed(passes), "tarp": run.tarped(), "mow": run.mown(cuts), "leave": run.left_alone}

    def counted(at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        if not at.size:
            return zero, nan
        return (at < none).sum(axis=0).astype(float), np.where(at[0] < none, at[0] - run.start, np.nan)

    harrowed, first_harrow = counted(passes)
    mown, first_mown = counted(cuts)
    day_0 = zero
    rest: dict[str, tuple[Any, ...]] = {
        "harrow": (whole, harrowed, first_harrow, zero, washed, np.maximum(held - washed, 0), nan, zero.astype(bool)),
        "tarp": (zero, zero + 2, day_0, run.tarp_lacks_mm(), zero, held, zero, zero.astype(bool)),
        "mow": (whole - shut[1].sum(axis=-1), mown, first_mown, mown_lacks[1], nan, nan, first[1], ends[1]),
        "leave": (whole - shut[0].sum(axis=-1), zero, nan, mown_lacks[0], nan, nan, first[0], ends[0]),
    }
    out = {}
    for way, (bare, count, first_d, water, leached, nitrate, covers, closed) in rest.items():
        w = weeds[way]
        out[way] = Measures(bare, count, first_d, w.up, w.standing, w.seeding, water, leached, nitrate, covers, closed)
    out["harrow"].hours_ha = harrowed * 1e4 / rule("harrow_work")
    out["mow"].hours_ha = mown * 1e4 / rule("mow_work")
    out["tarp"].hours_ha = zero + 1e4 / rule("tarp_work")
    out["leave"].hours_ha = zero
    return out


def covers_of_weeds(run: CleanRun, cuts: np.ndarray) -> np.ndarray:
    """Ground under weeds left alone and mown, shape (2, gap, year, day) [fraction]."""
    alone = run.weed_leaf_area()
    return run.covered(np.stack([alone, run.mown_area(cuts, alone)]))


@dataclass(frozen=True)
class _Option:
    """One option that is compared, its weather years one below the other."""

    sow_date: pd.Timestamp
    opens: pd.Timestamp  # first sowing date of its gap
    ended_by: str
    weather_year: np.ndarray
    columns: Mapping[str, np.ndarray]


def _options(plan: PlanTables) -> dict[str, _Option]:
    """The options of the compared covers by name, from tables of no others."""
    values = {name: plan.season[name].to_numpy(dtype=float) for name in OF_SEASON}
    year = plan.season["weather_year"].to_numpy()
    rows = plan.season.groupby("option_id", sort=False).indices
    first = plan.options.groupby("gap_id")["sow_date"].min().to_dict()
    ends = dict(zip(plan.odds["option_id"], plan.odds["ended_by"], strict=True))
    sown = zip(plan.options["option_id"], plan.options["gap_id"], plan.options["sow_date"], strict=True)
    return {
        str(option): _Option(
            sow_date, first[gap], ends[option], year[rows[option]], {n: v[rows[option]] for n, v in values.items()}
        )
        for option, gap, sow_date in sown
        if option in rows
    }


def measure_covers(
    run: CleanRun, gap_ids: Sequence[str], seen: Mapping[str, _Option], compared: Mapping[str, tuple[str, str]],
    settings: FarmSettings,
) -> tuple[Measures, np.ndarray]:  # fmt: skip
    """The compared covers on one block, and in which years they were run, shape (gap, year)."""
    rule, rules, days = run.catalogue.rule, run.rules, run.days
    shape = run.start.shape
    columns = {name: np.full(shape, np.nan) for name in OF_SEASON}
    sown_after, ended_by = np.zeros(shape[0], dtype=int), [""] * shape[0]
    for k, gap_id in enumerate(gap_ids):
        option = seen.get(compared.get(gap_id, ("", ""))[1])
        if option is None:
            continue
        first = run.stretches[k].first
        sown_after[k], ended_by[k] = (option.sow_date - first).days, option.ended_by
        # A weather year is that of the gap's first sowing date, here that of the first day of the stretch.
        year = option.weather_year + first.year - option.opens.year
        at = np.searchsorted(run.years, year)
        known = (at < run.years.size) & (run.years[np.minimum(at, run.years.size - 1)] == year)
        for name, column in columns.items():
            column[k, at[known]] = option.columns[name][known]
    ran = run.ran & ~np.isnan(columns["growth_end_d"])
    start, last = run.start, run.last
    sow = np.clip(start + sown_after[:, None], 0, last)
    end = np.clip(sow + np.nan_to_num(columns["growth_end_d"]).astype(int), sow, last)
    closes = np.minimum(sow + np.nan_to_num(columns["half_cover_d"], nan=10**6).astype(int), end)
    killed = columns["frost_kill_d"] <= columns["growth_end_d"]
    until = np.where(killed, last, end)  # what frost killed goes on covering the ground
    closed = columns["half_cover_d"] <= columns["growth_end_d"]
    bare = (run.length + 1)[:, None] - np.where(closed, until - closes + 1, 0)
    germination, warmth = days.weed_germination, days.weed_warmth
    come = rules.up(germination[closes] - germination[sow])
    later = (1 - come) * rules.up(germination[last] - germination[end])
    ripe = np.clip(np.searchsorted(warmth, warmth[end] - rules.seed_sum, side="right") - 1, sow, end)
    seeding = np.minimum(rules.up(germination[ripe] - germination[sow]), come) * columns["weed_share"]
    held = rule("mineral_nitrogen_at_sowing") + run.set_free()
    leached = run.washed_out() * (1 - columns["leaching_kept_share"])
    taken = columns["nitrogen_kg_ha"] - columns["nitrogen_fixed_kg_ha"]
    nitrate = np.maximum(held - leached - taken, 0) + columns["nitrogen_0d_kg_ha"]
    spared = np.array([by == "frost" for by in ended_by])[:, None]
    passes, hours = 1.0, 1e4 / rule("sow_work")
    ending = [name for name in ("mower", "tillage") if name in settings.equipment]
    more = sum(1e4 / rule({"mower": "mow_work", "tillage": "till_work"}[name]) for name in ending)
    measures = Measures(
        bare_d=bare.astype(float),
        passes=np.where(spared, passes, passes + len(ending)) + np.zeros(shape),
        first_pass_d=sown_after[:, None] + np.zeros(shape),
        up=come + later,
        standing=later,
        seeding=seeding,
        water_mm=columns["water_lack_mm"],
        leached=leached,
        nitrate=np.maximum(nitrate, 0),
        covers_d=columns["half_cover_d"] + sown_after[:, None],
        closed=np.zeros(shape, dtype=bool),
        hours_ha=np.where(spared, hours, hours + more) + np.zeros(shape),
    )
    return measures, ran


# -- the table ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class BlockFacts:
    """What the comparison needs of a block besides its days."""

    area_m2: float
    steep: bool


def clean_ground(
    gaps: pd.DataFrame,
    runs: Mapping[str, CleanRun],
    blocks: Mapping[str, BlockFacts],
    plan: PlanTables,
    compared: Mapping[str, tuple[str, str]],
    settings: FarmSettings,
    catalogue: Catalogue,
) -> DataFrame[CleanGround]:
    """Compare ways of leaving gaps without a cover with the cover.

    Parameters
    ----------
    gaps : DataFrame[Gap]
    runs : mapping of block_id to CleanRun
        Of the gaps of each block, in their order.
    blocks : mapping of block_id to BlockFacts
    plan : PlanTables
        Of the covers that are compared.
    compared : mapping of gap_id to (cover_id, option_id)
        From `covers_compared`.
    settings, catalogue
        Of the farm.

    Returns
    -------
    DataFrame[CleanGround]
        A row for the cover of each gap, where there is one to compare with, and one for each way without.
    """
    prices, seen = seed_prices(plan), _options(plan)
    work = {block: (run.harrowings, run.mowings) for block, run in runs.items()}
    weedy = {block: covers_of_weeds(run, work[block][1]) for block, run in runs.items()}
    lacks = dict(zip(runs, lacking_for_weeds(list(runs.values()), list(weedy.values())), strict=True))
    met = {(p.option_id, p.purpose): (p.met_years, p.years) for p in plan.purpose_odds.itertuples()}
    holds = {o.option_id: (o.holds_years, o.years) for o in plan.odds.itertuples()}
    rows: dict[str, list[dict[str, Any]]] = {}
    for block, run in runs.items():
        here = gaps[gaps["block_id"] == block]
        ids = [str(g) for g in here["gap_id"]]
        measured = {way: (m, run.ran) for way, m in measure_ways(run, weedy[block], lacks[block], *work[block]).items()}
        measured["cover"] = measure_covers(run, ids, seen, compared, settings)
        told = _Told(run, blocks[block], ids, here, compared, prices, met, holds, settings, catalogue)
        by_way = {way: told.rows(way, m, ran) for way, (m, ran) in measured.items()}
        for k, gap_id in enumerate(ids):
            ways = [by_way[way][k] for way in ("cover", *WAYS) if way != "cover" or gap_id in compared]
            rows[gap_id] = told.judged(ways)
    ordered = [row for gap_id in gaps["gap_id"] for row in rows.get(str(gap_id), [])]
    return CleanGround.validate(pd.DataFrame(ordered, columns=list(CleanGround.to_schema().columns)))


@dataclass
class _Told:
    """Puts the measures of one block into rows, and says which is better."""

    run: CleanRun
    block: BlockFacts
    gap_ids: list[str]
    gaps: pd.DataFrame
    compared: Mapping[str, tuple[str, str]]
    prices: Prices
    met: Mapping[tuple[str, str], tuple[int, int]]
    holds: Mapping[str, tuple[int, int]]
    settings: FarmSettings
    catalogue: Catalogue

    def rows(self, way: str, m: Measures, ran: np.ndarray) -> list[dict[str, Any]]:
        """One row for each gap."""
        rule, years = self.catalogue.rule, ran.sum(axis=1)
        seed_free = (m.seeding <= rule("weed_seed_little")) & ran
        bare = quantiles(m.bare_d, ran, (0.1, 0.5, 0.9))
        passes = quantiles(m.passes, ran, (0.5, 0.9))
        # A year without a pass stands behind all others, so that the median is one only if most years have one.
        first = quantiles(np.nan_to_num(m.first_pass_d, nan=np.inf), ran, (0.5,))[0]
        up, seeding = quantiles(m.up, ran, (0.5, 0.9)), quantiles(m.seeding, ran, (0.5, 0.9))
        standing, nitrate = quantiles(m.standing, ran, (0.5,))[0], quantiles(m.nitrate, ran, (0.5,))[0]
        water, leached = quantiles(m.water_mm, ran, (0.5, 0.9)), quantiles(m.leached, ran, (0.5, 0.9))
        hours = quantiles(m.hours_ha, ran, (0.5,))[0]
        warm = quantiles(self.run.warm_days(), ran, (0.5,))[0] if way == "tarp" else None
        out = []
        for k, gap_id in enumerate(self.gap_ids):
            cover, option = self.compared.get(gap_id, ("", "")) if way == "cover" else ("", "")
            area = min(self.block.area_m2, rule("tarp_area")) if way == "tarp" else self.block.area_m2
            offered, why = self._offered(
                way, bool(years[k] > 0), float(bare[1][k]), float(passes[0][k]), None if warm is None else warm[k]
            )
            served = self._served(way, option, k, m, ran, seed_free) if years[k] else np.nan
            worked = float(hours[k]) * area / 1e4
            out.append(
                {
                    "gap_id": gap_id,
                    "block_id": self.gaps["block_id"].iloc[k],
                    "way": way,
                    "cover_id": cover,
                    "offered": offered,
                    "why_not": why,
                    "years": int(years[k]),
                    "area_m2": area,
                    "days": int(self.run.length[k]) + 1,
                    **{f"bare_p{p}_d": v[k] for p, v in zip((10, 50, 90), bare, strict=True)},
                    "passes_p50": passes[0][k],
                    "passes_p90": passes[1][k],
                    "first_pass": pd.NaT if np.isnan(first[k]) else self.run.stretches[k].first + int(first[k]) * DAY,
                    "weeds_up_p50_share": up[0][k],
                    "weeds_up_p90_share": up[1][k],
                    "weeds_standing_p50_share": standing[k],
                    "weeds_seeding_p50_share": seeding[0][k],
                    "weeds_seeding_p90_share": seeding[1][k],
                    "seed_free_years": int(seed_free[k].sum()),
                    "water_p50_mm": water[0][k],
                    "water_p90_mm": water[1][k],
                    "leached_p50_kg_ha": leached[0][k],
                    "leached_p90_kg_ha": leached[1][k],
                    "nitrate_p50_kg_ha": nitrate[k],
                    "hours": worked,
                    **self._cost(way, gap_id, worked, area),
                    "served_share": served,
                    "better": False,
                    "verdict": "",
                }
            )
        return out

    def _offered(self, way: str, ran: bool, bare_d: float, passes: float, warm_d: float | None) -> tuple[bool, str]:
        """Whether it can be done, and why not or what limits it."""
        rule, units = self.catalogue.rule, self.settings.units
        if not ran:
            return False, "no weather year covers the gap completely"
        tool = NEEDS.get(way)
        if tool is not None and tool not in self.settings.equipment:
            return False, NOT_THERE[tool]
        limits = []
        if way == "tarp":
            if self.block.area_m2 > rule("tarp_area"):
                limits.append(
                    f"reaches {write(rule('tarp_area'), 'm2', units)} of {write(self.block.area_m2, 'm2', units)}"
                )
            if warm_d is not None and warm_d < rule("tarp_time"):
                limits.append(f"{warm_d:.0f} days with warm soil in the median year, it takes {rule('tarp_time'):.0f}")
        if way in ("harrow", "mow") and passes < 1:
            limits.append("nothing to do in most years")
        if way in ("harrow", "leave", "mow") and self.block.steep and bare_d > rule("bare_on_a_slope"):
            limits.append(f"bare for {bare_d:.0f} days on a slope that washes")
        return True, "; ".join(limits)

    def _served(self, way: str, option: str, k: int, m: Measures, ran: np.ndarray, seed_free: np.ndarray) -> float:
        """Weighted share of the purposes that are served, over the years."""
        total = sum(p.weight for p in self.settings.purposes)
        if total <= 0:
            return 0.0
        years, served = ran[k].sum(), 0.0
        for purpose in self.settings.purposes:
            if purpose.key == "weed_suppression":  # the same yardstick for all: what seeds, and what is left standing
                share = (seed_free[k] & ~m.closed[k]).sum() / years
            elif way == "cover":
                held, run = self.met.get((option, purpose.key), (0, 0))
                share = held / run if run else 0.0
            elif purpose.key == "erosion_control":
                within = (purpose.aim or default_aim(purpose.key, self.catalogue)).within_d
                share = (ran[k] & (m.covers_d[k] <= (np.inf if within is None else within))).sum() / years
            else:
                share = 0.0
            served += purpose.weight * share
        return float(served / total)

    def _cost(self, way: str, gap_id: str, hours: float, area_m2: float) -> dict[str, Any]:
        """Work, seed and tarp, where all of it is priced in one currency."""
        costs = self.settings.costs
        currency = costs.currency or self.prices.currency
        hour = costs.hand_h if way == "tarp" else costs.machine_h
        cost = 0.0 if hours == 0 else np.nan if hour is None else hours * hour
        if way == "tarp":
            cost += np.nan if costs.tarp_m2 is None else costs.tarp_m2 * area_m2
        if way == "cover":
            alike = not costs.currency or self.prices.currency in ("", costs.currency)
            cost += self.prices.seed.get(gap_id, np.nan) if alike else np.nan
        known = bool(np.isfinite(cost)) and bool(currency or cost == 0)
        return {"cost": cost if known else np.nan, "currency": currency if known else ""}

    # -- which is better ---------------------------------------------------------------------------

    def judged(self, ways: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """The rows of a gap with the better one marked and the verdict on each."""
        cover = next((w for w in ways if w["way"] == "cover" and w["years"] > 0), None)
        whole = [w for w in ways if w["way"] != "cover" and w["offered"] and w["area_m2"] >= self.block.area_m2 - 1e-6]
        if not whole:
            words = "no weather year covers the gap completely, so that nothing can be compared"
            return [w | {"verdict": _sentence(words)} for w in ways]
        least = min(w["weeds_standing_p50_share"] for w in whole)
        apart = self.catalogue.rule("clean_standing_apart")
        best = min(
            whole,
            key=lambda w: (
                -round(w["served_share"], 9) if np.isfinite(w["served_share"]) else 0.0,
                -w["seed_free_years"],
                w["weeds_standing_p50_share"] - least > apart,
                w["hours"],
                -WAYS.index(w["way"]),  # where nothing comes up, it is left
            ),
        )
        if cover is None:
            winner, words = best, self._alone(best)
        else:
            winner, words = self._against(cover, best)
        return [w | {"better": w is winner, "verdict": _sentence(words)} for w in ways]

    def _name(self, row: Mapping[str, Any]) -> str:
        return self.catalogue.covers[row["cover_id"]].name.lower() if row["way"] == "cover" else WAY_WORDS[row["way"]]

    def _alone(self, best: Mapping[str, Any]) -> str:
        """No cover fits."""
        words = f"no cover fits; of the ways without one {WAY_WORDS[best['way']]} is best: "
        words += f"weeds kept from seeding in {best['seed_free_years']} of {best['years']} years, "
        words += f"bare ground for {best['bare_p50_d']:.0f} days"
        return words + (f", {_passes(best)}" if best["passes_p50"] > 0 else "")

    def _against(self, cover: dict[str, Any], way: dict[str, Any]) -> tuple[dict[str, Any], str]:
        """Which of the two is better, and why, in one sentence.

        Within the margin of a coin toss the cover is kept if it holds in the wanted share of the years; else it does
        not earn its seed.
        """
        a, b = cover["served_share"], way["served_share"]
        held, years = self.holds[self.compared[cover["gap_id"]][1]]
        keeps = held >= self.settings.wanted_odds * years
        first, second = self._name(cover), self._name(way)
        if not abs(a - b) <= self.catalogue.rule("clean_better_by"):
            winner, loser = (cover, way) if a > b or np.isnan(b) else (way, cover)
            words = f"{self._name(winner)} is better than {self._name(loser)}"
            words += f", with {winner['served_share']:.0%} of your purposes served, not {loser['served_share']:.0%}"
        else:
            winner, loser = (cover, way) if keeps else (way, cover)
            words = f"{first} and {second} serve your purposes alike ({a:.0%}, {b:.0%})"
            words += f", and {first} holds in {held} of {years} years: "
            words += "the cover is kept" if keeps else f"{second}, which needs no seed, is better"
        gains, losses = self._apart(winner, loser), self._apart(loser, winner)
        words += "".join(f", {g}" for g in gains)
        return winner, words + (f"; {self._name(loser)} has {', '.join(losses)}" if losses else "")

    def _apart(self, a: Mapping[str, Any], b: Mapping[str, Any]) -> list[str]:
        """In what the first is plainly better."""
        units, out = self.settings.units, []
        free, other = a["seed_free_years"], b["seed_free_years"]
        if free / a["years"] - other / b["years"] >= APART["seed_free"]:
            out.append(f"weeds kept from seeding in {free} of {a['years']} years, not {other}")
        if b["bare_p50_d"] - a["bare_p50_d"] >= APART["bare_d"]:
            out.append(f"bare ground for {a['bare_p50_d']:.0f} days, not {b['bare_p50_d']:.0f}")
        if b["leached_p50_kg_ha"] - a["leached_p50_kg_ha"] >= APART["leached"]:
            less, more = (write(row["leached_p50_kg_ha"], "kg_ha", units) for row in (a, b))
            out.append(f"{less} of nitrate washed out, not {more}")
        if b["water_p50_mm"] - a["water_p50_mm"] >= APART["water"]:
            out.append(f"{write(b['water_p50_mm'] - a['water_p50_mm'], 'mm', units)} more water left")
        if b["hours"] - a["hours"] >= max(APART["hours"], APART["hours_share"] * a["hours"]):
            out.append(f"{a['hours']:.1f} h of work, not {b['hours']:.1f} h")
        return out


def _passes(row: Mapping[str, Any]) -> str:
    count = row["passes_p50"]
    return f"{count:.0f} pass" if round(count) == 1 else f"{count:.0f} passes"


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:] + "."
