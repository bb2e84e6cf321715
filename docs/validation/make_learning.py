"""Replays real trials as if they were a farm's own records, and makes what learning.md shows.

``python docs/validation/make_learning.py DATA_FOLDER`` with the folder that holds the trials. Written:
``learning.csv``, the picture ``docs/images/learning_replay.png`` and the tables between the marks of the page. The
figures of scatter in the catalogue are typed from the first table; a test on the real data compares them.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd

from greengap.calibration.pooling import Scatter
from greengap.calibration.prior_scatter import components
from greengap.calibration.replay import replay, scatter_from, scatter_without
from greengap.calibration.replay_rows import (
    against_the_others,
    flower_days,
    long_term_residuals,
    trial_residuals,
    weighed_rye,
)
from greengap.calibration.trial_data import read_trials
from greengap.calibration.trial_weather import stations
from greengap.catalogue import Catalogue, load_catalogue
from greengap.errors import ImportReport

mpl.use("Agg")
import matplotlib.pyplot as plt

HERE = Path(__file__).parent
PICTURE = HERE.parent / "images" / "learning_replay.png"
BLUE, ORANGE, GREY = "#1f5a94", "#c8641e", "#8a8a8a"
WITH_ENGINE = ("first flower", "rye, dated", "rye, dates assumed")
AS_WEIGHED = "rye as weighed, no weather"


def scatter_table(rows: pd.DataFrame, weighed: pd.DataFrame) -> pd.DataFrame:
    """How far trials scatter, and on what each figure rests."""
    drilled = (rows["parameter"] != "growth") | (rows["drilled"] == "yes")
    mean = weighed.groupby(["place", "year"])["log_kg_ha"].mean().groupby("place").mean().mean()
    parts = {name: of_it for name, of_it in rows[drilled].groupby("parameter") if len(of_it)} | {
        "rye as weighed": weighed.assign(residual=weighed["log_kg_ha"] - mean)
    }
    table = []
    for name, of_it in parts.items():
        found = components(of_it)
        counts = (found.places, found.repeated, found.years, found.rows)
        table.append((name, found.site, found.year, found.record, *counts))
    columns = [
        "",
        "between places",
        "between years",
        "between plots",
        "places",
        "with several years",
        "site-years",
        "rows",
    ]
    return pd.DataFrame(table, columns=columns)


def replays(rows: pd.DataFrame, long_term: pd.DataFrame, weighed: pd.DataFrame, catalogue: Catalogue) -> pd.DataFrame:
    """Every replay: what it is of, the farm, years learned from, errors in the later years."""
    flower, growth = (rows[rows["parameter"] == p] for p in ("flowering", "growth"))
    rye = growth[growth["species"] == "cereal_rye"]

    def growth_scatter(farm: str) -> Scatter:
        """Between places by the drilled trials elsewhere; years and plots by rye weighed elsewhere."""
        places = components(growth[(growth["drilled"] == "yes") & (growth["place"] != farm)])
        others = weighed[weighed["site"] != farm]
        years = components(others.assign(residual=others["log_kg_ha"]))
        return scatter_from(type(places)(places.site, years.year, years.record, 0, 0, 0, 0), "growth", catalogue)

    by_place = {place: against_the_others(weighed, place) for place in sorted(set(weighed["place"]))}
    alone = pd.concat([own for own, _ in by_place.values()], ignore_index=True)
    parts = {
        "first flower": replay(flower, lambda farm: scatter_without(flower, farm, "flowering", catalogue)),
        "rye, dated": replay(rye, growth_scatter),
        "rye, dates assumed": replay(long_term, growth_scatter),
        AS_WEIGHED: replay(alone, lambda farm: scatter_from(components(by_place[farm][1]), "growth", catalogue)),
    }
    return pd.concat([part.assign(of=name) for name, part in parts.items()], ignore_index=True)[
        ["of", *parts["first flower"].columns]
    ]


def summary(table: pd.DataFrame) -> pd.DataFrame:
    """Means over farms, by what was replayed and years learned from."""
    by = table.groupby(["of", "learned_years"], sort=False)
    out = by[["before", "after", "own_mean", "inside"]].mean()
    out.insert(0, "farms", by.size())
    out.insert(1, "better", by.apply(lambda part: int((part["after"] < part["before"]).sum()), include_groups=False))
    return out.reset_index()


def as_markdown(table: pd.DataFrame, digits: int = 2) -> str:
    """A table in Markdown; missing values empty."""

    def cell(value: object) -> str:
        if isinstance(value, float | np.floating):
            return "" if np.isnan(value) else f"{value:.{digits}f}"
        return str(value)

    named = table.rename(columns=lambda c: c.replace("_", " "))
    lines = ["| " + " | ".join(named.columns) + " |", "| " + " | ".join("---" for _ in named) + " |"]
    return "\n".join([*lines, *("| " + " | ".join(map(cell, row)) + " |" for row in named.itertuples(index=False))])


def place_tables(page: Path, tables: dict[str, str]) -> None:
    """Put tables between the marks of a page."""
    text = page.read_text(encoding="utf-8")
    for name, table in tables.items():
        marks = rf"(<!-- {name} -->\n).*?(<!-- end -->)"
        if not re.search(marks, text, flags=re.DOTALL):
            raise ValueError(f"{page.name} has no marks for {name}")
        text = re.sub(marks, lambda m, table=table: f"{m[1]}{table}\n{m[2]}", text, flags=re.DOTALL)
    page.write_text(text, encoding="utf-8")


def plot(table: pd.DataFrame) -> None:
    """Error in later years without own records and with them: one point for a farm and a number of years."""
    figure, both = plt.subplots(1, 2, figsize=(9.2, 4.6), layout="constrained")
    for axes, kinds, most, title in (
        (both[0], WITH_ENGINE, 1.75, "with the engine"),
        (both[1], (AS_WEIGHED,), 3.1, "rye as weighed: pooling alone"),
    ):
        axes.plot([0, most], [0, most], color=GREY, lw=1, zorder=0)
        for kind, shape in zip(kinds, "^os", strict=False):
            of_it = table[table["of"] == kind]
            for row in of_it.itertuples():
                fill = BLUE if row.after < row.before else ORANGE
                axes.plot(row.before, row.after, shape, mec=fill, mfc=fill if row.learned_years > 1 else "white", ms=6)
        told = table[table["of"].isin(kinds)]
        better = int((told["after"] < told["before"]).sum())
        axes.set(xlim=(0, most), ylim=(0, most), aspect="equal", xlabel="error by the catalogue (log)")
        axes.set_title(f"{title}: better in {better} of {len(told)} replays", fontsize=10)
        axes.spines[["top", "right"]].set_visible(False)
    both[0].set_ylabel("error with own records (log)")
    both[1].set_xlabel("error by the mean of the other farms (log)")
    words = ("triangle: first flower", "circle: rye, dated", "square: rye, dates assumed",
             "open: learned from one year", "filled: from more", "blue: better, orange: worse")  # fmt: skip
    for at, word in enumerate(words):
        both[0].text(0.05, 1.68 - 0.09 * at, word, fontsize=8, va="top")
    figure.suptitle("Mean error in the years after those that were learned from", fontsize=11)
    figure.savefig(PICTURE, dpi=100)
    plt.close(figure)


def main(folder: Path) -> None:
    """Replay, write, draw, and print the summary."""
    catalogue = load_catalogue()
    trials = read_trials(folder)
    rows = trial_residuals(trials, catalogue, folder)
    used = rows[rows["why_not"] == ""]
    long_term = long_term_residuals(folder, stations(folder, ImportReport()), catalogue)
    known = long_term[long_term["why_not"] == ""]
    weighed = weighed_rye(folder)
    table = replays(used, known, weighed, catalogue)
    table.round(4).to_csv(HERE / "learning.csv", index=False)
    flower = used[used["parameter"] == "flowering"]
    days = flower_days(trials, flower, catalogue, lambda farm: scatter_without(flower, farm, "flowering", catalogue))
    aside = pd.concat([rows, long_term])
    aside = aside[aside["why_not"] != ""].groupby(["parameter", "place", "why_not"]).size().rename("rows").reset_index()
    place_tables(
        HERE / "learning.md",
        {
            "scatter": as_markdown(scatter_table(used, weighed)),
            "summary": as_markdown(summary(table)),
            "engine": as_markdown(table[table["of"] != AS_WEIGHED]),
            "days": as_markdown(days, 1),
            "aside": as_markdown(aside),
        },
    )
    plot(table)
    print(as_markdown(scatter_table(used, weighed)))
    print(as_markdown(summary(table)))
    print(as_markdown(days, 1))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
