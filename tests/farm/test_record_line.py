"""Lines in the two-letter code of the field sheet."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.errors import InputProblem
from greengap.farm.record_line import CODES, rows_from_lines
from greengap.farm.season_record import current, merged
from greengap.output.field_sheet import BOXES, RING_M2
from greengap.output.operations import DAY

from .known import ACRE_M2, FOOT_M, INCH_MM, POUND_KG, a_farm


def rows(*lines, known=None):
    return rows_from_lines(lines, known or a_farm()).rows.to_dict("records")


def test_every_box_of_the_sheet_has_its_code_here():
    assert {code for code, _ in BOXES} <= set(CODES)
    assert RING_M2 == 0.1


def test_the_line_that_the_sheet_prints():
    [row] = rows("River 1/2 so 0702 kg 61 lo A77 tag de 2.5 ms crumbly wx warm, windy by Ann re gate side first")
    assert (row["what"], row["gap_id"], row["block_id"], row["cover_id"]) == (
        "sown",
        "River 1/2",
        "River 1",
        "buckwheat",
    )
    assert f"{row['date']:%Y-%m-%d}" == "2027-07-02"
    assert (row["seed_kg"], row["depth_mm"], row["area_m2"]) == (61, 25, 20000)
    assert (row["lot"], row["tag_kept"], row["soil_state"], row["weather"]) == ("A77", True, "crumbly", "warm, windy")
    assert (row["who"], row["note"]) == ("Ann", "gate side first")


def test_a_season_in_one_line_goes_into_rows_of_their_kinds():
    got = rows("river 1/2 so 0702 kg 61 fl 0801 en 0815 flail, then disk ht 70 sd n rd 0827")
    assert [r["what"] for r in got] == ["sown", "flower", "ended", "ready"]
    assert (got[2]["tool"], got[2]["height_mm"], got[2]["seed_seen"]) == ("flail, then disk", 700, False)
    assert {r["cover_id"] for r in got[:3]} == {"buckwheat"}


def test_the_crops_before_and_after_have_their_codes_and_may_lie_ahead():
    got = rows("River 1/2 cl 0701 so 0705 kg 61 nx 0901", known=a_farm(today="2027-07-05"))
    assert [(r["what"], f"{r['date']:%m-%d}") for r in got] == [
        ("cleared", "07-01"),
        ("sown", "07-05"),
        ("planted", "09-01"),
    ]
    assert {r["gap_id"] for r in got} == {"River 1/2"}
    assert [r["cover_id"] for r in got] == ["", "buckwheat", ""]


def test_the_year_comes_from_the_gap_across_new_year_too():
    known = a_farm(today="2028-06-10")
    assert [f"{r['date']:%Y-%m-%d}" for r in rows("River 1/3 so 1101 en 0420", known=known)] == [
        "2027-11-01",
        "2028-04-20",
    ]
    [before] = rows("River 1/2 so 0620", known=known)  # a week before the gap opens by the calendar
    assert f"{before['date']:%Y-%m-%d}" == "2027-06-20"


@given(st.integers(0, 206))
def test_any_day_of_a_gap_keeps_its_year(after):
    known = a_farm(today="2028-12-20")
    gap = known.gaps.set_index("gap_id").loc["River 1/3"]
    day = gap["start"] + after * DAY
    [row] = rows(f"River 1/3 so {day:%m%d}", known=known)
    assert row["date"] == day


def test_the_longest_name_wins():
    assert rows("River 10/1 fl 0620")[0]["block_id"] == "River 10"


def test_frames_by_species_with_the_weeds_of_a_frame_once():
    got = rows("Beds 2/1 so 0405 ct 0420 pl field_pea 3 4 pl Oat 9 8 wd 2 0")
    stand = [r for r in got if r["what"] == "stand"]
    frames = {(r["species"], r["frame"], r["plants"]) for r in stand}
    assert frames == {("field_pea", 1, 3), ("field_pea", 2, 4), ("oat", 1, 9), ("oat", 2, 8)}
    weeds = {(r["frame"], r["weed_plants"]) for r in stand if r["weed_plants"] == r["weed_plants"]}
    assert weeds == {(1, 2), (2, 0)}
    assert {r["frame_area_m2"] for r in got if r["what"] == "stand"} == {0.1}
    assert len({r["visit"] for r in got if r["what"] == "stand"}) == 1


def test_what_was_forgotten_corrects_the_row_that_is_there():
    first = rows_from_lines(["River 1/2 so 0702 kg 61 lo A77"], a_farm()).rows
    later = rows_from_lines(["River 1/2 lf 3"], a_farm(first)).rows
    [held] = current(merged(first, later)).to_dict("records")
    assert (held["seed_kg"], held["seed_left_kg"], held["lot"]) == (61, 3, "A77")


def test_us_units_of_the_sheet_and_what_could_be_two_things_is_asked():
    known = a_farm(units="us")
    [row] = rows("River 1/2 so 0702 kg 134 lb de 1 bd 2.5ac", known=known)
    assert row["seed_kg"] == pytest.approx(134 * POUND_KG)
    assert row["depth_mm"] == pytest.approx(INCH_MM)
    assert row["area_m2"] == pytest.approx(2.5 * ACRE_M2)
    with pytest.raises(InputProblem, match="could be pounds or kilograms"):
        rows("River 1/2 so 0702 kg 134", known=known)
    [count] = rows("River 1/2 ct 0712 pl 5", known=known)
    assert count["frame_area_m2"] == pytest.approx(FOOT_M**2)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("Rivr 1/2 so 0702", "'Rivr 1/2' is neither a gap nor a block. Perhaps 'River 1/2' is meant"),
        ("River 1/2", "says nothing of River 1/2"),
        ("River 1/2 kg 61", "does not say the day"),
        ("River 1/2 so", "nothing stands after so"),
        ("River 1/2 so 0732", "is not a day of the calendar"),
        ("River 1/2 so July", "'July' is not a day. After so write month and day"),
        ("River 1/2 so 0702 kg lots", "'lots' after kg is not a number"),
        ("River 1/2 so 0702 kg 61 bushels", "is not a unit of it"),
        ("River 1/2 so 0702 ms mud", "mud is not known"),
        ("River 1/2 ct 0712 pl 3 4 wd 1", "has 2 numbers of plants and 1 of weeds"),
        ("River 1/2 ct 0712", "says no plants"),
        ("River 1/2 by Ann", "says only who or a remark"),
        ("River 1/2 zz 4", "'zz' is no code"),
        ("", "is empty"),
    ],
)
def test_what_cannot_be_read_is_said_with_what_to_do(line, said):
    with pytest.raises(InputProblem, match=said):
        rows(line)


def test_all_bad_lines_are_told_at_once():
    with pytest.raises(InputProblem, match=r"line 2: .*line 3"):
        rows("River 1/2 so 0702", "River 9/1 so 0702", "Beds 2/1 so 9999")


@given(
    st.text(max_size=80)
    | st.lists(st.sampled_from([*CODES, "River 1/2", "Beds 2", "0702", "61", '"', "kg", "pl"]), max_size=12).map(
        " ".join
    )
)
def test_any_line_is_read_or_refused_in_one_sentence(line):
    with suppress(InputProblem):
        rows_from_lines([line], a_farm())
