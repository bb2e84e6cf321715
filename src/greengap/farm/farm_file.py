"""The farm file: one GeoPackage that holds a whole farm, opens in any GIS, and is changed in transactions.

It carries fields, blocks, crop calendar, settings, the derived soil of each block, the weather series of each
cell, the import report, the plan and the season record. Source rasters stay outside and are named by hash.

The file is written through SQLite itself and not through a GIS library, because several tables have to change
together or not at all. Layout: OGC 12-128r18, GeoPackage Encoding Standard 1.3.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import sqlite3
import struct
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
import xarray as xr

from greengap.errors import Fate, Finding, ImportReport, InputProblem
from greengap.farm.season_record import merged
from greengap.tables import (
    Block,
    BlockLineage,
    ClassShare,
    CropCalendar,
    DataFrame,
    GeoDataFrame,
    History,
    SeasonRecord,
    Soil,
)

ENDING = ".gpkg"
FORMAT = 1  # of the tables below; raised when they change
APPLICATION_ID, USER_VERSION = 0x47504B47, 10300  # "GPKG", version 1.3.0 of the standard
SRS = 4326
NO_CLOCK = "1970-01-01T00:00:00.000Z"  # the standard wants a time of change; the same farm has to give the same bytes
WEATHER_VARIABLES = ("tmin_degc", "tmax_degc", "precipitation_mm", "radiation_mj_m2_d", "filled")
CELL_EDGES = ("x_low", "y_low", "x_high", "y_high")
OWN = re.compile(r"[a-z][a-z0-9_]*")  # names of tables and columns, which stand in SQL as they are

METADATA = f"""
PRAGMA application_id = {APPLICATION_ID};
PRAGMA user_version = {USER_VERSION};
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE, description TEXT DEFAULT '',
  last_change DATETIME NOT NULL, min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL UNIQUE, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
"""
NOT_OURS = "Name a farm folder, or a farm file that `greengap pack` has written"


@dataclass(frozen=True)
class FarmContents:
    """What a farm file holds of a farm, plan and record aside.

    Attributes
    ----------
    settings_text : str
        ``farm.toml`` as written, comments too; its ``[files]`` name the sources and need not exist.
    name : str
        Name of the farm where the settings have none.
    weather : Dataset
        Dimensions (cell_id, date), as from `site.weather.read_weather`; not yet averaged for blocks.
    sources : dict of file to sha256
        What the tables were derived from, by the name that the settings use.
    source_folder : str
        Folder of the sources, relative to the farm file; empty if there is none.
    outlines : dict of block_id to fingerprint
        Of the outline that a block's soil was derived for.
    set_aside : tuple of str
        Blocks whose outlines could not be used.
    so_far : Dataset, optional
        This year's days, in the form of `weather`.
    history : DataFrame[History], optional
        What was done on the blocks before.
    record : DataFrame[SeasonRecord]
        What was done and seen.
    lineage : DataFrame[BlockLineage]
        Which blocks came of which.
    own_files : dict of file to text
        Catalogue, seed and law lists of the farm and what its records have moved, as written.
    packed : str
        Fingerprint of settings, blocks and calendar when the file was first written.
    revision : int
        How often blocks, calendar or settings were changed since, by `edit_farm_file`.
    """

    settings_text: str
    name: str
    blocks: GeoDataFrame[Block]
    crop_calendar: DataFrame[CropCalendar]
    soil: DataFrame[Soil]
    class_shares: DataFrame[ClassShare]
    weather: xr.Dataset
    report: ImportReport
    sources: dict[str, str] = field(default_factory=dict)
    source_folder: str = ""
    outlines: dict[str, str] = field(default_factory=dict)
    set_aside: tuple[str, ...] = ()
    so_far: xr.Dataset | None = None
    history: DataFrame[History] | None = None
    record: DataFrame[SeasonRecord] = field(default_factory=SeasonRecord.empty)
    lineage: DataFrame[BlockLineage] = field(default_factory=BlockLineage.empty)
    own_files: dict[str, str] = field(default_factory=dict)
    packed: str = ""
    revision: int = 0

    @property
    def fingerprint(self) -> str:
        """Of settings, blocks and calendar as they stand; another than `packed` if anybody changed them."""
        digest = hashlib.sha256(self.settings_text.encode())
        for name, outline in zip(self.blocks["block_id"], self.blocks.geometry, strict=True):
            digest.update(f"{name}\0{outline_fingerprint(outline)}\0".encode())
        areas_and_fields = pd.DataFrame(self.blocks.drop(columns="geometry"))
        for table in (areas_and_fields, self.crop_calendar):
            digest.update(table.to_csv(index=False).encode())
        return digest.hexdigest()


def is_farm_file(path: Path) -> bool:
    """Whether a path names a farm file: a GeoPackage with our settings in it."""
    if not os.path.isfile(path):  # noqa: PTH113 (takes any name without raising)
        return False
    try:
        with closing(_open(path)) as base:
            return bool(base.execute("SELECT 1 FROM settings WHERE key = 'format'").fetchone())
    except sqlite3.DatabaseError:
        return False


def outline_fingerprint(outline: Any) -> str:
    """Fingerprint of an outline, by which a redrawn block is told.

    Examples
    --------
    >>> outline_fingerprint(shapely.box(0, 0, 1, 1)) == outline_fingerprint(shapely.box(0, 0, 1, 1))
    True
    """
    return hashlib.sha256(shapely.to_wkb(outline, byte_order=1)).hexdigest()[:16]


# --- whole farms ---------------------------------------------------------------------------------


def write_farm_file(path: Path, contents: FarmContents, tables: Mapping[str, pd.DataFrame] | None = None) -> None:
    """Write a farm file, whole or not at all; what stood there is replaced.

    Parameters
    ----------
    path : Path
        Ends in ``.gpkg``.
    contents : FarmContents
    tables : mapping of str to DataFrame, optional
        Further tables, such as those of a plan, by name.

    Raises
    ------
    InputProblem
        If the path does not end in ``.gpkg``, is something else than a farm file, or cannot be written.
    """
    shown = path.as_posix()
    if path.suffix.lower() != ENDING:
        raise InputProblem(shown, "", f"does not end in {ENDING}", f"Name the farm file with the ending {ENDING}")
    if path.exists() and not is_farm_file(path):
        raise InputProblem(shown, "", "is there already and is not a farm file", "Name another file")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem}.", suffix=ENDING)
        os.close(handle)
    except OSError as error:
        raise InputProblem(shown, "", f"cannot be written ({error.strerror})", "Name another folder") from error
    whole = Path(name)
    try:
        with closing(sqlite3.connect(whole, isolation_level=None)) as base:
            base.executescript(METADATA)
            base.execute("BEGIN")
            base.executemany("INSERT INTO gpkg_spatial_ref_sys VALUES (?,?,?,?,?,?)", _reference_systems())
            edit = FarmEdit(base)
            edit.write_settings(contents.settings_text)
            edit.write_blocks(contents.blocks)
            edit.write_crop_calendar(contents.crop_calendar)
            edit.write_soil(contents.soil, contents.class_shares, contents.outlines)
            edit.write_weather(contents.weather)
            if contents.so_far is not None:
                edit.write_weather(contents.so_far, "this_season")
            if contents.history is not None:
                edit.write_history(contents.history)
            edit.write_report(contents.report)
            edit.write_lineage(contents.lineage)
            edit.write_sources(contents.sources)
            edit.write_table("season_record", contents.record)
            for key, value in (
                ("format", FORMAT), ("name", contents.name), ("source_folder", contents.source_folder),
                ("set_aside", list(contents.set_aside)), ("own_files", dict(contents.own_files)),
                ("revision", contents.revision),
                ("packed", contents.packed or contents.fingerprint),
            ):  # fmt: skip
                edit.set(key, value)
            for table, frame in (tables or {}).items():
                edit.write_table(table, frame)
            base.execute("COMMIT")
        whole.chmod(0o644)
        whole.replace(path)
    except OSError as error:
        whole.unlink(missing_ok=True)
        raise InputProblem(shown, "", f"cannot be written ({error.strerror})", "Name another file") from error
    except BaseException:
        whole.unlink(missing_ok=True)
        raise


def read_farm_file(path: Path) -> FarmContents:
    """Read a farm file.

    Parameters
    ----------
    path : Path

    Returns
    -------
    FarmContents

    Raises
    ------
    InputProblem
        If it is missing, no farm file, of a later format, damaged, or a table in it breaks its rules.
    """
    shown = path.as_posix()
    if not path.is_file():
        raise InputProblem(shown, "", "there is no such file", NOT_OURS)
    try:
        with closing(_open(path)) as base:
            kept = _settings(base)
            if "format" not in kept:
                raise InputProblem(shown, "", "is a GeoPackage, but no farm file", NOT_OURS)
            if int(kept["format"]) > FORMAT:
                what = f"is of format {kept['format']}, and this version knows formats up to {FORMAT}"
                raise InputProblem(shown, "", what, "Install a later version of greengap")
            blocks = _features(base, "blocks")
            return FarmContents(
                settings_text=str(kept["farm.toml"]),
                name=str(kept["name"]),
                blocks=cast("GeoDataFrame[Block]", Block.validate(blocks)),
                crop_calendar=CropCalendar.validate(_frame(base, "crop_calendar")),
                soil=Soil.validate(_frame(base, "soil")),
                class_shares=ClassShare.validate(_frame(base, "class_shares")),
                weather=_weather(base, kept),
                so_far=_weather(base, kept, "this_season") if "this_season" in kept else None,
                report=_report(base),
                sources=dict(base.execute("SELECT file, sha256 FROM sources ORDER BY fid")),
                source_folder=str(kept["source_folder"]),
                outlines=kept["outlines"],
                set_aside=tuple(kept["set_aside"]),
                history=_history(base),
                record=_record(base),
                lineage=_lineage(base),
                own_files={str(name): str(text) for name, text in kept.get("own_files", {}).items()},
                packed=str(kept["packed"]),
                revision=int(kept["revision"]),
            )
    except InputProblem:
        raise
    except sqlite3.DatabaseError as error:
        what = "is no farm file" if "not a database" in str(error) else f"cannot be read as a farm file ({error})"
        raise InputProblem(shown, "", what, NOT_OURS) from error
    except Exception as error:  # of any table that a hand or another program has changed
        what = f"holds a table that cannot be used ({' '.join(str(error).split())[:200]})"
        raise InputProblem(shown, "", what, "Pack the farm again, or undo the change that was made outside") from error


def read_table(path: Path, name: str) -> pd.DataFrame | None:
    """One table of a farm file, dates as timestamps; None if it is not there.

    Raises
    ------
    InputProblem
        If the file cannot be read.
    """
    if not is_farm_file(path):
        raise InputProblem(path.as_posix(), "", "is no farm file", NOT_OURS)
    with closing(_open(path)) as base:
        there = base.execute("SELECT 1 FROM gpkg_contents WHERE table_name = ?", (name,)).fetchone()
        return _frame(base, name) if there else None


# --- changes -------------------------------------------------------------------------------------


@contextmanager
def edit_farm_file(path: Path) -> Iterator[FarmEdit]:
    """Change a farm file in one transaction: all that is done inside, or nothing.

    Parameters
    ----------
    path : Path

    Yields
    ------
    FarmEdit

    Raises
    ------
    InputProblem
        If it is no farm file, cannot be written, or somebody else is writing to it.

    Examples
    --------
    ::

        with edit_farm_file(path) as edit:
            edit.write_blocks(blocks)
            edit.write_crop_calendar(calendar)
    """
    shown = path.as_posix()
    if not is_farm_file(path):
        raise InputProblem(shown, "", "is no farm file", NOT_OURS)
    with closing(sqlite3.connect(path, isolation_level=None, timeout=5.0)) as base:
        try:
            base.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError as error:
            what = "is in use by another program" if "locked" in str(error) else f"cannot be written ({error})"
            raise InputProblem(shown, "", what, "Close the other program, or copy the file") from error
        edit = FarmEdit(base)
        try:
            yield edit
            if edit.changed:
                edit.set("revision", int(_settings(base)["revision"]) + 1)
            base.execute("COMMIT")
        except BaseException:
            base.execute("ROLLBACK")
            raise


class FarmEdit:
    """Writes to a farm file inside a transaction; made by `edit_farm_file`.

    Attributes
    ----------
    changed : bool
        Whether blocks, calendar or settings were written, so that a kept plan no longer belongs to them.
    """

    def __init__(self, base: sqlite3.Connection) -> None:
        self._base, self.changed = base, False

    @property
    def revision(self) -> int:
        """The revision that this edit starts from."""
        return int(_settings(self._base)["revision"])

    @property
    def base(self) -> sqlite3.Connection:
        """The connection, for tables of other rooms that have to change in the same transaction."""
        return self._base

    def write_settings(self, text: str) -> None:
        """Put the text of ``farm.toml``; whoever calls has read it with `farm.settings` first."""
        self.set("farm.toml", text)
        self.changed = True

    def write_blocks(self, blocks: GeoDataFrame[Block]) -> None:
        """Replace all blocks, and the fields that they make up."""
        table = Block.validate(blocks)
        self.write_table("blocks", table)
        fields = table[["field", "geometry"]]
        fields = fields.dissolve("field", as_index=False, sort=False) if len(fields) else fields
        self.write_table("fields", gpd.GeoDataFrame(fields, crs=SRS))
        self.changed = True

    def write_crop_calendar(self, calendar: DataFrame[CropCalendar]) -> None:
        """Replace the crop calendar."""
        self.write_table("crop_calendar", CropCalendar.validate(calendar))
        self.changed = True

    def write_soil(
        self, soil: DataFrame[Soil], class_shares: DataFrame[ClassShare], outlines: Mapping[str, str]
    ) -> None:
        """Replace the soil of the blocks, and the fingerprints of the outlines that it was derived for."""
        self.write_table("soil", Soil.validate(soil))
        self.write_table("class_shares", ClassShare.validate(class_shares))
        self.set("outlines", dict(outlines))

    def write_weather(self, weather: xr.Dataset, name: str = "weather") -> None:
        """Replace the weather cells and their daily series; those of this year under ``this_season``."""
        cells = pd.DataFrame({"cell_id": weather["cell_id"].to_numpy().astype(str)})
        for column in ("lon", "lat", "elevation_m", *CELL_EDGES):
            if column in weather.coords:
                cells[column] = weather[column].to_numpy().astype(float)
        points = gpd.GeoDataFrame(cells, geometry=gpd.points_from_xy(cells["lon"], cells["lat"]), crs=SRS)
        self.write_table(f"{name}_cells", points)
        self.write_table(name, weather_rows(weather))
        self.set(name, {k: weather.attrs[k] for k in ("kind", "crs", "files", "years") if k in weather.attrs})

    def add_to_record(self, rows: DataFrame[SeasonRecord]) -> int:
        """Add rows to the season record; gives how many were not there yet. Blocks and plan do not change."""
        before = _record(self._base)
        together = merged(before, rows)
        self.write_table("season_record", together)
        return len(together) - len(before)

    def write_season(self, so_far: xr.Dataset | None) -> None:
        """Replace this season's days, or take them away."""
        if so_far is not None:
            self.write_weather(so_far, "this_season")
            return
        for name in ("this_season", "this_season_cells"):
            self._drop(name)
        self._base.execute("DELETE FROM settings WHERE key = 'this_season'")

    def write_history(self, history: DataFrame[History] | None) -> None:
        """Replace what was done on the blocks before, or take it away."""
        if history is None:
            self._drop("history")
        else:
            self.write_table("history", History.validate(history))

    def write_lineage(self, lineage: DataFrame[BlockLineage]) -> None:
        """Replace which blocks came of which; there is no table where none did."""
        if len(lineage):
            self.write_table("block_lineage", BlockLineage.validate(lineage))
        else:
            self._drop("block_lineage")

    def write_sources(self, sources: Mapping[str, str]) -> None:
        """Replace the digests of the files that the tables were derived from."""
        self.write_table("sources", pd.DataFrame(sorted(sources.items()), columns=["file", "sha256"]))

    def write_own_file(self, name: str, text: str | None) -> None:
        """Put the text of one of the farm's own files, or take the file away."""
        files = dict(_settings(self._base).get("own_files", {}))
        files.pop(name, None)
        self.set("own_files", files if text is None else files | {name: text})
        self.changed = True

    def write_report(self, report: ImportReport) -> None:
        """Replace what became of every row that was read."""
        findings = [
            (f.file, f.place, f.fate.value, f.what, f.area_before_m2, f.area_after_m2, f.offer) for f in report.findings
        ]
        columns = ["file", "place", "fate", "what", "area_before_m2", "area_after_m2", "offer"]
        frame = pd.DataFrame(findings, columns=columns).astype({c: float for c in columns if c.startswith("area")})
        self.write_table("import_findings", frame)
        counts = [
            (file, read, report.rows_used.get(file, 0), report.rows_elsewhere.get(file, 0))
            for file, read in report.rows_read.items()
        ]
        self.write_table("import_rows", pd.DataFrame(counts, columns=["file", "read", "used", "elsewhere"]))
        self.write_table("assumptions", pd.DataFrame({"sentence": report.assumptions}, dtype=object))

    def write_table(self, name: str, frame: pd.DataFrame) -> None:
        """Replace a table; one with a geometry column becomes a layer.

        Parameters
        ----------
        name : str
            Small letters, digits and underscores.
        frame : DataFrame
            Text, numbers, yes or no, and days; geometry in WGS84.
        """
        geometry = frame.geometry.name if isinstance(frame, gpd.GeoDataFrame) else None
        plain = [str(c) for c in frame.columns if c != geometry]
        for word in (name, *plain):
            if not OWN.fullmatch(word):
                raise ValueError(f"farm file: {word!r} is no name for a table or a column")
        self._drop(name)
        kinds = {column: _kind(frame[column]) for column in plain}
        declared = [f'"{column}" {kind}' for column, kind in kinds.items()]
        values = [_cells(frame[column], kinds[column]) for column in plain]
        if geometry:
            outlines = frame.geometry.to_numpy()
            declared.append("geom BLOB")
            values.append([_blob(outline) for outline in outlines])
        self._base.execute(f'CREATE TABLE "{name}" ({", ".join(["fid INTEGER PRIMARY KEY NOT NULL", *declared])})')
        of_type = _geometry_type(frame) if geometry else ""
        box = frame.total_bounds.tolist() if geometry and len(frame) else [None] * 4
        self._base.execute(
            "INSERT INTO gpkg_contents VALUES (?,?,?,?,?,?,?,?,?,?)",
            (name, "features" if geometry else "attributes", name, "", NO_CLOCK, *box, SRS if geometry else None),
        )
        if geometry:
            self._base.execute("INSERT INTO gpkg_geometry_columns VALUES (?,?,?,?,0,0)", (name, "geom", of_type, SRS))
        if len(frame):
            marks = ",".join("?" * (len(values) + 1))
            self._base.executemany(
                f'INSERT INTO "{name}" VALUES ({marks})', zip(range(1, len(frame) + 1), *values, strict=True)
            )

    def append(self, name: str, frame: pd.DataFrame) -> None:
        """Add rows to a table that is there; its columns in any order."""
        columns = [str(c) for c in frame.columns]
        marks, listed = ",".join("?" * len(columns)), ",".join(f'"{c}"' for c in columns)
        rows = zip(*(_cells(frame[c], _kind(frame[c])) for c in columns), strict=True)
        self._base.executemany(f'INSERT INTO "{name}" ({listed}) VALUES ({marks})', rows)

    def set(self, key: str, value: Any) -> None:
        """Put one setting of the file; anything but text as JSON."""
        there = self._base.execute("SELECT 1 FROM sqlite_master WHERE name = 'settings'").fetchone()
        if not there:
            self._base.execute(
                "CREATE TABLE settings (fid INTEGER PRIMARY KEY NOT NULL, key TEXT UNIQUE NOT NULL, value TEXT)"
            )
            row = ("settings", "attributes", "settings", "", NO_CLOCK, None, None, None, None, None)
            self._base.execute("INSERT INTO gpkg_contents VALUES (?,?,?,?,?,?,?,?,?,?)", row)
        text = value if key in TEXTS else json.dumps(value, ensure_ascii=False)
        self._base.execute(
            "INSERT INTO settings (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
            (key, text),
        )

    def _drop(self, name: str) -> None:
        self._base.execute("DELETE FROM gpkg_geometry_columns WHERE table_name = ?", (name,))
        self._base.execute("DELETE FROM gpkg_contents WHERE table_name = ?", (name,))
        self._base.execute(f'DROP TABLE IF EXISTS "{name}"')


TEXTS = ("farm.toml", "name", "source_folder")  # settings that are text; the others are JSON


# --- rows and values -----------------------------------------------------------------------------


def weather_rows(weather: xr.Dataset) -> pd.DataFrame:
    """Daily series of weather cells as one table: a row for each cell and day."""
    cells, dates = weather["cell_id"].to_numpy().astype(str), weather["date"].to_numpy()
    rows = pd.DataFrame({"cell_id": np.repeat(cells, len(dates)), "date": np.tile(dates, len(cells))})
    for name in WEATHER_VARIABLES:
        if name in weather:
            rows[name] = weather[name].transpose("cell_id", "date").to_numpy().ravel()
    return rows


def no_weather() -> xr.Dataset:
    """The weather of a farm that has none yet: no cell, no day."""
    numbers = {name: (("cell_id", "date"), np.zeros((0, 0))) for name in WEATHER_VARIABLES[:3]}
    days = {"filled": (("cell_id", "date"), np.zeros((0, 0), bool))}
    coords = {name: ("cell_id", np.zeros(0)) for name in ("lon", "lat", "elevation_m")}
    own = {"cell_id": np.zeros(0, str), "date": np.zeros(0, "datetime64[ns]")}
    return xr.Dataset(numbers | days, coords=own | coords, attrs={"kind": "points"})


def _weather(base: sqlite3.Connection, kept: Mapping[str, Any], name: str = "weather") -> xr.Dataset:
    """The daily series as they were written."""
    cells, rows = _frame(base, f"{name}_cells"), _frame(base, name)
    if cells.empty:
        return no_weather()
    shape = (len(cells), len(rows) // len(cells))
    dates = rows["date"].to_numpy().reshape(shape)[0].astype("datetime64[ns]")
    arrays = {}
    for column in WEATHER_VARIABLES:
        if column in rows:
            kind = bool if column == "filled" else float
            arrays[column] = (("cell_id", "date"), rows[column].to_numpy().astype(kind).reshape(shape))
    coords: dict[str, Any] = {"cell_id": cells["cell_id"].to_numpy().astype(str), "date": dates}
    for column in ("lon", "lat", "elevation_m", *CELL_EDGES):
        if column in cells:
            coords[column] = ("cell_id", cells[column].to_numpy().astype(float))
    return xr.Dataset(arrays, coords=coords, attrs=dict(kept[name]))


def _history(base: sqlite3.Connection) -> DataFrame[History] | None:
    there = base.execute("SELECT 1 FROM gpkg_contents WHERE table_name = 'history'").fetchone()
    return History.validate(_frame(base, "history")) if there else None


def _lineage(base: sqlite3.Connection) -> DataFrame[BlockLineage]:
    there = base.execute("SELECT 1 FROM gpkg_contents WHERE table_name = 'block_lineage'").fetchone()
    return BlockLineage.validate(_frame(base, "block_lineage")) if there else BlockLineage.empty()


def _record(base: sqlite3.Connection) -> DataFrame[SeasonRecord]:
    there = base.execute("SELECT 1 FROM gpkg_contents WHERE table_name = 'season_record'").fetchone()
    frame = _frame(base, "season_record") if there else pd.DataFrame()
    if frame.empty:  # of a file from before there was a record, too
        return SeasonRecord.empty()
    texts = [c for c, spec in SeasonRecord.to_schema().columns.items() if "str" in str(spec.dtype)]
    frame[texts] = frame[texts].fillna("")
    return SeasonRecord.validate(frame)


def _report(base: sqlite3.Connection) -> ImportReport:
    report = ImportReport()
    for row in _frame(base, "import_rows").itertuples():
        report.count(row.file, int(row.read), int(row.used), int(row.elsewhere))
    for f in _frame(base, "import_findings").itertuples():
        before, after = (None if pd.isna(a) else float(a) for a in (f.area_before_m2, f.area_after_m2))
        report.findings.append(Finding(f.file, f.place, Fate(f.fate), f.what, before, after, getattr(f, "offer", "")))
    report.assumptions.extend(_frame(base, "assumptions")["sentence"])
    return report


def _open(path: Path) -> sqlite3.Connection:
    """A connection that cannot write; an edit that was cut off by a crash is taken back first."""
    if Path(f"{path}-journal").exists():
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=5.0)) as base:
            base.execute("SELECT count(*) FROM sqlite_master").fetchone()
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=5.0)


def _settings(base: sqlite3.Connection) -> dict[str, Any]:
    there = base.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'settings'").fetchone()
    if not there:
        return {}
    rows = base.execute("SELECT key, value FROM settings").fetchall()
    return {key: value if key in TEXTS else json.loads(value) for key, value in rows}


def _frame(base: sqlite3.Connection, name: str) -> pd.DataFrame:
    """A table without its row numbers and geometry."""
    columns = [(row[1], row[2]) for row in base.execute(f'PRAGMA table_info("{name}")')]
    taken = [(column, kind) for column, kind in columns if column not in ("fid", "geom")]
    if not taken:
        raise ValueError(f"there is no table {name}")
    listed = ", ".join(f'"{column}"' for column, _ in taken)
    rows = base.execute(f'SELECT {listed} FROM "{name}" ORDER BY fid').fetchall()
    frame = pd.DataFrame(rows, columns=[column for column, _ in taken], dtype=object)
    for column, kind in taken:
        if kind == "DATE":
            frame[column] = pd.to_datetime(frame[column], format="%Y-%m-%d")
        elif kind == "DOUBLE":
            frame[column] = frame[column].astype(float)
        elif kind == "INTEGER" and frame[column].notna().all():
            frame[column] = frame[column].astype("int64")
        elif kind == "BOOLEAN" and frame[column].notna().all():
            frame[column] = frame[column].astype(bool)
    return frame


def _features(base: sqlite3.Connection, name: str) -> gpd.GeoDataFrame:
    blobs = [row[0] for row in base.execute(f'SELECT geom FROM "{name}" ORDER BY fid')]
    return gpd.GeoDataFrame(_frame(base, name), geometry=[_outline(blob) for blob in blobs], crs=SRS)


def _kind(column: pd.Series) -> str:
    """Column type of the standard for a pandas column."""
    if pd.api.types.is_datetime64_any_dtype(column):
        return "DATE"
    if pd.api.types.is_bool_dtype(column):
        return "BOOLEAN"
    if pd.api.types.is_integer_dtype(column):
        return "INTEGER"
    return "DOUBLE" if pd.api.types.is_float_dtype(column) else "TEXT"


def _geometry_type(frame: gpd.GeoDataFrame) -> str:
    """The one type that all geometries have, or the type of any."""
    types = {str(kind).upper() for kind in frame.geom_type.dropna()}
    return types.pop() if len(types) == 1 else "GEOMETRY"


def _cells(column: pd.Series, kind: str) -> list[Any]:
    """Values of a column as SQLite takes them; nothing for what is missing."""
    values = column.dt.strftime("%Y-%m-%d") if kind == "DATE" else column
    missing = column.isna().to_numpy()
    convert = {"DATE": str, "BOOLEAN": int, "INTEGER": int, "DOUBLE": float, "TEXT": str}[kind]
    return [None if gone else convert(v) for v, gone in zip(values.tolist(), missing, strict=True)]


def _blob(geometry: Any) -> bytes:
    """A geometry in the binary form of the standard: header with its box, then WKB."""
    empty = geometry is None or geometry.is_empty
    flags = 0b00010001 if empty else 0b00000011  # little-endian; empty, or with an (x, x, y, y) box
    header = struct.pack("<2sBBi", b"GP", 0, flags, SRS)
    if not empty:
        west, south, east, north = geometry.bounds
        header += struct.pack("<4d", west, east, south, north)
    return header + shapely.to_wkb(geometry, byte_order=1)


def _outline(blob: bytes) -> Any:
    """The geometry of a blob; other programs may write another box than we do."""
    if blob[:2] != b"GP":
        raise ValueError("a geometry is not in the form of the standard")
    box = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}[(blob[3] >> 1) & 0b111]
    return shapely.from_wkb(blob[8 + box :])


def _reference_systems() -> list[tuple[str, int, str, int, str, str]]:
    """The three rows that the standard asks for."""
    wgs84 = pyproj.CRS(SRS).to_wkt("WKT1_GDAL")
    return [
        ("WGS 84 geodetic", SRS, "EPSG", SRS, wgs84, "longitude and latitude in degrees"),
        ("Undefined Cartesian SRS", -1, "NONE", -1, "undefined", "undefined Cartesian"),
        ("Undefined geographic SRS", 0, "NONE", 0, "undefined", "undefined geographic"),
    ]
