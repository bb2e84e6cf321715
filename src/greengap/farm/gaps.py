"""The stretches of each block's calendar without a crop, across New Year too, and the days usable in them."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from greengap.catalogue.loader import Catalogue
from greengap.farm.settings import FarmSettings
from greengap.tables import CropCalendar, DataFrame, Gap

STEPS = 25  # quantiles a side on which soft ends are combined
DAY = pd.Timedelta(days=1)
SOFT = ("early", "usual", "late")
_Soft = dict[str, pd.Timestamp]


def find_gaps(
    calendar: DataFrame[CropCalendar],
    settings: FarmSettings,
    catalogue: Catalogue,
    shortest_d: int = 7,
    southern: bool = False,
) -> DataFrame[Gap]:
    """Find the stretches between crops, and how much of each a cover can use.

    Parameters
    ----------
    calendar : DataFrame[CropCalendar]
        Crops that do not overlap on their usual dates, in any order.
    settings : FarmSettings
        Days for clean-up, seedbed and waiting, where the farm has its own.
    catalogue : Catalogue
        The same days from general practice, and which vegetables have small seed.
    shortest_d : int
        Stretches that usually are shorter are not gaps: a week is taken up by the change of crops
        itself [d]. Whether a longer gap is long enough for a cover is for the options to say.
    southern : bool
        True south of the equator; seasons are then named half a year apart.

    Returns
    -------
    DataFrame[Gap]
        By block (numbers in names in order of size), then by date. Unknown crops are empty text.

    Raises
    ------
    ValueError
        If two crops of a block overlap.

    Notes
    -----
    A block's first gap begins on 1 January of the year in which its first crop starts, with no crop
    to clear; its last ends on 31 December of the last year of the whole calendar, with nothing to
    wait for. Those two ends are known days, not soft ones.

    Sowing opens after clean-up and seedbed; termination closes the waiting days before the next
    crop. Usable days count the day of sowing and the day of termination. Their range comes from
    the end of the one crop and the start of the next, each triangular over (early, usual, late)
    and independent of the other, on a grid of equal probabilities: no random numbers.
    """
    if calendar.empty:
        return _table([])
    last_day = pd.Timestamp(int(calendar["end_usual"].dt.year.max()), 12, 31)
    clean_up_d = _days(settings.clean_up_d, catalogue, "clean_up")
    seedbed_d = _days(settings.seedbed_d, catalogue, "seedbed") + settings.stale_seedbed_d
    rows = []
    for block in sorted(calendar["block_id"].unique(), key=_natural):
        crops = calendar[calendar["block_id"] == block].sort_values("start_usual").to_dict("records")
        number = 0
        for before, after in _neighbours(crops):
            start = _day_after(before) if before else _always(pd.Timestamp(crops[0]["start_usual"].year, 1, 1))
            next_start = {s: after[f"start_{s}"] for s in SOFT} if after else _always(last_day + DAY)
            length_d = (next_start["usual"] - start["usual"]).days
            if length_d < 0 and before and after:
                raise ValueError(f"calendar: {before['crop']} and {after['crop']} overlap on block {block}")
            if length_d < max(shortest_d, 1):
                continue
            number += 1
            clearing_d = clean_up_d if before else 0
            waiting_d = _waiting_d(after, settings, catalogue) if after else 0
            opens = {s: start[s] + DAY * (clearing_d + seedbed_d) for s in SOFT}
            # Without a next crop the last day of the calendar is itself a day for termination.
            closes = {s: next_start[s] - DAY * (waiting_d if after else 1) for s in SOFT}
            low, middle, high = usable_days(opens, closes)
            rows.append(
                {
                    "gap_id": f"{block}/{number}",
                    "block_id": block,
                    "season": _season(start["usual"], next_start["usual"] - DAY, opens["usual"], southern),
                    "crop_before": before["crop"] if before else "",
                    "crop_after": after["crop"] if after else "",
                    "establishment_after": after["establishment"] if after else "",
                    "start": start["usual"],
                    "end": next_start["usual"] - DAY,
                    "length_d": length_d,
                    "opens_early": opens["early"],
                    "opens": opens["usual"],
                    "opens_late": opens["late"],
                    "closes_early": closes["early"],
                    "closes": closes["usual"],
                    "closes_late": closes["late"],
                    "clean_up_d": clearing_d,
                    "seedbed_d": seedbed_d,
                    "waiting_d": waiting_d,
                    "usable_p10_d": low,
                    "usable_p50_d": middle,
                    "usable_p90_d": high,
                }
            )
    return _table(rows)


def _table(rows: list[dict]) -> DataFrame[Gap]:
    return Gap.validate(pd.DataFrame(rows, columns=list(Gap.to_schema().columns)))


def _natural(name: str) -> tuple:
    """Sort key that puts block 2 before block 10."""
    return tuple((0, int(part), "") if part.isdigit() else (1, 0, part) for part in re.split(r"(\d+)", name)), name


def _neighbours(crops: list[dict]) -> Iterator[tuple[dict | None, dict | None]]:
    """Each crop with the one before it, from nothing to the first, from the last to nothing."""
    yield from zip([None, *crops], [*crops, None], strict=True)


def _always(day: pd.Timestamp) -> _Soft:
    return dict.fromkeys(SOFT, day)


def _day_after(crop: dict) -> _Soft:
    return {s: crop[f"end_{s}"] + DAY for s in SOFT}


def _days(own: int | None, catalogue: Catalogue, rule: str) -> int:
    return own if own is not None else round(catalogue.rule(rule))


def _waiting_d(crop: dict, settings: FarmSettings, catalogue: Catalogue) -> int:
    """Days from termination to a crop: the farm's own, else by how it is set up and how small its seed is."""
    way = crop["establishment"]
    vegetable = catalogue.vegetables.get(crop["crop"])
    small = way == "seeded" and vegetable is not None and vegetable.small_seeded
    return _days(settings.waiting_d.get(way), catalogue, "waiting_small_seeded" if small else f"waiting_{way}")


def usable_days(opens: _Soft, closes: _Soft) -> tuple[int, int, int]:
    """Usable days that 10, 50 and 90 % of outcomes fall short of, both ends counted."""
    origin = opens["usual"]
    first, last = (_triangular([(day[s] - origin).days for s in SOFT]) for day in (opens, closes))
    usable = last[None, :] - first[:, None] + 1
    low, middle, high = np.floor(np.quantile(usable, [0.1, 0.5, 0.9]) + 0.5).astype(int)
    return int(low), int(middle), int(high)


def _triangular(corners: list[int]) -> NDArray[np.float64]:
    """Midpoints of `STEPS` equally likely slices of a triangular distribution [d].

    Parameters
    ----------
    corners : list of int
        Lowest, most likely and highest value [d].
    """
    low, mode, high = corners
    width = high - low
    if width == 0:
        return np.full(STEPS, float(mode))
    share = (np.arange(STEPS) + 0.5) / STEPS
    rising = low + np.sqrt(share * width * (mode - low))
    falling = high - np.sqrt((1 - share) * width * (high - mode))
    return np.where(share * width < mode - low, rising, falling)


def _season(start: pd.Timestamp, end: pd.Timestamp, opens: pd.Timestamp, southern: bool) -> str:
    """Name of the season: overwinter if it holds midwinter's turn of the year, else by its first sowing day."""
    shift = pd.DateOffset(months=6 if southern else 0)
    start, end, opens = start + shift, end + shift, opens + shift
    if start.year < end.year:
        return "overwinter"
    if opens.year > start.year or (opens.month, opens.day) > (8, 10):
        return "autumn"
    return "early spring" if opens.month <= 5 else "midsummer"
