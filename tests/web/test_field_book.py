"""The field book on a phone: written down out of reach, sent once, merged from two devices, and the page by itself."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from greengap import read_farm
from greengap.farm.season_record import current, from_text
from greengap.tables import Gap
from greengap.web.field_book import field_book
from greengap.web.record_page import record_page

from .conftest import Served, start
from .test_page import SMALL_TARGETS

pytestmark = pytest.mark.browser
Window = Callable[..., Any]
YEAR = date.today().year - 1
PHONE = {"has_touch": True, "is_mobile": True}


def at(page: Any, day: str, hour: int = 9) -> None:
    """Set the clock of the device."""
    page.clock.set_fixed_time(datetime.fromisoformat(f"{YEAR}-{day}T{hour:02d}:00:00").replace(tzinfo=UTC))


@pytest.fixture(scope="module")
def gone_file(gone_season: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    from greengap.pack import pack

    return pack(gone_season, tmp_path_factory.mktemp("gone") / "gone.gpkg")


@pytest.fixture(scope="module")
def served(gone_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The farm on the page, planned; tests write rows of their own."""
    farms = tmp_path_factory.mktemp("field") / "farms"
    farms.mkdir()
    one = start(farms, str(shutil.copy(gone_file, farms / "gone.gpkg")))
    one.planned()
    yield one
    one.stop()


@pytest.fixture
def again(gone_file: Path, tmp_path: Path) -> Any:
    """Serve a farm of this test, end it as a power cut would, and serve it again at the same address."""
    farms = tmp_path / "farms"
    farms.mkdir()
    shutil.copy(gone_file, farms / "gone.gpkg")
    running: list[Served] = []

    def begin() -> Served:
        running.append(start(farms, str(farms / "gone.gpkg"), "--keep-address"))
        return running[-1]

    yield begin
    for one in running:
        one.stop()


def book(window: Window, served: Served, day: str, **more: Any) -> Any:
    page = window(served, 360, 740, "#screen=field", **PHONE, **more)
    at(page, day)
    page.reload()
    page.wait_for_selector(".book-inner .kinds")
    return page


def rows_of(served: Served) -> list[dict[str, Any]]:
    return served.client.get("api/record").json()["rows"]


def write(page: Any, kind: str, block: str, **cells: str) -> None:
    page.tap(f"[data-kind={kind}]")
    page.select_option("[data-column=block_id]", block)
    for column, value in cells.items():
        box = page.locator(f"[data-column={column}]")
        box.select_option(value) if box.evaluate("n => n.tagName") == "SELECT" else box.fill(value)
    page.tap("text=Write it down")
    page.wait_for_selector(".told")


def sent(page: Any) -> None:
    page.wait_for_selector(".reach.sent", timeout=30_000)


# ---- the server's side -----------------------------------------------------------------------------------------


def a_row(entry: str, **more: Any) -> dict[str, Any]:
    return {
        "entry_id": entry, "written": f"{YEAR}-07-02T08:00:00Z", "what": "rain", "date": f"{YEAR}-07-02", "water_mm": 7,
        **more,
    }  # fmt: skip


def test_rows_are_taken_once_and_the_bad_ones_are_told_one_by_one(served: Served) -> None:
    asked = {
        "file": "gone.gpkg",
        "rows": [a_row("a-1"), a_row("a-2", block_id="Nowhere"), a_row("a-3", water_mm="much")],
    }
    for _ in range(2):
        answer = served.client.post("api/record", json=asked).json()
        assert answer["taken"] == ["a-1"]
        assert [r["entry_id"] for r in answer["refused"]] == ["a-2", "a-3"]
        assert "there is no block 'Nowhere'" in answer["refused"][0]["sentence"]
    assert [r["entry_id"] for r in rows_of(served)].count("a-1") == 1
    assert from_text(served.client.get("api/record/csv").text)["entry_id"].tolist().count("a-1") == 1


def test_writing_down_is_no_edit_and_stands_in_nobodys_way(served: Served) -> None:
    before = served.state()
    served.client.post("api/record", json={"file": "gone.gpkg", "rows": [a_row("b-1")]})
    done = served.edit(kind="sown_share", block="Pond", share=0.9)
    assert done.status_code == 200
    after = served.state()
    assert after["version"] == before["version"] + 1
    assert "b-1" in [r["entry_id"] for r in rows_of(served)]
    served.client.post("api/step", json={"farm": after["farm"], "version": after["version"], "back": True})
    assert "b-1" in [r["entry_id"] for r in rows_of(served)]  # undo takes back edits, never what happened
    served.planned()


def test_rows_for_another_farm_and_from_outside_are_turned_away(served: Served) -> None:
    asked = {"file": "other.gpkg", "rows": [a_row("c-1")]}
    assert served.client.post("api/record", json=asked).json()["kind"] == "other_farm"
    right = {"file": "gone.gpkg", "rows": [a_row("c-1")]}
    for headers in ({"x-greengap": "0"}, {"origin": "http://evil.example"}, {"sec-fetch-site": "cross-site"}):
        assert served.client.post("api/record", json=right, headers=headers).status_code == 403
    assert (
        served.client.post("api/record", json={**right, "rows": [a_row(f"d-{n}") for n in range(501)]}).status_code
        == 422
    )
    assert served.client.post("api/record", json={**right, "rows": [{"x": "y" * 2_000_000}]}).status_code == 413
    assert not {"c-1", "d-1"} & {r["entry_id"] for r in rows_of(served)}


def test_the_field_book_says_what_the_plan_says(gone_season: Path, served: Served) -> None:
    """Dates, covers and rates of the plan that the commands make."""
    from greengap import plan_farm
    from greengap.output.jobs import list_jobs

    farm = read_farm(gone_season)
    plan = plan_farm(farm)
    told = served.client.get("api/field-book").json()
    gaps = {g["id"]: g for g in told["gaps"]}
    jobs = list_jobs(plan)
    assert len(gaps) == len(plan.gaps)
    assert {g for g, one in gaps.items() if one["cover"]} == {j.gap_id for j in jobs}
    for job in jobs:
        one = gaps[job.gap_id]
        assert (one["cover"], one["sow_until"]) == (job.cover_id, f"{job.sow_until:%Y-%m-%d}")
        assert one["end_by"] == f"{job.row.terminate_by:%Y-%m-%d}"
        need = plan.seed_need[plan.seed_need["gap_id"] == job.gap_id]
        for species in told["covers"][job.cover_id]["species"]:
            rate = need.loc[need["species"] == species["id"], "bulk_rate_kg_ha"].iloc[0]
            assert species["rate"] == pytest.approx(rate, abs=0.001)


def test_an_address_that_is_kept_is_readable_by_its_owner_alone(again: Any) -> None:
    first = again()
    held = first.farms / ".greengap-address"
    assert held.stat().st_mode & 0o777 == 0o600
    first.kill()
    second = again()
    assert second.url == first.url
    second.kill()
    third = start(first.farms, str(first.farms / "gone.gpkg"), "--new-address")
    assert third.url.split("/")[3] != first.url.split("/")[3]
    third.stop()


def test_a_port_that_is_taken_is_told_and_another_is_used(again: Any) -> None:
    first = again()
    first.kill()
    port = int(first.url.split(":")[2].split("/")[0])
    with socket.socket() as other:
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        other.bind(("127.0.0.1", port))
        other.listen()
        assert f":{port}/" not in again().url


# ---- on the phone ----------------------------------------------------------------------------------------------


def test_what_is_written_out_of_reach_is_kept_and_sent_once(again: Any, window: Window) -> None:
    first = again()
    page = book(window, first, "07-08")
    sent(page)
    first.kill()
    write(page, "rain", "", water_mm="12,5")
    write(page, "sown", "River 1", cover_id="buckwheat", seed_kg="120")
    assert "56" in page.inner_text(".told") or "55.78" in page.inner_text(".told")
    page.wait_for_selector(".reach.waiting >> text=out of reach")
    assert "2 entries are waiting" in page.inner_text(".reach")
    assert page.locator(".lately .waits").count() == 2
    second = again()
    assert second.url == first.url
    sent(page)
    rows = rows_of(second)
    assert sorted((r["what"], r.get("water_mm"), r.get("seed_kg")) for r in rows) == [
        ("rain", 12.5, None),
        ("sown", None, 120),
    ]
    assert len({r["entry_id"] for r in rows}) == 2
    assert page.evaluate("Object.keys(localStorage).filter((k) => k.includes('/row/')).length") == 0
    record = read_farm(second.farms / "gone.gpkg").record
    assert record["gap_id"].tolist().count("River 1/2") == 1


def test_a_page_that_was_closed_before_it_was_sent_sends_when_it_is_opened_again(again: Any, window: Window) -> None:
    first = again()
    page = book(window, first, "07-08")
    first.kill()
    write(page, "rain", "", water_mm="3")
    page.goto("about:blank")  # closed: nothing can be shown out of reach
    second = again()
    page.goto(second.url + "#screen=map")  # whatever screen it is
    page.wait_for_selector(".tabs")
    page.tap(".tabs >> text=Field book")
    sent(page)
    assert [r["water_mm"] for r in rows_of(second)] == [3]


def test_a_stand_is_counted_by_tapping_with_running_means(served: Served, window: Window) -> None:
    page = book(window, served, "04-20")
    write(page, "sown", "Beds 2", cover_id="pea_oat", seed_kg="10")
    at(page, "05-03")
    page.tap("[data-kind=stand]")
    page.select_option("[data-column=block_id]", "Beds 2")
    page.locator("[data-column=frame_area_m2]").select_option("0.25")
    counters = page.locator(".counter")
    assert [counters.nth(n).get_attribute("aria-label") for n in range(counters.count())] == [
        "Field pea",
        "Oat",
        "Weeds",
    ]
    for pea, oat, weeds in ((6, 14, 2), (4, 11, 0), (5, 14, 1)):
        for number, count in enumerate((pea, oat, weeds)):
            for _ in range(count + 1):
                counters.nth(number).locator(".plus").tap()
            counters.nth(number).locator(".less").tap()
        page.get_by_label("level with it").tap()
        page.tap(".form-foot .main")
    table = {r.get_attribute("data-of"): r.inner_text().split("\t")[-1] for r in page.locator(".means tbody tr").all()}
    # By hand: 15 pea, 39 oat, 3 weeds on 3 x 0.25 m2.
    assert table == {"field_pea": "20", "oat": "52", "weeds": "4"}
    assert "Field pea: 20 per m²" in page.inner_text(".verdict")
    page.tap("text=Take the last frame back")
    assert page.locator(".counter input").nth(1).input_value() == "14"
    assert "Oat: 50 per m²" in page.inner_text(".verdict")
    page.tap(".form-foot .main")
    page.tap(".done")
    sent(page)
    held = [r for r in rows_of(served) if r["what"] == "stand" and r["holds"]]
    frames = sorted((r["frame"], r["species"], r["plants"], r.get("weed_plants")) for r in held)
    assert frames == [
        (1, "field_pea", 6, 2), (1, "oat", 14, None), (2, "field_pea", 4, 0), (2, "oat", 11, None),
        (3, "field_pea", 5, 1), (3, "oat", 14, None),
    ]  # fmt: skip
    assert len({r["visit"] for r in held}) == 1
    assert {r["gap_id"] for r in held} == {"Beds 2/1"}
    assert {r.get("weed_level") for r in held if "weed_plants" in r} == {"level"}
    assert page.complaints == []


def test_a_correction_keeps_what_was_there_and_a_row_can_be_struck_out(served: Served, window: Window) -> None:
    page = book(window, served, "07-09")
    write(page, "sown", "Pond", cover_id="buckwheat", seed_kg="80")
    sent(page)
    line = page.locator(".lately li").filter(has_text="Pond").first
    line.get_by_role("button", name="Correct").tap()
    assert page.locator("[data-column=seed_kg]").input_value() == "80"
    page.fill("[data-column=seed_kg]", "90")
    page.tap("text=Write it down")
    page.wait_for_selector(".lately >> text=Before: Buckwheat")
    sent(page)
    mine = [r for r in rows_of(served) if r.get("block_id") == "Pond" and r["what"] == "sown"]
    assert sorted((r["seed_kg"], r["holds"]) for r in mine) == [(80, False), (90, True)]
    line = page.locator(".lately li").filter(has_text="Pond").first
    line.get_by_role("button", name="Strike out").tap()
    page.get_by_label("Why").fill("it was River 2")
    page.get_by_role("button", name="Strike it out").tap()
    sent(page)
    mine = [r for r in rows_of(served) if r.get("block_id") == "Pond"]
    assert [r for r in mine if r["holds"] and r["what"] == "sown"] == []
    assert len(mine) == 3


def test_two_phones_merge_to_the_same_in_either_order(
    again: Any, window: Window, gone_file: Path, tmp_path: Path
) -> None:
    served = again()
    one, two = book(window, served, "07-08"), book(window, served, "07-08")
    served.kill()  # both are out of reach, and one corrects a row before it is sent
    write(one, "sown", "River 1", cover_id="buckwheat", seed_kg="120")
    one.locator(".lately li").first.get_by_role("button", name="Correct").tap()
    one.fill("[data-column=seed_kg]", "125")
    one.tap("text=Write it down")
    one.wait_for_selector(".told")
    write(two, "sown", "River 1", cover_id="buckwheat", seed_kg="60")
    files = []
    for page in (one, two):
        page.tap("summary >> text=Give what waits")
        with page.expect_download() as waiting:
            page.tap("[data-act=give]")
        files.append(tmp_path / f"{len(files)}.json")
        waiting.value.save_as(files[-1])
    records = []
    for order in (files, files[::-1]):
        copy = Path(shutil.copy(gone_file, tmp_path / f"copy{len(records)}.gpkg"))
        for path in order:
            subprocess.run([sys.executable, "-m", "greengap.cli", "record", str(copy), "merge", str(path)], check=True)
        records.append(read_farm(copy).record)
    assert records[0].equals(records[1])
    assert sorted(current(records[0])["seed_kg"]) == [60, 125]
    again()
    sent(one)
    sent(two)
    assert read_farm(served.farms / "gone.gpkg").record.equals(records[0])  # sent or carried: the same record


def test_what_is_due_follows_from_the_plan_and_from_what_was_done(served: Served, window: Window) -> None:
    page = book(window, served, "07-05")
    page.wait_for_selector('[data-job="sown River 2/2"]')
    told = served.client.get("api/field-book").json()
    gap = next(g for g in told["gaps"] if g["id"] == "River 2/2")
    assert gap["sow_from"] <= f"{YEAR}-07-05"
    due = page.locator(".due .job").all()
    dates = [job.inner_text() for job in due]
    assert any("left" in text or "late" in text or "last day" in text for text in dates)
    write(page, "sown", "River 2", cover_id=gap["cover"])
    assert page.locator('[data-job="sown River 2/2"]').count() == 0
    at(page, "07-11")
    page.reload()
    page.wait_for_selector(".kinds")
    assert page.locator('[data-job="stand River 2/2"]').count() == 0  # six days after
    at(page, "07-12")
    page.reload()
    page.wait_for_selector('[data-job="stand River 2/2"]')  # seven
    order = page.evaluate(
        """async (day) => {
          const { openJobs } = await import('./static/record_due.js');
          const { sync } = await import('./static/record_sync.js');
          const { holding } = await import('./static/record_entries.js');
          return openJobs(sync.book, holding(sync.book.record)).map((j) => j.by);
        }""",
        f"{YEAR}-07-12",
    )
    assert order == sorted(order)
    assert len(order) > 20


def test_the_same_rows_hold_on_the_phone_and_in_the_farm(served: Served, window: Window) -> None:
    """The rule of corrections is written twice, in Python and for the browser; both are asked."""
    import random

    from greengap.farm.season_record import record_of

    page = book(window, served, "07-05")
    chance = random.Random(7)
    for _ in range(40):
        rows: list[dict[str, Any]] = []
        for n in range(chance.randint(1, 7)):
            corrects = chance.choice(["", "missing", *[r["record_id"] for r in rows]]) if rows else ""
            what = "struck" if corrects and chance.random() < 0.3 else "rain"
            row = a_row(
                f"e{n}", what=what, corrects=corrects, written=f"{YEAR}-07-02T08:00:{chance.randint(0, 9):02d}Z"
            )
            rows.append(row | {"record_id": record_of([row])["record_id"].iloc[0]})
        held = current(record_of(rows))["record_id"]
        shown = page.evaluate(
            "async (rows) => (await import('./static/record_entries.js')).holding(rows).map((r) => r.record_id)", rows
        )
        assert sorted(held) == sorted(shown)


def test_the_field_book_by_keyboard_alone(served: Served, window: Window) -> None:
    page = window(served, 1360, 860)
    at(page, "07-20")
    page.goto(served.url + "#screen=field")
    page.reload()
    page.wait_for_selector(".kinds")

    def reach(selector: str, most: int = 150) -> None:
        for _ in range(most):
            page.keyboard.press("Tab")
            if page.evaluate("s => document.activeElement.matches(s)", selector):
                return
        raise AssertionError(f"{selector} cannot be reached with the Tab key")

    reach("[data-kind=stand]")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.tagName") == "H2"
    reach("[data-column=block_id]")
    page.keyboard.type("Upper")
    reach(".counter .less")
    page.keyboard.press("Tab")
    page.keyboard.type("17")  # a count can also be typed
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")  # and one more
    reach(".choices input")
    page.keyboard.press("Space")
    reach(".form-foot .main")
    page.keyboard.press("Enter")
    page.wait_for_selector(".means")
    reach(".done")
    page.keyboard.press("Enter")
    sent(page)
    assert [r["plants"] for r in rows_of(served) if r.get("block_id") == "Upper Bench"] == [18]


@pytest.mark.parametrize("width", [1360, 360])
def test_axe_finds_nothing_on_the_field_book(served: Served, window: Window, width: int) -> None:
    from axe_playwright_python.sync_playwright import Axe

    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    page = window(served, width)
    at(page, "07-09")
    page.goto(served.url + "#screen=field")
    page.reload()
    page.wait_for_selector(".kinds")
    found: dict[str, list[str]] = {}

    def look(name: str) -> None:
        result = Axe().run(
            page, options={"runOnly": {"type": "tag", "values": tags}, "rules": {"target-size": {"enabled": False}}}
        )
        bad = [f"{v['id']}: {n['html'][:200]}" for v in result.response["violations"] for n in v["nodes"][:3]]
        bad += page.evaluate(SMALL_TARGETS)
        if page.evaluate("document.documentElement.scrollWidth") > width:
            bad.append("wider than the screen")
        if bad:
            found[name] = bad

    look("home")
    told = served.client.get("api/field-book").json()
    for kind in told["kinds"]:
        page.click(f"[data-kind={kind}]")
        page.select_option("[data-column=block_id]", "Hollow")
        if kind == "stand":
            page.click(".counter .plus >> nth=0")
            page.click(".form-foot .main")
            page.wait_for_selector(".means")
        for summary in page.locator(".book summary").all():
            summary.click()
        look(kind)
        page.click(".back")
    sent(page)
    look("with rows")
    assert found == {}


# ---- the page by itself ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def alone(gone_season: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record page as the command writes it."""
    out = tmp_path_factory.mktemp("alone") / "record_page.html"
    command = [sys.executable, "-m", "greengap.cli", "record", str(gone_season), "page", "--out", str(out)]
    subprocess.run(command, check=True, capture_output=True)
    return out


def opened(browser: Any, path: Path, day: str, script: str = "") -> Any:
    context = browser.new_context(viewport={"width": 360, "height": 740}, accept_downloads=True, offline=True, **PHONE)
    page = context.new_page()
    page.complaints, page.asked_for = [], []
    page.on("pageerror", lambda error: page.complaints.append(str(error)))
    page.on("console", lambda line: page.complaints.append(line.text) if line.type == "error" else None)
    page.on("request", lambda request: page.asked_for.append(request.url))
    at(page, day)
    if script:
        page.add_init_script(script)
    page.goto(path.as_uri())
    page.wait_for_selector(".kinds")
    return page


NO_STORAGE = (
    "Object.defineProperty(window, 'localStorage', { get() { throw new DOMException('no', 'SecurityError'); } });"
)


@pytest.mark.parametrize("storage", [True, False])
def test_the_record_page_works_from_a_file_and_gives_back_what_merges(
    browser: Any, alone: Path, gone_season: Path, served: Served, window: Window, tmp_path: Path, storage: bool
) -> None:
    page = opened(browser, alone, "07-08", "" if storage else NO_STORAGE)
    write(page, "sown", "River 3", cover_id="buckwheat", seed_kg="77.5", lot="A77")
    write(page, "rain", "", water_mm="4")
    assert ("keeps nothing" in page.inner_text(".reach")) is not storage
    if storage:
        page.reload()
        page.wait_for_selector(".kinds")
    assert page.locator(".lately li").count() == 2
    with page.expect_download() as waiting:
        page.tap("[data-act=give]")
    small = tmp_path / waiting.value.suggested_filename
    waiting.value.save_as(small)
    page.tap("summary >> text=Show it as text")
    page.wait_for_timeout(300)  # it is filled in as it opens
    assert json.loads(page.input_value("textarea")) == json.loads(small.read_text())
    assert "given as a file" in page.inner_text(".reach")
    assert page.asked_for == [alone.as_uri()] * (2 if storage else 1)  # nobody else is asked for anything
    assert page.complaints == []
    page.context.close()
    farm = shutil.copytree(gone_season, tmp_path / "farm")
    for _ in range(2):
        done = subprocess.run(
            [sys.executable, "-m", "greengap.cli", "record", str(farm), "merge", str(small)],
            check=True, capture_output=True, text=True,
        )  # fmt: skip
    assert "2 were there already" in done.stdout
    record = read_farm(farm).record
    assert sorted(record["what"]) == ["rain", "sown"]
    assert record["seed_kg"].max() == 77.5
    # The same file dropped onto the page.
    desk = window(served, 1360, 860, "#screen=map")
    desk.wait_for_selector(".tabs")
    desk.evaluate(
        """(text) => { const data = new DataTransfer(); data.items.add(new File([text], "phone.json"));
          const drop = new DragEvent("drop", { dataTransfer: data, bubbles: true, cancelable: true });
          document.body.dispatchEvent(drop); }""",
        small.read_text(),
    )
    desk.wait_for_selector("#said >> text=Taken in: 2 new, 0 there already")
    entries = {r["entry_id"] for r in json.loads(small.read_text())["rows"]}
    assert entries <= {r["entry_id"] for r in rows_of(served)}


def test_the_page_that_is_downloaded_is_the_page_of_the_command(served: Served, browser: Any, tmp_path: Path) -> None:
    answer = served.client.get("api/record/page")
    assert "attachment" in answer.headers["content-disposition"]
    path = tmp_path / "page.html"
    path.write_text(answer.text, encoding="utf-8")
    page = opened(browser, path, "07-08")
    page.tap("[data-kind=stand]")
    page.select_option("[data-column=block_id]", "Pond")
    page.tap(".counter .plus >> nth=0")
    page.tap(".form-foot .main")
    assert page.locator(".means tbody tr").count() >= 2
    assert page.evaluate("document.documentElement.scrollWidth") == 360
    assert page.complaints == []
    page.context.close()


def test_names_from_the_farm_cannot_end_the_page_or_run(gone_season: Path, browser: Any, tmp_path: Path) -> None:
    farm = read_farm(gone_season)
    evil = "</script><img src=x onerror=document.title='hit'>"
    blocks = farm.blocks.assign(block_id=[evil, *farm.blocks["block_id"][1:]])
    told = field_book(farm.settings, farm.catalogue, blocks, Gap.empty(), farm.record)
    path = tmp_path / "page.html"
    path.write_text(record_page({**told, "farm": evil}), encoding="utf-8")
    page = opened(browser, path, "07-08")
    page.tap("[data-kind=up]")
    page.select_option("[data-column=block_id]", evil)
    page.tap("text=Write it down")
    page.wait_for_selector(".told")
    assert evil in page.inner_text(".told")
    assert page.title() == f"Field book, {evil}"
    page.context.close()
