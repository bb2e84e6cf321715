import csv
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.process import evapotranspiration
from greengap.process.evapotranspiration import hargreaves, net_longwave, penman_monteith, saturation_vapour_pressure
from greengap.process.radiation import extraterrestrial_radiation, hargreaves_radiation

HERE = Path(__file__).parent
CHECKS = list(csv.DictReader((HERE.parent / "checks" / "evapotranspiration.csv").open(encoding="utf-8")))
temperature, spread = st.floats(-25, 30), st.floats(0, 25)
above, share = st.floats(1, 43), st.floats(0.2, 0.75)


def dewpoint_of(vapour_pressure_kpa):
    log = math.log(vapour_pressure_kpa / 0.6108)
    return 237.3 * log / (17.27 - log)


@pytest.fixture(scope="module")
def days():
    """Sixty days of many places, with the answers of other software."""
    return pd.read_csv(HERE / "data" / "reference_evapotranspiration.csv")


def ours(days):
    return penman_monteith(
        days.tmin_degc,
        days.tmax_degc,
        days.radiation_mj_m2_d,
        extraterrestrial_radiation(days.latitude_deg, days.day_of_year),
        days.elevation_m,
        days.dewpoint_degc,
        days.wind_m_s,
    )


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_agrees_with_the_check(check):
    words = {"check_id", "quantity", "expected", "tolerance", "kind", "source"}
    inputs = {name: float(text) for name, text in check.items() if text and name not in words}
    if "latitude_deg" in inputs:
        inputs["extraterrestrial_mj_m2_d"] = extraterrestrial_radiation(
            inputs.pop("latitude_deg"), inputs.pop("day_of_year")
        )
    if check["quantity"] == "penman_monteith" and "vapour_pressure_kpa" in inputs:
        inputs["dewpoint_degc"] = dewpoint_of(inputs.pop("vapour_pressure_kpa"))
    if check["quantity"] == "mean_saturation_vapour_pressure":
        answer = saturation_vapour_pressure([inputs["tmin_degc"], inputs["tmax_degc"]]).mean()
    else:
        answer = getattr(evapotranspiration, check["quantity"])(**inputs)
    assert float(answer) == pytest.approx(float(check["expected"]), abs=float(check["tolerance"]))


@pytest.mark.parametrize("software", ["pyfao56", "refet", "pyet"])
def test_penman_monteith_agrees_with_stored_answers(days, software):
    # The two follow ASCE-EWRI, whose rounded constants differ in the third figure.
    assert np.abs(ours(days) - days[f"{software}_mm"]).max() < (1e-4 if software == "pyet" else 0.003)


@pytest.mark.outside
def test_penman_monteith_agrees_with_pyet_where_it_is_installed(days, other_software):
    pyet = other_software("pyet")
    answer = []
    for day in days.itertuples():
        date = pd.DatetimeIndex([pd.Timestamp("2014-12-31") + pd.Timedelta(days=day.day_of_year)])
        inputs = {
            "tmean": (day.tmin_degc + day.tmax_degc) / 2,
            "wind": day.wind_m_s,
            "rs": day.radiation_mj_m2_d,
            "tmax": day.tmax_degc,
            "tmin": day.tmin_degc,
            "ea": saturation_vapour_pressure(day.dewpoint_degc),
        }
        series = {name: pd.Series([float(value)], index=date) for name, value in inputs.items()}
        answer.append(pyet.pm_fao56(**series, elevation=day.elevation_m, lat=math.radians(day.latitude_deg)).iloc[0])
    assert np.allclose(ours(days), answer, atol=1e-6)


@pytest.mark.outside
def test_penman_monteith_agrees_with_pyfao56_where_it_is_installed(days, other_software):
    refet = other_software("pyfao56.refet")
    answer = [
        refet.ascedaily(
            "S",
            day.elevation_m,
            day.latitude_deg,
            day.day_of_year,
            day.radiation_mj_m2_d,
            day.tmax_degc,
            day.tmin_degc,
            tdew=day.dewpoint_degc,
            wndsp=day.wind_m_s,
        )
        for day in days.itertuples()
    ]
    assert np.allclose(ours(days), answer, atol=0.003)


@pytest.mark.outside
def test_penman_monteith_agrees_with_refet_where_it_is_installed(days, other_software):
    refet = other_software("refet")
    daily = refet.Daily(
        tmin=days.tmin_degc.to_numpy(),
        tmax=days.tmax_degc.to_numpy(),
        rs=days.radiation_mj_m2_d.to_numpy(),
        uz=days.wind_m_s.to_numpy(),
        zw=2,
        elev=days.elevation_m.to_numpy(),
        lat=days.latitude_deg.to_numpy(),
        doy=days.day_of_year.to_numpy(),
        tdew=days.dewpoint_degc.to_numpy(),
        method="asce",
        rso_type="simple",
    )
    assert np.allclose(ours(days), daily.eto(), atol=0.003)


def test_at_ames_the_two_methods_agree_within_a_fifth_over_the_growing_season():
    ames = pd.read_csv(HERE / "data" / "ames_2012_2016.csv", parse_dates=["date"])
    top = extraterrestrial_radiation(42.02, ames.date.dt.day_of_year)
    sun = hargreaves_radiation(ames.tmin_degc, ames.tmax_degc, top)
    growing = ames.date.dt.month.between(4, 10).to_numpy()
    whole = penman_monteith(ames.tmin_degc, ames.tmax_degc, sun, top)[growing].sum()
    assert 0.8 < whole / hargreaves(ames.tmin_degc, ames.tmax_degc, top)[growing].sum() < 1.2


def test_monthly_sums_at_ames_agree_with_stored_answers_of_xclim():
    ames = pd.read_csv(HERE / "data" / "ames_2012_2016.csv", parse_dates=["date"])
    stored = pd.read_csv(HERE / "data" / "xclim_monthly.csv", index_col="month")["hargreaves_mm"]
    above = extraterrestrial_radiation(42.02, ames.date.dt.day_of_year)
    daily = pd.Series(hargreaves(ames.tmin_degc, ames.tmax_degc, above), ames.date.dt.strftime("%Y-%m"))
    ratio = daily.groupby(level=0).sum() / stored
    growing = ratio.index.str[-2:].astype(int).isin(range(4, 10))
    assert ratio[growing].between(0.97, 1.03).all()
    assert ratio.between(0.95, 1.05).all()


@given(tmin=temperature, spread=spread, above=above, share=share, dry=st.floats(0, 15), more=st.floats(0, 5))
def test_drier_air_never_evaporates_less(tmin, spread, above, share, dry, more):
    inputs = (tmin, tmin + spread, share * above, above)
    moist, drier = penman_monteith(*inputs, dewpoint_degc=[tmin - dry, tmin - dry - more])
    assert 0 <= moist <= drier + 1e-9


@given(tmin=st.floats(0, 30), spread=spread, above=st.floats(30, 43), low=share, high=share)
def test_more_sun_never_gives_less_evapotranspiration_in_summer(tmin, spread, above, low, high):
    # Under a low sun a clear sky can cost more warmth than it brings.
    dull, bright = penman_monteith(tmin, tmin + spread, np.sort([low, high]) * above, above)
    assert dull <= bright + 1e-9


def test_the_polar_night_loses_heat_and_evaporates_little():
    assert np.isfinite(net_longwave(-30.0, -20.0, 0.05, 0.0, 0.0))
    assert 0 <= penman_monteith(-30.0, -20.0, 0.0, 0.0) < 0.3


def test_frozen_days_evaporate_nothing_and_missing_days_are_missing():
    answer = hargreaves([-40.0, np.nan], [-30.0, 10.0], 10.0)
    assert answer[0] == 0
    assert np.isnan(answer[1])
    assert np.isnan(penman_monteith([np.nan, 5.0], [10.0, 12.0], [10.0, np.nan], 30.0)).all()


def test_the_regional_multiplier_scales_the_answer():
    assert hargreaves(10.0, 25.0, 40.0, 0.9) == pytest.approx(0.9 * hargreaves(10.0, 25.0, 40.0))


@pytest.mark.parametrize("method", [lambda a, b: hargreaves(a, b, 30.0), lambda a, b: penman_monteith(a, b, 9.0, 30.0)])
def test_a_minimum_above_its_maximum_is_refused(method):
    with pytest.raises(ValueError, match="must not lie above"):
        method([21.0], [20.0])
