"""A farm folder to a farm file and back."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
import tomllib
from pathlib import Path

import geopandas as gpd
import pandas as pd

from greengap.errors import InputProblem
from greengap.farm.farm_file import FarmContents, is_farm_file, outline_fingerprint, read_farm_file, write_farm_file
from greengap.farm.lineage import LINEAGE_FILE
from greengap.farm.lineage import to_text as lineage_text
from greengap.farm.season_record import RECORD_FILE, to_text
from greengap.farm.settings import FILE
from greengap.farm_input import OWN_FILES, read_farm, read_farm_contents
from greengap.site.block_soil import block_soil_rows
from greengap.site.weather_cells import write_cells

UNPACKED = {
    "polygons": "blocks.gpkg",
    "crop_calendar": "crop_calendar.csv",
    "weather": "weather.nc",
    "block_soil": "soil.csv",
}
THIS_SEASON, HISTORY = "this_season.nc", "history.csv"


def pack(folder: Path, file: Path) -> Path:
    """Read a farm folder and write it as one farm file.

    Parameters
    ----------
    folder : Path
        Farm folder with ``farm.toml``.
    file : Path
        GeoPackage to write; a farm file that is there is replaced.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputProblem
        If the folder cannot be read or the file not be written.
    """
    if is_farm_file(folder):
        raise InputProblem(folder.as_posix(), "", "is a farm file already", "Name a farm folder")
    farm = read_farm(folder)
    try:
        relative = Path(os.path.relpath(folder.resolve(), file.resolve().parent)).as_posix()
    except ValueError:  # on another drive
        relative = ""
    write_farm_file(
        file,
        FarmContents(
            settings_text=(folder / FILE).read_text(encoding="utf-8-sig"),
            name=farm.settings.name,
            blocks=farm.blocks,
            crop_calendar=farm.crop_calendar,
            soil=farm.soil,
            class_shares=farm.class_shares,
            weather=farm.weather_cells,
            so_far=farm.so_far,
            history=farm.history,
            record=farm.record,
            lineage=farm.lineage,
            report=farm.report,
            sources=farm.inputs,
            source_folder=relative,
            outlines={
                block: outline_fingerprint(outline)
                for block, outline in zip(farm.blocks["block_id"], farm.blocks.geometry, strict=True)
            },
            set_aside=tuple(farm.set_aside),
            own_files={
                name: (folder / name).read_text(encoding="utf-8-sig") for name in OWN_FILES if (folder / name).is_file()
            },
        ),
    )
    return file


def unpack(file: Path, folder: Path) -> list[Path]:
    """Write a farm file as a farm folder that gives the same plan.

    Parameters
    ----------
    file : Path
        Farm file.
    folder : Path
        Folder to make; must not be there, or be empty.

    Returns
    -------
    list of Path
        Files written.

    Raises
    ------
    InputProblem
        If the file is no farm file, or the folder holds something or cannot be written.

    Notes
    -----
    Soil and weather come out as derived (a table by block, checked cells), since the rasters they were
    derived from are not in the file. Everything else that ``farm.toml`` says is kept, remarks too.
    """
    contents = read_farm_file(file)
    farm = read_farm_contents(contents, file)
    shown = folder.as_posix()
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputProblem(shown, "", "is there already", "Name a new folder, so that nothing is written over")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        whole = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}."))
    except OSError as error:
        raise InputProblem(shown, "", f"cannot be made ({error.strerror})", "Name another folder") from error
    try:
        (whole / FILE).write_text(_settings_text(contents), encoding="utf-8")
        blocks = farm.blocks[["block_id", "field", "geometry"]].rename(columns={"block_id": "block"})
        if farm.set_aside:  # named without an outline, so that the settings may go on naming them
            aside = gpd.GeoDataFrame(
                {"block": farm.set_aside, "field": farm.set_aside},
                geometry=[None] * len(farm.set_aside),
                crs=blocks.crs,
            )
            blocks = gpd.GeoDataFrame(pd.concat([blocks, aside], ignore_index=True), crs=blocks.crs)
        blocks.to_file(whole / UNPACKED["polygons"], layer="blocks", driver="GPKG", engine="pyogrio")
        calendar = farm.crop_calendar.rename(columns={"block_id": "block", "start_usual": "start", "end_usual": "end"})
        (whole / UNPACKED["crop_calendar"]).write_text(
            calendar.to_csv(index=False, date_format="%Y-%m-%d", lineterminator="\n"), encoding="utf-8"
        )
        soil = block_soil_rows(farm.soil, farm.class_shares)
        (whole / UNPACKED["block_soil"]).write_text(soil.to_csv(index=False, lineterminator="\n"), encoding="utf-8")
        write_cells(farm.weather_cells, whole / UNPACKED["weather"])
        if farm.so_far is not None:
            so_far = farm.so_far.assign_attrs(years=[])
            write_cells(so_far, whole / THIS_SEASON)
        if farm.history is not None:
            text = farm.history.rename(columns={"block_id": "block"}).to_csv(index=False, date_format="%Y-%m-%d")
            (whole / HISTORY).write_text(text, encoding="utf-8")
        if len(farm.record):
            (whole / RECORD_FILE).write_text(to_text(farm.record), encoding="utf-8")
        if len(contents.lineage):
            (whole / LINEAGE_FILE).write_text(lineage_text(contents.lineage), encoding="utf-8")
        for name, text in contents.own_files.items():
            (whole / name).write_text(text, encoding="utf-8")
        whole.chmod(0o755)
        if folder.exists():
            folder.rmdir()
        whole.replace(folder)
    except BaseException:
        shutil.rmtree(whole, ignore_errors=True)
        raise
    more = [n for n, there in ((THIS_SEASON, farm.so_far), (HISTORY, farm.history)) if there is not None]
    more += [RECORD_FILE] if len(farm.record) else []
    more += [LINEAGE_FILE] if len(contents.lineage) else []
    return [folder / name for name in (FILE, *UNPACKED.values(), *more, *contents.own_files)]


def _settings_text(contents: FarmContents) -> str:
    """``farm.toml`` with the files of the unpacked folder; every other line as it was."""
    kept, skip = [], False
    for line in contents.settings_text.splitlines():
        if header := re.match(r"\s*\[+\s*([^\]]+?)\s*\]+", line):
            parts = [part.strip(" \"'") for part in header[1].split(".")]
            skip = parts[0] in ("files", "repairs")  # repairs have been made
        if not skip:
            kept.append(line)
    text = "\n".join(kept).rstrip() + "\n"
    data = tomllib.loads(text)
    if "files" in data:  # written in another way than as a table
        raise InputProblem(FILE, "files", "is not written as [files]", "Write it as a table, [files]")
    if "name" not in data:
        quoted = contents.name.replace("\\", "\\\\").replace('"', '\\"')
        text = f'name = "{quoted}"\n{text}'
    listed = "".join(f'{key} = "{name}"\n' for key, name in UNPACKED.items())
    if contents.so_far is not None:
        listed += f'this_season = "{THIS_SEASON}"\n'
    if contents.history is not None:
        listed += f'history = "{HISTORY}"\n'
    return f'{text}\n[files]\n{listed}block_column = "block"\nfield_column = "field"\n'
