"""Station files: columns, units, days that cannot be true, gaps; and the real stations."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.site.weather import read_weather

PLACE = (42.4, -76.5, 300.0, "Valley")


def days(count: int = 400, first: str = "2001-01-01") -> pd.DataFrame:
    dates = pd.date_range(first, periods=count)
    wave = -np.cos(2 * np.pi * dates.day_of_year.to_numpy() / 365.25)
    jitter = np.random.default_rng(5).normal(0, 2, count)
    tmin = (3 + 12 * wave + jitter).round(1)
    table = {"date": dates.strftime("%Y-%m-%d"), "tmin_c": tmin, "tmax_c": (tmin + 9.5).round(1)}
    return pd.DataFrame({**table, "precip_mm": np.where(np.arange(count) % 3 == 0, 6.0, 0.0)})


def read(tmp_path: Path, *tables: pd.DataFrame | str, station=PLACE, report: ImportReport | None = None):
    paths = []
    for number, table in enumerate(tables):
        path = tmp_path / f"weather{number or ''}.csv"
        path.write_text(table if isinstance(table, str) else table.to_csv(index=False), encoding="utf-8")
        paths.append(path)
    return read_weather(paths, lambda p: p.name, report if report is not None else ImportReport(), station)


def test_a_clean_file_comes_back_day_for_day(tmp_path):
    table, report = days(), ImportReport()
    weather = read(tmp_path, table, report=report)
    np.testing.assert_allclose(weather["tmin_degc"].sel(cell_id="Valley"), table["tmin_c"])
    np.testing.assert_allclose(weather["precipitation_mm"].sel(cell_id="Valley"), table["precip_mm"])
    assert not weather["filled"].any()
    assert weather.attrs["years"] == [2001]
    assert (float(weather["lat"][0]), float(weather["elevation_m"][0])) == (42.4, 300.0)
    assert weather["date"].dtype == "datetime64[ns]"
    assert report.lost("weather.csv") == 0
    assert not report.findings


def test_fahrenheit_and_inches_in_the_heading_are_converted(tmp_path):
    table = days()
    us = pd.DataFrame(
        {"DATE": table["date"], "TMIN_F": table["tmin_c"] * 1.8 + 32, "TMAX_F": table["tmax_c"] * 1.8 + 32}
    )
    us["PRCP (in)"] = table["precip_mm"] / 25.4
    weather = read(tmp_path, us)
    np.testing.assert_allclose(weather["tmin_degc"][0], table["tmin_c"], atol=1e-9)
    np.testing.assert_allclose(weather["precipitation_mm"][0], table["precip_mm"], atol=1e-9)


def test_semicolons_with_decimal_commas_and_columns_in_any_order_are_read(tmp_path):
    table = days()
    text = table[["tmax_c", "precip_mm", "date", "tmin_c"]].to_csv(index=False, sep=";", decimal=",")
    weather = read(tmp_path, "\ufeff" + text)
    np.testing.assert_allclose(weather["tmax_degc"][0], table["tmax_c"])


def test_rows_in_any_order_give_the_same_record(tmp_path):
    table = days()
    expected = read(tmp_path, table)
    assert read(tmp_path, table.sample(frac=1, random_state=2)).equals(expected)


def test_years_split_over_files_are_joined(tmp_path):
    table = days(800)
    whole = read(tmp_path, table)
    assert read(tmp_path, table[500:], table[:500]).equals(whole)


def test_short_gaps_are_filled_and_marked_and_long_ones_stay_open(tmp_path):
    table, report = days(800), ImportReport()
    kept = table.drop(index=[*range(100, 105), *range(600, 606)])
    weather = read(tmp_path, kept, report=report)
    assert weather.sizes["date"] == 800
    tmin = weather["tmin_degc"][0].to_numpy()
    expected = np.linspace(table["tmin_c"][99], table["tmin_c"][105], 7)[1:-1]
    np.testing.assert_allclose(tmin[100:105], expected)
    assert (weather["precipitation_mm"][0, 100:105] == 0).all()
    assert weather["filled"][0, 100:105].all()
    assert int(weather["filled"].sum()) == 5
    assert np.isnan(tmin[600:606]).all()
    assert weather.attrs["years"] == [2001]
    assert any(f.place == "2001-04-11 to 2001-04-15" and f.fate is Fate.REPAIRED for f in report.findings)
    assert any("6 days missing, too long to fill" in f.what for f in report.findings)
    assert any("precipitation with 0 mm" in sentence for sentence in report.assumptions)


def test_a_minimum_above_its_maximum_is_not_used_and_never_comes_back(tmp_path):
    table, report = days(), ImportReport()
    table.loc[50, ["tmin_c", "tmax_c"]] = [9.0, -3.0]
    weather = read(tmp_path, table, report=report)
    assert (weather["tmin_degc"] <= weather["tmax_degc"]).all()
    assert bool(weather["filled"][0, 50])
    assert any(f.place == "tmin, 2001-02-20" and "9.0 °C lies above tmax" in f.what for f in report.findings)


def test_a_filled_minimum_stays_below_a_cold_maximum(tmp_path):
    table = days()
    table.loc[50, "tmin_c"], table.loc[50, "tmax_c"] = np.nan, -10.0
    weather = read(tmp_path, table)
    assert float(weather["tmin_degc"][0, 50]) == -10.0


def test_a_value_far_off_both_neighbours_is_set_aside(tmp_path):
    table, report = days(), ImportReport()
    table.loc[200, "tmax_c"] = 54.0
    table.loc[201, "tmin_c"] = -22.0
    weather = read(tmp_path, table, report=report)
    assert float(weather["tmax_degc"][0, 200]) < 35
    assert float(weather["tmin_degc"][0, 201]) > 0
    assert sum("off the days before and after" in f.what for f in report.findings) == 2


def test_codes_for_missing_and_traces_of_rain_are_understood(tmp_path):
    table = days().astype({"precip_mm": object, "tmax_c": object})
    table.loc[10, "precip_mm"], table.loc[20, "precip_mm"] = "T", "M"
    table.loc[30, "tmax_c"] = -9999
    weather = read(tmp_path, table)
    assert float(weather["precipitation_mm"][0, 10]) == 0
    assert weather["filled"][0].to_numpy().nonzero()[0].tolist() == [20, 30]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            lambda t: t.assign(tmin_c=t["tmin_c"] + 273.15, tmax_c=t["tmax_c"] + 273.15),
            "If they are kelvin, name the column tmin_k",
        ),
        (
            lambda t: t.assign(tmin_c=t["tmin_c"] * 1.8 + 32, tmax_c=t["tmax_c"] * 1.8 + 32),
            "If the file is in °F, name the column tm.._f",
        ),
        (
            lambda t: t.assign(tmin_c=(t["tmin_c"] * 10).astype(int), tmax_c=(t["tmax_c"] * 10).astype(int)),
            "tenths of a degree, divide",
        ),
        (
            lambda t: t.rename(columns={"tmin_c": "tmin_k", "tmax_c": "tmax_k"}),
            "cannot be kelvin. If they are °C, name",
        ),
        (lambda t: t.drop(columns="tmax_c"), "no column for tmax; columns are date, tmin_c, precip_mm. Name it tmax_c"),
        (lambda t: t.assign(tn_c=t["tmin_c"]), "columns tmin_c and tn_c are both tmin"),
        (lambda t: pd.concat([t, t[7:9]]), "line 402: 2001-01-08 comes twice; line 403: 2001-01-09 comes twice"),
        (lambda t: t.replace("2001-01-05", "5/1/2001"), "line 6: '5/1/2001' is not a date. Write dates as 2024-05-31"),
        (
            lambda t: t.assign(precip_mm=t["precip_mm"].astype(object).where(t["precip_mm"] == 0, "wet")),
            "line 2: 'wet' in column precip_mm is not a number; line 5",
        ),
        (lambda t: t[:200], "no full year: the longest stretch without a hole is 200 days"),
        (lambda t: "place,Valley\n", "no heading with a column date"),
    ],
)
def test_a_file_that_cannot_be_used_is_named_with_its_reason_and_a_remedy(tmp_path, change, words):
    with pytest.raises(InputProblem, match=words.replace("(", r"\(")) as caught:
        read(tmp_path, change(days()))
    assert caught.value.sentence.startswith("weather.csv")


def test_a_single_day_of_68_degrees_in_a_year_is_refused_as_fahrenheit(tmp_path):
    table = days(365)
    table.loc[180, "tmax_c"] = 68.0
    with pytest.raises(
        InputProblem, match=r"weather.csv, column tmax_c: 68\.0 on 2001-06-30 cannot be °C\. If the file is in °F"
    ):
        read(tmp_path, table)


def test_a_heading_without_a_unit_is_taken_as_celsius_and_listed(tmp_path):
    table, report = days(), ImportReport()
    read(tmp_path, table.rename(columns={"tmin_c": "tmin", "tmax_c": "tmax", "precip_mm": "prcp"}), report=report)
    assert sum("does not say the unit" in sentence for sentence in report.assumptions) == 3


def test_a_station_without_a_place_is_refused(tmp_path):
    with pytest.raises(InputProblem, match=r"Add \[station\] with lat = "):
        read(tmp_path, days(), station=None)


def test_few_years_run_and_say_how_little_the_odds_then_mean(tmp_path):
    report = ImportReport()
    read(tmp_path, days(800), report=report)
    assert any(s.startswith("Only 2 complete weather years in weather.csv: the odds") for s in report.assumptions)


def test_a_day_in_two_files_is_refused(tmp_path):
    with pytest.raises(InputProblem, match="2001-12-31 comes in two files"):
        read(tmp_path, days(365), days(36, "2001-12-31"))


def test_the_real_error_of_the_washington_station_is_flagged_and_not_used(shared_data):
    path, report = shared_data / "data/weather_daily/nws_coop_washington_ia.csv", ImportReport()
    weather = read_weather([path], lambda p: p.name, report, (41.28, -91.71, 210.0, "Washington"))
    wrong = [f for f in report.findings if f.place == "tmin, 2018-12-13"]
    assert [f.what for f in wrong] == ["-72.8 °C is not possible; set as missing"]
    assert float(weather["tmin_degc"].min()) == pytest.approx(-35.6)
    assert bool(weather["filled"].sel(date="2018-12-13").item())
    assert int(weather["filled"].sum()) == 1
    assert len(weather.attrs["years"]) == 31


@pytest.mark.parametrize(
    ("name", "years"),
    [
        ("aquacrop_champion", 37),
        ("aquacrop_brussels", 30),
        ("aquacrop_suffolk", 31),
        ("nws_coop_ames_8_wsw_ia", 31),
        ("era5_matapedia_qc_point0_1981_2020", 40),
        ("era5_saskatoon_1990_1993", 4),
        ("era5_iqaluit_1990_1993", 4),
    ],
)
def test_real_stations_are_read_without_a_false_alarm(shared_data, name, years):
    path, report = shared_data / "data/weather_daily" / f"{name}.csv", ImportReport()
    weather = read_weather([path], lambda p: p.name, report, PLACE)
    raw = pd.read_csv(path)
    np.testing.assert_array_equal(weather["tmin_degc"][0], raw["tmin_c"])
    assert len(weather.attrs["years"]) == years
    assert not report.findings
    assert report.lost(path.name) == 0


def test_a_raw_file_with_lines_above_its_heading_and_years_of_365_days_is_read(shared_data):
    path, report = shared_data / "data/weather_daily/daymet_oak_ridge_tn_raw.csv", ImportReport()
    weather = read_weather([path], lambda p: p.name, report)
    assert (float(weather["lat"][0]), float(weather["lon"][0]), float(weather["elevation_m"][0])) == (
        36.0133,
        -84.2625,
        279,
    )
    assert weather["date"][weather["filled"][0]].dt.strftime("%Y-%m-%d").values.tolist() == [
        "2000-12-31",
        "2004-12-31",
        "2008-12-31",
    ]
    assert len(weather.attrs["years"]) == 11
    assert 1 < float(weather["radiation_mj_m2_d"].min()) < float(weather["radiation_mj_m2_d"].max()) < 33


@pytest.mark.parametrize("cells", ["2001.5,3", "2001,3.5", "2001,0", "2001,366", "20011,3", "1e300,1", "x,1"])
def test_a_year_and_day_that_are_no_date_are_refused(tmp_path, cells):
    with pytest.raises(InputProblem, match="is not a date"):
        read(tmp_path, f"year,yday,tmin_c,tmax_c,precip_mm\n2001,1,1,2,0\n{cells},1,2,0\n")
