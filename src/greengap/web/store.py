"""The farm file that the page edits: one GeoPackage (OGC 12-128r18, an SQLite file), every edit one transaction.

Rows of four tables are what a person edits: blocks, crop calendar, settings, choices. The files that say
what the place is (weather, soil) lie in it as they came. Beside them stands every edit with what it changed,
so that all of it can be taken back. The layer and the tables open in any GIS.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import struct
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import shapely
from shapely.geometry import shape

from greengap.errors import InputProblem
from greengap.farm.fields import geodesic_area_m2

APPLICATION_ID = 0x47504B47  # "GPKG"
USER_VERSION = 10300  # GeoPackage 1.3
FORMAT = "1"
TABLES = ("blocks", "crops", "settings", "choices")
CROP_COLUMNS = (
    "block", "crop", "establishment", "start", "end", "start_early", "start_late", "end_early", "end_late",
)  # fmt: skip
CHOICE_COLUMNS = ("block", "day", "cover", "answer", "sow_date", "read_by", "read_on")

Rows = dict[str, dict[str, Any]]  # by key
Patch = dict[str, dict[str, list[Any]]]  # table -> key -> [row before, row after]; None where there is none

_SCHEMA = """
CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
  description TEXT DEFAULT '', last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE blocks (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom MULTIPOLYGON, block TEXT UNIQUE NOT NULL,
  field TEXT, area_ha DOUBLE);
CREATE TABLE crop_calendar (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, row_key TEXT UNIQUE NOT NULL, block TEXT,
  crop TEXT, establishment TEXT, "start" TEXT, "end" TEXT, start_early TEXT, start_late TEXT, end_early TEXT,
  end_late TEXT);
CREATE TABLE settings (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, row_key TEXT UNIQUE NOT NULL, value_json TEXT);
CREATE TABLE choices (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, row_key TEXT UNIQUE NOT NULL, block TEXT,
  day TEXT, cover TEXT, answer TEXT, sow_date TEXT, read_by TEXT, read_on TEXT);
CREATE TABLE place_files (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, name TEXT UNIQUE NOT NULL, sha256 TEXT,
  content BLOB);
CREATE TABLE edit_history (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, words_json TEXT NOT NULL,
  patch_json TEXT NOT NULL, undone INTEGER NOT NULL DEFAULT 0);
CREATE TABLE farm_file (name TEXT PRIMARY KEY NOT NULL, value TEXT NOT NULL);
"""
_WGS84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],'
    'AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],UNIT["degree",0.0174532925199433,'
    'AUTHORITY["EPSG","9122"]],AUTHORITY["EPSG","4326"]]'
)
_ATTRIBUTES = {
    "crop_calendar": "Which crop stands on which block, from when to when",
    "settings": "What the farm says of itself",
    "choices": "What the farm decided for single gaps",
    "place_files": "Weather and soil as they came",
    "edit_history": "Every edit, with what it changed",
}


class VersionConflict(Exception):
    """The farm file is not at the version that an edit was made for."""

    def __init__(self, asked: int, found: int) -> None:
        self.asked, self.found = asked, found
        super().__init__(f"the farm is at version {found}, the edit was made for {asked}")


@dataclass
class Rowset:
    """All that a person edits, by table and key."""

    blocks: Rows = field(default_factory=dict)
    crops: Rows = field(default_factory=dict)
    settings: dict[str, Any] = field(default_factory=dict)
    choices: Rows = field(default_factory=dict)

    def table(self, name: str) -> dict[str, Any]:
        """One of the four tables."""
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


@dataclass(frozen=True)
class Edit:
    """One line of the history: words as a key of the text catalogue with what goes into it."""

    number: int
    words: list[Any]
    undone: bool


def _geometry_blob(geometry: Mapping[str, Any]) -> bytes:
    """GeoPackage binary of an outline: header with envelope, then WKB, as MultiPolygon."""
    outline = shape(geometry)
    if outline.geom_type == "Polygon":
        outline = shapely.multipolygons([outline])
    west, south, east, north = outline.bounds
    envelope = struct.pack("<4d", west, east, south, north)
    return b"GP\x00\x03" + struct.pack("<i", 4326) + envelope + shapely.to_wkb(outline, byte_order=1)


def _outline(blob: bytes) -> dict[str, Any]:
    """GeoJSON geometry of a GeoPackage binary; one part becomes a plain polygon."""
    flags = blob[3]
    sizes = (0, 32, 48, 48, 64)
    wkb = blob[8 + sizes[(flags >> 1) & 7] :]
    outline = shapely.from_wkb(wkb)
    if outline.geom_type == "MultiPolygon" and len(outline.geoms) == 1:
        outline = outline.geoms[0]
    found: dict[str, Any] = json.loads(shapely.to_geojson(outline))
    return found


def _refuse(path: Path, what: str, remedy: str) -> InputProblem:
    return InputProblem(path.name, "", what, remedy)


OTHER = "Open the farm file that this program wrote, or import the outlines of this one into a farm"


class FarmStore:
    """A farm file on disk; holds no connection between calls, so that a dead program holds no lock."""

    def __init__(self, path: Path) -> None:
        """Check an existing farm file; it is not written to before it has been found sound.

        Raises
        ------
        InputProblem
            If the file is missing, damaged, not a GeoPackage, or not a farm file.
        """
        self.path = path
        self._check()

    # ---- opening ------------------------------------------------------------------------------

    def _check(self) -> None:
        path = self.path
        try:
            head = path.open("rb").read(100)
        except OSError as error:
            raise _refuse(path, f"cannot be opened ({error.strerror})", "Make it a file that you may read") from error
        if not head.startswith(b"SQLite format 3\0"):
            raise _refuse(path, "is not a GeoPackage", OTHER)
        if int.from_bytes(head[68:72], "big") not in (APPLICATION_ID, 0x47503130, 0x47503131):
            raise _refuse(path, "is an SQLite file but not a GeoPackage", OTHER)
        journal = path.with_name(path.name + "-journal")
        mode = "rw" if journal.exists() else "ro"  # an edit that was cut off is taken back by reading it
        try:
            with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=10)) as db:
                faults = [row[0] for row in db.execute("PRAGMA integrity_check(3)")]
                if faults != ["ok"]:
                    raise _refuse(path, f"is damaged ({faults[0]:.120})", "Take the last copy that was kept of it")
                names = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
                if not {"farm_file", "blocks", "crop_calendar", "settings", "edit_history"} <= names:
                    raise _refuse(path, "is a GeoPackage, but no farm file", OTHER)
                found = db.execute("SELECT value FROM farm_file WHERE name = 'format'").fetchone()
                if found is None or found[0] != FORMAT:
                    raise _refuse(path, f"has format {found and found[0]!r}", "Open it with a newer greengap")
                self._read(db)
        except sqlite3.DatabaseError as error:
            raise _refuse(path, f"is damaged ({error})", "Take the last copy that was kept of it") from error
        except (ValueError, KeyError, TypeError, shapely.errors.ShapelyError) as error:
            raise _refuse(path, f"holds a row that cannot be read ({error})", "Take the last copy of it") from error

    @classmethod
    def create(cls, path: Path, rows: Rowset, files: Mapping[str, bytes], words: list[Any]) -> FarmStore:
        """Write a new farm file: whole or not at all, and never over another file.

        Raises
        ------
        InputProblem
            If a file of that name is there, or the folder cannot be written.
        """
        part = path.with_name(f".{path.name}.{os.getpid()}.part")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            part.unlink(missing_ok=True)
            with closing(sqlite3.connect(part)) as db:
                db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                db.execute(f"PRAGMA user_version = {USER_VERSION}")
                db.executescript(_SCHEMA)
                db.executemany(
                    "INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)",
                    [
                        ("WGS 84 geodetic", 4326, "EPSG", 4326, _WGS84, "longitude and latitude"),
                        ("Undefined cartesian SRS", -1, "NONE", -1, "undefined", ""),
                        ("Undefined geographic SRS", 0, "NONE", 0, "undefined", ""),
                    ],
                )
                db.execute(
                    "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) "
                    "VALUES ('blocks', 'features', 'blocks', 4326)"
                )
                db.executemany(
                    "INSERT INTO gpkg_contents (table_name, data_type, identifier, description) VALUES (?, 'attributes', ?, ?)",
                    [(name, name, words_) for name, words_ in _ATTRIBUTES.items()],
                )
                db.execute("INSERT INTO gpkg_geometry_columns VALUES ('blocks', 'geom', 'MULTIPOLYGON', 4326, 0, 0)")
                db.executemany("INSERT INTO farm_file VALUES (?, ?)", [("format", FORMAT), ("version", "0")])
                patch: Patch = {
                    table: {key: [None, row] for key, row in rows.table(table).items()} for table in TABLES
                }
                _write_rows(db, patch, 1)
                for name, content in files.items():
                    _write_file(db, name, content)
                db.commit()
            os.link(part, path)  # fails where a file is there, which a rename would not
        except FileExistsError as error:
            raise _refuse(path, "is there already", "Choose another name, or open it") from error
        except (OSError, sqlite3.Error) as error:
            raise _refuse(path, f"cannot be written ({error})", "Choose another folder") from error
        finally:
            part.unlink(missing_ok=True)
        return cls(path)

    # ---- reading ------------------------------------------------------------------------------

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        try:
            with closing(sqlite3.connect(f"{self.path.absolute().as_uri()}?mode=rw", uri=True, timeout=10)) as db:
                db.isolation_level = None
                db.execute("PRAGMA synchronous = FULL")
                yield db
        except sqlite3.Error as error:
            raise _refuse(self.path, f"cannot be read or written ({error})", "Look whether it was moved") from error

    def _read(self, db: sqlite3.Connection) -> Rowset:
        rows = Rowset()
        for block, field_, geom in db.execute("SELECT block, field, geom FROM blocks ORDER BY fid"):
            rows.blocks[block] = {"field": field_ or block, "geometry": _outline(geom)}
        columns = ", ".join(f'"{c}"' for c in CROP_COLUMNS)
        for key, *cells in db.execute(f"SELECT row_key, {columns} FROM crop_calendar ORDER BY fid"):  # noqa: S608
            rows.crops[key] = {c: v or "" for c, v in zip(CROP_COLUMNS, cells, strict=True)}
        for key, value in db.execute("SELECT row_key, value_json FROM settings ORDER BY fid"):
            rows.settings[key] = json.loads(value)
        columns = ", ".join(CHOICE_COLUMNS)
        for key, *cells in db.execute(f"SELECT row_key, {columns} FROM choices ORDER BY fid"):  # noqa: S608
            rows.choices[key] = {c: v or "" for c, v in zip(CHOICE_COLUMNS, cells, strict=True)}
        return rows

    def read(self) -> tuple[int, Rowset, list[Edit]]:
        """Version, rows and history as they stand in the file."""
        with self._open() as db:
            db.execute("BEGIN")
            history = [
                Edit(number, json.loads(words), bool(undone))
                for number, words, undone in db.execute("SELECT fid, words_json, undone FROM edit_history ORDER BY fid")
            ]
            return _version(db), self._read(db), history

    def version(self) -> int:
        """The version that the file is at; it grows with every edit, undo and redo."""
        with self._open() as db:
            return _version(db)

    def files(self) -> dict[str, bytes]:
        """Weather and soil as they came, by name."""
        with self._open() as db:
            return dict(db.execute("SELECT name, content FROM place_files ORDER BY name"))

    # ---- writing ------------------------------------------------------------------------------

    def commit(self, version: int, patch: Patch, words: list[Any], files: Mapping[str, bytes] | None = None) -> int:
        """Write one edit in one transaction.

        Parameters
        ----------
        version : int
            That the edit was made for.
        patch : Patch
            What it changes.
        words : list
            Key of the text catalogue and what goes into it.
        files : mapping, optional
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
        with self._transaction(version) as db:
            db.execute("DELETE FROM edit_history WHERE undone = 1")
            _write_rows(db, patch, 1)
            for name, content in (files or {}).items():
                _write_file(db, name, content)
            db.execute(
                "INSERT INTO edit_history (words_json, patch_json) VALUES (?, ?)",
                (json.dumps(words, ensure_ascii=False), json.dumps(patch, ensure_ascii=False)),
            )
        return version + 1

    def step(self, version: int, back: bool) -> tuple[int, Patch, list[Any]] | None:
        """Take the last edit back, or do the next one again; None if there is none."""
        with self._transaction(version) as db:
            order = "undone = 0 ORDER BY fid DESC" if back else "undone = 1 ORDER BY fid ASC"
            found = db.execute(
                f"SELECT fid, patch_json, words_json FROM edit_history WHERE {order} LIMIT 1"  # noqa: S608
            ).fetchone()
            if found is None:
                db.execute("ROLLBACK")
                return None
            patch: Patch = json.loads(found[1])
            _write_rows(db, patch, 0 if back else 1)
            db.execute("UPDATE edit_history SET undone = ? WHERE fid = ?", (int(back), found[0]))
        return version + 1, patch, json.loads(found[2])

    @contextmanager
    def _transaction(self, version: int) -> Iterator[sqlite3.Connection]:
        with self._open() as db:
            db.execute("BEGIN IMMEDIATE")
            found = _version(db)
            if found != version:
                db.execute("ROLLBACK")
                raise VersionConflict(version, found)
            try:
                yield db
                if db.in_transaction:
                    db.execute("UPDATE farm_file SET value = ? WHERE name = 'version'", (str(version + 1),))
                    db.execute("COMMIT")
            except BaseException:
                if db.in_transaction:
                    db.execute("ROLLBACK")
                raise


def _version(db: sqlite3.Connection) -> int:
    return int(db.execute("SELECT value FROM farm_file WHERE name = 'version'").fetchone()[0])


def _write_file(db: sqlite3.Connection, name: str, content: bytes) -> None:
    db.execute(
        "INSERT INTO place_files (name, sha256, content) VALUES (?, ?, ?) "
        "ON CONFLICT (name) DO UPDATE SET sha256 = excluded.sha256, content = excluded.content",
        (name, hashlib.sha256(content).hexdigest(), content),
    )


def _write_rows(db: sqlite3.Connection, patch: Patch, side: int) -> None:
    """Bring the rows that a patch names to one of its sides."""
    for key, pair in patch.get("blocks", {}).items():
        row = pair[side]
        if row is None:
            db.execute("DELETE FROM blocks WHERE block = ?", (key,))
            continue
        area_ha = round(geodesic_area_m2(shape(row["geometry"])) / 10_000, 4)
        db.execute(
            "INSERT INTO blocks (block, field, geom, area_ha) VALUES (?, ?, ?, ?) ON CONFLICT (block) DO UPDATE SET "
            "field = excluded.field, geom = excluded.geom, area_ha = excluded.area_ha",
            (key, row.get("field") or key, _geometry_blob(row["geometry"]), area_ha),
        )
    for table, columns, name in (("crops", CROP_COLUMNS, "crop_calendar"), ("choices", CHOICE_COLUMNS, "choices")):
        for key, pair in patch.get(table, {}).items():
            row = pair[side]
            if row is None:
                db.execute(f"DELETE FROM {name} WHERE row_key = ?", (key,))  # noqa: S608
                continue
            quoted = [f'"{c}"' for c in columns]
            sets = ", ".join(f"{c} = excluded.{c}" for c in quoted)
            marks = ", ".join("?" * len(columns))
            db.execute(
                f"INSERT INTO {name} (row_key, {', '.join(quoted)}) VALUES (?, {marks}) "  # noqa: S608
                f"ON CONFLICT (row_key) DO UPDATE SET {sets}",
                (key, *(row.get(c) or None for c in columns)),
            )
    for key, pair in patch.get("settings", {}).items():
        if pair[side] is None:
            db.execute("DELETE FROM settings WHERE row_key = ?", (key,))
        else:
            db.execute(
                "INSERT INTO settings (row_key, value_json) VALUES (?, ?) "
                "ON CONFLICT (row_key) DO UPDATE SET value_json = excluded.value_json",
                (key, json.dumps(pair[side], ensure_ascii=False)),
            )
    if patch.get("blocks"):
        extent = [shape(_outline(g)).bounds for (g,) in db.execute("SELECT geom FROM blocks")]
        box: list[float | None] = [None] * 4
        if extent:
            west, south, east, north = zip(*extent, strict=True)
            box = [min(west), min(south), max(east), max(north)]
        db.execute(
            "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ?, "
            "last_change = strftime('%Y-%m-%dT%H:%M:%fZ','now') WHERE table_name = 'blocks'",
            box,
        )
