"""A small catalogue with made-up days and families, so that these tests do not move with the real one."""

from __future__ import annotations

import pytest

from greengap.catalogue.loader import Catalogue, Value, Vegetable

FAMILIES = {
    "snap_bean": ("Snap bean", "Fabaceae", False),
    "garden_pea": ("Garden pea", "Fabaceae", False),
    "carrot": ("Carrot", "Apiaceae", True),
    "garlic": ("Garlic", "Amaryllidaceae", False),
    "lettuce": ("Lettuce", "Asteraceae", True),
    "tomato": ("Tomato", "Solanaceae", False),
    "potato": ("Potato", "Solanaceae", False),
    "sweet_corn": ("Sweet corn", "Poaceae", False),
}
DAYS = {
    "family_return": 1095.0,
    "clean_up": 3.0,
    "seedbed": 4.0,
    "waiting_transplanted": 10.0,
    "waiting_seeded": 14.0,
    "waiting_planted": 12.0,
    "waiting_small_seeded": 21.0,
}


def _a_value(trait: str, number: float) -> Value:
    return Value("practice", trait, number, None, None, "", "d", "from memory", "", "", "memory", str(number), "d")


DISEASES = {"Solanaceae": ("early blight",)}


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    vegetables = {
        k: Vegetable(k, name, family, small, DISEASES.get(family, ()), {})
        for k, (name, family, small) in FAMILIES.items()
    }
    practice = {name: _a_value(name, days) for name, days in DAYS.items()}
    return Catalogue({}, {}, vegetables, {}, (), practice, "made up")
