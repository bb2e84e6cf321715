"""How long it takes from opening the field book on a phone-sized page to the verdict on a stand that is counted.

    python tests/benchmarks/bench_field_book.py

What is measured is the machine: a real browser at 360 x 740, the server on the same computer, taps as fast as the
page takes them. The taps are counted, since a person's time is made of them; no person was timed.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import httpx
from playwright.sync_api import sync_playwright

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM = "/usr/bin/chromium"
FRAMES, PLANTS, WEEDS = 6, 9, 4  # frames of a look; plants and weeds in each
YEAR = date.today().year - 1


def a_farm(folder: Path) -> Path:
    """The sample farm with its first season a year ago."""
    farm = shutil.copytree(ROOT / "sample_fields", folder / "farm")
    calendar = farm / "crop_calendar.csv"
    years = {"2027": str(YEAR), "2028": str(YEAR + 1)}
    calendar.write_text(re.sub(r"\b202[78]\b", lambda m: years[m[0]], calendar.read_text(encoding="utf-8")))
    row = ["--block", "River 1", "--date", f"{YEAR}-07-02", "--cover", "buckwheat", "--set", "seed_kg=140"]
    subprocess.run(
        [sys.executable, "-m", "greengap.cli", "record", str(farm), "sown", *row], check=True, capture_output=True
    )
    return farm


def count(page: Any, url: str) -> dict[str, float]:
    """One look at a stand; seconds to each point, and taps."""
    taps, began = 0, time.perf_counter()
    told = {}
    page.goto(url + "#screen=field")
    page.wait_for_selector('[data-job="stand River 1/2"]')
    told["the job is on the screen"] = time.perf_counter() - began
    page.tap('[data-job="stand River 1/2"]')
    page.wait_for_selector(".counter")
    told["the first tap can be counted"] = time.perf_counter() - began
    taps += 1
    for frame in range(FRAMES):
        for number, times in enumerate((PLANTS, WEEDS)):
            plus = page.locator(".counter .plus").nth(number)
            for _ in range(times):
                plus.tap()
                taps += 1
        if frame == 0:
            page.get_by_label("below it").tap()
            taps += 1
        page.tap(".form-foot button[type=submit]")
        taps += 1
        if frame == 0:
            page.wait_for_selector(".verdict >> text=So far")
            told["the first frame is kept on the phone, with a first verdict"] = time.perf_counter() - began
    page.wait_for_selector(".todo [data-choice]")
    told["six frames are kept, the verdict and what can be done stand there"] = time.perf_counter() - began
    page.tap(".todo .best")
    taps += 1
    page.wait_for_selector(".decided")
    told["the decision is written down"] = time.perf_counter() - began
    page.tap(".done")
    taps += 1
    page.wait_for_selector(".reach.sent")
    told["they are in the farm"] = time.perf_counter() - began
    return told | {"taps": taps}


def main() -> None:
    """Serve, count, print."""
    with tempfile.TemporaryDirectory() as held, sync_playwright() as driver:
        farm = a_farm(Path(held))
        command = [sys.executable, "-m", "greengap.cli", "serve", str(farm), "--no-browser", "--farms", held]
        server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert server.stdout is not None
        url = server.stdout.readline().split()[-1]
        try:
            while httpx.get(url + "api/progress").json()["state"] != "done":
                time.sleep(0.2)
            while not (stands := httpx.get(url + "api/stands").json())["total"] or stands["state"] != "done":
                time.sleep(0.2)
            print(f"{stands['total']} tables, {len(str(stands['by_gap']))} letters")
            browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
            context = browser.new_context(viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True)
            page = context.new_page()
            page.clock.set_fixed_time(datetime(YEAR, 7, 14, 9, tzinfo=UTC))
            for name, value in count(page, url).items():
                print(f"{name}: {value:.0f}" if name == "taps" else f"{name}: {value:.1f} s")
            rows = [r for r in httpx.get(url + "api/record").json()["rows"] if r["what"] == "stand"]
            print(f"{len(rows)} rows in the farm")
            browser.close()
        finally:
            server.terminate()
            server.wait()


if __name__ == "__main__":
    main()
