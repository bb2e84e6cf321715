"""One weather record from two: the gaps of a station filled from a grid, and this season so far in every year."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyproj
import xarray as xr

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.site.weather_quality import complete_years

TEMPERATURES = ("tmin_degc", "tmax_degc")
LEAST_COMMON_D = 365  # days that both have, from which their difference is taken
# Precipitation is scaled by month, but no further than this: a ratio beyond comes from a few wet days (our choice).
MOST_RATIO = 2.0
WORDS = {"tmin_degc": "minimum", "tmax_degc": "maximum", "precipitation_mm": "precipitation"}


def fill_from(first: xr.Dataset, second: xr.Dataset, report: ImportReport) -> xr.Dataset:
    """Fill what a record lacks from another one, after bringing the other to its level month by month.

    Parameters
    ----------
    first : Dataset
        Checked days of a station (dimensions cell_id, date); what it has is never changed.
    second : Dataset
        Checked days of a grid or another station; of several cells the one nearest to `first` counts.
    report : ImportReport
        Takes how many days were filled, and by how much the other was moved.

    Returns
    -------
    Dataset
        Every day from the first to the last of both; ``filled`` where a value comes from `second`.

    Raises
    ------
    InputProblem
        If they have less than a year in common, so that their difference is not known.

    Notes
    -----
    Temperatures are moved by the mean difference of the days of a month that both have, precipitation is
    multiplied by the ratio of its sums. Where a moved minimum would lie above its maximum, both are their mean.
    """
    files, other = str(first.attrs["files"]), str(second.attrs["files"])
    lon, lat = float(first["lon"][0]), float(first["lat"][0])
    nearest, far_km = _nearest(second, lon, lat)
    give = second.isel(cell_id=nearest)
    begin = min(first["date"].values[0], give["date"].values[0])
    end = max(first["date"].values[-1], give["date"].values[-1])
    days = pd.date_range(begin, end, freq="D")
    out, give = first.reindex(date=days), give.reindex(date=days)
    month = days.month.to_numpy()
    filled = np.nan_to_num(out["filled"].to_numpy().astype(float)).astype(bool)
    arrays, moved, counts = {}, {}, {}
    for name in (*TEMPERATURES, "precipitation_mm"):
        have, offer = out[name].to_numpy()[0], give[name].to_numpy()
        both = np.isfinite(have) & np.isfinite(offer) & ~filled[0]
        if both.sum() < LEAST_COMMON_D:
            what = f"has {int(both.sum())} days of {WORDS[name]} in common with {files}"
            raise InputProblem(other, "", what, "Give a record that overlaps with the station for a year or more")
        offer, moved[name] = _to_level(have, offer, both, month, name)
        take = ~np.isfinite(have) & np.isfinite(offer)
        counts[name] = int(take.sum())
        arrays[name] = np.where(take, offer, have)
        filled[0] |= take
    crossed = arrays["tmin_degc"] > arrays["tmax_degc"]
    middle = (arrays["tmin_degc"] + arrays["tmax_degc"]) / 2
    for name in TEMPERATURES:
        arrays[name] = np.where(crossed, middle, arrays[name])
    dims = ("cell_id", "date")
    out = out.drop_vars("radiation_mj_m2_d", errors="ignore")  # of one source only, it would change within a year
    if "radiation_mj_m2_d" in first:
        report.assume(f"{files}: radiation is not used, since {other} fills days of it.")
    out = out.assign({**{name: (dims, values[None]) for name, values in arrays.items()}, "filled": (dims, filled)})
    out.attrs = {**first.attrs, "files": f"{files}, {other}"}
    out.attrs["years"] = complete_years(out)
    most = max(counts.values())
    shown = ", ".join(f"{WORDS[n]} on {c} days" for n, c in counts.items())
    report.note(files, "", Fate.REPAIRED, f"filled from {other}, {far_km:.0f} km away: {shown}")
    if most:
        shifts = [moved[name] for name in TEMPERATURES]
        low, high = (f(np.concatenate(shifts)) for f in (np.min, np.max))
        report.assume(
            f"Days that {files} lacks are those of {other}, temperatures moved by {low:+.1f} to {high:+.1f} °C and "
            f"precipitation multiplied by {moved['precipitation_mm'].min():.2f} to "
            f"{moved['precipitation_mm'].max():.2f}, month by month, so that both have the same level."
        )
    return out


def _to_level(
    have: np.ndarray, offer: np.ndarray, both: np.ndarray, month: np.ndarray, name: str
) -> tuple[np.ndarray, np.ndarray]:
    """The second record at the level of the first, and what it was moved by in each month."""
    moved = np.zeros(12)
    for m in range(1, 13):
        common = both & (month == m)
        common = common if common.sum() >= 20 else both  # a month that hardly overlaps takes the whole year's
        if name in TEMPERATURES:
            moved[m - 1] = float(np.mean(have[common] - offer[common]))
        else:
            total = float(offer[common].sum())
            ratio = float(have[common].sum()) / total if total > 0 else 1.0
            moved[m - 1] = np.clip(ratio, 1 / MOST_RATIO, MOST_RATIO)
    by_day = moved[month - 1]
    return (offer + by_day if name in TEMPERATURES else offer * by_day), moved


def _nearest(weather: xr.Dataset, lon: float, lat: float) -> tuple[int, float]:
    """The cell nearest to a place, and how far it is [km]."""
    lons, lats = weather["lon"].to_numpy(), weather["lat"].to_numpy()
    distance = pyproj.Geod(ellps="WGS84").inv(np.full(len(lons), lon), np.full(len(lats), lat), lons, lats)[2]
    at = int(np.argmin(distance))
    return at, float(distance[at]) / 1000


def season_days(so_far: xr.Dataset) -> pd.DatetimeIndex:
    """Days of a season as read.

    Raises
    ------
    InputProblem
        If they go further back than the year before the last day's.
    """
    days = pd.DatetimeIndex(so_far["date"].to_numpy())
    if days[0].year < days[-1].year - 1:
        what = f"holds days of {days[0].year} and {days[-1].year}"
        raise InputProblem(str(so_far.attrs["files"]), "", what, "Keep the days of this year and the one before")
    return days


def splice_season(
    weather: xr.Dataset, so_far: xr.Dataset, report: ImportReport | None = None, since: pd.Timestamp | None = None
) -> xr.Dataset:
    """Every weather year with the days of this season that are past, and its own remainder.

    Parameters
    ----------
    weather : Dataset
        Weather of the sites, dimensions (site_id, date).
    so_far : Dataset
        Checked days of this season from one place, dimensions (cell_id, date); a value that is missing leaves that of
        the weather year.
    report : ImportReport, optional
    since : Timestamp, optional
        First day that is taken, for gaps that go over New Year; the first of the last day's year if left out.

    Returns
    -------
    Dataset
        As `weather`; a day of any year that is among those taken is this season's, 29 February apart.

    Raises
    ------
    InputProblem
        If the days go further back than the year before the last day's.
    """
    file = str(so_far.attrs["files"])
    days = season_days(so_far)
    year = int(days[-1].year)
    first = max(pd.Timestamp(year, 1, 1) if since is None else since, days[-1] - pd.Timedelta(days=364))
    now = so_far.isel(cell_id=0, date=days >= first)
    days = days[days >= first]
    key = days.month.to_numpy() * 100 + days.day.to_numpy()
    dates = pd.DatetimeIndex(weather["date"].to_numpy())
    position = pd.Series(np.arange(len(days)), index=key)
    at = position.reindex(dates.month * 100 + dates.day).to_numpy()
    there = np.isfinite(at)
    index = at[there].astype(int)
    arrays = {}
    for name in (*TEMPERATURES, "precipitation_mm"):
        values = weather[name].transpose("site_id", "date").to_numpy().copy()
        new = now[name].to_numpy()[index]
        values[:, there] = np.where(np.isfinite(new), new, values[:, there])
        arrays[name] = (("site_id", "date"), values)
    out = weather.assign(arrays)
    if "radiation_mj_m2_d" in weather:
        radiation = weather["radiation_mj_m2_d"].transpose("site_id", "date").to_numpy().copy()
        given = (
            now["radiation_mj_m2_d"].to_numpy()[index] if "radiation_mj_m2_d" in now else np.full(len(index), np.nan)
        )
        radiation[:, there] = np.where(np.isfinite(given), given, radiation[:, there])
        out = out.assign(radiation_mj_m2_d=(("site_id", "date"), radiation))
    out.attrs = {**weather.attrs, "season_year": year}
    if report is not None and len(days):
        report.assume(
            f"{file}: gaps of {year} are run with this season's days to {days[-1]:%d %b} in every weather year, those "
            "over New Year with the days since they begin; gaps of other years are not."
        )
    return out


def with_gauge(so_far: xr.Dataset | None, rain_mm: pd.Series) -> xr.Dataset | None:
    """This season's days with the rain of the farm's own gauge on the days that it was read.

    Parameters
    ----------
    so_far : Dataset or None
        This season's days, dimensions (cell_id, date).
    rain_mm : Series
        Rain by day [mm].

    Returns
    -------
    Dataset or None
        Days that only the gauge has are without temperatures. None where nothing is known.
    """
    if rain_mm.empty:
        return so_far
    rain = rain_mm.groupby(level=0).sum()
    read = pd.date_range(rain.index.min(), rain.index.max())
    if so_far is None:
        none = np.full((1, read.size), np.nan)
        arrays = {name: (("cell_id", "date"), none.copy()) for name in (*TEMPERATURES, "precipitation_mm")}
        so_far = xr.Dataset(arrays, coords={"cell_id": ["gauge"], "date": read}, attrs={"files": "rain gauge"})
    have = pd.DatetimeIndex(so_far["date"].to_numpy())
    out = so_far.reindex(date=have.union(read))
    values = out["precipitation_mm"].transpose("cell_id", "date").to_numpy().copy()
    values[:, out.get_index("date").get_indexer(rain.index)] = rain.to_numpy()
    out = out.assign(precipitation_mm=(("cell_id", "date"), values))
    out.attrs = dict(so_far.attrs)
    return out
