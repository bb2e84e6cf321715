"""Days from sowing to emergence and first flower by the catalogue's sums, on the weather of the trials."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import xarray as xr

from greengap.calibration.skill import bias, median_absolute_error, species_mean
from greengap.calibration.soil_surface import fitted
from greengap.catalogue import Species, Value
from greengap.process.phenology import photoperiod_factor
from greengap.process.radiation import day_length_cbm, extraterrestrial_radiation, hargreaves_radiation
from greengap.process.soil_hydraulics import saxton_rawls
from greengap.process.soil_temperature import soil_temperature_5cm
from greengap.process.thermal_time import cumulative, day_reached, degree_days

CIVIL_TWILIGHT_DEG = 6.0
SLOW_SIDE = {"long day": 1.0, "short day": -1.0}  # sign of the sensitivity


def soil_temperature(weather: xr.Dataset, surface_excess_degc: float | None = None) -> np.ndarray:
    """Soil temperature at 5 cm of a bare loam seedbed, shape (day,) [°C].

    Parameters
    ----------
    weather : Dataset
        One site, by date.
    surface_excess_degc : float, optional
        Warmth of the surface; the fitted one if left out [°C].
    """
    days = weather.isel(site_id=0)
    table = pd.DataFrame({name: days[name].to_numpy() for name in ("tmin_degc", "tmax_degc")})
    table = table.interpolate(limit_direction="both")
    tmin, tmax = table["tmin_degc"].to_numpy(), table["tmax_degc"].to_numpy()
    day_of_year = pd.DatetimeIndex(days["date"].to_numpy()).day_of_year.to_numpy()
    radiation = hargreaves_radiation(tmin, tmax, extraterrestrial_radiation(float(days["lat"]), day_of_year))
    if "radiation_mj_m2_d" in days:
        measured = days["radiation_mj_m2_d"].to_numpy()
        radiation = np.where(np.isnan(measured), radiation, measured)
    loam = saxton_rawls(fitted("station_sand"), fitted("station_clay"), fitted("station_organic_matter"))
    held = float(loam.field_capacity_fraction - loam.wilting_point_fraction) * fitted("station_water_share")
    depth_mm = fitted("station_profile_depth")
    return soil_temperature_5cm(
        tmin,
        tmax,
        radiation,
        float(loam.bulk_density_mg_m3),
        held * depth_mm,
        depth_mm,
        float(np.mean((tmin + tmax) / 2)),
        surface_excess_degc=fitted("surface_excess") if surface_excess_degc is None else surface_excess_degc,
    )


def predict_days(
    observations: pd.DataFrame,
    weather: Mapping[str, xr.Dataset],
    species: Species,
    day_length: bool = False,
) -> np.ndarray:
    """Days from sowing to emergence or first flower.

    Parameters
    ----------
    observations : DataFrame
        Rows of `Observation` with quantity emergence_d or first_flower_d.
    weather : mapping of str to Dataset
        By site-year.
    species : Species
        Whose sums are used.
    day_length : bool
        Let the day length speed or slow development, where the catalogue has its terms.

    Returns
    -------
    ndarray of float, shape (rows,)
        NaN where the event does not come within the weather [d].

    Notes
    -----
    The sum to flower starts on the day after the predicted emergence.
    """
    out = np.full(len(observations), np.nan)
    for (site_year, lat), rows in observations.reset_index(drop=True).groupby(["site_year", "lat"]):
        record = weather[str(site_year)]
        dates = record["date"].to_numpy()
        soil = soil_temperature(record)
        up_sums = _sums(species.values["emergence_sum"], soil, soil)
        tmin, tmax = (record[name].isel(site_id=0).to_numpy() for name in ("tmin_degc", "tmax_degc"))
        rate = _relative_rate(species, float(lat), dates) if day_length else np.ones(dates.size)
        flower_sums = _sums(species.values["flower_sum"], tmin, tmax, rate)
        start = np.searchsorted(dates, rows["sow_date"].to_numpy())
        up = day_reached(up_sums, start, species.number("emergence_sum"))
        after = np.where((up >= 0) & (up + 1 < dates.size), up + 1, -1)
        flower = day_reached(flower_sums, after, species.number("flower_sum"))
        event = np.where(rows["quantity"] == "emergence_d", up, flower)
        out[rows.index] = np.where(event >= 0, event - start, np.nan)
    return out


def skill_by_experiment(observations: pd.DataFrame, predicted: np.ndarray, train: pd.DataFrame) -> dict[str, float]:
    """Errors of dates with every experiment counted once, beside the mean of the training part.

    Parameters
    ----------
    observations : DataFrame
        Rows of one cover and quantity.
    predicted : ndarray, shape (rows,)
        Days.
    train : DataFrame
        Rows of `Observation` that the baseline may know.

    Returns
    -------
    dict of str to float
        experiments (site-years), rows, median absolute error and bias of the prediction and of the baseline [d];
        medians and means are taken over site-years of their mean measured and predicted days.
    """
    table = observations.assign(predicted=predicted, baseline=species_mean(train, observations))
    mean = table.groupby("site_year")[["value", "predicted", "baseline"]].mean()
    out = {"experiments": float(len(mean)), "rows": float(len(table))}
    for name in ("predicted", "baseline"):
        known = mean[name].notna().any()
        out[f"{name}_median_absolute_error_d"] = median_absolute_error(mean["value"], mean[name]) if known else np.nan
        out[f"{name}_bias_d"] = bias(mean["value"], mean[name]) if known else np.nan
    return out


def _sums(value: Value, low: np.ndarray, high: np.ndarray, rate: np.ndarray | float = 1.0) -> np.ndarray:
    """Running sum on the terms of a catalogue value, missing days as zero [°C d]."""
    daily = degree_days(low, high, value.base_degc or 0.0, value.upper_degc, value.method)
    return cumulative(np.nan_to_num(daily) * rate)


def _relative_rate(species: Species, lat: float, dates: np.ndarray) -> np.ndarray:
    """Rate of development by day length over that at the day length for which the flower sum holds [-]."""
    sign = SLOW_SIDE.get(species.text("photoperiod_type") if species.has("photoperiod_type") else "")
    if sign is None or not species.has("photoperiod_critical"):
        return np.ones(dates.size)
    terms = species.number("photoperiod_critical"), sign * species.number("photoperiod_sensitivity")
    hours = day_length_cbm(lat, pd.DatetimeIndex(dates).day_of_year.to_numpy(), CIVIL_TWILIGHT_DEG)
    at_reference = photoperiod_factor(species.number("photoperiod_reference"), *terms)
    return photoperiod_factor(hours, *terms) / at_reference
