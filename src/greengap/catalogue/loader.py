"""Reads and checks the data files beside it; gives values in SI with their sources.

A value that has no source, an unknown unit, or a key that nobody reads is refused.
"""

from __future__ import annotations

import hashlib
import math
import tomllib
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from greengap.errors import InputProblem
from greengap.units import CONVERSIONS, to_si

HERE = Path(__file__).parent
UNSOURCED = {"common practice", "from memory"}
CONFIDENCE = {"read", "memory", "derived", "design"}

# Traits a species file may hold, with the SI unit the engine reads them in.
SPECIES_TRAITS: dict[str, str] = {
    # sowing
    "seeding_rate_drilled": "kg/ha",
    "seeding_rate_broadcast": "kg/ha",
    "seed_weight": "g",  # weight of a thousand seeds
    "seeding_depth": "mm",
    "germination": "fraction",
    "purity": "fraction",
    "hard_seed": "fraction",
    "minimum_soil_temperature": "degC",
    "heat_limit_establishment": "degC",  # daily maximum above which seedlings often fail
    # development; each sum names its method, base and upper limit in the same block
    "growth_base_temperature": "degC",
    "emergence_sum": "degC d",
    "half_cover_sum": "degC d",  # from emergence
    "flower_sum": "degC d",  # from emergence
    "viable_seed_sum": "degC d",  # from emergence
    "bloom_length_sum": "degC d",  # from first flower
    "flower_day_length": "h",  # flowers only on days at least this long
    "photoperiod_type": "text",  # long day, short day or day neutral
    # rate of development x [1 - sensitivity x hours on the slow side of the critical day length],
    # over the same at the day length at which the flower sum holds; day length with civil twilight
    "photoperiod_critical": "h",
    "photoperiod_sensitivity": "1/h",
    "photoperiod_reference": "h",
    "vernalisation": "text",
    "vernalisation_cold": "degC d",  # of cold below ...
    "vernalisation_below": "degC",  # ... this daily mean, after emergence; from it the sums to flower and seed count
    # emergence and stand
    "germination_sum_share": "fraction",  # of the emergence sum; the rest is for the shoot to reach the surface
    "seed_base_water_potential": "MPa",
    "dry_loss": "1/d",  # of germinated seedlings, each dry day before emergence
    "stand_multiplier": "ratio",  # on the stand as reckoned; a farm's own records set it, no catalogue file
    # canopy: leaf area runs on an S-curve through two points of the maturity sum, whose base,
    # limit and method are the canopy's clock
    "maturity_sum": "degC d",  # from emergence
    "leaf_area_maximum": "m2/m2",
    "leaf_area_first_fraction": "fraction",  # first point: fraction of the maturity sum ...
    "leaf_area_first_share": "fraction",  # ... and share of the largest leaf area there
    "leaf_area_second_fraction": "fraction",
    "leaf_area_second_share": "fraction",
    "senescence_fraction": "fraction",  # of the maturity sum, where leaf area begins to fall
    "light_extinction": "ratio",
    # growth by light
    "radiation_use": "g/MJ",  # whole plant, per MJ of photosynthetically active radiation intercepted
    "radiation_use_multiplier": "ratio",  # fitted; 1 where nothing has been fitted
    "shoot_share": "fraction",  # range only: of the whole plant at emergence and at maturity
    "optimum_temperature": "degC",  # daily mean at which growth is fastest; slower both ways from it
    "heat_growth_start": "degC",  # daily maximum above which growth falls
    "heat_growth_half": "degC",  # daily maximum at which half of it is left
    "nitrogen_dilution_a": "fraction",  # critical nitrogen in the shoot at 1 t/ha
    "nitrogen_dilution_b": "ratio",  # exponent: a x (t/ha)^-b
    "nitrogen_dilution_from": "kg/ha",  # shoot below which the critical share is flat
    "fixation_maximum": "fraction",  # largest share of the plant's nitrogen that it can fix
    # water
    "basal_crop_coefficient": "ratio",  # at full cover, on reference evapotranspiration
    "depletion_fraction": "fraction",  # of the available water, used before growth slows
    "root_depth_maximum": "m",
    "root_growth": "mm/(degC d)",  # on the canopy's clock
    # what is in the shoot
    "tissue_nitrogen": "fraction",
    "tissue_nitrogen_young": "fraction",  # at emergence; where a species has none, the rule of its kind
    "tissue_nitrogen_ripe": "fraction",  # at viable seed
    "fixed_share": "fraction",
    "carbon_to_nitrogen": "ratio",
    "stem_coarse_from": "ratio",  # share of the flower sum from which stems are coarse; tender where there is none
    "light_residue": "text",  # present where mown or frozen residue is gone in about a week
    "lignin": "fraction",  # of the residue's dry matter
    "canopy_height": "m",
    "height_at_flower": "m",
    # limits
    "growth_temperature_optimum": "degC",  # range only: mean of the growing period
    "growth_temperature_limit": "degC",  # range only
    "frost_kill_temperature": "degC",  # night that kills half of the stand
    "frost_kill_width": "degC",  # scale of the logistic curve around it
    "overwintering_organ": "text",  # "crown": frost is felt at the crown, under snow, by a hardened stand
    "ph_optimum": "pH",  # range only
    "ph_limit": "pH",  # range only
    "drainage_optimum": "class",  # wettest class without loss
    "drainage_limit": "class",  # wettest class in which it lives
    "clay_comfort": "fraction",  # up to this clay share the seedbed suits it
    # words
    "flower_value": "text",
    "termination": "text",
    "inoculant": "text",
    "reseeding": "text",
    "shared_diseases": "text",
    "wildlife": "text",
    "bird_risk": "text",  # present where birds or game take whole stands
    "loss_share": "fraction",  # of fields that birds or game take; set by a farm's own records, else by a rule
    "latest_autumn_sowing": "text",
    # insects at the flowers: strong, moderate, little or none, and what is known of it
    "honey_bees": "text",
    "wild_bees": "text",
    "natural_enemies": "text",  # predators and parasitoids of pests
    "legal_names": "text",  # names under which lists of noxious weeds may carry it or its kin
    # known, and read by no computation
    "dry_matter_yield": "kg/ha",
    "nitrogen_yield": "kg/ha",
    "crop_cycle": "d",  # sowing to ripe seed
    "rain_optimum": "mm",  # a year
    "salinity_threshold": "dS/m",  # of the saturated paste, above which it yields less
    "salinity": "text",
    "drought": "text",
    "shade": "text",
    "weed_suppression": "text",
    "winter_hardiness": "text",
    "livestock": "text",
    "rotation": "text",
    "noxious_status": "text",
}
# What a species must have before it is offered as a cover: the season and the ranking read all of it.
OFFERED_HAS = frozenset({
    "seeding_rate_drilled", "seed_weight", "seeding_depth", "germination", "purity", "minimum_soil_temperature",
    "growth_base_temperature", "emergence_sum", "flower_sum", "viable_seed_sum", "bloom_length_sum",
    "germination_sum_share", "seed_base_water_potential", "dry_loss", "photoperiod_type", "maturity_sum",
    "leaf_area_maximum", "leaf_area_first_fraction", "leaf_area_first_share", "leaf_area_second_fraction",
    "leaf_area_second_share", "senescence_fraction", "light_extinction", "radiation_use", "radiation_use_multiplier",
    "shoot_share", "optimum_temperature", "heat_growth_start", "heat_growth_half", "nitrogen_dilution_a",
    "nitrogen_dilution_b", "nitrogen_dilution_from", "basal_crop_coefficient", "depletion_fraction",
    "root_depth_maximum", "root_growth", "tissue_nitrogen", "carbon_to_nitrogen", "frost_kill_temperature",
    "frost_kill_width", "ph_optimum", "ph_limit", "drainage_optimum", "drainage_limit", "flower_value",
})  # fmt: skip
KINDS = {"legume", "grass", "broadleaf"}

# Keys a value block may hold.
VALUE_KEYS = {
    "value", "range", "unit", "source", "where", "conditions", "confidence",
    "method", "base", "upper", "clock", "basis", "choice", "alternatives",
}  # fmt: skip
SUM_METHODS = {"average", "clipped average", "single sine", "single sine, horizontal cutoff"}
CLOCKS = {"air", "soil"}
BASES = {"", "pure live seed"}  # what a rate counts; empty is seed out of the bag
SELLERS = ("vendor", "grower", "equipment")  # how the publisher of the weakest sources begins


class CatalogueProblem(InputProblem):
    """A catalogue file that breaks the rules above."""


@dataclass(frozen=True)
class Source:
    """A published source; `key` is what values refer to."""

    key: str
    title: str
    authors: str
    publisher: str
    year: str
    link: str = ""
    note: str = ""

    @property
    def cited(self) -> str:
        """Authors, title, publisher, year in one line."""
        return ", ".join(part for part in (self.authors, self.title, self.publisher, self.year) if part)

    @property
    def is_seller(self) -> bool:
        """True for the pages of those who sell seed or machines, the weakest of the sources."""
        return self.publisher.startswith(SELLERS)


@dataclass(frozen=True)
class Value:
    """One agronomic value in SI with its provenance.

    Attributes
    ----------
    number, low, high : float or None
        Typical, lowest and highest value [`unit`]; None for words or where not given.
    text : str
        The value itself where it is a word.
    printed, printed_unit : str
        As the source prints it.
    base_degc, upper_degc : float or None
        Limits of a thermal sum [°C].
    method, clock : str
        How a thermal sum is reckoned, and on which temperature (air or soil at 5 cm).
    basis : str
        What a seeding rate counts: pure live seed, or seed out of the bag where it is empty.
    choice : str
        Why this figure and not one of the `alternatives`, which name their own sources.
    """

    subject: str
    trait: str
    number: float | None
    low: float | None
    high: float | None
    text: str
    unit: str
    source: str
    where: str
    conditions: str
    confidence: str
    printed: str
    printed_unit: str
    method: str = ""
    base_degc: float | None = None
    upper_degc: float | None = None
    clock: str = ""
    basis: str = ""
    choice: str = ""
    alternatives: tuple[str, ...] = ()


@dataclass(frozen=True)
class Species:
    """A cover species: names, family, and its values by trait.

    A species with `not_offered` is in the catalogue, and in orders and mixes that a farm makes by
    hand, and is never offered as a cover: the words say why.
    """

    key: str
    name: str
    scientific_name: str
    family: str
    kind: str
    values: dict[str, Value]
    not_offered: str = ""

    def has(self, trait: str) -> bool:
        """True if the trait is known."""
        return trait in self.values

    def number(self, trait: str) -> float:
        """Typical value in SI; the middle of the range if only a range is known.

        Raises
        ------
        KeyError
            If the trait is not known for this species.
        """
        value = self.values[trait]
        if value.number is not None:
            return value.number
        if value.low is None or value.high is None:
            raise KeyError(f"{self.key} has no number for {trait}")
        return (value.low + value.high) / 2

    def range(self, trait: str) -> tuple[float, float]:
        """Lowest and highest value in SI; the single value twice if no range is known."""
        value = self.values[trait]
        single = value.number
        low = value.low if value.low is not None else single
        high = value.high if value.high is not None else single
        if low is None or high is None:
            raise KeyError(f"{self.key} has no range for {trait}")
        return low, high

    def text(self, trait: str) -> str:
        """The word or sentence of a trait, empty if not known."""
        return self.values[trait].text if trait in self.values else ""


@dataclass(frozen=True)
class Component:
    """A species in a cover with its share of the rate it would have alone."""

    species: str
    share_of_sole_rate: float


@dataclass(frozen=True)
class Cover:
    """What can be sown in a gap: one species or a mix."""

    key: str
    name: str
    components: tuple[Component, ...]
    values: dict[str, Value] = field(default_factory=dict)
    note: str = ""
    not_offered: str = ""  # why: a component is not

    @property
    def is_mix(self) -> bool:
        """True if it has more than one component."""
        return len(self.components) > 1


@dataclass(frozen=True)
class Vegetable:
    """A vegetable of the crop calendar: family, diseases it shares, how touchy its seed is."""

    key: str
    name: str
    family: str
    small_seeded: bool
    shared_diseases: tuple[str, ...]
    values: dict[str, Value]


@dataclass(frozen=True)
class Caution:
    """A caution with its trigger and who decides."""

    hazard: str
    applies_to: tuple[str, ...]
    trigger: str
    text: str
    defers_to: str
    source: str


@dataclass(frozen=True)
class Sign:
    """A pattern in a stand that comes up, and what it is a sign of."""

    seen: str
    means: str
    source: str


@dataclass(frozen=True)
class Catalogue:
    """Everything that is known, keyed by plain words; `covers` are those that are offered."""

    species: dict[str, Species]
    covers: dict[str, Cover]
    vegetables: dict[str, Vegetable]
    sources: dict[str, Source]
    cautions: tuple[Caution, ...]
    practice: dict[str, Value]
    version: str
    mixes: dict[str, Cover] = field(default_factory=dict)  # offered or not
    signs: tuple[Sign, ...] = ()
    before_learning: Catalogue | None = None  # the same before a farm's own records moved it, where they did

    def crop_name(self, crop: str) -> str:
        """Trade name of a vegetable in running text; the farm's own word where the catalogue has none."""
        known = self.vegetables.get(crop)
        return known.name.lower() if known else crop.replace("_", " ")

    def rule(self, name: str) -> float:
        """A number of general practice in SI, for example ``rule("waiting_transplanted")``."""
        number = self.practice[name].number
        if number is None:
            raise KeyError(f"practice {name} is not a number")
        return number

    def uncalibrated(self) -> list[str]:
        """Species that can be sown and whose growth was fitted on no trial: their multiplier is a prior."""
        return sorted(
            key
            for key, s in self.species.items()
            if not s.not_offered and s.values["radiation_use_multiplier"].source != "greengap_fitted"
        )

    def cite(self, source: str) -> str:
        """The source of a value in one line."""
        return self.sources[source].cited if source in self.sources else source


def _numbers(values: Any) -> bool:
    """True for a list of finite numbers."""
    return isinstance(values, list) and all(
        isinstance(v, (int, float)) and not isinstance(v, bool) and math.isfinite(v) for v in values
    )


def _value(file: str, subject: str, trait: str, block: Any, si_unit: str | None, sources: dict[str, Source]) -> Value:
    """Check one value block and convert it to SI."""

    def problem(what: str, remedy: str) -> CatalogueProblem:
        return CatalogueProblem(file, trait, what, remedy)

    if not isinstance(block, dict):
        raise problem("is not a block of its own", "Write it as a table with value, unit and source")
    unknown = sorted(set(block) - VALUE_KEYS)
    if unknown:
        raise problem(f"unknown key {unknown[0]!r}", f"Allowed are {', '.join(sorted(VALUE_KEYS))}")
    source = block.get("source", "")
    if not source:
        raise problem("no source", 'Add source = "..." (an id in sources.toml, "common practice" or "from memory")')
    if source not in UNSOURCED and source not in sources:
        raise problem(f"source {source!r} is not in sources.toml", "Add it there, or correct the id")
    unit = block.get("unit", "")
    if unit not in CONVERSIONS:
        raise problem(f"unit {unit!r} is unknown", f"Allowed are {', '.join(CONVERSIONS)}")
    if si_unit is not None and CONVERSIONS[unit].si != si_unit:
        raise problem(f"unit {unit!r} does not convert to {si_unit}", "Give the value in a unit of that kind")
    confidence = block.get("confidence", "")
    if confidence not in CONFIDENCE:
        raise problem(f"confidence {confidence!r} is unknown", f"Allowed are {', '.join(sorted(CONFIDENCE))}")
    if block.get("basis", "") not in BASES:
        raise problem(f"basis {block['basis']!r} is unknown", 'Write "pure live seed", or leave it out')
    words = unit in {"text", "class"}
    raw, extent = block.get("value"), block.get("range")
    if raw is None and extent is None:
        raise problem("neither value nor range", "Give at least one of them, or leave the trait out")
    if extent is not None and not (_numbers(extent) and len(extent) == 2 and extent[0] <= extent[1]):
        raise problem(f"range {extent} is not two numbers in order", "Write the lower one first, as [48, 70]")
    if raw is not None and not isinstance(raw, str) and not _numbers([raw]):
        raise problem(f"value {raw!r} is neither a number nor words", "Write a number, or words in quotes")
    if words != isinstance(raw, str):
        raise problem(
            f"value {raw!r} does not go with unit {unit!r}", "Words take the unit text or class, numbers a unit"
        )
    number = low = high = None
    if not words:
        number = None if raw is None else to_si(float(raw), unit)
        if extent is not None:
            low, high = sorted((to_si(float(extent[0]), unit), to_si(float(extent[1]), unit)))
            if number is not None and not low <= number <= high:
                raise problem(f"value {raw} lies outside its range {extent}", "Correct one of them")
    is_sum = trait.endswith("_sum") and not words
    if is_sum and (block.get("method") not in SUM_METHODS or "base" not in block or block.get("clock") not in CLOCKS):
        raise problem(
            "a thermal sum without its method, base or clock",
            f"Add base [°C], method (one of: {', '.join(sorted(SUM_METHODS))}) and clock (air or soil)",
        )
    return Value(
        subject=subject,
        trait=trait,
        number=number,
        low=low,
        high=high,
        text=str(raw) if words else "",
        unit=CONVERSIONS[unit].si,
        source=source,
        where=block.get("where", ""),
        conditions=block.get("conditions", ""),
        confidence=confidence,
        printed=str(raw if raw is not None else f"{extent[0]}-{extent[1]}"),  # type: ignore[index]
        printed_unit=unit,
        method=block.get("method", ""),
        base_degc=float(block["base"]) if "base" in block else None,
        upper_degc=float(block["upper"]) if "upper" in block else None,
        clock=block.get("clock", ""),
        basis=block.get("basis", ""),
        choice=block.get("choice", ""),
        alternatives=tuple(block.get("alternatives", ())),
    )


def read_toml(path: Path) -> dict[str, Any]:
    """What stands in a file."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except tomllib.TOMLDecodeError as error:
        raise CatalogueProblem(path.name, "", f"is not valid TOML ({error})", "Correct that line") from error
    except UnicodeDecodeError as error:
        raise CatalogueProblem(path.name, "", "is not in UTF-8", "Save the file as UTF-8") from error
    except OSError as error:
        raise CatalogueProblem(
            path.name, "", f"cannot be opened ({error.strerror})", "Make it a file that you may read"
        ) from error
    except (ValueError, RecursionError) as error:  # numbers of thousands of digits, lists in lists without end
        raise CatalogueProblem(
            path.name, "", f"cannot be read ({error})", "Write it as docs/inputs.md shows"
        ) from error


def make_sources(data: dict[str, Any], file: str) -> dict[str, Source]:
    """Check what is said of sources."""
    out = {}
    allowed = {"title", "authors", "publisher", "year", "link", "note"}
    for key, block in data.items():
        said = block if isinstance(block, dict) else {}
        missing = [k for k in ("title", "authors", "publisher", "year") if not str(said.get(k, "")).strip()]
        if missing:
            raise CatalogueProblem(file, key, f"no {missing[0]}", "Name title, authors, publisher and year")
        unknown = sorted(set(said) - allowed)
        if unknown:
            raise CatalogueProblem(
                file, key, f"unknown key {unknown[0]!r}", f"Allowed are {', '.join(sorted(allowed))}"
            )
        out[key] = Source(key, **{k: str(v) for k, v in said.items()})
    return out


def make_species(
    key: str, data: dict[str, Any], place: str, sources: dict[str, Source], parent: Species | None = None
) -> Species:
    """Check what is said of a species; a cultivar takes from its `parent` what it does not say itself."""
    data = dict(data)
    names = {"name", "scientific_name", "family", "kind"}
    if parent is not None:
        data = {name: getattr(parent, name) for name in names - {"name"}} | data
    missing = sorted(name for name in names if not (isinstance(data.get(name), str) and data[name].strip()))
    if missing:
        raise CatalogueProblem(place, "", f"no {missing[0]}", "Add it at the top of the file")
    if data["kind"] not in KINDS:
        raise CatalogueProblem(place, "kind", f"{data['kind']!r} is unknown", f"Allowed are {', '.join(sorted(KINDS))}")
    not_offered = data.pop("not_offered", parent.not_offered if parent is not None else "")
    if not isinstance(not_offered, str):
        raise CatalogueProblem(place, "not_offered", f"{not_offered!r} is not words", "Write in quotes why it is not")
    unknown = sorted(set(data) - names - set(SPECIES_TRAITS))
    if unknown:
        raise CatalogueProblem(place, unknown[0], "is not a trait that is used", "Correct its name or leave it out")
    inherited = parent.values if parent is not None else {}
    values = inherited | {
        trait: _value(place, key, trait, data[trait], unit, sources)
        for trait, unit in SPECIES_TRAITS.items()
        if trait in data
    }
    lacking = sorted(OFFERED_HAS - set(values))
    if lacking and not not_offered:
        remedy = f'Add {"it" if len(lacking) == 1 else "them"}, or not_offered = "..." with the reason'
        raise CatalogueProblem(place, "", f"is offered as a cover without {', '.join(lacking)}", remedy)
    return Species(key, data["name"], data["scientific_name"], data["family"], data["kind"], values, not_offered)


def make_mix(
    key: str, data: dict[str, Any], place: str, species: dict[str, Species], sources: dict[str, Source]
) -> Cover:
    """Check what is said of a mix."""
    components, values, not_offered = [], {}, ""
    parts = data.get("components", {})
    if not isinstance(data.get("name"), str) or not isinstance(parts, dict) or len(parts) < 2:
        raise CatalogueProblem(place, "", "is no mix", "Give it a name and a share for each of two components or more")
    unknown = sorted(set(data) - {"name", "note", "components"})
    if unknown:
        raise CatalogueProblem(place, unknown[0], "is not a key of a mix", "Allowed are name, note, components")
    for part, block in parts.items():
        if part not in species:
            raise CatalogueProblem(place, part, "is not a species of the catalogue", f"Correct its name, or add {part}")
        if species[part].not_offered:
            not_offered = f"{species[part].name}: {species[part].not_offered}"
        value = _value(place, key, f"share of {part}", block, "fraction", sources)
        if value.number is None or not 0 < value.number <= 1:
            raise CatalogueProblem(place, part, "a share must lie above 0 and not above 1", "Correct it")
        components.append(Component(part, value.number))
        values[f"share of {part}"] = value
    return Cover(key, data["name"], tuple(components), values, data.get("note", ""), not_offered)


def _vegetables(path: Path, sources: dict[str, Source]) -> dict[str, Vegetable]:
    out = {}
    for key, data in read_toml(path).items():
        values = {
            trait: _value(path.name, key, trait, block, None, sources)
            for trait, block in data.items()
            if isinstance(block, dict)
        }
        out[key] = Vegetable(
            key, data["name"], values["family"].text, data.get("small_seeded", False),
            tuple(data.get("shared_diseases", ())), values,
        )  # fmt: skip
    return out


def _digest(folder: Path) -> str:
    total = hashlib.sha256()
    for path in sorted(folder.rglob("*.toml")):
        total.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return total.hexdigest()[:12]


@lru_cache(maxsize=4)
def load_catalogue(folder: Path = HERE) -> Catalogue:
    """Read and check the whole catalogue.

    Parameters
    ----------
    folder : Path
        Folder with ``species/``, ``mixes/``, ``vegetables.toml``, ``sources.toml``,
        ``cautions.toml``, ``signs.toml`` and ``practice.toml``.

    Returns
    -------
    Catalogue

    Raises
    ------
    CatalogueProblem
        If a file breaks the rules: value without source, unknown unit, unknown key.
    """
    sources = make_sources(read_toml(folder / "sources.toml"), "sources.toml")
    species = {
        p.stem: make_species(p.stem, read_toml(p), f"species/{p.name}", sources)
        for p in sorted((folder / "species").glob("*.toml"))
    }
    covers = {key: Cover(key, s.name, (Component(key, 1.0),)) for key, s in species.items() if not s.not_offered}
    mixes = {
        path.stem: make_mix(path.stem, read_toml(path), f"mixes/{path.name}", species, sources)
        for path in sorted((folder / "mixes").glob("*.toml"))
    }
    covers |= {key: mix for key, mix in mixes.items() if not mix.not_offered}
    cautions = tuple(
        Caution(
            hazard=c["hazard"], applies_to=tuple(c["applies_to"]), trigger=c["trigger"],
            text=c["text"], defers_to=c["defers_to"], source=c["source"],
        )
        for c in read_toml(folder / "cautions.toml")["caution"]
    )  # fmt: skip
    practice = {
        name: _value("practice.toml", "practice", name, block, None, sources)
        for name, block in read_toml(folder / "practice.toml").items()
    }
    return Catalogue(
        species,
        covers,
        _vegetables(folder / "vegetables.toml", sources),
        sources,
        cautions,
        practice,
        _digest(folder),
        mixes,
        tuple(Sign(s["seen"], s["means"], s["source"]) for s in read_toml(folder / "signs.toml")["sign"]),
    )
