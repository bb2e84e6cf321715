"""Routes that hand over files and pictures: exports, soil layers, the photo underneath."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any, Literal

from fastapi import FastAPI
from fastapi.responses import FileResponse, JSONResponse, Response

from greengap.plan import plan_farm
from greengap.web.exports import EVERYTHING, KINDS, export, writer_of, writers
from greengap.web.house import House, NotThere


def file_routes(app: FastAPI, house: House) -> None:
    """Add them."""

    @app.get("/api/exports")
    def exports() -> dict[str, Any]:
        """Files that can be taken away, with what they are; an archive's name ends in .zip."""
        session = house.open()
        words = "order, map, GeoJSON and the small tables in one archive"
        files = [{"name": EVERYTHING, "words": words, "group": "office"}]
        files += [{"name": name, "words": w.words, "group": w.group} for w in writers() for name in w.names]
        files.append({"name": "farm-folder.zip", "words": "the farm as a folder of plain files", "group": "farm"})
        words = "the farm file: GeoPackage, opens in any GIS"
        files.append({"name": "farm.gpkg", "words": words, "group": "farm", "saved_as": session.store.path.name})
        return {"files": files}

    @app.get("/api/export/{name}")
    def take_away(name: str) -> Response:
        """A file of the plan, made as the commands make it."""
        session = house.open()
        if name == "farm-folder.zip":
            return _download(session.folder_zip(), name)
        if name == "farm.gpkg":
            return _download(_copy(session.store.path), session.store.path.name)
        writer = writer_of(name)
        if writer is None and name != EVERYTHING:
            raise NotThere("no_file")
        made = session.planner.made
        if made is None or made.version != session.version:
            raise NotThere("no_plan")
        content = export(name, made.farm, plan_farm(made.farm) if writer and writer.large else made.plan)
        if content is None:
            raise NotThere("no_file")
        return _download(content, name)

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


def _download(content: bytes, name: str) -> Response:
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type=KINDS.get(Path(name).suffix, "application/octet-stream"), headers=headers)
