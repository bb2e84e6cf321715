"""`greengap order` and `greengap catalogue` as a person calls them, and what lists beside the farm do to a plan."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from greengap import cli, plan_farm, read_farm
from greengap.errors import InputProblem

SAMPLE = Path(__file__).parents[1] / "sample_fields"


@pytest.fixture
def farm(tmp_path: Path) -> Path:
    folder = tmp_path / "farm"
    shutil.copytree(SAMPLE, folder)
    return folder


@pytest.fixture(scope="module")
def run(sample_plan):
    """Call the program; the sample farm is planned once."""
    import greengap.plan as chain

    def call(*words: str, planned: bool = True) -> tuple[int, str, str]:
        with pytest.MonkeyPatch.context() as patch:
            if planned:
                patch.setattr(cli, "_planned", lambda read: sample_plan)
            result = CliRunner().invoke(cli.app, [str(w) for w in words])
        if isinstance(result.exception, InputProblem):
            return 2, result.stdout, result.exception.sentence
        assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
        assert chain
        return result.exit_code, result.stdout, ""

    return call


def test_the_order_is_printed_and_written(run, tmp_path):
    code, text, _ = run("order", SAMPLE, "--out", tmp_path / "out", "--row-spacing", "7.5 in", "--drill-width", "1.5 m")
    assert code == 0
    names = {p.name for p in (tmp_path / "out").iterdir()}
    assert {"seed_order.csv", "order_lines.csv", "seed_order.xlsx", "seed_order.html", "seed_order.pdf"} <= names
    assert {"drill_calibration.csv", "bed_seed.csv", "seed_search.csv", "rates.csv", "inoculants.csv"} <= names
    assert {"lot_rates.csv", "lot_cards.html", "lot_cards.pdf"} <= names
    assert "Buckwheat" in text
    slip = pd.read_csv(tmp_path / "out" / "drill_calibration.csv")
    assert slip["g_per_100_m_row"].notna().all()
    assert slip["wheel_turns"].eq(20).all()  # the wheel is the one that the farm has entered
    assert slip["g_per_wheel_turns"].tolist() == pytest.approx((slip["g_per_100_m2"] * 2.1 * 1.5 * 20 / 100).tolist())


def test_a_record_of_the_search_that_was_filled_in_is_not_lost(run, tmp_path):
    out = tmp_path / "out"
    run("order", SAMPLE, "--out", out)
    record = pd.read_csv(out / "seed_search.csv", dtype=str, keep_default_na=False)
    first = record.index[0]
    record.loc[first, ["supplier_asked", "date", "organic_offered"]] = ["Dale", "2027-01-10", "no"]
    record.to_csv(out / "seed_search.csv", index=False)
    code, text, _ = run("order", SAMPLE, "--out", out)
    assert code == 0
    assert f"{record.loc[first, 'species']}, {record.loc[first, 'year']}: 1 of 3 suppliers asked" in text
    again = pd.read_csv(out / "seed_search.csv", dtype=str, keep_default_na=False)
    assert list(again.loc[first, ["supplier_asked", "date", "organic_offered"]]) == ["Dale", "2027-01-10", "no"]


def test_lines_can_be_had_as_csv_alone(run, tmp_path):
    code, text, _ = run("order", SAMPLE, "--out", tmp_path / "out", "--csv")
    assert code == 0
    assert text.splitlines()[0].startswith("year,species,line,name,from_where")


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--row-spacing", "7.5"], "--row-spacing: '7.5' is not a length"),
        (["--drill-width", "-1 m"], "--drill-width: '-1 m' is not a length"),
        (["--year", "1999"], "--year: nothing is sown in 1999"),
        (["--without", "buckweat"], "'buckweat' is not a species of the catalogue. Perhaps 'buckwheat' is meant"),
        (["--prices", "nowhere.csv"], "nowhere.csv: there is no such file"),
        (["--stock", "nowhere.csv"], "nowhere.csv: there is no such file"),
        (["--search", "nowhere.csv"], "nowhere.csv: there is no such file"),
        (["--reserve", "90"], "--reserve: 90 is not a share between 0 and 1"),
    ],
)
def test_a_slip_gets_one_sentence_and_nothing_is_written(run, tmp_path, words, sentence):
    code, _, said = run("order", SAMPLE, "--out", tmp_path / "out", *words)
    assert code == 2
    assert sentence in said
    assert not (tmp_path / "out").exists()


def test_prices_and_stock_beside_the_farm_are_found_by_name(farm):
    (farm / "seed_prices.csv").write_text("species,bag_kg,price,currency\nbuckwheat,25,40,EUR\n", encoding="utf-8")
    (farm / "seed_stock.csv").write_text("species,kg\noat,60\n", encoding="utf-8")
    read = read_farm(farm)
    assert {"seed_prices.csv", "seed_stock.csv"} <= set(read.inputs)
    order = plan_farm(read).seed_order.set_index(["species", "year"])
    assert order.loc[("oat", 2028), "in_stock_kg"] == 60
    assert order.loc[("buckwheat", 2027), "cost"] == 40 * order.loc[("buckwheat", 2027), "bags"]


def test_an_interval_of_a_label_keeps_a_cover_off_a_block(farm, sample_plan):
    chosen = sample_plan.allocation.set_index("gap_id")["cover_id"]
    assert chosen["Pond/2"] == "sorghum_sudangrass"
    rows = ["block,product,applied,species,interval_days".replace("interval_days", "interval_d")]
    rows += ["Pond,Kilweed,2027-05-20,sorghum_sudangrass,300", "Pond,Kilweed,2027-05-20,oat,10"]
    (farm / "herbicides.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    plan = plan_farm(read_farm(farm))
    gates = plan.suitability[
        (plan.suitability["gap_id"] == "Pond/2") & (plan.suitability["criterion"] == "herbicide label")
    ]
    of = gates.set_index("cover_id")
    assert not of.loc["sorghum_sudangrass", "passed"]
    assert "ends 15 Mar 2028" in of.loc["sorghum_sudangrass", "reason"]
    assert of.loc["oat", "passed"]
    assert of.loc["cowpea", "passed"]
    assert "interval not entered for cowpea" in of.loc["cowpea", "reason"]
    assert plan.allocation.set_index("gap_id").loc["Pond/2", "cover_id"] != "sorghum_sudangrass"
    others = plan.allocation.set_index("gap_id")["cover_id"].drop("Pond/2")
    assert (others == chosen.drop("Pond/2")).all()
    table = plan.label_intervals
    assert "Pond/2" in set(table["gap_id"])


def test_a_listed_name_is_asked_about_in_the_plan(farm):
    (farm / "noxious_names.csv").write_text("name,list\nSorghum bicolor,Ohio rule\n", encoding="utf-8")
    table = plan_farm(read_farm(farm)).listed_names.set_index("species")
    assert table.loc["sorghum_sudangrass", "list_name"] == "Ohio rule"
    assert "clears nothing" in table.loc["buckwheat", "question"]


def test_a_farms_own_mix_is_offered_and_the_plan_tells_its_file(farm):
    text = (Path(__file__).parents[1] / "docs" / "inputs.md").read_text(encoding="utf-8")
    example = text.split("## catalogue.toml")[1].split("```toml")[1].split("```")[0]
    (farm / "catalogue.toml").write_text(example, encoding="utf-8")
    read = read_farm(farm)
    assert {"dixie", "dixie_oat"} <= set(read.catalogue.covers)
    assert "catalogue.toml" in read.inputs
    plan = plan_farm(read)
    assert "dixie_oat" in set(plan.recommendation["cover_id"])
    assert "+own." in plan.metadata["catalogue_version"]


def test_the_catalogue_is_listed_and_shown(run, farm):
    code, text, _ = run("catalogue")
    assert code == 0
    assert "28 species" in text
    assert "values without source: 0" in text
    code, text, _ = run("catalogue", "Red clover")
    assert "Trifolium pratense" in text
    assert "Not offered as a cover" in text
    code, text, _ = run("catalogue", "buckwheat", "--csv")
    assert text.startswith("subject,trait,low,typical,high")
    code, _, said = run("catalogue", "buckweat")
    assert code == 2
    assert "Perhaps 'buckwheat' is meant" in said
    code, _, said = run("catalogue", "--farm", farm)
    assert "holds no catalogue.toml" in said


def test_mixes_can_be_asked_for_a_gap(run):
    code, text, _ = run("options", SAMPLE, "River 1/2", "--mixes")
    assert code == 0
    assert "no mix beats" in text or "Mixes designed for" in text
