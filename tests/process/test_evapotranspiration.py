import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from greengap.process.evapotranspiration import hargreaves
from greengap.process.radiation import extraterrestrial_radiation

HERE = Path(__file__).parent
CHECKS = list(csv.DictReader((HERE.parent / "checks" / "evapotranspiration.csv").open(encoding="utf-8")))


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c["check_id"])
def test_agrees_with_the_check(check):
    above = extraterrestrial_radiation(float(check["latitude_deg"]), int(check["day_of_year"]))
    answer = hargreaves(float(check["tmin_degc"]), float(check["tmax_degc"]), above)
    assert float(answer) == pytest.approx(float(check["expected"]), abs=float(check["tolerance"]))


def test_monthly_sums_at_ames_agree_with_stored_answers_of_xclim():
    ames = pd.read_csv(HERE / "data" / "ames_2012_2016.csv", parse_dates=["date"])
    stored = pd.read_csv(HERE / "data" / "xclim_monthly.csv", index_col="month")["hargreaves_mm"]
    above = extraterrestrial_radiation(42.02, ames.date.dt.day_of_year)
    daily = pd.Series(hargreaves(ames.tmin_degc, ames.tmax_degc, above), ames.date.dt.strftime("%Y-%m"))
    ratio = daily.groupby(level=0).sum() / stored
    growing = ratio.index.str[-2:].astype(int).isin(range(4, 10))
    assert ratio[growing].between(0.97, 1.03).all()
    assert ratio.between(0.95, 1.05).all()


def test_frozen_days_evaporate_nothing_and_missing_days_are_missing():
    answer = hargreaves([-40.0, np.nan], [-30.0, 10.0], 10.0)
    assert answer[0] == 0
    assert np.isnan(answer[1])


def test_the_regional_multiplier_scales_the_answer():
    assert hargreaves(10.0, 25.0, 40.0, 0.9) == pytest.approx(0.9 * hargreaves(10.0, 25.0, 40.0))


def test_a_minimum_above_its_maximum_is_refused():
    with pytest.raises(ValueError, match="must not lie above"):
        hargreaves([21.0], [20.0], 30.0)
