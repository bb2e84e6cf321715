"""Until when bloom can be kept, and the order of mowing that leaves flowers on some block as long as can be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from greengap.advice.bloom_years import DAY, Bloom
from greengap.tables import Allocation, Block, DataFrame, GeoDataFrame, KeepWindow, Mowing, Odds, Option, Season

OFTEN = 0.5  # share of the years in which a cover flowers, from which on it has a turn in the mowing


def keep_windows(
    blooms: Sequence[Bloom],
    allocation: DataFrame[Allocation],
    options: DataFrame[Option],
    odds: DataFrame[Odds],
    season: DataFrame[Season],
) -> DataFrame[KeepWindow]:
    """Days on which the bloom of each cover can be kept before it has to be mown.

    Parameters
    ----------
    blooms : sequence of Bloom
    allocation : DataFrame[Allocation]
    options : DataFrame[Option]
    odds : DataFrame[Odds]
    season : DataFrame[Season]

    Returns
    -------
    DataFrame[KeepWindow]
        One row a bloom, by its first day. The latest day of mowing is the planned termination: what the next crop
        allows, or the margin before viable seed. Where a first flower was seen before the median day, seed is taken
        to come as much earlier.
    """
    option_of = dict(zip(allocation["gap_id"], allocation["option_id"], strict=True))
    sow = dict(zip(options["option_id"], options["sow_date"], strict=True))
    ended_by = dict(zip(odds["option_id"], odds["ended_by"], strict=True))
    mine = season[season["option_id"].isin(option_of.values())]
    seasons = dict(iter(mine.groupby("option_id", sort=False)))
    rows = []
    for bloom in blooms:
        option = option_of[bloom.gap_id]
        own = seasons[option].sort_values("weather_year")
        by = sow[option] + pd.Timedelta(days=float(own["planned_end_d"].iloc[0]))
        reckoned = np.where(own["bloom_d"] > 0, own["bloom_from_d"], np.nan)
        first = _middle(bloom.opens)
        if bloom.seen and bool(own["ended_for_seed"].iloc[0]):
            usual = sow[option] + pd.Timedelta(days=float(np.floor(np.nanmedian(reckoned))))
            by = min(by, max(by - max(usual - first, pd.Timedelta(0)), first))
        frost = own["frost_kill_d"] <= own["growth_end_d"]
        early = own.loc[(own["growth_end_d"] < own["planned_end_d"]) & ~frost, "growth_end_d"]
        cut = np.minimum(bloom.closes, _day(by) - DAY)
        lasts = np.where(bloom.flowers, np.maximum((cut - bloom.opens) / DAY + 1, 0), 0.0)
        low, middle, high = np.quantile(lasts, [0.1, 0.5, 0.9])
        rows.append(
            {
                "gap_id": bloom.gap_id, "block_id": bloom.block_id, "cover_id": bloom.cover_id, "keep_from": first,
                "keep_until": max(min(_middle(bloom.closes), by - pd.Timedelta(days=1)), first), "mow_by": by,
                "ended_by": ended_by[option], "bloom_years": int(bloom.flowers.sum()), "years": len(bloom.years),
                "days_p10": low, "days_p50": middle, "days_p90": high, "early_seed_years": len(early),
                "early_seed_from": sow[option] + pd.Timedelta(days=float(early.min())) if len(early) else pd.NaT,
                "seen": bloom.seen,
            }
        )  # fmt: skip
    if not rows:
        return KeepWindow.empty()
    table = pd.DataFrame(rows)
    table["early_seed_from"] = pd.to_datetime(table["early_seed_from"])
    return KeepWindow.validate(table.sort_values(["keep_from", "gap_id"], kind="stable").reset_index(drop=True))


def _day(date: pd.Timestamp) -> np.datetime64:
    return np.datetime64(date.date(), "D")


def _middle(days: np.ndarray) -> pd.Timestamp:
    """Median of days, NaT left out."""
    known = np.sort(days[~np.isnat(days)])
    return pd.Timestamp(known[(len(known) - 1) // 2])


# ---- the order of mowing --------------------------------------------------------------------------


@dataclass(frozen=True)
class Staged:
    """Mowing days of some blocks.

    Attributes
    ----------
    days : ndarray of int, shape (blocks,)
        Day on which the mowing of each is done.
    fits : ndarray of bool, shape (blocks,)
        Whether the farm can mow it within its window.
    exact : bool
        No other days leave more flowers; False where the search was given up.
    """

    days: np.ndarray
    fits: np.ndarray
    exact: bool


def flower_days(open_on: np.ndarray, mown: np.ndarray) -> np.ndarray:
    """Days with a flower on some block, by year.

    Parameters
    ----------
    open_on : ndarray of bool, shape (blocks, years, days)
        Whether flowers would be open if nothing were mown.
    mown : ndarray of int, shape (blocks,)
        Day of mowing; nothing flowers on it and after it.

    Returns
    -------
    ndarray of int, shape (years,)
        [d].
    """
    left = open_on & (np.arange(open_on.shape[2]) < mown[:, None, None])
    return np.asarray(left.any(axis=0).sum(axis=1))


def stage(
    earliest: np.ndarray, latest: np.ndarray, area_m2: np.ndarray, open_on: np.ndarray, m2_d: float | None,
    most_tries: int,
) -> Staged:  # fmt: skip
    """Mowing days within the window of each block that leave the most days with flowers, over all years together.

    Parameters
    ----------
    earliest, latest : ndarray of int, shape (blocks,)
        Window of each.
    area_m2 : ndarray of float, shape (blocks,)
    open_on : ndarray of bool, shape (blocks, years, days)
    m2_d : float or None
        What can be mown in a day; None: everything.
    most_tries : int
        Schedules that are tried.

    Returns
    -------
    Staged

    Notes
    -----
    Later mowing never takes a flower away, so a block that shares no day's work with others in want of it is mown on
    its last day. The rest is searched depth first, the latest days first; a branch is left when even mowing all that
    is undecided on its last day would not beat the best so far. Of equal schedules the one with the later days wins.
    """
    blocks = len(latest)
    if m2_d is None or not blocks:
        return Staged(latest.copy(), np.ones(blocks, bool), True)
    work_d = np.maximum(np.ceil(area_m2 / m2_d - 1e-9), 1).astype(int)
    first_possible = np.minimum(earliest + work_d - 1, latest + 1)  # latest + 1: no day at all
    crowded = _crowded(earliest, latest, area_m2, m2_d)
    days, fits = _late_first(first_possible, latest, area_m2, m2_d)
    search = [int(k) for k in np.argsort(latest, kind="stable")[::-1] if crowded[k]]
    impossible = first_possible > latest
    search = [k for k in search if not impossible[k]]
    best, best_value, tries = None, (-1, 0), 0
    if fits[search].all():
        best, best_value = days.copy(), _value(open_on, days, latest)
    chosen, given_up = days.copy(), False
    chosen[search] = latest[search]
    used: dict[int, float] = {}

    def go(at: int) -> None:
        nonlocal best, best_value, tries, given_up
        tries += 1
        if tries > most_tries:
            given_up = True
            return
        if best is not None and _value(open_on, chosen, latest) <= best_value:
            return
        if at == len(search):
            best, best_value = chosen.copy(), _value(open_on, chosen, latest)
            return
        k = search[at]
        for day in range(int(latest[k]), int(first_possible[k]) - 1, -1):
            load = _load(float(area_m2[k]), day, m2_d)
            if all(used.get(d, 0.0) + m2 <= m2_d * (1 + 1e-9) for d, m2 in load.items()):
                for d, m2 in load.items():
                    used[d] = used.get(d, 0.0) + m2
                chosen[k] = day
                go(at + 1)
                chosen[k] = latest[k]
                for d, m2 in load.items():
                    used[d] -= m2
            if given_up:
                return

    go(0)
    if best is None:
        return Staged(days, fits, False)
    fits = np.ones(blocks, bool)
    fits[impossible] = False
    return Staged(best, fits, not given_up)


def _value(open_on: np.ndarray, days: np.ndarray, latest: np.ndarray) -> tuple[int, int]:
    """Days with flowers over all years, then how late it is mown: more is better."""
    return int(flower_days(open_on, days).sum()), -int((latest - days).sum())


def _load(area_m2: float, day: int, m2_d: float) -> dict[int, float]:
    """Ground mown on each day of a block that is done on `day`; the first day has what is left over [m2]."""
    whole = int(np.ceil(area_m2 / m2_d - 1e-9)) - 1 if area_m2 > m2_d else 0
    return {day - n: m2_d for n in range(whole)} | {day - whole: area_m2 - whole * m2_d}


def _crowded(earliest: np.ndarray, latest: np.ndarray, area_m2: np.ndarray, m2_d: float) -> np.ndarray:
    """Blocks whose windows hang together with ones that cannot all be mown on their last days."""
    wanted: dict[int, float] = {}
    for area, day in zip(area_m2, latest, strict=True):
        for d, m2 in _load(float(area), int(day), m2_d).items():
            wanted[d] = wanted.get(d, 0.0) + m2
    over = {d for d, m2 in wanted.items() if m2 > m2_d * (1 + 1e-9)}
    out = np.zeros(len(latest), bool)
    order = np.argsort(earliest, kind="stable")
    groups: list[tuple[int, list[int]]] = []  # last day of the group, its blocks
    for k in order:
        first = int(min(earliest[k], min(_load(float(area_m2[k]), int(latest[k]), m2_d))))
        if groups and first <= groups[-1][0]:
            end, members = groups[-1]
            groups[-1] = (max(end, int(latest[k])), [*members, int(k)])
        else:
            groups.append((int(latest[k]), [int(k)]))
    for end, members in groups:
        begin = min(int(earliest[k]) for k in members)
        if any(begin <= d <= end for d in over):
            out[members] = True
    return out


def _late_first(
    first_possible: np.ndarray, latest: np.ndarray, area_m2: np.ndarray, m2_d: float
) -> tuple[np.ndarray, np.ndarray]:
    """A schedule that is soon found: from the last window back, each on the latest day with room for it."""
    days, fits, used = latest.copy(), np.zeros(len(latest), bool), dict[int, float]()
    for k in np.lexsort((first_possible, latest))[::-1]:
        for day in range(int(latest[k]), int(first_possible[k]) - 1, -1):
            load = _load(float(area_m2[k]), day, m2_d)
            if all(used.get(d, 0.0) + m2 <= m2_d * (1 + 1e-9) for d, m2 in load.items()):
                for d, m2 in load.items():
                    used[d] = used.get(d, 0.0) + m2
                days[k], fits[k] = day, True
                break
    return days, fits


def in_few_goes(earliest: np.ndarray, latest: np.ndarray) -> np.ndarray:
    """Mowing days if it is done in as few goes as can be: all whose window is open, when the first one closes.

    Examples
    --------
    >>> in_few_goes(np.array([0, 3, 9]), np.array([5, 8, 12]))
    array([ 5,  5, 12])
    """
    days = latest.copy()
    left = set(range(len(latest)))
    while left:
        day = min(int(latest[k]) for k in left)
        now = {k for k in left if earliest[k] <= day}
        days[list(now)] = day
        left -= now
    return days


@dataclass(frozen=True)
class FlowerDays:
    """Days with flowers over the farm.

    Attributes
    ----------
    days : ndarray of datetime64[D], shape (days,)
    open_on : ndarray of bool, shape (years, days)
        Some block in flower, with the mowing staged.
    staged_d, together_d : ndarray of int, shape (years,)
        Days with flowers, mown in turns and mown in as few goes as can be [d].
    goes : (int, int)
        Days on which is mown, in turns and in few goes.
    exact : bool
        No other order within the windows leaves more flowers.
    """

    days: np.ndarray
    open_on: np.ndarray
    staged_d: np.ndarray
    together_d: np.ndarray
    goes: tuple[int, int]
    exact: bool


def stage_mowing(
    blooms: Sequence[Bloom],
    windows: DataFrame[KeepWindow],
    ready_from: dict[str, pd.Timestamp],
    blocks: GeoDataFrame[Block],
    m2_d: float | None,
    most_tries: int,
) -> tuple[DataFrame[Mowing], FlowerDays | None]:
    """The order in which the blocks in flower are mown, so that flowers stand on some block as long as can be.

    Parameters
    ----------
    blooms : sequence of Bloom
    windows : DataFrame[KeepWindow]
        Of the same gaps.
    ready_from : dict of gap_id to Timestamp
        Day from which a cover has reached its aim; none mows before it, nor before the first flower.
    blocks : GeoDataFrame[Block]
    m2_d : float or None
        Ground that the farm can mow in a day [m2].
    most_tries : int

    Returns
    -------
    mowing : DataFrame[Mowing]
        By day; covers that flower in fewer than half of the years, or that frost ends, have no turn.
    flowers : FlowerDays or None
        None where nothing flowers.
    """
    if not blooms:
        return Mowing.empty(), None
    window = windows.set_index("gap_id")
    years = sorted(set.intersection(*(set(b.years.tolist()) for b in blooms)))
    first = min(np.nanmin(b.opens) for b in blooms)
    last = max(max(np.nanmax(b.closes) for b in blooms), _day(windows["mow_by"].max())) + DAY
    days = np.arange(first, last + DAY)
    open_on = np.stack([_open_on(b, years, days) for b in blooms])
    by = np.array([(_day(window.loc[b.gap_id, "mow_by"]) - first) / DAY for b in blooms]).astype(int)
    area = blocks.set_index("block_id")["area_sown_m2"].loc[[b.block_id for b in blooms]].to_numpy(float)
    start = []
    for bloom in blooms:
        ready, opens = ready_from.get(bloom.gap_id, pd.NaT), window.loc[bloom.gap_id, "keep_from"]
        start.append((_day(opens if pd.isna(ready) else max(ready, opens)) - first) / DAY)
    earliest = np.minimum(np.array(start).astype(int), by)
    has_turn = [b.flowers.sum() >= OFTEN * len(b.years) and window.loc[b.gap_id, "ended_by"] != "frost" for b in blooms]
    some = [k for k, turn in enumerate(has_turn) if turn]
    found = stage(earliest[some], by[some], area[some], open_on[some], m2_d, most_tries)
    staged, together = by.copy(), by.copy()
    staged[some], together[some] = found.days, in_few_goes(earliest[some], by[some])
    left = open_on & (np.arange(len(days)) < staged[:, None, None])
    alone = np.median(((left.sum(axis=0) == 1) & left).sum(axis=2), axis=1)
    took = [min(_load(float(area[k]), int(staged[k]), m2_d)) if m2_d else int(staged[k]) for k in range(len(blooms))]
    order = sorted(some, key=lambda k: (staged[k], by[k], blooms[k].gap_id))
    rows = [
        {
            "turn": turn, "gap_id": blooms[k].gap_id, "block_id": blooms[k].block_id, "cover_id": blooms[k].cover_id,
            "area_m2": area[k], "first_day": first + took[k] * DAY, "mow_on": first + int(staged[k]) * DAY,
            "together": first + int(together[k]) * DAY, "mow_from": first + int(earliest[k]) * DAY,
            "mow_by": first + int(by[k]) * DAY, "alone_d": alone[k], "fits": bool(found.fits[some.index(k)]),
        }
        for turn, k in enumerate(order, 1)
    ]  # fmt: skip
    flowers = FlowerDays(
        days, np.asarray(left.any(axis=0)), flower_days(open_on, staged), flower_days(open_on, together),
        (len(set(found.days.tolist())), len(set(together[some].tolist()))), found.exact,
    )  # fmt: skip
    return (Mowing.validate(pd.DataFrame(rows)) if rows else Mowing.empty()), flowers


def _open_on(bloom: Bloom, years: Sequence[int], days: np.ndarray) -> np.ndarray:
    """Whether flowers are open, shape (years, days)."""
    at = {int(year): k for k, year in enumerate(bloom.years)}
    rows = [at[year] for year in years]
    return np.asarray((bloom.opens[rows, None] <= days) & (bloom.closes[rows, None] >= days))
