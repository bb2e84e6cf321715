"""A farm that is open on the page: its file, its rows, its history, and the planner that follows every edit."""

from __future__ import annotations

import io
import tempfile
import threading
import zipfile
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import shapely

from greengap import units
from greengap.catalogue import LEARNED_FILE, OWN_FILE, Catalogue, load_catalogue
from greengap.errors import ImportReport, InputProblem
from greengap.farm import drawing
from greengap.farm.fields import geodesic_area_m2
from greengap.farm.gaps import find_gaps
from greengap.farm.record_device import Taken, new_rows, rows_from_device, rows_from_small_file
from greengap.farm.record_rows import Entered, Known
from greengap.farm.settings import FarmSettings, settings_from
from greengap.farm_input import check_names, read_own_files
from greengap.pack import pack, unpack
from greengap.tables import DataFrame, Gap, SeasonRecord
from greengap.web import edits
from greengap.web.before import before_of_blocks
from greengap.web.compare import Trial
from greengap.web.field_book import field_book, record_rows
from greengap.web.lists import (
    shown_lists,
    with_list,
)
from greengap.web.planner import Planner, crops_at_once
from greengap.web.stands import StandWorker, Wanted
from greengap.web.store import (
    Derived,
    FarmStore,
    Patch,
    Rowset,
    VersionConflict,
    calendar_of_rows,
    lineage_of_rows,
)
from greengap.web.views import gap_dates
from greengap.web.week_view import WeekAsked

HISTORY_SHOWN = 200


def slug(name: str) -> str:
    """A file name that every system takes, out of a farm's name.

    Examples
    --------
    >>> slug("Home Farm, upper / lower")
    'home-farm-upper-lower'
    """
    import re
    import unicodedata

    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60] or "farm"


def pack_folder(folder: Path, path: Path) -> FarmStore:
    """Write the farm file of a farm folder, never over another file."""
    if path.exists():
        raise InputProblem(path.name, "", "is there already", "Choose another name, or open it")
    return FarmStore(pack(folder, path))


@dataclass(frozen=True)
class Done:
    """What an edit came to."""

    version: int
    patch: Patch
    words: list[Any]
    report: list[dict[str, str]]


class Session:
    """One open farm. Edits are taken one at a time; each is in the file before it is answered."""

    def __init__(self, store: FarmStore) -> None:
        self.store = store
        self._catalogue: tuple[tuple[str, ...], Catalogue] | None = None
        self._lock = threading.RLock()
        self._settings: tuple[str, FarmSettings] | None = None
        self.trial: Trial | None = None
        self.week = WeekAsked()
        self._book: tuple[Any, Any, dict[str, Any]] | None = None  # key, the plan it was made of, what is told
        self.planner = Planner(store.path)
        self.planner.request(store.contents)
        self.stands = StandWorker(lambda: self.planner.progress.state in ("reading", "running"))

    @property
    def rows(self) -> Rowset:
        """All that a person edits."""
        return self.store.rows

    @property
    def version(self) -> int:
        """The version that the rows are at."""
        return self.store.version

    @property
    def catalogue(self) -> Catalogue:
        """The catalogue with the farm's own species and mixes, and what its records have moved."""
        own = {name: self.store.contents.own_files.get(name, "") for name in (OWN_FILE, LEARNED_FILE)}
        key = tuple(own.values())
        if self._catalogue is None or self._catalogue[0] != key:
            texts = {name: text for name, text in own.items() if text}
            try:
                found = read_own_files(texts, self.settings, [], ImportReport())[0]
            except InputProblem:  # of a file that another program has written; the planner says what is wrong
                found = load_catalogue()
            self._catalogue = (key, found)
        return self._catalogue[1]

    def close(self) -> None:
        """Stop the planner; the farm file is complete at any time."""
        if self.trial is not None:
            self.trial.stop()
        self.stands.close()
        self.planner.close()

    # ---- edits --------------------------------------------------------------------------------

    def edit(
        self,
        version: int,
        make: Callable[[Rowset], edits.Change],
        derived: Derived | None = None,
        report: list[dict[str, str]] | None = None,
    ) -> Done:
        """Make one edit, write it, and set the planner to work.

        Raises
        ------
        VersionConflict
            If another window, or another program, has written since.
        EditProblem, DrawingProblem, InputProblem
            If the edit cannot be made; nothing is written then.
        """
        with self._lock:
            self._catch_up(version)
            patch, words = make(self.rows)
            if patch.keys() & {"settings", "lists", "lineage"} or (
                "herbicides" in self.rows.lists and "blocks" in patch
            ):
                trial = self.rows.copied()
                trial.apply(patch)
                self._check(trial, patch)
            number = self.store.commit(version, patch, words, derived)
            self.planner.request(self.store.contents, _first_block(patch))
            return Done(number, patch, words, report or [])

    def _check(self, trial: Rowset, patch: Patch) -> None:
        """Refuse settings and lists that name what is not there, before anything is written."""
        settings, catalogue = self._read_settings(trial), self.catalogue
        names = [*trial.blocks, *self.store.contents.set_aside]
        if "lists" in patch or ("blocks" in patch and "herbicides" in trial.lists):
            texts = with_list(self.store.contents, trial.lists).own_files
            catalogue = read_own_files(texts, settings, names, ImportReport(), lineage_of_rows(trial))[0]
        check_names(settings, set(names), catalogue)

    def step(self, version: int, back: bool) -> Done | None:
        """Undo or redo; None if there is nothing left."""
        with self._lock:
            self._catch_up(version)
            found = self.store.step(version, back)
            if found is None:
                return None
            patch, words = found
            self.planner.request(self.store.contents, _first_block(patch))
            return Done(self.version, patch, words, [])

    def _catch_up(self, version: int) -> None:
        """Refuse an edit made for rows that are not the newest."""
        if self.refresh() or version != self.version:
            raise VersionConflict(version, self.version)

    def refresh(self) -> bool:
        """Read the file again if another program wrote to it; True if it did."""
        with self._lock:
            if self.store.stamp_of_file() == self.store.stamp:
                return False
            before = self.store.contents
            self.store.read()
            now = self.store.contents
            if (before.revision, before.fingerprint) == (now.revision, now.fingerprint):
                return False  # a plan that was kept, say
            self.planner.request(now)
            return True

    # ---- the season record ----------------------------------------------------------------------

    def take_rows(self, rows: list[dict[str, Any]]) -> Taken:
        """Take rows of a device into the record; each is taken or refused by itself."""
        with self._lock:
            self.refresh()
            taken = rows_from_device(rows, self._known())
            self._add(taken.rows)
            return taken

    def take_record_file(self, content: bytes, name: str) -> tuple[Entered, int]:
        """Take the file of another device into the record, all of it or nothing; also how many rows were new.

        Raises
        ------
        InputProblem
            If it is no such file.
        """
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            raise InputProblem(name, "", "is not text in UTF-8", "Take it as the device gave it") from error
        with self._lock:
            self.refresh()
            entered = rows_from_small_file(text, name, self._known(), self.settings.name)
            return entered, self._add(entered.rows)

    def _add(self, rows: DataFrame[SeasonRecord]) -> int:
        fresh = new_rows(rows, self.store.contents.record)
        return self.store.add_to_record(fresh) if len(fresh) else 0

    def _known(self) -> Known:
        blocks = self.store.contents.blocks
        areas = dict(zip(blocks["block_id"], blocks["area_sown_m2"].astype(float), strict=True))
        return Known(
            areas, self.gaps(), self.catalogue, self.store.contents.record, self.settings.units,
            date_order=self.settings.date_order,
        )  # fmt: skip

    def gaps(self) -> DataFrame[Gap]:
        """The gaps of the calendar, blocks with two crops at once left out."""
        contents = self.store.contents
        calendar = contents.crop_calendar
        calendar = calendar[~calendar["block_id"].isin(crops_at_once(calendar))].reset_index(drop=True)
        if calendar.empty or not len(contents.blocks):
            return Gap.empty()
        south = bool(contents.blocks.total_bounds[[1, 3]].mean() < 0)
        return find_gaps(calendar, self.settings, self.catalogue, southern=south)

    def field_book(self) -> dict[str, Any]:
        """What the field book needs; what does not change with the record is made once for a plan."""
        self.refresh()
        made, contents = self.planner.made, self.store.contents
        plan = made.plan if made is not None and made.version == self.version else None
        key = (self.version, id(plan), id(self.planner.farm))
        held = self._book
        if held is None or held[0] != key:
            gaps = self.gaps() if plan is None else plan.gaps
            record = SeasonRecord.empty()
            file = self.store.path.name
            told = field_book(self.settings, self.catalogue, contents.blocks, gaps, record, plan, file)
            self._book = held = (key, plan, told)
        return {**held[2], "record": record_rows(contents.record), "stands": self.stands_told()}

    def stands_told(self) -> dict[str, Any]:
        """Stands worked out beforehand, as far as they are; sets about those that are missing."""
        made = self.planner.made
        if made is not None and made.version == self.version:
            today = pd.Timestamp(date.today())
            self.stands.follow(Wanted(made.farm, made.plan.gaps, self.store.contents.record, made.plan, today))
        return {**asdict(self.stands.progress), "by_gap": self.stands.told()}

    def _read_settings(self, rows: Rowset) -> FarmSettings:
        """Settings as the commands read them.

        Raises
        ------
        InputProblem
            If a command would refuse them.
        """
        name = self.store.contents.name
        return settings_from(rows.settings_text().encode(), self.store.path.parent, name, must_exist=False)

    # ---- looking ------------------------------------------------------------------------------

    @property
    def settings(self) -> FarmSettings:
        """Settings as the commands read them."""
        text = self.rows.settings_text()
        if self._settings is None or self._settings[0] != text:
            self._settings = (text, self._read_settings(self.rows))
        return self._settings[1]

    def state(self) -> dict[str, Any]:
        """Everything that a person edits, with the history."""
        with self._lock:
            system = self.rows.settings.get("units", "metric")
            features = []
            for name, row in self.rows.blocks.items():
                area_m2 = geodesic_area_m2(edits.outline_of(row))
                features.append(
                    {
                        "type": "Feature",
                        "id": name,
                        "geometry": row["geometry"],
                        "properties": {
                            "block": name,
                            "field": row.get("field") or name,
                            "area_m2": round(area_m2, 2),
                            "sown_share": row.get("sown_share", 1.0),
                            "area": units.write(area_m2, "m2", system),
                        },
                    }
                )
            done = [e for e in self.store.history if not e.undone]
            undone = [e for e in self.store.history if e.undone]
            return {
                "version": self.version,
                "file": self.store.path.name,
                "blocks": {"type": "FeatureCollection", "features": features},
                "crops": [{"key": key, **row} for key, row in self.rows.crops.items()],
                "settings": {k: v for k, v in self.rows.settings.items() if k not in ("files", "kept")},
                "kept": [{"name": kept["name"]} for kept in self.rows.settings.get("kept") or []],
                "weather": self.store.contents.weather.attrs.get("files", ""),
                "soil_layers": sorted((self.rows.settings.get("files") or {}).get("soil", {})),
                "choices": list(self.rows.choices.values()),
                "catalogue": self.catalogue.version,
                "before": before_of_blocks(self.store.contents, self.catalogue),
                "lists": shown_lists(self.rows.lists, self.store.contents),
                "undo": len(done),
                "redo": len(undone),
                "history": [asdict(e) for e in self.store.history[-HISTORY_SHOWN:]],
            }

    def faults(self, rings: list[Any], block: str | None, also: dict[str, list[Any]]) -> dict[str, Any]:
        """An outline as it is being drawn: area, sides, and what is wrong with it; `also` moves with it."""
        others = {name: edits.outline_of(row) for name, row in self.rows.blocks.items() if name != block}
        try:
            outline = edits.polygon(rings)
            for name, parts in also.items():
                moved = shapely.MultiPolygon([edits.polygon(one) for one in parts])
                others[name] = moved if moved.is_valid else shapely.make_valid(moved)
        except drawing.DrawingProblem as problem:
            return {"area_m2": 0.0, "sides_m": [], "faults": [], "unfinished": problem.key}
        found = drawing.find_faults(outline, others)
        stops = any(f.stops for f in found)
        return {
            "area_m2": 0.0 if stops else round(geodesic_area_m2(outline), 2),
            "sides_m": [round(s, 2) for s in drawing.side_lengths_m(outline)],
            "faults": [asdict(f) for f in found],
            "unfinished": None,
        }

    def gaps_if(self, block: str, crops: list[dict[str, str]]) -> dict[str, Any]:
        """The gaps of a block under a calendar that is being dragged; nothing is kept."""
        rows = self.rows.copied()
        rows.crops = {key: row for key, row in rows.crops.items() if row["block"] != block}
        for number, crop in enumerate(crops):
            rows.crops[f"try{number}"] = edits.checked_crop({**crop, "block": block}, rows)
        calendar = calendar_of_rows(rows)
        found = crops_at_once(calendar[calendar["block_id"] == block])
        if found or not crops:
            return {"problem": found.get(block), "gaps": []}
        # Of the other blocks only how far the calendar reaches matters.
        last = calendar.loc[calendar["end_usual"].idxmax(), "block_id"]
        kept = calendar["block_id"] == block
        if last != block:
            others = calendar[(calendar["block_id"] == last) & (calendar["end_usual"] == calendar["end_usual"].max())]
            calendar = pd.concat([calendar[kept], others.head(1)], ignore_index=True)
        else:
            calendar = calendar[kept].reset_index(drop=True)
        south = bool(edits.outline_of(self.rows.blocks[block]).centroid.y < 0)
        gaps = find_gaps(calendar, self.settings, self.catalogue, southern=south)
        return {"problem": None, "gaps": [gap_dates(g) for g in gaps.itertuples() if g.block_id == block]}

    # ---- files out ----------------------------------------------------------------------------

    def folder_zip(self) -> bytes:
        """The farm as a folder that every command takes, zipped."""
        with tempfile.TemporaryDirectory(prefix="greengap-out-") as held:
            out = io.BytesIO()
            with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
                for path in unpack(self.store.path, Path(held) / "farm"):
                    packed.writestr(zipfile.ZipInfo(path.name, (1980, 1, 1, 0, 0, 0)), path.read_bytes(), 8)
            return out.getvalue()


def _first_block(patch: Patch) -> str | None:
    """The block that an edit is about, to be planned first."""
    for pairs in (patch.get("blocks", {}),):
        for key, pair in pairs.items():
            if pair[1] is not None:
                return key
    for table in ("crops", "choices"):
        for pair in patch.get(table, {}).values():
            row = pair[1] or pair[0]
            if row:
                return str(row["block"])
    return None
