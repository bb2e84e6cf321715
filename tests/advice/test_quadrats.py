"""Biomass from frames: printed conversions, Student's interval, and what a measurement moves."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.advice.quadrats import (
    MoreFrames,
    dry_weight,
    more_frames,
    nitrogen_by_stage,
    nitrogen_of_stand,
    weigh,
)
from greengap.biomass_sample_of import sample_of
from greengap.cover_after import find_after
from greengap.errors import InputProblem
from greengap.farm.season_record import record_of
from greengap.output.after_text import after_lines
from greengap.output.sample_text import more_in_words, sample_lines
from greengap.units import FOOT_M, LB_AC_KG_HA, POUND_KG, shown

CUT = pd.Timestamp("2027-08-16")


# -- arithmetic ---------------------------------------------------------------------------------


def test_a_gram_on_a_square_foot_is_96_pounds_on_an_acre():
    """43,560 / 453.6 = 96.0; a trade note that prints 98 is wrong, its 20.8 g = 2,000 lb agrees."""
    one = weigh([1.0, 1.0], [FOOT_M**2] * 2).kg_ha / LB_AC_KG_HA
    assert one == pytest.approx(96.0, abs=0.05)
    assert weigh([20.8, 20.8], [FOOT_M**2] * 2).kg_ha / LB_AC_KG_HA == pytest.approx(2000, rel=0.002)


def test_weight_times_43560_over_square_feet_is_the_weight_on_an_acre():
    """UC Santa Cruz, "Teaching Organic Farming and Gardening": weight x 43,560 / sq ft."""
    pounds, square_feet = 0.75, 8.0
    found = weigh([pounds * POUND_KG * 1000] * 2, [square_feet * FOOT_M**2] * 2)
    assert found.kg_ha / LB_AC_KG_HA == pytest.approx(pounds * 43_560 / square_feet, rel=1e-9)
    assert shown(found.kg_ha, "kg_ha", "us") == (pytest.approx(4083.75, rel=1e-6), "lb/ac")


def test_the_interval_is_students():
    """The t table gives 4.303 for three frames; mean and spread are the standard library's."""
    grams = [30.0, 42.0, 36.0]
    found = weigh(grams, [0.1] * 3)
    half = 4.303 * statistics.stdev(grams) / math.sqrt(3) * 100
    assert found.kg_ha == pytest.approx(statistics.mean(grams) * 100)
    assert found.high_kg_ha - found.kg_ha == pytest.approx(half, rel=1e-3)
    assert found.variation == pytest.approx(statistics.stdev(grams) / statistics.mean(grams))


@pytest.mark.outside
def test_the_interval_is_that_of_scipy(other_software):
    stats, grams = other_software("scipy.stats"), np.array([30.0, 42.0, 36.0, 51.0])
    low, high = stats.t.interval(0.95, 3, loc=grams.mean() * 100, scale=stats.sem(grams) * 100)
    found = weigh(grams, [0.1] * 4)
    assert (found.low_kg_ha, found.high_kg_ha) == (pytest.approx(low), pytest.approx(high))


def test_the_interval_holds_the_mean_of_an_uneven_stand_about_as_often_as_it_says():
    rng, inside = np.random.default_rng(4), 0
    for grams in rng.gamma(6.0, 6.0, (3000, 5)):
        found = weigh(grams, [0.1] * 5)
        inside += found.low_kg_ha <= 3600 <= found.high_kg_ha
    assert 0.92 < inside / 3000 < 0.97


@given(st.lists(st.floats(1, 100), min_size=2, max_size=8), st.floats(0.5, 4))
def test_a_larger_frame_with_as_much_more_in_it_is_the_same(grams, larger):
    plain = weigh(grams, [0.25] * len(grams))
    wide = weigh([g * larger for g in grams], [0.25 * larger] * len(grams))
    assert wide.kg_ha == pytest.approx(plain.kg_ha)
    assert wide.high_kg_ha == pytest.approx(plain.high_kg_ha)


def test_one_frame_has_no_range():
    found = weigh([30.0], [0.1])
    assert (found.kg_ha, found.frames) == (3000.0, 1)
    assert math.isnan(found.low_kg_ha)
    assert more_frames(found, 0.25, 12) == MoreFrames(False, None, 1, 1)
    assert "says nothing" in more_in_words(more_frames(found, 0.25, 12), 1)


@pytest.mark.parametrize(("grams", "areas"), [([], []), ([-1.0], [0.1]), ([1.0], [0.0]), ([math.nan], [0.1])])
def test_what_is_no_weight_is_refused(grams, areas):
    with pytest.raises(ValueError, match=r"weights"):
        weigh(grams, areas)


def test_a_part_that_was_dried_speaks_for_the_whole():
    assert dry_weight(1200, 300, 54) == pytest.approx(1200 * 0.18)
    for wrong in ((1200, 300, 301), (1200, 0, 0), (-1, 300, 50)):
        with pytest.raises(ValueError, match="not a drying"):
            dry_weight(*wrong)


def test_even_frames_are_enough_and_uneven_ones_are_not():
    even, uneven = weigh([35, 36, 34, 35], [0.1] * 4), weigh([10, 60, 35, 20], [0.1] * 4)
    assert more_frames(even, 0.25, 12).enough
    some = more_frames(uneven, 0.25, 40)
    assert not some.enough
    n = uneven.frames + some.more
    assert 1.96 * uneven.variation / math.sqrt(n) < 0.25 < 3.19 * uneven.variation / math.sqrt(n - 1)
    # by the t table 3.182 / sqrt(4) = 1.591 with four frames, 2.365 / sqrt(8) = 0.836, 2.306 / sqrt(9) = 0.769
    assert some.to_halve == 9 - 4


def test_an_interval_on_one_side_of_the_aim_decides():
    found = weigh([30, 42, 36], [0.1] * 3)
    assert more_frames(found, 0.25, 12, 1000).decided is True
    assert more_frames(found, 0.25, 12, 3000).decided is False
    assert more_frames(found, 0.25, 12).decided is None


def test_nitrogen_of_a_mix_is_that_of_its_parts():
    frames = weigh([40, 40], [0.1, 0.1])
    stand = nitrogen_of_stand(frames, {"oat": 3, "pea": 1}, {"oat": 0.02, "pea": 0.04}, 0.42, False)
    assert stand.kg_ha == pytest.approx(3000 * 0.02 + 1000 * 0.04)
    assert stand.carbon_to_nitrogen == pytest.approx(0.42 * 4000 / 100)


def test_nitrogen_by_stage_falls_from_seedling_to_seed(sample_farm):
    """Legumes before flowering 3.5 to 4 %, in flower 3 to 3.5 % (UC Santa Cruz, demonstration page)."""
    pea = sample_farm.catalogue.species["field_pea"]
    young, bud, flower, seed = (nitrogen_by_stage(pea, stage, sample_farm.catalogue) for stage in (0.0, 0.9, 1.0, 2.0))
    assert young > bud >= flower >= seed
    assert 0.03 <= flower <= 0.04


# -- the record ---------------------------------------------------------------------------------


def a_record(farm, cuts, cover="buckwheat", more=()):
    base = {"written": "2027-08-16T18:00:00Z", "who": "", "block_id": "Pond", "gap_id": "Pond/2"}
    rows = [base | {"what": "sown", "date": pd.Timestamp("2027-07-05"), "cover_id": cover}]
    rows += [base | {"what": "sample", "date": CUT, "frame_area_m2": 0.1} | cut for cut in cuts]
    return replace(farm, record=record_of([*rows, *(base | row for row in more)]))


DRY = [{"frame": n, "species": s, "dry_g": g} for n, s, g in (
    (1, "buckwheat", 28), (1, "weeds", 4), (2, "buckwheat", 41), (2, "weeds", 2), (3, "buckwheat", 35),
)]  # fmt: skip


def test_weeds_are_weighed_apart_and_a_frame_without_any_counts(sample_farm):
    found = sample_of(a_record(sample_farm, DRY), "Pond/2")
    assert found.stand.kg_ha == pytest.approx((28 + 41 + 35) / 3 * 100)
    assert found.weeds.kg_ha == pytest.approx((4 + 2 + 0) / 3 * 100)
    assert not found.nitrogen.by_laboratory


def test_fresh_weights_take_the_dry_share_of_what_was_dried(sample_farm):
    cuts = [{"frame": 1, "fresh_g": 200, "dry_g": 30}, {"frame": 2, "fresh_g": 300}, {"frame": 3, "fresh_g": 240}]
    found = sample_of(a_record(sample_farm, cuts), "Pond/2")
    assert found.stand.kg_ha == pytest.approx((200 + 300 + 240) * 0.15 / 3 * 100)
    assert any("15 %" in note for note in found.notes)


def test_a_laboratory_stands_over_the_catalogue(sample_farm):
    ours = sample_of(a_record(sample_farm, DRY), "Pond/2")
    lab = [*DRY, {"frame": 4, "species": "buckwheat", "dry_g": 35, "nitrogen_fraction": 0.031}]
    found = sample_of(a_record(sample_farm, lab), "Pond/2").nitrogen
    assert found.by_laboratory
    assert found.fraction == pytest.approx(0.031)
    assert found.fraction != pytest.approx(ours.nitrogen.fraction)
    ratio = [*DRY, {"frame": 4, "species": "buckwheat", "dry_g": 35, "carbon_to_nitrogen": 21.0}]
    assert sample_of(a_record(sample_farm, ratio), "Pond/2").nitrogen.carbon_to_nitrogen == pytest.approx(21.0)


@pytest.mark.parametrize(
    ("cuts", "says"),
    [
        ([{"frame": 1, "fresh_g": 200}], "nothing was dried"),
        ([{"frame": 1, "fresh_g": 20, "dry_g": 30}], "30 g dry of 20 g fresh"),
        ([{"frame": 1, "species": "weeds", "dry_g": 30}], "only weeds"),
        ([{"frame": 1, "species": "nettle", "dry_g": 30}], "nettle"),
    ],
)
def test_what_says_nothing_of_dry_matter_is_refused(sample_farm, cuts, says):
    with pytest.raises(InputProblem, match=says):
        sample_of(a_record(sample_farm, cuts), "Pond/2")


def test_without_a_sample_there_is_none(sample_farm):
    assert sample_of(sample_farm, "Pond/2") is None
    assert sample_of(a_record(sample_farm, []), "Pond/2") is None
    assert sample_of(a_record(sample_farm, DRY), "Pond/2", CUT - pd.Timedelta(days=1)) is None


def test_what_follows_is_reckoned_from_the_sample_and_says_so(sample_farm):
    lab = [cut | {"nitrogen_fraction": 0.03} if cut["species"] == "buckwheat" else cut for cut in DRY]
    farm = a_record(sample_farm, lab)
    measured = find_after(farm, "Pond", "buckwheat", "Pond/2").gaps[0]
    assert measured.after.biomass_p50_kg_ha == pytest.approx((28 + 41 + 35) / 3 * 100, rel=1e-6)
    assert measured.after.nitrogen_p50_kg_ha == pytest.approx(measured.after.biomass_p50_kg_ha * 0.03, rel=1e-6)
    assert measured.window.sow_best == pd.Timestamp("2027-07-05")
    assert measured.planned_end == CUT
    richer = [cut | {"nitrogen_fraction": 0.04} if cut["species"] == "buckwheat" else cut for cut in DRY]
    more = find_after(a_record(sample_farm, richer), "Pond", "buckwheat", "Pond/2").gaps[0]
    assert more.after.nitrogen_season_p50_kg_ha > measured.after.nitrogen_season_p50_kg_ha
    assert more.curve[:, -1].mean() > measured.curve[:, -1].mean()
    text = "\n".join(after_lines(find_after(farm, "Pond", "buckwheat", "Pond/2")))
    assert "Measured: 3.5 t/ha" in text
    assert "by your sample" in text


def test_another_cover_and_another_gap_are_reckoned_as_ever(sample_farm):
    farm = a_record(sample_farm, DRY)
    for block, cover, gap in (("Pond", "oat", "Pond/2"), ("Pond", "buckwheat", "Pond/3")):
        ours, theirs = ("\n".join(after_lines(find_after(f, block, cover, gap))) for f in (farm, sample_farm))
        assert ours == theirs


@pytest.mark.parametrize("units", ["metric", "us"])
def test_the_text_has_the_weight_in_the_units_of_the_reader(sample_farm, units):
    farm = a_record(sample_farm, DRY)
    text = " ".join(sample_lines(sample_of(farm, "Pond/2"), farm.catalogue, units))
    assert {"metric": "3,467 kg/ha", "us": "3,093 lb/ac"}[units] in text  # 3466.7 / 1.120851
