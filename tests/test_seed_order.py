"""The order: lots from the shed first, whole bags once a lot over the farm, nothing lost on the way."""

import math

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from greengap.advice.seeding import seed_needs
from greengap.catalogue import load_catalogue
from greengap.farm.seed_lists import Offer, SeedLists, StockLot
from greengap.farm.settings import SeedLot
from greengap.seed_order import inoculant_lines, lot_pls, make_order, order_lines

CATALOGUE = load_catalogue()
TAG = SeedLot(0.98, 0.90)


def need_of(covers: dict[str, float], year: int = 2027):
    """Seed needs of blocks, each a cover and its area [m2]."""
    blocks = pd.DataFrame([{"block_id": f"B{i}", "area_sown_m2": a} for i, a in enumerate(covers.values())])
    allocation = pd.DataFrame(
        [
            {"gap_id": f"B{i}/1", "block_id": f"B{i}", "cover_id": c.split("#")[0], "option_id": f"B{i}"}
            for i, c in enumerate(covers)
        ]
    )
    options = pd.DataFrame(
        [{"option_id": f"B{i}", "sow_date": pd.Timestamp(f"{year}-06-{10 + i}")} for i in range(len(covers))]
    )
    return seed_needs(allocation, options, blocks, CATALOGUE, frozenset({"drill"}), {})


def offer(species="buckwheat", bag=25.0, price=40.0, supplier="Hill", tag=TAG, **more):
    given_ = {"product": "", "currency": "EUR", "organic": None, "treated": False, "available_kg": None} | more
    return Offer(species, supplier, given_["product"], bag, price, given_["currency"], tag, given_["organic"],
                 given_["treated"], given_["available_kg"], given_.get("is_inoculant", False))  # fmt: skip


def stock(kg, species="buckwheat", tag=TAG, treated=None):
    return StockLot(species, "left", kg, tag, None, treated)


def lines_of(need, stock_=(), offers=(), organic=False, priced=True):
    return order_lines(need, SeedLists(tuple(stock_), tuple(offers), priced), CATALOGUE, organic)


def test_bags_are_rounded_up_once_over_the_farm_and_not_for_each_block():
    need = need_of({"buckwheat": 5000.0, "buckwheat#2": 5000.0, "buckwheat#3": 5000.0})
    lines = lines_of(need, offers=[offer()])
    (bags,) = lines["bags"]
    live_g = (need["seed_g"] * need["pls_fraction"]).sum()
    assert bags == math.ceil(live_g / lot_pls(TAG, "buckwheat", CATALOGUE) / 25_000)
    pls = lot_pls(TAG, "buckwheat", CATALOGUE)
    by_block = sum(math.ceil(g / pls / 25_000) for g in need["seed_g"] * need["pls_fraction"])
    assert bags < by_block


def test_the_shed_is_emptied_before_anything_is_bought():
    need = need_of({"buckwheat": 20_000.0})
    lines = lines_of(need, [stock(30.0)], [offer()])
    assert list(lines["from_where"]) == ["shed", "buy"]
    assert lines["seed_g"].iloc[0] == 30_000
    without = lines_of(need, [], [offer()])
    assert lines["bags"].iloc[1] < without["bags"].iloc[0]


def test_a_lot_in_the_shed_serves_the_earlier_year_first_and_only_once():
    need = pd.concat([need_of({"buckwheat": 5_000.0}, 2027), need_of({"buckwheat": 5_000.0}, 2028)], ignore_index=True)
    lines = lines_of(need, [stock(40.0)], [offer()])
    shed = lines[lines["from_where"] == "shed"]
    assert shed["seed_g"].sum() <= 40_000
    assert list(shed["year"]) == [2027, 2028]
    assert shed["left_g"].iloc[-1] == 0


@given(st.floats(500, 50_000), st.floats(0, 200), st.floats(0.3, 1), st.sampled_from([5.0, 22.68, 25.0, 50.0]))
def test_live_seed_of_the_lots_is_what_is_needed_and_bags_hold_it(area, kg, germination, bag):
    need = need_of({"buckwheat": area})
    tag = SeedLot(0.98, germination)
    lines = lines_of(need, [stock(kg, tag=tag)], [offer(bag=bag, tag=tag)])
    wanted = float((need["seed_g"] * need["pls_fraction"]).sum())
    got = (lines["live_seed_g"] + lines["allowance_g"]).sum()
    assert got == pytest.approx(wanted, abs=1 + len(lines))
    bought = lines[lines["from_where"] == "buy"]
    assert (bought["bags"] * bought["bag_kg"] * 1000 + 1e-6 >= bought["seed_g"]).all()
    assert (bought["left_g"] < bought["bag_kg"] * 1000).all()
    assert (lines["seed_g"] * lines["pls_fraction"] + 1 >= lines["live_seed_g"] + lines["allowance_g"]).all()


def test_the_lowest_sum_is_taken_not_the_lowest_price_a_kilogram():
    need = need_of({"buckwheat": 3_000.0})  # some 20 kg
    big, small = offer(bag=500.0, price=500.0, supplier="Big"), offer(bag=25.0, price=40.0, supplier="Small")
    assert list(lines_of(need, offers=[big, small])["supplier"]) == ["Small"]


def test_an_offer_that_does_not_reach_is_filled_up_by_the_next():
    need = need_of({"buckwheat": 20_000.0})
    short, other = offer(price=20.0, supplier="Short", available_kg=60.0), offer(supplier="Other")
    lines = lines_of(need, offers=[short, other])
    assert list(lines["supplier"]) == ["Other"]  # it fills the need alone
    limited = [short, offer(supplier="Other", available_kg=100.0)]
    lines = lines_of(need, offers=limited)
    assert list(lines["supplier"]) == ["Short", "Other"]
    assert lines["bags"].iloc[0] == 2  # of 60 kg two bags of 25


def test_what_nobody_has_left_is_named_as_missing():
    lines = lines_of(need_of({"buckwheat": 20_000.0}), offers=[offer(available_kg=50.0)])
    assert list(lines["from_where"]) == ["buy", "missing"]
    assert "sold out" in lines["note"].iloc[1]


def test_a_species_that_is_not_in_the_price_list_is_named():
    lines = lines_of(need_of({"buckwheat": 20_000.0}), offers=[offer("oat")])
    assert list(lines["from_where"]) == ["no quote"]
    assert "not in the price list" in lines["note"].iloc[0]
    assert pd.isna(lines["cost"].iloc[0])  # no invented price


def test_an_organic_farm_takes_organic_seed_first_and_treated_seed_never():
    need = need_of({"buckwheat": 20_000.0})
    dear, cheap = (
        offer(price=90.0, supplier="Organic", organic=True),
        offer(price=10.0, supplier="Cheap", organic=False),
    )
    assert list(lines_of(need, offers=[cheap, dear], organic=True)["supplier"]) == ["Organic"]
    assert list(lines_of(need, offers=[cheap, dear], organic=False)["supplier"]) == ["Cheap"]
    treated = lines_of(need, [stock(500.0, treated=True)], [offer(treated=True)], organic=True)
    assert list(treated["from_where"]) == ["missing"]
    assert "treated" in treated["note"].iloc[0]


def test_seed_without_a_tag_is_reckoned_as_an_ordinary_lot_and_says_so():
    lines = lines_of(need_of({"buckwheat": 20_000.0}), offers=[offer(tag=None)])
    assert not lines["tag_known"].iloc[0]
    assert lines["pls_fraction"].iloc[0] == pytest.approx(0.98 * 0.85)
    assert "tag not entered" in lines["note"].iloc[0]


def test_what_is_left_sows_as_much_as_its_live_seed_does():
    need = need_of({"buckwheat": 20_000.0})
    lines = lines_of(need, offers=[offer(bag=1000.0)])
    row = lines.iloc[0]
    used = row["live_seed_g"] + row["allowance_g"]
    assert row["left_sows_m2"] == pytest.approx(20_000.0 * row["left_g"] * row["pls_fraction"] / used, rel=1e-3)


def test_inoculant_is_in_whole_packs_by_group_for_all_its_legumes():
    need = need_of({"field_pea": 20_000.0, "faba_bean": 10_000.0, "cowpea": 10_000.0, "oat": 10_000.0})
    pack = offer("pea and vetch", bag=100.0, price=24.0, is_inoculant=True)
    lines = lines_of(need, offers=[pack])
    table = inoculant_lines(lines, SeedLists((), (pack,), True), CATALOGUE).set_index("inoculant_group")
    assert set(table.index) == {"pea and vetch", "cowpea"}
    assert table.loc["pea and vetch", "species"] == "Faba bean, Field pea"
    assert table.loc["pea and vetch", "packs"] == math.ceil(table.loc["pea and vetch", "seed_kg"] / 100)
    assert table.loc["pea and vetch", "cost"] == 24.0 * table.loc["pea and vetch", "packs"]
    assert not table.loc["cowpea", "pack_known"]
    assert pd.isna(table.loc["cowpea", "cost"])


def test_the_summary_of_a_species_is_the_sum_of_its_lines():
    need = need_of({"buckwheat": 20_000.0, "oat": 10_000.0})
    lines = lines_of(need, [stock(10.0)], [offer(), offer("oat", price=None)])
    order = make_order(need, CATALOGUE, lines).set_index("species")
    bought = lines[(lines["species"] == "buckwheat") & (lines["from_where"] == "buy")].iloc[0]
    assert order.loc["buckwheat", "in_stock_kg"] == 10.0
    assert order.loc["buckwheat", "bags"] == bought["bags"]
    assert order.loc["buckwheat", "cost"] == bought["cost"]
    assert order.loc["buckwheat", "price_per_kg"] == pytest.approx(40.0 / 25.0)
    assert pd.isna(order.loc["oat", "cost"])
