"""Daily station files as agencies publish them, where a heading alone does not tell what stands in them.

Each reader knows its files by their content. Values that the agency itself has flagged as wrong are left out
and counted. Formats as the agencies describe them:

- GHCN-Daily, fixed width (.dly) and by station (CSV without heading): NOAA NCEI, readme.txt of GHCN-Daily, III.
- ECA&D blended and non-blended series: KNMI, heading of the files themselves.
- USCRN daily01: NOAA NCEI, readme of the product.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from io import StringIO

import numpy as np
import pandas as pd

from greengap.errors import Fate, ImportReport, InputProblem

Place = tuple[float, float, float | None, str]
GHCN_ELEMENTS = {"TMIN": "tmin_degc", "TMAX": "tmax_degc", "PRCP": "precipitation_mm"}
GHCN_MISSING = -9999
ECAD_ELEMENTS = {"TN": "tmin_degc", "TX": "tmax_degc", "RR": "precipitation_mm"}
ECAD_VALID = 0  # 1 is suspect, 9 missing
# Columns of USCRN daily01, counted from 0: date, longitude, latitude, maximum, minimum, precipitation, radiation.
USCRN_COLUMNS = {"date": 1, "lon": 3, "lat": 4, "tmax_degc": 5, "tmin_degc": 6, "precipitation_mm": 9}
USCRN_RADIATION, USCRN_FIELDS, USCRN_MISSING = 10, 28, -9000.0


@dataclass
class StationTable:
    """What one file holds: days down, the columns that it has in SI, its place if it says it."""

    days: pd.DataFrame
    rows: int
    kind: str
    place: Place | None = None
    flagged: int = 0
    notes: list[str] = field(default_factory=list)


def read_agency_file(lines: list[str], file: str, report: ImportReport) -> StationTable | None:
    """Read a station file whose format an agency has set; None if it is of no kind that is known here.

    Parameters
    ----------
    lines : list of str
        The file.
    file : str
        Name of the file as the user knows it.
    report : ImportReport
        Takes what the agency has flagged.

    Raises
    ------
    InputProblem
        If a line does not keep to the format.
    """
    first = next((line for line in lines if line.strip()), "")
    found = None
    try:
        if re.match(r"[A-Z]{2}[A-Z0-9_-]{9}\d{6}[A-Z0-9]{4}[ \d-]{5}", first):
            found = _ghcn_fixed(lines, file)
        elif re.match(r"[A-Z]{2}[A-Z0-9_-]{9},\d{8},[A-Z0-9]{4},", first):
            found = _ghcn_by_station(lines)
        elif any(re.match(r"\s*(?:STAID,\s*)?SOUID,\s*DATE,", line) for line in lines[:60]):
            found = _ecad(lines, file)
        elif re.match(r"\s*\d{3,5}\s+\d{8}\s+\S+\s+-?\d+\.\d+\s+-?\d+\.\d+\s", first):
            found = _uscrn(lines, file)
    except (ValueError, KeyError, IndexError, pd.errors.ParserError) as error:
        raise InputProblem(
            file, "", f"is damaged ({' '.join(str(error).split())[:120]})", "Download it again"
        ) from None
    if found is None:
        return None
    report.assume(f"{file} is read as {found.kind}.")
    if found.flagged:
        report.note(file, "", Fate.USED, f"{found.flagged} values that the agency has flagged are left out")
    return found


def _ghcn_fixed(lines: list[str], file: str) -> StationTable:
    """One line for a station, month and element: 31 values of 5 figures, each with three flags."""
    columns: dict[str, dict[np.datetime64, float]] = {name: {} for name in GHCN_ELEMENTS.values()}
    stations, flagged, rows = set(), 0, 0
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        rows += 1
        stations.add(line[:11])
        column = GHCN_ELEMENTS.get(line[17:21])
        if column is None:
            continue
        try:
            month = np.datetime64(f"{line[11:15]}-{line[15:17]}", "M")
            length = ((month + 1).astype("datetime64[D]") - month.astype("datetime64[D]")).astype(int)
            for day in range(int(length)):
                at = 21 + 8 * day
                value = int(line[at : at + 5])
                if value == GHCN_MISSING:
                    continue
                if line[at + 6 : at + 7].strip():
                    flagged += 1
                    continue
                columns[column][month.astype("datetime64[D]") + day] = value / 10.0
        except ValueError:
            raise InputProblem(file, f"line {number}", "is not a line of GHCN-Daily", "Download it again") from None
    _one_station(stations, file)
    return _collected(columns, rows, "GHCN-Daily, fixed width, in tenths of °C and mm", flagged)


def _ghcn_by_station(lines: list[str]) -> StationTable:
    """One line for a station, day and element: station, date, element, value, three flags, time."""
    table = pd.read_csv(StringIO("\n".join(lines)), header=None, dtype=str, keep_default_na=False)
    flagged = int(((table[5].str.strip() != "") & table[2].isin(GHCN_ELEMENTS)).sum())
    used = table[(table[5].str.strip() == "") & table[2].isin(GHCN_ELEMENTS)]
    columns: dict[str, dict[np.datetime64, float]] = {name: {} for name in GHCN_ELEMENTS.values()}
    days = pd.to_datetime(used[1], format="%Y%m%d").to_numpy().astype("datetime64[D]")
    for element, day, value in zip(used[2], days, used[3].astype(int), strict=True):
        if value != GHCN_MISSING:
            columns[GHCN_ELEMENTS[element]][day] = value / 10.0
    return _collected(columns, len(table), "GHCN-Daily by station, in tenths of °C and mm", flagged)


def _ecad(lines: list[str], file: str) -> StationTable:
    """Lines of explanation, a heading, then one element a file in tenths, with its quality."""
    top = next(n for n, line in enumerate(lines) if re.match(r"\s*(?:STAID,\s*)?SOUID,\s*DATE,", line))
    names = [name.strip() for name in lines[top].split(",")]
    element = names[names.index("DATE") + 1]
    if element not in ECAD_ELEMENTS:
        what = f"holds {element}, which is not used"
        raise InputProblem(file, "", what, "Name the files that begin with TN, TX and RR")
    table = pd.read_csv(StringIO("\n".join(lines[top + 1 :])), header=None, names=names, skipinitialspace=True)
    valid = table[f"Q_{element}"].astype(int) == ECAD_VALID
    flagged = int((table[f"Q_{element}"].astype(int) == 1).sum())
    days = pd.to_datetime(table["DATE"].astype(int).astype(str), format="%Y%m%d")
    values = (table[element].astype(float) / 10.0).where(valid)
    frame = pd.DataFrame({ECAD_ELEMENTS[element]: values.to_numpy()}, index=pd.DatetimeIndex(days))
    return StationTable(_unique(frame, file), len(table), "a series of ECA&D, in tenths", flagged=flagged)


def _uscrn(lines: list[str], file: str) -> StationTable:
    """28 columns apart by blanks, without a heading."""
    rows = [line.split() for line in lines if line.strip()]
    if any(len(row) != USCRN_FIELDS for row in rows):
        number = next(n for n, row in enumerate(rows, start=1) if len(row) != USCRN_FIELDS)
        raise InputProblem(file, f"line {number}", "is not a line of USCRN daily01", "Download it again")
    _one_station({row[0] for row in rows}, file)
    days = pd.to_datetime([row[USCRN_COLUMNS["date"]] for row in rows], format="%Y%m%d")
    frame = pd.DataFrame(index=pd.DatetimeIndex(days))
    taken = {name: USCRN_COLUMNS[name] for name in ("tmin_degc", "tmax_degc", "precipitation_mm")}
    for name, at in (*taken.items(), ("radiation_mj_m2_d", USCRN_RADIATION)):
        values = np.array([float(row[at]) for row in rows])
        frame[name] = np.where(values < USCRN_MISSING, np.nan, values)
    place = float(rows[0][USCRN_COLUMNS["lat"]]), float(rows[0][USCRN_COLUMNS["lon"]]), None, f"USCRN {rows[0][0]}"
    return StationTable(_unique(frame, file), len(rows), "USCRN daily01, in °C and mm", place)


def _collected(columns: dict[str, dict[np.datetime64, float]], rows: int, kind: str, flagged: int) -> StationTable:
    there = {name: values for name, values in columns.items() if values}
    days = sorted(set().union(*there.values()))
    frame = pd.DataFrame(
        {name: [values.get(day, np.nan) for day in days] for name, values in there.items()},
        index=pd.DatetimeIndex(np.array(days, dtype="datetime64[ns]")),
    )
    return StationTable(frame, rows, kind, flagged=flagged)


def _unique(frame: pd.DataFrame, file: str) -> pd.DataFrame:
    if (twice := frame.index.duplicated()).any():
        what = f"{frame.index[twice][0]:%Y-%m-%d} comes twice"
        raise InputProblem(file, "", what, "Keep one row a day")
    return frame.sort_index()


def _one_station(stations: set[str], file: str) -> None:
    if len(stations) > 1:
        listed = ", ".join(sorted(stations)[:5])
        raise InputProblem(file, "", f"holds {len(stations)} stations: {listed}", "Keep the lines of one")
