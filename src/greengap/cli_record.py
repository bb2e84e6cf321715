"""The command `greengap record`: what was done and seen, written down. Stages are imported when they are needed."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from greengap.cli_common import open_farm, seasons_bar

if TYPE_CHECKING:
    from greengap.farm.record_rows import Entered, Known
    from greengap.farm_input import Farm
    from greengap.plan import Plan
    from greengap.tables import DataFrame, SeasonRecord

OTHERS = ("line", "merge", "list", "page")  # besides the kinds of row


def record(
    farm: Annotated[Path, typer.Argument(metavar="FARM", help="Farm folder with farm.toml in it, or a farm file.")],
    what: Annotated[
        str,
        typer.Argument(
            metavar="WHAT",
            help="A kind of row (cleared, sown, up, stand, loss, weeded, flower, sample, ended, planted, ready, rain, "
            "watered, decided, verdict, struck), or line, merge, list, page.",
        ),
    ],
    given: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[GIVEN]",
            help="For a kind: a CSV or XLSX with many rows; none for one row by options. For line: lines in the code "
            "of the field sheet, or - to read them from the input. For merge: files of other devices.",
        ),
    ] = None,
    block: Annotated[str | None, typer.Option(help="One row: its block.", show_default="that of the gap")] = None,
    gap: Annotated[str | None, typer.Option(help="One row: its gap.", show_default="found from block and day")] = None,
    date: Annotated[str | None, typer.Option(help="One row: the day it was.", show_default="today")] = None,
    cover: Annotated[
        str | None, typer.Option(help="One row: the cover.", show_default="as planned, or as sown")
    ] = None,
    who: Annotated[str | None, typer.Option(help="Who writes it down.", show_default="not said")] = None,
    note: Annotated[str | None, typer.Option(help="One row: a remark.", show_default="none")] = None,
    set_: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="COLUMN=VALUE", help="One row: any other column; may be given several times."),
    ] = None,
    corrects: Annotated[
        str | None,
        typer.Option(
            metavar="ROW",
            help="The row that this one corrects (or strikes out), by its number in `record FARM list`; what is not "
            "said anew is taken over.",
            show_default="none",
        ),
    ] = None,
    today: Annotated[
        str | None,
        typer.Option(
            metavar="DATE", help="Take this day for today, to play a season through.", show_default="the clock"
        ),
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Check and show the rows, write nothing.")] = False,
    csv: Annotated[bool, typer.Option("--csv", help="list: print it as CSV, all columns.")] = False,
    every: Annotated[bool, typer.Option("--all", help="list: also what was corrected or struck out.")] = False,
    out: Annotated[Path, typer.Option(help="page: the file to write.")] = Path("record_page.html"),
) -> None:
    """Write down what was done and seen: sown, up, counted, weeded, flower, ended, ready; by row, list or line."""
    from greengap.errors import InputProblem
    from greengap.farm.season_record import KINDS
    from greengap.farm.settings import suggestion

    if what not in KINDS and what not in OTHERS:
        raise InputProblem("record", f"{what!r:.40}", "there is no such kind", suggestion(what, [*KINDS, *OTHERS]))
    one = {
        "block_id": block, "gap_id": gap, "date": date, "cover_id": cover, "who": who, "note": note,
        "corrects": corrects,
    }  # fmt: skip
    said = {k: v for k, v in one.items() if v is not None} | _set(set_ or [])
    if said and (what in OTHERS or given):
        only = {"who"} if what == "line" else set()
        if set(said) - only:
            which = "a list of rows" if given and what in KINDS else f"'{what}'"
            raise InputProblem("record", "", f"options of one row stand beside {which}", "Leave one of the two out")
    if what == "list":
        _list(farm, csv, every)
        return
    if what == "page":
        _page(farm, out, today)
        return
    read = open_farm(farm)
    known = _known(read, today)
    entered = _entered(read, known, what, given or [], said)
    _write(farm, read, known, entered, dry_run)


def _known(read: Farm, today: str | None) -> Known:
    from datetime import UTC, datetime

    from greengap.farm.season_record import read_day
    from greengap.record_entry import covers_when_asked, known_of

    planned = covers_when_asked(read, _planned)
    if today is None:
        return known_of(read, planned=planned)
    day = read_day(today, "--today").to_pydatetime()
    return known_of(read, planned=planned, today=day.date(), now=datetime.combine(day, datetime.now(UTC).timetz()))


def _planned(read: Farm) -> Plan:
    from greengap.plan import plan_farm

    with seasons_bar() as progress:
        return plan_farm(read, progress)


def _set(pairs: list[str]) -> dict[str, str]:
    from greengap.errors import InputProblem

    out = {}
    for pair in pairs:
        column, equals, value = pair.partition("=")
        if not equals or not column.strip():
            raise InputProblem("--set", f"{pair!r:.60}", "is not COLUMN=VALUE", "Write it as --set seed_kg=61")
        out[column.strip()] = value.strip()
    return out


def _entered(read: Farm, known: Known, what: str, given: list[str], said: dict[str, Any]) -> Entered:
    """Rows of the way that was asked for."""
    from greengap.errors import InputProblem
    from greengap.farm.record_device import read_small_file, rows_from_small_file
    from greengap.farm.record_line import rows_from_lines
    from greengap.farm.record_rows import Entered, one_row, rows_from_file
    from greengap.farm.season_record import merged

    if what == "line":
        lines = [line for text in given for line in (sys.stdin.read().splitlines() if text == "-" else [text])]
        if who := said.get("who"):
            lines = [line if " by " in line or not line.strip() else f"{line} by {who}" for line in lines]
        return rows_from_lines(lines, known)
    if what == "merge":
        if not given:
            raise InputProblem("record", "merge", "no file is named", "Name the file that a device gave")
        parts = [
            rows_from_small_file(read_small_file(Path(p), Path(p).name), Path(p).name, known, read.settings.name)
            for p in given
        ]
        notes = dict.fromkeys(note for part in parts for note in part.filled)
        return Entered(merged(*(part.rows for part in parts)), tuple(notes))
    if len(given) > 1:
        raise InputProblem("record", what, f"{len(given)} files are named", "Read one list at a time")
    if given:
        return rows_from_file(Path(given[0]), Path(given[0]).name, what, known)
    if not said:
        raise InputProblem("record", what, "nothing is said of it", "Name a CSV, or give --block, --date and --set")
    if "date" not in said and not said.get("corrects"):
        said["date"] = known.today.isoformat()
    return one_row({**said, "what": what}, known, "", f"record {what}")


def _write(farm: Path, read: Farm, known: Known, entered: Entered, dry_run: bool) -> None:
    """Put the rows into the record, and say what they come to."""
    from greengap.farm.record_device import new_rows
    from greengap.farm.record_store import add_to_record
    from greengap.output.record_text import record_lines

    fresh = new_rows(entered.rows, read.record)
    there = len(entered.rows) - len(fresh)
    if not dry_run and len(fresh):
        add_to_record(farm, fresh)
    for line in entered.filled:
        print(line)
    if len(fresh):
        print("\n".join(record_lines(fresh, read.catalogue, read.settings.units, every=True)))
    for line in _verdicts(read, fresh):
        print(line)
    counted = f"{len(fresh)} row{'' if len(fresh) == 1 else 's'}"
    print(f"{counted} would be written." if dry_run else f"{counted} written down.")
    if there:
        print(f"{there} {'was' if there == 1 else 'were'} there already.")


def _verdicts(read: Farm, rows: DataFrame[SeasonRecord]) -> list[str]:
    """What new rows come to at once: true rates of sowings, what a count says of a stand, what a sample weighs."""
    from greengap.record_entry import rate_of, rate_words

    out = []
    for row in rows[rows["what"] == "sown"].to_dict("records"):
        found = rate_of(read, row)
        if found is not None:
            words = rate_words(found, read.settings.units, read.catalogue.rule("rate_off"))
            out.append(f"{row['gap_id'] or row['block_id']}: {words}")
    looked = rows[rows["what"].isin(["stand", "sample"]) & (rows["gap_id"] != "")]
    if len(looked):
        out += _looked_at(read, rows, looked)
    return out


def _looked_at(read: Farm, rows: DataFrame[SeasonRecord], looked: DataFrame[SeasonRecord]) -> list[str]:
    """What new counts and samples say, gap by gap, as of their own last day."""
    from dataclasses import replace

    from greengap.biomass_sample_of import sample_of
    from greengap.errors import InputProblem
    from greengap.farm.season_record import merged
    from greengap.output.sample_text import sample_lines
    from greengap.output.stand_text import stand_lines
    from greengap.stand_check_of import check_stand

    farm, out = replace(read, record=merged(read.record, rows)), []
    for (gap, what), some in looked.groupby(["gap_id", "what"], sort=False):
        day = some["date"].max()
        try:
            if what == "stand":
                out += ["", *stand_lines(check_stand(farm, str(gap), day))]
            elif (sample := sample_of(farm, str(gap), day)) is not None:
                out += ["", *sample_lines(sample, farm.catalogue, farm.settings.units)]
        except InputProblem as problem:  # the rows are good, but do not yet come to anything
            out.append(problem.sentence)
    return out


def _list(farm: Path, csv: bool, every: bool) -> None:
    from greengap.farm.season_record import current, to_text
    from greengap.output.record_text import record_lines

    read = open_farm(farm)
    held = read.record if every else current(read.record)
    if csv:
        print(to_text(held), end="")
        return
    print("\n".join(record_lines(read.record, read.catalogue, read.settings.units, every)))


def _page(farm: Path, out: Path, today: str | None) -> None:
    import pandas as pd

    from greengap.errors import InputProblem
    from greengap.farm.season_record import read_day
    from greengap.web.field_book import field_book
    from greengap.web.record_page import record_page
    from greengap.web.stands import stands_now

    day = pd.Timestamp.today().normalize() if today is None else read_day(today, "--today")
    read = open_farm(farm)
    plan = _planned(read)
    file = farm.name if farm.suffix else ""
    with seasons_bar("Working the stands out") as progress:
        stands = stands_now(read, plan.gaps, plan, day, progress)
    book = field_book(read.settings, read.catalogue, read.blocks, plan.gaps, read.record, plan, file, stands)
    page = record_page(book)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_text(page, encoding="utf-8")
    except OSError as error:
        what = f"cannot be written ({error.strerror})"
        raise InputProblem(out.as_posix(), "", what, "Name another file with --out") from error
    print(f"Written: {out.as_posix()}")
