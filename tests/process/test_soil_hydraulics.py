import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.process.soil_hydraulics import air_entry_kpa, saxton_rawls, texture_class, water_potential_kpa

CHECKS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "soil_hydraulics.csv").open(encoding="utf-8")))
CLASSES = {
    "sand", "loamy sand", "sandy loam", "loam", "silt loam", "silt", "sandy clay loam", "clay loam",
    "silty clay loam", "sandy clay", "silty clay", "clay",
}  # fmt: skip


@st.composite
def texture(draw, most_clay=1.0):
    clay = draw(st.floats(0, most_clay))
    return draw(st.floats(0, 1 - clay)), clay


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_agrees_with_the_check(check):
    sand, clay = float(check["sand_fraction"]), float(check["clay_fraction"])
    if check["quantity"] == "texture_class":
        assert texture_class(sand, clay) == check["expected"]
        return
    soil = saxton_rawls(sand, clay, float(check["organic_matter_fraction"]))
    answer = float(getattr(soil, check["quantity"]))
    assert answer == pytest.approx(float(check["expected"]), abs=float(check["tolerance"]))


@given(soil=texture(), organic=st.floats(0, 0.3))
def test_wilting_point_field_capacity_and_saturation_come_in_this_order(soil, organic):
    water = saxton_rawls(*soil, organic)
    assert 0 < water.wilting_point_fraction < water.field_capacity_fraction <= water.saturation_fraction < 1
    assert water.saturated_conductivity_mm_h >= 0
    assert 0.5 < water.bulk_density_mg_m3 < 2.65


@given(soil=texture())
def test_every_texture_has_one_of_the_twelve_classes(soil):
    assert str(texture_class(*soil)) in CLASSES


def test_classes_of_a_whole_raster_keep_its_shape():
    sand = np.array([[0.92, 0.65, 0.40], [0.06, 0.52, 0.05]])
    clay = np.array([[0.03, 0.10, 0.20], [0.47, 0.42, 0.05]])
    expected = [["sand", "sandy loam", "loam"], ["silty clay", "sandy clay", "silt"]]
    assert texture_class(sand, clay).tolist() == expected


def test_a_class_limit_is_not_missed_by_rounding():
    # 0.28 silt is the first that is loam: 0.28 * 100 is 28.000000000000004 in binary.
    assert texture_class(0.52, 0.20) == "loam"
    assert texture_class(0.53, 0.20) == "sandy clay loam"


def test_a_missing_share_gives_missing_answers():
    assert texture_class(np.nan, 0.2) == ""
    assert np.isnan(saxton_rawls(0.4, np.nan, 0.02).field_capacity_fraction)


@pytest.mark.parametrize(("sand", "clay"), [(40.0, 20.0), (-0.1, 0.2), (0.7, 0.4)])
def test_shares_that_cannot_be_of_one_soil_are_refused(sand, clay):
    with pytest.raises(ValueError, match=r"between 0 and 1|must not exceed 1"):
        texture_class(sand, clay)


def test_organic_matter_in_per_cent_is_refused():
    with pytest.raises(ValueError, match="organic_matter_fraction"):
        saxton_rawls(0.4, 0.2, 2.5)


def limits(soil, organic=0.025):
    water = saxton_rawls(*soil, organic)
    held = water.wilting_point_fraction, water.field_capacity_fraction, water.saturation_fraction
    return *held, air_entry_kpa(*soil, organic)


@given(soil=texture(0.6), organic=st.floats(0, 0.08), a=st.floats(0, 1), b=st.floats(0, 1))
def test_wetter_soil_never_holds_its_water_tighter(soil, organic, a, b):
    dry, wet = water_potential_kpa([min(a, b), max(a, b)], *limits(soil, organic))
    assert -1e6 <= dry <= wet + 1e-9
    assert wet < 0


@given(soil=texture(0.6), organic=st.floats(0, 0.08))
def test_the_curve_passes_wilting_point_field_capacity_and_air_entry(soil, organic):
    wilting, capacity, saturation, entry = limits(soil, organic)
    curve = water_potential_kpa([wilting, capacity], wilting, capacity, saturation, entry)
    assert curve == pytest.approx([-1500, -33])
    if saturation > capacity:
        assert water_potential_kpa(saturation, wilting, capacity, saturation, entry) == pytest.approx(-entry)


@given(soil=texture(0.6), organic=st.floats(0, 0.08))
def test_air_enters_before_field_capacity(soil, organic):
    assert 0.1 <= air_entry_kpa(*soil, organic) <= 33


def test_the_curve_has_no_step_at_field_capacity():
    wilting, capacity, saturation, entry = limits((0.4, 0.2))
    below, above = water_potential_kpa([capacity - 1e-9, capacity + 1e-9], wilting, capacity, saturation, entry)
    assert below == pytest.approx(above, abs=1e-3)


def test_soil_without_water_is_oven_dry_and_missing_water_is_missing():
    assert water_potential_kpa([0.0, np.nan], *limits((0.4, 0.2)))[0] == -1e6
    assert np.isnan(water_potential_kpa(np.nan, *limits((0.4, 0.2))))
