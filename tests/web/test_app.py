"""The API behind the page: who gets in, what is kept, what survives, what is refused."""

from __future__ import annotations

import json
import shutil
import sqlite3
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import httpx
import numpy as np
import pytest
import rasterio
import xarray as xr
from shapely.geometry import shape

from greengap.errors import InputProblem
from greengap.farm.farm_file import read_farm_file
from greengap.farm_input import read_farm
from greengap.plan import plan_farm
from greengap.web.app import make_app
from greengap.web.guard import Guard
from greengap.web.house import House
from greengap.web.store import FarmStore

from .conftest import SAMPLE, Served

Serve = Callable[..., Served]


def _kill_while_editing(served: Served, seconds: float) -> tuple[int, list[int]]:
    """Edit as fast as it goes and pull the plug; give the number that was answered last, and all that were sent."""
    answered, sent = [0], []

    def work() -> None:
        version, farm = served.state()["version"], served.state()["farm"]
        try:
            while True:
                number = len(sent) + 1
                sent.append(number)
                edit = {"kind": "settings", "values": {"note": f"edit {number}"}}
                answer = served.client.post("api/edit", json={"farm": farm, "version": version, "edit": edit})
                version = answer.json()["version"]
                answered.append(number)
        except (httpx.HTTPError, ValueError):
            return

    thread = threading.Thread(target=work)
    thread.start()
    time.sleep(seconds)
    served.kill()
    thread.join(timeout=30)
    return answered[-1], sent


@pytest.mark.parametrize("seconds", [0.9, 1.37, 2.05])
def test_kill_nine_loses_at_most_the_edit_in_flight(
    serve: Serve, sample_file: Path, tmp_path: Path, seconds: float
) -> None:
    own = tmp_path / "own.gpkg"
    shutil.copy(sample_file, own)
    served = serve(str(own))
    served.state()
    answered, sent = _kill_while_editing(served, seconds)
    assert answered >= 1
    again = serve(str(own))
    note = again.state()["settings"]["note"]
    kept = int(note.removeprefix("edit "))
    assert answered <= kept <= len(sent)
    assert again.state()["undo"] == kept
    with sqlite3.connect(own) as base:
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert read_farm(own).settings.note == note


def test_a_journal_left_by_a_cut_off_edit_is_taken_back(sample_file: Path, tmp_path: Path) -> None:
    """Half of an edit is in the file and a hot journal beside it, as after a power cut."""
    own, cut = tmp_path / "own.gpkg", tmp_path / "cut.gpkg"
    shutil.copy(sample_file, own)
    base = sqlite3.connect(own, isolation_level=None)
    base.execute("PRAGMA cache_spill = 1")
    base.execute("PRAGMA cache_size = 2")
    base.execute("BEGIN IMMEDIATE")
    base.execute("UPDATE weather SET tmin_degc = 0, tmax_degc = 0")  # too large for the cache: spills into the file
    shutil.copy(own, cut)
    shutil.copy(f"{own}-journal", f"{cut}-journal")
    base.execute("ROLLBACK")
    base.close()
    assert cut.read_bytes() != own.read_bytes()
    held = read_farm_file(cut)
    assert float(np.abs(held.weather["tmin_degc"]).max()) > 1
    assert read_farm_file(own).weather.equals(held.weather)


@pytest.mark.parametrize("kind", ["foreign", "text", "cut", "damaged", "sqlite", "missing"])
def test_what_is_no_farm_file_is_refused_and_left_alone(sample_file: Path, tmp_path: Path, kind: str) -> None:
    path = tmp_path / "other.gpkg"
    content = sample_file.read_bytes()
    match kind:
        case "foreign":
            gpd.GeoDataFrame({"a": [1]}, geometry=gpd.points_from_xy([1], [2]), crs=4326).to_file(path)
        case "text":
            path.write_text("not a database at all")
        case "cut":
            path.write_bytes(content[: len(content) // 2])
        case "damaged":
            broken = bytearray(content)
            broken[40_000:120_000] = b"\xff" * 80_000
            path.write_bytes(broken)
        case "sqlite":
            with sqlite3.connect(path) as base:
                base.execute("CREATE TABLE t (x)")
    before = path.read_bytes() if path.exists() else None
    with pytest.raises(InputProblem) as refused:
        FarmStore(path)
    assert "other.gpkg" in refused.value.sentence
    assert (path.read_bytes() if path.exists() else None) == before
    assert [p.name for p in tmp_path.iterdir()] == ([] if before is None else ["other.gpkg"])


def test_an_edit_for_an_older_version_is_refused_and_nothing_is_written(serve: Serve, small: str) -> None:
    served = serve(small)
    state = served.state()
    edit = {"kind": "rename", "block": "Pond", "name": "Pool"}
    first = served.client.post("api/edit", json={"farm": state["farm"], "version": state["version"], "edit": edit})
    assert first.status_code == 200
    edit = {"kind": "rename", "block": "Pool", "name": "Puddle"}
    late = served.client.post("api/edit", json={"farm": state["farm"], "version": state["version"], "edit": edit})
    assert (late.status_code, late.json()["kind"]) == (409, "version")
    other = served.client.post("api/edit", json={"farm": "another-1", "version": first.json()["version"], "edit": edit})
    assert (other.status_code, other.json()["kind"]) == (409, "other_farm")
    assert "Pool" in {f["id"] for f in served.state()["blocks"]["features"]}


def test_another_program_that_writes_is_noticed(serve: Serve, small: str) -> None:
    from greengap.farm.farm_file import edit_farm_file

    served = serve(small)
    state = served.state()
    path = next(served.farms.glob("*.gpkg"))
    with edit_farm_file(path) as edit:
        contents = read_farm_file(path)
        edit.write_settings(contents.settings_text.replace('note = "', 'note = "changed outside. '))
    late = served.client.post(
        "api/edit",
        json={"farm": state["farm"], "version": state["version"], "edit": {"kind": "remove", "block": "Pond"}},
    )
    assert late.status_code == 409
    assert served.state()["settings"]["note"].startswith("changed outside")


def test_a_gis_that_edits_the_farm_file_is_noticed_and_not_written_over(serve: Serve) -> None:
    """As a GIS does: a plain write into the tables, by a program that knows nothing of our revisions."""
    served = serve(str(SAMPLE))
    assert served.edit(kind="rename", block="Hollow", name="Dell").status_code == 200
    state = served.state()
    with sqlite3.connect(next(served.farms.glob("*.gpkg"))) as base:
        base.execute("UPDATE blocks SET block_id = 'Far Bench', field = 'Far' WHERE block_id = 'West Bench'")
        base.execute("UPDATE crop_calendar SET block_id = 'Far Bench' WHERE block_id = 'West Bench'")
        base.execute("UPDATE soil SET block_id = 'Far Bench' WHERE block_id = 'West Bench'")
    edit = {"kind": "remove", "block": "Pond"}
    late = served.client.post("api/edit", json={"farm": state["farm"], "version": state["version"], "edit": edit})
    assert late.status_code == 409
    names = {f["id"] for f in served.state()["blocks"]["features"]}
    assert {"Far Bench", "Pond", "Dell"} <= names
    assert served.state()["undo"] == 0  # edits from before no longer fit
    assert served.edit(kind="rename", block="Pond", name="Pool").status_code == 200
    assert "Far Bench" in {f["id"] for f in served.state()["blocks"]["features"]}


def test_the_farm_file_opens_in_a_gis_library_and_the_command_plans_the_same(
    serve: Serve, small: str, tmp_path: Path
) -> None:
    served = serve(small)
    assert served.edit(kind="settings", values={"wanted_odds": 0.7}).status_code == 200
    split = served.edit(kind="split", block="Pond", line=_across(served, "Pond"))
    assert split.status_code == 200
    served.planned()
    path = next(served.farms.glob("*.gpkg"))
    blocks = gpd.read_file(path, layer="blocks")
    assert len(blocks) == 4
    assert blocks.crs.to_epsg() == 4326
    plan = plan_farm(read_farm(path))
    from greengap.output.table import to_csv

    for name in ("gaps", "recommendation", "seed_need", "seed_order", "cautions"):
        assert served.client.get(f"api/export/{name}.csv").text == to_csv(getattr(plan, name)), name
    # The farm as a folder gives the same order again.
    import io
    import zipfile

    with zipfile.ZipFile(io.BytesIO(served.client.get("api/export/farm-folder.zip").content)) as packed:
        packed.extractall(tmp_path / "folder")
    assert to_csv(plan_farm(read_farm(tmp_path / "folder")).seed_order) == to_csv(plan.seed_order)


def _across(served: Served, block: str) -> list[list[float]]:
    feature = next(f for f in served.state()["blocks"]["features"] if f["id"] == block)
    west, south, east, north = shape(feature["geometry"]).bounds
    x = (west + east) / 2
    return [[x, south - 0.001], [x, north + 0.001]]


def test_choices_are_heeded_by_page_and_command_and_a_gate_stays_a_gate(serve: Serve, small: str) -> None:
    served = serve(small)
    served.planned()
    detail = served.client.get("api/gap", params={"id": "River 1/2"}).json()
    first, second = [c for c in detail["covers"] if c["dates"]][:2]
    unread = served.edit(kind="answer", gap="River 1/2", cover=second["cover"], given="choose")
    if second["cautions"]:
        assert unread.json()["key"] == "cautions_unread"
    late = second["dates"][-1]["sow"]
    done = served.edit(kind="answer", gap="River 1/2", cover=second["cover"], given="lock", sow_date=late,
                       cautions_read=True, read_by="A. Grower")  # fmt: skip
    assert done.status_code == 200
    assert done.json()["state"]["choices"][0]["read_by"] == "A. Grower"
    served.planned()
    path = next(served.farms.glob("*.gpkg"))
    plan = plan_farm(read_farm(path))
    need = plan.seed_need[plan.seed_need["gap_id"] == "River 1/2"]
    assert set(need["cover_id"]) == {second["cover"]}
    assert set(need["sow_date"].dt.strftime("%Y-%m-%d")) == {late}
    gap = next(g for g in served.client.get("api/plan").json()["gaps"] if g["id"] == "River 1/2")
    assert (gap["cover"], gap["sow"]) == (second["cover"], late)
    # Saying no to it brings the best of the others back.
    assert served.edit(kind="answer", gap="River 1/2", cover=second["cover"], given="no").status_code == 200
    served.planned()
    gap = next(g for g in served.client.get("api/plan").json()["gaps"] if g["id"] == "River 1/2")
    assert gap["cover"] == first["cover"]
    failed = detail["impossible"][0]["cover"]
    refused = served.edit(kind="answer", gap="River 1/2", cover=failed, given="choose", cautions_read=True)
    assert refused.json()["key"] == "not_possible"


def test_gaps_while_dragging_are_the_gaps_of_the_plan(sample_served: Served) -> None:
    crops = [
        {k: v for k, v in c.items() if k != "key"} for c in sample_served.state()["crops"] if c["block"] == "River 2"
    ]
    tried = sample_served.client.post("api/gaps", json={"block": "River 2", "crops": crops}).json()
    planned = [g for g in sample_served.client.get("api/plan").json()["gaps"] if g["block"] == "River 2"]
    assert tried["problem"] is None
    assert len(planned) >= 3
    for one, other in zip(tried["gaps"], planned, strict=True):
        assert one == {k: other[k] for k in one}


def test_an_outline_is_measured_and_faults_are_found(sample_served: Served) -> None:
    crossing = [[13.9, 48.5], [13.902, 48.5], [13.9, 48.502], [13.902, 48.502]]
    got = sample_served.client.post("api/outline", json={"rings": [crossing]}).json()
    assert [f["key"] for f in got["faults"]] == ["crosses_itself"]
    assert (got["faults"][0]["lon"], got["faults"][0]["lat"]) == pytest.approx((13.901, 48.501), abs=1e-6)
    pond = next(f for f in sample_served.state()["blocks"]["features"] if f["id"] == "Pond")
    got = sample_served.client.post("api/outline", json={"rings": pond["geometry"]["coordinates"]}).json()
    assert [f["other"] for f in got["faults"]] == ["Pond"]
    assert got["faults"][0]["area_m2"] == pytest.approx(pond["properties"]["area_m2"], rel=1e-4)
    itself = {"rings": pond["geometry"]["coordinates"], "block": "Pond"}
    assert sample_served.client.post("api/outline", json=itself).json()["faults"] == []


def test_files_are_brought_in_with_a_report(serve: Serve, tmp_path: Path) -> None:
    served = serve()
    assert served.client.post("api/farms", json={"kind": "new", "name": "Imported"}).status_code == 200

    def bring(kind: str, path: Path, **query: Any) -> httpx.Response:
        state = served.state()
        asked = {"farm": state["farm"], "version": state["version"], "name": path.name, **query}
        headers = {"content-type": "application/octet-stream"}
        return served.client.post(f"api/import/{kind}", params=asked, content=path.read_bytes(), headers=headers)

    blocks = bring("blocks", SAMPLE / "blocks.gpkg").json()
    assert blocks["report"][0]["what"] == "15 read, 15 used"
    crops = bring("crops", SAMPLE / "crop_calendar.csv").json()
    assert crops["report"][0]["what"] == "42 read, 42 used"
    assert bring("weather", SAMPLE / "weather.nc").status_code == 200
    soil = bring("soil", SAMPLE / "soil" / "clay.tif", property="clay", unit="percent")
    assert soil.status_code == 200, soil.text
    assert served.planned()["state"] == "done"
    sample = read_farm(SAMPLE)
    own = read_farm(next(served.farms.glob("*.gpkg")))
    clay = own.soil.set_index("block_id")["clay_fraction"]
    assert clay.to_dict() == pytest.approx(sample.soil.set_index("block_id")["clay_fraction"].to_dict())
    xr.testing.assert_allclose(own.weather, sample.weather, atol=1e-4)  # outlines are kept to a millimetre
    # A photo without a place asks for its corners, one with a place does not.
    plain = tmp_path / "photo.png"
    with rasterio.open(plain, "w", driver="PNG", width=20, height=10, count=3, dtype="uint8") as out:
        out.write(np.full((3, 10, 20), 120, "uint8"))
    assert bring("underlay", plain).json()["key"] == "underlay_corners"
    assert bring("underlay", plain, bounds="48.54,13.89,48.55,13.91").status_code == 200
    assert served.client.get("api/underlay.png").content.startswith(b"\x89PNG")
    placed = bring("underlay", SAMPLE / "soil" / "clay.tif").json()["state"]["settings"]["underlay"]["bounds"]
    assert placed[0][0] == pytest.approx(48.54, abs=0.01)
    bad = bring("weather", SAMPLE / "README.md")
    assert (bad.status_code, bad.json()["kind"]) == (422, "input")
    assert bring("blocks", plain).status_code == 422


# ---- the door --------------------------------------------------------------------------------------------


def test_nobody_gets_in_without_the_token_the_host_and_the_origin(sample_served: Served) -> None:
    base, token = sample_served.url.rstrip("/").rsplit("/", 1)
    state = sample_served.state()
    edit = {"farm": state["farm"], "version": state["version"], "edit": {"kind": "remove", "block": "Pond"}}
    own = {"x-greengap": "1"}

    def write(**headers: str) -> int:
        return httpx.post(f"{base}/{token}/api/edit", json=edit, headers=headers, timeout=30).status_code

    assert httpx.get(base + "/").status_code == 404
    assert httpx.get(base + "/api/state").status_code == 404
    assert httpx.get(f"{base}/{token[:-1]}x/api/state").status_code == 404
    assert httpx.get(f"{base}/{token}/api/state", headers={"host": "evil.example"}).status_code == 421
    assert httpx.get(f"{base}/{token}/api/state", headers={"host": "localhost"}).status_code == 421
    assert write() == 403  # a form cannot set the header
    assert write(**own, origin="http://evil.example") == 403
    assert write(**own, origin="null") == 403
    assert write(**own, **{"sec-fetch-site": "cross-site"}) == 403
    assert httpx.options(f"{base}/{token}/api/edit", headers={"origin": "http://evil.example"}).status_code == 403
    assert "Pond" in {f["id"] for f in sample_served.state()["blocks"]["features"]}
    assert len(token) >= 24


def test_answers_carry_a_strict_policy_and_no_cookie(sample_served: Served) -> None:
    for path in ("", "api/state", "static/main.js", "lib/leaflet.js", "nowhere"):
        headers = sample_served.client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert "set-cookie" not in headers
        assert "access-control-allow-origin" not in headers


@pytest.mark.parametrize(
    "path",
    ["static/../app.py", "static/%2e%2e/app.py", "static/..%2fapp.py", "static//etc/passwd", "lib/../app.py",
     "api/export/../../etc/passwd", "api/export/..%2f..%2fetc%2fpasswd", "api/export/%2fetc%2fpasswd",
     "static/words/..%2f..%2fapp.py"],
)  # fmt: skip
def test_no_path_from_outside_reaches_the_disk(sample_served: Served, path: str) -> None:
    import http.client

    address = httpx.URL(sample_served.url)
    raw = http.client.HTTPConnection(address.host, address.port, timeout=30)
    raw.request("GET", address.path + path)  # as it is: a client would tidy it up
    answer = raw.getresponse()
    body = answer.read()
    assert answer.status in (404, 422)
    assert b"root:" not in body
    assert b"import" not in body


def test_a_file_name_from_outside_is_only_shown(serve: Serve) -> None:
    served = serve()
    served.client.post("api/farms", json={"kind": "new", "name": "../../outside"})
    assert [p.name for p in served.farms.iterdir() if p.suffix == ".gpkg"] == ["outside.gpkg"]
    state = served.state()
    asked = {"farm": state["farm"], "version": state["version"], "name": "../../../evil.gpkg"}
    answer = served.client.post("api/import/blocks", params=asked, content=(SAMPLE / "blocks.gpkg").read_bytes())
    assert answer.status_code == 200
    assert not list(served.farms.parent.rglob("evil*"))
    assert served.client.post("api/farms", json={"kind": "file", "name": "../../etc/passwd"}).status_code == 404


def test_too_much_is_refused_before_it_is_read(sample_served: Served) -> None:
    much = {"farm": "x", "version": 0, "edit": {"kind": "settings", "values": {"note": "x" * 1_100_000}}}
    assert sample_served.client.post("api/edit", json=much).status_code == 413

    def endless() -> Any:
        for _ in range(40):
            yield b"x" * 50_000  # no length is declared

    answer = sample_served.client.post("api/outline", content=endless(), headers={"content-type": "application/json"})
    assert answer.status_code == 413


def test_only_this_computer_is_answered_unless_lan_is_asked_for(sample_served: Served) -> None:
    import socket

    port = httpx.URL(sample_served.url).port or 0
    socket.create_connection(("127.0.0.1", port), timeout=5).close()
    with pytest.raises(OSError, match="refused"):  # any other address of this computer, as one on a network would be
        socket.create_connection(("127.0.0.2", port), timeout=5)


def test_lan_says_what_it_lays_open() -> None:
    from greengap.web.serve import Address
    from greengap.web.welcome import welcome

    said = "\n".join(welcome(Address("http://127.0.0.1:1/t/", "http://192.0.2.7:1/t/")))
    assert "http://192.0.2.7:1/t/" in said
    assert "can see and change the farm" in said
    assert "Nothing is encrypted" in said
    assert "\u2580" in said or "\u2584" in said or "\x1b[" in said  # the QR code


# ---- anything at all ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def app_of_sample(tmp_path_factory: pytest.TempPathFactory, sample_file: Path) -> Any:
    farms = tmp_path_factory.mktemp("any")
    shutil.copy(sample_file, farms / "sample.gpkg")
    house = House(farms)
    house.take(FarmStore(farms / "sample.gpkg"))
    yield make_app(house), house
    house.close()


def test_no_request_breaks_the_api(app_of_sample: Any) -> None:
    """schemathesis makes requests from the OpenAPI description, right and wrong ones; none may end in a 5xx."""
    import schemathesis
    from hypothesis import HealthCheck, Phase, given, settings
    from schemathesis.checks import not_a_server_error

    app, house = app_of_sample
    schema = schemathesis.openapi.from_asgi("/api/openapi.json", app)
    seen: dict[int, int] = {}
    operations = 0
    for found in schema.get_all_operations():
        operation = found.ok()
        if operation.path in ("/api/farms", "/api/farms/close"):
            continue  # these put another farm in place of the one that is tested
        operations += 1

        def one(case: Any) -> None:
            for asked in (case.body, case.query):  # for the farm that is open, so that edits are really tried
                if isinstance(asked, dict) and "farm" in asked and "version" in asked:
                    asked |= {"farm": house.farm_id, "version": house.open().version}
            answer = case.call()
            case.validate_response(answer, checks=[not_a_server_error])
            seen[answer.status_code] = seen.get(answer.status_code, 0) + 1

        slow = operation.path in ("/api/export/{name}", "/api/why", "/api/gap")
        examples = settings(
            max_examples=6 if slow else 150 if operation.path == "/api/edit" else 25,
            deadline=None, database=None, derandomize=True, phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        examples(given(case=operation.as_strategy())(one))()
    assert operations >= 18
    assert seen.get(200, 0) > 20
    assert sum(seen.values()) > 250
    assert not any(status >= 500 for status in seen)


def test_the_guard_turns_a_websocket_away() -> None:
    async def app(*_: Any) -> None:
        raise AssertionError("let in")

    answer = Guard(app, "t", ["h"])({"type": "websocket", "path": "/t/"}, None, None)  # type: ignore[arg-type]
    with pytest.raises(StopIteration):  # it ends at once, without a word
        answer.send(None)


def test_history_is_readable_in_words(serve: Serve, small: str) -> None:
    served = serve(small)
    served.edit(kind="rename", block="Pond", name="Pool")
    served.edit(kind="cut_out", block="Pool", ring=[[0, 0], [1, 0], [1, 1]])
    state = served.state()
    words = json.loads(
        (Path(__file__).parents[2] / "src/greengap/web/static/words/en.json").read_text(encoding="utf-8")
    )
    assert [e["words"] for e in state["history"]] == [["did_rename", {"block": "Pond", "name": "Pool"}]]
    assert words["did_rename"] == "renamed {block} to {name}"


def test_every_file_that_the_commands_write_is_offered_and_the_same(
    sample_served: Served, sample_file: Path, tmp_path: Path
) -> None:
    import subprocess
    import sys

    sample_served.planned()
    offered = {f["name"]: f for f in sample_served.client.get("api/exports").json()["files"]}
    assert all(f["words"] and f["group"] for f in offered.values())
    farm = next(sample_served.farms.glob("*.gpkg"))
    for command, more in (("plan", []), ("order", []), ("export", ["--for", "task-data-4", "--for", "calendar"])):
        out = tmp_path / command
        arguments = [sys.executable, "-m", "greengap.cli", command, str(farm), *more, "--out", str(out)]
        subprocess.run(arguments, check=False, capture_output=True)
        if command == "export":
            break
        names = {path.name for path in out.iterdir()}
        assert names <= offered.keys()
        if command == "order":
            names = {name for name in names if not name.endswith(".csv")}  # the plan has tables of the same names
        for name in sorted(names):
            assert sample_served.client.get(f"api/export/{name}").content == (out / name).read_bytes(), name
    import io
    import zipfile

    written = {path.relative_to(out).as_posix(): path.read_bytes() for path in out.rglob("*") if path.is_file()}
    assert len(written) >= 2
    for profile in ("task-data-4", "calendar"):
        content = sample_served.client.get(f"api/export/{profile}.zip").content
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            for name in packed.namelist():
                assert packed.read(name) == written.pop(name), name
    assert not written
    with zipfile.ZipFile(io.BytesIO(sample_served.client.get("api/export/everything.zip").content)) as packed:
        inside = set(packed.namelist())
    assert {"map.html", "plan.geojson", "seed_order.pdf", "seed_order.csv", "clocks.csv"} <= inside
    assert inside <= offered.keys()


def test_a_new_writer_is_offered_without_any_other_change(
    sample_served: Served, app_of_sample: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from fastapi.testclient import TestClient

    from greengap.web import exports, file_routes

    def two(_: Any, plan: Any, folder: Path) -> list[Path]:
        for name in ("a.txt", "b.txt"):
            (folder / name).write_text(plan.settings.name)
        return [folder / "a.txt", folder / "b.txt"]

    known = exports.writers()
    more = exports.Writer((), "for a terminal", "machine", two, archive="terminal.zip")
    for module in (exports, file_routes):
        monkeypatch.setattr(module, "writers", lambda: (*known, more))
    app, house = app_of_sample
    until = time.monotonic() + 120
    while house.open().planner.progress.state != "done" and time.monotonic() < until:
        time.sleep(0.1)
    client = TestClient(app)
    assert {"name": "terminal.zip", "words": "for a terminal", "group": "machine"} in client.get("/api/exports").json()[
        "files"
    ]
    import io
    import zipfile

    with zipfile.ZipFile(io.BytesIO(client.get("/api/export/terminal.zip").content)) as packed:
        assert packed.namelist() == ["a.txt", "b.txt"]
        assert packed.read("a.txt").decode() == house.open().settings.name


def test_aims_that_pull_apart_are_named_with_what_each_costs(sample_served: Served) -> None:
    from greengap.web.views import aims_apart

    plan = plan_farm(read_farm(SAMPLE))
    found = {gap: aims_apart(plan, gap) for gap in plan.gaps["gap_id"]}
    wanted = plan.settings.wanted_odds
    odds = plan.purpose_odds.merge(plan.options[["option_id", "gap_id", "cover_id", "sow_date"]], on="option_id")
    assert any(found.values())
    for gap, pairs in found.items():
        for pair in pairs:
            one, other = pair["first"], pair["second"]
            assert one["met"] >= wanted * one["years"] > one["other_met"]
            assert other["met"] >= wanted * other["years"] > other["other_met"]
            own = odds[odds["gap_id"] == gap].assign(keeps=lambda t: t["met_years"] >= wanted * t["years"])
            both = own[own["aim"].isin([one["aim"], other["aim"]])].groupby("option_id")["keeps"].all()
            eligible = plan.recommendation[(plan.recommendation["gap_id"] == gap) & plan.recommendation["eligible"]]
            options = own[own["cover_id"].isin(eligible["cover_id"])]["option_id"]
            assert not both[both.index.isin(options)].any()
    told = sample_served.client.get("api/gap", params={"id": "River 2/2"}).json()
    assert told["apart"] == found["River 2/2"]


def test_the_growers_word_and_the_sown_share_change_the_plan_and_go_with_a_rename(serve: Serve, small: str) -> None:
    served = serve(small)
    served.planned()
    before = {f["id"]: f["properties"] for f in served.state()["blocks"]["features"]}
    word = {"Pond": {"ponds": True, "reason": "stood under water in 2021"}}
    assert served.edit(kind="settings", values={"growers_word": word}).status_code == 200
    nothing = served.edit(kind="settings", values={"growers_word": {"Pond": {"ponds": True}}})
    assert nothing.json()["kind"] == "input"
    assert "reason" in nothing.json()["sentence"]
    assert served.edit(kind="sown_share", block="Pond", share=0.6).status_code == 200
    assert served.edit(kind="rename", block="Pond", name="Pool").status_code == 200
    served.planned()
    path = next(served.farms.glob("*.gpkg"))
    farm = read_farm(path)
    assert farm.settings.growers_word["Pool"].reason == "stood under water in 2021"
    row = farm.blocks.set_index("block_id").loc["Pool"]
    assert row["area_sown_m2"] == pytest.approx(0.6 * before["Pond"]["area_m2"], rel=1e-6)
    need = served.client.get("api/export/seed_need.csv").text.splitlines()
    assert any(line.split(",")[1] == "Pool" for line in need[1:])
    served.planned()
    assert served.client.get("api/site").json()["soil"]
    split = served.edit(kind="split", block="Pool", line=_across(served, "Pool"))
    assert split.status_code == 200
    shares = {f["id"]: f["properties"]["sown_share"] for f in split.json()["state"]["blocks"]["features"]}
    assert [v for k, v in shares.items() if k.startswith("Pool")] == pytest.approx([0.6, 0.6])
    assert "Pool" not in split.json()["state"]["settings"]["growers_word"]
