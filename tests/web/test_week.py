"""The week ahead on the page: what the route tells, and what a grower sees and does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from .conftest import Served, planned

Window = Callable[..., Any]


def test_the_route_tells_sections_and_fit_days(sample_served: Served) -> None:
    got = sample_served.client.get("api/week", params={"as_of": "2027-04-26", "rain": "0, 12"}).json()
    assert got["sections"][0]["heading"] == "Fit to work"
    assert got["sections"][0]["chart"]
    assert any("No weather of this season" in note for note in got["notes"])
    blocks = [block for group in got["fit"] for block in group["blocks"]]
    assert sorted(blocks) == sorted(f["id"] for f in sample_served.state()["blocks"]["features"])
    for group in got["fit"]:
        assert len(group["weeks"]) == 6
        assert all(0 <= w["p10"] <= w["p50"] <= w["p90"] <= 7 and w["any"] <= w["years"] for w in group["weeks"])
    assert not any(line.startswith(" ") for part in got["sections"] for line in part["lines"])


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({"as_of": "26 April"}, "26 April is not a date"),
        ({"as_of": "9999-12-31"}, "lies outside the plan"),
        ({"as_of": "2027-04-26", "rain": "some"}, "some is not the rain of day 1"),
        ({"as_of": "2027-04-26", "rain": "-1"}, "the rain of day 1 would be -1 mm"),
    ],
)
def test_what_cannot_be_is_said_in_one_sentence(sample_served: Served, asked: dict[str, str], sentence: str) -> None:
    answer = sample_served.client.get("api/week", params=asked)
    assert answer.status_code == 422
    assert sentence in answer.json()["sentence"]


@pytest.mark.browser
@pytest.mark.parametrize("width", [1360, 360])
def test_a_grower_asks_for_the_week(sample_served: Served, window: Window, width: int) -> None:
    page = window(sample_served, width, 800, fragment="#screen=work")
    planned(page)
    part = page.locator(".week-ahead")
    part.get_by_label("As of").fill("2027-04-26")
    part.get_by_label("Forecast rain").fill("a little")
    page.keyboard.press("Enter")
    part.get_by_text("a little is not the rain of day 1").wait_for()
    part.get_by_label("Forecast rain").fill("0, 12, 12, 12")
    page.keyboard.press("Enter")
    part.get_by_role("heading", name="Fit to work").wait_for()
    charts = part.get_by_role("img")
    assert charts.count() >= 1
    assert "fit days" in (charts.first.get_attribute("aria-label") or "")
    assert part.locator(".fit-dot").count() == 6 * charts.count()
    assert page.evaluate("document.documentElement.scrollWidth") == width
    assert all("422" in line for line in page.complaints)  # the browser's word on the rain that was refused
