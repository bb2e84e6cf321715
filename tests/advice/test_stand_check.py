"""The stand check: what is compared, cases that every grower knows, and the table that is worked out beforehand.

Counts and weeds of the cases are invented; what is asked of the verdict is what practice says, in the test's words.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.advice.seeding import typical_pls
from greengap.advice.stand_check import (
    CHOICES,
    CLEAN,
    KEEP,
    RESOW,
    SWITCH,
    WEED,
    StandTerms,
    WeedingWork,
    best_choice,
    turning_points,
    weeding_work,
)
from greengap.errors import InputProblem
from greengap.farm.season_record import record_of
from greengap.farm.seed_lists import Offer, SeedLists
from greengap.farm.settings import HandWeeding, SeedLot
from greengap.output.stand_text import (
    choices_csv,
    limit_cells,
    stand_lines,
    stop_in_words,
    verdict_in_words,
    worked_out_csv,
    worked_out_lines,
)
from greengap.process.weeds import height_weight, leaf_area_of_cover, leaf_area_of_plants
from greengap.stand_check_of import check_stand
from greengap.stand_worked_out import full_stand, usable_share, work_out_stand

TERMS = StandTerms(0.8, 0.1, 0.3)
odds = st.floats(0, 1)


# -- what is compared ---------------------------------------------------------------------------


@given(st.dictionaries(st.sampled_from(CHOICES), odds, min_size=1))
def test_no_choice_is_taken_that_is_clearly_worse(scores):
    choice, toss = best_choice(scores, TERMS)
    assert choice in scores
    if choice != KEEP or scores[KEEP] < 0.8:
        assert max(scores.values()) - scores[choice] < 0.1
    if toss:
        assert toss != choice
        assert CHOICES.index(choice) < CHOICES.index(toss)  # the less work of the two


def test_a_stand_that_keeps_the_wanted_odds_is_kept_whatever_else_would_do():
    assert best_choice({KEEP: 0.8, WEED: 1.0, RESOW: 1.0}, TERMS) == (KEEP, "")


def test_two_that_are_near_are_a_coin_toss_and_two_that_are_not_are_none():
    assert best_choice({KEEP: 0.6, RESOW: 0.65}, TERMS) == (KEEP, RESOW)
    assert best_choice({KEEP: 0.6, RESOW: 0.75}, TERMS) == (RESOW, "")


def test_where_nothing_wins_often_enough_the_ground_is_kept_clean():
    assert best_choice({KEEP: 0.0, SWITCH: 0.1, CLEAN: TERMS.least}, TERMS)[0] == CLEAN


def test_hours_by_hand_go_with_the_weeds_and_with_the_ground():
    work = WeedingWork(16, 1200, 1000)
    assert work.hours_for(2000, 6) == pytest.approx(2000 * 6 / 1200 + 2000 / 1000)
    assert work.hours_for(work.limit_m2(6), 6) == pytest.approx(16)
    assert work.limit_m2(60) < work.limit_m2(6)


def test_the_farm_s_own_rate_of_work_stands_over_the_common_one(sample_farm):
    rule = sample_farm.catalogue.rule
    own = weeding_work(HandWeeding(4.0, None, 500.0), sample_farm.catalogue)
    assert own == WeedingWork(4.0, rule("hand_weeding_rate"), 500.0)


@given(st.floats(0.02, 3.0), st.floats(0.3, 0.9))
def test_leaf_area_covers_what_it_was_found_to_cover(leaf_area, extinction):
    covered = 1 - math.exp(-extinction * leaf_area)  # Beer's law
    assert float(leaf_area_of_cover(covered, extinction)) == pytest.approx(leaf_area, rel=1e-6)


def test_weeds_of_twice_the_height_have_four_times_the_leaves_and_more_weight():
    assert float(leaf_area_of_plants(50, 80, 0.4)) == pytest.approx(4 * float(leaf_area_of_plants(50, 40, 0.4)))
    weights = [height_weight(mm, 100, 0.5, 2.0) for mm in (10, 60, 100, 150, 900)]
    assert weights == [0.5, 0.6, 1.0, 1.5, 2.0]
    assert height_weight(10, 0, 0.5, 2.0) == 2.0  # nothing of the cover to be seen


@given(st.lists(odds, min_size=4, max_size=4), odds)
def test_the_verdict_turns_where_the_odds_do(keep, other):
    share, keep = np.array([0.1, 0.2, 0.5, 1.0]), np.sort(keep)
    enough, few = turning_points(share, keep, np.full(4, other), TERMS)
    kept = np.maximum(keep - 0.8, keep - other - 0.1) >= -1e-9
    acted = np.maximum(keep - 0.8, keep - other + 0.1) < -1e-9
    assert (enough is None) == (not kept[-1])
    assert (few is None) == (not acted[0])
    if enough is not None and few is not None:
        assert few <= enough + 1e-9
    if enough:
        assert (share[kept] >= enough - 1e-9).all()
        assert (share[~kept] <= enough + 1e-9).all()


# -- cases of practice --------------------------------------------------------------------------

RING = 0.1
WEEDLESS = {"weed_plants": 1, "weed_height_mm": 5, "height_mm": 15}


def looked_at(farm, gap, cover, sown, looked, plants, weeds=None, area_m2=None, more=()):
    """The farm with a record of what was sown and counted."""
    base = {"written": "2027-08-01T06:00:00Z", "who": "", "block_id": gap.split("/")[0], "gap_id": gap}
    rows = [base | {"what": "sown", "date": pd.Timestamp(sown), "cover_id": cover}]
    frame = {"what": "stand", "date": pd.Timestamp(looked), "frame_area_m2": RING}
    rows += [base | frame | {"frame": n, "plants": p} | (weeds or {}) for n, p in enumerate(plants, start=1)]
    rows += [base | row for row in more]
    if area_m2 is not None:
        blocks = farm.blocks.copy()
        blocks.loc[blocks["block_id"] == base["block_id"], "area_sown_m2"] = area_m2
        farm = replace(farm, blocks=blocks)
    return replace(farm, record=record_of(rows))


def checked(farm, gap, cover, sown, looked, plants, weeds=None, area_m2=None, more=()):
    return check_stand(
        looked_at(farm, gap, cover, sown, looked, plants, weeds, area_m2, more), gap, pd.Timestamp(looked)
    )


PIGWEED = {"weed_plants": 0.8, "weed_height_mm": 100, "height_mm": 100}  # eight on a square metre, as tall as the cover
PATCHY = [9, 2, 14, 0, 6, 3]


@pytest.fixture(scope="module")
def patchy_small(sample_farm):
    return checked(sample_farm, "Pond/2", "buckwheat", "2027-07-05", "2027-07-17", PATCHY, PIGWEED, 2_000)


@pytest.fixture(scope="module")
def patchy_large(sample_farm):
    return checked(sample_farm, "Pond/2", "buckwheat", "2027-07-05", "2027-07-17", PATCHY, PIGWEED, 10_000)


def test_patchy_buckwheat_with_pigweed_is_weeded_where_the_block_is_small(patchy_small):
    assert patchy_small.verdict.choice == WEED
    row = patchy_small.verdict.row(WEED)
    assert row.hours == pytest.approx(2_000 * (8 / 1200 + 1 / 1000))
    assert row.odds > patchy_small.verdict.row(KEEP).odds + 0.1


def test_on_a_hectare_nobody_begins_to_weed_it(patchy_large):
    assert patchy_large.verdict.choice in (RESOW, SWITCH)
    row = patchy_large.verdict.row(WEED)
    assert not row.possible
    assert "77 hours" in row.why_not  # 10,000 m2 with 8 on each at 1,200 an hour, and 10 hours of walking


def test_the_area_does_not_move_the_odds(patchy_small, patchy_large):
    for choice in (KEEP, WEED, RESOW):
        assert patchy_small.verdict.row(choice).odds == patchy_large.verdict.row(choice).odds


def test_a_good_stand_of_buckwheat_outgrows_the_same_weeds(sample_farm):
    found = checked(sample_farm, "Pond/2", "buckwheat", "2027-07-05", "2027-07-17", [16, 18, 14, 19], PIGWEED)
    assert found.verdict.choice == KEEP
    assert found.stop.side == "enough"
    assert found.stop.more == 0


def test_thin_clover_in_a_weedy_block_is_not_kept_because_it_is_alive(sample_farm):
    weedy = {"weed_plants": 12, "weed_height_mm": 25, "height_mm": 15}
    found = checked(sample_farm, "West Bench/2", "crimson_clover", "2027-08-27", "2027-09-10", [12, 3, 18, 9, 5], weedy)
    assert found.verdict.choice in (SWITCH, CLEAN)
    assert found.verdict.row(KEEP).odds == 0


def test_a_good_stand_of_clover_is_kept_whatever_the_engine_gives_clover_there(sample_farm):
    found = checked(
        sample_farm, "West Bench/2", "crimson_clover", "2027-08-27", "2027-09-10", [52, 40, 48, 55, 44], WEEDLESS
    )
    assert found.verdict.choice == KEEP
    assert found.verdict.good
    assert "matter of the cover" in verdict_in_words(found)


@pytest.fixture(scope="module")
def birds_in_pea(sample_farm):
    lost = [{"what": "loss", "date": pd.Timestamp("2027-07-16"), "cause": "birds"}]
    weeds = {"weed_plants": 3, "weed_height_mm": 20, "height_mm": 60}
    plants = [1, 0, 2, 0, 0, 1]
    return [
        checked(sample_farm, "Pond/2", "field_pea", "2027-07-05", "2027-07-19", plants, weeds, more=more)
        for more in (lost, [])
    ]


def test_pea_that_birds_took_is_not_given_to_them_again(birds_in_pea):
    took, none = birds_in_pea
    assert took.verdict.choice == SWITCH
    assert took.verdict.row().bird_risk_share == 0  # something that they do not seek
    again, once = took.verdict.row(RESOW), none.verdict.row(RESOW)
    assert again.wins_years == once.wins_years  # the weather is the same
    assert again.odds < once.odds < once.wins_years / once.years
    assert any("Birds" in note for note in took.notes)
    assert not any("Birds" in note for note in none.notes)


def test_a_small_failed_phacelia_late_in_its_gap_is_given_up(sample_farm):
    weeds = {"weed_plants": 10, "weed_height_mm": 30, "height_mm": 15}
    found = checked(sample_farm, "Beds 2/2", "lacy_phacelia", "2027-07-12", "2027-07-26", [0, 1, 0, 0, 2, 0], weeds)
    assert found.verdict.choice == CLEAN
    assert found.verdict.settled
    assert not found.verdict.row(RESOW).possible
    assert "too late" in found.verdict.row(RESOW).why_not


def test_fast_covers_win_from_further_behind_than_slow_ones(sample_farm):
    """Half a stand of each, twelve days after sowing into the same weeds."""
    keeps = {}
    for cover in ("buckwheat", "lacy_phacelia", "crimson_clover"):
        table = work_out_stand(
            sample_farm, "Pond/2", cover, pd.Timestamp("2027-07-05"), pd.Timestamp("2027-07-17")
        ).table
        rows = table[(table["stand_share"] == 0.5) & (table["weed_cover_fraction"].between(0.005, 0.05))]
        keeps[cover] = rows["keep_odds"].sum()
    assert keeps["buckwheat"] > keeps["lacy_phacelia"] > keeps["crimson_clover"]


def test_pulling_weeds_is_not_offered_where_there_are_none(sample_farm):
    none = {"weed_plants": 0, "weed_height_mm": 0, "height_mm": 80}
    found = checked(sample_farm, "Pond/2", "buckwheat", "2027-07-05", "2027-07-17", PATCHY, none, 2_000)
    assert not found.verdict.row(WEED).possible


def test_weeds_that_were_pulled_since_the_look_are_gone(sample_farm):
    pulled = [{"what": "weeded", "date": pd.Timestamp("2027-07-18"), "hours": 15.0}]
    found = check_stand(
        looked_at(sample_farm, "Pond/2", "buckwheat", "2027-07-05", "2027-07-17", PATCHY, PIGWEED, 2_000, pulled),
        "Pond/2", pd.Timestamp("2027-07-18"),
    )  # fmt: skip
    assert found.verdict.choice == KEEP


def test_more_weeds_never_make_a_stand_more_worth_keeping(sample_farm):
    keep = []
    for tall in (20, 60, 100, 160):
        weeds = {"weed_plants": 3, "weed_height_mm": tall, "height_mm": 100}
        found = checked(sample_farm, "Pond/2", "buckwheat", "2027-07-05", "2027-07-17", PATCHY, weeds)
        keep.append(found.verdict.row(KEEP).odds)
    assert keep == sorted(keep, reverse=True)
    assert keep[0] > keep[-1]


def test_a_mix_is_judged_by_its_species(sample_farm):
    base = {"what": "stand", "date": pd.Timestamp("2027-07-17"), "frame_area_m2": RING}
    counts = {"cowpea": [4, 5, 3], "sorghum_sudangrass": [0, 1, 0]}
    more = [base | {"frame": n, "species": s, "plants": p} for s, ps in counts.items() for n, p in enumerate(ps, 1)]
    found = check_stand(
        looked_at(sample_farm, "Pond/2", "cowpea_sorghum_sudangrass", "2027-07-05", "2027-07-17", [], None, None, more),
        "Pond/2", pd.Timestamp("2027-07-17"),
    )  # fmt: skip
    full = full_stand(sample_farm.catalogue.covers["cowpea_sorghum_sudangrass"], sample_farm.catalogue)
    assert found.frames == 3
    for species, plants in counts.items():
        assert found.stand_share[species] == pytest.approx(sum(plants) / 0.3 / full[species])
    assert found.weeds is None
    assert any("Nobody looked at the weeds" in note for note in found.notes)


def test_seed_that_may_still_come_is_told(sample_farm):
    found = checked(sample_farm, "Pond/2", "buckwheat", "2027-07-05", "2027-07-07", [2, 0, 1], None)
    assert found.early
    assert "More may come" in " ".join(stand_lines(found))


def test_a_count_of_another_day_and_what_came_later_are_not_looked_at(sample_farm):
    farm = looked_at(sample_farm, "Pond/2", "buckwheat", "2027-07-05", "2027-07-17", PATCHY, PIGWEED)
    base = {"written": "2027-08-01T06:00:00Z", "who": "", "block_id": "Pond", "gap_id": "Pond/2", "what": "stand"}
    others = [
        base | {"date": pd.Timestamp(day), "frame": 1, "frame_area_m2": RING, "plants": 99.0}
        for day in ("2027-07-12", "2027-07-30")
    ]
    with_others = replace(farm, record=record_of([*farm.record.to_dict("records"), *others]))
    day = pd.Timestamp("2027-07-17")
    assert check_stand(with_others, "Pond/2", day).density == check_stand(farm, "Pond/2", day).density


@pytest.mark.parametrize(
    ("drop", "says"), [("sown", "nothing is written down as sown"), ("stand", "no count is written down")]
)
def test_what_was_not_written_down_is_asked_for(sample_farm, drop, says):
    farm = looked_at(sample_farm, "Pond/2", "buckwheat", "2027-07-05", "2027-07-17", PATCHY)
    rows = [row for row in farm.record.to_dict("records") if row["what"] != drop]
    with pytest.raises(InputProblem, match=says):
        check_stand(replace(farm, record=record_of(rows)), "Pond/2", pd.Timestamp("2027-07-17"))


def test_nothing_found_in_few_frames_leaves_room_for_a_few_plants(sample_farm):
    found = checked(sample_farm, "Pond/2", "field_pea", "2027-07-05", "2027-07-19", [0, 0, 0], WEEDLESS)
    (density,) = found.density.values()
    assert density.per_m2 == 0
    assert density.high_m2 == pytest.approx(3.689 / 0.3, rel=1e-3)  # Garwood 1936, see test_frame_counts
    assert found.verdict.row(KEEP).high_odds >= found.verdict.row(KEEP).odds == 0


def test_a_good_stand_by_three_frames_may_still_be_none(sample_farm):
    """Just above half of a full stand, and frames that differ: the verdict is not settled by that."""
    found = checked(sample_farm, "West Bench/2", "crimson_clover", "2027-08-27", "2027-09-10", [30, 2, 50], WEEDLESS)
    assert found.verdict.good
    assert found.verdict.choice == KEEP
    assert found.verdict.if_thinner != KEEP
    assert not found.verdict.settled


@pytest.mark.parametrize(
    ("row", "says"), [({"species": "oat", "plants": 3.0}, "'oat' is not in"), ({"plants": None}, "no number of plants")]
)
def test_a_count_that_cannot_be_used_is_named(sample_farm, row, says):
    base = {"what": "stand", "date": pd.Timestamp("2027-07-17"), "frame_area_m2": RING, "frame": 7}
    farm = looked_at(sample_farm, "Pond/2", "buckwheat", "2027-07-05", "2027-07-17", PATCHY, None, None, [base | row])
    with pytest.raises(InputProblem, match=says):
        check_stand(farm, "Pond/2", pd.Timestamp("2027-07-17"))


def test_rows_of_another_year_are_not_of_this_gap(sample_farm):
    farm = looked_at(sample_farm, "Pond/2", "buckwheat", "2026-07-05", "2026-07-17", PATCHY)
    with pytest.raises(InputProblem, match="nothing is written down as sown"):
        check_stand(farm, "Pond/2", pd.Timestamp("2027-07-17"))


def test_a_sowing_after_the_gap_has_to_be_clear_is_asked_about(sample_farm):
    farm = looked_at(sample_farm, "Pond/2", "buckwheat", "2027-09-10", "2027-09-17", PATCHY)
    with pytest.raises(InputProblem, match="has to be clear"):
        check_stand(farm, "Pond/2", pd.Timestamp("2027-09-17"))


def test_a_cover_that_is_not_in_the_catalogue_is_refused(sample_farm):
    farm = looked_at(sample_farm, "Pond/2", "buckweat", "2027-07-05", "2027-07-17", PATCHY)
    with pytest.raises(InputProblem, match="is no cover"):
        check_stand(farm, "Pond/2", pd.Timestamp("2027-07-17"))


def test_what_can_still_be_done_has_a_last_day(patchy_small):
    for choice in (WEED, RESOW):
        row = patchy_small.verdict.row(choice)
        assert row.odds >= patchy_small.verdict.terms.wanted
        assert row.on <= row.last_date
    assert pd.isna(patchy_small.verdict.row(KEEP).last_date)
    weeds_first = patchy_small.counted_on + pd.Timedelta(days=20)
    assert patchy_small.verdict.row(WEED).last_date < weeds_first  # by then the weeds have closed


def test_seed_of_a_list_has_a_price_and_seed_without_one_is_not_known(sample_farm, patchy_small):
    assert math.isnan(patchy_small.verdict.row(RESOW).cost)
    assert "not known" in " ".join(stand_lines(patchy_small))
    offer = Offer("buckwheat", "Hill", "", 25.0, 40.0, "EUR", SeedLot(0.98, 0.9), True, False, None)
    priced = replace(sample_farm, seed_lists=SeedLists((), (offer,), True))
    found = checked(priced, "Pond/2", "buckwheat", "2027-07-05", "2027-07-17", PATCHY, PIGWEED, 10_000)
    row = found.verdict.row(RESOW)
    # the plan's rate on a hectare, by the tag of the offer (0.98 x 0.9), 5 % on top, at 40 EUR for 25 kg
    species, rule = sample_farm.catalogue.species["buckwheat"], sample_farm.catalogue.rule
    rate = species.number("seeding_rate_drilled") * typical_pls(species)
    assert row.cost == pytest.approx(rate / (0.98 * 0.9) * (1 + rule("seed_allowance")) * 40 / 25, rel=0.01)
    assert row.currency == "EUR"


def test_a_gap_that_is_not_there_is_refused(sample_farm):
    with pytest.raises(InputProblem, match="no such gap"):
        check_stand(sample_farm, "Pnd/2", pd.Timestamp("2027-07-17"))


# -- worked out beforehand ----------------------------------------------------------------------


@pytest.fixture(scope="module")
def beforehand(sample_farm):
    days = (pd.Timestamp(d) for d in ("2027-07-05", "2027-07-17"))
    return work_out_stand(sample_farm, "Pond/2", "buckwheat", *days)


def test_more_plants_and_fewer_weeds_are_never_worse(beforehand):
    odds = beforehand.table.pivot_table("keep_odds", "weed_cover_fraction", "stand_share").to_numpy()
    assert (np.diff(odds, axis=1) >= -0.041).all()  # a year of 25 may turn the other way: a thick stand dries its soil
    assert (np.diff(odds, axis=0) <= 1e-9).all()
    assert (odds.max(), odds.min()) == (1.0, 0.0)


def test_no_stand_is_given_up_for_being_too_good(sample_farm, sample_plan):
    """In a gap of 18 days buckwheat that leaves more is ended sooner, since radish has to wait longer for it."""
    days = pd.Timestamp("2027-07-11"), pd.Timestamp("2027-07-23")
    table = work_out_stand(sample_farm, "Beds 2/2", "buckwheat", *days, plan=sample_plan).table
    for _, part in table.groupby("weed_cover_fraction"):
        part = part.sort_values("stand_share")
        assert (part[["keep_odds", "weed_odds"]].diff().dropna() >= -1e-12).all().all()
    clean = table[table["weed_cover_fraction"] == 0].sort_values("stand_share")["verdict"].tolist()
    assert clean == sorted(clean, key=lambda verdict: verdict == "keep")  # kept from some stand on
    assert set(clean) == {"keep clean", "keep"}


def test_a_hardly_standing_stand_is_none(beforehand, sample_farm):
    thin = beforehand.table[beforehand.table["stand_share"] < sample_farm.catalogue.rule("stand_least_share")]
    assert len(thin)
    assert (thin["keep_odds"] == 0).all()
    assert usable_share(0.19, sample_farm.catalogue) == 0


def test_the_table_says_what_a_look_says(patchy_small):
    """A look at the densities and weeds of the table gives its odds and its verdict."""
    table = patchy_small.beforehand.table
    weeds = round(patchy_small.weeds.cover_fraction, 6)
    (share,) = patchy_small.stand_share.values()
    rows = table[table["weed_cover_fraction"] == weeds].set_index("stand_share")
    assert share == pytest.approx(0.3, abs=0.01)
    near = rows.loc[0.3]
    assert near["keep_odds"] == pytest.approx(patchy_small.verdict.row(KEEP).odds, abs=0.1)
    assert near["weed_hours"] == pytest.approx(patchy_small.verdict.row(WEED).hours)
    assert near["verdict"] == patchy_small.verdict.choice


def test_the_limits_are_where_the_verdicts_of_the_table_turn(beforehand):
    for limit in beforehand.limits.itertuples():
        part = beforehand.table[beforehand.table["weed_cover_fraction"] == limit.weed_cover_fraction]
        sure = part[part["plants_m2"] >= limit.enough_m2 + 1e-6]
        assert (sure["verdict"] == KEEP).all()
        if not math.isnan(limit.too_few_m2) and not math.isnan(limit.enough_m2):
            assert (part.loc[part["plants_m2"] < limit.too_few_m2 - 1e-6, "verdict"] != KEEP).all()


def test_weeds_ask_for_a_denser_stand(beforehand):
    enough = beforehand.limits["enough_m2"].fillna(np.inf).to_numpy()
    assert (np.diff(enough[np.isfinite(enough)]) >= -1e-9).all()
    assert np.isinf(enough[-1])  # where a fifth of the ground is weeds as tall as the cover, no stand wins
    area = beforehand.limits["weeding_limit_m2"].to_numpy()
    assert (np.diff(area) <= 1e-9).all()


def test_from_a_plan_it_is_quicker_and_much_the_same(sample_farm, sample_plan, beforehand):
    days = (pd.Timestamp(d) for d in ("2027-07-05", "2027-07-17"))
    found = work_out_stand(sample_farm, "Pond/2", "buckwheat", *days, plan=sample_plan)
    assert (found.table["keep_odds"] == beforehand.table["keep_odds"]).all()
    assert found.resow.on >= beforehand.resow.on  # the next of the days that the plan tried
    assert (found.resow.on - beforehand.resow.on).days < sample_farm.catalogue.rule("sowing_step")


# -- in words -----------------------------------------------------------------------------------


def test_the_screen_begins_with_the_verdict_and_ends_with_whose_thresholds_they_are(patchy_small):
    lines = list(stand_lines(patchy_small))
    text = " ".join(lines)
    assert lines[2].startswith("Verdict:")
    assert "coin toss" in text if patchy_small.verdict.toss_with else "coin toss" not in text
    assert stop_in_words(patchy_small.stop) in text
    assert "this program's own" in text
    assert all(len(line) <= 120 for line in lines)


def test_the_reader_s_units_are_used(sample_farm, patchy_small):
    us = replace(patchy_small, settings=replace(patchy_small.settings, units="us"))
    text = " ".join(stand_lines(us))
    assert "5.3 plants/ft²" in text  # 34 plants in six rings of 0.1 m2 are 56.7 on a square metre, x 0.0929
    assert "m²" not in text
    table = " ".join(worked_out_lines(us.beforehand, "us", sample_farm.catalogue, 0.09290304))
    assert "1 ft²" in table


def test_counts_for_a_frame_are_whole_and_on_the_safe_side(beforehand):
    for limit in beforehand.limits.itertuples():
        keep, act = limit_cells(limit, RING)
        if keep != "-":
            assert int(keep) >= limit.enough_m2 * RING - 1e-9
        else:
            assert act == "any"


def test_both_tables_are_csv(patchy_small):
    assert choices_csv(patchy_small).splitlines()[0].startswith("choice,cover_id,on,")
    assert len(worked_out_csv(patchy_small.beforehand).splitlines()) == len(patchy_small.beforehand.table) + 1
