"""The plan as GeoJSON, strict RFC 7946: one feature for each block and gap."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pandas as pd
import shapely
from shapely.geometry import MultiPolygon, Polygon

from greengap.advice.cautions import WHOLE_FARM
from greengap.output.files import write_text
from greengap.output.jobs import seed_grams
from greengap.plan import Plan

DECIMALS = 7  # about 1 cm, the usual choice for field outlines


def _day(value: Any) -> str | None:
    return None if pd.isna(value) else f"{value:%Y-%m-%d}"


def _word(value: Any) -> str | None:
    return None if pd.isna(value) or value == "" else str(value)


def rounded_polygon(geometry: Polygon | MultiPolygon, decimals: int = DECIMALS) -> dict[str, Any]:
    """A polygon as a GeoJSON object: shells counter-clockwise, rings closed, two numbers a position.

    Rounding can pinch a thin polygon; then one more digit is used, up to 10.

    Raises
    ------
    ValueError
        If the polygon is not valid even at 10 digits.
    """
    oriented = shapely.orient_polygons(shapely.force_2d(geometry))
    for digits in range(decimals, 11):
        rounded = shapely.transform(oriented, lambda xy, d=digits: xy.round(d))
        if rounded.is_valid and not rounded.is_empty:
            return json.loads(json.dumps(shapely.geometry.mapping(rounded)))
    raise ValueError(f"outline of {geometry.area:.2e} square degrees is not valid at 10 digits")


def plan_features(plan: Plan) -> dict[str, Any]:
    """The plan as a GeoJSON feature collection.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    dict
        Properties are scalars with the unit in the name, apart from `components`, a list with one
        entry per species. What the plan as a whole says stands in the foreign member `plan`.
    """
    chosen = plan.allocation.merge(plan.recommendation, on=["gap_id", "block_id", "cover_id", "option_id"])
    chosen = chosen.set_index("gap_id")
    blocks = plan.blocks.set_index("block_id")
    odds = plan.odds.set_index("option_id")
    left = {(a.gap_id, a.cover_id): a for a in plan.after.itertuples()}
    given = {
        (n.gap_id, n.cover_id): None if pd.isna(n.release_p50_kg_ha) else round(float(n.release_p50_kg_ha), 1)
        for n in plan.nitrogen.itertuples()
        if n.after_planting_d == 28
    }
    shapes = {block_id: rounded_polygon(shape) for block_id, shape in blocks.geometry.items()}
    grams = seed_grams(plan)
    features = []
    for gap in plan.gaps.itertuples():
        row = chosen.loc[gap.gap_id]
        after = left.get((gap.gap_id, row.cover_id))
        need = plan.seed_need[plan.seed_need["gap_id"] == gap.gap_id]
        option = odds.loc[row.option_id] if row.option_id in odds.index else None
        cover = plan.catalogue.covers.get(row.cover_id)
        cautions = plan.cautions[plan.cautions["gap_id"] == gap.gap_id]
        others = plan.recommendation[
            (plan.recommendation["gap_id"] == gap.gap_id) & (plan.recommendation["cover_id"] != row.cover_id)
        ]
        runner_up = others[others["eligible"]].head(1)
        features.append(
            {
                "type": "Feature",
                "id": gap.gap_id,
                "geometry": shapes[gap.block_id],
                "properties": {
                    "gap_id": gap.gap_id,
                    "block_id": gap.block_id,
                    "field": blocks.loc[gap.block_id, "field"],
                    "season": gap.season,
                    "crop_before": _word(gap.crop_before),
                    "crop_after": _word(gap.crop_after),
                    "gap_start": _day(gap.start),
                    "gap_end": _day(gap.end),
                    "gap_length_d": int(gap.length_d),
                    "usable_p10_d": int(gap.usable_p10_d),
                    "usable_p50_d": int(gap.usable_p50_d),
                    "usable_p90_d": int(gap.usable_p90_d),
                    "cover_id": row.cover_id,
                    "cover": cover.name if cover else "no cover: keep it clean",
                    "suitability_class": row.suitability_class,
                    "suitability_score": round(float(row.score), 4),
                    "limiting_factor": row.limiting_factor,
                    "reasons": row.reasons,
                    "sow_best": _day(row.sow_best),
                    "sow_from": _day(row.sow_from),
                    "sow_until": _day(row.sow_until),
                    "terminate_from": _day(row.terminate_from),
                    "terminate_by": _day(row.terminate_by),
                    "ended_by": _word(row.ended_by),
                    "termination_method": after.method if after is not None else None,
                    "usual_waiting_d": int(gap.waiting_d),
                    "waiting_p10_d": round(float(after.waiting_p10_d)) if after is not None else None,
                    "waiting_p50_d": round(float(after.waiting_p50_d)) if after is not None else None,
                    "waiting_p90_d": round(float(after.waiting_p90_d)) if after is not None else None,
                    "waiting_driver": after.waiting_driver if after is not None else None,
                    "nitrogen_four_weeks_after_planting_kg_ha": given.get((gap.gap_id, row.cover_id)),
                    "first_flower": _day(option.first_flower) if option is not None else None,
                    "last_flower": _day(option.last_flower) if option is not None else None,
                    "odds_holds_years": int(row.holds_years),
                    "odds_of_years": int(row.years),
                    "biomass_p10_kg_ha": round(float(option.biomass_p10_kg_ha)) if option is not None else None,
                    "biomass_p50_kg_ha": round(float(option.biomass_p50_kg_ha)) if option is not None else None,
                    "biomass_p90_kg_ha": round(float(option.biomass_p90_kg_ha)) if option is not None else None,
                    "area_gross_m2": round(float(blocks.loc[gap.block_id, "area_gross_m2"]), 2),
                    "area_sown_m2": round(float(blocks.loc[gap.block_id, "area_sown_m2"]), 2),
                    "seed_g": sum(grams[gap.gap_id, species] for species in need["species"]),
                    "method": need["method"].iloc[0] if len(need) else None,
                    "components": [
                        {
                            "species": n.species,
                            "name": plan.catalogue.species[n.species].name,
                            "share_of_sole_rate": n.share_of_sole_rate,
                            "pls_rate_kg_ha": round(n.pls_rate_kg_ha, 3),
                            "bulk_rate_kg_ha": round(n.bulk_rate_kg_ha, 3),
                            "depth_mm": round(n.depth_mm, 1),
                            "seed_g": grams[n.gap_id, n.species],
                            "inoculant_group": _word(n.inoculant_group),
                        }
                        for n in need.itertuples()
                    ],
                    "second_choice": runner_up["cover_id"].iloc[0] if len(runner_up) else None,
                    "cautions": "; ".join(
                        f"{c.hazard}: {c.caution} Ask: {c.defers_to}." for c in cautions.itertuples()
                    ),
                },
            }
        )
    whole_farm = plan.cautions[plan.cautions["gap_id"] == WHOLE_FARM]
    farm_cautions = whole_farm.drop(columns="gap_id").to_dict(orient="records")
    bounds = [round(float(b), DECIMALS) for b in plan.blocks.total_bounds]
    return {
        "type": "FeatureCollection",
        "bbox": bounds,
        "features": features,
        "plan": plan.metadata | {"cautions": farm_cautions},
    }


def write_geojson(plan: Plan, path: Path) -> None:
    """Write the plan as an RFC 7946 file (UTF-8, no CRS member, no NaN)."""
    write_text(path, json.dumps(plan_features(plan), ensure_ascii=False, allow_nan=False, indent=1) + "\n")
