"""The order that is handed over: page, PDF, workbook and tables say the same, and say it in a browser too."""

import io
import re
from dataclasses import replace

import openpyxl
import pandas as pd
import pypdf
import pytest

from greengap.advice.drill import Drill
from greengap.farm.seed_lists import Offer, SeedLists, StockLot, add_tags
from greengap.farm.seed_search import Attempt
from greengap.farm.settings import SeedLot
from greengap.output.order import order_parts, order_tables, order_text, take_order, to_workbook, write_order
from greengap.output.paper import Grid, Heading, Words, to_html, to_pdf
from greengap.plan import plan_farm, replan_without

DRILL = Drill(1.5, 0.19, 2.0, 20)


def offer(species, bag=25.0, price=40.0, **more):
    full = {"organic": False, "treated": False, "available_kg": None} | more
    return Offer(species, "Hill", "", bag, price, "EUR", SeedLot(0.98, 0.9), **full)


@pytest.fixture(scope="module")
def priced(sample_farm):
    """The sample farm with a shed and a price list without sorghum-sudangrass, and its plan."""
    offers = tuple(offer(s) for s in ("buckwheat", "field_pea", "oat", "mustard"))
    stock = (StockLot("oat", "left <of> 2026", 60.0, None, None, None),)
    lists = add_tags(SeedLists(stock, offers, True), sample_farm.settings.seed_lots)
    farm = replace(sample_farm, seed_lists=lists)
    return farm, plan_farm(farm)


@pytest.fixture(scope="module")
def order(priced):
    return take_order(priced[1], DRILL)


def test_totals_agree_in_every_output(priced, order, tmp_path):
    _, plan = priced
    live = (plan.seed_need["seed_g"] * plan.seed_need["pls_fraction"]).groupby(plan.seed_need["species"]).sum()
    lots = (order.lines["live_seed_g"] + order.lines["allowance_g"]).groupby(order.lines["species"]).sum()
    for species in live.index:
        assert lots[species] == pytest.approx(live[species], abs=6)
    assert (
        order.beds.groupby("species")["seed_g"].sum().to_dict()
        == order.lines.groupby("species")["seed_g"].sum().to_dict()
    )
    bought = order.lines[order.lines["from_where"] == "buy"]
    summed = plan.seed_order.groupby("species")["cost"].sum(min_count=1).dropna()
    assert summed.to_dict() == pytest.approx(bought.groupby("species")["cost"].sum().to_dict())


def test_text_names_what_has_no_price(order):
    text = "\n".join(order_text(order))
    assert "Sorghum-sudangrass, 2027: not in the price list: ask for a quote." in text
    assert re.search(r"Together [\d,.]+ EUR, without [^.]*Sorghum-sudangrass", text)
    assert "no list was entered" in text
    assert "Buckwheat, 2027: 0 of 3 suppliers asked." in text


def test_the_workbook_holds_the_tables(order):
    book = openpyxl.load_workbook(io.BytesIO(to_workbook(order)))
    tables = order_tables(order)
    assert book.sheetnames == list(tables)
    sheet = book["order_lines"]
    rows = list(sheet.values)
    assert list(rows[0]) == list(order.lines.columns)
    seed = rows[0].index("seed_g")
    assert [row[seed] for row in rows[1:]] == list(order.lines["seed_g"])
    needed = rows[0].index("needed_by")
    assert [pd.Timestamp(row[needed]) for row in rows[1:]] == list(order.lines["needed_by"])


def test_the_same_order_gives_the_same_bytes(order, tmp_path):
    first, second = write_order(order, tmp_path / "a"), write_order(order, tmp_path / "b")
    for one, other in zip(first, second, strict=True):
        assert one.read_bytes() == other.read_bytes(), one.name


def test_the_pdf_says_what_the_page_says(order, tmp_path):
    parts = order_parts(order)
    reader = pypdf.PdfReader(io.BytesIO(to_pdf("Order", parts, "foot")))
    text = " ".join(" ".join(page.extract_text().split()) for page in reader.pages)
    for part in parts:
        if isinstance(part, Heading):
            assert part.text in text
        if isinstance(part, Grid):
            assert part.columns[0].split()[0] in text
    assert "foot" in text
    assert "left <of> 2026" in text
    page = to_html("Order", parts)
    assert "left &lt;of&gt; 2026" in page
    assert "left <of>" not in page


def test_letters_outside_the_font_are_said_to_be_missing():
    pdf = to_pdf("t", [Heading("Łąka 畑", 1), Words("x")])
    text = pypdf.PdfReader(io.BytesIO(pdf)).pages[0].extract_text()
    assert "cannot show" in text
    assert "畑" in to_html("t", [Heading("Łąka 畑", 1)])


def test_us_units_are_used_throughout(priced):
    farm, _ = priced
    us = replace(farm, settings=replace(farm.settings, units="us"))
    text = "\n".join(order_text(take_order(plan_farm(us), DRILL)))
    assert " lb" in text
    assert " kg" not in text.replace("kg)", "")


def test_one_year_can_be_ordered_alone(priced):
    one = take_order(priced[1], DRILL, 2028)
    assert set(one.lines["year"]) == {2028}
    assert set(one.beds["sow_date"].dt.year) == {2028}
    assert set(one.calibration["year"]) == {2028}


def test_a_species_out_of_stock_is_planned_anew_and_not_guessed(priced):
    farm, plan = priced
    again = replan_without(farm, plan, ["buckwheat"])
    order = take_order(again, DRILL, None, ["buckwheat"], plan)
    assert order.gone == ("Buckwheat",)
    assert "buckwheat" not in set(again.seed_need["species"])
    wanted = plan.recommendation[plan.recommendation["eligible"]]
    for change in order.changes:
        assert change.before == "Buckwheat"
        covers = wanted[(wanted["gap_id"] == change.gap_id) & (wanted["cover_id"] != "buckwheat")]
        names = [
            plan.catalogue.covers[c].name for c in covers.sort_values("rank")["cover_id"] if c in plan.catalogue.covers
        ]
        assert change.after == next(iter(names), "no cover: keep it clean")
    assert "planned anew" in "\n".join(order_text(order))


def test_the_search_record_asks_for_three_attempts_for_seed_that_is_not_organic(order):
    counts = order.search.groupby(["year", "species"]).size()
    assert (counts == 3).all()
    assert "Buckwheat" in set(order.search["species"])


def test_what_was_filled_in_of_the_search_is_kept_and_judged(priced):
    day = pd.Timestamp("2027-01-10")
    done = [
        Attempt(2027, "buckwheat", "Dale", day, False, "", ""),
        Attempt(2027, "buckwheat", "Moor", day, True, "quantity: 5 kg", "untreated of Hill", "Mancan", "26 kg"),
        Attempt(2026, "oat", "Dale", day, False, "", "untreated"),  # no longer in the order
    ]
    order = take_order(priced[1], DRILL, attempts=done)
    mine = order.search[(order.search["year"] == 2027) & (order.search["species"] == "Buckwheat")]
    assert list(mine["supplier_asked"]) == ["Dale", "Moor", "Hill"]
    assert list(mine["organic_offered"]) == ["no", "yes", ""]
    assert list(order.search.iloc[-1][["year", "species", "supplier_asked"]]) == [2026, "Oat", "Dale"]
    text = "\n".join(order_text(order))
    assert "Buckwheat, 2027: 2 of 3 suppliers asked." in text
    assert "Still to be filled in: " in "\n".join(p.text for p in order_parts(order) if isinstance(p, Words))
    complete = take_order(priced[1], DRILL, attempts=[*done, Attempt(2027, "buckwheat", "Hill", day, False, "", "")])
    assert "Buckwheat, 2027: complete." in "\n".join(order_text(complete))


def test_cautions_belong_to_seed(order):
    text = "\n".join(order_text(order))
    assert "inoculant" in text
    assert "seedcorn maggot" not in text


@pytest.mark.browser
@pytest.mark.parametrize("width", [390, 1280])
def test_the_page_fits_a_phone_and_prints(order, tmp_path, browser, width):
    path = tmp_path / "order.html"
    path.write_text(to_html("Order", order_parts(order)), encoding="utf-8")
    page = browser.new_page(viewport={"width": width, "height": 800})
    problems = []
    page.on("console", lambda message: problems.append(message.text))
    page.on("request", lambda request: problems.append(request.url) if not request.url.startswith("file:") else None)
    page.goto(path.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.locator("table").count() >= 5
    assert page.locator("h1").inner_text().startswith("Seed order: Sample farm")
    assert not problems
    page.close()
