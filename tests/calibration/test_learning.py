"""Learning through the engine: what a record says, which rows say nothing, and figures that were put in come out.

Everything simulated here is made with the engine on the weather of the sample farm, which is invented.
"""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from greengap.advice.seeding import plants_per_m2
from greengap.calibration.learning import learn, scatter_of
from greengap.calibration.own_residuals import OwnGround, residuals
from greengap.calibration.own_sowings import OwnSowing, Seen, own_sowings
from greengap.calibration.pooling import pool
from greengap.calibration.trial_season import Sowing, run_season, stand_given, with_number
from greengap.catalogue import load_catalogue
from greengap.farm.season_record import current, record_of
from greengap.plan import places
from greengap.process.drivers import component_events
from greengap.process.seedbed import sowing_depth
from greengap.process.thermal_time import day_reached

CATALOGUE = load_catalogue()
BLOCKS = ("Pond", "Beds 3", "River 1")  # all watered


@pytest.fixture(scope="module")
def grounds(sample_farm) -> dict[str, OwnGround]:
    where = places(sample_farm)
    return {
        block: OwnGround(sample_farm.weather.sel(site_id=[sample_farm.site_of_block[block]]), where[block])
        for block in BLOCKS
    }


def day(text: str) -> pd.Timestamp:
    return pd.Timestamp(text)


def sowing(cover: str, sown: str, *seen: Seen, block: str = "Pond", **more: object) -> OwnSowing:
    name = f"{block} {cover} {sown}"
    return OwnSowing(name, block, cover, day(sown), seen=tuple(seen), **more)  # type: ignore[arg-type]


def up(date: str, species: str = "", name: str = "u") -> Seen:
    return Seen("up", species, day(date), (name,))


def depth(cover: str) -> float:
    return sowing_depth(CATALOGUE.covers[cover], CATALOGUE).depth_mm[cover]


# -- figures that were put in come out -------------------------------------------------------------


def test_simulated_dates_cover_the_sums_they_were_made_with_at_the_stated_rate(grounds):
    # Simulated: farms, years and records scatter as the catalogue says; dates are whole days.
    scatter, draw = {p: scatter_of(p, CATALOGUE) for p in ("emergence", "flowering")}, np.random.default_rng(12)
    inside = {"emergence": [], "flowering": []}
    for _ in range(60):
        farm = {p: draw.normal(0, s.farm) for p, s in scatter.items()}
        truth = {
            (p, key): farm[p] + draw.normal(0, s.species) for p, s in scatter.items() for key in ("buckwheat", "oat")
        }
        sowings = []
        for year in draw.choice(range(2001, 2024), draw.integers(1, 5), replace=False):
            common = {p: draw.normal(0, s.year) for p, s in scatter.items()}
            for key in ("buckwheat", "oat"):
                own = {p: draw.normal(0, s.species_year) for p, s in scatter.items()}
                block = str(draw.choice(BLOCKS))
                ground, s = grounds[block], CATALOGUE.species[key]
                days, start = ground.days(CATALOGUE), ground.at(day(f"{year}-06-10"))
                factor = {
                    p: np.exp(truth[p, key] + common[p] + own[p] + draw.normal(0, scatter[p].record)) for p in scatter
                }
                wanted = s.number("emergence_sum") * factor["emergence"]
                at = int(day_reached(days.emergence_sums(s, depth(key)), np.array([start]), wanted)[0])
                wanted = s.number("flower_sum") * factor["flowering"]
                flower = int(day_reached(days.development_sums(s), np.array([at + 1]), wanted)[0])
                seen = [
                    Seen(what, "", pd.Timestamp(days.dates[when]), (f"{what} {year} {key}",))
                    for what, when in (("up", at), ("flower", flower))
                ]
                sowings.append(sowing(key, f"{year}-06-10", *seen, block=block))
        for row in learn(sowings, grounds, CATALOGUE).learned.itertuples():
            if row.parameter in inside:
                true = row.before * np.exp(truth[row.parameter, row.species])
                inside[row.parameter].append(row.low <= true <= row.high)
    for hits in inside.values():
        assert len(hits) == 120
        # Both species of a farm go together: the standard error is at most that of 60 independent ones.
        assert np.mean(hits) == pytest.approx(0.8, abs=3 * np.sqrt(0.16 / 60))


def test_a_species_that_comes_up_late_every_year_is_learned_slowly(grounds):
    s, ground = CATALOGUE.species["buckwheat"], grounds["Pond"]
    days, sowings, after = ground.days(CATALOGUE), [], []
    for year in range(2010, 2016):
        start = ground.at(day(f"{year}-05-20"))
        sums = days.emergence_sums(s, depth("buckwheat"))
        at = int(day_reached(sums, np.array([start]), 1.6 * s.number("emergence_sum"))[0])
        seen = Seen("up", "", pd.Timestamp(days.dates[at]), (f"u{year}",))
        sowings.append(sowing("buckwheat", f"{year}-05-20", seen))
        [row] = learn(sowings, grounds, CATALOGUE).learned.itertuples()
        after.append(row.after / row.before)
        assert (row.records, row.years) == (len(sowings), len(sowings))
    assert 1.0 < after[0] < 1.4  # little after one year
    assert after[-1] > 1.4  # more after five
    assert after[-1] < 1.65


def test_dry_matter_weighed_from_another_use_of_light_gives_that_use(grounds, sample_farm):
    # Simulated with the engine of the trials: buckwheat that makes 1.3 times as much of the light.
    true, key, ground = 1.3, "buckwheat", grounds["Pond"]
    made = stand_given(CATALOGUE, {key: true})
    sowings = []
    for year in range(2004, 2016):
        cut = day(f"{year}-08-01")
        one = Sowing(key, day(f"{year}-06-15"), cut)
        days = sample_farm.weather.sel(
            site_id=[sample_farm.site_of_block["Pond"]], date=slice(f"{year - 1}", f"{year}")
        )
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("greengap.calibration.trial_season.trial_place", lambda *_: ground.place)
            season = run_season([one], days, ground.place.lat, True, made)
        mass = float(season.loc[season["weather_year"] == year, "biomass_kg_ha"].iloc[0])
        sowings.append(sowing(key, f"{year}-06-15", Seen("sample", "", cut, (f"s{year}",), mass, 1.0)))
    [row] = learn(sowings, grounds, CATALOGUE).learned.itertuples()
    assert (row.parameter, row.before, row.records) == ("growth", 1.0, 12)
    assert row.low < true < row.high
    assert 1.15 < row.after < true


def test_a_thin_stand_is_learned_and_does_not_pull_growth_down(grounds):
    # Simulated: six tenths of the plants that the engine expects, and dry matter as it grows from such a stand.
    key, ground, s = "buckwheat", grounds["Pond"], CATALOGUE.species["buckwheat"]
    full = plants_per_m2(s, 1.0, 1.0, CATALOGUE)
    sowings = []
    for year in range(2004, 2010):
        start = ground.at(day(f"{year}-06-15"))
        events = component_events(ground.days(CATALOGUE), s, np.array([[start]]), 0, depth(key))
        share = 0.6 * float(events["stand_share"][0, 0])
        count = Seen("stand", "", day(f"{year}-07-05"), (f"c{year}",), share * full, 0.5)
        sowings.append(sowing(key, f"{year}-06-15", count))
    [row] = learn(sowings, grounds, CATALOGUE).learned.itertuples()
    assert row.parameter == "stand"
    assert row.low < 0.6 < row.high < 1
    cut = Seen("sample", "", day("2008-08-01"), ("s",), 2000.0, 1.0)
    alone, counted = (
        residuals([replace(sowings[4], seen=seen)], grounds, CATALOGUE).set_index("parameter").loc["growth"]
        for seen in ((cut,), (*sowings[4].seen, cut))
    )
    assert counted["reckoned"] < alone["reckoned"]
    assert counted["residual"] > alone["residual"]


def test_seed_that_was_weighed_sets_the_full_stand(grounds):
    s = CATALOGUE.species["buckwheat"]
    count = Seen("stand", "", day("2012-07-05"), ("c",), 100.0, 0.5)
    thin, thick = (
        residuals([sowing("buckwheat", "2012-06-15", count, seed_kg_m2=seed)], grounds, CATALOGUE)["observed"].iloc[0]
        for seed in (0.004, 0.008)
    )
    assert thin == pytest.approx(2 * thick)
    live = 0.004 * 1e6 / s.number("seed_weight") * s.number("purity") * s.number("germination")
    assert thin == pytest.approx(100 / (live * CATALOGUE.rule("emergence_fraction_drilled")))


def test_the_page_says_how_much_of_a_steady_difference_is_taken_over():
    page = (Path(__file__).parents[2] / "docs" / "learning.md").read_text(encoding="utf-8")
    for years in (1, 2, 5):
        taken = [
            pool([1.0] * years, ["oat"] * years, range(years), scatter_of(p, CATALOGUE)).mean[0]
            for p in ("emergence", "stand", "flowering", "growth")
        ]
        assert f"| {years} | " + " | ".join(f"{part:.0%}".replace("%", " %") for part in taken) + " |" in page


# -- losses ----------------------------------------------------------------------------------------


def test_losses_to_animals_move_the_share_of_a_species_and_other_losses_do_not(grounds):
    took = Seen("loss", "", day("2012-04-28"), ("b",), 0.9)
    some = Seen("loss", "", day("2013-04-28"), ("c",), 0.1)
    sowings = [
        sowing("field_pea", "2012-04-05", up("2012-04-20"), took),
        sowing("field_pea", "2013-04-05", up("2013-04-20"), some),
        sowing("field_pea", "2014-04-05"),  # nobody has looked
    ]
    found = learn(sowings, grounds, CATALOGUE)
    row = found.learned.set_index("parameter").loc["loss"]
    assert row["records"] == 2
    assert row["after"] == pytest.approx((10 * 0.1 + 1) / 12)  # the beta-binomial by hand: worth 10, one of two lost
    assert row["low"] < row["after"] < row["high"]
    assert not len(learn([sowing("oat", "2012-04-05", up("2012-04-20"))], grounds, CATALOGUE).learned.query(
        "parameter == 'loss'"
    ))  # fmt: skip


def test_a_count_after_birds_is_a_loss_and_no_thin_stand(grounds):
    took = Seen("loss", "", day("2012-04-28"), ("b",), 0.9)
    count = Seen("stand", "", day("2012-05-05"), ("c",), 5.0, 0.5)
    rows = residuals([sowing("field_pea", "2012-04-05", took, count)], grounds, CATALOGUE)
    assert rows["why_not"].tolist() == ["seen after animals had been there: it counts as a loss"]


# -- rows that say nothing say why -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "why"),
    [
        (sowing("buckwheat", "2031-06-10", up("2031-06-20")), "the weather of these days is not in the farm's files"),
        (sowing("buckwheat", "2012-06-10", up("2012-06-10")), "seen on the day of sowing"),
        (sowing("buckwheat", "2012-06-10", up("2012-06-20"), block="Sold"), "the block is not on the farm any more"),
        (sowing("pea_oat", "2012-04-05", up("2012-04-20")), "of a whole mix, and no species is named"),
        (
            sowing("pea_oat", "2012-04-05", Seen("sample", "oat", day("2012-06-01"), ("s",), 900.0, 1.0)),
            "weighed from a mix: how much each species grew is not known",
        ),
        (
            sowing("pea_oat", "2012-04-05", Seen("loss", "", day("2012-04-20"), ("s",), 0.9)),
            "lost from a mix: only covers of one species are counted",
        ),
        (
            sowing("buckwheat", "2012-06-10", Seen("sample", "", day("2012-07-20"), ("s",), 0.0, 1.0)),
            "nothing was weighed",
        ),
        (
            sowing("buckwheat", "2012-06-10", Seen("flower", "", day("2012-06-12"), ("f",))),
            "by the reckoning it was not up by then; write down when it came up",
        ),
    ],
    ids=lambda p: p if isinstance(p, str) else "",
)
def test_what_moves_nothing_says_why(grounds, one, why):
    found = learn([one], grounds, CATALOGUE)
    assert found.records["why_not"].tolist() == [why]
    assert found.learned.empty


def test_a_species_of_a_mix_that_is_named_counts(grounds):
    rows = residuals([sowing("pea_oat", "2012-04-05", up("2012-04-20", "oat"))], grounds, CATALOGUE)
    assert rows["species"].tolist() == ["oat"]
    assert rows["why_not"].tolist() == [""]


def test_a_record_left_out_is_listed_with_its_reason_and_moves_nothing(grounds):
    late = [sowing("buckwheat", f"{year}-06-10", up(f"{year}-06-20", name=f"u{year}")) for year in (2012, 2013)]
    both, one = learn(late, grounds, CATALOGUE), learn(late, grounds, CATALOGUE, {"u2013": "wrong block"})
    assert one.learned["records"].tolist() == [1]
    assert one.records.loc[~one.records["used"], "why_not"].tolist() == ["left out: wrong block"]
    assert one.learned.equals(learn(late[:1], grounds, CATALOGUE).learned)
    assert both.learned["after"][0] > one.learned["after"][0]


def test_the_order_of_sowings_does_not_matter(grounds):
    rows = [
        sowing(cover, f"{year}-06-10", up(f"{year}-06-{18 + year % 3}", name=f"{cover}{year}"), block=block)
        for year in (2010, 2011, 2012)
        for cover, block in (("buckwheat", "Pond"), ("oat", "Beds 3"), ("buckwheat", "River 1"))
    ]
    shuffled = random.Random(4).sample(rows, len(rows))
    one, other = learn(rows, grounds, CATALOGUE), learn(shuffled, grounds, CATALOGUE)
    assert one.learned.equals(other.learned)
    assert one.records.equals(other.records)
    assert one.skill.equals(other.skill)


def test_skill_is_told_from_three_years_on_and_is_that_of_years_left_out(grounds):
    rows = [sowing("buckwheat", f"{year}-06-10", up(f"{year}-06-19", name=f"u{year}")) for year in (2010, 2011, 2012)]
    two, three = (learn(rows[:n], grounds, CATALOGUE).skill.iloc[0] for n in (2, 3))
    assert (two["enough"], three["enough"]) == (False, True)
    by_hand = []
    for left in range(3):
        others = learn([r for i, r in enumerate(rows) if i != left], grounds, CATALOGUE).learned
        moved = np.log(others["after"][0] / others["before"][0])
        by_hand.append(abs(residuals([rows[left]], grounds, CATALOGUE)["residual"][0] - moved))
    assert three["after"] == pytest.approx(np.mean(by_hand))
    assert three["before"] == pytest.approx(residuals(rows, grounds, CATALOGUE)["residual"].abs().mean())


def test_a_broader_prior_is_moved_further(grounds):
    wide = replace(CATALOGUE, practice=CATALOGUE.practice | {
        "learning_emergence_site": replace(CATALOGUE.practice["learning_emergence_site"], number=2.0)
    })  # fmt: skip
    rows = [sowing("buckwheat", "2012-06-10", up("2012-06-20"))]
    assert learn(rows, grounds, wide).learned["after"][0] > learn(rows, grounds, CATALOGUE).learned["after"][0]


# -- from the season record ------------------------------------------------------------------------


def row(what: str, date: str, block: str = "Pond", **more: object) -> dict[str, object]:
    entry = f"{what} {date} {block} {sorted(more.items())}"
    written = "2024-12-01T00:00:00Z"
    return {"entry_id": entry, "written": written, "what": what, "date": date, "block_id": block, **more}


def test_frames_of_one_look_are_one_record_and_another_sowing_begins_anew():
    record = record_of([
        row("sown", "2024-05-01", cover_id="buckwheat", seed_kg=10.0, seed_left_kg=2.0, area_m2=1000.0, depth_mm=20),
        row("up", "2024-05-08"), row("up", "2024-05-10"),
        row("stand", "2024-05-20", visit="a", frame=1, frame_area_m2=0.25, plants=40),
        row("stand", "2024-05-20", visit="a", frame=2, frame_area_m2=0.25, plants=20),
        row("sample", "2024-06-20", frame_area_m2=0.25, dry_g=50.0),
        row("sample", "2024-06-20", frame_area_m2=0.25, fresh_g=300.0),
        row("ended", "2024-06-20"), row("flower", "2024-06-25"),
        row("sown", "2024-08-01", cover_id="oat"), row("up", "2024-08-07"),
        row("up", "2024-04-01", block="Beds 3"),
    ])  # fmt: skip
    sowings, silent = own_sowings(record, CATALOGUE)
    first, second = sowings
    assert first.seed_kg_m2 == pytest.approx(0.008)
    assert [(s.what, s.value, s.area_m2) for s in first.seen if s.what in ("stand", "sample")] == [
        ("stand", 120.0, 0.5), ("sample", 2000.0, 0.25)
    ]  # fmt: skip
    assert len(next(s for s in first.seen if s.what == "stand").record_ids) == 2
    assert [s.date for s in first.seen if s.what == "up"] == [day("2024-05-08")]
    assert [s.what for s in second.seen] == ["up"]
    assert sorted(silent.values()) == [
        "an earlier row tells of the same", "no sowing on this block that it could be about",
        "no sowing on this block that it could be about", "not dried and weighed",
    ]  # fmt: skip
    seen = {i for s in sowings for o in s.seen for i in o.record_ids} | set(silent)
    assert seen == set(record.loc[~record["what"].isin(["sown", "ended"]), "record_id"])  # nothing is lost in silence


def test_a_corrected_row_counts_as_corrected_and_a_struck_one_not_at_all():
    sown, wrong = row("sown", "2024-05-01", cover_id="buckwheat"), row("up", "2024-06-08")
    [old] = record_of([wrong])["record_id"]
    right = row("up", "2024-05-08", corrects=old) | {"written": "2024-12-02T00:00:00Z"}
    struck = row("struck", "2024-05-08", block="", corrects=old, note="other block") | {
        "written": "2024-12-03T00:00:00Z"
    }
    [one], _ = own_sowings(current(record_of([sown, wrong, right])), CATALOGUE)
    assert [s.date for s in one.seen] == [day("2024-05-08")]
    [none], _ = own_sowings(current(record_of([sown, wrong, right, struck])), CATALOGUE)
    assert none.seen == ()


def test_a_cover_that_is_not_in_the_catalogue_is_told():
    sowings, silent = own_sowings(record_of([row("sown", "2024-05-01", cover_id="moonflower")]), CATALOGUE)
    assert sowings == []
    assert list(silent.values()) == ["moonflower is no cover of the catalogue"]


def test_the_moved_sum_is_what_the_engine_then_uses(grounds):
    moved = with_number(CATALOGUE.species["buckwheat"], "emergence_sum", 100.0)
    changed = replace(CATALOGUE, species=CATALOGUE.species | {"buckwheat": moved})
    rows = [sowing("buckwheat", "2012-06-10", up("2012-06-20"))]
    before, after = (residuals(rows, grounds, c).iloc[0] for c in (CATALOGUE, changed))
    assert after["reckoned"] > before["reckoned"]
    shift = np.log(100.0 / CATALOGUE.species["buckwheat"].number("emergence_sum"))
    assert before["residual"] - after["residual"] == pytest.approx(shift)


def test_of_two_covers_on_one_block_and_day_only_a_named_species_is_taken():
    record = record_of([
        row("sown", "2024-05-01", cover_id="buckwheat"), row("sown", "2024-05-01", cover_id="oat"),
        row("up", "2024-05-07"), row("up", "2024-05-08", species="oat"),
    ])  # fmt: skip
    sowings, silent = own_sowings(record, CATALOGUE)
    assert {s.cover_id: [o.date for o in s.seen] for s in sowings} == {"buckwheat": [], "oat": [day("2024-05-08")]}
    assert list(silent.values()) == ["no sowing on this block that it could be about"]
