"""ISO 11783-10 task data (ISOXML): what a file holds, and a careful reader of versions 3 and 4.

Strict in what is safe to open, lenient in how rings are drawn. Names of elements and attributes are those of the
published schemas V3.3 (2013-03-25) and V4.3 (2018-06-04); identifiers of process data (DDI) are those of the data
dictionary of ISO 11783-11.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree import ElementTree

import shapely
from shapely.geometry import LinearRing, MultiPolygon, Polygon

from greengap.errors import InputProblem
from greengap.safe_files import check_size, check_xml, unpack_zip

MAIN_FILE, LINK_FILE = "TASKDATA.XML", "LINKLIST.XML"
MOST_BYTES = 100_000_000
MOST_CORNERS = 100_000  # of one outline
# Setpoints of ISO 11783-11 that are used here; units are those of the raw whole numbers.
MASS_RATE = "0006"  # mg/m2
COUNT_RATE = "000B"  # 0.001/m2
DEPTH = "0038"  # mm, seeding depth, positive downwards
MASS = "004B"  # g, content of a bin
OFFICE_ID = re.compile(r"[A-Z]{3}[0-9]{1,10}")
EXTERNAL = re.compile(r"[A-Z]{3}[0-9]{5}")
REMEDY = "Export it again from the terminal or the program that it came from"


@dataclass(frozen=True)
class Value:
    """A process value: identifier, raw whole number, and what it is for."""

    ddi: str
    number: int
    product: str = ""
    element: str = ""


@dataclass(frozen=True)
class Zone:
    """A treatment zone; without an outline it holds wherever no other does."""

    code: int
    values: tuple[Value, ...]
    name: str = ""
    outlines: tuple[Polygon, ...] = ()


@dataclass(frozen=True)
class Guidance:
    """An A-B line, longitude first [°], with its swath width [mm]."""

    name: str
    a: tuple[float, float]
    b: tuple[float, float]
    width_mm: int
    heading_deg: float | None = None
    swaths_left: int = 0
    swaths_right: int = 0
    uid: str = ""


@dataclass(frozen=True)
class Partfield:
    """A field or a part of one; the area is the one that the file states [m2]."""

    key: str
    name: str
    area_m2: int
    outline: Polygon | MultiPolygon | None
    code: str = ""
    parent: str = ""
    guidance: tuple[Guidance, ...] = ()
    uid: str = ""


@dataclass(frozen=True)
class Product:
    """A product; a mix has the grams of each part in its batch."""

    key: str
    name: str
    parts: dict[str, int] = field(default_factory=dict)
    batch_g: int = 0
    thousand_seed_mg: int = 0
    uid: str = ""
    species: str = ""  # of the catalogue; known when it is written


@dataclass(frozen=True)
class Task:
    """A task: field, planned days (ISO texts), zones, and what is loaded [g] by product."""

    key: str
    name: str
    partfield: str
    start: str
    stop: str
    zones: tuple[Zone, ...]
    default_zone: int | None = None
    lost_zone: int | None = None
    outside_zone: int | None = None
    load_g: dict[str, int] = field(default_factory=dict)
    status: int = 1
    technique: str = ""
    uid: str = ""
    load_share: float = 1.0  # of the seed that is loaded over rate times area; known when it is written


@dataclass(frozen=True)
class TaskData:
    """What a set of task data holds.

    Attributes
    ----------
    devices : tuple of Element
        Device descriptions, unchanged, as the terminal wrote them.
    links : dict of str to str
        Permanent identifiers by the id inside the file.
    notes : tuple of str
        What was odd, in words.
    """

    version: int
    customer: str
    farm: str
    partfields: tuple[Partfield, ...]
    products: tuple[Product, ...]
    tasks: tuple[Task, ...]
    devices: tuple[ElementTree.Element, ...] = ()
    links: dict[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


# --- reading -----------------------------------------------------------------------------------


def read_task_data(path: Path, shown: str) -> TaskData:
    """Read a folder, a zip or a main file of task data.

    Parameters
    ----------
    path : Path
    shown : str
        Name as the user knows it.

    Returns
    -------
    TaskData

    Raises
    ------
    InputProblem
        If it is not there, not safe to open, or holds no task data.
    """
    if not path.exists():
        raise InputProblem(shown, "", "there is no such file or folder", "Correct its name")
    with tempfile.TemporaryDirectory() as own:
        folder = path
        if path.is_file():
            check_size(path, shown, MOST_BYTES)
            with path.open("rb") as file:
                packed = file.read(4) == b"PK\x03\x04"
            if packed:
                folder = Path(own)
                unpack_zip(path, shown, folder, REMEDY)
            else:
                return _read(path, shown)
        found = [p for p in sorted(folder.rglob("*")) if p.name.upper() == MAIN_FILE and not p.name.startswith("._")]
        found = [p for p in found if p.is_file() and not p.is_symlink()]
        if len(found) != 1:
            raise InputProblem(shown, "", f"holds {len(found) or 'no'} {MAIN_FILE}", "Give the folder TASKDATA")
        return _read(found[0], shown)


def _root(path: Path, shown: str) -> ElementTree.Element:
    """The root of an XML file that is safe to hold in memory."""
    from defusedxml.ElementTree import iterparse

    check_size(path, shown, MOST_BYTES)
    corners, root = 0, None
    try:
        for event, element in iterparse(path, events=("start", "end"), forbid_dtd=True):
            if event == "start":
                root = element if root is None else root
                corners = corners + 1 if element.tag == "PNT" else corners
            elif element.tag in ("PLN", "LSG"):
                corners = 0 if element.tag == "PLN" else corners
            if corners > MOST_CORNERS:
                what = f"holds an outline of more than {MOST_CORNERS:,} corners"
                raise InputProblem(shown, "", what, "Simplify it in a GIS")
    except InputProblem:
        raise
    except Exception as error:  # of expat or of defusedxml, each its own
        check_xml(path, shown)  # says it in words
        raise InputProblem(shown, "", f"is not well-formed XML ({error})", REMEDY) from None
    if root is None:
        raise InputProblem(shown, "", "is empty", REMEDY)
    return root


def _read(path: Path, shown: str) -> TaskData:
    check_xml(path, shown)
    root = _root(path, shown)
    if root.tag != "ISO11783_TaskData":
        raise InputProblem(shown, "", f"is not task data: its root is {root.tag[:40]!r}", "Give TASKDATA.XML")
    version = _int(root.get("VersionMajor"), 0)
    if version not in (3, 4):
        what = f"is task data of version {root.get('VersionMajor', '')[:8]!r}; 3 and 4 can be read"
        raise InputProblem(shown, "", what, "Set the terminal to version 3 or 4")
    notes: list[str] = []
    top = list(root)
    for element in root.findall("XFR"):
        top += _external(path.parent, element.get("A", ""), shown, notes)
    links = _links(path.parent, shown)
    seen: set[str] = set()
    for element in top:
        key = element.get("A", "")
        if key in seen and element.tag != "XFR":
            notes.append(f"{element.tag} {key} stands twice")
        seen.add(key)
    return TaskData(
        version,
        next((e.get("B", "") for e in top if e.tag == "CTR"), ""),
        next((e.get("B", "") for e in top if e.tag == "FRM"), ""),
        tuple(_partfield(e, links, notes) for e in top if e.tag == "PFD"),
        tuple(_product(e, links) for e in top if e.tag == "PDT"),
        tuple(_task(e, links, notes) for e in top if e.tag == "TSK"),
        tuple(deepcopy(e) for e in top if e.tag == "DVC"),
        links,
        tuple(notes),
    )


def _external(folder: Path, name: str, shown: str, notes: list[str]) -> list[ElementTree.Element]:
    """Elements of a file that the main file points to; only names of the standard's own form are followed."""
    if not EXTERNAL.fullmatch(name):
        raise InputProblem(shown, "XFR", f"points to a file with an unsafe name, {name[:60]!r}", REMEDY)
    found = [p for p in sorted(folder.iterdir()) if p.name.upper() == f"{name}.XML" and not p.is_symlink()]
    if not found:
        notes.append(f"{name}.XML is not there")
        return []
    check_xml(found[0], f"{shown}, {name}.XML")
    return list(_root(found[0], f"{shown}, {name}.XML"))


def _links(folder: Path, shown: str) -> dict[str, str]:
    found = [p for p in sorted(folder.iterdir()) if p.name.upper() == LINK_FILE and not p.is_symlink()]
    if not found:
        return {}
    check_xml(found[0], f"{shown}, {LINK_FILE}")
    root = _root(found[0], f"{shown}, {LINK_FILE}")
    return {lnk.get("A", ""): lnk.get("B", "") for lgp in root.findall("LGP") for lnk in lgp.findall("LNK")}


def _int(text: str | None, default: int) -> int:
    try:
        return int(text or "")
    except ValueError:
        return default


def _float(text: str | None) -> float:
    try:
        return float(text or "")
    except ValueError:
        return float("nan")


def _points(line: ElementTree.Element) -> list[tuple[float, float]]:
    """Corners, longitude first; points without a place are left out."""
    found = [(_float(p.get("D")), _float(p.get("C"))) for p in line.findall("PNT")]
    return [(lon, lat) for lon, lat in found if abs(lon) <= 180 and abs(lat) <= 90]


def _polygons(element: ElementTree.Element, kinds: tuple[str, ...], notes: list[str]) -> Iterator[Polygon]:
    """Polygons of an element: shells with the holes that lie in them; rings need not be closed or wound."""
    for pln in element.findall("PLN"):
        if pln.get("A") not in kinds:
            continue
        rings = [(lsg.get("A"), _points(lsg)) for lsg in pln.findall("LSG")]
        rings = [(kind, points) for kind, points in rings if len(set(points)) >= 3]
        shells = [Polygon(points) for kind, points in rings if kind == "1"]
        if not shells:
            shells = [Polygon(points) for kind, points in rings if kind not in ("2", "5")]
        holes = [LinearRing(points) for kind, points in rings if kind == "2"]
        for shell in shells:
            within = [h for h in holes if shell.covers(shapely.Point(h.coords[0]))]
            made = Polygon(shell.exterior.coords, [h.coords for h in within])
            if not made.is_valid:
                notes.append(f"an outline of {element.get('C') or element.get('A')} crosses itself")
            yield made


def _partfield(element: ElementTree.Element, links: dict[str, str], notes: list[str]) -> Partfield:
    parts = list(_polygons(element, ("1",), notes))
    outline = parts[0] if len(parts) == 1 else MultiPolygon(parts) if parts else None
    key = element.get("A", "")
    return Partfield(
        key, element.get("C", ""), _int(element.get("D"), 0), outline, element.get("B", ""), element.get("I", ""),
        tuple(_guidance(element)), links.get(key, ""),
    )  # fmt: skip


def _guidance(element: ElementTree.Element) -> Iterator[Guidance]:
    """A-B lines: patterns of version 4, and plain guidance lines of version 3."""
    for gpn in element.findall("GGP/GPN"):
        line = gpn.find("LSG")
        points = [] if line is None else _points(line)
        if gpn.get("C") == "1" and line is not None and len(points) >= 2:
            heading = _float(gpn.get("G")) if gpn.get("G") else None
            sides = (_int(gpn.get("N"), 0), _int(gpn.get("O"), 0))
            yield Guidance(gpn.get("B", ""), points[0], points[-1], _int(line.get("C"), 0), heading, *sides)
    for line in element.findall("LSG"):
        points = _points(line)
        if line.get("A") == "5" and len(points) >= 2:
            yield Guidance(line.get("B", ""), points[0], points[-1], _int(line.get("C"), 0))


def _product(element: ElementTree.Element, links: dict[str, str]) -> Product:
    key = element.get("A", "")
    parts = {p.get("A", ""): _int(p.get("B"), 0) for p in element.findall("PRN")}
    return Product(
        key, element.get("B", ""), parts, _int(element.get("G"), 0), _int(element.get("I"), 0), links.get(key, "")
    )


def _task(element: ElementTree.Element, links: dict[str, str], notes: list[str]) -> Task:
    key = element.get("A", "")
    planned = next((t for t in element.findall("TIM") if t.get("D") == "1"), None)
    zones = tuple(
        Zone(
            _int(zone.get("A"), -1),
            tuple(
                Value(v.get("A", "").upper(), _int(v.get("B"), 0), v.get("C", ""), v.get("D", ""))
                for v in zone.findall("PDV")
            ),
            zone.get("B", ""),
            tuple(_polygons(zone, ("1", "2"), notes)),
        )
        for zone in element.findall("TZN")
    )
    default, lost, outside = (_int(text, -1) if (text := element.get(c)) is not None else None for c in "HIJ")
    load = {p.get("A", ""): _int(p.get("C"), 0) for p in element.findall("PAN") if (p.get("B") or "").upper() == MASS}
    start, stop = ("", "") if planned is None else (planned.get("A", ""), planned.get("B", ""))
    status = _int(element.get("G"), 0)
    return Task(
        key, element.get("B", ""), element.get("E", ""), start, stop, zones, default, lost, outside, load, status,
        uid=links.get(key, ""),
    )  # fmt: skip


# --- what has to hold --------------------------------------------------------------------------


def faults(data: TaskData) -> list[str]:
    """What the schema cannot see: references, codes, signatures, names, ground outside the boundary.

    Parameters
    ----------
    data : TaskData

    Returns
    -------
    list of str
        In words; empty if all holds.
    """
    found = list(data.notes)
    fields = {p.key: p for p in data.partfields}
    products = {p.key for p in data.products}
    for kind, names in (("field", [p.name for p in data.partfields]), ("task", [t.name for t in data.tasks])):
        found += [f"{kind} name {n!r} is longer than 32" for n in names if len(n) > 32]
        found += [f"{kind} name {n!r} stands twice" for n in sorted({n for n in names if names.count(n) > 1})]
    found += [f"product {p.key} has a part that is not there" for p in data.products if set(p.parts) - products]
    keys = [p.key for p in data.partfields] + [p.key for p in data.products] + [t.key for t in data.tasks]
    found += [f"id {k!r} is not one that office software gives" for k in keys if not OFFICE_ID.fullmatch(k)]
    for task in data.tasks:
        where = f"task {task.name!r}"
        if task.partfield not in fields:
            found.append(f"{where}: its field {task.partfield!r} is not there")
        codes = [z.code for z in task.zones]
        if len(set(codes)) != len(codes) or any(not 0 <= c <= 254 for c in codes):
            found.append(f"{where}: its zone codes are not unique from 0 to 254")
        for code in (task.default_zone, task.lost_zone, task.outside_zone):
            if code is not None and code not in codes:
                found.append(f"{where}: zone {code} is named but not there")
        if len({tuple((v.ddi, v.product) for v in z.values) for z in task.zones}) > 1:
            found.append(f"{where}: its zones do not set the same things")
        found += [
            f"{where}: product {v.product!r} is not there"
            for z in task.zones
            for v in z.values
            if v.product and v.product not in products
        ]
        found += _zone_faults(where, task, fields.get(task.partfield))
    return found


def _zone_faults(where: str, task: Task, partfield: Partfield | None) -> Iterator[str]:
    """Zones that overlap or leave the boundary by more than half a metre."""
    outlines = [o for z in task.zones for o in z.outlines]
    half_metre = 0.5 / 111_132
    if partfield is not None and partfield.outline is not None:
        ground = shapely.buffer(partfield.outline, half_metre)
        if any(not ground.covers(o) for o in outlines):
            yield f"{where}: a zone reaches outside the boundary"
    for i, one in enumerate(outlines):
        if any(shapely.intersection(one, other).area > half_metre**2 for other in outlines[i + 1 :]):
            yield f"{where}: zones overlap"
            return
