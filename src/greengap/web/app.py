"""Routes of the local page: parse, call, answer, nothing else. `greengap.web.guard` stands in front."""

from __future__ import annotations

import io
import sqlite3
import tempfile
import threading
import zipfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import asdict
from datetime import date
from functools import lru_cache
from importlib.metadata import version as installed
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import Body, FastAPI, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, JSONResponse, Response

from greengap.errors import InputProblem
from greengap.farm.drawing import DrawingProblem
from greengap.farm.farm_file import is_farm_file
from greengap.output.map_library import library_script, library_style
from greengap.web import edits
from greengap.web.asked import (
    Answer,
    CalendarTry,
    CopyCrops,
    CutOut,
    Draw,
    EditFor,
    Merge,
    NextYear,
    OpenFarm,
    Outline,
    Problem,
    Remove,
    RemoveCrop,
    Rename,
    Reshape,
    SetCrop,
    SetSettings,
    Split,
    StepFor,
    Weights,
)
from greengap.web.edits import EditProblem
from greengap.web.session import Session, pack_folder, slug
from greengap.web.store import FarmStore, Rowset, VersionConflict, new_farm_file
from greengap.web.views import cautions_of

STATIC = Path(__file__).parent / "static"
KINDS = {".js": "text/javascript", ".css": "text/css", ".json": "application/json", ".svg": "image/svg+xml"}


class NotThere(Exception):
    """What was asked for is not there (yet)."""

    def __init__(self, key: str) -> None:
        self.key = key
        super().__init__(key)


class OtherFarm(Exception):
    """Another farm is open than the one that the edit was made for."""


def sample_folder() -> Path:
    """The sample farm: inside the installed package, or beside the sources."""
    inside = Path(__file__).parents[1] / "sample_fields"
    return inside if inside.is_dir() else Path(__file__).parents[3] / "sample_fields"


@lru_cache(maxsize=1)
def rough_land() -> dict[str, Any]:
    """Countries at 1:110 million (Natural Earth, public domain), as they come with an installed package."""
    import json

    import geopandas as gpd
    import pyogrio

    path = Path(pyogrio.__file__).parent / "tests" / "fixtures" / "naturalearth_lowres" / "naturalearth_lowres.shp"
    if not path.is_file():
        return {"type": "FeatureCollection", "features": []}
    shapes = gpd.read_file(path, columns=[])
    shapes["geometry"] = shapes.geometry.simplify(0.05)
    found: dict[str, Any] = json.loads(shapes.to_json(drop_id=True))
    return found


class House:
    """The farms folder, and the one farm that is open."""

    def __init__(self, farms: Path, address: str = "") -> None:
        self.farms, self.address = farms, address
        self.session: Session | None = None
        self.farm_id = ""
        self._lock = threading.Lock()
        self._count = 0

    def take(self, store: FarmStore) -> None:
        """Open a farm in place of the one that was open."""
        with self._lock:
            before, self.session = self.session, Session(store)
            self._count += 1
            self.farm_id = f"{store.path.stem}-{self._count}"
            if before is not None:
                before.close()

    def open(self) -> Session:
        """The open farm."""
        if self.session is None:
            raise NotThere("no_farm")
        return self.session

    def open_as(self, farm: str) -> Session:
        """The open farm, if it is the one that is meant."""
        session = self.open()
        if farm != self.farm_id:
            raise OtherFarm
        return session

    def files(self) -> dict[str, Path]:
        """Farm files of the farms folder, newest first; what is none is left out."""
        if not self.farms.is_dir():
            return {}
        found = [p for p in self.farms.glob("*.gpkg") if is_farm_file(p)]
        return {p.name: p for p in sorted(found, key=lambda p: -p.stat().st_mtime)[:200]}

    def free_path(self, name: str) -> Path:
        """A path in the farms folder that is not taken."""
        stem, number = slug(name), 1
        path = self.farms / f"{stem}.gpkg"
        while path.exists():
            number += 1
            path = self.farms / f"{stem}-{number}.gpkg"
        return path

    def close(self) -> None:
        """Let go of the farm."""
        if self.session is not None:
            self.session.close()
            self.session = None


def _change(asked: Any, session: Session) -> Callable[[Rowset], edits.Change]:
    """The edit that was asked for, as a function of the rows."""
    match asked:
        case Draw():
            return lambda rows: edits.draw(rows, asked.rings, asked.name, asked.field)
        case Reshape():
            return lambda rows: edits.reshape(rows, asked.block, asked.parts)
        case Rename():
            return lambda rows: edits.rename(rows, asked.block, asked.name, asked.field)
        case Remove():
            return lambda rows: edits.remove(rows, asked.block)
        case Split():
            return lambda rows: edits.split(rows, asked.block, asked.line)
        case CutOut():
            return lambda rows: edits.cut_out(rows, asked.block, asked.ring)
        case Merge():
            return lambda rows: edits.merge(rows, asked.blocks, asked.name)
        case SetCrop():
            return lambda rows: edits.put_crop(rows, asked.key, asked.row.model_dump())
        case RemoveCrop():
            return lambda rows: edits.remove_crop(rows, asked.key)
        case CopyCrops():
            return lambda rows: edits.copy_crops(rows, asked.block, asked.to)
        case NextYear():
            return lambda rows: edits.next_year(rows, asked.blocks)
        case SetSettings():
            return lambda rows: edits.set_settings(rows, {str(k): v for k, v in asked.values.items()})
        case _:
            return _answer(asked, session)


def _answer(asked: Answer, session: Session) -> Callable[[Rowset], edits.Change]:
    """Choose, lock or refuse: the gap has to be there, its cautions read."""
    plan = session.planner.gap_as_planned(asked.gap)
    if plan is None:
        raise EditProblem("no_gap", "gap", gap=asked.gap)
    gap = next(plan.gaps[plan.gaps["gap_id"] == asked.gap].itertuples())
    row = plan.recommendation[
        (plan.recommendation["gap_id"] == asked.gap) & (plan.recommendation["cover_id"] == asked.cover)
    ]
    if row.empty:
        raise EditProblem("no_cover", "cover", cover=asked.cover)
    if asked.given in ("choose", "lock"):
        if not bool(row["eligible"].iloc[0]):
            raise EditProblem("not_possible", "cover", cover=asked.cover, why=str(row["limiting_factor"].iloc[0]))
        if cautions_of(plan, asked.gap, asked.cover).get(asked.cover) and not asked.cautions_read:
            raise EditProblem("cautions_unread", "cautions_read")
    sow = asked.sow_date if asked.given == "lock" else None
    if asked.given == "lock":
        own = (plan.options["gap_id"] == asked.gap) & (plan.options["cover_id"] == asked.cover)
        dates = plan.options.loc[own, "sow_date"].dt.strftime("%Y-%m-%d")
        if asked.cover != "no_cover" and sow not in set(dates):
            raise EditProblem("no_such_date", "sow_date", date=sow or "")
    middle = gap.start + (gap.end - gap.start) / 2
    inside = (f"{gap.start:%Y-%m-%d}", f"{gap.end:%Y-%m-%d}")
    read_by = (asked.read_by.strip() or "yes") if asked.cautions_read else ""
    return lambda rows: edits.answer(
        rows, asked.gap, gap.block_id, f"{middle:%Y-%m-%d}", inside, asked.cover, asked.given, sow, read_by,
        date.today().isoformat(),
    )  # fmt: skip


RESPONSES: dict[int | str, dict[str, Any]] = {
    404: {"model": Problem, "description": "Not there, or not yet."},
    409: {"model": Problem, "description": "Somebody else has changed the farm; nothing was written."},
    422: {"model": Problem, "description": "Cannot be done, with the reason."},
}


def make_app(house: House) -> FastAPI:
    """The page's API and files, without the guard.

    Parameters
    ----------
    house : House

    Returns
    -------
    FastAPI
    """
    app = FastAPI(
        title="greengap local page",
        version=installed("greengap"),
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        responses=RESPONSES,
    )
    _problems(app)
    _pages(app)
    _farms(app, house)
    _edits(app, house)
    _plans(app, house)
    _files(app, house)
    return app


def _problem(status: int, **said: Any) -> JSONResponse:
    return JSONResponse(Problem(**said).model_dump(), status_code=status)


def _problems(app: FastAPI) -> None:
    """Every way to fail, as one shape."""

    @app.exception_handler(RequestValidationError)
    def not_understood(_: Request, error: RequestValidationError) -> JSONResponse:
        first = error.errors()[0] if error.errors() else {}
        place = ".".join(str(p) for p in first.get("loc", ()) if p not in ("body", "query"))
        return _problem(422, kind="request", sentence=f"{place}: {first.get('msg', '')}"[:500], field=place[:200])

    @app.exception_handler(EditProblem)
    def not_made(_: Request, error: EditProblem) -> JSONResponse:
        return _problem(422, kind="edit", key=error.key, field=error.field, words=error.words)

    @app.exception_handler(DrawingProblem)
    def not_drawn(_: Request, error: DrawingProblem) -> JSONResponse:
        return _problem(422, kind="drawing", key=error.key, sentence=error.words, lon=error.lon, lat=error.lat)

    @app.exception_handler(InputProblem)
    def not_read(_: Request, error: InputProblem) -> JSONResponse:
        return _problem(422, kind="input", sentence=error.sentence)

    @app.exception_handler(VersionConflict)
    def overtaken(_: Request, error: VersionConflict) -> JSONResponse:
        return _problem(409, kind="version", version=error.found)

    @app.exception_handler(OtherFarm)
    def another(_: Request, __: OtherFarm) -> JSONResponse:
        return _problem(409, kind="other_farm")

    @app.exception_handler(NotThere)
    def missing(_: Request, error: NotThere) -> JSONResponse:
        return _problem(404, kind="not_there", key=error.key)


def _pages(app: FastAPI) -> None:
    """The page itself; names are looked up in a fixed list, so no path from outside reaches the disk."""
    names = {p.relative_to(STATIC).as_posix(): p for p in STATIC.rglob("*") if p.suffix in KINDS}

    @app.get("/", include_in_schema=False)
    def page() -> Response:
        return FileResponse(STATIC / "index.html", media_type="text/html; charset=utf-8")

    @app.get("/lib/{name}", include_in_schema=False)
    def library(name: str) -> Response:
        if name == "leaflet.js":
            return Response(library_script(), media_type="text/javascript; charset=utf-8")
        if name == "leaflet.css":
            return Response(library_style(), media_type="text/css; charset=utf-8")
        raise NotThere("no_file")

    @app.get("/static/{name:path}", include_in_schema=False)
    def static(name: str) -> Response:
        path = names.get(name)
        if path is None:
            raise NotThere("no_file")
        return FileResponse(path, media_type=f"{KINDS[path.suffix]}; charset=utf-8")


def _farms(app: FastAPI, house: House) -> None:
    @app.get("/api/start")
    def start() -> dict[str, Any]:
        """What is open, and what can be opened."""
        return {
            "open": house.session is not None,
            "farm": house.farm_id,
            "farms": [
                {"file": name, "changed": date.fromtimestamp(path.stat().st_mtime).isoformat()}
                for name, path in house.files().items()
            ],
            "sample": sample_folder().is_dir(),
            "program": installed("greengap"),
        }

    @app.post("/api/farms")
    def open_farm(asked: OpenFarm) -> dict[str, Any]:
        """Open a farm file, the sample farm, or a new farm."""
        match asked.kind:
            case "file":
                path = house.files().get(asked.name)
                if path is None:
                    raise NotThere("no_file")
                house.take(FarmStore(path))
            case "sample":
                house.take(pack_folder(sample_folder(), house.free_path("sample farm")))
            case "new":
                name = " ".join(asked.name.split())
                if not name:
                    raise EditProblem("name_empty", "name")
                place = asked.place.model_dump() if asked.place else None
                house.take(new_farm_file(house.free_path(name), name, place, asked.units))
        return {"farm": house.farm_id}

    @app.post("/api/farms/close")
    def close_farm() -> dict[str, Any]:
        """Go back to the start page; the farm file is complete as it is."""
        house.close()
        return {}

    @app.get("/api/catalogue")
    def catalogue() -> dict[str, Any]:
        """Names of covers, vegetables, purposes, machines."""
        from greengap.catalogue import load_catalogue
        from greengap.web.views import catalogue_view

        return catalogue_view(load_catalogue())

    @app.get("/api/land")
    def land() -> dict[str, Any]:
        """Rough outlines of the countries, to find the place of a new farm on; empty where they are not installed."""
        return rough_land()

    @app.get("/api/state")
    def state() -> dict[str, Any]:
        """Everything that a person edits."""
        session = house.open()
        session.refresh()
        return {"farm": house.farm_id, **session.state()}

    @app.get("/api/address")
    def address() -> dict[str, Any]:
        """The page's address on the farm's network, as text and as a QR code, if it is served there."""
        if not house.address:
            return {"address": "", "modules": []}
        import segno

        code = segno.make(house.address, error="m")
        return {"address": house.address, "modules": [[bool(m) for m in row] for row in code.matrix]}


def _edits(app: FastAPI, house: House) -> None:
    def done(session: Session, made: Any) -> dict[str, Any]:
        return {"version": made.version, "words": made.words, "report": made.report, "state": state(session)}

    def state(session: Session) -> dict[str, Any]:
        return {"farm": house.farm_id, **session.state()}

    @app.post("/api/edit")
    def edit(asked: EditFor) -> dict[str, Any]:
        """Make one edit: in the file before it is answered."""
        session = house.open_as(asked.farm)
        if asked.version != session.version:
            raise VersionConflict(asked.version, session.version)
        return done(session, session.edit(asked.version, _change(asked.edit, session)))

    @app.post("/api/step")
    def step(asked: StepFor) -> dict[str, Any]:
        """Take the last edit back, or do the next one again."""
        session = house.open_as(asked.farm)
        made = session.step(asked.version, asked.back)
        if made is None:
            raise EditProblem("nothing_to_undo" if asked.back else "nothing_to_redo")
        return done(session, made)

    @app.post("/api/outline")
    def outline(asked: Outline) -> dict[str, Any]:
        """Area, sides and faults of an outline as it is being drawn."""
        return house.open().faults(asked.rings, asked.block)

    @app.post("/api/gaps")
    def gaps(asked: CalendarTry) -> dict[str, Any]:
        """Gaps of a block under crops that are being dragged."""
        return house.open().gaps_if(asked.block, [c.model_dump() for c in asked.crops])

    @app.post("/api/import/{kind}")
    async def import_file(
        kind: Literal["blocks", "crops", "weather", "soil", "underlay"],
        request: Request,
        farm: Annotated[str, Query(max_length=200)],
        version: Annotated[int, Query(ge=0, le=2**53)],
        name: Annotated[str, Query(max_length=200)],
        property: Annotated[str, Query(max_length=40)] = "",
        unit: Annotated[str, Query(max_length=40)] = "",
        elevation_m: Annotated[float | None, Query(ge=-500, le=9000)] = None,
        bounds: Annotated[str, Query(max_length=200)] = "",
        body: Annotated[bytes, Body(media_type="application/octet-stream")] = b"",
    ) -> dict[str, Any]:
        """Take in a dropped file; the name is shown and nothing more."""
        session = house.open_as(farm)
        shown = "".join(c for c in name if c.isprintable()).strip()[:120] or "file"
        content = body or await request.body()

        def take() -> dict[str, Any]:
            if kind == "underlay":
                return done(session, _underlay(session, version, shown, content, bounds))
            extra = {"property": property, "unit": unit, "elevation_m": elevation_m}
            return done(session, session.import_file(version, kind, shown, content, extra))

        return await run_in_threadpool(take)


def _underlay(session: Session, version: int, name: str, content: bytes, bounds: str) -> Any:
    from greengap.web.layers import underlay_of_file

    with tempfile.TemporaryDirectory(prefix="greengap-in-") as held:
        path = Path(held) / ("image" + Path(slug(name)).suffix)
        path.write_bytes(content)
        picture, corners = underlay_of_file(name, path)
    if corners is None:
        try:
            south, west, north, east = (float(v) for v in bounds.split(","))
        except ValueError:
            raise EditProblem("underlay_corners", "bounds") from None
        if not (-90 <= south < north <= 90 and -180 <= west < east <= 180):
            raise EditProblem("underlay_corners", "bounds")
        corners = [[south, west], [north, east]]

    def make(rows: Rowset) -> edits.Change:
        patch, _ = edits.set_settings(rows, {"underlay": {"name": name, "bounds": corners, "serial": version}})
        return patch, ["did_underlay", {"name": name}]

    own = session.store.path
    beside = own.with_name(f"{own.stem}-underlay.png")
    whole = beside.with_name(f".{beside.name}.part")
    whole.write_bytes(picture)
    whole.replace(beside)
    return session.edit(version, make)


def _plans(app: FastAPI, house: House) -> None:
    @app.get("/api/progress")
    def progress() -> dict[str, Any]:
        """How far the plan has come."""
        session = house.open()
        return {**asdict(session.planner.progress), "edited": session.version, "farm": house.farm_id}

    @app.post("/api/cancel")
    def cancel() -> dict[str, Any]:
        """Stop planning; what has been planned stays."""
        house.open().planner.cancel()
        return {}

    @app.post("/api/replan")
    def replan() -> dict[str, Any]:
        """Plan again after a stop."""
        session = house.open()
        session.planner.request(session.store.contents)
        return {}

    @app.get("/api/plan")
    def plan(block: Annotated[str | None, Query(max_length=200)] = None) -> dict[str, Any]:
        """Gaps of the farm or of one block, and what is said of the farm as a whole."""
        from greengap.web.views import farm_view

        planner = house.open().planner
        views = dict(planner.views)
        if block is not None:
            return {"gaps": views.get(block, []), "farm": None}
        made = planner.made
        found = [gap for gaps in views.values() for gap in gaps]
        return {"gaps": found, "farm": None if made is None else {"version": made.version, **farm_view(made.plan)}}

    @app.get("/api/gap")
    def gap(id: Annotated[str, Query(max_length=300)]) -> dict[str, Any]:
        """Everything about one gap."""
        from greengap.web.views import gap_detail

        found = house.open().planner.gap_in_full(id)
        if found is None:
            raise NotThere("no_gap")
        return gap_detail(found[1], id)

    @app.post("/api/weights")
    def weights(asked: Weights) -> dict[str, Any]:
        """How the ranking of a gap moves under other weights; nothing is kept."""
        from dataclasses import replace

        from greengap.farm.settings import PURPOSES, Purpose

        def change(settings: Any) -> Any:
            own = {p.key: p.aim for p in settings.purposes}
            purposes = tuple(Purpose(key, weight, own.get(key)) for key, weight in asked.weights.items() if weight > 0)
            return replace(settings, purposes=purposes)

        unknown = [key for key in asked.weights if key not in PURPOSES]
        if unknown:
            raise EditProblem("no_purpose", "weights", purpose=unknown[0])
        if not any(asked.weights.values()):
            raise EditProblem("no_weight", "weights")
        found = house.open().planner.gap_in_full(asked.gap, change)
        if found is None:
            raise NotThere("no_gap")
        table = found[1].recommendation
        rows = table[table["gap_id"] == asked.gap].sort_values("rank")
        return {
            "ranking": [
                {
                    "cover": r.cover_id,
                    "rank": int(r.rank),
                    "score": round(float(r.score), 4),
                    "klass": r.suitability_class,
                }
                for r in rows.itertuples()
                if r.eligible
            ]
        }

    @app.get("/api/why")
    def why(gap: Annotated[str, Query(max_length=300)], cover: Annotated[str, Query(max_length=200)]) -> dict[str, Any]:
        """How a score and a rate came about, with the source of every number."""
        from greengap.output.why import explain

        found = house.open().planner.gap_in_full(gap)
        if found is None or cover not in {*found[0].catalogue.covers, "no_cover"}:
            raise NotThere("no_gap")
        made = found[1]
        return {"lines": list(explain(made, str(made.gaps["block_id"].iloc[0]), cover))}


EXPORTS = {
    "map.html": "text/html",
    "plan.geojson": "application/geo+json",
    "farm-folder.zip": "application/zip",
    "everything.zip": "application/zip",
    "farm.gpkg": "application/geopackage+sqlite3",
}


def _files(app: FastAPI, house: House) -> None:
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
