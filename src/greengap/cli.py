"""Commands: parse, call, print, nothing else. Stages are imported inside the command that needs them."""

from __future__ import annotations

import os
import sys
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from greengap.farm_input import Farm
    from greengap.plan import Plan
    from greengap.tables import DataFrame, Gap

DONE, FAULT, INPUT_PROBLEM, NO_OPTION = 0, 1, 2, 3

app = typer.Typer(
    help="Cover crops for the short gaps of a vegetable farm.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

FarmFolder = Annotated[Path, typer.Argument(metavar="FARM", help="Farm folder with farm.toml in it, or a farm file.")]
AsCsv = Annotated[bool, typer.Option("--csv", help="Print the whole table as CSV.")]


class Picture(StrEnum):
    """Kinds of picture."""

    svg = "svg"
    png = "png"


@contextmanager
def _seasons_bar() -> Iterator[Callable[[int, int], None]]:
    """A progress bar on the error stream, so that printed tables can be piped."""
    from greengap.process.day_loop import is_compiled

    if not is_compiled():
        print("First run: the day loop is compiled once, which takes some seconds ...", file=sys.stderr)
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    bar = Progress(
        TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed}/{task.total}"), TimeElapsedColumn(),
        console=Console(stderr=True), transient=True,
    )  # fmt: skip
    with bar:
        task = bar.add_task("Running the weather years", total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def _check_out(out: Path) -> None:
    """Refuse a folder that cannot be written before the work is done, not after."""
    from greengap.errors import InputProblem

    try:
        there = next(path for path in (out.absolute(), *out.absolute().parents) if path.exists())
    except OSError as error:  # a name that the file system does not take
        what = f"cannot be made ({error.strerror})"
        raise InputProblem(f"{out.as_posix():.80}", "", what, "Name another folder with --out") from error
    if not there.is_dir():
        what = "is a file" if there == out.absolute() else f"cannot be made, since {there.name} is a file"
    elif not os.access(there, os.W_OK | os.X_OK):
        what = "cannot be written"
    else:
        return
    raise InputProblem(out.as_posix(), "", what, "Name another folder with --out")


def _read(farm: Path) -> Farm:
    from greengap.farm_input import read_farm

    print("Reading the farm ...", file=sys.stderr)
    return read_farm(farm)


def _gaps(read: Farm) -> DataFrame[Gap]:
    from greengap.farm.gaps import find_gaps
    from greengap.plan import southern

    return find_gaps(read.crop_calendar, read.settings, read.catalogue, southern=southern(read))


def _planned(read: Farm) -> Plan:
    from greengap.plan import plan_farm

    with _seasons_bar() as progress:
        return plan_farm(read, progress)


@app.command()
def plan(
    farm: FarmFolder,
    out: Annotated[Path, typer.Option(help="Folder for the files that are written.")] = Path("greengap-plan"),
    base_map: Annotated[
        bool, typer.Option("--base-map", help="Put a street map from the internet under the map.")
    ] = False,
    all_tables: Annotated[
        bool, typer.Option("--all-tables", help="Also write the tables by date and weather year.")
    ] = False,
) -> None:
    """Plan every gap of a farm: map, seed order, GeoJSON, tables."""
    from greengap.output.summary import summary
    from greengap.output.write import write_plan

    _check_out(out)
    made = _planned(_read(farm))
    written = write_plan(made, out, base_map=base_map, all_tables=all_tables)  # first: printing may be cut off
    for line in summary(made):
        print(line)
    print("\nWritten:")
    for path in written:
        print(f"  {path.as_posix()}")
    if not made.allocation["option_id"].notna().any():
        raise typer.Exit(NO_OPTION)


@app.command()
def gaps(farm: FarmFolder, csv: AsCsv = False) -> None:
    """List the gaps between crops with their usable days."""
    from greengap.farm_input import read_farm
    from greengap.output.summary import gap_lines
    from greengap.output.table import to_csv

    table = _gaps(read_farm(farm))
    print(to_csv(table) if csv else "\n".join(gap_lines(table)), end="" if csv else "\n")


@app.command()
def options(
    farm: FarmFolder,
    gap: Annotated[
        str, typer.Argument(metavar="GAP", help="Gap as `greengap gaps` names it, for example 'River 1/2'.")
    ],
    csv: AsCsv = False,
) -> None:
    """Rank the covers for one gap, with what holds each back."""
    from greengap.errors import InputProblem
    from greengap.farm.settings import suggestion
    from greengap.output.summary import option_lines
    from greengap.output.table import to_csv

    read = _read(farm)
    known = list(_gaps(read)["gap_id"])
    if gap not in known:
        remedy = f"{suggestion(gap, known, most=6)}; `greengap gaps` lists them with their dates"
        raise InputProblem(farm.as_posix(), f"gap {gap!r}", "there is no such gap", remedy)
    made = _planned(read)
    table = made.recommendation[made.recommendation["gap_id"] == gap]
    print(to_csv(table) if csv else "\n".join(option_lines(made, gap)), end="" if csv else "\n")
    if not table["option_id"].notna().any():
        raise typer.Exit(NO_OPTION)


@app.command()
def why(
    farm: FarmFolder,
    block: Annotated[str, typer.Argument(metavar="BLOCK", help="Block name.")],
    cover: Annotated[str, typer.Argument(metavar="COVER", help="Cover, for example buckwheat, pea_oat or no_cover.")],
) -> None:
    """Show how a score and a rate came about, with the source of every number."""
    from greengap.errors import InputProblem
    from greengap.farm.settings import suggestion
    from greengap.output.why import explain

    read = _read(farm)
    blocks, covers = list(read.blocks["block_id"]), [*sorted(read.catalogue.covers), "no_cover"]
    if block not in blocks:
        raise InputProblem(farm.as_posix(), f"block {block!r}", "there is no such block", suggestion(block, blocks))
    if cover not in covers:
        raise InputProblem("catalogue", f"cover {cover!r}", "there is no such cover", suggestion(cover, covers))
    made = _planned(read)
    for line in explain(made, block, cover):
        print(line)


@app.command()
def odds(
    farm: FarmFolder,
    block: Annotated[str, typer.Argument(metavar="BLOCK", help="Block name.")],
    cover: Annotated[str, typer.Argument(metavar="COVER", help="Cover, for example buckwheat or pea_oat.")],
    gap: Annotated[str | None, typer.Option(help="One gap only, for example 'Pond/2'.", show_default="all")] = None,
    wanted: Annotated[
        float | None,
        typer.Option(
            help="Share of the weather years that have to hold, instead of the farm's own.",
            show_default="the farm's wanted_odds",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder for pictures, one for each gap; without it, none is drawn.", show_default="no pictures"
        ),
    ] = None,
    picture: Annotated[Picture, typer.Option("--format", help="Kind of picture.")] = Picture.svg,
    uncertainty: Annotated[
        bool, typer.Option("--uncertainty", help="Also run it with other figures of the plant, within their ranges.")
    ] = False,
    draws: Annotated[int, typer.Option(help="How many times, with --uncertainty.", min=50, max=200)] = 64,
    years: Annotated[bool, typer.Option("--years", help="Also the dates in each weather year.")] = False,
    csv: AsCsv = False,
) -> None:
    """Draw the odds of a cover against its sowing date: stand, flower, aim, frost, dry matter."""
    from greengap.cover_odds import find_odds
    from greengap.errors import InputProblem
    from greengap.output.odds_text import odds_csv, odds_lines

    if wanted is not None and not 0 < wanted <= 1:
        raise InputProblem("--wanted", "", f"{wanted:g} is not a share between 0 and 1", "Write 80 % as 0.8")
    if out is not None:
        from greengap.output.odds_plot import check_plots, write_odds

        check_plots()
        _check_out(out)
    read = _read(farm)
    with _seasons_bar() as progress:
        found = find_odds(read, block, cover, gap, wanted, draws if uncertainty else None, progress)
    written = write_odds(found, out, picture) if out is not None else []
    print(odds_csv(found, by_year=years) if csv else "\n".join(odds_lines(found, years)), end="" if csv else "\n")
    for path in written:
        print(f"Written: {path.as_posix()}", file=sys.stderr if csv else sys.stdout)
    if not any(one.dates["holds_years"].max() > 0 for one in found.gaps):
        raise typer.Exit(NO_OPTION)


@app.command()
def check(farm: FarmFolder) -> None:
    """Read everything and report what was found, repaired and assumed; plans nothing."""
    from greengap.farm_input import read_farm
    from greengap.output.summary import report_lines

    for line in report_lines(read_farm(farm).report):
        print(line)


@app.command()
def serve(
    farm: Annotated[
        Path | None,
        typer.Argument(
            metavar="[FARM]",
            help="Farm file, or a farm folder, of which a farm file is made.",
            show_default="start page",
        ),
    ] = None,
    farms: Annotated[Path, typer.Option(help="Folder in which farm files are made and looked for.")] = Path(),
    port: Annotated[int, typer.Option(help="Port.", min=0, max=65535, show_default="any that is free")] = 0,
    lan: Annotated[
        bool,
        typer.Option("--lan", help="Answer on the farm's network too, for a phone; whoever has the address gets in."),
    ] = False,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Do not open the browser.")] = False,
) -> None:
    """Open the page: draw blocks, set crop dates, choose covers, take the seed order."""
    from greengap.web.serve import serve as run
    from greengap.web.welcome import welcome

    run(farm, farms, port, lan, not no_browser, lambda address: print("\n".join(welcome(address)), flush=True))


@app.command()
def pack(
    farm: Annotated[Path, typer.Argument(metavar="FOLDER", help="Farm folder with farm.toml in it.")],
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Farm file to write, ending in .gpkg.")],
) -> None:
    """Put a farm folder into one farm file: a GeoPackage that any GIS opens and every command takes."""
    from greengap.pack import pack as pack_farm

    print(f"Written: {pack_farm(farm, file).as_posix()}")


@app.command()
def unpack(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Farm file.")],
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder to make.")],
) -> None:
    """Write a farm file as a farm folder that gives the same plan."""
    from greengap.pack import unpack as unpack_farm

    for path in unpack_farm(file, folder):
        print(f"Written: {path.as_posix()}")


def main() -> None:
    """Run the command line: one sentence and exit code 2 for bad input, no traceback."""
    from greengap.errors import InputProblem

    try:
        app(prog_name="greengap")
    except InputProblem as problem:
        print(f"greengap: {' '.join(problem.sentence.split())}", file=sys.stderr)  # one line, whatever it quotes
        sys.exit(INPUT_PROBLEM)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(DONE)


if __name__ == "__main__":
    main()
