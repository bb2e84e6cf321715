"""Weather grids, and the shares of blocks in their cells."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from shapely.geometry import box

from greengap.errors import ImportReport, InputProblem
from greengap.site.weather import cell_weights, read_days, read_weather, site_weather

LON, LAT = np.array([-76.6, -76.5, -76.4, -76.3]), np.array([42.6, 42.5, 42.4])


def grid(days: int = 400, lon=LON, lat=LAT, x: str = "lon", y: str = "lat", calendar: str = "standard") -> xr.Dataset:
    """A year and more on a small grid; each cell has its own temperature."""
    shape = (days, len(lat), len(lon))
    own = np.arange(len(lat) * len(lon), dtype=float).reshape(1, len(lat), len(lon)) % 50 / 10
    wave = -np.cos(2 * np.pi * np.arange(days) / 365)[:, None, None] * 12
    tasmin = np.broadcast_to(276.15 + wave + own, shape)
    degrees = {"units": "K", "standard_name": "air_temperature"}
    out = xr.Dataset(
        {
            "tasmin": (("time", y, x), tasmin, degrees),
            "tasmax": (("time", y, x), tasmin + 8.0, degrees),
            "pr": (("time", y, x), np.full(shape, 3.0 / 86400), {"units": "kg m-2 s-1"}),
        },
        coords={
            "time": ("time", np.arange(days), {"units": "days since 2001-01-01 12:00", "calendar": calendar}),
            x: (x, lon),
            y: (y, lat),
        },
    )
    if x == "lon":
        out["lon"].attrs["units"], out["lat"].attrs["units"] = "degrees_east", "degrees_north"
    return out


def read(tmp_path: Path, *sets: xr.Dataset, report: ImportReport | None = None, **more) -> xr.Dataset:
    paths = []
    for number, one in enumerate(sets):
        paths.append(tmp_path / f"w{number}.nc")
        one.to_netcdf(paths[-1])
    return read_weather(paths, lambda p: p.name, report if report is not None else ImportReport(), **more)


def block(west: float, south: float, east: float, north: float, crs: str = "EPSG:4326") -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"block_id": ["B"]}, geometry=[box(west, south, east, north)], crs=crs)


def test_kelvin_and_a_rate_per_second_become_celsius_and_mm(tmp_path):
    weather = read(tmp_path, grid())
    np.testing.assert_allclose(weather["tmin_degc"].isel(cell_id=0, date=0), 3.0 - 12.0, atol=1e-9)
    np.testing.assert_allclose(weather["precipitation_mm"], 3.0)
    assert weather["tmin_degc"].dims == ("cell_id", "date")
    assert pd.Timestamp(weather["date"].values[0]) == pd.Timestamp("2001-01-01")
    assert weather.attrs["years"] == [2001]


def test_variables_and_years_split_over_files_give_the_same_record(tmp_path):
    whole = read(tmp_path, grid())
    one = grid()
    early, late = one[["tasmin", "pr"]].isel(time=slice(0, 200)), one[["tasmin", "pr"]].isel(time=slice(200, None))
    parts = read(tmp_path, late, one[["tasmax"]], early)
    xr.testing.assert_equal(parts.drop_attrs(), whole.drop_attrs())


def test_an_axis_that_falls_or_counts_east_to_360_gives_the_same_cells(tmp_path):
    whole = read(tmp_path, grid())
    turned = read(
        tmp_path,
        grid().isel(lat=slice(None, None, -1)).assign_coords(lon=("lon", LON + 360, {"units": "degrees_east"})),
    )
    turned = turned.sel(cell_id=whole["cell_id"])
    for name in ("tmin_degc", "x_low", "x_high", "y_low", "y_high"):
        np.testing.assert_allclose(turned[name], whole[name], atol=1e-9)
    np.testing.assert_allclose(whole["y_high"] - whole["y_low"], 0.1, atol=1e-9)


def test_only_cells_near_the_farm_are_read(tmp_path):
    near = read(
        tmp_path, grid(lon=np.arange(-80, -70, 0.1), lat=np.arange(45, 40, -0.1)), near=(-76.52, 42.41, -76.48, 42.43)
    )
    assert near.sizes["cell_id"] <= 12
    assert float(near["lon"].min()) > -76.8
    with pytest.raises(
        InputProblem, match=r"w0\.nc: misses the farm: it covers -76\.65 to -76\.25 E.*the farm 10\.00 to"
    ):
        read(tmp_path, grid(), near=(10.0, 50.0))


def test_years_of_365_and_of_360_days_are_put_on_the_usual_calendar_and_listed(tmp_path):
    for calendar, days in (("noleap", 1460), ("360_day", 1440)):
        report = ImportReport()
        weather = read(tmp_path, grid(days, calendar=calendar), report=report)
        assert weather.attrs["years"][:3] == [2001, 2002, 2003]
        assert any(calendar in sentence for sentence in report.assumptions)
        assert np.isfinite(weather["tmin_degc"]).all()
        leap = weather.sel(date="2004-02-29")
        assert np.isfinite(leap["tmin_degc"]).all()
    assert weather["filled"].any()


def test_a_projected_grid_in_kilometres_is_placed_in_metres(tmp_path):
    crs = "EPSG:3035"
    centre = gpd.GeoSeries.from_xy([15.4], [47.1], crs="EPSG:4326").to_crs(crs).iloc[0]
    x, y = round(centre.x / 1000) + np.arange(-2.0, 3), round(centre.y / 1000) + np.arange(2.0, -3, -1)
    projected = grid(lon=x, lat=y, x="x", y="y")
    projected["crs"] = ((), 0, gpd.GeoSeries([], crs=crs).crs.to_cf())
    for name in ("tasmin", "tasmax", "pr"):
        projected[name].attrs["grid_mapping"] = "crs"
    for axis in ("x", "y"):
        projected[axis].attrs["units"] = "km"
    weather = read(tmp_path, projected, near=(15.4, 47.1))
    assert float(weather["lon"].mean()) == pytest.approx(15.4, abs=0.02)
    assert float((weather["x_high"] - weather["x_low"]).mean()) == pytest.approx(1000)
    west, south = x[1] * 1000 + 250, y[1] * 1000 - 500  # a quarter of the block in the cell to the east
    weights = cell_weights(block(west, south, west + 1000 / 3, south + 200, crs), weather)
    assert sorted(weights["weight_fraction"]) == pytest.approx([0.25, 0.75], rel=1e-6)


def test_shares_of_cells_are_those_of_the_true_area(tmp_path):
    weather = read(tmp_path, grid())
    found = block(-76.57, 42.46, -76.53, 42.49)
    corner = cell_weights(found, weather)
    assert corner["weight_fraction"].sum() == pytest.approx(1.0)
    assert sorted(corner["weight_fraction"]) == pytest.approx([0.5, 0.5], rel=1e-6)
    tall = cell_weights(block(-76.54, 42.36, -76.46, 42.64), weather).set_index("cell_id")["weight_fraction"]
    outline = gpd.GeoSeries([box(-76.54, 42.36, -76.46, 42.45), box(-76.54, 42.45, -76.46, 42.55)], crs="EPSG:4326")
    areas = outline.to_crs("+proj=cea +lat_ts=42.5 +datum=WGS84").area
    assert tall["42.4000 -76.5000"] / tall["42.5000 -76.5000"] == pytest.approx(areas[0] / areas[1], rel=1e-4)


def test_a_block_just_outside_takes_the_nearest_cell_and_one_far_off_is_refused_with_its_share(tmp_path):
    weather, report = read(tmp_path, grid()), ImportReport()
    near = cell_weights(block(-76.70, 42.49, -76.69, 42.50), weather, report)
    assert near["cell_id"].tolist() == ["42.5000 -76.6000"]
    assert any("cover 0 % of the block" in f.what for f in report.findings)
    two = pd.concat([block(-76.55, 42.49, -76.54, 42.50), block(-77.55, 42.49, -77.54, 42.50).assign(block_id="Far")])
    with pytest.raises(InputProblem, match=r"50 % of the farm lies more than a cell outside the grid: block Far\."):
        cell_weights(two, weather)


def test_blocks_in_the_same_cells_are_one_site_with_the_weighted_mean(tmp_path):
    weather = read(tmp_path, grid())
    parts = [("A", -76.53), ("C", -76.56), ("B", -76.53), ("D", -76.57)]
    blocks = pd.concat([block(x, 42.46, x + 0.02, 42.47).assign(block_id=name) for name, x in parts])
    weights = cell_weights(blocks, weather)
    sites, site_of = site_weather(weather, weights)
    assert sites["tmin_degc"].dims == ("site_id", "date")
    assert sites.sizes["site_id"] == 3
    assert site_of["A"] == site_of["B"]
    cells = weather["tmin_degc"].sel(cell_id=["42.5000 -76.6000", "42.5000 -76.5000"])
    np.testing.assert_allclose(sites["tmin_degc"].sel(site_id=site_of["C"]), cells.mean("cell_id"), atol=1e-9)
    np.testing.assert_allclose(sites["tmin_degc"].sel(site_id=site_of["A"]), cells[1])
    assert sites["filled"].dtype == bool
    assert site_weather(weather, weights.sample(frac=1, random_state=1))[1] == site_of


def test_a_station_stands_for_every_block_and_says_how_far_it_is(tmp_path):
    bare = grid().isel(lat=0, lon=0, drop=True)
    weather, report = read(tmp_path, bare, station=(42.5, -76.5, 300.0, "Valley")), ImportReport()
    assert weather.attrs["kind"] == "station"
    weights = cell_weights(block(-76.5, 42.59, -76.49, 42.60), weather, report)
    assert weights[["cell_id", "weight_fraction"]].to_numpy().tolist() == [["Valley", 1.0]]
    assert report.assumptions == ["Weather of Valley, up to 11 km away, stands for the blocks nearest to it."]


def test_two_dimensional_coordinates_without_a_projection_give_the_nearest_cell(tmp_path):
    curved = grid(x="i", y="j").drop_vars(["i", "j"])
    lon, lat = np.meshgrid(LON, LAT)
    curved = curved.assign_coords(lon=(("j", "i"), lon), lat=(("j", "i"), lat))
    weather = read(tmp_path, curved)
    assert weather.attrs["kind"] == "points"
    weights = cell_weights(block(-76.42, 42.51, -76.41, 42.52), weather)
    assert weights["cell_id"].tolist() == ["42.5000 -76.4000"]
    own = read(tmp_path, grid()).sel(cell_id="42.5000 -76.4000")
    np.testing.assert_allclose(weather["tmin_degc"].sel(cell_id="42.5000 -76.4000"), own["tmin_degc"])


def with_units(unit: str | None) -> xr.Dataset:
    out = grid()
    for name in ("tasmin", "tasmax"):
        out[name].attrs = {"units": unit} if unit else {}
    return out


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (
            lambda: with_units("degC"),
            r"w0.nc, tasmin: values from 264\.1 to .* cannot be °C\. If they are kelvin, set the",
        ),
        (lambda: with_units(None), "If they are kelvin, set the variable's units attribute to K"),
        (lambda: with_units("furlong"), "unit 'furlong' is not known for a temperature"),
        (
            lambda: (with_units("K") - 273.15).map(lambda v: v.assign_attrs(units="K")),
            "cannot be kelvin. If they are °C",
        ),
        (lambda: (with_units("K") + 100.0).map(lambda v: v.assign_attrs(units="K")), "cannot be kelvin"),
        (lambda: grid().drop_vars("pr"), "no variable is precipitation; there are tasmax, tasmin. Add a file with pr"),
        (lambda: grid().rename(pr="snow", tasmin="cold", tasmax="warm")[["snow"]], "no weather variable that is known"),
        (lambda: grid().isel(time=slice(0, 300)), "no full year: the longest stretch without a hole is 300 days"),
        (lambda: grid(9000).isel(time=slice(0, None, 30)), "is not daily: its steps are 30 days"),
        (lambda: grid().assign(tmin=grid()["tasmin"]), "variables tasmin and tmin could both be tmin"),
        (lambda: grid(x="i", y="j").drop_vars(["i", "j"]), "does not say where its cells lie"),
        (lambda: grid() * np.nan, "has no value"),
    ],
)
def test_a_grid_that_cannot_be_used_is_named_with_its_reason_and_a_remedy(tmp_path, make, words):
    one = make()
    one["time"].attrs = grid()["time"].attrs
    with pytest.raises(InputProblem, match=words) as caught:
        read(tmp_path, one)
    assert caught.value.sentence.startswith("w0.nc")


def test_precipitation_under_a_wrong_unit_is_refused(tmp_path):
    one = grid()
    one["pr"].attrs["units"] = "mm/day"
    with pytest.raises(InputProblem, match=r"cannot be mm\. If it is a rate per second, set the variable's units"):
        read(tmp_path, one)


def test_files_on_two_grids_or_of_two_kinds_are_refused(tmp_path):
    other = grid(lon=LON + 0.05)[["pr"]]
    with pytest.raises(InputProblem, match=r"w1\.nc, pr: lies on another grid than w0\.nc"):
        read(tmp_path, grid()[["tasmin", "tasmax"]], other)
    with pytest.raises(InputProblem, match="grids and station files together"):
        read_weather([Path("a.nc"), Path("b.csv")], str, ImportReport())
    with pytest.raises(InputProblem, match="has tmin in two files"):
        read(tmp_path, grid(), grid()[["tasmin"]])
    (tmp_path / "text.nc").write_text("no")
    with pytest.raises(InputProblem, match=r"text\.nc: cannot be read as NetCDF"):
        read_weather([tmp_path / "text.nc"], lambda p: p.name, ImportReport())


def test_the_real_vermont_projection_is_read_in_degrees_on_the_usual_calendar(shared_data):
    folder, report = shared_data / "data/climate_grids", ImportReport()
    paths = [folder / f"noleap_2095_vermont_{name}.nc" for name in ("tasmin", "tasmax", "pr")]
    weather = read_weather(paths, lambda p: p.name, report)
    assert weather.sizes == {"cell_id": 1294, "date": 365}  # 2 of 1296 cells are empty
    assert float(weather["tmin_degc"].min()) == pytest.approx(254.5 - 273.15, abs=0.06)
    assert float(weather["tmax_degc"].max()) == pytest.approx(317.7 - 273.15, abs=0.06)
    assert not report.findings
    assert any(s.startswith("Only 1 complete weather year in") for s in report.assumptions)
    near = read_weather(paths, lambda p: p.name, ImportReport(), near=(-73.2, 44.3))
    assert near.sizes["cell_id"] == 9
    xr.testing.assert_equal(near["tmin_degc"], weather["tmin_degc"].sel(cell_id=near["cell_id"]))
    weights = cell_weights(block(-73.3, 44.2, -73.1, 44.4), weather)
    assert weights["weight_fraction"].sum() == pytest.approx(1.0)


def test_a_real_grid_of_one_cell_with_a_projection_of_its_own_is_read(shared_data, tmp_path):
    path = shared_data / "data/climate_grids/spartacus_graz_daily_tmin_tmax_1961_2021.nc"
    with pytest.raises(InputProblem, match="no variable is precipitation"):
        read_weather([path], lambda p: p.name, ImportReport())
    with xr.open_dataset(path) as source:
        dry = (source["Tn"] * 0).rename("rr").assign_attrs(units="mm")
        dry.to_netcdf(tmp_path / "rr.nc")
        expected = source["Tn"].values.ravel()
    weather = read_weather([path, tmp_path / "rr.nc"], lambda p: p.name, ImportReport())
    np.testing.assert_allclose(weather["tmin_degc"][0], expected)
    assert (float(weather["lon"][0]), float(weather["lat"][0])) == pytest.approx((15.42, 47.07), abs=0.02)
    assert len(weather.attrs["years"]) == 61


def test_real_monthly_and_partial_grids_are_refused(shared_data):
    folder = shared_data / "data/climate_grids"
    with pytest.raises(InputProblem, match="is not daily: its steps are 31 days"):
        read_weather([folder / "bcsd_obs_1999_monthly_nc.nc"], lambda p: p.name, ImportReport())
    with pytest.raises(InputProblem, match="no variable is tmin"):
        read_weather([folder / "daymet_v3_prcp_1999_lcc_km_subset.nc"], lambda p: p.name, ImportReport())
    with pytest.raises(InputProblem, match="has no coordinates"):
        read_weather([folder / "NRCAN_1971-1972_subset.nc"], lambda p: p.name, ImportReport())


def test_minima_and_maxima_that_stand_in_each_others_place_are_told_as_swapped(tmp_path):
    one = grid().rename(tasmin="tasmax", tasmax="tasmin")
    with pytest.raises(InputProblem, match=r"w0\.nc: tmin lies above tmax on 400 of 400 days; the two look swapped\."):
        read(tmp_path, one)
    few = grid(800)
    few["tasmin"] = few["tasmin"].copy()
    few["tasmin"][40:50] = few["tasmax"][40:50] + 1.0  # some wrong days are set aside, day by day
    few["tasmin"].attrs = grid()["tasmin"].attrs
    report = ImportReport()
    read(tmp_path, few, report=report)
    assert sum("lies above tmax" in f.what for f in report.findings) == 10


def test_a_grid_that_would_fit_swapped_blocks_says_so(tmp_path):
    with pytest.raises(InputProblem, match=r"longitude and latitude swapped it would fit\. Check the axis order"):
        read(tmp_path, grid(), near=(42.41, -76.52, 42.43, -76.48))


def test_a_real_grid_in_kilometres_with_y_from_the_north_lies_where_its_projection_says(shared_data, tmp_path):
    """Daymet precipitation; temperatures are made from it. The place of the wettest cell by pyproj alone."""
    import pyproj

    path = shared_data / "data/climate_grids/daymet_v3_prcp_1999_lcc_km_subset.nc"
    with xr.open_dataset(path) as source:
        rain = source["prcp"].load()
        mapping = source[rain.attrs.get("grid_mapping") or rain.encoding["grid_mapping"]].load()
        assert float(source["y"][0]) > float(source["y"][-1])
        assert source["x"].attrs.get("units", "km").startswith("k")
        made = xr.Dataset({"tmin": rain * 0 + 10.0, "tmax": rain * 0 + 20.0, mapping.name: mapping})
        for name in ("tmin", "tmax"):
            made[name].attrs = {"units": "degC", "grid_mapping": mapping.name}
            made[name].encoding = {}
        made.to_netcdf(tmp_path / "t.nc")
    west, south, east, north = -77.2, 35.0, -76.8, 35.3
    weather = read_days([path, tmp_path / "t.nc"], lambda p: p.name, ImportReport(), near=(west, south, east, north))
    total = weather["precipitation_mm"].sum("date")
    wettest = weather.isel(cell_id=int(total.argmax()))
    crs = pyproj.CRS.from_cf(mapping.attrs)
    x, y = pyproj.Transformer.from_crs(4326, crs, always_xy=True).transform(
        float(wettest["lon"]), float(wettest["lat"])
    )
    scale = 1000.0 / crs.axis_info[0].unit_conversion_factor
    cell = rain.sel(x=x / scale, y=y / scale, method="nearest")
    assert abs(float(cell["x"]) - x / scale) < 0.01
    assert abs(float(cell["y"]) - y / scale) < 0.01
    np.testing.assert_allclose(wettest["precipitation_mm"], cell, rtol=1e-6)


@pytest.mark.parametrize("calendar", ["noleap", "365_day", "all_leap", "proleptic_gregorian", "julian"])
def test_days_of_any_calendar_stand_on_the_date_that_cftime_gives_them(tmp_path, calendar):
    """cftime is the reference for calendars: a day keeps its year, month and day where the usual calendar has it."""
    import cftime

    count = 800
    one = grid(count, calendar=calendar)
    mark = np.arange(count, dtype=float)
    one["tasmax"] = one["tasmax"] * 0 + 290.0 + (mark % 20)[:, None, None]
    one["tasmax"].attrs = grid()["tasmax"].attrs
    weather = read(tmp_path, one)
    dates = cftime.num2date(np.arange(count), "days since 2001-01-01 12:00", calendar=calendar)
    compared = 0
    for number, day in enumerate(dates):
        try:
            stamp = np.datetime64(f"{day.year:04d}-{day.month:02d}-{day.day:02d}")
            found = weather["tmax_degc"].sel(date=stamp)[0]
        except (ValueError, KeyError):
            continue  # 29 February of a year without one
        assert float(found) == pytest.approx(290.0 + number % 20 - 273.15, abs=1e-6), day
        compared += 1
    assert compared >= count - 3
