"""Commands: parse, call, print, nothing else. Stages are imported inside the command that needs them."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from greengap.cli_common import check_out, open_farm, seasons_bar
from greengap.cli_record import record
from greengap.cli_season import flowers, learn, replan, week

if TYPE_CHECKING:
    from greengap.catalogue import Catalogue
    from greengap.farm.seed_search import Attempt
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


class Paper(StrEnum):
    """Sizes of paper."""

    a4 = "a4"
    letter = "letter"


def _gaps(read: Farm) -> DataFrame[Gap]:
    from greengap.farm.gaps import find_gaps
    from greengap.plan import southern

    return find_gaps(read.crop_calendar, read.settings, read.catalogue, southern=southern(read))


def _planned(read: Farm) -> Plan:
    from greengap.plan import plan_farm

    with seasons_bar() as progress:
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
    from greengap.clean_ground_of import find_without_cover
    from greengap.output.clean_text import clean_summary
    from greengap.output.summary import summary
    from greengap.output.write import write_plan

    check_out(out)
    read = open_farm(farm)
    made = _planned(read)
    without = find_without_cover(read, made)
    written = write_plan(made, out, base_map, all_tables, without)  # first: printing may be cut off
    for line in summary(made):
        print(line)
    for line in clean_summary(without, made.allocation.loc[made.allocation["option_id"].notna(), "gap_id"]):
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
    mixes: Annotated[
        bool, typer.Option("--mixes", help="Design mixes for the gap, and print those that beat the best sole cover.")
    ] = False,
) -> None:
    """Rank the covers for one gap, with what holds each back, and no cover beside them; design mixes for it."""
    from greengap.clean_ground_of import find_without_cover
    from greengap.errors import InputProblem
    from greengap.farm.settings import suggestion
    from greengap.output.clean_text import clean_lines
    from greengap.output.summary import option_lines
    from greengap.output.table import to_csv

    read = open_farm(farm)
    known = list(_gaps(read)["gap_id"])
    if gap not in known:
        remedy = f"{suggestion(gap, known, most=6)}; `greengap gaps` lists them with their dates"
        raise InputProblem(farm.as_posix(), f"gap {gap!r}", "there is no such gap", remedy)
    made = _planned(read)
    if mixes:
        from greengap.gap_mixes import propose_mixes
        from greengap.output.mix_text import mix_lines, mix_table

        with seasons_bar() as progress:
            proposals = propose_mixes(read, made, gap, progress)
        if csv:
            print(to_csv(mix_table(proposals)), end="")
        else:
            print("\n".join(mix_lines(proposals, gap, made.catalogue, made.settings.units)))
        return
    table = made.recommendation[made.recommendation["gap_id"] == gap]
    if csv:
        print(to_csv(table), end="")
    else:
        without = find_without_cover(read, made, [gap])
        for line in (*option_lines(made, gap), "", *clean_lines(without, gap, made.catalogue, made.settings.units)):
            print(line)
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

    read = open_farm(farm)
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
        check_out(out)
    read = open_farm(farm)
    with seasons_bar() as progress:
        found = find_odds(read, block, cover, gap, wanted, draws if uncertainty else None, progress)
    written = write_odds(found, out, picture) if out is not None else []
    print(odds_csv(found, by_year=years) if csv else "\n".join(odds_lines(found, years)), end="" if csv else "\n")
    for path in written:
        print(f"Written: {path.as_posix()}", file=sys.stderr if csv else sys.stdout)
    if not any(one.dates["holds_years"].max() > 0 for one in found.gaps):
        raise typer.Exit(NO_OPTION)


@app.command()
def after(
    farm: FarmFolder,
    block: Annotated[str, typer.Argument(metavar="BLOCK", help="Block name.")],
    cover: Annotated[str, typer.Argument(metavar="COVER", help="Cover, for example buckwheat or pea_oat.")],
    gap: Annotated[str | None, typer.Option(help="One gap only, for example 'Pond/2'.", show_default="all")] = None,
    incorporate: Annotated[
        bool | None, typer.Option("--incorporate/--mulch", help="Work it in, or leave it on the ground.")
    ] = None,
    chop: Annotated[
        bool | None, typer.Option("--chop/--no-chop", help="Mow or chop it first, or end it whole.")
    ] = None,
    irrigate: Annotated[
        bool | None, typer.Option("--irrigate/--no-irrigation", help="Water the block, or do not.")
    ] = None,
    inoculate: Annotated[bool, typer.Option("--inoculate/--no-inoculant", help="Legumes carry rhizobia.")] = True,
    earlier: Annotated[int, typer.Option(help="Days by which it is ended before the planned day.", min=0, max=60)] = 0,
    wait: Annotated[
        int | None, typer.Option(help="Least days before the next crop.", min=0, max=120, show_default="the farm's")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder for pictures, one for each gap; without it, none is drawn.", show_default="no pictures"
        ),
    ] = None,
    picture: Annotated[Picture, typer.Option("--format", help="Kind of picture.")] = Picture.svg,
    csv: AsCsv = False,
) -> None:
    """Show what a cover leaves: when and how to end it, the wait, nitrogen, water, and what would change it."""
    from dataclasses import replace

    from greengap.advice.next_crop import farm_ending
    from greengap.cover_after import find_after
    from greengap.output.after_text import after_csv, after_lines

    if out is not None:
        from greengap.output.after_plot import write_after
        from greengap.output.odds_plot import check_plots

        check_plots()
        check_out(out)
    read = open_farm(farm)
    ending = farm_ending(read.settings)
    ending = replace(
        ending,
        incorporated=ending.incorporated if incorporate is None else incorporate,
        chopped=ending.chopped if chop is None else chop,
        inoculated=inoculate,
    )
    with seasons_bar() as progress:
        found = find_after(read, block, cover, gap, ending, irrigate, wait, earlier, progress)
    written = write_after(found, out, picture) if out is not None else []
    print(after_csv(found) if csv else "\n".join(after_lines(found)), end="" if csv else "\n")
    for path in written:
        print(f"Written: {path.as_posix()}", file=sys.stderr if csv else sys.stdout)
    if not any(one.odds is not None and one.odds.holds_years > 0 for one in found.gaps):
        raise typer.Exit(NO_OPTION)


@app.command()
def ladder(
    farm: FarmFolder,
    gap: Annotated[
        str | None, typer.Argument(metavar="[GAP]", help="Gap as `greengap gaps` names it; all if left out.")
    ] = None,
    csv: AsCsv = False,
) -> None:
    """List the dated fallbacks of each gap: until when this, until when that, from when nothing."""
    from greengap.errors import InputProblem
    from greengap.farm.settings import suggestion
    from greengap.output.after_text import ladder_lines, ladder_of
    from greengap.output.table import to_csv

    read = open_farm(farm)
    known = list(_gaps(read)["gap_id"])
    if gap is not None and gap not in known:
        remedy = f"{suggestion(gap, known, most=6)}; `greengap gaps` lists them with their dates"
        raise InputProblem(farm.as_posix(), f"gap {gap!r}", "there is no such gap", remedy)
    made = _planned(read)
    table = ladder_of(made, gap)
    print(to_csv(table) if csv else "\n".join(ladder_lines(table, made.catalogue)), end="" if csv else "\n")


@app.command()
def order(
    farm: FarmFolder,
    out: Annotated[Path, typer.Option(help="Folder for the files that are written.")] = Path("greengap-plan"),
    prices: Annotated[
        Path | None, typer.Option(help="Price list.", show_default="seed_prices.csv in the farm folder, if it is there")
    ] = None,
    stock: Annotated[
        Path | None, typer.Option(help="Seed in the shed.", show_default="seed_stock.csv in the farm folder, likewise")
    ] = None,
    search: Annotated[
        Path | None,
        typer.Option(
            help="Record of the search for organic seed, filled in.",
            show_default="seed_search.csv in the farm folder, else in --out",
        ),
    ] = None,
    year: Annotated[int | None, typer.Option(help="One year of sowing only.", show_default="all")] = None,
    without: Annotated[
        list[str] | None,
        typer.Option(help="Species that cannot be had; the plan is made anew without it. May be given several times."),
    ] = None,
    drill_width: Annotated[
        str | None, typer.Option(help="Sown width, as '1.5 m' or '60 in'.", show_default="the farm's")
    ] = None,
    row_spacing: Annotated[
        str | None, typer.Option(help="Between openers, as '17.5 cm' or '7.5 in'.", show_default="the farm's")
    ] = None,
    wheel: Annotated[
        str | None, typer.Option(help="Circumference of the drive wheel, as '2.1 m'.", show_default="the farm's")
    ] = None,
    wheel_turns: Annotated[int, typer.Option(help="Turns of the wheel when calibrating.", min=1, max=1000)] = 20,
    reserve: Annotated[
        float | None,
        typer.Option(
            help="Order seed for sowing again too, enough in this share of years, as 0.9.",
            show_default="reserve_odds of the farm, else none",
        ),
    ] = None,
    csv: AsCsv = False,
) -> None:
    """Order the seed of a plan: lots, bags, inoculant, money, what is missing; tables, workbook, page, PDF, cards."""
    from dataclasses import replace

    from greengap.advice.drill import Drill, farm_drill
    from greengap.errors import InputProblem
    from greengap.farm_input import with_seed_lists
    from greengap.output.lot_cards import write_cards
    from greengap.output.order import order_text, take_order, write_order
    from greengap.output.table import to_csv
    from greengap.plan import replan_without

    check_out(out)
    width = _length("--drill-width", drill_width)
    drill = Drill(width, _length("--row-spacing", row_spacing), _length("--wheel", wheel), wheel_turns)
    if reserve is not None and not 0 < reserve <= 1:
        raise InputProblem("--reserve", "", f"{reserve:g} is not a share between 0 and 1", "Write 90 % as 0.9")
    read = with_seed_lists(open_farm(farm), stock, prices)
    if reserve is not None:
        read = replace(read, settings=replace(read.settings, reserve_odds=reserve))
    attempts = _search_record(search, farm, out, read)
    gone = _known_species(without or [], read.catalogue, "--without")
    made = first = _planned(read)
    sold_out = [key for key in read.seed_lists.sold_out() if key in set(made.seed_need["species"])]
    gone = sorted({*gone, *sold_out})
    while gone:
        made = replan_without(read, first, gone)
        more = [key for key in read.seed_lists.sold_out() if key in set(made.seed_need["species"])]
        if not more:
            break
        gone = sorted({*gone, *more})
    _check_year(year, made)
    taken = take_order(made, farm_drill(read.settings.machinery, drill), year, gone, first if gone else None, attempts)
    written = [*write_order(taken, out), *write_cards(taken, out)]
    print(to_csv(taken.lines) if csv else "\n".join(order_text(taken)), end="" if csv else "\n")
    for path in written:
        print(f"Written: {path.as_posix()}", file=sys.stderr if csv else sys.stdout)
    if made.seed_need.empty:
        raise typer.Exit(NO_OPTION)


def _search_record(search: Path | None, farm: Path, out: Path, read: Farm) -> tuple[Attempt, ...]:
    """What is filled in of the record of the search: of the file named, else the farm's, else the last order's."""
    from greengap.farm.seed_search import SEARCH_FILE, read_search

    there = [folder / SEARCH_FILE for folder in (farm, out) if (folder / SEARCH_FILE).is_file()]
    path = search or next(iter(there), None)
    if path is None or not read.settings.organic:
        return ()
    return read_search(path, read.catalogue, read.report)


@app.command()
def germination(
    up: Annotated[int, typer.Argument(metavar="UP", help="Sound seedlings.")],
    sown: Annotated[int, typer.Argument(metavar="SOWN", help="Seeds laid out.")],
    tag: Annotated[
        float | None, typer.Option(help="Germination on the tag, 90 for 90 %.", show_default="an ordinary lot's")
    ] = None,
    species: Annotated[
        str | None, typer.Option(help="Species, for what an ordinary lot has if there is no tag.", show_default="none")
    ] = None,
) -> None:
    """Judge a germination count: as the tag says, raise the rate, or test again."""
    from greengap.advice.germination import judge_count
    from greengap.catalogue import load_catalogue
    from greengap.errors import InputProblem
    from greengap.output.germination_text import count_lines

    known = load_catalogue()
    if sown < 1 or not 0 <= up <= sown:
        what = f"{up} of {sown} seeds cannot be up"
        raise InputProblem("UP and SOWN", "", what, "Write first the seedlings, then the seeds laid out, as 92 100")
    if tag is None and species is None:
        raise InputProblem("--tag", "", "is missing", "Write what the tag says, as --tag 90, or name --species")
    if tag is not None and not 1 < tag <= 100:
        what = f"{tag:g} % is more than all of the seed" if tag > 100 else f"{tag:g} % is no germination of a tag"
        raise InputProblem("--tag", "", what, "Copy the figure from the tag, as 85 for 85 %")
    of_kind = known.species[_known_species([species], known, "--species")[0]] if species is not None else None
    figure = "the tag" if tag is not None else f"an ordinary lot of {of_kind.name.lower()}" if of_kind else ""
    expected = tag / 100 if tag is not None else of_kind.number("germination") if of_kind else 0.0
    count = judge_count(up, sown, expected, int(known.rule("germination_count_seeds")))
    for line in count_lines(count, known, figure):
        print(line)


def _length(name: str, text: str | None) -> float | None:
    from greengap.errors import InputProblem
    from greengap.units import length_m

    try:
        return None if text is None else length_m(text)
    except ValueError:
        remedy = "Write a number above zero and its unit: m, cm, mm, ft or in"
        raise InputProblem(name, "", f"{text!r} is not a length", remedy) from None


def _known_species(names: list[str], catalogue: Catalogue, option: str) -> list[str]:
    """Keys of species, named by key or by trade name."""
    from greengap.errors import InputProblem
    from greengap.farm.settings import suggestion

    by_name = {s.name.lower(): key for key, s in catalogue.species.items()}
    keys = [name if name in catalogue.species else by_name.get(name.lower(), "") for name in names]
    for name, key in zip(names, keys, strict=True):
        if not key:
            what = f"{name!r} is not a species of the catalogue"
            raise InputProblem(option, "", what, suggestion(name, list(catalogue.species)))
    return keys


def _check_year(year: int | None, made: Plan) -> None:
    from greengap.errors import InputProblem

    years = sorted(set(made.order_lines["year"]))
    if year is not None and year not in years:
        remedy = f"Years of the plan are {', '.join(map(str, years))}" if years else "Nothing is sown in any year"
        raise InputProblem("--year", "", f"nothing is sown in {year}", remedy)


@app.command()
def export(
    farm: FarmFolder,
    profile: Annotated[
        list[str] | None,
        typer.Option(
            "--for", help="Profile, named by what it accepts; may be given several times. `all` takes every one."
        ),
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder for the files that are written.")] = Path("greengap-export"),
    year: Annotated[int | None, typer.Option(help="One year of sowing only.", show_default="all")] = None,
    terminal: Annotated[
        Path | None,
        typer.Option(
            help="Task data saved on your terminal: its device description is taken over.", show_default="none"
        ),
    ] = None,
) -> None:
    """Write files for terminals, GIS, calendar and office, each reconciled with the seed order; lists the profiles."""
    from greengap.errors import InputProblem
    from greengap.farm.settings import suggestion
    from greengap.output.export import PROFILES, export_lines, profile_lines, write_export
    from greengap.output.jobs import list_jobs
    from greengap.plan import before_season

    if not profile:
        print("\n".join(profile_lines()))
        return
    for name in profile:
        if name not in PROFILES and name != "all":
            raise InputProblem("--for", "", f"{name!r} is not a profile", suggestion(name, [*PROFILES, "all"]))
    check_out(out)
    read = open_farm(farm)
    names = list(PROFILES if "all" in profile else dict.fromkeys(profile))
    in_winter = [
        n for n in names if n == "records" and read.so_far is not None and len(read.record)
    ]  # as it was planned
    for some, of in ((in_winter, before_season(read)), ([n for n in names if n not in in_winter], read)):
        if not some:
            continue
        made = _planned(of)
        _check_year(year, made)
        jobs = list_jobs(made, year)
        for name in some:
            written = write_export(made, name, out, year, terminal if name.startswith("task-data") else None, jobs)
            print("\n".join(export_lines(made, name, written, year)))
    if made.seed_need.empty:
        raise typer.Exit(NO_OPTION)


@app.command()
def sheets(
    farm: FarmFolder,
    out: Annotated[Path, typer.Option(help="Folder for the file that is written.")] = Path("greengap-sheets"),
    block: Annotated[
        list[str] | None, typer.Option(help="Block; may be given several times.", show_default="all")
    ] = None,
    year: Annotated[int | None, typer.Option(help="One year of sowing only.", show_default="all")] = None,
    paper: Annotated[Paper | None, typer.Option(help="Size.", show_default="letter with US units, else a4")] = None,
    page: Annotated[
        str | None,
        typer.Option(
            help="Address of the farm's page, which the code on a sheet then opens.", show_default="the record as text"
        ),
    ] = None,
) -> None:
    """Print a page for each sowing: map, passes, drill slip, ladder, room to write; and a cover sheet."""
    from greengap.errors import InputProblem
    from greengap.farm.settings import suggestion
    from greengap.output.field_sheet import write_sheets

    check_out(out)
    read = open_farm(farm)
    made = _planned(read)
    _check_year(year, made)
    known = list(made.blocks["block_id"])
    for name in block or []:
        if name not in known:
            raise InputProblem(farm.as_posix(), f"block {name!r}", "there is no such block", suggestion(name, known))
    letter = made.settings.units == "us" if paper is None else paper is Paper.letter
    path, pages = write_sheets(read, made, out, block, year, letter, page)
    print(f"Written: {path.as_posix()}, {pages} pages" if pages else "Nothing is sown there; no sheet is written.")
    if not pages:
        raise typer.Exit(NO_OPTION)


@app.command()
def catalogue(
    name: Annotated[
        str | None, typer.Argument(metavar="NAME", help="Species, mix or vegetable: all its values with their sources.")
    ] = None,
    farm: Annotated[
        Path | None,
        typer.Option(help="Farm folder, for its own species and mixes and what was learned.", show_default="none"),
    ] = None,
    csv: AsCsv = False,
) -> None:
    """List the species, mixes and vegetables, or show one with every value and its source."""
    from greengap.catalogue import LEARNED_FILE, OWN_FILE, load_catalogue
    from greengap.errors import InputProblem
    from greengap.farm.settings import suggestion
    from greengap.farm_input import farm_catalogue
    from greengap.output.catalogue_text import find, list_lines, subject_lines, value_table
    from greengap.output.table import to_csv

    known = load_catalogue()
    if farm is not None:
        if not any((farm / file).is_file() for file in (OWN_FILE, LEARNED_FILE)):
            what = f"holds no {OWN_FILE} and no {LEARNED_FILE}"
            raise InputProblem(farm.as_posix(), "", what, "Leave out --farm, or write one")
        known = farm_catalogue(farm)
    subject = None
    if name is not None:
        subject, names = find(known, name)
        if subject is None:
            raise InputProblem(
                "catalogue", f"{name!r}", "there is no such species, mix or vegetable", suggestion(name, names)
            )
    if csv:
        print(to_csv(value_table(known, subject)), end="")
        return
    for line in list_lines(known) if subject is None else subject_lines(known, subject):
        print(line)


@app.command()
def check(
    farm: FarmFolder,
    quick: Annotated[
        bool, typer.Option("--quick", help="Only list what is not known; do not plan with answers.")
    ] = False,
    csv: Annotated[bool, typer.Option("--csv", help="Print the import report as CSV.")] = False,
    questions: Annotated[bool, typer.Option("--questions", help="Print the list of what is not known as CSV.")] = False,
) -> None:
    """Read everything and report it; list what is not known by its effect on the plan."""
    from greengap.advice.ground import ground_facts, ground_lines
    from greengap.farm_input import read_farm
    from greengap.not_known import not_known, question_lines
    from greengap.output.summary import report_lines
    from greengap.output.table import findings_table, to_csv

    read = read_farm(farm)
    if csv:
        print(to_csv(findings_table(read.report)), end="")
        return
    if not questions:
        facts = ground_facts(read.blocks, read.soil, read.settings, read.catalogue)
        for line in [*report_lines(read.report), *ground_lines(facts, read.settings)]:
            print(line)
        print(flush=True)
    if quick:
        found = not_known(read, reckon=False)
    else:
        with seasons_bar("Planning with each answer") as progress:
            found = not_known(read, progress)
    print(to_csv(found) if questions else "\n".join(question_lines(found, not quick)), end="" if questions else "\n")


@app.command()
def init(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Farm folder to make.")],
    polygons: Annotated[
        Path | None, typer.Option(help="Polygon file with the blocks; copied.", show_default="drawn later")
    ] = None,
    layer: Annotated[
        str | None, typer.Option(help="Its layer, if it has several.", show_default="the only one")
    ] = None,
    block_column: Annotated[
        str | None, typer.Option(help="Its column with the names of the blocks.", show_default="looked for")
    ] = None,
    weather: Annotated[
        list[Path] | None, typer.Option(help="Weather file, once for each; copied.", show_default="added later")
    ] = None,
) -> None:
    """Make a commented farm folder to start from."""
    from greengap.farm.new_farm import new_farm

    for line in new_farm(folder, polygons, layer, block_column, weather or []):
        print(line)


@app.command()
def suitability(
    farm: FarmFolder,
    season: Annotated[
        str, typer.Option(help="Season of the gaps: early spring, midsummer, autumn or overwinter.")
    ] = "midsummer",
    year: Annotated[int | None, typer.Option(help="Year in which they begin.", show_default="the first")] = None,
    out: Annotated[Path, typer.Option(help="Folder for the files that are written.")] = Path("greengap-suitability"),
) -> None:
    """Write a raster for each cover (cloud-optimised GeoTIFF): how well it suits the ground, cell by cell."""
    from greengap.suitability_rasters import suitability_grid, write_suitability

    check_out(out)
    read = open_farm(farm)
    with seasons_bar("Running each kind of soil") as progress:
        found = suitability_grid(read, season, year, progress)
    print(f"{found.season.capitalize()} gaps of {found.year}: {found.kinds} kinds of soil.")
    for path in write_suitability(found, read, out):
        print(f"Written: {path.as_posix()}")


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
    keep_address: Annotated[
        bool | None,
        typer.Option(
            "--keep-address/--other-address",
            help="Take the same address as last time, so that a page kept open on a phone finds it again.",
            show_default="kept with --lan",
        ),
    ] = None,
    new_address: Annotated[
        bool, typer.Option("--new-address", help="Keep a new address from now on; the old one is shut out.")
    ] = False,
) -> None:
    """Open the page: draw blocks, set crop dates, choose covers, take the seed order."""
    from greengap.web.serve import serve as run
    from greengap.web.welcome import welcome

    keep = lan if keep_address is None else keep_address
    run(
        farm,
        farms,
        port,
        lan,
        not no_browser,
        keep or new_address,
        new_address,
        lambda address: print("\n".join(welcome(address)), flush=True),
    )


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


app.command()(record)
app.command()(replan)
app.command()(week)
app.command()(flowers)
app.command()(learn)


def main() -> None:
    """Run the command line: one sentence and exit code 2 for bad input, no traceback."""
    from greengap.errors import InputProblem

    try:
        app(prog_name="greengap")
    except InputProblem as problem:
        print(f"greengap: {' '.join(problem.sentence.split())}", file=sys.stderr)  # one line, whatever it quotes
        sys.exit(problem.exit_code)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(DONE)


if __name__ == "__main__":
    main()
