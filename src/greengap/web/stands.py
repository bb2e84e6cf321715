"""Stands of the farm worked out in the background of the page, so that a phone can judge a count by itself.

What is sown and not ended is worked out for days of looking some weeks ahead, and what the plan sows within the next
weeks for the plan's day. A table is kept under everything that it depends on; an edit or a row makes only those anew
that it changes. The work waits while the plan is being made, and nothing of the page waits for it.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from greengap.advice.options import NO_COVER
from greengap.advice.progress import GIVEN_UP
from greengap.errors import InputProblem
from greengap.farm.season_record import current
from greengap.farm_input import Farm
from greengap.plan import Plan
from greengap.stand_check_of import PULL_LATER_D
from greengap.stand_worked_out import DAY, Ground, SownAgain, ground_of, pulling_put_off, rows_of_gap, work_out
from greengap.tables import DataFrame, Gap, SeasonRecord
from greengap.web.planner import blocks_of_farm, digest_of, key_of_block
from greengap.web.stand_data import WEED_COVERS, Again, days_to_look, look_data, sowing_data

AHEAD_D = 21  # sowings of the plan within so many days are worked out before they are sown
PLANNED_STEP_D = 7  # between the days of looking of those
MOST_KEPT = 1000  # tables, of 1 kB
WAIT_S = 0.2  # while the plan is being made
log = logging.getLogger("greengap.web")


@dataclass(frozen=True)
class Sowing:
    """What stands on a gap, or is to be sown there.

    Attributes
    ----------
    gap_id, block_id, cover_id : str
    sown_on : Timestamp
    birds_came : bool
        Whether birds took some of it.
    up_on : Timestamp or None
        Day on which somebody saw it up.
    planned : bool
        Not sown yet: by the plan.
    """

    gap_id: str
    block_id: str
    cover_id: str
    sown_on: pd.Timestamp
    birds_came: bool = False
    up_on: pd.Timestamp | None = None
    planned: bool = False


def sowings_of(
    gaps: DataFrame[Gap], record: DataFrame[SeasonRecord], covers: Any, plan: Plan | None, today: pd.Timestamp
) -> list[Sowing]:
    """What is sown and neither ended nor given up, and what the plan sows soon.

    Parameters
    ----------
    gaps : DataFrame[Gap]
    record : DataFrame[SeasonRecord]
    covers : mapping of cover_id
        Covers that are known; others cannot be worked out.
    plan : Plan, optional
    today : Timestamp

    Returns
    -------
    list of Sowing
        In the order of the gaps.
    """
    held = current(record) if len(record) else record
    planned = {} if plan is None else _planned(plan)
    out = []
    for gap in gaps.itertuples():
        rows = rows_of_gap(held, gap)
        sown = rows[rows["what"] == "sown"]
        row = planned.get(str(gap.gap_id))
        if sown.empty:
            if row is None or (rows["what"] == "ended").any():
                continue
            until = row.sow_best if pd.isna(row.sow_until) else row.sow_until
            if until >= today and row.sow_best <= today + AHEAD_D * DAY:
                on = max(row.sow_best, today)
                out.append(Sowing(str(gap.gap_id), str(gap.block_id), str(row.cover_id), on, planned=True))
            continue
        last = sown.iloc[-1]
        since = rows[rows["date"] >= last["date"]]
        over = (since["what"] == "ended") | ((since["what"] == "decided") & since["choice"].isin(GIVEN_UP))
        if str(last["cover_id"]) not in covers or over.any():
            continue
        up = since[(since["what"] == "up") & (since["species"] == "")]["date"]
        birds = ((since["what"] == "loss") & (since["cause"] == "birds")).any()
        out.append(
            Sowing(
                str(gap.gap_id), str(gap.block_id), str(last["cover_id"]), last["date"], bool(birds),
                up.min() if len(up) else None,
            )
        )  # fmt: skip
    return out


def _planned(plan: Plan) -> dict[str, Any]:
    """What the plan sows, by gap."""
    chosen = plan.allocation.merge(plan.recommendation, on=["gap_id", "block_id", "cover_id", "option_id"])
    return {str(row.gap_id): row for row in chosen.itertuples() if row.cover_id != NO_COVER}


def looks_of(sowing: Sowing, ground: Ground, today: pd.Timestamp) -> list[pd.Timestamp]:
    """Days of looking that a sowing is worked out for, none once the block has to be clear."""
    rule = ground.farm.catalogue.rule
    first, last = int(rule("stand_look_from")), int(rule("stand_look_until"))
    days = days_to_look(sowing.sown_on, first, last, PLANNED_STEP_D if sowing.planned else 2)
    if not sowing.planned and today >= sowing.sown_on + first * DAY:
        days = sorted({*days, today})
    return [day for day in days if day < ground.closes]


@dataclass
class Task:
    """One table that is wanted."""

    sowing: Sowing
    ground: Ground
    look_on: pd.Timestamp
    key: str


@dataclass
class Made:
    """One table that is there: what is said of its sowing, and of its day."""

    head: dict[str, Any]
    look: dict[str, Any]


def make(task: Task) -> Made:
    """Work one table out."""
    ground, sowing = task.ground, task.sowing
    up_on = sowing.up_on if sowing.up_on is not None and sowing.up_on <= task.look_on else None
    tables = work_out(
        ground, sowing.cover_id, sowing.sown_on, task.look_on, WEED_COVERS, {}, sowing.birds_came, up_on=up_on
    )

    def priced(one: SownAgain) -> Again:
        return Again(one) if one.why_not else Again(one, *ground.seed_for(one.cover_id, one.on))

    put_off = pulling_put_off(ground, tables, PULL_LATER_D, up_on)
    switch = None if tables.switch is None else priced(tables.switch)
    look = look_data(tables, put_off, priced(tables.resow), switch)
    return Made(sowing_data(tables, [], sowing.planned), look)


def tasks_of(farm: Farm, sowings: list[Sowing], today: pd.Timestamp) -> Iterator[Task]:
    """Every table that is wanted, those of the nearest days first."""
    lists, season = farm.seed_lists, farm.this_season
    days = {} if season is None else {str(name): float(season[name].sum()) for name in season.data_vars}
    shared = (
        sorted(days.items()), farm.settings.hand_weeding, lists.stock, lists.offers, lists.priced,
        sorted(lists.tags.items()), sorted(farm.settings.seed_lots.items()),
    )  # fmt: skip
    found, of_block = [], dict[str, str]()
    for sowing in sowings:
        try:
            ground = ground_of(farm, sowing.gap_id, None)
        except InputProblem:  # the gap went with an edit
            continue
        if sowing.block_id not in of_block:
            of_block[sowing.block_id] = key_of_block(farm, blocks_of_farm(farm, [sowing.block_id]), sowing.block_id)
        gap = ground.gaps.to_dict("records")
        for look_on in looks_of(sowing, ground, today):
            key = digest_of(of_block[sowing.block_id], shared, gap, sowing, look_on)
            found.append(Task(sowing, ground, look_on, key))
    return iter(sorted(found, key=lambda task: (abs(task.look_on - today), task.sowing.gap_id)))


def by_gap(tasks: list[Task], made: dict[str, Made]) -> dict[str, dict[str, Any]]:
    """What is there of what is wanted, as the phone takes it."""
    out: dict[str, dict[str, Any]] = {}
    for task in tasks:
        if task.key in made:
            one = made[task.key]
            out.setdefault(task.sowing.gap_id, {**one.head, "looks": []})["looks"].append(one.look)
    for sowing in out.values():
        sowing["looks"].sort(key=lambda look: look["on"])
    return dict(sorted(out.items()))


def stands_now(
    farm: Farm, gaps: DataFrame[Gap], plan: Plan | None, today: pd.Timestamp, tell: Callable[[int, int], None]
) -> dict[str, dict[str, Any]]:
    """All of them at once, for a page that is written to a file.

    Parameters
    ----------
    farm : Farm
    gaps : DataFrame[Gap]
    plan : Plan, optional
    today : Timestamp
    tell : callable
        Told how many are done, and of how many.
    """
    tasks = list(tasks_of(farm, sowings_of(gaps, farm.record, farm.catalogue.covers, plan, today), today))
    made = {}
    for number, task in enumerate(tasks):
        made[task.key] = make(task)
        tell(number + 1, len(tasks))
    return by_gap(tasks, made)


@dataclass
class Wanted:
    """What the tables are made of."""

    farm: Farm
    gaps: DataFrame[Gap]
    record: DataFrame[SeasonRecord]
    plan: Plan | None
    today: pd.Timestamp

    def like(self, other: Wanted | None) -> bool:
        """Whether nothing has changed."""
        if other is None or self.farm is not other.farm or self.plan is not other.plan or self.today != other.today:
            return False
        return self.record is other.record or self.record["record_id"].equals(other.record["record_id"])


@dataclass
class Progress:
    """How far the tables have come; `serial` moves whenever there is another one."""

    state: str = "waiting"  # for the plan; then running, done
    done: int = 0
    total: int = 0
    serial: int = 0


@dataclass
class StandWorker:
    """One thread that works tables out while nothing else is to be done.

    Attributes
    ----------
    busy : callable
        Whether the plan is being made.
    """

    busy: Callable[[], bool]
    progress: Progress = field(default_factory=Progress)

    def __post_init__(self) -> None:
        self._made: dict[str, Made] = {}
        self._tasks: list[Task] = []
        self._wanted: Wanted | None = None
        self._held: Wanted | None = None
        self._wake, self._stop, self._closed = threading.Condition(), threading.Event(), False
        self._thread: threading.Thread | None = None

    def follow(self, wanted: Wanted) -> None:
        """Make what is wanted by now; what is there already is kept."""
        with self._wake:
            if wanted.like(self._held):
                return
            self._held = self._wanted = wanted
            self.progress.state = "running"
            self._stop.set()
            if self._thread is None:  # nobody has asked before
                self._thread = threading.Thread(target=self._work, name="greengap-stands", daemon=True)
                self._thread.start()
            self._wake.notify()

    def told(self) -> dict[str, dict[str, Any]]:
        """What is there, by gap."""
        return by_gap(self._tasks, self._made)

    def close(self) -> None:
        """Stop and end the thread."""
        with self._wake:
            self._closed = True
            self._stop.set()
            self._wake.notify()
        if self._thread is not None:
            self._thread.join(timeout=20)

    def _work(self) -> None:
        while True:
            with self._wake:
                while self._wanted is None and not self._closed:
                    self._wake.wait()
                if self._closed:
                    return
                wanted, self._wanted = self._wanted, None
                assert wanted is not None
                self._stop.clear()
            try:
                self._make_all(wanted)
            except Exception:  # a count can be written down without a table
                log.exception("stands could not be worked out")
                self.progress.state = "done"

    def _make_all(self, wanted: Wanted) -> None:
        sowings = sowings_of(wanted.gaps, wanted.record, wanted.farm.catalogue.covers, wanted.plan, wanted.today)
        tasks = list(tasks_of(wanted.farm, sowings, wanted.today))
        keys = {task.key for task in tasks}
        if len(self._made) > MOST_KEPT:  # else what is wanted no more stays: a decision may be taken back
            self._made = {key: one for key, one in self._made.items() if key in keys}
        self._tasks = tasks
        there = sum(key in self._made for key in keys)
        self.progress = Progress("running", there, len(tasks), self.progress.serial + 1)
        for task in tasks:
            while self.busy() and not self._stop.is_set():
                time.sleep(WAIT_S)
            if self._stop.is_set():
                return
            if task.key in self._made:
                continue
            self._made = {**self._made, task.key: make(task)}
            self.progress.done += 1
            self.progress.serial += 1
        self.progress.state = "done"
