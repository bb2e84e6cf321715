"""No cover beside the covers, as the commands print and write it."""

from __future__ import annotations

import csv
import io

import pandas as pd
import pytest
from typer.testing import CliRunner

from greengap import cli
from greengap.clean_ground_of import find_without_cover
from greengap.output.clean_text import clean_lines, clean_summary, limits_of, number, way_rows
from greengap.output.table import to_csv, write_without_cover
from greengap.tables import CleanGround, StaleSeedbed

GAP = "River 1/2"


@pytest.fixture(scope="module")
def found(sample_farm, sample_plan):
    return find_without_cover(sample_farm, sample_plan)


@pytest.fixture
def planned(sample_farm, sample_plan, monkeypatch):
    monkeypatch.setattr(cli, "open_farm", lambda farm: sample_farm)
    monkeypatch.setattr(cli, "_planned", lambda read: sample_plan)
    return CliRunner()


def test_options_ends_with_the_rows_without_a_cover(planned, found, sample_plan):
    result = planned.invoke(cli.app, ["options", "sample_fields", GAP])
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("Without a cover"))
    assert lines[at - 1] == ""
    assert lines[at].startswith("Without a cover: 49 days to the next crop, medians of 25 weather years")
    assert lines[at:] == list(clean_lines(found, GAP, sample_plan.catalogue, "metric"))
    table = found.clean_ground[found.clean_ground["gap_id"] == GAP]
    told = " ".join(lines[at:])
    assert table["verdict"].iloc[0] in told
    assert found.stale_seedbed.set_index("gap_id").loc[GAP, "sentence"] in told
    for row in table[table["offered"]].itertuples():
        assert f"{row.seed_free_years} of {row.years}" in told
    assert sum(line.startswith("* ") for line in lines[at:]) == 1


def test_options_as_csv_stays_the_ranking(planned):
    result = planned.invoke(cli.app, ["options", "sample_fields", GAP, "--csv"])
    assert result.exit_code == 0
    assert {row["gap_id"] for row in csv.DictReader(io.StringIO(result.stdout))} == {GAP}


def test_plan_writes_the_tables_and_says_where_bare_ground_is_better(planned, found, sample_plan, tmp_path):
    result = planned.invoke(cli.app, ["plan", "sample_fields", "--out", str(tmp_path / "out")])
    assert result.exit_code == 0, result.output
    written = pd.read_csv(tmp_path / "out" / "clean_ground.csv")
    assert list(written.columns) == list(CleanGround.to_schema().columns)
    assert len(written) == len(found.clean_ground)
    assert set(written["gap_id"]) == set(sample_plan.gaps["gap_id"])
    stale = pd.read_csv(tmp_path / "out" / "stale_seedbed.csv")
    assert list(stale.columns) == list(StaleSeedbed.to_schema().columns)
    assert list(stale["gap_id"]) == list(sample_plan.gaps["gap_id"])
    assert not (tmp_path / "out" / "flush.csv").exists()
    sown = sample_plan.allocation.loc[sample_plan.allocation["option_id"].notna(), "gap_id"]
    (sentence,) = [line for line in result.stdout.splitlines() if line.startswith("Ground without a cover would")]
    better = found.clean_ground[found.clean_ground["better"] & (found.clean_ground["way"] != "cover")]
    assert f"in {better['gap_id'].isin(sown).sum()} of {len(sown)} gaps that are sown" in sentence
    for gap_id in better.loc[better["gap_id"].isin(sown), "gap_id"]:
        assert f"{gap_id} (" in sentence


def test_the_same_input_gives_the_same_bytes(found, sample_farm, sample_plan, tmp_path):
    again = find_without_cover(sample_farm, sample_plan)
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    one, two = (write_without_cover(f, tmp_path / n, large=True) for f, n in ((found, "a"), (again, "b")))
    assert [path.name for path in one] == ["clean_ground.csv", "stale_seedbed.csv", "flush.csv"]
    assert [path.read_bytes() for path in one] == [path.read_bytes() for path in two]
    assert to_csv(found.flush).count("\n") == len(found.flush) + 1


def test_the_first_pass_and_their_number_are_told_and_what_is_not_possible_says_why(found, sample_plan):
    table = found.clean_ground[found.clean_ground["gap_id"] == GAP].copy()
    harrow = table[table["way"] == "harrow"].iloc[0]
    told = limits_of(table, sample_plan.catalogue)
    assert told[0].startswith(f"Shallow harrowing: first about {harrow['first_pass']:%d %b}, ")
    assert f"{harrow['passes_p50']:.0f} in the median year" in told[0]
    table.loc[table["way"] == "harrow", ["offered", "why_not"]] = [False, "there is no harrow"]
    assert limits_of(table, sample_plan.catalogue)[0] == "Not possible: shallow harrowing, there is no harrow."
    winter = found.clean_ground[found.clean_ground["gap_id"] == "River 1/1"]
    assert limits_of(winter, sample_plan.catalogue)[0] == "Shallow harrowing: nothing to do in most years."


def test_where_the_cover_always_wins_nothing_is_said(found):
    assert list(clean_summary(found, pd.Series(["Hollow/2"]))) == []


def test_units_stand_in_the_heading_and_what_is_not_reckoned_is_a_dash(found, sample_plan):
    table = found.clean_ground[found.clean_ground["gap_id"] == GAP]
    heading, *rows = way_rows(table, sample_plan.catalogue, "us")
    assert {"drier, in", "N lost, lb/ac", "N left, lb/ac"} <= set(heading)
    left = next(row for row in rows if "Leaving" in row[0])
    assert left[heading.index("N left, lb/ac")] == "-"
    assert number(-0.2) == "0"
    assert number(-25.4, "mm", "us") == "-1.0"
    assert number(11.2085, "kg_ha", "us") == "10"
