"""Suitability rasters: on ground that is the same all over they say what the plan says; any GIS opens them."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from rasterio.features import rasterize

from greengap import plan_farm, read_farm
from greengap.errors import InputProblem
from greengap.suitability_rasters import NO_SCORE, suitability_grid, write_suitability

SAMPLE = Path(__file__).resolve().parents[1] / "sample_fields"
EVEN = {"clay": 20.0, "sand": 40.0, "organic_matter": 3.0, "ph": 6.5, "available_water": 0.15, "drainage": 4}
EVEN_BLOCKS = ("River 1", "Pond", "West Bench")


def small_farm(folder: Path, even: bool) -> Path:
    """Three blocks of the sample farm; with `even`, every soil raster holds one value, in the middle of its step.

    On uneven ground one block: every kind of it is a plan of its own.
    """
    shutil.copytree(SAMPLE, folder)
    lines = (folder / "crop_calendar.csv").read_text(encoding="utf-8").splitlines()
    kept = lines[:2] + [
        line for line in lines[2:] if line.split(",")[0] in (EVEN_BLOCKS if even else ("Orchard Strip",))
    ]
    (folder / "crop_calendar.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    for name, value in EVEN.items() if even else ():
        with rasterio.open(folder / "soil" / f"{name}.tif", "r+") as raster:
            raster.write(np.full(raster.shape, value, raster.dtypes[0]), 1)
    return folder


@pytest.fixture(scope="module")
def even(tmp_path_factory):
    return read_farm(small_farm(tmp_path_factory.mktemp("even") / "farm", True))


@pytest.fixture(scope="module")
def varied(tmp_path_factory):
    return read_farm(small_farm(tmp_path_factory.mktemp("varied") / "farm", False))


def test_on_even_ground_every_cell_has_the_score_of_the_plan(even):
    found, plan = suitability_grid(even, "midsummer", 2027), plan_farm(even)
    gaps = plan.gaps[(plan.gaps["season"] == "midsummer") & (plan.gaps["start"].dt.year == 2027)]
    assert len(gaps) >= 2
    outlines = even.blocks.set_index("block_id").geometry.to_crs(found.crs.to_wkt())
    compared = 0
    for gap in gaps.itertuples():
        inner = shapely.buffer(outlines[gap.block_id], -15)
        mask = rasterize([inner], next(iter(found.scores.values())).shape, transform=found.transform).astype(bool)
        rows = plan.recommendation[plan.recommendation["gap_id"] == gap.gap_id].set_index("cover_id")
        for cover, scores in found.scores.items():
            cells = scores[mask]
            expected = rows.loc[cover, "score"] if rows.loc[cover, "eligible"] else 0.0
            assert cells == pytest.approx(np.full(len(cells), expected), abs=1e-5), (gap.gap_id, cover)
            compared += len(cells)
    assert compared > 1000


def test_cells_without_a_gap_have_no_score(even):
    found = suitability_grid(even, "midsummer", 2027)
    scores = found.scores["buckwheat"]
    plan = plan_farm(even)
    gaps = plan.gaps[(plan.gaps["season"] == "midsummer") & (plan.gaps["start"].dt.year == 2027)]
    outlines = even.blocks[even.blocks["block_id"].isin(gaps["block_id"])].to_crs(found.crs.to_wkt()).geometry
    touched = rasterize(outlines, scores.shape, transform=found.transform, all_touched=True).astype(bool)
    assert (scores[~touched] == NO_SCORE).all()
    assert (found.classes["buckwheat"][~touched] == 0).all()


def test_varied_ground_gives_several_kinds_and_scores(varied):
    found = suitability_grid(varied, "midsummer", 2027)
    assert found.kinds >= 4
    known = [scores[scores != NO_SCORE] for scores in found.scores.values()]
    assert sum(len(np.unique(scores)) > 1 for scores in known) >= 1
    assert min(scores.min() for scores in known) >= 0
    assert max(scores.max() for scores in known) <= 1


def test_one_cloud_optimised_file_a_cover_that_gdal_opens(even, tmp_path):
    found = suitability_grid(even, "midsummer", 2027)
    paths = list(write_suitability(found, even, tmp_path / "out"))
    assert {p.name for p in paths} == {
        f"suitability_{cover}.tif" for cover in even.catalogue.covers if cover in found.scores
    }
    for path in paths:
        with rasterio.open(path) as raster:
            assert raster.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
            assert raster.count == 2
            assert raster.nodata == NO_SCORE
            assert raster.tags()["gaps"] == "midsummer 2027"
            assert raster.descriptions[0].startswith("suitability score")
    with rasterio.open(tmp_path / "out" / "suitability_buckwheat.tif") as raster:
        np.testing.assert_array_equal(raster.read(1), found.scores["buckwheat"])
        assert raster.crs == found.crs


@pytest.mark.parametrize(
    ("season", "year", "words"),
    [("midsumer", None, "Perhaps 'midsummer' is meant"), ("midsummer", 1999, "no block has a midsummer gap")],
)
def test_a_season_without_gaps_says_which_there_are(even, season, year, words):
    with pytest.raises(InputProblem, match=words):
        suitability_grid(even, season, year)


def test_a_farm_without_soil_rasters_is_refused(tmp_path):
    folder = small_farm(tmp_path / "farm", True)
    text = (folder / "farm.toml").read_text(encoding="utf-8")
    start, end = text.index("[files.soil]"), text.index("# What the covers are for")
    (folder / "farm.toml").write_text(text[:start] + text[end:], encoding="utf-8")
    with pytest.raises(InputProblem, match="names no raster that can be found"):
        suitability_grid(read_farm(folder), "midsummer")
