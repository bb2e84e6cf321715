"""The farm file: other programs open it, what is written is read again, changes are whole or nothing."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely
from pyproj import Geod

from greengap import plan_farm, read_farm
from greengap.errors import InputProblem
from greengap.farm.farm_file import edit_farm_file, is_farm_file, read_farm_file, read_table, write_farm_file
from greengap.pack import pack, unpack

SAMPLE = Path(__file__).resolve().parents[2] / "sample_fields"
TABLES = ("gaps", "recommendation", "suitability", "seed_need", "seed_order", "soil", "cautions", "season", "odds")


@pytest.fixture(scope="module")
def packed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return pack(SAMPLE, tmp_path_factory.mktemp("packed") / "farm.gpkg")


@pytest.fixture
def copy(packed: Path, tmp_path: Path) -> Path:
    path = tmp_path / "farm.gpkg"
    path.write_bytes(packed.read_bytes())
    return path


def test_the_gis_library_opens_every_layer_and_table(packed: Path):
    """GDAL (through pyogrio) is the outside reader of the standard's layout."""
    layers = dict(pyogrio.list_layers(packed))
    assert {"blocks", "fields", "weather_cells"} <= {name for name, kind in layers.items() if kind}
    assert {"crop_calendar", "settings", "soil", "weather", "season_record", "sources"} <= set(layers)
    blocks, ours = gpd.read_file(packed, layer="blocks"), read_farm(SAMPLE).blocks
    assert blocks.crs.to_epsg() == 4326
    assert blocks["block_id"].tolist() == ours["block_id"].tolist()
    assert all(a.equals_exact(b, 0) for a, b in zip(blocks.geometry, ours.geometry, strict=True))
    rows = gpd.read_file(packed, layer="weather")
    assert len(rows) == 9132 * gpd.read_file(packed, layer="weather_cells").shape[0]


def test_the_file_keeps_the_rules_of_the_standard(packed: Path):
    """OGC 12-128r18: requirements 2 (application id), 13 (contents), 21 (geometry columns), 29 (integer key)."""
    base = sqlite3.connect(packed)
    assert base.execute("PRAGMA application_id").fetchone()[0] == 0x47504B47
    assert base.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    assert base.execute("PRAGMA foreign_key_check").fetchall() == []
    listed = {row[0] for row in base.execute("SELECT table_name FROM gpkg_contents")}
    there = {r[0] for r in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert listed == {name for name in there if not name.startswith(("gpkg_", "sqlite_"))}
    for name in listed:
        keys = [row for row in base.execute(f'PRAGMA table_info("{name}")') if row[5]]
        assert [(row[1], row[2]) for row in keys] == [("fid", "INTEGER")], name
    base.close()


def test_folder_file_and_unpacked_folder_give_the_same_plan(packed: Path, sample_plan, tmp_path: Path):
    from_file = plan_farm(read_farm(packed))
    folder = tmp_path / "unpacked"
    unpack(packed, folder)
    from_folder = plan_farm(read_farm(folder))
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(from_file, name), getattr(sample_plan, name), check_exact=True)
        pd.testing.assert_frame_equal(getattr(from_folder, name), getattr(sample_plan, name), check_exact=True)
    assert from_file.metadata == sample_plan.metadata
    assert from_file.report == sample_plan.report
    assert (folder / "farm.toml").read_text(encoding="utf-8").startswith("# The sample farm, as")


def test_lists_of_the_farms_own_go_along(tmp_path: Path):
    farm = tmp_path / "farm"
    shutil.copytree(SAMPLE, farm)
    own = {
        "catalogue.toml": '[species.early_pea]\ncultivar_of = "field_pea"\nname = "Early field pea"\n',
        "seed_stock.csv": "species,kg\noat,60\n",
        "noxious_names.csv": "name,list\nSorghum bicolor,Ohio rule\n",
    }
    for name, text in own.items():
        (farm / name).write_text(text, encoding="utf-8")
    file = pack(farm, tmp_path / "farm.gpkg")
    shutil.rmtree(farm)  # what is in the file has to be enough
    again = tmp_path / "again"
    unpack(file, again)
    for read in (read_farm(file), read_farm(again)):
        assert "early_pea" in read.catalogue.covers
        assert [(lot.species, lot.kg) for lot in read.seed_lists.stock] == [("oat", 60.0)]
        assert read.law_lists.named
    assert {name: (again / name).read_text(encoding="utf-8") for name in own} == own


def test_the_same_farm_gives_the_same_bytes(packed: Path, tmp_path: Path):
    again = pack(SAMPLE, tmp_path / "farm.gpkg")
    one, two = (sqlite3.connect(path) for path in (packed, again))
    dumps = [[line for line in base.iterdump() if "source_folder" not in line] for base in (one, two)]
    assert dumps[0] == dumps[1]


def test_a_failed_change_leaves_the_file_as_it_was(copy: Path):
    before = copy.read_bytes()
    blocks = read_farm_file(copy).blocks.iloc[:3]

    def slip() -> None:
        with edit_farm_file(copy) as edit:
            edit.write_blocks(blocks)
            raise RuntimeError("the pen slipped")

    with pytest.raises(RuntimeError, match="slipped"):
        slip()
    assert copy.read_bytes() == before
    assert len(read_farm_file(copy).blocks) == 15


def test_a_second_writer_is_told_and_changes_nothing(copy: Path):
    with edit_farm_file(copy) as edit:
        edit.set("name", "first")
        other = sqlite3.connect(copy, timeout=0)
        with pytest.raises(sqlite3.OperationalError, match="locked"):
            other.execute("BEGIN IMMEDIATE")
        other.close()
    assert read_farm_file(copy).name == "first"


def test_a_redrawn_block_gets_its_soil_again_from_the_sources(tmp_path: Path):
    path = pack(SAMPLE, tmp_path / "farm.gpkg")
    contents = read_farm_file(path)
    blocks = contents.blocks.copy()
    west, south, east, north = blocks.geometry.iloc[0].bounds
    smaller = shapely.box(west, south, (west + east) / 2, north)
    blocks.loc[0, "geometry"] = smaller
    blocks.loc[0, ["area_gross_m2", "area_sown_m2"]] = abs(Geod(ellps="WGS84").geometry_area_perimeter(smaller)[0])
    with edit_farm_file(path) as edit:
        edit.write_blocks(blocks)
    after, before = read_farm(path), read_farm(SAMPLE)
    assert read_farm_file(path).revision == 1
    assert after.inputs.keys() - before.inputs.keys() == {"farm.gpkg"}
    same = after.soil.set_index("block_id").drop(index=blocks["block_id"][0])
    pd.testing.assert_frame_equal(same, before.soil.set_index("block_id").drop(index=blocks["block_id"][0]))
    moved = after.soil.iloc[0]["clay_fraction"], before.soil.iloc[0]["clay_fraction"]
    assert moved[0] != moved[1]
    # Away from its sources the old value stands, and the plan says so.
    lonely = tmp_path / "elsewhere" / "farm.gpkg"
    lonely.parent.mkdir()
    lonely.write_bytes(path.read_bytes())
    alone = read_farm(lonely)
    assert alone.soil.iloc[0]["clay_fraction"] == moved[1]
    assert any("before it was redrawn" in sentence for sentence in alone.report.assumptions)


def test_tables_of_a_plan_go_in_and_come_out(copy: Path, sample_plan):
    with edit_farm_file(copy) as edit:
        edit.write_table("plan_seed_order", sample_plan.seed_order)
    back = read_table(copy, "plan_seed_order")
    pd.testing.assert_frame_equal(back, pd.DataFrame(sample_plan.seed_order), check_dtype=False, check_exact=True)
    assert read_table(copy, "plan_nothing") is None
    assert read_farm_file(copy).revision == 0  # a kept plan is no change of the farm


def test_what_is_no_farm_file_is_refused_by_name(tmp_path: Path, packed: Path):
    junk = tmp_path / "junk.gpkg"
    junk.write_bytes(b"not a database" * 100)
    with pytest.raises(InputProblem, match="is no farm file"):
        read_farm(junk)
    with pytest.raises(InputProblem, match="is a GeoPackage, but no farm file"):
        read_farm(SAMPLE / "blocks.gpkg")
    with pytest.raises(InputProblem, match="is there already and is not a farm file"):
        write_farm_file(junk, read_farm_file(packed))
    cut = tmp_path / "cut.gpkg"
    cut.write_bytes(packed.read_bytes()[:200_000])
    with pytest.raises(InputProblem, match=r"cannot be read as a farm file|is no farm file|cannot be used"):
        read_farm(cut)
    assert not is_farm_file(junk)


def test_a_table_that_was_spoiled_outside_is_named(copy: Path):
    with sqlite3.connect(copy) as base:
        base.execute("UPDATE blocks SET area_sown_m2 = -5 WHERE fid = 1")
    base.close()
    with pytest.raises(InputProblem, match="holds a table that cannot be used"):
        read_farm(copy)


def test_unpacking_writes_over_nothing(packed: Path, tmp_path: Path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "notes.txt").write_text("keep", encoding="utf-8")
    with pytest.raises(InputProblem, match="is there already"):
        unpack(packed, tmp_path / "mine")
    assert [p.name for p in (tmp_path / "mine").iterdir()] == ["notes.txt"]
