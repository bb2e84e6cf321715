"""Task data that we write: the published schema, two readers of others, check values worked by hand."""

import json
import os
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
import shapely
from geographiclib.geodesic import Geodesic
from shapely.geometry import MultiPolygon, Polygon

from greengap.errors import InputProblem, Mismatch
from greengap.farm.outlines import geodesic_area_m2
from greengap.output.isoxml import check_task_data, machine_name, main_xml, plan_task_data, task_files
from greengap.output.jobs import Job, Seed, list_jobs, order_grams
from greengap.task_data import faults, read_task_data
from greengap.units import LB_AC_KG_HA

VARIANTS = [
    (4, False, False),
    (4, True, False),
    (4, False, True),
    (3, False, False),
    (3, True, False),
    (3, False, True),
]


@pytest.fixture(scope="module")
def jobs(sample_plan):
    return list_jobs(sample_plan)


@pytest.fixture(scope="module")
def written(sample_plan, jobs, tmp_path_factory):
    """Every variant on disk, by (version, count, zones)."""
    out = {}
    for version, count, zones in VARIANTS:
        folder = tmp_path_factory.mktemp("task")
        files = task_files(sample_plan, jobs, order_grams(sample_plan), version, count, zones)
        for name, raw in files.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes(raw)
        out[version, count, zones] = next(folder.glob("*.zip"))
    return out


def main_file(path: Path) -> Path:
    return path.with_suffix("") / "TASKDATA" / "TASKDATA.XML"


def order_by_name(plan) -> dict[tuple[int, str], int]:
    return {(y, plan.catalogue.species[s].name): g for (y, s), g in order_grams(plan).items()}


# -- schema and other readers ---------------------------------------------------------------------------


@pytest.mark.parametrize("variant", [v for v in VARIANTS if v[0] == 4])
def test_the_published_schema_of_version_4_3_holds_and_every_reference_resolves(written, variant):
    schemas = Path(pytest.importorskip("isoxml_writer").__file__).parent / "ISOXML_schema"
    xmlschema = pytest.importorskip("xmlschema")  # also finds references that lead nowhere
    main = main_file(written[variant])
    assert [
        e.reason for e in xmlschema.XMLSchema(str(schemas / "ISO11783_TaskFile_V4-3.xsd")).iter_errors(str(main))
    ] == []
    links = xmlschema.XMLSchema(str(schemas / "ISO11783_LinkListFile_V4-3.xsd"))
    dangling = [e.reason for e in links.iter_errors(str(main.with_name("LINKLIST.XML")))]
    assert all("not found in XML document" in reason for reason in dangling)  # they are in the main file
    text = main.read_text(encoding="utf-8")
    ids = [reason.split("'")[1] for reason in dangling]
    assert [i for i in ids if f' A="{i}"' not in text] == []


@pytest.mark.parametrize("variant", VARIANTS)
def test_an_independent_python_reader_counts_the_same(written, variant, sample_plan, jobs):
    reader = pytest.importorskip("isoxml.util.isoxml_io")
    found = reader.isoxml_from_path(main_file(written[variant]))
    data = found[0] if isinstance(found, tuple) else found
    assert type(data).__module__.split(".")[3] == f"v{variant[0]}"
    names = {p.id: p.designator for p in data.products}
    grams: dict[tuple[int, str], int] = {}
    for task in data.tasks:
        for load in task.product_allocations:
            key = int(str(task.times[0].start)[:4]), names[load.product_id_ref]
            grams[key] = grams.get(key, 0) + (load.quantity_value if variant[0] == 4 else load.amount_value)
    assert grams == order_by_name(sample_plan)
    assert len(data.tasks) == len(jobs)
    stated = {p.designator: p.area for p in data.partfields}
    assert stated == {j.block_id: round(geodesic_area_m2(j.outline)) for j in jobs}
    if variant[0] == 4:
        patterns = [
            pattern for p in data.partfields for group in p.guidance_groups for pattern in group.guidance_patterns
        ]
        assert len(patterns) == len({j.block_id for j in jobs})


NODE = """
const {ISOXMLManager} = require('isoxml'); const fs = require('fs');
(async () => { const out = [];
for (const file of process.argv.slice(1)) {
  const manager = new ISOXMLManager();
  await manager.parseISOXMLFile(fs.readFileSync(file), 'application/zip');
  const root = manager.rootElement.attributes, grams = {}, rates = {};
  for (const task of root.Task) { const a = task.attributes;
    const year = new Date(a.Time[0].attributes.Start).getFullYear();
    for (const load of a.ProductAllocation) {
      const key = year + ' ' + load.attributes.ProductIdRef.entity.attributes.ProductDesignator;
      grams[key] = (grams[key] || 0) + load.attributes.QuantityValue; }
    const zone = a.TreatmentZone.find(z => z.attributes.TreatmentZoneCode === a.DefaultTreatmentZoneCode);
    rates[a.TaskDesignator] = zone.attributes.ProcessDataVariable[0].attributes.ProcessDataValue; }
  out.push({version: root.VersionMajor, fields: root.Partfield.length, grams, rates,
    warnings: manager.getWarnings().length}); }
console.log(JSON.stringify(out)); })();
"""


def test_an_independent_javascript_reader_counts_the_same_without_a_warning(written, sample_plan, jobs):
    """isoxml 1.11.2 of npm, in the folder of packages that GREENGAP_NODE_MODULES names."""
    modules, node = os.environ.get("GREENGAP_NODE_MODULES"), shutil.which("node")
    if not modules or not node:
        pytest.skip("needs node, and GREENGAP_NODE_MODULES with the package isoxml")
    env = os.environ | {"NODE_PATH": modules, "TZ": "UTC"}
    command = [node, "-e", NODE, *[str(written[v]) for v in VARIANTS]]
    found = json.loads(subprocess.run(command, env=env, capture_output=True, text=True, check=True).stdout)
    wanted = {f"{year} {name}": grams for (year, name), grams in order_by_name(sample_plan).items()}
    for variant, one in zip(VARIANTS, found, strict=True):
        assert one["warnings"] == 0
        assert int(one["version"]) == variant[0]
        assert one["fields"] == len({j.block_id for j in jobs})
        assert one["grams"] == wanted
        rate = one["rates"][f"{jobs[0].gap_id} {jobs[0].cover}"]
        assert rate == (round(jobs[0].seeds[0].seeds_m2 * 1000) if variant[1] else round(jobs[0].rate_kg_ha * 100))


# -- what it says ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("variant", VARIANTS)
def test_rates_areas_days_and_lines_come_back(written, variant, sample_plan, jobs):
    data = read_task_data(written[variant], "x.zip")
    assert faults(data) == []
    fields = {p.key: p for p in data.partfields}
    for task, job in zip(data.tasks, jobs, strict=True):
        zone = next(z for z in task.zones if z.code == task.default_zone)
        value = zone.values[0]
        if variant[1]:
            assert value.ddi == "000B"
            assert abs(value.number / 1000 - job.seeds[0].seeds_m2) <= 0.0005
        else:
            assert value.ddi == "0006"
            assert abs(value.number / 100 - job.rate_kg_ha) <= 0.005  # half a step of 1 mg/m2
        depth = [v.number for v in zone.values if v.ddi == "0038"]
        assert depth == [round(job.seeds[0].depth_mm)]
        assert task.start[:10] == f"{job.sow_from:%Y-%m-%d}"
        assert task.stop[:10] == f"{job.sow_until:%Y-%m-%d}"
        ground = fields[task.partfield].outline
        assert shapely.hausdorff_distance(ground, job.outline) < 1e-8
        line = fields[task.partfield].guidance[0]
        assert line.width_mm == round(job.passes.swath_m * 1000)
        assert line.a == pytest.approx(job.passes.a, abs=1e-9)
        if variant[0] == 4:
            azimuth = Geodesic.WGS84.Inverse(line.a[1], line.a[0], line.b[1], line.b[0])["azi1"] % 360
            assert line.heading_deg == pytest.approx(azimuth, abs=1e-3)
            assert line.swaths_left + line.swaths_right + 1 == job.passes.count
        if variant[2]:
            outside = next(z for z in task.zones if z.code == task.outside_zone)
            assert {v.number for v in outside.values} == {0}
            assert task.lost_zone == 1  # a lost signal does not leave skips


@pytest.mark.parametrize(
    ("rate_kg_ha", "seeds_m2", "depth_mm", "mass", "count", "depth"),
    [
        (100 * LB_AC_KG_HA, 7.5, 38.1, 11209, 7500, 38),  # 100 lb/ac, 7.5 seeds/m2, 1.5 in: worked by hand
        (112.0, 300.0, 25.4, 11200, 300_000, 25),
    ],
)
def test_everyday_rates_become_the_whole_numbers_of_the_data_dictionary(
    sample_plan, jobs, rate_kg_ha, seeds_m2, depth_mm, mass, count, depth
):
    seed = replace(jobs[0].seeds[0], rate_kg_ha=rate_kg_ha, seeds_m2=seeds_m2, depth_mm=depth_mm)
    job = replace(jobs[0], seeds=(seed,))
    for is_count, first in ((False, mass), (True, count)):
        (zone,) = plan_task_data(sample_plan, [job], 4, is_count).tasks[0].zones
        assert [v.number for v in zone.values] == [first, depth]


def test_permanent_ids_stay_when_the_cover_changes_and_same_input_gives_same_bytes(sample_plan, jobs, written):
    other = [replace(jobs[0], cover="Something else", seeds=jobs[1].seeds), *jobs[1:]]
    one, two = (plan_task_data(sample_plan, some) for some in (jobs, other))
    assert [t.uid for t in one.tasks] == [t.uid for t in two.tasks]
    assert len({t.uid for t in one.tasks}) == len(jobs)
    again = task_files(sample_plan, jobs, order_grams(sample_plan))
    assert again["task_data_v4.zip"] == written[4, False, False].read_bytes()


def test_names_are_short_and_unique_and_an_older_terminal_gets_plain_letters():
    taken: set[str] = set()
    names = [machine_name("The very long name of a field by the river", taken) for _ in range(12)]
    assert len(set(names)) == 12
    assert max(map(len, names)) <= 32
    assert machine_name("Außenbeete\x07 Käfer\n2", set(), ascii_only=True) == "Aussenbeete Kafer 2"
    assert machine_name("\x00", set()) == "-"


# -- mixes, parts, devices --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def mixed(sample_plan, jobs) -> Job:
    """A mix of two species in one box on a block of two parts."""
    job = jobs[0]
    shift = shapely.affinity.translate(job.outline, 0.003)
    area = 2 * geodesic_area_m2(job.outline)
    pea = Seed("field_pea", "Field pea", 1, 80.0, 35.3, 226.8, 40.0, round(80 * area / 10 * 1.05))
    oat = Seed("oat", "Oat", 1, 40.0, 123.5, 32.4, 40.0, round(40 * area / 10 * 1.05))
    return replace(
        job, outline=MultiPolygon([job.outline, shift]), area_m2=area, seeds=(pea, oat), allowance_fraction=0.05,
        cover_id="pea_oat", cover="Pea and oat",
    )  # fmt: skip


@pytest.mark.parametrize("version", [4, 3])
def test_a_mix_on_a_block_of_two_parts_is_two_tasks_that_load_it_all(sample_plan, mixed, version, tmp_path):
    wanted = {(mixed.year, s.species): s.grams for s in mixed.seeds}
    files = task_files(sample_plan, [mixed], wanted, version)
    path = tmp_path / "x.zip"
    path.write_bytes(files[f"task_data_v{version}.zip"])
    data = read_task_data(path, "x.zip")
    assert [p.parent for p in data.partfields] == ["", "PFD1", "PFD1"]
    assert [t.partfield for t in data.tasks] == ["PFD2", "PFD3"]
    assert sum(sum(t.load_g.values()) for t in data.tasks) == mixed.grams
    mix = data.products[-1]
    assert mix.name == "Field pea 67% + Oat 33%"
    assert list(mix.parts.values()) == ([s.grams for s in mixed.seeds] if version == 4 else [])
    assert {v.number for t in data.tasks for z in t.zones for v in z.values if v.ddi == "0006"} == {12_000}


def test_two_boxes_set_two_products_in_one_zone(sample_plan, mixed):
    job = replace(mixed, seeds=(mixed.seeds[0], replace(mixed.seeds[1], box=2, depth_mm=20.0)))
    zone = plan_task_data(sample_plan, [job]).tasks[0].zones[0]
    assert [(v.ddi, v.number) for v in zone.values] == [("0006", 8000), ("0038", 40), ("0006", 4000), ("0038", 20)]
    assert len({v.product for v in zone.values}) == 2


DEVICE = (
    '<DVC A="DVC-1" B="Invented drill" C="1" D="A000860020800001" F="31303030303030" G="FF000000006E65">'
    '<DET A="DET-1" B="1" C="1" D="Drill" E="0" F="0"/>'
    '<DET A="DET-2" B="2" C="3" D="Seed bin" E="1" F="1"><DOR A="10"/></DET><DPD A="10" B="{ddi}" C="3" D="9"/></DVC>'
)


def terminal_file(folder: Path, ddi: str) -> Path:
    path = folder / "TASKDATA.XML"
    path.write_text(
        '<ISO11783_TaskData VersionMajor="4" VersionMinor="3" ManagementSoftwareManufacturer="x" '
        f'ManagementSoftwareVersion="1" DataTransferOrigin="2">{DEVICE.format(ddi=ddi)}</ISO11783_TaskData>',
        encoding="utf-8",
    )
    return path


def test_a_device_is_taken_over_unchanged_from_the_terminals_own_file_and_never_made_up(sample_plan, jobs, tmp_path):
    wanted = order_grams(sample_plan)
    files = task_files(sample_plan, jobs, wanted, terminal=terminal_file(tmp_path, "0006"))
    text = files["task_data_v4/TASKDATA/TASKDATA.XML"].decode()
    assert 'D="A000860020800001"' in text
    assert text.count('D="DET-2"') == len(jobs)
    plain = task_files(sample_plan, jobs, wanted)["task_data_v4/TASKDATA/TASKDATA.XML"].decode()
    assert "DVC" not in plain
    with pytest.raises(InputProblem, match="no device in it takes a rate as DDI 0006"):
        task_files(sample_plan, jobs, wanted, terminal=terminal_file(tmp_path, "000B"))


# -- what stops it ------------------------------------------------------------------------------------------


def test_a_gram_too_few_stops_the_export(sample_plan, jobs):
    wanted = order_grams(sample_plan)
    key = min(wanted)
    with pytest.raises(Mismatch, match="and the seed order"):
        task_files(sample_plan, jobs, wanted | {key: wanted[key] + 1})


def test_a_rate_that_is_not_the_load_over_the_area_stops_the_export(sample_plan, jobs, tmp_path):
    data = plan_task_data(sample_plan, jobs)
    text = main_xml(data, "0").decode()
    number = data.tasks[0].zones[0].values[0].number
    path = tmp_path / "TASKDATA.XML"
    path.write_text(text.replace(f'B="{number}"', f'B="{round(number * 1.01)}"', 1), encoding="utf-8")
    with pytest.raises(Mismatch, match="off its rate times area"):
        check_task_data("x", read_task_data(path, "x"), jobs, order_grams(sample_plan), data)


def test_a_bow_tie_from_elsewhere_is_named(tmp_path):
    from greengap.task_data import Partfield, TaskData

    tie = Polygon([(13, 48), (13.001, 48.001), (13.001, 48), (13, 48.001)])
    data = TaskData(4, "a", "a", (Partfield("PFD1", "Tie", 1, tie),), (), ())
    path = tmp_path / "TASKDATA.XML"
    path.write_bytes(main_xml(data, "0"))
    assert any("crosses itself" in fault for fault in faults(read_task_data(path, "x")))
