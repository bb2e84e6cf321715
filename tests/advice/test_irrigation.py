"""Sets of irrigation: litres and hours by hand, and no water where there is no riser."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import pandas as pd
import pytest

from greengap import plan_farm, read_farm
from greengap.advice.ground import ground_facts, ground_lines
from greengap.advice.irrigation import water_lines, water_sets
from greengap.catalogue import load_catalogue
from greengap.errors import InputProblem
from greengap.farm.settings import settings_from
from greengap.output.summary import summary
from greengap.pack import pack, unpack
from greengap.plan import Plan
from greengap.units import ACRE_M2, GALLON_L

CATALOGUE = load_catalogue()
SAMPLE = Path(__file__).resolve().parents[2] / "sample_fields"
SET = """
[irrigation_set]
area_m2 = 2500
flow_m3_h = 10
rotation_d = 7
method = "sprinkler"
"""


def kept(folder: Path, settings: str, blocks: tuple[str, ...] = ("River 1", "Upper Bench")) -> Path:
    """Two blocks of the sample farm, one with water and one without, with more lines in the settings."""

    shutil.copytree(SAMPLE, folder)
    lines = (folder / "crop_calendar.csv").read_text(encoding="utf-8").splitlines()
    text = "\n".join(lines[:2] + [line for line in lines[2:] if line.split(",")[0] in blocks]) + "\n"
    (folder / "crop_calendar.csv").write_text(text, encoding="utf-8")
    with (folder / "farm.toml").open("a", encoding="utf-8") as out:
        out.write(settings)
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return kept(tmp_path_factory.mktemp("sets") / "farm", SET)


@pytest.fixture(scope="module")
def plan(folder) -> Plan:
    return plan_farm(read_farm(folder))


def test_litres_and_hours_are_those_of_the_trade(plan):
    """By hand: 12 mm on 2,500 m2 are 30 m3; of 40 m3 at the pump a quarter is lost; 10 m3/h take four hours."""
    rows = plan.water_sets[plan.water_sets["purpose"] == "bring up"]
    assert len(rows)
    assert rows["depth_mm"].tolist() == [12.0] * len(rows)
    assert rows["l_per_set"].tolist() == pytest.approx([40_000.0] * len(rows))
    assert rows["h_per_set"].tolist() == pytest.approx([4.0] * len(rows))
    area = plan.blocks.set_index("block_id").loc["River 1", "area_sown_m2"]
    assert set(rows["sets"]) == {math.ceil(area / 2500)}
    grow = plan.water_sets[plan.water_sets["purpose"] == "grow"]
    assert grow["l_per_set"].tolist() == pytest.approx([25 * 2500 / 0.75] * len(grow))


def test_us_units_say_the_same():
    """450 gal/min on an acre: an acre-inch is 27,154 US gallons (arithmetic of the trade), an hour of 452.6 gal/min."""
    assert pytest.approx(27_154, rel=1e-4) == ACRE_M2 * 25.4 / GALLON_L
    lines = b"irrigation = true\n[irrigation_set]\narea_ac = 1\nflow_gpm = 452.57\n[files]\n"
    one = settings_from(lines, Path(), "x", must_exist=False).irrigation_set("any")
    assert one.area_m2 * 25.4 / one.flow_l_h == pytest.approx(1.0, rel=1e-4)
    assert one.method is None


def test_no_plan_waters_a_block_without_a_riser(plan):
    watered = {row.block_id for row in plan.ground.itertuples() if row.watered}
    assert "Upper Bench" not in watered
    assert "River 1" in watered
    option_block = plan.season["option_id"].map(plan.options.set_index("option_id")["block_id"])
    assert (plan.season.loc[~option_block.isin(watered), "irrigation_mm"] == 0).all()
    assert (plan.season.loc[option_block.isin(watered), "irrigation_mm"] > 0).any()
    assert set(plan.water_sets["block_id"]) == {"River 1"}
    words = [line for line in summary(plan) if " a turn, " in line]
    assert words
    assert not any("Upper Bench" in line for line in words)


def test_the_sample_farm_waters_no_block_without_a_riser(sample_plan):
    dry = [block for block in sample_plan.blocks["block_id"] if not sample_plan.settings.waters(block)]
    assert dry
    option_block = sample_plan.season["option_id"].map(sample_plan.options.set_index("option_id")["block_id"])
    assert (sample_plan.season.loc[option_block.isin(dry), "irrigation_mm"] == 0).all()
    assert sample_plan.water_sets.empty  # no set is said


def test_turns_are_those_of_the_season(plan):
    for row in plan.water_sets.itertuples():
        option = plan.allocation.set_index("gap_id").loc[row.gap_id, "option_id"]
        years = plan.season[plan.season["option_id"] == option]
        column = "establishment_water_mm" if row.purpose == "bring up" else "irrigation_mm"
        assert row.turns_p50 == pytest.approx(years[column].median() / row.depth_mm)
        area = plan.blocks.set_index("block_id").loc[row.block_id, "area_sown_m2"]
        assert row.season_l == pytest.approx(row.turns_p50 * row.depth_mm * area / 0.75)


def test_watered_ground_needs_as_much_water_to_bring_seed_up_as_dry_ground_lacks(plan, tmp_path):
    text = "\nirrigation = false\n"
    dry_folder = kept(tmp_path / "dry", "")
    toml = (dry_folder / "farm.toml").read_text(encoding="utf-8")
    start = toml.index("irrigation = [")
    (dry_folder / "farm.toml").write_text(
        toml[:start] + text.strip() + toml[toml.index("]", start) + 1 :], encoding="utf-8"
    )
    dry = plan_farm(read_farm(dry_folder))
    both = plan.season.merge(dry.season, on=["option_id", "weather_year"], suffixes=("", "_dry"))
    quick = both[both["option_id"].str.startswith("River 1") & both["emergence_d"].notna()]
    assert (quick["establishment_water_mm"] > 0).any()
    # Watered seed is up sooner, so that it needs at most what dry ground would lack.
    assert (quick["establishment_water_mm"] <= quick["establishment_water_mm_dry"] + 1e-9).mean() > 0.99


def test_a_round_that_is_too_long_is_named(plan):
    notes = plan.water_sets.loc[plan.water_sets["turns_p90"] > 0, "note"]
    assert notes.str.contains("seed wants water every 3 dry days").any()
    wide = plan.ground.assign(rotation_d=1.0, flow_l_h=100.0)
    slow = water_sets(plan.allocation, plan.season, plan.blocks, wide, plan.catalogue)
    assert slow["note"].str.contains("longer than the round of 1 days").any()
    rare = water_sets(
        plan.allocation, plan.season, plan.blocks, plan.ground.assign(rotation_d=60.0), plan.catalogue
    ).query("purpose == 'grow'")
    for note in rare["note"][rare["note"].str.contains("one year of ten wants")]:
        wanted, room = (int(word) for word in note.split() if word.isdigit())
        assert wanted > room
    assert rare["note"].str.contains("one year of ten wants").any()


def test_what_is_said_of_one_block_stands_over_what_is_said_of_all():
    lines = b"""irrigation = ["A", "B"]
[irrigation_set]
area_m2 = 1000
rotation_d = 5
[irrigation_set.blocks.A]
area_m2 = 400
flow_l_min = 50
[files]
"""
    settings = settings_from(lines, Path(), "x", must_exist=False)
    a, b = settings.irrigation_set("A"), settings.irrigation_set("B")
    assert (a.area_m2, a.flow_l_h, a.rotation_d) == (400.0, 3000.0, 5.0)
    assert (b.area_m2, b.flow_l_h, b.rotation_d) == (1000.0, None, 5.0)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("[irrigation_set]\narea_m2 = 1\narea_ac = 2", "and area_m2 say the same"),
        ("[irrigation_set]\nflow_gpm = -1", "irrigation_set.flow_gpm: -1 cannot be"),
        ('[irrigation_set]\nmethod = "hose"', "'hose' is not known"),
        ("[irrigation_set]\nsize = 3", "is not a setting that is known"),
        ("[irrigation_set.blocks.C]\narea_m2 = 3", "is not among the blocks that can be watered"),
    ],
)
def test_a_set_that_cannot_be_meant_is_refused(lines, words):
    with pytest.raises(InputProblem, match=words):
        settings_from(f'irrigation = ["A"]\n{lines}\n[files]\n'.encode(), Path(), "x", must_exist=False)


def test_a_set_of_no_block_of_the_farm_is_refused(tmp_path):
    folder = kept(tmp_path / "farm", "\n[irrigation_set.blocks.Nowhere]\narea_m2 = 5\n")
    toml = (folder / "farm.toml").read_text(encoding="utf-8")
    start = toml.index("irrigation = [")
    (folder / "farm.toml").write_text(
        toml[:start] + "irrigation = true" + toml[toml.index("]", start) + 1 :], encoding="utf-8"
    )
    with pytest.raises(InputProblem, match="'Nowhere' is not a block"):
        read_farm(folder)


def test_sets_go_through_the_farm_file_and_are_shown(folder, plan, tmp_path):
    unpack(pack(folder, tmp_path / "farm.gpkg"), tmp_path / "again")
    for where in (tmp_path / "farm.gpkg", tmp_path / "again"):
        farm = read_farm(where)
        facts = ground_facts(farm.blocks, farm.soil, farm.settings, farm.catalogue)
        pd.testing.assert_frame_equal(facts, plan.ground)
    lines = list(ground_lines(plan.ground, plan.settings))
    assert any(line.startswith("  River 1: watered in ") and "every 7 days" in line for line in lines)
    shown = list(water_lines(plan.water_sets, plan.settings))
    assert any("40,000 L, 4.0 h each" in line for line in shown)
