"""What is known of a block is shown with its source, and typed in its sheet: water, and the grower's word."""

from __future__ import annotations

import re
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from greengap.farm_input import read_farm
from greengap.web import edits
from greengap.web.session import Session
from greengap.web.store import FarmStore

from .conftest import Served, planned

Window = Callable[..., Any]


def test_a_word_that_is_given_on_the_page_is_over_the_map_and_undo_brings_the_map_back(
    small_file: Path, tmp_path: Path
) -> None:
    path = tmp_path / "farm.gpkg"
    shutil.copy(small_file, path)
    session = Session(FarmStore(path))
    try:
        before = read_farm(path).soil.set_index("block_id")
        word = {"ponds": True, "clay_percent": 40, "faces": "south", "slope_percent": 7, "reason": "seen", "by": "Ann"}
        session.edit(session.version, lambda rows: edits.set_settings(rows, {"growers_word": {"River 2": word}}))
        session.planner.cancel()
        farm = read_farm(path)
        soil = farm.soil.set_index("block_id")
        assert soil.loc["River 2", "drainage_class"] == "poorly drained"
        assert soil.loc["River 2", "clay_fraction"] == pytest.approx(0.40)
        assert soil.loc["River 2", "slope_fraction"] == pytest.approx(0.07)
        assert soil.loc["River 2", "available_water_fraction"] != before.loc["River 2", "available_water_fraction"]
        assert "grower's word" in soil.loc["River 2", "source"]
        assert soil.loc["Pond", list(before)].equals(before.loc["Pond", list(before)])
        assert any("Clay of River 2 is the grower's word (Ann)" in a for a in farm.report.assumptions)
        session.step(session.version, True)
        assert read_farm(path).soil.set_index("block_id").equals(before)
    finally:
        session.close()


def _kept(served: Served, setting: str) -> None:
    """Wait until a setting of River 2 is in the farm file."""
    until = time.monotonic() + 40
    while "River 2" not in str(served.state()["settings"].get(setting)):
        assert time.monotonic() < until
        time.sleep(0.1)


@pytest.mark.browser
@pytest.mark.parametrize("width", [1360, 360])
def test_ground_and_water_are_shown_with_their_source_and_typed(
    small_served: Served, window: Window, width: int
) -> None:
    page = window(small_served, width)
    planned(page)
    page.click(".tabs >> text=Map")
    page.click(".block-list >> text=River 2")
    page.wait_for_selector("#drawer .ground-facts")
    assert "not said" in page.inner_text("#drawer .ground-facts")
    page.click("#water-set > summary")
    page.get_by_label("Ground that one set waters").fill("99999999")
    page.click("#water-set button[type=submit]")
    page.wait_for_selector("#water-set .complaint >> text=cannot be")
    page.get_by_label("Ground that one set waters").fill("500")
    page.get_by_label("Flow of a set").fill("6")
    page.get_by_label("Days until it comes round again").fill("5")
    page.get_by_label("How it is watered").select_option("sprinkler")
    page.click("#water-set button[type=submit]")
    _kept(small_served, "irrigation_set")
    planned(page)
    page.click("#drawer h2")
    page.click("summary >> text=Your word over the map")
    page.get_by_label("Water stands on it").select_option("yes")
    page.get_by_label("It faces").select_option("south")
    page.get_by_label("How you know").fill("drowned in 2021")
    page.locator("#drawer form button[type=submit]", has_text=re.compile("^Keep$")).click()
    _kept(small_served, "growers_word")
    small_served.planned()
    page.wait_for_selector("#drawer .ground-facts >> text=drowned in 2021")
    facts = page.inner_text("#drawer .ground-facts")
    assert "grower's word: drowned in 2021" in facts
    assert "Irrigation sets" in facts
    assert page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
    kept = small_served.state()["settings"]
    one = {"area_m2": 500, "flow_m3_h": 6, "rotation_d": 5, "method": "sprinkler"}
    assert kept["irrigation_set"]["blocks"]["River 2"] == one
    assert kept["growers_word"]["River 2"] == {"ponds": True, "faces": "south", "reason": "drowned in 2021"}
    # No longer watered: its set goes in the same edit, and one undo brings both back.
    page.get_by_label("Can be watered").uncheck()
    page.wait_for_selector("#water-set", state="detached")
    assert "River 2" not in small_served.state()["settings"].get("irrigation_set", {}).get("blocks", {})
    for back in range(3):
        state = small_served.state()
        asked = {"farm": state["farm"], "version": state["version"], "back": True}
        after = small_served.client.post("api/step", json=asked).json()["state"]["settings"]
        if back == 0:
            assert after["irrigation_set"]["blocks"]["River 2"] == one
    assert "River 2" not in after.get("growers_word", {})
    assert [c for c in page.complaints if "422" not in c] == []
