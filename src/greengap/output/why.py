"""How a score and a rate came about, with the source of every number."""

from __future__ import annotations

from collections.abc import Iterator

from greengap.advice.ground import ground_words
from greengap.advice.irrigation import water_lines
from greengap.advice.options import NO_COVER
from greengap.advice.purposes import purpose_in_words
from greengap.advice.ranking import purpose_scores
from greengap.catalogue import Value
from greengap.catalogue.loader import SPECIES_TRAITS
from greengap.plan import Plan
from greengap.process.bloom import LEVELS
from greengap.units import write


def value_in_words(value: Value, plan: Plan) -> str:
    """One catalogue value with its unit, conditions, source and confidence.

    A thermal sum names its base, method and clock, since it means nothing without them.
    """
    printed = value.text or f"{value.printed} {value.printed_unit}"
    clock = ""
    if value.method:
        upper = f", upper {value.upper_degc:g}" if value.upper_degc is not None else ""
        clock = f" ({value.method}, base {value.base_degc:g}{upper} °C, {value.clock} temperature)"
    conditions = f", {value.conditions}" if value.conditions else ""
    where = f", {value.where}" if value.where else ""
    lines = (
        f"{value.trait}: {printed}{clock}{conditions} [{plan.catalogue.cite(value.source)}{where}; {value.confidence}]"
    )
    if value.choice:
        lines += f"\n      chosen because: {value.choice}"
    for other in value.alternatives:
        lines += f"\n      not used: {other}"
    return lines


def explain(plan: Plan, block_id: str, cover_id: str) -> Iterator[str]:
    """Lines that explain how a cover fares in each gap of a block.

    Parameters
    ----------
    plan : Plan
    block_id, cover_id : str
        Both have to be in the plan.

    Yields
    ------
    str
    """
    catalogue, units = plan.catalogue, plan.settings.units
    weights = {p.key: p.weight for p in plan.settings.purposes}
    name = catalogue.covers[cover_id].name if cover_id != NO_COVER else "no cover: keep it clean"
    yield f"{name} on {block_id}"
    soil = plan.soil.set_index("block_id").loc[block_id]
    yield (
        f"Soil: {soil['texture_class']}, {soil['organic_matter_fraction']:.1%} organic matter, pH {soil['ph']:.1f}, "
        f"{soil['drainage_class']} [{soil['source'] or 'nothing known'}]"
    )
    if words := ground_words(next(g for g in plan.ground.itertuples() if g.block_id == block_id), plan.settings):
        yield f"Ground: {words}"
    for gap in plan.gaps[plan.gaps["block_id"] == block_id].itertuples():
        rated = plan.suitability[
            (plan.suitability["gap_id"] == gap.gap_id) & (plan.suitability["cover_id"] == cover_id)
        ]
        row = plan.recommendation[
            (plan.recommendation["gap_id"] == gap.gap_id) & (plan.recommendation["cover_id"] == cover_id)
        ].iloc[0]
        yield ""
        yield (
            f"Gap {gap.gap_id}, {gap.season}: {gap.start:%d %b %Y} to {gap.end:%d %b %Y}, "
            f"{gap.crop_before or 'nothing known'} before, {gap.crop_after or 'nothing known'} after; "
            f"usable days {gap.usable_p10_d} to {gap.usable_p90_d}, usually {gap.usable_p50_d} "
            f"(clean-up {gap.clean_up_d}, seedbed {gap.seedbed_d}, waiting {gap.waiting_d})"
        )
        yield f"  Class {row.suitability_class}, score {row.score:.3f}, rank {row['rank']}"
        yield f"  Held back by: {row.limiting_factor}"
        for r in rated[rated["kind"] == "gate"].itertuples():
            yield f"  gate {'passed' if r.passed else 'FAILED'}: {r.criterion}: {r.reason}"
        for r in rated[(rated["kind"] == "soft") & (rated["purpose"] == "all")].itertuples():
            yield f"  {r.membership:.2f} (weight {r.weight:g}) {r.criterion}: {r.reason}"
        scores = purpose_scores(rated, list(weights), catalogue)
        for r in rated[(rated["kind"] == "soft") & (rated["purpose"] != "all")].itertuples():
            what = r.criterion.removeprefix("purpose ")
            yield (
                f"  {r.membership:.2f} (weight {r.weight:g}) {what}: {r.reason}; score for "
                f"'{purpose_in_words(r.purpose)}' {scores[r.purpose]:.3f}, counts {weights[r.purpose]:g} times"
            )
        need = plan.seed_need[(plan.seed_need["gap_id"] == gap.gap_id) & (plan.seed_need["cover_id"] == cover_id)]
        for n in need.itertuples():
            yield (
                f"  seed {catalogue.species[n.species].name}: {n.pls_rate_kg_ha:.1f} kg/ha pure live seed "
                f"/ {n.pls_fraction:.3f} pure live seed in the lot = {n.bulk_rate_kg_ha:.1f} kg/ha "
                f"x {n.area_sown_m2 / 10_000:.4f} ha x {1 + n.allowance_fraction:g} = {n.seed_g} g "
                f"({write(n.seed_g, 'g', units)})"
            )
    sets = plan.water_sets[(plan.water_sets["block_id"] == block_id) & (plan.water_sets["cover_id"] == cover_id)]
    if len(sets):
        yield ""
        yield "Water:"
        yield from water_lines(sets, plan.settings)
        for rule in ("establishment_irrigation", "establishment_interval", "irrigation_turn"):
            yield f"  {value_in_words(catalogue.practice[rule], plan)}"
    yield ""
    yield "How criteria are combined:"
    rules = ["weight_soft_limit", "weight_growth_odds", "weight_purpose_aim", "score_floor", "cap_offset", "cap_slope"]
    if "pollinators" in weights:
        rules += ["weight_visitors", *(f"visitors_{level}" for level in (*LEVELS, "unknown"))]
    for rule in (*rules, "class_s1", "class_s2", "seed_margin", "worthwhile_biomass", "seed_allowance"):
        yield f"  {value_in_words(catalogue.practice[rule], plan)}"
    if cover_id == NO_COVER:
        return
    for key, share in catalogue.covers[cover_id].values.items():
        yield f"  {key}: {value_in_words(share, plan)}"
    for component in catalogue.covers[cover_id].components:
        species = catalogue.species[component.species]
        yield ""
        yield f"{species.name} ({species.scientific_name}, {species.family}), what is known and from where:"
        for trait in SPECIES_TRAITS:
            if species.has(trait):
                yield f"  {value_in_words(species.values[trait], plan)}"
