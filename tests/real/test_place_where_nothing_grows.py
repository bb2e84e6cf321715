"""An arctic place: the plan says in plain words that no cover grows there, and the exit code says it too."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pandas as pd
import pytest

pytestmark = pytest.mark.real

OUTLINES = {
    "Bay": [(-68.4010, 63.7500), (-68.3995, 63.7500), (-68.3995, 63.7505), (-68.4010, 63.7505)],
    "Point": [(-68.3990, 63.7500), (-68.3980, 63.7500), (-68.3980, 63.7504)],
}
# Bay is free from June on, Point until late August: the whole short summer.
CALENDAR = """block,crop,establishment,start,end
Bay,radish,seeded,2027-05-25,2027-06-10
Point,lettuce,transplanted,2027-08-25,2027-09-20
"""
FEW_YEARS = (
    "Only 4 complete weather years in era5_iqaluit_1990_1993.csv: the odds are counts out of so few years that they "
    "say little; give 10 or more."
)


@pytest.fixture(scope="module")
def arctic(build_farm, tmp_path_factory):
    """The finished command, and the folder it wrote."""
    farm = build_farm("Arctic check farm", OUTLINES, CALENDAR, "era5_iqaluit_1990_1993.csv", "lat = 63.75\nlon = -68.4")
    out = tmp_path_factory.mktemp("arctic-plan")
    command = [sys.executable, "-m", "greengap.cli", "plan", str(farm), "--out", str(out)]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p), "PYTHONIOENCODING": "utf-8"}
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", env=environment, timeout=120)
    return done, out


def test_the_exit_code_is_3_and_nothing_went_wrong(arctic):
    done, _ = arctic
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr


def test_the_plan_says_that_nothing_fits_and_orders_no_seed(arctic):
    done, _ = arctic
    assert "No cover fits any gap of this farm; there is no seed to order." in done.stdout
    assert "bare, unless you know one that does (4 gaps)" in done.stdout


def test_it_says_how_little_four_weather_years_mean(arctic):
    done, _ = arctic
    assert FEW_YEARS in done.stdout


def test_what_was_taken_for_the_unknown_soil_is_listed(arctic):
    done, _ = arctic
    for what in ("Texture unknown", "Organic matter unknown", "pH unknown", "Drainage unknown"):
        assert f"{what} on every block" in done.stdout


def test_every_gap_is_left_bare_and_every_cover_has_its_reason(arctic):
    _, out = arctic
    table = pd.read_csv(out / "recommendation.csv")
    best = table[table["rank"] == 1]
    assert len(best) == 4
    assert (best["cover_id"] == "no_cover").all()
    others = table[table["cover_id"] != "no_cover"]
    assert (others["suitability_class"] == "N").all()
    assert others["limiting_factor"].str.len().gt(0).all()


def test_the_geojson_has_the_gaps_and_no_seed(arctic):
    _, out = arctic
    plan = json.loads((out / "plan.geojson").read_text(encoding="utf-8"))
    assert len(plan["features"]) == 4
    assert all(feature["properties"]["seed_g"] == 0 for feature in plan["features"])
