"""Routes of the season record: what the field book needs, rows that a device sends, files in and out."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Body, FastAPI, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response
from pydantic import BaseModel, ConfigDict, Field

from greengap.farm.season_record import to_text
from greengap.web.field_book import record_rows
from greengap.web.house import House, OtherFarm

MOST_AT_ONCE = 500


class SentRows(BaseModel):
    """Rows of a device, for the farm that it knows by its file."""

    model_config = ConfigDict(extra="forbid")

    file: Annotated[str, Field(max_length=300)]
    rows: Annotated[list[dict[str, Any]], Field(max_length=MOST_AT_ONCE)]


def record_routes(app: FastAPI, house: House) -> None:
    """Add them."""

    @app.get("/api/field-book")
    def book() -> dict[str, Any]:
        """Blocks, gaps with their dates, covers, kinds of row and the record, all at once."""
        return house.open().field_book()

    @app.get("/api/record")
    def record() -> dict[str, Any]:
        """The season record, row by row, corrected rows too."""
        session = house.open()
        session.refresh()
        return {"file": session.store.path.name, "rows": record_rows(session.store.contents.record)}

    @app.post("/api/record")
    def add(asked: SentRows) -> dict[str, Any]:
        """Take rows of a device; each is taken or refused by itself, and one that is there already is left."""
        session = house.open()
        if asked.file != session.store.path.name:
            raise OtherFarm
        taken = session.take_rows(asked.rows)
        refused = {r.entry_id for r in taken.refused}
        entries = [str(row.get("entry_id") or "")[:64] for row in asked.rows]
        return {
            "taken": [e for e in dict.fromkeys(entries) if e and e not in refused],
            "refused": [{"entry_id": r.entry_id, "sentence": r.sentence} for r in taken.refused],
            "rows": record_rows(session.store.contents.record),
        }

    @app.post("/api/record/file")
    async def take_file(
        request: Request,
        name: Annotated[str, Query(max_length=200)],
        body: Annotated[bytes, Body(media_type="application/octet-stream")] = b"",
    ) -> dict[str, Any]:
        """Take in the file of a record page, or an exported record."""
        session = house.open()
        shown = "".join(c for c in name if c.isprintable()).strip()[:120] or "file"
        content = body or await request.body()
        entered, added = await run_in_threadpool(session.take_record_file, content, shown)
        return {
            "added": added,
            "there": len(entered.rows) - added,
            "notes": list(entered.filled),
            "rows": record_rows(session.store.contents.record),
        }

    @app.get("/api/stands")
    def stands(serial: Annotated[int, Query(ge=-1, le=2**53)] = -1) -> dict[str, Any]:
        """How far the stands are worked out; the tables too, if they are not those that the asker has."""
        session = house.open()
        session.refresh()
        told = session.stands_told()
        if told["serial"] == serial:
            del told["by_gap"]
        return {"file": session.store.path.name, **told}

    @app.get("/api/record/page")
    def page() -> Response:
        """The record page: one file that works without this program, with the stands that are worked out by now."""
        from greengap.web.record_page import record_page, record_page_name

        session = house.open()
        told = session.field_book()
        headers = {"content-disposition": f'attachment; filename="{record_page_name(session.store.path.stem)}"'}
        return Response(record_page(told), media_type="text/html; charset=utf-8", headers=headers)

    @app.get("/api/record/csv")
    def csv() -> Response:
        """The whole record as CSV, as `greengap record FARM list --csv --all` prints it."""
        session = house.open()
        session.refresh()
        headers = {"content-disposition": 'attachment; filename="season_record.csv"'}
        text = to_text(session.store.contents.record)
        return Response(text, media_type="text/csv; charset=utf-8", headers=headers)
