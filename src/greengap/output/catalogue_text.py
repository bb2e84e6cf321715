"""The catalogue in words: what it holds, and every value of a species, mix or vegetable with its source."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import pandas as pd

from greengap.catalogue import Catalogue, Cover, Species, Value, Vegetable
from greengap.output.summary import aligned

Subject = Species | Cover | Vegetable


def every_value(catalogue: Catalogue) -> list[Value]:
    """All values of species, mixes, vegetables and practice."""
    holders: list[Subject] = [*catalogue.species.values(), *catalogue.mixes.values(), *catalogue.vegetables.values()]
    return [value for holder in holders for value in holder.values.values()] + list(catalogue.practice.values())


def find(catalogue: Catalogue, name: str) -> tuple[Subject | None, list[str]]:
    """What a name stands for, by key or by trade name, and all names there are."""
    everything: dict[str, Subject] = {**catalogue.vegetables, **catalogue.mixes, **catalogue.species}
    spoken = {thing.name.lower(): key for key, thing in everything.items()}
    key = name if name in everything else spoken.get(name.lower(), "")
    return everything.get(key), sorted(everything)


def counts(catalogue: Catalogue) -> list[str]:
    """How much the catalogue holds, and how well it is known."""
    values = every_value(catalogue)
    offered = [s for s in catalogue.species.values() if not s.not_offered]
    mixes = [m for m in catalogue.mixes.values() if not m.not_offered]
    confidence = Counter(v.confidence for v in values)
    sellers = sum(v.source in catalogue.sources and catalogue.sources[v.source].is_seller for v in values)
    without = sum(not v.source for v in values)
    words = {
        "read": "read in the source",
        "memory": "from memory or common practice",
        "derived": "derived from a source",
        "design": "our own choice",
    }
    parts = ", ".join(f"{confidence[kind]} {words[kind]}" for kind in words)
    return [
        f"{len(catalogue.species)} species, {len(offered)} of them offered as covers; {len(catalogue.mixes)} mixes, "
        f"{len(mixes)} offered; {len(catalogue.vegetables)} vegetables; {len(catalogue.sources)} sources; "
        f"{len(catalogue.cautions)} cautions.",
        f"{len(values)} values: {parts}.",
        f"{sellers} come from those who sell seed or machines, the weakest source; values without source: {without}.",
        f"Catalogue version {catalogue.version}.",
    ]


def list_lines(catalogue: Catalogue) -> Iterator[str]:
    """What there is, with its key for commands and files."""
    yield from counts(catalogue)
    yield ""
    rows = [["species", "name", "scientific name", "family", "kind", "values", "offered"]]
    rows += [
        [s.key, s.name, s.scientific_name, s.family, s.kind, str(len(s.values)), s.not_offered or "yes"]
        for s in sorted(catalogue.species.values(), key=lambda s: s.key)
    ]
    yield from aligned(rows)
    yield ""
    rows = [["mix", "name", "shares of the rates alone", "offered"]]
    rows += [
        [m.key, m.name, shares(m, catalogue), m.not_offered or "yes"]
        for m in sorted(catalogue.mixes.values(), key=lambda m: m.key)
    ]
    yield from aligned(rows)
    yield ""
    rows = [["vegetable", "name", "family", "values"]]
    rows += [
        [v.key, v.name, v.family, str(len(v.values))]
        for v in sorted(catalogue.vegetables.values(), key=lambda v: v.key)
    ]
    yield from aligned(rows)


def shares(mix: Cover, catalogue: Catalogue) -> str:
    """Components of a mix with their shares."""
    return ", ".join(
        f"{catalogue.species[c.species].name.lower()} {c.share_of_sole_rate:.2f}" for c in mix.components
    )  # fmt: skip


def value_words(value: Value) -> str:
    """The value as printed, with its range, unit, and what a thermal sum is reckoned by."""
    unit = "" if value.printed_unit in ("text", "class") else f" {value.printed_unit}"
    words = f"{value.text or value.printed}{unit}"
    if not value.text and value.number is not None and value.low is not None and value.high is not None:
        words += f" ({value.low:.4g} to {value.high:.4g} {value.unit})"
    elif not value.text and value.printed_unit != value.unit:
        ends = [f"{x:.4g}" for x in (value.low, value.high) if x is not None] or [f"{value.number:.4g}"]
        words += f" ({' to '.join(ends)} {value.unit})"
    if value.method:
        upper = f", upper {value.upper_degc:g}" if value.upper_degc is not None else ""
        words += f", {value.method}, base {value.base_degc:g}{upper} °C, {value.clock} temperature"
    if value.basis:
        words += f", {value.basis}"
    return words


def source_words(value: Value, catalogue: Catalogue) -> str:
    """Source, place in it, confidence; that it sells seed, where it does."""
    source = catalogue.sources.get(value.source)
    weak = ", a seller or maker" if source is not None and source.is_seller else ""
    where = f", {value.where}" if value.where else ""
    return f"{catalogue.cite(value.source)}{where}; {value.confidence}{weak}"


def subject_lines(catalogue: Catalogue, subject: Subject) -> Iterator[str]:
    """One species, mix or vegetable with every value, its source, the choice and what was not chosen."""
    if isinstance(subject, Species):
        yield f"{subject.name} ({subject.scientific_name}), {subject.family}, {subject.kind}"
    elif isinstance(subject, Cover):
        yield f"{subject.name}: {shares(subject, catalogue)}"
        if subject.note:
            yield subject.note
    else:
        yield f"{subject.name}, {subject.family}; small seed: {'yes' if subject.small_seeded else 'no'}"
        if subject.shared_diseases:
            yield f"Diseases it shares: {', '.join(subject.shared_diseases)}"
    if not isinstance(subject, Vegetable) and subject.not_offered:
        yield f"Not offered as a cover: {subject.not_offered}."
    yield ""
    for trait, value in subject.values.items():
        conditions = f"; {value.conditions}" if value.conditions else ""
        yield f"{trait.replace('_', ' ')}: {value_words(value)}{conditions}"
        yield f"    {source_words(value, catalogue)}"
        if value.choice:
            yield f"    chosen because: {value.choice}"
        for other in value.alternatives:
            yield f"    not used: {other}"
    if isinstance(subject, Species):
        mine = [c for c in catalogue.cautions if subject.key in c.applies_to]
        if mine:
            yield ""
            yield "Cautions"
            yield from (f"- {c.hazard} ({c.trigger}): {c.text} Ask: {c.defers_to}." for c in mine)


def value_table(catalogue: Catalogue, subject: Subject | None) -> pd.DataFrame:
    """Values as a table, of one subject or of all, in SI and as printed."""
    values = every_value(catalogue) if subject is None else list(subject.values.values())
    rows = [
        {
            "subject": v.subject,
            "trait": v.trait,
            "low": v.low,
            "typical": v.number,
            "high": v.high,
            "text": v.text,
            "unit": v.unit,
            "printed": v.printed,
            "printed_unit": v.printed_unit,
            "method": v.method,
            "base_degc": v.base_degc,
            "upper_degc": v.upper_degc,
            "clock": v.clock,
            "basis": v.basis,
            "conditions": v.conditions,
            "source": v.source,
            "where": v.where,
            "confidence": v.confidence,
            "choice": v.choice,
            "alternatives": " | ".join(v.alternatives),
            "cited": catalogue.cite(v.source),
        }
        for v in values
    ]
    table = pd.DataFrame(rows)
    for column in ("low", "typical", "high", "base_degc", "upper_degc"):
        table[column] = table[column].astype(float)
    return table
