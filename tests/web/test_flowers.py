"""Planned sprays on the page: kept in the farm file in one transaction, undone, and told with the flowers they meet."""

import shutil
from pathlib import Path
from typing import Any

import pytest

from greengap import read_farm
from greengap.farm.farm_file import edit_farm_file
from greengap.farm_flowers import find_flowers
from greengap.output.flowers_text import meeting_words, window_words
from greengap.web import edits
from greengap.web.edits import EditProblem
from greengap.web.flowers_view import flowers_view
from greengap.web.store import FarmStore

from .conftest import planned

SPRAY = {"block": "Pond", "from": "2027-08-09", "harms_bees": "yes", "product": "", "until": ""}


@pytest.fixture
def store(sample_file: Path, tmp_path: Path) -> FarmStore:
    return FarmStore(Path(shutil.copy(sample_file, tmp_path / "farm.gpkg")))


def test_a_spray_is_kept_changed_undone_and_read_by_the_commands(store: FarmStore) -> None:
    store.commit(0, *edits.plan_spray(store.rows, None, SPRAY))
    store.commit(1, *edits.plan_spray(store.rows, 0, SPRAY | {"call": "Ann"}))
    (spray,) = read_farm(store.path).sprays
    assert (spray.block_id, spray.call, spray.harms_bees, spray.place) == ("Pond", "Ann", True, "farm.toml spray 1")
    again = FarmStore(store.path)
    assert again.history[-1].words == ["did_plan_spray", {"ground": "Pond", "day": "2027-08-09"}]
    again.step(2, back=True)
    assert read_farm(store.path).sprays[0].call == ""
    again.commit(3, *edits.remove_spray(again.rows, 0))
    assert read_farm(store.path).sprays == ()
    again.step(4, back=True)
    assert len(read_farm(store.path).sprays) == 1


def test_a_bare_date_in_the_settings_can_be_undone_too(store: FarmStore) -> None:
    with edit_farm_file(store.path) as edit:
        text = store.contents.settings_text + '\n[[planned_sprays]]\nblock = "Pond"\nfrom = 2027-08-09\n'
        edit.write_settings(text)
    store.read()
    store.commit(store.version, *edits.remove_spray(store.rows, 0))
    store.step(store.version, back=True)
    assert [s.block_id for s in read_farm(store.path).sprays] == ["Pond"]


def test_sprays_go_with_their_block(store: FarmStore) -> None:
    store.commit(0, *edits.plan_spray(store.rows, None, SPRAY))
    neighbour = {"neighbour": "lane", "from": "2027-08-09", "distance_m": 40.0}
    store.commit(1, *edits.plan_spray(store.rows, None, neighbour))
    store.commit(2, *edits.rename(store.rows, "Pond", "Lake", ""))
    assert {s.block_id or s.neighbour for s in read_farm(store.path).sprays} == {"Lake", "lane"}
    store.commit(3, *edits.remove(store.rows, "Lake"))
    assert [s.neighbour for s in read_farm(store.path).sprays] == ["lane"]


@pytest.mark.parametrize(
    ("cells", "key"),
    [
        ({"block": "", "neighbour": ""}, "spray_ground"),
        ({"neighbour": "lane"}, "spray_ground"),
        ({"block": "Nowhere"}, "no_block"),
        ({"from": ""}, "cell_empty"),
        ({"from": "2027-13-01"}, "not_a_date"),
        ({"until": "2027-08-01"}, "end_before_start"),
    ],
)
def test_a_spray_that_cannot_be_is_refused_with_its_field(store: FarmStore, cells: dict[str, str], key: str) -> None:
    with pytest.raises(EditProblem) as caught:
        edits.plan_spray(store.rows, None, SPRAY | cells)
    assert caught.value.key == key
    with pytest.raises(EditProblem):
        edits.remove_spray(store.rows, 0)


def test_the_page_says_what_the_command_says(flowering_plan: Any) -> None:
    from greengap.farm.sprays import PlannedSpray

    found = find_flowers(flowering_plan)
    sprays = [
        PlannedSpray(s.place, s.block_id, s.neighbour, None, s.first, s.last)
        for s in flowering_plan.sprays.itertuples()
    ]
    view = flowers_view(found, sprays)
    assert [w["words"] for w in view["windows"]] == [window_words(found, w) for w in found.windows.itertuples()]
    met = [c["words"] for s in view["sprays"] for c in s["met"]]
    assert sorted(met) == sorted(meeting_words(found, c) for c in found.conflicts.itertuples())
    assert [s["at"] for s in view["sprays"]] == [None] * len(sprays)  # of a file: not to be changed here
    assert len(view["mowing"]) == len(found.mowing)


def test_a_spray_is_typed_on_the_page_and_taken_back(sample_served: Any, window: Any) -> None:
    page = window(sample_served, fragment="#screen=flowers")
    planned(page)
    page.click("summary:has-text('Type a planned spray')")
    page.select_option("label:has-text('What is sprayed') + select", "Orchard Strip")
    page.click("text=Add the spray")
    page.wait_for_selector("text=Fill this in.")
    page.fill("label:has-text('First day') + input", "2027-08-16")
    page.fill("label:has-text('Who is to be called before') + input", "Ann, 555 0100")
    page.click("text=Add the spray")
    line = page.wait_for_selector(".sprays > li:has-text('Orchard Strip')")
    assert "Not known whether it harms bees." in line.inner_text()
    assert "Call before spraying: Ann, 555 0100." in line.inner_text()
    assert "counts as harmful" in line.inner_text()
    page.wait_for_selector(".spray-mark", state="attached")
    planned(page)
    page.click("text=Undo")
    page.wait_for_selector("text=No spray is typed.")
    assert "planned_sprays" not in sample_served.state()["settings"]
    assert page.complaints == []


def test_a_phone_shows_the_flowers_without_scrolling_sideways(sample_served: Any, window: Any) -> None:
    page = window(sample_served, width=360, height=740, fragment="#screen=flowers")
    page.wait_for_selector("text=Planned sprays")
    page.click("summary:has-text('Type a planned spray')")
    page.select_option("label:has-text('What is sprayed') + select", "")
    assert page.is_visible("text=Distance to your nearest block, m")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
