"""Skill of the soil temperature model at stations with probes at 5 cm, and the one number fitted to them."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from greengap.process.radiation import extraterrestrial_radiation, hargreaves_radiation
from greengap.process.soil_hydraulics import saxton_rawls
from greengap.process.soil_temperature import soil_temperature_5cm

FITTED = Path(__file__).parent / "fitted.toml"
SEASON = range(4, 11)  # April to October
SMOOTHING = 0.3  # weight of the newest day in the baseline
TRIED_DEGC = np.arange(-1.0, 3.001, 0.05)  # values of the fitted number that are tried


@dataclass(frozen=True)
class ProbeYear:
    """A year at many stations, arrays of shape (station, day).

    Attributes
    ----------
    station : ndarray of str, shape (station,)
        Sorted, so that every other one is the part fitted on.
    dates : DatetimeIndex, shape (day,)
    lat : ndarray, shape (station,)
        Latitude [°].
    tmin, tmax : ndarray
        Air temperature, gaps bridged by a straight line [°C].
    radiation : ndarray
        Global radiation as measured, NaN where missing [MJ m-2 d-1].
    probe : ndarray
        Soil temperature at 5 cm as measured, NaN where missing [°C].
    """

    station: NDArray[np.str_]
    dates: pd.DatetimeIndex
    lat: NDArray[np.float64]
    tmin: NDArray[np.float64]
    tmax: NDArray[np.float64]
    radiation: NDArray[np.float64]
    probe: NDArray[np.float64]

    @property
    def fit_part(self) -> NDArray[np.bool_]:
        """Every other station, the first among them."""
        return np.arange(self.station.size) % 2 == 0

    @property
    def in_season(self) -> NDArray[np.bool_]:
        """Days from April to October."""
        return np.isin(self.dates.month, list(SEASON))


@dataclass(frozen=True)
class Surface:
    """What the model is told of the surface.

    Attributes
    ----------
    albedo : float
        Share of radiation sent back [-].
    cover_kg_ha : float
        Plants and residue [kg ha-1].
    averaged : bool
        Mean of bare and covered surface.
    excess_degc : float
        The fitted number [°C].
    measured_radiation : bool
        Radiation as measured, else from the temperature range.
    """

    albedo: float = 0.2
    cover_kg_ha: float = 0.0
    averaged: bool = False
    excess_degc: float = 0.0
    measured_radiation: bool = False


@lru_cache
def fitted(name: str) -> float:
    """A number found by calibration or assumed for it, from the data file beside this module.

    Parameters
    ----------
    name : str
        Its key.

    Returns
    -------
    float
        The value in the unit that the file names.

    Raises
    ------
    ValueError
        If the file has no such key.
    """
    blocks = tomllib.loads(FITTED.read_text(encoding="utf-8"))
    if name not in blocks:
        raise ValueError(f"{FITTED.name} has no {name!r}; it has {', '.join(blocks)}")
    return float(blocks[name]["value"])


def probe_year(table: pd.DataFrame) -> ProbeYear:
    """Arrays from a daily table.

    Parameters
    ----------
    table : DataFrame
        As from `trial_weather.read_network`: wban, date, lat, tmin_degc, tmax_degc, radiation_mj_m2_d,
        soil_5cm_degc.

    Returns
    -------
    ProbeYear
        Stations sorted by their number.
    """
    wide = {
        column: table.pivot_table(index="wban", columns="date", values=column, dropna=False).sort_index()
        for column in ("tmin_degc", "tmax_degc", "radiation_mj_m2_d", "soil_5cm_degc")
    }
    tmin, tmax = (wide[c].interpolate(axis=1, limit_direction="both").to_numpy() for c in ("tmin_degc", "tmax_degc"))
    return ProbeYear(
        station=wide["tmin_degc"].index.to_numpy().astype(str),
        dates=pd.DatetimeIndex(wide["tmin_degc"].columns),
        lat=table.groupby("wban")["lat"].first().sort_index().to_numpy(),
        tmin=tmin,
        tmax=tmax,
        radiation=wide["radiation_mj_m2_d"].to_numpy(),
        probe=wide["soil_5cm_degc"].to_numpy(),
    )


def smoothed_air(year: ProbeYear) -> NDArray[np.float64]:
    """The plain baseline: exponentially smoothed daily mean air temperature, shape (station, day) [°C]."""
    air = pd.DataFrame(((year.tmin + year.tmax) / 2).T)
    return air.ewm(alpha=SMOOTHING, adjust=False).mean().to_numpy().T


def predict(year: ProbeYear, surface: Surface) -> NDArray[np.float64]:
    """Soil temperature at 5 cm by the model, loam of constant water, shape (station, day) [°C]."""
    above = extraterrestrial_radiation(year.lat[:, None], year.dates.day_of_year.to_numpy())
    radiation = hargreaves_radiation(year.tmin, year.tmax, above)
    if surface.measured_radiation:
        radiation = np.where(np.isnan(year.radiation), radiation, year.radiation)
    loam = saxton_rawls(fitted("station_sand"), fitted("station_clay"), fitted("station_organic_matter"))
    held = float(loam.field_capacity_fraction - loam.wilting_point_fraction) * fitted("station_water_share")
    depth_mm = fitted("station_profile_depth")
    return soil_temperature_5cm(
        year.tmin,
        year.tmax,
        radiation,
        float(loam.bulk_density_mg_m3),
        held * depth_mm,
        depth_mm,
        ((year.tmin + year.tmax) / 2).mean(axis=1),
        surface.cover_kg_ha,
        albedo=surface.albedo,
        surface_excess_degc=surface.excess_degc,
        averaged_cover=surface.averaged,
    )


def station_grass(measured_radiation: bool, excess_degc: float | None = None) -> Surface:
    """The surface of the stations, mown grass, with the fitted number or another one."""
    excess = fitted("surface_excess") if excess_degc is None else excess_degc
    return Surface(fitted("station_albedo"), fitted("station_cover"), True, excess, measured_radiation)


def by_station(year: ProbeYear, predicted: NDArray[np.float64]) -> pd.DataFrame:
    """Error of each station from April to October.

    Parameters
    ----------
    year : ProbeYear
        What was measured.
    predicted : ndarray, shape (station, day)
        Soil temperature [°C].

    Returns
    -------
    DataFrame
        station, part (fit or test), days, rmse_degc, bias_degc (predicted less measured).
    """
    error = (predicted - year.probe)[:, year.in_season]
    return pd.DataFrame(
        {
            "station": year.station,
            "part": np.where(year.fit_part, "fit", "test"),
            "days": np.isfinite(error).sum(axis=1),
            "rmse_degc": np.sqrt(np.nanmean(error**2, axis=1)),
            "bias_degc": np.nanmean(error, axis=1),
        }
    )


def over_stations(errors: pd.DataFrame, part: str = "all") -> dict[str, float]:
    """Figures over the stations of a part.

    Parameters
    ----------
    errors : DataFrame
        From `by_station`.
    part : {"all", "fit", "test"}
        Stations that count.

    Returns
    -------
    dict of str to float
        stations; means over them of rmse, bias and absolute bias; median rmse [°C]; how many have an RMSE
        of at most 2 and a bias of at most 1 either way.
    """
    chosen = errors if part == "all" else errors[errors["part"] == part]
    rmse, bias = chosen["rmse_degc"], chosen["bias_degc"]
    return {
        "stations": float(len(chosen)),
        "rmse_degc": float(rmse.mean()),
        "median_rmse_degc": float(rmse.median()),
        "bias_degc": float(bias.mean()),
        "absolute_bias_degc": float(bias.abs().mean()),
        "rmse_within_2": float((rmse <= 2).sum()),
        "bias_within_1": float((bias.abs() <= 1).sum()),
    }


def fit_surface_excess(year: ProbeYear) -> float:
    """The surface excess with the least mean RMSE at the stations of the part fitted on.

    Parameters
    ----------
    year : ProbeYear
        Only its `fit_part` is looked at.

    Returns
    -------
    float
        To 0.05 °C; the mean over measured and estimated radiation is what counts, so that one number
        serves both.
    """
    scores = [
        np.mean(
            [
                over_stations(by_station(year, predict(year, station_grass(m, x))), "fit")["rmse_degc"]
                for m in (False, True)
            ]
        )
        for x in TRIED_DEGC
    ]
    return round(float(TRIED_DEGC[int(np.argmin(scores))]), 2)
