import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.process import weeds
from greengap.process.weeds import (
    remaining_weeds,
    seedlings_emerged,
    weed_leaf_area,
    weed_share,
)

CHECKS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "weeds.csv").open(encoding="utf-8")))
total, half = st.floats(0, 3000), st.floats(50, 800)
share = st.floats(0, 1)


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


@given(days=st.lists(st.tuples(st.floats(0, 50), st.floats(0, 25)), min_size=1, max_size=80), more=st.floats(0, 25))
def test_a_cover_that_closes_sooner_meets_fewer_weeds(days, more):
    new, warm = np.array(days).T
    area = weed_leaf_area(np.cumsum(new), np.cumsum(warm), 1e-5, 0.016)
    assert (np.diff(area) >= -1e-12).all()
    assert area[-1] <= 4.0
    assert (np.diff(weed_share(area, 1.0)) >= -1e-12).all()
    warmer = weed_leaf_area(np.cumsum(new), np.cumsum(warm + more), 1e-5, 0.016)
    assert (warmer >= area - 1e-12).all()


def test_weeds_of_one_day_grow_by_the_exponential_law():
    # derived: Kropff and Spitters' A exp(r t), all seedlings up on the first day
    warmth = np.arange(0.0, 201.0, 10.0)
    grown = weed_leaf_area(np.full(warmth.size, 100.0), warmth, 1e-4, 0.016)
    assert grown == pytest.approx(0.01 * np.exp(0.016 * warmth))


def test_weeds_that_come_up_late_are_behind():
    early, late = (weed_leaf_area(up, [0.0, 60.0, 120.0], 1e-5, 0.016)[-1] for up in ([50, 50, 50], [0, 50, 50]))
    assert late == pytest.approx(early * np.exp(-0.016 * 60))


def test_weeds_take_all_without_a_cover_and_nothing_where_none_come_up():
    assert weed_share([0.3, 0.0], [0.0, 2.0]).tolist() == [1.0, 0.0]


@given(share=share, mass=st.floats(0, 20))
def test_dry_matter_never_lets_weeds_gain(share, mass):
    assert remaining_weeds(share, mass) <= share + 1e-12
