"""Counts in frames: against printed tables, the published formulas in their own form, and counts that are drawn."""

from __future__ import annotations

import csv
import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.advice.frame_counts import StopRule, counted_density, measured_clumping, stop_counting
from greengap.advice.students_t import frames_needed, t_quantile, t_within

T_TABLE = list(csv.DictReader((Path(__file__).parents[1] / "checks" / "students_t.csv").open(encoding="utf-8")))
RING_M2 = 0.1


@pytest.mark.parametrize("check", T_TABLE, ids=lambda c: c["check_id"])
def test_t_is_that_of_the_printed_table(check):
    found = t_quantile(float(check["level"]), int(check["freedom"]))
    assert found == pytest.approx(float(check["expected"]), abs=float(check["tolerance"]) + 1e-9)


@given(st.floats(0, 30), st.integers(1, 60))
def test_t_lies_within_itself(t, freedom):
    share = t_within(t, freedom)
    assert 0 <= share <= 1
    if 0.01 < share < 0.9999:
        assert t_quantile(share, freedom) == pytest.approx(t, rel=1e-6)


def test_the_frames_that_are_needed_are_enough_and_one_less_is_not():
    for variation in (0.1, 0.3, 0.6):
        n = frames_needed(variation, 0.25)
        assert t_quantile(0.95, n - 1) * variation / math.sqrt(n) <= 0.25
        assert n == 2 or t_quantile(0.95, n - 2) * variation / math.sqrt(n - 1) > 0.25


# -- density ------------------------------------------------------------------------------------


def test_nothing_found_leaves_the_exact_limit_of_a_poisson_count():
    """F. Garwood 1936: of a count of 0 the upper limit of 95 % is 3.689 (from memory)."""
    found = counted_density([0, 0, 0, 0], [RING_M2] * 4, clumping=4.0)
    assert found.high_m2 * 0.4 == pytest.approx(3.689, abs=0.0005)
    assert (found.per_m2, found.low_m2) == (0.0, 0.0)


def test_the_interval_is_that_of_the_estimating_equation_worked_by_hand():
    """Counts 10, 20, 30: mean 20, Pearson 100/20 + 0 + 100/20 = 10, dispersion 5, se of the log sqrt(5/60)."""
    found = counted_density([10, 20, 30], [1.0] * 3, clumping=4.0)
    assert found.dispersion == pytest.approx(5.0)
    assert found.high_m2 == pytest.approx(20 * math.exp(4.302653 * math.sqrt(5 / 60)), rel=1e-5)
    assert found.low_m2 == pytest.approx(20 * math.exp(-4.302653 * math.sqrt(5 / 60)), rel=1e-5)


@pytest.mark.outside
def test_the_interval_is_that_of_statsmodels(other_software):
    api, stats = other_software("statsmodels.api"), other_software("scipy.stats")
    rng = np.random.default_rng(3)
    for n in (2, 4, 9):
        areas = rng.uniform(0.05, 0.3, n)
        counts = rng.negative_binomial(3, 3 / (3 + 150 * areas)) + 1
        model = api.GLM(counts, np.ones(n), family=api.families.Poisson(), offset=np.log(areas)).fit(scale="X2")
        error = model.bse[0] * math.sqrt(max(model.scale, 1.0) / model.scale)
        t = stats.t.ppf(0.975, n - 1)
        found = counted_density(counts, areas, clumping=4.0)
        assert found.per_m2 == pytest.approx(math.exp(model.params[0]), rel=1e-8)
        assert found.low_m2 == pytest.approx(math.exp(model.params[0] - t * error), rel=1e-6)
        assert found.high_m2 == pytest.approx(math.exp(model.params[0] + t * error), rel=1e-6)


@pytest.mark.parametrize("clumping", [2.0, 4.0, 20.0])
@pytest.mark.parametrize("frames", [3, 5, 8])
def test_the_interval_holds_the_true_density_about_as_often_as_it_says(clumping, frames):
    """Drawn from a negative binomial of 15 plants in a frame. Few frames of a patchy stand lie a little below."""
    rng, density, inside = np.random.default_rng(11), 150.0, 0
    drawn = rng.negative_binomial(clumping, clumping / (clumping + density * RING_M2), (2000, frames))
    for counts in drawn:
        found = counted_density(counts, [RING_M2] * frames, clumping=4.0)
        inside += found.low_m2 <= density <= found.high_m2
    assert inside / 2000 > 0.92


def test_a_larger_frame_with_as_many_more_plants_is_the_same_density():
    small = counted_density([4, 6, 5], [0.1] * 3, clumping=4.0)
    mixed = counted_density([4, 12, 5], [0.1, 0.2, 0.1], clumping=4.0)
    assert small.per_m2 == pytest.approx(50)
    assert mixed.per_m2 == pytest.approx(52.5)


def test_one_frame_says_little():
    one, four = counted_density([15], [RING_M2], 4.0), counted_density([15] * 4, [RING_M2] * 4, 4.0)
    assert one.per_m2 == pytest.approx(four.per_m2)
    assert one.low_m2 < four.low_m2
    assert one.high_m2 > four.high_m2


@pytest.mark.parametrize(("plants", "areas"), [([], []), ([1], [0.0]), ([-1], [0.1]), ([1, 2], [0.1])])
def test_what_is_no_count_is_refused(plants, areas):
    with pytest.raises(ValueError, match=r"counts|plants"):
        counted_density(plants, areas, 4.0)


def test_moments_find_the_clumping_that_was_drawn():
    rng = np.random.default_rng(2)
    counts = rng.negative_binomial(4, 4 / (4 + 15), 20_000)
    assert measured_clumping(counts, [RING_M2] * counts.size) == pytest.approx(4.0, rel=0.05)
    assert measured_clumping([5, 5, 5], [RING_M2] * 3) == math.inf


# -- when to stop -------------------------------------------------------------------------------


def a_rule(clumping=4.0, least=1, most=1000):
    return StopRule(40.0, 80.0, clumping, 0.1, 0.1, least, most)


@pytest.mark.parametrize("clumping", [0.8, 4.0, 30.0])
def test_the_stop_lines_are_those_of_the_published_form(clumping):
    """G. W. Fowler and A. M. Lynch 1987, negative binomial: with P = mean / k and Q = 1 + P, slope
    k ln(Q1/Q0) / ln(P1 Q0 / (P0 Q1)) and intercepts ln(b/(1-a)) and ln((1-b)/a) over the same (from memory)."""
    p0, p1 = 40 * RING_M2 / clumping, 80 * RING_M2 / clumping
    q0, q1 = 1 + p0, 1 + p1
    over = math.log(p1 * q0 / (p0 * q1))
    slope = clumping * math.log(q1 / q0) / over
    for n in (1, 5, 12):
        low, high = a_rule(clumping).lines(n, RING_M2)
        assert low == pytest.approx(slope * n + math.log(0.1 / 0.9) / over)
        assert high == pytest.approx(slope * n + math.log(0.9 / 0.1) / over)


def test_without_clumping_they_are_walds_for_poisson_counts():
    """A. Wald 1947: slope (m1 - m0) / ln(m1 / m0)."""
    low, high = a_rule(math.inf).lines(7, RING_M2)
    assert (low + high) / 2 == pytest.approx(7 * (8 - 4) / math.log(8 / 4))
    assert (high - low) / 2 == pytest.approx(math.log(9) / math.log(2))
    close = a_rule(1e7).lines(7, RING_M2)
    assert close == pytest.approx((low, high), rel=1e-4)


@given(st.lists(st.integers(0, 60), min_size=1, max_size=10), st.floats(0.5, 50))
def test_the_evidence_is_the_ratio_of_two_negative_binomials(counts, k):
    def log_odds_of(y, m):
        return math.lgamma(y + k) - math.lgamma(k) - math.lgamma(y + 1) + k * math.log(k / (k + m)) + y * math.log(
            m / (k + m)
        )  # fmt: skip

    expected = sum(log_odds_of(y, 80 * RING_M2) - log_odds_of(y, 40 * RING_M2) for y in counts)
    assert a_rule(k).evidence(counts, [RING_M2] * len(counts)) == pytest.approx(expected, abs=1e-6)


@pytest.mark.outside
def test_the_evidence_is_that_of_scipy(other_software):
    stats, counts, k = other_software("scipy.stats"), [3, 0, 11, 6], 4.0
    expected = sum(stats.nbinom.logpmf(counts, k, k / (k + 8)) - stats.nbinom.logpmf(counts, k, k / (k + 4)))
    assert a_rule(k).evidence(counts, [RING_M2] * 4) == pytest.approx(expected)


def drawn_verdicts(density, clumping, rule, runs=1500, longest=400):
    rng, mean = np.random.default_rng(5), density * RING_M2
    shape = (runs, longest)
    draw = rng.poisson(mean, shape) if clumping == math.inf else rng.negative_binomial(
        clumping, clumping / (clumping + mean), shape
    )  # fmt: skip
    for counts in draw:
        for n in range(1, longest + 1):
            found = stop_counting(counts[:n], [RING_M2] * n, rule)
            if found.side != "go on":
                yield found.side, n
                break


@pytest.mark.parametrize("clumping", [2.0, 4.0, math.inf])
@pytest.mark.parametrize(("density", "wrong"), [(40.0, "enough"), (80.0, "too few")])
def test_the_odds_of_error_are_kept(clumping, density, wrong):
    """Wald: at the two densities no more than about a tenth of the verdicts is wrong (0.1 / 0.9 at the most)."""
    sides = [side for side, _ in drawn_verdicts(density, clumping, a_rule(clumping))]
    assert len(sides) == 1500
    assert sides.count(wrong) / len(sides) < 0.1 / 0.9


def test_frames_that_end_at_twelve_still_keep_the_odds_of_error():
    for density, wrong in ((40.0, "enough"), (80.0, "too few")):
        sides = [side for side, n in drawn_verdicts(density, 4.0, a_rule(4.0, 3, 12)) if n <= 12]
        assert sides.count(wrong) / len(sides) < 0.1
        assert sides.count("between") / len(sides) < 0.1


def test_the_mean_number_of_frames_is_that_of_wald():
    """A. Wald 1947: about ((1-a) ln(b/(1-a)) + a ln((1-b)/a)) / mean of the evidence of a frame, and a little more,
    since a frame steps over the bound."""
    rule, mean = a_rule(4.0), 40 * RING_M2
    rng = np.random.default_rng(9)
    counts = rng.negative_binomial(4, 4 / (4 + mean), 20_000)
    each = rule.evidence(counts, [RING_M2] * counts.size) / counts.size
    expected = (0.9 * math.log(0.1 / 0.9) + 0.1 * math.log(0.9 / 0.1)) / each
    took = np.mean([n for _, n in drawn_verdicts(40.0, 4.0, rule)])
    assert expected < took < expected + 2.5


def test_a_stand_far_from_both_is_judged_after_the_least_frames():
    rule = a_rule(4.0, 3, 12)
    assert stop_counting([30, 28, 31], [RING_M2] * 3, rule).side == "enough"
    assert stop_counting([0, 0, 0, 0, 0], [RING_M2] * 5, rule).side == "too few"
    assert stop_counting([30, 28], [RING_M2] * 2, rule).more == 1


def test_a_stand_between_the_two_ends_in_neither():
    rule = a_rule(4.0, 3, 12)
    found = stop_counting([5, 6] * 6, [RING_M2] * 12, rule)
    assert (found.side, found.more) == ("between", 0)
    on = [stop_counting(([5, 6] * 6)[:n], [RING_M2] * n, rule) for n in range(3, 12)]
    assert {one.side for one in on} == {"go on"}
    assert all(1 <= one.more <= 12 - one.frames for one in on)


def test_the_frames_to_go_come_true_if_all_are_alike():
    rule, each = a_rule(4.0, 3, 50), 9.0
    first = stop_counting([each] * 3, [RING_M2] * 3, rule)
    assert first.side == "enough" or stop_counting(
        [each] * (3 + first.more), [RING_M2] * (3 + first.more), rule
    ).side == "enough"  # fmt: skip
    lines = [rule.lines(n, RING_M2) for n in range(3, 20)]
    assert all(later[0] > sooner[0] and later[1] > sooner[1] for sooner, later in pairwise(lines))


@pytest.mark.parametrize(("few", "enough", "k"), [(0.0, 10.0, 4.0), (10.0, 10.0, 4.0), (10.0, 20.0, 0.0)])
def test_a_rule_that_cannot_be_is_refused(few, enough, k):
    with pytest.raises(ValueError, match="must"):
        StopRule(few, enough, k, 0.1, 0.1)
