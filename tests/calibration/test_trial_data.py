import numpy as np
import pandas as pd
import pytest

from greengap.calibration.trial_data import read_trials
from greengap.calibration.trial_rows import split_of
from greengap.errors import Fate, InputProblem

pytestmark = pytest.mark.real


@pytest.fixture(scope="module")
def trials(shared_data):
    return read_trials(shared_data / "data", shared_data / "reference" / "model_checks.csv")


def test_every_row_is_used_or_reported(trials):
    assert {file for file in trials.report.rows_read if trials.report.lost(file)} == set()
    read = {file.split("/")[0] for file in trials.report.rows_read}
    assert read >= {"cover_crop_trials", "cereal_rye_biomass", "ny_summer_winter_cover_crops"}
    assert read >= {"field_crop_phenology", "clover_grass_swards", "model_checks.csv"}


def test_no_site_year_is_in_both_parts(trials):
    both = pd.concat([trials.observations[["site_year", "split"]], trials.levels[["site_year", "split"]]])
    assert both.groupby("site_year")["split"].nunique().max() == 1


def test_trials_of_one_place_sown_in_one_year_are_one_site_year(trials):
    seen = trials.observations
    places = seen.groupby([seen["lat"].round(1), seen["lon"].round(1), seen["sow_date"].dt.year])["site_year"]
    assert places.nunique().max() == 1


def test_about_six_of_ten_names_are_for_training():
    share = np.mean([split_of(f"place {number}") == "train" for number in range(2000)])
    assert 0.56 < share < 0.64


def test_the_part_depends_on_the_name_alone():
    assert split_of("Ames 8 WSW 2005") == split_of("Ames 8 WSW 2005")


def test_every_observation_has_weather_from_sowing_to_the_event(trials):
    for row in trials.observations.drop_duplicates(["site_year", "sow_date", "observe_date"]).itertuples():
        days = trials.weather[row.site_year].sel(date=slice(row.sow_date, row.observe_date))
        assert days.sizes["date"] == (row.observe_date - row.sow_date).days + 1
        assert np.isfinite(days["tmin_degc"] + days["tmax_degc"] + days["precipitation_mm"]).all()


def test_weather_has_the_form_of_a_farms_site_weather(trials):
    for record in trials.weather.values():
        assert record["tmin_degc"].dims == ("site_id", "date")
        assert record.sizes["site_id"] == 1
        assert (record["tmin_degc"] <= record["tmax_degc"]).sum() == np.isfinite(
            record["tmin_degc"] + record["tmax_degc"]
        ).sum()
        assert (np.diff(record["date"].to_numpy()) == np.timedelta64(1, "D")).all()


def test_the_rye_study_near_ames_is_used_in_full(trials):
    rye = trials.observations[trials.observations["cover_id"] == "cereal_rye"]
    study = rye[rye["place"].str.startswith("Agricultural Engineering")]
    assert len(study) == 63
    assert sorted(study["sow_date"].dt.year.unique()) == [2005, 2006, 2008]
    assert study["value"].between(500, 6000).all()


def test_a_station_s_impossible_day_is_not_used(trials):
    record = next(w for w in trials.weather.values() if str(w["site_id"].to_numpy()[0]) == "Washington")
    assert float(record["tmin_degc"].min()) > -40


def test_places_known_to_be_wrong_are_set_right_and_listed(trials):
    seen = trials.observations.drop_duplicates("place").set_index("place")
    for place in ("Cordoba", "Elora", "Marianna", "Clayton", "Bozeman"):
        assert seen.loc[place, "lon"] < 0
    assert seen.loc["Bozeman", "lat"] == pytest.approx(45.7)
    assert any("Bozeman" in line for line in trials.report.assumptions)


def test_growth_chambers_are_reported_and_not_used(trials):
    assert "Griffin" not in set(trials.observations["place"])
    left_out = [f for f in trials.report.findings if "GAGR0201" in f.place]
    assert len(left_out) == 6
    assert all(f.fate is Fate.SKIPPED for f in left_out)


def test_a_trial_without_weather_near_is_reported_with_the_reason(trials):
    homestead = [f for f in trials.report.findings if "TREC-" in f.place]
    assert len(homestead) == 6
    assert all("no weather within" in f.what for f in homestead)


def test_a_wider_search_finds_more_weather(shared_data, trials):
    near = read_trials(shared_data / "data", farthest_km=20.0)
    assert len(near.observations) < len(trials.observations)


def test_days_to_first_flower_are_those_of_the_table(trials, shared_data):
    table = pd.read_csv(shared_data / "data" / "field_crop_phenology" / "observations.csv")
    seen = trials.observations[trials.observations["quantity"] == "first_flower_d"]
    wanted = table[table["experiment"] == "UCCO9101"]["days_to_anthesis"].sort_values().tolist()
    assert seen[seen["place"] == "Cordoba"].query("cover_id == 'sunflower'")["value"].sort_values().tolist() == wanted


def test_first_cuts_are_of_species_sown_alone(trials):
    swards = trials.observations[trials.observations["source"].str.startswith("clover_grass_swards")]
    assert set(swards["cover_id"]) >= {"red_clover", "white_clover", "perennial_ryegrass"}
    assert "Mikkeli" not in set(swards["place"])  # its weather begins after sowing
    assert (swards["observe_date"] > swards["sow_date"]).all()


def test_new_york_plots_give_levels_shares_and_weeds_but_no_dates(trials):
    level = trials.levels
    mean = level[level["component"].isna()].groupby(["place", "cover_id", "quantity"])["value"].mean()
    assert mean["Musgrave", "sorghum_sudangrass", "biomass_kg_ha"] == pytest.approx(6056, abs=1)
    assert mean["Farm Hub", "buckwheat", "biomass_kg_ha"] == pytest.approx(1533, abs=1)
    part = level[level["component"] == "sorghum_sudangrass"].groupby("place")["value"].mean()
    assert part["Musgrave"] == pytest.approx(3006, abs=1)
    assert "Musgrave" not in set(trials.observations["place"])


def test_published_ranges_are_converted(trials):
    found = trials.levels.set_index("cover_id").loc["crimson_clover"]
    assert found["value"] == pytest.approx(0.75 * 2241.7, rel=1e-3)
    assert found["high"] == pytest.approx(1.0 * 2241.7, rel=1e-3)


def test_a_missing_folder_is_an_input_problem(tmp_path):
    with pytest.raises(InputProblem, match="is not in the data folder"):
        read_trials(tmp_path)
