"""The farm's own choices: heeded where they can be, told where they cannot."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from greengap import read_farm
from greengap.errors import InputProblem
from greengap.farm.settings import Choice, settings_from
from greengap.plan import Judged, settle


def _settled(plan, farm, *choices: Choice):
    judged = Judged(
        plan.options,
        plan.windows,
        plan.season,
        plan.odds,
        plan.purpose_odds,
        plan.suitability,
        plan.recommendation,
        plan.after,
        plan.nitrogen,
        plan.clocks,
    )
    return settle(replace(farm, settings=replace(farm.settings, choices=choices)), plan.gaps, judged)


def _gap(plan, place: int = 0):
    """A gap in which at least two covers can be sown."""
    sown = plan.recommendation[plan.recommendation["eligible"] & plan.recommendation["sow_best"].notna()]
    gap_id = sown.groupby("gap_id").size().loc[lambda n: n > 1].index[place]
    ranked = plan.recommendation[plan.recommendation["gap_id"] == gap_id].sort_values("rank")
    gap = plan.gaps[plan.gaps["gap_id"] == gap_id].iloc[0]
    return gap, ranked, f"{gap.start + (gap.end - gap.start) / 2:%Y-%m-%d}"


def test_without_choices_nothing_changes(sample_plan, sample_farm) -> None:
    same = _settled(sample_plan, sample_farm)
    assert same.allocation.equals(sample_plan.allocation)
    assert same.seed_order.equals(sample_plan.seed_order)


def test_a_chosen_cover_is_sown_and_no_other_gap_moves(sample_plan, sample_farm) -> None:
    gap, ranked, day = _gap(sample_plan)
    now = sample_plan.allocation.set_index("gap_id").loc[gap.gap_id, "cover_id"]
    other = next(c for c in ranked.loc[ranked["eligible"] & ranked["sow_best"].notna(), "cover_id"] if c != now)
    made = _settled(sample_plan, sample_farm, Choice(gap.block_id, day, other, "choose"))
    before, after = (p.allocation.set_index("gap_id")["cover_id"] for p in (sample_plan, made))
    assert after[gap.gap_id] == other
    assert (after.drop(gap.gap_id) == before.drop(gap.gap_id)).all()
    assert set(made.seed_need.loc[made.seed_need["gap_id"] == gap.gap_id, "cover_id"]) == {other}
    assert made.recommendation["rank"].equals(sample_plan.recommendation["rank"])


def test_no_goes_to_the_next_in_rank_and_all_refused_leaves_no_cover(sample_plan, sample_farm) -> None:
    gap, ranked, day = _gap(sample_plan)
    eligible = list(ranked.loc[ranked["eligible"], "cover_id"])
    made = _settled(sample_plan, sample_farm, Choice(gap.block_id, day, eligible[0], "no"))
    assert made.allocation.set_index("gap_id").loc[gap.gap_id, "cover_id"] == eligible[1]
    refused = [Choice(gap.block_id, day, c, "no") for c in eligible if c != "no_cover"]
    made = _settled(sample_plan, sample_farm, *refused)
    assert made.allocation.set_index("gap_id").loc[gap.gap_id, "cover_id"] == "no_cover"


def test_a_lock_holds_the_date_and_says_what_that_date_holds(sample_plan, sample_farm) -> None:
    gap, ranked, day = _gap(sample_plan)
    cover = ranked.loc[ranked["eligible"] & ranked["sow_best"].notna(), "cover_id"].iloc[0]
    mine = sample_plan.options[
        (sample_plan.options["gap_id"] == gap.gap_id) & (sample_plan.options["cover_id"] == cover)
    ]
    option = mine.iloc[-1]
    made = _settled(sample_plan, sample_farm, Choice(gap.block_id, day, cover, "lock", f"{option.sow_date:%Y-%m-%d}"))
    assert made.allocation.set_index("gap_id").loc[gap.gap_id, "option_id"] == option.option_id
    row = made.recommendation.set_index("option_id").loc[option.option_id]
    odds = sample_plan.odds.set_index("option_id").loc[option.option_id]
    assert (row["holds_years"], row["biomass_p50_kg_ha"]) == (odds["holds_years"], odds["biomass_p50_kg_ha"])


def test_a_gate_stays_a_gate_and_a_choice_without_a_gap_is_told(sample_plan, sample_farm) -> None:
    failed = sample_plan.recommendation[~sample_plan.recommendation["eligible"]].iloc[0]
    gap = sample_plan.gaps[sample_plan.gaps["gap_id"] == failed.gap_id].iloc[0]
    day = f"{gap.start:%Y-%m-%d}"
    made = _settled(
        sample_plan, sample_farm, Choice(gap.block_id, day, failed.cover_id, "choose"),
        Choice(gap.block_id, "1999-01-01", "oat", "choose"),
    )  # fmt: skip
    assert made.allocation.equals(sample_plan.allocation)
    told = made.metadata["assumptions"]
    assert any(failed.gap_id in a and "is not possible" in a for a in told)
    assert any("has no gap any more" in a for a in told)


def test_choices_are_read_from_the_settings() -> None:
    text = (Path(__file__).parents[2] / "sample_fields" / "farm.toml").read_text(encoding="utf-8")
    text += '\n[[choices]]\nblock = "Pond"\nday = 2027-07-20\ncover = "oat"\nanswer = "lock"\nsow_date = "2027-07-10"\n'
    found = settings_from(text.encode(), Path(), "x", must_exist=False).choices
    assert found == (Choice("Pond", "2027-07-20", "oat", "lock", "2027-07-10"),)
    with pytest.raises(InputProblem, match=r"choices 1\.answer: 'maybe' is not an answer"):
        settings_from(text.replace('"lock"', '"maybe"').encode(), Path(), "x", must_exist=False)
    with pytest.raises(InputProblem, match="is not a date"):
        settings_from(text.replace('"2027-07-10"', '"July"').encode(), Path(), "x", must_exist=False)


def test_the_folder_gives_the_plan_of_its_choices(tmp_path: Path) -> None:
    import shutil

    shutil.copytree(Path(__file__).parents[2] / "sample_fields", tmp_path / "farm")
    with (tmp_path / "farm" / "farm.toml").open("a", encoding="utf-8") as out:
        out.write('\n[[choices]]\nblock = "Pond"\nday = "2027-07-20"\ncover = "oat"\n')
    assert read_farm(tmp_path / "farm").settings.choices[0].answer == "choose"
