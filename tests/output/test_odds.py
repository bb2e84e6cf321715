"""The odds on a terminal and as a picture: nothing lost, nothing too wide, the same bytes every time."""

from __future__ import annotations

import builtins
import io
import re

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from greengap import cli
from greengap.cover_odds import find_odds
from greengap.errors import InputProblem
from greengap.output import odds_plot
from greengap.output.line_labels import Box, label_boxes
from greengap.output.odds_text import (
    caption,
    certainty_in_words,
    odds_csv,
    odds_lines,
    shown_dates,
    worth_drawing,
    years_wanted,
)


@pytest.fixture(scope="module")
def pond(sample_farm):
    return find_odds(sample_farm, "Pond", "buckwheat", draws=50)


@pytest.fixture(scope="module")
def bench(sample_farm):
    """A long gap over New Year, and others, in which most dates come to nothing."""
    return find_odds(sample_farm, "Middle Bench", "cowpea_sorghum_sudangrass")


@pytest.fixture(scope="module")
def midsummer(pond):
    return next(one for one in pond.gaps if one.gap.season == "midsummer")


# -- terminal -------------------------------------------------------------------------------------


@pytest.mark.parametrize("by_year", [False, True])
@pytest.mark.parametrize("which", ["pond", "bench"])
def test_no_line_is_wider_than_a_terminal(which, by_year, request):
    lines = list(odds_lines(request.getfixturevalue(which), by_year))
    assert max(len(line) for line in lines) <= 80


def test_american_units_fit_the_terminal_too(sample_farm):
    import dataclasses

    farm = dataclasses.replace(sample_farm, settings=dataclasses.replace(sample_farm.settings, units="us"))
    lines = list(odds_lines(find_odds(farm, "Pond", "buckwheat"), True))
    assert any("lb/ac" in line for line in lines)
    assert max(len(line) for line in lines) <= 80


def test_the_chart_has_a_mark_for_each_weather_year(pond, midsummer):
    lines = list(odds_lines(pond))
    for row in shown_dates(midsummer).itertuples():
        bar = "#" * row.holds_years + "." * (row.years - row.holds_years)
        assert sum(bar in line and f"{row.sow_date.day} {row.sow_date:%b}" in line[:8] for line in lines) == 1


def test_the_wanted_mark_stands_over_the_last_year_that_is_needed(pond, midsummer):
    lines = list(odds_lines(pond))
    (mark,) = (line for line in lines if "wanted" in line and line.lstrip().startswith("v"))
    row = next(line for line in lines if re.match(r" ?\d+ \w{3} \*", line))
    wanted = years_wanted(pond, 25)
    assert re.split("[#.]", row, maxsplit=1)[0].__len__() + wanted - 1 == mark.index("v")


def test_every_gap_is_drawn_or_said_not_to_be(pond, bench):
    for found in (pond, bench):
        said = "\n".join(odds_lines(found))
        assert all(one.gap.gap_id in said for one in found.gaps)


def test_the_year_table_has_a_row_for_each_weather_year(pond, midsummer):
    lines = list(odds_lines(pond, by_year=True))
    best = midsummer.years[midsummer.years["option_id"] == midsummer.window.option_id]
    assert sum(bool(re.match(r"(19|20)\d\d  ", line)) for line in lines) == len(best)


def test_the_interval_is_said_in_words(midsummer):
    words = certainty_in_words(midsummer)
    assert re.search(r"held in \d+ of 25 years", words)
    assert re.search(r"from \d+% to \d+% \(95% interval\)", words)


def test_the_caption_names_years_place_and_what_it_rests_on(pond, midsummer):
    words = caption(pond, midsummer)
    for part in ("25 weather years", "Sample farm", "Pond", "° N", "Calculated from past weather", "invented"):
        assert part in words


def test_the_csv_holds_every_sowing_date_and_every_year(pond):
    counts = pd.read_csv(io.StringIO(odds_csv(pond)))
    assert len(counts) == sum(len(one.dates) for one in pond.gaps)
    assert {"holds_years", "holds_years_p10", "biomass_p25_kg_ha"} <= set(counts.columns)
    years = pd.read_csv(io.StringIO(odds_csv(pond, by_year=True)))
    assert len(years) == sum(len(one.years) for one in pond.gaps)


def test_a_gap_asked_for_alone_is_drawn_even_if_it_comes_to_nothing(sample_farm):
    found = find_odds(sample_farm, "Pond", "buckwheat", "Pond/3")
    assert not found.gaps[0].dates["aim_years"].any()
    assert len(worth_drawing(found)) == 1


def test_a_gap_that_is_too_short_says_so(sample_farm):
    said = "\n".join(odds_lines(find_odds(sample_farm, "Beds 1", "oat", "Beds 1/2")))
    assert "too few for any cover" in " ".join(said.split())


# -- pictures -------------------------------------------------------------------------------------


@pytest.fixture
def axes():
    figure = pytest.importorskip("matplotlib.figure").Figure(figsize=(7, 4))
    return figure.add_subplot()


def test_a_picture_is_the_same_every_time(pond, tmp_path):
    pytest.importorskip("matplotlib")
    for kind, start in (("svg", b"<?xml"), ("png", b"\x89PNG")):
        (first,) = odds_plot.write_odds(pond, tmp_path / "a", kind)
        (second,) = odds_plot.write_odds(pond, tmp_path / "b", kind)
        assert first.name == f"odds_pond_2_buckwheat.{kind}"
        assert first.read_bytes().startswith(start)
        assert first.read_bytes() == second.read_bytes()
        assert [p.name for p in (tmp_path / "a").iterdir() if p.name.startswith(".")] == []


def test_the_lines_are_the_table(axes, midsummer):
    dates = shown_dates(midsummer)
    odds_plot.draw_odds(axes, dates, 20)
    drawn = [line.get_ydata() for line in axes.lines if len(line.get_xdata()) == len(dates)]
    for column in ("holds_years", "aim_years", "flowered_years", "established_years"):
        assert any(np.array_equal(y, dates[column]) for y in drawn), column


def test_every_line_has_its_name_on_it(axes, midsummer):
    odds_plot.draw_odds(axes, shown_dates(midsummer), 20)
    words = {text.get_text() for text in axes.texts}
    assert {"everything holds", "aim reached", "flowers", "a stand", "20 wanted"} <= words
    assert "frost kills it first" not in words  # it never does here, so there is no line either


def test_lines_can_be_told_apart_without_colour():
    assert len({(str(line.dashes), line.width) for line in odds_plot.LINES}) == len(odds_plot.LINES)


@pytest.mark.parametrize("gap", ["Middle Bench/2", "Middle Bench/3"])
def test_a_gap_over_new_year_and_a_hopeless_one_are_drawn(bench, gap):
    pytest.importorskip("matplotlib")
    one = next(one for one in bench.gaps if one.gap.gap_id == gap)
    figure = odds_plot.draw(bench, one)
    assert len(figure.axes) == 2


def test_without_matplotlib_the_remedy_is_the_extra(monkeypatch):
    real = builtins.__import__

    def without(name, *rest, **more):
        if name.split(".")[0] == "matplotlib":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(InputProblem) as problem:
        odds_plot.check_plots()
    assert "pip install 'greengap[plots]'" in problem.value.sentence


# -- labels ---------------------------------------------------------------------------------------

FRAME = Box(0, 0, 400, 200)


def level(y: float) -> np.ndarray:
    return np.column_stack([np.linspace(5, 395, 160), np.full(160, y)])


def test_labels_stay_inside_the_frame_and_do_not_cover_each_other():
    lines = [level(y) for y in (150, 153, 156, 3)]
    boxes = label_boxes(lines, [(90, 14)] * 4, FRAME, [120.0], 1.0)
    for box in boxes:
        assert box.left >= 0
        assert box.right <= 400
    for k, a in enumerate(boxes):
        for b in boxes[k + 1 :]:
            assert min(a.right, b.right) <= max(a.left, b.left) or min(a.top, b.top) <= max(a.bottom, b.bottom)


def test_a_label_stands_beside_its_own_line():
    boxes = label_boxes([level(60), level(140)], [(90, 14)] * 2, FRAME, [], 1.0)
    for box, y in zip(boxes, (60, 140), strict=True):
        assert abs((box.bottom + box.top) / 2 - y) < 20


# -- the command ----------------------------------------------------------------------------------


def ask(*words: str):
    return CliRunner().invoke(cli.app, ["odds", "sample_fields", *words])


@pytest.fixture
def asked(sample_farm, monkeypatch):
    monkeypatch.setattr(cli, "open_farm", lambda farm: sample_farm)
    return ask


def test_the_command_prints_the_chart_and_writes_the_picture(asked, tmp_path):
    pytest.importorskip("matplotlib")
    result = asked("Pond", "buckwheat", "--gap", "Pond/2", "--out", str(tmp_path), "--format", "png")
    assert result.exit_code == cli.DONE
    assert "everything holds" in result.stdout
    assert (tmp_path / "odds_pond_2_buckwheat.png").exists()


def test_other_wanted_odds_move_the_window_only(asked):
    strict, easy = (asked("Pond", "buckwheat", "--wanted", share).stdout for share in ("1.0", "0.1"))
    assert "25 of 25 years" in strict
    assert "3 of 25 years" in easy


def test_a_cover_that_never_holds_is_a_true_answer_with_its_own_code(asked):
    assert asked("Pond", "buckwheat", "--gap", "Pond/3").exit_code == cli.NO_OPTION


@pytest.mark.parametrize("share", ["0", "80", "-1"])
def test_wanted_odds_that_are_no_share_are_refused(asked, share):
    result = asked("Pond", "buckwheat", "--wanted", share)
    assert isinstance(result.exception, InputProblem)
    assert "0.8" in result.exception.sentence
