"""A small plan made by hand, and a browser without a network."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import Polygon

from greengap.catalogue.loader import Catalogue, Component, Cover, Species, Value, Vegetable
from greengap.errors import ImportReport
from greengap.farm.settings import FarmSettings, Purpose
from greengap.plan import Plan
from greengap.tables import (
    Allocation,
    Block,
    Gap,
    GapCaution,
    Odds,
    Option,
    Recommendation,
    Season,
    SeedNeed,
    Suitability,
)

YEARS = range(2001, 2011)
EMPTY = pd.DataFrame()


def _catalogue() -> Catalogue:
    species = {
        key: Species(key, name, "", family, "annual", {})
        for key, name, family in (
            ("field_pea", "field pea", "Fabaceae"),
            ("oat", "oat", "Poaceae"),
            ("buckwheat", "buckwheat", "Polygonaceae"),
        )
    }
    covers = {
        "buckwheat": Cover("buckwheat", "buckwheat", (Component("buckwheat", 1.0),)),
        "oat": Cover("oat", "oat", (Component("oat", 1.0),)),
        "pea_oat": Cover("pea_oat", "pea + oat", (Component("field_pea", 0.6), Component("oat", 0.4))),
    }
    vegetables = {key: Vegetable(key, key, "", False, (), {}) for key in ("broccoli", "garlic", "lettuce")}
    days = Value(
        "practice", "shortest_growth", 30.0, None, None, "", "d", "made by hand", "", "", "memory", "30", "d"
    )  # fmt: skip
    return Catalogue(species, covers, vegetables, {}, (), {"shortest_growth": days}, "made by hand")


def _settings(units: str, note: str) -> FarmSettings:
    return FarmSettings(
        folder=Path(),
        name="Three blocks",
        note=note,
        units=units,  # type: ignore[arg-type]
        organic=True,
        animals_eat_cover=False,
        irrigated=frozenset(),
        polygons=Path("blocks.geojson"),
        polygons_layer=None,
        polygons_crs=None,
        block_column=None,
        field_column=None,
        crop_calendar=Path("crop_calendar.csv"),
        soil_rasters={},
        soil_survey=None,
        block_soil=None,
        weather=(),
        station=None,
        growth_aim=None,
        purposes=(Purpose("weed_suppression", 1.0),),
        wanted_odds=0.8,
        equipment=frozenset({"drill", "mower"}),
        clean_up_d=None,
        seedbed_d=None,
        stale_seedbed_d=0,
        waiting_d={},
        seed_lots={},
        cold_offset_degc={},
        not_wanted=frozenset(),
        tile_drained=frozenset(),
        diseases={},
        assumptions=(),
    )


def _gap(block_id: str, number: int, season: str, start: str, end: str) -> dict[str, Any]:
    first, last = pd.Timestamp(start), pd.Timestamp(end)
    days = (last - first).days + 1
    opens, closes = first + pd.Timedelta(days=7), last - pd.Timedelta(days=14)
    return {
        "gap_id": f"{block_id}/{number}",
        "block_id": block_id,
        "season": season,
        "crop_before": "lettuce",
        "crop_after": "broccoli",
        "establishment_after": "transplanted",
        "start": first,
        "end": last,
        "length_d": days,
        "opens_early": opens - pd.Timedelta(days=4),
        "opens": opens,
        "opens_late": opens + pd.Timedelta(days=6),
        "closes_early": closes - pd.Timedelta(days=5),
        "closes": closes,
        "closes_late": closes + pd.Timedelta(days=3),
        "clean_up_d": 3,
        "seedbed_d": 4,
        "waiting_d": 14,
        "usable_p10_d": days - 28,
        "usable_p50_d": days - 21,
        "usable_p90_d": days - 17,
    }


# Covers by gap, best first: how many of ten years each of its sowing dates holds, five days apart.
_HOLDS = {
    "midsummer": {"buckwheat": (7, 9, 10, 9, 8, 5), "pea_oat": (4, 6, 8, 7, 4, 2), "oat": (3, 5, 5, 4, 3, 1)},
    "early spring": {"pea_oat": (3, 5, 7, 6), "oat": (4, 5, 5, 4)},
    "autumn": {},
}


# What a cover leaves, the same in every year.
_LEFT: dict[str, Any] = {
    "ended_for_seed": False, "weeds_close_d": 40.0, "waiting_d": 14.0, "waiting_driver": "residue", "ready_d": 54.0,
    "short_d": -4.0, "residue_clear": True, "nitrogen_0d_kg_ha": 8.0, "nitrogen_14d_kg_ha": 12.0,
    "nitrogen_28d_kg_ha": 14.0, "nitrogen_56d_kg_ha": 15.0, "nitrogen_season_kg_ha": 16.0, "tie_up_d": 0.0,
    "carbon_to_nitrogen": 20.0, "coarse_share": 0.0, "residue_left_30d_share": 0.4, "residue_left_90d_share": 0.2,
    "residue_left_365d_share": 0.05, "water_lack_mm": 5.0, "leaching_kept_share": 0.5,
}  # fmt: skip


def _tables(gaps: pd.DataFrame, area: dict[str, float]) -> dict[str, pd.DataFrame]:
    options, odds, season, ranked, gates, given, need = ([] for _ in range(7))
    for gap in gaps.itertuples():
        holds = _HOLDS[gap.season]
        rank = 0
        for cover_id, counts in holds.items():
            dates = [gap.opens + pd.Timedelta(days=5 * n) for n in range(len(counts))]
            ids = [f"{gap.gap_id}/{cover_id}/{date:%Y-%m-%d}" for date in dates]
            best = int(np.argmax(counts))
            keeps = [date for date, count in zip(dates, counts, strict=True) if count >= 8]
            for option_id, date, count in zip(ids, dates, counts, strict=True):
                options.append((option_id, gap.gap_id, gap.block_id, cover_id, date, gap.closes))
                odds.append(
                    {
                        "option_id": option_id, "ended_by": "next crop",
                        "years": 10, "soil_warm_years": 10, "established_years": 10, "frost_spared_years": 10,
                        "bird_risk_share": 0.0,
                        "aim_years": count, "seed_safe_years": 10, "ready_years": 10, "holds_years": count,
                        "biomass_p10_kg_ha": 1100.0,
                        "biomass_p50_kg_ha": 2200.0, "biomass_p90_kg_ha": 3100.0,
                        "ready_from": date + pd.Timedelta(days=30), "terminate_by": gap.closes,
                        "first_flower": pd.NaT, "last_flower": pd.NaT,
                    }
                )  # fmt: skip
                for n, year in enumerate(YEARS):
                    met = n < count
                    season.append(
                        {
                            "option_id": option_id, "weather_year": year, "soil_warm": True, "emergence_d": 6.0,
                            "half_cover_d": 25.0, "first_flower_d": 35.0, "bloom_d": 8.0, "viable_seed_d": np.nan,
                            "bloom_from_d": 35.0, "honey_bees_d": 8.0, "wild_bees_d": 8.0, "natural_enemies_d": 8.0,
                            "frost_kill_d": np.nan, "growth_end_d": 40.0, "aim_d": 30.0 if met else np.nan,
                            "biomass_kg_ha": 2200.0, "nitrogen_kg_ha": 40.0, "nitrogen_fixed_kg_ha": 10.0,
                            "water_supply_fraction": 0.8, "heat_share": 0.1, "frost_spared": True, "aim_met": met,
                            "growth_temperature_degc": 18.0, "stand_share": 1.0, "established": True,
                            "establishment_water_mm": 0.0, "weed_share": 0.1, "water_used_mm": 120.0,
                            "water_cost_mm": 40.0, "drainage_mm": 10.0, "irrigation_mm": 0.0,
                            "nitrogen_supply_fraction": 1.0, "planned_end_d": 50.0,
                            "seed_safe": True, "holds": met, **_LEFT,
                        }
                    )  # fmt: skip
            rank += 1
            ranked.append(
                {
                    "gap_id": gap.gap_id, "block_id": gap.block_id, "cover_id": cover_id, "rank": rank,
                    "eligible": True, "score": 0.9 / rank, "suitability_class": ("S1", "S2", "S3")[rank - 1],
                    "limiting_factor": "time: 38 days are few", "reasons": "covers the ground in 25 days",
                    "option_id": ids[best], "sow_best": dates[best], "sow_from": keeps[0] if keeps else pd.NaT,
                    "sow_until": keeps[-1] if keeps else pd.NaT,
                    "terminate_from": dates[best] + pd.Timedelta(days=30), "terminate_by": gap.closes,
                    "ended_by": "next crop",
                    "holds_years": counts[best], "years": 10, "biomass_p50_kg_ha": 2200.0,
                }
            )  # fmt: skip
            if rank == 1:
                given.append((gap.gap_id, gap.block_id, cover_id, ids[best]))
                parts = {"pea_oat": (("field_pea", 0.6, 90.0), ("oat", 0.4, 40.0))}
                for species, share, rate in parts.get(cover_id, ((cover_id, 1.0, 67.0),)):
                    need.append(
                        {
                            "gap_id": gap.gap_id, "block_id": gap.block_id, "cover_id": cover_id, "species": species,
                            "sow_date": dates[best], "method": "drilled", "area_sown_m2": area[gap.block_id],
                            "share_of_sole_rate": share, "pls_fraction": 0.85, "pls_rate_kg_ha": rate * 0.85,
                            "bulk_rate_kg_ha": rate, "allowance_fraction": 0.0, "depth_mm": 25.0,
                            "seed_g": int(np.ceil(area[gap.block_id] * rate / 10)), "below_wanted_odds": False,
                            "inoculant_group": "",
                        }
                    )  # fmt: skip
        nothing = {
            "gap_id": gap.gap_id, "block_id": gap.block_id, "cover_id": "no_cover", "rank": rank + 1, "eligible": True,
            "score": 0.2, "suitability_class": "S3", "limiting_factor": "weeds: the ground lies bare",
            "reasons": "costs no seed", "option_id": None, "sow_best": pd.NaT, "sow_from": pd.NaT,
            "sow_until": pd.NaT, "terminate_from": pd.NaT, "terminate_by": pd.NaT, "ended_by": "", "holds_years": 0,
            "years": 10,
            "biomass_p50_kg_ha": 0.0,
        }  # fmt: skip
        ranked.append(nothing)
        if not holds:
            given.append((gap.gap_id, gap.block_id, "no_cover", None))
        rank += 1
        for cover_id in sorted({"buckwheat", "oat", "pea_oat"} - set(holds)):
            rank += 1
            ranked.append(
                nothing
                | {"cover_id": cover_id, "rank": rank, "eligible": False, "score": 0.0, "suitability_class": "N"}
                | {"limiting_factor": "frost: kills it in May", "reasons": ""}
            )
            gates.append(
                {
                    "gap_id": gap.gap_id, "cover_id": cover_id, "purpose": "all", "criterion": "frost", "kind": "gate",
                    "passed": False, "membership": 0.0, "weight": 0.0, "reason": "frost kills it in 9 of 10 years",
                }
            )  # fmt: skip
    names = ["option_id", "gap_id", "block_id", "cover_id", "sow_date", "terminate_by"]
    return {
        "options": Option.validate(pd.DataFrame(options, columns=names)),
        "odds": Odds.validate(pd.DataFrame(odds)),
        "season": Season.validate(pd.DataFrame(season)),
        "recommendation": Recommendation.validate(pd.DataFrame(ranked)),
        "suitability": Suitability.validate(pd.DataFrame(gates)),
        "allocation": Allocation.validate(pd.DataFrame(given, columns=["gap_id", "block_id", "cover_id", "option_id"])),
        "seed_need": SeedNeed.validate(pd.DataFrame(need)),
    }


@pytest.fixture(scope="session")
def make_plan() -> Callable[..., Plan]:
    """Build a plan of three blocks, three gaps, three covers and ten weather years by hand."""

    def build(units: str = "metric", first_block: str = "Creek", note: str = "Invented, to test the page.") -> Plan:
        corners = {
            first_block: [(-76.500, 42.440), (-76.4975, 42.4402), (-76.4972, 42.4416), (-76.4998, 42.4419)],
            "North 2": [(-76.4970, 42.4403), (-76.4950, 42.4405), (-76.4953, 42.4416), (-76.4967, 42.4417)],
            "Shed": [(-76.4998, 42.4421), (-76.4972, 42.4418), (-76.4974, 42.4426), (-76.4996, 42.4428)],
        }
        area = dict(zip(corners, (30_000.0, 12_345.6, 9_000.0), strict=True))
        blocks = gpd.GeoDataFrame(
            {
                "block_id": list(corners),
                "field": list(corners),
                "area_gross_m2": list(area.values()),
                "area_sown_m2": list(area.values()),
            },
            geometry=[Polygon(ring) for ring in corners.values()],
            crs="EPSG:4326",
        )
        gaps = pd.DataFrame(
            [
                _gap(first_block, 1, "midsummer", "2027-06-25", "2027-08-24"),
                _gap("North 2", 1, "early spring", "2027-03-20", "2027-05-20"),
                _gap("Shed", 1, "autumn", "2027-09-01", "2027-09-25"),
            ]
        )
        tables = _tables(gaps, area)
        cautions = [(first_block + "/1", "bees", "Tell beekeepers nearby before it blooms.", "label")]
        everything = {name: EMPTY for name in Plan.__dataclass_fields__} | tables
        everything |= {
            "settings": _settings(units, note),
            "catalogue": _catalogue(),
            "blocks": Block.validate(blocks),
            "gaps": Gap.validate(gaps),
            "cautions": GapCaution.validate(
                pd.DataFrame(cautions, columns=["gap_id", "hazard", "caution", "defers_to"])
            ),
            "windows": tables["options"][["gap_id", "cover_id"]].drop_duplicates(),
            "report": ImportReport(),
            "metadata": {
                "farm": "Three blocks",
                "note": note,
                "weather_first_year": 2001,
                "weather_last_year": 2010,
                "weather_years": 10,
                "limits": ["Weeds are not in it."],
                "assumptions": ["No irrigation, since farm.toml does not say."],
            },
        }
        return Plan(**everything)

    return build


@pytest.fixture
def browser_page(browser: Any) -> Iterator[Callable[..., Any]]:
    """Open a file in a window without a network.

    Called with a path and a window size; gives the page, whose ``asked_for`` lists every address it
    tried to load apart from the file itself, and ``complaints`` every error on its console.
    """
    contexts = []

    def open_file(path: Path, width: int = 1280, height: int = 800, fragment: str = "", **options: Any) -> Any:
        context = browser.new_context(viewport={"width": width, "height": height}, **options)
        contexts.append(context)
        context.set_offline(True)
        page = context.new_page()
        page.asked_for, page.complaints = [], []
        address = path.resolve().as_uri()

        def answer(route: Any) -> None:
            if route.request.url.split("#")[0] == address:
                route.continue_()
            else:
                page.asked_for.append(route.request.url)
                route.abort()

        context.route("**/*", answer)
        page.on("pageerror", lambda error: page.complaints.append(str(error)))
        page.on("console", lambda line: page.complaints.append(line.text) if line.type == "error" else None)
        page.goto(address + fragment)
        return page

    yield open_file
    for context in contexts:
        context.close()
