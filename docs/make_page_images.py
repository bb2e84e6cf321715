"""Takes the pictures of the map and of the page from the sample farm: ``python docs/make_page_images.py``.

Needs Debian's chromium and what `.[test]` brings.
"""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.sync_api import sync_playwright

HERE = Path(__file__).parent
SAMPLE = HERE.parent / "sample_fields"
COLOURS = 200
SWITCHES = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]


def keep(shot: bytes, name: str) -> None:
    """Make a picture small and put it with the images."""
    picture = Image.open(io.BytesIO(shot)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    picture.save(HERE / "images" / f"{name}.png", optimize=True)


def the_map(browser: Any, folder: Path) -> None:
    """The map that a plan writes, with a block chosen."""
    command = [sys.executable, "-m", "greengap.cli", "plan", str(SAMPLE), "--out", str(folder)]
    subprocess.run(command, check=True, capture_output=True)
    page = browser.new_page(viewport={"width": 1280, "height": 860})
    page.goto((folder / "map.html").as_uri() + "#block=Pond")
    page.select_option("#period-choice", label="Midsummer 2027")
    page.wait_for_selector("#panel svg.odds")
    page.wait_for_timeout(600)  # the map comes to rest
    keep(page.screenshot(), "map")


def the_page(browser: Any, folder: Path) -> None:
    """The local page on a desk and on a phone."""
    command = [sys.executable, "-m", "greengap.cli", "serve", str(SAMPLE), "--no-browser", "--farms", str(folder)]
    serving = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert serving.stdout is not None
    address = serving.stdout.readline().split()[-1]
    try:
        page = browser.new_page(viewport={"width": 1360, "height": 860})
        page.goto(address + "#screen=map&block=River%202&gap=River%202/2")
        page.wait_for_selector(".status[data-state=done]", timeout=180_000)
        page.wait_for_selector("#drawer .curve, #drawer svg", timeout=60_000)
        page.wait_for_timeout(1500)
        keep(page.screenshot(), "page_map")
        page.goto("about:blank")
        page.goto(address + "#screen=calendar")
        page.wait_for_selector(".status[data-state=done]", timeout=180_000)
        page.wait_for_timeout(1000)
        keep(page.screenshot(), "page_calendar")
    finally:
        serving.terminate()
        serving.wait()


if __name__ == "__main__":
    found = shutil.which("chromium")
    if found is None:
        raise SystemExit("no chromium on this machine: apt-get install chromium")
    with sync_playwright() as play, tempfile.TemporaryDirectory() as made:
        chromium = play.chromium.launch(executable_path=found, args=SWITCHES)
        the_map(chromium, Path(made) / "plan")
        the_page(chromium, Path(made) / "farms")
        chromium.close()
