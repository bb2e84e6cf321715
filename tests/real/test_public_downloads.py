"""Farms made by docs/getting_data.md from public downloads only, and planned: nothing but the crops is ours."""

from __future__ import annotations

import shutil
from pathlib import Path

import geopandas as gpd
import pytest

from greengap import plan_farm, read_farm
from greengap.farm.new_farm import new_farm
from greengap.not_known import not_known

pytestmark = pytest.mark.real

CALENDAR = """{a},snap_bean,seeded,mid May 2027,5 August 2027
{a},onion,transplanted,mid April 2028,10 August 2028
{b},garden_pea,seeded,early April 2027,wk 27 2027
{b},broccoli,transplanted,2027-09-01,2027-10-25
{b},winter_squash,transplanted,2028-06-01,2028-09-20
{c},lettuce,transplanted,2027-04-15,mid June 2027
{c},carrot,seeded,2028-04-20,end of July 2028
"""


@pytest.fixture(scope="module")
def dutch(shared_data, tmp_path_factory) -> Path:
    """Three parcels of the national crop register (PDOK, CC0) and the record of Brussels; no soil."""
    base = tmp_path_factory.mktemp("dutch")
    parcels = gpd.read_file(shared_data / "data/field_boundaries/nl/brpgewaspercelen_definitief_2023.gpkg")
    parcels = parcels[parcels.area > 2000]
    south = parcels.loc[parcels.geometry.centroid.y.nsmallest(3).index].reset_index(drop=True)
    south.assign(block=["Noord", "Midden", "Zuid"]).to_file(base / "parcels.gpkg")
    shutil.copyfile(shared_data / "data/weather_daily/aquacrop_brussels.csv", base / "uccle.csv")
    folder = base / "farm"
    list(new_farm(folder, base / "parcels.gpkg", None, None, [base / "uccle.csv"]))
    with (folder / "farm.toml").open("a", encoding="utf-8") as settings:
        settings.write('\n[station]\nname = "Uccle"\nlat = 50.80\nlon = 4.36\nelevation_m = 100\n')
    with (folder / "crop_calendar.csv").open("a", encoding="utf-8") as calendar:
        calendar.write(CALENDAR.format(a="Noord", b="Midden", c="Zuid"))
    return folder


@pytest.fixture(scope="module")
def iowan(shared_data, tmp_path_factory) -> Path:
    """The soil survey of Ames and the co-operative station there; the blocks are its map units themselves."""
    base = tmp_path_factory.mktemp("iowan")
    survey = shared_data / "data/soil/ssurgo_ames_iowa"
    units = gpd.read_file(survey / "ISUAG_SSURGO_Mapunits.shp")
    units.assign(block=["Noord", "Midden", "Zuid"]).to_file(base / "blocks.gpkg")
    station = shared_data / "data/weather_daily/nws_coop_ames_8_wsw_ia.csv"
    folder = base / "farm"
    list(new_farm(folder, base / "blocks.gpkg", None, None, [station]))
    for path in survey.iterdir():
        shutil.copyfile(path, folder / path.name)
    text = (folder / "farm.toml").read_text(encoding="utf-8")
    text = text.replace("# [files.soil_survey]", "[files.soil_survey]")
    text = text.replace('# polygons = "soilmu.shp"', 'polygons = "ISUAG_SSURGO_Mapunits.shp"')
    text = text.replace('# components = "comp.txt"', 'components = "ISUAG_SSURGO_component.csv"')
    text = text.replace('# horizons = "chorizon.txt"', 'horizons = "ISUAG_SSURGO_chorizon.csv"')
    text += '\n[station]\nname = "Ames 8 WSW"\nlat = 42.0208\nlon = -93.7742\nelevation_m = 335\n'
    (folder / "farm.toml").write_text(text, encoding="utf-8")
    with (folder / "crop_calendar.csv").open("a", encoding="utf-8") as calendar:
        calendar.write(CALENDAR.format(a="Noord", b="Midden", c="Zuid"))
    return folder


@pytest.mark.parametrize("farm", ["dutch", "iowan"])
def test_the_farm_is_planned_and_every_row_accounted_for(farm, request):
    read = read_farm(request.getfixturevalue(farm))
    plan = plan_farm(read)
    assert all(read.report.lost(file) == 0 for file in read.report.rows_read)
    assert plan.allocation["option_id"].notna().any()
    assert plan.metadata["weather_years"] >= 30
    assert len(plan.seed_order)


def test_what_nobody_gave_is_asked_first_or_not_at_all(dutch, iowan):
    without, with_survey = (not_known(read_farm(folder), reckon=False) for folder in (dutch, iowan))
    assert without["question"].str.contains("texture of the farm's ground").any()
    assert not with_survey["question"].str.contains("texture").any()


def test_soft_dates_of_the_calendar_are_reported(dutch):
    found = [f.what for f in read_farm(dutch).report.findings if "is read as" in f.what]
    assert any("'wk 27 2027' is read as ISO week 27" in what for what in found)
    assert any("'mid May 2027' is read as 11 May to 20 May 2027" in what for what in found)
