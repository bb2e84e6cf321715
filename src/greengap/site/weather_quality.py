"""Units of weather values, days that cannot be true, and days that are missing.

The unit of a column or variable is taken as declared. Values that do not fit it are refused with the
unit they would fit, never reinterpreted. Single impossible values are set aside and listed; short gaps
are filled and marked, long ones stay open.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import xarray as xr

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.units import CONVERSIONS

TEMPERATURE_UNITS = {
    **dict.fromkeys(("k", "kelvin", "degk", "deg k", "degree_kelvin", "degrees_kelvin"), "K"),
    **dict.fromkeys(("c", "degc", "deg c", "deg_c", "celsius", "°c", "degree_celsius", "degrees_celsius"), "degC"),
    **dict.fromkeys(("degree celsius", "degrees celsius", "degreesc", "centigrade"), "degC"),
    **dict.fromkeys(("f", "degf", "deg f", "deg_f", "fahrenheit", "°f", "degree_fahrenheit"), "degF"),
    **dict.fromkeys(("degrees f", "degree f"), "degF"),
    **dict.fromkeys(("degrees c", "degree c", "deg. c"), "degC"),
    **dict.fromkeys(("degrees_fahrenheit", "degree fahrenheit", "degrees fahrenheit"), "degF"),
}
SECONDS = 86_400.0  # of a day
# Factor to mm in a day; 1 kg of water on 1 m2 is 1 mm.
PRECIPITATION_UNITS = {
    **dict.fromkeys(("mm", "mm/day", "mm/d", "mm d-1", "mm day-1", "mm.day-1", "millimeter", "mm/24h"), 1.0),
    **dict.fromkeys(("kg m-2", "kg/m2", "kg m-2 d-1", "kg m-2 day-1", "kg/m^2", "kg m**-2"), 1.0),
    **dict.fromkeys(("mm s-1", "mm/s", "kg m-2 s-1", "kg/m2/s", "kg m**-2 s**-1", "kg m^-2 s^-1"), SECONDS),
    **dict.fromkeys(("cm", "cm/day"), 10.0),
    **dict.fromkeys(("m", "m/day", "m d-1", "m day-1"), 1000.0),
    **dict.fromkeys(("in", "inch", "inches", "in/day"), 25.4),
    "0.1 mm": 0.1,
}
# Factor to MJ m-2 in a day.
RADIATION_UNITS = {
    **dict.fromkeys(
        ("mj m-2", "mj/m2", "mj m-2 d-1", "mj m-2 day-1", "mj/m2/d", "mj/m2/day", "mj/m^2", "mj/m²", "mj/m^2/day"), 1.0
    ),
    **dict.fromkeys(("w m-2", "w/m2", "w/m^2", "w m**-2"), SECONDS / 1e6),
    **dict.fromkeys(("j m-2", "j/m2", "j m**-2", "j m-2 d-1"), 1e-6),
    **dict.fromkeys(("kj m-2", "kj/m2", "kj m-2 d-1"), 1e-3),
}
MISSING_CODES = (-99.0, -99.9, -99.99, -999.0, -999.9, -9999.0, -9999.9, -32768.0, 999.9, 9999.0, 99999.0)
LOWEST_DEGC, HIGHEST_DEGC = -60.0, 55.0  # beyond all farmed land; the world's records are -89.2 and 56.7 (from memory)
# A day this much above or below both its neighbours: spike test of I. Durre et al., "Comprehensive automated
# quality assurance of daily surface observations", J. Appl. Meteorol. Climatol. 49:1615-1633, 2010 (from memory).
SPIKE_DEGC = 25.0
# Days that are flagged and used as they are: a leap from one day to the next, and the same value day after day
# (step and streak checks after the same paper, from memory; limits are ours, loose enough for continental winters).
STEP_DEGC = 35.0
STREAK_D = 10
MOST_PRECIPITATION_MM = 1000.0  # in a day; the world's record is 1825 mm (from memory)
LONGEST_FILL_D = 5
MOST_LINES = 20  # of a kind in the report
Declare = Callable[[str], str]  # how this kind of file declares a unit, as an imperative


def without_codes(values: np.ndarray, file: str, place: str, report: ImportReport) -> np.ndarray:
    """Values with the usual codes for missing set to NaN; the count is reported."""
    coded = np.isin(values, MISSING_CODES)
    if coded.any():
        report.note(file, place, Fate.USED, f"{int(coded.sum())} values are a code for missing")
    return np.where(coded, np.nan, values)


def celsius(
    values: np.ndarray, unit: str, file: str, place: str, dates: np.ndarray, declare: Declare, report: ImportReport
) -> np.ndarray:
    """Temperatures in °C from their declared unit.

    Parameters
    ----------
    values : ndarray, shape (day, ...)
        As stored, NaN where missing.
    unit : str
        As declared; empty if it is not.
    file, place : str
        Named in problems.
    dates : ndarray of datetime64, shape (day,)
    declare : callable
        Words on how a unit is declared in this kind of file.
    report : ImportReport
        Takes the assumption of °C where no unit is declared.

    Returns
    -------
    ndarray
        Shape of `values` [°C].

    Raises
    ------
    InputProblem
        If the unit is unknown, or the values fit kelvin, °F or tenths of a degree and not their unit.
    """
    spelled = " ".join(unit.strip().lower().split())
    if spelled and spelled not in TEMPERATURE_UNITS:
        what = f"unit {unit!r} is not known for a temperature"
        raise InputProblem(file, place, what, f"Convert to degC, or {declare('degC, degF or K')}")
    values = without_codes(values, file, place, report)
    finite = np.isfinite(values)
    if not finite.any():
        raise InputProblem(file, place, "has no value", "Give a file with values")
    known = TEMPERATURE_UNITS.get(spelled, "")
    median, least, most = float(np.median(values[finite])), float(np.nanmin(values)), float(np.nanmax(values))
    if known == "K" and not 200 < median < 330:
        what = f"values from {least:.1f} to {most:.1f} cannot be kelvin"
        remedy = f"If they are °C, {declare('degC')}" if median < 150 else "Correct the file"
        raise InputProblem(file, place, what, remedy)
    if known != "K":
        _fits_degrees(values, known, median, file, place, dates, declare)
    if not known:
        report.assume(
            f"{file} does not say the unit of {place}; values from {least:.1f} to {most:.1f} are taken as °C."
        )
    conversion = CONVERSIONS[known or "degC"]
    return (values + conversion.shift) * conversion.factor


def _fits_degrees(
    values: np.ndarray, known: str, median: float, file: str, place: str, dates: np.ndarray, declare: Declare
) -> None:
    """Refuse kelvin, °F and tenths under the name of °C (or tenths under that of °F)."""
    name, top = ("°F", 140.0) if known == "degF" else ("°C", 60.0)
    finite = values[np.isfinite(values)]
    whole = bool(np.all(finite == np.round(finite)))
    tenths = "if they are tenths of a degree, divide them by 10"
    if 150 < median < 340 and finite.min() > 100:
        what = f"values from {finite.min():.1f} to {finite.max():.1f} cannot be {name}"
        raise InputProblem(file, place, what, f"If they are kelvin, {declare('K')}")
    high, low = finite > top, finite < -(top + 20)
    if high.sum() > 0.001 * finite.size:
        day = pd.Timestamp(dates[np.nonzero((values > top).reshape(len(dates), -1).any(axis=1))[0][0]])
        shown = values[values > top].flat[0]
        what = f"{shown:.1f} on {day:%Y-%m-%d} cannot be {name}"
        if finite.max() > 140 or known == "degF":
            raise InputProblem(file, place, what, tenths.capitalize())
        remedy = f"If the file is in °F, {declare('degF')}" + (f"; {tenths}" if whole else "")
        raise InputProblem(file, place, what, remedy)
    if low.sum() >= 3 and low.sum() > 0.001 * finite.size:
        what = f"{int(low.sum())} values below {-(top + 20):.0f} {name} cannot be true"
        raise InputProblem(file, place, what, tenths.capitalize())


def millimetres(
    values: np.ndarray, unit: str, file: str, place: str, declare: Declare, report: ImportReport
) -> np.ndarray:
    """Precipitation of a day in mm from its declared unit.

    Parameters
    ----------
    values : ndarray, shape (day, ...)
        As stored, NaN where missing.
    unit, file, place, declare, report
        As in `celsius`.

    Returns
    -------
    ndarray
        Shape of `values` [mm d-1]; rounding errors below zero are zero.

    Raises
    ------
    InputProblem
        If the unit is unknown, or the values fit a rate per second and not their unit.
    """
    spelled = " ".join(unit.strip().lower().split())
    if spelled and spelled not in PRECIPITATION_UNITS:
        what = f"unit {unit!r} is not known for precipitation"
        raise InputProblem(file, place, what, f"Convert to mm a day, or {declare('mm/day or kg m-2 s-1')}")
    values = without_codes(values, file, place, report)
    factor = PRECIPITATION_UNITS.get(spelled, 1.0)
    most = float(np.nanmax(values, initial=0.0))
    if factor == 1.0 and 0 < most < 0.1 and len(values) > 300:
        what = f"the wettest of {len(values)} days has {most:.2g}, which cannot be mm"
        raise InputProblem(file, place, what, f"If it is a rate per second, {declare('kg m-2 s-1')}")
    if not spelled:
        report.assume(f"{file} does not say the unit of {place}; values up to {most:.1f} are taken as mm a day.")
    amount = values * factor
    return np.where((amount < 0) & (amount > -0.01), 0.0, amount)


def checked_days(raw: xr.Dataset, file: str, report: ImportReport) -> xr.Dataset:
    """A complete daily record from raw values: impossible ones removed, short gaps filled.

    Parameters
    ----------
    raw : Dataset
        Dimensions (cell_id, date), dates unique: tmin_degc, tmax_degc, precipitation_mm and
        optionally radiation_mj_m2_d.
    file : str
        Named in the report.
    report : ImportReport
        Takes every value set aside (the first twenty with date and value), every stretch filled or
        left open.

    Returns
    -------
    Dataset
        The same on every day from first to last, with ``filled`` (bool). Gaps of up to five days are
        filled: temperatures by a straight line, precipitation with zero. Longer ones are NaN.

    Raises
    ------
    InputProblem
        If no cell has a temperature, or tmin lies above tmax on most days.
    """
    dates = pd.DatetimeIndex(raw["date"].to_numpy())
    full = pd.date_range(dates.min(), dates.max(), freq="D")
    out = raw.transpose("cell_id", "date").reindex(date=full).load()
    out = out.isel(cell_id=np.isfinite(out["tmin_degc"].to_numpy()).any(axis=1))
    if not out.sizes["cell_id"]:
        raise InputProblem(file, "", "has no temperature at the farm", "Give weather with values there")
    tmin, tmax = out["tmin_degc"].to_numpy().astype(float), out["tmax_degc"].to_numpy().astype(float)
    rain = out["precipitation_mm"].to_numpy().astype(float)
    _not_swapped(tmin, tmax, file)
    _set_aside(tmin, tmax, rain, full, file, report)
    _flag(tmin, tmax, rain, full, file, report)
    first_fill = {"tmin": np.isnan(tmin), "tmax": np.isnan(tmax), "rain": np.isnan(rain)}
    tmin, tmax, rain = _bridged(tmin), _bridged(tmax), _bridged(rain, zero=True)
    # A filled value may not cross the other one of its day, which was measured.
    tmin = np.where(first_fill["tmin"] & (tmin > tmax), tmax, tmin)
    tmax = np.where(first_fill["tmax"] & (tmax < tmin), tmin, tmax)
    filled = np.zeros(tmin.shape, bool)
    for was_missing, now in zip(first_fill.values(), (tmin, tmax, rain), strict=True):
        filled |= was_missing & np.isfinite(now)
    dims = ("cell_id", "date")
    out = out.assign(
        tmin_degc=(dims, tmin), tmax_degc=(dims, tmax), precipitation_mm=(dims, rain), filled=(dims, filled)
    )
    open_days = np.isnan(tmin + tmax + rain)
    _report_runs(np.any(filled, axis=0), full, file, Fate.REPAIRED, "filled from the days around", report)
    _report_runs(
        open_days.all(axis=0), full, file, Fate.USED, "missing, too long to fill; these years are left out", report
    )
    if filled.any():
        report.assume(
            f"{file}: gaps of up to {LONGEST_FILL_D} days are filled, temperature by a straight line and "
            "precipitation with 0 mm."
        )
    return out


def complete_years(weather: xr.Dataset) -> list[int]:
    """Calendar years in which at least one cell has every value of every day."""
    days = pd.DatetimeIndex(weather["date"].to_numpy())
    total = weather["tmin_degc"] + weather["tmax_degc"] + weather["precipitation_mm"]
    table = pd.DataFrame(np.isfinite(total.transpose("date", "cell_id").to_numpy()), index=days)
    count = table.groupby(days.year).sum().max(axis=1)
    return [int(year) for year, n in count.items() if n >= (366 if pd.Timestamp(int(year), 1, 1).is_leap_year else 365)]


def _not_swapped(tmin: np.ndarray, tmax: np.ndarray, file: str) -> None:
    """Refuse a record whose minima are its maxima, which would otherwise lose every day."""
    both, crossed = np.isfinite(tmin + tmax), tmin > tmax
    if 2 * crossed.sum() > both.sum():
        what = (
            f"tmin lies above tmax on {int(crossed.any(axis=0).sum())} of {int(both.any(axis=0).sum())} days; "
            "the two look swapped"
        )
        raise InputProblem(file, "", what, "Exchange the names of tmin and tmax")


def _set_aside(
    tmin: np.ndarray, tmax: np.ndarray, rain: np.ndarray, dates: pd.DatetimeIndex, file: str, report: ImportReport
) -> None:
    """Set values that cannot be true to NaN, in place."""
    for values, name in ((tmin, "tmin"), (tmax, "tmax")):
        wrong = (values < LOWEST_DEGC) | (values > HIGHEST_DEGC)
        _report_values(wrong, values, dates, file, name, "°C is not possible", report)
        values[wrong] = np.nan
        before, after = np.diff(values, axis=1)[:, :-1], -np.diff(values, axis=1)[:, 1:]
        with np.errstate(invalid="ignore"):
            spike = (np.abs(before) > SPIKE_DEGC) & (np.abs(after) > SPIKE_DEGC) & (np.sign(before) == np.sign(after))
        wrong = np.pad(spike, ((0, 0), (1, 1)))
        _report_values(
            wrong, values, dates, file, name, f"°C is over {SPIKE_DEGC:.0f} °C off the days before and after", report
        )
        values[wrong] = np.nan
    wrong = (rain < 0) | (rain > MOST_PRECIPITATION_MM)
    _report_values(wrong, rain, dates, file, "precipitation", "mm is not possible", report)
    rain[wrong] = np.nan
    crossed = tmin > tmax
    _report_values(crossed, tmin, dates, file, "tmin", "°C lies above tmax on that day, both not used", report)
    tmin[crossed] = tmax[crossed] = np.nan


def _flag(
    tmin: np.ndarray, tmax: np.ndarray, rain: np.ndarray, dates: pd.DatetimeIndex, file: str, report: ImportReport
) -> None:
    """Report values that are doubtful and are used all the same: leaps, and values that repeat."""
    for values, name in ((tmin, "tmin"), (tmax, "tmax")):
        with np.errstate(invalid="ignore"):
            leap = np.abs(np.diff(values, axis=1, prepend=np.nan)) > STEP_DEGC
        days = np.nonzero(leap.any(axis=0))[0]
        if len(days):
            listed = ", ".join(f"{dates[day]:%Y-%m-%d}" for day in days[:5]) + (" ..." if len(days) > 5 else "")
            what = (
                f"{len(days)} leaps of more than {STEP_DEGC:.0f} °C from the day before ({listed}); used, look at them"
            )
            report.note(file, name, Fate.USED, what)
    for values, name, still in ((tmin, "tmin", False), (tmax, "tmax", False), (rain, "precipitation", True)):
        runs = _repeated(values, dates, still)
        if runs:
            listed = ", ".join(f"{n} days from {day:%Y-%m-%d}" for day, n in runs[:5]) + (
                " ..." if len(runs) > 5 else ""
            )
            report.note(file, name, Fate.USED, f"the same value day after day ({listed}); used, look at them")


def _repeated(values: np.ndarray, dates: pd.DatetimeIndex, but_zero: bool) -> list[tuple[pd.Timestamp, int]]:
    """Stretches of one value over at least `STREAK_D` days, in any cell, as (first day, days)."""
    same = np.zeros(values.shape, bool)
    same[:, 1:] = values[:, 1:] == values[:, :-1]
    if but_zero:
        same &= values > 0
    runs: dict[int, int] = {}
    for cell in np.nonzero(same.sum(axis=1) >= STREAK_D - 1)[0]:
        for start, stop in _runs(same[cell]):
            if stop - start >= STREAK_D - 1:
                runs[int(start) - 1] = max(runs.get(int(start) - 1, 0), int(stop - start) + 1)
    return [(dates[start], days) for start, days in sorted(runs.items())]


def _report_values(
    wrong: np.ndarray, values: np.ndarray, dates: pd.DatetimeIndex, file: str, name: str, why: str, report: ImportReport
) -> None:
    days = np.nonzero(wrong.any(axis=0))[0]
    for day in days[:MOST_LINES]:
        cells = np.nonzero(wrong[:, day])[0]
        where = f" in {len(cells)} cells" if len(cells) > 1 else ""
        what = f"{values[cells[0], day]:.1f} {why}; set as missing{where}"
        report.note(file, f"{name}, {dates[day]:%Y-%m-%d}", Fate.REPAIRED, what)
    if len(days) > MOST_LINES:
        what = f"{len(days) - MOST_LINES} more days, {int(wrong.sum())} values in all, set as missing"
        report.note(file, name, Fate.REPAIRED, what)


def _runs(where: np.ndarray) -> list[tuple[int, int]]:
    """Stretches of True as (first, one past the last)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], where, [False]]).astype(int)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _bridged(values: np.ndarray, zero: bool = False) -> np.ndarray:
    """Gaps of up to `LONGEST_FILL_D` days between two values: a straight line, or zero."""
    out = values.copy()
    for cell in np.nonzero(np.isnan(values).any(axis=1))[0]:
        for start, stop in _runs(np.isnan(values[cell])):
            if stop - start <= LONGEST_FILL_D and start > 0 and stop < values.shape[1]:
                line = np.linspace(values[cell, start - 1], values[cell, stop], stop - start + 2)[1:-1]
                out[cell, start:stop] = 0.0 if zero else line
    return out


def _report_runs(
    where: np.ndarray, dates: pd.DatetimeIndex, file: str, fate: Fate, what: str, report: ImportReport
) -> None:
    runs = _runs(where)
    for start, stop in runs[:MOST_LINES]:
        last = f" to {dates[stop - 1]:%Y-%m-%d}" if stop - start > 1 else ""
        days = f"{stop - start} days" if stop - start > 1 else "1 day"
        report.note(file, f"{dates[start]:%Y-%m-%d}{last}", fate, f"{days} {what}")
    if len(runs) > MOST_LINES:
        rest = sum(stop - start for start, stop in runs[MOST_LINES:])
        report.note(file, f"after {dates[runs[MOST_LINES - 1][1] - 1]:%Y-%m-%d}", fate, f"{rest} more days {what}")
