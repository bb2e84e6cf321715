"""Seed for sowing again: the quantile is that of all cases counted one by one, and the order keeps it apart."""

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from greengap.advice.drill import Drill
from greengap.advice.reserve import STEPS, need_quantile, resow_reserve
from greengap.farm.seed_lists import Offer, SeedLists, StockLot
from greengap.farm.settings import SeedLot
from greengap.output.order import order_tables, reserve_lines, take_order
from greengap.seed_order import inoculant_lines, order_lines
from greengap.tables import Reserve


def counted(needs, failed, lost, odds):
    """The same by going through every case."""
    cases = []
    for year in failed:
        for taken in product([False, True], repeat=len(needs)):
            chance, need = 1 / len(failed), 0.0
            for k, by_birds in enumerate(taken):
                chance *= lost[k] if by_birds else 1 - lost[k]
                need += needs[k] if by_birds or year[k] else 0.0
            cases.append((need, chance))
    total = 0.0
    for need, chance in sorted(cases):
        total += chance
        if total >= odds - 1e-9:
            return need
    return sum(needs)


gaps = st.integers(1, 4)


@settings(max_examples=60)
@given(st.data(), gaps, st.integers(1, 6), st.sampled_from([0.5, 0.8, 0.9, 1.0]))
def test_the_quantile_is_that_of_all_cases(data, count, years, odds):
    needs = data.draw(st.lists(st.integers(1, 1000), min_size=count, max_size=count))
    failed = np.array(data.draw(st.lists(st.lists(st.booleans(), min_size=count, max_size=count), min_size=years,
                                         max_size=years)))  # fmt: skip
    lost = data.draw(st.lists(st.sampled_from([0.0, 0.1]), min_size=count, max_size=count))
    exact, found = counted(needs, failed, lost, odds), need_quantile(needs, failed, lost, odds)
    assert exact - 1e-6 <= found <= exact + count * sum(needs) / STEPS + 1e-6


@pytest.fixture(scope="module")
def asked(sample_plan):
    """A function that reckons the reserve of the sample farm, with stands that fail in some years if wanted."""

    def reckon(odds=0.9, fail_every=0, wanted=0.0, resow_after_d=0.0):
        season = sample_plan.season
        if fail_every:
            season = season.assign(established=season["weather_year"] % fail_every != 0)
        return resow_reserve(
            sample_plan.seed_need, sample_plan.allocation, sample_plan.options, sample_plan.odds, season, odds, wanted,
            resow_after_d,
        )  # fmt: skip

    return reckon


def test_stands_that_never_fail_need_no_reserve_unless_birds_come(asked, sample_plan):
    table = asked()
    safe = (table["bird_risk_share"] == 0) & (table["failed_years"] == 0)
    assert safe.any()
    assert (table.loc[safe, "live_seed_g"] == 0).all()
    pea = table[table["species"] == "field_pea"]
    assert (pea["bird_risk_share"] > 0).all()
    assert (asked(odds=0.999).loc[pea.index, "live_seed_g"] > 0).all()


def test_a_year_in_five_that_fails_everywhere_needs_all_seed_again(asked, sample_plan):
    table = asked(odds=0.9, fail_every=5)
    need = sample_plan.seed_need
    live = (need["seed_g"] * need["pls_fraction"]).groupby([need["sow_date"].dt.year, need["species"]]).sum()
    for row in table.itertuples():
        assert row.failed_years == 5
        assert row.live_seed_g == pytest.approx(live[row.year, row.species], abs=1)
    assert (asked(odds=0.7, fail_every=5)["live_seed_g"] <= table["live_seed_g"]).all()


def test_where_it_is_too_late_to_sow_again_nothing_is_kept(asked):
    table = asked(odds=1.0, fail_every=2, resow_after_d=400)
    assert (table["live_seed_g"] == 0).all()
    assert (table["gaps"] == "").all()
    assert (table["gaps_too_late"] != "").all()


@pytest.fixture(scope="module")
def with_reserve(sample_plan):
    need, tag = sample_plan.seed_need, SeedLot(0.98, 0.9)

    def offer(species, bag_kg=25.0, price=40.0):
        return Offer(species, "Hill", "", bag_kg, price, "EUR", tag, True, False, None)

    stock = (StockLot("oat", "old", 60.0, tag, True, False), StockLot("mustard", "rest", 500.0, tag, True, False))
    lists = SeedLists(stock, tuple(offer(s) for s in ("buckwheat", "field_pea", "oat")), True)
    keys = need.groupby([need["sow_date"].dt.year, "species"]).size().index
    rows = [
        {"year": y, "species": s, "reserve_odds": 0.9, "weather_years": 25, "failed_years": 3, "bird_risk_share": 0.0,
         "live_seed_g": 30_000, "gaps": "A/1", "gaps_too_late": ""}
        for y, s in keys
    ]  # fmt: skip
    reserve = Reserve.validate(pd.DataFrame(rows))
    catalogue = sample_plan.catalogue
    lines = [order_lines(need, lists, catalogue, True, kept) for kept in (None, reserve)]
    return sample_plan, lists, reserve, *lines


def test_the_reserve_is_on_top_and_all_of_it_is_there(with_reserve):
    _, _, reserve, before, after = with_reserve
    for row in reserve.itertuples():
        mine = after[(after["species"] == row.species) & (after["year"] == row.year)]
        assert (mine["reserve_g"] * mine["pls_fraction"]).sum() >= row.live_seed_g - 1
    totals = [table.groupby(["year", "species"])["seed_g"].sum() for table in (before, after)]
    assert totals[0].equals(totals[1])  # what is sown stays as it was


def test_bags_hold_what_is_sown_kept_and_left(with_reserve):
    *_, after = with_reserve
    bought = after[after["from_where"] == "buy"]
    assert len(bought)
    held = bought["seed_g"] + bought["reserve_g"] + bought["left_g"]
    assert np.allclose(held, bought["bags"] * bought["bag_kg"] * 1000, atol=2)
    shed = after[after["from_where"] == "shed"]
    oat, mustard = (shed[shed["species"] == s] for s in ("oat", "mustard"))
    assert oat["seed_g"].sum() + oat["reserve_g"].sum() <= 60_000
    assert mustard["seed_g"].sum() + mustard["reserve_g"].sum() + mustard["left_g"].iloc[-1] == 500_000


def test_the_cost_of_the_reserve_is_what_the_order_costs_more(with_reserve):
    *_, before, after = with_reserve
    more = after["cost"].sum() - before["cost"].sum()
    assert more > 0
    assert after["reserve_cost"].sum() == pytest.approx(more)


def test_inoculant_is_for_the_reserve_too(with_reserve):
    plan, lists, _, before, after = with_reserve
    packs = [inoculant_lines(lines, lists, plan.catalogue)["seed_kg"].sum() for lines in (before, after)]
    assert packs[1] > packs[0]


def test_the_order_says_what_is_kept_for_whom_and_at_what_cost(with_reserve):
    plan, _, reserve, _, after = with_reserve
    order = take_order(replace(plan, order_lines=after, reserve=reserve), Drill())
    text = "\n".join(reserve_lines(order))
    assert "enough in 90 % of years (a stand fails in 3 of 25 weather years), for A/1; it costs" in text
    assert "left over from the lots and bags anyway" in text
    assert "seed_reserve" in order_tables(order)
    assert list(reserve_lines(take_order(plan, Drill()))) == []
