"""Flowers in sentences, and the sheet for the wall."""

import csv
import io
import re
import shutil
import subprocess
from dataclasses import replace

import pandas as pd
import pytest

from greengap.errors import InputProblem
from greengap.farm.season_record import record_of
from greengap.farm_flowers import find_flowers
from greengap.output.export import export, export_lines
from greengap.output.flowers_text import conflict_words, flower_lines, lines_ahead, spray_lines, table_of
from greengap.output.spray_sheet import spray_sheet_files, week_table
from greengap.tables import Spray


@pytest.fixture(scope="module")
def found(flowering_plan):
    return find_flowers(flowering_plan)


def told(found):
    return " ".join(" ".join(flower_lines(found)).split())


def test_every_window_turn_and_spray_is_told(found):
    text = told(found)
    assert len(found.windows) > len(found.mowing) > 1
    for w in found.windows.itertuples():
        assert f"in flower in {w.bloom_years} of {w.years} years" in text
    for m in found.mowing.itertuples():
        assert f"{m.turn}. {m.block_id}, " in text
    lines = list(spray_lines(found))
    assert len(lines) == len(found.conflicts) + 1  # the one in May meets no flower
    assert "is reckoned to flower then in any weather year. Look all the same." in lines[-1]


def test_it_speaks_as_a_plan_may_of_sprays(found):
    text = told(found)
    assert "Call before spraying" not in text
    assert "call before spraying: Ann, 555 0100" in text
    assert "not known whether it harms bees, so it counts as harmful" in text.lower()
    assert "The label and local rules decide" in text
    assert "beekeepers nearby are to be told" in text
    assert not re.search(r"\bsafe(ly)?\b", text)


def test_distances_are_written_in_the_farms_units(found):
    american = replace(found, plan=replace(found.plan, settings=replace(found.plan.settings, units="us")))
    assert "131.2 ft from it" in told(american)  # 40 m
    assert "40.0 m from it" in told(found)


def test_more_days_with_flowers_in_turns_than_in_few_goes(found):
    f = found.flowers
    assert f.exact
    assert (f.staged_d > f.together_d).any()
    assert f"more in {(f.staged_d > f.together_d).sum()} of {len(f.staged_d)} years" in told(found)
    done = {}
    for m in found.mowing.itertuples():  # what a day can take is kept to
        left = m.area_m2
        for day in pd.date_range(m.first_day, m.mow_on)[::-1]:
            done[day] = done.get(day, 0.0) + min(left, 6000.0)
            left -= min(left, 6000.0)
        assert left == pytest.approx(0)
        assert m.mow_from <= m.first_day <= m.mow_on <= m.mow_by
    assert max(done.values()) <= 6000.0 + 1e-6


def test_the_week_has_only_what_concerns_its_blocks_and_days(found):
    day = pd.Timestamp("2027-08-05")
    blocks = list(found.plan.blocks["block_id"])
    lines = list(lines_ahead(found, day, blocks, 14))
    sprays = found.conflicts[found.conflicts["first"] <= "2027-08-19"]
    assert [line for line in lines if "call" in line] == [conflict_words(found, c) for c in sprays.itertuples()]
    soon = found.mowing[(found.mowing["mow_on"] >= day) & (found.mowing["first_day"] <= "2027-08-19")]
    assert len([line for line in lines if line.startswith("Mow: ")]) == len(soon) > 0
    assert list(lines_ahead(found, day, [], 14)) == []
    pond = list(lines_ahead(found, day, ["Pond"], 14))
    assert pond
    assert all("Pond" in line for line in pond)
    assert list(lines_ahead(found, pd.Timestamp("2027-05-10"), blocks, 14)) == []


def test_a_cover_that_nobody_wrote_down_counts_against_sprays(flowering_plan):
    day = pd.Timestamp("2027-08-10")
    gap = find_flowers(flowering_plan).conflicts["gap_id"].iloc[0]
    nothing = flowering_plan.allocation["gap_id"] == gap
    bare = flowering_plan.allocation.assign(
        option_id=flowering_plan.allocation["option_id"].mask(nothing), cover_id=flowering_plan.allocation["cover_id"]
    )
    now = replace(flowering_plan, allocation=bare)  # as if it could no longer be sown
    assert gap not in set(find_flowers(now, day).conflicts["gap_id"])
    found = find_flowers(now, day, flowering_plan)
    assert gap in found.unrecorded
    assert gap in set(found.conflicts["gap_id"])
    assert gap not in set(found.windows["gap_id"])
    assert f"nothing in the record: {', '.join(found.unrecorded)}" in told(found)
    assert "Over: 1 of 3 sprays." in told(found)
    row = {
        "what": "decided",
        "choice": "keep clean",
        "date": "2027-07-01",
        "gap_id": gap,
        "block_id": gap[:-2],
        "who": "x",
    }
    said = replace(now, record=record_of([{"written": "2027-07-01T08:00:00Z", **row}]))
    assert gap not in set(find_flowers(said, day, flowering_plan).conflicts["gap_id"])


def test_a_table_is_asked_for_by_its_name(found):
    assert table_of(found, "mowing") is found.mowing
    with pytest.raises(InputProblem, match=r"is not a table of the flowers\. Perhaps 'mowing' is meant"):
        table_of(found, "mowin")


def test_weeks_count_the_years_of_the_seasons(found):
    weeks = week_table(found)
    assert (weeks["monday"].dt.day_of_week == 0).all()
    for b in found.blooms:
        mine = weeks[(weeks["block_id"] == b.block_id) & (weeks["flower_years"] > 0)]
        first = pd.Timestamp(min(b.opens[b.flowers]))
        assert ((mine["monday"] <= first) & (mine["sunday"] >= first)).any()
    marked = weeks[weeks["sprays"] != ""]
    assert set(marked["block_id"]) == {"Pond", "Hedge Corner"}


def pages(pdf):
    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext (poppler-utils)")
    done = subprocess.run(["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True)
    return done.stdout.decode().rstrip("\f").split("\f")


def test_the_sheet_has_a_page_a_year_with_sprays_calls_and_who_decides(flowering_plan):
    files = spray_sheet_files(flowering_plan)
    sheets = pages(files["spray_sheet.pdf"])
    years = sorted({int(row["sunday"][:4]) for row in csv.DictReader(io.StringIO(files["flower_weeks.csv"].decode()))})
    assert len(sheets) == len(years)
    assert "In flower: call before spraying" in sheets[0]
    assert "CALL Ann, 555 0100" in sheets[0]
    assert "lane orchard" in sheets[0]
    assert "harms bees? not known, counts as harmful" in sheets[0]
    assert all("The label and local rules decide" in sheet for sheet in sheets)
    again = spray_sheet_files(flowering_plan)
    assert again == files
    american = spray_sheet_files(flowering_plan, letter=True)["spray_sheet.pdf"]
    assert len(pages(american)) == len(years)


def test_a_year_without_a_typed_spray_is_not_said_to_have_none(flowering_plan):
    sheets = pages(spray_sheet_files(replace(flowering_plan, sprays=Spray.empty()))["spray_sheet.pdf"])
    assert all("that does not mean that none is planned" in sheet for sheet in sheets)


def test_many_sprays_stay_on_the_page(flowering_plan):
    one = flowering_plan.sprays.iloc[:2]
    many = Spray.validate(pd.concat([one] * 12, ignore_index=True).assign(spray=range(1, 25)))
    sheets = pages(spray_sheet_files(replace(flowering_plan, sprays=many))["spray_sheet.pdf"])
    assert "see spray_conflicts.csv" in sheets[0]
    assert "sprays more do not fit here" in sheets[0]
    assert "The label and local rules decide" in sheets[0]


def test_the_profile_says_that_no_seed_stands_in_it(flowering_plan, tmp_path):
    files = export(flowering_plan, "spray-sheet")
    assert set(files) == {"spray_sheet.pdf", "flower_weeks.csv", "spray_conflicts.csv"}
    lines = export_lines(flowering_plan, "spray-sheet", [tmp_path / name for name in files])
    assert lines[0] == "spray-sheet: no seed stands in it."
