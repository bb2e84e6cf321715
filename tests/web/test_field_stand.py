"""The verdict on a stand on the phone: Python's numbers, the command's verdict, and all of it out of reach."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greengap import read_farm
from greengap.farm.gaps import find_gaps
from greengap.farm.season_record import current, record_of
from greengap.farm_input import Farm
from greengap.plan import southern
from greengap.stand_check_of import check_stand
from greengap.web.stand_data import judged_by
from greengap.web.stands import looks_of, sowings_of, stands_now

from .conftest import Served, start
from .stand_reference import judged
from .test_field_book import PHONE, YEAR, at, opened, rows_of, sent
from .test_page import SMALL_TARGETS

pytestmark = pytest.mark.browser
Window = Callable[..., Any]
PEA, LOOK = "Upper Bench/1", f"{YEAR}-04-20"  # sown on 3 April: a day that a table is made for
JUDGE = """async ([by, cases]) => {
  const { judgeStand } = await import('./static/stand_reckoned.js');
  return cases.map(([sowing, look, frames]) => {
    const v = judgeStand(by, sowing, look, frames);
    const of = (f) => Object.fromEntries(v.choices.map((c) => [c.choice, f(c)]));
    const said = Object.entries(v.density).map(([s, d]) => [s, [d.per_m2, d.low_m2, d.high_m2, d.dispersion]]);
    return {
      density: Object.fromEntries(said), shares: [v.share.counted, v.share.thin, v.share.dense],
      leaf_area: v.weeds.leaf_area, cover: v.weeds.cover, hours: v.hours,
      odds: of((c) => [c.odds, c.low, c.high]), possible: of((c) => c.possible),
      limits: [v.limits.enough_m2, v.limits.too_few_m2],
      verdict: [v.verdict.choice, v.verdict.toss, v.verdict.thin, v.verdict.dense, v.verdict.good],
      stop: [v.stop.side, v.stop.more], put_off: v.choices[1].put_off,
    };
  });
}"""


def sown(entry: str, block: str, gap: str, day: str, cover: str) -> dict[str, Any]:
    return {
        "entry_id": entry, "written": f"{YEAR}-04-03T08:00:00Z", "what": "sown", "date": f"{YEAR}-{day}",
        "block_id": block, "gap_id": gap, "cover_id": cover,
    }  # fmt: skip


@pytest.fixture(scope="module")
def two_blocks(gone_season: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The farm with crops on two blocks only, so that it is planned at once."""
    folder = shutil.copytree(gone_season, tmp_path_factory.mktemp("two") / "farm")
    calendar = folder / "crop_calendar.csv"
    lines = calendar.read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if line.startswith(("#", "block,", "Upper Bench,", "River 1,"))]
    calendar.write_text("\n".join(kept) + "\n", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def sown_farm(two_blocks: Path) -> Farm:
    """The farm with field pea on Upper Bench."""
    farm = read_farm(two_blocks)
    return replace(farm, record=record_of([sown("s-1", "Upper Bench", PEA, "04-03", "field_pea")]))


class Kept:
    """The farm on the page; can be killed and served again at its address."""

    def __init__(self, farms: Path) -> None:
        self.farms = farms
        self.begin()

    def begin(self) -> None:
        self.served = start(self.farms, str(self.farms / "gone.gpkg"), "--keep-address")

    def worked_out(self) -> dict[str, Any]:
        """The tables, once all are there."""
        import time

        for _ in range(1200):
            told = self.served.client.get("api/stands").json()
            if told["state"] == "done" and told["total"]:
                return dict(told["by_gap"])
            time.sleep(0.1)
        raise AssertionError(f"{told['done']} of {told['total']} tables after two minutes")


@pytest.fixture(scope="module")
def kept(two_blocks: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    from greengap.pack import pack

    farms = tmp_path_factory.mktemp("stand") / "farms"
    farms.mkdir()
    pack(two_blocks, farms / "gone.gpkg")
    held = Kept(farms)
    row = sown("s-1", "Upper Bench", PEA, "04-03", "field_pea")
    held.served.client.post("api/record", json={"file": "gone.gpkg", "rows": [row]})
    held.served.planned()
    held.worked_out()
    yield held
    held.served.stop()


def phone(window: Window, served: Served, day: str = LOOK[5:]) -> Any:
    page = window(served, 360, 740, f"#screen=field&block=Upper Bench&gap={PEA}", **PHONE)
    at(page, day)
    page.reload()
    page.wait_for_selector(".book-inner .kinds")
    return page


def count(page: Any, plants: list[int], weeds: list[int], **heights: str) -> None:
    """Frames of 0.25 m2, typed."""
    page.tap("[data-kind=stand]")
    if page.locator("[data-column=block_id]").input_value() != "Upper Bench":
        page.select_option("[data-column=block_id]", "Upper Bench")
    page.evaluate("document.querySelectorAll('details.more').forEach((d) => { d.open = true; })")
    page.select_option("[data-column=frame_area_m2]", "0.25")
    for n, w in zip(plants, weeds, strict=True):
        page.locator(".counter input").nth(0).fill(str(n))
        page.locator(".counter input").nth(1).fill(str(w))
        for column, value in heights.items():
            page.fill(f"[data-column={column}]", value)
        page.tap(".form-foot button[type=submit]")


# ---- the same numbers ------------------------------------------------------------------------------------------


def drawn_cases(by: dict[str, Any], number: int) -> list[list[Any]]:
    """Tables and counts as they may come, and some as they may not."""
    chance = np.random.default_rng(20270420)
    cases = []
    for _ in range(number):
        years = int(chance.integers(15, 31))
        size = (len(by["weeds"]), len(by["shares"]))
        keep = np.sort(chance.integers(0, years + 1, size), axis=1)
        keep = np.sort(keep, axis=0)[::-1] if chance.random() < 0.8 else keep
        weed = np.minimum(keep + chance.integers(0, 20, size), years)
        again = [
            {
                "cover": "oat", "on": "2027-05-01", "years": years, "wins": int(chance.integers(0, years + 1)),
                "birds": float(chance.choice([0.0, 0.1, 0.5])), "until": None, "why": why, "seed_kg": 1.0, "cost": None,
                "currency": "",
            }
            for why in (str(chance.choice(["", "too late"])), "")
        ]  # fmt: skip
        names = [["field_pea"], ["field_pea", "oat"], [""]][int(chance.integers(3))]
        full = {"field_pea": 60.0, **({"oat": 120.0} if len(names) > 1 or names == [""] else {})}
        frames, share, clumping = [], chance.choice([0.02, 0.1, 0.25, 0.5, 0.9, 1.4]), chance.choice([0.7, 4.0, 50.0])
        weediness = chance.choice([0.0, 0.5, 3.0, 40.0])
        whole = {s: full.get(s, sum(full.values())) for s in names}
        says = chance.choice(["nothing", "level", "heights", "cover", "both"])
        for _frame in range(int(chance.integers(1, 15))):
            area = float(chance.choice([0.1, 0.25, 1.0]))
            odds = {s: clumping / (clumping + whole[s] * share * area) for s in names}
            frame: dict[str, Any] = {
                "plants": {s: int(chance.negative_binomial(clumping, p)) for s, p in odds.items()},
                "weeds": int(chance.poisson(weediness * area)), "area": area, "level": "",
            }  # fmt: skip
            if says in ("level", "both"):
                frame["level"] = str(chance.choice(["", "below", "level", "above"]))
            if says in ("heights", "both"):
                frame |= {"weed_height_mm": float(chance.integers(0, 90)), "height_mm": float(chance.integers(0, 90))}
            if says in ("cover", "both") and chance.random() < 0.7:
                frame["weed_cover_fraction"] = float(chance.choice([0.0, 0.004, 0.01, 0.06, 0.4, 1.0]))
            frames.append(frame)
        look = {
            "on": "2027-04-20", "years": years, "keep": keep.tolist(), "weed": weed.tolist(),
            "put_off": chance.choice([-1, 0, 3, 6, 9, 13, 20], size).tolist(), "resow": again[0],
            "switch": again[1] if chance.random() < 0.7 else None,
            "ordinary_m2": float(chance.choice([0.0, 4.0])), "ordinary_area": float(chance.choice([1e-6, 2e-3])),
        }  # fmt: skip
        sowing = {
            "cover": "field_pea",
            "area_m2": float(np.exp(chance.uniform(5.5, 9.5))),
            "full_m2": full,
            "up": [None] * 3,
        }
        cases.append([sowing, look, frames])
    return cases


def test_the_phone_reckons_as_python_does(kept: Kept, window: Window, sown_farm: Farm) -> None:
    """More than two hundred counts: every number to a millionth, every verdict and every "stop" the same."""
    page = window(kept.served, 360, 740, "#screen=field", **PHONE)
    seen: set[tuple[Any, ...]] = set()
    for wanted in (0.8, 0.5):
        by = judged_by(replace(sown_farm.settings, wanted_odds=wanted), sown_farm.catalogue)
        cases = drawn_cases(by, 110)
        for case, found in zip(cases, page.evaluate(JUDGE, [by, cases]), strict=True):
            expected = judged(by, *case, sown_farm.catalogue)
            exact = ("verdict", "stop", "possible", "put_off")
            assert {k: found[k] for k in exact} == {k: expected[k] for k in exact}, case
            for key in ("density", "odds"):
                for name, numbers in expected[key].items():
                    assert found[key][name] == pytest.approx(numbers, rel=1e-6, abs=1e-9)
            for key in ("shares", "leaf_area", "cover", "hours"):
                assert found[key] == pytest.approx(expected[key], rel=1e-6, abs=1e-9)
            for mine, theirs in zip(found["limits"], expected["limits"], strict=True):
                assert (mine is None) == (theirs is None)
                assert mine is None or mine == pytest.approx(theirs, rel=1e-6)
            seen.add((expected["verdict"][0], bool(expected["verdict"][1]), expected["stop"][0]))
    assert {choice for choice, *_ in seen} == {"keep", "weed once", "resow", "switch", "keep clean"}
    assert {stop for *_, stop in seen} == {"go on", "enough", "too few", "between"}
    assert {toss for _, toss, _ in seen} == {True, False}


def test_the_t_of_the_phone_is_that_of_the_tables(kept: Kept, window: Window) -> None:
    """Two-sided 5 % points as printed, R. A. Fisher and F. Yates, "Statistical Tables", 1938 (from memory)."""
    page = window(kept.served, 360, 740, "#screen=field", **PHONE)
    found = page.evaluate(
        "async (n) => (await import('./static/stand_reckoned.js').then((m) => n.map((f) => m.tQuantile(0.95, f))))",
        [1, 2, 3, 5, 10, 30],
    )
    assert [round(t, 3) for t in found] == [12.706, 4.303, 3.182, 2.571, 2.228, 2.042]


COUNTS = (  # plants and weeds in frames of 0.25 m2, heights of cover and weeds in cm
    ([9, 12, 8, 11, 10, 9], [0, 0, 0, 0, 0, 0], "5", "3"),
    ([2, 0, 7, 0, 1, 0], [12, 9, 14, 11, 10, 13], "5", "3"),
    ([6, 4, 5, 7, 4, 5], [2, 1, 3, 2, 1, 2], "5", "4"),
    ([5, 5, 6], [0, 1, 0], "6", "1"),
)


def as_rows(counts: Any) -> list[dict[str, Any]]:
    plants, weeds, tall, weed_tall = counts
    return [
        {
            "entry_id": f"f-{n}", "written": f"{LOOK}T09:00:0{n}Z", "what": "stand", "date": LOOK, "visit": "v",
            "block_id": "Upper Bench", "gap_id": PEA, "frame": n, "frame_area_m2": 0.25, "plants": p, "weed_plants": w,
            "height_mm": float(tall) * 10, "weed_height_mm": float(weed_tall) * 10,
        }
        for n, (p, w) in enumerate(zip(plants, weeds, strict=True), 1)
    ]  # fmt: skip


def test_the_phone_says_what_the_command_says(kept: Kept, window: Window, sown_farm: Farm) -> None:
    """The same frames through the table of the day, and through the engine run from just that stand."""
    page = window(kept.served, 360, 740, "#screen=field", **PHONE)
    by, sowing = judged_by(sown_farm.settings, sown_farm.catalogue), kept.worked_out()[PEA]
    assert [one["on"][5:] for one in sowing["looks"]] == [f"04-{day}" for day in range(10, 25, 2)]
    look = next(one for one in sowing["looks"] if one["on"] == LOOK)
    told = kept.served.client.get("api/field-book").json()
    assert told["judged_by"] == by
    assert told["stands"]["by_gap"][PEA] == sowing
    again = kept.served.client.get(f"api/stands?serial={told['stands']['serial']}").json()
    assert "by_gap" not in again  # the phone has them
    assert len(str(sowing)) / len(sowing["looks"]) < 2500  # letters a day: a farm fits on a phone
    said = set()
    for counts in COUNTS:
        rows = as_rows(counts)
        frames = [
            {"plants": {"field_pea": r["plants"]}, "weeds": r["weed_plants"], "area": 0.25, "height_mm": r["height_mm"],
             "weed_height_mm": r["weed_height_mm"]}
            for r in rows
        ]  # fmt: skip
        farm = replace(sown_farm, record=record_of([*sown_farm.record.to_dict("records"), *rows]))
        check = check_stand(farm, PEA, pd.Timestamp(LOOK))
        (found,) = page.evaluate(JUDGE, [by, [[sowing, look, frames]]])
        assert found["verdict"][0] == check.verdict.choice
        assert found["verdict"][4] == check.verdict.good
        assert found["stop"][0] == check.stop.side
        for row in check.verdict.choices.itertuples():
            assert found["possible"][row.choice] == row.possible
            assert found["odds"][row.choice][0] == pytest.approx(row.odds, abs=0.1)  # between two rows of the table
        (pulled,) = check.verdict.choices.loc[check.verdict.choices["choice"] == "weed once", "last_date"]
        if found["put_off"] >= 0:  # the soonest of the rows around
            assert pd.Timestamp(LOOK) + pd.Timedelta(days=1 + found["put_off"]) <= pulled
        assert found["density"]["field_pea"][:3] == pytest.approx(
            [getattr(check.density["field_pea"], end) for end in ("per_m2", "low_m2", "high_m2")]
        )
        said.add(check.verdict.choice)
    assert len(said) > 1


# ---- which stands are worked out -------------------------------------------------------------------------------


def test_what_stands_is_worked_out_and_what_is_over_is_not(sown_farm: Farm) -> None:
    from greengap.stand_worked_out import ground_of

    gaps = find_gaps(sown_farm.crop_calendar, sown_farm.settings, sown_farm.catalogue, southern=southern(sown_farm))
    rows = sown_farm.record.to_dict("records")
    today, covers = pd.Timestamp(LOOK), sown_farm.catalogue.covers

    def more(what: str, **said: Any) -> dict[str, Any]:
        base = {"entry_id": f"m-{what}", "written": f"{LOOK}T09:00:00Z", "what": what, "date": LOOK}
        return {**base, "block_id": "Upper Bench", "gap_id": PEA, **said}

    (one,) = sowings_of(gaps, record_of(rows), covers, None, today)
    assert (one.gap_id, one.cover_id, one.birds_came, one.planned) == (PEA, "field_pea", False, False)
    (eaten,) = sowings_of(gaps, record_of([*rows, more("loss", cause="birds")]), covers, None, today)
    assert eaten.birds_came
    for over in (more("ended"), more("decided", choice="keep clean")):
        assert sowings_of(gaps, record_of([*rows, over]), covers, None, today) == []
    assert len(sowings_of(gaps, record_of([*rows, more("decided", choice="keep")]), covers, None, today)) == 1
    ground = ground_of(sown_farm, PEA, None)
    days = looks_of(one, ground, today)
    assert today in days
    assert max(days) < ground.closes
    late = looks_of(one, ground, today + pd.Timedelta(days=10))  # later than the usual looks: of that day, too
    assert today + pd.Timedelta(days=10) in late
    # Sown so late that one look is left before the block has to be clear.
    on = ground.closes - pd.Timedelta(days=8)
    last = replace(sown_farm, record=record_of([{**rows[0], "date": on}]))
    mine, told = gaps[gaps["gap_id"] == PEA].reset_index(drop=True), list[tuple[int, int]]()
    out = stands_now(last, mine, None, today, lambda done, total: told.append((done, total)))
    assert told == [(1, 1)]
    assert [len(one["looks"]) for one in out.values()] == [1]


# ---- on the phone ----------------------------------------------------------------------------------------------


def test_a_count_comes_to_a_verdict_and_one_tap_decides(kept: Kept, window: Window) -> None:
    page = phone(window, kept.served)
    count(page, [2, 0, 7, 0, 1], [12, 9, 14, 11, 10], height_mm="5", weed_height_mm="3")
    assert "frames counted" in page.inner_text(".verdict")
    page.locator(".counter input").nth(1).fill("13")
    page.tap(".form-foot button[type=submit]")
    page.wait_for_selector(".todo [data-choice]")
    assert "6 frames counted; further frames would hardly change the verdict: stop." in page.inner_text(".verdict")
    names = page.eval_on_selector_all(".todo [data-choice]", "n => n.map((b) => b.dataset.choice)")
    assert names == ["keep clean", "keep"]
    assert "stop. Give it up, keep the ground clean: nothing that can be done wins" in page.inner_text(".verdict")
    assert "weed once" not in names  # 45 weeds on a square metre of this block are beyond any hand
    assert "Not possible: weed it by hand once. It takes" in page.inner_text(".todo")
    page.tap(".todo summary")
    assert "this program's own" in page.inner_text(".todo")
    before = [r for r in rows_of(kept.served) if r["what"] == "decided"]
    page.tap(".todo [data-choice='keep clean']")
    page.wait_for_selector(".decided")
    sent(page) if page.locator(".reach").count() else page.wait_for_timeout(400)
    page.tap("[data-act=undecide]")
    page.wait_for_selector(".todo [data-choice]")
    page.tap(".todo [data-choice=keep]")
    page.tap(".done")
    sent(page)
    rows = [r for r in rows_of(kept.served) if r["what"] == "decided" and r not in before]
    assert [(r["choice"], r["gap_id"], r["date"]) for r in rows if r["holds"]] == [("keep", PEA, LOOK)]
    assert page.complaints == []


def test_without_a_table_it_says_why_and_shows_what_is_expected(kept: Kept, window: Window) -> None:
    page = phone(window, kept.served, "06-20")
    page.tap("[data-kind=stand]")
    page.evaluate("document.querySelectorAll('details.more').forEach((d) => { d.open = true; })")
    for block, words in (("River 1", "write down first what was sown"), ("Upper Bench", "looks until 24 Apr")):
        page.select_option("[data-column=block_id]", block)
        page.locator("[data-column=date]").fill(f"{YEAR}-{'07-20' if block == 'River 1' else '05-20'}")
        page.wait_for_selector(f".verdict >> text={words}")


@pytest.mark.parametrize("width", [1360, 360])
def test_axe_finds_nothing_on_the_verdict(kept: Kept, window: Window, width: int) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page = phone(window, kept.served)
    page.set_viewport_size({"width": width, "height": 740})
    count(page, [9, 12, 8], [0, 0, 1], height_mm="5", weed_height_mm="3")
    page.wait_for_selector(".todo")
    for summary in page.locator(".todo summary").all():
        summary.tap()
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    options = {"runOnly": {"type": "tag", "values": tags}, "rules": {"target-size": {"enabled": False}}}
    for step in ("choices", "decided"):
        found = Axe().run(page, options=options).response["violations"]
        assert [(step, v["id"], n["html"][:200]) for v in found for n in v["nodes"]] == []
        assert page.evaluate(SMALL_TARGETS) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        if step == "choices":
            page.tap(".todo [data-choice] >> nth=0")
            page.wait_for_selector(".decided")
    page.tap("[data-act=undecide]")


def test_the_record_page_gives_the_verdict_from_a_file(
    kept: Kept, window: Window, browser: Any, tmp_path: Path
) -> None:
    desk = phone(window, kept.served)
    with desk.expect_download() as waiting:  # it waits until every stand is worked out, and all are
        desk.tap("[data-act=page]")
    path = tmp_path / "page.html"
    waiting.value.save_as(path)
    page = opened(browser, path, LOOK[5:])
    count(page, [9, 12, 8], [0, 0, 0], height_mm="5")
    page.wait_for_selector(".todo [data-choice]")
    assert "further frames would hardly change the verdict: stop. Keep it" in page.inner_text(".verdict")
    page.tap(".todo [data-choice=keep]")
    page.wait_for_selector(".decided")
    page.tap(".done")
    assert "Decided, Upper Bench" in page.inner_text(".lately")
    assert page.asked_for == [path.as_uri()]
    assert page.complaints == []
    page.context.close()


def test_dates_that_slip_are_asked_about_and_written_from_the_phone(kept: Kept, window: Window) -> None:
    told = kept.served.client.get("api/field-book").json()
    gap = next(g for g in told["gaps"] if g["before"] and g["id"].startswith("River"))
    day = (pd.Timestamp(gap["start"]) - pd.Timedelta(days=4)).strftime("%m-%d")
    page = phone(window, kept.served, day)
    page.evaluate("document.querySelectorAll('details.more').forEach((d) => { d.open = true; })")
    page.tap(f"[data-job='cleared {gap['id']}']")
    later = (pd.Timestamp(gap["start"]) + pd.Timedelta(days=5)).strftime("%Y-%m-%d")
    page.fill("[data-column=date]", later)  # ahead of the day that it is written on
    page.tap("text=Write it down")
    page.wait_for_selector(".told")
    assert page.locator(f"[data-job='cleared {gap['id']}']").count() == 0
    sent(page)
    (row,) = [r for r in rows_of(kept.served) if r["what"] == "cleared"]
    assert (row["gap_id"], row["date"]) == (gap["id"], later)
    soon = (pd.Timestamp(gap["next_on"]) - pd.Timedelta(days=3)).strftime("%m-%d")
    at(page, soon)
    page.tap("[data-kind=rain]")
    page.tap(".back")
    assert page.locator(f"[data-job='planted {gap['id']}']").count() == 1


def test_a_program_that_goes_away_in_the_middle_of_a_look_is_told_and_looked_for_again(
    kept: Kept, window: Window
) -> None:
    page = window(kept.served, fragment="#screen=map")
    page.wait_for_selector(".status[data-state=done]")
    page.route("**/api/plan*", lambda route: route.abort())
    assert kept.served.edit(kind="sown_share", block="River 1", share=0.9).status_code == 200
    page.wait_for_selector("#said.trouble >> text=does not answer")
    page.unroute("**/api/plan*")
    version = kept.served.state()["version"]
    page.wait_for_selector(f".status[data-state=done][data-version='{version}']")
    assert all("ERR_FAILED" in complaint for complaint in page.complaints)


def test_out_of_reach_it_is_counted_judged_decided_and_sent_once(kept: Kept, window: Window) -> None:
    page = phone(window, kept.served)
    stored = page.evaluate("JSON.parse(Object.entries(localStorage).find(([k]) => k.endsWith('/stands'))[1])")
    assert PEA in stored
    before = len(rows_of(kept.served))
    kept.served.kill()
    count(page, [9, 12, 8], [0, 0, 0], height_mm="5", weed_height_mm="3")
    page.wait_for_selector(".todo [data-choice]")
    page.tap(".todo [data-choice=keep]")
    page.tap(".done")
    page.wait_for_selector(".reach.waiting")
    kept.begin()
    sent(page)
    rows = rows_of(kept.served)
    assert len(rows) == before + 4  # three frames and what was decided, each once
    assert len({r["entry_id"] for r in rows}) == len(rows)
    record = current(read_farm(kept.farms / "gone.gpkg").record)
    assert "keep" in record.loc[record["what"] == "decided", "choice"].tolist()
    assert page.complaints == [] or all("ERR_CONNECTION_REFUSED" in c or "Failed to load" in c for c in page.complaints)
