"""Where the season record is kept: a CSV beside farm.toml, or a table of the farm file."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from greengap.errors import InputProblem
from greengap.farm.farm_file import ENDING, edit_farm_file
from greengap.farm.season_record import RECORD_FILE, from_text, merged, to_text
from greengap.farm.settings import FILE
from greengap.tables import DataFrame, SeasonRecord


def read_folder_record(folder: Path) -> DataFrame[SeasonRecord]:
    """The season record of a farm folder; empty where there is none yet.

    Raises
    ------
    InputProblem
        If the file cannot be used.
    """
    path = folder / RECORD_FILE
    if not path.exists():
        return SeasonRecord.empty()
    try:
        return from_text(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise InputProblem(RECORD_FILE, "", f"cannot be opened ({error.strerror})", "Correct its rights") from error
    except Exception as error:  # a hand has changed it
        what = f"cannot be used ({' '.join(str(error).split())[:200]})"
        raise InputProblem(RECORD_FILE, "", what, "Undo the change; rows are added with `greengap record`") from error


def add_to_record(path: Path, rows: DataFrame[SeasonRecord]) -> int:
    """Add rows to the season record of a farm folder or farm file, all or none.

    Parameters
    ----------
    path : Path
        Farm folder or farm file.
    rows : DataFrame[SeasonRecord]

    Returns
    -------
    int
        Rows that were not there yet.

    Raises
    ------
    InputProblem
        If it is no farm, or cannot be written.
    """
    if path.suffix.lower() == ENDING and path.is_file():
        with edit_farm_file(path) as edit:
            return edit.add_to_record(rows)
    if not (path / FILE).is_file():
        raise InputProblem(path.as_posix(), "", f"has no {FILE}", "Name a farm folder or a farm file")
    before = read_folder_record(path)
    together = merged(before, rows)
    try:
        handle, name = tempfile.mkstemp(dir=path, prefix=f".{RECORD_FILE}.")
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(to_text(together))
        Path(name).chmod(0o644)
        Path(name).replace(path / RECORD_FILE)
    except OSError as error:
        what = f"cannot be written ({error.strerror})"
        raise InputProblem(f"{path.as_posix()}/{RECORD_FILE}", "", what, "Give the right to write there") from error
    return len(together) - len(before)
