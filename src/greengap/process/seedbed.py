"""How seed goes into the ground: depth and rate by method, and what the method does to the stand."""

from __future__ import annotations

from dataclasses import dataclass

from greengap.catalogue import Catalogue, Cover, Species


@dataclass(frozen=True)
class Depth:
    """Sowing depth of a cover: one depth for all components, or a pass for each."""

    one_pass: bool
    depth_mm: dict[str, float]
    apart_mm: float


def sole_rate(species: Species, method: str, catalogue: Catalogue) -> float:
    """Printed rate of good seed for a species alone, out of the bag [kg/ha].

    Where no broadcast rate is known, the drilled one times the rule ``broadcast_factor``. A rate that is printed
    in pure live seed is carried to an ordinary lot.
    """
    if method == "broadcast" and not species.has("seeding_rate_broadcast"):
        return sole_rate(species, "drilled", catalogue) * catalogue.rule("broadcast_factor")
    printed = species.number(f"seeding_rate_{method}")
    if species.values[f"seeding_rate_{method}"].basis == "pure live seed":
        return printed / (species.number("purity") * species.number("germination"))
    return printed


def sowing_depth(cover: Cover, catalogue: Catalogue) -> Depth:
    """Depth of each component; one pass if their ranges meet within the rule ``mix_depth_tolerance``."""
    ranges = {c.species: catalogue.species[c.species].range("seeding_depth") for c in cover.components}
    deepest_low = max(low for low, _ in ranges.values())
    shallowest_high = min(high for _, high in ranges.values())
    apart = deepest_low - shallowest_high
    if apart <= 0:
        common = (deepest_low + shallowest_high) / 2
        return Depth(True, {key: common for key in ranges}, 0.0)
    if apart <= catalogue.rule("mix_depth_tolerance"):
        # The compromise spares the small seed: at the deep end of what it still emerges from.
        return Depth(True, {key: shallowest_high for key in ranges}, apart)
    return Depth(False, {key: (low + high) / 2 for key, (low, high) in ranges.items()}, apart)


def method_share(species: Species, method: str, catalogue: Catalogue) -> float:
    """Stand of a sowing method against a drilled stand, each at its own printed rate, at most 1.

    Broadcast seed comes up worse, and more of it is sown for that: both are in the share, so that neither
    counts twice.
    """
    if method == "drilled":
        return 1.0
    more = sole_rate(species, method, catalogue) / sole_rate(species, "drilled", catalogue)
    rule = catalogue.rule
    return min(1.0, more * rule("emergence_fraction_broadcast_covered") / rule("emergence_fraction_drilled"))


def crust_share(species: Species, catalogue: Catalogue) -> float:
    """Share of the seedlings that come through on ground that crusts, against ground that does not."""
    small = species.number("seed_weight") < catalogue.rule("crust_small_seed")
    return catalogue.rule("crust_small_share" if small else "crust_large_share")
