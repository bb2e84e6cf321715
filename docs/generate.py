"""Makes the generated pages of the docs: tables.md, commands.md and catalogue.md from types, commands and data.

Run it after a change of any: ``python docs/generate.py``. A test compares the pages with what it makes.
"""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer

HERE = Path(__file__).parent
KINDS = {
    "datetime64[ns]": "date", "datetime64[us]": "date", "str": "text", "string[python]": "text", "object": "text",
    "string[pyarrow]": "text",
    "float64": "number", "int64": "whole number", "bool": "yes or no", "geometry": "polygon",
}  # fmt: skip


def tables_page() -> str:
    """Every table that passes between stages, column by column."""
    from greengap import tables

    lines = [
        "# Tables",
        "",
        "Every table that passes between stages, from `src/greengap/tables.py` (this page is generated from it).",
        "Units stand in the column names: SI, fractions 0 to 1, days counted from sowing where a name ends in `_d`.",
        "`greengap plan` writes them as CSV; those with one row per sowing date or weather year with `--all-tables`.",
    ]
    for name, model in inspect.getmembers(tables, inspect.isclass):
        if not issubclass(model, tables.Table) or model is tables.Table:
            continue
        lines += [
            "",
            f"## {name}",
            "",
            inspect.getdoc(model) or "",
            "",
            "| column | type | may be empty | what it is |",
        ]
        lines.append("| --- | --- | --- | --- |")
        for column, spec in model.to_schema().columns.items():
            kind = KINDS.get(str(spec.dtype), str(spec.dtype))
            lines.append(f"| `{column}` | {kind} | {'yes' if spec.nullable else 'no'} | {spec.description} |")
    return "\n".join(lines) + "\n"


def _parameters(command: Any) -> Iterator[str]:
    for parameter in command.params:
        if parameter.param_type_name == "option":
            default = f" Default: `{parameter.default}`." if parameter.default not in (None, False) else ""
            yield f"| `{', '.join(parameter.opts)}` | {parameter.help or 'Show this message and exit.'}{default} |"
        else:
            text = getattr(parameter, "help", "") or ""
            yield f"| `{parameter.metavar or parameter.name}` | {text} |"


def commands_page() -> str:
    """Every command with its arguments and options."""
    from greengap.cli import app

    group = typer.main.get_command(app)
    lines = [
        "# Commands",
        "",
        "From the commands' own help (this page is generated from it). Exit codes: 0 done, 2 input problem, told in",
        "one sentence, 3 no cover fits anywhere (a true answer), 1 a fault of ours.",
    ]
    for name, command in group.commands.items():  # type: ignore[attr-defined]
        lines += ["", f"## greengap {name}", "", (command.help or "").strip(), "", "| | |", "| --- | --- |"]
        lines += _parameters(command)
    return "\n".join(lines) + "\n"


def catalogue_page() -> str:
    """Everything in the catalogue: what is offered, and every value with its source and what was not chosen."""
    from greengap.catalogue import load_catalogue
    from greengap.output.catalogue_text import counts, shares

    catalogue = load_catalogue()
    lines = [
        "# The catalogue",
        "",
        "From the data in `src/greengap/catalogue` (this page is generated from it). `greengap catalogue NAME` prints",
        "one species, mix or vegetable with its sources in full; `greengap catalogue --csv` all values as a table. A",
        "farm adds its own in [catalogue.toml](inputs.md#cataloguetoml). Numbers are as printed in the source, with",
        "the range in SI. Confidence: *read* in the source, from *memory* or common practice, *derived* from a source,",
        "*design* is our own choice. Sellers' pages are the weakest source and marked so.",
        "",
        *[f"- {line}" for line in counts(catalogue)],
        "",
        "## Species",
        "",
        "| species | scientific name | family | kind | offered as a cover |",
        "| --- | --- | --- | --- | --- |",
    ]
    species = sorted(catalogue.species.values(), key=lambda s: s.name)
    for s in species:
        link = s.name.lower().replace(" ", "-")
        offered = s.not_offered or "yes"
        lines.append(f"| [{s.name}](#{link}) `{s.key}` | {s.scientific_name} | {s.family} | {s.kind} | {offered} |")
    lines += [
        "",
        "## Mixes",
        "",
        "Shares of the rate that a species has alone; other mixes are designed for a gap by",
        "`greengap options FARM GAP --mixes`.",
        "",
        "| mix | shares | offered | from |",
        "| --- | --- | --- | --- |",
    ]
    for mix in sorted(catalogue.mixes.values(), key=lambda m: m.name):
        sources = "; ".join(dict.fromkeys(_source(v, catalogue) for v in mix.values.values()))
        lines.append(f"| {mix.name} `{mix.key}` | {shares(mix, catalogue)} | {mix.not_offered or 'yes'} | {sources} |")
    for s in species:
        lines += ["", f"## {s.name}", "", *_values(s.values, catalogue)]
    lines += ["", "## Vegetables"]
    for v in sorted(catalogue.vegetables.values(), key=lambda v: v.name):
        lines += ["", f"### {v.name} `{v.key}`", "", *_values(v.values, catalogue)]
    lines += ["", "## Rules of practice", "", *_values(catalogue.practice, catalogue)]
    lines += [
        "",
        "## Cautions",
        "",
        "| hazard | covers | when | what to know | who decides |",
        "| --- | --- | --- | --- | --- |",
    ]
    for c in catalogue.cautions:
        covers = ", ".join(catalogue.species[k].name.lower() if k in catalogue.species else k for k in c.applies_to)
        lines.append(f"| {c.hazard} | {covers} | {c.trigger} | {c.text} | {c.defers_to} |")
    lines += ["", "## Signs in a stand", "", "| seen | a sign of | source |", "| --- | --- | --- |"]
    lines += [f"| {s.seen} | {s.means} | `{s.source}` |" for s in catalogue.signs]
    lines += ["", "## Sources", ""]
    for key, source in sorted(catalogue.sources.items()):
        weak = " (seller or maker)" if source.is_seller else ""
        link = f" <{source.link}>" if source.link else ""
        note = f" {source.note}." if source.note else ""
        lines.append(f"- `{key}`: {source.cited}{weak}.{link}{note}")
    return "\n".join(lines) + "\n"


def _cell(text: str) -> str:
    return text.replace("|", "/").replace("<", "&lt;")


def _source(value: Any, catalogue: Any) -> str:
    weak = ", seller" if value.source in catalogue.sources and catalogue.sources[value.source].is_seller else ""
    name = f"`{value.source}`" if value.source in catalogue.sources else value.source
    return _cell(f"{name}{', ' + value.where if value.where else ''}, {value.confidence}{weak}")


def _values(values: dict[str, Any], catalogue: Any) -> Iterator[str]:
    from greengap.output.catalogue_text import value_words

    yield "| value | | conditions | source | choice, and what was not used |"
    yield "| --- | --- | --- | --- | --- |"
    for trait, value in values.items():
        rest = [value.choice] if value.choice else []
        rest += [f"not: {other}" for other in value.alternatives]
        cells = [trait.replace("_", " "), value_words(value), value.conditions, "; ".join(rest)]
        name, words, conditions, more = (_cell(c) for c in cells)
        yield f"| {name} | {words} | {conditions} | {_source(value, catalogue)} | {more} |"


PAGES = {"tables.md": tables_page, "commands.md": commands_page, "catalogue.md": catalogue_page}

if __name__ == "__main__":
    for page, make in PAGES.items():
        (HERE / page).write_text(make(), encoding="utf-8")
