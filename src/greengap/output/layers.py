"""The plan as layers for a GIS: GeoPackage, GeoParquet, KML, and CSV with outlines as text.

One row is one sowing, with its seed in grams; blocks, headlands, swaths and A-B lines are layers of their own. Every
file is read again after it is written, by GDAL or by the library of its format, and reconciled with the seed order.
"""

from __future__ import annotations

import io
import sqlite3
import tempfile
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any
from xml.etree import ElementTree
from xml.etree.ElementTree import Element, SubElement

import geopandas as gpd
import pandas as pd
import shapely
from shapely.geometry import LineString, MultiPolygon

from greengap.errors import InputProblem
from greengap.output.geojson import rounded_polygon
from greengap.output.jobs import Grams, Job, grams_of, reconcile, seed_text
from greengap.output.operations import list_operations
from greengap.output.table import to_csv
from greengap.plan import Plan

WGS84 = "EPSG:4326"
GEOPACKAGE_VERSION = "1.3"
WRITTEN = "2000-01-01T00:00:00.000Z"  # in place of the day of writing: same input, same bytes
KML = "http://www.opengis.net/kml/2.2"


def sowing_layer(plan: Plan, jobs: Sequence[Job]) -> gpd.GeoDataFrame:
    """One row for each sowing, plain columns, unit in the name; dates as text.

    The grams of each species stand in `seed_g_by_species` (key and grams).
    """
    waits = {(r.gap_id, r.cover_id): r.method for r in plan.after.itertuples()} if len(plan.after) else {}
    rows = []
    for job in jobs:
        row = job.row
        rows.append(
            {
                "job_id": job.uid,
                "block_uid": job.block_uid,
                "gap_id": job.gap_id,
                "block_id": job.block_id,
                "field": job.field,
                "year": job.year,
                "cover_id": job.cover_id,
                "cover": job.cover,
                "method": job.method,
                "sow_from": _day(job.sow_from),
                "sow_best": _day(row.sow_best),
                "sow_until": _day(job.sow_until),
                "holds_years": int(row.holds_years),
                "of_years": int(row.years),
                "end_from": _day(row.terminate_from),
                "end_by": _day(row.terminate_by),
                "ended_by": row.ended_by,
                "end_how": waits.get((job.gap_id, job.cover_id), ""),
                "area_sown_m2": round(job.area_m2, 2),
                "rate_kg_ha": round(job.rate_kg_ha, 3),
                "depth_mm": round(job.seeds[0].depth_mm, 1),
                "seed_g": job.grams,
                "seed_g_by_species": seed_text(job),
            }
        )
    shapes = [shapely.geometry.shape(rounded_polygon(job.outline, 9)) for job in jobs]
    return gpd.GeoDataFrame(rows, geometry=shapes, crs=WGS84)


def _day(value: Any) -> str:
    return "" if pd.isna(value) else f"{value:%Y-%m-%d}"


def _grams(table: pd.DataFrame) -> Grams:
    """Grams by year and species of rows that were read again."""
    found: Grams = {}
    for year, text in zip(table["year"], table["seed_g_by_species"], strict=True):
        for species, grams in grams_of(str(text)).items():
            found[int(year), species] = found.get((int(year), species), 0) + grams
    return found


def check_layer(shown: str, table: pd.DataFrame, wanted: Grams) -> None:
    """Stop unless a table that was read again holds the seed of the order, in parts and in all.

    Raises
    ------
    Mismatch
    """
    reconcile(shown, _grams(table), wanted)
    totals = table.groupby("year")["seed_g"].sum()
    both = {(int(y), "all species"): int(g) for y, g in totals.items()}
    reconcile(
        shown, both, {(y, "all species"): sum(g for (at, _), g in wanted.items() if at == y) for y in totals.index}
    )


# --- GeoPackage --------------------------------------------------------------------------------


def geopackage(plan: Plan, jobs: Sequence[Job], wanted: Grams) -> bytes:
    """A GeoPackage: layers `block`, `sowing`, `headland`, `swath`, `guidance`, tables `seed`, `operation`.

    Raises
    ------
    Mismatch
        If it does not hold the seed of the order when it is read again.
    """
    import pyogrio

    blocks = plan.blocks.assign(geometry=[_multi(g) for g in plan.blocks.geometry])
    sowing = sowing_layer(plan, jobs)
    sowing["geometry"] = [_multi(g) for g in sowing.geometry]
    layers: dict[str, gpd.GeoDataFrame | pd.DataFrame] = {"block": blocks, "sowing": sowing}
    layers |= {name: table for name, table in pass_layers(jobs).items() if len(table)}
    seeds = [
        {
            "job_id": j.uid, "gap_id": j.gap_id, "year": j.year, "species": s.species, "name": s.name, "box": s.box,
            "rate_kg_ha": round(s.rate_kg_ha, 3), "seeds_m2": round(s.seeds_m2, 2), "depth_mm": round(s.depth_mm, 1),
            "seed_g": s.grams,
        }
        for j in jobs for s in j.seeds
    ]  # fmt: skip
    operations = pd.DataFrame(list_operations(plan, jobs)).copy()
    for column in ("start", "end"):
        operations[column] = operations[column].dt.strftime("%Y-%m-%d")
    layers |= {"seed": pd.DataFrame(seeds), "operation": operations}
    with tempfile.TemporaryDirectory() as own:
        path = Path(own) / "plan.gpkg"
        pyogrio.set_gdal_config_options({"OGR_SQLITE_SYNCHRONOUS": "OFF"})  # a file of ours that nobody else opens
        for number, (name, table) in enumerate(layers.items()):
            pyogrio.write_dataframe(
                table, path, layer=name, driver="GPKG", append=number > 0, VERSION=GEOPACKAGE_VERSION
            )
        pyogrio.set_gdal_config_options({"OGR_SQLITE_SYNCHRONOUS": None})
        with closing(sqlite3.connect(path)) as file, file:
            file.execute("UPDATE gpkg_contents SET last_change = ?", (WRITTEN,))
        with closing(sqlite3.connect(path)) as file:
            file.execute("VACUUM")
        _reset_change_counter(path)
        again = pyogrio.read_dataframe(path, layer="sowing", read_geometry=False)
        check_layer("plan.gpkg", again, wanted)
        seed = pyogrio.read_dataframe(path, layer="seed", read_geometry=False)
        sums = seed.groupby(["year", "species"])["seed_g"].sum()
        reconcile("plan.gpkg, table seed", {(int(y), str(s)): int(g) for (y, s), g in sums.items()}, wanted)
        return path.read_bytes()


def _reset_change_counter(path: Path) -> None:
    """Same plan, same bytes: SQLite counts commits in its header, and GDAL commits now and then once more."""
    with path.open("r+b") as file:
        for offset in (24, 92):  # the file change counter, and the counter for which the version stamp holds
            file.seek(offset)
            file.write((1).to_bytes(4, "big"))


def _multi(geometry: Any) -> MultiPolygon:
    return geometry if isinstance(geometry, MultiPolygon) else MultiPolygon([geometry])


def pass_layers(jobs: Sequence[Job]) -> dict[str, gpd.GeoDataFrame]:
    """Headlands, swaths and A-B lines of the blocks that are sown; empty where no working width is known."""
    driven = [p for p in {j.block_id: j.passes for j in jobs}.values() if p is not None]
    headlands = [{"block_id": p.block_id, "width_m": p.headland_m, "rounds": p.rounds} for p in driven if p.rounds]
    swaths = [{"block_id": p.block_id, "swath": n, "width_m": p.swath_m} for p in driven for n in p.numbers]
    lines = [
        {
            "block_id": p.block_id, "heading_deg": round(p.heading_deg, 6), "swath_m": p.swath_m, "swaths": p.count,
            "turns": p.turns, "way_m": round(p.way_m, 1), "hours": p.hours, "overlap_m2": round(p.overlap_m2, 1),
            "missed_m2": round(p.missed_m2, 1), "how": p.how,
        }
        for p in driven
    ]  # fmt: skip
    return {
        "headland": gpd.GeoDataFrame(headlands, geometry=[_multi(p.headland) for p in driven if p.rounds], crs=WGS84),
        "swath": gpd.GeoDataFrame(swaths, geometry=[s for p in driven for s in p.swaths], crs=WGS84),
        "guidance": gpd.GeoDataFrame(lines, geometry=[LineString([p.a, p.b]) for p in driven], crs=WGS84),
    }


# --- GeoParquet --------------------------------------------------------------------------------


def geoparquet(plan: Plan, jobs: Sequence[Job], wanted: Grams) -> bytes:
    """The sowings as GeoParquet 1.1; needs the extra `parquet`.

    Raises
    ------
    InputProblem
        If the extra is not installed.
    Mismatch
        If it does not hold the seed of the order when it is read again.
    """
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        remedy = "Install it with: pip install 'greengap[parquet]'"
        raise InputProblem("--for geoparquet", "", "needs pyarrow, which is not installed", remedy) from None
    held = io.BytesIO()
    sowing_layer(plan, jobs).to_parquet(held, index=False, schema_version="1.1.0")
    raw = held.getvalue()
    check_layer("sowing.parquet", gpd.read_parquet(io.BytesIO(raw)), wanted)
    return raw


# --- CSV with outlines as text -----------------------------------------------------------------


def wkt_csv(plan: Plan, jobs: Sequence[Job], wanted: Grams) -> bytes:
    """The sowings as CSV; the last column, `WKT`, is the outline in WGS84, longitude first.

    Raises
    ------
    Mismatch
        If it does not hold the seed of the order when it is read again.
    """
    layer = sowing_layer(plan, jobs)
    plain = pd.DataFrame(layer.drop(columns="geometry"))
    plain["WKT"] = [shapely.to_wkt(g, rounding_precision=9, trim=True) for g in layer.geometry]
    raw = to_csv(plain).encode("utf-8")
    check_layer("sowing.csv", pd.read_csv(io.BytesIO(raw)), wanted)
    return raw


# --- KML ---------------------------------------------------------------------------------------


def kml(plan: Plan, jobs: Sequence[Job], wanted: Grams) -> bytes:
    """The sowings as KML 2.2: outlines with their columns, a point with the name in each; nothing from elsewhere.

    Raises
    ------
    Mismatch
        If it does not hold the seed of the order when it is read again.
    """
    ElementTree.register_namespace("", KML)
    root = Element(f"{{{KML}}}kml")
    document = SubElement(root, f"{{{KML}}}Document")
    _text(document, "name", f"Covers, {plan.metadata['farm']}")
    if plan.metadata["note"]:
        _text(document, "description", plan.metadata["note"])
    style = SubElement(document, f"{{{KML}}}Style", id="sowing")
    _text(SubElement(style, f"{{{KML}}}LineStyle"), "width", "2")
    _text(SubElement(style, f"{{{KML}}}PolyStyle"), "fill", "0")
    for row in sowing_layer(plan, jobs).itertuples(index=False):
        mark = SubElement(document, f"{{{KML}}}Placemark", id=f"job-{row.job_id}")
        _text(mark, "name", f"{row.gap_id}: {row.cover}")
        _text(mark, "styleUrl", "#sowing")
        data = SubElement(mark, f"{{{KML}}}ExtendedData")
        for name, value in row._asdict().items():
            if name != "geometry":
                _text(SubElement(data, f"{{{KML}}}Data", name=name), "value", str(value))
        shape = row.geometry
        parts = list(shape.geoms) if isinstance(shape, MultiPolygon) else [shape]
        holder = mark if len(parts) == 1 else SubElement(mark, f"{{{KML}}}MultiGeometry")
        for part in parts:
            polygon = SubElement(holder, f"{{{KML}}}Polygon")
            _ring(polygon, "outerBoundaryIs", part.exterior)
            for hole in part.interiors:
                _ring(polygon, "innerBoundaryIs", hole)
    ElementTree.indent(root, " ")
    raw = b'<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(
        root, encoding="UTF-8", xml_declaration=False
    )
    check_layer("sowing.kml", _read_kml(raw + b"\n"), wanted)
    return raw + b"\n"


def _text(parent: Element, tag: str, text: str) -> None:
    SubElement(parent, f"{{{KML}}}{tag}").text = "".join(c for c in text if c.isprintable())


def _ring(parent: Element, tag: str, ring: Any) -> None:
    line = SubElement(SubElement(parent, f"{{{KML}}}{tag}"), f"{{{KML}}}LinearRing")
    places = (f"{lon:.9f},{lat:.9f}" for lon, lat in shapely.get_coordinates(ring))
    SubElement(line, f"{{{KML}}}coordinates").text = " ".join(places)


def _read_kml(raw: bytes) -> pd.DataFrame:
    import pyogrio

    with tempfile.TemporaryDirectory() as own:
        path = Path(own) / "sowing.kml"
        path.write_bytes(raw)
        table = pyogrio.read_dataframe(path, read_geometry=False)
    return table.assign(year=table["year"].astype(int), seed_g=table["seed_g"].astype(int))
