"""After the cover and the ladder, on a terminal and as a picture: the plan's own numbers, nothing cut off."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from greengap import cli
from greengap.cover_after import find_after
from greengap.errors import InputProblem
from greengap.output.after_plot import write_after
from greengap.output.after_text import after_csv, after_lines, ladder_lines, nitrogen_in_words, refusal_in_words


@pytest.fixture(scope="module")
def refused(sample_farm):
    """Sorghum-sudangrass before radish: too short for what it leaves."""
    return find_after(sample_farm, "Beds 2", "sorghum_sudangrass", "Beds 2/2")


@pytest.fixture(scope="module")
def pond(sample_farm):
    return find_after(sample_farm, "Pond", "buckwheat")


@pytest.fixture(scope="module")
def legume(sample_farm):
    return find_after(sample_farm, "Beds 2", "field_pea", "Beds 2/3")


def text(found) -> str:
    """Lines joined, without breaks."""
    return re.sub(r"\s+", " ", "\n".join(after_lines(found)))


@pytest.mark.parametrize("which", ["refused", "pond", "legume"])
def test_it_says_of_each_gap_what_the_plan_says_of_it(which, request, sample_plan):
    found = request.getfixturevalue(which)
    plan = sample_plan.after.set_index(["gap_id", "cover_id"])
    told = [one for one in found.gaps if one.after is not None]
    assert told
    for one in told:
        row = plan.loc[one.gap.gap_id, found.cover.key]
        for name in row.index.difference(["option_id"]):
            mine, its = getattr(one.after, name), row[name]
            assert mine == its or (pd.isna(mine) and pd.isna(its)), f"{one.gap.gap_id} {name}: {mine} and {its}"


def test_a_gap_that_is_too_short_says_by_how_many_days(sample_farm):
    found = find_after(sample_farm, "Beds 1", "sunflower")
    short = [one for one in found.gaps if one.after is None]
    assert short
    assert "days too few" in text(found) or "no weather year covers it" in text(found)


def test_a_refusal_says_why_what_would_help_and_how_often(refused):
    words = text(refused)
    one = refused.gaps[0]
    assert "Refused: from the day it has grown enough, its residue would not be ready for the radish" in words
    assert f"in {one.odds.holds_years} of {one.odds.years} years" in words
    best = one.best_change
    assert best is not None
    assert best.holds_years > one.changes[0].holds_years
    assert best.words in words


def test_a_cover_that_fits_is_not_refused(legume):
    assert refusal_in_words(legume.gaps[0], legume) == ""
    assert "Refused" not in text(legume)


def test_a_later_next_crop_and_one_that_flies_spare_never_hold_in_fewer_years(refused):
    now, *others = refused.gaps[0].changes
    assert {c.words for c in others} >= {"set the radish a week later", "end it a week sooner"}
    for change in others:
        if change.words.startswith(("set the", "a next crop")):
            assert change.holds_years >= now.holds_years


def test_inoculant_is_where_a_legumes_nitrogen_from_the_air_comes_from(sample_farm, legume):
    from greengap.advice.next_crop import farm_ending

    bare = replace(farm_ending(sample_farm.settings), inoculated=False)
    without = find_after(sample_farm, "Beds 2", "field_pea", "Beds 2/3", ending=bare)
    assert without.gaps[0].after.nitrogen_fixed_p50_kg_ha < legume.gaps[0].after.nitrogen_fixed_p50_kg_ha


def test_ended_sooner_it_leaves_less(sample_farm, legume):
    sooner = find_after(sample_farm, "Beds 2", "field_pea", "Beds 2/3", earlier_d=14)
    assert sooner.gaps[0].after.biomass_p50_kg_ha < legume.gaps[0].after.biomass_p50_kg_ha
    assert (legume.gaps[0].planned_end - sooner.gaps[0].planned_end).days >= 13


def test_the_farms_own_minimum_wait_is_asked(sample_farm, legume):
    longer = find_after(sample_farm, "Beds 2", "field_pea", "Beds 2/3", minimum_d=40)
    assert longer.gaps[0].after.waiting_p10_d >= 40 > legume.gaps[0].after.waiting_p50_d


def test_the_curve_of_nitrogen_meets_the_table_at_planting_and_four_weeks_after(legume):
    one = legume.gaps[0]
    planting = (one.gap.end + pd.Timedelta(days=1) - one.planned_end).days
    assert one.curve.shape[0] == one.odds.years
    for row in one.nitrogen[one.nitrogen["after_planting_d"].isin([0, 28])].itertuples():
        day = planting + row.after_planting_d
        assert np.nanmedian(one.curve[:, day]) == pytest.approx(row.release_p50_kg_ha, abs=1e-6)


def test_no_prose_is_wider_than_a_terminal(refused, pond):
    for found in (refused, pond):
        prose = [line for line in after_lines(found) if re.match(r"  [A-Z]\w+ .*[a-z]", line)]
        assert prose
        assert max(len(line) for line in prose) <= 82


def test_american_units_are_the_same_amounts(sample_farm, refused):
    farm = replace(sample_farm, settings=replace(sample_farm.settings, units="us"))
    found = find_after(farm, "Beds 2", "sorghum_sudangrass", "Beds 2/2")
    words = text(found)
    assert "kg/ha" not in words
    assert "t/ha" not in words
    pounds = float(re.search(r"with ([\d.]+) lb/ac of nitrogen", words)[1])
    assert pounds == pytest.approx(refused.gaps[0].after.nitrogen_p50_kg_ha * 0.8922, abs=1)


@pytest.mark.parametrize(("amount", "words"), [(12.0, "12 kg/ha set free"), (-8.0, "8 kg/ha tied up")])
def test_nitrogen_is_free_or_tied_up(amount, words):
    assert nitrogen_in_words(amount, "metric") == words


def test_the_table_has_a_row_for_each_gap_it_can_be_sown_in(pond):
    table = pd.read_csv(io.StringIO(after_csv(pond)))
    assert list(table["gap_id"]) == [one.gap.gap_id for one in pond.gaps if one.after is not None]


# -- the picture -------------------------------------------------------------------------------------


def drawn_words(path) -> str:
    return re.sub(r"\s+", " ", " ".join(re.findall(r"<!-- (.*?) -->", path.read_text(), flags=re.S)))


def test_the_picture_of_a_refused_cover_says_so(tmp_path, refused, legume):
    pytest.importorskip("matplotlib")
    (bad,), (good,) = (write_after(found, tmp_path, "svg") for found in (refused, legume))
    assert "Refused: from the day it has grown enough" in drawn_words(bad)
    assert "Refused" not in drawn_words(good)
    assert "bean" in drawn_words(good) or "has taken up" in drawn_words(good)


def test_the_same_picture_twice_and_one_for_each_gap(tmp_path, pond):
    pytest.importorskip("matplotlib")
    one, two = (write_after(pond, tmp_path / name, "svg") for name in ("one", "two"))
    assert len(one) == sum(g.after is not None for g in pond.gaps)
    for first, second in zip(one, two, strict=True):
        assert first.read_bytes() == second.read_bytes()


# -- the commands ------------------------------------------------------------------------------------


def run(*args: str):
    return CliRunner().invoke(cli.app, list(args))


def test_after_prints_what_is_found_and_writes_the_picture(tmp_path):
    pytest.importorskip("matplotlib")
    done = run("after", "sample_fields", "Beds 2", "sorghum_sudangrass", "--gap", "Beds 2/2", "--out", str(tmp_path))
    assert done.exit_code == 0, done.output
    assert "Refused:" in done.output
    assert [p.suffix for p in tmp_path.iterdir()] == [".svg"]


@pytest.mark.parametrize(("args", "words"), [
    (("after", "sample_fields", "Beds 9", "buckwheat"), "Beds 9"),
    (("after", "sample_fields", "Beds 2", "buckweat"), "buckweat"),
    (("after", "sample_fields", "Beds 2", "buckwheat", "--gap", "Beds 2/9"), "Beds 2/9"),
    (("ladder", "sample_fields", "Beds 2/9"), "Beds 2/9"),
])  # fmt: skip
def test_a_name_that_is_not_known_is_one_sentence(args, words):
    done = run(*args)
    assert isinstance(done.exception, InputProblem)
    assert words in str(done.exception)
    assert "\n" not in str(done.exception)


def test_ladder_reads_the_plans_rungs_aloud(sample_plan):
    lines = list(ladder_lines(sample_plan.ladder, sample_plan.catalogue))
    gaps = sample_plan.ladder["gap_id"].nunique()
    assert len(lines) == gaps + len(sample_plan.ladder)
    assert sum("keep it clean" in line for line in lines) == gaps


def test_the_ladder_of_one_gap_as_a_table():
    done = run("ladder", "sample_fields", "River 1/2", "--csv")
    assert done.exit_code == 0, done.output
    start = done.output.index("gap_id,")
    table = pd.read_csv(io.StringIO(done.output[start:]))
    assert set(table["gap_id"]) == {"River 1/2"}
    assert list(table["rung"]) == list(range(1, len(table) + 1))
