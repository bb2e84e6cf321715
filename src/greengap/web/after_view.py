"""What the page shows of the time after a cover: ending, waiting, nitrogen by day, what one change would do."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from greengap import units
from greengap.advice.clocks import CLOCKS
from greengap.cover_after import CoverAfter, GapAfter
from greengap.output.after_text import (
    CLOCK_WORDS,
    DRIVER_WORDS,
    change_in_words,
    ending_in_words,
    investment_in_words,
    left_in_words,
    nitrogen_in_words,
    refusal_in_words,
    seed_in_words,
    waiting_in_words,
)
from greengap.units import System

QUANTILES = {"p10": 0.1, "p25": 0.25, "p50": 0.5, "p75": 0.75, "p90": 0.9}


def after_view(found: CoverAfter) -> dict[str, Any]:
    """One cover in one gap after its end; its best sowing date is taken, as the commands do."""
    one, system, catalogue = found.gaps[0], found.settings.units, found.catalogue
    if one.after is None:
        return {"fits": False, "usable_d": max(int(one.gap.usable_p50_d), 0)}
    has_next = isinstance(one.gap.crop_after, str) and bool(one.gap.crop_after)
    return {
        "fits": True,
        "sow": _iso(one.window.sow_best),
        "refusal": refusal_in_words(one, found),
        "ending": ending_in_words(one),
        "seed": seed_in_words(one),
        "waiting": waiting_in_words(one, catalogue) if has_next else "",
        "left": list(left_in_words(one, catalogue, system)),
        "change": change_in_words(one, found) if has_next else "",
        "changes": _changes(one, system),
        "nitrogen": _nitrogen(one, system) | {"crop": catalogue.crop_name(one.gap.crop_after) if has_next else ""},
        "by_date": _by_date(one, system),
        "caution": investment_in_words(),
    }


def _iso(day: Any) -> str | None:
    return None if pd.isna(day) else pd.Timestamp(day).strftime("%Y-%m-%d")


def _changes(one: GapAfter, system: System) -> list[dict[str, Any]]:
    return [
        {
            "words": change.words,
            "holds": change.holds_years,
            "years": change.years,
            "margin_d": None if np.isnan(change.margin_d) else round(change.margin_d),
            "nitrogen": nitrogen_in_words(change.nitrogen_28d_kg_ha, system),
        }
        for change in one.changes
    ]


def _nitrogen(one: GapAfter, system: System) -> dict[str, Any]:
    """Nitrogen since the planned end, day by day, over the weather years; what the next crop takes up beside it."""
    factor, unit = units.shown(1.0, "kg_ha", system)
    planting = one.gap.end + pd.Timedelta(days=1)
    fan = {name: _rounded(np.nanquantile(one.curve, share, axis=0) * factor) for name, share in QUANTILES.items()}
    middle = np.nanmedian(one.curve, axis=0)
    return {
        "unit": unit,
        "from": _iso(one.planned_end),
        "planting": _iso(planting),
        "years": int(one.curve.shape[0]),
        "fan": fan,
        "uptake": None if np.isnan(one.uptake).all() else _rounded(one.uptake * factor),
        "tied_until": int(np.flatnonzero(middle < 0)[-1]) if (middle < -0.5).any() else None,
        "least": _amount(float(middle.min()), system) if (middle < -0.5).any() else "",
    }


def _amount(value: float, system: System) -> str:
    return units.write(abs(value), "kg_ha", system)


def _rounded(values: np.ndarray) -> list[float]:
    return [round(float(v), 1) + 0.0 for v in values]  # no minus zero


def _by_date(one: GapAfter, system: System) -> list[dict[str, Any]]:
    """The same on four days after planting, in words."""
    return [
        {
            "weeks": int(at.after_planting_d) // 7,
            "middle": nitrogen_in_words(at.release_p50_kg_ha, system),
            "span": [round(units.shown(v, "kg_ha", system)[0]) for v in (at.release_p10_kg_ha, at.release_p90_kg_ha)],
            "uptake": "" if pd.isna(at.crop_uptake_kg_ha) else units.write(at.crop_uptake_kg_ha, "kg_ha", system),
        }
        for at in one.nitrogen.itertuples()
        if not pd.isna(at.release_p50_kg_ha)
    ]


def clock_views(clocks: pd.DataFrame) -> dict[str, list[dict[str, Any]]]:
    """Days to spare on the four clocks, by cover."""
    out: dict[str, list[dict[str, Any]]] = {}
    for clock in clocks.itertuples():
        spare = None if pd.isna(clock.margin_d) else round(float(clock.margin_d))
        out.setdefault(clock.cover_id, []).append(
            {
                "clock": clock.clock,
                "words": CLOCK_WORDS[clock.clock],
                "spare_d": spare,
                "never": spare is None and bool(clock.binds),
                "holds": int(clock.holds_years),
                "years": int(clock.years),
                "binds": bool(clock.binds),
            }
        )
    for rows in out.values():
        rows.sort(key=lambda row: CLOCKS.index(row["clock"]))
    return out


def rung_views(rungs: pd.DataFrame | None) -> list[dict[str, Any]]:
    """The ladder of a gap."""
    if rungs is None:
        return []
    return [
        {
            "cover": rung.cover_id,
            "from": _iso(rung.sow_from),
            "until": _iso(rung.sow_until),
            "holds": int(rung.holds_years),
            "years": int(rung.years),
            "below": bool(rung.below_wanted_odds),
        }
        for rung in rungs.sort_values("rung").itertuples()
    ]


def year_views(season: pd.DataFrame, misses: list[str], system: System) -> list[dict[str, Any]]:
    """What happens when in each weather year of one option, in days from sowing."""

    def day(value: Any) -> int | None:
        return None if pd.isna(value) else round(float(value))

    return [
        {
            "year": int(row.weather_year),
            "miss": miss,
            "mass": units.write(row.biomass_kg_ha, "biomass_kg_ha", system),
            "up": day(row.emergence_d),
            "half": day(row.half_cover_d),
            "aim": day(row.aim_d),
            "flower": day(row.first_flower_d) if row.bloom_d > 0 else None,
            "bloom": day(row.bloom_d),
            "frost": day(row.frost_kill_d),
            "end": day(row.growth_end_d),
            "ready": day(row.ready_d),
        }
        for row, miss in zip(season.itertuples(), misses, strict=True)
    ]


def waiting_view(season: pd.DataFrame) -> dict[str, Any]:
    """The wait of one option over its weather years, and what sets it in how many of them."""
    low, middle, high = season["waiting_d"].quantile([0.1, 0.5, 0.9])
    counted = season["waiting_driver"].astype(str).value_counts()
    drivers = sorted(counted.items(), key=lambda pair: (-pair[1], pair[0]))
    return {
        "p10": round(float(low)),
        "p50": round(float(middle)),
        "p90": round(float(high)),
        "drivers": [{"driver": key, "words": DRIVER_WORDS[str(key)], "years": int(n)} for key, n in drivers],
        "ready": int(season["residue_clear"].sum()),
        "years": len(season),
    }
