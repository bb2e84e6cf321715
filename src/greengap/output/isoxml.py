"""The plan as ISO 11783-10 task data: fields, products, tasks with rates, planned days and A-B lines.

Version 4.3 with guidance patterns and permanent identifiers, or version 3.3 for older terminals. Nothing is said of
the implement unless the terminal's own file is handed in. What is written is read again before it is handed over.
"""

from __future__ import annotations

import io
import tempfile
import unicodedata
import zipfile
from collections.abc import Iterator, Sequence
from copy import deepcopy
from pathlib import Path
from xml.etree import ElementTree
from xml.etree.ElementTree import Element, SubElement

import shapely
from shapely.geometry import Polygon

from greengap.advice.drill import share_out
from greengap.errors import Mismatch
from greengap.farm.outlines import geodesic_area_m2
from greengap.output.jobs import NOTHING, Grams, Job, Seed, permanent_id, reconcile
from greengap.output.passes import Passes
from greengap.plan import Plan
from greengap.task_data import (
    COUNT_RATE,
    DEPTH,
    LINK_FILE,
    MAIN_FILE,
    MASS,
    MASS_RATE,
    Guidance,
    Partfield,
    Product,
    Task,
    TaskData,
    Value,
    Zone,
    faults,
    read_task_data,
)
from greengap.units import LB_AC_KG_HA, System

NAME_LETTERS = 32
KG_HA_MG_M2 = 100  # mg/m2 for each kg/ha
RATE_TOLERANCE = 0.005  # of the seed of a task, between rate times area and what is loaded
SIGNATURES = {3: ("3", "3"), 4: ("4", "3")}
SPELLED = str.maketrans({"ß": "ss", "æ": "ae", "ø": "o", "å": "a", "ł": "l", "–": "-", "'": "'"})


def machine_name(text: str, taken: set[str], ascii_only: bool = False) -> str:
    """A name of at most 32 letters that is not taken, without letters that XML or an old terminal cannot show.

    Examples
    --------
    >>> taken = set()
    >>> machine_name("Field behind the long hedge, upper end", taken), machine_name("Bäche", taken, ascii_only=True)
    ('Field behind the long hedge, upp', 'Bache')
    >>> machine_name("Field behind the long hedge, upper side", taken)
    'Field behind the long hedge, u 2'
    """
    if ascii_only:
        text = unicodedata.normalize("NFKD", text.translate(SPELLED)).encode("ascii", "ignore").decode()
    clean = " ".join("".join(c if unicodedata.category(c)[0] != "C" else " " for c in text).split()) or "-"
    name, number = clean[:NAME_LETTERS].rstrip(), 1
    while name in taken:
        number += 1
        tail = f" {number}"
        name = clean[: NAME_LETTERS - len(tail)].rstrip() + tail
    taken.add(name)
    return name


# --- plan to task data -------------------------------------------------------------------------


def plan_task_data(
    plan: Plan, jobs: Sequence[Job], version: int = 4, count: bool = False, zones: bool = False
) -> TaskData:
    """The jobs of a plan as task data.

    Parameters
    ----------
    plan : Plan
    jobs : sequence of Job
    version : int
        4 or 3.
    count : bool
        Rates in seeds a square metre, for a machine that singles seed, instead of mass.
    zones : bool
        Each rate as a zone with an outline and nothing outside it, for terminals that ask for a map; otherwise one
        rate for the whole field.

    Returns
    -------
    TaskData
    """
    farm, ascii_only = plan.metadata["farm"], version == 3
    names: dict[str, set[str]] = {kind: set() for kind in ("field", "product", "task", "line")}
    fields = _partfields(plan, jobs, names, ascii_only)
    products = _Products(plan, jobs, names["product"], ascii_only)
    tasks: list[Task] = []
    for job in jobs:
        parts = [p for p in fields if p.uid.split(" ")[0] == job.block_uid and p.outline is not None]
        areas = [geodesic_area_m2(p.outline) for p in parts]
        loads = {s.species: share_out(s.grams, areas) for s in job.seeds}
        for index, part in enumerate(parts):
            load: dict[str, int] = {}
            for seed in job.seeds:
                key = products.of(job, seed)
                load[key] = load.get(key, 0) + loads[seed.species][index]
            suffix = f" {chr(97 + index)}" if len(parts) > 1 else ""
            tasks.append(
                Task(
                    f"TSK{len(tasks) + 1}",
                    machine_name(f"{job.gap_id}{suffix} {job.cover}", names["task"], ascii_only),
                    part.key, f"{job.sow_from:%Y-%m-%dT00:00:00}", f"{job.sow_until:%Y-%m-%dT23:59:59}",
                    _zones(job, part, products, count, zones, plan.settings.units), 1, 1 if zones else None,
                    0 if zones else None, load_g=load, technique=job.method,
                    uid=job.uid if len(parts) == 1 else permanent_id(job.uid, f"part {index + 1}"),
                    load_share=(1 + job.allowance_fraction) * job.area_m2 / sum(areas),
                )
            )  # fmt: skip
    farm_name = machine_name(farm, set(), ascii_only)
    return TaskData(version, farm_name, farm_name, tuple(fields), tuple(products.listed), tuple(tasks))


def _partfields(plan: Plan, jobs: Sequence[Job], names: dict[str, set[str]], ascii_only: bool) -> list[Partfield]:
    """Fields of the blocks that are sown; of a block in several parts one for each, below one for the block."""
    out: list[Partfield] = []
    for job in {j.block_id: j for j in jobs}.values():
        code = machine_name(job.field, set(), ascii_only) if job.field != job.block_id else ""
        name = machine_name(job.block_id, names["field"], ascii_only)
        lines = (_guidance(job, job.passes, names["line"], ascii_only),) if job.passes else ()
        key = f"PFD{len(out) + 1}"
        parts = [shapely.orient_polygons(p) for p in job.parts]
        whole = round(geodesic_area_m2(job.outline))
        if len(parts) == 1:
            out.append(Partfield(key, name, whole, parts[0], code, "", lines, job.block_uid))
            continue
        out.append(Partfield(key, name, whole, None, code, "", (), job.block_uid))
        for index, part in enumerate(parts):
            sub = machine_name(f"{job.block_id} {chr(97 + index)}", names["field"], ascii_only)
            uid = f"{job.block_uid} {permanent_id(job.block_uid, f'part {index + 1}')}"
            area = round(geodesic_area_m2(part))
            out.append(Partfield(f"PFD{len(out) + 1}", sub, area, part, code, key, lines if index == 0 else (), uid))
    return out


def _guidance(job: Job, passes: Passes, taken: set[str], ascii_only: bool) -> Guidance:
    """The A-B line of a block; how many swaths lie on which side, seen from A to B."""
    (ax, ay), (bx, by) = passes.a, passes.b
    side, number = passes.count - passes.a_b_swath, passes.a_b_swath - 1  # swaths towards the last, towards the first
    far = passes.swaths[-1 if side else 0].interpolate(0.5, normalized=True)
    far_is_right = (bx - ax) * (far.y - ay) - (by - ay) * (far.x - ax) < 0
    left, right = (number, side) if far_is_right == bool(side) else (side, number)
    name = machine_name(f"{job.block_id} {passes.swath_m:g} m", taken, ascii_only)
    return Guidance(
        name, passes.a, passes.b, round(passes.swath_m * 1000), round(passes.heading_deg, 6), left, right,
        permanent_id(job.block_uid, "line"),
    )  # fmt: skip


class _Products:
    """Products of the jobs: a species, or the mix in one box of a cover, by year."""

    def __init__(self, plan: Plan, jobs: Sequence[Job], taken: set[str], ascii_only: bool) -> None:
        self.listed: list[Product] = []
        self.key_of: dict[tuple[str, ...], str] = {}
        farm = plan.metadata["farm"]
        for seed in {s.species: s for j in jobs for s in j.seeds}.values():
            name = machine_name(seed.name, taken, ascii_only)
            uid = permanent_id(farm, "seed", seed.species)
            self._add((seed.species,), name, {}, seed.seed_weight_g, uid, seed.species)
        mixes: dict[tuple[str, ...], list[list[Seed]]] = {}
        for job in jobs:
            for box, seeds in job.boxes.items():
                if len(seeds) > 1:
                    mixes.setdefault((job.cover_id, str(box), str(job.year)), []).append(seeds)
        for mix, batches in mixes.items():
            grams: dict[str, int] = {}
            for seed in (s for seeds in batches for s in seeds):
                grams[seed.species] = grams.get(seed.species, 0) + seed.grams
            first, total = batches[0], sum(grams.values())
            letters = (NAME_LETTERS - 3 * (len(first) - 1)) // len(first) - 4  # so that each share can be read
            shares = " + ".join(f"{s.name[:letters].strip()} {100 * grams[s.species] / total:.0f}%" for s in first)
            weight = sum(s.rate_kg_ha for s in first) * 100 / sum(s.seeds_m2 for s in first)
            parts = {self.key_of[(s,)]: g for s, g in grams.items()}
            self._add(mix, machine_name(shares, taken, ascii_only), parts, weight, permanent_id(farm, *mix))

    def _add(
        self, what: tuple[str, ...], name: str, parts: dict[str, int], weight_g: float, uid: str, species: str = ""
    ) -> None:
        key = self.key_of[what] = f"PDT{len(self.listed) + 1}"
        self.listed.append(Product(key, name, parts, sum(parts.values()), round(weight_g * 1000), uid, species))

    def of(self, job: Job, seed: Seed) -> str:
        """Product that a seed is sown as."""
        alone = len(job.boxes[seed.box]) == 1
        return self.key_of[(seed.species,) if alone else (job.cover_id, str(seed.box), str(job.year))]


def _zones(job: Job, part: Partfield, products: _Products, count: bool, zones: bool, units: System) -> tuple[Zone, ...]:
    """One rate for the field; if wanted with its outline, and a zone of nothing outside it."""
    values, words = [], []
    for seeds in job.boxes.values():
        product = products.of(job, seeds[0])
        rate, seeds_m2 = sum(s.rate_kg_ha for s in seeds), sum(s.seeds_m2 for s in seeds)
        number = round(seeds_m2 * 1000) if count else round(rate * KG_HA_MG_M2)
        values.append(Value(COUNT_RATE if count else MASS_RATE, number, product))
        mass = f"{rate:.1f} kg/ha" if units == "metric" else f"{rate / LB_AC_KG_HA:.1f} lb/ac"
        words.append(f"{seeds_m2:.1f}/m2" if count else mass)
        if job.method == "drilled" and seeds[0].depth_mm > 0:
            values.append(Value(DEPTH, round(seeds[0].depth_mm), product))
    outline = (part.outline,) if zones and isinstance(part.outline, Polygon) else ()
    sown = Zone(1, tuple(values), " + ".join(words)[:NAME_LETTERS], outline)
    if not zones:
        return (sown,)
    return (Zone(0, tuple(Value(v.ddi, 0, v.product) for v in values), "outside"), sown)


# --- task data to XML --------------------------------------------------------------------------


def main_xml(data: TaskData, program_version: str, units: System = "metric") -> bytes:
    """TASKDATA.XML of task data."""
    v4 = data.version == 4
    major, minor = SIGNATURES[data.version]
    root = Element(
        "ISO11783_TaskData", VersionMajor=major, VersionMinor=minor, ManagementSoftwareManufacturer="greengap",
        ManagementSoftwareVersion=program_version[:NAME_LETTERS], DataTransferOrigin="1",
    )  # fmt: skip
    if v4:
        SubElement(root, "AFE", A=LINK_FILE, B="1", C="", D="1")
    SubElement(root, "CTR", A="CTR1", B=data.customer)
    SubElement(root, "FRM", A="FRM1", B=data.farm, I="CTR1")
    techniques = {name: f"OTQ{n}" for n, name in enumerate(sorted({t.technique for t in data.tasks}), 1) if name}
    for name, key in techniques.items():
        SubElement(root, "OTQ", A=key, B=name)
    practice = SubElement(root, "CPC", A="CPC1", B="Sowing a cover")
    for key in techniques.values():
        SubElement(practice, "OTR", A=key)
    _presentations(root, units)
    group = SubElement(root, "PGP", A="PGP1", B="Cover seed")
    if v4:
        group.set("C", "1")
    for product in data.products:
        _add_product(root, product, v4)
    patterns = 0
    for number, one in enumerate(data.partfields, start=1):
        patterns = _add_partfield(root, one, number, patterns, v4)
    for device in data.devices:
        root.append(deepcopy(device))
    keys = {p.key: f"GGP{n}" for n, p in enumerate(data.partfields, start=1) if p.guidance}
    for task in data.tasks:
        _add_task(root, task, v4, techniques, keys.get(task.partfield))
    return _bytes(root)


def _presentations(root: Element, units: System) -> None:
    """How a terminal shows the raw numbers."""
    scale, unit = ("0.01", "kg/ha") if units == "metric" else (f"{1 / (KG_HA_MG_M2 * LB_AC_KG_HA):.9f}", "lb/ac")
    SubElement(root, "VPN", A="VPN1", B="0", C=scale, D="1", E=unit)
    SubElement(root, "VPN", A="VPN2", B="0", C="0.001", D="1", E="/m2")
    SubElement(root, "VPN", A="VPN3", B="0", C="0.1", D="1", E="cm")


def _add_product(root: Element, product: Product, v4: bool) -> None:
    element = SubElement(root, "PDT", A=product.key, B=product.name, C="PGP1", E=MASS)
    if not v4:
        return
    element.set("F", "2" if product.parts else "1")
    if product.parts:
        element.set("G", str(product.batch_g))
    element.set("I", str(product.thousand_seed_mg))
    for key, grams in product.parts.items():
        SubElement(element, "PRN", A=key, B=str(grams))


def _add_partfield(root: Element, one: Partfield, number: int, patterns: int, v4: bool) -> int:
    element = SubElement(root, "PFD", A=one.key)
    if one.code:
        element.set("B", one.code)
    for letter, text in (("C", one.name), ("D", str(one.area_m2)), ("E", "CTR1"), ("F", "FRM1"), ("I", one.parent)):
        if text:
            element.set(letter, text)
    if isinstance(one.outline, Polygon):
        _add_polygon(element, one.outline, "1", one.name, one.area_m2)
    lines: Element = element
    if v4 and one.guidance:
        lines = SubElement(element, "GGP", A=f"GGP{number}", B=one.name)
    for line in one.guidance:
        patterns += 1
        into = lines
        if v4:
            into = SubElement(
                lines, "GPN", A=f"GPN{patterns}", B=line.name, C="1", E="1", F="1", G=f"{line.heading_deg:.6f}", I="16",
                N=str(line.swaths_left), O=str(line.swaths_right),
            )  # fmt: skip
        segment = SubElement(into, "LSG", A="5", B=line.name, C=str(line.width_mm))
        for kind, place in (("6" if v4 else "2", line.a), ("7" if v4 else "2", line.b)):
            _add_point(segment, kind, *place)
    return patterns


def _add_polygon(parent: Element, outline: Polygon, kind: str, name: str, area_m2: int) -> None:
    """One shell, counter-clockwise and closed, then its holes."""
    polygon = SubElement(parent, "PLN", A=kind, B=name, C=str(area_m2))
    oriented = shapely.orient_polygons(outline)
    for ring, ring_kind in ((oriented.exterior, "1"), *((hole, "2") for hole in oriented.interiors)):
        line = SubElement(polygon, "LSG", A=ring_kind)
        for lon, lat in shapely.get_coordinates(ring):
            _add_point(line, "2", lon, lat)


def _add_point(parent: Element, kind: str, lon: float, lat: float) -> None:
    SubElement(parent, "PNT", A=kind, C=f"{lat:.9f}", D=f"{lon:.9f}")


def _add_task(root: Element, task: Task, v4: bool, techniques: dict[str, str], group: str | None) -> None:
    element = SubElement(root, "TSK", A=task.key, B=task.name, C="CTR1", D="FRM1", E=task.partfield, G=str(task.status))
    for letter, code in zip("HIJ", (task.default_zone, task.lost_zone, task.outside_zone), strict=True):
        if code is not None:
            element.set(letter, str(code))
    shows = {MASS_RATE: "VPN1", COUNT_RATE: "VPN2", DEPTH: "VPN3"}
    for zone in task.zones:
        holder = SubElement(element, "TZN", A=str(zone.code), B=zone.name)
        for outline in zone.outlines:
            _add_polygon(holder, outline, "2", zone.name, round(geodesic_area_m2(outline)))
        for value in zone.values:
            pdv = SubElement(holder, "PDV", A=value.ddi, B=str(value.number), C=value.product)
            if value.element:
                pdv.set("D", value.element)
            pdv.set("E", shows[value.ddi])
            if v4:
                pdv.set("F", "2")  # sowing
    SubElement(element, "TIM", A=task.start, B=task.stop, D="1")
    if task.technique:
        SubElement(element, "OTP", A="CPC1", B=techniques[task.technique])
    for product, grams in task.load_g.items():
        SubElement(element, "PAN", A=product, B=MASS, C=str(grams), D="1")
    if v4 and group:
        allocation = SubElement(element, "GAN", A=group)
        SubElement(allocation, "ASP", A=task.start, D="1")


def link_xml(data: TaskData, program_version: str) -> bytes:
    """LINKLIST.XML: the permanent identifier of each thing that has one."""
    root = Element(
        "ISO11783LinkList", VersionMajor="4", VersionMinor="3", ManagementSoftwareManufacturer="greengap",
        ManagementSoftwareVersion=program_version[:NAME_LETTERS], DataTransferOrigin="1",
    )  # fmt: skip
    group = SubElement(root, "LGP", A="LGP1", B="1")
    for key, uid in _identified(data):
        SubElement(group, "LNK", A=key, B=uid)
    return _bytes(root)


def _identified(data: TaskData) -> Iterator[tuple[str, str]]:
    yield "CTR1", permanent_id(data.farm, "customer")
    yield "FRM1", permanent_id(data.farm, "farm")
    patterns = 0
    for one in data.partfields:
        yield one.key, one.uid.split(" ")[-1]
        for line in one.guidance:
            patterns += 1
            yield f"GPN{patterns}", line.uid
    yield from ((p.key, p.uid) for p in data.products)
    yield from ((t.key, t.uid) for t in data.tasks)


def _bytes(root: Element) -> bytes:
    ElementTree.indent(root, " ")
    head = b'<?xml version="1.0" encoding="UTF-8"?>\n'  # double quotes: some readers look for them
    return head + ElementTree.tostring(root, encoding="UTF-8", xml_declaration=False) + b"\n"


# --- files -------------------------------------------------------------------------------------


def task_files(
    plan: Plan, jobs: Sequence[Job], wanted: Grams, version: int = 4, count: bool = False, zones: bool = False,
    terminal: Path | None = None,
) -> dict[str, bytes]:  # fmt: skip
    """The files of task data by name, read again and reconciled with the seed order.

    Parameters
    ----------
    plan : Plan
    jobs : sequence of Job
    wanted : dict
        Grams of the order by year and species.
    version, count, zones
        As for `plan_task_data`.
    terminal : Path, optional
        Task data from the terminal, whose device descriptions are taken over unchanged.

    Returns
    -------
    dict of str to bytes
        A zip, and the folder in it.

    Raises
    ------
    Mismatch
        If what was written does not say what the plan says.
    InputProblem
        If the terminal's file cannot be used.
    """
    from greengap.output.isoxml_devices import with_devices

    data = plan_task_data(plan, jobs, version, count, zones)
    if terminal is not None:
        data = with_devices(data, read_task_data(terminal, terminal.as_posix()), terminal.as_posix())
    program = plan.metadata["program_version"]
    files = {f"TASKDATA/{MAIN_FILE}": main_xml(data, program, plan.settings.units)}
    if version == 4:
        files[f"TASKDATA/{LINK_FILE}"] = link_xml(data, program)
    packed = zipped(files)
    stem = f"task_data_v{version}{'_count' if count else ''}{'_zones' if zones else ''}"
    with tempfile.TemporaryDirectory() as own:
        path = Path(own) / f"{stem}.zip"
        path.write_bytes(packed)
        again = read_task_data(path, path.name)
    check_task_data(f"{stem}.zip", again, jobs, wanted, data)
    return {f"{stem}.zip": packed} | {f"{stem}/{name}": raw for name, raw in files.items()}


def zipped(files: dict[str, bytes]) -> bytes:
    """A zip that is the same for the same files."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, raw in files.items():
            info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            info.compress_type, info.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            packed.writestr(info, raw)
    return held.getvalue()


def check_task_data(shown: str, again: TaskData, jobs: Sequence[Job], wanted: Grams, written: TaskData) -> None:
    """Stop unless what was read again holds together and holds the seed of the order.

    Raises
    ------
    Mismatch
    """
    for fault in faults(again):
        raise Mismatch(shown, "", f"read again, {fault}", NOTHING)
    found: Grams = {}
    products = {p.key: p for p in written.products}
    shares = {t.key: t.load_share for t in written.tasks}
    loads: dict[tuple[int, str], int] = {}
    for task in again.tasks:
        _check_rate(shown, task, again, shares[task.key])
        for product, grams in task.load_g.items():
            key = int(task.start[:4]), product
            loads[key] = loads.get(key, 0) + grams
    for (year, product), grams in loads.items():
        parts = next(p.parts for p in again.products if p.key == product) or products[product].parts
        if parts and sum(parts.values()) != grams:
            what = f"read again, its tasks load {grams:,} g of a mix of {sum(parts.values()):,} g"
            raise Mismatch(shown, product, what, NOTHING)
        for part, part_g in (parts or {product: grams}).items():
            key = year, products[part].species
            found[key] = found.get(key, 0) + part_g
    reconcile(shown, found, wanted)


def _check_rate(shown: str, task: Task, again: TaskData, load_share: float) -> None:
    """Rate times area and the allowance have to be the seed that is loaded."""
    part = next(p for p in again.partfields if p.key == task.partfield)
    weights = {p.key: p.thousand_seed_mg for p in again.products}
    zone = next(z for z in task.zones if z.code == task.default_zone)
    grams = 0.0
    for value in zone.values:
        if value.ddi == MASS_RATE:
            grams += value.number / 1000 * part.area_m2
        elif value.ddi == COUNT_RATE:
            if not weights[value.product]:  # version 3 has no place for the weight of seed
                return
            grams += value.number / 1000 * part.area_m2 * weights[value.product] / 1e6
    off = sum(task.load_g.values()) / (grams * load_share) - 1
    if abs(off) > RATE_TOLERANCE and abs(off) * grams > 1:
        what = f"read again, the load of task {task.name!r} is {off:+.1%} off its rate times area"
        raise Mismatch(shown, "", what, NOTHING)
