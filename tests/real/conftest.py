"""Farms put together from real soil surveys and real weather; outlines and crop calendars are ours."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from shapely.geometry import Polygon

Outlines = Mapping[str, Sequence[tuple[float, float]]]

AMES_STATION = "nws_coop_ames_8_wsw_ia.csv"

# Drawn inside the three survey polygons, which fill a square of 0.001 degree: Clarion loam in the north-west and
# the south-east, Canisteo clay loam in the band between. Crossing lies on both.
AMES_BLOCKS: Outlines = {
    "Knoll": [
        (-93.75998, 42.02051),
        (-93.75992, 42.02052),
        (-93.75968, 42.02075),
        (-93.75936, 42.02091),
        (-93.75931, 42.02098),
        (-93.75998, 42.02098),
    ],
    "South 1": [(-93.75939, 42.02002), (-93.75939, 42.02034), (-93.75925, 42.02044), (-93.75925, 42.02002)],
    "South 2": [(-93.75924, 42.02002), (-93.75924, 42.02044), (-93.75902, 42.02047), (-93.75902, 42.02002)],
    "Swale": [
        (-93.75998, 42.02002),
        (-93.75998, 42.02041),
        (-93.75992, 42.02045),
        (-93.75978, 42.02059),
        (-93.75978, 42.02002),
    ],
    "Draw": [(-93.75931, 42.0209), (-93.75926, 42.02097), (-93.75902, 42.02097), (-93.75902, 42.02055)],
    "Crossing": [(-93.75972, 42.02003), (-93.75972, 42.02022), (-93.75941, 42.02022), (-93.75941, 42.02003)],
}

AMES_CALENDAR = """block,crop,establishment,start,end,start_early,start_late,end_early,end_late
Knoll,garden_pea,seeded,2027-04-08,2027-07-05,2027-04-01,2027-04-18,2027-06-29,2027-07-12
Knoll,lettuce,transplanted,2027-09-09,2027-10-20,2027-09-06,2027-09-14,2027-10-14,2027-10-28
Knoll,tomato,transplanted,2028-05-20,2028-09-25,2028-05-14,2028-05-28,2028-09-18,2028-10-04
South 1,snap_bean,seeded,2027-05-15,2027-08-03,2027-05-10,2027-05-22,2027-07-29,2027-08-09
South 1,onion,transplanted,2028-04-15,2028-08-05,2028-04-10,2028-04-24,2028-07-30,2028-08-12
South 1,spinach,seeded,2028-09-10,2028-10-31,2028-09-06,2028-09-15,2028-10-24,2028-11-07
South 2,winter_squash,transplanted,2027-06-05,2027-09-20,2027-05-30,2027-06-12,2027-09-14,2027-09-28
South 2,carrot,seeded,2028-04-20,2028-07-15,2028-04-14,2028-04-30,2028-07-08,2028-07-22
Swale,sweet_corn,seeded,2027-05-10,2027-08-10,2027-05-04,2027-05-20,2027-08-04,2027-08-16
Swale,cabbage,transplanted,2028-04-20,2028-07-05,2028-04-14,2028-04-28,2028-06-29,2028-07-12
Draw,potato,planted,2027-04-20,2027-08-20,2027-04-14,2027-05-01,2027-08-13,2027-08-28
Draw,summer_squash,transplanted,2028-05-25,2028-08-25,2028-05-20,2028-06-02,2028-08-18,2028-09-03
Crossing,lettuce,transplanted,2027-04-15,2027-06-15,,,,
Crossing,broccoli,transplanted,2027-08-10,2027-10-20,,,,
Crossing,muskmelon,transplanted,2028-06-01,2028-09-01,2028-05-27,2028-06-08,2028-08-25,2028-09-10
"""

SETTINGS = """
note = "Real soil and weather; invented blocks and crops."
units = "us"
organic = true
irrigation = false
animals_eat_cover = false

[purposes.weed_suppression]
weight = 2

[purposes.organic_matter]
weight = 1
aim = { biomass_lb_ac = 2000 }

[purposes.pollinators]
weight = 1

[equipment]
drill = true
spreader = true
mower = true
tillage = true
"""


@pytest.fixture(scope="session")
def build_farm(shared_data, tmp_path_factory) -> Callable[..., Path]:
    """A function that puts a farm folder together from the real data and returns it."""

    def build(
        name: str,
        outlines: Outlines,
        calendar: str,
        weather: str,
        station: str,
        survey: Sequence[str] = (),
        settings: str = SETTINGS,
    ) -> Path:
        """Outlines in degrees, longitude first; `station` is the text of its table; `survey` names polygons,
        components and horizons below data/soil."""
        folder = tmp_path_factory.mktemp(name.split()[0].lower())
        shapes = [Polygon(corners) for corners in outlines.values()]
        gpd.GeoDataFrame({"block": list(outlines)}, geometry=shapes, crs="EPSG:4326").to_file(folder / "blocks.gpkg")
        (folder / "crop_calendar.csv").write_text(calendar, encoding="utf-8")
        shutil.copyfile(shared_data / "data" / "weather_daily" / weather, folder / weather)
        files = f'[files]\npolygons = "blocks.gpkg"\ncrop_calendar = "crop_calendar.csv"\nweather = "{weather}"\n'
        for table in survey:
            source = shared_data / "data" / "soil" / table
            for path in sorted(source.parent.glob(f"{source.stem}.*")):  # a shapefile is several files
                shutil.copyfile(path, folder / path.name)
        if survey:
            keys = ("polygons", "components", "horizons")
            named = "".join(f'{key} = "{Path(table).name}"\n' for key, table in zip(keys, survey, strict=True))
            files += f"[files.soil_survey]\n{named}"
        text = f'name = "{name}"\n{settings}\n[station]\n{station}\n\n{files}'
        (folder / "farm.toml").write_text(text, encoding="utf-8")
        return folder

    return build


@pytest.fixture(scope="session")
def ames_folder(build_farm) -> Path:
    """Six blocks on the Ames survey, two years of crops, the 31-year record of the station a kilometre away."""
    return build_farm(
        "Ames check farm",
        AMES_BLOCKS,
        AMES_CALENDAR,
        AMES_STATION,
        'name = "Ames 8 WSW"\nlat = 42.0208\nlon = -93.7742\nelevation_m = 335',
        [f"ssurgo_ames_iowa/ISUAG_SSURGO_{part}" for part in ("Mapunits.shp", "component.csv", "chorizon.csv")],
    )


@pytest.fixture(scope="session")
def ames_farm(ames_folder):
    """The Ames farm as read."""
    from greengap import read_farm

    return read_farm(ames_folder)


@pytest.fixture(scope="session")
def ames_plan(ames_farm):
    """Its plan; made once, tests must not change it."""
    from greengap import plan_farm

    return plan_farm(ames_farm)


@pytest.fixture(scope="session")
def ames_days(shared_data) -> pd.DataFrame:
    """The station's own file by date, read without the program: tmin_c, tmax_c [°C], precip_mm [mm]."""
    path = shared_data / "data" / "weather_daily" / AMES_STATION
    return pd.read_csv(path, parse_dates=["date"], index_col="date")
