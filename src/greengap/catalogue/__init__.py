"""Agronomic knowledge as data with sources: species, mixes, vegetables, cautions, practice."""

from greengap.catalogue.loader import (
    Catalogue,
    CatalogueProblem,
    Caution,
    Component,
    Cover,
    Source,
    Species,
    Value,
    Vegetable,
    load_catalogue,
)
from greengap.catalogue.own import OWN_FILE, with_own

__all__ = [
    "OWN_FILE",
    "Catalogue",
    "CatalogueProblem",
    "Caution",
    "Component",
    "Cover",
    "Source",
    "Species",
    "Value",
    "Vegetable",
    "load_catalogue",
    "with_own",
]
