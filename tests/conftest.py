"""Fixtures that every test may use."""

from __future__ import annotations

import importlib
import os
import re
import shutil
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

ROOT = Path(__file__).resolve().parents[1]
CHROMIUM = "/usr/bin/chromium"
SWITCHES = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip

settings.register_profile("no clock", deadline=None)  # a slow machine is not a fault
settings.load_profile("no clock")


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Real data that stand beside the project, in a folder named `shared`."""
    named = os.environ.get("GREENGAP_SHARED")
    folder = Path(named) if named else ROOT.parent / "shared"
    if not folder.is_dir():
        pytest.skip("no real data: neither a folder 'shared' beside the project nor GREENGAP_SHARED names one")
    return folder


@pytest.fixture(scope="session")
def other_software() -> Callable[[str], Any]:
    """Imports a library of the extra `outside`; tests skip without it, or fail under GREENGAP_NO_OUTSIDE_SKIP."""

    def found(name: str) -> Any:
        try:
            return importlib.import_module(name)
        except ImportError:
            missing = pytest.fail if os.environ.get("GREENGAP_NO_OUTSIDE_SKIP") else pytest.skip
            missing(f"{name} is not installed: pip install 'greengap[outside]'")

    return found


@pytest.fixture(scope="session")
def ames_weather(shared_data):
    """31 years of the station Ames 8 WSW, Iowa, by date."""
    import pandas as pd
    import xarray as xr

    table = pd.read_csv(
        shared_data / "data" / "weather_daily" / "nws_coop_ames_8_wsw_ia.csv", parse_dates=["date"], index_col="date"
    ).asfreq("D")
    named = {"tmin_degc": "tmin_c", "tmax_degc": "tmax_c", "precipitation_mm": "precip_mm"}
    return xr.Dataset(
        {ours: ("date", table[theirs].to_numpy()) for ours, theirs in named.items()},
        coords={"date": table.index.to_numpy()},
    )


@pytest.fixture(scope="session")
def sample_farm():
    """The sample farm as read."""
    from greengap import read_farm

    return read_farm(Path(__file__).parents[1] / "sample_fields")


@pytest.fixture(scope="session")
def gone_season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample farm with its first season a year ago, so that it can be written down; to be copied, not changed."""
    folder = shutil.copytree(ROOT / "sample_fields", tmp_path_factory.mktemp("gone") / "farm")
    calendar = folder / "crop_calendar.csv"
    first = date.today().year - 1
    years = {"2027": str(first), "2028": str(first + 1)}
    calendar.write_text(re.sub(r"\b202[78]\b", lambda m: years[m[0]], calendar.read_text(encoding="utf-8")))
    return folder


@pytest.fixture(scope="session")
def sample_plan(sample_farm):
    """The plan of the sample farm; made once, tests must not change it."""
    from greengap import plan_farm

    return plan_farm(sample_farm)


@pytest.fixture(scope="session")
def flowering_plan(sample_farm, sample_plan):
    """The sample farm planned for flowers alone, with sprays here and next door and little to mow with."""
    from dataclasses import replace

    import pandas as pd

    from greengap.farm.settings import Purpose
    from greengap.farm.sprays import PlannedSpray
    from greengap.plan import replan_without

    days = {name: pd.Timestamp(day) for name, day in (("first", "2027-08-09"), ("last", "2027-08-11"))}
    sprays = (
        PlannedSpray("list row 2", "Pond", "", None, **days, product="B 2 (invented)"),
        PlannedSpray("list row 3", "", "lane orchard", 40.0, **days, harms_bees=True, call="Ann, 555 0100"),
        PlannedSpray("list row 4", "Hedge Corner", "", None, pd.Timestamp("2027-05-01"), pd.Timestamp("2027-05-01")),
    )
    settings = replace(sample_farm.settings, purposes=(Purpose("pollinators", 1.0),), mown_m2_d=6000.0)
    return replan_without(replace(sample_farm, settings=settings, sprays=sprays), sample_plan, ())


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """The system's Chromium; tests skip where it or its driver is missing, or fail under GREENGAP_NO_BROWSER_SKIP."""
    missing = pytest.fail if os.environ.get("GREENGAP_NO_BROWSER_SKIP") else pytest.skip
    try:
        import playwright.sync_api as driver
    except ImportError:
        missing("playwright is not installed")
    found = CHROMIUM if Path(CHROMIUM).exists() else shutil.which("chromium") or shutil.which("google-chrome")
    if found is None:
        missing("no Chromium on this machine")
    with driver.sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=found, args=SWITCHES)
        yield chromium
        chromium.close()
