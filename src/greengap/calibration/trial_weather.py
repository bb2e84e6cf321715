"""Weather beside the trials: the nearest station that has every day from sowing to sampling."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
import pyproj
import xarray as xr

from greengap.errors import ImportReport
from greengap.site.weather_quality import checked_days
from greengap.site.weather_station import read_station

HERE = Path(__file__).parent
FARTHEST_KM = 75.0  # beyond it, the showers of a station are not those of the field


@dataclass(frozen=True)
class Station:
    """A place with a daily record that is read when it is asked for."""

    name: str
    lat: float
    lon: float
    first: pd.Timestamp
    last: pd.Timestamp
    read: Callable[[], xr.Dataset]


def weather_of(
    table: pd.DataFrame,
    name: str,
    lat: float,
    lon: float,
    elevation_m: float,
    file: str,
    report: ImportReport,
) -> xr.Dataset:
    """Daily weather of one place in the form that the stages pass on.

    Parameters
    ----------
    table : DataFrame
        By date: tmin_degc, tmax_degc, precipitation_mm and where it is measured radiation_mj_m2_d.
    name : str
        Name of the place, the site_id.
    lat, lon, elevation_m : float
        Where it is [°, °, m]; the elevation may be NaN.
    file : str
        Named in the report.
    report : ImportReport
        Takes what was set aside or filled.

    Returns
    -------
    Dataset
        Dimensions (site_id, date), every day from first to last, checked and short gaps filled as for a farm.
    """
    raw = xr.Dataset(
        {column: (("cell_id", "date"), table[column].to_numpy(dtype=float)[None]) for column in table},
        coords={
            "cell_id": [name],
            "date": pd.DatetimeIndex(table.index).to_numpy().astype("datetime64[ns]"),
            "lon": ("cell_id", [float(lon)]),
            "lat": ("cell_id", [float(lat)]),
            "elevation_m": ("cell_id", [float(elevation_m)]),
        },
    )
    return checked_days(raw, file, report).rename(cell_id="site_id")


def covers(weather: xr.Dataset, first: pd.Timestamp, last: pd.Timestamp) -> bool:
    """Whether every day of a stretch, both ends included, has temperatures and precipitation."""
    days = weather.sel(date=slice(first, last))
    if days.sizes["date"] != (last - first).days + 1:
        return False
    total = days["tmin_degc"] + days["tmax_degc"] + days["precipitation_mm"]
    return bool(np.isfinite(total.to_numpy()).all())


def stations(folder: Path, report: ImportReport) -> list[Station]:
    """All stations of the data folder; records are read when they are needed.

    Parameters
    ----------
    folder : Path
        Holds ``weather_daily`` and ``soil_temperature``.
    report : ImportReport
        Takes what is found while a record is read.

    Returns
    -------
    list of Station
        Many-year stations and, for 2020 only, the stations of the soil temperature network.
    """
    found = []
    for row in pd.read_csv(HERE / "weather_sites.csv").itertuples():
        path = folder / "weather_daily" / str(row.file)
        if not path.is_file():
            continue
        dates = _first_and_last(path)
        found.append(Station(str(row.name), row.lat, row.lon, *dates, lru_cache(_station_reader(path, row, report))))
    for ending in ("", "_incomplete"):
        listed = folder / "soil_temperature" / f"uscrn2020_stations{ending}.csv"
        if not listed.is_file():
            continue
        daily = listed.with_name(f"uscrn2020_daily{ending}.csv.gz")
        table = lru_cache(lambda daily=daily: read_network(daily))
        for row in pd.read_csv(listed, dtype={"wban": str}).itertuples():
            name = row.wban if pd.isna(row.name) else str(row.name)
            reader = lru_cache(_network_reader(table, row, name, daily.name, report))
            span = pd.Timestamp(2020, 1, 1), pd.Timestamp(2020, 12, 31)
            found.append(Station(name, row.lat, row.lon, *span, reader))
    return found


def nearest(
    found: list[Station], lat: float, lon: float, first: pd.Timestamp, last: pd.Timestamp, farthest_km: float
) -> tuple[Station, float] | None:
    """The nearest station with every day of a stretch.

    Parameters
    ----------
    found : list of Station
        To choose from.
    lat, lon : float
        Place of the trial [°].
    first, last : Timestamp
        Both ends of the stretch.
    farthest_km : float
        Largest distance allowed [km].

    Returns
    -------
    (Station, float) or None
        The station and its distance [km]; None if there is none.
    """
    in_time = [station for station in found if station.first <= first and station.last >= last]
    geod = pyproj.Geod(ellps="WGS84")
    far = [(geod.inv(lon, lat, station.lon, station.lat)[2] / 1000, station) for station in in_time]
    for distance_km, station in sorted(far, key=lambda pair: (pair[0], pair[1].name)):
        if distance_km > farthest_km:
            break
        if covers(station.read(), first, last):
            return station, distance_km
    return None


def read_network(path: Path) -> pd.DataFrame:
    """Daily table of the soil temperature network, one row a station and day.

    Parameters
    ----------
    path : Path
        ``uscrn2020_daily.csv.gz`` or its incomplete sister.

    Returns
    -------
    DataFrame
        wban, date, lat, lon, tmin_degc, tmax_degc, precipitation_mm, radiation_mj_m2_d, soil_5cm_degc.
    """
    columns = {
        "wban": "wban",
        "date": "date",
        "latitude": "lat",
        "longitude": "lon",
        "t_daily_min": "tmin_degc",
        "t_daily_max": "tmax_degc",
        "p_daily_calc": "precipitation_mm",
        "solarad_daily": "radiation_mj_m2_d",
        "soil_temp_5_daily": "soil_5cm_degc",
    }
    table = pd.read_csv(path, usecols=list(columns), dtype={"wban": str}, parse_dates=["date"])
    return table.rename(columns=columns)[list(columns.values())]


def _station_reader(path: Path, row: object, report: ImportReport) -> Callable[[], xr.Dataset]:
    def read() -> xr.Dataset:
        place = (float(row.lat), float(row.lon), float(row.elevation_m), str(row.name))  # type: ignore[attr-defined]
        raw = read_station([path], lambda p: p.name, report, place)
        return checked_days(raw, path.name, report).rename(cell_id="site_id")

    return read


def _network_reader(
    table: Callable[[], pd.DataFrame], row: object, name: str, file: str, report: ImportReport
) -> Callable[[], xr.Dataset]:
    def read() -> xr.Dataset:
        days = table()
        days = days[days["wban"] == row.wban].set_index("date")  # type: ignore[attr-defined]
        report.count(file, len(days), len(days))
        kept = days[["tmin_degc", "tmax_degc", "precipitation_mm", "radiation_mj_m2_d"]]
        return weather_of(kept, name, row.lat, row.lon, row.elev_m, file, report)  # type: ignore[attr-defined]

    return read


def _first_and_last(path: Path) -> tuple[pd.Timestamp, pd.Timestamp]:
    """First and last day of a record without reading all of it into arrays."""
    lines = path.read_text(encoding="utf-8").split()
    dated = [line.split(",")[0] for line in lines if line[:4].isdigit() and line[4:5] == "-"]
    if dated:
        return pd.Timestamp(dated[0]), pd.Timestamp(dated[-1])
    by_day = [line.split(",")[:2] for line in lines if line[:4].isdigit() and line.count(",") > 4]
    ends = [
        pd.Timestamp(int(float(year)), 1, 1) + pd.Timedelta(days=float(day) - 1)
        for year, day in by_day[:: len(by_day) - 1]
    ]
    return ends[0], ends[-1]
