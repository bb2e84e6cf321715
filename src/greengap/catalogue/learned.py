"""What a farm's own records have moved: a file beside ``farm.toml``, and the catalogue with it.

The file is written by `greengap learn --apply` and taken away by `--undo`; without it the catalogue is as it was.
"""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from greengap.catalogue.loader import Catalogue, CatalogueProblem, Source, Species, Value, read_toml
from greengap.tables import DataFrame, Learned

LEARNED_FILE = "learned.toml"  # beside farm.toml; a farm file holds the same text
OWN_RECORDS = "own records"  # the source of every value that it moves
# What moves, and the trait it moves; a species need not have the trait where it starts from a rule.
TRAITS = {
    "emergence": "emergence_sum",
    "stand": "stand_multiplier",
    "flowering": "flower_sum",
    "growth": "radiation_use_multiplier",
    "loss": "loss_share",
}
UNITS = {"stand_multiplier": "ratio", "loss_share": "fraction"}
WORDS = {
    "emergence": "warmth to come up",
    "stand": "stand",
    "flowering": "warmth to first flower",
    "growth": "growth by light",
    "loss": "fields lost to birds and game",
}
NUMBERS = ("before", "after", "low", "high", "records", "years")
HEAD = """\
# What this farm's own records have moved in the catalogue. Written by `greengap learn FARM --apply`.
# `greengap learn FARM --undo` takes it back. To change a figure, correct the records and learn anew.
"""


MOST, FARTHEST = 1e6, 50  # a figure beyond is a slip of the pen, no lesson
ANEW = "Take it away with `greengap learn FARM --undo`, then learn anew"


def start_of(species: Species, parameter: str, catalogue: Catalogue) -> float:
    """What a parameter of a species is before anything is learned, in the unit of its trait.

    A stand is as reckoned (1); the share of fields lost is the rule's for a species that birds seek, else that for
    all others.
    """
    trait = TRAITS[parameter]
    if species.has(trait):
        return species.number(trait)
    if parameter == "loss":
        return catalogue.rule("bird_loss_share" if species.has("bird_risk") else "learning_loss_other")
    return 1.0


def own_value(species: Species, trait: str, number: float) -> Value:
    """A value of a trait that the catalogue's file does not have."""
    unit = UNITS[trait]
    return Value(
        species.key, trait, number, None, None, "", unit, OWN_RECORDS, "", "", "derived", f"{number:g}", unit
    )  # fmt: skip


def with_learned(
    catalogue: Catalogue, learned: DataFrame[Learned], version: str = "", learned_on: str = ""
) -> Catalogue:
    """The catalogue with what was learned.

    Parameters
    ----------
    catalogue : Catalogue
        Without anything learned.
    learned : DataFrame[Learned]
        Rows of species that the catalogue does not have do nothing.
    version : str, optional
        Put behind the version of the catalogue.
    learned_on : str, optional
        Version of the catalogue that was learned on; told where it is another.

    Returns
    -------
    Catalogue
        Sums and multipliers are multiplied by after / before; the share of fields lost is put as it is. The sum to
        viable seed moves by as many degree-days as that to first flower. `before_learning` is the one given.
    """
    species = dict(catalogue.species)
    for row in learned.itertuples():
        if row.species in species:
            other = bool(learned_on) and learned_on != catalogue.version
            species[row.species] = _moved(species[row.species], catalogue, row, other)
    own = Source(OWN_RECORDS, "own records, learned by partial pooling", "the farm", "the farm", "n.d.")
    return replace(
        catalogue,
        species=species,
        sources=catalogue.sources | {OWN_RECORDS: own},
        version=f"{catalogue.version}+{version}" if version else catalogue.version,
        before_learning=catalogue,
    )


def _moved(species: Species, catalogue: Catalogue, row: Any, other_version: bool) -> Species:
    trait, before = TRAITS[row.parameter], start_of(species, row.parameter, catalogue)
    factor = row.after / row.before
    number, low, high = (
        (row.after, row.low, row.high)
        if row.parameter == "loss"
        else (before * factor, before * row.low / row.before, before * row.high / row.before)
    )
    old = species.values.get(trait) or own_value(species, trait, number)
    words = (
        f"learned from {int(row.records)} own record{'s' if row.records > 1 else ''} of {int(row.years)} "
        f"year{'s' if row.years > 1 else ''}, {row.low / row.before:.2f} to {row.high / row.before:.2f} times "
        f"{before:.4g} before"
    )
    if other_version:
        words += "; learned on another version of the catalogue: learn anew"
    changed = {
        trait: replace(
            old, number=number, low=low, high=high, source=OWN_RECORDS, where=LEARNED_FILE, confidence="derived",
            conditions=words, printed=f"{number:.4g}",
            printed_unit=old.unit, choice="own records of this farm against the figure before",
            alternatives=(*_before(old, catalogue), *old.alternatives),
        )
    }  # fmt: skip
    if row.parameter == "flowering":
        seed = species.values["viable_seed_sum"]
        shift = number - before
        changed["viable_seed_sum"] = replace(
            seed,
            number=species.number("viable_seed_sum") + shift,
            low=None if seed.low is None else seed.low + shift,
            high=None if seed.high is None else seed.high + shift,
            printed=f"{species.number('viable_seed_sum') + shift:.4g}",
            printed_unit=seed.unit,
            conditions="; ".join(
                part for part in (seed.conditions, f"{shift:+.0f} with the sum to first flower, {OWN_RECORDS}") if part
            ),
        )
    return replace(species, values=species.values | changed)


def _before(old: Value, catalogue: Catalogue) -> tuple[str, ...]:
    """The figure that was there before, as a person reads it."""
    return () if old.source == OWN_RECORDS else (f"{old.printed} {old.printed_unit}, {catalogue.cite(old.source)}",)


def learned_sentences(catalogue: Catalogue) -> list[str]:
    """What a plan says of the figures that its farm's own records have moved; nothing where there are none."""
    before = catalogue.before_learning
    if before is None:
        return []
    lines = []
    for key, species in sorted(catalogue.species.items()):
        was = before.species[key]
        parts = [
            f"{WORDS[parameter]} {_change(start_of(was, parameter, before), species.number(trait), trait)}"
            for parameter, trait in TRAITS.items()
            if species.has(trait) and species.values[trait].source == OWN_RECORDS
        ]
        if parts:
            lines.append(f"{species.name.lower()}: {', '.join(parts)}")
    what = f"Moved by the farm's own records ({LEARNED_FILE}; `greengap learn --undo` takes it back)"
    return [f"{what}: {'; '.join(lines)}."] if lines else []


def _change(before: float, after: float, trait: str) -> str:
    """A factor, or two shares."""
    if UNITS.get(trait) == "fraction":
        return f"{before:.0%} -> {after:.0%}".replace("%", " %")
    return f"x {after / before:.2f}"


def learned_text(learned: DataFrame[Learned], catalogue: Catalogue, without: dict[str, str]) -> str:
    """The file that says what was learned.

    Parameters
    ----------
    learned : DataFrame[Learned]
    catalogue : Catalogue
        What was learned on.
    without : dict of record_id to reason
        Records that were left out.

    Returns
    -------
    str
        TOML; the same for the same input.
    """
    lines = [HEAD, f"catalogue_version = {_quoted(catalogue.version)}"]
    for row in learned.to_dict("records"):
        lines += ["", "[[learned]]", *(f"{key} = {_quoted(row[key])}" for key in ("species", "parameter", "unit"))]
        lines += [f"{key} = {float(row[key]):.6g}" for key in NUMBERS[:4]]
        lines += [f"{key} = {int(row[key])}" for key in NUMBERS[4:]]
        listed = ", ".join(_quoted(r) for r in str(row["record_ids"]).split())
        lines.append(f"record_ids = [{listed}]")
    for record_id, reason in sorted(without.items()):
        lines += ["", "[[without]]", f"record_id = {_quoted(record_id)}", f"reason = {_quoted(reason)}"]
    return "\n".join(lines) + "\n"


def _quoted(text: object) -> str:
    """A basic string of TOML."""
    signs = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\r": "\\r", "\t": "\\t"}
    inside = "".join(signs.get(c, c if c.isprintable() else f"\\u{ord(c):04x}") for c in str(text))
    return f'"{inside}"'


def read_learned(path: Path) -> tuple[DataFrame[Learned], str]:
    """What a file says was learned, and the version of the catalogue that it was learned on.

    Raises
    ------
    CatalogueProblem
        If the file cannot be used.
    """
    return _checked(read_toml(path), path.name)


def check_text(text: str) -> None:
    """Refuse a text that `read_learned` would refuse, before it stands in a farm.

    Raises
    ------
    CatalogueProblem
        If a record has moved a figure further than any farm's can be.
    """
    try:
        _checked(tomllib.loads(text), LEARNED_FILE)
    except CatalogueProblem as problem:
        remedy = "Look at its records with `greengap learn FARM`; correct them, or leave one out with --without"
        raise CatalogueProblem(problem.file, problem.place, problem.what, remedy) from problem


def _checked(data: dict[str, Any], file: str) -> tuple[DataFrame[Learned], str]:
    for key in data:
        if key not in ("catalogue_version", "learned", "without"):
            raise CatalogueProblem(file, key, "is not a part that is known", ANEW)
    rows = data.get("learned", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise CatalogueProblem(file, "learned", "is no list of tables", ANEW)
    columns = list(Learned.to_schema().columns)
    for number, row in enumerate(rows, start=1):
        place = f"learned, entry {number}"
        missing = [c for c in columns if c not in row]
        if missing or set(row) - set(columns):
            word = f"no {missing[0]}" if missing else f"unknown key {sorted(set(row) - set(columns))[0]!r}"
            raise CatalogueProblem(file, place, word, ANEW)
        if isinstance(row["record_ids"], list):
            row["record_ids"] = " ".join(map(str, row["record_ids"]))
        numbers = [row[n] for n in NUMBERS]
        if not all(isinstance(n, (int, float)) and not isinstance(n, bool) and 0 < n < MOST for n in numbers):
            what = "before, after, low, high, records and years have to be numbers above zero"
            raise CatalogueProblem(file, place, what, ANEW)
        if not row["low"] <= row["after"] <= row["high"]:
            raise CatalogueProblem(file, place, "after does not lie between low and high", ANEW)
        if not 1 / FARTHEST <= row["after"] / row["before"] <= FARTHEST:
            raise CatalogueProblem(file, place, f"after is more than {FARTHEST} times off before", ANEW)
        if row["parameter"] == "loss" and row["high"] >= 1:
            raise CatalogueProblem(file, place, "a share of fields cannot reach 1", ANEW)
    try:
        table = Learned.validate(pd.DataFrame(rows, columns=columns))
    except Exception as error:
        what = f"cannot be used ({' '.join(str(error).split())[:160]})"
        raise CatalogueProblem(file, "learned", what, ANEW) from error
    return table, str(data.get("catalogue_version", ""))


def with_learned_file(catalogue: Catalogue, path: Path) -> Catalogue:
    """The catalogue with what a farm's file says was learned.

    Raises
    ------
    CatalogueProblem
        If the file cannot be used.
    """
    learned, learned_on = read_learned(path)
    for species in learned["species"]:
        if species not in catalogue.species:
            raise CatalogueProblem(path.name, "learned", f"{species} is no species of the catalogue", ANEW)
    twice = learned.duplicated(["species", "parameter"])
    if twice.any():
        row = learned[twice].iloc[0]
        raise CatalogueProblem(path.name, "learned", f"{row['species']}, {row['parameter']} stands twice", ANEW)
    version = f"learned.{hashlib.sha256(path.read_bytes()).hexdigest()[:12]}"
    return with_learned(catalogue, learned, version, learned_on)
