"""A station filled from a grid keeps every value it has; this season stands in every year, and only where it may."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from greengap.errors import ImportReport, InputProblem
from greengap.site.weather_join import fill_from, splice_season, with_gauge

DAYS = pd.date_range("2001-01-01", "2006-12-31", freq="D")


def record(days: pd.DatetimeIndex = DAYS, warmer: float = 0.0, wetter: float = 1.0, name: str = "w", lon: float = 11.5):
    """Weather that is the same in every place but for its level; the seed is the day, so that days agree."""
    noise = np.array([np.random.default_rng(int(d.value // 10**12)).normal(0, 3) for d in days])
    tmin = 4 - 12 * np.cos(2 * np.pi * (days.day_of_year - 20) / 365.0) + noise
    rain = np.where(noise > 2, noise * 3, 0.0)
    arrays = {"tmin_degc": tmin + warmer, "tmax_degc": tmin + 10 + warmer, "precipitation_mm": rain * wetter}
    return xr.Dataset(
        {
            **{key: (("cell_id", "date"), np.asarray(values)[None]) for key, values in arrays.items()},
            "filled": (("cell_id", "date"), np.zeros((1, len(days)), bool)),
        },
        coords={
            "cell_id": [name], "date": days, "lon": ("cell_id", [lon]), "lat": ("cell_id", [48.0]),
            "elevation_m": ("cell_id", [500.0]),
        },
        attrs={"kind": "station", "files": f"{name}.csv", "years": []},
    )  # fmt: skip


def with_hole(weather: xr.Dataset, first: str, last: str) -> xr.Dataset:
    out = weather.copy(deep=True)
    at = (out["date"] >= np.datetime64(first)) & (out["date"] <= np.datetime64(last))
    for name in ("tmin_degc", "tmax_degc", "precipitation_mm"):
        out[name] = out[name].where(~at)
    return out


def test_a_hole_is_filled_at_the_level_of_the_station_and_nothing_else_moves():
    station, grid, report = (
        with_hole(record(), "2003-04-01", "2003-06-30"),
        record(warmer=2.5, wetter=0.8),
        ImportReport(),
    )
    out = fill_from(station, grid, report)
    for name in ("tmin_degc", "tmax_degc", "precipitation_mm"):
        np.testing.assert_allclose(out[name], record()[name], atol=1e-9)  # the truth behind the hole
        had = np.isfinite(station[name].to_numpy())
        np.testing.assert_array_equal(out[name].to_numpy()[had], station[name].to_numpy()[had])
    assert int(out["filled"].sum()) == 91
    assert out.attrs["years"] == [2001, 2002, 2003, 2004, 2005, 2006]
    assert "minimum on 91 days" in report.findings[0].what
    assert any(
        "temperatures moved by -2.5 to -2.5 °C and precipitation multiplied by 1.25" in a for a in report.assumptions
    )


def test_a_longer_grid_makes_the_record_longer():
    out = fill_from(record(DAYS[:1200], name="s"), record(warmer=-1.0), ImportReport())
    assert out.sizes["date"] == len(DAYS)
    np.testing.assert_allclose(out["tmin_degc"], record()["tmin_degc"], atol=1e-9)
    assert out.attrs["files"] == "s.csv, w.csv"


def test_without_a_year_in_common_nothing_is_filled():
    with pytest.raises(InputProblem, match=r"^w\.csv: has 300 days of minimum in common with s\.csv"):
        fill_from(record(DAYS[:300], name="s"), record(), ImportReport())


def test_the_nearest_cell_fills():
    near, far = record(warmer=1.0, name="near", lon=11.6), record(warmer=9.0, name="far", lon=14.0)
    both = xr.concat([far, near], "cell_id").assign_attrs(near.attrs)
    report = ImportReport()
    fill_from(with_hole(record(), "2003-04-01", "2003-04-30"), both, report)
    assert any("moved by -1.0" in sentence for sentence in report.assumptions)


# --- this season ---------------------------------------------------------------------------------


def sites() -> xr.Dataset:
    return record().rename(cell_id="site_id")


def test_days_that_are_past_are_this_years_in_every_year():
    so_far = record(pd.date_range("2027-01-01", "2027-07-12", freq="D"), warmer=5.0)
    out = splice_season(sites(), so_far, ImportReport())
    for year in range(2001, 2007):
        spring = out["tmin_degc"].sel(date=slice(f"{year}-03-01", f"{year}-07-12"))[0]
        np.testing.assert_array_equal(spring, so_far["tmin_degc"].sel(date=slice("2027-03-01", "2027-07-12"))[0])
    rest = slice("2003-07-13", "2003-12-31")
    np.testing.assert_array_equal(out["tmin_degc"].sel(date=rest), sites()["tmin_degc"].sel(date=rest))
    leap = "2004-02-29"
    np.testing.assert_array_equal(out["tmin_degc"].sel(date=leap), sites()["tmin_degc"].sel(date=leap))


def test_days_of_three_years_are_refused():
    with pytest.raises(InputProblem, match="holds days of 2025 and 2027"):
        splice_season(sites(), record(pd.date_range("2025-12-01", "2027-02-01")), ImportReport())


def test_over_new_year_only_the_days_since_a_gap_began_are_taken():
    so_far = record(pd.date_range("2026-03-01", "2027-02-10", freq="D"), warmer=5.0)
    out = splice_season(sites(), so_far, since=pd.Timestamp("2026-09-01"))["tmin_degc"][0]
    own = sites()["tmin_degc"][0]
    taken = (out != own).to_series()
    months = sorted(set(taken[taken].index.month))
    assert months == [1, 2, 9, 10, 11, 12]
    assert taken[taken].index.day[taken[taken].index.month == 2].max() == 10
    np.testing.assert_array_equal(
        out.sel(date=slice("2003-10-01", "2003-10-31")),
        so_far["tmin_degc"].sel(date=slice("2026-10-01", "2026-10-31"))[0],
    )


def test_the_own_gauge_replaces_the_rain_of_the_days_on_which_it_was_read():
    so_far = record(pd.date_range("2027-01-01", "2027-03-01", freq="D"))
    rain = pd.Series([7.0, 3.0, 5.0], index=pd.DatetimeIndex(["2027-02-01", "2027-02-01", "2027-03-03"]))
    out = with_gauge(so_far, rain)
    day = out["precipitation_mm"][0].to_series()
    assert day["2027-02-01"] == 10.0
    assert day["2027-03-03"] == 5.0
    assert day["2027-02-02"] == so_far["precipitation_mm"][0].to_series()["2027-02-02"]
    assert np.isnan(out["tmin_degc"][0].to_series()["2027-03-03"])
    assert with_gauge(None, rain[:0]) is None
    alone = splice_season(sites(), with_gauge(None, rain))
    changed = (alone["precipitation_mm"][0] == 10.0).to_series()
    assert set(changed[changed].index.strftime("%m-%d")) == {"02-01"}
    np.testing.assert_array_equal(alone["tmin_degc"], sites()["tmin_degc"])
