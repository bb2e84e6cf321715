import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from greengap.process import soil_water
from greengap.process.soil_water import (
    WaterStore,
    bare_balance,
    basal_coefficient,
    evaporation_coefficient,
    evaporation_reduction,
    kc_max,
    readily_available_fraction,
    readily_evaporable_mm,
    runoff_mm,
    stress_coefficient,
    total_available_mm,
    total_evaporable_mm,
    water_step,
)

HERE = Path(__file__).parent
CHECKS = list(csv.DictReader((HERE.parent / "checks" / "soil_water.csv").open(encoding="utf-8")))
SOIL = {"field_capacity": 0.28, "wilting": 0.14}  # of the stored season, with 9 mm readily evaporable
LOAM = WaterStore(84.0, 42.0, 21.0, 9.0, 7.0)
rain = st.floats(0, 120)
a_day = st.tuples(rain, st.floats(0, 12), st.floats(0, 1.25), st.floats(0, 1), st.floats(0, 40))


@st.composite
def a_store(draw):
    available, evaporable = draw(st.floats(5, 300)), draw(st.floats(3, 40))
    return WaterStore(
        available,
        available * draw(st.floats(0.1, 0.8)),
        evaporable,
        evaporable * draw(st.floats(0.1, 1.3)),
        draw(st.floats(0, 15)),
    )


@pytest.fixture(scope="module")
def season():
    """A season of pyfao56, with the state of the evening before."""
    table = pd.read_csv(HERE / "data" / "pyfao56_season.csv")
    table["de_before"], table["dr_before"] = table.de_mm.shift(), table.dr_mm.shift()
    return table.iloc[1:]


def depletion_after_days_mm(dr_mm, taw_mm, raw_mm, kc, et0_mm, days):
    store = WaterStore(taw_mm, raw_mm, 20.0, 9.0)
    for _ in range(int(days)):
        dr_mm = water_step(dr_mm, 0.0, 0.0, et0_mm, store, kcb=kc, exposed_wetted=0.0).dr_mm
    return dr_mm


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_agrees_with_the_check(check):
    words = {"check_id", "quantity", "expected", "tolerance", "kind", "source"}
    inputs = {name: float(text) for name, text in check.items() if text and name not in words}
    of_many = check["quantity"] == "depletion_after_days_mm"
    answer = (depletion_after_days_mm if of_many else getattr(soil_water, check["quantity"]))(**inputs)
    assert float(answer) == pytest.approx(float(check["expected"]), abs=float(check["tolerance"]))


def test_every_piece_agrees_with_a_stored_season_of_pyfao56(season):
    s = season
    kr = evaporation_reduction(s.de_before, 9.0, total_evaporable_mm(**SOIL))
    most = kc_max(s.kcb, s.wind_m_s, s.lowest_humidity_fraction, s.height_m)
    # The reference wind speed at 2 m is reckoned from 2 m with a factor of 1.0002.
    assert np.allclose(most, s.kc_max, atol=1e-4)
    assert np.allclose(kr, s.kr, atol=1e-5)
    assert np.allclose(evaporation_coefficient(kr, s.kcb, s.kc_max, s.exposed), s.ke, atol=1e-5)
    assert np.allclose(total_available_mm(root_depth_m=s.root_depth_m, **SOIL), s.taw_mm, atol=1e-3)
    p = readily_available_fraction(0.5, (s.kcb + s.ke) * s.reference_mm)
    assert np.allclose(p, s.p, atol=1e-5)
    assert np.allclose(stress_coefficient(s.dr_before, s.taw_mm, p * s.taw_mm), s.ks, atol=1e-5)


def step_of(s, dr, de):
    store = WaterStore(s.taw_mm, s.raw_mm, total_evaporable_mm(**SOIL), 9.0, 7.0)
    return water_step(dr, de, s.rain_mm, s.reference_mm, store, s.kcb, s.exposed, highest=s.kc_max)


def test_a_dry_day_agrees_with_a_stored_season_of_pyfao56(season):
    # At 21 mm pyfao56 cuts off, and loses, the rest; and it lets the top lack more than the whole root zone.
    dry = season[(season.rain_mm == 0) & (season.de_mm < 20.99) & (season.de_before <= season.dr_before)]
    day = step_of(dry, dry.dr_before, dry.de_before)
    assert len(dry) > 40
    assert np.allclose(day.dr_mm, dry.dr_mm, atol=1e-4)
    assert np.allclose(day.de_mm, dry.de_mm, atol=1e-4)
    assert np.allclose(day.transpiration_mm, dry.transpiration_mm, atol=1e-4)
    assert np.allclose(day.evaporation_mm, dry.evaporation_mm, atol=1e-4)


def test_a_season_stays_near_pyfao56_whose_rain_comes_after_the_days_use(season):
    # Rain comes before the day's drawing here, after it there, and the top lacks no more than the whole: wet days
    # evaporate more here. Tolerances are what was measured, rounded up.
    dr, de, drawn = season.dr_before.iloc[0], season.de_before.iloc[0], []
    for s in season.itertuples():
        day = step_of(s, dr, de)
        dr, de = day.dr_mm, day.de_mm
        drawn.append((day.evaporation_mm, day.transpiration_mm, dr))
    evaporation, transpiration, depletion = np.array(drawn).T
    assert transpiration.sum() == pytest.approx(season.transpiration_mm.sum(), rel=0.04)
    assert evaporation.sum() == pytest.approx(season.evaporation_mm.sum(), rel=0.30)  # 107 against 85 mm
    assert np.abs(depletion - season.dr_mm).max() < 15


@example(store=WaterStore(5.0, 2.5, 3.5, 3.5, 0.0), dr=0.0, de=0.0, days=[(0.0, 4.0, 0.0, 5e-324, 0.0)])
@given(store=a_store(), dr=st.floats(0, 1), de=st.floats(0, 1), days=st.lists(a_day, min_size=1, max_size=20))
def test_the_balance_closes_every_day_and_stays_within_the_soil(store, dr, de, days):
    dr, de = dr * store.total_available_mm, de * store.total_evaporable_mm
    for fallen, et0, kcb, exposed, irrigation in days:
        day = water_step(dr, de, fallen, et0, store, kcb, exposed, irrigation, curve_number=80.0)
        left = day.runoff_mm + day.evaporation_mm + day.transpiration_mm + day.drainage_mm
        assert fallen + irrigation == pytest.approx(left + dr - day.dr_mm, abs=1e-6)
        assert all(part >= 0 for part in day)
        assert day.dr_mm <= store.total_available_mm + store.below_wilting_mm + 1e-9
        assert day.de_mm <= store.total_evaporable_mm + 1e-9
        assert day.evaporation_mm + day.transpiration_mm <= max(1.2, kcb + 0.05) * et0 + 1e-9
        dr, de = day.dr_mm, day.de_mm


@given(store=a_store(), dr=st.floats(0, 1), de=st.floats(0, 1), day=a_day, more=rain)
def test_more_rain_never_leaves_the_soil_drier_nor_the_stand_thirstier(store, dr, de, day, more):
    fallen, et0, kcb, exposed, irrigation = day
    start = dr * store.total_available_mm, de * store.total_evaporable_mm
    less = water_step(*start, fallen, et0, store, kcb, exposed, irrigation)
    wetter = water_step(*start, fallen + more, et0, store, kcb, exposed, irrigation)
    assert wetter.transpiration_mm >= less.transpiration_mm - 1e-9
    assert wetter.dr_mm <= less.dr_mm + 1e-9
    assert wetter.drainage_mm >= less.drainage_mm - 1e-9


@given(a=st.floats(0, 250), b=st.floats(0, 250), number=st.floats(20, 100), wetter=st.floats(0, 1))
def test_runoff_grows_with_rain_and_curve_number_and_never_exceeds_rain(a, b, number, wetter):
    low, high = runoff_mm(np.sort([a, b]), number)
    assert 0 <= low <= high <= max(a, b) + 1e-9
    assert runoff_mm(b, number + wetter * (100 - number)) >= runoff_mm(b, number) - 1e-9
    assert runoff_mm(a, 100.0) == pytest.approx(a)


@given(a=st.floats(0, 400), b=st.floats(0, 400), store=a_store())
def test_stress_and_hindrance_only_ever_grow_with_depletion(a, b, store):
    depletion = np.sort([a, b])
    for factor in (
        stress_coefficient(depletion, store.total_available_mm, store.readily_available_mm),
        evaporation_reduction(depletion, store.readily_evaporable_mm, store.total_evaporable_mm),
    ):
        assert 0 <= factor[1] <= factor[0] <= 1
    assert stress_coefficient(store.readily_available_mm, store.total_available_mm, store.readily_available_mm) == 1


@given(cover=st.floats(0, 1), more=st.floats(0, 1))
def test_a_closing_stand_transpires_more_and_shades_the_soil(cover, more):
    thin, thick = basal_coefficient([cover, cover + (1 - cover) * more], 1.1)
    assert 0 <= thin <= thick <= 1.1
    exposed = np.array([1 - cover, (1 - cover) * (1 - more)])
    bare, shaded = evaporation_coefficient(1.0, [thin, thick], 1.2, exposed)
    assert 0 <= shaded <= bare + 1e-12


def test_readily_evaporable_water_lies_within_the_fao_ranges_by_texture():
    # FAO-56, table 19: sand 2-7, loam 8-10, clay 8-12 mm.
    sand, loam, clay = readily_evaporable_mm([0.92, 0.40, 0.25], [0.03, 0.20, 0.50])
    assert 2 <= sand <= 7
    assert 8 <= loam <= 10
    assert 8 <= clay <= 12


def test_bare_ground_runs_day_after_day_like_single_steps():
    generator = np.random.default_rng(3)
    fallen, et0 = generator.gamma(0.3, 15, (40, 5)), generator.uniform(1, 8, (40, 5))
    bare = bare_balance(fallen, et0, LOAM, curve_number=82.0, dr_start_mm=10.0, de_start_mm=6.0)
    assert bare.dr_mm.shape == bare.runoff_mm.shape == (40, 5)
    assert not bare.transpiration_mm.any()
    dr, de = np.full(5, 10.0), np.full(5, 6.0)
    for t in range(40):
        day = water_step(dr, de, fallen[t], et0[t], LOAM, curve_number=82.0)
        dr, de = day.dr_mm, day.de_mm
        assert np.array_equal(dr, bare.dr_mm[t])
        assert np.array_equal(de, bare.de_mm[t])
    left = (bare.runoff_mm + bare.evaporation_mm + bare.drainage_mm).sum(axis=0)
    assert np.allclose(fallen.sum(axis=0), left + 10.0 - bare.dr_mm[-1], atol=1e-6)


def test_blocks_side_by_side_share_one_weather():
    stores = WaterStore(np.array([60.0, 120.0]), np.array([30.0, 60.0]), np.array([15.0, 25.0]), 9.0, 5.0)
    both = bare_balance([0.0, 20.0, 0.0], [6.0, 4.0, 5.0], stores, dr_start_mm=5.0, de_start_mm=5.0)
    assert both.runoff_mm.shape == both.dr_mm.shape == (3, 2)


def test_a_wet_bare_surface_evaporates_at_the_upper_limit_then_slows():
    bare = bare_balance(np.zeros(30), np.full(30, 5.0), LOAM)
    assert bare.evaporation_mm[:2].tolist() == [6.0, 6.0]
    assert (np.diff(bare.evaporation_mm[1:]) <= 1e-12).all()
    assert 20 < bare.de_mm[-1] <= 21


def test_a_curve_number_that_cannot_be_is_refused():
    with pytest.raises(ValueError, match="curve_number"):
        runoff_mm(10.0, 101.0)
