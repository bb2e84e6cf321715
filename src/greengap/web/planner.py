"""Plans in the background, block by block, and only what an edit has touched.

What is run and rated for a gap depends on nothing but that gap and its block (`greengap.plan.judge`), so it is kept
until its days, or the block's soil or settings change. `settle` then decides for the whole farm.
"""

from __future__ import annotations

import hashlib
import logging
import threading
import time
from collections.abc import Callable, Collection
from copy import deepcopy
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

import pandas as pd

from greengap.errors import InputProblem
from greengap.farm.crop_calendar import clashes
from greengap.farm.farm_file import FarmContents
from greengap.farm.gaps import find_gaps
from greengap.farm_input import Farm, read_farm_contents
from greengap.plan import Judged, Plan, join_judged, judge, settle, southern
from greengap.web.views import gap_views, iso

# Settings that concern no block, or single blocks only; the latter are looked at one by one.
NOT_OF_EVERY_BLOCK = frozenset(
    {
        "folder", "name", "note", "choices", "cut_outs", "assumptions", "irrigated", "cold_offset_degc", "tile_drained",
        "diseases", "growers_word", "irrigation_sets", "machinery", "office", "costs", "seed_lots", "polygons",
        "crop_calendar", "soil_rasters", "soil_survey", "block_soil", "weather", "planned_sprays", "spray_distance_m",
        "mown_m2_d",
    }
)  # fmt: skip
AT_ONCE = 8  # blocks that are run together once the touched one is shown
log = logging.getLogger("greengap.web")


class Cancelled(Exception):
    """A newer edit, or a person, has stopped the work."""


@dataclass
class Progress:
    """How far the plan of a version has come."""

    version: int = -1
    state: str = "idle"  # idle, reading, running, done, stopped, waiting, problem
    done: int = 0
    total: int = 0
    sentence: str = ""  # what is wrong, as the commands say it
    missing: list[str] = field(default_factory=list)  # what is not there yet: blocks, crops, weather
    problems: dict[str, dict[str, Any]] = field(default_factory=dict)  # block -> two crops at once on it
    seconds_first: float | None = None
    seconds: float | None = None


def missing_parts(contents: FarmContents) -> list[str]:
    """What a farm still needs before anything can be planned."""
    there = {
        "blocks": len(contents.blocks) > 0,
        "crops": len(contents.crop_calendar) > 0,
        "weather": contents.weather.sizes["cell_id"] > 0,
    }
    return [name for name, found in there.items() if not found]


def crops_at_once(calendar: Any) -> dict[str, dict[str, Any]]:
    """The first clash of each block that has one."""
    out: dict[str, dict[str, Any]] = {}
    for block, late, comes, last, first in clashes(calendar):
        out.setdefault(block, {"late": late, "comes": comes, "last": iso(last), "first": iso(first)})
    return out


def without_blocks(contents: FarmContents, aside: set[str]) -> FarmContents:
    """A farm without some blocks, which wait until they are mended; its report may be written to."""

    def others(table: Any) -> Any:
        return table[~table["block_id"].isin(aside)].reset_index(drop=True) if aside else table

    return replace(
        contents, blocks=others(contents.blocks), crop_calendar=others(contents.crop_calendar),
        soil=others(contents.soil), class_shares=others(contents.class_shares),
        set_aside=(*contents.set_aside, *sorted(aside)), report=deepcopy(contents.report),
    )  # fmt: skip


def blocks_of_farm(farm: Farm, blocks: Collection[str]) -> Farm:
    """The farm as if it had no other blocks."""

    def theirs(table: pd.DataFrame) -> pd.DataFrame:
        return table[table["block_id"].isin(blocks)].reset_index(drop=True)

    return replace(
        farm, blocks=theirs(farm.blocks), crop_calendar=theirs(farm.crop_calendar), soil=theirs(farm.soil),
        class_shares=theirs(farm.class_shares),
    )  # fmt: skip


def by_gap(judged: Judged, gaps: pd.DataFrame) -> dict[str, Judged]:
    """What was said of several gaps, gap by gap."""
    of_option = dict(zip(judged.options["option_id"], judged.options["gap_id"], strict=True))
    parts: dict[str, dict[str, Any]] = {str(g): {} for g in gaps["gap_id"]}
    for name in (f.name for f in fields(Judged)):
        table = getattr(judged, name)
        gap = table["gap_id"] if "gap_id" in table else table["option_id"].map(of_option)
        found = dict(iter(table.groupby(gap.to_numpy(), sort=False))) if len(table) else {}
        for g, held in parts.items():
            held[name] = found[g].reset_index(drop=True) if g in found else table.iloc[:0]
    return {g: Judged(**held) for g, held in parts.items()}


def digest_of(*parts: Any) -> str:
    """A name for values, by what they say."""
    made = hashlib.sha256()
    for part in parts:
        made.update(part.to_csv(index=False).encode() if isinstance(part, pd.DataFrame) else repr(part).encode())
    return made.hexdigest()


def key_of_block(farm: Farm, part: Farm, block: str) -> str:
    """Everything that what is said of a gap depends on, besides the gap itself."""
    s = farm.settings
    own = [(f.name, getattr(s, f.name)) for f in fields(s) if f.name not in NOT_OF_EVERY_BLOCK]
    own = [(n, sorted(v) if isinstance(v, frozenset) else v) for n, v in own]
    mine = (
        s.waters(block), s.cold_offset_degc.get(block), block in s.tile_drained,
        sorted(s.diseases.get(block, ())), s.growers_word.get(block),
        sorted(c.sow_date for c in s.choices if c.block_id == block and c.sow_date),
    )  # fmt: skip
    site = farm.weather.sel(site_id=farm.site_of_block[block])
    weather = [float(site[name].sum()) for name in sorted(str(v) for v in site.data_vars)]
    now = farm.so_far
    season = [] if now is None else [float(now[v].sum()) for v in sorted(map(str, now.data_vars))]
    until = None if now is None else str(now["date"].to_numpy()[-1])
    sprayed = [one for one in farm.law_lists.sprayed if one.block_id == block]
    middle = part.blocks.geometry.representative_point().iloc[0]
    return digest_of(
        own, mine, weather, season, until, sprayed, farm.catalogue.version, part.soil, part.class_shares,
        round(middle.y, 4),
    )  # fmt: skip


def _trimmed(judged: Judged, choices: Any) -> Judged:
    """Seasons of the options that a plan can take; the others are run again when they are looked at."""
    keep = set(judged.recommendation["option_id"].dropna())
    dates = {c.sow_date for c in choices if c.sow_date}
    if dates:
        locked = judged.options["sow_date"].dt.strftime("%Y-%m-%d").isin(dates)
        keep |= set(judged.options.loc[locked, "option_id"])
    return replace(judged, season=judged.season[judged.season["option_id"].isin(keep)].reset_index(drop=True))


@dataclass
class Made:
    """The last plan, with what the page shows of it."""

    version: int
    farm: Farm
    plan: Plan


class Planner:
    """One thread that plans the newest rows; a newer request stops the older."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.progress = Progress()
        self.views: dict[str, list[dict[str, Any]]] = {}  # gaps of a block
        self.made: Made | None = None
        self.farm: Farm | None = None
        self.gaps: pd.DataFrame | None = None
        self._judged: dict[str, dict[str, tuple[str, Judged]]] = {}  # by block and gap
        self._viewed: dict[str, str] = {}
        self._in_full: dict[str, tuple[Farm, Farm, Plan]] = {}  # the gap that was looked at last
        self._wanted: tuple[FarmContents, str | None] | None = None
        self._wake, self._stop, self._closed = threading.Condition(), threading.Event(), False
        self._thread = threading.Thread(target=self._work, name="greengap-planner", daemon=True)
        self._thread.start()

    # ---- from the page ------------------------------------------------------------------------

    def request(self, contents: FarmContents, first: str | None = None) -> None:
        """Plan what a farm file holds, a block of it first; stops what is being planned."""
        with self._wake:
            self._wanted = (contents, first)
            self._stop.set()
            self.progress = Progress(contents.revision, "reading")
            self._wake.notify()

    def cancel(self) -> None:
        """Stop; what has been planned so far stays."""
        with self._wake:
            self._wanted = None
            self._stop.set()

    def close(self) -> None:
        """Stop and end the thread."""
        with self._wake:
            self._closed = True
            self._stop.set()
            self._wake.notify()
        self._thread.join(timeout=20)

    # ---- the work -----------------------------------------------------------------------------

    def _work(self) -> None:
        while True:
            with self._wake:
                while self._wanted is None and not self._closed:
                    self._wake.wait()
                if self._closed:
                    return
                assert self._wanted is not None
                contents, first = self._wanted
                self._wanted = None
                self._stop.clear()
                progress = self.progress
            try:
                self._plan(contents, first, progress)
            except Cancelled:
                progress.state = "stopped"
            except InputProblem as problem:
                progress.state, progress.sentence = "problem", problem.sentence
            except Exception:  # the page has to say that something is wrong, whatever it is
                log.exception("planning failed")
                progress.state, progress.sentence = "problem", ""

    def _check(self, *_: Any) -> None:
        if self._stop.is_set():
            raise Cancelled

    def _plan(self, contents: FarmContents, first: str | None, progress: Progress) -> None:
        began, version = time.perf_counter(), contents.revision
        progress.missing = missing_parts(contents)
        if progress.missing:
            self.views, self.made, self.farm, self.gaps = {}, None, None, None
            self._judged, self._viewed = {}, {}
            progress.state = "waiting"
            return
        progress.problems = crops_at_once(contents.crop_calendar)
        aside = set(progress.problems)
        if contents.crop_calendar["block_id"].isin(aside).all():
            self.views, self.made = {b: [] for b in contents.blocks["block_id"]}, None
            progress.state = "waiting"
            return
        farm = read_farm_contents(without_blocks(contents, aside), self.path)
        self._check()
        gaps = find_gaps(farm.crop_calendar, farm.settings, farm.catalogue, southern=southern(farm))
        blocks = list(farm.blocks["block_id"])
        self.farm, self.gaps = farm, gaps
        for gone in set(self.views) - set(blocks):
            for held in (self.views, self._judged, self._viewed):
                held.pop(gone, None)
        blocks.sort(key=lambda b: b != first)
        progress.state, progress.total = "running", len(blocks)
        size = 1  # the block that was touched first and alone, then several at once
        while blocks:
            now, blocks = blocks[:size], blocks[size:]
            self._some_blocks(farm, gaps, now)
            progress.done += len(now)
            size = AT_ONCE
            if progress.seconds_first is None:
                progress.seconds_first = round(time.perf_counter() - began, 3)
        order = [b for b in farm.blocks["block_id"] if len(gaps[gaps["block_id"] == b])]
        if order:
            all_judged = [self._judged[g.block_id][g.gap_id][1] for g in gaps.itertuples()]
            plan = settle(farm, gaps, join_judged(all_judged))
            self._check()
            self.made = Made(version, farm, plan)
        else:
            self.made = None
        progress.seconds = round(time.perf_counter() - began, 3)
        progress.state = "done"

    def _some_blocks(self, farm: Farm, gaps: pd.DataFrame, blocks: list[str]) -> None:
        """Bring what is held of some blocks up to date; what has not changed is left."""
        self._check()
        keys, parts, theirs = {}, {}, {}
        for block in blocks:
            mine = gaps[gaps["block_id"] == block].reset_index(drop=True)
            if mine.empty:
                self.views[block] = []
                self._judged.pop(block, None)
                self._viewed.pop(block, None)
                continue
            theirs[block], parts[block] = mine, blocks_of_farm(farm, [block])
            whole = key_of_block(farm, parts[block], block)
            keys[block] = {g["gap_id"]: digest_of(whole, g) for g in mine.to_dict("records")}
        stale = {
            gap
            for block, own in keys.items()
            for gap, key in own.items()
            if self._judged.get(block, {}).get(gap, ("",))[0] != key
        }
        found: dict[str, Judged] = {}
        if stale:
            some = gaps[gaps["gap_id"].isin(stale)].reset_index(drop=True)
            touched = list(some["block_id"].unique())
            found = by_gap(judge(blocks_of_farm(farm, touched), some, self._check), some)
            self._check()
        for block, own in keys.items():
            held = self._judged.get(block, {})
            self._judged[block] = {
                gap: (key, _trimmed(found[gap], farm.settings.choices)) if gap in stale else held[gap]
                for gap, key in own.items()
            }
            part, s = parts[block], farm.settings
            mine_too = [c for c in s.choices if c.block_id == block]
            lists = (farm.seed_lists.stock, farm.seed_lists.offers, farm.law_lists.plants, farm.law_lists.named)
            seen = digest_of(
                sorted(own.items()),
                mine_too,
                s.irrigation_set(block),
                s.machinery,
                sorted(s.seed_lots.items()),
                part.blocks.to_wkt(),
                lists,
            )
            if self._viewed.get(block) != seen:
                self.views[block] = gap_views(settle(part, theirs[block], self._of_block(block)))
                self._viewed[block] = seen

    def _of_block(self, block: str) -> Judged:
        return join_judged([judged for _, judged in self._judged[block].values()])

    # ---- looked at more closely ---------------------------------------------------------------

    def gap_in_full(self, gap_id: str, change: Callable[[Any], Any] | None = None) -> tuple[Farm, Plan] | None:
        """One gap with every option and weather year, under changed settings if asked for; None if it is not there."""
        farm, gaps = self.farm, self.gaps
        if farm is None or gaps is None:
            return None
        mine = gaps[gaps["gap_id"] == gap_id].reset_index(drop=True)
        if mine.empty:
            return None
        part = blocks_of_farm(farm, [str(mine["block_id"].iloc[0])])
        if change is not None:
            part = replace(part, settings=change(part.settings))
            return part, settle(part, mine, judge(part, mine))
        held = self._in_full.get(gap_id)
        if held is None or held[0] is not farm:  # every edit makes another farm
            held = (farm, part, settle(part, mine, judge(part, mine)))
            self._in_full = {gap_id: held}
        return held[1], held[2]

    def farm_of_gap(self, gap_id: str) -> tuple[Farm | None, str | None]:
        """The farm as it is planned, and the block that a gap lies on; None if it is not there."""
        farm, gaps = self.farm, self.gaps
        if farm is None or gaps is None or gap_id not in set(gaps["gap_id"]):
            return farm, None
        return farm, str(gaps.loc[gaps["gap_id"] == gap_id, "block_id"].iloc[0])

    def rungs(self, gap_id: str) -> pd.DataFrame | None:
        """The ladder of a gap in the last whole plan, since its rungs are sown from seed of the whole farm."""
        made = self.made
        return None if made is None else made.plan.ladder[made.plan.ladder["gap_id"] == gap_id]

    def gap_as_planned(self, gap_id: str) -> Plan | None:
        """The plan of a gap's block from what is held of it; None if it is not there yet."""
        farm, gaps = self.farm, self.gaps
        if farm is None or gaps is None or gap_id not in set(gaps["gap_id"]):
            return None
        block = str(gaps.loc[gaps["gap_id"] == gap_id, "block_id"].iloc[0])
        mine = gaps[gaps["block_id"] == block].reset_index(drop=True)
        if set(self._judged.get(block, {})) != set(mine["gap_id"]):
            return None
        return settle(blocks_of_farm(farm, [block]), mine, self._of_block(block))
