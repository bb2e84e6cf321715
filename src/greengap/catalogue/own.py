"""A farm's own species, cultivars and mixes, from a file beside ``farm.toml``, checked as the catalogue is."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from greengap.catalogue.loader import (
    UNSOURCED,
    Catalogue,
    CatalogueProblem,
    Component,
    Cover,
    Source,
    Species,
    make_mix,
    make_sources,
    make_species,
    read_toml,
)

OWN_FILE = "catalogue.toml"
PLANTS = "1/m2"  # unit of a component of a mix that is given in plants
OWN_RECORD = "own record"  # what a farm may name as the source of its own figures
_PARTS = ("sources", "species", "mixes")


def with_own(catalogue: Catalogue, path: Path) -> Catalogue:
    """Add what a farm says of species, cultivars and mixes of its own.

    Parameters
    ----------
    catalogue : Catalogue
    path : Path
        TOML with tables ``[species.KEY]``, ``[mixes.KEY]`` and ``[sources.KEY]``, each written as in the
        catalogue's own files. A species with ``cultivar_of`` takes from the species it names what it does
        not say itself. Besides the sources of the catalogue and of this file a value may name "own record".

    Returns
    -------
    Catalogue
        A new one, whose version tells of the file.

    Raises
    ------
    CatalogueProblem
        If the file breaks the rules of the catalogue, or names what the catalogue has already.
    """
    data, file = read_toml(path), path.name
    for part in data:
        if part not in _PARTS:
            raise CatalogueProblem(file, part, "is not a part that is known", f"Allowed are {', '.join(_PARTS)}")
        if not isinstance(data[part], dict):
            raise CatalogueProblem(file, part, "is not a table", f"Write [{part}.NAME] above its lines")
    taken = {"sources": catalogue.sources, "species": catalogue.species, "mixes": catalogue.mixes | catalogue.species}
    for part in _PARTS:
        for key, block in data.get(part, {}).items():
            _check_key(file, part, key, block, taken[part], set(data.get("species", {})) if part == "mixes" else set())
    own = Source(OWN_RECORD, "own record", "the farm", "the farm", "n.d.")
    sources = catalogue.sources | make_sources(data.get("sources", {}), f"{file}, sources") | {OWN_RECORD: own}
    species, covers = dict(catalogue.species), dict(catalogue.covers)
    for key, block in data.get("species", {}).items():
        said = dict(block)
        parent = None
        if "cultivar_of" in said:
            name = said.pop("cultivar_of")
            if not isinstance(name, str) or name not in catalogue.species:
                raise CatalogueProblem(
                    file,
                    f"species.{key}",
                    f"cultivar_of {name!r} is not a species of the catalogue",
                    "Correct its name",
                )
            parent = catalogue.species[name]
        species[key] = made = make_species(key, said, f"{file}, species.{key}", sources, parent)
        if not made.not_offered:
            covers[key] = Cover(key, made.name, (Component(key, 1.0),))
    mixes = dict(catalogue.mixes)
    for key, block in data.get("mixes", {}).items():
        place = f"{file}, mixes.{key}"
        mixes[key] = mix = make_mix(key, _plants_to_shares(block, place, species, catalogue), place, species, sources)
        if not mix.not_offered:
            covers[key] = mix
    version = f"{catalogue.version}+own.{hashlib.sha256(path.read_bytes()).hexdigest()[:12]}"
    return replace(catalogue, species=species, covers=covers, mixes=mixes, sources=sources, version=version)


def _plants_to_shares(block: Any, place: str, species: Mapping[str, Species], catalogue: Catalogue) -> Any:
    """A mix with components that are given in plants on a square metre, as shares of the drilled rates alone.

    The share is the plants wanted over those that the rate alone is expected to give: live seed x emergence.
    """
    parts = block.get("components")
    if not isinstance(parts, dict):
        return block
    made = {}
    for key, part in parts.items():
        made[key] = part
        if not (isinstance(part, dict) and part.get("unit") == PLANTS and key in species):
            continue
        s, plants = species[key], part.get("value")
        if isinstance(plants, bool) or not isinstance(plants, (int, float)) or not 0 < plants < 1e5:
            raise CatalogueProblem(place, key, f"{plants!r} is no number of plants", "Write those on a square metre")
        live = s.number("seeding_rate_drilled")
        if s.values["seeding_rate_drilled"].basis != "pure live seed":
            live *= s.number("purity") * s.number("germination")
        alone = live * 100 / s.number("seed_weight") * catalogue.rule("emergence_fraction_drilled")
        if plants > alone:
            what = f"{plants:g} plants on a square metre are more than its rate alone gives, {alone:.0f}"
            raise CatalogueProblem(place, key, what, "Wish for fewer, or write a share of 1")
        said = "; ".join(x for x in (part.get("conditions", ""), f"for {plants:g} plants on a square metre") if x)
        made[key] = part | {"value": plants / alone, "unit": "fraction", "conditions": said}
    return block | {"components": made}


def _check_key(file: str, part: str, key: str, block: Any, taken: Any, also: set[str]) -> None:
    """Refuse a name that is taken, or that could not stand in a file name or a command."""
    place = f"{part}.{key}"
    if not isinstance(block, dict):
        raise CatalogueProblem(file, place, "is not a table", f"Write [{place}] above its lines")
    if key in taken or key in also or key == "no_cover":
        remedy = f'Take another name, for example {key}_own; a cultivar says cultivar_of = "..."'
        raise CatalogueProblem(file, place, "is in the catalogue already", remedy)
    if part != "sources" and not key.replace("_", "").isalnum():
        raise CatalogueProblem(file, place, "holds signs that a name may not", "Take letters, digits and underscores")
    if key in UNSOURCED:
        raise CatalogueProblem(file, place, "has a meaning of its own", "Take another name")
