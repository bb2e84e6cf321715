"""The week ahead of the sample farm, as the command tells it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from greengap import cli, week_ahead
from greengap.errors import InputProblem
from greengap.farm.season_record import record_of
from greengap.output.week_text import sections, table_of, tables, week_lines, write_week
from greengap.week_ahead import block_days, look_ahead, week_of, with_water

SAMPLE = Path(__file__).parents[1] / "sample_fields"
AS_OF = pd.Timestamp("2027-07-09")


def row(what, date, block, **said):
    return {
        "entry_id": f"{what} {date} {block}", "written": f"{date}T18:00:00Z", "who": "Ann", "what": what, "date": date,
        "block_id": block,
    } | said  # fmt: skip


@pytest.fixture(scope="module")
def farm(sample_farm):
    """The sample farm after a made-up drought, two blocks just sown and one that is up."""
    days = pd.date_range("2027-01-01", AS_OF - pd.Timedelta(days=1))
    cell = sample_farm.weather_cells.isel(cell_id=[0]).sel(date=slice("2010-01-01", "2010-07-08"))
    so_far = cell.assign_coords(date=days).assign_attrs(files="so_far.csv", years=[]).copy(deep=True)
    so_far["precipitation_mm"][0, -20:] = 0.0
    record = record_of([
        row("sown", "2027-07-05", "Pond", cover_id="crimson_clover"),
        row("sown", "2027-07-04", "River 1", cover_id="buckwheat"),
        row("up", "2027-07-08", "River 1"), row("sown", "2027-07-06", "Middle Bench", cover_id="crimson_clover"),
    ])  # fmt: skip
    return replace(sample_farm, so_far=so_far, record=record)


@pytest.fixture(scope="module")
def week(farm, sample_plan):
    return look_ahead(farm, AS_OF, before=sample_plan)


def test_every_block_has_six_weeks_and_every_table_holds(week):
    assert set(week.fit["block_id"]) == set(week.farm.blocks["block_id"])
    assert (week.fit.groupby("block_id")["week"].max() == 6).all()
    assert (week.fit["fit_p10_d"] <= week.fit["fit_p50_d"]).all()
    assert (week.fit["fit_p50_d"] <= week.fit["fit_p90_d"]).all()
    assert (week.fit["first"].min(), week.fit["years"].min()) == (AS_OF, 25)


def test_open_rungs_are_those_of_the_ladder_and_the_first_to_end_comes_first(week):
    ladder = week.plan.ladder.set_index(["gap_id", "rung"])
    first = week.rungs.drop_duplicates("gap_id")
    assert len(first)
    assert first["sow_until"].is_monotonic_increasing
    for r in week.rungs.itertuples():
        assert ladder.loc[(r.gap_id, r.rung), "sow_until"] == r.sow_until >= AS_OF
        assert r.days_left == (r.sow_until - AS_OF).days
    assert not set(week.rungs["gap_id"]) & {"Pond/2", "River 1/2", "Middle Bench/2"}  # they are sown


def test_dry_seed_is_told_and_watered_where_there_is_water(week):
    up = week.up.set_index("gap_id")["verdict"].to_dict()
    assert up == {"Pond/2": "too dry", "River 1/2": "up", "Middle Bench/2": "too dry"}
    assert list(week.water["gap_id"]) == ["Pond/2"]  # Middle Bench cannot be watered, River 1 is up
    assert week.water["verdict"].iloc[0] == "water"
    assert week.water["stand_if_watered"].iloc[0] > week.water["stand_if_waiting"].iloc[0]


def test_a_typed_forecast_takes_the_place_of_the_first_days(week):
    wet = week_of(week.done, ["Pond"], [0, 15, 20, 10, 5, 5, 10])
    assert wet.blocks == ("Pond",)
    assert any("Forecast from 09 Jul on, day by day: 0, 15, 20, 10, 5, 5, 10 mm" in note for note in wet.notes)
    assert wet.water["rain_3d_years"].iloc[0] == wet.water["years"].iloc[0]
    assert wet.water["verdict"].iloc[0] != "water"
    one = wet.fit.iloc[0]
    assert one["fit_p90_d"] <= 1  # today may be fit, then it rains
    dry = week_of(week.done, ["Pond"], [0] * 7).fit.iloc[0]
    assert dry["fit_p10_d"] == 7


def test_what_stands_has_stages_and_water(week):
    stands = week.standing.set_index("gap_id")
    assert set(stands.index) == {"Pond/2", "River 1/2", "Middle Bench/2"}
    river = stands.loc["River 1/2"]
    assert river["closes_p10"] <= river["closes_p50"] <= river["closes_p90"]
    assert river["plant_on"] == pd.Timestamp("2027-08-22")
    assert 0 <= river["refilled_years"] <= river["years"]


def test_the_words_say_what_the_tables_say_and_nothing_twice(week):
    lines = list(week_lines(week))
    text = "\n".join(lines)
    for heading in ("Fit to work", "To be sown", "Just sown", "Standing"):
        assert lines.count(heading) == 1
    assert "Pond/2: water now" in text
    assert "up since 08 Jul" in text
    assert list(week_lines(week)) == lines
    assert all(callable(section) for section in sections)


def test_watering_that_is_written_down_counts(week):
    farm = week.done.farm
    watered = record_of([*farm.record.to_dict("records"), row("watered", "2027-07-08", "Pond", water_mm=25.0)])
    found = week_of(replace(week.done, farm=replace(farm, record=watered)), ["Pond"])
    assert found.up["verdict"].iloc[0] != "too dry"


def test_sown_as_planned_without_a_record(sample_farm, sample_plan):
    planned = sample_plan.allocation.set_index("gap_id").loc["Pond/2", "cover_id"]
    day = sample_plan.gaps.set_index("gap_id").loc["Pond/2", "opens"]
    found = look_ahead(sample_farm, day + pd.Timedelta(days=2), blocks=["Pond"], sown_on=day, before=sample_plan)
    assert (found.up["gap_id"].iloc[0], found.up["cover_id"].iloc[0]) == ("Pond/2", planned)
    with pytest.raises(InputProblem, match="0 blocks are named"):
        look_ahead(sample_farm, day, sown_on=day, before=sample_plan)
    with pytest.raises(InputProblem, match="has no gap on"):
        look_ahead(
            sample_farm,
            pd.Timestamp("2027-05-10"),
            blocks=["Pond"],
            sown_on=pd.Timestamp("2027-05-09"),
            before=sample_plan,
        )
    with pytest.raises(InputProblem, match="lies after"):
        look_ahead(sample_farm, day, blocks=["Pond"], sown_on=day + pd.Timedelta(days=1), before=sample_plan)


def test_water_goes_to_its_day_of_every_year_and_to_no_other(sample_farm):
    days = block_days(sample_farm, sample_farm.weather, ["Pond"])["Pond"]
    site = sample_farm.weather.sel(site_id=sample_farm.site_of_block["Pond"])
    wet = with_water(days, site, pd.Series([12.0], index=[pd.Timestamp("2027-07-09")]))
    more = pd.Series(wet.rain - days.rain, index=days.dates)
    assert np.allclose(more[(more.index.month == 7) & (more.index.day == 9)], 12.0)
    assert np.isclose(more.sum(), 12.0 * 25)


def test_the_tables_are_written_and_one_is_printed(week, tmp_path, monkeypatch):
    asked = {}

    def looked(farm, day, progress, blocks, forecast, sown_on):
        asked.update(day=day, blocks=list(blocks), forecast=forecast, sown_on=sown_on)
        return week

    monkeypatch.setattr(week_ahead, "look_ahead", looked)
    out = tmp_path / "week"
    argv = ["week", str(SAMPLE), "--as-of", "2027-07-09", "--block", "Pond", "--rain", "0,4.5", "--out", str(out)]
    result = CliRunner().invoke(cli.app, [*argv, "--csv", "fit_days"])
    assert result.exit_code == 0, result.output
    assert asked == {"day": AS_OF, "blocks": ["Pond"], "forecast": (0.0, 4.5), "sown_on": None}
    assert result.stdout.startswith("block_id,week,first,last,fit_p10_d")
    assert sorted(p.stem for p in out.iterdir()) == sorted(tables)
    again = {p: p.read_bytes() for p in out.iterdir()}
    write_week(week, out)
    assert {p: p.read_bytes() for p in out.iterdir()} == again
    assert CliRunner().invoke(cli.app, argv).stdout.startswith("The week ahead as of 09 Jul 2027")


@pytest.mark.parametrize(
    ("argv", "sentence"),
    [
        (["--as-of", "9 July"], "9 July is not a date"),
        (["--as-of", "2027-07-09", "--sown", "soon"], "soon is not a date"),
        (["--as-of", "2027-07-09", "--csv", "fitdays"], "fitdays is not a table of the week"),
        (["--as-of", "2027-07-09", "--rain", "0,wet"], "wet is not the rain of day 2"),
        (["--as-of", "2027-07-09", "--rain", "0,-3"], "the rain of day 2 would be -3 mm"),
        (["--as-of", "2027-07-09", "--rain", "nan"], "the rain of day 1 would be nan mm"),
        (["--as-of", "2027-07-09", "--rain", ",".join("0" * 15)], "15 days of forecast are given"),
        (["--as-of", "2027-07-09", "--block", "Ponds"], "Ponds is not a block of the farm"),
        (["--as-of", "2035-07-09", "--block", "Pond", "--sown", "2036-01-01"], "lies after"),
    ],
)
def test_bad_input_is_one_sentence(argv, sentence, monkeypatch, sample_farm, sample_plan):
    monkeypatch.setattr("greengap.cli_season.open_farm", lambda path: sample_farm)
    monkeypatch.setattr(week_ahead, "plan_farm", lambda farm, progress: sample_plan)
    result = CliRunner().invoke(cli.app, ["week", str(SAMPLE), *argv])
    assert isinstance(result.exception, InputProblem)
    assert sentence in result.exception.sentence
    assert result.exception.exit_code == 2


def test_a_table_that_is_not_there_names_those_that_are():
    with pytest.raises(InputProblem, match="fit_days"):
        table_of("fit")


def test_at_the_end_of_the_plan_there_is_nothing_to_run(farm, sample_plan):
    last = sample_plan.gaps["end"].max()
    found = look_ahead(farm, last - pd.Timedelta(days=3), blocks=["Low Corner"], before=sample_plan)
    assert found.rungs.empty
    assert found.standing.empty
    assert "To be sown" not in list(week_lines(found))


def test_fit_days_of_a_rung_that_goes_on_are_told_up_to_the_last_day_looked_at(week):
    horizon = week.fit["last"].max()
    longer = replace(week, rungs=week.rungs.assign(sow_until=horizon + pd.Timedelta(days=20)))
    told = " ".join(week_lines(longer))
    assert told.count(f"warm enough until {horizon:%d %b}") == week.rungs["gap_id"].nunique()
    assert "warm enough until" not in " ".join(
        week_lines(replace(week, rungs=week.rungs.assign(sow_until=week.rungs["sow_until"].clip(upper=horizon))))
    )
