"""Lists that are dropped on the page: told by their header, read as the commands read them, taken back by undo."""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import openpyxl
import pytest

from greengap.errors import InputProblem
from greengap.farm.farm_file import read_farm_file
from greengap.farm_input import read_farm
from greengap.pack import unpack
from greengap.web import edits
from greengap.web.house import House
from greengap.web.lists import COLUMNS, FILES, kinds_of_header, season_as_data, season_of_data
from greengap.web.store import FarmStore

from .conftest import SAMPLE, Served, planned

Window = Callable[..., Any]

STOCK = "species,lot,kg,purity_percent,germination_percent\nbuckwheat,shed 1,25,98,90\noat,shed 2,80,,\n"
PRICES = "species,supplier,bag_kg,price,currency\nbuckwheat,A,25,70,EUR\noat,A,25,35,EUR\ninoculant clover,B,25,9,EUR\n"
SPRAYED = "block,product,applied,species,interval_months\nRiver 2,Product X,2026-06-01,other,18\n"
NAMES = "name,list\nSinapis arvensis,a county list\n"
HISTORY = "block,date,kind,what\nRiver 2,2025,crop,cabbage\nNowhere,2024,crop,leek\n"
OWN = """
[mixes.own_oats_and_peas]
name = "own oats and peas"
[mixes.own_oats_and_peas.components]
oat = { value = 0.5, unit = "fraction", source = "own record", confidence = "read" }
field_pea = { value = 0.5, unit = "fraction", source = "own record", confidence = "read" }
"""


@pytest.fixture(scope="module")
def served(small_served: Served) -> Served:
    """A small farm on the page."""
    return small_served


def _bring(served: Served, name: str, content: str | bytes, kind: str = "any", **query: Any) -> httpx.Response:
    state = served.state()
    asked = {"farm": state["farm"], "version": state["version"], "name": name, **query}
    headers = {"content-type": "application/octet-stream"}
    data = content.encode() if isinstance(content, str) else content
    return served.client.post(f"api/import/{kind}", params=asked, content=data, headers=headers)


def _file(served: Served) -> Path:
    return next(served.farms.glob("*.gpkg"))


def _undo(served: Served, back: bool = True) -> dict[str, Any]:
    state = served.state()
    asked = {"farm": state["farm"], "version": state["version"], "back": back}
    return served.client.post("api/step", json=asked).json()["state"]


@pytest.mark.parametrize(
    ("header", "kinds"),
    [
        ("species,kg", ["seed_stock"]),
        ("species,bag_lb,price", ["seed_prices"]),
        ("species,organic,note", ["seed_stock", "seed_prices"]),
        ("block,product,applied", ["herbicides"]),
        ("name,list", ["noxious_names"]),
        ("block,date,kind,what", ["history"]),
        ("bed,vegetable,method,in,out", ["crops"]),
        ("record_id,entry_id,what,date", ["record"]),
        ("name,wkt", ["blocks"]),
        ("block,from,until,product,harms_bees", ["planned_sprays"]),
        ("date,tmin,tmax,rain", []),
        ("species,kg,germination_precent", ["seed_stock"]),
    ],
)
def test_a_table_is_told_by_its_header(header: str, kinds: list[str]) -> None:
    assert kinds_of_header(set(header.split(","))) == kinds


def test_the_columns_by_which_a_list_is_told_are_those_that_its_reader_takes(tmp_path: Path) -> None:
    """Every column that is known here is taken by the reader: none is refused as not known."""
    from greengap.errors import ImportReport
    from greengap.farm.settings import settings_from
    from greengap.farm_input import read_own_files

    settings = settings_from((SAMPLE / "farm.toml").read_bytes(), SAMPLE, "x")
    for kind in ("seed_stock", "seed_prices", "herbicides", "noxious_names", "planned_sprays"):
        header = ",".join(dict.fromkeys((*COLUMNS[kind][0], *COLUMNS[kind][1])))
        read_own_files({FILES[kind]: header + "\n"}, settings, ["River 2"], ImportReport())
        with pytest.raises(InputProblem, match="not a column that is read"):
            read_own_files({FILES[kind]: header + ",nonsense\n"}, settings, ["River 2"], ImportReport())


def test_every_list_comes_in_is_planned_with_and_goes_out_again(served: Served, tmp_path: Path) -> None:
    before = read_farm_file(_file(served))
    at_first = served.state()
    answers = {
        "shed list.csv": (STOCK, "2 read, 2 used", "seed_stock"),
        "quotes.csv": (PRICES, "3 read, 3 used", "seed_prices"),
        "sprayed.csv": (SPRAYED, "1 read, 1 used", "herbicides"),
        "names.csv": (NAMES, "1 read, 1 used", "noxious_names"),
        "mine.toml": (OWN, "1 read, 1 used", "catalogue"),
        "history.csv": (HISTORY, "2 read, 1 used", "history"),
    }
    for name, (text, told, key) in answers.items():
        answer = _bring(served, name, text)
        assert answer.status_code == 200, answer.text
        got = answer.json()
        assert got["report"][0] == {"fate": "counts", "place": name, "what": told}
        assert got["words"] == ["did_import_list", {"name": name, "list": key}]
    assert any("there is no block 'Nowhere'" in line["what"] for line in got["report"])
    held = {one["key"]: one for one in served.state()["lists"]}
    assert {k: (one["named"], one["rows"]) for k, one in held.items() if one["out"]} == {
        key: (name, int(told.split()[2])) for name, (_, told, key) in answers.items()
    }
    assert all(one["since"] for one in held.values() if one["out"])
    assert held["weather"]["out"] is False
    # The file says what a folder with the same lists would say, and the plan heeds it.
    farm = read_farm(_file(served))
    assert [(lot.species, lot.kg) for lot in farm.seed_lists.stock] == [("buckwheat", 25.0), ("oat", 80.0)]
    assert farm.law_lists.sprayed[0].block_id == "River 2"
    assert farm.law_lists.named
    assert "own_oats_and_peas" in farm.catalogue.covers
    assert list(farm.history["what"]) == ["cabbage"]
    assert {FILES[key] for _, _, key in answers.values()} <= set(farm.inputs)
    again = read_farm(unpack_of(served, tmp_path))
    assert again.seed_lists.stock == farm.seed_lists.stock
    assert again.law_lists.sprayed == farm.law_lists.sprayed
    assert again.catalogue.version == farm.catalogue.version
    assert served.planned()["state"] == "done"
    # Its own mix is on every screen that names covers.
    catalogue = served.client.get("api/catalogue").json()
    assert catalogue["version"] == served.state()["catalogue"] == farm.catalogue.version
    mine = next(c for c in catalogue["covers"] if c["id"] == "own_oats_and_peas")
    assert mine["name"] == "own oats and peas"
    assert {"hatch", "colour"} <= set(mine)
    book = served.client.get("api/field-book").json()
    assert "own_oats_and_peas" in str(book["covers"])
    # Taken out one by one, then all taken back to the beginning and done again.
    for key in ("seed_stock", "history"):
        assert served.edit(kind="drop_list", name=key).status_code == 200
    assert served.edit(kind="drop_list", name="seed_stock").json()["key"] == "no_list"
    assert {one["key"] for one in served.state()["lists"] if one["out"]} == {
        "seed_prices", "herbicides", "noxious_names", "catalogue",
    }  # fmt: skip
    for _ in range(8):
        state = _undo(served)
    assert state["lists"] == at_first["lists"]
    after = read_farm_file(_file(served))
    assert after.own_files == before.own_files
    assert after.sources == before.sources
    assert after.report == before.report
    assert tomllib.loads(after.settings_text) == tomllib.loads(before.settings_text)
    assert "# " in after.settings_text.split("[files]")[1].split("[soil")[0]  # remarks stay
    for _ in range(8):
        state = _undo(served, back=False)
    assert {one["key"] for one in state["lists"] if one["out"]} == {
        "seed_prices", "herbicides", "noxious_names", "catalogue",
    }  # fmt: skip
    for _ in range(8):
        _undo(served)


def unpack_of(served: Served, tmp_path: Path) -> Path:
    unpack(_file(served), tmp_path / "again")
    return tmp_path / "again"


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        (
            "shed.csv",
            "species,kg\nbuckwheat,25\nunicorn,3\n,4\n",
            ["shed.csv, row 4, species: the cell is empty", "row 3 (unicorn), species"],
        ),
        ("shed.csv", "species,kg,germination_percent\nbuckwheat,25,190\n", ["more than all of the seed"]),
        ("sprayed.csv", "block,product,applied\nNo Such Block,X,2026-06-01\n", ["is not a block"]),
        ("names.csv", "name,list\nSinapis arvensis,\n", ["the cell is empty"]),
        ("mine.toml", "[species.x]\nname = 'x'\n", ["mine.toml"]),
        ("mine.toml", "not toml at all", ["mine.toml"]),
        ("nothing.csv", "", ["nothing.csv"]),
        ("book.xlsx", b"PK\x03\x04 broken", ["book.xlsx"]),
        ("season.csv", "record_id,what,date\nx,nonsense,2027-05-05\n", ["season.csv"]),
    ],
)
def test_what_cannot_be_used_is_told_in_one_sentence_and_nothing_is_written(
    served: Served, name: str, text: str | bytes, said: list[str]
) -> None:
    before = _file(served).read_bytes()
    answer = _bring(served, name, text)
    assert answer.status_code == 422, answer.text
    got = answer.json()
    assert got["kind"] == "input"
    for part in said:
        assert part in got["sentence"]
    assert "Traceback" not in got["sentence"]
    assert str(served.farms) not in got["sentence"]
    assert _file(served).read_bytes() == before


def test_where_two_kinds_fit_it_is_asked(served: Served) -> None:
    text = "species,organic,note\n"
    answer = _bring(served, "seed.csv", text)
    assert answer.status_code == 422
    assert answer.json()["key"] == "which_list"
    assert answer.json()["words"]["kinds"] == ["seed_stock", "seed_prices"]
    assert _bring(served, "seed.csv", text, "seed_stock").status_code == 200
    _undo(served)


def test_a_spreadsheet_is_read_with_the_row_numbers_that_it_shows(served: Served, tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    for row in (["species", "kg", "tested"], ["buckwheat", 12.5, None], [], ["unicorn", 3, None]):
        sheet.append(row)
    path = tmp_path / "shed.xlsx"
    book.save(path)
    answer = _bring(served, "shed.xlsx", path.read_bytes())
    assert answer.status_code == 422
    assert "shed.xlsx, row 4 (unicorn), species" in answer.json()["sentence"]
    sheet.cell(4, 1).value = "oat"
    book.save(path)
    answer = _bring(served, "shed.xlsx", path.read_bytes())
    assert answer.status_code == 200, answer.text
    assert answer.json()["report"][0]["what"] == "2 read, 2 used"
    assert sorted(lot.kg for lot in read_farm(_file(served)).seed_lists.stock) == [3.0, 12.5]
    _undo(served)


def test_an_own_cover_that_is_chosen_holds_its_list_in_the_farm(served: Served) -> None:
    """A list that another one rests on is not taken out: the sentence says what rests on it."""
    assert _bring(served, "mine.toml", OWN).status_code == 200
    assert served.edit(kind="settings", values={"not_wanted": ["own_oats_and_peas"]}).status_code == 200
    answer = served.edit(kind="drop_list", name="catalogue")
    assert answer.status_code == 422
    assert "own_oats_and_peas" in answer.json()["sentence"]
    for _ in range(2):
        _undo(served)


def test_this_seasons_days_come_in_and_undo_brings_back_those_before(served: Served) -> None:
    days = "date,tmin_degc,tmax_degc,precipitation_mm\n" + "".join(
        f"2027-{month:02d}-{day:02d},{4 + month},{15 + month},1.5\n" for month in (4, 5) for day in range(1, 31)
    )
    answer = _bring(served, "gauge.csv", days, elevation_m=300)
    assert answer.status_code == 200, answer.text
    assert answer.json()["words"][1]["list"] == "this_season"
    assert "60 read, 60 used" in answer.json()["report"][0]["what"]
    farm = read_farm(_file(served))
    assert farm.so_far is not None
    assert float(farm.so_far["precipitation_mm"].sum()) == pytest.approx(90)
    assert served.planned()["state"] == "done"
    more = days + "2027-06-01,9,20,40\n"
    assert _bring(served, "gauge.csv", more).status_code == 200
    assert float(read_farm(_file(served)).so_far["precipitation_mm"].sum()) == pytest.approx(130)
    _undo(served)
    assert float(read_farm(_file(served)).so_far["precipitation_mm"].sum()) == pytest.approx(90)
    _undo(served)
    assert read_farm_file(_file(served)).so_far is None


def test_days_of_a_season_go_into_an_edit_and_come_out_the_same() -> None:
    from greengap.errors import ImportReport
    from greengap.site.weather import read_days

    days = read_days([SAMPLE / "weather.nc"], lambda path: path.name, ImportReport()).isel(date=slice(0, 40))
    assert season_of_data(season_as_data(days)).equals(days)


def test_a_list_that_is_dropped_moves_what_rests_on_it_and_nothing_else(small_file: Path, tmp_path: Path) -> None:
    """A label's interval bears on its block alone: the other blocks are not run again."""
    path = tmp_path / "farm.gpkg"
    shutil.copy(small_file, path)
    house = House(tmp_path)
    house.take(FarmStore(path))
    try:
        from greengap.web.files_in import take_file

        session = house.open()
        _wait(session)
        keys = {b: {g: k for g, (k, _) in held.items()} for b, held in session.planner._judged.items()}
        take_file(session, session.version, "any", "sprayed.csv", SPRAYED.encode(), {})
        _wait(session)
        now = {b: {g: k for g, (k, _) in held.items()} for b, held in session.planner._judged.items()}
        assert {b for b in keys if keys[b] != now[b]} == {"River 2"}
        take_file(session, session.version, "any", "shed.csv", STOCK.encode(), {})
        _wait(session)
        last = {b: {g: k for g, (k, _) in held.items()} for b, held in session.planner._judged.items()}
        assert last == now
        # So does the grower's word on a block; what is watered at once is no matter of the weather years.
        word = {"Pond": {"ponds": True, "reason": "stood under water in 2021"}}
        session.edit(session.version, lambda rows: edits.set_settings(rows, {"growers_word": word}))
        _wait(session)
        then = {b: {g: k for g, (k, _) in held.items()} for b, held in session.planner._judged.items()}
        assert {b for b in now if now[b] != then[b]} == {"Pond"}
        sets = {"blocks": {"River 2": {"area_m2": 500, "flow_m3_h": 6}}}
        session.edit(session.version, lambda rows: edits.set_settings(rows, {"irrigation_set": sets}))
        _wait(session)
        assert then == {b: {g: k for g, (k, _) in held.items()} for b, held in session.planner._judged.items()}
        assert session.planner.made.plan.ground.set_index("block_id").loc["River 2", "set_area_m2"] == 500
        assert {lot.lot for lot in session.planner.made.farm.seed_lists.stock} == {"shed 1", "shed 2"}
    finally:
        house.close()


def _wait(session: Any) -> None:
    import time

    until = time.monotonic() + 120
    while time.monotonic() < until:
        progress = session.planner.progress
        if progress.version == session.version and progress.state == "done":
            return
        time.sleep(0.05)
    raise AssertionError(progress)


# ---- in the browser -------------------------------------------------------------------------------------

DROP = """([name, text]) => {
  const carried = new DataTransfer();
  carried.items.add(new File([text], name));
  dispatchEvent(new DragEvent("drop", { dataTransfer: carried, bubbles: true, cancelable: true }));
}"""


@pytest.mark.browser
@pytest.mark.parametrize("width", [1360, 360])
def test_a_list_is_dropped_seen_and_taken_out(served: Served, window: Window, width: int) -> None:
    page = window(served, width)
    page.click(".tabs >> text=Farm")
    page.wait_for_selector("#holds")
    page.evaluate(DROP, ["shed.csv", STOCK])
    page.wait_for_selector("dialog >> text=shed.csv: 2 read, 2 used")
    page.keyboard.press("Escape")
    page.wait_for_selector("#holds >> text=shed.csv")
    assert "2 rows" in page.inner_text("#holds")
    wide = page.evaluate("() => document.documentElement.scrollWidth - innerWidth")
    assert wide <= 0
    page.click("[data-list=seed_stock]")
    page.wait_for_selector("#holds >> text=shed.csv", state="detached")
    page.evaluate(DROP, ["seed.csv", "species,organic,note\n"])
    page.wait_for_selector("dialog >> text=What is seed.csv?")
    page.keyboard.press("Escape")
    page.evaluate(DROP, ["seed.csv", "species,organic,note\n"])
    page.click("dialog [data-kind=seed_prices]")
    page.wait_for_selector("dialog >> text=What became of seed.csv")
    page.keyboard.press("Escape")
    page.evaluate(DROP, ["bad.csv", "species,kg\nunicorn,3\n"])
    page.wait_for_selector("#said >> text=unicorn is not a species of the catalogue")
    for _ in range(3):
        _undo(served)
    assert [one for one in served.state()["lists"] if one["out"]] == []
    assert [c for c in page.complaints if "422" not in c] == []
    planned(page)
