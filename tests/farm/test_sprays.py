"""The list of planned sprays, as a file and as tables of farm.toml."""

import shutil
from pathlib import Path

import pandas as pd
import pytest

from greengap import read_farm
from greengap.errors import ImportReport, InputProblem
from greengap.farm.settings import settings_from
from greengap.farm.sprays import read_sprays
from greengap.pack import pack, unpack

ROOT = Path(__file__).parents[2]
HEAD = "block,neighbour,distance_m,distance_ft,from,until,product,label_on_bees,harms_bees,call\n"
FILES = '[files]\npolygons = "b"\ncrop_calendar = "c"\nweather = "w"\n'


def sprays(tmp_path, text, tables=()):
    path = tmp_path / "planned_sprays.csv"
    path.write_text(text, encoding="utf-8")
    report = ImportReport()
    found = read_sprays(path, tables, ["A", "B"], report)
    assert report.lost(path.name) == 0
    return found


def in_settings(text):
    return settings_from((FILES + text).encode(), Path(), "x", must_exist=False).planned_sprays


def test_file_and_settings_make_one_list_by_day(tmp_path):
    rows = 'A,,,,2027-07-20,2027-07-22,X 5,"not on bloom, at any hour",yes,Ann 12\n,lane orchard,,100,2027-06-01,,,,,\n'
    tables = in_settings('[[planned_sprays]]\nblock = "B"\nfrom = 2027-06-15\nharms_bees = false\n')
    lane, b, a = sprays(tmp_path, HEAD + rows, tables)
    assert (lane.neighbour, lane.block_id, lane.harms_bees, lane.first) == (
        "lane orchard", "", None, pd.Timestamp("2027-06-01"),
    )  # fmt: skip
    assert lane.distance_m == pytest.approx(30.48)  # 100 ft, international foot
    assert lane.last == lane.first
    assert (b.block_id, b.harms_bees, b.place) == ("B", False, "farm.toml spray 1")
    assert (a.product, a.label_on_bees, a.call) == ("X 5", "not on bloom, at any hour", "Ann 12")
    assert (a.harms_bees, a.last, a.place) == (True, pd.Timestamp("2027-07-22"), "planned_sprays.csv row 2")


@pytest.mark.parametrize("said", ["", "not known", "Unknown", "?"])
def test_what_is_not_known_is_not_no(tmp_path, said):
    (spray,) = sprays(tmp_path, f"{HEAD}A,,,,2027-07-20,,,,{said},\n")
    assert spray.harms_bees is None


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ("C,,,,2027-07-20,,,,,", "block: C is not a block"),
        (",,,,2027-07-20,,,,,", "block and neighbour: both are empty"),
        ("A,lane,,,2027-07-20,,,,,", "block and neighbour: both are filled"),
        ("A,,5,,2027-07-20,,,,,", "distance_m: is for a neighbour's ground"),
        (",lane,5,5,2027-07-20,,,,,", "distance_m and distance_ft: both are filled"),
        (",lane,-1,,2027-07-20,,,,,", "a distance of -1 cannot be"),
        ("A,,,,20 July,,,,,", "from: 20 July is not a date"),
        ("A,,,,,,,,,", "from: the cell is empty"),
        ("A,,,,2027-07-20,2027-07-19,,,,", "until: 2027-07-19 lies before the day in from"),
        ("A,,,,2027-07-20,2027-12-19,,,,", "is more than 60 days after from"),
        ("A,,,,1207-07-20,,,,,", "from: 1207-07-20 is "),
        ("A,,,,2027-07-20,,,,maybe,", "harms_bees: maybe is neither yes nor no"),
    ],
)
def test_each_bad_cell_gets_its_sentence(tmp_path, row, sentence):
    with pytest.raises(InputProblem) as caught:
        sprays(tmp_path, HEAD + row + "\n")
    assert sentence in caught.value.sentence
    assert caught.value.exit_code == 2


def test_all_bad_rows_are_told_at_once(tmp_path):
    with pytest.raises(InputProblem) as caught:
        sprays(tmp_path, HEAD + "C,,,,2027-07-20,,,,,\nA,,,,soon,,,,,\n")
    assert "row 2" in caught.value.sentence
    assert "row 3" in caught.value.sentence


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("planned_sprays = 3\n", "planned_sprays: 3 is not a list"),
        ("planned_sprays = [3]\n", "is not a list of tables"),
        ("[[planned_sprays]]\nfrom = [1]\n", "is not text, a number or a date"),
        ('spray_distance = "far"\n', "spray_distance: 'far' is not a number with a unit"),
        ("[mowing]\narea_ha_d = 0\n", "mowing.area_ha_d"),
    ],
)
def test_settings_that_cannot_be_are_refused(text, sentence):
    with pytest.raises(InputProblem) as caught:
        settings_from((text + FILES).encode(), Path(), "x", must_exist=False)
    assert sentence in caught.value.sentence


def test_a_line_of_settings_that_is_not_known_is_refused():
    with pytest.raises(InputProblem, match="planned_sprays 1, blok: is not a line that is read"):
        read_sprays(None, [{"blok": "A", "from": "2027-06-01"}], ["A"], ImportReport())


def test_the_list_goes_into_the_farm_file_and_out_again(tmp_path):
    folder = shutil.copytree(ROOT / "sample_fields", tmp_path / "farm")
    (folder / "planned_sprays.csv").write_text("block,from,harms_bees\nPond,2027-07-20,yes\n", encoding="utf-8")
    with (folder / "farm.toml").open("a", encoding="utf-8") as settings:
        settings.write('\n[[planned_sprays]]\nneighbour = "lane"\nfrom = 2027-06-15\n')
    typed = read_farm(folder).sprays
    assert [s.neighbour or s.block_id for s in typed] == ["lane", "Pond"]
    file = pack(folder, tmp_path / "farm.gpkg")
    assert read_farm(file).sprays == typed
    unpack(file, tmp_path / "again")
    assert read_farm(tmp_path / "again").sprays == typed
