"""The season record: rows are added, merged in any order, corrected without loss, kept in folder and farm file."""

import itertools
import shutil
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from greengap import read_farm
from greengap.errors import InputProblem
from greengap.farm.record_store import add_to_record
from greengap.farm.season_record import (
    COLUMNS,
    KINDS,
    OTHER_UNITS,
    RECORD_FILE,
    current,
    from_text,
    merged,
    record_of,
    to_text,
)
from greengap.pack import pack, unpack

SOWN = {
    "entry_id": "a1", "written": "2027-04-20T10:00:00Z", "who": "Ann", "what": "sown", "date": "2027-04-19",
    "block_id": "Beds 2", "gap_id": "Beds 2/1", "cover_id": "pea_oat", "seed_kg": 12.5, "tag_kept": True,
}  # fmt: skip
COUNT = {
    "entry_id": "b1", "written": "2027-05-04T09:00:00Z", "who": "Bo", "what": "stand", "date": "2027-05-04",
    "block_id": "Beds 2", "frame": 1, "frame_area_m2": 0.1, "plants": 9,
}  # fmt: skip


def corrected(row, by, **new):
    [old] = record_of([row])["record_id"]
    return row | {"entry_id": by, "corrects": old, "written": "2027-05-05T08:00:00Z"} | new


def test_every_kind_and_unit_names_columns_of_the_record():
    assert {c for kind in KINDS.values() for c in kind.columns} <= set(COLUMNS)
    assert {si for si, _ in OTHER_UNITS.values()} <= set(COLUMNS)


def test_records_of_two_devices_are_the_same_in_either_order():
    one, two = record_of([SOWN, COUNT]), record_of([COUNT, COUNT | {"entry_id": "b2", "plants": 4}])
    assert merged(one, two).equals(merged(two, one))
    assert len(merged(one, two)) == 3  # the count that both have is one row
    assert merged(merged(one, two), two, one).equals(merged(one, two))


rows = st.lists(
    st.builds(
        lambda i, plants, day, who: COUNT
        | {"entry_id": f"x{i}", "plants": plants, "date": f"2027-05-{day:02d}", "who": who},
        st.integers(0, 3), st.integers(0, 3), st.integers(1, 3), st.sampled_from(["Ann", "Bo", ""]),
    ),
    max_size=6,
)  # fmt: skip


@settings(max_examples=25, deadline=None)
@given(rows, rows, rows)
def test_merging_is_the_same_in_any_order_and_loses_no_row(a, b, c):
    parts = [record_of(x) for x in (a, b, c)]
    whole = merged(*parts)
    assert all(merged(*order).equals(whole) for order in itertools.permutations(parts))
    assert merged(whole, *parts).equals(whole)
    assert set(whole["record_id"]) == {i for part in parts for i in part["record_id"]}


def test_a_correction_keeps_the_old_row_and_the_last_one_holds():
    later = corrected(SOWN, "c1", seed_kg=11.0)
    latest = corrected(SOWN, "c2", seed_kg=10.0, written="2027-05-06T08:00:00Z")
    again = corrected(later, "c3", seed_kg=9.0, written="2027-05-05T09:00:00Z")  # corrects what is beaten
    record = record_of([SOWN, later, latest, again])
    assert len(record) == 4
    assert list(current(record)["seed_kg"]) == [10.0]
    assert list(current(record_of([later]))["seed_kg"]) == [11.0]  # what it corrects may come later


def test_a_struck_row_is_kept_and_does_not_hold():
    struck = corrected(SOWN, "s1", what="struck", note="wrong block")
    record = record_of([SOWN, struck, COUNT])
    assert len(record) == 3
    assert list(current(record)["what"]) == ["stand"]


def test_csv_out_and_in_is_the_same_record():
    record = record_of([SOWN, COUNT, corrected(COUNT, "c1", plants=7, note="counted, again\nin rain")])
    assert from_text(to_text(record)).equals(record)


@pytest.fixture
def folder(tmp_path):
    return shutil.copytree(Path(__file__).parents[2] / "sample_fields", tmp_path / "farm")


def test_folder_and_farm_file_keep_the_same_record(folder, tmp_path):
    assert add_to_record(folder, record_of([SOWN])) == 1
    assert add_to_record(folder, record_of([SOWN, COUNT])) == 1
    file = pack(folder, tmp_path / "farm.gpkg")
    assert read_farm(file).record.equals(read_farm(folder).record)
    assert add_to_record(file, record_of([COUNT | {"entry_id": "b2", "plants": 3}])) == 1
    unpack(file, tmp_path / "again")
    assert read_farm(tmp_path / "again").record.equals(read_farm(file).record)
    assert len(read_farm(file).record) == 3
    assert pd.read_csv(tmp_path / "again" / RECORD_FILE)["plants"].sum() == 12


def test_a_record_spoilt_by_hand_is_refused_in_one_sentence(folder):
    add_to_record(folder, record_of([COUNT]))
    path = folder / RECORD_FILE
    path.write_text(path.read_text().replace("2027-05-04,", "soon,"))
    with pytest.raises(InputProblem, match=r"season_record\.csv: cannot be used"):
        read_farm(folder)
