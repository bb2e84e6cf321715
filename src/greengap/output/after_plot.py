"""Nitrogen after a cover as a picture: a fan over the weather years beside what the next crop takes up.

matplotlib is an extra; it is imported when a picture is drawn and never before.
"""

from __future__ import annotations

import textwrap
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from greengap.cover_after import CoverAfter, GapAfter
from greengap.output.after_text import ending_in_words, refusal_in_words, waiting_in_words
from greengap.output.odds_plot import INK, MIDDLE, OUTER, PAPER, PLUM, RULE, SHEET, SOFT, write_pictures
from greengap.output.odds_text import gap_in_words
from greengap.units import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def draw_release(axes: Axes, dates: pd.DatetimeIndex, curve: np.ndarray, uptake: np.ndarray, crop: str) -> None:
    """Draw nitrogen from the cover by date, and the crop's uptake.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    dates : DatetimeIndex, shape (day,)
    curve : ndarray, shape (year, day)
        In the unit of the axis; below zero where it is tied up.
    uptake : ndarray, shape (day,)
        NaN where it is not known.
    crop : str
        Its name; empty if there is none.
    """
    low, first, middle, third, high = np.nanquantile(curve, [0.1, 0.25, 0.5, 0.75, 0.9], axis=0)
    axes.fill_between(dates, low, high, color=OUTER, linewidth=0)
    axes.fill_between(dates, first, third, color=MIDDLE, linewidth=0)
    axes.plot(dates, middle, color=PLUM, linewidth=2.6)
    axes.axhline(0, color=INK, linewidth=0.8)
    beside: Any = {"xytext": (6, 0), "textcoords": "offset points", "va": "center"}
    axes.annotate("from the cover", (dates[-1], middle[-1]), color=PLUM, **beside)
    if crop and not np.isnan(uptake).all():
        axes.plot(dates, uptake, color=INK, linewidth=1.4, linestyle=(0, (5, 2.2)))
        axes.annotate(f"{crop}\nhas taken up", (dates[-1], uptake[-1]), color=INK, **beside)


def draw(found: CoverAfter, one: GapAfter) -> Figure:
    """The picture of one gap."""
    from matplotlib.dates import DayLocator, MonthLocator, num2date
    from matplotlib.figure import Figure
    from matplotlib.ticker import FuncFormatter

    figure = Figure(figsize=(8.4, 5.6), facecolor=PAPER)
    axes = figure.add_axes((0.085, 0.2, 0.74, 0.48), facecolor=SHEET)
    dates = pd.date_range(one.planned_end, periods=one.curve.shape[1])
    factor, unit = shown(1.0, "kg_ha", found.settings.units)
    crop = found.catalogue.crop_name(one.gap.crop_after) if isinstance(one.gap.crop_after, str) else ""
    draw_release(axes, dates, one.curve * factor, one.uptake * factor, crop)
    axes.set_ylabel(f"nitrogen since it was ended, {unit}", color=INK)
    axes.xaxis.set_major_locator(MonthLocator())
    axes.xaxis.set_minor_locator(DayLocator(bymonthday=[8, 15, 22]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"1 {num2date(x):%b}"))
    axes.margins(x=0)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(RULE)
    axes.tick_params(colors=SOFT)
    if crop:
        planting = one.gap.end + pd.Timedelta(days=1)
        axes.axvline(planting, color=INK, linewidth=0.9, linestyle=(0, (1, 1.6)))
        top = axes.get_ylim()[1]
        axes.text(planting, top, f" {crop} is set", color=INK, fontsize=9, va="top")
    figure.text(
        0.085, 0.945, f"After {found.cover.name.lower()}, {one.gap.gap_id}", color=INK, fontsize=14, weight="bold"
    )
    refused = textwrap.wrap(refusal_in_words(one, found), 100)
    said = [gap_in_words(one.gap), ending_in_words(one)]
    if crop:
        said.append(waiting_in_words(one, found.catalogue))
    wrapped = [line for words in said for line in textwrap.wrap(words, 105)]
    spoken: Any = {"color": INK, "fontsize": 9.5, "va": "top", "linespacing": 1.5}
    figure.text(0.085, 0.92, "\n".join(refused), weight="bold", **spoken)
    figure.text(0.085, 0.92, "\n".join([""] * len(refused) + wrapped), **spoken)
    years = one.curve.shape[0]
    note = (
        f"Heavy line: median of {years} weather years; dark band: half of them; light band: eight of ten. Below zero "
        "nitrogen is tied up. Reckoned from dry matter and its nitrogen (PNW 636) and the warmth and moisture of those "
        "years; test the soil before you cut fertilizer."
    )
    figure.text(0.085, 0.02, textwrap.fill(note, 118), color=SOFT, fontsize=8.5)
    return figure


def write_after(found: CoverAfter, folder: Path, kind: str) -> list[Path]:
    """Write a picture of each gap that the cover can be sown in.

    Parameters
    ----------
    found : CoverAfter
    folder : Path
        Made if it is missing.
    kind : {"svg", "png"}

    Returns
    -------
    list of Path
        Files written, each whole.

    Raises
    ------
    InputProblem
        If matplotlib is missing or the folder cannot be written.
    """
    drawn = [one for one in found.gaps if one.after is not None and one.curve.size]
    figures = ((f"after_{one.gap.gap_id}_{found.cover.key}", partial(draw, found, one)) for one in drawn)
    return write_pictures(figures, folder, kind)
