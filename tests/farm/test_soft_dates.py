"""Dates as people write them: what is certain is read, what has two meanings is asked about."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.farm.crop_calendar import read_crop_calendar
from greengap.farm.soft_dates import NotCertain, read_date

DAYS = st.dates(date(2000, 1, 1), date(2099, 12, 31))


@pytest.mark.parametrize(
    ("cell", "early", "usual", "late"),
    [
        ("2027-07-10", "2027-07-10", "2027-07-10", "2027-07-10"),
        ("mid July", "2027-07-11", "2027-07-15", "2027-07-20"),
        ("Mid-July", "2027-07-11", "2027-07-15", "2027-07-20"),
        ("early Aug.", "2027-08-01", "2027-08-05", "2027-08-10"),
        ("late February", "2027-02-21", "2027-02-24", "2027-02-28"),
        ("end of June 2028", "2028-06-21", "2028-06-25", "2028-06-30"),
        ("July", "2027-07-01", "2027-07-15", "2027-07-31"),
        ("wk 28", "2027-07-12", "2027-07-15", "2027-07-18"),
        ("Week 28 2027", "2027-07-12", "2027-07-15", "2027-07-18"),
        ("2026-W53", "2026-12-28", "2026-12-31", "2027-01-03"),
        ("10 July", "2027-07-10", "2027-07-10", "2027-07-10"),
        ("July 10th, 2028", "2028-07-10", "2028-07-10", "2028-07-10"),
        ("10-20 July", "2027-07-10", "2027-07-15", "2027-07-20"),
        ("28 June to 5 July", "2027-06-28", "2027-07-01", "2027-07-05"),
        ("25/7/2027", "2027-07-25", "2027-07-25", "2027-07-25"),
        ("7/25/27", "2027-07-25", "2027-07-25", "2027-07-25"),
        ("25.7.", "2027-07-25", "2027-07-25", "2027-07-25"),
        ("7/7", "2027-07-07", "2027-07-07", "2027-07-07"),
        ("2027-07-10 00:00:00", "2027-07-10", "2027-07-10", "2027-07-10"),
    ],
)
def test_a_date_that_is_certain_is_read(cell, early, usual, late):
    found = read_date(cell, 2027)
    assert [str(found.early), str(found.usual), str(found.late)] == [early, usual, late]


@pytest.mark.parametrize(
    ("cell", "why"),
    [
        ("10/7", "could be 10 July or 7 October"),
        ("10/7/2027", "could be 10 July or 7 October"),
        ("1.2.27", "could be 1 February or 2 January"),
        ("Jul-27", "could be 27 Jul or a month of 2027"),
        ("46213", "is the number of a day in a spreadsheet; format the cell as a date"),
        ("after the peas", "is not a date that can be read for certain"),
        ("spring", "is not a date that can be read for certain"),
        ("31 June", "is not a day of the calendar"),
        ("40/40", "is not a day of the calendar"),
        ("wk 53", "is not a week of 2027"),
        ("20 July to 10 July", "ends before it begins"),
        ("?", "is not a date that can be read for certain"),
    ],
)
def test_a_date_that_is_not_certain_is_asked_about(cell, why):
    with pytest.raises(NotCertain) as caught:
        read_date(cell, 2027)
    assert str(caught.value) == why


def test_a_date_without_a_year_asks_for_it():
    with pytest.raises(NotCertain, match="does not say its year"):
        read_date("mid July")


@given(day=DAYS, order=st.sampled_from(["day first", "month first"]))
def test_numbers_are_read_in_the_order_that_the_farm_gives(day, order):
    parts = (day.day, day.month) if order == "day first" else (day.month, day.day)
    assert read_date(f"{parts[0]}/{parts[1]}/{day.year}", order=order).usual == day


@given(day=DAYS)
def test_the_week_of_a_day_is_that_of_the_standard(day):
    """ISO 8601 weeks as the C library prints them (%G, %V, %u)."""
    found = read_date(f"wk {day:%V}", int(f"{day:%G}"))
    assert found.early == day - timedelta(days=int(f"{day:%u}") - 1)
    assert found.late - found.early == timedelta(days=6)


@given(day=DAYS, form=st.sampled_from(["%d %B %Y", "%B %d, %Y", "%d-%b-%Y", "%Y-%m-%d", "%b %d %Y", "%d. %B %Y"]))
def test_a_day_in_words_is_that_day(day, form):
    assert read_date(day.strftime(form)).usual == day


@given(text=st.text(max_size=40))
def test_any_text_is_read_or_asked_about(text):
    try:
        found = read_date(text, 2027)
    except NotCertain:
        return
    assert found.early <= found.usual <= found.late


# --- in the calendar -----------------------------------------------------------------------------

HEADER = ["block", "crop", "establishment", "start", "end", "year"]
ROWS = [
    ["River 3", "garden_pea", "seeded", "wk 14", "end of June", 2027],
    ["River 3", "carrot", "seeded", datetime(2027, 7, 20), "mid Oct", None],
    ["Home", "garlic", "planted", "mid October", "10 July", 2027],
]


def calendar_of(path: Path, catalogue, **more):
    report = ImportReport()
    return read_crop_calendar(path, path.name, report, ["River 3", "Home"], catalogue, **more), report


def a_book(path: Path, rows: list[list], title: str = "Plan", before: tuple[str, ...] = ()) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name in before:
        book.create_sheet(name).append(["to do"])
    sheet = book.create_sheet(title)
    for row in rows:
        sheet.append(row)
    book.save(path)
    return path


def test_a_spreadsheet_with_soft_dates_becomes_a_calendar(tmp_path, catalogue):
    calendar, report = calendar_of(a_book(tmp_path / "c.xlsx", [HEADER, *ROWS], before=("Notes",)), catalogue)
    pea, carrot, garlic = calendar.itertuples()
    assert (pea.start_early, pea.start_usual, pea.start_late) == tuple(
        pd.Timestamp(d) for d in ("2027-04-05", "2027-04-08", "2027-04-11")
    )
    assert (carrot.start_usual, carrot.end_early, carrot.end_late) == tuple(
        pd.Timestamp(d) for d in ("2027-07-20", "2027-10-11", "2027-10-20")
    )
    assert garlic.end_usual == pd.Timestamp("2028-07-10")  # after the start, over New Year
    assert [f.fate for f in report.findings if "is read as" in f.what] == [Fate.USED] * 5
    assert any("the sheet Plan is read, not Notes" in a for a in report.assumptions)
    assert report.lost("c.xlsx") == 0


def test_a_spreadsheet_and_the_same_csv_give_the_same_calendar(tmp_path, catalogue):
    book = a_book(tmp_path / "c.xlsx", [HEADER, *ROWS])
    text = "\n".join(
        ",".join("" if c is None else c.date().isoformat() if isinstance(c, datetime) else str(c) for c in row)
        for row in [HEADER, *ROWS]
    )
    (tmp_path / "c.csv").write_text(text, encoding="utf-8")
    pd.testing.assert_frame_equal(calendar_of(book, catalogue)[0], calendar_of(tmp_path / "c.csv", catalogue)[0])


def test_every_cell_that_is_not_certain_is_listed_at_once(tmp_path, catalogue):
    rows = [
        ["River 3", "carrot", "seeded", "10/7", "mid Oct", 2027],
        ["Home", "lettuce", "seeded", "soon", "May", None],
    ]
    with pytest.raises(InputProblem) as caught:
        calendar_of(a_book(tmp_path / "c.xlsx", [HEADER, *rows]), catalogue)
    sentence = caught.value.sentence
    assert "row 2 (River 3, carrot), start: '10/7' could be 10 July or 7 October" in sentence
    assert "row 3 (Home, lettuce), start: 'soon' is not a date" in sentence
    assert "row 3 (Home, lettuce), end: 'May' does not say its year" in sentence
    assert 'date_order = "day first"' in sentence


def test_the_order_of_dates_settles_what_was_asked(tmp_path, catalogue):
    book = a_book(tmp_path / "c.xlsx", [HEADER, ["River 3", "carrot", "seeded", "10/7", "12/10", 2027]])
    calendar, _ = calendar_of(book, catalogue, date_order="day first")
    assert calendar["start_usual"][0] == pd.Timestamp("2027-07-10")
    assert calendar["end_usual"][0] == pd.Timestamp("2027-10-12")


def test_headings_of_another_farm_are_understood(tmp_path, catalogue):
    head = ["Bed", "Vegetable", "Method", "Planting date", "Last harvest"]
    rows = [head, ["Home", "tomato", "transplant", "2027-05-25", "2027-09-30"]]
    calendar, report = calendar_of(a_book(tmp_path / "c.xlsx", rows), catalogue)
    assert calendar["crop"].tolist() == ["tomato"]
    assert sum("is taken as" in sentence for sentence in report.assumptions) == 5


@pytest.mark.parametrize("content", [b"PK\x03\x04junk", b"\xd0\xcf\x11\xe0old", b"\0\0\0"])
def test_what_is_no_spreadsheet_is_refused(tmp_path, catalogue, content):
    path = tmp_path / "c.xlsx"
    path.write_bytes(content)
    with pytest.raises(InputProblem, match=r"^c\.xlsx: is (a damaged file|a spreadsheet of the old kind|not a CSV)"):
        calendar_of(path, catalogue)


def test_two_sheets_that_could_be_meant_ask_which(tmp_path, catalogue):
    path = a_book(tmp_path / "c.xlsx", [HEADER, *ROWS])
    book = openpyxl.load_workbook(path)
    book.copy_worksheet(book["Plan"]).title = "Last year"
    book.save(path)
    with pytest.raises(InputProblem, match="2 sheets that could be meant: Plan, Last year"):
        calendar_of(path, catalogue)
