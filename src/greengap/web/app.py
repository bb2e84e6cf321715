"""Routes of the local page: parse, call, answer, nothing else. `greengap.web.guard` stands in front."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from datetime import date
from importlib.metadata import version as installed
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import Body, FastAPI, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, JSONResponse, Response

from greengap.errors import InputProblem
from greengap.farm.drawing import DrawingProblem
from greengap.output.map_library import library_script, library_style
from greengap.web import edits
from greengap.web.asked import (
    Answer,
    Beds,
    Buffer,
    CalendarTry,
    CopyCrops,
    CutOut,
    Draw,
    DropList,
    DropPlan,
    EditFor,
    HoleReason,
    KeepPlan,
    Merge,
    NextYear,
    OpenFarm,
    Outline,
    PlanSpray,
    Problem,
    Remove,
    RemoveCrop,
    RemoveSpray,
    Rename,
    Reshape,
    SetCrop,
    SetSettings,
    SownShare,
    Split,
    StepFor,
)
from greengap.web.compare import short
from greengap.web.edits import EditProblem
from greengap.web.file_routes import file_routes
from greengap.web.files_in import take_file
from greengap.web.house import House, NotThere, OtherFarm, sample_folder
from greengap.web.plan_routes import plan_routes
from greengap.web.record_routes import record_routes
from greengap.web.remembered import remembered
from greengap.web.session import Session, pack_folder, slug
from greengap.web.store import FarmStore, Rowset, VersionConflict, new_farm_file
from greengap.web.views import cautions_of

STATIC = Path(__file__).parent / "static"
# Edits that make blocks of others, and how the farm remembers them.
WAYS = {
    "rename": "renamed", "split": "split", "merge": "merged", "beds": "beds", "buffer": "buffer", "cut_out": "cut out",
}  # fmt: skip
KINDS = {".js": "text/javascript", ".css": "text/css", ".json": "application/json", ".svg": "image/svg+xml"}


def _change(asked: Any, session: Session) -> Callable[[Rowset], edits.Change]:
    """The edit that was asked for, as a function of the rows."""
    match asked:
        case Draw():
            return lambda rows: edits.draw(rows, asked.rings, asked.name, asked.field)
        case Reshape():
            also = {one.block: one.parts for one in asked.also}
            return lambda rows: edits.reshape(rows, asked.block, asked.parts, also)
        case Rename():
            return lambda rows: edits.rename(rows, asked.block, asked.name, asked.field)
        case SownShare():
            return lambda rows: edits.sown_share(rows, asked.block, asked.share)
        case Remove():
            return lambda rows: edits.remove(rows, asked.block)
        case Split():
            return lambda rows: edits.split(rows, asked.block, asked.line)
        case Beds():
            how = (asked.pitch_m, asked.width_m, asked.count)
            return lambda rows: edits.make_beds(rows, asked.block, asked.line, *how, asked.as_blocks)
        case Buffer():
            return lambda rows: edits.make_buffer(rows, asked.block, asked.width_m, asked.open_only, asked.keep)
        case CutOut():
            return lambda rows: edits.cut_out(rows, asked.block, asked.ring, asked.reason, asked.note)
        case HoleReason():
            return lambda rows: edits.hole_reason(rows, asked.block, (asked.lon, asked.lat), asked.reason, asked.note)
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
        case DropList():
            return lambda rows: edits.drop_list(rows, asked.name)
        case KeepPlan():
            made = session.planner.made
            if made is None or made.version != session.version:
                raise NotThere("no_plan")
            plan = short(made.plan)
            return lambda rows: edits.keep_plan(rows, asked.name, plan)
        case PlanSpray():
            cells = asked.row.model_dump()
            cells["from"], cells["until"] = cells.pop("first"), cells.pop("last")
            return lambda rows: edits.plan_spray(rows, asked.at, cells)
        case RemoveSpray():
            return lambda rows: edits.remove_spray(rows, asked.at)
        case DropPlan():
            return lambda rows: edits.drop_plan(rows, asked.name)
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
    plan_routes(app, house)
    file_routes(app, house)
    record_routes(app, house)
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
        """Names of covers, those of the farm too, vegetables, purposes, machines."""
        from greengap.catalogue import load_catalogue
        from greengap.web.views import catalogue_view

        session = house.session
        return catalogue_view(load_catalogue() if session is None else session.catalogue)

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
        change, way = _change(asked.edit, session), WAYS.get(asked.edit.kind)
        if way is None:
            return done(session, session.edit(asked.version, change))
        today = date.today().isoformat()
        return done(session, session.edit(asked.version, lambda rows: remembered(rows, change(rows), way, today)))

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
        return house.open().faults(asked.rings, asked.block, {one.block: one.parts for one in asked.also})

    @app.post("/api/gaps")
    def gaps(asked: CalendarTry) -> dict[str, Any]:
        """Gaps of a block under crops that are being dragged."""
        return house.open().gaps_if(asked.block, [c.model_dump() for c in asked.crops])

    @app.post("/api/import/{kind}")
    async def import_file(
        kind: Literal[
            "any",
            "blocks",
            "crops",
            "weather",
            "soil",
            "underlay",
            "seed_stock",
            "seed_prices",
            "herbicides",
            "noxious_names",
            "planned_sprays",
            "catalogue",
            "history",
            "this_season",
            "record",
        ],
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
            return done(session, take_file(session, version, kind, shown, content, extra))

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
