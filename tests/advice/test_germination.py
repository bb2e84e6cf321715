"""A germination count is not over-read: few seeds decide nothing that they cannot know."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from greengap import cli
from greengap.advice.germination import judge_count
from greengap.catalogue import load_catalogue
from greengap.errors import InputProblem
from greengap.output.germination_text import count_lines

ENOUGH = int(load_catalogue().rule("germination_count_seeds"))


@pytest.mark.parametrize(
    ("good", "sown", "tag", "verdict"),
    [
        (28, 30, 0.90, "retest"),  # the counts of the Florida rag dolls of 2020, catalogue source trec2020
        (13, 30, 0.90, "retest"),
        (30, 30, 0.85, "as the tag says"),
        (92, 100, 0.90, "as the tag says"),
        (70, 100, 0.90, "raise the rate"),
        (180, 200, 0.90, "as the tag says"),
        (0, 100, 0.90, "raise the rate"),
    ],
)
def test_the_verdict(good, sown, tag, verdict):
    assert judge_count(good, sown, tag, ENOUGH).verdict == verdict


def test_a_raise_makes_up_for_the_germination_that_is_missing():
    count = judge_count(72, 100, 0.90, ENOUGH)
    assert count.verdict == "raise the rate"
    assert (1 + count.raise_share) * count.share == pytest.approx(0.90)
    assert (1 + count.raise_low) * count.high == pytest.approx(0.90)
    assert (1 + count.raise_high) * count.low == pytest.approx(0.90)


@given(st.integers(1, 30), st.data(), st.floats(0.5, 1.0))
def test_thirty_seeds_never_raise_a_rate_and_never_confirm_a_tag_that_they_leave_open(sown, data, tag):
    count = judge_count(data.draw(st.integers(0, sown)), sown, tag, ENOUGH)
    assert count.verdict != "raise the rate"
    if count.low <= tag:
        assert count.verdict == "retest"


@given(st.integers(100, 400), st.data(), st.floats(0.5, 1.0))
def test_a_rate_is_raised_only_where_the_tag_lies_outside_the_interval(sown, data, tag):
    count = judge_count(data.draw(st.integers(0, sown)), sown, tag, ENOUGH)
    assert (count.verdict == "raise the rate") == (count.high < tag)
    assert (count.verdict == "raise the rate") <= (count.raise_low > 0)


@pytest.mark.parametrize(("good", "sown", "expected"), [(-1, 10, 0.9), (11, 10, 0.9), (0, 0, 0.9), (5, 10, 0.0)])
def test_what_is_no_count_is_refused(good, sown, expected):
    with pytest.raises(ValueError, match="not a count"):
        judge_count(good, sown, expected, ENOUGH)


def said(*words):
    result = CliRunner().invoke(cli.app, ["germination", *words])
    if isinstance(result.exception, InputProblem):
        return result.exception.sentence
    assert result.exit_code == 0, result.output
    return result.stdout


def test_the_lines_name_method_interval_and_verdict():
    text = said("28", "30", "--tag", "90")
    assert "between 79 % and 98 %" in text
    assert "Wilson 1927, 95 %" in text
    assert "Verdict: retest, 100 seeds or more" in text
    assert "Verdict: raise the rate by 29 % (15 % to 49 %)" in said("70", "100", "--tag", "90")
    assert "Verdict: as the tag says, 90 %" in said("92", "100", "--tag", "90")
    assert "as an ordinary lot of cowpea" in said("88", "100", "--species", "Cowpea")


@pytest.mark.parametrize("sown", [20, 100, 400])
def test_a_dead_lot_is_tested_again_and_no_endless_raise_is_printed(sown):
    count = judge_count(0, sown, 0.9, ENOUGH)
    assert math.isinf(count.raise_share)
    text = "\n".join(count_lines(count, load_catalogue(), "the tag"))
    assert "Nothing came up" in text
    assert "inf" not in text


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["31", "30", "--tag", "90"], "31 of 30 seeds cannot be up"),
        (["9", "10", "--tag", "0.9"], "--tag: 0.9 % is no germination of a tag"),
        (["9", "10", "--tag", "120"], "--tag: 120 % is more than all of the seed"),
        (["9", "10"], "--tag: is missing"),
        (["9", "10", "--species", "cowpee"], "--species: 'cowpee' is not a species of the catalogue"),
    ],
)
def test_a_slip_gets_one_sentence(words, sentence):
    assert sentence in said(*words)
