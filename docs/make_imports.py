"""Makes docs/imports.md: what every set of real field boundaries and every weather convention became when read.

    python docs/make_imports.py SHARED

SHARED is the folder of real data beside the project.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from geographiclib.geodesic import Geodesic

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.farm.fields import read_blocks
from greengap.site.weather import read_weather

HERE = Path(__file__).parent
ENDINGS = (".gpkg", ".zip", ".parquet", ".geojson", ".shp")
LARGE = 100_000  # outlines of the largest file, tiled from a real set


def geographiclib_m2(outline: shapely.Geometry) -> float:
    """Area by GeographicLib, ring by ring."""
    total = 0.0
    for part in getattr(outline, "geoms", [outline]):
        for sign, rings in ((1, [part.exterior]), (-1, part.interiors)):
            for ring in rings:
                polygon = Geodesic.WGS84.Polygon()
                for lon, lat in list(ring.coords)[:-1]:
                    polygon.AddPoint(lat, lon)
                total += sign * abs(polygon.Compute(False, True)[2])
    return total


def polygon_rows(folder: Path) -> list[str]:
    """One row of the table for each file."""
    rows = []
    for path in sorted(p for p in folder.rglob("*") if p.suffix.lower() in ENDINGS):
        report, name = ImportReport(), path.relative_to(folder).as_posix()
        try:
            blocks = read_blocks(path, name, report)
        except InputProblem as problem:
            rows.append(f"| `{name}` | - | - | - | - | - | refused: {problem.what} ({problem.place}) |")
            continue
        aside = sum(f.fate in (Fate.SKIPPED, Fate.REVIEW) for f in report.findings)
        repaired = [f for f in report.findings if f.fate is Fate.REPAIRED]
        change = sum((f.area_after_m2 or 0) - (f.area_before_m2 or 0) for f in repaired)
        apart = max(
            abs(geographiclib_m2(g) / a - 1) for g, a in zip(blocks.geometry, blocks["area_gross_m2"], strict=True)
        )
        noted = sum(f.fate is Fate.USED for f in report.findings)
        remark = f"{len(repaired)} repaired, {noted} remarks" if repaired or noted else ""
        assert report.lost(name) == 0
        read = report.rows_read[name]
        rows.append(f"| `{name}` | {read} | {len(blocks)} | {aside} | {change:+.2f} | {apart:.0e} | {remark} |")
    return rows


def weather_rows(folder: Path) -> list[str]:
    """One row for each set of weather files that belong together."""
    grids, daily = folder / "climate_grids", folder / "weather_daily"
    sets = [
        ("noleap_2095_vermont", [grids / f"noleap_2095_vermont_{n}.nc" for n in ("tasmin", "tasmax", "pr")],
         "kelvin; kg m-2 s-1; calendar of 365 days; a second variable of four dimensions"),
        ("spartacus_graz with a dry precipitation", [grids / "spartacus_graz_daily_tmin_tmax_1961_2021.nc"],
         "projected grid of one cell, EPSG:3416"),
        ("NRCAN_1971-1972_subset with a place", [grids / "NRCAN_1971-1972_subset.nc"],
         "kelvin; mm s-1; no coordinates left"),
        ("daymet_v3_prcp", [grids / "daymet_v3_prcp_1999_lcc_km_subset.nc"],
         "kilometres; y descending; precipitation only"),
        ("bcsd_obs_1999_monthly", [grids / "bcsd_obs_1999_monthly_nc.nc"], "monthly"),
        ("daymet_1980_monthly tif", [grids / "daymet_1980_monthly_tmax_georgia_lcc_km.tif"], "monthly GeoTIFF"),
        *((path.name, [path], "CSV") for path in sorted(daily.glob("*.csv"))),
    ]  # fmt: skip
    rows = []
    with tempfile.TemporaryDirectory() as extra:
        for name, paths, convention in sets:
            if "dry" in name:
                import xarray as xr

                with xr.open_dataset(paths[0]) as source:
                    (source["Tn"] * 0).rename("rr").assign_attrs(units="mm").to_netcdf(Path(extra) / "rr.nc")
                paths = [*paths, Path(extra) / "rr.nc"]
            report = ImportReport()
            try:
                weather = read_weather(paths, lambda p: p.name, report, station=(45.0, -75.0, 100.0, "given"))
            except InputProblem as problem:
                rows.append(f"| `{name}` | {convention} | refused: {problem.what} |")
                continue
            days = pd.DatetimeIndex(weather["date"].to_numpy())
            flagged = sum(
                "not possible" in f.what or "lies above" in f.what or "off the days" in f.what for f in report.findings
            )
            low, high = float(np.nanmin(weather["tmin_degc"])), float(np.nanmax(weather["tmax_degc"]))
            whole, filled = len(weather.attrs["years"]), int(weather["filled"].sum())
            rows.append(
                f"| `{name}` | {convention} | {weather.sizes['cell_id']} cells, {days[0]:%Y-%m-%d} to "
                f"{days[-1]:%Y-%m-%d}, {whole} whole years, "
                f"{low:.1f} to {high:.1f} °C, {flagged} values set aside, "
                f"{filled} filled |"
            )
    return rows


def largest(folder: Path) -> str:
    """Time and memory of a file of a hundred thousand outlines, tiled from the Finnish set, in a process of its own."""
    import multiprocessing

    source = pyogrio.read_dataframe(folder / "fi" / "LandUse.ExistingLandUse.GSAAAgriculturalParcel.gpkg")
    source = source.to_crs(3067)
    width, height = source.total_bounds[2] - source.total_bounds[0], source.total_bounds[3] - source.total_bounds[1]
    side = int(np.ceil(np.sqrt(LARGE / len(source))))
    shrink, corner = 0.2, np.array([200_000.0, 5_400_000.0])  # so that all tiles lie in the area of the projection
    moves = [np.array([i * width, j * height]) for i in range(side) for j in range(side)]
    tiles = [
        shapely.transform(source.geometry.to_numpy(), lambda xy, at=at: (xy + at) * shrink + corner) for at in moves
    ]
    outlines = np.concatenate(tiles)[:LARGE]
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "large.gpkg"
        frame = gpd.GeoDataFrame({"block": [str(i) for i in range(len(outlines))]}, geometry=list(outlines), crs=3067)
        frame.to_file(path)
        size = path.stat().st_size / 1e6
        pipe, end = multiprocessing.get_context("spawn").Pipe(duplex=False)
        process = multiprocessing.get_context("spawn").Process(target=_read_large, args=(path, end))
        process.start()
        seconds, used, kilobytes = pipe.recv()
        process.join()
    corners = int(shapely.get_num_coordinates(outlines).sum())
    return (
        f"{len(outlines):,} outlines with {corners:,} corners ({size:.0f} MB GeoPackage): {seconds:.0f} s, "
        f"{kilobytes / 1e6:.2f} GB at most, {used:,} used."
    )


def _read_large(path: Path, end: object) -> None:
    import resource

    start = time.perf_counter()
    blocks = read_blocks(path, path.name, ImportReport())
    seconds = time.perf_counter() - start
    end.send((seconds, len(blocks), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss))  # type: ignore[attr-defined]


def main() -> None:
    """Write the page."""
    data = Path(sys.argv[1]) / "data"
    lines = [
        "# What has been read",
        "",
        "Made by `docs/make_imports.py` from the real data beside the project. Rows read are rows used plus rows set",
        "aside, in every file; *area* is the change by repairs; *apart* is the largest relative difference of the area",
        "of a block from GeographicLib's.",
        "",
        "## Field boundaries",
        "",
        "| file | rows | used | set aside | area, m² | apart | |",
        "| --- | --- | --- | --- | --- | --- | --- |",
        *polygon_rows(data / "field_boundaries"),
        "",
        f"The largest: {largest(data / 'field_boundaries')}",
        "",
        "## Weather",
        "",
        "| file | convention | read as |",
        "| --- | --- | --- |",
        *weather_rows(data),
        "",
        "Files of agencies are checked in `tests/site/test_station_formats.py`, on lines made in the form that each",
        "agency describes.",
    ]
    (HERE / "imports.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
