"""Fixtures that every test may use."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Real data that stand beside the project, in a folder named `shared`."""
    named = os.environ.get("GREENGAP_SHARED")
    folder = Path(named) if named else ROOT.parent / "shared"
    if not folder.is_dir():
        pytest.skip("no real data: neither a folder 'shared' beside the project nor GREENGAP_SHARED names one")
    return folder
