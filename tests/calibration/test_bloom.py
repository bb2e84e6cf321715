import numpy as np
import pytest

from greengap.calibration.bloom import predict_days, skill_by_experiment
from greengap.calibration.trial_data import read_trials
from greengap.catalogue import load_catalogue

pytestmark = pytest.mark.real


@pytest.fixture(scope="module")
def trials(shared_data):
    return read_trials(shared_data / "data")


def flowers(trials, crop):
    seen = trials.observations
    return seen[(seen["cover_id"] == crop) & (seen["quantity"] == "first_flower_d")]


@pytest.mark.parametrize(("crop", "experiments", "error_d"), [("cowpea", 2, 6), ("sunflower", 5, 6)])
def test_first_flower_is_within_six_days_in_the_middle_of_the_experiments(trials, crop, experiments, error_d):
    seen = flowers(trials, crop)
    predicted = predict_days(seen, trials.weather, load_catalogue().species[crop])
    skill = skill_by_experiment(seen, predicted, trials.observations.query("split == 'train'"))
    assert skill["experiments"] == experiments
    assert skill["predicted_median_absolute_error_d"] <= error_d


def test_sowing_dates_of_one_site_year_are_predicted_each_on_its_own(trials):
    seen = flowers(trials, "sorghum")
    predicted = predict_days(seen, trials.weather, load_catalogue().species["sorghum_sudangrass"])
    assert np.isfinite(predicted).all()
    assert predicted.size == len(seen)
