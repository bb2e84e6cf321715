"""Agronomic knowledge as data with sources: species, mixes, vegetables, cautions, practice."""

from greengap.catalogue.learned import LEARNED_FILE, with_learned_file
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
    "LEARNED_FILE",
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
    "with_learned_file",
    "with_own",
]
