"""Rows of a small CSV list with named columns, each with its place in the file."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from greengap.errors import InputProblem, several

YES, NO = {"yes", "y", "true", "1", "x"}, {"no", "n", "false", "0", ""}


Check = Callable[[float], str]  # what is wrong with a number, in words; empty for nothing


@dataclass(frozen=True)
class ListRow:
    """A filled row: its line in the file and its cells by column."""

    line: int
    cells: dict[str, str]
    decimal_comma: bool = False

    def text(self, column: str) -> str:
        """The cell, empty where the column is not there."""
        return self.cells.get(column, "")


class ListFile:
    """A list as read, and the problems found in it, told all at once.

    Parameters
    ----------
    path : Path
    shown : str
        Name of the file as the user knows it.
    required, optional : sequence of str
        Column names; other columns are refused, so that no misspelt one is passed over.
    """

    def __init__(self, path: Path, shown: str, required: Sequence[str], optional: Sequence[str]) -> None:
        self._begin(shown, "row")
        self.rows = self._read(path, tuple(required), tuple(optional))

    def _begin(self, shown: str, row_word: str) -> None:
        self.shown, self._row_word = shown, row_word
        self._bad: list[tuple[str, str]] = []
        self._remedies: list[str] = []
        self._named: dict[int, str] = {}

    @classmethod
    def of_tables(
        cls,
        tables: Sequence[Mapping[str, str]],
        shown: str,
        name: str,
        required: Sequence[str],
        optional: Sequence[str],
    ) -> ListFile:
        """The same list, written as tables of another file, such as one ``[[name]]`` a row in ``farm.toml``.

        Parameters
        ----------
        tables : sequence of mapping
            Cells of each row, as text.
        shown : str
            File that they stand in.
        name : str
            Of the tables.
        required, optional : sequence of str
        """
        it = cls.__new__(cls)
        it._begin(shown, name)
        known = (*required, *optional)
        it.rows = [
            ListRow(number, {key: text.strip() for key, text in table.items() if key in known})
            for number, table in enumerate(tables, 1)
        ]
        for number, table in enumerate(tables, 1):
            for key in sorted(set(table) - set(known)):
                it.problem(number, key, "is not a line that is read", f"The lines are {', '.join(known)}")
        it._all_filled(tuple(required))
        return it

    def _read(self, path: Path, required: tuple[str, ...], optional: tuple[str, ...]) -> list[ListRow]:
        try:
            data = path.read_bytes()
        except OSError as error:
            raise InputProblem(self.shown, "", f"cannot be opened ({error.strerror})", "Correct its name") from error
        if data.startswith((b"PK", b"\xd0\xcf")) or b"\0" in data:
            raise InputProblem(self.shown, "", "is not a CSV file", "Save it from the spreadsheet as CSV (UTF-8)")
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = data[: error.start].count(b"\n") + 1
            raise InputProblem(self.shown, f"row {line}", "is not in UTF-8", "Save it as CSV (UTF-8)") from error
        first = next((line for line in text.splitlines() if line.strip() and not line.startswith("#")), "")
        separator = max(",;\t", key=first.count)
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
        try:
            lines = [(reader.line_num, cells) for cells in reader if any(c.strip() for c in cells)]
        except csv.Error as error:
            raise InputProblem(self.shown, "", f"cannot be read as a table ({error})", "Save it as CSV") from error
        lines = [(number, cells) for number, cells in lines if not cells[0].startswith("#")]
        if not lines:
            raise InputProblem(self.shown, "", "is empty", f"Give it the columns {', '.join(required)}")
        number, header = lines[0]
        columns = [re.sub(r"[\s-]+", "_", name.strip().lower()) for name in header]
        self._check_columns(columns, number, required, optional)
        rows = []
        for number, cells in lines[1:]:
            if any(cell.strip() for cell in cells[len(columns) :]):
                self.problem(number, "", f"has {len(cells)} cells under {len(columns)} column names", "Quote cells")
                continue
            filled = [cell.strip() for cell in cells] + [""] * len(columns)
            self._named[number] = dict(zip(columns, filled, strict=False))[required[0]][:40]
            rows.append(ListRow(number, dict(zip(columns, filled, strict=False)), separator == ";"))
        self.rows = rows
        self._all_filled(required)
        return rows

    def _all_filled(self, required: tuple[str, ...]) -> None:
        for row in self.rows:
            for column in required:
                if not row.text(column):
                    self.problem(row.line, column, "the cell is empty", "Fill it, or remove the row")

    def _check_columns(
        self, columns: list[str], line: int, required: tuple[str, ...], optional: tuple[str, ...]
    ) -> None:
        known = (*required, *optional)
        missing = [c for c in required if c not in columns]
        unknown = [c for c in columns if c and c not in known]
        twice = sorted({c for c in columns if c and columns.count(c) > 1})
        for bad, what in (
            (missing, "is missing"),
            (unknown, "is not a column that is read"),
            (twice, "is there twice"),
        ):
            if bad:
                remedy = f"The first row names the columns: {', '.join(known)}"
                raise InputProblem(self.shown, f"row {line}", f"the column {bad[0]!r} {what}", remedy)

    def problem(self, line: int, column: str, what: str, remedy: str) -> None:
        """Note something wrong; `finish` tells it."""
        named = f" ({self._named[line]})" if self._named.get(line) else ""
        place = ", ".join(part for part in (f"{self._row_word} {line}{named}", column) if part)
        self._bad.append((place, what))
        if remedy not in self._remedies:
            self._remedies.append(remedy)

    def number(self, row: ListRow, column: str, check: Check | None = None, remedy: str = "") -> float | None:
        """The number in a cell, None if it is empty; `check` gives what is wrong with it in words, or nothing."""
        cell = row.text(column)
        if not cell:
            return None
        plain = cell.replace(",", ".") if row.decimal_comma and "." not in cell else cell
        try:
            value = float(plain)
            if not math.isfinite(value) or abs(value) > 1e9:
                raise ValueError
        except ValueError:
            self.problem(row.line, column, f"{cell:.40} is not a number", "Write digits, with a point for the decimals")
            return None
        wrong = check(value) if check else ""
        if wrong:
            self.problem(row.line, column, wrong, remedy)
            return None
        return value

    def yes(self, row: ListRow, column: str) -> bool | None:
        """True for yes, False for no, None where the cell is empty."""
        cell = row.text(column).lower()
        if not cell:
            return None
        if cell not in YES | NO:
            self.problem(row.line, column, f"{cell:.40} is neither yes nor no", "Write yes or no")
            return None
        return cell in YES

    def day(self, row: ListRow, column: str) -> pd.Timestamp | None:
        """The date in a cell, None if it is empty."""
        cell = row.text(column)
        if not cell:
            return None
        try:
            if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", cell):
                raise ValueError
            return pd.Timestamp(cell)
        except ValueError:
            self.problem(row.line, column, f"{cell:.40} is not a date", "Write year, month and day, as 2027-07-10")
            return None

    def finish(self) -> None:
        """Raise what was found, all rows at once.

        Raises
        ------
        InputProblem
        """
        if self._bad:
            raise several(self.shown, self._bad, ". ".join(self._remedies))
