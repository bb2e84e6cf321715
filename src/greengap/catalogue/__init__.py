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

__all__ = [
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
]
