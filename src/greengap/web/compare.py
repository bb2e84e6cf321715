"""Two plans of a farm side by side: a kept copy, or the farm under other weights, against the plan as it is."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from greengap import units
from greengap.catalogue import Catalogue
from greengap.errors import InputProblem
from greengap.farm.settings import FarmSettings
from greengap.farm_input import Farm
from greengap.output.map import NO_COVER
from greengap.plan import Plan, plan_farm
from greengap.units import System

OVERLAP_D = 7  # gaps of two calendars that share a week are the same gap


class Stopped(Exception):
    """A person has stopped the work, or the farm was closed."""


def short(plan: Plan) -> dict[str, Any]:
    """What a comparison needs of a plan: dates, cover, seed and odds of each gap, seed by species."""
    ranked = plan.recommendation.set_index(["gap_id", "cover_id"])
    seed = plan.seed_need.groupby("gap_id")["seed_g"].sum().to_dict()
    gaps = {g.gap_id: g for g in plan.gaps.itertuples()}
    rows = []
    for given in plan.allocation.itertuples():
        gap = gaps[given.gap_id]
        one: dict[str, Any] = {
            "gap": gap.gap_id,
            "block": gap.block_id,
            "start": _iso(gap.start),
            "end": _iso(gap.end),
            "cover": given.cover_id,
            "seed_g": int(seed.get(gap.gap_id, 0)),
        }
        row = ranked.loc[(gap.gap_id, given.cover_id)] if (gap.gap_id, given.cover_id) in ranked.index else None
        if row is not None and given.cover_id != NO_COVER and not pd.isna(row["sow_best"]):
            one |= {
                "sow": _iso(row["sow_best"]),
                "end_by": _iso(row["terminate_by"]),
                "holds": int(row["holds_years"]),
                "years": int(row["years"]),
            }
        rows.append(one)
    species = plan.seed_need.groupby("species")["seed_g"].sum()
    return {
        "gaps": sorted(rows, key=lambda r: (r["block"], r["start"])),
        "seed_g": {str(k): int(v) for k, v in species.items()},
        "weights": {p.key: p.weight for p in plan.settings.purposes},
        "wanted_odds": plan.settings.wanted_odds,
        "cost": _cost(plan),
    }


def _cost(plan: Plan) -> str:
    """What the seed to buy costs; empty where a price is missing."""
    costs = plan.order_lines["cost"]
    if costs.empty or costs.isna().any():
        return ""
    return f"{costs.sum():,.2f} {plan.order_lines['currency'].iloc[0]}".strip()


def _iso(day: Any) -> str | None:
    return None if pd.isna(day) else pd.Timestamp(day).strftime("%Y-%m-%d")


def _days(one: str, other: str) -> int:
    return (pd.Timestamp(other) - pd.Timestamp(one)).days


def _partner(gap: dict[str, Any], others: list[dict[str, Any]]) -> dict[str, Any] | None:
    """The gap of another plan that covers most of the same days on the same block."""
    best, most = None, OVERLAP_D - 1
    for other in others:
        shared = _days(max(gap["start"], other["start"]), min(gap["end"], other["end"])) + 1
        if shared > most:
            best, most = other, shared
    return best


def compare(before: dict[str, Any], now: dict[str, Any], system: System, catalogue: Catalogue) -> dict[str, Any]:
    """What differs between two plans, each as `short` gives it.

    Parameters
    ----------
    before, now : dict
    system : {"metric", "us"}
    catalogue : Catalogue
        Names of species.

    Returns
    -------
    dict
        ``rows``: gaps that differ, with both sides; ``same``: gaps that do not; ``seed``: species whose amount
        differs; ``sums``: of each side.
    """
    by_block: dict[str, list[dict[str, Any]]] = {}
    for gap in before["gaps"]:
        by_block.setdefault(gap["block"], []).append(gap)
    rows, same = [], 0
    for gap in now["gaps"]:
        other = _partner(gap, by_block.get(gap["block"], []))
        if other is not None:
            by_block[gap["block"]].remove(other)
        if other is not None and _told(other) == _told(gap):
            same += 1
            continue
        rows.append(_row(other, gap, system))
    rows += [_row(other, None, system) for left in by_block.values() for other in left]
    rows.sort(key=lambda r: ((r["now"] or r["before"])["start"], r["block"]))
    seed = []
    for key in sorted({*before["seed_g"], *now["seed_g"]}):
        a, b = before["seed_g"].get(key, 0), now["seed_g"].get(key, 0)
        if a != b:
            known = catalogue.species.get(key)
            written = {"before": units.write(a, "g", system), "now": units.write(b, "g", system)}
            change = units.write(abs(b - a), "g", system)
            seed.append({"name": known.name if known else key, **written, "more": b > a, "change": change})
    return {
        "rows": rows,
        "same": same,
        "seed": seed,
        "sums": {"before": _sums(before, system), "now": _sums(now, system)},
        "weights": {"before": before["weights"], "now": now["weights"]},
    }


def _told(gap: dict[str, Any]) -> tuple[Any, ...]:
    return tuple(gap.get(k) for k in ("start", "end", "cover", "sow", "end_by", "seed_g", "holds", "years"))


def _row(before: dict[str, Any] | None, now: dict[str, Any] | None, system: System) -> dict[str, Any]:
    """A gap on both sides; either may be missing."""
    both = before is not None and now is not None
    sown = both and before and now and before.get("sow") and now.get("sow")
    return {
        "block": (now or before or {})["block"],
        "gap": now["gap"] if now else None,
        "before": _side(before, system),
        "now": _side(now, system),
        "sow_later_d": _days(before["sow"], now["sow"]) if sown and before and now else None,
        "cover_differs": bool(before and now and before["cover"] != now["cover"]),
        "gap_differs": bool(before and now and (before["start"], before["end"]) != (now["start"], now["end"])),
    }


def _side(gap: dict[str, Any] | None, system: System) -> dict[str, Any] | None:
    if gap is None:
        return None
    return gap | {"seed": units.write(gap["seed_g"], "g", system) if gap["seed_g"] else ""}


def _sums(plan: dict[str, Any], system: System) -> dict[str, Any]:
    """A plan in four figures."""
    sown = [g for g in plan["gaps"] if g.get("sow")]
    shares = sorted(g["holds"] / g["years"] for g in sown if g["years"])
    return {
        "gaps": len(plan["gaps"]),
        "sown": len(sown),
        "left": len(plan["gaps"]) - len(sown),
        "seed": units.write(sum(plan["seed_g"].values()), "g", system),
        "species": len(plan["seed_g"]),
        "cost": plan["cost"],
        "weak": sum(1 for s in shares if s < plan["wanted_odds"] - 1e-9),
        "mean": round(sum(shares) / len(shares), 3) if shares else None,
    }


@dataclass
class Trial:
    """The whole farm planned under other settings, in a thread of its own; nothing is kept."""

    farm: Farm
    change: Callable[[FarmSettings], FarmSettings]
    version: int
    state: str = "running"  # running, done, stopped, problem
    done: int = 0
    total: int = 0
    sentence: str = ""
    made: dict[str, Any] | None = None

    def __post_init__(self) -> None:
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="greengap-trial", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop it."""
        self._stop.set()

    def _work(self) -> None:
        def told(done: int, total: int) -> None:
            self.done, self.total = done, total
            if self._stop.is_set():
                raise Stopped

        try:
            self.made = short(plan_farm(replace(self.farm, settings=self.change(self.farm.settings)), told))
            self.state = "done"
        except Stopped:
            self.state = "stopped"
        except InputProblem as problem:
            self.state, self.sentence = "problem", problem.sentence
