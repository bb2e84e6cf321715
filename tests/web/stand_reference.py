"""The reading of a table of stands in plain Python, to hold the phone's against: everything but the straight lines
between what was run is the program's own (`greengap.advice`)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from greengap.advice.frame_counts import counted_density, stop_counting
from greengap.advice.stand_check import (
    CLEAN,
    KEEP,
    RESOW,
    SWITCH,
    WEED,
    StandTerms,
    WeedingWork,
    is_good,
    judge_stand,
    stand_limits,
    stop_rule,
)
from greengap.catalogue import Catalogue
from greengap.process.weeds import height_class_weight, height_weight, leaf_area_of_cover, leaf_area_of_plants
from greengap.tables import StandChoice


def at_cover(by: dict[str, Any], look: dict[str, Any], grid: list[list[int]], cover: float) -> np.ndarray:
    """Odds for each share of the table."""
    years = np.array(grid, dtype=float)
    return np.array([np.interp(cover, by["weeds"], column) for column in years.T]) / max(look["years"], 1)


def at_share(by: dict[str, Any], odds: np.ndarray, share: float) -> float:
    """Odds at a share of a full stand."""
    least, shares = by["rules"]["stand_least_share"], np.array(by["shares"])
    if share < least:
        return float(odds[0])
    run = shares >= least
    return float(np.interp(np.log(share), np.log(shares[run]), odds[run]))


def put_off(by: dict[str, Any], look: dict[str, Any], cover: float, share: float) -> int:
    """The fewest days of the rows around."""

    def around(x: float, points: np.ndarray) -> list[int]:
        low, high = int(np.searchsorted(points, x, "right")) - 1, int(np.searchsorted(points, x, "left"))
        return sorted({max(low, 0), min(high, len(points) - 1)})

    shares, least = np.array(by["shares"]), by["rules"]["stand_least_share"]
    skipped = int((shares < least).sum())
    columns = [0] if share < least else [k + skipped for k in around(share, shares[skipped:])]
    return min(look["put_off"][w][s] for w in around(cover, np.array(by["weeds"])) for s in columns)


def leaf_area(frames: list[dict[str, Any]], look: dict[str, Any], catalogue: Catalogue) -> float:
    """Weeds of the frames, as `greengap.stand_check_of` reads them."""
    rule = catalogue.rule
    said = pd.DataFrame(frames)
    many = float((said["weeds"] / said["area"]).mean())
    cover, weed_mm, cover_mm = (
        said[c] if c in said else pd.Series(dtype=float) for c in ("weed_cover_fraction", "weed_height_mm", "height_mm")
    )
    one = look["ordinary_area"] / look["ordinary_m2"] if look["ordinary_m2"] > 0 else rule("weed_seedling_area")
    if cover.notna().any():
        leaf = float(leaf_area_of_cover(cover.dropna().to_numpy(), rule("weed_light_extinction")).mean())
    elif weed_mm.notna().any():
        leaf = float(leaf_area_of_plants(many, weed_mm.mean(), rule("weed_leaf_of_height")))
    else:
        leaf = many * one
    bounds = rule("weed_height_least"), rule("weed_height_most")
    levels = [f["level"] for f in frames if f.get("level")]
    if weed_mm.notna().any() and cover_mm.notna().any():
        leaf *= height_weight(float(weed_mm.mean()), float(cover_mm.mean()), *bounds)
    elif levels:
        leaf *= float(np.mean([height_class_weight(level, *bounds) for level in levels]))
    return leaf


def judged(
    by: dict[str, Any], sowing: dict[str, Any], look: dict[str, Any], frames: list[dict[str, Any]], catalogue: Catalogue
) -> dict[str, Any]:
    """What the phone should say."""
    rule = catalogue.rule
    terms = StandTerms(by["wanted"], by["margin"], by["least"])
    work = WeedingWork(by["hours"], by["weeds_per_h"], by["ground_m2_h"])
    areas = [f["area"] for f in frames]
    density = {
        s: counted_density([f["plants"][s] for f in frames], areas, rule("stand_clumping"), by["level"])
        for s in frames[0]["plants"]
    }
    full = sum(sowing["full_m2"].values()) if "" in density else sum(sowing["full_m2"][s] for s in density)
    ends = [sum(getattr(d, b) for d in density.values()) / full for b in ("per_m2", "low_m2", "high_m2")]
    leaf = leaf_area(frames, look, catalogue)
    cover = round(float(-np.expm1(-rule("weed_light_extinction") * leaf)), 6)
    many = float(np.mean([f["weeds"] / f["area"] for f in frames]))
    hours = work.hours_for(sowing["area_m2"], many)
    keep, weed = (at_cover(by, look, look[name], cover) for name in ("keep", "weed"))
    again = {}
    for choice in (RESOW, SWITCH):
        one = look[choice]
        odds = one["wins"] / one["years"] * (1 - one["birds"]) if one and one["years"] else 0.0
        again[choice] = (odds, bool(one) and not one["why"])
    rows = []
    for choice, odds, possible in (
        (KEEP, [at_share(by, keep, s) for s in ends], True),
        (WEED, [at_share(by, weed, s) for s in ends], cover > 0 and hours <= work.hours),
        (RESOW, [again[RESOW][0]] * 3, again[RESOW][1]),
        (SWITCH, [again[SWITCH][0]] * 3, again[SWITCH][1]),
        (CLEAN, [terms.least] * 3, True),
    ):
        rows.append(
            {
                "choice": choice, "cover_id": "x", "on": pd.NaT, "years": 0, "closes_years": 0, "aim_years": 0,
                "wins_years": 0, "odds": odds[0], "low_odds": odds[1], "high_odds": odds[2], "bird_risk_share": 0.0,
                "hours": np.nan, "seed_kg": np.nan, "cost": np.nan, "currency": "", "last_date": pd.NaT,
                "possible": possible, "why_not": "",
            }
        )  # fmt: skip
    choices = pd.DataFrame(rows, columns=list(StandChoice.to_schema().columns))
    for column in ("on", "last_date"):
        choices[column] = pd.to_datetime(choices[column])
    good = [is_good(share, leaf, look["ordinary_area"], catalogue) for share in ends]
    verdict = judge_stand(choices, terms, *good)
    ordinary = float(leaf_area_of_cover(cover, rule("weed_light_extinction"))) <= look["ordinary_area"]
    table = pd.DataFrame(
        {
            "gap_id": "g", "cover_id": "x", "look_on": pd.Timestamp("2027-07-01"), "weed_cover_fraction": cover,
            "ordinary_weeds": ordinary, "stand_share": by["shares"], "plants_m2": np.array(by["shares"]) * full,
            "keep_odds": keep, "weed_odds": weed, "weed_hours": hours,
            "resow_odds": again[RESOW][0] if again[RESOW][1] else 0.0, "switch_odds": again[SWITCH][0],
            "switch_cover_id": "", "verdict": KEEP, "toss_with": "",
        }
    )  # fmt: skip
    limits = stand_limits(table, sowing["area_m2"], work, terms, rule("stand_failure_share"))
    limit = next(limits.itertuples())
    least, totals = int(rule("stand_least_frames")), [sum(f["plants"].values()) for f in frames]
    side: str
    if len(frames) >= least and verdict.settled:
        side, more = ("enough" if verdict.choice == KEEP else "too few"), 0
    elif (sprt := stop_rule(limit, catalogue)) is None:
        side, more = ("go on", least - len(frames)) if len(frames) < least else ("between", 0)
    else:
        stop = stop_counting(totals, areas, sprt)
        side, more = stop.side, stop.more
    return {
        "density": {s: [d.per_m2, d.low_m2, d.high_m2, d.dispersion] for s, d in density.items()},
        "shares": ends, "leaf_area": leaf, "cover": cover, "hours": hours,
        "odds": {r["choice"]: [r["odds"], r["low_odds"], r["high_odds"]] for r in rows},
        "possible": {r["choice"]: bool(r["possible"]) for r in rows},
        "limits": [None if np.isnan(v) else float(v) for v in (limit.enough_m2, limit.too_few_m2)],
        "verdict": [verdict.choice, verdict.toss_with, verdict.if_thinner, verdict.if_denser, verdict.good],
        "stop": [side, more], "put_off": put_off(by, look, cover, ends[0]),
    }  # fmt: skip
