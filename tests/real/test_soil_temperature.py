"""Skill of the soil temperature model at 67 climate stations, April to October 2020.

The stations stand under mown grass or native cover, the model is asked for a bare seedbed of loam
with constant water and without measured radiation: the case of a farm that gave only temperatures.
"""

import numpy as np
import pandas as pd
import pytest

from greengap.process.radiation import extraterrestrial_radiation, hargreaves_radiation
from greengap.process.soil_hydraulics import saxton_rawls
from greengap.process.soil_temperature import soil_temperature_5cm

pytestmark = pytest.mark.real

PROFILE_MM = 1000.0
WATER_SHARE = 0.75  # of the plant-available water, held all year


@pytest.fixture(scope="module")
def stations(shared_data):
    path = shared_data / "data" / "soil_temperature" / "uscrn2020_daily.csv.gz"
    columns = ["wban", "date", "latitude", "t_daily_min", "t_daily_max", "soil_temp_5_daily"]
    return pd.read_csv(path, usecols=columns, parse_dates=["date"], dtype={"wban": str})


@pytest.fixture(scope="module")
def errors(stations):
    """Predicted less measured by station and day, April to October, of the model and of smoothed air [°C]."""
    table = {c: stations.pivot_table(index="wban", columns="date", values=c) for c in stations.columns[3:]}
    tmin, tmax = table["t_daily_min"].to_numpy(), table["t_daily_max"].to_numpy()
    dates = table["t_daily_min"].columns
    above = extraterrestrial_radiation(
        stations.groupby("wban")["latitude"].first().to_numpy()[:, None], dates.day_of_year.to_numpy()
    )
    loam = saxton_rawls(0.40, 0.20, 0.025)
    air = (tmin + tmax) / 2
    model = soil_temperature_5cm(
        tmin,
        tmax,
        hargreaves_radiation(tmin, tmax, above),
        loam.bulk_density_mg_m3,
        WATER_SHARE * (loam.field_capacity_fraction - loam.wilting_point_fraction) * PROFILE_MM,
        PROFILE_MM,
        np.nanmean(air, axis=1),
    )
    smoothed = pd.DataFrame(air.T).ewm(alpha=0.3, adjust=False, ignore_na=True).mean().to_numpy().T
    growing = (dates.month >= 4) & (dates.month <= 10)
    measured = table["soil_temp_5_daily"].reindex(table["t_daily_min"].index).to_numpy()
    return {"model": (model - measured)[:, growing], "smoothed air": (smoothed - measured)[:, growing]}


def root_mean_square(error):
    """Root mean square error of each station [°C]."""
    return np.sqrt(np.nanmean(error**2, axis=1))


def test_all_stations_take_part(errors):
    assert errors["model"].shape == (67, 214)
    assert np.isfinite(root_mean_square(errors["model"])).all()


def test_the_error_stays_at_what_was_measured(errors):
    # Measured: mean of the stations 2.37 °C, median 2.14 °C, bias -1.14 °C. The aim of 2.0 °C is missed.
    by_station = root_mean_square(errors["model"])
    assert by_station.mean() < 2.45
    assert np.median(by_station) < 2.25
    assert -1.25 < np.nanmean(errors["model"]) < -1.0


def test_the_model_beats_smoothed_air_on_the_mean_of_the_stations_and_at_most_of_them(errors):
    # Measured: 2.82 °C for smoothed air; the model is better at 49 of 67 stations.
    model, smoothed = root_mean_square(errors["model"]), root_mean_square(errors["smoothed air"])
    assert model.mean() < smoothed.mean() - 0.3
    assert (model < smoothed).sum() >= 45
