import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.advice.ranking import combine
from greengap.advice.suitability import ramp, trapezoid

share = st.floats(0.0, 1.0)


def test_weighted_geometric_mean_agrees_with_the_check():
    # derived: the square root of 0.9 x 0.4 is 0.6; the cap at 0.25 + 0.75 x 0.4 = 0.55 binds
    assert combine([0.9, 0.4], [1, 1], 0.01, 1.0, 0.0) == pytest.approx(0.6)
    assert combine([0.9, 0.4], [1, 1], 0.01, 0.25, 0.75) == pytest.approx(0.55)


def test_strengths_do_not_buy_back_a_weakness():
    # models of a weighted sum give 0.65 for these three; the scarcest factor has to show
    assert combine([0.95, 0.95, 0.05], [1, 1, 1], 0.01, 0.25, 0.75) < 0.36


@given(st.lists(st.tuples(share, st.floats(0.1, 5)), min_size=1, max_size=6), share)
def test_raising_a_membership_never_lowers_the_score(pairs, better):
    members, weights = [m for m, _ in pairs], [w for _, w in pairs]
    before = combine(members, weights, 0.01, 0.25, 0.75)
    members[0] = max(members[0], better)
    assert combine(members, weights, 0.01, 0.25, 0.75) >= before - 1e-12


@given(st.floats(-5, 20))
def test_a_trapezoid_stays_between_its_limits(x):
    value = trapezoid(x, 4.5, 5.5, 7.0, 8.0)
    assert 0 <= value <= 1
    assert (value == 1) == (5.5 <= x <= 7.0)


def test_a_ramp_runs_either_way():
    assert ramp(0.0, 0.0, 1.0) == 0
    assert ramp(0.2, 0.6, 0.1) == pytest.approx(0.8)
