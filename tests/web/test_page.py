"""The page in a real browser: what a planner does with it, on a desk and on a phone, by mouse and by keyboard."""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from pyproj import Geod
from shapely.geometry import Point, shape

from .conftest import SAMPLE, Served, planned

pytestmark = pytest.mark.browser
Window = Callable[..., Any]
Serve = Callable[..., Served]


def _click(page: Any, x: float, y: float) -> None:
    """Click on the map at shares of its width and height."""
    box = page.locator(".ground").bounding_box()
    page.mouse.move(box["x"] + box["width"] * x, box["y"] + box["height"] * y)
    page.mouse.click(box["x"] + box["width"] * x, box["y"] + box["height"] * y)


def _draw(page: Any, corners: list[tuple[float, float]], name: str) -> None:
    page.click("[data-tool=draw]")
    for corner in corners:
        _click(page, *corner)
    page.keyboard.press("Enter")
    page.wait_for_selector("#drawer input")
    page.get_by_label("Name of the block").fill(name)
    page.click("#drawer >> text=Rename")
    page.wait_for_selector(f"#drawer h2 >> text={name}")


def _crop(page: Any, crop: str, how: str, start: str, end: str) -> None:
    page.click("#drawer >> text=Add a crop")
    page.get_by_label("Crop", exact=True).fill(crop)
    page.get_by_label("Set up as").select_option(how)
    page.get_by_label("In the ground from").fill(start)
    page.get_by_label("Last harvest", exact=True).fill(end)
    page.click("#drawer form >> text=Save")
    page.wait_for_selector("#drawer h3 >> text=Crops")


def _in_any_order(rows: list[Any]) -> list[str]:
    return sorted(json.dumps(row, sort_keys=True) for row in rows)


def _cli_order(farm: Path, out: Path) -> str:
    subprocess.run(
        [sys.executable, "-m", "greengap.cli", "plan", str(farm), "--out", str(out)], check=False, capture_output=True
    )
    return (out / "seed_order.csv").read_text(encoding="utf-8")


def test_a_new_user_draws_three_blocks_and_takes_the_seed_order_that_the_command_gives(
    serve: Serve, window: Window, tmp_path: Path
) -> None:
    served = serve()
    page = window(served)
    page.get_by_label("Name of the farm").fill("Home Farm")
    page.get_by_label("Latitude").fill("48.5440")
    page.get_by_label("Longitude").fill("13.9005")
    page.click("text=Make this farm")
    page.wait_for_selector(".first")
    _draw(page, [(0.2, 0.3), (0.4, 0.3), (0.4, 0.6), (0.2, 0.6)], "East")
    page.click("#drawer .close")
    page.wait_for_timeout(300)
    _draw(page, [(0.45, 0.3), (0.6, 0.3), (0.6, 0.6), (0.45, 0.6)], "Middle")
    page.click("#drawer .close")
    page.wait_for_timeout(300)
    _draw(page, [(0.65, 0.3), (0.8, 0.3), (0.8, 0.6), (0.65, 0.6)], "West")
    page.click("#drawer .close")
    for block in ("East", "Middle", "West"):
        page.click(f".block-list >> text={block}")
        _crop(page, "garden pea", "seeded", "2027-04-08", "2027-06-24")
        _crop(page, "broccoli", "transplanted", "2027-09-01", "2027-10-28")
    assert "daily weather" in page.inner_text(".status")
    page.click(".tabs >> text=Farm")
    page.get_by_label("What it is").select_option("weather")
    page.get_by_label("File", exact=True).set_input_files(SAMPLE / "weather.nc")
    page.click("text=Bring it in")
    page.wait_for_selector("dialog >> text=What became of weather.nc")
    page.keyboard.press("Escape")
    planned(page)
    page.get_by_label("drill", exact=True).check()
    page.wait_for_timeout(300)
    planned(page)
    # Another cover than the one that ranks first, so that the order shows that the choice is heeded.
    page.click(".tabs >> text=Calendar")
    page.click('.gap[data-gap="East/2"]')
    page.wait_for_selector(".options .option")
    other = page.locator(".options .option:not(.in-plan):not([data-cover=no_cover])").first
    cover = other.get_attribute("data-cover")
    if other.locator(".caution").count():
        other.locator("summary").click()
        other.locator("input[type=checkbox]").check()
    other.locator("button.main").click()
    page.wait_for_selector(f'.option.in-plan[data-cover="{cover}"]')
    planned(page)
    page.click(".tabs >> text=Order")
    page.wait_for_selector(".paper table")
    with page.expect_download() as waiting:
        page.click("text=Seed order (CSV)")
    order = Path(waiting.value.path()).read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(order)))
    assert sum(int(row["seed_g"]) for row in rows) > 1000
    assert order == _cli_order(served.farms / "home-farm.gpkg", tmp_path / "plan")
    chosen = [c for c in served.client.get("api/plan").json()["gaps"] if c["id"] == "East/2"]
    assert chosen[0]["cover"] == cover
    assert page.complaints == []


def test_the_area_read_out_while_drawing_is_the_geodesic_one(sample_served: Served, window: Window) -> None:
    page = window(sample_served)
    geod = Geod(ellps="WGS84")
    for lon, lat in ((13.9, 48.5), (-76.5, 42.4), (175.2, -37.8), (10.7, 69.6), (36.8, -0.02)):
        ring = [[lon, lat], [lon + 0.004, lat + 0.0003], [lon + 0.0037, lat + 0.0029], [lon - 0.0004, lat + 0.0021]]
        exact = abs(geod.polygon_area_perimeter([c[0] for c in ring], [c[1] for c in ring])[0])
        shown = page.evaluate("async (ring) => (await import('./static/dom.js')).ringArea(ring)", ring)
        assert shown == pytest.approx(exact, rel=5e-6)  # printed to 0.001 ha
        metres = page.evaluate("async ([a, b]) => (await import('./static/dom.js')).distance(a, b)", ring[:2])
        assert metres == pytest.approx(geod.inv(*ring[0], *ring[1])[2], rel=1e-5)


def test_an_outline_that_crosses_itself_is_explained_while_it_is_drawn(sample_served: Served, window: Window) -> None:
    page = window(sample_served)
    planned(page)
    page.click("[data-tool=draw]")
    for x, y in ((0.6, 0.75), (0.85, 0.75), (0.6, 0.95), (0.85, 0.95)):
        _click(page, x, y)
    page.wait_for_selector(".trouble-list .stops >> text=crosses itself")
    assert page.locator(".fault-mark").count() >= 1
    page.keyboard.press("Enter")
    page.wait_for_selector(".trouble-list .stops")
    assert page.locator("[data-tool=draw][aria-pressed=true]").count() == 1  # still drawing, nothing was kept
    page.keyboard.press("Backspace")
    page.wait_for_selector(".trouble-list .stops", state="detached")


def test_split_undo_to_the_beginning_and_redo(serve: Serve, window: Window) -> None:
    served = serve(str(SAMPLE))
    page = window(served, fragment="#screen=map&block=Pond")
    planned(page)
    before = served.state()
    page.click("[data-tool=split]")
    page.wait_for_timeout(600)  # the map makes room for the bar
    block = page.locator('path[data-block="Pond"]').bounding_box()
    x = block["x"] + block["width"] * 0.55
    page.get_by_label("Snap to corners").uncheck()
    page.mouse.click(x, block["y"] - 12)
    page.mouse.click(x, block["y"] + block["height"] + 12)
    page.click(".draw-bar button.main")
    page.wait_for_selector(".block-list >> text=Pond a")
    after = served.state()
    parts = {f["id"]: shape(f["geometry"]) for f in after["blocks"]["features"] if f["id"] in ("Pond a", "Pond b")}
    whole = next(shape(f["geometry"]) for f in before["blocks"]["features"] if f["id"] == "Pond")
    assert sum(p.area for p in parts.values()) == pytest.approx(whole.area, rel=2e-6)  # kept to a millimetre
    assert {c["block"] for c in after["crops"]} >= {"Pond a", "Pond b"}
    assert "Pond" not in {c["block"] for c in after["crops"]}
    page.click("#drawer .close")
    page.click(".block-list >> text=Pond a")
    page.click("#drawer >> text=Remove the block")
    page.click("#drawer >> text=Yes, remove")
    page.wait_for_selector(".block-list >> text=Pond a", state="detached")
    page.click("text=Undo")
    page.wait_for_selector(".block-list >> text=Pond a")
    page.click("text=Undo")
    page.wait_for_selector(".block-list button >> text=/^Pond$/")
    assert page.locator("text=Undo").first.is_disabled()
    back = served.state()
    for part in ("crops", "choices"):
        assert _in_any_order(back[part]) == _in_any_order(before[part])
    assert _in_any_order(back["blocks"]["features"]) == _in_any_order(before["blocks"]["features"])
    assert back["settings"] == before["settings"]
    page.click("text=Redo")
    page.wait_for_selector(".block-list >> text=Pond a")


def test_dragging_an_end_moves_the_gap_and_is_saved(serve: Serve, small: str, window: Window) -> None:
    served = serve(small)
    page = window(served, fragment="#screen=calendar")
    planned(page)
    crop = next(c for c in served.state()["crops"] if c["block"] == "River 2" and c["crop"] == "lettuce")
    handle = page.locator(f'.handle[data-crop="{crop["key"]}"][data-end=end]')
    handle.scroll_into_view_if_needed()
    spot = handle.bounding_box()
    said = page.locator('.gap[data-gap="River 2/2"]').get_attribute("aria-label")
    page.mouse.move(spot["x"] + spot["width"] / 2, spot["y"] + 12)
    page.mouse.down()
    page.mouse.move(spot["x"] + spot["width"] / 2 + 30, spot["y"] + 12, steps=6)
    page.wait_for_function(
        "said => document.querySelector('.gap[data-gap=\"River 2/2\"]').getAttribute('aria-label') !== said", arg=said
    )  # while the button is down: the gap follows
    page.mouse.up()
    page.wait_for_selector("#said >> text=set Lettuce on River 2")
    moved = next(c for c in served.state()["crops"] if c["key"] == crop["key"])
    assert moved["end"] == "2027-06-30"  # 30 pixels at 3 a day
    assert moved["end_late"] == "2027-07-06"  # the soft end goes with it


def test_two_crops_at_once_are_shown_and_mended(serve: Serve, small: str, window: Window) -> None:
    served = serve(small)
    page = window(served, fragment="#screen=calendar")
    planned(page)
    crop = next(c for c in served.state()["crops"] if c["block"] == "Pond" and c["crop"] == "cabbage")
    row = {k: v for k, v in crop.items() if k != "key"} | {"end": "2027-09-20", "end_early": "", "end_late": ""}
    assert served.edit(kind="set_crop", key=crop["key"], row=row).status_code == 200
    page.wait_for_selector('[data-row="Pond"] .cal-wrong >> text=Cabbage stands until 20 Sep 2027')
    planned(page)
    page.click("text=Undo")
    page.wait_for_selector('[data-row="Pond"] .cal-wrong', state="hidden")


def test_a_file_dropped_on_the_page_is_brought_in_with_its_report(serve: Serve, small: str, window: Window) -> None:
    served = serve(small)
    page = window(served)
    planned(page)
    text = "block,crop,establishment,start,end\\nPond,beet,seeded,2027-05-02,2027-08-01\\n,,,,\\n"
    page.evaluate(
        f"""() => {{
          const carried = new DataTransfer();
          carried.items.add(new File(["{text}"], "hollow.csv"));
          dispatchEvent(new DragEvent("drop", {{ dataTransfer: carried, bubbles: true, cancelable: true }}));
        }}"""
    )
    page.wait_for_selector("dialog >> text=hollow.csv: 2 read, 1 used")
    page.wait_for_selector("dialog >> text=is empty")
    rows = [c for c in served.state()["crops"] if c["block"] == "Pond"]
    assert [(c["crop"], c["start"]) for c in rows] == [("beet", "2027-05-02")]


def test_print_leaves_the_tools_away_and_keeps_the_order(sample_served: Served, window: Window, tmp_path: Path) -> None:
    page = window(sample_served, fragment="#screen=order")
    planned(page)
    page.wait_for_selector(".paper table")
    page.emulate_media(media="print")
    for tool in (".tabs", ".head-acts", ".blocks", ".no-print >> nth=0"):
        assert not page.locator(tool).is_visible()
    assert page.locator(".paper table").first.is_visible()
    page.pdf(path=tmp_path / "order.pdf", format="A4")
    assert (tmp_path / "order.pdf").stat().st_size > 10_000


def test_two_tabs_do_not_overwrite_each_other(serve: Serve, small: str, window: Window) -> None:
    served = serve(small)
    one, two = window(served, fragment="#screen=map&block=Pond"), window(served, fragment="#screen=map&block=Pond")
    planned(one)
    planned(two)
    stop_looking = (
        "const { farm } = await import('./static/farm.js'); clearTimeout(farm.timer); farm.follow = () => {};"
    )
    two.evaluate(f"async () => {{ {stop_looking} }}")  # the second window has not looked since
    one.get_by_label("Name of the block").fill("Pool")
    one.click("#drawer >> text=Rename")
    one.wait_for_selector("#drawer h2 >> text=Pool")
    two.get_by_label("Name of the block").fill("Puddle")
    two.click("#drawer >> text=Rename")
    two.wait_for_selector("text=Another window changed the farm in the meantime (renamed Pond to Pool)")
    assert "Pool" in {f["id"] for f in served.state()["blocks"]["features"]}
    assert "Puddle" not in {f["id"] for f in served.state()["blocks"]["features"]}
    two.wait_for_selector(".block-list >> text=Pool")


def test_the_page_works_without_a_network_and_asks_nobody_else(sample_served: Served, window: Window) -> None:
    page = window(sample_served)
    planned(page)
    for screen in ("Calendar", "Work", "Flowers", "Order", "Field book", "Compare", "Farm", "Map"):
        page.click(f".tabs >> text={screen}")
        page.wait_for_timeout(250)
    page.click(".block-list >> text=River 1")
    page.click("#drawer .lines button >> nth=1")
    page.wait_for_selector(".options")
    page.click(".why-button >> nth=0")
    page.wait_for_selector("dialog .top")
    page.keyboard.press("Escape")
    for key in ("soil_clay", "soil_drainage", "weather"):
        page.get_by_label("Underneath").select_option(key)
        page.wait_for_timeout(400)
    host = urlsplit(sample_served.url).netloc
    assert {urlsplit(u).netloc for u in page.asked_for if not u.startswith("data:")} == {host}
    assert page.failed == []
    assert page.complaints == []


def test_a_phone_shows_everything_and_lets_choose(sample_served: Served, window: Window) -> None:
    page = window(sample_served, 360, 740, has_touch=True, is_mobile=True)
    planned(page)
    for screen in ("Calendar", "Work", "Flowers", "Order", "Field book", "Compare", "Farm", "Map"):
        page.tap(f".tabs >> text={screen}")
        page.wait_for_timeout(300)
        assert page.evaluate("document.documentElement.scrollWidth") == 360, screen
    page.tap(".block-list >> text=River 2")
    page.wait_for_selector("#drawer h2 >> text=River 2")
    page.tap("#drawer .lines button >> nth=1")
    page.wait_for_selector(".option.in-plan")
    wide = page.evaluate(
        "Math.max(...[...document.querySelectorAll('#drawer *')].map(n => n.getBoundingClientRect().right))"
    )
    assert wide <= 361
    other = page.locator(".options .option:not(.in-plan):not([data-cover=no_cover])").first
    cover = other.get_attribute("data-cover")
    button = other.locator("button.main")
    button.tap()
    other.locator("summary").wait_for()
    if other.locator("label.tick input").count():
        page.wait_for_selector(".complaint >> text=Read the cautions")  # first the cautions
        other.locator("label.tick input").check()
        button.tap()
    page.wait_for_selector(f'.option.in-plan[data-cover="{cover}"]')
    page.locator(".option.in-plan >> text=Take the answer back").tap()
    page.wait_for_selector(f'.option.in-plan[data-cover="{cover}"]', state="detached")


def test_drawing_dating_and_choosing_by_keyboard_alone(serve: Serve, small: str, window: Window) -> None:
    served = serve(small)
    page = window(served)
    planned(page)

    def reach(selector: str, most: int = 120) -> None:
        for _ in range(most):
            page.keyboard.press("Tab")
            if page.evaluate("s => document.activeElement.matches(s)", selector):
                return
        raise AssertionError(f"{selector} cannot be reached with the Tab key")

    reach("[data-tool=draw]")
    page.keyboard.press("Enter")
    page.wait_for_selector(".draw-bar")
    assert page.evaluate("document.activeElement.matches('.ground')")
    for keys in (["ArrowDown"] * 5, ["ArrowRight"] * 2, ["ArrowDown"] * 2, ["ArrowLeft"] * 2):
        for key in keys:
            page.keyboard.press(key)
            page.wait_for_timeout(330)  # the map glides
        page.keyboard.press("Space")
    page.keyboard.press("Enter")
    page.wait_for_selector("#drawer h2 >> text=Block 1")
    page.wait_for_timeout(200)
    assert page.evaluate("document.activeElement.tagName") == "INPUT"  # its name, ready to be typed
    page.keyboard.type("Keys")
    page.keyboard.press("Enter")
    page.wait_for_selector("#drawer h2 >> text=Keys")
    page.goto(served.url + "#screen=calendar")
    page.reload()
    planned(page)
    crop = next(c for c in served.state()["crops"] if c["block"] == "Pond")
    reach(f'.handle[data-crop="{crop["key"]}"][data-end=end]')
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("ArrowRight")
    page.wait_for_selector("#said >> text=set Cabbage on Pond")
    assert next(c for c in served.state()["crops"] if c["key"] == crop["key"])["end"] == "2027-07-08"
    reach('.gap[data-gap="River 1/2"]')
    page.keyboard.press("Enter")
    page.wait_for_selector(".options .option")
    reach(".option[data-cover=no_cover] button.main", 400)
    page.keyboard.press("Enter")
    page.wait_for_selector(".option.in-plan[data-cover=no_cover]")


@pytest.mark.parametrize("width", [1360, 360])
def test_axe_finds_nothing_on_any_screen(sample_served: Served, serve: Serve, window: Window, width: int) -> None:
    from axe_playwright_python.sync_playwright import Axe

    # Sizes of targets are measured below instead: axe takes what is scrolled out of sight for lying on its neighbour.
    rules = {
        "rules": {"target-size": {"enabled": False}},
        "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]},
    }
    found: dict[str, list[str]] = {}

    def look(page: Any, name: str) -> None:
        result = Axe().run(page, options=rules)
        assert len(result.response["passes"]) > 10
        bad = [f"{v['id']}: {n['html'][:200]}" for v in result.response["violations"] for n in v["nodes"][:3]]
        small = page.evaluate(SMALL_TARGETS)
        if bad or small:
            found[name] = bad + small

    page = window(serve(), width)
    page.wait_for_selector(".start")
    look(page, "start")
    page = window(sample_served, width)
    planned(page)
    for screen in ("Map", "Calendar", "Work", "Flowers", "Order", "Compare", "Farm"):
        page.click(f".tabs >> text={screen}")
        page.wait_for_timeout(500)
        look(page, screen)
    page.click(".tabs >> text=Map")
    page.click(".block-list >> text=River 2")
    page.wait_for_timeout(300)
    look(page, "block")
    page.click("#drawer .lines button >> nth=1")
    page.wait_for_selector(".options")
    page.click(".years > summary")
    page.wait_for_selector(".strip")
    page.click(".after > summary")
    page.wait_for_selector(".after h4")
    page.click(".clean > summary")
    page.wait_for_selector(".clean svg")
    page.click(".clean details > summary")
    look(page, "gap")
    page.click(".why-button >> nth=0")
    page.wait_for_selector("dialog .top")
    look(page, "why")
    page.keyboard.press("Escape")
    page.click("#drawer .close")
    page.click("[data-tool=draw]")
    look(page, "drawing")
    assert found == {}


# WCAG 2.2, 2.5.8: 24 by 24 pixels; a tick counts with its label, a link in a line of text is let be.
SMALL_TARGETS = """() => [...document.querySelectorAll('button, a[href], input, select, summary, [role]')]
  .filter((n) => !n.role || n.role === 'button' || n.role === 'slider')
  .filter((n) => n.checkVisibility() && !n.closest('.skip') && !n.classList.contains('skip'))
  .map((n) => [n, (n.closest('label.tick') || n.querySelector('rect') || n).getBoundingClientRect()])
  .filter(([n, r]) => !(n.matches('path.leaflet-interactive, .gap, .bar')) && (r.width < 23.9 || r.height < 23.9))
  .map(([n, r]) => 'small: ' + Math.round(r.width) + ' x ' + Math.round(r.height) + ' ' + n.outerHTML.slice(0, 120))
  .slice(0, 5)"""


def test_every_text_of_the_page_is_in_the_catalogue() -> None:
    static = Path(__file__).resolve().parents[2] / "src" / "greengap" / "web" / "static"
    words = json.loads((static / "words" / "en.json").read_text(encoding="utf-8"))
    used = set()
    for path in static.glob("*.js"):
        text = path.read_text(encoding="utf-8")
        used |= set(re.findall(r"""\b(?:t|button|field|fact)\("([a-z_0-9A-Z.]+)"[,)]""", text))
    assert len(used) > 150
    assert used - set(words) == set()
    # And none is left over: those that are put together from a stem and a key of the program are known by their stem.
    stems = (
        "problem_", "did_", "layer_", "screen_", "tool_", "export_", "equipment_", "missing_", "fault_", "draw_hint_",
        "class_", "clean_way_", "scale_", "import_", "method_", "handle_",
        "word_", "holds_", "before_", "hole_", "ground_", "set_", "kind_", "rec_", "said_", "book_job_", "book_due_",
        "book_reach_", "spray_said_", "spray_harms_", "book_none_", "book_do_", "book_why_",
    )  # fmt: skip
    text = "".join(path.read_text(encoding="utf-8") for path in static.glob("*.js"))
    assert [key for key in words if f'"{key}"' not in text and not key.startswith(stems)] == []


def test_a_shared_corner_moves_in_both_blocks_unless_told_not_to(serve: Serve, small: str, window: Window) -> None:
    served = serve(small)
    page = window(served, fragment="#screen=map&block=River 2")
    planned(page)

    def outlines() -> dict[str, Any]:
        return {f["id"]: shape(f["geometry"]) for f in served.state()["blocks"]["features"]}

    before = outlines()
    corners = list(before["River 2"].exterior.coords[:-1])
    shared = next(i for i, c in enumerate(corners) if i and c in list(before["River 1"].exterior.coords))
    for along in (True, False):
        page.click("[data-tool=reshape]")
        page.wait_for_timeout(500)
        if not along:
            page.get_by_label("Shared corners and edges of neighbours move along").uncheck()
        page.locator(f'.corner[data-key="0,0,{shared}"]').focus()
        for _ in range(5):
            page.keyboard.press("ArrowLeft")  # a metre each
            page.wait_for_timeout(60)
        if along:
            page.wait_for_selector(".reading >> text=moving along: River 1")
        page.click(".draw-bar button.main")
        page.wait_for_selector(".draw-bar", state="detached")
        after = outlines()
        changed = {name for name in after if not after[name].equals_exact(before[name], 1e-7)}
        assert changed == ({"River 1", "River 2"} if along else {"River 2"})
        lost = Geod(ellps="WGS84").geometry_area_perimeter(after["River 1"].intersection(after["River 2"]))[0]
        if along:  # no overlap and no sliver: both have a corner where it went
            old = [Point(c) for c in corners]
            moved = next(c for c in after["River 2"].exterior.coords if min(Point(c).distance(o) for o in old) > 1e-6)
            away = Geod(ellps="WGS84").inv(*corners[shared], *moved)[2]
            assert away == pytest.approx(5, abs=0.01)
            assert min(Point(moved).distance(Point(c)) for c in after["River 1"].exterior.coords) < 2e-8
            assert abs(lost) < 0.1
        else:
            assert abs(lost) > 5  # shown while drawing, and kept because it was asked for
        page.click("text=Undo")
        page.wait_for_timeout(500)
        now = outlines()
        assert all(now[name].equals_exact(before[name], 1e-7) for name in before)


def test_what_a_cover_leaves_is_told_as_the_command_tells_it(sample_served: Served, window: Window) -> None:
    page = window(sample_served, fragment="#screen=calendar&block=Pond&gap=Pond/2")
    planned(page)
    page.wait_for_selector(".options .option")
    cover = page.locator("[data-role=pick]").input_value()
    said = subprocess.run(
        [sys.executable, "-m", "greengap.cli", "after", str(SAMPLE), "Pond", cover, "--gap", "Pond/2"],
        check=False, capture_output=True, text=True,
    ).stdout  # fmt: skip
    words = " ".join(said.split())
    page.click(".after > summary")
    page.wait_for_selector(".after h4")
    for sentence in page.locator(".after > div > p:not(.quiet):not(.caution)").all_inner_texts():
        assert sentence.removesuffix("Why?").strip() in words
    assert page.locator(".after svg .curve.own").count() == 1
    for row in page.locator(".after table >> nth=0").locator("tbody tr").all():
        assert row.locator("td").first.inner_text() in words
    clocks = page.locator("svg.clocks text").all_text_contents()
    assert sum("binds" in text for text in clocks) == 1
    spare = next(text for text in clocks if "binds" in text).split()[0]
    assert re.search(rf"{spare}\s+\d+ of \d+ years\s+binds", said)
    ladder = sample_served.client.get("api/export/ladder.csv").text.splitlines()
    assert page.locator(".ladder li").count() == sum(line.startswith("Pond/2,") for line in ladder)
    page.click(".years > summary")
    page.wait_for_selector(".strip")
    page.locator(".years input[type=range]").fill("3")
    assert page.locator(".years .verdict").inner_text().startswith("2003: ")
    assert page.complaints == []


@pytest.mark.parametrize("width", [1360, 360])
def test_ground_without_a_cover_stands_beside_the_cover_as_the_command_has_it(
    sample_served: Served, window: Window, width: int
) -> None:
    page = window(sample_served, width, fragment="#screen=calendar&block=Pond&gap=Pond/2")
    planned(page)
    page.click(".clean > summary")
    page.wait_for_selector(".clean svg")
    part = page.locator(".clean")
    heads = part.locator(".ways thead th").all_inner_texts()
    assert len(heads) == 5
    assert sum("better" in head for head in heads) == 1
    said = subprocess.run(
        [sys.executable, "-m", "greengap.cli", "options", str(SAMPLE), "Pond/2"],
        check=False, capture_output=True, text=True,
    ).stdout  # fmt: skip
    lines = said[said.index("Without a cover") :].splitlines()
    words = " ".join(" ".join(lines).split())
    assert part.locator(".verdict").inner_text() in words
    assert part.locator("h4 + p").inner_text() in words
    printed = [re.split(r"\s{2,}", line.lstrip("* ")) for line in lines[3:8]]
    rows = {
        row.locator("th").inner_text(): row.locator("td").all_inner_texts()
        for row in part.locator(".ways tr").all()[1:]
    }
    assert rows["Years free of seed"] == [row[4] for row in printed]
    assert rows["Passes"] == [row[8] for row in printed]
    assert [f"{hours} h" for hours in rows["Hours"]] == [row[9] for row in printed]
    dashes = [curve.get_attribute("stroke-dasharray") for curve in part.locator("svg .curve").all()]
    assert len(set(dashes)) == 3, "told apart by their dashes, not by colour"
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert sample_served.client.get("api/clean", params={"gap": "nowhere/1"}).status_code == 404
    assert page.complaints == []


def test_a_kept_plan_is_set_beside_the_plan_after_an_edit(serve: Serve, small: str, window: Window) -> None:
    served = serve(small)
    page = window(served, fragment="#screen=compare")
    planned(page)
    page.get_by_label("Keep the plan as it is now").fill("January")
    page.click("text=Keep it")
    many = len(served.client.get("api/plan").json()["gaps"])
    page.wait_for_selector(f"text=Nothing differs in any of {many} gaps")
    served.planned()
    first = {g["id"]: g for g in served.client.get("api/plan").json()["gaps"]}
    detail = served.client.get("api/gap", params={"id": "River 2/2"}).json()
    other = next(c for c in detail["covers"] if c["dates"] and c["cover"] != detail["chosen"])
    done = served.edit(
        kind="answer", gap="River 2/2", cover=other["cover"], given="choose", cautions_read=True
    )  # fmt: skip
    assert done.status_code == 200
    page.wait_for_selector(f"text=1 of {many} gaps differ, on 1 blocks.")
    row = page.locator(".compare-result table.stack tbody tr")
    assert row.count() == 1
    text = row.inner_text()
    assert first["River 2/2"]["cover"] != other["cover"]
    assert "Another cover" in text
    assert other["name"].lower() in text.lower()
    got = served.client.get("api/compare", params={"kept": "January"}).json()
    assert got["same"] == many - 1
    assert got["rows"][0]["before"]["sow"] == first["River 2/2"]["sow"]
    page.click("text=Undo")
    page.wait_for_selector(f"text=Nothing differs in any of {many} gaps")
    # The whole farm for nitrogen alone: other covers, and nothing of it is kept.
    page.get_by_label("Compare", exact=True).select_option(index=1)
    for name, weight in (("Suppress weeds", "0"), ("Supply nitrogen", "5")):
        page.get_by_label(name).fill(weight)
    page.click("text=Plan the farm under these weights")
    page.wait_for_selector(".compare-result table.stack", timeout=90_000)
    assert page.locator(".compare-result table.stack tbody tr").count() > 3
    assert served.state()["settings"]["purposes"]["weed_suppression"]["weight"] > 0
    assert page.complaints == []


def test_beds_are_made_from_one_line_and_buffers_from_a_width(serve: Serve, small: str, window: Window) -> None:
    served = serve(small)
    page = window(served, fragment="#screen=map&block=River%202")
    planned(page)
    whole = next(f for f in served.state()["blocks"]["features"] if f["id"] == "River 2")
    page.click("[data-tool=beds]")
    page.wait_for_timeout(400)
    lon, lat = whole["geometry"]["coordinates"][0][0][:2]
    end = whole["geometry"]["coordinates"][0][1][:2]
    page.click(".draw-bar summary")
    for x, y in ((lon, lat), end):
        page.get_by_label("Latitude").fill(str(y))
        page.get_by_label("Longitude").fill(str(x))
        page.locator(".draw-bar details button").last.click()
    page.get_by_label("Bed to bed").fill("2")
    page.get_by_label("Sown width").fill("1.5")
    page.get_by_label("Number of beds").fill("200")
    page.click(".draw-bar button.main")
    page.wait_for_selector("#said >> text=beds on River 2: its sown share")
    after = next(f for f in served.state()["blocks"]["features"] if f["id"] == "River 2")
    assert after["properties"]["sown_share"] == pytest.approx(0.75, abs=0.02)
    page.click("[data-tool=buffer]")
    page.get_by_label("Width (m)").fill("5")
    page.click("text=Make the buffer")
    page.wait_for_selector(".block-list >> text=River 2 buffer 1")
    features = {f["id"]: f for f in served.state()["blocks"]["features"]}
    parts = [features[name]["properties"]["area_m2"] for name in ("River 2", "River 2 buffer 1")]
    assert sum(parts) == pytest.approx(whole["properties"]["area_m2"], rel=1e-5)
    assert page.complaints == []
