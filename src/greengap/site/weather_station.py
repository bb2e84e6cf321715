"""A weather station from delimited text: one row a day, units in the headings."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from io import StringIO
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from greengap.errors import ImportReport, InputProblem, several
from greengap.safe_files import check_size
from greengap.site.station_formats import read_agency_file
from greengap.site.weather_quality import MISSING_CODES, RADIATION_UNITS, celsius, millimetres
from greengap.units import FOOT_M

STATION_NAMES = {
    "tmin": (
        "tmin", "t_min", "tn", "min_temp", "mintemp", "temp_min", "tmin_air", "minimum_temperature", "min_temperature",
        "temperature_2m_min", "t2m_min", "tnk", "temperature_minimum", "minimum_temp",
    ),
    "tmax": (
        "tmax", "t_max", "tx", "max_temp", "maxtemp", "temp_max", "tmax_air", "maximum_temperature", "max_temperature",
        "temperature_2m_max", "t2m_max", "txk", "temperature_maximum", "maximum_temp",
    ),
    "precipitation": (
        "precip", "precipitation", "prcp", "pr", "rain", "rainfall", "rr", "ppt", "precipitation_sum", "prectotcorr",
        "total_precip", "rsk", "pcpn",
    ),
    "radiation": (
        "solar", "srad", "radiation", "rad", "solar_radiation", "global_radiation", "rsds", "rs",
        "shortwave_radiation_sum", "allsky_sfc_sw_dwn",
    ),
    "daylight": ("dayl",),
    "date": ("date", "time", "date/time", "mess_datum", "aaaammjj"),
    "year": ("year", "yr"),
    "day": ("yday", "doy", "day_of_year"),
    "month": ("mo",),
    "day_of_month": ("dy",),
}  # fmt: skip
# Units of columns that never say them, by the agency's own description of its files.
AGENCY_UNITS = {
    "t2m_min": "degC", "t2m_max": "degC", "prectotcorr": "mm/day", "allsky_sfc_sw_dwn": "MJ m-2 d-1",  # NASA POWER
    "tnk": "degC", "txk": "degC", "rsk": "mm",  # DWD, daily KL
}  # fmt: skip
# Columns that say where a station stands, on every row.
PLACE_NAMES = {
    "lat": ("latitude", "latitude_(y)", "lat"),
    "lon": ("longitude", "longitude_(x)", "lon"),
    "elevation": ("elevation", "alti"),
    "name": ("name", "station_name", "nom_usuel", "stations_id", "station"),
}
# Where a place is given above the heading: degrees north and east, then metres or feet.
PLACES_ABOVE = (
    r"latitude:\s*(-?[\d.]+)\s+longitude:\s*(-?[\d.]+)",
    r"lat:\s*(-?[\d.]+)\s+lon:\s*(-?[\d.]+)",
    r"location:\s*latitude\s+(-?[\d.]+)\s+longitude\s+(-?[\d.]+)",
)
HEIGHTS_ABOVE = r"\b(?:elevation|elev)\b.{0,120}?[:=]\s*(-?[\d.]+)\s*(m|ft)"
US_UNITS = {"tmin": "degF", "tmax": "degF", "precipitation": "in"}
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
MOST_BYTES = 200_000_000
EMPTY = ("", "na", "nan", "n/a", "null", "none", "m", "-", "--")


def read_station(
    paths: Sequence[Path],
    shown: Callable[[Path], str],
    report: ImportReport,
    station: tuple[float, float, float | None, str] | None,
    us_units: bool = False,
) -> xr.Dataset:
    """Read the daily record of one station, in one file, or split by years or by quantity over several.

    Parameters
    ----------
    paths : sequence of Path
        Delimited text with a heading: ``date`` (2024-05-31) or ``year`` and ``yday``, ``tmin``, ``tmax``,
        ``precip`` and optionally ``solar``; the unit follows the name (``tmin_c``, ``tmin_f``,
        ``tmax (deg c)``, ``precip_mm``, ``precip_in``). Lines above the heading are skipped. Also the
        files of agencies, see docs/getting_data.md and `station_formats`.
    shown : callable
        How a path is named to the user.
    report : ImportReport
        Counts the rows.
    station : tuple of (lat, lon, elevation [m], name), optional
        Where it was measured; may be left out if the file says it.
    us_units : bool
        Take columns that do not say their unit as °F and inches.

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
        table, place = _read_file(path, shown(path), report, station[3] if station else "", us_units, len(paths) == 1)
        station = station or place
        tables.append(table)
    files = ", ".join(shown(path) for path in paths)
    if station is None:
        remedy = "Add [station] with lat = ... and lon = ... to farm.toml"
        raise InputProblem(shown(paths[0]), "", "does not say where the weather was measured", remedy)
    table = _together(tables, files)
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


def _together(tables: list[pd.DataFrame], files: str) -> pd.DataFrame:
    """All files as one table by date; each quantity of a day may come from one file only."""
    joined = {}
    for column in dict.fromkeys(c for table in tables for c in table):
        series = pd.concat([table[column] for table in tables if column in table]).sort_index(kind="stable")
        if (twice := series.index.duplicated()).any():
            remedy = "Keep one row a day over all weather files"
            raise InputProblem(files, "", f"{series.index[twice][0]:%Y-%m-%d} comes in two files", remedy)
        joined[column] = series
    wanted = {"tmin_degc": "tmin_c", "tmax_degc": "tmax_c", "precipitation_mm": "precip_mm"}
    if missing := [name for column, name in wanted.items() if column not in joined]:
        what = f"hold no {', '.join(name.split('_')[0] for name in missing)}"
        raise InputProblem(files, "", what, f"Add a file with a column {', '.join(missing)}")
    return pd.DataFrame(joined).sort_index()


def _read_lines(path: Path, file: str) -> list[str]:
    try:
        check_size(path, file, MOST_BYTES)
        data = path.read_bytes()
    except OSError as error:
        raise InputProblem(file, "", f"cannot be opened ({error.strerror})", "Correct the name") from None
    if data.startswith(b"PK"):
        what = "is a zip or a spreadsheet"
        raise InputProblem(file, "", what, "Unpack it, or save it as CSV, and name the text file in it")
    if data.startswith((b"II*\0", b"MM\0*")):
        what = "is a GeoTIFF; daily weather on a grid is read from NetCDF"
        raise InputProblem(file, "", what, "Convert it, or give a station")
    if data.startswith(b"\x1f\x8b"):
        raise InputProblem(file, "", "is packed with gzip", "Unpack it and name the text file")
    try:
        return data.decode("utf-8-sig").splitlines()
    except UnicodeDecodeError:
        if b"\0" in data:
            raise InputProblem(file, "", "is not text in UTF-8", "Save it as CSV in UTF-8") from None
    return data.decode("cp1252", errors="replace").splitlines()


def _read_file(
    path: Path, file: str, report: ImportReport, wanted: str, us_units: bool, alone: bool
) -> tuple[pd.DataFrame, tuple[float, float, float | None, str] | None]:
    """One file as a table by date, and the place if the file gives one."""
    lines = _read_lines(path, file)
    agency = read_agency_file(lines, file, report)
    if agency is not None:
        report.count(file, agency.rows, agency.rows)
        return agency.days, agency.place
    top, separator, found = _heading(lines, file, alone)
    text = "\n".join(lines[top:])
    try:
        table = pd.read_csv(StringIO(text), sep=separator, dtype=str, keep_default_na=False, skip_blank_lines=False)
    except pd.errors.ParserError as error:
        raise InputProblem(file, "", f"cannot be read as a table ({error})", "Give each row the same columns") from None
    table = table.iloc[:, : len(lines[top].split(separator))]
    table.index = pd.RangeIndex(top + 2, top + 2 + len(table))  # lines as an editor counts them
    table = table[(table.apply(lambda column: column.str.strip()) != "").any(axis=1)]
    read = len(table)
    table, place = _place_by_row(table, file, wanted, report)
    dates = _dates(table, found, file)
    out = pd.DataFrame(index=dates)
    raw = {
        key: _floats(table.iloc[:, at], file, separator, key) for key, (at, _) in found.items() if key in STATION_NAMES
    }
    report.count(file, read, len(table), elsewhere=read - len(table))
    days = dates.to_numpy()
    tenths = _in_tenths(lines[top], raw)
    if tenths:
        report.assume(f"{file} is read as GHCN-Daily, in tenths of °C and mm.")
    for key in ("tmin", "tmax", "precipitation"):
        if key not in found:
            continue
        at, unit = found[key]
        name = table.columns[at].strip()
        if tenths:
            known = ~np.isin(raw[key], MISSING_CODES)
            out[f"{key}_degc" if key != "precipitation" else "precipitation_mm"] = np.where(
                known, raw[key] / 10, np.nan
            )
            continue
        unit = unit or AGENCY_UNITS.get(name.lower(), "") or (US_UNITS[key] if us_units else "")
        if key == "precipitation":
            declare = _declare("precip")
            out["precipitation_mm"] = millimetres(raw[key], unit, file, f"column {name}", declare, report)
        else:
            out[f"{key}_degc"] = celsius(raw[key], unit, file, f"column {name}", days, _declare(key), report)
    if "radiation" in found:
        at, unit = found["radiation"]
        unit = (unit or AGENCY_UNITS.get(table.columns[at].strip().lower(), "")).strip().lower()
        if unit not in RADIATION_UNITS:
            report.assume(f"Radiation in {file} is not used: its unit {unit!r} is not known.")
        elif unit.startswith("w") and "daylight" in raw:  # a mean over daylight, not over the day
            out["radiation_mj_m2_d"] = raw["radiation"] * raw["daylight"] / 1e6
        else:
            out["radiation_mj_m2_d"] = raw["radiation"] * RADIATION_UNITS[unit]
    return out, place or _place_above(lines[:top], path.stem)


def _in_tenths(heading: str, raw: dict[str, np.ndarray]) -> bool:
    """Whether a file of the GHCN-Daily access service is in tenths: whole numbers that no °F could be."""
    if "_ATTRIBUTES" not in heading or not {"tmin", "tmax"} <= set(raw):
        return False
    values = np.concatenate([raw["tmin"], raw["tmax"]])
    values = values[np.isfinite(values) & ~np.isin(values, MISSING_CODES)]
    return bool(len(values) and np.all(values == np.round(values)) and values.max() > 140)


def _place_by_row(
    table: pd.DataFrame, file: str, wanted: str, report: ImportReport
) -> tuple[pd.DataFrame, tuple[float, float, float | None, str] | None]:
    """The rows of one station, and its place, where columns say both."""
    columns = {_plain(str(name)): at for at, name in enumerate(table.columns)}
    at = {key: next((columns[n] for n in names if n in columns), None) for key, names in PLACE_NAMES.items()}
    if at["name"] is not None:
        stations = table.iloc[:, at["name"]].str.strip().str.strip('"')
        several_there = list(dict.fromkeys(stations))
        if len(several_there) > 1:
            if wanted not in several_there:
                listed = ", ".join(several_there[:8]) + (" ..." if len(several_there) > 8 else "")
                what = f"holds {len(several_there)} stations: {listed}"
                remedy = "Say which one is meant with name = ... under [station] in farm.toml, or keep its rows only"
                raise InputProblem(file, "", what, remedy)
            report.assume(f"{file}: of {len(several_there)} stations, {wanted} is read.")
            table = table[stations == wanted]
    if at["lat"] is None or at["lon"] is None or not len(table):
        return table, None
    first = {key: table.iloc[0, where].strip().strip('"') for key, where in at.items() if where is not None}
    try:
        lat, lon = float(first["lat"]), float(first["lon"])
        height = float(first["elevation"]) if first.get("elevation") else None
    except ValueError:
        return table, None
    return table, (lat, lon, height, first.get("name") or Path(file).stem)


def _plain(name: str) -> str:
    return name.strip().strip('"').lower().replace(" ", "_")


def _place_above(lines: list[str], name: str) -> tuple[float, float, float | None, str] | None:
    """The place that the lines above the heading give."""
    head = " ".join(line.strip('"') for line in lines)
    rows = [line.strip().split(",") for line in lines if line.strip()]
    for names, values in pairwise(rows):  # a small table of its own above the days
        if names[:3] == ["latitude", "longitude", "elevation"] and len(values) >= 3:
            try:
                return float(values[0]), float(values[1]), float(values[2]), name
            except ValueError:
                return None
    for pattern in PLACES_ABOVE:
        if place := re.search(pattern, head, re.IGNORECASE):
            height = re.search(HEIGHTS_ABOVE, head, re.IGNORECASE)
            metres = float(height[1]) * (FOOT_M if height[2].lower() == "ft" else 1.0) if height else None
            return float(place[1]), float(place[2]), metres, name
    return None


def _heading(lines: list[str], file: str, alone: bool) -> tuple[int, str, dict[str, tuple[int, str]]]:
    """Line number of the heading, separator, and for each quantity its column and unit."""
    for number, line in enumerate(lines[:60]):
        separator = max(",;\t|", key=line.count)
        fields = [field.strip().strip('"') for field in line.split(separator)]
        found: dict[str, tuple[int, str]] = {}
        for at, field in enumerate(fields):
            name, unit = _split(field)
            key = next((k for k, names in STATION_NAMES.items() if name in names), None)
            if key in ("year", "date") and "date" in found and key != "date":
                continue  # the parts of a date beside it
            if key in found:
                what = f"columns {fields[found[key][0]]} and {field} are both {key}"
                raise InputProblem(file, f"line {number + 1}", what, "Keep one of them")
            if key:
                found[key] = (at, unit)
        if "date" in found or ("year" in found and ("day" in found or {"month", "day_of_month"} <= set(found))):
            missing = [key for key in ("tmin", "tmax", "precipitation") if key not in found]
            if len(missing) == 3 or (missing and alone):
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
        text = table.iloc[:, found["date"][0]].str.strip().str.strip('"')
        digits = text.str.fullmatch(r"\d{8}").all()
        dates = pd.to_datetime(text, format="%Y%m%d" if digits else "ISO8601", errors="coerce")
    elif "day" not in found:
        parts = [table.iloc[:, found[key][0]].str.strip() for key in ("year", "month", "day_of_month")]
        text = parts[0] + "-" + parts[1].str.zfill(2) + "-" + parts[2].str.zfill(2)
        dates = pd.to_datetime(text, format="%Y-%m-%d", errors="coerce")
    else:
        text = table.iloc[:, found["year"][0]] + "/" + table.iloc[:, found["day"][0]]
        year, day = (pd.to_numeric(table.iloc[:, found[key][0]], errors="coerce") for key in ("year", "day"))
        whole = (year % 1 == 0) & year.between(1000, 9999) & (day % 1 == 0) & day.between(1, 366)
        first = year.where(whole).map("{:.0f}-01-01".format, na_action="ignore")
        dates = pd.to_datetime(first, format="%Y-%m-%d", errors="coerce")
        dates = dates + pd.to_timedelta(day.where(whole) - 1, unit="D")
        dates = dates.where(dates.dt.year == year)  # no 366th day in a year of 365
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
