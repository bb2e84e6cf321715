"""Commands of the season: parse, call, print, nothing else. Stages are imported inside the command that needs them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from greengap.cli_common import check_out, open_farm, seasons_bar

FarmPath = Annotated[Path, typer.Argument(metavar="FARM", help="Farm folder with farm.toml in it, or a farm file.")]


def replan(
    farm: FarmPath,
    as_of: Annotated[str, typer.Option(metavar="DATE", help="Day from which is planned, as 2027-05-09.")],
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for the plan, the change list and the sheets that change.", show_default="none"),
    ] = None,
    without: Annotated[
        list[str] | None,
        typer.Option(help="Species that cannot be had; may be given several times.", show_default="none"),
    ] = None,
    whole_farm: Annotated[
        bool, typer.Option("--whole-farm", help="Also weigh gaps anew that lie ahead and that nothing has touched.")
    ] = False,
    accept: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Write the changes down as decided, by this person.", show_default="none"),
    ] = None,
    csv: Annotated[bool, typer.Option("--csv", help="Print the change list as CSV.")] = False,
) -> None:
    """Plan anew from a day on: what is done stays, as little as possible moves, every change with its reason."""
    import sys

    from greengap.farm.season_record import read_day
    from greengap.output.replan_text import decided_rows, replan_lines, write_replan
    from greengap.output.table import to_csv
    from greengap.replan import replan as run

    day = read_day(as_of, "--as-of")
    if out is not None:
        check_out(out)
    with seasons_bar() as progress:
        done = run(open_farm(farm), day, progress, without=without or (), whole_farm=whole_farm)
    if out is not None:
        written = write_replan(done, out, letter=done.plan.settings.units == "us")
    print(to_csv(done.changes) if csv else "\n".join(replan_lines(done)), end="" if csv else "\n")
    if out is not None:
        print("\nWritten:", file=sys.stderr if csv else sys.stdout)
        for path in written:
            print(f"  {path.as_posix()}", file=sys.stderr if csv else sys.stdout)
    if accept:
        from greengap.farm.record_store import add_to_record

        rows = decided_rows(done, accept)
        print(f"{add_to_record(farm, rows)} decisions written down.", file=sys.stderr if csv else sys.stdout)


def week(
    farm: FarmPath,
    as_of: Annotated[str, typer.Option(metavar="DATE", help="Today, as 2027-05-09.")],
    block: Annotated[
        list[str] | None, typer.Option(help="Tell of this block only; may be given several times.", show_default="all")
    ] = None,
    rain: Annotated[
        str,
        typer.Option(
            metavar="AMOUNTS", show_default="none",
            help="Forecast rain of today and the days after, as 0,0,4: mm, or inches on a farm in US units.",
        ),
    ] = "",
    sown: Annotated[
        str,
        typer.Option(metavar="DATE", help="Day the one block was sown, as planned.", show_default="as recorded"),
    ] = "",
    out: Annotated[Path | None, typer.Option(help="Folder for the tables as CSV files.", show_default="none")] = None,
    csv: Annotated[
        str, typer.Option(metavar="TABLE", help="Print one table as CSV, for example fit_days.", show_default="none")
    ] = "",
) -> None:  # fmt: skip
    """The week ahead: fit days, what is to be sown, what was just sown, what stands, what becomes too late first."""
    import sys

    from greengap.farm.season_record import read_day
    from greengap.output.table import to_csv
    from greengap.output.week_text import table_of, week_lines, write_week
    from greengap.week_ahead import look_ahead, read_forecast

    day, table = read_day(as_of, "--as-of"), table_of(csv) if csv else None
    sown_on = read_day(sown, "--sown") if sown else None
    if out is not None:
        check_out(out)
    with seasons_bar() as progress:
        read = open_farm(farm)
        forecast = read_forecast(rain, read.settings.units) if rain else ()
        found = look_ahead(read, day, progress, block or (), forecast, sown_on)
    print("\n".join(week_lines(found)) if table is None else to_csv(table(found)), end="\n" if table is None else "")
    if out is not None:
        for path in write_week(found, out):
            print(f"Written: {path.as_posix()}", file=sys.stdout if table is None else sys.stderr)


def flowers(
    farm: FarmPath,
    as_of: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="Plan as of this day, with flowers seen until then.", show_default="none"),
    ] = None,
    csv: Annotated[
        str, typer.Option(metavar="TABLE", help="Print one table as CSV, for example conflicts.", show_default="none")
    ] = "",
) -> None:
    """Flowers over the season: bloom to keep, order of mowing, days without flowers, planned sprays near flowers."""
    from greengap.farm.season_record import read_day
    from greengap.farm_flowers import find_flowers
    from greengap.output.flowers_text import flower_lines, table_of
    from greengap.output.table import to_csv
    from greengap.plan import plan_farm
    from greengap.replan import replan as run

    day = read_day(as_of, "--as-of") if as_of else None
    with seasons_bar() as progress:
        read = open_farm(farm)
        done = None if day is None else run(read, day, progress)
        found = find_flowers(plan_farm(read, progress)) if done is None else find_flowers(done.plan, day, done.before)
    print(to_csv(table_of(found, csv)) if csv else "\n".join(flower_lines(found)), end="" if csv else "\n")


def learn(
    farm: FarmPath,
    without: Annotated[
        list[str] | None,
        typer.Option(help="Leave a record out, with the reason: RECORD=REASON. May be given several times."),
    ] = None,
    apply: Annotated[bool, typer.Option("--apply", help="Use what was learned in every plan of the farm.")] = False,
    undo: Annotated[bool, typer.Option("--undo", help="Take back what was learned.")] = False,
    quick: Annotated[bool, typer.Option("--quick", help="Do not plan with and without it.")] = False,
    csv: Annotated[bool, typer.Option("--csv", help="Print the whole table as CSV.")] = False,
    records: Annotated[bool, typer.Option("--records", help="Print every record that was looked at as CSV.")] = False,
) -> None:
    """Learn from the farm's own records: what they move, which record moved it, whether it helps."""
    from greengap.output.learn_text import forget, learn_report, parse_without

    if undo:
        print(forget(farm))
        return
    reasons = parse_without(without or [])
    with seasons_bar() as progress:
        lines = learn_report(open_farm(farm), reasons, farm if apply else None, quick or csv or records, progress)
        found = lines.as_csv(records) if csv or records else lines.as_text()
    print(found, end="")
