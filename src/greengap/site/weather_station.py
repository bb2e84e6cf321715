"""A weather station from delimited text: one row a day, units in the headings."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from greengap.errors import ImportReport, InputProblem, several
from greengap.site.weather_quality import RADIATION_UNITS, celsius, millimetres

STATION_NAMES = {
    "tmin": ("tmin", "t_min", "tn", "min_temp", "mintemp", "temp_min", "tmin_air", "minimum_temperature"),
    "tmax": ("tmax", "t_max", "tx", "max_temp", "maxtemp", "temp_max", "tmax_air", "maximum_temperature"),
    "precipitation": ("precip", "precipitation", "prcp", "pr", "rain", "rainfall", "rr", "ppt"),
    "radiation": ("solar", "srad", "radiation", "rad", "solar_radiation", "global_radiation", "rsds", "rs"),
    "daylight": ("dayl",),
    "date": ("date", "time"),
    "year": ("year", "yr"),
    "day": ("yday", "doy", "day_of_year"),
}
ENDINGS = {
    "_mj_m2_d": "MJ m-2 d-1",
    "_mj_m2": "MJ m-2",
    "_w_m2": "W m-2",
    "_degc": "degC",
    "_degf": "degF",
    "_inch": "in",
    "_mm": "mm",
    "_cm": "cm",
    "_in": "in",
    "_c": "degC",
    "_f": "degF",
    "_k": "K",
}
EMPTY = ("", "na", "nan", "n/a", "null", "none", "m", "-", "--")


def read_station(
    paths: Sequence[Path],
    shown: Callable[[Path], str],
    report: ImportReport,
    station: tuple[float, float, float | None, str] | None,
) -> xr.Dataset:
    """Read the daily record of one station, in one file or one file for each stretch of years.

    Parameters
    ----------
    paths : sequence of Path
        Delimited text with a heading: ``date`` (2024-05-31) or ``year`` and ``yday``, ``tmin``, ``tmax``,
        ``precip`` and optionally ``solar``; the unit follows the name (``tmin_c``, ``tmin_f``,
        ``tmax (deg c)``, ``precip_mm``, ``precip_in``). Lines above the heading are skipped.
    shown : callable
        How a path is named to the user.
    report : ImportReport
        Counts the rows.
    station : tuple of (lat, lon, elevation [m], name), optional
        Where it was measured; may be left out if the lines above the heading give it.

    Returns
    -------
    Dataset
        Dimensions (cell_id, date), unchecked: tmin_degc, tmax_degc, precipitation_mm, and
        radiation_mj_m2_d where it is given.

    Raises
    ------
    InputProblem
        If a file cannot be read, a column is missing or named twice, a date or number cannot be read,
        a date comes twice, values do not fit their unit, or the place is not known.
    """
    tables = []
    for path in paths:
        table, place = _read_file(path, shown(path), report)
        station = station or place
        tables.append(table)
    if station is None:
        remedy = "Add [station] with lat = ... and lon = ... to farm.toml"
        raise InputProblem(shown(paths[0]), "", "does not say where the weather was measured", remedy)
    table = pd.concat(tables).sort_index(kind="stable")
    if (twice := table.index.duplicated()).any():
        remedy = "Keep one row a day over all weather files"
        files = ", ".join(shown(path) for path in paths)
        raise InputProblem(files, "", f"{table.index[twice][0]:%Y-%m-%d} comes in two files", remedy)
    lat, lon, elevation_m, name = station
    return xr.Dataset(
        {column: (("cell_id", "date"), table[column].to_numpy()[None]) for column in table},
        coords={
            "cell_id": [name],
            "date": table.index.to_numpy().astype("datetime64[ns]"),
            "lon": ("cell_id", [float(lon)]),
            "lat": ("cell_id", [float(lat)]),
            "elevation_m": ("cell_id", [np.nan if elevation_m is None else float(elevation_m)]),
        },
        attrs={"kind": "station"},
    )


def _read_file(
    path: Path, file: str, report: ImportReport
) -> tuple[pd.DataFrame, tuple[float, float, float | None, str] | None]:
    """One file as a table by date, and the place if its first lines give one."""
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise InputProblem(file, "", f"cannot be opened ({error.strerror})", "Correct the name") from None
    except UnicodeDecodeError:
        raise InputProblem(file, "", "is not text in UTF-8", "Save it as CSV in UTF-8") from None
    top, separator, found = _heading(lines, file)
    text = "\n".join(lines[top:])
    try:
        table = pd.read_csv(StringIO(text), sep=separator, dtype=str, keep_default_na=False, skip_blank_lines=False)
    except pd.errors.ParserError as error:
        raise InputProblem(file, "", f"cannot be read as a table ({error})", "Give each row the same columns") from None
    table = table.iloc[:, : len(lines[top].split(separator))]
    table.index = pd.RangeIndex(top + 2, top + 2 + len(table))  # lines as an editor counts them
    table = table[(table.apply(lambda column: column.str.strip()) != "").any(axis=1)]
    dates = _dates(table, found, file)
    out = pd.DataFrame(index=dates)
    raw = {
        key: _floats(table.iloc[:, at], file, separator, key) for key, (at, _) in found.items() if key in STATION_NAMES
    }
    report.count(file, len(table), len(table))
    days = dates.to_numpy()
    for key in ("tmin", "tmax"):
        at, unit = found[key]
        name = table.columns[at].strip()
        out[f"{key}_degc"] = celsius(raw[key], unit, file, f"column {name}", days, _declare(key), report)
    at, unit = found["precipitation"]
    name = table.columns[at].strip()
    out["precipitation_mm"] = millimetres(
        raw["precipitation"], unit, file, f"column {name}", _declare("precip"), report
    )
    if "radiation" in found:
        unit = found["radiation"][1].strip().lower()
        if unit not in RADIATION_UNITS:
            report.assume(f"Radiation in {file} is not used: its unit {unit!r} is not known.")
        elif unit.startswith("w") and "daylight" in raw:  # a mean over daylight, not over the day
            out["radiation_mj_m2_d"] = raw["radiation"] * raw["daylight"] / 1e6
        else:
            out["radiation_mj_m2_d"] = raw["radiation"] * RADIATION_UNITS[unit]
    head = " ".join(lines[:top])
    place = re.search(r"latitude:\s*(-?[\d.]+)\s+longitude:\s*(-?[\d.]+)", head, re.IGNORECASE)
    height = re.search(r"elevation:\s*(-?[\d.]+)\s*m", head, re.IGNORECASE)
    if place is None:
        return out, None
    return out, (float(place[1]), float(place[2]), float(height[1]) if height else None, path.stem)


def _heading(lines: list[str], file: str) -> tuple[int, str, dict[str, tuple[int, str]]]:
    """Line number of the heading, separator, and for each quantity its column and unit."""
    for number, line in enumerate(lines[:60]):
        separator = max(",;\t|", key=line.count)
        fields = [field.strip().strip('"') for field in line.split(separator)]
        found: dict[str, tuple[int, str]] = {}
        for at, field in enumerate(fields):
            name, unit = _split(field)
            key = next((k for k, names in STATION_NAMES.items() if name in names), None)
            if key in found:
                what = f"columns {fields[found[key][0]]} and {field} are both {key}"
                raise InputProblem(file, f"line {number + 1}", what, "Keep one of them")
            if key:
                found[key] = (at, unit)
        if "date" in found or ("year" in found and "day" in found):
            missing = [key for key in ("tmin", "tmax", "precipitation") if key not in found]
            if missing:
                what = f"has no column for {', '.join(missing)}; columns are {', '.join(fields)}"
                wanted = {"tmin": "tmin_c", "tmax": "tmax_c", "precipitation": "precip_mm"}
                remedy = f"Name it {', '.join(wanted[key] for key in missing)}"
                raise InputProblem(file, f"line {number + 1}", what, remedy)
            return number, separator, found
    raise InputProblem(file, "", "has no heading with a column date", "Begin with date,tmin_c,tmax_c,precip_mm")


def _split(field: str) -> tuple[str, str]:
    """A heading as name and unit."""
    if match := re.fullmatch(r"(.*?)\s*[(\[](.*)[)\]]", field):
        return match[1].strip().lower().replace(" ", "_"), match[2]
    name = field.strip().lower().replace(" ", "_")
    for ending, unit in ENDINGS.items():
        if name.endswith(ending) and len(name) > len(ending):
            return name.removesuffix(ending), unit
    return name, ""


def _declare(name: str) -> Callable[[str], str]:
    def words(unit: str) -> str:
        ending = {"degF": "_f", "degC": "_c", "K": "_k"}.get(unit)
        return f"name the column {name}{ending}" if ending else f"name the column {name} ({unit})"

    return words


def _dates(table: pd.DataFrame, found: dict[str, tuple[int, str]], file: str) -> pd.DatetimeIndex:
    if "date" in found:
        text = table.iloc[:, found["date"][0]].str.strip()
        dates = pd.to_datetime(text, format="ISO8601", errors="coerce")
    else:
        text = table.iloc[:, found["year"][0]] + "/" + table.iloc[:, found["day"][0]]
        year, day = (pd.to_numeric(table.iloc[:, found[key][0]], errors="coerce") for key in ("year", "day"))
        dates = pd.to_datetime(year.astype("Int64").astype(str) + "-01-01", format="ISO8601", errors="coerce")
        dates = dates + pd.to_timedelta(day - 1, unit="D")
    if dates.isna().any():
        bad = [(f"line {line}", f"{text[line]!r} is not a date") for line in table.index[dates.isna()]]
        raise several(file, bad, "Write dates as 2024-05-31")
    days = pd.DatetimeIndex(dates).normalize()
    if (twice := days.duplicated()).any():
        lines = zip(table.index[twice], days[twice], strict=True)
        raise several(
            file, [(f"line {line}", f"{day:%Y-%m-%d} comes twice") for line, day in lines], "Keep one row a day"
        )
    return days


def _floats(column: pd.Series, file: str, separator: str, key: str) -> np.ndarray:
    """Numbers of a column; NaN where it says missing; a trace of rain is none."""
    text = column.fillna("").str.strip().str.strip('"')
    if separator != ",":
        text = text.str.replace(",", ".", regex=False)
    if key == "precipitation":
        text = text.where(text.str.upper() != "T", "0")
    if key == "date":
        return np.empty(0)
    empty = text.str.lower().isin(EMPTY)
    numbers = pd.to_numeric(text.where(~empty), errors="coerce")
    wrong = numbers.isna() & ~empty
    if wrong.any():
        bad = [
            (f"line {line}", f"{text[line]!r} in column {column.name} is not a number") for line in text.index[wrong]
        ]
        raise several(file, bad, "Correct it, or leave the cell empty")
    return numbers.to_numpy(dtype=float)
