"""Every export of the sample farm, opened by a reader of others: same rows, same ground, same grams."""

import io
import json
import sqlite3
import struct
import zipfile
from dataclasses import replace

import geojson
import geopandas as gpd
import pandas as pd
import pyarrow.parquet
import pyogrio
import pytest
import shapefile
import shapely
from typer.testing import CliRunner

from greengap import cli
from greengap.errors import Mismatch
from greengap.farm.outlines import geodesic_area_m2
from greengap.output.export import PROFILES, export, profile_lines, write_export
from greengap.output.jobs import grams_of, list_jobs, order_grams, reconcile, seed_text
from greengap.output.layers import sowing_layer
from greengap.units import LB_AC_KG_HA


@pytest.fixture(scope="module")
def jobs(sample_plan):
    return list_jobs(sample_plan)


@pytest.fixture(scope="module")
def files(sample_plan, jobs):
    """The files of every profile."""
    return {key: export(sample_plan, key, jobs=jobs) for key in PROFILES}


@pytest.fixture(scope="module")
def order(sample_plan):
    """What the seed order says, in kilograms where it is printed so, here in grams."""
    sums = sample_plan.seed_order.groupby(["year", "species"])["seed_g"].sum()
    return {(int(y), s): int(g) for (y, s), g in sums.items()}


def on_disk(tmp_path, files, name):
    path = tmp_path / name
    path.write_bytes(files[name])
    return path


def seed_of(table) -> dict[tuple[int, str], int]:
    out: dict[tuple[int, str], int] = {}
    for year, text in zip(table["year"], table["seed_g_by_species"], strict=True):
        for species, grams in grams_of(text).items():
            out[int(year), species] = out.get((int(year), species), 0) + grams
    return out


def test_the_jobs_are_the_seed_order_and_the_order_of_lots(sample_plan, jobs, order):
    assert order_grams(sample_plan) == order
    found: dict[tuple[int, str], int] = {}
    for job in jobs:
        for seed in job.seeds:
            found[job.year, seed.species] = found.get((job.year, seed.species), 0) + seed.grams
    assert found == order


def test_geojson_by_the_geojson_library(files, order):
    collection = geojson.loads(files["geojson"]["plan.geojson"].decode())
    assert collection.is_valid
    found: dict[tuple[int, str], int] = {}
    for feature in collection["features"]:
        for part in feature["properties"]["components"]:
            key = int(feature["properties"]["sow_best"][:4]), part["species"]
            found[key] = found.get(key, 0) + part["seed_g"]
    assert found == order


def test_geopackage_by_gdal_and_sqlite(files, order, jobs, tmp_path):
    path = on_disk(tmp_path, files["geopackage"], "plan.gpkg")
    layers = dict(pyogrio.list_layers(path))
    assert set(layers) == {"block", "sowing", "headland", "swath", "guidance", "seed", "operation"}
    sowing = pyogrio.read_dataframe(path, layer="sowing")
    assert sowing.crs.to_epsg() == 4326
    assert seed_of(sowing) == order
    assert sum(map(geodesic_area_m2, sowing.geometry)) == pytest.approx(sum(j.area_m2 for j in jobs), rel=1e-6)
    assert len(pyogrio.read_dataframe(path, layer="swath")) == sum(
        len(p.swaths) for p in {j.block_id: j.passes for j in jobs}.values()
    )
    assert files["geopackage"]["plan.gpkg"][68:72] == b"GPKG"  # application id of the standard
    with sqlite3.connect(path) as file:
        assert file.execute("PRAGMA user_version").fetchone() == (10300,)
        tables = {r[0] for r in file.execute("SELECT table_name FROM gpkg_contents")}
        seed = file.execute("SELECT year, species, sum(seed_g) FROM seed GROUP BY year, species").fetchall()
    assert tables == set(layers)
    assert {(y, s): g for y, s, g in seed} == order


def test_kml_by_gdal(files, order, tmp_path):
    table = pyogrio.read_dataframe(on_disk(tmp_path, files["kml"], "sowing.kml"))
    assert seed_of(table) == order
    assert sum(map(geodesic_area_m2, map(shapely.force_2d, table.geometry))) == pytest.approx(
        table["area_sown_m2"].astype(float).sum(), rel=1e-6
    )
    assert b"href" not in files["kml"]["sowing.kml"]  # nothing is fetched from elsewhere


def test_geoparquet_by_pyarrow_and_geopandas(files, order):
    raw = files["geoparquet"]["sowing.parquet"]
    meta = json.loads(pyarrow.parquet.read_schema(io.BytesIO(raw)).metadata[b"geo"])
    assert meta["version"] == "1.1.0"
    assert meta["columns"][meta["primary_column"]]["encoding"] == "WKB"
    assert seed_of(gpd.read_parquet(io.BytesIO(raw))) == order


def test_csv_with_outlines_by_pandas_and_gdal(files, order, tmp_path):
    path = on_disk(tmp_path, files["csv-wkt"], "sowing.csv")
    table = pd.read_csv(path)
    assert seed_of(table) == order
    read = pyogrio.read_dataframe(path, GEOM_POSSIBLE_NAMES="WKT")
    assert read.geometry.is_valid.all()
    assert len(read) == len(table)


def test_shapefiles_by_pyshp_keep_the_cautious_form(files, order, jobs):
    found: dict[tuple[int, str], int] = {}
    species = {
        f"G_{''.join(c for c in s.species.upper() if c.isalnum())[:8]}": s.species for j in jobs for s in j.seeds
    }
    index = pd.read_csv(io.BytesIO(files["rate-shapefile"]["rate_maps.csv"])).set_index("gap_id")
    for job in jobs:
        name = index.loc[job.gap_id, "file"]
        with zipfile.ZipFile(io.BytesIO(files["rate-shapefile"][name])) as packed:
            stem = name.removesuffix(".zip")
            assert sorted(packed.namelist()) == sorted(f"{stem}.{e}" for e in ("shp", "shx", "dbf", "prj", "cpg"))
            parts = {e: io.BytesIO(packed.read(f"{stem}.{e}")) for e in ("shp", "shx", "dbf")}
            assert packed.read(f"{stem}.prj").startswith(b'GEOGCS["GCS_WGS_1984"')
        assert len(stem) <= 8
        assert struct.unpack("<i", parts["shp"].getvalue()[32:36]) == (5,)  # plain polygons
        reader = shapefile.Reader(**parts)
        fields = [f for f in reader.fields if f[0] != "DeletionFlag"]
        assert all(len(f[0]) <= 10 and f[0].isupper() for f in fields)
        numbers = [f for f in fields if f[1] in ("N", "F")]
        assert fields[0][0] == numbers[0][0] == "RATE"
        for item in reader.shapeRecords():
            assert len(item.shape.parts) == 1 + len(job.outline.interiors)
            assert shapefile.signed_area(item.shape.points[: (*item.shape.parts, None)[1]]) < 0  # outer ring clockwise
            record = item.record.as_dict()
            assert None not in record.values()
            assert record["RATE"] == pytest.approx(job.rate_kg_ha, abs=0.0006)
            for column, value in record.items():
                if column in species and value:
                    found[job.year, species[column]] = found.get((job.year, species[column]), 0) + int(value)
    assert found == order


def test_shapefiles_of_a_farm_in_us_units_say_so(sample_plan, jobs):
    us = replace(sample_plan, settings=replace(sample_plan.settings, units="us"))
    listed = pd.read_csv(io.BytesIO(export(us, "rate-shapefile", jobs=jobs)["rate_maps.csv"]))
    assert set(listed["unit"]) == {"lb/ac"}
    assert listed["file"].str.endswith("LBAC.zip").all()
    assert listed["rate"].iloc[0] == pytest.approx(jobs[0].rate_kg_ha / LB_AC_KG_HA, abs=0.001)


def test_records_by_openpyxl(files, order, sample_plan):
    book = pd.read_excel(io.BytesIO(files["records"]["records.xlsx"]), sheet_name=None)
    names = {s.name: key for key, s in sample_plan.catalogue.species.items()}
    sums = book["records"].groupby(["year", "species"])["seed_g"].sum()
    assert {(int(y), names[s]): int(g) for (y, s), g in sums.items()} == order
    sown = book["operations"][book["operations"]["operation"] == "sow"]
    assert sown["seed_g"].sum() == sum(order.values())
    asked = {"field", "area_ac", "species", "rate_lb_ac", "seed_source", "lot", "planned_sowing", "method", "sown_on"}
    assert asked <= set(book["records"].columns)
    assert book["records"]["still_missing"].str.contains("lot").all()  # no price list, no lot


def test_a_difference_stops_the_export():
    with pytest.raises(Mismatch, match="holds 12 g of oat for 2027, and the seed order 13 g") as caught:
        reconcile("sowing.kml", {(2027, "oat"): 12}, {(2027, "oat"): 13})
    assert caught.value.exit_code == 1


def test_every_profile_notices_a_gram_that_is_missing(sample_plan, jobs):
    seed = replace(jobs[0].seeds[0], grams=jobs[0].seeds[0].grams - 1)
    short = [replace(jobs[0], seeds=(seed,)), *jobs[1:]]
    for key in PROFILES:
        if key != "geojson" and PROFILES[key].holds_seed:  # made from the plan itself
            with pytest.raises(Mismatch):
                export(sample_plan, key, jobs=short)


def test_same_plan_same_bytes(sample_plan, jobs, files):
    for key in ("geopackage", "geoparquet", "rate-shapefile", "calendar", "records", "sheets", "task-data-4"):
        assert export(sample_plan, key, jobs=jobs) == files[key]


def test_profiles_are_named_by_what_they_accept():
    lines = "\n".join(profile_lines())
    assert all(key in lines and profile.accepts in lines for key, profile in PROFILES.items())


def test_one_year_only(sample_plan):
    jobs = list_jobs(sample_plan, 2028)
    assert {j.year for j in jobs} == {2028}
    text = export(sample_plan, "csv-wkt", 2028)["sowing.csv"].decode()
    assert seed_of(pd.read_csv(io.StringIO(text))) == order_grams(sample_plan, 2028)


def test_nothing_sown_gives_no_file(sample_plan, tmp_path):
    bare = replace(sample_plan, seed_need=sample_plan.seed_need.iloc[:0])
    assert write_export(bare, "kml", tmp_path) == []


def test_outlines_keep_nine_decimals_and_stay_valid(sample_plan, jobs):
    layer = sowing_layer(sample_plan, jobs)
    assert layer.geometry.is_valid.all()
    for shape, job in zip(layer.geometry, jobs, strict=True):
        assert geodesic_area_m2(shape) == pytest.approx(geodesic_area_m2(job.outline), rel=2e-6)
        assert grams_of(seed_text(job)) == {s.species: s.grams for s in job.seeds}


# -- the command ------------------------------------------------------------------------------------------


def run(monkeypatch, plan, farm, *words):
    monkeypatch.setattr(cli, "_planned", lambda read: plan)
    monkeypatch.setattr(cli, "open_farm", lambda _: farm)
    return CliRunner().invoke(cli.app, list(words))


def test_the_command_lists_the_profiles_and_writes_several(monkeypatch, sample_farm, sample_plan, tmp_path):
    listed = run(monkeypatch, sample_plan, sample_farm, "export", "farm")
    assert listed.exit_code == 0
    assert "task-data-4" in listed.output
    out = str(tmp_path / "out")
    done = run(
        monkeypatch, sample_plan, sample_farm, "export", "farm", "--for", "kml", "--for", "csv-wkt", "--out", out
    )
    assert done.exit_code == 0, done.output
    assert "kg of seed in the file and in the order" in done.output
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["sowing.csv", "sowing.kml"]


def test_the_command_refuses_a_profile_that_is_none(monkeypatch, sample_farm, sample_plan, tmp_path):
    from greengap.errors import InputProblem

    done = run(monkeypatch, sample_plan, sample_farm, "export", "farm", "--for", "task-data-5", "--out", str(tmp_path))
    assert isinstance(done.exception, InputProblem)
    assert "task-data-4" in done.exception.sentence
