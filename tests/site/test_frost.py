"""Freeze dates against hand-worked answers and the published climate normals."""

from __future__ import annotations

import ast
import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from greengap.site.frost import freeze_dates, freeze_percentiles, month_and_day

CHECKS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "frost.csv").open(encoding="utf-8")))
WORKED = [c for c in CHECKS if c["days"]]
NORMALS = [c for c in CHECKS if c["station_file"]]


def year_of(cold: list[str], first: str = "2001-01-01", last: str = "2001-12-31") -> tuple[np.ndarray, np.ndarray]:
    dates = pd.date_range(first, last)
    tmin = np.where(dates.isin(pd.DatetimeIndex(cold)), -1.0, 5.0)
    return tmin, dates.to_numpy()


@pytest.mark.parametrize("check", WORKED, ids=lambda c: c["check_id"])
def test_percentiles_agree_with_the_answers_worked_by_hand(check):
    found = freeze_percentiles(
        ast.literal_eval(check["days"]), float(check["probability"]), check["season"], check["method"] or None
    )
    assert found.day == pytest.approx(float(check["expected_day"]), abs=float(check["tolerance_d"]))


@pytest.mark.parametrize("check", NORMALS, ids=lambda c: c["check_id"])
def test_dates_of_a_real_station_come_near_the_published_normals(check, shared_data):
    record = pd.read_csv(shared_data / "data/weather_daily" / check["station_file"], parse_dates=["date"])
    record = record[record["date"].dt.year <= 2010]
    tmin = record["tmin_c"].where(record["tmin_c"] > -60)
    table = freeze_dates(tmin.to_numpy(), record["date"].to_numpy())
    column = "last_spring_d" if check["season"] == "spring" else "first_autumn_d"
    days = table[column][table[f"{check['season']}_usable"]]
    found = freeze_percentiles(days, float(check["probability"]), check["season"])
    assert found.day == pytest.approx(float(check["expected_day"]), abs=float(check["tolerance_d"]))
    assert found.years == 23


def test_the_stored_normals_are_those_of_the_station_list(shared_data):
    normals = pd.read_csv(shared_data / "data/frost_normals/noaa_1981_2010_freeze_and_gdd.csv", dtype=str)
    for check in NORMALS:
        row = normals[normals["station"] == check["normals_station"]].iloc[0]
        assert month_and_day(float(check["expected_day"])) == tuple(
            int(p) for p in row[check["normals_column"]].split("/")
        )


def test_the_season_splits_after_july_and_31_july_is_spring():
    tmin, dates = year_of(["2001-04-20", "2001-07-31", "2001-08-01", "2001-11-11"])
    row = freeze_dates(tmin, dates).iloc[0]
    assert (row.last_spring_d, row.first_autumn_d) == (212, 213)
    assert row.spring_usable
    assert row.autumn_usable


def test_a_date_has_the_same_number_in_leap_years():
    days = []
    for year in (2003, 2004):
        tmin, dates = year_of([f"{year}-05-01"], f"{year}-01-01", f"{year}-12-31")
        days.append(freeze_dates(tmin, dates)["last_spring_d"].iloc[0])
    assert days == [121, 121]


def test_a_southern_season_runs_over_new_year():
    tmin, dates = year_of(["2001-10-01", "2002-05-02"], "2001-07-01", "2002-06-30")
    table = freeze_dates(tmin, dates, southern=True)
    assert table["year"].tolist() == [2001]
    assert month_and_day(table["last_spring_d"].iloc[0], southern=True) == (10, 1)
    assert month_and_day(table["first_autumn_d"].iloc[0], southern=True) == (5, 2)
    assert table["spring_usable"].all()
    assert table["autumn_usable"].all()


def test_a_half_year_with_more_than_a_twentieth_missing_is_not_usable():
    tmin, dates = year_of(["2001-04-20"])
    tmin[100:112] = np.nan  # 12 of 212 days
    row = freeze_dates(tmin, dates).iloc[0]
    assert not row.spring_usable
    assert row.autumn_usable


def test_years_without_freeze_count_as_early_in_spring_and_late_in_autumn():
    days = np.r_[np.arange(100.0, 120.0), np.full(20, np.nan)]
    assert np.isnan(freeze_percentiles(days, 0.4, "spring").day)
    assert freeze_percentiles(days, 0.75, "spring").day == pytest.approx(np.percentile(days[:20], 50, method="weibull"))
    assert freeze_percentiles(days, 0.25, "autumn").day == pytest.approx(np.percentile(days[:20], 50, method="weibull"))
    assert np.isnan(freeze_percentiles(days, 0.6, "autumn").day)
    assert freeze_percentiles(days, 0.75).years_without == 20
    assert np.isnan(freeze_percentiles(np.full(30, np.nan), 0.5).day)


def test_few_years_are_fitted_with_a_normal_distribution():
    days = [110.0, 115, 120, 125, 130]
    assert freeze_percentiles(days, 0.9).day == pytest.approx(freeze_percentiles(days, 0.9, method="normal").day)
    assert freeze_percentiles(days, 0.9).day > 129


def test_a_later_probability_never_gives_an_earlier_date():
    days = np.random.default_rng(1).normal(120, 10, 30)
    found = [freeze_percentiles(days, p).day for p in np.linspace(0.05, 0.95, 19)]
    assert found == sorted(found)


def test_a_probability_outside_zero_to_one_is_refused():
    with pytest.raises(ValueError, match="probability: 90 is not between 0 and 1"):
        freeze_percentiles([1.0, 2.0], 90)
