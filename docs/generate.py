"""Makes the generated pages of the docs: tables.md from the table types, commands.md from the commands.

Run it after a change of either: ``python docs/generate.py``. A test compares the pages with what it makes.
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


PAGES = {"tables.md": tables_page, "commands.md": commands_page}

if __name__ == "__main__":
    for page, make in PAGES.items():
        (HERE / page).write_text(make(), encoding="utf-8")
