"""The list of what is not known: complete, in the right order, and its counts are those of plans made by hand."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest

from greengap import plan_farm, read_farm
from greengap.not_known import not_known, question_lines

SAMPLE = Path(__file__).resolve().parents[1] / "sample_fields"


def small_farm(folder: Path, *changes: tuple[str, str]) -> Path:
    """Two blocks of the sample farm, so that planning it again and again stays quick."""
    shutil.copytree(SAMPLE, folder)
    lines = (folder / "crop_calendar.csv").read_text(encoding="utf-8").splitlines()
    kept = lines[:2] + [line for line in lines[2:] if line.split(",")[0] in ("River 1", "Upper Bench")]
    (folder / "crop_calendar.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    text = (folder / "farm.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (folder / "farm.toml").write_text(text, encoding="utf-8")
    return folder


IRRIGATION = 'irrigation = ["Beds 1", "Beds 2", "Beds 3", "Lane Strip", "Pond", "River 1", "River 2"]\n'
PH = 'ph = { file = "soil/ph.tif", unit = "pH" }\n'


@pytest.fixture(scope="module")
def silent(tmp_path_factory) -> Path:
    """A farm that says neither its water nor its pH."""
    return small_farm(tmp_path_factory.mktemp("silent") / "farm", (IRRIGATION, ""), (PH, ""))


@pytest.fixture(scope="module")
def questions(silent):
    return not_known(read_farm(silent))


def test_what_is_not_said_is_asked(questions):
    asked = " ".join(questions["question"])
    assert "Which blocks can be watered?" in asked
    assert "What is the pH of" in asked
    assert "Which herbicides were used" in asked
    assert "What is the texture" not in asked  # the rasters say it


def test_questions_stand_in_the_order_of_what_they_would_change(questions):
    assert questions["gaps_at_stake"].is_monotonic_decreasing
    assert questions["rank"].tolist() == list(range(1, len(questions) + 1))


def test_the_count_is_that_of_two_plans_made_by_hand(questions, silent, tmp_path):
    """The answer put into farm.toml, the farm read and planned from the files, covers compared gap by gap."""
    watered = small_farm(tmp_path / "watered", (IRRIGATION, "irrigation = true\n"), (PH, ""))
    covers = [plan_farm(read_farm(folder)).allocation.set_index("gap_id")["cover_id"] for folder in (silent, watered)]
    by_hand = int((covers[0] != covers[1]).sum())
    row = questions[questions["question"] == "Which blocks can be watered?"].iloc[0]
    assert row["gaps_changed"] == by_hand


def test_an_answered_question_is_gone(silent, tmp_path):
    answered = small_farm(tmp_path / "farm", (PH, ""))
    with (answered / "farm.toml").open("a", encoding="utf-8") as settings:
        for block in read_farm(answered).blocks["block_id"]:
            settings.write(f'\n[growers_word."{block}"]\nph = 6.4\nreason = "test strip"\n')
    asked = " ".join(not_known(read_farm(answered), reckon=False)["question"])
    assert "What is the pH" not in asked
    assert "Which blocks can be watered?" not in asked


def test_without_reckoning_nothing_is_counted_and_it_says_so(silent):
    quick = not_known(read_farm(silent), reckon=False)
    assert (quick["gaps_changed"] == 0).all()
    assert "not ordered by their effect" in next(iter(question_lines(quick, reckoned=False)))


def test_the_words_name_a_gap_and_where_the_answer_goes(questions):
    lines = list(question_lines(questions))
    assert lines[0] == f"Not known ({len(questions)} questions, by what the answer would change):"
    assert sum(line.startswith("     answer: ") for line in lines) == len(questions)


def test_asking_leaves_the_farm_as_it_was(silent):
    farm = read_farm(silent)
    soil, calendar = farm.soil.copy(), farm.crop_calendar.copy()
    not_known(farm)
    pd.testing.assert_frame_equal(farm.soil, soil)
    pd.testing.assert_frame_equal(farm.crop_calendar, calendar)
