"""What covers are for, made into targets that a season can meet or miss."""

from __future__ import annotations

import calendar
from collections.abc import Sequence

from greengap.catalogue import Catalogue
from greengap.farm.settings import PURPOSES, Aim, Purpose
from greengap.process.season import Target
from greengap.units import System, write

# Which quantity speaks for a purpose, and the rule of practice with its default amount.
DEFAULT_AIMS: dict[str, tuple[str, str]] = {
    "weed_suppression": ("ground_cover_fraction", "aim_ground_cover"),
    "erosion_control": ("ground_cover_fraction", "aim_ground_cover"),
    "organic_matter": ("biomass_kg_ha", "aim_organic_matter"),
    "nitrogen_supply": ("nitrogen_fixed_kg_ha", "aim_nitrogen_supply"),
    "nutrient_capture": ("nitrogen_kg_ha", "aim_nutrient_capture"),
    "pollinators": ("bloom_d", "aim_pollinators"),
}


def aim_in_words(aim: Aim, units: System) -> str:
    """An aim as a person would say it.

    Examples
    --------
    >>> aim_in_words(Aim("ground_cover_fraction", 0.5, within_d=35), "metric")
    'half the ground covered within 35 days of sowing'
    """
    match aim.quantity:
        case "biomass_kg_ha":
            words = f"{write(aim.value, 'biomass_kg_ha', units)} of shoot dry matter"
        case "nitrogen_kg_ha":
            words = f"{write(aim.value, 'kg_ha', units)} of nitrogen in the shoots"
        case "nitrogen_fixed_kg_ha":
            words = f"{write(aim.value, 'kg_ha', units)} of nitrogen fixed from the air"
        case "bloom_d":
            words = f"{aim.value:.0f} days in flower"
        case _:
            share = "half the ground" if aim.value == 0.5 else f"{aim.value:.0%} of the ground"
            words = f"{share} covered"
    if aim.within_d is not None:
        words += f" within {aim.within_d} days of sowing"
    if aim.by is not None:
        words += f" by {aim.by[1]} {calendar.month_name[aim.by[0]]}"
    return words


def default_aim(purpose: str, catalogue: Catalogue) -> Aim:
    """The aim of a purpose where the farm states none."""
    quantity, rule = DEFAULT_AIMS[purpose]
    within = int(catalogue.rule("aim_ground_cover_within")) if quantity == "ground_cover_fraction" else None
    return Aim(quantity, catalogue.rule(rule), within_d=within)


def _target(name: str, aim: Aim, units: System) -> Target:
    return Target(name, aim.quantity, aim.value, aim.within_d, aim.by, aim_in_words(aim, units))


def purpose_targets(purposes: Sequence[Purpose], catalogue: Catalogue, units: System) -> list[Target]:
    """One target per purpose of the farm, in its order."""
    return [_target(p.key, p.aim or default_aim(p.key, catalogue), units) for p in purposes]


def growth_target(aim: Aim | None, catalogue: Catalogue, units: System) -> Target:
    """What makes a cover worth its seed: the farm's own aim, or the amount common in the trade."""
    return _target("growth", aim or Aim("biomass_kg_ha", catalogue.rule("worthwhile_biomass")), units)


def purpose_in_words(key: str) -> str:
    """A purpose in the words of the practice standard."""
    return PURPOSES.get(key, key)
