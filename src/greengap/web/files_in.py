"""Files that are brought in on the page: outlines, calendar, weather, soil rasters, lists; each with its report."""

from __future__ import annotations

import os
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.farm.crop_calendar import read_crop_calendar
from greengap.farm.fields import read_blocks
from greengap.farm.history import history_findings, read_history
from greengap.farm.settings import SOIL_PROPERTIES, SoilRaster
from greengap.farm.traced import compared, read_traced
from greengap.farm_input import history_of_ground, read_farm_contents, read_own_files
from greengap.site.soil import soil_from_rasters
from greengap.site.weather import read_days, read_weather
from greengap.site.weather_join import season_days
from greengap.web import edits
from greengap.web.lists import (
    FILES,
    OWN,
    SHORT_D,
    TABLES,
    header_of,
    held_list,
    history_as_data,
    kinds_of_header,
    renamed,
    rows_of_catalogue,
    season_as_data,
    text_of_table,
)
from greengap.web.session import Done, Session, slug
from greengap.web.store import Derived, Rowset, crops_of_calendar


def take_file(session: Session, version: int, kind: str, name: str, content: bytes, extra: dict[str, Any]) -> Done:
    """Take in a dropped file: outlines, crop calendar, weather, a soil raster, a list.

    Parameters
    ----------
    version : int
        That it is brought in for.
    kind : str
        What it is; "any" to be told by its header.
    name : str
        As the person knows the file; never a path.
    content : bytes
    extra : dict
        What else was said of it.

    Raises
    ------
    InputProblem
        If it cannot be used.
    EditProblem
        If it may be one of several kinds: ``which_list``, with the kinds.
    """
    suffix = "".join(Path(name).suffixes[-1:]).lower()[:12]
    safe = slug(Path(name).stem) + (suffix if suffix[1:].isalnum() else "")
    with tempfile.TemporaryDirectory(prefix="greengap-in-") as held:
        path = Path(held) / safe
        path.write_bytes(content)
        if kind == "any":
            fitting = _kinds_of(session, path, name)
            if len(fitting) != 1:
                raise edits.EditProblem("which_list", "kind", kinds=fitting, name=name)
            kind = fitting[0]
        match kind:
            case "blocks":
                return _import_blocks(session, version, path, name)
            case "crops":
                return _import_crops(session, version, path, name)
            case "weather":
                return _import_weather(session, version, path, name, extra)
            case "soil":
                return _import_soil(session, version, path, name, content, extra)
            case "this_season":
                return _import_season(session, version, path, name, content, extra)
            case "history":
                return _import_history(session, version, path, name, content)
            case "record":
                return _import_record(session, name, content)
            case _ if kind in OWN:
                return _import_list(session, version, kind, path, name, content)
    raise InputProblem(name, "", f"{kind!r} is not a kind of file", "Choose outlines, calendar, weather or soil")


def _kinds_of(session: Session, path: Path, name: str) -> list[str]:
    """What a dropped file may be, by its header; weather by how many days it has."""
    if path.suffix == ".toml":
        return ["catalogue"]
    if path.suffix in TABLES:
        found = kinds_of_header(header_of(path, name))
        if found or path.suffix == ".xlsx":
            return found or ["crops"]  # whose reader says what a table needs
    days = _days(session, path, name, {}, ImportReport())
    span = pd.DatetimeIndex(days["date"].to_numpy())
    if len(span) < SHORT_D:
        return ["this_season"]
    return ["weather"] if span[0].year < span[-1].year - 1 else ["weather", "this_season"]


def _days(session: Session, path: Path, name: str, extra: dict[str, Any], report: ImportReport) -> Any:
    """Daily weather of any length, checked."""
    station, near = _station(session, name, extra), _around(session)
    return read_days([path], lambda _: name, report, station, near, session.settings.weather_units == "us")


def _import_list(session: Session, version: int, kind: str, path: Path, name: str, content: bytes) -> Done:
    report, file = ImportReport(), FILES[kind]
    try:
        text = text_of_table(path, name, report)
        contents = session.store.contents
        own = {**contents.own_files, file: text}
        read_own_files(own, session.settings, [*session.rows.blocks, *contents.set_aside], report, contents.lineage)
        if file.endswith(".toml"):
            report.count(file, rows_of_catalogue(text), rows_of_catalogue(text))
        for others in (report.rows_read, report.rows_used):
            for other in [f for f in others if f != file]:
                del others[other]
        held = held_list(kind, text, content, report, file, name)
        return session.edit(version, lambda rows: edits.put_list(rows, kind, held.row()), None, told(report, name))
    except InputProblem as problem:
        raise renamed(problem, file, name) from problem


def _import_history(session: Session, version: int, path: Path, name: str, content: bytes) -> Done:
    report, file = ImportReport(), FILES["history"]
    order = session.settings.date_order
    try:
        lineage = session.store.contents.lineage
        named = dict.fromkeys([*session.rows.blocks, *lineage["parent_id"]])
        history = read_history(path, file, report, list(named), order)
    except InputProblem as problem:
        raise renamed(problem, file, name) from problem
    ground = history_of_ground(history, lineage, list(session.rows.blocks))
    history_findings(ground, session.store.contents.crop_calendar, session.catalogue, file, report)
    held = held_list("history", history_as_data(history), content, report, file, name)
    files = {**(session.rows.settings.get("files") or {}), "history": file}
    row = held.row()
    return session.edit(version, lambda rows: edits.put_list(rows, "history", row, files), None, told(report, name))


def _import_season(
    session: Session, version: int, path: Path, name: str, content: bytes, extra: dict[str, Any]
) -> Done:
    report, file = ImportReport(), FILES["this_season"]
    days = _days(session, path, name, extra, report)
    season_days(days)
    held = held_list("this_season", season_as_data(days), content, report, name, name)
    files = {**(session.rows.settings.get("files") or {}), "this_season": file}
    row = held.row()
    return session.edit(version, lambda rows: edits.put_list(rows, "this_season", row, files), None, told(report, name))


def _import_record(session: Session, name: str, content: bytes) -> Done:
    """Rows of a season record: they are added, and never taken out again."""
    entered, added = session.take_record_file(content, name)
    told = [{"fate": "counts", "place": name, "what": f"{len(entered.rows)} read, {added} new"}]
    if there := len(entered.rows) - added:
        told.append({"fate": "not used", "place": name, "what": f"{there} rows are there already"})
    told += [{"fate": "used", "place": name, "what": note} for note in entered.filled]
    return Done(session.version, {}, ["did_import_record", {"name": name[:80], "count": added}], told)


def _import_blocks(session: Session, version: int, path: Path, name: str) -> Done:
    report = ImportReport()
    if path.suffix == ".gpx":
        walked = [(own or "Walked", own, outline) for own, outline in read_traced(path, name, report)]
        drawn = {block: edits.outline_of(row) for block, row in session.rows.blocks.items()}
        for own, _, outline in walked:
            for words in compared(outline, drawn):
                report.note(name, own, Fate.USED, words)
        return session.edit(version, lambda rows: edits.add_blocks(rows, walked), report=told(report, name))
    blocks: gpd.GeoDataFrame = read_blocks(path, name, report)
    taken = list(zip(blocks["block_id"], blocks["field"], blocks.geometry, strict=True))
    return session.edit(version, lambda rows: edits.add_blocks(rows, taken), report=told(report, name))


def _import_crops(session: Session, version: int, path: Path, name: str) -> Done:
    report = ImportReport()
    calendar = read_crop_calendar(path, name, report, list(session.rows.blocks), session.catalogue)
    crops = crops_of_calendar(calendar)
    return session.edit(version, lambda rows: edits.add_crops(rows, crops), report=told(report, name))


def _import_weather(session: Session, version: int, path: Path, name: str, extra: dict[str, Any]) -> Done:
    report = ImportReport()
    place, us = _place(session), session.settings.weather_units == "us"
    station, near = _station(session, name, extra), _around(session)
    weather = read_weather([path], lambda _: name, report, station=station, near=near, us_units=us)

    def make(rows: Rowset) -> edits.Change:
        values: dict[str, Any] = {"files": {**(rows.settings.get("files") or {}), "weather": name}}
        if path.suffix.lower() not in (".nc", ".nc4"):
            where: dict[str, Any] = {"lat": place[1], "lon": place[0], "name": Path(name).stem[:60]}
            if extra.get("elevation_m") is not None:
                where["elevation_m"] = extra["elevation_m"]
            values["station"] = where
        patch, _ = edits.set_settings(rows, values, must_change=False)
        return patch, ["did_import_weather", {"name": name[:80]}]

    return session.edit(version, make, Derived(weather=weather, report=report), told(report, name))


def _import_soil(session: Session, version: int, path: Path, name: str, content: bytes, extra: dict[str, Any]) -> Done:
    key, unit = extra.get("property"), extra.get("unit") or ""
    if key not in SOIL_PROPERTIES:
        raise InputProblem(name, "", "it is not said what it shows", f"Choose one of {', '.join(SOIL_PROPERTIES)}")
    if not session.rows.blocks:
        raise InputProblem(name, "", "there are no blocks to read it for", "Draw a block first")
    report = ImportReport()
    contents = session.store.contents
    soil_from_rasters(contents.blocks, {key: SoilRaster(path, unit)}, lambda _: name, report)
    own = session.store.path
    sources = (own.parent / contents.source_folder) if contents.source_folder else own.parent
    kept = own.parent / f"{own.stem}-soil" / f"{key}{path.suffix}"
    kept.parent.mkdir(exist_ok=True)
    whole = kept.with_name(f".{kept.name}.part")
    whole.write_bytes(content)
    whole.replace(kept)
    named = Path(os.path.relpath(kept.resolve(), sources.resolve())).as_posix()

    def make(rows: Rowset) -> edits.Change:
        files = dict(rows.settings.get("files") or {})
        files["soil"] = {**files.get("soil", {}), key: {"file": named, **({"unit": unit} if unit else {})}}
        patch, _ = edits.set_settings(rows, {"files": files}, must_change=False)
        return patch, ["did_import_soil", {"name": name[:80], "property": key}]

    trial = session.rows.copied()
    trial.apply(make(session.rows)[0])
    anew = read_farm_contents(
        replace(contents, settings_text=trial.settings_text(), outlines={}, report=ImportReport()), own
    )
    return session.edit(version, make, Derived(soil=(anew.soil, anew.class_shares), report=report), told(report, name))


def _station(session: Session, name: str, extra: dict[str, Any]) -> tuple[float, float, float | None, str]:
    """Where a station is taken to be: on the farm."""
    lon, lat = _place(session)
    return (lat, lon, extra.get("elevation_m"), Path(name).stem)


def _around(session: Session) -> tuple[float, float, float, float]:
    """West, south, east and north of the blocks, or of the farm's place."""
    if len(session.store.contents.blocks):
        west, south, east, north = (float(v) for v in session.store.contents.blocks.total_bounds)
        return west, south, east, north
    return (*_place(session), *_place(session))


def _place(session: Session) -> tuple[float, float]:
    """Longitude and latitude of the farm."""
    if session.rows.blocks:
        west, south, east, north = shapely.total_bounds([edits.outline_of(r) for r in session.rows.blocks.values()])
        return round((west + east) / 2, 5), round((south + north) / 2, 5)
    place = session.rows.settings.get("place")
    if not place:
        raise InputProblem("farm", "", "has no place yet", "Draw a block, or give the farm a place")
    return place["lon"], place["lat"]


def told(report: ImportReport, name: str) -> list[dict[str, str]]:
    """The import report as lines: counts, findings, assumptions."""
    lines = [
        {"fate": "counts", "place": name, "what": f"{read} read, {report.rows_used.get(file, 0)} used"}
        for file, read in report.rows_read.items()
    ]
    lines += [{"fate": f.fate.value, "place": f.place, "what": f.what} for f in report.findings]
    lines += [{"fate": "assumed", "place": name, "what": a} for a in report.assumptions]
    return lines
