"""Fits the multipliers of growth, writes them into the catalogue, and makes all that growth.md and bloom.md show.

``python docs/validation/make_growth.py DATA_FOLDER CHECKS`` with the folder that holds the trials and the table with
the published ranges, rows ``bio_``. Written: the block ``radiation_use_multiplier`` of every species file,
``skill.csv``, the pictures, and the tables between the marks of both pages. Only what changed is touched.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd

from greengap.calibration import skill_record as record
from greengap.calibration.fit import Fit, fit_multipliers, fit_species, role, usable, written
from greengap.calibration.growth_skill import (
    NEW_YORK_PLACES,
    NEW_YORK_YEAR,
    biomass_table,
    bound_table,
    date_table,
    new_york_table,
    range_table,
    stand_table,
)
from greengap.calibration.skill import bias, rmse
from greengap.calibration.trial_data import TrialData, read_trials
from greengap.calibration.trial_season import trial_catalogue
from greengap.calibration.trial_weather import nearest, stations
from greengap.catalogue import loader
from greengap.catalogue.loader import load_catalogue
from greengap.errors import ImportReport

mpl.use("Agg")
import matplotlib.pyplot as plt

HERE = Path(__file__).parent
SPECIES = Path(loader.__file__).parent / "species"
MANY_YEARS = "Ames 8 WSW"
SHAPES = {"cereal_rye": "o", "red_clover": "s", "sorghum_sudangrass": "^"}
SHAPES |= {"cowpea": "D", "sunflower": "o", "sorghum": "^"}
SHAPES |= {"white_clover": "v", "sunn_hemp": "P", "soybean": "v", "barley": "s", "faba_bean": "X", "pearl_millet": "*"}
CROWDED = {"soybean"}  # too many places to name each in the picture; the table has them
LABELS_ASIDE = {"Kununurra 1982": (-4, 9), "Samanko 2014": (-4, 9), "Palmira 1997": (-4, 9), "Tatura 1981": (-50, 4)}
BLUE, ORANGE, GREY = "#1f5a94", "#c8641e", "#8a8a8a"
WORDS = {"whole_chain": "whole chain, as on an unwatered farm", "stand_given": "with a stand given"}


def write_multipliers(trials: TrialData, folder: Path) -> list[Fit]:
    """Fit every species and write its block."""
    catalogue = load_catalogue()
    fits = fit_multipliers(usable(trials.observations, catalogue, folder), trials.weather, catalogue)
    for fit in fits:
        path = SPECIES / f"{fit.species}.toml"
        text = path.read_text(encoding="utf-8")
        if (new := written(text, fit)) != text:
            path.write_text(new, encoding="utf-8")
    load_catalogue.cache_clear()
    return fits


def fit_on_all_sowings(trials: TrialData) -> Fit:
    """What rye would get if broadcast and unknown sowings were let in; not used."""
    catalogue, seen = load_catalogue(), trials.observations
    rows = seen[(role(seen, catalogue) == "fit") & (seen["split"] == "train") & (seen["cover_id"] == "cereal_rye")]
    return fit_species("cereal_rye", rows.dropna(subset="value"), trials.weather, catalogue)


def new_york_weather(folder: Path) -> tuple[dict[str, object], dict[str, str]]:
    """Weather of 2020 for both sites, and which station and how far."""
    found = stations(folder, ImportReport())
    first, last = pd.Timestamp(NEW_YORK_YEAR, 5, 1), pd.Timestamp(NEW_YORK_YEAR, 10, 1)
    weather, words = {}, {}
    for place, (lat, lon) in NEW_YORK_PLACES.items():
        near = nearest(found, lat, lon, first, last, farthest_km=1000)
        if near is not None:
            weather[place], words[place] = near[0].read(), f"{near[0].name}, {near[1]:.0f} km away"
    return weather, words


# -- tables ----------------------------------------------------------------------------------------


def as_markdown(table: pd.DataFrame, digits: int = 0) -> str:
    """A table in Markdown; missing values empty, endless ones 'never'."""

    def cell(value: object) -> str:
        if isinstance(value, float | np.floating):
            if np.isnan(value):
                return ""
            return "never" if np.isinf(value) else f"{value:.{digits}f}"
        return str(value)

    lines = ["| " + " | ".join(table.columns) + " |", "| " + " | ".join("---" for _ in table) + " |"]
    lines += ["| " + " | ".join(cell(v) for v in row) + " |" for row in table.itertuples(index=False)]
    return "\n".join(lines)


def place_tables(page: Path, tables: dict[str, str]) -> None:
    """Put tables between the marks of a page."""
    text = page.read_text(encoding="utf-8")
    for name, table in tables.items():
        marks = rf"(<!-- {name} -->\n).*?(<!-- end -->)"
        if not re.search(marks, text, flags=re.DOTALL):
            raise ValueError(f"{page.name} has no marks for {name}")
        text = re.sub(marks, lambda m, table=table: f"{m[1]}{table}\n{m[2]}", text, flags=re.DOTALL)
    page.write_text(text, encoding="utf-8")


def fit_table(fits: list[Fit], all_sowings: Fit) -> pd.DataFrame:
    """Multipliers with what they rest on."""
    rows = [
        (
            f.species, f.multiplier if f.fitted else 1.0, "fitted" if f.fitted else "prior, uncalibrated",
            len(f.site_years), f.low, f.high, f.alone_low, f.alone_high,
        )
        for f in sorted(fits, key=lambda f: (not f.fitted, f.species))
    ]  # fmt: skip
    f = all_sowings
    rows.append(
        ("cereal_rye, every way of sowing", f.multiplier, "not used", len(f.site_years), f.low, f.high, f.alone_low,
         f.alone_high)
    )  # fmt: skip
    columns = ["species", "multiplier", "", "site-years", "one left out, from", "to", "one alone, from", "to "]
    return pd.DataFrame(rows, columns=columns)


# -- pictures --------------------------------------------------------------------------------------


def one_to_one(axes: plt.Axes, most: float, unit: str) -> None:
    """Equal axes with the line on which predictions would be right."""
    axes.plot([0, most], [0, most], color=GREY, lw=1, zorder=0)
    axes.set(xlim=(0, most), ylim=(0, most), xlabel=f"measured, {unit}", aspect="equal")
    axes.spines[["top", "right"]].set_visible(False)


def errors(measured: pd.Series, predicted: pd.Series, unit: str, digits: int) -> str:
    """n, RMSE and bias in a line."""
    known = measured.notna() & predicted.notna()
    o, p = measured[known], predicted[known]
    return f"n {len(o)}, RMSE {rmse(o, p):.{digits}f} {unit}, bias {bias(o, p):+.{digits}f} {unit}"


def plot_biomass(table: pd.DataFrame) -> None:
    """Measured against predicted biomass by site-year."""
    table = table[table["role"] == "fit"]
    figure, both = plt.subplots(1, 2, figsize=(9, 5.6), sharey=True, layout="constrained")
    for axes, run in zip(both, record.RUNS, strict=True):
        one_to_one(axes, 7, "t/ha")
        for row in table.itertuples():
            colour = BLUE if row.drilled == "yes" else ORANGE
            x, y = row.measured / 1000, getattr(row, run) / 1000
            axes.hlines(y, row.least / 1000, row.most / 1000, color=colour, lw=0.8, alpha=0.5)
            fill = colour if row.split == "test" else "white"
            axes.plot(x, y, SHAPES[row.cover_id], mec=colour, mfc=fill, ms=7, clip_on=False)
        test = table[table["split"] == "test"]
        told = errors(test["measured"] / 1000, test[run] / 1000, "t/ha", 1)
        axes.set_title(f"{WORDS[run]}\ntest: {told}", fontsize=10)
    both[0].set_ylabel("predicted, t/ha")
    crops = list(dict.fromkeys(table["cover_id"]))
    for place, crop in enumerate(crops):
        both[0].plot(0.25, 6.8 - 0.3 * place, SHAPES[crop], color="black", ms=5)
        both[0].text(0.45, 6.8 - 0.3 * place, crop.replace("_", " "), va="center", fontsize=8)
    for place, (words, colour) in enumerate(
        (("filled: test, open: training", "black"), ("blue: drilled", BLUE), ("orange: broadcast or not said", ORANGE))
    ):
        both[0].text(0.2, 6.8 - 0.3 * (len(crops) + place), words, va="center", fontsize=8, color=colour)
    figure.suptitle("Shoot dry matter by site-year; bars: spread of the plots", fontsize=11)
    figure.savefig(HERE / "growth_biomass.png", dpi=100)
    plt.close(figure)


def plot_bloom(table: pd.DataFrame) -> None:
    """Measured against predicted days to first flower by site-year."""
    table = table[table["quantity"] == "first_flower_d"]
    figure, axes = plt.subplots(figsize=(5.4, 5.6), layout="constrained")
    one_to_one(axes, 130, "d")
    for row in table.itertuples():
        axes.hlines(row.stand_given, row.least, row.most, color=BLUE, lw=0.8, alpha=0.5)
        fill = BLUE if row.split == "test" else "white"
        axes.plot(row.measured, row.stand_given, SHAPES[row.cover_id], mec=BLUE, mfc=fill, ms=7)
        shift = LABELS_ASIDE.get(row.site_year, (7, -9))
        if row.cover_id in CROWDED:
            continue
        axes.annotate(row.site_year, (row.measured, row.stand_given), shift, textcoords="offset points", fontsize=7)
    named = {"sorghum": "sorghum, for sorghum-sudangrass"}
    crops = list(dict.fromkeys(table["cover_id"]))
    for place, crop in enumerate(crops):
        axes.plot(6, 125 - 6 * place, SHAPES[crop], color="black", ms=6)
        axes.text(10, 125 - 6 * place, named.get(crop, crop.replace("_", " ")), va="center", fontsize=9)
    axes.text(4, 121 - 6 * len(crops), "filled: test, open: training", fontsize=9)
    axes.set_ylabel("predicted in a moist seedbed, d")
    told = errors(table["measured"], table["stand_given"], "d", 0)
    axes.set_title(f"Days from sowing to first flower; bars: spread\n{told}", fontsize=10)
    figure.savefig(HERE / "bloom.png", dpi=100)
    plt.close(figure)


def plot_stands(table: pd.DataFrame) -> None:
    """When sowings that stood in the field come up in the engine."""
    table = table.sort_values(["cover_id", "sow_date"], ascending=False).reset_index(drop=True)
    never = 70
    figure, axes = plt.subplots(figsize=(7.2, 1.5 + 0.13 * len(table)), layout="constrained")
    for at, row in table.iterrows():
        up = never if np.isnan(row["up_d"]) else row["up_d"]
        axes.plot([row["up_moist_d"], up], [at, at], color=GREY, lw=0.8)
        axes.plot(row["up_moist_d"], at, "o", color=BLUE, ms=5)
        axes.plot(up, at, "X" if up == never else "s", color=ORANGE, ms=6)
    watered = np.where(table["irrigated"], ", watered", "")
    names = table["cover_id"].str.replace("_", " ") + ", " + table["site_year"] + watered
    axes.set_yticks(range(len(table)), names, fontsize=7)
    axes.set_xticks([0, 10, 20, 30, 40, 50, 60, never], [*map(str, range(0, 70, 10)), "never"])
    axes.set_xlabel("days from sowing to emergence in the engine")
    axes.spines[["top", "right"]].set_visible(False)
    colours = "blue: seedbed kept moist, orange: seedbed by the weather"
    axes.set_title(f"Sowings that stood in the field\n{colours}", fontsize=10)
    figure.savefig(HERE / "growth_stands.png", dpi=100)
    plt.close(figure)


def plot_new_york(table: pd.DataFrame) -> None:
    """Plots of two sites beside the engine on every likely sowing and length."""
    figure, both = plt.subplots(1, 2, figsize=(8.6, 3.6), sharey=True, layout="constrained")
    for axes, (place, rows) in zip(both, table.groupby("place", sort=False), strict=True):
        for at, row in enumerate(rows.to_dict("records")):
            bars = [("", "black", -0.2), ("stand_given", BLUE, 0.0), ("whole_chain", ORANGE, 0.2)]
            for run, colour, shift in bars:
                low, high = (row[f"{run}_{end}" if run else end] / 1000 for end in ("least", "most"))
                axes.vlines(at + shift, low, high, color=colour, lw=2)
                axes.plot(at + shift, row[run or "measured"] / 1000, "o", color=colour, ms=6)
        names = ["sorghum-\nsudangrass", "buckwheat", "legume with\nsorghum-sudan."]
        axes.set_xticks(range(len(rows)), names, fontsize=9)
        axes.set(ylim=(0, 7.5), xlim=(-0.6, 2.6))
        axes.set_title(f"{place}, 2020", fontsize=10)
        axes.spines[["top", "right"]].set_visible(False)
    both[0].set_ylabel("shoot dry matter, t/ha")
    for place, (words, colour) in enumerate(
        (("measured, 4 plots", "black"), ("engine, stand given", BLUE), ("engine, whole chain, unwatered", ORANGE))
    ):
        both[0].text(0.45, 7.1 - 0.5 * place, words, color=colour, fontsize=9)
    figure.savefig(HERE / "growth_new_york.png", dpi=100)
    plt.close(figure)


def main(folder: Path, checks: Path) -> None:
    """Fit, write, draw, and print the table of skill."""
    trials = read_trials(folder, checks)
    fits = write_multipliers(trials, folder)
    catalogue = load_catalogue()
    biomass, dates = biomass_table(trials, catalogue, folder), date_table(trials, catalogue)
    stands, bounds = stand_table(trials, catalogue), bound_table(trials, catalogue)
    weather, words = new_york_weather(folder)
    new_york = new_york_table(trials, weather, catalogue)
    years = next(s for s in stations(folder, ImportReport()) if s.name == MANY_YEARS)
    ranges = range_table(trials, years.read(), years.lat, catalogue)
    rows = record.soil_rows(pd.read_csv(HERE / "soil_temperature_stations.csv"))
    rows += record.date_rows(dates) + record.biomass_rows(biomass)
    every = fit_on_all_sowings(trials)
    otherwise = biomass_table(trials, trial_catalogue(catalogue, {every.species: every.multiplier}), folder)
    rows += [
        row | {"check": f"not used, multiplier {every.multiplier:.2f} from every way of sowing: {row['check']}"}
        for row in record.biomass_rows(otherwise)
        if row["check"] == "biomass, cereal rye"
    ]
    rows += record.stand_rows(stands)
    rows += record.bound_rows(bounds) + record.new_york_rows(new_york) + record.range_rows(ranges)
    skill = record.skill_table(rows)
    skill.to_csv(HERE / "skill.csv", index=False)
    shown = skill
    of_bloom = shown["check"].str.startswith(("first flower", "emergence"))
    plain = biomass.drop(columns=["least", "most"])
    place_tables(
        HERE / "growth.md",
        {
            "multipliers": as_markdown(fit_table(fits, every), 2),
            "skill": as_markdown(shown[~of_bloom], 2),
            "biomass": as_markdown(plain),
            "stands": as_markdown(stands.assign(sow_date=stands["sow_date"].dt.date)),
            "new york": as_markdown(new_york.drop(columns=[c for c in new_york if c.endswith(("least", "most"))]), 2),
            "weather": "\n".join(f"- {place}: weather of {station}" for place, station in words.items()),
            "bounds": as_markdown(bounds),
            "ranges": as_markdown(ranges, 1),
        },
    )
    place_tables(HERE / "bloom.md", {"skill": as_markdown(shown[of_bloom], 1), "dates": as_markdown(dates, 1)})
    for draw, table in (
        (plot_biomass, biomass), (plot_bloom, dates), (plot_stands, stands), (plot_new_york, new_york)
    ):  # fmt: skip
        draw(table)
    print(as_markdown(fit_table(fits, every), 2))
    print(as_markdown(shown, 2))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
