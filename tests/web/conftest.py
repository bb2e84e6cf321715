"""The page as it is served: a server for each test that needs one of its own, and a real browser."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_fields"


@dataclass
class Served:
    """A running `greengap serve`."""

    process: subprocess.Popen
    url: str
    farms: Path
    client: httpx.Client = field(init=False)

    def __post_init__(self) -> None:
        self.client = httpx.Client(base_url=self.url, headers={"X-Greengap": "1"}, timeout=120)

    def state(self) -> dict[str, Any]:
        return self.client.get("api/state").json()

    def edit(self, **edit: Any) -> httpx.Response:
        state = self.state()
        return self.client.post("api/edit", json={"farm": state["farm"], "version": state["version"], "edit": edit})

    def planned(self, seconds: float = 120) -> dict[str, Any]:
        """Wait until the plan of the newest version is there."""
        import time

        until = time.monotonic() + seconds
        while time.monotonic() < until:
            found = self.client.get("api/progress").json()
            if found["version"] == found["edited"] and found["state"] in ("done", "waiting", "problem"):
                return found
            time.sleep(0.05)
        raise AssertionError(f"no plan after {seconds} s: {found}")

    def kill(self) -> None:
        """End it as a power cut would."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def stop(self) -> None:
        self.client.close()
        if self.process.poll() is None:
            self.process.terminate()
            self.process.wait(timeout=30)


def start(farms: Path, *arguments: str) -> Served:
    farms.mkdir(exist_ok=True)
    command = [sys.executable, "-m", "greengap.cli", "serve", *arguments, "--no-browser", "--farms", str(farms)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    line = process.stdout.readline()
    return Served(process, line.split()[-1], farms)


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Callable[..., Served]]:
    """Start the page; farms are kept in a folder of the test."""
    running = []

    def begin(*arguments: str) -> Served:
        served = start(tmp_path / "farms", *arguments)
        running.append(served)
        return served

    yield begin
    for served in running:
        served.stop()


@pytest.fixture(scope="module")
def sample_served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The sample farm on the page, shared by the tests of a module."""
    served = start(tmp_path_factory.mktemp("page") / "farms", str(SAMPLE))
    served.planned()
    yield served
    served.stop()


@pytest.fixture(scope="session")
def sample_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample farm as a farm file; to be copied, not changed."""
    from greengap.pack import pack

    return pack(SAMPLE, tmp_path_factory.mktemp("packed") / "sample.gpkg")


@pytest.fixture(scope="session")
def small_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three blocks of the sample farm, quickly planned; to be copied, not changed."""
    import geopandas as gpd
    import tomlkit

    from greengap.pack import pack

    folder = tmp_path_factory.mktemp("small") / "folder"
    shutil.copytree(SAMPLE, folder)
    kept = ("River 1", "River 2", "Pond")
    blocks = gpd.read_file(folder / "blocks.gpkg", layer="blocks")
    (folder / "blocks.gpkg").unlink()
    blocks[blocks["block"].isin(kept)].to_file(folder / "blocks.gpkg", layer="blocks")
    calendar = (folder / "crop_calendar.csv").read_text(encoding="utf-8").splitlines()
    theirs = [line for line in calendar if line.startswith(("block,", *(f"{b}," for b in kept)))]
    (folder / "crop_calendar.csv").write_text("\n".join(theirs) + "\n", encoding="utf-8")
    farm = tomlkit.parse((folder / "farm.toml").read_text(encoding="utf-8"))
    farm["irrigation"] = list(kept)
    del farm["machinery"]["beds"], farm["cold_offset_degc"]
    (folder / "farm.toml").write_text(tomlkit.dumps(farm), encoding="utf-8")
    return pack(folder, folder.parent / "small.gpkg")


@pytest.fixture
def small(small_file: Path, tmp_path: Path) -> str:
    """A copy of the small farm where `serve` keeps its farms."""
    (tmp_path / "farms").mkdir()
    return str(shutil.copy(small_file, tmp_path / "farms" / "small.gpkg"))


@pytest.fixture(scope="module")
def small_served(small_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The small farm on the page, to be changed; shared by the tests of a module, which take their edits back."""
    farms = tmp_path_factory.mktemp("small_page") / "farms"
    farms.mkdir()
    served = start(farms, str(shutil.copy(small_file, farms / "small.gpkg")))
    served.planned()
    yield served
    served.stop()


@pytest.fixture
def window(browser: Any) -> Iterator[Callable[..., Any]]:
    """Open the page in a window; what it asked for and complained of is kept on it."""
    contexts = []

    def look(served: Served, width: int = 1360, height: int = 860, fragment: str = "", **options: Any) -> Any:
        context = browser.new_context(viewport={"width": width, "height": height}, accept_downloads=True, **options)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(40_000)
        page.asked_for, page.failed, page.complaints = [], [], []
        page.on("request", lambda request: page.asked_for.append(request.url))
        page.on("requestfailed", lambda request: page.failed.append(request.url))
        page.on("pageerror", lambda error: page.complaints.append(str(error)))
        page.on("console", lambda line: page.complaints.append(line.text) if line.type == "error" else None)
        page.goto(served.url + fragment)
        return page

    yield look
    for context in contexts:
        context.close()


def planned(page: Any) -> None:
    """Wait until the page says that all is planned."""
    page.wait_for_selector(".status[data-state=done]", timeout=120_000)
