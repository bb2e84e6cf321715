"""The whole chain on real ground: the Ames survey, 31 years of its station, six blocks of our own."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from greengap.output.geojson import plan_features
from greengap.output.map import map_payload
from greengap.output.summary import summary
from greengap.site.frost import freeze_dates, freeze_percentiles, month_and_day
from greengap.units import LB_AC_KG_HA

pytestmark = pytest.mark.real

BIOMASS_ROWS = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "biomass.csv").open(encoding="utf-8")))
BIOMASS = [row for row in BIOMASS_ROWS if row["asserted"] == "yes"]
TO_KG_HA = {"lb/ac": LB_AC_KG_HA, "short ton/ac": 2000 * LB_AC_KG_HA}
FROST_TENDER = ["buckwheat", "cowpea", "sorghum_sudangrass", "cowpea_sorghum_sudangrass"]
MAP_UNIT = {"Clarion": ["Knoll", "South 1", "South 2"], "Canisteo": ["Swale", "Draw"]}


@pytest.fixture(scope="module")
def runs(ames_plan) -> pd.DataFrame:
    """Every option in every weather year, with the dates on which it was sown, came up and had to end."""
    table = ames_plan.season.merge(ames_plan.options, on="option_id")
    # The weather year is that of the gap's first sowing date; later dates follow it day by day.
    first = table.groupby("gap_id")["sow_date"].transform("min")
    opening = pd.to_datetime(table["weather_year"].astype(str) + first.dt.strftime("-%m-%d"))
    table["sown"] = opening + (table["sow_date"] - first)
    table["up"] = table["sown"] + pd.to_timedelta(table["emergence_d"], unit="D")
    table["ends"] = table["sown"] + (table["terminate_by"] - table["sow_date"])
    table["killed"] = table["sown"] + pd.to_timedelta(table["frost_kill_d"], unit="D")
    return table


def first_night(days: pd.DataFrame, at_or_below_degc: float, from_dates: pd.Series) -> pd.Series:
    """The first day with so cold a minimum on or after each date; NaT if none is on record."""
    cold = days.index[days["tmin_c"] <= at_or_below_degc].to_numpy()
    at = np.searchsorted(cold, from_dates.to_numpy())
    return pd.Series(np.append(cold, np.datetime64("NaT"))[at], index=from_dates.index)


def rows_of(path: Path) -> int:
    return len(pd.read_csv(path, dtype=str))


# -- what was read ---------------------------------------------------------------------------------


def test_every_row_that_was_read_is_used_or_reported(ames_farm, ames_folder):
    report = ames_farm.report
    assert all(report.lost(file) == 0 for file in report.rows_read)
    assert report.rows_read["blocks.gpkg"] == 6
    assert report.rows_read["ISUAG_SSURGO_Mapunits.shp"] == 3
    for file in ("crop_calendar.csv", "nws_coop_ames_8_wsw_ia.csv", "ISUAG_SSURGO_component.csv"):
        assert report.rows_read[file] == rows_of(ames_folder / file)
    horizons = pd.read_csv(ames_folder / "ISUAG_SSURGO_chorizon.csv")
    assert report.rows_read["ISUAG_SSURGO_chorizon.csv"] == len(horizons)
    assert report.rows_used["ISUAG_SSURGO_chorizon.csv"] == (horizons["hzdept.r"] < 30).sum()
    assert report.findings == []


@pytest.mark.parametrize(
    ("unit", "column", "by_hand"),
    [  # over 0 to 30 cm, by hand from the component and horizon tables
        # 0.85 x 21 + 0.10 x (18 x 20 + 21 x 10) / 30 + 0.05 x 26
        ("Clarion", "clay_fraction", 0.2105),
        # 0.85 x 45 + 0.10 x (51 x 20 + 42 x 10) / 30 + 0.05 x 31
        ("Clarion", "sand_fraction", 0.4460),
        # 0.85 x (3.5 x 23 + 2.5 x 7) / 30 + 0.10 x (2.5 x 20 + 0.5 x 10) / 30 + 0.05 x (6 x 20 + 4 x 10) / 30
        ("Clarion", "organic_matter_fraction", 0.0322667),
        # 0.85 x 6.2 + 0.10 x (7.7 x 20 + 7.5 x 10) / 30 + 0.05 x 6.2
        ("Clarion", "ph", 6.343333),
        # 0.85 x (0.21 x 23 + 0.18 x 7) / 30 + 0.10 x 0.18 + 0.05 x 0.21
        ("Clarion", "available_water_fraction", 0.20105),
        # 0.85 x (1.30 x 23 + 1.35 x 7) / 30 + 0.10 x (1.30 x 20 + 1.55 x 10) / 30 + 0.05 x (1.10 x 20 + 1.25 x 10) / 30
        ("Clarion", "bulk_density_mg_m3", 1.31075),
        # Canisteo, Okoboji, Webster, Harps:
        # 0.85 x (29 x 20 + 30 x 10) / 30 + 0.08 x 36 + 0.05 x (32 x 20 + 33 x 10) / 30
        #  + 0.02 x (28 x 20 + 26 x 10) / 30
        ("Canisteo", "clay_fraction", 0.29976667),
        # 0.85 x (7.5 x 20 + 7.7 x 10) / 30 + 0.08 x (6.8 x 20 + 7.0 x 10) / 30
        #  + 0.05 x (6.5 x 20 + 6.9 x 10) / 30 + 0.02 x (7.5 x 20 + 8.0 x 10) / 30
        ("Canisteo", "ph", 7.466),
    ],
)
def test_a_block_inside_a_map_unit_has_the_soil_of_its_tables(ames_farm, unit, column, by_hand):
    soil = ames_farm.soil.set_index("block_id").loc[MAP_UNIT[unit]]
    assert soil[column].to_numpy() == pytest.approx(by_hand, rel=1e-5)
    assert (soil["covered_fraction"] > 0.999).all()


def test_drainage_classes_are_the_shares_of_the_components(ames_farm):
    shares = ames_farm.class_shares.set_index(["block_id", "class_name"])["share_fraction"]
    for block in MAP_UNIT["Clarion"]:
        assert shares[block].to_dict() == pytest.approx({"well drained": 0.95, "somewhat poorly drained": 0.05})
    for block in MAP_UNIT["Canisteo"]:
        assert shares[block].to_dict() == pytest.approx({"poorly drained": 0.92, "very poorly drained": 0.08})


def test_a_block_on_two_map_units_has_the_mean_by_area(ames_farm, ames_folder):
    units = gpd.read_file(ames_folder / "ISUAG_SSURGO_Mapunits.shp").to_crs("EPSG:32615")
    block = gpd.read_file(ames_folder / "blocks.gpkg").to_crs("EPSG:32615").set_index("block").geometry["Crossing"]
    clarion = units[units["MUKEY"].astype(str) == "2765522"].intersection(block).area.sum() / block.area
    assert 0.2 < clarion < 0.8
    soil = ames_farm.soil.set_index("block_id").loc["Crossing"]
    assert soil["clay_fraction"] == pytest.approx(0.2105 * clarion + 0.29976667 * (1 - clarion), abs=1e-4)
    assert soil["ph"] == pytest.approx(6.343333 * clarion + 7.466 * (1 - clarion), abs=1e-3)


# -- weather years and frost -----------------------------------------------------------------------


def test_31_weather_years_run_and_30_where_new_year_lies_between_sowing_and_end(ames_plan):
    table = ames_plan.odds.drop(columns="terminate_by").merge(ames_plan.options, on="option_id")
    first = table.groupby("gap_id")["sow_date"].transform("min")
    over_new_year = first.dt.year < table["terminate_by"].dt.year
    # Sowing needs the 30 days before it, which the first January has not got.
    in_january = table["sow_date"].dt.day_of_year <= 31
    assert (table["years"][over_new_year] == 30).all()
    assert (table["years"][~over_new_year & ~in_january] == 31).all()
    assert (table["years"] >= 30).all()


def test_freeze_dates_of_the_farm_are_those_of_the_climate_normals(ames_farm):
    # NOAA 1981-2010 normals, USC00130200: half the springs freeze after 22 April, half the autumns before 10 October;
    # ours are 1988 to 2018 and warmer
    site = ames_farm.weather.isel(site_id=0)
    years = freeze_dates(site["tmin_degc"].to_numpy(), site["date"].to_numpy())
    spring = freeze_percentiles(years["last_spring_d"].to_numpy(), 0.5, "spring").day
    autumn = freeze_percentiles(years["first_autumn_d"].to_numpy(), 0.5, "autumn").day
    assert spring == pytest.approx(112, abs=5), month_and_day(spring)
    assert autumn == pytest.approx(283, abs=5), month_and_day(autumn)


def test_buckwheat_dies_by_the_first_night_of_its_killing_temperature(ames_plan, runs, ames_days):
    # That night takes half of the stand, which is then dead; colder ones before it may have done so in steps.
    kill_degc = ames_plan.catalogue.species["buckwheat"].number("frost_kill_temperature")
    summer = runs[(runs["gap_id"] == "South 2/3") & (runs["cover_id"] == "buckwheat") & (runs["sown"].dt.month == 8)]
    night = first_night(ames_days, kill_degc, summer["up"] + pd.Timedelta(days=1))
    assert len(summer) >= 4 * 31
    caught = summer[night <= summer["ends"]]
    assert (caught["killed"] <= night[caught.index]).all()
    freeze = first_night(ames_days, 0.0, summer["up"] + pd.Timedelta(days=1))
    assert (caught["killed"] >= freeze[caught.index]).all()
    # a killing frost of -2 °C comes after the first freeze of the normals, 10 October in half the years, and soon after
    median = summer["killed"].dt.day_of_year.median()
    assert 283 - 7 <= median <= 283 + 21


def test_no_frost_tender_cover_survives_minus_five(runs, ames_days):
    # Penn State Extension, frost on summer annuals: all were dead after a night of 23 °F
    tender = runs[runs["cover_id"].isin(FROST_TENDER) & runs["emergence_d"].notna()]
    night = first_night(ames_days, -5.0, tender["up"] + pd.Timedelta(days=1))
    met = tender[night <= tender["ends"]]
    assert len(met) > 1000
    assert met["killed"].notna().all()
    assert (met["killed"] <= night[met.index]).all()
    assert (met["growth_end_d"] <= met["frost_kill_d"]).all()


def test_oats_sown_in_august_never_live_through_an_iowa_winter(runs):
    # winterkill in zone 6 and colder; Ames lies in zone 5 (Managing Cover Crops Profitably, chart 3A, from memory)
    oat = runs[(runs["gap_id"] == "South 1/2") & (runs["cover_id"] == "oat") & (runs["sown"].dt.month == 8)]
    assert len(oat) >= 60
    assert oat["frost_kill_d"].notna().all()


def test_spring_buckwheat_counts_as_spared_only_if_no_killing_freeze_follows_it_up(ames_plan, runs, ames_days):
    kill_degc = ames_plan.catalogue.species["buckwheat"].number("frost_kill_temperature")
    spring = runs[(runs["cover_id"] == "buckwheat") & (runs["sown"].dt.month <= 5) & runs["emergence_d"].notna()]
    until = spring["sown"] + pd.to_timedelta(spring["aim_d"], unit="D")
    night = first_night(ames_days, kill_degc, spring["up"] + pd.Timedelta(days=1))
    hit = night <= until.fillna(spring["ends"])
    assert hit.sum() > 0
    assert not spring.loc[hit, "frost_spared"].any()


def test_no_cover_is_recommended_that_frost_takes_in_more_years_than_the_gate_allows(ames_plan):
    sown = ames_plan.allocation.dropna(subset=["option_id"]).merge(ames_plan.odds, on="option_id")
    assert len(sown) > 0
    assert (sown["frost_spared_years"] >= ames_plan.catalogue.rule("gate_frost_share") * sown["years"]).all()


# -- season ----------------------------------------------------------------------------------------


def test_one_weather_year_is_reckoned_like_another(runs):
    """Sown after 20 September, no sorghum-sudangrass makes a tonne before frost, in the last year on record either."""
    late = runs[(runs["cover_id"] == "sorghum_sudangrass") & (runs["sown"].dt.day_of_year > 263)]
    assert set(late["weather_year"]) == set(range(1988, 2019))
    assert late.groupby("weather_year")["biomass_kg_ha"].max().lt(1000).all()


@pytest.mark.parametrize("check", BIOMASS, ids=lambda check: check["check_id"])
def test_median_dry_matter_lies_in_the_published_range(runs, check):
    month_day = runs["sown"].dt.strftime("%m-%d")
    here = runs[
        (runs["gap_id"] == check["gap_id"])
        & (runs["cover_id"] == check["cover"])
        & (month_day >= check["sow_from"])
        & (month_day <= check["sow_until"])
    ]
    assert set(here["weather_year"]) == set(range(1988, 2019))
    if check["days"]:
        assert ((here["ends"] - here["sown"]).dt.days == int(check["days"])).all()
    median = here["biomass_kg_ha"].median() / TO_KG_HA[check["unit"]]
    assert float(check["low"]) <= median <= float(check["high"]), f"{median:.2f} {check['unit']}"


def test_buckwheat_sown_in_july_flowers_after_four_to_six_and_a_half_weeks(runs):
    # Cornell: first flower about day 30 (cover crop guide), 35 to 42 days (growers' guide), early bloom on day 44
    # (New York, sown 8 July)
    july = runs[(runs["cover_id"] == "buckwheat") & (runs["sown"].dt.month == 7) & (runs["gap_id"] == "South 2/3")]
    first = july.groupby("sow_date")["first_flower_d"].median()
    assert len(first) >= 2
    assert first.between(28, 45).all(), first
    assert july["first_flower_d"].notna().mean() > 0.8  # in a dry July it comes up too late


def test_sorghum_sudangrass_is_not_sown_into_cold_spring_soil(ames_plan, runs):
    # wants 65 °F (University of Vermont); soil at 4 in. in central Iowa reaches 50 °F in the second half of April
    # (Iowa State University, from memory)
    spring = runs[(runs["cover_id"] == "sorghum_sudangrass") & (runs["sown"].dt.month <= 4)]
    assert len(spring) > 1000
    assert spring["soil_warm"].mean() < 0.01  # the last days of April of a warm year
    gaps = ames_plan.gaps.loc[ames_plan.gaps["season"] == "early spring", "gap_id"]
    rows = ames_plan.recommendation[ames_plan.recommendation["gap_id"].isin(gaps)]
    rows = rows[rows["cover_id"].isin(["sorghum_sudangrass", "cowpea_sorghum_sudangrass", "cowpea"])]
    assert len(rows) == 3 * len(gaps)
    assert not rows["eligible"].any()
    assert runs[(runs["cover_id"] == "sorghum_sudangrass") & (runs["sown"].dt.month == 7)]["soil_warm"].all()


# -- the plan --------------------------------------------------------------------------------------


def test_the_calendar_leaves_gaps_in_every_season(ames_plan):
    assert set(ames_plan.gaps["season"]) == {"early spring", "midsummer", "autumn", "overwinter"}


def test_a_cover_that_hates_wet_feet_is_kept_off_poorly_drained_ground(ames_plan):
    gaps = ames_plan.gaps.loc[ames_plan.gaps["block_id"].isin(MAP_UNIT["Canisteo"]), "gap_id"]
    rows = ames_plan.recommendation[ames_plan.recommendation["gap_id"].isin(gaps)].set_index("cover_id")
    for cover in ("buckwheat", "sorghum_sudangrass", "crimson_clover"):
        assert not rows.loc[cover, "eligible"].any()
        assert rows.loc[cover, "limiting_factor"].str.contains("wetter than it stands").all()


def test_seed_of_order_geojson_and_map_is_the_same_to_the_gram(ames_plan):
    order = ames_plan.seed_order
    features = plan_features(ames_plan)["features"]
    assert int(order["seed_g"].sum()) > 0
    assert sum(feature["properties"]["seed_g"] for feature in features) == int(order["seed_g"].sum())
    assert map_payload(ames_plan)["totals"]["seed_g_all"] == int(order["seed_g"].sum())
    by_species = ames_plan.seed_need.groupby("species")["seed_g"].sum()
    assert by_species.to_dict() == order.groupby("species")["seed_g"].sum().to_dict()


def test_the_summary_speaks_us_units_and_names_the_years(ames_plan):
    said = "\n".join(summary(ames_plan))
    assert "31 weather years, 1988 to 2018" in said
    assert " lb/ac" in said
    assert " kg" not in said
    assert not re.search(r"\d ha\b", said)
