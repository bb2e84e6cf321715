"""Fixtures that every test may use."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import settings

ROOT = Path(__file__).resolve().parents[1]

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
def sample_farm():
    """The sample farm as read."""
    from greengap import read_farm

    return read_farm(Path(__file__).parents[1] / "sample_fields")


@pytest.fixture(scope="session")
def sample_plan(sample_farm):
    """The plan of the sample farm; made once, tests must not change it."""
    from greengap import plan_farm

    return plan_farm(sample_farm)
