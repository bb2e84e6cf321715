"""Learning on real trials, replayed as if they were a farm's own records: the catalogue's scatter, the page.

Cereal rye: S. Huddell et al., Sci. Data 11:200, 2024. First flower: field crop trials, 34 experiments. Rye over many
years: V. Nichols et al., Front. Agron., 2020. Each folder of the data has a README.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from greengap.calibration.prior_scatter import components
from greengap.calibration.replay_rows import long_term_residuals, trial_residuals, weighed_rye
from greengap.calibration.trial_data import read_trials
from greengap.calibration.trial_weather import stations
from greengap.catalogue import load_catalogue
from greengap.errors import ImportReport

VALIDATION = Path(__file__).parents[2] / "docs" / "validation"
CATALOGUE = load_catalogue()
AMES = "Agricultural Engineering and Agronomy Research Farm (AEARF)"

pytestmark = pytest.mark.real


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("make_learning", VALIDATION / "make_learning.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def folder(shared_data) -> Path:
    return shared_data / "data"


@pytest.fixture(scope="module")
def rows(folder) -> pd.DataFrame:
    return trial_residuals(read_trials(folder), CATALOGUE, folder)


@pytest.fixture(scope="module")
def weighed(folder) -> pd.DataFrame:
    return weighed_rye(folder)


@pytest.fixture(scope="module")
def table(script, rows, weighed, folder) -> pd.DataFrame:
    pytest.importorskip("matplotlib")
    long_term = long_term_residuals(folder, stations(folder, ImportReport()), CATALOGUE)
    used = (part[part["why_not"] == ""] for part in (rows, long_term))
    return script.replays(*used, weighed, CATALOGUE)


def test_the_catalogue_has_the_scatter_of_the_trials(rows, weighed):
    used = rows[rows["why_not"] == ""]
    by = {p: components(part) for p, part in used.groupby("parameter")}
    drilled = components(used[(used["parameter"] == "growth") & (used["drilled"] == "yes")])
    rule = CATALOGUE.rule
    assert rule("learning_flowering_site") == pytest.approx(by["flowering"].site, abs=0.005)
    assert rule("learning_flowering_year") == pytest.approx(by["flowering"].year, abs=0.005)
    assert rule("learning_flowering_record") == pytest.approx(by["flowering"].record, abs=0.005)
    assert by["emergence"].repeated == 0
    both = np.hypot(rule("learning_emergence_site"), rule("learning_emergence_year"))
    assert both == pytest.approx(by["emergence"].site, abs=0.005)
    assert rule("learning_growth_site") == pytest.approx(drilled.site, abs=0.005)
    mean = weighed.groupby(["place", "year"])["log_kg_ha"].mean().groupby("place").mean().mean()
    rye = components(weighed.assign(residual=weighed["log_kg_ha"] - mean))
    assert rule("learning_growth_year") == pytest.approx(rye.year, abs=0.005)
    assert rule("learning_growth_record") == pytest.approx(rye.record, abs=0.005)


def test_every_row_is_used_or_says_why(rows):
    assert (rows["residual"].notna() == (rows["why_not"] == "")).all()
    assert (rows["why_not"] != "").mean() < 0.06


def test_pooling_alone_helps_on_farms_that_weighed_rye_in_several_years(table, script):
    alone = table[table["of"] == script.AS_WEIGHED]
    one = alone[alone["learned_years"] == 1]
    assert len(one) == 38
    assert one["after"].mean() < one["own_mean"].mean() < one["before"].mean()
    assert (one["after"] < one["before"]).sum() > len(one) / 2
    two = alone[alone["learned_years"] == 2]
    assert two["after"].mean() < two["before"].mean()
    assert one["inside"].mean() == pytest.approx(0.8, abs=3 * np.sqrt(0.16 / 38))


def test_first_flower_comes_nearer_at_places_with_several_years(table):
    flower = table[table["of"] == "first flower"]
    assert set(flower["place"]) == {"Ames", "Elora", "Gainesville", "Lugo"}
    assert flower["after"].mean() < flower["before"].mean()
    assert (flower["after"] < flower["before"]).sum() >= len(flower) - 1


def test_where_learning_does_harm_the_page_says_so(table):
    ames = table[(table["place"] == AMES) & (table["of"] == "rye, dated")].set_index("learned_years")
    assert ames.loc[1, "after"] > ames.loc[1, "before"]
    page = (VALIDATION / "learning.md").read_text(encoding="utf-8")
    assert "three years near Ames: **worse**" in " ".join(page.split())


def test_the_stored_replays_are_these(table):
    stored = pd.read_csv(VALIDATION / "learning.csv")
    assert stored[["of", "place", "learned_years"]].equals(table[["of", "place", "learned_years"]])
    for column in ("before", "after", "own_mean", "inside"):
        assert stored[column].to_numpy() == pytest.approx(table[column].to_numpy(), abs=2e-3)
