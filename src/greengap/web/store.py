"""The farm file as the page edits it: rows by key, every edit one transaction, every edit kept with what it changed.

`greengap.farm.farm_file` owns the file; beside its tables the page keeps `edit_history` there.
"""

from __future__ import annotations

import copy
import json
import sqlite3
import tomllib
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any, cast

import geopandas as gpd
import pandas as pd
import shapely
import tomlkit
import xarray as xr
from shapely.geometry import shape
from tomlkit.exceptions import TOMLKitError

from greengap.errors import ImportReport, InputProblem
from greengap.farm.farm_file import (
    FarmContents,
    FarmEdit,
    edit_farm_file,
    no_weather,
    outline_fingerprint,
    read_farm_file,
    write_farm_file,
)
from greengap.farm.fields import geodesic_area_m2
from greengap.farm.season_record import merged
from greengap.farm.settings import FILE, settings_from
from greengap.tables import Block, BlockLineage, ClassShare, CropCalendar, DataFrame, SeasonRecord, Soil
from greengap.web.lists import lists_of_contents, told_of_lists, write_lists

TABLES = ("blocks", "crops", "settings", "choices", "lists", "lineage")
SOFT = ("start_early", "start_late", "end_early", "end_late")
CROP_COLUMNS = ("block", "crop", "establishment", "start", "end", *SOFT)
CHOICE_COLUMNS = ("block", "day", "cover", "answer", "sow_date", "read_by", "read_on")
PAGE_SETTINGS = ("place", "underlay", "kept")  # of the page, not lines of farm.toml
HISTORY = """CREATE TABLE edit_history (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, revision INTEGER NOT NULL,
  words TEXT NOT NULL, patch TEXT NOT NULL, undone INTEGER NOT NULL DEFAULT 0)"""
TOLD = ("edit_history", "attributes", "edit_history", "Every edit of the page, with what it changed",
        "1970-01-01T00:00:00.000Z", None, None, None, None, None)  # fmt: skip

Rows = dict[str, dict[str, Any]]  # by key
Patch = dict[str, dict[str, list[Any]]]  # table -> key -> [row before, row after]; None where there is none


class VersionConflict(Exception):
    """The farm file is not at the version that an edit was made for."""

    def __init__(self, asked: int, found: int) -> None:
        self.asked, self.found = asked, found
        super().__init__(f"the farm is at version {found}, the edit was made for {asked}")


@dataclass
class Rowset:
    """All that a person edits, by table and key; `text` is ``farm.toml`` without choices."""

    blocks: Rows = field(default_factory=dict)
    crops: Rows = field(default_factory=dict)
    settings: dict[str, Any] = field(default_factory=dict)
    choices: Rows = field(default_factory=dict)
    lists: Rows = field(default_factory=dict)
    lineage: Rows = field(default_factory=dict)
    text: str = ""

    def table(self, name: str) -> dict[str, Any]:
        """One of the tables."""
        found: dict[str, Any] = getattr(self, name)
        return found

    def apply(self, patch: Patch, side: int = 1) -> None:
        """Set rows to what they are after (1) or were before (0) a patch."""
        for table, rows in patch.items():
            held = self.table(table)
            for key, pair in rows.items():
                if pair[side] is None:
                    held.pop(key, None)
                else:
                    held[key] = pair[side]
        if "settings" in patch:
            self.text = _with_settings(self.text, {k: pair[side] for k, pair in patch["settings"].items()})

    def copied(self) -> Rowset:
        """Rows that can be changed without these; single rows are never changed in place."""
        return Rowset(text=self.text, **{name: dict(self.table(name)) for name in TABLES})

    def settings_text(self) -> str:
        """``farm.toml``, choices and all."""
        if not self.choices:
            return self.text
        listed = [{k: v for k, v in row.items() if v} for row in self.choices.values()]
        return f"{self.text.rstrip()}\n\n{tomlkit.dumps({'choices': listed})}"


@dataclass(frozen=True)
class Edit:
    """One line of the history: words as a key of the text catalogue with what goes into it."""

    number: int
    words: list[Any]
    undone: bool


@dataclass(frozen=True)
class Derived:
    """Weather or soil that comes in with an edit, read and checked."""

    weather: xr.Dataset | None = None
    soil: tuple[pd.DataFrame, pd.DataFrame] | None = None
    report: ImportReport | None = None


def _with_settings(text: str, values: Mapping[str, Any]) -> str:
    """``farm.toml`` with other values; remarks and all other lines stay."""
    document = tomlkit.parse(text)
    for key, value in values.items():
        if key in PAGE_SETTINGS:
            continue
        if value is None:
            document.pop(key, None)
        else:
            _put(document, key, value)
    return tomlkit.dumps(document)


def _put(table: Any, key: str, value: Any) -> None:
    """Set a value; of a table only the lines that change, so that the remarks beside the others stay."""
    held = table.get(key)
    if not (isinstance(held, dict) and isinstance(value, dict)):
        table[key] = value
        return
    for gone in [k for k in held if k not in value]:
        del held[gone]
    for k, v in value.items():
        if k not in held or held[k] != v:
            _put(held, k, v)


def _without_choices(text: str) -> tuple[str, list[dict[str, Any]]]:
    document = tomlkit.parse(text)
    found = tomllib.loads(text).get("choices", [])
    if "choices" in document:
        document.remove("choices")
    return tomlkit.dumps(document), found


def _refuse(path: Path, what: str, remedy: str) -> InputProblem:
    return InputProblem(path.name, "", what, remedy)


class FarmStore:
    """A farm file on disk, and what stands in it; holds no connection between calls."""

    def __init__(self, path: Path) -> None:
        """Read a farm file; it is not written to.

        Raises
        ------
        InputProblem
            If it is missing, damaged, or no farm file.
        """
        self.path = path
        self.contents: FarmContents
        self.rows: Rowset
        self.history: list[Edit]
        self.page: dict[str, Any]
        self.stamp: tuple[Any, ...]
        self.read()

    @property
    def version(self) -> int:
        """The version that these rows are at."""
        return self.contents.revision

    def read(self) -> None:
        """Read everything anew."""
        self.stamp = self.stamp_of_file()
        contents = read_farm_file(self.path)
        try:
            with closing(sqlite3.connect(f"{self.path.absolute().as_uri()}?mode=ro", uri=True, timeout=5.0)) as base:
                faults = base.execute("PRAGMA quick_check(1)").fetchone()
                if faults and faults[0] != "ok":
                    raise _refuse(self.path, f"is damaged ({faults[0]:.120})", "Take the last copy that was kept of it")
                found = base.execute("SELECT value FROM settings WHERE key = 'page'").fetchone()
                self.page = json.loads(found[0]) if found else {}
                there = base.execute("SELECT 1 FROM sqlite_master WHERE name = 'edit_history'").fetchone()
                listed = (
                    base.execute("SELECT fid, revision, words, undone FROM edit_history ORDER BY fid").fetchall()
                    if there
                    else []
                )
        except sqlite3.DatabaseError as error:
            raise _refuse(self.path, f"is damaged ({error})", "Take the last copy that was kept of it") from error
        self.history = [Edit(number, json.loads(words), bool(undone)) for number, _, words, undone in listed]
        if self.page.get("fingerprint", contents.fingerprint) != contents.fingerprint:
            self.history = []  # another program has written: the edits before it no longer fit
        self.contents, self.rows = contents, self._rows(contents)

    def stamp_of_file(self) -> tuple[Any, ...]:
        """What changes whenever any program writes to the file: SQLite's own counter, and its log if there is one."""
        try:
            with self.path.open("rb") as file:
                file.seek(24)  # "file change counter" of the SQLite file format
                counter = file.read(4)
        except OSError as error:
            raise _refuse(
                self.path, f"cannot be read any more ({error.strerror})", "Look whether it was moved"
            ) from error
        log = self.path.with_name(self.path.name + "-wal")
        found = log.stat() if log.exists() else None
        return counter, found and (found.st_size, found.st_mtime_ns)

    def _rows(self, contents: FarmContents) -> Rowset:
        rows = Rowset()
        try:
            rows.text, choices = _without_choices(contents.settings_text)
        except (TOMLKitError, tomllib.TOMLDecodeError) as error:
            raise InputProblem(FILE, "", f"cannot be read ({error})", "Correct that line") from error
        for block in contents.blocks.itertuples():
            one: dict[str, Any] = {"field": block.field, "geometry": json.loads(shapely.to_geojson(block.geometry))}
            if abs(block.area_sown_m2 - block.area_gross_m2) > 0.01:
                one["sown_share"] = block.area_sown_m2 / block.area_gross_m2
            rows.blocks[block.block_id] = one
        crops = crops_of_calendar(contents.crop_calendar)
        keys = self.page.get("crop_keys", [])
        if len(keys) != len(crops):
            keys = [f"c{n}" for n in range(1, len(crops) + 1)]
        rows.crops = dict(zip(keys, crops, strict=True))
        rows.settings = tomllib.loads(rows.text)
        rows.lists = lists_of_contents(contents, self.page)
        found = contents.lineage.assign(date=contents.lineage["date"].dt.strftime("%Y-%m-%d")).to_dict("records")
        rows.lineage = {f"l{number}": row for number, row in enumerate(found, 1)}
        rows.settings.setdefault("name", contents.name)
        if isinstance(sprays := rows.settings.get("planned_sprays"), list):  # bare dates, which the history cannot hold
            rows.settings["planned_sprays"] = [
                {k: str(v) if isinstance(v, date) else v for k, v in s.items()} if isinstance(s, dict) else s
                for s in sprays
            ]
        rows.settings |= {k: v for k, v in self.page.items() if k in PAGE_SETTINGS}
        rows.choices = {
            f"c{number}": {column: str(one.get(column, "")) for column in CHOICE_COLUMNS}
            for number, one in enumerate(choices, 1)
        }
        return rows

    # ---- writing ------------------------------------------------------------------------------

    def commit(self, version: int, patch: Patch, words: list[Any], derived: Derived | None = None) -> int:
        """Write one edit in one transaction.

        Parameters
        ----------
        version : int
            That the edit was made for.
        patch : Patch
            What it changes.
        words : list
            Key of the text catalogue and what goes into it.
        derived : Derived, optional
            Weather or soil that comes with it; not taken back by undo.

        Returns
        -------
        int
            The new version.

        Raises
        ------
        VersionConflict
            If somebody else wrote in the meantime; nothing is written then.
        """
        rows = self.rows.copied()
        rows.apply(patch)
        with edit_farm_file(self.path) as edit:
            contents, page = self._write(edit, version, rows, patch, derived)
            edit.base.execute("DELETE FROM edit_history WHERE undone = 1")
            number = edit.base.execute(
                "INSERT INTO edit_history (revision, words, patch) VALUES (?, ?, ?)",
                (version + 1, json.dumps(words, ensure_ascii=False), json.dumps(patch, ensure_ascii=False)),
            ).lastrowid
        self.history = [e for e in self.history if not e.undone]
        self.history.append(Edit(number or 0, words, False))
        self.contents, self.rows, self.page, self.stamp = contents, rows, page, self.stamp_of_file()
        return version + 1

    def add_to_record(self, rows: DataFrame[SeasonRecord]) -> int:
        """Add rows to the season record; it is no edit, and no version is asked for: rows never stand in the way."""
        with edit_farm_file(self.path) as edit:
            added = edit.add_to_record(rows)
        self.contents = replace(self.contents, record=merged(self.contents.record, rows))
        self.stamp = self.stamp_of_file()
        return added

    def step(self, version: int, back: bool) -> tuple[Patch, list[Any]] | None:
        """Take the last edit back, or do the next one again; None if there is none."""
        found = [e for e in self.history if e.undone != back]
        if not found:
            return None
        it = found[-1] if back else found[0]
        with edit_farm_file(self.path) as edit:
            row = edit.base.execute("SELECT patch FROM edit_history WHERE fid = ?", (it.number,)).fetchone()
            if row is None:
                raise VersionConflict(version, edit.revision)
            patch: Patch = json.loads(row[0])
            rows = self.rows.copied()
            rows.apply(patch, 0 if back else 1)
            contents, page = self._write(edit, version, rows, patch, None)
            edit.base.execute("UPDATE edit_history SET undone = ? WHERE fid = ?", (int(back), it.number))
        self.history = [replace(e, undone=back) if e.number == it.number else e for e in self.history]
        self.contents, self.rows, self.page, self.stamp = contents, rows, page, self.stamp_of_file()
        return patch, it.words

    def _write(
        self, edit: FarmEdit, version: int, rows: Rowset, patch: Patch, derived: Derived | None
    ) -> tuple[FarmContents, dict[str, Any]]:
        """Write what a patch touches; give what then stands in the file."""
        if edit.revision != version or version != self.version:
            raise VersionConflict(version, edit.revision)
        before = self.contents
        changes: dict[str, Any] = {"revision": version + 1}
        report = copy.deepcopy(before.report)
        edit.changed = True
        if "blocks" in patch:
            changes["blocks"] = blocks = blocks_of_rows(rows)
            edit.write_blocks(blocks)
            changes["soil"], changes["class_shares"], changes["outlines"] = inherited_soil(before, blocks)
            edit.write_soil(changes["soil"], changes["class_shares"], changes["outlines"])
            changes["set_aside"] = tuple(b for b in before.set_aside if b not in rows.blocks)
            edit.set("set_aside", list(changes["set_aside"]))
        if "crops" in patch or "blocks" in patch:
            changes["crop_calendar"] = calendar_of_rows(rows)
            edit.write_crop_calendar(changes["crop_calendar"])
        if "settings" in patch or "choices" in patch:
            stale = settings_from(before.settings_text.encode(), Path(), before.name, must_exist=False).assumptions
            report.assumptions = [a for a in report.assumptions if a not in stale]
            changes["settings_text"] = text = rows.settings_text()
            edit.write_settings(text)
            changes["name"] = str(rows.settings.get("name") or before.name)
            edit.set("name", changes["name"])
        if "lineage" in patch:
            changes["lineage"] = lineage_of_rows(rows)
            edit.write_lineage(changes["lineage"])
        if "lists" in patch:
            changes |= write_lists(edit, before, rows.lists, patch["lists"], report)
        if derived is not None:
            if derived.weather is not None:
                changes["weather"] = derived.weather
                edit.write_weather(derived.weather)
            if derived.soil is not None:
                changes["soil"], changes["class_shares"] = derived.soil
                changes["outlines"] = _fingerprints(changes.get("blocks", before.blocks))
                edit.write_soil(changes["soil"], changes["class_shares"], changes["outlines"])
            if derived.report is not None:
                report.assumptions += [a for a in derived.report.assumptions if a not in report.assumptions]
                report.findings += derived.report.findings
        report.assumptions = [a for a in report.assumptions if not _about_calendar(a, rows)]
        changes["report"] = report
        edit.write_report(report)
        after = replace(before, **changes)
        page = {k: rows.settings[k] for k in PAGE_SETTINGS if k in rows.settings}
        page |= {"crop_keys": _crop_order(rows), "fingerprint": after.fingerprint, "lists": told_of_lists(rows.lists)}
        edit.set("page", page)
        if not edit.base.execute("SELECT 1 FROM sqlite_master WHERE name = 'edit_history'").fetchone():
            edit.base.execute(HISTORY)
            edit.base.execute("INSERT INTO gpkg_contents VALUES (?,?,?,?,?,?,?,?,?,?)", TOLD)
        elif not self.history:
            edit.base.execute("DELETE FROM edit_history")
        return after, page


def _about_calendar(sentence: str, rows: Rowset) -> bool:
    """An assumption of reading that later edits of the calendar have overtaken."""
    if "no calendar for block" not in sentence:
        return False
    planted = {row["block"] for row in rows.crops.values()}
    return any(f"no calendar for block {b}," in sentence for b in planted) or not any(
        f"no calendar for block {b}," in sentence for b in rows.blocks
    )


def new_farm_file(path: Path, name: str, place: dict[str, float] | None, units: str) -> FarmStore:
    """An empty farm; nothing is written over.

    Raises
    ------
    InputProblem
        If the file is there, or the folder cannot be written.
    """
    if path.exists():
        raise _refuse(path, "is there already", "Choose another name, or open it")
    text = tomlkit.dumps({"name": name, "units": units, "files": {}})
    contents = FarmContents(
        settings_text=text, name=name, blocks=blocks_of_rows(Rowset()), crop_calendar=calendar_of_rows(Rowset()),
        soil=Soil.empty(), class_shares=ClassShare.empty(), weather=no_weather(), report=ImportReport(),
    )  # fmt: skip
    write_farm_file(path, contents)
    if place:
        with edit_farm_file(path) as edit:
            edit.set("page", {"place": place, "crop_keys": []})
    return FarmStore(path)


# ---- rows and tables ----------------------------------------------------------------------------


def blocks_of_rows(rows: Rowset) -> gpd.GeoDataFrame:
    """The table of blocks."""
    outlines = [shape(row["geometry"]) for row in rows.blocks.values()]
    gross = [geodesic_area_m2(outline) for outline in outlines]
    table = gpd.GeoDataFrame(
        {
            "block_id": pd.Series(list(rows.blocks), dtype=object),
            "field": pd.Series([row.get("field") or name for name, row in rows.blocks.items()], dtype=object),
            "area_gross_m2": pd.Series(gross, dtype=float),
            "area_sown_m2": pd.Series(
                [a * row.get("sown_share", 1.0) for a, row in zip(gross, rows.blocks.values(), strict=True)],
                dtype=float,
            ),
        },
        geometry=gpd.GeoSeries(outlines, crs=4326),
        crs=4326,
    )
    return cast("gpd.GeoDataFrame", Block.validate(table))


def lineage_of_rows(rows: Rowset) -> DataFrame[BlockLineage]:
    """Which blocks came of which, as a table."""
    if not rows.lineage:
        return BlockLineage.empty()
    table = pd.DataFrame(list(rows.lineage.values()), columns=list(BlockLineage.to_schema().columns))
    return BlockLineage.validate(table.assign(date=pd.to_datetime(table["date"], format="%Y-%m-%d")))


def _crop_order(rows: Rowset) -> list[str]:
    """Keys of the crops as the calendar lists them: by block, then by start."""
    order = {name: i for i, name in enumerate(rows.blocks)}
    kept = [(order[r["block"]], r["start"], r["crop"], key) for key, r in rows.crops.items() if r["block"] in order]
    return [key for *_, key in sorted(kept)]


def calendar_of_rows(rows: Rowset, only: set[str] | None = None) -> Any:
    """The crop calendar as a table; missing soft ends equal the usual ones."""
    listed = [rows.crops[key] for key in _crop_order(rows)]
    listed = [r for r in listed if only is None or r["block"] in only]
    columns: dict[str, Any] = {
        "block_id": pd.Series([r["block"] for r in listed], dtype=object),
        "crop": pd.Series([r["crop"] for r in listed], dtype=object),
        "establishment": pd.Series([r["establishment"] for r in listed], dtype=object),
    }
    for end in ("start", "end"):
        for side in ("early", "usual", "late"):
            days = [r.get(f"{end}_{side}") or r[end] for r in listed]
            columns[f"{end}_{side}"] = pd.Series(pd.to_datetime(days, format="%Y-%m-%d"), dtype="datetime64[ns]")
    return CropCalendar.validate(pd.DataFrame(columns))


def crops_of_calendar(calendar: pd.DataFrame) -> list[dict[str, str]]:
    """Rows of a crop calendar as the page holds them; soft ends only where they differ."""

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


def _fingerprints(blocks: gpd.GeoDataFrame) -> dict[str, str]:
    return {b: outline_fingerprint(g) for b, g in zip(blocks["block_id"], blocks.geometry, strict=True)}


def inherited_soil(before: FarmContents, blocks: gpd.GeoDataFrame) -> tuple[Any, Any, dict[str, str]]:
    """Soil of blocks after their outlines changed: a part has the soil of the block it was part of.

    A block that keeps its name keeps its row; fingerprints of outlines are kept as they were, so that whoever
    has the source rasters derives the soil anew. Blocks on fresh ground get none here.
    """
    known = set(before.soil["block_id"])
    old = before.blocks.set_index("block_id").geometry
    taken: list[tuple[str, str]] = []
    for name, outline in zip(blocks["block_id"], blocks.geometry, strict=True):
        if name in known:
            taken.append((name, name))
            continue
        spot = outline.representative_point()
        parent = next((b for b, g in old.items() if b in known and g.intersects(spot)), None)
        if parent is not None:
            taken.append((name, str(parent)))
    soil, shares = before.soil.set_index("block_id"), before.class_shares
    rows = [{**soil.loc[parent].to_dict(), "block_id": name} for name, parent in taken]
    made = Soil.validate(pd.DataFrame(rows, columns=list(Soil.to_schema().columns))) if rows else Soil.empty()
    parts = [shares[shares["block_id"] == parent].assign(block_id=name) for name, parent in taken]
    parts = [p for p in parts if len(p)]
    made_shares = ClassShare.validate(pd.concat(parts, ignore_index=True)) if parts else ClassShare.empty()
    now = _fingerprints(blocks)
    renamed = {n: before.outlines.get(p, "") for n, p in taken}
    outlines = {n: now[n] if renamed[n] == now[n] else renamed[n] for n in renamed}
    return made, made_shares, outlines
