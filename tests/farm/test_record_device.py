"""Rows of phones and other computers: taken as they are, merged in any order, refused one by one."""

from __future__ import annotations

import itertools
import json
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.errors import InputProblem
from greengap.farm.record_device import rows_from_device, rows_from_small_file
from greengap.farm.record_rows import one_row
from greengap.farm.season_record import current, merged, to_text

from .known import a_farm


def a_row(entry, **more):
    return {
        "entry_id": entry, "written": "2027-07-02T08:00:00Z", "who": "Ann", "what": "sown", "date": "2027-07-02",
        "block_id": "River 1", "gap_id": "River 1/2", "cover_id": "buckwheat", "seed_kg": 120, **more,
    }  # fmt: skip


def a_file(*rows, farm="Home", **more):
    return json.dumps({"kind": "greengap season record", "version": 1, "farm": farm, "rows": rows, **more})


def test_a_row_sent_twice_is_one_row_and_is_not_changed_on_the_way():
    first = rows_from_device([a_row("u1")], a_farm()).rows
    again = rows_from_device([a_row("u1")], a_farm(first, today="2027-12-25")).rows
    assert merged(first, again).equals(first)
    assert first["area_m2"].isna().all()  # nothing is filled in: the device has shown what it sent


def test_a_bad_row_does_not_hold_up_the_good_ones():
    taken = rows_from_device([a_row("u1"), a_row("u2", block_id="Gone"), a_row("", seed_kg=1)], a_farm())
    assert list(taken.rows["entry_id"]) == ["u1"]
    assert [r.entry_id for r in taken.refused] == ["u2", ""]
    assert "there is no block 'Gone'" in taken.refused[0].sentence


def test_corrections_by_the_number_of_the_device_find_their_row_in_any_order():
    rows = [
        a_row("u1"), a_row("u2", corrects="u1", seed_kg=130, written="2027-07-02T09:00:00Z"),
        a_row("u3", corrects="u2", seed_kg=140, written="2027-07-02T10:00:00Z"),
    ]  # fmt: skip
    found = {to_text(rows_from_device(list(order), a_farm()).rows) for order in itertools.permutations(rows)}
    assert len(found) == 1
    record = rows_from_device(rows, a_farm()).rows
    assert list(current(record)["seed_kg"]) == [140]
    alone = rows_from_device(rows[:1], a_farm()).rows  # sent at once; the corrections come later
    later = rows_from_device(rows[1:], a_farm(alone)).rows
    assert merged(alone, later).equals(record)


def test_rows_that_correct_each_other_are_kept_and_do_not_hang():
    taken = rows_from_device([a_row("u1", corrects="u2"), a_row("u2", corrects="u1")], a_farm())
    assert len(taken.rows) == 2


def test_two_devices_merge_the_same_in_either_order():
    one = rows_from_small_file(
        a_file(a_row("u1"), a_row("u2", what="ended", seed_kg=None, date="2027-08-01")), "a", a_farm(), "Home"
    )
    two = rows_from_small_file(a_file(a_row("v1", seed_kg=99)), "b", a_farm(), "Home")
    assert merged(one.rows, two.rows).equals(merged(two.rows, one.rows))
    assert len(merged(one.rows, two.rows)) == 3


def test_an_exported_record_comes_in_as_it_went_out():
    row = one_row({"what": "sown", "block": "River 1", "date": "2027-07-02"}, a_farm(), "", "").rows
    back = rows_from_small_file("\ufeff" + to_text(row), "record.csv", a_farm(), "Home")
    assert back.rows.equals(row)


def test_a_block_that_was_renamed_since_is_kept_and_said():
    taken = rows_from_small_file(
        a_file(a_row("u1"), a_row("u2", block_id="Old Name", gap_id="")), "a", a_farm(), "Home"
    )
    assert len(taken.rows) == 2
    assert taken.filled == ("'Old Name' is not on this farm (any more); it is kept in 1 rows.",)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is no season record"),
        ("{", "is cut off or damaged"),
        ("{}", "is not the file of a record page"),
        (a_file(version=2), "is of another form"),
        (a_file("x"), "holds what is no row"),
        (a_file(a_row("u1", block_id="Far", gap_id=""), farm="Other"), "is of the farm 'Other'"),
        (a_file(a_row("u1", seed_kg="lots")), "row u1: .*lots is not a number"),
        (a_file(a_row("u1", date="2031-01-01")), "has not come yet"),
        ("record_id,what\na,nonsense\n", "is no season record"),
        ("a,b\n1,2\n", "the column 'a' is not of a season record"),
    ],
)
def test_what_is_no_such_file_is_refused_whole(text, said):
    with pytest.raises(InputProblem, match=said):
        rows_from_small_file(text, "file", a_farm(), "Home")


KEYS = ["entry_id", "what", "date", "corrects", "plants", "x"]
anything = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=10),
    lambda x: st.lists(x, max_size=3) | st.dictionaries(st.sampled_from(KEYS), x, max_size=4),
    max_leaves=8,
)


@given(st.text(max_size=60) | anything.map(json.dumps) | st.lists(anything, max_size=3).map(lambda rows: a_file(*rows)))
def test_any_file_is_read_or_refused_in_one_sentence(text):
    with suppress(InputProblem):
        rows_from_small_file(text, "file", a_farm(), "Home")
