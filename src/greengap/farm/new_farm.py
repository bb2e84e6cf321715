"""A farm folder to start from: settings with remarks, an empty crop calendar, the files that are there already."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from greengap.errors import ImportReport, InputProblem
from greengap.farm.fields import read_blocks
from greengap.farm.settings import FILE

CALENDAR = "crop_calendar.csv"
TEMPLATE = Path(__file__).with_name("new_farm.toml")
CALENDAR_HEAD = """\
# One row for each crop on each block. Lines that begin with # are remarks; delete them if you like.
# establishment: transplanted, seeded or planted. start, end: usual day in, usual last day of harvest.
# Dates: 2027-05-20, or soft ones such as mid July 2027, wk 28 2027, 10-20 July 2027.
# Where you know them, also columns start_early, start_late, end_early, end_late.
# For example:
# {block},lettuce,transplanted,2027-04-15,mid June 2027
block,crop,establishment,start,end
"""


def new_farm(
    folder: Path, polygons: Path | None, layer: str | None, block_column: str | None, weather: Sequence[Path]
) -> Iterator[str]:
    """Make a farm folder and say what to do next.

    Parameters
    ----------
    folder : Path
        Must not be there, or be empty.
    polygons : Path, optional
        Polygon file of the blocks, copied with its parts.
    layer, block_column : str, optional
        As in ``farm.toml``.
    weather : sequence of Path
        Copied.

    Yields
    ------
    str
        What was made, and the steps that are left.

    Raises
    ------
    InputProblem
        If the folder holds something or cannot be made, or a file is missing or not usable.
    """
    shown = folder.as_posix()
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputProblem(shown, "", "is there already", "Name a new folder, so that nothing is written over")
    names: list[str] = []
    if polygons is not None:
        blocks = read_blocks(polygons, polygons.name, ImportReport(), layer=layer, block_column=block_column)
        names = list(blocks["block_id"])
    for path in weather:
        if not path.is_file():
            raise InputProblem(path.as_posix(), "", "there is no such file", "Correct the name")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        whole = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}."))
    except OSError as error:
        raise InputProblem(shown, "", f"cannot be made ({error.strerror})", "Name another folder") from error
    try:
        if polygons is not None:
            _copy(polygons, whole)
        for path in weather:
            shutil.copyfile(path, whole / path.name)
        text = _settings(folder.resolve().name, polygons, layer, block_column, weather)
        (whole / FILE).write_text(text, encoding="utf-8")
        calendar = CALENDAR_HEAD.format(block=names[0] if names else "River 1")
        (whole / CALENDAR).write_text(calendar, encoding="utf-8")
        whole.chmod(0o755)
        if folder.exists():
            folder.rmdir()
        whole.replace(folder)
    except OSError as error:
        shutil.rmtree(whole, ignore_errors=True)
        raise InputProblem(shown, "", f"cannot be written ({error.strerror})", "Name another folder") from error
    except BaseException:
        shutil.rmtree(whole, ignore_errors=True)
        raise
    yield f"Made {shown} with {FILE} and {CALENDAR}."
    if names:
        listed = ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")
        yield f"{polygons.name if polygons else ''}: {len(names)} blocks: {listed}."
    else:
        yield f"Next: put a file with the outlines of the blocks into it and name it as polygons in {FILE}."
    if not weather:
        yield f"Next: get 20 years and more of daily weather and name the file as weather in {FILE}."
    yield f"Next: fill {CALENDAR}, a row for each crop on each block; soil is taken as a loam until {FILE} names some."
    yield f"Then: greengap check {shown}"


def _settings(
    name: str, polygons: Path | None, layer: str | None, block_column: str | None, weather: Sequence[Path]
) -> str:
    """The template with what is known put in."""

    def quoted(text: str) -> str:
        return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'

    lines = [
        f"polygons = {quoted(polygons.name)}" if polygons else '# polygons = "blocks.gpkg"',
        f"layer = {quoted(layer)}" if layer else '# layer = "blocks"  # needed only where a file has several',
        f"block_column = {quoted(block_column)}" if block_column else '# block_column = "name"',
        f"crop_calendar = {quoted(CALENDAR)}",
    ]
    if len(weather) == 1:
        lines.append(f"weather = {quoted(weather[0].name)}")
    elif weather:
        lines.append(f"weather = [{', '.join(quoted(path.name) for path in weather)}]")
    else:
        lines.append('# weather = "weather.csv"')
    text = TEMPLATE.read_text(encoding="utf-8")
    return text.replace("@NAME@", quoted(name)).replace("@FILES@", "\n".join(lines))


def _copy(path: Path, folder: Path) -> None:
    """A file with the parts that belong to it, or a file geodatabase."""
    if path.is_dir():
        shutil.copytree(path, folder / path.name)
        return
    parts = path.parent.glob(f"{path.stem}.*") if path.suffix.lower() in (".shp", ".tab", ".mif", ".gml") else [path]
    for part in parts:
        if part.is_file():
            shutil.copyfile(part, folder / part.name)
