"""The stand check: keep, weed once, sow again, sow something else, or keep the ground clean.

What the engine says of each from today on is compared here. The odds that are wanted are the farm's; by how much a
choice has to be better, and below which odds no cover is worth its ground, are our own choices (rules
``stand_margin``, ``stand_least_odds``): no table of stands below which a cover is sown again has been published.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from greengap.advice.frame_counts import StopRule
from greengap.catalogue import Catalogue
from greengap.farm.settings import HandWeeding
from greengap.tables import DataFrame, Season, StandChoice, StandLimit, StandTable

KEEP, WEED, RESOW, SWITCH, CLEAN = CHOICES = ("keep", "weed once", "resow", "switch", "keep clean")  # least work first
STAND_SHARES = (0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8, 1.0)  # that a table is worked out for
WEED_COVERS = (0.0, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2)


@dataclass(frozen=True)
class StandTerms:
    """What choices are compared by.

    Attributes
    ----------
    wanted : float
        Odds with which a stand is kept, whatever else would do better [fraction].
    margin : float
        Odds by which a choice has to be better than another [fraction].
    least : float
        Odds below which no cover is worth its ground [fraction].
    """

    wanted: float
    margin: float
    least: float


def stand_terms(wanted: float, catalogue: Catalogue) -> StandTerms:
    """The farm's odds with our own margin and least."""
    return StandTerms(wanted, catalogue.rule("stand_margin"), catalogue.rule("stand_least_odds"))


def years_won(season: DataFrame[Season], sown_again: bool = False) -> pd.DataFrame:
    """Years in which options win: the cover closes before the weeds would, and its aim is met in time.

    Parameters
    ----------
    season : DataFrame[Season]
    sown_again : bool
        Of covers that are still to be sown: the soil has to be warm and the stand has to come, too. Of one that
        stands, the count has said that.

    Returns
    -------
    DataFrame
        By option_id: `years`, `closes_years`, `aim_years`, `wins_years`. Residue is not asked about: the season ends
        a cover early enough for it, and a stand is not too good to be kept.
    """
    half, weeds = season["half_cover_d"], season["weeds_close_d"]
    closes = half.notna() & (weeds.isna() | (half <= weeds))
    aim = season["aim_met"] & season["frost_spared"]
    if sown_again:
        aim &= season["soil_warm"] & season["established"]
    counted = pd.DataFrame({"closes_years": closes, "aim_years": aim, "wins_years": closes & aim}).groupby(
        season["option_id"], sort=False
    )
    out = counted.sum().astype(int)
    out.insert(0, "years", counted.size())
    return out


@dataclass(frozen=True)
class WeedingWork:
    """What weeding by hand takes, the farm's own figures or the common ones.

    Attributes
    ----------
    hours : float
        For one block and time [h].
    weeds_per_h, ground_m2_h : float
        See `greengap.farm.settings.HandWeeding`.
    """

    hours: float
    weeds_per_h: float
    ground_m2_h: float

    def hours_for(self, area_m2: float, weeds_m2: float) -> float:
        """Hours of one person: pulling goes with the number of weeds, walking with the ground.

        Examples
        --------
        >>> WeedingWork(16, 1200, 1000).hours_for(2000, 6)
        12.0
        """
        return area_m2 * (weeds_m2 / self.weeds_per_h + 1 / self.ground_m2_h)

    def limit_m2(self, weeds_m2: float) -> float:
        """Area above which the hours do not suffice [m2]."""
        return self.hours / (weeds_m2 / self.weeds_per_h + 1 / self.ground_m2_h)


def weeding_work(own: HandWeeding, catalogue: Catalogue) -> WeedingWork:
    """The farm's own figures, and the rules where it has none."""
    rule = catalogue.rule
    return WeedingWork(
        rule("hand_weeding_hours") if own.hours is None else own.hours,
        rule("hand_weeding_rate") if own.weeds_per_h is None else own.weeds_per_h,
        rule("hand_weeding_ground") if own.ground_m2_h is None else own.ground_m2_h,
    )


def best_choice(odds: Mapping[str, float], terms: StandTerms) -> tuple[str, str]:
    """What to do, and what is as good.

    Parameters
    ----------
    odds : mapping of choice to odds
        Of the choices that are possible [fraction].
    terms : StandTerms

    Returns
    -------
    choice : str
        A stand that keeps the wanted odds is kept. Else, of the choices within the margin of the best, the one with
        the least work.
    toss_with : str
        The best other choice within the margin; empty if there is none.

    Examples
    --------
    >>> terms = StandTerms(0.8, 0.1, 0.3)
    >>> best_choice({"keep": 0.85, "resow": 1.0, "keep clean": 0.3}, terms)
    ('keep', '')
    >>> best_choice({"keep": 0.5, "weed once": 0.9, "resow": 0.95, "keep clean": 0.3}, terms)
    ('weed once', 'resow')
    """
    if odds.get(KEEP, 0.0) >= terms.wanted - 1e-9:
        return KEEP, ""
    best = max(odds.values())
    near = [choice for choice in CHOICES if choice in odds and odds[choice] > best - terms.margin + 1e-9]
    choice, *others = near
    return choice, max(others, key=lambda other: odds[other], default="")


@dataclass(frozen=True)
class StandVerdict:
    """What to do with a stand.

    Attributes
    ----------
    choice : str
    toss_with : str
        What is as good within the margin: a coin toss. Empty if nothing is.
    if_thinner, if_denser : str
        What it would be at the two ends of the count's interval.
    choices : DataFrame[StandChoice]
    terms : StandTerms
    good : bool
        The stand is good, and kept for that.
    """

    choice: str
    toss_with: str
    if_thinner: str
    if_denser: str
    choices: DataFrame[StandChoice]
    terms: StandTerms
    good: bool = False

    @property
    def settled(self) -> bool:
        """Whether the verdict is the same wherever in its interval the stand lies."""
        return self.if_thinner == self.choice == self.if_denser

    def row(self, choice: str | None = None) -> Any:
        """A row of `choices`, that of the verdict if none is named."""
        return next(r for r in self.choices.itertuples() if r.choice == (choice or self.choice))


def is_good(stand_share: float, weed_leaf_area: float, ordinary_leaf_area: float, catalogue: Catalogue) -> bool:
    """Whether a stand is as good as one could hope: it does not count as failed, and is no weedier than most.

    Such a stand of anything is kept: where the engine gives it few odds, that is a matter of the cover and the place,
    which the plan knew, and none of the stand.
    """
    return stand_share >= catalogue.rule("stand_failure_share") and weed_leaf_area <= ordinary_leaf_area


def judge_stand(
    choices: DataFrame[StandChoice],
    terms: StandTerms,
    good: bool = False,
    good_if_thinner: bool = False,
    good_if_denser: bool = False,
) -> StandVerdict:
    """Judge what can be done.

    Parameters
    ----------
    choices : DataFrame[StandChoice]
        Keeping among them; those that are not possible are passed over.
    terms : StandTerms
    good, good_if_thinner, good_if_denser : bool
        A good stand is kept, see `is_good`: as it was counted, and at the two ends of the count's interval.

    Returns
    -------
    StandVerdict
    """
    possible = choices[choices["possible"]]

    def best(column: str, is_kept: bool) -> tuple[str, str]:
        odds = dict(zip(possible["choice"], possible[column], strict=True))
        return (KEEP, "") if is_kept else best_choice(odds, terms)

    choice, toss = best("odds", good)
    thin, dense = best("low_odds", good_if_thinner), best("high_odds", good_if_denser)
    return StandVerdict(choice, toss, thin[0], dense[0], choices, terms, good)


def turning_points(
    share: np.ndarray, keep: np.ndarray, other: np.ndarray, terms: StandTerms
) -> tuple[float | None, float | None]:
    """Stand from which it is kept, and below which something else is clearly better.

    Parameters
    ----------
    share : ndarray, shape (stand,)
        Share of a full stand, rising, above 0 [fraction].
    keep, other : ndarray, shape (stand,)
        Odds of keeping, and of the best other choice [fraction].
    terms : StandTerms

    Returns
    -------
    enough, too_few : float or None
        On a straight line of the logarithm of the stand between those that were run. None where no stand is kept, or
        any is.

    Examples
    --------
    >>> terms = StandTerms(0.8, 0.1, 0.3)
    >>> enough, few = turning_points(np.array([0.1, 0.4]), np.array([0.0, 1.0]), np.array([0.5, 0.5]), terms)
    >>> round(enough, 3), round(few, 3)
    (0.23, 0.174)
    """
    clear = np.maximum(keep - terms.wanted, keep - other - terms.margin)
    open_ = np.maximum(keep - terms.wanted, keep - other + terms.margin)

    def crossing(score: np.ndarray) -> float | None:
        """The stand above which the score stays at zero or above."""
        below = np.flatnonzero(score < -1e-9)
        if below.size == 0:
            return None if score.size == 0 else 0.0
        at = int(below[-1])
        if at == score.size - 1:
            return float("inf")
        part = -score[at] / max(score[at + 1] - score[at], 1e-12)
        return float(np.exp(np.log(share[at]) + part * (np.log(share[at + 1]) - np.log(share[at]))))

    enough, few = crossing(clear), crossing(open_)
    return (None if enough is None or np.isinf(enough) else enough), (few if few else None)


def stand_limits(
    table: DataFrame[StandTable], area_m2: float, work: WeedingWork, terms: StandTerms, good_share: float
) -> DataFrame[StandLimit]:
    """The densities at which the verdict turns, for each cover of weeds in a table.

    Parameters
    ----------
    table : DataFrame[StandTable]
    area_m2 : float
        Of the block [m2].
    work : WeedingWork
    terms : StandTerms
    good_share : float
        Share of a full stand from which it is good where it is no weedier than most [fraction].
    """
    rows = []
    for cover, part in table.groupby("weed_cover_fraction", sort=True):
        part = part[part["stand_share"] > 0].sort_values("stand_share")
        share, keep, weed = (part[c].to_numpy() for c in ("stand_share", "keep_odds", "weed_odds"))
        hours = float(part["weed_hours"].iloc[0])
        feasible = hours <= work.hours and cover > 0
        rest = np.maximum(np.maximum(part["resow_odds"], part["switch_odds"]).to_numpy(), terms.least)
        other = np.maximum(rest, weed) if feasible else rest
        enough, few = turning_points(share, keep, other, terms)
        if part["ordinary_weeds"].iloc[0]:  # a good stand is kept
            enough = good_share if enough is None else min(enough, good_share)
            few = None if few is None else min(few, enough)
        per_share = float(part["plants_m2"].iloc[-1] / share[-1])
        thin = next(part.itertuples())
        limit = area_m2 * work.hours / max(hours, 1e-9)
        helps = cover > 0 and any(
            best_choice({KEEP: k, WEED: w, RESOW: r, CLEAN: terms.least}, terms)[0] == WEED
            for k, w, r in zip(keep, weed, rest, strict=True)
        )
        rows.append(
            {
                "gap_id": thin.gap_id,
                "weed_cover_fraction": cover,
                "enough_m2": np.nan if enough is None else enough * per_share,
                "too_few_m2": np.nan if few is None else (share[-1] if np.isinf(few) else few) * per_share,
                "instead": "" if thin.verdict == KEEP else thin.verdict,
                "weeding_limit_m2": limit,
                "weeding_helps": bool(helps),
            }
        )
    return StandLimit.validate(pd.DataFrame(rows, columns=list(StandLimit.to_schema().columns)))


def stop_rule(limit: Any, catalogue: Catalogue) -> StopRule | None:
    """When to stop counting, from the densities at which the verdict turns; None where it does not turn.

    Parameters
    ----------
    limit : row of StandLimit
    catalogue : Catalogue

    Notes
    -----
    The two densities lie at least the rule ``stand_zone`` apart, around their geometric mean.
    """
    rule = catalogue.rule
    if pd.isna(limit.enough_m2) or pd.isna(limit.too_few_m2) or limit.enough_m2 <= 0:
        return None
    few, enough = float(limit.too_few_m2), float(limit.enough_m2)
    zone = rule("stand_zone")
    if enough < few * zone:
        middle = (few * enough) ** 0.5
        few, enough = middle / zone**0.5, middle * zone**0.5
    wrong = rule("stand_wrong_odds")
    return StopRule(
        few, enough, rule("stand_clumping"), wrong, wrong, int(rule("stand_least_frames")),
        int(rule("stand_most_frames")),
    )  # fmt: skip
