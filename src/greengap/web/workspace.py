"""The rows of a farm file laid out as a farm folder, so that the page plans with what every command reads."""

from __future__ import annotations

import csv
import io
import json
import shutil
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomli_w

from greengap.catalogue import Catalogue
from greengap.errors import ImportReport, InputProblem
from greengap.farm.crop_calendar import read_crop_calendar
from greengap.farm.settings import FILE, FarmSettings, read_settings
from greengap.web.store import CROP_COLUMNS, Rowset

BLOCKS, CALENDAR, PLACE = "blocks.geojson", "crop_calendar.csv", "place"
OURS = ("place", "underlay", "files")  # rows of settings that are not lines of farm.toml as they stand


def settings_toml(rows: Rowset, files: dict[str, Any]) -> str:
    """``farm.toml`` of the rows."""
    data = {k: v for k, v in rows.settings.items() if k not in OURS and v is not None}
    choices = []
    for row in rows.choices.values():
        one = {k: row[k] for k in ("block", "day", "cover", "answer")}
        choices.append(one | ({"sow_date": row["sow_date"]} if row["sow_date"] else {}))
    if choices:
        data["choices"] = choices
    return tomli_w.dumps(data | {"files": files})


def blocks_geojson(rows: Rowset, only: set[str] | None = None) -> str:
    """The outlines as GeoJSON."""
    features = [
        {"type": "Feature", "properties": {"block": name, "field": row.get("field") or name}, "geometry": row["geometry"]}
        for name, row in rows.blocks.items()
        if only is None or name in only
    ]
    return json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False)


def calendar_csv(rows: Rowset, only: set[str] | None = None) -> str:
    """The crop calendar as CSV."""
    out = io.StringIO()
    writer = csv.DictWriter(out, CROP_COLUMNS, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    order = {name: i for i, name in enumerate(rows.blocks)}
    kept = [r for r in rows.crops.values() if r["block"] in order and (only is None or r["block"] in only)]
    for row in sorted(kept, key=lambda r: (order[r["block"]], r["start"], r["crop"])):
        writer.writerow(row)
    return out.getvalue()


def _named_files(rows: Rowset) -> dict[str, Any]:
    """What ``[files]`` says, with names inside the folder."""
    own = rows.settings.get("files") or {}
    named: dict[str, Any] = {"polygons": BLOCKS, "block_column": "block", "field_column": "field"}
    named["crop_calendar"] = CALENDAR
    return named | {k: v for k, v in own.items() if k in ("weather", "soil", "soil_survey")}


class Workspace:
    """A folder of our own in which the farm is laid out; nobody else writes there."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.problem_of: dict[str, str | None] = {}  # calendar of a block, as text -> what is wrong with it

    def lay_place_files(self, files: Mapping[str, bytes]) -> None:
        """Write weather and soil; only what changed."""
        for name, content in files.items():
            path = self.folder / name
            if not path.is_file() or path.read_bytes() != content:
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(content)

    def calendar_problem(self, rows: Rowset, block: str, catalogue: Catalogue) -> str | None:
        """What keeps the calendar of a block from being planned, in a sentence."""
        text = calendar_csv(rows, {block})
        if text.count("\n") < 2:
            return None
        if text not in self.problem_of:
            path = self.folder / "one_block.csv"
            path.write_text(text, encoding="utf-8")
            try:
                read_crop_calendar(path, "crop calendar", ImportReport(), [block], catalogue)
                self.problem_of[text] = None
            except InputProblem as problem:
                self.problem_of[text] = f"{problem.what}. {problem.remedy}."
        return self.problem_of[text]

    def check_settings(self, rows: Rowset) -> FarmSettings:
        """Read settings as the commands do, before they are kept.

        Raises
        ------
        InputProblem
            If a command would refuse them.
        """
        trial = self.folder / "trial"
        trial.mkdir(exist_ok=True)
        stand_in = {"polygons": FILE, "crop_calendar": FILE, "weather": FILE}
        (trial / FILE).write_text(settings_toml(rows, stand_in), encoding="utf-8")
        return read_settings(trial)

    def lay_out(self, rows: Rowset, only: set[str]) -> Path:
        """The farm folder with those blocks."""
        folder = self.folder
        (folder / FILE).write_text(settings_toml(_only(rows, only), _named_files(rows)), encoding="utf-8")
        (folder / BLOCKS).write_text(blocks_geojson(rows, only), encoding="utf-8")
        (folder / CALENDAR).write_text(calendar_csv(rows, only), encoding="utf-8")
        return folder


def _only(rows: Rowset, only: set[str]) -> Rowset:
    """Rows in which settings name no block that is left out."""
    out = Rowset(rows.blocks, rows.crops, dict(rows.settings), rows.choices)
    for key in ("irrigation", "tile_drained"):
        if isinstance(out.settings.get(key), list):
            out.settings[key] = [b for b in out.settings[key] if b in only]
    for key in ("cold_offset_degc", "diseases"):
        if isinstance(out.settings.get(key), dict):
            out.settings[key] = {b: v for b, v in out.settings[key].items() if b in only}
    return out


def farm_folder_zip(rows: Rowset, files: Mapping[str, bytes]) -> bytes:
    """The farm as a folder that every command takes, zipped; the same rows give the same bytes."""
    parts = {
        FILE: settings_toml(rows, _named_files(rows)).encode(),
        BLOCKS: blocks_geojson(rows).encode(),
        CALENDAR: calendar_csv(rows).encode(),
        **files,
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in sorted(parts.items()):
            packed.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def rows_of_folder(folder: Path) -> tuple[Rowset, dict[str, bytes], ImportReport]:
    """A farm folder as rows and place files.

    Returns
    -------
    Rowset, dict of name to bytes, ImportReport

    Raises
    ------
    InputProblem
        If a command would refuse the folder.
    """
    import tomllib

    from greengap.farm.fields import read_blocks
    from greengap.web.edits import add_blocks

    settings, report = read_settings(folder), ImportReport()
    blocks = read_blocks(
        settings.polygons,
        settings.shown(settings.polygons),
        report,
        layer=settings.polygons_layer,
        crs=settings.polygons_crs,
        block_column=settings.block_column,
        field_column=settings.field_column,
    )
    rows = Rowset()
    patch, _ = add_blocks(rows, list(zip(blocks["block_id"], blocks["field"], blocks.geometry, strict=True)))
    rows.apply(patch)
    from greengap.catalogue import load_catalogue

    aside = blocks.attrs["set_aside"]
    calendar = read_crop_calendar(
        settings.crop_calendar, settings.shown(settings.crop_calendar), report, list(blocks["block_id"]),
        load_catalogue(), aside,
    )  # fmt: skip
    for number, row in enumerate(crops_of_calendar(calendar), 1):
        rows.crops[f"c{number}"] = row
    data = tomllib.loads((folder / FILE).read_bytes().decode("utf-8-sig"))
    files: dict[str, bytes] = {}

    def keep(name: str, path: Path) -> str:
        inside = f"{PLACE}/{len(files):02d}_{path.name}"
        if path.is_file():
            files[inside] = path.read_bytes()
        else:  # a shapefile or the like beside others
            raise InputProblem(name, "", "is a folder", "Name the file in it")
        for beside in path.parent.glob(f"{path.stem}.*"):  # .shp and its companions
            if path.suffix.lower() == ".shp" and beside != path and beside.is_file():
                files[f"{PLACE}/{inside.split('/')[1].rsplit('.', 1)[0]}{beside.suffix}"] = beside.read_bytes()
        return inside

    named: dict[str, Any] = {"weather": [keep("weather", p) for p in settings.weather]}
    soil = data["files"].get("soil")
    if soil:
        named["soil"] = {}
        for key, value in soil.items():
            path = settings.soil_rasters[key].path
            one = keep(key, path)
            named["soil"][key] = one if isinstance(value, str) else {**value, "file": one}
    if settings.soil_survey:
        s = settings.soil_survey
        named["soil_survey"] = {k: keep(k, getattr(s, k)) for k in ("polygons", "components", "horizons")}
    for key, value in data.items():
        if key == "choices":
            for number, one in enumerate(settings.choices, 1):
                rows.choices[f"c{number}"] = {
                    "block": one.block_id, "day": one.day, "cover": one.cover_id, "answer": one.answer,
                    "sow_date": one.sow_date or "", "read_by": "", "read_on": "",
                }  # fmt: skip
        elif key != "files":
            rows.settings[key] = value
    rows.settings.setdefault("name", settings.name)
    rows.settings["files"] = named
    return rows, files, report


def crops_of_calendar(calendar: Any) -> list[dict[str, str]]:
    """Rows of a checked crop calendar as the farm file holds them; soft ends only where they differ."""

    def day(value: Any) -> str:
        return f"{value:%Y-%m-%d}"

    out = []
    for row in calendar.itertuples():
        one = {"block": row.block_id, "crop": row.crop, "establishment": row.establishment}
        one |= {"start": day(row.start_usual), "end": day(row.end_usual)}
        for name in ("start", "end"):
            for side in ("early", "late"):
                found, usual = (getattr(row, f"{name}_{s}") for s in (side, "usual"))
                one[f"{name}_{side}"] = day(found) if found != usual else ""
        out.append(one)
    return out


def clear(folder: Path) -> None:
    """Remove a workspace."""
    shutil.rmtree(folder, ignore_errors=True)
