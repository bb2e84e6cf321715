"""Seed kept back for sowing again: a quantile of what would be needed over the weather years."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from greengap.tables import Allocation, DataFrame, Odds, Option, Reserve, Season, SeedNeed

STEPS = 1000  # in which a need is reckoned; it is rounded up to the next


def need_quantile(needs: Sequence[float], failed: np.ndarray, lost_share: Sequence[float], odds: float) -> float:
    """What is enough for sowing again in a share of all years.

    Parameters
    ----------
    needs : sequence of float, shape (gap,)
        Seed that each gap takes [any unit].
    failed : ndarray of bool, shape (year, gap)
        Stands that fail by the weather; each year is as likely.
    lost_share : sequence of float, shape (gap,)
        Share of fields that birds or game take whatever the weather, each by itself [fraction].
    odds : float
        Share of years in which it has to be enough, above 0 and not above 1 [fraction].

    Returns
    -------
    float
        In their unit, rounded up to the next thousandth of their sum, at most the sum.

    Examples
    --------
    >>> failures = np.array([[True, False], [False, False], [False, False], [True, True]])
    >>> round(need_quantile([10.0, 5.0], failures, [0.0, 0.0], 0.75), 3)
    10.005
    """
    total = float(sum(needs))
    if total <= 0 or failed.size == 0:
        return 0.0
    steps = [int(np.ceil(need / total * STEPS - 1e-9)) for need in needs]
    chance = np.zeros(sum(steps) + 1)
    for year in failed:
        here = np.zeros_like(chance)
        here[0] = 1.0
        for k, fails in enumerate(year):
            again = 1.0 if fails else lost_share[k]
            moved = np.zeros_like(here)
            moved[steps[k] :] = here[: here.size - steps[k]]
            here = (1 - again) * here + again * moved
        chance += here / len(failed)
    enough = int(np.argmax(np.cumsum(chance) >= odds - 1e-9))
    return min(enough * total / STEPS, total)


def resow_reserve(
    seed_need: DataFrame[SeedNeed],
    allocation: DataFrame[Allocation],
    options: DataFrame[Option],
    odds: DataFrame[Odds],
    season: DataFrame[Season],
    reserve_odds: float,
    wanted_odds: float,
    resow_after_d: float,
) -> DataFrame[Reserve]:
    """Seed of each species and year to keep back for stands that fail.

    Parameters
    ----------
    seed_need, allocation, options, odds, season : tables
        Of a plan.
    reserve_odds : float
        Share of years in which the reserve has to be enough [fraction].
    wanted_odds : float
        Share of weather years in which sowing again has to hold [fraction].
    resow_after_d : float
        Days from sowing until a stand is known to have failed and the block is ready again [d].

    Returns
    -------
    DataFrame[Reserve]
        One row for each species and year that is sown. Gaps in which it is too late to sow the cover again
        are named and need no reserve: their next rung is another cover.
    """
    chosen = dict(zip(allocation["gap_id"], allocation["option_id"], strict=True))
    by_option = odds.set_index("option_id")
    share = by_option["holds_years"] / by_option["years"].clip(lower=1)
    dated = options[options["option_id"].map(share) >= wanted_odds - 1e-9]
    keeps = dated.groupby(["gap_id", "cover_id"])["sow_date"].max()
    mine = season[season["option_id"].isin(set(seed_need["gap_id"].map(chosen)))]
    fails = (~mine.set_index(["weather_year", "option_id"])["established"]).unstack(fill_value=False)
    rows = []
    for (year, species), need in seed_need.groupby([seed_need["sow_date"].dt.year, "species"], sort=True):
        last = [keeps.get((gap, cover), pd.NaT) for gap, cover in zip(need["gap_id"], need["cover_id"], strict=True)]
        in_time = pd.Series(last, index=need.index) >= need["sow_date"] + pd.Timedelta(days=resow_after_d)
        again, late = need[in_time], need[~in_time]
        ids = [chosen[gap] for gap in again["gap_id"]]
        failed = fails.reindex(columns=ids, fill_value=False).to_numpy(dtype=bool)
        lost = [float(by_option.loc[i, "bird_risk_share"]) for i in ids]
        live = again["seed_g"] * again["pls_fraction"]
        rows.append(
            {
                "year": int(year),
                "species": species,
                "reserve_odds": reserve_odds,
                "weather_years": len(fails),
                "failed_years": int(failed.any(axis=1).sum()) if failed.size else 0,
                "bird_risk_share": max(lost, default=0.0),
                "live_seed_g": round(need_quantile(list(live), failed, lost, reserve_odds)),
                "gaps": ", ".join(again["gap_id"]),
                "gaps_too_late": ", ".join(late["gap_id"]),
            }
        )
    return Reserve.validate(pd.DataFrame(rows, columns=list(Reserve.to_schema().columns)))
