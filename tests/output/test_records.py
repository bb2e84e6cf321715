"""The records pack: planned beside done, what forms still miss, log and map, all with the same numbers."""

from __future__ import annotations

import io
import subprocess
from dataclasses import replace

import pandas as pd
import pytest

from greengap.advice.as_done import as_done
from greengap.catalogue.loader import CatalogueProblem
from greengap.catalogue.record_forms import record_items
from greengap.farm.season_record import current, record_of
from greengap.output.export import export
from greengap.output.jobs import list_jobs


def row(what, date, block, **said):
    return {
        "entry_id": f"{what} {date} {block} {sorted(said.items())}", "written": f"{date}T18:00:00Z", "who": "Ann",
        "what": what, "date": date, "block_id": block,
    } | said  # fmt: skip


PEA = {"cover_id": "field_pea", "tag_kept": True}
ROWS = [
    row("sown", "2027-03-30", "Upper Bench", **PEA, seed_kg=150.0, area_m2=10_000.0, lot="FP1", method="drilled"),
    row("sown", "2027-03-30", "Upper Bench", **PEA, seed_kg=165.0, area_m2=12_500.0, lot="FP2", depth_mm=50.0),
    row("up", "2027-04-14", "Upper Bench"),
    row("stand", "2027-04-20", "Upper Bench", frame=1, frame_area_m2=0.25, plants=18.0),
    row("stand", "2027-04-20", "Upper Bench", frame=2, frame_area_m2=0.25, plants=12.0),
    row("sample", "2027-05-25", "Upper Bench", frame=1, frame_area_m2=0.25, dry_g=80.0),
    row("ended", "2027-05-26", "Upper Bench", tool="flail, tiller", height_mm=610.0, seed_seen=False),
    row("planted", "2027-06-08", "Upper Bench"),
    row(
        "sown", "2027-07-14", "Pond", cover_id="buckwheat", seed_kg=120.0, lot="BW3", tag_kept=False, note="no sorghum"
    ),
    row("rain", "2027-07-20", "", water_mm=22.0),
]


@pytest.fixture(scope="module")
def done_plan(sample_plan):
    return replace(sample_plan, record=current(record_of(ROWS)))


@pytest.fixture(scope="module")
def pack(done_plan):
    return export(done_plan, "records", jobs=list_jobs(done_plan))


@pytest.fixture(scope="module")
def records(pack):
    return pd.read_csv(io.BytesIO(pack["records.csv"]), parse_dates=["sown_on", "planned_sowing", "ended_on"])


def test_bags_of_a_day_are_one_sowing_and_its_rate_is_seed_over_ground(done_plan):
    area = dict(zip(done_plan.blocks["block_id"], done_plan.blocks["area_sown_m2"], strict=True))
    done = as_done(done_plan.gaps, done_plan.record, area, done_plan.catalogue).set_index("block_id")
    pea = done.loc["Upper Bench"]
    assert pea["seed_kg"] == 315.0
    assert pea["rate_kg_ha"] == pytest.approx(140.0)  # 315 kg on 2.25 ha
    assert set(pea["lot"].split("; ")) == {"FP1", "FP2"}
    assert pea["plants_m2"] == pytest.approx(60.0)  # 30 plants in half a square metre
    assert pea["dry_kg_ha"] == pytest.approx(3200.0)  # 80 g on a quarter of a square metre
    assert pea["species"] == "field_pea"
    assert done.loc["Pond", "rate_kg_ha"] == pytest.approx(120 / (area["Pond"] / 10_000))


def test_planned_stands_beside_done_and_seed_adds_up_to_the_order(records, done_plan):
    pea = records[records["gap"] == "Upper Bench/1"].iloc[0]
    assert pea["days_late"] == (pd.Timestamp("2027-03-30") - pea["planned_sowing"]).days
    assert pea["rate_percent_of_planned"] == round(100 * 140.0 / pea["rate_kg_ha"])
    assert pea["ended_how"] == "flail, tiller"
    assert records["seed_g"].sum() == done_plan.seed_order["seed_g"].sum()
    pond = records[records["gap"] == "Pond/2"].set_index("species")
    assert pond.loc["Buckwheat", "cover_sown"] == "Buckwheat"
    assert pond.loc["Buckwheat", "seed_g"] == 0
    assert pond.loc["Sorghum-sudangrass", "remarks"] == "not sown; instead: Buckwheat"


def test_what_forms_miss_is_named_and_nothing_that_cannot_be_known_yet(pack, records):
    missing = records.set_index(["gap", "species"])["still_missing"].fillna("")
    pea = missing["Upper Bench/1", "Field pea"].split("; ")
    assert not {"date sown", "date ended", "seed tag", "lot", "rate"} & set(pea)
    assert {"name of the client", "seed source", "organic or not"} <= set(pea)
    buckwheat = missing["Pond/2", "Buckwheat"].split("; ")
    assert "seed tag" in buckwheat
    assert "date ended" not in buckwheat  # it stands: the last row of the record is of July
    assert missing["Pond/2", "Sorghum-sudangrass"] == ""
    later = records[records["planned_sowing"] > "2027-07-20"]["still_missing"]
    assert not later.str.contains("date sown").any()
    overdue = records[(records["gap"] == "Hedge Corner/1")]["still_missing"].iloc[0]
    assert "date sown" in overdue
    table = pd.read_csv(io.BytesIO(pack["missing.csv"]))
    maryland = table[table["form"].str.contains("Maryland") & (table["asks_for"] == "seed tag")].iloc[0]
    assert "Pond/2" in maryland["missing_in"]
    assert "Upper Bench/1" not in maryland["missing_in"]


def test_pdf_page_csv_and_map_hold_the_same_numbers(pack, tmp_path):
    texts = {}
    for name in ("records.pdf", "records_map.pdf"):
        path = tmp_path / name
        path.write_bytes(pack[name])
        texts[name] = subprocess.run(
            ["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True
        ).stdout
    page = pack["records.html"].decode()
    for text in (page, texts["records.pdf"]):
        for said in ("140 kg/ha", "315.000 kg", "FP1", "FP2", "22 mm", "no sorghum"):
            assert said in " ".join(text.split()), said
    assert "Field pea, sown 30 Mar 2027, ended 26 May 2027" in texts["records_map.pdf"]
    assert "Buckwheat, sown 14 Jul 2027" in texts["records_map.pdf"]
    assert "Sorghum-sudangrass, planned for 06 Jul 2027" not in texts["records_map.pdf"]
    log = pd.read_csv(io.BytesIO(pack["log.csv"]))
    assert len(log) == len(ROWS)


def test_the_office_says_what_forms_ask_of_the_farm(done_plan):
    office = {"client": "Invented Growers", "farm_number": "12", "tract_number": "34"}
    plan = replace(done_plan, settings=replace(done_plan.settings, office=office))
    pack = export(plan, "records", jobs=list_jobs(plan))
    told = pd.read_csv(io.BytesIO(pack["records.csv"]))["still_missing"].fillna("")
    assert not told.str.contains("client|tract").any()
    assert "Invented Growers" in pack["records.html"].decode()


def test_every_thing_that_is_asked_names_who_asks(sample_plan, tmp_path):
    for item in record_items():
        assert item.words
        assert set(item.asked_by) <= set(sample_plan.catalogue.sources)
    (tmp_path / "sources.toml").write_text('[a]\ntitle = "x"\n')
    (tmp_path / "record_forms.toml").write_text('[lot]\nwords = "lot"\nasked_by = ["b"]\n')
    with pytest.raises(CatalogueProblem, match="asked by"):
        record_items(tmp_path)
