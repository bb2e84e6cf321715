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
