"""One map page that works offline: the plan on the farm's outlines, every figure taken from the plan's tables.

`map_payload` says what the page shows; `greengap.output.map_page` and the script beside it say how.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely

from greengap import units
from greengap.advice.cautions import WHOLE_FARM
from greengap.output.after_text import CLOCK_WORDS, DRIVER_WORDS
from greengap.output.files import write_text
from greengap.output.map_page import map_page
from greengap.output.passes import find_passes, pass_words, plane_of
from greengap.output.summary import why_no_cover
from greengap.plan import Plan

NO_COVER = "no_cover"
NO_COVER_NAME = "no cover: keep it clean"
SVG_MOST_BLOCKS = 300  # above this the page draws on a canvas, which knows no hatches
RUNNERS_UP = 2
CAVEAT = "Calculated from past weather and published figures. A prediction, not a promise. Look at the block."
HOLDS = (
    "“Holds” means: the soil is warm enough at sowing, frost spares the cover, it reaches the growth aim in time, "
    "it can be ended before it sets viable seed, and its residue is out of the next crop's way in time."
)

# Our own colours, found by maximising the smallest OKLab distance between any two, for normal sight and
# for the protan, deutan and tritan simulations of Machado et al. 2009 (doi:10.1109/TVCG.2009.113);
# neighbours in the list lie far apart. A hatch and a written label always stand beside the colour.
COLOURS = (
    "#197478", "#e07780", "#d0b74a", "#1f3f89", "#3fd2b4", "#68154d",
    "#179fd4", "#384307", "#b4acfa", "#a3414c", "#947f24", "#7f65bb",
)  # fmt: skip
HATCHES = (
    "rising", "dots", "level", "falling", "crosses", "upright",
    "waves", "diamonds", "dashes", "steps", "rings", "pairs",
)  # fmt: skip

NITROGEN_TOLD_D = 28  # days after planting for which nitrogen is told
# Why a weather year did not hold, in the order in which a season goes wrong: column of Season, words.
MISSES = (
    ("soil_warm", "soil too cold at sowing"),
    ("frost_spared", "killed by frost before the growth aim"),
    ("aim_met", "growth aim not reached in time"),
    ("residue_clear", "residue in the way of the next crop"),
    ("seed_safe", "viable seed before it can be ended"),
)


def _rows(table: pd.DataFrame) -> Iterator[Any]:
    """Rows of a checked table, columns as attributes."""
    return table.itertuples()


def _iso(day: Any) -> str | None:
    return None if pd.isna(day) else pd.Timestamp(day).strftime("%Y-%m-%d")


def _text(value: Any) -> str:
    return "" if value is None or pd.isna(value) else str(value)


def _day(day: Any, year: int) -> str:
    """A date for a person; the year only where it is not the one being talked about."""
    stamp = pd.Timestamp(day)
    return f"{stamp.day} {stamp:%b}" + (f" {stamp.year}" if stamp.year != year else "")


def _between(first: Any, last: Any, year: int) -> str:
    """Two dates as a stretch, month and year written once if they are the same."""
    a, b = pd.Timestamp(first), pd.Timestamp(last)
    if a == b:
        return _day(a, year)
    if (a.year, a.month) == (b.year, b.month):
        return f"{a.day}–{_day(b, year)}"
    return f"{_day(a, year)} – {_day(b, year)}"


def _period(season: str, start: pd.Timestamp, end: pd.Timestamp) -> tuple[str, str]:
    """Key, in the order of time, and name of the season that a gap is shown under."""
    order = ("early spring", "midsummer", "autumn", "overwinter").index(season)
    years = (
        f"{start.year}" if season != "overwinter" or end.year == start.year else f"{start.year}–{end.year % 100:02d}"
    )
    return f"{start.year}-{order}-{season.replace(' ', '-')}", f"{season.capitalize()} {years}"


def _names(plan: Plan) -> dict[str, str]:
    """Names of everything that can be sown or left, covers and vegetables, by key."""
    names = {key: cover.name for key, cover in plan.catalogue.covers.items()}
    return {**names, NO_COVER: NO_COVER_NAME}


def _crop(plan: Plan, crop: Any) -> str:
    key = _text(crop)
    return plan.catalogue.vegetables[key].name if key in plan.catalogue.vegetables else key


def _covers(plan: Plan) -> list[dict[str, Any]]:
    """Every cover of the catalogue with its colour and hatch; the same in every plan of one catalogue."""
    out = []
    for n, key in enumerate(sorted(plan.catalogue.covers)):
        turn = n // len(COLOURS)  # the second dozen takes the same colours with other hatches
        hatch = HATCHES[(n + 5 * turn) % len(HATCHES)]
        colour = COLOURS[n % len(COLOURS)]
        out.append({"id": key, "name": plan.catalogue.covers[key].name, "colour": colour, "hatch": hatch})
    out.append({"id": NO_COVER, "name": NO_COVER_NAME, "colour": "#6d7a78", "hatch": "bare"})
    return out


def _sentence(name: str, row: Any, wanted: int, year: int) -> str:
    """The recommendation in one sentence."""
    if row.cover_id == NO_COVER:
        return "Keep it clean: nothing is sown."
    odds = f"{row.holds_years} of {row.years} years"
    if pd.isna(row.sow_best):
        return f"{name}: no sowing date fits."
    best = _day(row.sow_best, year)
    window = _window(row, year)
    if not window:
        return f"{name}: sow on {best}. It holds in {odds}; no date reaches the {wanted} that are wanted."
    if row.sow_from == row.sow_until:
        return f"{name}: sow on {window}. It holds in {odds}."
    return f"{name}: sow {window}, best {best}. It holds in {odds}."


def _early(row: Any, gap: Any, crop: str, year: int) -> str:
    """What the first days of a window depend on where they come before the usual first sowing day."""
    if row.cover_id == NO_COVER or pd.isna(row.sow_from) or row.sow_from >= gap.opens:
        return ""
    return f"Before {_day(gap.opens, year)} only if the {crop.lower() or 'crop before'} leaves early."


def _window(row: Any, year: int) -> str:
    return "" if pd.isna(row.sow_from) or pd.isna(row.sow_until) else _between(row.sow_from, row.sow_until, year)


def _line(row: Any, year: int) -> str:
    """Dates and odds in a few words, for lists."""
    if row.cover_id == NO_COVER or pd.isna(row.sow_best):
        return ""
    dates = _window(row, year) or _day(row.sow_best, year)
    return f"sow {dates}, holds in {row.holds_years} of {row.years} years"


def _ending(row: Any, year: int) -> str:
    """When to end it."""
    if row.cover_id == NO_COVER or pd.isna(row.terminate_by):
        return ""
    if row.ended_by == "frost":
        return f"Frost ends it in most years, in one of ten before {_day(row.terminate_by, year)}."
    why = {"seed set": ", before it sets seed", "next crop": ", in time for the next crop"}.get(row.ended_by, "")
    if pd.isna(row.terminate_from) or row.terminate_from >= row.terminate_by:
        return f"End it by {_day(row.terminate_by, year)}{why}."
    return f"End it {_between(row.terminate_from, row.terminate_by, year)}{why}."


def _misses(seasons: pd.DataFrame) -> list[dict[str, Any]]:
    """Weather years in which an option does not hold, under the first thing that goes wrong."""
    left = seasons[~seasons["holds"]]
    out = []
    for column, words in MISSES:
        years = sorted(int(y) for y in left.loc[~left[column], "weather_year"])
        if years:
            out.append({"why": words, "years": years})
        left = left[left[column]]
    return out


class _Lookups:
    """The plan's tables by key, sorted once, so that the payload reads like the page."""

    def __init__(self, plan: Plan) -> None:
        self.names = _names(plan)
        self.after = {(row.gap_id, row.cover_id): row for row in _rows(plan.after)}
        self.nitrogen = {
            (row.gap_id, row.cover_id): row for row in _rows(plan.nitrogen) if row.after_planting_d == NITROGEN_TOLD_D
        }
        self.binding = {(row.gap_id, row.cover_id): row for row in _rows(plan.clocks) if row.binds}
        self.ladder = self._by_gap(plan.ladder, ["rung"])
        self.allocation = {row.gap_id: row for row in _rows(plan.allocation)}
        self.odds = {row.option_id: row for row in _rows(plan.odds)}
        chosen = plan.season[plan.season["option_id"].isin(plan.allocation["option_id"].dropna())]
        self.season = dict(iter(chosen.groupby("option_id")))
        self.recommendation = self._by_gap(plan.recommendation, ["rank", "cover_id"])
        self.cautions = self._by_gap(plan.cautions, ["hazard"])
        self.seed = self._by_gap(plan.seed_need, ["species"])
        failed = plan.suitability[(plan.suitability["kind"] == "gate") & ~plan.suitability["passed"].astype(bool)]
        self.gates: dict[tuple[str, str], list[str]] = {}
        for row in _rows(failed):
            reasons = self.gates.setdefault((row.gap_id, row.cover_id), [])
            if row.reason not in reasons:
                reasons.append(row.reason)
        self.curves: dict[tuple[str, str], list[list[Any]]] = {}
        for row in _rows(plan.options.sort_values("sow_date")):
            found = self.odds.get(row.option_id)
            if found is not None:
                point = [_iso(row.sow_date), int(found.holds_years), int(found.years)]
                self.curves.setdefault((row.gap_id, row.cover_id), []).append(point)

    @staticmethod
    def _by_gap(table: pd.DataFrame, order: list[str]) -> dict[str, list[Any]]:
        out: dict[str, list[Any]] = {}
        if table.empty:
            return out
        for row in _rows(table.sort_values(order, kind="stable")):
            out.setdefault(str(row.gap_id), []).append(row)
        return out


def _cautions(look: _Lookups, gap_id: str) -> list[dict[str, str]]:
    """Cautions of one gap, or of the whole farm."""
    return [
        {"hazard": row.hazard, "text": row.caution, "defers_to": row.defers_to} for row in look.cautions.get(gap_id, [])
    ]


def _growth(plan: Plan, look: _Lookups, option_id: Any) -> str:
    """Dry matter as median, range and n."""
    found = look.odds.get(option_id)
    if found is None:
        return ""
    low, middle, high = (
        units.write(value, "biomass_kg_ha", plan.settings.units)
        for value in (found.biomass_p10_kg_ha, found.biomass_p50_kg_ha, found.biomass_p90_kg_ha)
    )
    return f"{middle} dry matter in the middle year ({low} to {high} in eight years of ten; n = {found.years})"


def _seed(plan: Plan, rows: list[Any]) -> list[dict[str, Any]]:
    system = plan.settings.units
    return [
        {
            "species": row.species,
            "name": plan.catalogue.species[row.species].name,
            "seed_g": int(row.seed_g),
            "seed": units.write(row.seed_g, "g", system),
            "rate": units.write(row.bulk_rate_kg_ha, "kg_ha", system),
            "method": row.method,
            "depth": units.write(row.depth_mm, "depth_mm", system),
        }
        for row in rows
    ]


def _after(plan: Plan, look: _Lookups, gap: Any, cover_id: str) -> list[str]:
    """What the cover leaves and what to do if it cannot be sown, a sentence each."""
    system, key = plan.settings.units, (gap.gap_id, cover_id)
    found, crop = look.after.get(key), _crop(plan, gap.crop_after)
    if found is None:
        return []
    ratio = "" if pd.isna(found.carbon_to_nitrogen) else f" Carbon to nitrogen {found.carbon_to_nitrogen:.0f}."
    told = [f"How: {found.method}.{ratio}"]
    if crop:
        low, high = (f"{d:.0f}" for d in (found.waiting_p10_d, found.waiting_p90_d))
        span = "hardly more or less in any year" if low == high else f"{low} to {high} days in eight years of ten"
        told.append(
            f"Wait {found.waiting_p50_d:.0f} days before the {crop.lower()} ({span}), "
            f"{DRIVER_WORDS[found.waiting_driver]}; ready in {found.ready_years} of {found.years} years."
        )
    given = look.nitrogen.get(key)
    if given is not None and not pd.isna(given.release_p50_kg_ha):
        amount = units.write(abs(given.release_p50_kg_ha), "kg_ha", system)
        ends = [units.shown(v, "kg_ha", system)[0] for v in (given.release_p10_kg_ha, given.release_p90_kg_ha)]
        told.append(
            f"Nitrogen four weeks after planting: {amount} {'tied up' if given.release_p50_kg_ha < 0 else 'set free'} "
            f"({ends[0]:.0f} to {ends[1]:.0f}). Test the soil before you cut fertilizer."
        )
    if crop and found.water_lack_p90_mm > plan.catalogue.rule("water_made_good"):
        worst = units.write(found.water_lack_p90_mm, "mm", system)
        told.append(f"At planting the ground is up to {worst} drier than bare ground, in one year of ten.")
    binding = look.binding.get(key)
    if binding is not None and not pd.isna(binding.margin_d):
        told.append(f"Tightest clock: {CLOCK_WORDS[binding.clock]}, {binding.margin_d:.0f} days to spare.")
    return told


def _ladder(plan: Plan, look: _Lookups, gap: Any) -> list[str]:
    """The rungs of a gap after the first, a line each."""
    lines = []
    for rung in look.ladder.get(gap.gap_id, [])[1:]:
        if rung.cover_id == NO_COVER:
            lines.append(f"from {_day(rung.sow_from, gap.start.year)} leave it and keep it clean")
        else:
            until = _day(rung.sow_until, gap.start.year)
            odds = f"{rung.holds_years} of {rung.years} years"
            lines.append(f"until {until} {look.names[rung.cover_id]}, from seed the plan buys anyway ({odds})")
    return lines


def _wanted(plan: Plan, years: int) -> int:
    """Of so many years, the least that reach the wanted odds."""
    return math.ceil(plan.settings.wanted_odds * years - 1e-9)


def _gap(plan: Plan, look: _Lookups, gap: Any) -> dict[str, Any]:
    """Everything the page says about one gap."""
    period, title = _period(gap.season, gap.start, gap.end)
    year = gap.start.year
    ranked = look.recommendation.get(gap.gap_id, [])
    given = look.allocation.get(gap.gap_id)
    chosen_id = NO_COVER if given is None else given.cover_id
    chosen = next((row for row in ranked if row.cover_id == chosen_id), None)
    others = [row for row in ranked if row.eligible and row.cover_id != chosen_id]
    drawn = [row.cover_id for row in others if row.cover_id != NO_COVER][: RUNNERS_UP + (chosen_id == NO_COVER)]
    if chosen_id != NO_COVER:
        drawn.insert(0, chosen_id)
    # Options of one gap can differ in their number of weather years: the page counts in those of what is recommended.
    sown = [row for row in ranked if row.cover_id != NO_COVER and not pd.isna(row.sow_best)]
    leading = next((row for row in sown if row.cover_id in drawn[:1]), None)
    years = max((row.years for row in sown), default=0) if leading is None else leading.years
    before = _crop(plan, gap.crop_before)
    option = None if given is None else given.option_id

    def told(row: Any) -> dict[str, Any]:
        return {
            "cover": row.cover_id,
            "name": look.names.get(row.cover_id, row.cover_id),
            "class": row.suitability_class,
            "sentence": _sentence(look.names.get(row.cover_id, row.cover_id), row, _wanted(plan, row.years), year),
            "early": _early(row, gap, before, year),
            "ending": _ending(row, year),
            "limit": _text(row.limiting_factor),
            "reasons": _text(row.reasons),
        }

    return {
        "id": gap.gap_id,
        "block": gap.block_id,
        "period": period,
        "title": title,
        "before": before,
        "after": _crop(plan, gap.crop_after),
        "dates": _between(gap.start, gap.end, year if gap.end.year == year else 0)
        + f" {year}" * (gap.end.year == year),
        **{name: _iso(getattr(gap, name)) for name in ("start", "end")},
        **{name: _iso(getattr(gap, name)) for name in ("opens_early", "opens", "opens_late")},
        **{name: _iso(getattr(gap, name)) for name in ("closes_early", "closes", "closes_late")},
        "length_d": int(gap.length_d),
        "usable_d": [int(gap.usable_p10_d), int(gap.usable_p50_d), int(gap.usable_p90_d)],
        "chosen": chosen_id,
        "advice": told(chosen) if chosen is not None else None,
        "after_it": _after(plan, look, gap, chosen_id),
        "ladder": _ladder(plan, look, gap),
        "why_clean": why_no_cover(plan, gap.gap_id) if chosen_id == NO_COVER else "",
        "window": "" if chosen is None else _window(chosen, year),
        "line": "" if chosen is None else _line(chosen, year),
        "sow": [_iso(getattr(chosen, name, None)) for name in ("sow_from", "sow_best", "sow_until")],
        "wanted_years": _wanted(plan, years),
        "years": int(years),
        "curves": [
            {"cover": cover, "name": look.names.get(cover, cover), "points": look.curves[gap.gap_id, cover]}
            for cover in drawn
            if (gap.gap_id, cover) in look.curves
        ],
        "growth": _growth(plan, look, option),
        "misses": _misses(look.season[option]) if option in look.season else [],
        "seed": _seed(plan, look.seed.get(gap.gap_id, [])),
        "cautions": _cautions(look, gap.gap_id),
        "others": [told(row) for row in others],
        "impossible": [
            {
                "cover": row.cover_id,
                "name": look.names.get(row.cover_id, row.cover_id),
                "why": look.gates.get((gap.gap_id, row.cover_id)) or [_text(row.limiting_factor)],
            }
            for row in ranked
            if not row.eligible
        ],
        "classes": {row.cover_id: row.suitability_class for row in ranked},
    }


def _label_at(outline: shapely.Geometry) -> list[float]:
    """Latitude and longitude where a block's name is written: its middle if there is room, else where there is most."""
    parts = shapely.get_parts(outline)
    largest = parts[int(np.argmax(shapely.area(parts)))]
    squeeze = math.cos(math.radians(largest.centroid.y))
    plane = shapely.transform(largest, lambda xy: xy * [squeeze, 1.0])
    extent = max(plane.bounds[2] - plane.bounds[0], plane.bounds[3] - plane.bounds[1])
    roomiest = shapely.maximum_inscribed_circle(plane, tolerance=extent / 200)
    spot, room = shapely.get_point(roomiest, 0), shapely.length(roomiest)
    if plane.contains(plane.centroid) and plane.boundary.distance(plane.centroid) > 0.6 * room:
        spot = plane.centroid
    return [round(spot.y, 7), round(spot.x / squeeze, 7)]


def _passes(plan: Plan, block_id: str, outline: Any, plane: str) -> dict[str, Any] | None:
    """How a block is driven, latitude first, to a tenth of a metre; none where no working width is known."""
    passes = find_passes(block_id, outline, plan.settings.machinery, plane)
    if passes is None:
        return None

    def places(line: Any) -> list[list[float]]:
        return [[round(lat, 6), round(lon, 6)] for lon, lat in line]

    return {
        "swaths": [places(swath.coords) for swath in passes.swaths],
        "a_b": places((passes.a, passes.b)),
        "words": pass_words(passes, plan.settings.units),
    }


def _features(plan: Plan, gaps: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Blocks as GeoJSON features, coordinates to about a centimetre; passes on those that are sown."""
    sown, plane = set(plan.seed_need["block_id"]), plane_of(plan.blocks.total_bounds)
    out = []
    for block in _rows(plan.blocks.sort_values("block_id")):
        outline = shapely.transform(shapely.force_2d(block.geometry), lambda xy: np.round(xy, 7))
        out.append(
            {
                "type": "Feature",
                "id": block.block_id,
                "properties": {
                    "block": block.block_id,
                    "field": block.field,
                    "area_m2": round(float(block.area_sown_m2), 2),
                    "area": units.write(block.area_sown_m2, "m2", plan.settings.units),
                    "label": _label_at(outline),
                    "gaps": [gap["id"] for gap in gaps if gap["block"] == block.block_id],
                    "passes": _passes(plan, block.block_id, block.geometry, plane) if block.block_id in sown else None,
                },
                "geometry": json.loads(shapely.to_geojson(outline)),
            }
        )
    return out


def _legend(plan: Plan, gaps: list[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    """Blocks and area by cover in each season; a block counts once for a cover."""
    area = dict(zip(plan.blocks["block_id"], plan.blocks["area_sown_m2"], strict=True))
    blocks: dict[str, dict[str, set[str]]] = {}
    for gap in gaps:
        blocks.setdefault(gap["period"], {}).setdefault(gap["chosen"], set()).add(gap["block"])
    out = {}
    for period, covers in blocks.items():
        rows = []
        for cover, names in covers.items():
            m2 = sum(float(area[name]) for name in sorted(names))
            written = units.write(m2, "m2", plan.settings.units)
            rows.append({"cover": cover, "blocks": len(names), "area_m2": round(m2, 2), "area": written})
        out[period] = sorted(rows, key=lambda row: (row["cover"] == NO_COVER, row["cover"]))
    return out


def _totals(plan: Plan) -> dict[str, Any]:
    """Seed of the whole plan by species, whole grams, added up from what each gap needs."""
    grams: dict[str, int] = {}
    for row in _rows(plan.seed_need.sort_values(["species", "gap_id"])):
        grams[row.species] = grams.get(row.species, 0) + int(row.seed_g)
    species = [
        {
            "species": key,
            "name": plan.catalogue.species[key].name,
            "seed_g": g,
            "seed": units.write(g, "g", plan.settings.units),
        }
        for key, g in grams.items()
    ]
    total = sum(grams.values())
    return {
        "seed_g": grams,
        "seed_g_all": total,
        "seed_all": units.write(total, "g", plan.settings.units),
        "species": species,
    }


def map_payload(plan: Plan) -> dict[str, Any]:
    """What the map page shows, as plain data.

    Parameters
    ----------
    plan : Plan
        A finished plan.

    Returns
    -------
    dict
        Ready for JSON. ``blocks`` is a GeoJSON feature collection (WGS84), ``gaps`` holds one entry a
        gap by ``gap_id``, ``periods`` the seasons in order of time, ``opens_on`` the one with the
        most ground to sow, ``covers`` colours and hatches,
        ``legend`` blocks and area [m2] by season and cover, ``totals["seed_g"]`` the seed of each
        species in whole grams. Figures for a person are text in the farm's own units beside the SI value.
    """
    look = _Lookups(plan)
    gaps = [_gap(plan, look, gap) for gap in _rows(plan.gaps.sort_values(["block_id", "start", "gap_id"]))]
    rated = set(plan.recommendation["cover_id"])
    meta = plan.metadata
    legend = _legend(plan, gaps)

    def sown(period: str) -> float:
        return sum(row["area_m2"] for row in legend[period] if row["cover"] != NO_COVER)

    return {
        "farm": _text(meta.get("farm", plan.settings.name)),
        "note": _text(meta.get("note", plan.settings.note)),
        "units": plan.settings.units,
        "wanted_odds": float(plan.settings.wanted_odds),
        "weather": {key: meta.get(f"weather_{key}_year") for key in ("first", "last")}
        | {"years": meta.get("weather_years")},
        "program_version": _text(meta.get("program_version")),
        "catalogue_version": _text(meta.get("catalogue_version", plan.catalogue.version)),
        "caveat": CAVEAT,
        "holds": HOLDS,
        "cautions": _cautions(look, WHOLE_FARM),
        "limits": [str(sentence) for sentence in meta.get("limits", []) if sentence != CAVEAT],
        "assumptions": [str(sentence) for sentence in meta.get("assumptions", plan.report.assumptions)],
        "svg": len(plan.blocks) <= SVG_MOST_BLOCKS,
        "covers": [cover | {"rated": cover["id"] in rated} for cover in _covers(plan)],
        "opens_on": max(legend, key=lambda period: (sown(period), period), default=""),
        "periods": [{"key": key, "title": title} for key, title in sorted({(g["period"], g["title"]) for g in gaps})],
        "blocks": {"type": "FeatureCollection", "features": _features(plan, gaps)},
        "gaps": {gap["id"]: gap for gap in gaps},
        "legend": legend,
        "totals": _totals(plan),
    }


def write_map(plan: Plan, path: Path, base_map: bool = False) -> None:
    """Write the plan as one map page that opens without a network.

    Parameters
    ----------
    plan : Plan
        A finished plan.
    path : Path
        HTML file to write; appears whole or not at all.
    base_map : bool
        Lay street map tiles (OpenStreetMap) underneath, fetched when the page is opened. Off by default.

    Raises
    ------
    InputProblem
        If the installed package with the map library is missing or altered, or the folder cannot be written.
    """
    write_text(Path(path), map_page(map_payload(plan), base_map))
