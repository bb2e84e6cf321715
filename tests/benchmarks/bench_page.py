"""How long the page takes from an edit to the plan of the block that it touched, and to the whole plan.

Run: python tests/benchmarks/bench_page.py [REPEATS]. Serves the sample farm and an invented one of 200 blocks.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import httpx
import tomlkit

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_fields"
MANY = 200


def many_blocks(folder: Path) -> Path:
    """A folder with 200 rectangles in the sample's valley, crops of the sample's blocks in turn."""
    folder.mkdir()
    features, west, south = [], 13.8935, 48.5412
    for n in range(MANY):
        x, y = west + (n % 20) * 0.00062, south + (n // 20) * 0.00052
        ring = [[x, y], [x + 0.0006, y], [x + 0.0006, y + 0.0005], [x, y + 0.0005], [x, y]]
        features.append(
            {
                "type": "Feature",
                "properties": {"block": f"B{n + 1}", "field": f"F{n // 20 + 1}"},
                "geometry": {"type": "Polygon", "coordinates": [ring]},
            }
        )
    (folder / "blocks.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    head, *rows = [line for line in (SAMPLE / "crop_calendar.csv").read_text().splitlines() if not line.startswith("#")]
    of: dict[str, list[str]] = {}
    for row in rows:
        block, rest = row.split(",", 1)
        of.setdefault(block, []).append(rest)
    calendars = list(of.values())
    lines = [f"B{n + 1},{rest}" for n in range(MANY) for rest in calendars[n % len(calendars)]]
    (folder / "crop_calendar.csv").write_text("\n".join([head, *lines]) + "\n")
    farm = tomlkit.parse((SAMPLE / "farm.toml").read_text())
    files = farm["files"]
    files["polygons"] = "blocks.geojson"
    del files["layer"], farm["cold_offset_degc"], farm["machinery"]["beds"], farm["machinery"]["headings"]
    farm["irrigation"] = True
    files["weather"] = (SAMPLE / files["weather"]).as_posix()
    for raster in files["soil"].values():
        raster["file"] = (SAMPLE / raster["file"]).as_posix()
    (folder / "farm.toml").write_text(tomlkit.dumps(farm))
    return folder


def measure(farm: Path, block: str, repeats: int) -> None:
    """Print a line for each kind of edit."""
    with tempfile.TemporaryDirectory() as farms:
        command = [sys.executable, "-m", "greengap.cli", "serve", str(farm), "--no-browser", "--farms", farms]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        try:
            page = httpx.Client(
                base_url=process.stdout.readline().split()[-1], headers={"X-Greengap": "1"}, timeout=600
            )
            began = time.perf_counter()
            _wait(page, lambda p: p["state"] == "done")
            print(f"  opened, first plan of all blocks: {time.perf_counter() - began:.2f} s after the address was said")
            for kind in ("crop date", "outline", "choice"):
                answered, shown, whole = [], [], []
                for n in range(repeats):
                    a, s, w = _edit(page, block, kind, n)
                    answered.append(a)
                    shown.append(s)
                    whole.append(w)
                told = f"block shown {_range(shown)}   all planned {_range(whole)}"
                print(f"  {kind:10} answered {_range(answered)}   {told}")
        finally:
            process.terminate()
            process.wait()


def _range(values: list[float]) -> str:
    return f"{statistics.median(values):.2f} s ({min(values):.2f}-{max(values):.2f})"


def _wait(page: httpx.Client, done) -> dict:
    while True:
        found = page.get("api/progress").json()
        if found["state"] == "problem":
            raise RuntimeError(found["sentence"])
        if found["version"] == found["edited"] and done(found):
            return found
        time.sleep(0.01)


def _edit(page: httpx.Client, block: str, kind: str, n: int) -> tuple[float, float, float]:
    state = page.get("api/state").json()
    if kind == "crop date":
        crop = next(c for c in state["crops"] if c["block"] == block)
        row = {k: v for k, v in crop.items() if k != "key"}
        row["end"] = row["end_late"] = row["end_early"] = f"{row['end'][:7]}-{10 + n:02d}"
        edit = {"kind": "set_crop", "key": crop["key"], "row": row}
    elif kind == "outline":
        feature = next(f for f in state["blocks"]["features"] if f["id"] == block)
        ring = feature["geometry"]["coordinates"][0]
        ring = [[x + (1e-5 if i == 1 else 0), y] for i, (x, y) in enumerate(ring[:-1])]
        edit = {"kind": "reshape", "block": block, "parts": [[ring]]}
    else:
        gaps = page.get("api/plan", params={"block": block}).json()["gaps"]
        gaps.sort(key=lambda g: -len(g["advice"]["sentence"]) if g["advice"] else 0)
        detail = page.get("api/gap", params={"id": gaps[0]["id"]}).json()
        covers = [c["cover"] for c in detail["covers"]]
        edit = {
            "kind": "answer", "gap": gaps[0]["id"], "cover": covers[n % len(covers)],
            "given": "choose", "cautions_read": True,
        }  # fmt: skip
    began = time.perf_counter()
    answer = page.post("api/edit", json={"farm": state["farm"], "version": state["version"], "edit": edit})
    answer.raise_for_status()
    answered = time.perf_counter() - began
    _wait(page, lambda p: p["done"] >= 1 or p["state"] == "done")
    page.get("api/plan", params={"block": block}).raise_for_status()
    shown = time.perf_counter() - began
    _wait(page, lambda p: p["state"] == "done")
    return answered, shown, time.perf_counter() - began


if __name__ == "__main__":
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    print("sample farm, 15 blocks")
    measure(SAMPLE, "River 2", times)
    with tempfile.TemporaryDirectory() as made:
        print(f"invented farm, {MANY} blocks")
        measure(many_blocks(Path(made) / "many"), "B100", times)
