"""A farm's own records against its plan: what they say, how the odds move, and the file that keeps it."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from greengap.calibration.learning import Lesson, learn
from greengap.calibration.own_residuals import OwnGround
from greengap.calibration.own_sowings import own_sowings
from greengap.catalogue import LEARNED_FILE, Catalogue
from greengap.catalogue.learned import check_text, learned_text, with_learned
from greengap.errors import InputProblem
from greengap.farm.farm_file import ENDING, edit_farm_file, read_farm_file
from greengap.farm.season_record import current
from greengap.farm.settings import FILE
from greengap.farm_input import Farm
from greengap.plan import Plan, places, plan_farm
from greengap.tables import DataFrame, OddsMoved

SHORTEST_ID = 4  # letters of a record_id that are enough, if no other begins with them


@dataclass(frozen=True)
class OwnLesson:
    """What a farm's records say.

    Attributes
    ----------
    lesson : Lesson
    before, after : Catalogue
        Without own records, and with what they say.
    silent : dict of record_id to reason
        Rows about a sowing that tell nothing.
    struck : dict of record_id to reason
        Rows that somebody struck out, with the note; empty where none was written.
    without : dict of record_id to reason
        Rows that were left out this time.
    in_use : bool
        Whether the farm has something learned already.
    """

    lesson: Lesson
    before: Catalogue
    after: Catalogue
    silent: dict[str, str]
    struck: dict[str, str]
    without: dict[str, str]
    in_use: bool


def find_lesson(farm: Farm, without: Mapping[str, str] | None = None) -> OwnLesson:
    """Learn from the records of a farm.

    Parameters
    ----------
    farm : Farm
    without : mapping of record_id to reason, optional
        Records to leave out; the first letters are enough.

    Returns
    -------
    OwnLesson
        Always learned from the catalogue as it is without own records, so that learning twice gives the same.

    Raises
    ------
    InputProblem
        If a record to leave out is not there, or its reason is missing.
    """
    before = farm.catalogue.before_learning or farm.catalogue
    left_out = _known_records(farm, without or {})
    holds = current(farm.record)
    sowings, silent = own_sowings(holds, before)
    grounds = _grounds(farm, {s.block_id for s in sowings})
    lesson = learn(sowings, grounds, before, left_out)
    struck = farm.record[farm.record["what"] == "struck"]
    return OwnLesson(
        lesson,
        before,
        with_learned(before, lesson.learned) if len(lesson.learned) else before,
        silent,
        dict(zip(struck["corrects"], struck["note"], strict=True)),
        left_out,
        farm.catalogue.before_learning is not None,
    )


def _known_records(farm: Farm, without: Mapping[str, str]) -> dict[str, str]:
    """Whole record_ids for what a person wrote."""
    found = {}
    for written, reason in without.items():
        fits = [i for i in farm.record["record_id"] if i.startswith(written)]
        if len(written) < SHORTEST_ID or len(fits) != 1:
            what = f"{written!r} is {'more than one record' if len(fits) > 1 else 'no record'} of this farm"
            raise InputProblem("--without", "", what, "Copy the record's letters from the list of `greengap learn`")
        if not reason.strip():
            raise InputProblem("--without", written, "has no reason", 'Write why, as "3f2a91c0=the fence was open"')
        found[fits[0]] = reason.strip()
    return found


def _grounds(farm: Farm, blocks: set[str]) -> dict[str, OwnGround]:
    """Blocks that have sowings, each with the weather of its own years and of this one so far."""
    where, found = places(farm), {}
    weather: dict[str, xr.Dataset] = {}
    for block in sorted(blocks & where.keys()):
        site = farm.site_of_block[block]
        if site not in weather:
            weather[site] = with_this_year(farm.weather.sel(site_id=[site]), farm.so_far)
        found[block] = OwnGround(weather[site], where[block])
    return found


def with_this_year(weather: xr.Dataset, so_far: xr.Dataset | None) -> xr.Dataset:
    """The record of a site with this year's days behind it; days between the two are missing.

    Parameters
    ----------
    weather : Dataset
        One site, dimensions (site_id, date).
    so_far : Dataset or None
        This year's days, dimensions (cell_id, date).
    """
    if so_far is None:
        return weather
    last, end = (pd.Timestamp(part["date"].to_numpy()[-1]) for part in (weather, so_far))
    if end <= last:
        return weather
    days = pd.date_range(pd.Timestamp(weather["date"].to_numpy()[0]), end, freq="D")
    out, now = weather.reindex(date=days), so_far.isel(cell_id=0).reindex(date=days)
    new = (days > last)[None, :]
    arrays = {}
    for name in out.data_vars:
        if name in now and out[name].dtype.kind == "f":
            values = out[name].transpose("site_id", "date").to_numpy()
            arrays[name] = (("site_id", "date"), np.where(new, now[name].to_numpy()[None, :], values))
    return out.assign(arrays)


def odds_moved(farm: Farm, own: OwnLesson, progress: Callable[[int, int], None] | None = None) -> DataFrame[OddsMoved]:
    """The plan of a farm without its own records and with them, gap by gap.

    Parameters
    ----------
    farm : Farm
    own : OwnLesson
    progress : callable, optional
        As in `plan_farm`.

    Returns
    -------
    DataFrame[OddsMoved]
        One row per gap, in the order of the plan.
    """
    before, after = (plan_farm(replace(farm, catalogue=c), progress) for c in (own.before, own.after))
    rows = []
    for old, new in zip(before.allocation.itertuples(), after.allocation.itertuples(), strict=True):
        rows.append(
            {
                "gap_id": old.gap_id,
                "cover_before": old.cover_id,
                "holds_before": _holds(before, old.option_id),
                "holds_same": _holds(after, old.option_id),
                "cover_after": new.cover_id,
                "holds_after": _holds(after, new.option_id),
                "years": max(_holds(before, old.option_id, "years"), _holds(after, new.option_id, "years")),
            }
        )
    return OddsMoved.validate(pd.DataFrame(rows, columns=list(OddsMoved.to_schema().columns)))


def _holds(plan: Plan, option_id: object, column: str = "holds_years") -> int:
    """A count of weather years of an option; 0 where none is chosen."""
    of_it = plan.odds.loc[plan.odds["option_id"] == option_id, column]
    return int(of_it.iloc[0]) if len(of_it) else 0


def keep_learned(path: Path, own: OwnLesson) -> Path:
    """Write what was learned beside ``farm.toml``, or into the farm file; whole or not at all.

    Parameters
    ----------
    path : Path
        Farm folder or farm file.
    own : OwnLesson

    Returns
    -------
    Path
        The file that was written.

    Raises
    ------
    InputProblem
        If there is nothing to keep, if a figure has moved further than it can be, or if it cannot be written.
    """
    if own.lesson.learned.empty:
        raise InputProblem(path.as_posix(), "", "has no record that moves anything", "Write records first")
    text = learned_text(own.lesson.learned, own.before, own.without)
    check_text(text)
    return _put(path, text)


def forget_learned(path: Path) -> Path | None:
    """Take away what was learned; the plan is then as it was before, to the byte.

    Returns
    -------
    Path or None
        The file that was changed; None if nothing had been learned.

    Raises
    ------
    InputProblem
        If it is no farm, or cannot be written.
    """
    if path.suffix.lower() == ENDING and path.is_file():
        there = LEARNED_FILE in read_farm_file(path).own_files
    else:
        there = (path / LEARNED_FILE).is_file() or not (path / FILE).is_file()
    return _put(path, None) if there else None


def _put(path: Path, text: str | None) -> Path:
    if path.suffix.lower() == ENDING and path.is_file():
        with edit_farm_file(path) as edit:
            edit.write_own_file(LEARNED_FILE, text)
        return path
    if not (path / FILE).is_file():
        raise InputProblem(path.as_posix(), "", f"has no {FILE}", "Name a farm folder or a farm file")
    file = path / LEARNED_FILE
    name = ""
    try:
        if text is None:
            file.unlink()
            return file
        handle, name = tempfile.mkstemp(dir=path, prefix=f".{LEARNED_FILE}.")
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as written:
            written.write(text)
        Path(name).chmod(0o644)
        Path(name).replace(file)
    except OSError as error:
        if name:
            Path(name).unlink(missing_ok=True)
        what = f"cannot be written ({error.strerror})"
        raise InputProblem(file.as_posix(), "", what, "Give the right to write there") from error
    return file
