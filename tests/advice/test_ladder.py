"""The ladder: dated fallbacks from seed that is bought anyway."""

from __future__ import annotations

import itertools

import pandas as pd

from greengap.advice.ladder import make_ladders
from greengap.advice.options import NO_COVER
from greengap.catalogue import load_catalogue

CATALOGUE = load_catalogue()
JUNE = "2027-06-{:02d}"


def ladder(
    options: dict[str, list[tuple[int, int]]],
    ranks: dict[str, int],
    bought: list[str],
    chosen: str | None,
    year: int = 2027,
):
    """One gap open from 1 June; options by cover as (day of June, years that hold of 10)."""
    rows = [(f"{cover} {day}", cover, pd.Timestamp(JUNE.format(day)), holds) for cover, dates in options.items()
            for day, holds in dates]  # fmt: skip
    table = pd.DataFrame(rows, columns=["option_id", "cover_id", "sow_date", "holds_years"]).assign(gap_id="Pond/1")
    gaps = pd.DataFrame([{"gap_id": "Pond/1", "block_id": "Pond", "opens": pd.Timestamp("2027-06-01")}])
    kept = {c: [day for day, holds in dates if holds >= 8] for c, dates in options.items()}
    recommendation = pd.DataFrame(
        [
            {
                "gap_id": "Pond/1", "cover_id": cover, "rank": rank, "eligible": True,
                "option_id": None if cover == NO_COVER else f"{cover} {options[cover][0][0]}",
                "sow_best": pd.NaT if cover == NO_COVER else pd.Timestamp(JUNE.format(options[cover][0][0])),
                "sow_until": pd.Timestamp(JUNE.format(max(kept[cover]))) if kept.get(cover) else pd.NaT,
            }
            for cover, rank in ranks.items()
        ]
    )  # fmt: skip
    need = pd.DataFrame({"sow_date": [pd.Timestamp(f"{year}-05-01")] * len(bought), "species": bought})
    return make_ladders(
        gaps, table[["option_id", "gap_id", "cover_id", "sow_date"]],
        table[["option_id", "holds_years"]].assign(years=10), recommendation,
        pd.DataFrame([{"gap_id": "Pond/1", "cover_id": chosen or NO_COVER}]), need, CATALOGUE, 0.8,
    )  # fmt: skip


RANKS = {"sorghum_sudangrass": 1, "cowpea": 2, "buckwheat": 3, NO_COVER: 4}
OPTIONS = {
    "sorghum_sudangrass": [(1, 9), (8, 9), (15, 4), (22, 1)],
    "cowpea": [(1, 9), (8, 9), (15, 8), (22, 3)],
    "buckwheat": [(1, 10), (8, 10), (15, 9), (22, 8)],
}


def rungs(found) -> list[tuple[str, int, int]]:
    return [(r.cover_id, r.sow_from.day, 0 if pd.isna(r.sow_until) else r.sow_until.day) for r in found.itertuples()]


def test_a_rung_lasts_as_long_as_it_holds_and_the_next_is_of_seed_that_is_bought():
    bought = ["sorghum_sudangrass", "buckwheat"]
    found = ladder(OPTIONS, RANKS, bought, "sorghum_sudangrass")
    assert rungs(found) == [("sorghum_sudangrass", 1, 8), ("buckwheat", 15, 22), (NO_COVER, 23, 0)]
    assert list(found["rung"]) == [1, 2, 3]
    assert list(found["holds_years"]) == [9, 8, 0]  # of the last date of each


def test_seed_of_the_better_cover_in_the_shed_comes_first():
    found = ladder(OPTIONS, RANKS, ["sorghum_sudangrass", "buckwheat", "cowpea"], "sorghum_sudangrass")
    assert rungs(found) == [
        ("sorghum_sudangrass", 1, 8), ("cowpea", 15, 15), ("buckwheat", 22, 22), (NO_COVER, 23, 0)
    ]  # fmt: skip


def test_without_other_seed_the_ground_is_kept_clean():
    found = ladder(OPTIONS, RANKS, ["sorghum_sudangrass"], "sorghum_sudangrass")
    assert rungs(found) == [("sorghum_sudangrass", 1, 8), (NO_COVER, 9, 0)]


def test_a_gap_without_a_cover_has_one_rung():
    assert rungs(ladder(OPTIONS, RANKS, ["buckwheat"], None)) == [(NO_COVER, 1, 0)]


def test_a_cover_below_the_wanted_odds_is_said_to_be():
    weak = {"buckwheat": [(1, 5), (8, 4)]}
    found = ladder(weak, {"buckwheat": 1, NO_COVER: 2}, ["buckwheat"], "buckwheat")
    assert rungs(found)[0] == ("buckwheat", 1, 1)
    assert bool(found["below_wanted_odds"].iloc[0])


def test_seed_bought_for_another_year_does_not_count():
    bought = ["sorghum_sudangrass", "buckwheat"]
    found = ladder(OPTIONS, RANKS, bought, "sorghum_sudangrass", year=2028)
    assert rungs(found) == [("sorghum_sudangrass", 1, 8), (NO_COVER, 9, 0)]


def test_on_the_sample_farm_every_rung_holds_and_is_bought_and_dates_follow_each_other(sample_plan):
    wanted, needs = sample_plan.settings.wanted_odds, sample_plan.seed_need
    bought = {(need.species, need.sow_date.year) for need in needs.itertuples()}
    several = 0
    for gap_id, rungs_of_gap in sample_plan.ladder.groupby("gap_id", sort=False):
        rows = list(rungs_of_gap.itertuples())
        assert rows[-1].cover_id == NO_COVER, gap_id
        assert pd.isna(rows[-1].sow_until), gap_id
        for row, later in itertools.pairwise(rows):
            assert row.sow_from <= row.sow_until < later.sow_from
            assert row.below_wanted_odds or row.holds_years >= wanted * row.years
            for part in sample_plan.catalogue.covers[row.cover_id].components:
                assert (part.species, row.sow_until.year) in bought
        several += len(rows) > 2
    assert several >= 3
