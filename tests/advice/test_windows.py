"""What so few years can say of true odds."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.advice.windows import wilson_interval

CHECKS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "wilson.csv").open(encoding="utf-8")))
YEARS = st.integers(1, 200)


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_agrees_with_the_check(check):
    ends = wilson_interval(int(check["held"]), int(check["years"]))
    for end, name in zip(ends, ("lower", "upper"), strict=True):
        if check[name]:
            assert end == pytest.approx(float(check[name]), abs=float(check["tolerance"]))


@given(YEARS, st.data())
def test_the_share_that_was_seen_lies_inside(years, data):
    held = data.draw(st.integers(0, years))
    low, high = wilson_interval(held, years)
    assert 0 <= low <= held / years + 1e-9
    assert held / years - 1e-9 <= high <= 1


@given(YEARS, st.data())
def test_more_years_of_the_same_share_narrow_it(years, data):
    held = data.draw(st.integers(0, years))
    (low, high), (low_3, high_3) = wilson_interval(held, years), wilson_interval(3 * held, 3 * years)
    assert high_3 - low_3 < high - low


@given(YEARS, st.data())
def test_years_that_fail_mirror_years_that_hold(years, data):
    held = data.draw(st.integers(0, years))
    low, high = wilson_interval(held, years)
    assert wilson_interval(years - held, years) == pytest.approx((1 - high, 1 - low))


def test_no_years_say_nothing():
    assert wilson_interval(0, 0) == (0.0, 1.0)


@pytest.mark.parametrize(("held", "years"), [(-1, 5), (6, 5)])
def test_a_count_that_cannot_be_is_refused(held, years):
    with pytest.raises(ValueError, match="held"):
        wilson_interval(held, years)
