"""The plan from today: what is done and what nothing has touched stays, and every change has its reason."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from typer.testing import CliRunner

from greengap import cli
from greengap.advice.progress import gap_states, gaps_by_now, known_by
from greengap.errors import InputProblem
from greengap.farm.record_store import add_to_record
from greengap.farm.season_record import current, record_of
from greengap.output.replan_text import changed_blocks, decided_rows, replan_lines
from greengap.replan import farm_as_of, replan

SAMPLE = Path(__file__).parents[1] / "sample_fields"


def row(what, date, block, **said):
    return {
        "entry_id": f"{what} {date} {block} {sorted(said.items())}", "written": f"{date}T18:00:00Z", "who": "Ann",
        "what": what, "date": date, "block_id": block,
    } | said  # fmt: skip


def from_today(farm, plan, as_of, *rows, **how):
    return replan(replace(farm, record=record_of(list(rows))), pd.Timestamp(as_of), before=plan, **how)


def planned(plan, gap_id):
    chosen = plan.allocation[["gap_id", "cover_id"]].merge(plan.recommendation, on=["gap_id", "cover_id"])
    return next(chosen[chosen["gap_id"] == gap_id].itertuples())


def changes(done, gap_id):
    mine = done.changes[done.changes["gap_id"] == gap_id]
    return dict(zip(mine["what"], mine.itertuples(), strict=True))


def test_before_anything_has_happened_nothing_changes(sample_farm, sample_plan):
    done = from_today(sample_farm, sample_plan, "2027-02-01")
    assert done.changes.empty
    assert done.seed.empty
    assert changed_blocks(sample_plan, done.plan) == []
    pd.testing.assert_frame_equal(done.plan.allocation, sample_plan.allocation)
    pd.testing.assert_frame_equal(done.plan.odds, sample_plan.odds)
    assert any("No weather of this season" in note for note in done.notes)


def test_a_late_sowing_moves_its_own_dates_and_no_other_sheet(sample_farm, sample_plan):
    was = planned(sample_plan, "Pond/2")
    day = was.sow_best + pd.Timedelta(days=6)
    others = [
        row("sown", f"{planned(sample_plan, g).sow_best:%Y-%m-%d}", g.split("/")[0], gap_id=g,
            cover_id=planned(sample_plan, g).cover_id)
        for g in sample_plan.allocation.loc[sample_plan.allocation["option_id"].notna(), "gap_id"]
        if g != "Pond/2" and planned(sample_plan, g).sow_best <= day
    ]  # fmt: skip
    mine = row("sown", f"{day:%Y-%m-%d}", "Pond", cover_id=was.cover_id)
    done = from_today(sample_farm, sample_plan, day + pd.Timedelta(days=1), mine, *others)
    found = changes(done, "Pond/2")
    assert found["sowing"].days == 6
    assert planned(done.plan, "Pond/2").sow_best == day
    assert planned(done.plan, "Pond/2").cover_id == was.cover_id
    # What was sown on the planned day is run alone and comes out as in the plan.
    assert set(done.changes["gap_id"]) == {"Pond/2"}
    assert changed_blocks(sample_plan, done.plan) == ["Pond"]


def test_what_was_not_sown_in_time_takes_its_next_day_then_its_next_rung_then_nothing(sample_farm, sample_plan):
    ladder = sample_plan.ladder[sample_plan.ladder["gap_id"] == "River 1/2"].set_index("rung")
    first, second = ladder.loc[1], ladder.loc[2]
    assert second["cover_id"] != "no_cover"
    day_by_day = {}
    for as_of in (first["sow_until"], second["sow_until"], second["sow_until"] + pd.Timedelta(days=9)):
        done = from_today(sample_farm, sample_plan, as_of)
        day_by_day[as_of] = planned(done.plan, "River 1/2").cover_id, changes(done, "River 1/2")
    covers = [cover for cover, _ in day_by_day.values()]
    assert covers[0] == first["cover_id"]
    assert covers[1] == second["cover_id"]
    assert "the next rung of the ladder" in list(day_by_day.values())[1][1]["cover"].reason
    assert covers[2] == "no_cover"
    last = list(day_by_day.values())[2][1]["cover"]
    assert "keep it clean" in last.reason


def test_a_crop_that_comes_off_late_moves_the_gap_and_is_told(sample_farm, sample_plan):
    gap = sample_plan.gaps.set_index("gap_id").loc["Pond/2"]
    expected = gap["start"] + pd.Timedelta(days=11)
    said = row("cleared", f"{expected:%Y-%m-%d}", "Pond", written="2027-05-01T08:00:00Z", note="peas are late")
    done = from_today(sample_farm, sample_plan, "2027-05-02", said)
    found = changes(done, "Pond/2")
    assert found["gap"].days == 12
    moved = done.plan.gaps.set_index("gap_id").loc["Pond/2"]
    assert moved["opens"] - gap["opens"] == pd.Timedelta(days=12)
    assert moved["end"] == gap["end"]
    new = planned(done.plan, "Pond/2")
    assert new.cover_id == "no_cover" or new.sow_best >= moved["opens"]
    # written on 1 May, it is not known on 30 April
    assert from_today(sample_farm, sample_plan, "2027-04-30", said).states.set_index("gap_id").loc[
        "Pond/2", ["cleared_on"]
    ].isna().all()  # fmt: skip


def test_seed_that_is_not_to_be_had_is_planned_around(sample_farm, sample_plan):
    used = sample_plan.seed_need["species"].value_counts().index[0]
    done = from_today(sample_farm, sample_plan, "2027-02-01", without=[used])
    assert used not in set(done.plan.seed_need["species"])
    hit = set(sample_plan.seed_need.loc[sample_plan.seed_need["species"] == used, "gap_id"])
    assert set(done.changes["gap_id"]) == hit
    assert done.seed.set_index("species").loc[used, "now_g"].sum() == 0
    with pytest.raises(InputProblem, match="buckweat is not a species"):
        from_today(sample_farm, sample_plan, "2027-02-01", without=["buckweat"])


def test_a_decision_holds(sample_farm, sample_plan):
    gap = sample_plan.gaps.set_index("gap_id").loc["Pond/2"]
    day = f"{gap['start']:%Y-%m-%d}"
    leave = from_today(sample_farm, sample_plan, day, row("decided", day, "Pond", choice="leave bare"))
    assert planned(leave.plan, "Pond/2").cover_id == "no_cover"
    other = from_today(sample_farm, sample_plan, day, row("decided", day, "Pond", choice="sow", cover_id="buckwheat"))
    assert planned(other.plan, "Pond/2").cover_id == "buckwheat"
    assert "decided: sow Buckwheat" in changes(other, "Pond/2")["cover"].reason


def test_what_is_accepted_is_written_down_and_holds_the_next_day(sample_farm, sample_plan):
    done = from_today(sample_farm, sample_plan, "2027-05-09")
    rows = decided_rows(done, "Ann")
    open_now = set(done.states.loc[done.states["state"].isin(["open", "ahead"]), "gap_id"])
    assert set(rows["gap_id"]) == set(done.changes.loc[done.changes["what"] == "cover", "gap_id"]) & open_now
    again = replan(replace(sample_farm, record=rows), pd.Timestamp("2027-05-10"), before=sample_plan)
    for gap in rows["gap_id"]:
        assert planned(again.plan, gap).cover_id == planned(done.plan, gap).cover_id


def test_an_ended_cover_is_ended_on_its_day(sample_farm, sample_plan):
    was = planned(sample_plan, "Pond/2")
    sown = row("sown", f"{was.sow_best:%Y-%m-%d}", "Pond", cover_id=was.cover_id)
    end = was.sow_best + pd.Timedelta(days=40)
    done = from_today(
        sample_farm,
        sample_plan,
        end + pd.Timedelta(days=2),
        sown,
        row("ended", f"{end:%Y-%m-%d}", "Pond", tool="flail"),
    )
    assert done.states.set_index("gap_id").loc["Pond/2", "state"] == "ended"
    season = done.plan.season[done.plan.season["option_id"] == planned(done.plan, "Pond/2").option_id]
    assert (season["growth_end_d"] <= 40).all()
    assert season["growth_end_d"].median() == 40


def test_this_season_is_seen_by_what_stands(sample_farm, sample_plan):
    """A made-up frost in September, on a frost-tender cover that stands."""
    was = planned(sample_plan, "Pond/2")
    sown = row("sown", f"{was.sow_best:%Y-%m-%d}", "Pond", cover_id=was.cover_id)
    days = pd.date_range("2027-01-01", was.sow_best + pd.Timedelta(days=30))
    cell = sample_farm.weather_cells.isel(cell_id=[0])
    year = cell.sel(date=slice("2010-01-01", f"2010-{days[-1]:%m-%d}"))
    so_far = year.assign_coords(date=days).assign_attrs(files="so_far.csv", years=[])
    cold = so_far.copy(deep=True)
    cold["tmin_degc"][0, -5:] = -6.0
    kept = {}
    for name, weather in (("mild", so_far), ("frost", cold)):
        farm = replace(sample_farm, so_far=weather)
        done = from_today(farm, sample_plan, days[-1], sown)
        kept[name] = done.plan.season[done.plan.season["option_id"] == planned(done.plan, "Pond/2").option_id]
    assert kept["mild"]["frost_kill_d"].isna().mean() > 0.5
    assert kept["frost"]["frost_kill_d"].between(25, 31).all()  # in every weather year, since it has happened
    assert kept["frost"]["biomass_kg_ha"].std() < kept["mild"]["biomass_kg_ha"].std()


def test_days_after_today_are_not_known(sample_farm):
    days = pd.date_range("2027-01-01", "2027-06-30")
    cell = sample_farm.weather_cells.isel(cell_id=[0])
    so_far = cell.sel(date=slice("2010-01-01", "2010-06-30")).assign_coords(date=days).assign_attrs(files="s.csv")
    rain = record_of([row("rain", "2027-05-05", "", water_mm=40.0), row("rain", "2027-06-20", "", water_mm=40.0)])
    farm, notes = farm_as_of(replace(sample_farm, so_far=so_far), pd.Timestamp("2027-05-10"), rain)
    assert isinstance(farm.so_far, xr.Dataset)
    assert pd.Timestamp(farm.so_far["date"].to_numpy()[-1]) == pd.Timestamp("2027-05-10")
    assert notes == []
    read = farm.this_season["precipitation_mm"][0].to_series()
    assert (read[(read.index.month == 5) & (read.index.day == 5)] == 40.0).all()
    own = sample_farm.weather["precipitation_mm"][0].to_series()
    june = own.index.month == 6
    np.testing.assert_array_equal(read[june], own[june])


def test_rows_find_their_gap_and_a_second_sowing_starts_anew(sample_plan):
    gaps = sample_plan.gaps
    gap = gaps.set_index("gap_id").loc["Pond/2"]
    first, up, again = (f"{gap['opens'] + pd.Timedelta(days=d):%Y-%m-%d}" for d in (0, 6, 15))
    record = record_of([
        row("sown", first, "Pond", cover_id="buckwheat"), row("up", up, "Pond"),
        row("sown", again, "Pond", cover_id="oat"),
        row("planted", f"{gap['end'] + pd.Timedelta(days=8):%Y-%m-%d}", "Pond", written=f"{again}T09:00:00Z"),
    ])  # fmt: skip
    states = gap_states(gaps, known_by(current(record), pd.Timestamp(again)), pd.Timestamp(again)).set_index("gap_id")
    mine = states.loc["Pond/2"]
    assert mine["cover_id"] == "oat"
    assert mine["sown_on"] == pd.Timestamp(again)
    assert pd.isna(mine["up_on"])
    assert mine["rows"] == 4
    moved = gaps_by_now(gaps, states.reset_index()).set_index("gap_id").loc["Pond/2"]
    assert moved["end"] - gap["end"] == pd.Timedelta(days=7)
    assert (states["rows"].drop("Pond/2") == 0).all()


def test_the_command_writes_the_change_list_and_only_the_sheets_that_change(tmp_path):
    farm, out = Path(shutil.copytree(SAMPLE, tmp_path / "farm")), tmp_path / "out"
    result = CliRunner().invoke(
        cli.app, ["replan", str(farm), "--as-of", "2027-05-09", "--out", str(out), "--accept", "Ann"]
    )
    assert result.exit_code == 0, result.output
    told = pd.read_csv(out / "changes.csv")
    assert len(told)
    assert told["reason"].notna().all()
    assert "decisions written down" in result.output
    assert (farm / "season_record.csv").exists()
    bad = CliRunner().invoke(cli.app, ["replan", str(farm), "--as-of", "9 May"])
    assert isinstance(bad.exception, InputProblem)
    assert "is not a date" in bad.exception.sentence
    late = CliRunner().invoke(cli.app, ["replan", str(farm), "--as-of", "2035-05-09"])
    assert "lies outside the plan" in late.exception.sentence
    assert add_to_record(farm, record_of([])) == 0


def test_the_same_record_gives_the_same_words(sample_farm, sample_plan):
    rows = [row("sown", "2027-04-08", "Pond", cover_id="oat"), row("sown", "2027-04-09", "Beds 2", cover_id="oat")]
    one, two = (from_today(sample_farm, sample_plan, "2027-05-09", *order) for order in (rows, rows[::-1]))
    assert list(replan_lines(one)) == list(replan_lines(two))


def test_a_stand_that_is_given_up_is_sown_again_or_left(sample_farm, sample_plan):
    was = planned(sample_plan, "Pond/2")
    sown = row("sown", f"{was.sow_best:%Y-%m-%d}", "Pond", cover_id=was.cover_id)
    day = f"{was.sow_best + pd.Timedelta(days=10):%Y-%m-%d}"
    kept = from_today(sample_farm, sample_plan, day, sown, row("decided", day, "Pond", choice="keep"))
    left = from_today(sample_farm, sample_plan, day, sown, row("decided", day, "Pond", choice="keep clean"))
    again = from_today(sample_farm, sample_plan, day, sown, row("decided", day, "Pond", choice="resow"))
    states = [d.states.set_index("gap_id").loc["Pond/2", "state"] for d in (kept, left, again)]
    assert states == ["sown", "open", "open"]
    assert planned(left.plan, "Pond/2").cover_id == "no_cover"
    assert planned(again.plan, "Pond/2").cover_id == was.cover_id
    assert planned(again.plan, "Pond/2").sow_best >= pd.Timestamp(day)


def test_a_count_moves_what_is_expected_of_a_stand(sample_farm, sample_plan):
    was = planned(sample_plan, "Pond/2")
    sown = row("sown", f"{was.sow_best:%Y-%m-%d}", "Pond", cover_id=was.cover_id)
    day = f"{was.sow_best + pd.Timedelta(days=12):%Y-%m-%d}"
    thin = [row("stand", day, "Pond", frame=n, frame_area_m2=0.25, plants=float(3 + n % 2)) for n in range(1, 5)]
    counted, not_counted = (from_today(sample_farm, sample_plan, day, sown, *rows) for rows in (thin, []))
    assert planned(counted.plan, "Pond/2").biomass_p50_kg_ha < planned(not_counted.plan, "Pond/2").biomass_p50_kg_ha
