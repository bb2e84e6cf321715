"""The map page: what it says is what the plan says, and it needs nothing but itself."""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from greengap import units
from greengap.errors import InputProblem
from greengap.farm.settings import Machinery
from greengap.output import map_library, map_page
from greengap.output.map import COLOURS, HATCHES, map_payload, write_map
from greengap.output.summary import why_no_cover
from greengap.plan import Plan

MakePlan = Callable[..., Plan]
MACHINE = Machinery(width_m=3.0, speed_m_s=2.0)
SUMMER = "#gaps=2027-1-midsummer"


@pytest.fixture
def page_file(make_plan: MakePlan, tmp_path: Path) -> Path:
    write_map(make_plan(), tmp_path / "map.html")
    return tmp_path / "map.html"


class _Reader(HTMLParser):
    """Collects what a browser would load, and the JSON."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.inside = ""
        self.text: dict[str, str] = {}

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.inside = dict(attrs).get("id") or tag

    def handle_endtag(self, tag: str) -> None:
        self.inside = ""

    def handle_data(self, data: str) -> None:
        self.text[self.inside] = self.text.get(self.inside, "") + data


def _read(path: Path) -> _Reader:
    reader = _Reader()
    reader.feed(path.read_text(encoding="utf-8"))
    return reader


def test_seed_in_the_page_adds_up_to_the_plan_to_the_gram(make_plan: MakePlan) -> None:
    plan = make_plan()
    payload = map_payload(plan)
    by_species = plan.seed_need.groupby("species")["seed_g"].sum().to_dict()
    assert payload["totals"]["seed_g"] == by_species
    assert payload["totals"]["seed_g_all"] == sum(by_species.values())
    shown = [row for gap in payload["gaps"].values() for row in gap["seed"]]
    assert sum(row["seed_g"] for row in shown) == payload["totals"]["seed_g_all"]


def test_every_block_and_gap_is_in_the_page_once(make_plan: MakePlan) -> None:
    plan = make_plan()
    payload = map_payload(plan)
    features = payload["blocks"]["features"]
    assert [f["id"] for f in features] == sorted(plan.blocks["block_id"])
    assert set(payload["gaps"]) == set(plan.gaps["gap_id"])
    assert sorted(g for f in features for g in f["properties"]["gaps"]) == sorted(plan.gaps["gap_id"])
    assert [p["title"] for p in payload["periods"]] == ["Early spring 2027", "Midsummer 2027", "Autumn 2027"]


def test_legend_area_of_a_season_is_the_area_of_its_blocks(make_plan: MakePlan) -> None:
    plan = make_plan()
    area = plan.blocks.set_index("block_id")["area_sown_m2"]
    payload = map_payload(plan)
    for period in payload["periods"]:
        blocks = {g["block"] for g in payload["gaps"].values() if g["period"] == period["key"]}
        listed = sum(row["area_m2"] for row in payload["legend"][period["key"]])
        assert listed == pytest.approx(area[sorted(blocks)].sum(), abs=0.01)


def test_the_recommendation_is_one_sentence_with_window_and_odds(make_plan: MakePlan) -> None:
    gaps = map_payload(make_plan())["gaps"]
    assert gaps["Creek/1"]["advice"]["sentence"] == "buckwheat: sow 7–22 Jul, best 12 Jul. It holds in 10 of 10 years."
    assert gaps["Creek/1"]["advice"]["ending"] == "End it by 10 Aug, in time for the next crop."
    assert gaps["North 2/1"]["advice"]["sentence"] == (
        "pea + oat: sow on 6 Apr. It holds in 7 of 10 years; no date reaches the 8 that are wanted."
    )
    assert gaps["Shed/1"]["advice"]["sentence"] == "Keep it clean: nothing is sown."


def _creek(plan: Plan, **columns: Any) -> Plan:
    """The plan with something else said of the cover that is recommended on Creek."""
    table, here = plan.recommendation.copy(), plan.recommendation["option_id"].eq("Creek/1/buckwheat/2027-07-12")
    for name, value in columns.items():
        table.loc[here, name] = value
    return replace(plan, recommendation=table)


def test_a_window_that_opens_before_the_gap_usually_does_says_what_that_depends_on(make_plan: MakePlan) -> None:
    plan = make_plan()  # the gap usually opens on 2 July
    assert map_payload(plan)["gaps"]["Creek/1"]["advice"]["early"] == ""
    early = map_payload(_creek(plan, sow_from=pd.Timestamp("2027-06-29")))["gaps"]["Creek/1"]["advice"]
    assert early["early"] == "Before 2 Jul only if the lettuce leaves early."
    unknown = replace(plan, gaps=plan.gaps.assign(crop_before=None))
    told = map_payload(_creek(unknown, sow_from=pd.Timestamp("2027-06-29")))["gaps"]["Creek/1"]["advice"]
    assert told["early"] == "Before 2 Jul only if the crop before leaves early."


def test_a_gap_that_is_kept_clean_says_why_in_the_words_of_the_summary(make_plan: MakePlan) -> None:
    plan = make_plan()
    gaps = map_payload(plan)["gaps"]
    assert gaps["Shed/1"]["why_clean"] == why_no_cover(plan, "Shed/1") == "a cover needs 30 days"
    assert gaps["Creek/1"]["why_clean"] == ""


def test_the_axis_counts_in_the_years_of_the_recommended_option(make_plan: MakePlan) -> None:
    plan = make_plan()
    gap = map_payload(_creek(plan, years=9, holds_years=9))["gaps"]["Creek/1"]
    assert (gap["years"], gap["wanted_years"]) == (9, 8)
    assert gap["advice"]["sentence"].endswith("It holds in 9 of 9 years.")


@pytest.mark.parametrize(
    ("ended_by", "told"),
    [
        ("frost", "Frost ends it in most years, in one of ten before 10 Aug."),
        ("seed set", "End it by 10 Aug, before it sets seed."),
    ],
)
def test_what_ends_the_cover_is_told_with_its_date(make_plan: MakePlan, ended_by: str, told: str) -> None:
    plan = make_plan()
    table = plan.recommendation.assign(ended_by=ended_by)
    assert map_payload(replace(plan, recommendation=table))["gaps"]["Creek/1"]["advice"]["ending"] == told


def test_curves_are_the_odds_of_the_recommended_cover_and_two_runners_up(make_plan: MakePlan) -> None:
    gap = map_payload(make_plan())["gaps"]["Creek/1"]
    assert [curve["cover"] for curve in gap["curves"]] == ["buckwheat", "pea_oat", "oat"]
    assert gap["curves"][0]["points"][0] == ["2027-07-02", 7, 10]
    assert gap["wanted_years"] == 8


def test_failed_gates_are_told_with_their_reason(make_plan: MakePlan) -> None:
    gap = map_payload(make_plan())["gaps"]["North 2/1"]
    assert gap["impossible"] == [
        {"cover": "buckwheat", "name": "buckwheat", "why": ["frost kills it in 9 of 10 years"]}
    ]
    assert gap["classes"] == {"pea_oat": "S1", "oat": "S2", "no_cover": "S3", "buckwheat": "N"}


def test_years_that_miss_are_named_with_the_first_thing_that_goes_wrong(make_plan: MakePlan) -> None:
    gap = map_payload(make_plan())["gaps"]["North 2/1"]
    assert gap["misses"] == [{"why": "growth aim not reached in time", "years": [2008, 2009, 2010]}]


@pytest.mark.parametrize("system", ["metric", "us"])
def test_quantities_are_written_in_the_units_of_the_farm(make_plan: MakePlan, system: Any) -> None:
    plan = make_plan(units=system)
    payload = map_payload(plan)
    creek = next(f for f in payload["blocks"]["features"] if f["id"] == "Creek")
    assert creek["properties"]["area"] == units.write(30_000.0, "m2", system)
    row = payload["gaps"]["Creek/1"]["seed"][0]
    assert row["seed"] == units.write(row["seed_g"], "g", system)


def test_shuffled_tables_give_the_same_page(make_plan: MakePlan) -> None:
    plan = make_plan()
    tables = {n: t for n, t in vars(plan).items() if isinstance(t, pd.DataFrame)}
    shuffled = {n: t.sample(frac=1, random_state=3).reset_index(drop=True) for n, t in tables.items()}
    assert map_payload(replace(plan, **shuffled)) == map_payload(plan)


def test_the_same_plan_gives_the_same_bytes(make_plan: MakePlan, tmp_path: Path) -> None:
    for name in ("one.html", "two.html"):
        write_map(make_plan(), tmp_path / name)
        write_map(make_plan(), tmp_path / f"tiles_{name}", base_map=True)
    assert (tmp_path / "one.html").read_bytes() == (tmp_path / "two.html").read_bytes()
    assert (tmp_path / "tiles_one.html").read_bytes() == (tmp_path / "tiles_two.html").read_bytes()


def test_the_page_refers_to_nothing_outside_itself(page_file: Path) -> None:
    text = page_file.read_text(encoding="utf-8")
    assert re.findall(r"(?:src|href|action)\s*=\s*[\"']?\s*(?:https?:)?//[^\"' >]*", text) == []
    assert [u for u in re.findall(r"url\(\s*[\"']?([^)\"']*)", text) if not u.startswith(("#", "data:"))] == []
    assert re.findall(r"@import|\bfetch\(|XMLHttpRequest|importScripts|sourceMappingURL", text) == []
    # Addresses that are left are names, not places: SVG's namespace, and the library's own in a comment.
    assert set(re.findall(r"https?://[\w./?=#-]+", text)) == {"http://www.w3.org/2000/svg", "https://leafletjs.com"}
    assert not [tag for tag, given in _read(page_file).tags if tag == "link" or "src" in given]


def test_street_tiles_come_only_when_asked_for(make_plan: MakePlan, tmp_path: Path, page_file: Path) -> None:
    write_map(make_plan(), tmp_path / "tiles.html", base_map=True)
    assert "tile.openstreetmap.org" in (tmp_path / "tiles.html").read_text(encoding="utf-8")
    assert "OpenStreetMap" in (tmp_path / "tiles.html").read_text(encoding="utf-8")
    assert "openstreetmap" not in page_file.read_text(encoding="utf-8").lower()


@pytest.mark.parametrize(
    "name", ['<b>"x"</b>', "</script><script>alert(1)</script>", "<!--<script>", "{{ 7 * 7 }}{% raw %}", "a\u2028b & c"]
)
def test_a_name_from_the_farm_never_becomes_markup(make_plan: MakePlan, tmp_path: Path, name: str) -> None:
    plan = make_plan(first_block=name, note=name)
    plan = replace(plan, metadata=plan.metadata | {"farm": name})
    write_map(plan, tmp_path / "map.html")
    reader = _read(tmp_path / "map.html")
    data = json.loads(reader.text["greengap-plan"])
    assert name in {f["properties"]["block"] for f in data["blocks"]["features"]}
    assert data["farm"] == name
    assert not [tag for tag, _ in reader.tags if tag == "b"]
    assert sum(tag == "script" for tag, _ in reader.tags) == 3  # library, data, page


def test_the_library_is_the_one_its_makers_publish(monkeypatch: pytest.MonkeyPatch) -> None:
    assert "Leaflet 1.9.4" in map_library._library_file("leaflet.js")
    monkeypatch.setitem(map_library.LIBRARY_SHA256, "leaflet.js", "another")
    with pytest.raises(InputProblem, match=r"leaflet\.js: is not the file that .* publishes\. Install it again"):
        map_library._library_file("leaflet.js")


def test_a_missing_library_is_told_in_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(map_library, "LIBRARY_MODULE", "no_such_module")
    with pytest.raises(InputProblem, match=r"not installed\. Install it again with: python -m pip install"):
        map_library._library_file("leaflet.css")


def test_nothing_is_left_behind_when_writing_fails(make_plan: MakePlan, tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.setitem(map_library.LIBRARY_SHA256, "leaflet.js", "another")
    with pytest.raises(InputProblem):
        write_map(make_plan(), tmp_path / "map.html")
    assert list(tmp_path.iterdir()) == []


def _oklab(linear: np.ndarray) -> np.ndarray:
    """OKLab of linear sRGB, coefficients as B. Ottosson published them in 2020."""
    lms = (
        linear
        @ np.array(
            [
                [0.4122214708, 0.5363325363, 0.0514459929],
                [0.2119034982, 0.6806995451, 0.1073969566],
                [0.0883024619, 0.2817188376, 0.6299787005],
            ]
        ).T
    )
    return (
        np.cbrt(np.clip(lms, 0, None))
        @ np.array(
            [
                [0.2104542553, 0.7936177850, -0.0040720468],
                [1.9779984951, -2.4285922050, 0.4505937099],
                [0.0259040371, 0.7827717662, -0.8086757660],
            ]
        ).T
    )


# Full dichromacy, from memory of the tables of Machado, Oliveira and Fernandes 2009.
SIGHT = {
    "normal": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


@pytest.mark.parametrize("sight", SIGHT)
def test_any_two_colours_can_be_told_apart(sight: str) -> None:
    rgb = np.array([[int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in COLOURS]) / 255
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    seen = _oklab(np.clip(linear @ np.array(SIGHT[sight]).T, 0, 1))
    smallest = min(np.linalg.norm(a - b) for a, b in itertools.combinations(seen, 2))
    assert smallest > 0.06  # OKLab distance; about 0.02 is just noticeable side by side


def test_covers_beyond_the_first_dozen_differ_in_hatch(make_plan: MakePlan) -> None:
    plan = make_plan()
    some = next(iter(plan.catalogue.covers.values()))
    many = replace(plan.catalogue, covers={f"cover_{n:02d}": some for n in range(60)})
    looks = [(c["colour"], c["hatch"]) for c in map_payload(replace(plan, catalogue=many))["covers"]]
    assert len(set(looks)) == len(looks)
    script = (Path(map_page.__file__).parent / "map_page.js").read_text(encoding="utf-8")
    assert all(f"    {hatch}: [" in script for hatch in (*HATCHES, "bare"))


@pytest.mark.browser
def test_the_page_opens_from_disk_without_a_network(browser_page: Any, page_file: Path) -> None:
    page = browser_page(page_file, fragment=SUMMER)
    assert page.locator("#farm").text_content() == "Three blocks"
    assert page.locator("#note").text_content() == "Invented, to test the page."
    assert page.locator(".label", has_text="Creek").locator(".what").text_content() == "Buckwheat"
    assert "3.00 ha, 1 block" in page.locator("#legend").text_content()
    assert page.asked_for == []
    assert page.complaints == []


@pytest.mark.browser
def test_a_click_on_a_block_opens_its_advice(browser_page: Any, page_file: Path) -> None:
    page = browser_page(page_file, fragment=SUMMER)
    page.locator("path[data-block='Creek']").click()
    panel = page.locator("#panel")
    assert "buckwheat: sow 7–22 Jul, best 12 Jul. It holds in 10 of 10 years." in panel.text_content().replace(
        "\xa0", " "
    )
    assert "Tell beekeepers nearby" in panel.locator(".cautions").text_content()
    assert panel.locator("svg.odds path.curve").count() == 3
    assert panel.locator("td[data-seed-g='201000']").text_content() == "201.000 kg"
    panel.get_by_text("All blocks").click()
    assert "Choose one" in panel.text_content()
    assert page.asked_for == []
    assert page.complaints == []


@pytest.mark.browser
def test_names_of_curves_keep_apart_where_the_curves_run_together(
    browser_page: Any, make_plan: MakePlan, tmp_path: Path
) -> None:
    plan = make_plan()
    odds = plan.odds.assign(holds_years=10, aim_years=10)  # every date of every cover: all lines are one
    write_map(replace(plan, odds=odds), tmp_path / "map.html")
    page = browser_page(tmp_path / "map.html", fragment=SUMMER + "&block=Creek")
    boxes = [label.bounding_box() for label in page.locator("svg.odds .on-line").all()]
    assert len(boxes) == 3
    for a, b in itertools.combinations(boxes, 2):
        beside = a["x"] + a["width"] < b["x"] or b["x"] + b["width"] < a["x"]
        assert beside or abs(a["y"] - b["y"]) > 10, (a, b)
    assert page.complaints == []


@pytest.mark.browser
def test_the_page_says_why_nothing_is_sown_and_what_an_early_start_needs(
    browser_page: Any, make_plan: MakePlan, tmp_path: Path
) -> None:
    plan = _creek(make_plan(), sow_from=pd.Timestamp("2027-06-29"), years=9, holds_years=9)
    write_map(plan, tmp_path / "map.html")
    page = browser_page(tmp_path / "map.html", fragment=SUMMER + "&block=Creek")
    panel = page.locator("#panel").text_content().replace("\xa0", " ")
    assert "It holds in 9 of 9 years. Before 2 Jul only if the lettuce leaves early. End it" in panel
    assert "years of 9 in which it holds" in panel
    page = browser_page(tmp_path / "map.html", fragment="#gaps=2027-2-autumn&block=Shed")
    told = page.locator(".why-clean").text_content()
    assert told == "Why nothing is sown: usable days in the middle year 4; a cover needs 30 days."
    assert page.complaints == []


@pytest.mark.browser
def test_the_page_can_be_used_by_keyboard(browser_page: Any, page_file: Path) -> None:
    page = browser_page(page_file, fragment=SUMMER)
    page.locator("path[data-block='Creek']").focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.textContent") == "Creek"
    page.keyboard.press("Escape")
    assert page.evaluate("document.activeElement.getAttribute('data-block')") == "Creek"
    page.locator("#panel button[data-block='Creek']").focus()
    page.keyboard.press("Enter")
    assert page.locator("#panel-title").text_content() == "Creek"


@pytest.mark.browser
def test_season_and_layer_change_what_the_blocks_say(browser_page: Any, page_file: Path) -> None:
    page = browser_page(page_file)
    page.select_option("#period-choice", label="Early spring 2027")
    page.select_option("#layer-choice", label="Buckwheat")
    assert page.locator(".label", has_text="North 2").locator(".what").text_content() == "N"
    assert "frost kills it in 9 of 10 years" in page.locator("#panel").text_content()
    page.select_option("#layer-choice", label="Pea + oat")
    assert page.locator(".label", has_text="North 2").locator(".what").text_content() == "S1"
    assert page.complaints == []


@pytest.mark.browser
def test_on_a_phone_nothing_scrolls_sideways(browser_page: Any, page_file: Path) -> None:
    page = browser_page(page_file, 390, 844, SUMMER, has_touch=True, is_mobile=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.locator("path[data-block='Creek']").tap()
    drawer = page.locator("#panel.drawer").bounding_box()
    assert (drawer["x"], drawer["width"], round(drawer["y"] + drawer["height"])) == (0, 390, 844)
    assert page.evaluate("document.getElementById('panel').scrollWidth") <= 390
    block = page.locator("path[data-block='Creek']").bounding_box()
    assert block["y"] + block["height"] / 2 < drawer["y"]  # still to be seen above the drawer
    assert page.asked_for == []
    assert page.complaints == []


@pytest.mark.browser
def test_markup_in_a_name_is_shown_as_it_is(browser_page: Any, make_plan: MakePlan, tmp_path: Path) -> None:
    name = '<b>"x"</b>'
    write_map(make_plan(first_block=name), tmp_path / "map.html")
    page = browser_page(tmp_path / "map.html", fragment=SUMMER)
    page.locator("#panel .blocks button").first.click()
    assert page.locator("#panel-title").text_content() == name
    assert page.locator(".label .name", has_text=name).count() == 1
    assert page.complaints == []


@pytest.mark.browser
def test_a_large_farm_is_drawn_on_a_canvas(browser_page: Any, make_plan: MakePlan, tmp_path: Path) -> None:
    plan = make_plan()
    few = plan.blocks
    more = [
        few.assign(block_id=few["block_id"] + f" {n}", geometry=few.translate(0.006 * (n % 12), 0.004 * (n // 12)))
        for n in range(1, 121)
    ]
    write_map(replace(plan, blocks=gpd.GeoDataFrame(pd.concat([few, *more]), crs=few.crs)), tmp_path / "map.html")
    page = browser_page(tmp_path / "map.html", fragment=SUMMER)
    assert page.locator("canvas.leaflet-zoom-animated").count() == 1
    page.locator("#panel button[data-block='Creek']").click()
    assert "It holds in 10 of 10 years" in page.locator("#panel").text_content()
    assert page.complaints == []


# -- passes ---------------------------------------------------------------------------------------


def test_passes_are_told_where_the_machine_is_known_and_ground_is_sown(make_plan: MakePlan) -> None:
    plan = make_plan()
    driven = replace(plan, settings=replace(plan.settings, machinery=MACHINE))
    sown = set(plan.seed_need["block_id"])
    for known, one in ((False, plan), (True, driven)):
        for feature in map_payload(one)["blocks"]["features"]:
            passes = feature["properties"]["passes"]
            assert (passes is not None) == (known and feature["id"] in sown)
            if passes:
                assert len(passes["swaths"]) > 1
                assert "passes of 3.0 m" in passes["words"][0]


@pytest.mark.browser
def test_passes_are_drawn_while_their_section_is_unfolded(
    make_plan: MakePlan, browser_page: Callable[..., Any], tmp_path: Path
) -> None:
    plan = make_plan()
    write_map(replace(plan, settings=replace(plan.settings, machinery=MACHINE)), tmp_path / "map.html")
    page = browser_page(tmp_path / "map.html", fragment=SUMMER + "&block=Creek")
    assert page.locator(".pass-end").count() == 0
    page.locator("#passes summary").click()
    page.locator(".pass-end").nth(1).wait_for(state="attached")
    assert page.locator(".pass-end").count() == 2
    page.locator("#passes summary").click()
    page.locator(".pass-end").first.wait_for(state="detached")
    assert page.locator(".pass-end").count() == 0
    assert page.complaints == []
