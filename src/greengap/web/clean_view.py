"""What the page shows of a gap without a cover: the ways beside the cover, which is better, the flush of weeds."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from greengap.catalogue import Catalogue
from greengap.clean_ground_of import WithoutCover
from greengap.output.clean_text import CARE, NOTE, limits_of, number, percent, way_name
from greengap.units import System, shown


def clean_view(found: WithoutCover, gap_id: str, catalogue: Catalogue, units: System) -> dict[str, Any]:
    """One gap without a cover, figures written for a person."""
    table = found.clean_ground[found.clean_ground["gap_id"] == gap_id]
    stale = found.stale_seedbed[found.stale_seedbed["gap_id"] == gap_id].iloc[0]
    whole_m2 = table["area_m2"].max()
    flush = found.flush[found.flush["gap_id"] == gap_id]
    return {
        "days": int(table["days"].iloc[0]),
        "years": int(table["years"].max()),
        "verdict": table["verdict"].iloc[0],
        "ways": [
            _way(row, catalogue, units) | {"partly": bool(row.area_m2 < whole_m2)}
            for row in table[table["offered"]].itertuples()
        ],
        "priced": bool((table["offered"] & (table["cost"] > 0)).any()),
        "water_unit": shown(0.0, "mm", units)[1],
        "nitrogen_unit": shown(0.0, "kg_ha", units)[1],
        "limits": limits_of(table, catalogue),
        "note": NOTE,
        "care": CARE,
        "most": catalogue.rule("flush_share"),
        "stale": {
            "sentence": stale["sentence"],
            "fits": bool(stale["fits"]),
            "kill": None if pd.isna(stale["kill_on"]) else f"{stale['kill_on']:%Y-%m-%d}",
        },
        "flush": [
            {
                "date": f"{row.date:%Y-%m-%d}",
                "p10": round(row.up_p10_share, 4),
                "p50": round(row.up_p50_share, 4),
                "p90": round(row.up_p90_share, 4),
                "up": int(row.up_years),
                "killed": int(row.killed_years),
                "years": int(row.years),
            }
            for row in flush.itertuples()
        ],
    }


def _way(row: Any, catalogue: Catalogue, units: System) -> dict[str, Any]:
    spread = "" if row.bare_p10_d == row.bare_p90_d else f"{number(row.bare_p10_d)} – {number(row.bare_p90_d)}"
    return {
        "way": row.way,
        "name": way_name(row, catalogue),
        "better": bool(row.better),
        "bare": number(row.bare_p50_d),
        "bare_spread": spread,
        "up": percent(row.weeds_up_p50_share),
        "standing": percent(row.weeds_standing_p50_share),
        "free": int(row.seed_free_years),
        "years": int(row.years),
        "water": number(row.water_p50_mm, "mm", units),
        "lost": number(row.leached_p50_kg_ha, "kg_ha", units),
        "nitrate": number(row.nitrate_p50_kg_ha, "kg_ha", units),
        "passes": number(row.passes_p50),
        "work": f"{row.hours:.1f}",
        "cost": "" if math.isnan(row.cost) else f"{row.cost:,.0f} {row.currency}".rstrip(),
        "served": percent(row.served_share),
    }
