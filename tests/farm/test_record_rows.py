"""Rows as people write them: units, names, days, what is filled in, and every bad row told at once."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.errors import InputProblem
from greengap.farm.record_rows import check_row, one_row, rows_from_file
from greengap.farm.season_record import COLUMNS, KINDS, OTHER_UNITS, current, from_text, merged, to_text

from .known import ACRE_M2, INCH_MM, POUND_KG, a_farm


def a_list(tmp_path: Path, text: str, name: str = "rows.csv") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def read(path: Path, what: str, known: Any = None) -> pd.DataFrame:
    return rows_from_file(path, path.name, what, known or a_farm()).rows


def test_a_list_in_us_units_is_the_same_record_as_in_si(tmp_path):
    us = a_list(tmp_path, "block,date,seed_lb,area_ac,depth_in\nRiver 1,2027-07-02,100,2,1\n")
    [row] = read(us, "sown").to_dict("records")
    assert row["seed_kg"] == pytest.approx(100 * POUND_KG)
    assert row["area_m2"] == pytest.approx(2 * ACRE_M2)
    assert row["depth_mm"] == pytest.approx(INCH_MM)
    assert (row["gap_id"], row["cover_id"]) == ("River 1/2", "buckwheat")


def test_gap_cover_and_area_are_filled_in_and_said():
    entered = one_row({"what": "sown", "block": "river 1", "date": "2027-07-02", "seed_kg": "120"}, a_farm(), "", "row")
    [row] = entered.rows.to_dict("records")
    assert row["block_id"] == "River 1"
    assert (row["gap_id"], row["cover_id"], row["area_m2"]) == ("River 1/2", "buckwheat", 20000)
    assert entered.filled == (
        "River 1/2: Buckwheat, as planned.",
        "River 1: its whole sown area of 2.00 ha is taken as sown.",
    )


def test_what_follows_a_sowing_belongs_to_its_gap_even_after_the_gap_has_ended():
    sown = one_row({"what": "sown", "block": "River 1", "date": "2027-07-02", "cover": "pea_oat"}, a_farm(), "", "")
    known = a_farm(sown.rows)
    [late] = one_row({"what": "ended", "block": "River 1", "date": "2027-09-01"}, known, "", "").rows.to_dict("records")
    assert (late["gap_id"], late["cover_id"]) == ("River 1/2", "pea_oat")
    assert check_row({"what": "sown", "block": "River 1", "date": "2027-11-02"}, known).row["gap_id"] == "River 1/3"


def test_a_list_read_twice_adds_nothing_and_two_equal_frames_are_two(tmp_path):
    path = a_list(tmp_path, "block,date,frame_area_m2,plants\n" + "Beds 2,2027-04-20,0.1,7\n" * 3)
    first = read(path, "stand")
    assert list(first["frame"].sort_values()) == [1, 2, 3]
    again = read(path, "stand", a_farm(first, today="2027-12-21"))  # a day later
    assert set(again["record_id"]) == set(first["record_id"])
    assert merged(first, again).equals(first)


def test_a_spreadsheet_reads_as_the_list_does(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["block", "date", "water in"])
    book.active.append(["River 1", pd.Timestamp("2027-07-10").to_pydatetime(), 0.5])
    book.save(tmp_path / "water.xlsx")
    text = a_list(tmp_path, "block;date;water-in\nRiver 1;10 July 2027;0,5\n")
    assert read(tmp_path / "water.xlsx", "watered").equals(read(text, "watered"))
    assert read(text, "watered")["water_mm"].iloc[0] == pytest.approx(0.5 * INCH_MM)


@pytest.mark.parametrize(
    ("what", "text", "said"),
    [
        ("sown", "block,date\nRivr 1,2027-07-02\n", r"row 2 \(Rivr 1\), block_id: there is no block 'Rivr 1'"),
        ("up", "block,date\nRiver 1,2027-12-22\n", "2027-12-22 has not come yet. Write down what was"),
        ("up", "block,date\nRiver 1,10/7/2027\n", "10/7/2027 could be 10 July or 7 October"),
        ("up", "block,date\nRiver 1,mid July 2027\n", "is several days"),
        ("up", "block,date,plants\nRiver 1,2027-07-09,4\n", "is not said of a row 'up'. It may say species"),
        ("stand", "block,date,frame_area_m2\nRiver 1,2027-07-09,0.1\n", "plants: is missing. Give plants"),
        ("stand", "block,date,plants\nRiver 1,2027-07-09,3\n", "Give frame_area_m2 or frame_area_ft2"),
        ("stand", "block,date,frame_area_m2,plants\nRiver 1,2027-07-09,0,3\n", "0 cannot be. It is above 0"),
        ("loss", "block,date,cause,lost percent\nRiver 1,2027-07-09,bird,40\n", "Perhaps 'birds' is meant"),
        ("loss", "block,date,cause,lost_percent\nRiver 1,2027-07-09,birds,140\n", "at most 1 in lost_fraction"),
        ("ended", "block,date,seed_seen\nRiver 1,2027-08-09,maybe\n", "maybe is neither yes nor no"),
        ("ended", "block,date,heigth_cm\nRiver 1,2027-08-09,4\n", "Perhaps 'height_cm' is meant"),
        ("decided", "block,date,choice\nRiver 1,2027-08-09,kep\n", "kep is not known. Perhaps 'keep'"),
        ("sown", "gap,block,date\nBeds 2/1,River 1,2027-07-02\n", "Beds 2/1 is not on River 1"),
        ("sown", "block,date,seed_kg,seed_lb\nRiver 1,2027-07-02,1,2\n", "says the same as another column"),
        (
            "sown",
            "block,date,cover\nRiver 1,2027-07-02,buckweat\n",
            "there is no cover 'buckweat'. Perhaps 'buckwheat'",
        ),
        ("sown", "block,date,cover,species\nRiver 1,2027-07-02,Field pea and oat,buckwheat\n", "in that cover"),
        ("up", "block\nRiver 1\n", "the column 'date' is missing"),
        ("up", "date\n2027-07-02\n", "the column 'block' is missing"),
        ("up", "block,date,date\nRiver 1,2027-07-02,\n", "the column 'date' is there twice"),
        ("up", "", "is empty. Give it the columns block, date"),
        ("sown", "block,date\nRiver 10,2027-06-02\n", "cover_id: is missing"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(tmp_path, what, text, said):
    with pytest.raises(InputProblem, match=said):
        read(a_list(tmp_path, text), what)


def test_all_bad_rows_are_told_at_once_and_none_is_taken(tmp_path):
    text = "block,date,water_mm\nRiver 1,2027-07-01,5\nRiver 9,2027-07-01,5\nBeds 2,July,5\nBeds 2,2027-07-01,much\n"
    with pytest.raises(InputProblem) as told:
        read(a_list(tmp_path, text), "watered")
    assert [f"row {n}" in told.value.sentence for n in (2, 3, 4, 5)] == [False, True, True, True]


def test_a_correction_takes_over_what_is_not_said_anew():
    old = one_row(
        {"what": "sown", "block": "River 1", "date": "2027-07-02", "seed_kg": 120, "lot": "A77"}, a_farm(), "", ""
    )
    known = a_farm(old.rows)
    short = old.rows["record_id"].iloc[0][:6]
    new = one_row({"what": "sown", "corrects": short, "seed_lb": "250", "who": "Bo"}, known, "", "")
    record = merged(old.rows, new.rows)
    [held] = current(record).to_dict("records")
    assert held["seed_kg"] == pytest.approx(250 * POUND_KG)
    assert (held["lot"], held["who"], held["gap_id"]) == ("A77", "Bo", "River 1/2")
    assert len(record) == 2
    struck = one_row({"what": "struck", "corrects": held["record_id"], "note": "wrong block"}, a_farm(record), "", "")
    assert current(merged(record, struck.rows)).empty
    with pytest.raises(InputProblem, match="there is no row 'abcdef'"):
        one_row({"what": "struck", "corrects": "abcdef"}, known, "", "")


def test_a_correction_holds_on_a_machine_whose_clock_is_behind():
    ahead = replace(a_farm(), now=a_farm().now + timedelta(hours=6))
    old = one_row({"what": "sown", "block": "River 1", "date": "2027-07-02", "seed_kg": 120}, ahead, "", "").rows
    new = one_row({"what": "sown", "corrects": old["record_id"].iloc[0], "seed_kg": 99}, a_farm(old), "", "").rows
    assert list(current(merged(old, new))["seed_kg"]) == [99]


def test_every_kind_can_be_written_with_all_that_it_may_say_and_comes_back_the_same(tmp_path):
    words = {"cover_id": "pea_oat", "species": "oat", "cause": "birds", "method": "drilled", "soil_state": "ball"}
    words |= {"weed_level": "level", "tag_kept": "yes", "seed_seen": "no", "visit": "v", "frame": "1"}
    for what, kind in KINDS.items():
        cells = {c: words.get(c, "0.05") for c in kind.columns if c != "choice"}
        if "choice" in kind.columns:
            cells["choice"] = {"decided": "keep", "verdict": "good"}[what]
        path = a_list(
            tmp_path,
            ",".join(["block", "date", "who", "note", *cells])
            + "\nBeds 2,2027-04-20,Ann,ok,"
            + ",".join(cells.values())
            + "\n",
        )
        rows = read(path, what)
        assert len(rows) == 1
        assert from_text(to_text(rows)).equals(rows)


anything = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=20), st.lists(st.integers(), max_size=2),
    st.sampled_from(["2027-07-02", "River 1", "River 1/2", "0.1", "1e400", "birds", "buckwheat", "10/7"]),
    st.sampled_from(["\ud800", 10**5000]),
)  # fmt: skip


@given(
    st.sampled_from([*KINDS, "nothing"]),
    st.dictionaries(st.sampled_from([*COLUMNS, *OTHER_UNITS, "block", "gap", "cover", "x"]), anything, max_size=12),
    st.booleans(),
)
def test_anything_at_all_is_taken_or_told(what, cells, fill):
    found = check_row({**cells, "what": what}, a_farm(), fill=fill)
    assert all(len(one) == 3 and all(isinstance(text, str) for text in one) for one in found.wrong)
    if not found.wrong:
        assert set(found.row) <= set(COLUMNS)
        assert set(KINDS[what].required) <= set(found.row)


@given(st.binary(max_size=300) | st.text(max_size=200).map(str.encode), st.sampled_from(list(KINDS)))
def test_any_bytes_are_read_or_refused_in_one_sentence(tmp_path_factory, content, what):
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes(content)
    with suppress(InputProblem):
        read(path, what)
