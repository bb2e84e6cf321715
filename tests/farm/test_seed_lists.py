"""Seed in the shed and on offer: what is read, and the sentence that each bad cell gets."""

from pathlib import Path

import pytest

from greengap.catalogue import load_catalogue
from greengap.errors import ImportReport, InputProblem
from greengap.farm.seed_lists import SeedLists, read_seed_lists

CATALOGUE = load_catalogue()
PRICES = "species,supplier,bag_kg,price,currency,purity_percent,germination_percent\n"


def read(tmp_path: Path, stock: str | None = None, prices: str | None = None) -> SeedLists:
    paths = []
    for name, text in (("seed_stock.csv", stock), ("seed_prices.csv", prices)):
        if text is None:
            paths.append(None)
            continue
        (tmp_path / name).write_text(text, encoding="utf-8")
        paths.append(tmp_path / name)
    report = ImportReport()
    lists = read_seed_lists(*paths, CATALOGUE, report)
    assert all(report.lost(file) == 0 for file in report.rows_read)
    return lists


def test_a_list_is_read_by_key_or_trade_name_in_kilograms_or_pounds(tmp_path):
    lists = read(
        tmp_path,
        stock="species,lot,lb,purity_percent,germination_percent\nField pea,A1,100,99,85\n",
        prices="species,supplier,bag_lb,price,currency,available_lb\n# remark\nbuckwheat,Hill,50,40,USD,500\n",
    )
    assert lists.stock[0].species == "field_pea"
    assert lists.stock[0].kg == pytest.approx(45.359237)
    assert lists.stock[0].tag.germination_fraction == 0.85
    assert lists.offers[0].bag_kg == pytest.approx(22.6796185)
    assert lists.offers[0].available_kg == pytest.approx(226.796185)
    assert lists.currency == "USD"


def test_semicolons_and_decimal_commas_are_read(tmp_path):
    lists = read(tmp_path, prices="species;bag_kg;price;currency\noat;12,5;30,40;EUR\n")
    assert (lists.offers[0].bag_kg, lists.offers[0].price) == (12.5, 30.4)


def test_inoculant_stands_in_the_price_list_by_its_group(tmp_path):
    lists = read(tmp_path, prices="species,bag_kg,price\ninoculant pea and vetch,100,24\n")
    assert lists.offers[0].is_inoculant
    assert lists.offers[0].species == "pea and vetch"


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ("buckwheat,Hill,0,41,EUR,98,85", "row 2 (buckwheat), bag_kg: a bag of 0 holds no seed"),
        ("buckwheat,Hill,-25,41,EUR,98,85", "row 2 (buckwheat), bag_kg: a bag of -25 holds no seed"),
        ("buckwheat,Hill,,41,EUR,98,85", "row 2 (buckwheat), bag_kg: the cell is empty"),
        ("buckwheat,Hill,25,-4,EUR,98,85", "row 2 (buckwheat), price: a price of -4 is below nothing"),
        ("buckwheat,Hill,25,41,EUR,98,0", "germination_percent: 0 % would mean that no seed lives"),
        ("buckwheat,Hill,25,41,EUR,98,120", "germination_percent: 120 % is more than all of the seed"),
        ("buckwheat,Hill,25,41,EUR,98,-3", "germination_percent: -3 % is below nothing"),
        ("buckwheat,Hill,25,41,EUR,98,0.85", "germination_percent: 0.85 % looks like a share"),
        ("buckwheat,Hill,25,41,EUR,98,", "germination_percent: is empty beside the other figure of the tag"),
        ("buckwheat,Hill,25,forty,EUR,98,85", "price: forty is not a number"),
        ("buckwheat,Hill,25,nan,EUR,98,85", "price: nan is not a number"),
        ("buckweat,Hill,25,41,EUR,98,85", "species: buckweat is not a species of the catalogue"),
        (",Hill,25,41,EUR,98,85", "species: the cell is empty"),
    ],
)
def test_each_bad_cell_gets_its_sentence(tmp_path, row, sentence):
    with pytest.raises(InputProblem) as caught:
        read(tmp_path, prices=PRICES + row + "\n")
    assert sentence in caught.value.sentence
    assert caught.value.sentence.startswith("seed_prices.csv, row 2")
    assert caught.value.remedy


def test_all_bad_rows_are_told_at_once_each_with_its_remedy(tmp_path):
    with pytest.raises(InputProblem) as caught:
        read(tmp_path, prices=PRICES + "buckwheat,Hill,0,41,EUR,98,85\nsunflowr,Hill,25,41,EUR,98,120\n")
    sentence = caught.value.sentence
    for part in ("row 2 (buckwheat)", "row 3 (sunflowr)", "Write the weight of a full bag", "'sunflower' is meant"):
        assert part in sentence


def test_less_than_nothing_is_not_in_the_shed(tmp_path):
    with pytest.raises(InputProblem, match=r"seed_stock.csv, row 2 \(oat\), kg: -5 cannot be in the shed"):
        read(tmp_path, stock="species,lot,kg\noat,left,-5\n")


def test_germination_and_hard_seed_cannot_be_more_than_the_seed(tmp_path):
    text = "species,kg,purity_percent,germination_percent,hard_seed_percent\ncrimson_clover,5,98,90,15\n"
    with pytest.raises(InputProblem, match="add up to 105 %"):
        read(tmp_path, stock=text)


def test_two_currencies_do_not_add_up(tmp_path):
    text = "species,bag_kg,price,currency\noat,25,20,EUR\nbuckwheat,25,20,USD\n"
    with pytest.raises(InputProblem, match="prices in EUR and USD, which do not add up"):
        read(tmp_path, prices=text)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "is empty"),
        ("species,bagkg\noat,25\n", "the column 'bagkg' is not a column that is read"),
        ("supplier,bag_kg\nHill,25\n", "the column 'species' is missing"),
        ("species,bag_kg,bag_kg\noat,25,25\n", "the column 'bag_kg' is there twice"),
        ("species,bag_kg\noat,25,7\n", "has 3 cells under 2 column names"),
        ("species,bag_kg,bag_lb\noat,25,50\n", "both are filled"),
        ("species,bag_kg,organic\noat,25,perhaps\n", "perhaps is neither yes nor no"),
    ],
)
def test_a_table_that_cannot_be_read_says_why(tmp_path, text, sentence):
    with pytest.raises(InputProblem) as caught:
        read(tmp_path, prices=text)
    assert sentence in caught.value.sentence


@pytest.mark.parametrize("data", [b"PK\x03\x04x", b"species,bag_kg\noat\xff,25\n", b"a\0b"])
def test_a_file_that_is_no_csv_says_so(tmp_path, data):
    path = tmp_path / "seed_prices.csv"
    path.write_bytes(data)
    with pytest.raises(InputProblem):
        read_seed_lists(None, path, CATALOGUE, ImportReport())


def test_sold_out_means_offered_by_somebody_left_with_nobody_and_not_in_the_shed(tmp_path):
    prices = "species,bag_kg,available_kg\noat,25,0\nbuckwheat,25,0\nbuckwheat,20,\nsunflower,25,0\n"
    lists = read(tmp_path, stock="species,kg\nsunflower,5\n", prices=prices)
    assert lists.sold_out() == ("oat",)
