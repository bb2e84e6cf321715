"""Routes that hand over files and pictures: exports, soil layers, the photo underneath."""

from __future__ import annotations

import io
import sqlite3
import tempfile
import zipfile
from contextlib import closing
from pathlib import Path
from typing import Any, Literal

from fastapi import FastAPI
from fastapi.responses import FileResponse, JSONResponse, Response

from greengap.web.house import House, NotThere

EXPORTS = {
    "map.html": "text/html",
    "plan.geojson": "application/geo+json",
    "farm-folder.zip": "application/zip",
    "everything.zip": "application/zip",
    "farm.gpkg": "application/geopackage+sqlite3",
}


def file_routes(app: FastAPI, house: House) -> None:
    """Add them."""

    @app.get("/api/exports")
    def exports() -> dict[str, Any]:
        """Names of the files that can be taken away."""
        from greengap.output.table import LARGE_TABLES, TABLES

        tables = [f"{t}.csv" for t in (*TABLES, "import_report", *LARGE_TABLES)]
        return {"files": [*EXPORTS, *tables]}

    @app.get("/api/export/{name}")
    def export(name: str) -> Response:
        """A file of the plan, made as the commands make it."""
        session = house.open()
        if name == "farm-folder.zip":
            return _download(session.folder_zip(), name)
        if name == "farm.gpkg":
            return _download(_copy(session.store.path), session.store.path.name, EXPORTS[name])
        made = session.planner.made
        if made is None or made.version != session.version:
            raise NotThere("no_plan")
        from greengap.output.table import LARGE_TABLES, TABLES
        from greengap.output.write import write_plan
        from greengap.plan import plan_farm

        large = name.removesuffix(".csv") in LARGE_TABLES
        small = name.removesuffix(".csv") in (*TABLES, "import_report") and name.endswith(".csv")
        if not (name in EXPORTS or (large and name.endswith(".csv")) or small):
            raise NotThere("no_file")
        with tempfile.TemporaryDirectory(prefix="greengap-out-") as folder:
            written = write_plan(plan_farm(made.farm) if large else made.plan, Path(folder), all_tables=large)
            by_name = {path.name: path.read_bytes() for path in written}
        if name == "everything.zip":
            out = io.BytesIO()
            with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
                for inner, content in sorted(by_name.items()):
                    packed.writestr(zipfile.ZipInfo(inner, (1980, 1, 1, 0, 0, 0)), content, zipfile.ZIP_DEFLATED)
            return _download(out.getvalue(), name)
        return _download(by_name[name], name, EXPORTS.get(name, "text/csv"))

    @app.get("/api/soil-layer/{key}")
    def soil_layer(key: Literal["clay", "sand", "organic_matter", "ph", "available_water", "drainage"]) -> Response:
        """A soil raster around the farm, as a picture with its bounds and range."""
        import base64

        from greengap.web.layers import soil_picture

        farm = house.open().planner.farm
        raster = farm.settings.soil_rasters.get(key) if farm is not None else None
        if farm is None or raster is None:
            raise NotThere("no_layer")
        west, south, east, north = (float(v) for v in farm.blocks.total_bounds)
        picture, told = soil_picture(raster, (west, south, east, north))
        told["picture"] = "data:image/png;base64," + base64.b64encode(picture).decode()
        return JSONResponse(told)

    @app.get("/api/site")
    def site() -> dict[str, Any]:
        """Soil of each block and the weather that is taken for it, as tables; empty before anything can be planned."""
        farm = house.open().planner.farm
        if farm is None:
            return {"soil": [], "weather": [], "years": []}
        soil = [
            {
                "block": r.block_id, "texture": r.texture_class, "drainage": r.drainage_class,
                "clay": round(r.clay_fraction, 3), "sand": round(r.sand_fraction, 3),
                "organic_matter": round(r.organic_matter_fraction, 4), "ph": round(r.ph, 2),
                "available_water": round(r.available_water_fraction, 3), "covered": round(r.covered_fraction, 3),
                "source": r.source,
            }
            for r in farm.soil.itertuples()
        ]  # fmt: skip
        years = farm.weather["date"].dt.year
        weather = []
        for site_id in farm.weather["site_id"].values:
            one = farm.weather.sel(site_id=site_id)
            weather.append(
                {
                    "site": str(site_id),
                    "blocks": sorted(b for b, s in farm.site_of_block.items() if s == site_id),
                    "rain_mm": round(float(one["precipitation_mm"].sum() / max(len(set(years.values.tolist())), 1))),
                    "tmean_degc": round(float(((one["tmin_degc"] + one["tmax_degc"]) / 2).mean()), 1),
                }
            )
        return {"soil": soil, "weather": weather, "years": [int(years.min()), int(years.max())]}

    @app.get("/api/underlay.png")
    def underlay() -> Response:
        """The photo or map that lies under the outlines."""
        own = house.open().store.path
        beside = own.with_name(f"{own.stem}-underlay.png")
        if not beside.is_file():
            raise NotThere("no_layer")
        return FileResponse(beside, media_type="image/png")


def _copy(path: Path) -> bytes:
    """A farm file as it is between two edits."""
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as db:
        return bytes(db.serialize())


def _download(content: bytes, name: str, kind: str | None = None) -> Response:
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type=kind or EXPORTS.get(name, "application/octet-stream"), headers=headers)
