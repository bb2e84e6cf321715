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


@given(seedlings=st.floats(1, 500), sooner=st.floats(1, 400), later=st.floats(0, 400))
def test_a_cover_that_closes_sooner_meets_fewer_weeds(seedlings, sooner, later):
    early, late = (weed_leaf_area(seedlings, 1e-5, 0.016, t) for t in (sooner, sooner + later))
    assert early <= late <= 4.0
    assert weed_share(early, 1.0) <= weed_share(late, 1.0)


def test_weeds_of_one_day_grow_by_the_exponential_law():
    # derived: for a small sum the mean over days of emergence is close to the seedlings' own area
    assert weed_leaf_area(100, 1e-4, 0.016, 1e-6) == pytest.approx(0.01, rel=1e-4)
    assert weed_leaf_area(100, 1e-4, 0.016, 100) == pytest.approx(0.01 * np.expm1(1.6) / 1.6)


def test_weeds_take_all_without_a_cover_and_nothing_where_none_come_up():
    assert weed_share([0.3, 0.0], [0.0, 2.0]).tolist() == [1.0, 0.0]


@given(share=share, mass=st.floats(0, 20))
def test_dry_matter_never_lets_weeds_gain(share, mass):
    assert remaining_weeds(share, mass) <= share + 1e-12
