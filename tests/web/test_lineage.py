"""Blocks that are split, merged or renamed on the page: what is known of their ground goes along."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shapely.geometry import Point, Polygon, shape

from greengap.errors import InputProblem
from greengap.farm.season_record import record_of
from greengap.farm.settings import settings_from
from greengap.farm_input import read_farm
from greengap.pack import pack, unpack
from greengap.web import edits
from greengap.web.before import before_of_blocks
from greengap.web.files_in import take_file
from greengap.web.remembered import remembered
from greengap.web.session import Session
from greengap.web.store import FarmStore

from .conftest import SAMPLE

TODAY = "2026-11-29"
SPRAYED = "block,product,applied,species,interval_months\nRiver 2,Product X,2026-06-01,other,18\n"
HISTORY = "block,date,kind,what\nRiver 2,2025,crop,cabbage\n"


@pytest.fixture
def session(small_file: Path, tmp_path: Path) -> Iterator[Session]:
    path = tmp_path / "farm.gpkg"
    shutil.copy(small_file, path)
    one = Session(FarmStore(path))
    one.planner.cancel()  # nothing here looks at a plan
    yield one
    one.close()


def _make(session: Session, make: Any, way: str) -> None:
    session.edit(session.version, lambda rows: remembered(rows, make(rows), way, TODAY))
    session.planner.cancel()


def _bring(session: Session, name: str, text: str) -> None:
    take_file(session, session.version, "any", name, text.encode(), {})
    session.planner.cancel()


def _across(session: Session, block: str) -> list[list[float]]:
    """A line through the middle of a block."""
    outline = edits.outline_of(session.rows.blocks[block])
    x, west, east = outline.centroid.x, *np.array(outline.bounds)[[1, 3]]
    return [[x, west - 0.001], [x, east + 0.001]]


def _sown(session: Session) -> None:
    row = {
        "entry_id": "e1", "written": "2026-08-01T10:00:00Z", "what": "sown", "date": "2026-08-01",
        "block_id": "River 2", "cover_id": "buckwheat",
    }  # fmt: skip
    session.store.add_to_record(record_of([row]))


def test_what_was_sprayed_grown_and_written_down_goes_on_with_the_parts(session: Session, tmp_path: Path) -> None:
    _bring(session, "sprayed.csv", SPRAYED)
    _bring(session, "history.csv", HISTORY)
    _sown(session)
    before = shape(session.rows.blocks["River 2"]["geometry"])
    _make(session, lambda rows: edits.split(rows, "River 2", _across(session, "River 2")), "split")
    assert {"River 2a", "River 2b"} <= set(session.rows.blocks)
    farm = read_farm(session.store.path)
    assert {s.block_id for s in farm.law_lists.sprayed} == {"River 2a", "River 2b"}
    assert set(farm.lineage["block_id"]) == {"River 2a", "River 2b"}
    assert set(farm.lineage["parent_id"]) == {"River 2"}
    import shapely

    assert shapely.from_wkt(farm.lineage["outline"].iloc[0]).symmetric_difference(before).area < 1e-12
    told = before_of_blocks(session.store.contents, session.catalogue)["River 2a"]
    assert told["came"] == [{"parent": "River 2", "block": "River 2a", "way": "split", "date": TODAY}]
    assert ("2026-08-01", "sown: buckwheat", "River 2") in [
        (r["date"], r["what"].lower(), r["part_of"]) for r in told["rows"]
    ]
    assert ("2025-07-01", "crop: cabbage", "River 2") in [(r["date"], r["what"], r["part_of"]) for r in told["rows"]]
    # A crop of the same family within three years is told, with where the older one stood.
    crop = next(key for key, row in session.rows.crops.items() if row["block"] == "River 2a")
    row = {**session.rows.crops[crop], "crop": "broccoli"}
    session.edit(session.version, lambda rows: edits.put_crop(rows, crop, row))
    kin = before_of_blocks(session.store.contents, session.catalogue)["River 2a"]["kin"]
    assert [(k["first"], k["of"], k["second"].lower()) for k in kin] == [("cabbage", "River 2", "broccoli")]
    # To a folder and back: the same lineage, sprays and history.
    unpack(session.store.path, tmp_path / "folder")
    assert (tmp_path / "folder" / "block_lineage.csv").is_file()
    again = read_farm(tmp_path / "folder")
    assert again.law_lists.sprayed == farm.law_lists.sprayed
    assert again.lineage.equals(farm.lineage)
    assert again.history.equals(farm.history)
    assert any("both" in f.what and "River 2a" in f.place for f in again.report.findings)
    packed = read_farm(pack(tmp_path / "folder", tmp_path / "again.gpkg"))
    assert packed.lineage.equals(farm.lineage)
    assert packed.history.equals(farm.history)


def test_a_merged_block_has_the_crops_of_both_and_undo_forgets_it(session: Session) -> None:
    _bring(session, "sprayed.csv", SPRAYED)
    first = next(key for key, row in session.rows.crops.items() if row["block"] == "River 2")
    row = {**session.rows.crops[first], "crop": "cabbage", "start": "2026-04-01", "end": "2026-06-20"}
    row |= dict.fromkeys(("start_early", "start_late", "end_early", "end_late"), "")
    session.edit(session.version, lambda rows: edits.put_crop(rows, first, row))
    at_first = (dict(session.rows.lists), dict(session.rows.lineage))
    west, _, east, _ = edits.outline_of(session.rows.blocks["River 2"]).bounds
    _make(session, lambda rows: edits.split(rows, "River 2", _across(session, "River 2")), "split")
    _make(session, lambda rows: edits.merge(rows, ["River 2b", "River 2a"], "River 2"), "merged")
    assert west < east
    lineage = session.store.contents.lineage
    assert {(r.block_id, r.parent_id) for r in lineage.itertuples()} == {
        ("River 2", "River 2a"), ("River 2", "River 2b"),
    }  # fmt: skip
    assert {s.block_id for s in read_farm(session.store.path).law_lists.sprayed} == {"River 2"}
    told = before_of_blocks(session.store.contents, session.catalogue)["River 2"]
    assert ("crop: cabbage", "River 2a") in [(r["what"], r["part_of"]) for r in told["rows"]]
    for _ in range(2):
        session.step(session.version, True)
    assert (session.rows.lists, session.rows.lineage) == at_first
    assert session.store.contents.lineage.empty


def test_a_new_name_and_a_hole_are_remembered_and_settings_go_along(session: Session) -> None:
    _bring(session, "sprayed.csv", SPRAYED)
    settings = {
        "irrigation": ["River 2"],
        "irrigation_set": {"blocks": {"River 2": {"area_m2": 500}}},
        "machinery": {"beds": ["River 2"], "bed_pitch": "1.5 m", "headings": {"River 2": 20.0}},
    }
    session.edit(session.version, lambda rows: edits.set_settings(rows, settings))
    _make(session, lambda rows: edits.rename(rows, "River 2", "Riverside", ""), "renamed")
    farm = read_farm(session.store.path)
    assert farm.settings.machinery.beds == frozenset({"Riverside"})
    assert set(farm.settings.machinery.headings_deg) == {"Riverside"}
    assert farm.settings.irrigation_set("Riverside").area_m2 == 500
    assert [s.block_id for s in farm.law_lists.sprayed] == ["Riverside"]
    middle = edits.outline_of(session.rows.blocks["Riverside"]).representative_point()
    d = 2e-5
    hole = [[middle.x, middle.y], [middle.x + d, middle.y], [middle.x + d, middle.y + d]]
    _make(session, lambda rows: edits.cut_out(rows, "Riverside", hole), "cut out")
    ways = [(r.block_id, r.parent_id, r.way) for r in session.store.contents.lineage.itertuples()]
    assert ways == [("Riverside", "River 2", "renamed"), ("Riverside", "Riverside", "cut out")]
    assert [s.block_id for s in read_farm(session.store.path).law_lists.sprayed] == ["Riverside"]


def test_a_name_that_is_taken_up_again_makes_no_circle(session: Session) -> None:
    _make(session, lambda rows: edits.rename(rows, "Pond", "Low", ""), "renamed")
    _make(session, lambda rows: edits.rename(rows, "Low", "Pond", ""), "renamed")
    lineage = session.store.contents.lineage
    assert [(r.block_id, r.parent_id) for r in lineage.itertuples()] == [("Pond", "Low")]


def test_the_reason_of_a_hole_is_kept_found_by_its_place_and_changed(session: Session) -> None:
    whole = edits.outline_of(session.rows.blocks["Pond"])
    middle, d = whole.representative_point(), 4e-5
    ring = [[middle.x - d, middle.y - d], [middle.x + d, middle.y - d], [middle.x + d, middle.y + d]]
    with pytest.raises(edits.EditProblem, match="hole_note"):
        edits.cut_out(session.rows, "Pond", ring, "other", " ")
    _make(session, lambda rows: edits.cut_out(rows, "Pond", ring, "wet"), "cut out")
    _make(session, lambda rows: edits.rename(rows, "Pond", "Low Ground", ""), "renamed")
    (said,) = read_farm(session.store.path).settings.cut_outs
    assert (said.reason, said.words) == ("wet", "wet")
    holes = edits.outline_of(session.rows.blocks["Low Ground"]).interiors
    assert [Polygon(hole).covers(Point(said.lon, said.lat)) for hole in holes].count(True) == 1
    place = (said.lon, said.lat)
    change = edits.hole_reason(session.rows, "Low Ground", place, "other", "old well")
    session.edit(session.version, lambda _: change)
    (said,) = read_farm(session.store.path).settings.cut_outs
    assert (said.reason, said.words) == ("other", "old well")
    with pytest.raises(edits.EditProblem, match="no_hole"):
        edits.hole_reason(session.rows, "River 1", place, "wet", "")
    session.edit(session.version, lambda rows: edits.hole_reason(rows, "Low Ground", place, "", ""))
    assert read_farm(session.store.path).settings.cut_outs == ()
    for _ in range(4):
        session.step(session.version, True)
    assert "cut_outs" not in session.rows.settings
    assert edits.outline_of(session.rows.blocks["Pond"]).equals(whole)


def test_a_piece_off_the_edge_leaves_no_hole_and_says_that_its_reason_is_not_kept(session: Session) -> None:
    west, south, _, _ = edits.outline_of(session.rows.blocks["Pond"]).bounds
    x, y = edits.outline_of(session.rows.blocks["Pond"]).exterior.coords[0]
    d = 3e-5
    ring = [[x - d, y - d], [x + d, y - d], [x + d, y + d], [x - d, y + d]]
    patch, words = edits.cut_out(session.rows, "Pond", ring, "wet")
    assert words[0] == "did_cut_corner"
    assert "settings" not in patch
    assert west <= x
    assert south <= y


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[cut_outs]]\nlon = 13.9\nlat = 48.5\nreason = "swampy"\n', "'swampy' is not known"),
        ('[[cut_outs]]\nlon = 1390\nlat = 48.5\nreason = "wet"\n', "is no place"),
        ('cut_outs = ["wet"]\n', "is not a list of tables"),
    ],
)
def test_a_reason_that_cannot_be_is_refused(text: str, said: str) -> None:
    own = (SAMPLE / "farm.toml").read_text(encoding="utf-8")
    with pytest.raises(InputProblem, match=said):
        settings_from((text + own if text.startswith("cut") else own + text).encode(), SAMPLE, "x")
