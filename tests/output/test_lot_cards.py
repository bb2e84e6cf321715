"""Cards and labels of lots: figures of the tag, rates of the lot, room for what is not known."""

import io
from dataclasses import replace

import pandas as pd
import pypdf
import pytest

from greengap.advice.drill import Drill
from greengap.advice.lots import lot_rates
from greengap.farm.seed_lists import Offer, SeedLists, StockLot
from greengap.farm.settings import SeedLot
from greengap.output.lot_cards import card_parts, write_cards
from greengap.output.order import order_tables, take_order
from greengap.output.paper import Grid, Heading, Kept, Labels, Words, to_html, to_pdf
from greengap.seed_order import order_lines


def lots(plan, *stock, offers=()):
    """The plan with an order from these lots."""
    lists = SeedLists(tuple(stock), tuple(offers), bool(offers))
    return replace(plan, order_lines=order_lines(plan.seed_need, lists, plan.catalogue, False))


def words(parts):
    """All that is printed."""
    for part in parts:
        match part:
            case Kept(inner):
                yield from words(inner)
            case Grid():
                yield from part.columns
                yield from (cell for row in part.rows for cell in row)
            case Labels(labels):
                for name, lines in labels:
                    yield name
                    yield from lines
            case Heading(text, _) | Words(text, _):
                yield text


def test_the_rate_moves_with_the_tag_of_the_lot(sample_plan):
    plan = sample_plan
    good, poor = SeedLot(0.99, 0.95), SeedLot(0.99, 0.475)
    rates = [
        lot_rates(plan.seed_need, lots(plan, StockLot("oat", "A", 5000.0, tag, None, None)).order_lines, plan.catalogue)
        for tag in (good, poor)
    ]
    oat = [table[table["species"] == "oat"].set_index(["year", "cover_id"])["rate_kg_ha"] for table in rates]
    assert len(oat[0])
    assert (oat[1] / oat[0]).to_numpy() == pytest.approx(2.0)


def test_live_seed_is_the_same_whatever_the_lot(sample_plan):
    table = order_tables(take_order(sample_plan, Drill()))["lot_rates"]
    lines = sample_plan.order_lines.set_index(["year", "species", "line"])["pls_fraction"]
    pls = [lines[r.year, r.species, r.line] for r in table.itertuples()]
    assert (table["rate_kg_ha"] * pls).to_numpy() == pytest.approx(table["live_rate_kg_ha"].to_numpy())
    assert table["g_per_100_m2"].to_numpy() == pytest.approx(table["rate_kg_ha"].to_numpy() * 10)
    mixes = table[table["live_weight_share"] < 0.999].groupby(["year", "cover_id"])["live_weight_share"].sum()
    assert mixes.to_numpy() == pytest.approx(1.0)


def test_every_lot_has_a_card_and_a_label(sample_plan):
    stock = (
        StockLot(
            "oat", "Blend 7", 30.0, SeedLot(0.43, 0.92), None, False, tested=pd.Timestamp("2026-11-02"),
            noxious="wild oat 9/lb",
        ),
        StockLot("field_pea", "Blend 7", 70.0, SeedLot(0.55, 0.9, 0.02), None, False),
        StockLot("buckwheat", "in the shed, row 4", 5.0, None, None, None),
    )  # fmt: skip
    order = take_order(lots(sample_plan, *stock), Drill())
    rates = order_tables(order)["lot_rates"]
    blend = rates[rates["card"] == rates.loc[rates["species"] == "oat", "card"].min()]
    assert set(blend["species"]) == {"oat", "field_pea"}
    parts = card_parts(order, rates)
    cards, (labels,) = ([p for p in parts if isinstance(p, kind)] for kind in (Kept, Labels))
    assert len(cards) == len(labels.labels) == rates["card"].max()
    text = "\n".join(words(parts))
    for said in ("Blend 7", "wild oat 9/lb", "02 Nov 2026", "43 %", "92 %", "Oat 30 %", "Field pea 70 %"):
        assert said in text
    assert "An empty box for noxious weed seed is not none" in text
    assert "* No tag yet" in text


def test_shares_of_a_mix_stand_on_the_card(sample_farm, sample_plan):
    from greengap.advice.seeding import seed_needs

    ranked = sample_plan.recommendation
    row = ranked[(ranked["cover_id"] == "pea_oat") & ranked["option_id"].notna()].iloc[0]
    allocation = sample_plan.allocation.copy()
    allocation.loc[allocation["gap_id"] == row["gap_id"], ["cover_id", "option_id"]] = ["pea_oat", row["option_id"]]
    need = seed_needs(
        allocation, sample_plan.options, sample_farm.blocks, sample_plan.catalogue, sample_plan.settings.equipment, {}
    )
    lines = order_lines(need, SeedLists(), sample_plan.catalogue, False)
    plan = replace(sample_plan, allocation=allocation, seed_need=need, order_lines=lines)
    order = take_order(plan, Drill())
    table = order_tables(order)["lot_rates"]
    pair = table[table["cover_id"] == "pea_oat"].set_index("species")
    live = pair["live_rate_kg_ha"]
    assert pair["live_weight_share"].to_dict() == pytest.approx((live / live.sum()).to_dict())
    share = f"0.75 of its rate alone, {pair.loc['field_pea', 'live_weight_share']:.0%} of the mix".replace("%", " %")
    assert share in "\n".join(words(card_parts(order, table)))


def test_page_and_pdf_say_the_same_and_are_the_same_twice(sample_plan, tmp_path):
    offer = Offer("oat", "Hill & Dale", "<Heavy>", 25.0, 30.0, "EUR", SeedLot(0.98, 0.9), True, False, None)
    order = take_order(lots(sample_plan, offers=(offer,)), Drill())
    page, pdf = write_cards(order, tmp_path)
    assert [p.name for p in (page, pdf)] == ["lot_cards.html", "lot_cards.pdf"]
    html, data = page.read_text(encoding="utf-8"), pdf.read_bytes()
    text = " ".join(" ".join(p.extract_text().split()) for p in pypdf.PdfReader(io.BytesIO(data)).pages)
    assert "Hill &amp; Dale" in html
    assert "<Heavy>" not in html
    for said in ("Shelf labels", "98 %", "90 %", "pure live seed 88.2 %"):
        assert said in html
        assert said in text
    write_cards(order, tmp_path)
    assert pdf.read_bytes() == data


def test_parts_that_are_kept_together_and_labels_are_in_both_forms():
    parts = [Kept([Heading("Kept"), Words("here")]), Labels([("One", ["a & b"]), ("Two", [])])]
    page, pdf = to_html("t", parts), to_pdf("t", parts)
    assert page.index("Kept") < page.index("a &amp; b")
    text = pypdf.PdfReader(io.BytesIO(pdf)).pages[0].extract_text()
    assert all(said in text for said in ("Kept", "here", "One", "a & b", "Two"))


@pytest.mark.browser
@pytest.mark.parametrize("width", [360, 1280])
def test_the_page_fits_a_phone(sample_plan, tmp_path, browser, width):
    page_file, _ = write_cards(take_order(sample_plan, Drill()), tmp_path)
    page = browser.new_page(viewport={"width": width, "height": 800})
    page.goto(page_file.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.locator(".label").count() == page.locator(".kept").count() > 0
    page.close()
