"""The docs say what the program does: generated pages are current, links lead somewhere, examples run."""

from __future__ import annotations

import ast
import importlib.util
import inspect
import re
import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from greengap import cli
from greengap.farm import settings
from greengap.farm.settings import AIM_QUANTITIES, EQUIPMENT, PURPOSES, SOIL_PROPERTIES

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
SAMPLE = ROOT / "sample_fields"
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def files(pattern: str = "*") -> Iterator[Path]:
    """Files of the project, without what tools and builds leave behind."""
    left_behind = {"__pycache__", "build", "dist", "greengap-plan"}
    for path in sorted(ROOT.rglob(pattern)):
        folders = path.relative_to(ROOT).parts[:-1]
        hidden = any(f in left_behind or f.endswith(".egg-info") or (f[0] == "." and f != ".ci") for f in folders)
        inside_venv = any((ROOT.joinpath(*folders[: n + 1]) / "pyvenv.cfg").exists() for n in range(len(folders)))
        if path.is_file() and path.name != ".git" and not hidden and not inside_venv:  # a file in a work tree
            yield path


def shown(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


PAGES = list(files("*.md"))


# -- generated pages -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def generator() -> ModuleType:
    spec = importlib.util.spec_from_file_location("docs_generate", DOCS / "generate.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("page", ["tables.md", "commands.md", "catalogue.md"])
def test_a_generated_page_is_what_the_program_gives(page, generator):
    made = generator.PAGES[page]()
    assert (DOCS / page).read_text(encoding="utf-8") == made, "run python docs/generate.py"


def test_every_generated_page_is_compared(generator):
    assert set(generator.PAGES) == {"tables.md", "commands.md", "catalogue.md"}


# -- settings --------------------------------------------------------------------------------------


def keys_that_are_read() -> set[str]:
    """Keys that the reader of farm.toml asks for: text constants in the calls that take a key."""
    methods, functions = {"get", "table", "names"}, {"_days", "_fraction", "_path", "_existing", "_measure"}
    found = set()
    for call in ast.walk(ast.parse(inspect.getsource(settings))):
        if not isinstance(call, ast.Call):
            continue
        if isinstance(call.func, ast.Attribute) and call.func.attr in methods:
            taken = call.args[:1]
        elif isinstance(call.func, ast.Name) and call.func.id in functions:
            taken = call.args[1:]
        else:
            continue
        keys = [a.value for a in taken if isinstance(a, ast.Constant) and isinstance(a.value, str)]
        found.update(keys[:1])  # what follows a key is its default
    return found


def keys_of(table: dict[str, Any], named_by_farm: frozenset[str]) -> Iterator[str]:
    """Keys of nested tables; below tables that the farm names itself only the next level."""
    for key, value in table.items():
        yield key
        if isinstance(value, dict):
            inner = value.values() if key in named_by_farm else [value]
            for one in inner:
                if isinstance(one, dict):
                    yield from keys_of(one, named_by_farm)


def described(key: str) -> bool:
    return (
        re.search(rf"(?<![\w-]){re.escape(key)}(?![\w-])", (DOCS / "inputs.md").read_text(encoding="utf-8")) is not None
    )


def test_every_setting_that_is_read_is_described():
    keys = keys_that_are_read()
    assert {"wanted_odds", "crs", "elevation_m", "hard_seed_fraction", "within_d"} <= keys  # the search finds keys
    assert sorted(key for key in keys if not described(key)) == []


@pytest.mark.parametrize("names", [PURPOSES, AIM_QUANTITIES, EQUIPMENT, SOIL_PROPERTIES], ids=lambda n: next(iter(n)))
def test_every_name_that_a_setting_may_take_is_described(names):
    assert [name for name in names if not described(name)] == []


@pytest.mark.parametrize(
    "key", ["transplanted_d", "seeded_d", "planted_d", "lat", "lon", "polygons", "components", "horizons"]
)
def test_a_key_that_is_read_in_a_loop_is_described(key):
    assert described(key)


def test_every_key_of_the_sample_farm_is_described():
    sample = tomllib.loads((SAMPLE / "farm.toml").read_text(encoding="utf-8"))
    named_by_farm = frozenset({"seed_lots", "cold_offset_degc", "diseases", "classes"})
    assert sorted({key for key in keys_of(sample, named_by_farm) if not described(key)}) == []


# -- links and commands ----------------------------------------------------------------------------


def anchors(page: Path) -> set[str]:
    """Anchors of the headings of a page, as the usual renderers make them."""
    text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
    headings = re.findall(r"^#+ (.+)$", text, flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def test_the_pages_are_found():
    assert {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "docs/README.md"} <= {shown(page) for page in PAGES}


@pytest.mark.parametrize("page", PAGES, ids=shown)
def test_every_relative_link_leads_to_a_file(page):
    broken = []
    for link in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        if re.match(r"[a-z]+:", link):
            continue
        name, _, anchor = link.partition("#")
        target = (page.parent / name).resolve() if name else page
        if not target.exists() or (anchor and anchor not in anchors(target)):
            broken.append(link)
    assert broken == []


def test_links_of_the_notebooks_lead_to_files():
    nbformat = pytest.importorskip("nbformat")
    for path in NOTEBOOKS:
        text = "\n".join(c.source for c in nbformat.read(path, 4).cells if c.cell_type == "markdown")
        for link in re.findall(r"\]\(([^)\s]+)\)", text):
            name, _, anchor = link.partition("#")
            target = (path.parent / name).resolve()
            assert target.exists(), link
            assert not anchor or anchor in anchors(target), link


def command_names() -> list[str]:
    return list(typer.main.get_command(cli.app).commands)  # type: ignore[attr-defined]


@pytest.mark.parametrize("command", command_names())
def test_every_command_is_named_in_the_readme(command):
    assert re.search(rf"greengap {command}\b", (ROOT / "README.md").read_text(encoding="utf-8"))


def test_no_page_names_a_command_that_does_not_exist():
    known = set(command_names())
    for page in PAGES:
        used = re.findall(r"(?:`|\$ |^)greengap ([a-z]+)", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
        assert set(used) <= known, shown(page)


# -- the lesson ------------------------------------------------------------------------------------


def lesson_blocks() -> list[tuple[str, list[str]]]:
    """Commands of the first plan with the output that is printed below each."""
    text = (DOCS / "first_plan.md").read_text(encoding="utf-8")
    blocks = []
    for block in re.findall(r"^```console\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL):
        command, *lines = block.splitlines()
        blocks.append((command.removeprefix("$ greengap "), lines))
    return blocks


def is_shown(line: str, said: list[str]) -> bool:
    """True if the line was printed; one that ends in dots may go on."""
    return any(out.startswith(line.removesuffix(" ...")) if line.endswith(" ...") else out == line for out in said)


@pytest.fixture(scope="module")
def lesson_farms(tmp_path_factory) -> Path:
    """The folder that the lesson works in: the sample farm, its copy with the lesson's change, one with a slip."""
    folder = tmp_path_factory.mktemp("lesson")
    text = (SAMPLE / "farm.toml").read_text(encoding="utf-8")
    (change,) = re.findall(r"^```toml\n(.*?)\n```", (DOCS / "first_plan.md").read_text(encoding="utf-8"), re.M | re.S)
    table = change.splitlines()[0]
    before = re.search(rf"^{re.escape(table)}\nweight = \d+$", text, flags=re.MULTILINE)
    assert before is not None
    changed = {"my_farm": change, "my_farm_with_a_slip": change.replace("weight", "wieght")}
    for name in ("sample_fields", *changed):
        shutil.copytree(SAMPLE, folder / name)
    for name, words in changed.items():
        (folder / name / "farm.toml").write_text(text.replace(before.group(), words), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def planned(sample_farm, sample_plan):
    """Plans by farm name, each made once; the program itself makes those that are not there yet."""
    return {sample_farm.settings.folder.name: sample_plan}


@pytest.mark.parametrize("number", range(len(lesson_blocks())))
def test_the_lesson_prints_what_the_program_prints(number, lesson_farms, planned, monkeypatch):
    from greengap.plan import plan_farm

    def plan_once(read):
        name = read.settings.folder.name
        if name not in planned:
            planned[name] = plan_farm(read)
        return planned[name]

    monkeypatch.chdir(lesson_farms)
    monkeypatch.setattr(cli, "_planned", plan_once)
    words, lines = lesson_blocks()[number]
    arguments = [part.strip('"') for part in re.findall(r'"[^"]*"|\S+', words)]
    result = CliRunner().invoke(cli.app, arguments)
    if result.exception and hasattr(result.exception, "sentence"):
        said = [f"greengap: {result.exception.sentence}"]
    else:
        assert result.exit_code == 0, result.output
        said = [line.rstrip() for line in result.stdout.splitlines()]
    assert [line for line in lines if line != "..." and not is_shown(line, said)] == []


def test_the_readme_prints_what_the_plan_says(sample_plan):
    from greengap.output.summary import summary

    shown_there = re.search(
        r"It prints \(shortened\):\n```\n(.*?)\n```", (ROOT / "README.md").read_text(encoding="utf-8"), re.S
    )
    assert shown_there is not None
    said = [line.rstrip() for line in summary(sample_plan)]
    assert [line for line in shown_there[1].splitlines() if line != "..." and line not in said] == []


# -- notebooks -------------------------------------------------------------------------------------


def test_there_are_notebooks():
    assert len(NOTEBOOKS) >= 2


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_is_stored_without_outputs(path):
    nbformat = pytest.importorskip("nbformat")
    code = [cell for cell in nbformat.read(path, 4).cells if cell.cell_type == "code"]
    assert code
    assert all(cell.outputs == [] and cell.execution_count is None for cell in code)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_uses_the_public_names_only(path):
    nbformat = pytest.importorskip("nbformat")
    code = "\n".join(cell.source for cell in nbformat.read(path, 4).cells if cell.cell_type == "code")
    imported = re.findall(r"^(?:from|import) (greengap\S*)", code, flags=re.MULTILINE)
    assert imported
    assert set(imported) == {"greengap"}


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_runs_from_a_clean_kernel(path):
    nbformat, nbclient = pytest.importorskip("nbformat"), pytest.importorskip("nbclient")
    pytest.importorskip("ipykernel")
    notebook = nbformat.read(path, 4)
    where = {"metadata": {"path": str(path.parent)}}
    nbclient.NotebookClient(notebook, timeout=600, kernel_name="python3", resources=where).execute()


# -- the whole project -----------------------------------------------------------------------------


def test_no_file_names_a_place_on_one_machine_or_a_package_index():
    # Written in pieces, so that this file does not name them either.
    folders = rb"(?<![\w.\-])/(?:" + b"|".join([b"work", b"opt", b"root"]) + rb")/"
    hosts = b"|".join(
        [rb"py" + rb"pi\.org", rb"python" + rb"hosted\.org", rb"npm" + rb"js\.(?:org|com)", rb"anaconda" + rb"\.org"]
    )
    private = (
        rb"\b(?:art"
        + rb"ifactory|nexus|dev"
        + rb"pi|reg"
        + rb"istry|mir"
        + rb"ror|pro"
        + rb"xy)[\w\-]*(?:\.[a-z][\w\-]*)+(?::\d+)?/"
    )
    wrong = re.compile(b"|".join([folders, hosts, private]))
    found = [f"{shown(path)}: {hit.group()!r}" for path in files() if (hit := wrong.search(path.read_bytes()))]
    assert found == []
