import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import assume, given
from hypothesis import strategies as st

from greengap.process.thermal_time import METHODS, cumulative, day_reached, degree_days, next_day_with

HERE = Path(__file__).parent
CHECKS = list(csv.DictReader((HERE.parent / "checks" / "thermal_time.csv").open(encoding="utf-8")))
temperature = st.floats(-40, 50)


@pytest.fixture(scope="module")
def ames():
    return pd.read_csv(HERE / "data" / "ames_2012_2016.csv", parse_dates=["date"])


def of_method(method, tmin, tmax, base, upper):
    return degree_days(tmin, tmax, base, None if method == "single sine" else upper, method)


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_agrees_with_the_check(check):
    number = {k: float(v) for k, v in check.items() if k.endswith(("degc", "degc_d")) and v}
    tmin, tmax = np.full(30, number["tmin_degc"]), np.full(30, number["tmax_degc"])
    daily = degree_days(tmin, tmax, number["base_degc"], number.get("upper_degc"), check["method"])
    if check["quantity"] == "degree_days":
        answer = daily[0]
    else:
        answer = day_reached(cumulative(daily), 0, number["threshold_degc_d"]) + 1
    assert answer == pytest.approx(float(check["expected"]), abs=float(check["tolerance"]))


@given(tmin=temperature, spread=st.floats(0, 30), base=st.floats(0, 15), span=st.floats(5, 30))
def test_the_closed_sine_agrees_with_its_numerical_integral(tmin, spread, base, span):
    tmax, upper = tmin + spread, base + span
    phase = (np.arange(40_000) + 0.5) / 40_000 * 2 * np.pi
    course = (tmin + tmax) / 2 + (tmax - tmin) / 2 * np.sin(phase)
    below_upper = np.minimum(course, upper)
    plain = degree_days(tmin, tmax, base, method="single sine")
    cut = degree_days(tmin, tmax, base, upper, "single sine, horizontal cutoff")
    assert plain == pytest.approx(np.maximum(course - base, 0).mean(), abs=1e-4)
    assert cut == pytest.approx(np.maximum(below_upper - base, 0).mean(), abs=1e-4)


@given(a=temperature, b=temperature, base=st.floats(0, 15), warmer=st.floats(0, 10), method=st.sampled_from(METHODS))
def test_a_warmer_day_never_gives_fewer_degree_days(a, b, base, warmer, method):
    low, high = min(a, b), max(a, b)
    cool = of_method(method, low, high, base, base + 20)
    assert of_method(method, low + warmer, high + warmer, base, base + 20) >= cool - 1e-9


@given(a=temperature, b=temperature, base=st.floats(0, 15), method=st.sampled_from(METHODS))
def test_degree_days_are_never_negative_and_never_beyond_the_upper_limit(a, b, base, method):
    answer = of_method(method, min(a, b), max(a, b), base, base + 20)
    assert answer >= 0
    if method != "single sine":
        assert answer <= 20 + 1e-9


@given(t=st.floats(-40, 60), base=st.floats(0, 15))
def test_all_methods_agree_on_a_day_without_range(t, base):
    answers = [of_method(method, t, t, base, 100.0) for method in METHODS]
    assert np.allclose(answers, max(t - base, 0))


@pytest.mark.parametrize("method", METHODS)
def test_a_missing_temperature_gives_a_missing_day_and_only_that(method):
    answer = of_method(method, np.array([5.0, np.nan, 5.0]), np.array([25.0, 25.0, np.nan]), 10.0, 30.0)
    assert np.isnan(answer).tolist() == [False, True, True]


def test_rows_of_years_and_columns_of_days_keep_their_shape():
    tmin = np.zeros((3, 4, 365))
    assert degree_days(tmin, tmin + 20, 5.0, 30.0, "single sine, horizontal cutoff").shape == (3, 4, 365)


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ({"method": "mean"}, "unknown"),
        ({"method": "single sine", "upper_degc": 30.0}, "takes no upper_degc"),
        ({"method": "single sine, horizontal cutoff"}, "needs upper_degc"),
        ({"upper_degc": 10.0}, "above base_degc"),
    ],
)
def test_arguments_that_do_not_go_together_are_refused(arguments, word):
    with pytest.raises(ValueError, match=word):
        degree_days([5.0], [20.0], 10.0, **arguments)


def test_a_minimum_above_its_maximum_is_refused():
    with pytest.raises(ValueError, match="must not lie above"):
        degree_days([21.0], [20.0], 10.0)


@given(
    daily=st.lists(st.floats(0, 25), min_size=5, max_size=60),
    starts=st.lists(st.integers(-1, 64), min_size=1, max_size=8),
    threshold=st.floats(0.5, 300),
)
def test_the_day_reached_is_that_of_counting_day_by_day(daily, starts, threshold):
    def count(start):
        total = 0.0
        for day in range(start, len(daily)) if start >= 0 else ():
            total += daily[day]
            if total >= threshold - 1e-9:
                return day
        return -1

    expected = [count(start) for start in starts]
    # Sums that meet the threshold to within rounding may fall either way.
    nearest = [abs(sum(daily[s : e + 1]) - threshold) for s in starts if s >= 0 for e in range(s, len(daily))]
    assume(not nearest or min(nearest) > 1e-6)
    assert day_reached(cumulative(daily), starts, threshold).tolist() == expected


def test_starts_and_thresholds_go_with_every_row_of_a_table_of_years():
    years = cumulative(np.array([[5.0] * 10, [2.0] * 10]))
    assert day_reached(years, [0, 4], 10.0).tolist() == [[1, 5], [4, 8]]
    assert day_reached(years, [[0], [5]], [[10.0], [20.0]]).tolist() == [[1], [-1]]
    assert day_reached(years, 0, 10.0).tolist() == [1, 4]


def test_a_sum_across_a_missing_day_is_not_reached():
    total = cumulative([5.0, np.nan, 5.0, 5.0])
    assert day_reached(total, [0, 0], [5.0, 10.0]).tolist() == [0, -1]


def test_starts_must_be_whole_numbers():
    with pytest.raises(ValueError, match="whole numbers"):
        day_reached([1.0, 2.0], [0.5], 1.0)


@given(holds=st.lists(st.booleans(), min_size=1, max_size=30))
def test_the_next_day_with_a_condition_is_the_first_from_each_day_on(holds):
    expected = [next((d for d in range(day, len(holds)) if holds[d]), -9) for day in range(len(holds))]
    assert next_day_with(holds, never=-9).tolist() == expected


@pytest.mark.parametrize("base", [4, 10])
def test_monthly_degree_days_at_ames_agree_with_stored_answers_of_xclim(ames, base):
    stored = pd.read_csv(HERE / "data" / "xclim_monthly.csv", index_col="month")
    daily = pd.Series(degree_days(ames.tmin_degc, ames.tmax_degc, base), ames.date.dt.strftime("%Y-%m"))
    assert np.allclose(daily.groupby(level=0).sum(), stored[f"degree_days_base_{base}"], atol=1e-3)


def test_dates_of_a_sum_at_ames_agree_with_stored_answers_of_xclim(ames):
    stored = pd.read_csv(HERE / "data" / "xclim_dates.csv", index_col="year")
    total = cumulative(degree_days(ames.tmin_degc, ames.tmax_degc, 10.0))
    starts = np.flatnonzero((ames.date.dt.month == 5) & (ames.date.dt.day == 1))
    days = ames.date.dt.day_of_year.to_numpy()[day_reached(total, starts, 500.0)]
    assert days.tolist() == stored["day_of_year_500_base_10_from_1_may"].tolist()


@pytest.mark.outside
@pytest.mark.filterwarnings("ignore")
def test_degree_days_at_ames_agree_with_xclim_where_it_is_installed(ames, other_software):
    xclim = other_software("xclim")
    mean = ((ames.tmin_degc + ames.tmax_degc) / 2).to_numpy()
    tas = xr.DataArray(mean, dims="time", coords={"time": ames.date.to_numpy()}, attrs={"units": "degC"})
    answer = xclim.indices.growing_degree_days(tas, thresh="7 degC", freq="YS").to_numpy()
    daily = pd.Series(degree_days(ames.tmin_degc, ames.tmax_degc, 7.0), ames.date.dt.year)
    assert np.allclose(daily.groupby(level=0).sum(), answer)
