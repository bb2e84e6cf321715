import csv
import math
from pathlib import Path

import pytest

from greengap.calibration.fit import FEWEST_SITE_YEARS, PRIOR, Fit, drilled, fit_multipliers, role, usable, written
from greengap.calibration.growth_skill import biomass_table, date_table
from greengap.calibration.skill_record import biomass_rows, date_rows
from greengap.calibration.trial_data import read_trials
from greengap.calibration.trial_season import LEAD_D, predict_biomass, record_around, stand_given, trial_catalogue
from greengap.catalogue import load_catalogue

RECORD = Path(__file__).parents[2] / "docs" / "validation" / "skill.csv"
CATALOGUE = load_catalogue()
TEXT = '# Rye\nname = "Rye"\n\n[radiation_use_multiplier]\nvalue = 1.0\nunit = "ratio"\n\n[shoot_share]\nvalue = 1\n'


@pytest.fixture(scope="module")
def trials(shared_data):
    return read_trials(shared_data / "data")


@pytest.fixture(scope="module")
def rows(trials, shared_data):
    return usable(trials.observations, CATALOGUE, shared_data / "data")


# -- without data ----------------------------------------------------------------------------------


def test_only_the_block_of_the_multiplier_is_written():
    new = written(TEXT, Fit("rye", 0.973, ("a 2001", "b 2002"), 0.9, 1.1, 0.9, 1.1))
    before, after = TEXT.split("[radiation_use_multiplier]")
    assert new.startswith(before)
    assert new.endswith("\n\n[shoot_share]\nvalue = 1\n")
    assert after not in new
    assert 'value = 0.973\nrange = [0.900, 1.100]\nunit = "ratio"\nsource = "greengap_fitted"' in new
    assert "2 site-years" in new


def test_a_species_that_was_not_fitted_is_written_at_its_prior_and_says_so():
    new = written(TEXT, Fit("rye", PRIOR, ("a 2001",)))
    assert 'source = "greengap_design"\nconditions = "prior; uncalibrated"' in new
    assert written(new, Fit("rye", PRIOR, ())) == new


def test_a_file_without_the_block_is_refused():
    with pytest.raises(ValueError, match="one block"):
        written('name = "Rye"\n', Fit("rye", PRIOR, ()))


def test_uncalibrated_are_the_offered_species_whose_multiplier_was_not_fitted():
    listed = CATALOGUE.uncalibrated()
    assert listed == sorted(listed)
    for key, species in CATALOGUE.species.items():
        fitted = species.values["radiation_use_multiplier"].source == "greengap_fitted"
        assert (key in listed) == (not fitted and not species.not_offered)


def test_a_stand_that_is_given_changes_nothing_but_seedbed_frost_and_seed():
    changed = stand_given(CATALOGUE, {"oat": 0.5}).species["oat"]
    different = {t for t, v in CATALOGUE.species["oat"].values.items() if changed.values[t] != v}
    own = {"viable_seed_sum", "seed_base_water_potential", "frost_kill_temperature", "radiation_use_multiplier"}
    assert different == own


# -- on the trials ---------------------------------------------------------------------------------


@pytest.mark.real
def test_multipliers_are_fitted_on_drilled_training_plots_and_never_on_ripe_grain(trials, rows, shared_data):
    assert set(rows["split"]) == {"train"}
    assert set(rows["quantity"]) == {"biomass_kg_ha"}
    assert set(drilled(rows, shared_data / "data")) == {"yes"}
    roles = role(trials.observations, CATALOGUE)
    grain = trials.observations["source"].str.startswith("field_crop_phenology")
    assert not (grain & (roles == "fit")).any()


@pytest.mark.real
def test_fitting_again_gives_the_multipliers_of_the_catalogue(trials, rows):
    for fit in fit_multipliers(rows, trials.weather, CATALOGUE):
        value = CATALOGUE.species[fit.species].values["radiation_use_multiplier"]
        assert fit.fitted == (value.source == "greengap_fitted") == (len(fit.site_years) >= FEWEST_SITE_YEARS)
        assert value.number == pytest.approx(fit.multiplier, rel=0.01)


@pytest.mark.real
def test_skill_is_not_worse_than_recorded(trials, shared_data):
    with RECORD.open(encoding="utf-8", newline="") as file:
        record = {(r["check"], r["run"], r["split"]): r for r in csv.DictReader(file)}
    biomass = biomass_rows(biomass_table(trials, CATALOGUE, shared_data / "data"))
    dates = date_rows(date_table(trials, CATALOGUE))
    for row in biomass + dates:
        stored = record[row["check"], row["run"], row["split"]]
        assert row["n"] == int(stored["n"])
        limit = float(stored["figure"])
        assert math.isinf(limit) or row["figure"] <= 1.05 * limit + 0.02, row


@pytest.mark.real
def test_a_larger_multiplier_never_grows_less(trials, rows):
    rye = rows[rows["cover_id"] == "cereal_rye"]
    small, large = (predict_biomass(rye, trials.weather, stand_given(CATALOGUE, {"cereal_rye": m})) for m in (0.5, 1.5))
    assert (large > small).all()


@pytest.mark.real
def test_a_record_that_starts_at_sowing_is_led_in(trials):
    weather = trials.weather["Brody 2003"]
    sown = trials.observations.query("site_year == 'Brody 2003'")["sow_date"].min()
    led = record_around(weather, sown, sown)
    assert (sown.to_datetime64() - led["date"].to_numpy()[0]).astype("timedelta64[D]").astype(int) == LEAD_D
    assert len(set(led["date"].diff("date").to_numpy())) == 1


@pytest.mark.real
def test_a_trial_is_run_as_it_is_whatever_stands_beside_it(trials, rows):
    one, whole = rows.head(1), predict_biomass(rows, trials.weather, trial_catalogue(CATALOGUE))
    assert predict_biomass(one, trials.weather, trial_catalogue(CATALOGUE))[0] == whole[0]
