"""Tables as an XLSX workbook, one sheet a table; the same tables give the same bytes."""

from __future__ import annotations

import io
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import pandas as pd

from greengap.output.table import safe_cell


def workbook(title: str, tables: Mapping[str, pd.DataFrame]) -> bytes:
    """Tables by name of their sheet as a workbook."""
    import xlsxwriter

    held = io.BytesIO()
    book = xlsxwriter.Workbook(held, {"in_memory": True, "default_date_format": "yyyy-mm-dd"})
    book.set_properties({"title": title, "author": "greengap", "created": datetime(2000, 1, 1)})
    head, day = book.add_format({"bold": True, "bg_color": "#eeeeee"}), book.add_format({"num_format": "yyyy-mm-dd"})
    for name, table in tables.items():
        sheet = book.add_worksheet(name)
        sheet.freeze_panes(1, 0)
        for column, heading in enumerate(table.columns):
            sheet.write_string(0, column, heading, head)
            longest = len(heading)
            for row, value in enumerate(table[heading], start=1):
                longest = max(longest, _write_cell(sheet, row, column, value, day))
            sheet.set_column(column, column, min(longest + 1, 60))
    book.close()
    return held.getvalue()


def _write_cell(sheet: Any, row: int, column: int, value: Any, day: Any) -> int:
    """Write a cell by its kind; gives its length in letters."""
    if value is None or value is pd.NA or (not isinstance(value, str) and pd.isna(value)):
        return 0
    if isinstance(value, pd.Timestamp):
        sheet.write_datetime(row, column, value.to_pydatetime(), day)
        return 10
    if isinstance(value, str):
        sheet.write_string(row, column, str(safe_cell(value)))
        return len(value)
    if isinstance(value, bool) or type(value).__name__ == "bool":
        sheet.write_boolean(row, column, bool(value))
        return 5
    number = round(float(value), 6)
    sheet.write_number(row, column, number)
    return len(f"{number:g}")
