"""Field sheets: what pdftotext or pypdf reads on them, what the code says, how the page looks in grey."""

import io
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from pypdf import PdfReader
from typer.testing import CliRunner

from greengap import cli
from greengap.output.field_sheet import (
    BOXES,
    WEEDS_ON_PAPER,
    cover_sheets,
    finger_joints,
    kilos,
    make_sheets,
    record_code,
    rung_grams,
    sheet_files,
    stands_beforehand,
)
from greengap.output.jobs import list_jobs, order_grams
from greengap.output.operations import DAY
from greengap.output.passes import pass_words
from greengap.output.stand_text import limit_cells

POINTS = {"a4": (595.3, 841.9), "letter": (612.0, 792.0)}


@pytest.fixture(scope="module")
def jobs(sample_plan):
    return list_jobs(sample_plan)


@pytest.fixture(scope="module")
def pdf(sample_plan, jobs):
    return sheet_files(sample_plan, jobs, order_grams(sample_plan))["field_sheets.pdf"]


@pytest.fixture(scope="module")
def pages(pdf):
    return [" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(pdf)).pages]


def drawn(pdf: bytes, page: int, dpi: int = 100) -> np.ndarray:
    """A page as rendered by poppler, in colours."""
    if not shutil.which("pdftoppm"):
        pytest.skip("pdftoppm is not installed")
    command = ["pdftoppm", "-r", str(dpi), "-f", str(page), "-l", str(page), "-"]
    raw = subprocess.run(command, input=pdf, capture_output=True, check=True).stdout
    _, size, _, pixels = raw.split(b"\n", 3)
    wide, high = map(int, size.split())
    return np.frombuffer(pixels, np.uint8).reshape(high, wide, 3)


def test_there_is_a_cover_sheet_a_year_and_a_page_a_sowing(pages, jobs):
    years = sorted({j.year for j in jobs})
    assert len(pages) == len(years) + len(jobs)  # the cautions of the sample farm fit on every page
    assert [f"covers sown in {y}" in page for y, page in zip(years, pages, strict=False)] == [True] * len(years)


def test_a_sheet_says_what_the_plan_says(pages, jobs, sample_plan):
    for page, job in zip(pages[2:], jobs, strict=True):
        assert page.startswith(job.block_id)
        for words in (
            job.gap_id, f"Sow {job.cover.lower()}", kilos(job.grams, "metric"), f"{job.row.sow_best:%d %b}",
            f"{job.row.holds_years} of {job.row.years} years", "Seedbed and weeds", "Set the drill", "If the day slips",
            "Count", "Flowers, end, wait", f"{job.row.terminate_by:%d %b}", "Do not, and ask", "Write here",
            f"{job.passes.count} passes of 3.0 m", "A prediction, not a promise",
        ):  # fmt: skip
            assert words in page, (job.gap_id, words)
        cautions = sample_plan.cautions[sample_plan.cautions["gap_id"] == job.gap_id]
        assert all(" ".join(c.split()) in page for c in cautions["caution"])
        assert all(words in page for _, words in BOXES)


def test_the_cover_sheet_has_every_sowing_the_seed_and_the_cautions_of_the_farm(pages, jobs, sample_plan):
    for year, page in zip(sorted({j.year for j in jobs}), pages, strict=False):
        for job in (j for j in jobs if j.year == year):
            assert job.block_id in page
            assert f"{job.row.sow_best:%d %b}" in page or f"{job.sow_from:%d %b}" in page
        farm = sample_plan.cautions[sample_plan.cautions["gap_id"] == ""]
        assert all(" ".join(c.split()) in page for c in farm["caution"])
        for (at, species), grams in order_grams(sample_plan).items():
            if at == year:
                assert f"{sample_plan.catalogue.species[species].name} {kilos(grams, 'metric')}" in page


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_pages_have_the_size_of_the_paper_and_nothing_is_cut_off(sample_plan, jobs, paper):
    some = jobs[:2]
    wanted: dict[tuple[int, str], int] = {}
    for job in some:
        for seed in job.seeds:
            wanted[job.year, seed.species] = wanted.get((job.year, seed.species), 0) + seed.grams
    pdf = sheet_files(sample_plan, some, wanted, paper == "letter")["field_sheets.pdf"]
    box = PdfReader(io.BytesIO(pdf)).pages[1].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx(POINTS[paper], abs=0.1)
    for page in (1, 2, 3):
        ink = drawn(pdf, page).min(axis=2) < 250
        edge = 30  # about 8 mm at 100 dpi
        assert not ink[:edge].any() and not ink[-edge:].any()  # noqa: PT018
        assert not ink[:, :edge].any() and not ink[:, -edge:].any()  # noqa: PT018


def test_a_photocopy_loses_nothing_all_is_black_white_or_grey(pdf):
    for page in (1, 8):
        colours = drawn(pdf, page).astype(int)
        assert (colours.max(axis=2) - colours.min(axis=2)).max() <= 2


def test_the_code_is_read_by_a_phone(sample_plan, jobs, pdf):
    reader = pytest.importorskip("zxingcpp")
    for page, job in ((3, jobs[0]), (8, jobs[5])):
        (found,) = reader.read_barcodes(drawn(pdf, page, 150))
        assert found.text == record_code(job, None)
    assert record_code(jobs[0], "http://10.0.0.2:8000/") == "http://10.0.0.2:8000/#block=Beds%203&gap=Beds%203%2F1"


def test_same_plan_same_bytes(sample_plan, jobs, pdf):
    assert sheet_files(sample_plan, jobs, order_grams(sample_plan))["field_sheets.pdf"] == pdf


def test_the_ladder_names_seed_for_each_rung(sample_plan, jobs):
    grams = rung_grams(sample_plan)
    rungs = sample_plan.ladder[(sample_plan.ladder["rung"] > 1) & (sample_plan.ladder["cover_id"] != "no_cover")]
    assert set(grams) == set(zip(rungs["gap_id"], rungs["rung"], strict=True))
    sheet = next(s for s in make_sheets(sample_plan, jobs) if s.job.gap_id == "River 1/2")
    ladder = next(s for s in sheet.left if s.title.startswith("4"))
    assert [row[0] for row in ladder.rows] == ["until", "07 Jul", "10 Jul"]
    # Rung 2 is buckwheat: its rate on 2.15 ha, with the allowance of 5 percent.
    buckwheat = sample_plan.seed_need[sample_plan.seed_need["species"] == "buckwheat"].iloc[0]
    area = sheet.job.area_m2
    assert grams["River 1/2", 2] == pytest.approx(buckwheat["bulk_rate_kg_ha"] * area / 10 * 1.05, abs=1)


def test_what_was_sown_after_its_ladder_has_no_ladder_any_more(sample_plan, jobs):
    earlier = sample_plan.ladder.assign(**{d: sample_plan.ladder[d] - 60 * DAY for d in ("sow_from", "sow_until")})
    job = next(j for j in jobs if j.gap_id == "River 1/2")
    (sheet,) = make_sheets(replace(sample_plan, ladder=earlier), [job])
    ladder = next(s for s in sheet.left if s.title.startswith("4"))
    assert ladder.rows == ()
    assert ladder.lines == ("It was sown on 04 Jul, after the last day of its ladder, which was 11 May.",)


def test_what_should_be_left_is_the_allowance(sample_plan, jobs):
    sheet = make_sheets(sample_plan, jobs[:1])[0]
    rows = dict(r for r in sheet.left[0].rows)
    net = jobs[0].rate_kg_ha * jobs[0].area_m2 / 10
    assert rows["Should be left"].startswith(kilos(round(jobs[0].grams - net), "metric"))


def test_depth_by_the_hand_and_loads_in_either_unit():
    assert [finger_joints(d) for d in (5, 12, 25.4, 38, 50.8)] == [
        "less than half a finger joint", "about half a finger joint", "about 1 finger joint", "about 1½ finger joints",
        "about 2 finger joints",
    ]  # fmt: skip
    assert [kilos(g, "metric") for g in (850, 1073, 341_028)] == ["850 g", "1.07 kg", "341.0 kg"]
    assert kilos(453.59237, "us") == "1.00 lb"


def test_us_units_are_used_all_over(sample_plan, jobs):
    us = replace(sample_plan, settings=replace(sample_plan.settings, units="us"))
    sheet = make_sheets(us, jobs[:1])[0]
    text = " ".join(
        [*(" ".join(s.lines) + " ".join(c for r in s.rows for c in r) for s in (*sheet.left, *sheet.right))]
    )
    for unit in ("lb/ac", "lb for", "1/100 ac", "square foot", "ft²", "seeds/ft²"):
        assert unit in text
    for unit in (" kg", "kg/ha", " cm", "m²"):
        assert unit not in text
    assert " ft " in " ".join(pass_words(jobs[0].passes, "us"))


def test_a_page_with_more_cautions_than_room_goes_on_overleaf_and_drops_none(sample_plan, jobs):
    gap = jobs[0].gap_id
    row = sample_plan.cautions[sample_plan.cautions["gap_id"] != ""].iloc[[0]]
    more = [
        row.assign(gap_id=gap, hazard=f"hazard {n}", caution=f"Caution {n}. " + "Mind it. " * 25) for n in range(30)
    ]
    full = replace(sample_plan, cautions=pd.concat([sample_plan.cautions, *more], ignore_index=True))
    wanted = {(jobs[0].year, s.species): s.grams for s in jobs[0].seeds}
    pdf = sheet_files(full, jobs[:1], wanted)["field_sheets.pdf"]
    text = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages)
    assert "overleaf" in text
    assert [n for n in range(30) if f"Caution {n}." not in text] == []


def test_cover_sheets_list_years_in_order(sample_plan, jobs):
    assert [c.year for c in cover_sheets(sample_plan, jobs)] == sorted({j.year for j in jobs})


def test_a_sheet_has_the_counts_of_its_block_and_stays_one_page(sample_farm, sample_plan, jobs):
    some = [j for j in jobs if j.gap_id in ("Beds 2/2", "River 1/2", "Pond/2")]
    assert len(some) == 3
    stands = stands_beforehand(sample_farm, sample_plan, some)
    wanted: dict[tuple[int, str], int] = {}
    for job in some:
        for seed in job.seeds:
            wanted[job.year, seed.species] = wanted.get((job.year, seed.species), 0) + seed.grams
    raw = sheet_files(sample_plan, some, wanted, stands=stands)["field_sheets.pdf"]
    pages = [" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(raw)).pages]
    assert len(pages) == 1 + len(some)
    for page, job in zip(pages[1:], some, strict=True):
        assert "Keep it?" in page
        assert "failed below" not in page  # one word on when a stand is too thin, not two
        limits = stands[job.gap_id].limits
        for limit in limits[limits["weed_cover_fraction"].isin(WEEDS_ON_PAPER)].itertuples():
            assert " ".join(limit_cells(limit, 0.1)) in page


def test_the_command_prints_some_blocks(monkeypatch, sample_farm, sample_plan, tmp_path):
    monkeypatch.setattr(cli, "_planned", lambda read: sample_plan)
    monkeypatch.setattr(cli, "open_farm", lambda farm: sample_farm)
    done = CliRunner().invoke(
        cli.app, ["sheets", "farm", "--block", "River 1", "--paper", "letter", "--out", str(tmp_path)]
    )
    assert done.exit_code == 0, done.output
    pages = PdfReader(tmp_path / "field_sheets.pdf").pages
    assert f"{len(pages)} pages" in done.output
    assert pages[-1].extract_text().startswith("River 1")
