"""Two more real places, read and not planned: a station with an impossible day, a survey with unmapped ground."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from greengap import read_farm
from greengap.errors import Fate

pytestmark = pytest.mark.real

CALENDAR = """block,crop,establishment,start,end
{block},tomato,transplanted,2027-05-20,2027-09-20
"""


@pytest.fixture(scope="module")
def washington(build_farm):
    """A block beside the station of Washington, Iowa, whose record holds -72.8 °C on 13 December 2018."""
    folder = build_farm(
        "Washington check farm",
        {"Lot": [(-91.7070, 41.2826), (-91.7060, 41.2826), (-91.7060, 41.2832), (-91.7070, 41.2832)]},
        CALENDAR.format(block="Lot"),
        "nws_coop_washington_ia.csv",
        "lat = 41.2828\nlon = -91.7067\nelevation_m = 210.3",
    )
    return read_farm(folder)


def test_a_day_of_minus_72_is_reported_once_with_its_date(washington):
    odd = [f for f in washington.report.findings if "-72.8" in f.what]
    assert len(odd) == 1
    assert odd[0].file == "nws_coop_washington_ia.csv"
    assert odd[0].place == "tmin, 2018-12-13"
    assert odd[0].fate is Fate.REPAIRED
    assert "not possible" in odd[0].what


def test_a_day_of_minus_72_is_filled_from_its_neighbours_and_nothing_else_is_touched(washington, shared_data):
    raw = pd.read_csv(
        shared_data / "data" / "weather_daily" / "nws_coop_washington_ia.csv", parse_dates=["date"], index_col="date"
    )
    site = washington.weather.isel(site_id=0)
    tmin = pd.Series(site["tmin_degc"].to_numpy(), index=pd.DatetimeIndex(site["date"].to_numpy()))
    day = pd.Timestamp(2018, 12, 13)
    around = raw["tmin_c"][[day - pd.Timedelta(days=1), day + pd.Timedelta(days=1)]]
    assert tmin[day] == pytest.approx(around.mean())
    assert tmin.min() == pytest.approx(-35.6)  # the lowest true day, as the data's own notes say
    others = tmin.drop(day)
    np.testing.assert_allclose(others, raw["tmin_c"].drop(day))
    assert int(site["filled"].sum()) == 1


def test_rows_of_the_washington_station_are_all_accounted_for(washington):
    report = washington.report
    assert report.rows_read["nws_coop_washington_ia.csv"] == 11323
    assert all(report.lost(file) == 0 for file in report.rows_read)


@pytest.fixture(scope="module")
def delta_tables(shared_data):
    folder = shared_data / "data" / "soil" / "ssurgo_ar017" / "tabular"
    return pd.read_csv(folder / "muaggatt_with_header.csv", dtype={"mukey": str}).set_index("mukey")


@pytest.fixture(scope="module")
def delta(build_farm, shared_data, delta_tables):
    """Eight blocks in Chicot County, Arkansas: seven each inside one map unit of another key, one on water."""
    import geopandas as gpd

    units = gpd.read_file(shared_data / "data" / "soil" / "ssurgo_ar017" / "spatial" / "soilmu_a_ar017_subset.shp")
    # circles of 60 m well inside, so that each has one map unit
    inside = units.to_crs("EPSG:32615").geometry.representative_point().buffer(60)
    fits = inside.within(units.to_crs("EPSG:32615").geometry)
    rated = units["MUKEY"].map(delta_tables["drclassdcd"])
    mapped = units[fits & rated.notna()].drop_duplicates("MUKEY").head(7)
    water = units[fits & rated.isna() & units["MUKEY"].map(delta_tables["muname"]).eq("Water")].head(1)
    picked = pd.concat([mapped, water])
    shapes = inside[picked.index].to_crs("EPSG:4326")
    names = [f"mu {key}" for key in picked["MUKEY"]]
    folder = build_farm(
        "Delta check farm",
        {name: list(shape.exterior.coords) for name, shape in zip(names, shapes, strict=True)},
        CALENDAR.format(block=names[0]),
        "daymet_oak_ridge_tn_raw.csv",
        "lat = 36.0133\nlon = -84.2625\nelevation_m = 279",
        [
            "ssurgo_ar017/spatial/soilmu_a_ar017_subset.shp",
            "ssurgo_ar017/tabular/component_with_header.csv",
            "ssurgo_ar017/tabular/chorizon_with_header.csv",
        ],
    )
    return read_farm(folder), f"mu {water['MUKEY'].iloc[0]}"


def test_drainage_is_the_dominant_class_that_the_survey_itself_gives(delta, delta_tables):
    farm, water = delta
    soil = farm.soil[farm.soil["block_id"] != water].set_index("block_id")
    published = delta_tables["drclassdcd"].rename(lambda key: f"mu {key}")[soil.index].str.lower()
    assert len(soil) == 7
    assert soil["drainage_class"].nunique() >= 3
    assert (soil["drainage_class"] == published).all()


def test_a_block_on_water_has_no_survey_values_and_says_so(delta):
    farm, water = delta
    row = farm.soil.set_index("block_id").loc[water]
    assert row["covered_fraction"] == 0
    assert "default" in row["source"]
    notes = [f.what for f in farm.report.findings if f.place == f"block {water}"]
    assert any("0 % of the block" in what for what in notes)
    assert any(water in sentence for sentence in farm.report.assumptions)


def test_rows_of_the_delta_survey_are_all_accounted_for(delta):
    farm, _ = delta
    assert all(farm.report.lost(file) == 0 for file in farm.report.rows_read)


def test_weather_from_far_away_says_how_far(delta):
    farm, _ = delta
    assert any(" km away" in sentence for sentence in farm.report.assumptions)
