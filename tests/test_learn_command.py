"""`greengap learn` as a person calls it: before and after, the file that keeps it, and the plan without it as before.

The records are invented, on the sample farm, which is invented too.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from greengap import cli, read_farm
from greengap.catalogue import LEARNED_FILE, load_catalogue
from greengap.catalogue.learned import OWN_RECORDS, learned_text, read_learned, with_learned
from greengap.errors import InputProblem
from greengap.farm.season_record import RECORD_FILE, record_of, to_text
from greengap.farm_input import farm_catalogue
from greengap.farm_learning import find_lesson, with_this_year
from greengap.pack import pack, unpack

EMERGENCE = (
    '[[learned]]\nspecies = "oat"\nparameter = "emergence"\nunit = "degC d"\nbefore = 50.0\nafter = 52.0\nlow = 40.0\n'
    'high = 60.0\nrecords = 1\nyears = 1\nrecord_ids = ["a"]\n'
)
SAMPLE = Path(__file__).parents[1] / "sample_fields"
YEARS = (2020, 2021, 2022, 2023)


def row(what: str, date: str, block: str, **more: object) -> dict[str, object]:
    entry = f"{what} {date} {block}"
    written = "2024-12-01T00:00:00Z"
    return {"entry_id": entry, "written": written, "what": what, "date": date, "block_id": block, **more}


def rows() -> list[dict[str, object]]:
    """Four summers of buckwheat that was slow, one pea field that birds took, and a season without weather."""
    made = []
    for year in YEARS:
        made += [
            row("sown", f"{year}-07-05", "Pond", cover_id="buckwheat"), row("up", f"{year}-07-11", "Pond"),
            row("flower", f"{year}-08-18", "Pond"), row("ended", f"{year}-08-25", "Pond"),
            row("sown", f"{year}-04-01", "Beds 3", cover_id="field_pea"), row("up", f"{year}-04-22", "Beds 3"),
        ]  # fmt: skip
    made.append(row("loss", "2022-04-25", "Beds 3", cause="birds", lost_fraction=0.8))
    made += [row("sown", "2031-07-05", "Pond", cover_id="buckwheat"), row("up", "2031-07-25", "Pond")]
    return made


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """The sample farm with the calendar of two blocks, so that it is planned in a moment, and with records."""
    farm = tmp_path_factory.mktemp("learn") / "farm"
    shutil.copytree(SAMPLE, farm)
    lines = (farm / "crop_calendar.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [line for line in lines if line.startswith(("#", "block", "Pond,", "Beds 3,"))]
    (farm / "crop_calendar.csv").write_text("".join(kept), encoding="utf-8")
    (farm / RECORD_FILE).write_text(to_text(record_of(rows())), encoding="utf-8")
    return farm


@pytest.fixture
def farm(folder: Path, tmp_path: Path) -> Path:
    shutil.copytree(folder, tmp_path / "farm")
    return tmp_path / "farm"


def run(*words: object) -> str:
    result = CliRunner().invoke(cli.app, [str(w) for w in words])
    if isinstance(result.exception, InputProblem):
        raise result.exception
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.stdout


def planned(farm: Path, out: Path) -> dict[str, bytes]:
    run("plan", farm, "--out", out)
    return {p.relative_to(out).as_posix(): p.read_bytes() for p in sorted(out.rglob("*")) if p.is_file()}


@pytest.fixture(scope="module")
def printed(folder: Path) -> str:
    return run("learn", folder)


def test_it_prints_before_and_after_with_the_records_that_did_it(printed, folder):
    assert "warmth to come up: 50 °C d before, " in printed
    record = read_farm(folder).record
    ids = record.loc[(record["what"] == "up") & (record["block_id"] == "Pond") & (record["date"].dt.year < 2030)]
    for record_id in ids["record_id"]:
        assert f"[{record_id[:8]}]" in printed
    assert "fields lost to birds and game: 10 % before" in printed
    assert "2031-07-25 Pond: the weather of these days is not in the farm's files" in printed


def test_it_says_how_the_odds_move_and_whether_it_helps(printed):
    assert "Does it help? Each year left out in turn" in printed
    assert "The plan without own records and with them" in printed
    assert "gaps stay as they are" in printed
    assert "Nothing has been changed." in printed


def test_without_the_file_the_catalogue_is_the_very_same(folder):
    assert farm_catalogue(folder) is load_catalogue()
    assert read_farm(folder).catalogue.before_learning is None


def test_what_is_applied_is_used_and_told_and_what_is_undone_leaves_no_trace(farm, tmp_path):
    before = planned(farm, tmp_path / "before")
    run("learn", farm, "--quick", "--apply")
    after = planned(farm, tmp_path / "after")
    assert after != before
    assert b"Moved by the farm's own records (learned.toml" in after["plan.geojson"]
    run("learn", farm, "--undo")
    assert not (farm / LEARNED_FILE).exists()
    assert planned(farm, tmp_path / "again") == before
    assert "Nothing had been learned" in run("learn", farm, "--undo")


def test_learning_twice_gives_the_same_and_does_not_add_up(farm):
    run("learn", farm, "--quick", "--apply")
    first = (farm / LEARNED_FILE).read_bytes()
    run("learn", farm, "--quick", "--apply")
    assert (farm / LEARNED_FILE).read_bytes() == first


def test_a_farm_file_carries_it_and_lets_it_go(farm, tmp_path):
    plain = pack(farm, tmp_path / "plain.gpkg")
    before = planned(plain, tmp_path / "before")
    run("learn", plain, "--quick", "--apply")
    run("learn", farm, "--quick", "--apply")
    packed = pack(farm, tmp_path / "packed.gpkg")
    unpack(packed, tmp_path / "back")
    assert (tmp_path / "back" / LEARNED_FILE).read_bytes() == (farm / LEARNED_FILE).read_bytes()
    assert read_farm(plain).catalogue == read_farm(packed).catalogue == read_farm(farm).catalogue
    assert read_farm(plain).inputs == read_farm(packed).inputs
    assert read_farm(packed).inputs == read_farm(farm).inputs
    for file in (plain, packed):
        run("learn", file, "--undo")
        assert planned(file, tmp_path / file.stem) == before
        assert "Nothing had been learned" in run("learn", file, "--undo")


def test_every_value_that_moved_names_its_source(farm):
    run("learn", farm, "--quick", "--apply")
    moved, plain = farm_catalogue(farm), load_catalogue()
    changed = {
        (key, trait)
        for key, s in moved.species.items()
        for trait, value in s.values.items()
        if value != plain.species[key].values.get(trait)
    }
    assert changed == {
        ("buckwheat", "emergence_sum"), ("buckwheat", "flower_sum"), ("buckwheat", "viable_seed_sum"),
        ("field_pea", "emergence_sum"), ("field_pea", "loss_share"),
    }  # fmt: skip
    for key, trait in changed - {("buckwheat", "viable_seed_sum")}:
        assert moved.species[key].values[trait].source == OWN_RECORDS
    s, old = moved.species["buckwheat"], plain.species["buckwheat"]
    gained = s.number("flower_sum") - old.number("flower_sum")
    assert gained > 0
    assert s.number("viable_seed_sum") - old.number("viable_seed_sum") == pytest.approx(gained)
    assert "viable seed" not in old.values["viable_seed_sum"].source
    assert "own records" in s.values["viable_seed_sum"].conditions
    shown = run("catalogue", "buckwheat", "--farm", farm)
    assert "learned from 4 own records of 4 years" in shown
    assert "not used: 50 degC d" in shown
    assert "learned from 4 own records of 4 years" in run("why", farm, "Pond", "buckwheat")


def test_the_share_of_fields_lost_is_what_the_odds_then_name(farm):
    run("learn", farm, "--quick", "--apply")
    share = farm_catalogue(farm).species["field_pea"].number("loss_share")
    from greengap.process.season import bird_risk

    known = farm_catalogue(farm)
    assert (
        bird_risk(known.covers["field_pea"], known)
        == share
        != bird_risk(load_catalogue().covers["field_pea"], load_catalogue())
    )
    assert bird_risk(known.covers["pea_oat"], known) == 0  # oat stands where the pea is gone


def test_a_record_is_left_out_with_its_reason_only(farm):
    record = read_farm(farm).record
    one = record.loc[(record["what"] == "up") & (record["date"] == "2021-07-11"), "record_id"].iloc[0]
    said = run("learn", farm, "--quick", "--without", f"{one[:8]}=seen from the road", "--apply")
    assert "left out: seen from the road" in said
    text = (farm / LEARNED_FILE).read_text(encoding="utf-8")
    assert f'record_id = "{one}"\nreason = "seen from the road"' in text
    assert one not in text.split("[[without]]")[0]
    with pytest.raises(InputProblem, match="has no reason"):
        run("learn", farm, "--quick", "--without", one)
    with pytest.raises(InputProblem, match="'ffffffff' is no record of this farm"):
        run("learn", farm, "--quick", "--without", "ffffffff=gone")


def test_a_struck_row_is_shown_with_its_reason(farm):
    made = rows()
    [old] = record_of([made[1]])["record_id"]
    struck = row("struck", "2024-11-01", "", corrects=old, note="it was the neighbour's") | {
        "written": "2024-12-02T00:00:00Z"
    }
    (farm / RECORD_FILE).write_text(to_text(record_of([*made, struck])), encoding="utf-8")
    said = run("learn", farm, "--quick")
    assert f"[{old[:8]}] it was the neighbour's" in said
    assert find_lesson(read_farm(farm)).lesson.learned.set_index(["species", "parameter"]).loc[
        ("buckwheat", "emergence"), "records"
    ] == 3  # fmt: skip


def test_a_record_that_lies_far_off_is_shown_and_still_counts(farm):
    made = rows()
    made[1] = row("up", f"{YEARS[0]}-07-30", "Pond")
    (farm / RECORD_FILE).write_text(to_text(record_of(made)), encoding="utf-8")
    odd = [line.strip() for line in run("learn", farm, "--quick").splitlines() if "FAR OFF" in line]
    assert [line for line in odd if line.startswith(f"{YEARS[0]}-07-30 Pond, sown 05 Jul: up after 25 days")]
    assert all(line.startswith(str(YEARS[0])) for line in odd)  # a wrong date of emergence spoils its flower too
    found = find_lesson(read_farm(farm)).lesson
    assert found.learned.set_index(["species", "parameter"]).loc[("buckwheat", "emergence"), "records"] == 4


def test_what_could_not_be_read_again_is_never_written(farm):
    made = []
    for year in range(2004, 2024):  # far too little from every square metre
        made += [
            row("sown", f"{year}-06-10", "Pond", cover_id="buckwheat"),
            row("sample", f"{year}-07-25", "Pond", frame_area_m2=1000.0, dry_g=0.1),
        ]  # fmt: skip
    (farm / RECORD_FILE).write_text(to_text(record_of(made)), encoding="utf-8")
    with pytest.raises(InputProblem, match=r"after is more than 50 times off before\. Look at its records"):
        run("learn", farm, "--quick", "--apply")
    assert not (farm / LEARNED_FILE).exists()


def test_a_farm_without_records_has_nothing_to_learn(farm):
    (farm / RECORD_FILE).unlink()
    assert "No record moves anything yet" in run("learn", farm)
    with pytest.raises(InputProblem, match="has no record that moves anything"):
        run("learn", farm, "--apply")
    assert not (farm / LEARNED_FILE).exists()


def test_tables_come_as_csv(farm):
    from io import StringIO

    moved = pd.read_csv(StringIO(run("learn", farm, "--csv")))
    assert {"emergence", "flowering", "loss"} == set(moved["parameter"])
    records = pd.read_csv(StringIO(run("learn", farm, "--records")))
    assert (~records["used"]).sum() == 1


def test_the_file_reads_as_it_was_written(farm):
    own = find_lesson(read_farm(farm))
    path = farm / LEARNED_FILE
    path.write_text(learned_text(own.lesson.learned, own.before, {"abc": 'said "no"\n\\'}), encoding="utf-8")
    back, version = read_learned(path)
    assert version == load_catalogue().version
    assert back["record_ids"].tolist() == own.lesson.learned["record_ids"].tolist()
    for column in ("before", "after", "low", "high"):
        assert back[column].to_numpy() == pytest.approx(own.lesson.learned[column].to_numpy(), rel=1e-5)
    assert with_learned(own.before, back).species.keys() == own.before.species.keys()


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[[learned]\n", "learned.toml: is not valid TOML"),
        ("learned = 3\n", "learned.toml, learned: is no list of tables"),
        ('[[learned]]\nspecies = "oat"\n', "learned.toml, learned, entry 1: no parameter"),
        ("[[learned]]\n{}\nafter = -3", "have to be numbers above zero"),
        ("[[learned]]\n{}\nafter = 90.0", "after does not lie between low and high"),
        ("[[learned]]\n{}\nafter = 52.0\nodd = 1", "unknown key 'odd'"),
        ("[[learned]]\n{}\nafter = 52.0", "cannot be used"),
        ("[[learned]]\n{}\nafter = nan", "have to be numbers above zero"),
        ("luck = 1\n", "learned.toml, luck: is not a part that is known"),
        (EMERGENCE.replace("oat", "moonflower"), "moonflower is no species of the catalogue"),
        (EMERGENCE + EMERGENCE, "oat, emergence stands twice"),
        (EMERGENCE.replace("50.0", "0.5"), "after is more than 50 times off before"),
        (EMERGENCE.replace("emergence", "loss"), "a share of fields cannot reach 1"),
    ],
)
def test_a_file_that_a_hand_has_spoilt_is_refused_in_a_sentence(farm, text, sentence):
    lines = 'species = "oat"\nparameter = "luck"\nunit = "degC d"\nbefore = 50.0\nlow = 40.0\nhigh = 60.0\n'
    lines += 'records = 1\nyears = 1\nrecord_ids = ["a"]'
    (farm / LEARNED_FILE).write_text(text.replace("{}", lines), encoding="utf-8")
    with pytest.raises(InputProblem) as problem:
        read_farm(farm)
    assert sentence in problem.value.sentence
    run("learn", farm, "--undo")  # what cannot be read can still be taken away
    assert read_farm(farm).catalogue is load_catalogue()


def test_a_file_learned_on_another_catalogue_says_so(farm):
    run("learn", farm, "--quick", "--apply")
    path = farm / LEARNED_FILE
    old = path.read_text(encoding="utf-8").replace(load_catalogue().version, "0123456789ab")
    path.write_text(old, encoding="utf-8")
    assert "learned on another version of the catalogue" in run("catalogue", "buckwheat", "--farm", farm)


def test_this_years_days_stand_behind_the_weather_years_and_days_between_are_missing(sample_farm):
    site = sample_farm.weather.isel(site_id=[0])
    now = sample_farm.weather_cells.isel(cell_id=[0]).sel(date=slice("2024-03-01", "2024-04-30"))
    now = now.assign_coords(date=now["date"] + pd.Timedelta(days=730))
    both = with_this_year(site, now)
    assert both["date"].to_numpy()[-1] == now["date"].to_numpy()[-1]
    assert both["tmin_degc"].sel(date="2026-03-15").item() == now["tmin_degc"].sel(date="2026-03-15").item()
    assert np.isnan(both["tmin_degc"].sel(date="2025-07-01").to_numpy()).all()
    assert both.sel(date=slice(None, "2024-12-31"))["tmax_degc"].equals(site["tmax_degc"])
    assert with_this_year(site, None) is site
