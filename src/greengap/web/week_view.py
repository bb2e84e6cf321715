"""What the page shows of the week ahead: the sentences of the command, and fit days for a chart."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandas as pd

from greengap.farm.season_record import read_day
from greengap.output.week_text import fit_alike, ground_section, sections
from greengap.replan import Replanned, replan
from greengap.tables import DataFrame, SeasonRecord
from greengap.web.planner import Made
from greengap.week_ahead import WeekAhead, read_forecast, week_of


class WeekAsked:
    """The week of a farm as it was asked for last; the plan from that day is kept until farm, record or day change."""

    def __init__(self) -> None:
        self._held: tuple[tuple[Any, ...], Replanned] | None = None

    def look(self, made: Made, record: DataFrame[SeasonRecord], as_of: str, rain: str) -> WeekAhead:
        """The week ahead.

        Parameters
        ----------
        made : Made
            The plan of the page.
        record : DataFrame[SeasonRecord]
            As it is by now.
        as_of, rain : str
            As they were typed.

        Raises
        ------
        InputProblem
            If the day or the rain cannot be used.
        """
        day = read_day(as_of, "as_of")
        forecast = read_forecast(rain, made.farm.settings.units) if rain.strip() else ()
        key = (made.version, day, *record["record_id"])
        held = self._held
        if held is None or held[0] != key:
            held = (key, replan(replace(made.farm, record=record), day, before=made.plan))
            self._held = held
        return week_of(held[1], (), forecast)


def week_view(week: WeekAhead) -> dict[str, Any]:
    """The week ahead, section by section; the table of fit days is a chart on the page."""
    told = []
    for section in sections:
        lines = list(section(week))
        if lines:
            chart = section is ground_section
            said = [line.strip() for line in lines[1:] if not (chart and line.startswith(" "))]
            told.append({"heading": lines[0], "lines": said, "chart": chart})
    return {
        "as_of": f"{week.as_of:%Y-%m-%d}",
        "notes": list(week.notes),
        "sections": told,
        "fit": [{"blocks": blocks, "weeks": _weeks(week.fit, blocks[0])} for blocks in fit_alike(week).values()],
    }


def _weeks(fit: pd.DataFrame, block: str) -> list[dict[str, Any]]:
    return [
        {
            "first": f"{w.first:%Y-%m-%d}", "p10": round(w.fit_p10_d), "p50": round(w.fit_p50_d),
            "p90": round(w.fit_p90_d), "any": int(w.any_years), "years": int(w.years),
        }
        for w in fit[fit["block_id"] == block].itertuples()
    ]  # fmt: skip
