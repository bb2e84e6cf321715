"""How well each cover suits each gap, criterion by criterion: gates are never traded, soft limits are weighed.

`greengap.advice.ranking` combines them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from greengap.advice.ground import slope_class, steepness
from greengap.advice.options import NO_COVER
from greengap.advice.purposes import default_aim
from greengap.advice.seeding import seeding_method, sowing_depth
from greengap.catalogue import Catalogue, Cover, Species, Vegetable
from greengap.farm.settings import FarmSettings
from greengap.process.bloom import VISITORS, visitor_level
from greengap.process.seedbed import crust_share
from greengap.site.growers_word import mark
from greengap.site.soil import DRAINAGE_CLASSES
from greengap.tables import (
    ClassShare,
    DataFrame,
    Gap,
    Odds,
    PurposeOdds,
    Season,
    Soil,
    Suitability,
    Window,
)
from greengap.units import System, write

ALL = "all"


@dataclass(frozen=True)
class Rated:
    """One criterion of one cover in one gap."""

    criterion: str
    kind: str
    membership: float
    weight: float
    reason: str
    purpose: str = ALL


def trapezoid(x: float, zero_low: float, one_low: float, one_high: float, zero_high: float) -> float:
    """Membership that rises from 0 to 1, stays, and falls to 0.

    Examples
    --------
    >>> trapezoid(5.0, 4.5, 5.5, 7.0, 8.0)
    0.5
    """
    if x <= zero_low or x >= zero_high:
        return 0.0
    if x < one_low:
        return (x - zero_low) / (one_low - zero_low)
    if x > one_high:
        return (zero_high - x) / (zero_high - one_high)
    return 1.0


def ramp(x: float, zero: float, one: float) -> float:
    """Membership that goes from 0 at `zero` to 1 at `one`, in either direction.

    Examples
    --------
    >>> ramp(0.75, 0.5, 1.0)
    0.5
    >>> ramp(0.9, 0.8, 0.4)
    0.0
    """
    return min(max((x - zero) / (one - zero), 0.0), 1.0)


def _years(count: int, years: int) -> str:
    return f"{count} of {years} years"


class _Rater:
    """Holds what all covers of a farm are rated against."""

    def __init__(self, settings: FarmSettings, catalogue: Catalogue, units: System) -> None:
        self.settings, self.catalogue, self.units = settings, catalogue, units
        self.method = seeding_method(settings.equipment)
        self.rule = catalogue.rule

    def species(self, cover: Cover) -> list[Species]:
        return [self.catalogue.species[c.species] for c in cover.components]

    def gate(self, criterion: str, passed: bool, reason: str) -> Rated:
        return Rated(criterion, "gate", float(passed), 0.0, reason)

    def soft(self, criterion: str, membership: float, reason: str, purpose: str = ALL) -> Rated:
        weights = {
            "purpose aim": "weight_purpose_aim", "growth odds": "weight_growth_odds", "visitors": "weight_visitors",
        }  # fmt: skip
        return Rated(
            criterion, "soft", membership, self.rule(weights.get(criterion, "weight_soft_limit")), reason, purpose
        )

    # -- gates that need no season -------------------------------------------------------------

    def machine_gates(self, cover: Cover) -> Iterator[Rated]:
        owned, species = self.settings.equipment, self.species(cover)
        large = [s.name for s in species if s.number("seed_weight") >= self.rule("must_be_covered_weight")]
        if self.method is None:
            yield self.gate("equipment", False, "there is neither a drill nor a spreader to sow it with")
        elif self.method == "broadcast" and large and "tillage" not in owned:
            yield self.gate("equipment", False, f"{large[0]} seed must be covered, and there is no drill or tillage")
        else:
            yield self.gate("equipment", True, f"can be {self.method}")
        enders = owned & {"mower", "tillage", "roller_crimper", "tarp"}
        if not enders:
            yield self.gate("ending", False, "there is no mower, tillage, roller or tarp to end it with")
        depth = sowing_depth(cover, self.catalogue)
        if not depth.one_pass:
            passed = {"drill", "spreader"} <= owned
            apart = write(depth.apart_mm, "depth_mm", self.units)
            way = (
                "needs two passes, large seed drilled and small seed spread"
                if passed
                else "needs a drill and a spreader"
            )
            yield self.gate("depth", passed, f"sowing depths are {apart} apart: {way}")
        else:
            deep = write(next(iter(depth.depth_mm.values())), "depth_mm", self.units)
            yield self.gate("depth", True, f"sown at {deep}")

    def rotation(self, cover: Cover, gap: object, known: frozenset[str]) -> Iterator[Rated]:
        """Family and shared disease with the crops before and after the gap."""
        family_clash, family_again, disease_clash, shared_words = "", "", "", []
        for crop, when in ((gap.crop_after, "after"), (gap.crop_before, "before")):  # type: ignore[attr-defined]
            vegetable: Vegetable | None = self.catalogue.vegetables.get(crop)
            if vegetable is None:
                continue
            for s in self.species(cover):
                if s.family == vegetable.family:
                    words = f"{s.name} is of the same family ({s.family}) as the {vegetable.name.lower()} {when} it"
                    if when == "after":
                        family_clash = family_clash or words
                    else:
                        family_again = family_again or words
                own = {w.strip() for w in s.text("shared_diseases").split(",")}
                for disease in sorted(own & set(vegetable.shared_diseases)):
                    words = f"{s.name} shares {disease} with the {vegetable.name.lower()} {when} it"
                    if disease in known and not disease_clash:
                        disease_clash = words + ", and the block has it"
                    shared_words.append(words)
        yield self.gate("family", not family_clash, family_clash or "of another family than the crop after it")
        if family_again:
            yield self.soft("family", self.rule("family_before_membership"), family_again)
        yield self.gate("shared disease", not disease_clash, disease_clash or "no disease known on the block is shared")
        if shared_words and not disease_clash:
            more = f", and {len(shared_words) - 1} more such pairs" if len(shared_words) > 1 else ""
            yield self.soft("shared disease", self.rule("shared_disease_membership"), shared_words[0] + more)

    # -- soil ----------------------------------------------------------------------------------

    def soil(self, cover: Cover, soil: pd.Series, drainage: dict[str, float]) -> Iterator[Rated]:
        tiled = soil.name in self.settings.tile_drained
        better = int(self.rule("tile_drained_steps")) if tiled else 0
        worst_ph, worst_clay = (2.0, ""), (2.0, "")
        wet_share, wet_membership, wet_words = 0.0, 2.0, ""
        for s in self.species(cover):
            low, high = s.range("ph_limit")
            best_low, best_high = s.range("ph_optimum")
            worst_ph = min(
                worst_ph,
                (
                    trapezoid(soil.ph, low, best_low, best_high, high),
                    f"pH {soil.ph:.1f}, {s.name} likes {best_low:.1f} to {best_high:.1f}",
                ),
            )
            if s.has("clay_comfort"):
                comfort = s.number("clay_comfort")
                worst_clay = min(
                    worst_clay,
                    (
                        ramp(soil.clay_fraction, comfort + self.rule("clay_excess_poor"), comfort),
                        f"{soil.clay_fraction:.0%} clay, {s.name} is easy to establish up to {comfort:.0%}",
                    ),
                )
            optimum, limit = (DRAINAGE_CLASSES.index(s.text(t)) for t in ("drainage_optimum", "drainage_limit"))
            loss = self.rule("drainage_step_loss")
            member, too_wet = 0.0, 0.0
            for name, share in drainage.items():
                step = DRAINAGE_CLASSES.index(name) - better
                too_wet += share if step > limit else 0.0
                member += share * (0.0 if step > limit else max(0.0, 1 - loss * max(0, step - optimum)))
            if member < wet_membership:
                wet_membership = member
                wet_words = (
                    f"{soil.drainage_class}{' before tile drains' if tiled else ''} "
                    f"on {soil.drainage_share_fraction:.0%} of the block, "
                    f"{s.name} is at its best down to {s.text('drainage_optimum')}"
                )
            if too_wet > wet_share:
                wet_share = too_wet
        yield self.gate(
            "drainage",
            wet_share <= self.rule("gate_wet_share"),
            f"{wet_share:.0%} of the block is wetter than it stands"
            if wet_share
            else "no part of the block is too wet for it",
        )
        yield self.soft("drainage", wet_membership, wet_words)
        word = self.settings.growers_word.get(str(soil.name))
        if word is not None and word.crusts:
            worst = min(self.species(cover), key=lambda s: (crust_share(s, self.catalogue), s.key))
            held = 1 - crust_share(worst, self.catalogue)
            words = f"of {worst.name} {held:.0%} is reckoned not to come through; the odds have it in them"
            yield self.gate("crust", True, f"the ground crusts: {words}{mark(word)}")
        yield self.soft("pH", *worst_ph)
        if worst_clay[1]:
            yield self.soft("texture", *worst_clay)

    def washing(self, slope: float, gap: Any, median: Any | None) -> Iterator[Rated]:
        """How long steep ground lies bare in the gap; level ground is not asked."""
        if not slope >= self.rule("steep_ground"):
            return
        usable = max(gap.usable_p50_d, 1)
        closed = 0.0
        if median is not None and median.half_cover_d == median.half_cover_d:
            closed = max(median.ground_kept_d - median.half_cover_d, 0.0)
        bare = 1 - min(closed / usable, 1.0)
        named = f"{slope:.0%} slope, {slope_class(slope, self.catalogue)}"
        words = f"{named}: less than half covered on {bare * usable:.0f} of {usable} days"
        yield self.soft("washing", 1 - steepness(slope) * bare, words)

    # -- season --------------------------------------------------------------------------------

    def season(self, cover: Cover, gap: Any, window: Any, odds: Any, median: Any | None) -> Iterator[Rated]:
        n, date = int(odds.years), f"{window.sow_best:%d %b}"
        if n == 0 or median is None:
            yield self.gate("weather", False, "no weather year covers the gap completely")
            return
        warm, spared, aim = odds.soil_warm_years, odds.frost_spared_years, odds.aim_years
        yield self.gate(
            "soil temperature",
            warm >= self.rule("gate_soil_warm_share") * n,
            f"soil warm enough on its best date, {date}, in {_years(warm, n)}"
            if warm
            else "soil is too cold for it while it would have to be sown",
        )
        yield self.gate(
            "frost",
            spared >= self.rule("gate_frost_share") * n,
            f"frost spares it until it is worth its seed in {_years(spared, n)}",
        )
        grown, least = max(median.grown_years, aim), self.rule("gate_aim_share") * n
        yield self.gate("time", grown >= least, f"long and warm enough to grow in {_years(grown, n)}")
        holds = odds.holds_years
        if grown >= least > aim or odds.ready_years < least:
            yield self.gate("residue", False, self.residue_words(gap, median))
        if aim >= self.rule("gate_aim_share") * n:
            yield self.gate(
                "odds",
                holds >= self.rule("gate_aim_share") * n,
                f"on its best date everything holds in {_years(holds, n)}",
            )
        yield self.soft(
            "soil temperature",
            ramp(warm / n, self.rule("gate_soil_warm_share"), self.rule("soil_warm_share_good")),
            f"soil warm enough on {date} in {_years(warm, n)}",
        )
        heat = median.heat_share
        yield self.soft(
            "heat at establishment",
            ramp(heat, self.rule("heat_share_poor"), self.rule("heat_share_good")),
            f"{heat:.0%} of the days before it is up are too hot for seedlings in the median year",
        )
        if warmth := self.season_heat(cover, median.growth_temperature_degc):
            yield warmth
        water = median.water_supply_fraction
        yield self.soft(
            "water",
            ramp(water, self.rule("water_share_poor"), self.rule("water_share_good")),
            f"rain and stored water meet {water:.0%} of its need in the median year",
        )
        usable = gap.usable_p50_d
        fills = max(min(usable, self.rule("gap_filled_reference")), 1)
        days = median.ground_kept_d
        yield self.soft(
            "gap filled",
            ramp(days / fills, self.rule("gap_filled_poor"), self.rule("gap_filled_good")),
            f"keeps the ground for {days:.0f} of the {usable} days between the crops",
        )
        yield from self.afterwards(gap, odds, median, n)
        yield self.soft("growth odds", odds.holds_years / n, f"everything holds in {_years(odds.holds_years, n)}")

    def residue_words(self, gap: Any, median: Any) -> str:
        """Why a cover that grows enough leaves too little time for what it leaves behind."""
        crop = self.catalogue.crop_name(gap.crop_after)
        short = max(median.short_d, 1.0)
        return (
            f"ended when it has grown enough, it has to be gone {median.waiting_d:.0f} days before the {crop}: "
            f"{short:.0f} days too few in the median year"
        )

    def afterwards(self, gap: Any, odds: Any, median: Any, n: int) -> Iterator[Rated]:
        """What the next crop finds: residue, seed, nitrogen, water."""
        if gap.crop_after:
            ready = odds.ready_years
            yield self.soft(
                "residue clear by planting",
                ready / n,
                f"out of the way in {_years(ready, n)}, after {median.waiting_d:.0f} days in the median year",
            )
            given = median.nitrogen_28d_kg_ha
            if given == given:
                amount = write(abs(given), "kg_ha", self.units)
                words = f"ties up {amount} of nitrogen" if given < 0 else f"sets {amount} of nitrogen free"
                poor, good = self.rule("nitrogen_at_planting_poor"), self.rule("nitrogen_at_planting_good")
                yield self.soft(
                    "nitrogen at planting",
                    ramp(given, poor, good),
                    f"{words} by four weeks after planting in the median year",
                )
            lack = median.water_lack_mm
            drier = write(lack, "mm", self.units)
            yield self.soft(
                "water at planting",
                ramp(lack, self.rule("water_lack_poor"), 0.0),
                f"the ground is {drier} drier than bare ground at planting in the median year",
            )
        safe = odds.seed_safe_years
        yield self.soft(
            "seed-set safety",
            0.5 + 0.5 * safe / n,
            f"no viable seed before the latest termination in {_years(safe, n)}",
        )

    def season_heat(self, cover: Cover, mean_degc: float) -> Rated | None:
        """How far the warmth of the season is above what suits the component that minds it most."""
        worst: tuple[float, str] = (2.0, "")
        for s in self.species(cover):
            if s.has("growth_temperature_optimum") and s.has("growth_temperature_limit"):
                best, most = s.range("growth_temperature_optimum")[1], s.range("growth_temperature_limit")[1]
                shown = [write(t, "degc", self.units) for t in (mean_degc, best)]
                words = f"{shown[0]} on average while it grows, {s.name} is at its best up to {shown[1]}"
                worst = min(worst, (ramp(mean_degc, most, best), words))
        return self.soft("heat", *worst) if worst[1] else None

    def purposes(self, odds: Iterable[Any]) -> Iterator[Rated]:
        for row in odds:
            share = row.met_years / row.years if row.years else 0.0
            words = f"{row.aim} in {_years(row.met_years, row.years)}"
            yield self.soft("purpose aim", share, words, row.purpose)

    def visitors(self, cover: Cover, days: np.ndarray | None) -> Iterator[Rated]:
        """Who comes to the flowers, over the weather years; what is not known is said to be.

        `days` in flower that count for each of `VISITORS`, shape (year, group).
        """
        purpose = next((p for p in self.settings.purposes if p.key == "pollinators"), None)
        if purpose is None or days is None:
            return
        aim = purpose.aim or default_aim("pollinators", self.catalogue)
        wanted = aim.value if aim.quantity == "bloom_d" else self.rule("aim_pollinators")
        member = float(np.minimum(days / wanted, 1).mean())
        mean = days.mean(axis=0)
        words = ", ".join(f"{day:.1f} for {name}" for day, name in zip(mean, VISITORS.values(), strict=True))
        words = f"days in flower that count, on average over the years: {words}"
        open_groups = {
            s.name: [name for group, name in VISITORS.items() if not visitor_level(s, group)]
            for s in self.species(cover)
        }
        for name, groups in open_groups.items():
            if groups:
                words += f"; not known whether {' and '.join(groups)} come to {name}, counted as middling"
        yield self.soft("visitors", member, words, "pollinators")

    def no_cover(self) -> Iterator[Rated]:
        yield self.gate("equipment", True, "needs nothing but a hoe, a harrow or a tarp")
        for purpose in self.settings.purposes:
            kept = purpose.key == "weed_suppression"
            yield self.soft(
                "purpose aim",
                self.rule("no_cover_weed_share") if kept else 0.0,
                "a stale seedbed, shallow harrowing or a tarp keeps weeds down"
                if kept
                else "bare ground gives nothing",
                purpose.key,
            )


def _median_seasons(gaps: DataFrame[Gap], windows: DataFrame[Window], season: DataFrame[Season]) -> dict[str, Any]:
    """What the median year of each cover's best date is like, by option."""
    closes = dict(zip(gaps["gap_id"], gaps["closes"], strict=True))
    whole = {w.option_id: (closes[w.gap_id] - w.sow_best).days for w in windows.itertuples()}
    years = season[season["option_id"].isin(set(whole))]
    # Frost-killed residue goes on covering the ground; a cover that is ended for its seed does not.
    killed = years["frost_kill_d"].notna() & (years["frost_kill_d"] <= years["growth_end_d"])
    kept = years["growth_end_d"].where(~killed, years["option_id"].map(whole))
    figures = [
        "heat_share", "growth_temperature_degc", "water_supply_fraction", "ground_kept_d", "waiting_d", "short_d",
        "nitrogen_28d_kg_ha", "water_lack_mm", "half_cover_d",
    ]  # fmt: skip
    by_option = years.assign(ground_kept_d=kept).groupby("option_id")
    median = by_option[figures].median()
    median["grown_years"] = by_option["short_d"].count()  # enough growth, were there no residue to wait for
    return {row.Index: row for row in median.itertuples()}


def rate(
    gaps: DataFrame[Gap],
    windows: DataFrame[Window],
    odds: DataFrame[Odds],
    season: DataFrame[Season],
    purpose_odds: DataFrame[PurposeOdds],
    soil: DataFrame[Soil],
    class_shares: DataFrame[ClassShare],
    settings: FarmSettings,
    catalogue: Catalogue,
) -> DataFrame[Suitability]:
    """Rate every cover, and no cover, in every gap, criterion by criterion.

    Parameters
    ----------
    gaps, windows, odds, season, purpose_odds, soil, class_shares : tables
        Of one farm.
    settings : FarmSettings
    catalogue : Catalogue

    Returns
    -------
    DataFrame[Suitability]
        A cover without a sowing date in a gap has the one failed gate "time".
    """
    rater = _Rater(settings, catalogue, settings.units)
    by_window = {(w.gap_id, w.cover_id): w for w in windows.itertuples()}
    by_odds = {o.option_id: o for o in odds[odds["option_id"].isin(windows["option_id"])].itertuples()}
    by_season = _median_seasons(gaps, windows, season)
    wanted = set(windows["option_id"])
    best_years = season[season["option_id"].isin(wanted)]
    flowers = best_years[[f"{group}_d" for group in VISITORS]].to_numpy()
    bloom = {option: flowers[at] for option, at in best_years.groupby("option_id").indices.items()}
    by_purpose: dict[str, list[Any]] = {}
    for purpose in purpose_odds[purpose_odds["option_id"].isin(wanted)].itertuples():
        by_purpose.setdefault(purpose.option_id, []).append(purpose)
    on_machine = {key: list(rater.machine_gates(cover)) for key, cover in catalogue.covers.items()}
    on_soil: dict[tuple[str, str], list[Rated]] = {}
    soil_of = soil.set_index("block_id")
    drainage_of: dict[str, dict[str, float]] = {}
    for row in class_shares[class_shares["soil_property"] == "drainage_class"].itertuples():
        drainage_of.setdefault(row.block_id, {})[row.class_name] = row.share_fraction
    shortest = int(catalogue.rule("shortest_growth"))
    rows: list[tuple[object, ...]] = []
    for gap in gaps.itertuples():
        here = soil_of.loc[gap.block_id]
        slope = float(here.get("slope_fraction", float("nan")))
        drainage = drainage_of.get(gap.block_id) or {here.drainage_class: 1.0}
        diseases = settings.diseases.get(gap.block_id, frozenset())
        for cover_id in [*sorted(catalogue.covers), NO_COVER]:
            if cover_id == NO_COVER:
                found = [*rater.no_cover(), *rater.washing(slope, gap, None)]
            else:
                cover = catalogue.covers[cover_id]
                if (gap.block_id, cover_id) not in on_soil:
                    on_soil[gap.block_id, cover_id] = list(rater.soil(cover, here, drainage))
                found = (
                    [rater.gate("wanted", cover_id not in settings.not_wanted, "the farm does not want it")]
                    if cover_id in settings.not_wanted
                    else []
                )
                found += [
                    *on_machine[cover_id],
                    *rater.rotation(cover, gap, diseases),
                    *on_soil[gap.block_id, cover_id],
                ]
                window = by_window.get((gap.gap_id, cover_id))
                if window is None:
                    usable = gap.usable_p50_d
                    found.append(
                        rater.gate("time", False, f"the gap has {max(usable, 0)} usable days, a cover needs {shortest}")
                    )
                else:
                    best = window.option_id
                    found += rater.season(cover, gap, window, by_odds[best], by_season.get(best))
                    found += rater.washing(slope, gap, by_season.get(best))
                    found += rater.purposes(by_purpose.get(best, ()))
                    found += rater.visitors(cover, bloom.get(best))
            for r in found:
                passed, member = r.kind == "soft" or r.membership > 0, min(max(r.membership, 0.0), 1.0)
                rows.append((gap.gap_id, cover_id, r.purpose, r.criterion, r.kind, passed, member, r.weight, r.reason))
    return Suitability.validate(pd.DataFrame(rows, columns=list(Suitability.to_schema().columns)))
