"""The skill of the season engine in one table: target, figure, baseline, n and split of every check."""

from __future__ import annotations

import numpy as np
import pandas as pd

from greengap.calibration.skill import rrmse, spearman_within

RUNS = ("whole_chain", "stand_given")
COLUMNS = ["check", "run", "unit", "target", "figure", "baseline", "n", "split"]
BIOMASS_TARGET = 0.45  # rRMSE, and better than the mean of the species
BLOOM_TARGET_D, EMERGENCE_TARGET_D = 6.0, 3.0
NEVER_COMES = float("inf")


def biomass_rows(table: pd.DataFrame) -> list[dict[str, object]]:
    """Skill of biomass on the test part: rye, rye that was drilled, every species together.

    Parameters
    ----------
    table : DataFrame
        From `greengap.calibration.growth_skill.biomass_table`.

    Returns
    -------
    list of dict
        Rows of `COLUMNS`; figure and baseline are RMSE over the mean of the measured, every site-year once.
    """
    test = table[(table["split"] == "test") & (table["role"] == "fit")]
    rye = test[test["cover_id"] == "cereal_rye"]
    parts = {
        "biomass, cereal rye": rye,
        "biomass, cereal rye, drilled": rye[rye["drilled"] == "yes"],
        "biomass, species with a baseline": test[test["baseline"].notna()],
        "biomass, all species of the catalogue": test,
    }
    rows = []
    for name, part in parts.items():
        plain = rrmse(part["measured"], part["baseline"]) if part["baseline"].notna().all() else np.nan
        for run in RUNS:
            rows.append(_row(name, run, "rRMSE", BIOMASS_TARGET, rrmse(part["measured"], part[run]), plain, part))
    return rows


def date_rows(table: pd.DataFrame) -> list[dict[str, object]]:
    """Median absolute error of dates: by crop and over all, on the test part and on all site-years.

    Parameters
    ----------
    table : DataFrame
        From `greengap.calibration.growth_skill.date_table`.

    Returns
    -------
    list of dict
        Rows of `COLUMNS`; an event that the engine never has counts as an infinite error.
    """
    rows = []
    for quantity, words, target in (
        ("first_flower_d", "first flower", BLOOM_TARGET_D),
        ("emergence_d", "emergence", EMERGENCE_TARGET_D),
    ):
        seen = table[table["quantity"] == quantity]
        crops = {"": seen, **{f", {crop}": part for crop, part in seen.groupby("cover_id")}}
        for split in ("test", "all"):
            for crop, part in crops.items():
                part = part if split == "all" else part[part["split"] == "test"]
                for run in RUNS if len(part) else ():
                    plain = _middle_error(part["measured"], part["baseline"]) if split == "test" else np.nan
                    figure = _middle_error(part["measured"], part[run], NEVER_COMES)
                    rows.append(_row(words + crop, run, "d, median", target, figure, plain, part, split))
    return rows


def stand_rows(table: pd.DataFrame) -> list[dict[str, object]]:
    """Share of sowings that stood in the field and that the engine has come up, and live through frost.

    Parameters
    ----------
    table : DataFrame
        From `greengap.calibration.growth_skill.stand_table`.
    """
    dry = table[~table["irrigated"]]
    winter = table[table["cover_id"].isin(["cereal_rye", "red_clover"])]
    up, alive = dry["up_d"].notna().mean(), winter["frost_kill_d"].isna().mean()
    return [
        _row("stands that come up, not watered", "whole_chain", "share", 1.0, up, 1.0, dry, "all"),
        _row("stands that live through winter", "moist_seedbed", "share", 1.0, alive, 1.0, winter, "all"),
    ]


def bound_rows(table: pd.DataFrame) -> list[dict[str, object]]:
    """Share of site-years of ripe grain crops that the engine does not outgrow by more than 5 %, plots being uneven."""
    below = (table["grown"] <= 1.05 * table["heaviest"]).mean()
    return [_row("not above ripe grain crops", "stand_given", "share", 1.0, below, np.nan, table, "all")]


def new_york_rows(table: pd.DataFrame) -> list[dict[str, object]]:
    """Level, ranking, weeds and share of a mix on plots without dates; nothing was fitted on them.

    Parameters
    ----------
    table : DataFrame
        From `greengap.calibration.growth_skill.new_york_table`.
    """
    alone = table[~table["cover_id"].str.contains("+", regex=False)]
    mixes = table.dropna(subset="sorghum_share")
    plain = rrmse(alone["measured"], np.full(len(alone), alone["measured"].mean()))
    rows = []
    for run in RUNS:
        rank, _ = spearman_within(table["measured"], table[run], table["place"])
        weeds = np.abs(table[f"weed_share_{run}"] - table["weed_share"]).mean()
        shares = np.abs(mixes[f"sorghum_share_{run}"] - mixes["sorghum_share"]).mean()
        level = rrmse(alone["measured"], alone[run])
        rows += [
            _row("New York, level, sown alone", run, "rRMSE", np.nan, level, plain, alone, "all"),
            _row("New York, ranking within site", run, "Spearman", np.nan, rank, 0.0, table, "all"),
            _row("New York, weeds' part of all that grew", run, "mean error", np.nan, weeds, np.nan, table, "all"),
            _row("New York, sorghum's part of the mix", run, "mean error", np.nan, shares,
                 np.abs(0.5 - mixes["sorghum_share"]).mean(), mixes, "all"),
        ]  # fmt: skip
    return rows


def range_rows(table: pd.DataFrame) -> list[dict[str, object]]:
    """Share of sowings and years within the published ranges."""
    rows = []
    for line in table.to_dict("records"):
        for run in RUNS:
            name = f"published range {line['check_id']}, {line['cover_id']}"
            row = _row(name, run, "share", np.nan, line[f"{run}_within"], np.nan, table, "all")
            rows.append(row | {"n": line["runs"]})
    return rows


def soil_rows(stations: pd.DataFrame) -> list[dict[str, object]]:
    """Soil temperature at 5 cm on the stations nothing was fitted on, from the stored table of stations."""
    test = stations[stations["part"] == "test"]
    rows = []
    for radiation in ("measured", "estimated"):
        for word, target in (("rmse", 2.0), ("bias", 1.0)):
            figure = test[f"{word}_{radiation}_radiation_degc"].mean()
            plain = test[f"{word}_smoothed_air_degc"].mean()
            name = f"soil temperature at 5 cm, {word}, {radiation} radiation"
            rows.append(_row(name, "stations", "degC", target, figure, plain, test))
    return rows


def skill_table(rows: list[dict[str, object]]) -> pd.DataFrame:
    """All rows as a table; figures to three decimals."""
    return pd.DataFrame(rows, columns=COLUMNS).round(3)


def _middle_error(measured: pd.Series, predicted: pd.Series, missing: float = np.nan) -> float:
    return float(np.median(np.abs(predicted - measured).fillna(missing)))


def _row(
    check: str,
    run: str,
    unit: str,
    target: float,
    figure: float,
    baseline: float,
    part: pd.DataFrame,
    split: str = "test",
) -> dict[str, object]:
    values = (check, run, unit, target, float(figure), float(baseline), len(part), split)
    return dict(zip(COLUMNS, values, strict=True))
