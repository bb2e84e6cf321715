"""The odds of a cover as a picture: lines over the sowing date, the sowing window, a fan of dry matter.

matplotlib is an extra; it is imported when a picture is drawn and never before.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterable
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from greengap.cover_odds import CoverOdds, GapOdds
from greengap.errors import InputProblem
from greengap.output.files import write_bytes
from greengap.output.line_labels import Box, label_boxes
from greengap.output.odds_text import (
    caption,
    certainty_in_words,
    day,
    gap_in_words,
    holds_in_words,
    left_out_in_words,
    shown_dates,
    spread_in_words,
    window_in_short,
    worth_drawing,
    years_wanted,
)
from greengap.units import System, shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PAPER, SHEET, INK, SOFT, RULE, PLUM = "#eef1ec", "#fbfbf8", "#22302f", "#55635f", "#c3ccc6", "#6a2358"
OUTER, MIDDLE = "#d9dfd8", "#aebbb3"
DOTTED: Any = (0, (1, 1.6))


class Line(NamedTuple):
    """How one count is drawn. `shift` keeps lines that coincide side by side [pt]."""

    column: str
    words: str
    colour: str
    dashes: Any
    width: float
    shift: float


# Told apart by dashes and width first, so that they can be read in grey; labelled in this order.
LINES = (
    Line("holds_years", "everything holds", PLUM, "solid", 3.0, 0.0),
    Line("frost_killed_years", "frost kills it first", "#1f3f89", DOTTED, 1.7, -3.2),
    Line("flowered_years", "flowers", "#7a6206", (0, (7, 2, 1.5, 2)), 1.4, -2.6),
    Line("aim_years", "aim reached", INK, (0, (5, 2.2)), 1.4, 2.9),
    Line("established_years", "a stand", SOFT, "solid", 0.9, 5.0),
)


def check_plots() -> None:
    """Refuse to draw where matplotlib is not installed.

    Raises
    ------
    InputProblem
        With the command that installs it.
    """
    try:
        import matplotlib  # noqa: F401
    except ImportError as error:
        remedy = "Install it with pip install 'greengap[plots]', or leave --out away: the terminal needs nothing"
        raise InputProblem("--out", "", "pictures need matplotlib, which is not installed", remedy) from error


def draw_odds(axes: Axes, dates: pd.DataFrame, wanted: int, spread: pd.DataFrame | None = None) -> None:
    """Draw counts of weather years against the sowing date.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    dates : DataFrame of DateOdds
        In the order of the sowing dates.
    wanted : int
        Years that are wanted, drawn as a thin level line.
    spread : DataFrame of OddsSpread, optional
        Drawn as a band around the heavy line; rows as in `dates`.
    """
    from matplotlib.transforms import ScaledTranslation

    most = int(dates["years"].max())
    axes.set_ylim(0, most * 1.16)
    axes.set_yticks([0, most])
    for level, width in ((most, 0.6), (wanted, 0.9)):
        axes.axhline(level, color=RULE if level == most else INK, linewidth=width, zorder=1)
    if wanted != most:
        axes.text(
            1.008,
            wanted,
            f"{wanted} wanted",
            transform=axes.get_yaxis_transform(),
            color=INK,
            fontsize=8.5,
            va="center",
        )
    if spread is not None:
        axes.fill_between(
            dates["sow_date"], spread["holds_years_p10"], spread["holds_years_p90"], facecolor=PLUM, alpha=0.13,
            hatch="....", edgecolor=PLUM, linewidth=0, zorder=1.5,
        )  # fmt: skip
    drawn = []
    for line in LINES:
        if line.column in ("flowered_years", "frost_killed_years") and not dates[line.column].any():
            continue
        beside = ScaledTranslation(0, line.shift / 72, axes.figure.dpi_scale_trans)
        axes.plot(
            dates["sow_date"], dates[line.column], color=line.colour, linestyle=line.dashes, linewidth=line.width,
            transform=axes.transData + beside, clip_on=False, zorder=4 if line.column == "holds_years" else 3,
            marker="o" if len(dates) == 1 else None, solid_capstyle="butt",
        )  # fmt: skip
        drawn.append(line)
    _label_lines(axes, dates, drawn, wanted)


def draw_fan(
    axes: Axes, dates: pd.DataFrame, aim_kg_ha: float | None, system: System, spread: pd.DataFrame | None = None
) -> None:
    """Draw the range of dry matter at the end of growth against the sowing date.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    dates : DataFrame of DateOdds
    aim_kg_ha : float or None
        Growth aim, drawn as a thin level line, if it is an amount of dry matter [kg/ha].
    system : {"metric", "us"}
    spread : DataFrame of OddsSpread, optional
        The median year in 10 and 90 % of the draws, drawn as dotted lines.
    """

    def mass(column: str, table: pd.DataFrame = dates) -> pd.Series:
        return table[column] * shown(1.0, "biomass_kg_ha", system)[0]

    when = dates["sow_date"]
    fan = {p: mass(f"biomass_p{p}_kg_ha") for p in (10, 25, 50, 75, 90)}
    axes.fill_between(when, fan[10], fan[90], color=OUTER, linewidth=0, zorder=2)
    axes.fill_between(when, fan[25], fan[75], color=MIDDLE, linewidth=0, zorder=2.2)
    axes.plot(when, fan[50], color=INK, linewidth=2, zorder=3, marker="o" if len(dates) == 1 else None)
    if spread is not None:
        for p in (10, 90):
            axes.plot(when, mass(f"biomass_p50_kg_ha_p{p}", spread), color=PLUM, linewidth=1.2, linestyle=DOTTED)
    axes.set_ylim(0, None)
    if aim_kg_ha is not None:
        level = aim_kg_ha * shown(1.0, "biomass_kg_ha", system)[0]
        axes.axhline(level, color=INK, linewidth=0.9, zorder=2.5)
        axes.text(1.008, level, "aim", transform=axes.get_yaxis_transform(), color=INK, fontsize=8.5, va="center")


def draw_window(axes: Axes, window: Any, words: str) -> None:
    """Draw the sowing window as a bracket under the axes, its best date as a tick, and say it.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    window : row of Window
    words : str
        Below the bracket.
    """
    from matplotlib.dates import date2num
    from matplotlib.transforms import blended_transform_factory

    under = blended_transform_factory(axes.transData, axes.transAxes)
    best = date2num(window.sow_best)
    line: dict[str, Any] = {"color": PLUM, "clip_on": False, "transform": under, "solid_capstyle": "butt"}
    axes.plot([best, best], [-0.20, -0.145], linewidth=2.2, **line)
    left = right = best
    if not pd.isna(window.sow_from):
        left, right = date2num(window.sow_from), date2num(window.sow_until)
        axes.plot([left, left, right, right], [-0.155, -0.20, -0.20, -0.155], linewidth=1.6, **line)
    start, end = axes.get_xlim()
    late = (left - start) > 0.5 * (end - start)
    axes.text(
        right if late else left, -0.225, words, transform=under, color=PLUM, fontsize=9.5, fontweight="bold",
        va="top", ha="right" if late else "left",
    )  # fmt: skip
    axes.plot([best, best], [0, 1 / 1.16], color=PLUM, linewidth=0.9, linestyle=(0, (1, 2)), transform=under, zorder=2)


def _label_lines(axes: Axes, dates: pd.DataFrame, lines: list[Line], wanted: int) -> None:
    """Write each line's name beside it, where it has most room, behind a piece of the line."""
    from matplotlib.dates import date2num

    figure = axes.figure
    point = figure.dpi / 72
    when, piece, space = date2num(dates["sow_date"]), 17 * point, 4 * point
    paths, texts = [], []
    for line in lines:
        ends = axes.transData.transform(np.column_stack([when, dates[line.column]]))
        along = np.linspace(ends[0, 0], ends[-1, 0], 160)
        paths.append(np.column_stack([along, np.interp(along, ends[:, 0], ends[:, 1]) + line.shift * point]))
        bold = "bold" if line.column == "holds_years" else "normal"
        text = axes.text(0, 0, line.words, color=line.colour, fontsize=9.5, fontweight=bold, va="center", zorder=6)
        texts.append(text)
    extents = [text.get_window_extent() for text in texts]
    sizes = [(extent.width + piece + space, extent.height + point) for extent in extents]
    frame, level = axes.get_window_extent(), axes.transData.transform((0, wanted))[1]
    boxes = label_boxes(paths, sizes, Box(frame.x0, frame.y0, frame.x1, frame.y1), [level], point)
    inside = axes.transAxes.inverted()
    for line, text, box in zip(lines, texts, boxes, strict=True):
        if box is None:
            text.remove()
            continue
        middle = (box.bottom + box.top) / 2
        (left, height), (right, _), (start, _) = inside.transform(
            [(box.left, middle), (box.left + piece, middle), (box.left + piece + space, middle)]
        )
        text.set(transform=axes.transAxes, position=(start, height), path_effects=_halo())
        axes.plot(
            [left, right], [height, height], color=line.colour, linestyle=line.dashes, linewidth=line.width, zorder=6,
            transform=axes.transAxes, path_effects=_halo(), solid_capstyle="butt", clip_on=False,
        )  # fmt: skip


def _halo() -> list[Any]:
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=2.6, foreground=SHEET)]


def _dress(axes: Axes) -> None:
    """Sheet, two fine axes, quiet figures."""
    axes.set_facecolor(SHEET)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(INK)
        axes.spines[side].set_linewidth(0.8)
    axes.tick_params(colors=SOFT, labelcolor=SOFT, labelsize=8.5, width=0.8, length=4)


def draw(found: CoverOdds, one: GapOdds) -> Figure:
    """The whole picture of one gap.

    Parameters
    ----------
    found : CoverOdds
    one : GapOdds
        With a sowing date.

    Returns
    -------
    matplotlib.figure.Figure
    """
    from matplotlib.dates import num2date
    from matplotlib.figure import Figure
    from matplotlib.ticker import FuncFormatter

    dates = shown_dates(one)
    spread = None
    if one.spread is not None:
        spread = one.spread.set_index("option_id").loc[dates["option_id"]].reset_index()
    most = int(dates["years"].max())
    early = bool((dates["sow_date"] < one.gap.opens).any())
    words = [
        certainty_in_words(one), spread_in_words(one),
        "Dotted band and dotted lines: eight draws in ten." if spread is not None else "",
        holds_in_words(found), "Hatched: dates that only an early end of the crop before allows." if early else "",
        left_out_in_words(one),
    ]  # fmt: skip
    small = [*textwrap.wrap(" ".join(w for w in words if w), 108), *textwrap.wrap(caption(found, one), 108)]
    wide, high = 7.4, 7.0 + 0.165 * len(small)

    def down(inches: float) -> float:
        return 1 - inches / high

    figure = Figure(figsize=(wide, high), dpi=110, facecolor=PAPER)
    upper = figure.add_axes((0.085, down(3.75), 0.80, 2.65 / high))
    lower = figure.add_axes((0.085, down(6.25), 0.80, 1.35 / high), sharex=upper)
    for axes in (upper, lower):
        _dress(axes)
    title: dict[str, Any] = {"color": INK, "fontsize": 17, "fontfamily": "serif", "fontweight": "bold", "va": "top"}
    figure.text(0.03, down(0.26), f"{found.cover.name} on {found.block_id}", **title)
    figure.text(0.03, down(0.62), gap_in_words(one.gap), color=SOFT, fontsize=9.5, va="top")
    figure.text(0.03, down(1.0), f"years of {most}, by sowing date", color=SOFT, fontsize=9, va="center")
    unit = shown(0.0, "biomass_kg_ha", found.settings.units)[1]
    figure.text(0.03, down(4.74), f"dry matter at the end, {unit}", color=SOFT, fontsize=9, va="center")
    figure.text(0.03, down(6.72), "\n".join(small), color=SOFT, fontsize=8.2, va="top", linespacing=1.4)
    _dates_axis(upper, dates)
    upper.xaxis.set_major_formatter(FuncFormatter(lambda x, _: day(num2date(x))))
    draw_odds(upper, dates, years_wanted(found, most), spread)
    draw_window(upper, one.window, window_in_short(one, found))
    aim = found.growth_aim.value if found.growth_aim.quantity == "biomass_kg_ha" else None
    draw_fan(lower, dates, aim, found.settings.units, spread)
    _name_fan(figure, down(4.74), spread is not None)
    if early:
        _hatch_early(upper, lower, one)
    return figure


def _dates_axis(axes: Axes, dates: pd.DataFrame) -> None:
    """Ticks on sowing dates, or on the first of months where there are many."""
    from matplotlib.dates import DayLocator, MonthLocator, date2num

    when = date2num(dates["sow_date"])
    pad = max((when[-1] - when[0]) * 0.012, 0.4)
    axes.set_xlim(when[0] - pad, when[-1] + pad)
    if when[-1] - when[0] > 75:
        axes.xaxis.set_major_locator(MonthLocator())
        axes.xaxis.set_minor_locator(DayLocator((8, 15, 22)))
        return
    step = max(int(np.ceil(len(when) / 8)), 1)
    axes.set_xticks(when[::step])


def _name_fan(figure: Figure, y: float, spread: bool) -> None:
    """Say what the bands are, each behind a piece of it, above the lower panel."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

    x, wide, thick = 0.285, 0.03, 0.085 / figure.get_figheight()
    pieces = [("median year", INK), ("half the years", MIDDLE), ("eight years in ten", OUTER)]
    for words, colour in [*pieces, *([("other draws", PLUM)] if spread else [])]:
        if colour in (MIDDLE, OUTER):
            piece = Rectangle((x, y - thick / 2), wide, thick, facecolor=colour, edgecolor=RULE, linewidth=0.6)
            figure.add_artist(piece)
        else:
            dashes: Any = DOTTED if colour == PLUM else "-"
            width = 1.2 if colour == PLUM else 2.0
            figure.add_artist(Line2D([x, x + wide], [y, y], color=colour, linewidth=width, linestyle=dashes))
        text = figure.text(x + wide + 0.006, y, words, color=SOFT, fontsize=8.5, va="center")
        x = text.get_window_extent().x1 / figure.bbox.width + 0.017


def _hatch_early(upper: Axes, lower: Axes, one: GapOdds) -> None:
    """Hatch the dates that only an early end of the last crop allows."""
    from matplotlib.dates import date2num

    start, opens = upper.get_xlim()[0], date2num(one.gap.opens)
    for axes in (upper, lower):
        axes.axvspan(start, opens, facecolor="none", edgecolor=RULE, hatch="////", linewidth=0, zorder=0.5)


def write_odds(found: CoverOdds, folder: Path, kind: str) -> list[Path]:
    """Write a picture of each gap that is worth drawing.

    Parameters
    ----------
    found : CoverOdds
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
    figures = ((f"odds_{one.gap.gap_id}_{found.cover.key}", partial(draw, found, one)) for one in worth_drawing(found))
    return write_pictures(figures, folder, kind)


def write_pictures(figures: Iterable[tuple[str, Callable[[], Figure]]], folder: Path, kind: str) -> list[Path]:
    """Draw pictures and write each whole, the same bytes every time.

    Parameters
    ----------
    figures : iterable of (name, callable)
        What is drawn by calling it; the name is made fit for a file.
    folder : Path
        Made if it is missing.
    kind : {"svg", "png"}

    Returns
    -------
    list of Path
        Files written.

    Raises
    ------
    InputProblem
        If matplotlib is missing or the folder cannot be written.
    """
    check_plots()
    import matplotlib

    style: Any = {"hatch.color": RULE, "hatch.linewidth": 0.6, "font.family": "sans-serif", "svg.hashsalt": "greengap"}
    stamp = {"Date": None} if kind == "svg" else {"Software": None}
    written = []
    for words, draw_it in figures:
        path = folder / f"{re.sub(r'[^A-Za-z0-9_-]+', '_', words).lower()}.{kind}"
        buffer = BytesIO()
        with matplotlib.rc_context(style):
            draw_it().savefig(buffer, format=kind, metadata=stamp)
        write_bytes(path, buffer.getvalue())
        written.append(path)
    return written
