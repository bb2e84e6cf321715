"""Rows of a CSV or XLSX file, with their line numbers; cells as text, days of a spreadsheet as ISO dates."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from greengap.errors import ImportReport, InputProblem
from greengap.safe_files import check_size, check_zip

MOST_BYTES = 50_000_000
MOST_ROWS, MOST_COLUMNS, LONGEST_CELL = 200_000, 500, 10_000


@dataclass(frozen=True)
class TableRow:
    """A row as it stands: its number as the reader's program counts, and its cells as text."""

    number: int
    cells: list[str]


def read_rows(path: Path, shown: str, report: ImportReport, wanted: Sequence[str] = ()) -> list[TableRow]:
    """The rows of a table, those that are blank lines or remarks left out, rows of empty cells kept.

    Parameters
    ----------
    path : Path
        CSV (comma, semicolon or tab between cells; lines that begin with # are remarks) or XLSX.
    shown : str
        Name of the file as the user knows it.
    report : ImportReport
        Takes what was assumed of letters and of the sheet.
    wanted : sequence of str
        Column names by which the right one of several sheets is told.

    Returns
    -------
    list of TableRow
        The heading first.

    Raises
    ------
    InputProblem
        If the file cannot be read as a table, or is too large.
    """
    try:
        with path.open("rb") as file:
            head = file.read(8)
        check_size(path, shown, MOST_BYTES)
    except OSError as error:
        raise InputProblem(shown, "", "cannot be opened", "Correct the name or add the file") from error
    if head.startswith(b"PK"):
        return _spreadsheet(path, shown, report, wanted)
    if head.startswith(b"\xd0\xcf"):
        raise InputProblem(shown, "", "is a spreadsheet of the old kind", "Save it as XLSX or as CSV (UTF-8)")
    return _text(path, shown, report)


def _text(path: Path, shown: str, report: ImportReport) -> list[TableRow]:
    data = path.read_bytes()
    if b"\0" in data:
        raise InputProblem(shown, "", "is not a CSV file", "Save it from the spreadsheet as CSV (UTF-8)")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
        report.assume(f"{shown}: letters are read as Windows-1252, since the file is not UTF-8.")
    first = next((line for line in text.splitlines() if line.strip() and not line.startswith("#")), "")
    separator = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    rows = []
    try:
        for cells in reader:
            if cells and not cells[0].startswith("#"):
                rows.append(TableRow(reader.line_num, cells))
                _check_row(rows[-1], len(rows), shown)
    except csv.Error as error:
        raise InputProblem(shown, "", f"cannot be read as a table ({error})", "Save it as CSV") from error
    return rows


def _spreadsheet(path: Path, shown: str, report: ImportReport, wanted: Sequence[str]) -> list[TableRow]:
    check_zip(path, shown, "Save it again as XLSX, or as CSV")
    import openpyxl

    with path.open("rb") as file:
        try:
            book = openpyxl.load_workbook(file, read_only=True, data_only=True)
            names = [sheet.title for sheet in book.worksheets]
            sheets = {sheet.title: _sheet(sheet, shown) for sheet in book.worksheets}
            book.close()
        except InputProblem:
            raise
        except Exception as error:  # the library raises many kinds
            raise InputProblem(shown, "", "is not a spreadsheet that can be read", "Save it as CSV (UTF-8)") from error
    filled = {name: rows for name, rows in sheets.items() if rows}
    fitting = [n for n, rows in filled.items() if set(wanted) <= {cell.strip().lower() for cell in rows[0].cells}]
    chosen = fitting if fitting else list(filled)
    if len(chosen) > 1 and wanted:
        what = f"has {len(chosen)} sheets that could be meant: {', '.join(chosen)}"
        raise InputProblem(shown, "", what, "Keep one of them in the file")
    if not chosen:
        return []
    if len(names) > 1:
        others = [name for name in names if name != chosen[0]]
        report.assume(f"{shown}: the sheet {chosen[0]} is read, not {', '.join(others)}.")
    return filled[chosen[0]]


def _sheet(sheet: object, shown: str) -> list[TableRow]:
    rows: list[TableRow] = []
    for number, values in enumerate(sheet.iter_rows(values_only=True), start=1):  # type: ignore[attr-defined]
        cells = [_cell(value) for value in values]
        while cells and not cells[-1]:
            cells.pop()
        if cells and not cells[0].startswith("#"):
            rows.append(TableRow(number, cells))
            _check_row(rows[-1], len(rows), shown)
        if number > 10 * MOST_ROWS:
            raise InputProblem(shown, "", "has millions of empty rows", "Delete what lies below the table")
    return rows


def _cell(value: object) -> str:
    """A cell as text; a day as YYYY-MM-DD, a whole number without a decimal point."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.date().isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)


def _check_row(row: TableRow, so_far: int, shown: str) -> None:
    if so_far > MOST_ROWS:
        raise InputProblem(shown, "", f"has more than {MOST_ROWS:,} rows", "Keep the rows of this farm")
    if len(row.cells) > MOST_COLUMNS:
        raise InputProblem(
            shown, f"row {row.number}", f"has {len(row.cells)} cells", "Delete what lies beside the table"
        )
    if any(len(cell) > LONGEST_CELL for cell in row.cells):
        what = f"has a cell of more than {LONGEST_CELL:,} letters"
        raise InputProblem(shown, f"row {row.number}", what, "Shorten it, or put a missing quotation mark")
