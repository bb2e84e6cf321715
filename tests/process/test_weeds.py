import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.process import weeds
from greengap.process.weeds import (
    biomass_suppression,
    early_vigour,
    flush,
    relative_leaf_area_loss,
    remaining_weeds,
    seedlings_emerged,
    weed_share,
)

CHECKS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "weeds.csv").open(encoding="utf-8")))
total, half = st.floats(0, 3000), st.floats(50, 800)
share, ratio = st.floats(0, 1), st.floats(0.001, 1000)


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_agrees_with_the_check(check):
    inputs = {name: float(check[name]) for name in ("q", "weed_leaf_share", "biomass_mg_ha") if check[name]}
    answer = getattr(weeds, check["quantity"])(**inputs)
    assert float(answer) == pytest.approx(float(check["expected"]), abs=float(check["tolerance"]))


@given(a=total, b=total, half=half)
def test_seedlings_only_ever_come_up(a, b, half):
    early, late = seedlings_emerged([min(a, b), max(a, b)], half)
    assert 0 <= early <= late <= 1
    assert seedlings_emerged(half, half) == pytest.approx(0.5)
    assert flush(min(a, b), max(a, b), half) == pytest.approx(late - early)


@given(sowing=total, later=st.floats(0, 800), quicker=st.floats(0, 1), half=half)
def test_a_cover_that_closes_sooner_meets_no_more_weeds(sowing, later, quicker, half):
    assert flush(sowing, sowing + quicker * later, half) <= flush(sowing, sowing + later, half) + 1e-12


@given(flush=share, vigour=ratio, density=ratio, more=st.floats(1, 50))
def test_vigour_and_density_only_ever_lower_the_weeds_share(flush, vigour, density, more):
    plain = weed_share(flush, vigour, density)
    assert 0 <= plain <= 1
    assert weed_share(flush, vigour * more, density) <= plain + 1e-12
    assert weed_share(flush, vigour, density * more) <= plain + 1e-12


def test_weeds_take_all_without_a_cover_and_nothing_where_none_come_up():
    assert weed_share([0.3, 0.0, 0.0], [0.0, 2.0, 0.0], 1.0).tolist() == [1.0, 0.0, 0.0]


@given(mass=st.floats(0.5, 300), growth=st.floats(0, 600), lead=st.floats(0, 200))
def test_a_head_start_and_a_heavier_seed_give_vigour(mass, growth, lead):
    even = early_vigour(mass, 0.5, growth, growth, 0.016, 0.85)
    assert even == pytest.approx((mass / 0.5) ** 0.85)
    assert early_vigour(mass, 0.5, growth + lead, growth, 0.016, 0.85) >= even


@given(q=st.floats(0.05, 20), a=share, b=share)
def test_the_loss_to_weeds_grows_with_their_leaf_area(q, a, b):
    low, high = relative_leaf_area_loss(q, np.sort([a, b]))
    assert 0 <= low <= high + 1e-12
    assert high <= 1 + 1e-12
    assert relative_leaf_area_loss(1.0, a) == pytest.approx(a)


@given(share=share, biomass=st.floats(0, 15), more=st.floats(0, 5))
def test_the_smaller_of_race_and_mass_counts_and_more_cover_never_leaves_more_weeds(share, biomass, more):
    left = remaining_weeds(share, biomass)
    assert left <= share
    assert left <= 1 - biomass_suppression(biomass)
    assert 0 <= remaining_weeds(share, biomass + more) <= left
