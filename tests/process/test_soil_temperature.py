import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.process.soil_temperature import (
    bare_surface_temperature,
    cover_weight,
    damping_depth,
    depth_factor,
    maximum_damping_depth,
    next_soil_temperature,
    soil_temperature_5cm,
)

CHECKS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "soil_temperature.csv").open(encoding="utf-8")))
LOAM = {"bulk_density_mg_m3": 1.4, "soil_water_mm": 60.0, "profile_depth_mm": 1000.0, "mean_annual_air_degc": 9.0}


def a_year(mean=9.0, swing=14.0, years=1):
    season = mean - swing * np.cos(2 * np.pi * np.arange(365 * years) / 365)
    return season - 6, season + 6, 12 - 8 * np.cos(2 * np.pi * np.arange(365 * years) / 365)


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_agrees_with_the_check(check):
    number = {k: float(v) for k, v in check.items() if v and k not in {"check_id", "quantity", "kind", "source"}}
    if check["quantity"] == "maximum_damping_depth":
        answer = maximum_damping_depth(number["bulk_density_mg_m3"])
    else:
        depth = damping_depth(number["bulk_density_mg_m3"], number["soil_water_mm"], number["profile_depth_mm"])
        answer = next_soil_temperature(
            number["previous_degc"],
            bare_surface_temperature(
                number["tmin_degc"], number["tmax_degc"], number["radiation_mj_m2_d"], number["albedo"]
            ),
            cover_weight(number["cover_kg_ha"]),
            depth_factor(depth),
            number["mean_annual_air_degc"],
        )
    assert float(answer) == pytest.approx(number["expected"], abs=number["tolerance"])


def test_blocks_run_side_by_side_give_what_each_gives_alone():
    tmin, tmax, radiation = a_year()
    both = soil_temperature_5cm(tmin, tmax, radiation, [1.2, 1.6], 60.0, 1000.0, 9.0)
    for row, density in enumerate([1.2, 1.6]):
        assert np.allclose(both[row], soil_temperature_5cm(tmin, tmax, radiation, density, 60.0, 1000.0, 9.0))


@given(warmer=st.floats(0, 10))
def test_warmer_air_never_gives_colder_soil(warmer):
    tmin, tmax, radiation = a_year()
    cool = soil_temperature_5cm(tmin, tmax, radiation, **LOAM)
    assert (soil_temperature_5cm(tmin + warmer, tmax + warmer, radiation, **LOAM) >= cool - 1e-9).all()


def test_plant_cover_damps_the_swing_of_the_soil():
    tmin, tmax, radiation = a_year(years=2)
    bare = soil_temperature_5cm(tmin, tmax, radiation, **LOAM)[365:]
    covered = soil_temperature_5cm(tmin, tmax, radiation, **LOAM, cover_kg_ha=6000.0)[365:]
    assert np.ptp(covered) < np.ptp(bare)


def test_deep_snow_holds_the_soil_where_it_was():
    assert cover_weight(0.0, 200.0) == 1.0
    assert cover_weight(0.0, 0.0) == 0.0


def test_the_start_no_longer_matters_after_the_spin_up():
    tmin, tmax, radiation = a_year()
    warm_start = tmin.copy(), tmax.copy()
    for series in warm_start:
        series[:10] += 10
    plain = soil_temperature_5cm(tmin, tmax, radiation, **LOAM)
    changed = soil_temperature_5cm(*warm_start, radiation, **LOAM)
    assert np.abs(plain - changed)[40:].max() < 0.1


def test_a_missing_day_is_missing_and_does_not_spoil_the_days_after():
    tmin, tmax, radiation = a_year()
    full = soil_temperature_5cm(tmin, tmax, radiation, **LOAM)
    tmin[100] = np.nan
    gap = soil_temperature_5cm(tmin, tmax, radiation, **LOAM)
    assert np.isnan(gap).nonzero()[0].tolist() == [100]
    assert np.abs(gap - full)[130:].max() < 0.05


def test_a_minimum_above_its_maximum_is_refused():
    with pytest.raises(ValueError, match="must not lie above"):
        soil_temperature_5cm([21.0], [20.0], [10.0], **LOAM)


def test_the_mean_of_bare_and_covered_surface_lies_between_the_two():
    assert cover_weight(4000.0, averaged=True) == cover_weight(4000.0) / 2
    assert cover_weight(4000.0, 200.0, averaged=True) == 1.0


def test_a_surface_excess_warms_the_soil_by_nearly_as_much():
    tmin, tmax, radiation = a_year(years=2)
    plain = soil_temperature_5cm(tmin, tmax, radiation, **LOAM)[365:]
    warmer = soil_temperature_5cm(tmin, tmax, radiation, **LOAM, surface_excess_degc=1.5)[365:]
    assert 1.2 < (warmer - plain).min() <= (warmer - plain).max() <= 1.5
