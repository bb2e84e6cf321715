"""What the page shows, as plain data: taken from the plan's tables, nothing is reckoned anew."""

from __future__ import annotations

import math
from typing import Any, cast

import numpy as np
import pandas as pd

from greengap import units
from greengap.advice.cautions import WHOLE_FARM, list_cautions
from greengap.advice.choices import gap_of_choice
from greengap.advice.options import NO_COVER
from greengap.advice.seeding import seed_needs
from greengap.catalogue import Catalogue
from greengap.farm.seed_lists import SeedLists
from greengap.farm.settings import EQUIPMENT, PURPOSES
from greengap.output.map import MISSES, map_payload
from greengap.plan import Plan
from greengap.seed_order import order_lines
from greengap.tables import Allocation, DataFrame, SeedNeed
from greengap.units import System
from greengap.web.after_view import clock_views, rung_views, waiting_view, year_views


def iso(day: Any) -> str | None:
    """A date as ISO text, None for none."""
    return None if day is None or pd.isna(day) else pd.Timestamp(day).strftime("%Y-%m-%d")


def _number(value: Any, digits: int = 0) -> float | None:
    if value is None or pd.isna(value):
        return None
    return round(float(value), digits) if digits else round(float(value))


def gap_dates(gap: Any) -> dict[str, Any]:
    """Dates and usable days of a row of gaps."""
    names = (
        "start", "end", "opens_early", "opens", "opens_late", "closes_early", "closes", "closes_late",
    )  # fmt: skip
    return {
        "id": gap.gap_id,
        "block": gap.block_id,
        "season": gap.season,
        "before": gap.crop_before or "",
        "after": gap.crop_after or "",
        **{name: iso(getattr(gap, name)) for name in names},
        "length_d": int(gap.length_d),
        "clean_up_d": int(gap.clean_up_d),
        "seedbed_d": int(gap.seedbed_d),
        "waiting_d": int(gap.waiting_d),
        "usable_d": [int(gap.usable_p10_d), int(gap.usable_p50_d), int(gap.usable_p90_d)],
    }


def _bloom_by_year(plan: Plan, option_id: Any, sow: Any) -> list[list[str]]:
    """First and last day in flower in each weather year that flowers, in the year of the plan."""
    rows = plan.season[(plan.season["option_id"] == option_id) & (plan.season["bloom_d"] > 0)]
    out = []
    for row in rows[rows["bloom_from_d"].notna()].itertuples():
        first = pd.Timestamp(sow) + pd.Timedelta(days=float(row.bloom_from_d))
        out.append([str(iso(day)) for day in (first, first + pd.Timedelta(days=float(row.bloom_d - 1)))])
    return out


def gap_views(plan: Plan) -> list[dict[str, Any]]:
    """One entry a gap: its dates, and what is to be done with it."""
    told = map_payload(plan)["gaps"]
    odds = plan.odds.set_index("option_id")
    ranked = plan.recommendation.set_index(["gap_id", "cover_id"])
    answers = answers_by_gap(plan)
    out = []
    for gap in plan.gaps.itertuples():
        payload = told[gap.gap_id]
        chosen = payload["chosen"]
        view = gap_dates(gap) | {
            "title": payload["title"],
            "cover": chosen,
            "advice": payload["advice"],
            "why_clean": payload["why_clean"],
            "line": payload["line"],
            "growth": payload["growth"],
            "seed": payload["seed"],
            "cautions": payload["cautions"],
            "answers": answers.get(gap.gap_id, {}),
        }
        row = ranked.loc[(gap.gap_id, chosen)] if (gap.gap_id, chosen) in ranked.index else None
        if row is not None and chosen != NO_COVER and not pd.isna(row["sow_best"]):
            option = odds.loc[row["option_id"]]
            view |= {
                "sow": iso(row["sow_best"]),
                "sow_from": iso(row["sow_from"]),
                "sow_until": iso(row["sow_until"]),
                "end_from": iso(row["terminate_from"]),
                "end_by": iso(row["terminate_by"]),
                "ended_by": row["ended_by"],
                "holds": int(row["holds_years"]),
                "years": int(row["years"]),
                "flower": [iso(option["first_flower"]), iso(option["last_flower"])],
                "bloom": _bloom_by_year(plan, row["option_id"], row["sow_best"]),
                "klass": row["suitability_class"],
            }
        out.append(view)
    return out


def answers_by_gap(plan: Plan) -> dict[str, dict[str, dict[str, Any]]]:
    """The farm's own answers: gap -> cover -> answer."""
    out: dict[str, dict[str, dict[str, Any]]] = {}
    for choice in plan.settings.choices:
        gap_id = gap_of_choice(choice, plan.gaps)
        if gap_id:
            out.setdefault(gap_id, {})[choice.cover_id] = {"answer": choice.answer, "sow_date": choice.sow_date}
    return out


def _range(values: pd.Series, quantity: str, system: System) -> dict[str, Any] | None:
    """10, 50 and 90 % of years in the reader's unit, with n."""
    found = values.to_numpy(dtype=float)
    found = found[~np.isnan(found)]
    if not len(found):
        return None
    si = [float(v) for v in np.quantile(found, [0.1, 0.5, 0.9])]
    low, middle, high = (units.shown(v, quantity, system)[0] for v in si)
    return {
        "p10": low, "p50": middle, "p90": high, "n": len(found), "unit": units.shown(0.0, quantity, system)[1],
        "text": f"{units.write(si[1], quantity, system)} ({units.write(si[0], quantity, system)} to "
        f"{units.write(si[2], quantity, system)}; n = {len(found)})",
    }  # fmt: skip


def _best(plan: Plan, gap_id: str) -> pd.DataFrame:
    """The best option of every cover of a gap, as if each were the one that is sown."""
    rows = plan.recommendation[(plan.recommendation["gap_id"] == gap_id) & plan.recommendation["option_id"].notna()]
    return rows[["gap_id", "block_id", "cover_id", "option_id"]]


def _seed_of(plan: Plan, gap_id: str) -> dict[str, list[dict[str, Any]]]:
    """Seed of each cover in a gap, whether or not it is the one that is sown."""
    need = seed_needs(
        cast("DataFrame[Allocation]", _best(plan, gap_id)), plan.options, plan.blocks, plan.catalogue,
        plan.settings.equipment, plan.settings.seed_lots, set(),
    )  # fmt: skip
    system = plan.settings.units
    out: dict[str, list[dict[str, Any]]] = {}
    for n in need.itertuples():
        out.setdefault(n.cover_id, []).append(
            {
                "species": plan.catalogue.species[n.species].name,
                "seed": units.write(n.seed_g, "g", system),
                "seed_g": int(n.seed_g),
                "rate": units.write(n.bulk_rate_kg_ha, "kg_ha", system),
                "depth": units.write(n.depth_mm, "depth_mm", system),
                "method": n.method,
            }
        )
    return out


def cautions_of(plan: Plan, gap_id: str, cover: str | None = None) -> dict[str, list[dict[str, str]]]:
    """Cautions that sowing a cover in a gap would trigger, for each cover or for one."""
    best = _best(plan, gap_id)
    best = best if cover is None else best[best["cover_id"] == cover]
    kept = plan.season[plan.season["option_id"].isin(best["option_id"])]
    frosts = kept.groupby("option_id")["frost_kill_d"].count().to_dict()
    odds = plan.odds[plan.odds["option_id"].isin(best["option_id"])]
    gaps = plan.gaps[plan.gaps["gap_id"] == gap_id]
    out = {}
    for row in range(len(best)):
        one = cast("DataFrame[Allocation]", best.iloc[[row]])
        found = list_cautions(one, gaps, odds, frosts, plan.settings, plan.catalogue, plan.soil)
        out[str(best["cover_id"].iloc[row])] = [
            {"hazard": c.hazard, "text": c.caution, "defers_to": c.defers_to}
            for c in found.itertuples()
            if c.gap_id != WHOLE_FARM
        ]
    return out


def aims_apart(plan: Plan, gap_id: str) -> list[dict[str, Any]]:
    """Pairs of aims that no cover and date of a gap meets together in the wanted odds; what each costs the other."""
    ranked = plan.recommendation[(plan.recommendation["gap_id"] == gap_id) & plan.recommendation["eligible"]]
    own = plan.options[(plan.options["gap_id"] == gap_id) & plan.options["cover_id"].isin(ranked["cover_id"])]
    found = plan.purpose_odds[plan.purpose_odds["option_id"].isin(own["option_id"])]
    found = found[found["years"] > 0].merge(own[["option_id", "cover_id", "sow_date"]], on="option_id")
    if found.empty:
        return []
    share = found.assign(share=found["met_years"] / found["years"]).pivot_table(
        index="option_id", columns="purpose", values="share", aggfunc="first"
    )
    facts = {(row.option_id, row.purpose): row for row in found.itertuples()}
    enough = plan.settings.wanted_odds - 1e-9
    keys = [p.key for p in plan.settings.purposes if p.key in share.columns]
    out = []

    def side(option: Any, mine: str, other: str) -> dict[str, Any]:
        a, b = facts[option, mine], facts[option, other]
        return {
            "cover": a.cover_id, "sow": iso(a.sow_date), "aim": a.aim, "met": int(a.met_years), "other_aim": b.aim,
            "other_met": int(b.met_years), "years": int(a.years),
        }  # fmt: skip

    for i, first in enumerate(keys):
        for second in keys[i + 1 :]:
            pair = share[[first, second]].dropna()
            if (
                not ((pair[first] >= enough).any() and (pair[second] >= enough).any())
                or (pair >= enough).all(axis=1).any()
            ):
                continue
            # Of the dates that reach the one aim, the one that comes nearest to the other: the least that it costs.
            a = pair.loc[pair[first] >= enough, second].sort_index().idxmax()
            b = pair.loc[pair[second] >= enough, first].sort_index().idxmax()
            out.append({"first": side(a, first, second), "second": side(b, second, first)})
    return out


def _cost_of(plan: Plan, gap_id: str, lists: SeedLists | None) -> dict[str, str]:
    """What the seed of each cover costs, bought for this gap alone in whole bags; only where every price is known."""
    if lists is None or not lists.priced:
        return {}
    need = seed_needs(
        cast("DataFrame[Allocation]", _best(plan, gap_id)), plan.options, plan.blocks, plan.catalogue,
        plan.settings.equipment, plan.settings.seed_lots, set(),
    )  # fmt: skip
    out = {}
    for cover, rows in need.groupby("cover_id"):
        lines = order_lines(SeedNeed.validate(rows), lists, plan.catalogue, plan.settings.organic)
        if len(lines) and not lines["cost"].isna().any():
            out[str(cover)] = f"{lines['cost'].sum():,.2f} {lists.currency}".strip()
    return out


def gap_detail(
    plan: Plan, gap_id: str, rungs: pd.DataFrame | None = None, lists: SeedLists | None = None
) -> dict[str, Any]:
    """Everything about one gap: options ranked, odds and figures by sowing date, years, what is not possible.

    Parameters
    ----------
    plan : Plan
        Of that gap's block at least, with every option and weather year.
    gap_id : str
    rungs : DataFrame, optional
        Its ladder in the plan of the whole farm.
    lists : SeedLists, optional
        The farm's shed and prices.
    """
    payload = map_payload(plan)["gaps"][gap_id]
    gap = next(plan.gaps[plan.gaps["gap_id"] == gap_id].itertuples())
    system, catalogue = plan.settings.units, plan.catalogue
    odds = plan.odds.set_index("option_id")
    told = {row["cover"]: row for row in [payload["advice"], *payload["others"]] if row}
    options = plan.options[plan.options["gap_id"] == gap_id].sort_values("sow_date")
    own = plan.season[plan.season["option_id"].isin(options["option_id"])].sort_values(["option_id", "weather_year"])
    season = dict(iter(own.groupby("option_id", sort=False)))
    purposes: dict[str, list[Any]] = {}
    for p in plan.purpose_odds[plan.purpose_odds["option_id"].isin(options["option_id"])].itertuples():
        purposes.setdefault(p.option_id, []).append(p)
    seeds, cautions = _seed_of(plan, gap_id), cautions_of(plan, gap_id)
    clocks = clock_views(plan.clocks[plan.clocks["gap_id"] == gap_id])
    ranked = plan.recommendation[plan.recommendation["gap_id"] == gap_id].sort_values("rank")
    answers = answers_by_gap(plan).get(gap_id, {})
    covers = []
    for row in ranked.itertuples():
        if not row.eligible:
            continue
        one: dict[str, Any] = {
            "cover": row.cover_id,
            "name": catalogue.covers[row.cover_id].name if row.cover_id in catalogue.covers else "no cover",
            "rank": int(row.rank),
            "score": round(float(row.score), 4),
            "klass": row.suitability_class,
            "told": told.get(row.cover_id),
            "answer": answers.get(row.cover_id),
            "sow": iso(row.sow_best),
            "sow_from": iso(row.sow_from),
            "sow_until": iso(row.sow_until),
            "clocks": clocks.get(row.cover_id, []),
            "dates": [],
        }
        for option in options[options["cover_id"] == row.cover_id].itertuples():
            if option.option_id in odds.index:
                one["dates"].append(
                    _date(option, odds.loc[option.option_id], season.get(option.option_id), purposes, system)
                )
        if row.option_id is not None and not pd.isna(row.option_id):
            one["seed"] = seeds.get(row.cover_id, [])
            one["cautions"] = cautions.get(row.cover_id, [])
        covers.append(one)
    wanted_of = max((d["years"] for c in covers for d in c["dates"]), default=0)
    return (
        payload
        | gap_dates(gap)
        | {
            "covers": covers,
            "rungs": rung_views(rungs),
            "apart": aims_apart(plan, gap_id),
            "costs": _cost_of(plan, gap_id, lists),
            "priced": lists is not None and lists.priced,
            "chosen": payload["chosen"],
            "wanted_share": plan.settings.wanted_odds,
            "wanted": math.ceil(plan.settings.wanted_odds * wanted_of - 1e-9),
            "units": system,
            "area": units.write(
                float(plan.blocks.set_index("block_id").loc[gap.block_id, "area_sown_m2"]), "m2", system
            ),
        }
    )


def _miss(row: Any) -> str:
    """The first thing that goes wrong in a weather year, empty if it holds."""
    if row.holds:
        return ""
    return next((words for column, words in MISSES if not getattr(row, column)), "growth aim not reached in time")


def _date(
    option: Any, odds: Any, season: pd.DataFrame | None, purposes: dict[str, list[Any]], system: System
) -> dict[str, Any]:
    """One sowing date of one cover."""
    out: dict[str, Any] = {
        "sow": iso(option.sow_date),
        "holds": int(odds["holds_years"]),
        "years": int(odds["years"]),
        "up_years": int(odds["established_years"]),
        "end_by": iso(odds["terminate_by"]),
        "ended_by": odds["ended_by"],
        "end_from": iso(odds["ready_from"]),
        "flower": [iso(odds["first_flower"]), iso(odds["last_flower"])],
        "bird_risk": round(float(odds["bird_risk_share"]), 2),
    }
    if option.option_id in purposes:
        out["purposes"] = [
            {"purpose": p.purpose, "aim": p.aim, "met": int(p.met_years), "years": int(p.years)}
            for p in purposes[option.option_id]
        ]
    if season is None or season.empty:
        return out
    for name, column, quantity in (
        ("biomass", "biomass_kg_ha", "biomass_kg_ha"),
        ("nitrogen", "nitrogen_kg_ha", "kg_ha"),
        ("fixed", "nitrogen_fixed_kg_ha", "kg_ha"),
        ("water_used", "water_used_mm", "mm"),
        ("water_cost", "water_cost_mm", "mm"),
        ("irrigation", "irrigation_mm", "mm"),
        ("start_water", "establishment_water_mm", "mm"),
        ("given", "nitrogen_28d_kg_ha", "kg_ha"),
    ):
        out[name] = _range(season[column], quantity, system)
    for name, column in (("up_d", "emergence_d"), ("half_d", "half_cover_d")):
        found = season[column].dropna()
        low, mid, high = np.quantile(found, [0.1, 0.5, 0.9]) if len(found) else (None, None, None)
        out[name] = {"p10": _number(low), "p50": _number(mid), "p90": _number(high), "n": len(found)}
    out["waiting"] = waiting_view(season)
    weeds = season["weed_share"].dropna()
    out["weeds"] = [round(float(v), 2) for v in np.quantile(weeds, [0.1, 0.5, 0.9])] if len(weeds) else None
    out["by_year"] = [[int(row.weather_year), bool(row.holds)] for row in season.itertuples()]
    return out


def years_of(plan: Plan, gap_id: str, cover: str, sow: str) -> list[dict[str, Any]]:
    """Each weather year of one cover sown on one date; empty if that date was not run."""
    own = plan.options[(plan.options["gap_id"] == gap_id) & (plan.options["cover_id"] == cover)]
    option = own.loc[own["sow_date"].dt.strftime("%Y-%m-%d") == sow, "option_id"]
    season = plan.season[plan.season["option_id"].isin(option)].sort_values("weather_year")
    return year_views(season, [_miss(row) for row in season.itertuples()], plan.settings.units)


def order_view(plan: Plan) -> dict[str, Any]:
    """Seed order by lot, and what each block is to get."""
    system = plan.settings.units
    lots = [
        {
            "name": row.name_,
            "year": int(row.year),
            "blocks": row.blocks,
            "area": units.write(row.area_sown_m2, "m2", system),
            "needed_by": iso(row.needed_by),
            "seed": units.write(row.seed_g, "g", system),
            "seed_g": int(row.seed_g),
            "pls": units.write(row.pls_g, "g", system),
            "below": units.write(row.seed_g_below_wanted_odds, "g", system) if row.seed_g_below_wanted_odds else "",
            "inoculant": row.inoculant_group,
            "price": _number(row.price_per_kg, 2),
            "cost": _number(row.cost, 2),
        }
        for row in plan.seed_order.rename(columns={"name": "name_"}).itertuples()
    ]
    loads = [
        {
            "gap": row.gap_id,
            "block": row.block_id,
            "cover": row.cover_id,
            "species": plan.catalogue.species[row.species].name,
            "sow": iso(row.sow_date),
            "method": row.method,
            "rate": units.write(row.bulk_rate_kg_ha, "kg_ha", system),
            "depth": units.write(row.depth_mm, "depth_mm", system),
            "area": units.write(row.area_sown_m2, "m2", system),
            "seed": units.write(row.seed_g, "g", system),
        }
        for row in plan.seed_need.sort_values(["sow_date", "block_id", "species"]).itertuples()
    ]
    total = int(plan.seed_order["seed_g"].sum())
    return {"lots": lots, "loads": loads, "total": units.write(total, "g", system), "total_g": total}


def farm_view(plan: Plan) -> dict[str, Any]:
    """What is said of the farm as a whole."""
    payload = map_payload(plan)
    keys = ("weather", "wanted_odds", "holds", "caveat", "cautions", "limits", "assumptions", "program_version")
    return {key: payload[key] for key in (*keys, "catalogue_version")} | {
        "freeze": plan.metadata["freeze"],
        "ground": ground_view(plan),
        "order": order_view(plan),
    }


def ground_view(plan: Plan) -> dict[str, dict[str, Any]]:
    """Slope, the way it faces, ponding, crusting and water sets of each block, each with where it comes from."""
    system, out = plan.settings.units, {}
    elevation = plan.settings.elevation
    for row in plan.ground.itertuples():
        word = plan.settings.growers_word.get(row.block_id)
        said = f"grower's word{f' ({word.by})' if word.by else ''}: {word.reason}" if word else ""
        mapped = plan.settings.shown(elevation) if elevation else "soil table"
        one: dict[str, Any] = {"ponds": _yes(row.ponds), "crusts": _yes(row.crusts), "said": said}
        if not pd.isna(row.slope_fraction):
            one["slope"] = f"{100 * row.slope_fraction:.3g} %, {row.slope_class}"
            one["slope_from"] = said if word and "slope_fraction" in word.values else mapped
        if row.faces:
            one["faces"] = row.faces
            one["faces_from"] = said if word and "aspect_deg" in word.values else mapped
        if not pd.isna(row.sets):
            one["sets"] = int(row.sets)
            one["set_area"] = units.write(float(row.set_area_m2), "m2", system)
        out[str(row.block_id)] = one
    return out


def _yes(value: Any) -> bool | None:
    return None if pd.isna(value) else bool(value)


def catalogue_view(catalogue: Catalogue) -> dict[str, Any]:
    """Names that the page offers: covers with hatch and colour, vegetables, purposes, machines."""
    from greengap.output.map import COLOURS, HATCHES

    covers = []
    for n, key in enumerate(sorted(catalogue.covers)):
        turn = n // len(COLOURS)
        hatch = HATCHES[(n + 5 * turn) % len(HATCHES)]
        covers.append(
            {"id": key, "name": catalogue.covers[key].name, "colour": COLOURS[n % len(COLOURS)], "hatch": hatch}
        )
    vegetables = [{"id": v.key, "name": v.name, "family": v.family} for v in catalogue.vegetables.values()]
    return {
        "covers": covers,
        "vegetables": sorted(vegetables, key=lambda v: v["name"]),
        "purposes": [{"id": key, "words": words} for key, words in PURPOSES.items()],
        "equipment": list(EQUIPMENT),
        "version": catalogue.version,
    }
