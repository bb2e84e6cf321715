"""From criteria to a ranking: how memberships are combined, and what a recommendation says.

The combination follows the maximum-limitation thinking of the FAO Framework for Land Evaluation
(Soils Bulletin 32, 1976): a weighted geometric mean over the criteria of a purpose, capped by the
worst of them, and the farm's purposes weighed against each other. A failed gate makes a cover N.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from greengap.advice.options import NO_COVER
from greengap.advice.purposes import purpose_in_words
from greengap.advice.suitability import ALL
from greengap.catalogue import Catalogue
from greengap.farm.settings import FarmSettings
from greengap.tables import DataFrame, Gap, Odds, Recommendation, Suitability, Window
from greengap.units import System, write


def combine(memberships: Sequence[float], weights: Sequence[float], floor: float, offset: float, slope: float) -> float:
    """Weighted geometric mean of memberships, capped by the worst of them.

    Parameters
    ----------
    memberships, weights : sequence of float
        Same length; weights above zero.
    floor : float
        Memberships below it count as it, so that one zero does not hide all else.
    offset, slope : float
        The score is at most ``offset + slope * worst``.

    Returns
    -------
    float

    Examples
    --------
    >>> round(combine([0.9, 0.4], [1, 1], 0.01, 0.25, 0.75), 4)
    0.55
    """
    s = np.maximum(np.asarray(memberships, dtype=float), floor)
    w = np.asarray(weights, dtype=float)
    mean = float(np.exp((w * np.log(s)).sum() / w.sum()))
    return min(mean, offset + slope * float(np.min(memberships)))


def purpose_scores(rated: pd.DataFrame, purposes: Sequence[str], catalogue: Catalogue) -> dict[str, float]:
    """Score of one cover in one gap for each purpose."""
    return _scores(list(rated.itertuples()), purposes, catalogue)


def _scores(rated: Sequence[Any], purposes: Sequence[str], catalogue: Catalogue) -> dict[str, float]:
    """The same from the rows of the criteria."""
    rule = catalogue.rule
    soft = [r for r in rated if r.kind == "soft"]
    general = [r for r in soft if r.purpose == ALL]
    out = {}
    for purpose in purposes:
        counted = general + [r for r in soft if r.purpose == purpose]
        members, weights = [r.membership for r in counted], [r.weight for r in counted]
        out[purpose] = (
            combine(members, weights, rule("score_floor"), rule("cap_offset"), rule("cap_slope")) if members else 0.0
        )
    return out


def _class(score: float, eligible: bool, unmet: bool, catalogue: Catalogue) -> str:
    """FAO class; a cover that leaves a purpose of the farm unmet is not S1, whatever its score."""
    if not eligible:
        return "N"
    rounded = round(score, 9)
    if rounded >= catalogue.rule("class_s1") and not unmet:
        return "S1"
    return "S2" if rounded >= catalogue.rule("class_s2") else "S3"


def _unmet(rated: Sequence[Any], catalogue: Catalogue) -> list[Any]:
    """Purposes of the farm whose aim is met in hardly any year."""
    share = catalogue.rule("unmet_purpose_share")
    return [r for r in rated if r.criterion == "purpose aim" and r.membership < share]


def _limit(rated: Sequence[Any], weights: Mapping[str, float], unmet: Sequence[Any], floor: float) -> str:
    """What holds a cover back: the criterion that costs the score most, and the purposes that it does not serve."""
    told = {r.purpose for r in unmet}
    soft = [r for r in rated if r.kind == "soft" and r.purpose not in told]
    total = sum(weights.values())
    counts = np.array([total if r.purpose == ALL else weights.get(r.purpose, 0.0) for r in soft])
    members = np.maximum([r.membership for r in soft], floor)
    losses = counts * np.array([r.weight for r in soft]) * -np.log(members)
    words = []
    if len(soft):
        loss, worst = min(zip(losses, soft, strict=True), key=lambda pair: (-pair[0], pair[1].criterion))
        name = worst.criterion if worst.purpose == ALL else purpose_in_words(worst.purpose)
        if loss > 0:
            words.append(f"{name}: {worst.reason}")
    if unmet:
        served = "; ".join(f"{purpose_in_words(r.purpose)} ({r.reason})" for r in unmet)
        words.append(f"does not serve: {served}")
    return ". ".join(words) if words else "nothing holds it back"


def _reasons(rated: Sequence[Any], odds: Any | None, wanted: float, units: System) -> str:
    """What speaks for a cover, in words."""
    least = 0.5 if odds is None else wanted
    aims = [r for r in rated if r.criterion == "purpose aim" and r.membership >= least]
    words = [f"{purpose_in_words(r.purpose)}: {r.reason}" for r in aims]
    if any(r.purpose == "pollinators" for r in aims):
        words += [r.reason for r in rated if r.criterion == "visitors"]
    if odds is not None:
        masses = (odds.biomass_p10_kg_ha, odds.biomass_p50_kg_ha, odds.biomass_p90_kg_ha)
        low, mid, high = (write(mass, "biomass_kg_ha", units).rsplit(" ", 1) for mass in masses)
        words.append(f"{mid[0]} {mid[1]} of dry matter in the median year, {low[0]} to {high[0]} in eight years of ten")
    return "; ".join(words) if words else "serves no purpose well"


def _dates(window: Any, option: Any) -> dict[str, Any]:
    """What a recommendation says of its best option."""
    return {
        "option_id": window.option_id,
        "sow_best": window.sow_best,
        "sow_from": window.sow_from,
        "sow_until": window.sow_until,
        "terminate_from": option.ready_from,
        "terminate_by": option.terminate_by,
        "ended_by": option.ended_by,
    }


UNDATED: dict[str, Any] = {
    "option_id": None,
    **dict.fromkeys(["sow_best", "sow_from", "sow_until", "terminate_from", "terminate_by"], pd.NaT),
    "ended_by": "",
}


def rank(
    gaps: DataFrame[Gap],
    windows: DataFrame[Window],
    odds: DataFrame[Odds],
    suitability: DataFrame[Suitability],
    settings: FarmSettings,
    catalogue: Catalogue,
) -> DataFrame[Recommendation]:
    """Rank the covers of each gap, no cover among them.

    Parameters
    ----------
    gaps, windows, odds, suitability : tables
        Of one farm.
    settings : FarmSettings
    catalogue : Catalogue

    Returns
    -------
    DataFrame[Recommendation]
        Best first; ties go to more years that hold, then to the fewer components, then by name.
        Covers that fail a gate come last with score 0, class N and the gate's reason.
    """
    weights = {p.key: p.weight for p in settings.purposes}
    by_window = {(w.gap_id, w.cover_id): w for w in windows.itertuples()}
    by_odds = {o.option_id: o for o in odds[odds["option_id"].isin(windows["option_id"])].itertuples()}
    block_of = dict(zip(gaps["gap_id"], gaps["block_id"], strict=True))
    floor = catalogue.rule("score_floor")
    criteria: dict[tuple[str, str], list[Any]] = {}
    for row in suitability.itertuples():
        criteria.setdefault((row.gap_id, row.cover_id), []).append(row)
    rows = []
    for (gap_id, cover_id), rated in criteria.items():
        failed = [r for r in rated if not r.passed]
        eligible = not failed
        scores = _scores(rated, list(weights), catalogue)
        score = sum(weights[p] * s for p, s in scores.items()) / sum(weights.values()) if eligible else 0.0
        window = by_window.get((gap_id, cover_id))
        option = by_odds[window.option_id] if window is not None else None
        dates = _dates(window, option) if option is not None and eligible else UNDATED
        unmet = _unmet(rated, catalogue)
        if eligible:
            limit = _limit(rated, weights, unmet, floor)
            reasons = _reasons(rated, option, settings.wanted_odds, settings.units)
        else:
            limit, reasons = "; ".join(f"{r.criterion}: {r.reason}" for r in failed), ""
        rows.append(
            {
                "gap_id": gap_id,
                "block_id": block_of[gap_id],
                "cover_id": cover_id,
                "rank": 1,
                "eligible": eligible,
                "score": score,
                "suitability_class": _class(score, eligible, bool(unmet), catalogue),
                "limiting_factor": limit,
                "reasons": reasons,
                **dates,
                "holds_years": 0 if option is None else int(option.holds_years),
                "years": 0 if option is None else int(option.years),
                "biomass_p50_kg_ha": 0.0 if option is None else float(option.biomass_p50_kg_ha),
            }
        )
    table = pd.DataFrame(rows, columns=list(Recommendation.to_schema().columns))
    table["parts"] = [len(catalogue.covers[c].components) if c != NO_COVER else 0 for c in table["cover_id"]]
    table["order"] = pd.factorize(table["gap_id"])[0]
    table["rounded"] = table["score"].round(9)
    table = table.sort_values(
        ["order", "eligible", "rounded", "holds_years", "parts", "cover_id"],
        ascending=[True, False, False, False, True, True],
        kind="stable",
    ).reset_index(drop=True)
    table["rank"] = table.groupby("order").cumcount() + 1
    return Recommendation.validate(table.drop(columns=["parts", "order", "rounded"]))
