"""The crop calendar in: what is read, what is refused and in which words."""

from __future__ import annotations

import random
from pathlib import Path

import pandas as pd
import pytest

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.farm.crop_calendar import read_crop_calendar

BLOCKS = ["River 3", "Hill", "Home"]
HEADER = "block,crop,establishment,start,end"
ROWS = [
    "River 3,garden_pea,seeded,2027-04-10,2027-06-28",
    "River 3,carrot,seeded,2027-07-20,2027-10-30",
    "Hill,tomato,transplanted,2027-05-25,2027-09-30",
    "Home,garlic,planted,2027-10-15,2028-07-10",
]


@pytest.fixture
def read(tmp_path: Path, catalogue):
    def read_text(*lines: str, encoding: str = "utf-8", newline: str = "\n"):
        path = tmp_path / "crop_calendar.csv"
        path.write_bytes(newline.join(lines).encode(encoding))
        report = ImportReport()
        return read_crop_calendar(path, path.name, report, BLOCKS, catalogue), report

    return read_text


def refused(read, *lines: str) -> str:
    with pytest.raises(InputProblem) as caught:
        read(*lines)
    return caught.value.sentence


def test_rows_come_out_by_block_and_date(read):
    calendar, report = read(HEADER, *ROWS)
    assert list(calendar["block_id"]) == ["River 3", "River 3", "Hill", "Home"]
    assert list(calendar["crop"]) == ["garden_pea", "carrot", "tomato", "garlic"]
    assert calendar["end_usual"].iloc[3] == pd.Timestamp(2028, 7, 10)
    assert report.rows_read == report.rows_used == {"crop_calendar.csv": 4}
    assert report.lost("crop_calendar.csv") == 0
    assert report.assumptions == []


def test_the_order_of_rows_does_not_matter(read):
    expected, _ = read(HEADER, *ROWS)
    rows = list(ROWS)
    for seed in range(5):
        random.Random(seed).shuffle(rows)
        calendar, _ = read(HEADER, *rows)
        pd.testing.assert_frame_equal(calendar, expected)


def test_missing_early_and_late_days_are_the_usual_ones(read):
    calendar, _ = read(
        HEADER + ",start_late,end_early", "Hill,tomato,transplanted,2027-05-25,2027-09-30,2027-06-01,", ROWS[0] + ",,"
    )
    hill = calendar[calendar["block_id"] == "Hill"].iloc[0]
    days = [f"{hill[c]:%m-%d}" for c in calendar.columns if c.startswith(("start_", "end_"))]
    assert days == ["05-25", "05-25", "06-01", "09-30", "09-30", "09-30"]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_any_usual_csv_reads_the_same(read, separator, encoding, newline):
    expected, _ = read(HEADER, *ROWS)
    lines = [line.replace(",", separator) for line in (HEADER, *ROWS)]
    calendar, _ = read(*lines, encoding=encoding, newline=newline)
    pd.testing.assert_frame_equal(calendar, expected)


def test_letters_that_are_not_utf_8_are_read_with_an_assumption(read):
    _, report = read(HEADER + ",note", *[row + ",près" for row in ROWS], encoding="cp1252")
    assert any("Windows-1252" in a for a in report.assumptions)
    assert "crop_calendar.csv: nothing is read from note." in report.assumptions


def test_remarks_and_blank_lines_are_no_rows_and_empty_rows_are_reported(read):
    _, report = read("# made up", HEADER, *ROWS[:2], "", ",,,,", *ROWS[2:])
    (finding,) = report.findings
    assert (finding.place, finding.fate, finding.what) == ("row 6", Fate.SKIPPED, "is empty")
    assert report.rows_read == {"crop_calendar.csv": 5}
    assert report.lost("crop_calendar.csv") == 0


def test_a_date_that_is_not_certain_is_never_guessed(read):
    sentence = refused(
        read,
        HEADER,
        "Hill,tomato,transplanted,10/7/2027,2027-09-30",
        "Home,garlic,planted,2027-10-15,when dry",
        "River 3,carrot,seeded,2027-02-30,2027-10-30",
    )
    assert sentence == (
        "crop_calendar.csv, row 2 (Hill, tomato), start: '10/7/2027' could be 10 July or 7 October; "
        "row 3 (Home, garlic), end: 'when dry' is not a date that can be read for certain; "
        "row 4 (River 3, carrot), start: '2027-02-30' is not a day of the calendar. "
        'Write year, month and day, as 2027-07-10, or say how dates are written with date_order = "day first" or '
        '"month first" under [files].'
    )


def test_a_year_that_cannot_be_meant_is_not_a_date(read):
    assert "'0027-05-01' is not a date" in refused(read, HEADER, "Hill,tomato,transplanted,0027-05-01,2027-09-30")


def test_unknown_blocks_are_all_listed_with_the_closest_name(read):
    sentence = refused(
        read,
        HEADER,
        ROWS[0].replace("River 3", "River 4"),
        ROWS[2].replace("Hill", "Hills"),
        "Qx,x,seeded,2027-05-01,2027-06-01",
    )
    assert "row 2: there is no block 'River 4', the closest is 'River 3'; " in sentence
    assert "row 3: there is no block 'Hills', the closest is 'Hill'; " in sentence
    assert "row 4: there is no block 'Qx'. Write block names as in the polygon file" in sentence


def test_a_block_name_may_differ_in_blanks_and_capitals(read):
    calendar, report = read(HEADER, *[row.replace("River 3", "river3") for row in ROWS])
    assert "River 3" in set(calendar["block_id"])
    assert "crop_calendar.csv: block 'river3' is taken as 'River 3'." in report.assumptions


def test_an_end_before_the_start_is_refused(read):
    sentence = refused(read, HEADER, "Home,garlic,planted,2027-10-15,2027-07-10")
    assert "the end 2027-07-10 lies before the start 2027-10-15. Correct the dates" in sentence


def test_soft_dates_out_of_order_are_refused(read):
    sentence = refused(read, HEADER + ",end_early", "Hill,tomato,transplanted,2027-05-25,2027-09-30,2027-10-05")
    assert "row 2 (Hill, tomato), end: 2027-10-05, 2027-09-30, 2027-09-30 are not in order" in sentence


def test_overlapping_crops_are_refused_with_both_rows(read):
    sentence = refused(
        read, HEADER, "Home,garlic,planted,2026-10-15,2027-07-10", "Home,lettuce,seeded,2027-06-01,2027-08-01"
    )
    assert sentence == (
        "crop_calendar.csv, row 3: lettuce from 2027-06-01 stands on block Home together with garlic of row 2, which "
        "ends 2027-07-10. Correct the dates, or split the block; a crop may start the day after another ends."
    )


def test_a_crop_inside_a_long_one_clashes_though_another_stands_between(read):
    sentence = refused(
        read,
        HEADER,
        "Home,garlic,planted,2026-10-15,2027-07-10",
        "Home,lettuce,seeded,2027-03-01,2027-04-01",
        "Home,tomato,transplanted,2027-05-01,2027-09-01",
    )
    assert "row 3: lettuce" in sentence
    assert "row 4: tomato from 2027-05-01 stands on block Home together with garlic of row 2" in sentence


def test_a_succession_may_start_the_day_after(read):
    calendar, report = read(
        HEADER, "Home,lettuce,seeded,2027-04-01,2027-05-31", "Home,lettuce,seeded,2027-06-01,2027-07-31"
    )
    assert len(calendar) == 2
    assert report.findings == []


@pytest.mark.parametrize("name", ["Snap bean", "snap beans", "SNAP-BEAN", " snap_bean "])
def test_a_vegetable_is_known_under_its_usual_spellings(read, name):
    calendar, report = read(HEADER, f"Home,{name},seeded,2027-06-01,2027-08-01")
    assert calendar["crop"].iloc[0] == "snap_bean"
    assert not any("not a vegetable" in a for a in report.assumptions)


def test_plural_tomatoes_are_tomato(read):
    calendar, _ = read(HEADER, "Home,Tomatoes,transplanted,2027-06-01,2027-08-01")
    assert calendar["crop"].iloc[0] == "tomato"


def test_an_unknown_crop_is_used_and_its_family_said_to_be_unknown(read):
    calendar, report = read(HEADER, "Home,Carrott,seeded,2027-06-01,2027-08-01")
    assert calendar["crop"].iloc[0] == "Carrott"
    assert (
        "crop_calendar.csv: 'Carrott' is not a vegetable of the catalogue (the nearest is carrot); its family is taken "
        "as unknown, so nothing is ruled out because of it." in report.assumptions
    )


def test_a_family_that_follows_itself_is_noted(read):
    _, report = read(
        HEADER,
        "Home,potato,planted,2027-04-20,2027-08-01",
        "Home,tomato,transplanted,2028-05-20,2028-09-01",
        "Hill,tomato,transplanted,2027-05-20,2027-09-01",
        "Hill,tomato,transplanted,2028-05-20,2028-09-01",
    )
    assert [f.place for f in report.findings] == ["row 5", "row 3"]
    assert all(f.fate is Fate.USED for f in report.findings)
    assert report.findings[1].what.startswith("Tomato follows Potato of row 2 on block Home, both Solanaceae; both can")
    assert report.findings[1].what.endswith("; free of the family for 3 years: River 3")


def test_a_family_that_comes_back_too_soon_with_a_shared_disease_is_noted_once(read, catalogue):
    assert set(catalogue.vegetables["potato"].shared_diseases) & set(catalogue.vegetables["tomato"].shared_diseases)
    _, report = read(
        HEADER,
        "Home,potato,planted,2027-04-20,2027-08-01",
        "Home,sweet_corn,seeded,2028-05-10,2028-09-01",
        "Home,tomato,transplanted,2029-05-20,2029-09-01",
        "River 3,potato,planted,2027-04-20,2027-08-01",
        "River 3,sweet_corn,seeded,2028-05-10,2028-09-01",
        "River 3,lettuce,transplanted,2030-05-10,2030-09-01",
        "River 3,tomato,transplanted,2031-05-20,2031-09-01",
    )
    assert [f.place for f in report.findings] == ["row 4"]
    assert report.findings[0].what.startswith(
        "Tomato returns after Potato of row 2 on block Home, both Solanaceae, 22 "
    )
    assert report.findings[0].what.endswith("; free of the family for 3 years: Hill")


def test_successions_raise_no_alarm_and_one_from_last_year_raises_one(read):
    _, report = read(
        HEADER,
        "Hill,lettuce,transplanted,2027-04-20,2027-06-01",
        "Hill,lettuce,transplanted,2027-06-10,2027-07-20",
        "Hill,lettuce,transplanted,2027-08-01,2027-09-10",
        "Home,lettuce,transplanted,2027-04-20,2027-06-01",
        "Home,lettuce,transplanted,2028-04-10,2028-06-01",
        "Home,lettuce,transplanted,2028-06-10,2028-07-20",
    )
    assert [f.place for f in report.findings] == ["row 6"]


def test_blocks_without_a_calendar_are_listed(read):
    _, report = read(HEADER, ROWS[2])
    assert report.assumptions == [
        "crop_calendar.csv: no calendar for block River 3, so no gap is planned on it.",
        "crop_calendar.csv: no calendar for block Home, so no gap is planned on it.",
    ]


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ([], "is empty. Give it the columns block, crop"),
        ([HEADER], "names no crop. Add a row"),
        (
            ["block,crop,start,end", "Hill,tomato,2027-05-25,2027-09-30"],
            "row 1: the column establishment cannot be found",
        ),
        ([HEADER + ",crop", ROWS[0] + ",x"], "the column crop is there twice"),
        (
            [HEADER, "Hill,tomato,dreamt,2027-05-25,2027-09-30"],
            "'dreamt' is not a way to set up a crop. Write transplanted",
        ),
        ([HEADER, "Hill,,transplanted,2027-05-25,2027-09-30"], "row 2 (Hill), crop: the cell is empty. Fill the cells"),
        ([HEADER, "Hill,tomato,transplanted,2027-05-25"], "row 2 (Hill, tomato), end: the cell is empty"),
        ([HEADER, ROWS[0] + ",left, over"], "row 2: has 7 cells under 5 column names"),
        (["PK\x03\x04"], "is a damaged file. Copy it again, or save it as CSV"),
        (["\0\0"], "is not a CSV file. Save it from the spreadsheet as CSV"),
    ],
)
def test_a_bad_table_gets_one_sentence(read, lines, words):
    assert words in refused(read, *lines)


def test_a_missing_file_is_named(tmp_path, catalogue):
    with pytest.raises(InputProblem, match=r"^crop_calendar\.csv: cannot be opened"):
        read_crop_calendar(tmp_path / "x.csv", "crop_calendar.csv", ImportReport(), BLOCKS, catalogue)
