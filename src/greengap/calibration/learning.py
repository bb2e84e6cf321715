"""What a farm's own records move, by how much, and whether it helps: partial pooling over its species and years."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from greengap.calibration.own_residuals import COLUMNS, OwnGround, residuals
from greengap.calibration.own_sowings import OwnSowing
from greengap.calibration.pooling import Pooled, Scatter, Share, pool, pool_share
from greengap.catalogue import Catalogue
from greengap.catalogue.learned import TRAITS, UNITS, start_of
from greengap.tables import DataFrame, Learned, LearnedFrom, LearnedSkill

SIZED = ("emergence", "stand", "flowering", "growth")  # what has a size; losses happen or do not
INTERVAL = 0.8  # the middle of it: 10 to 90 %, as everywhere
LOG_ERROR = "mean of |log(observed / reckoned)|"
BRIER = "Brier score"


@dataclass(frozen=True)
class Lesson:
    """What own records say.

    Attributes
    ----------
    learned : DataFrame[Learned]
        One row per species and parameter with at least one record.
    records : DataFrame[LearnedFrom]
        Every record that was looked at, used or not.
    skill : DataFrame[LearnedSkill]
        On years that were left out.
    """

    learned: DataFrame[Learned]
    records: DataFrame[LearnedFrom]
    skill: DataFrame[LearnedSkill]


def scatter_of(parameter: str, catalogue: Catalogue, site: float | None = None) -> Scatter:
    """How far a parameter scatters, from the catalogue's figures of trials.

    Parameters
    ----------
    parameter : str
        One of `SIZED`.
    catalogue : Catalogue
    site : float, optional
        Standard deviation between places, instead of the catalogue's.
    """
    site, year, record = (
        catalogue.rule(f"learning_{parameter}_{level}") if given is None else given
        for level, given in (("site", site), ("year", None), ("record", None))
    )
    farm, common = catalogue.rule("learning_farm_share"), catalogue.rule("learning_year_share")
    return Scatter(
        site * np.sqrt(farm), site * np.sqrt(1 - farm), year * np.sqrt(common), year * np.sqrt(1 - common), record
    )


def learn(
    sowings: list[OwnSowing],
    grounds: Mapping[str, OwnGround],
    catalogue: Catalogue,
    without: Mapping[str, str] | None = None,
) -> Lesson:
    """Learn from own sowings.

    Parameters
    ----------
    sowings : list of OwnSowing
    grounds : mapping of block_id to OwnGround
    catalogue : Catalogue
        Without anything learned.
    without : mapping of record_id to reason, optional
        Records to leave out; they are listed with the reason.

    Returns
    -------
    Lesson
        The same for the same input, in whatever order the sowings come.
    """
    rows = pd.concat([residuals(sowings, grounds, catalogue), losses(sowings, catalogue)], ignore_index=True)
    return lesson(rows, catalogue, without)


def losses(sowings: list[OwnSowing], catalogue: Catalogue) -> pd.DataFrame:
    """Fields of species that animals may take, lost or not; only those at which somebody has looked.

    Parameters
    ----------
    sowings : list of OwnSowing
    catalogue : Catalogue

    Returns
    -------
    DataFrame
        Columns as of `greengap.calibration.own_residuals.residuals`; observed is 1 for lost. A species that birds do
        not seek has rows only if it was lost once.
    """
    whole, rows = catalogue.rule("learning_loss_whole"), []
    for sowing in sowings:
        cover = catalogue.covers[sowing.cover_id]
        seen = [s for s in sowing.seen if s.what == "loss"]
        if not (sowing.seen or sowing.ended) or (cover.is_mix and not seen):
            continue
        heavy = [s for s in seen if np.isnan(s.value) or s.value >= whole]
        dates = [s.date for s in heavy or sowing.seen] or [sowing.sown]
        told = [i for s in heavy or seen for i in s.record_ids]
        rows.append(
            {
                "record_ids": " ".join(told if cover.is_mix else [sowing.record_id, *told]),
                "species": "" if cover.is_mix else cover.components[0].species, "parameter": "loss",
                "block_id": sowing.block_id, "sown": sowing.sown, "date": max(dates), "year": sowing.sown.year,
                "observed": float(bool(heavy)), "reckoned": np.nan, "residual": np.nan, "slope": np.nan,
                "why_not": "lost from a mix: only covers of one species are counted" if cover.is_mix else "",
            }
        )  # fmt: skip
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    hit = set(table.loc[table["observed"] > 0, "species"])
    sought = {key for key, s in catalogue.species.items() if s.has("bird_risk")}
    return table[table["species"].isin(hit | sought | {""})].reset_index(drop=True)


def lesson(rows: pd.DataFrame, catalogue: Catalogue, without: Mapping[str, str] | None = None) -> Lesson:
    """What residuals say.

    Parameters
    ----------
    rows : DataFrame
        From `residuals` and `losses`.
    catalogue, without
        As in `learn`.
    """
    rows = rows.sort_values(
        ["parameter", "species", "sown", "date", "block_id", "record_ids"], kind="stable", ignore_index=True
    )
    rows["why_not"] = [
        next((f"left out: {reason}" for i, reason in (without or {}).items() if i in ids.split()), why)
        for ids, why in zip(rows["record_ids"], rows["why_not"], strict=True)
    ]
    rows["used"] = rows["why_not"] == ""
    rows["weight"], rows["surprise"] = np.nan, np.nan
    learned, skill = [], []
    for parameter in TRAITS:
        used = rows[rows["used"] & (rows["parameter"] == parameter)]
        if used.empty:
            continue
        if parameter == "loss":
            learned += _learn_losses(rows, used, catalogue)
        else:
            pooled = pool_rows(used, scatter_of(parameter, catalogue))
            at = [pooled.species.index(s) for s in used["species"]]
            rows.loc[used.index, "weight"] = pooled.weights[at, np.arange(len(used))]
            rows.loc[used.index, "surprise"] = pooled.surprise
            learned += _learn_sizes(used, pooled, parameter, catalogue)
        skill.append(held_out(used, parameter, catalogue))
    floats = ["observed", "reckoned", "residual", "slope"]
    rows[floats] = rows[floats].astype(float)
    columns = list(LearnedFrom.to_schema().columns)
    return Lesson(
        Learned.validate(pd.DataFrame(learned, columns=list(Learned.to_schema().columns))),
        LearnedFrom.validate(rows[columns]),
        LearnedSkill.validate(pd.DataFrame(skill, columns=list(LearnedSkill.to_schema().columns))),
    )


def pool_rows(used: pd.DataFrame, scatter: Scatter, wanted: list[str] | None = None) -> Pooled:
    """`pool` on the rows of one parameter."""
    columns = (used[c].to_numpy() for c in ("residual", "species", "year"))
    residual, species, year = columns
    return pool(residual.astype(float), list(species), list(year), scatter, used["slope"].to_numpy(float), wanted)


def _row(species: str, parameter: str, used: pd.DataFrame, catalogue: Catalogue) -> dict[str, object]:
    of_it, trait, s = used[used["species"] == species], TRAITS[parameter], catalogue.species[species]
    ids = sorted({i for ids in of_it["record_ids"] for i in ids.split()})
    return {
        "species": species, "parameter": parameter, "unit": s.values[trait].unit if s.has(trait) else UNITS[trait],
        "before": start_of(s, parameter, catalogue), "records": len(of_it), "years": of_it["year"].nunique(),
        "record_ids": " ".join(ids),
    }  # fmt: skip


def _learn_sizes(used: pd.DataFrame, pooled: Pooled, parameter: str, catalogue: Catalogue) -> list[dict[str, object]]:
    """Each number times the exponential of its shift."""
    low, high = pooled.interval(INTERVAL)
    rows = []
    for species, shift, least, most in zip(pooled.species, pooled.mean, low, high, strict=True):
        row = _row(species, parameter, used, catalogue)
        ends = {"after": shift, "low": least, "high": most}
        rows.append(row | {name: float(row["before"]) * float(np.exp(end)) for name, end in ends.items()})  # type: ignore[arg-type]
    return rows


def _share(cases: pd.DataFrame, species: str, catalogue: Catalogue) -> tuple[Share, np.ndarray]:
    of_it = cases[cases["species"] == species]
    before, rule = start_of(catalogue.species[species], "loss", catalogue), catalogue.rule
    happened, year = of_it["observed"].to_numpy(float), list(of_it["year"])
    return pool_share(happened, year, before, rule("learning_loss_worth"), rule("learning_loss_alike"))


def _learn_losses(rows: pd.DataFrame, used: pd.DataFrame, catalogue: Catalogue) -> list[dict[str, object]]:
    """The share of fields lost, species by species; what was expected and what each field counts go into `rows`."""
    found = []
    for species, of_it in used.groupby("species", sort=True):
        share, counts = _share(used, str(species), catalogue)
        row = _row(str(species), "loss", used, catalogue)
        rows.loc[of_it.index, "reckoned"] = float(row["before"])  # type: ignore[arg-type]
        rows.loc[of_it.index, "weight"] = counts / (share.happened + share.spared)
        ends = {"low": share.quantile((1 - INTERVAL) / 2), "high": share.quantile((1 + INTERVAL) / 2)}
        found.append(row | {"after": min(max(share.mean, ends["low"]), ends["high"])} | ends)
    return found


def held_out(
    used: pd.DataFrame, parameter: str, catalogue: Catalogue, scatter: Scatter | None = None
) -> dict[str, object]:
    """Error in each year of what the other years' records say, beside the catalogue's.

    Parameters
    ----------
    used : DataFrame
        Rows of one parameter, as in `lesson`.
    parameter : str
    catalogue : Catalogue
    scatter : Scatter, optional
        Instead of the catalogue's.

    Returns
    -------
    dict
        A row of `LearnedSkill`; every year counts once, whatever its records.
    """
    errors = []
    for year in sorted(set(used["year"])):
        left, others = used[used["year"] == year], used[used["year"] != year]
        before, after = errors_of(left, others, parameter, catalogue, scatter)
        errors.append((before.mean(), after.mean()))
    many = len(errors)
    told = np.array(errors).mean(axis=0)
    return {
        "parameter": parameter, "measure": BRIER if parameter == "loss" else LOG_ERROR, "records": len(used),
        "years": many, "before": float(told[0]), "after": float(told[1]),
        "enough": many >= catalogue.rule("learning_least_years"),
    }  # fmt: skip


def errors_of(
    left: pd.DataFrame, others: pd.DataFrame, parameter: str, catalogue: Catalogue, scatter: Scatter | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Errors in some rows by the catalogue, and by the catalogue with what other rows say, each of shape (rows,).

    A species that the others do not have stays at the catalogue, as it does on the farm.
    """
    if parameter == "loss":
        hit = left["observed"].to_numpy(float)
        start = {s: start_of(catalogue.species[s], "loss", catalogue) for s in set(left["species"])}
        then = {s: _share(others, s, catalogue)[0].mean for s in start}
        said = (np.array([by[s] for s in left["species"]]) for by in (start, then))
        before, after = ((share - hit) ** 2 for share in said)
        return before, after
    residual, slope = left["residual"].to_numpy(float), left["slope"].to_numpy(float)
    known = set(others["species"])
    pooled = pool_rows(others, scatter or scatter_of(parameter, catalogue))
    shift = dict(zip(pooled.species, pooled.mean, strict=True))
    moved = np.array([shift[s] if s in known else 0.0 for s in left["species"]])
    return np.abs(residual), np.abs(residual - slope * moved)
