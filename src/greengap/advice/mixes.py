"""Mixes sized and designed: rates from shares or plants, what bounds a mix, and mixes proposed for a gap.

Sizing is arithmetic on printed rates. The proposer searches components and shares on the engine: a mix is
proposed only where the same rating that ranks the catalogue's covers puts it above the best cover sown alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations, product
from typing import Any

import pandas as pd
import xarray as xr

from greengap.advice.next_crop import what_follows
from greengap.advice.purposes import purpose_in_words
from greengap.advice.ranking import rank
from greengap.advice.seeding import (
    emergence_fraction,
    plants_per_m2,
    seeding_method,
    seeds_per_m2,
    sole_rate,
    typical_pls,
)
from greengap.advice.suitability import rate
from greengap.advice.windows import sowing_windows
from greengap.catalogue import Catalogue, Component, Cover
from greengap.farm.settings import FarmSettings
from greengap.process.bloom import FLOWERS_THAT_FEED
from greengap.process.drivers import Place
from greengap.process.season import Target, count_odds, simulate
from greengap.process.seedbed import sowing_depth
from greengap.tables import (
    ClassShare,
    DataFrame,
    Gap,
    Option,
    Recommendation,
    Soil,
    Suitability,
)

PAIR_SHARES = ((0.5, 0.5), (0.65, 0.35), (0.35, 0.65), (0.8, 0.2), (0.2, 0.8))
THIRD_SHARE = 0.25
MOST_SOLE_COVERS = 10  # the best that may be components; all pairs of them are run
MOST_HELPERS = 6  # components that would not fill the gap alone but bring nitrogen or flowers
GROWTH_GATES = {"time", "odds"}  # what a helper may fail by itself: the other component does the growing
MOST_DATES = 4  # on which candidates are run
MOST_PROPOSALS = 3
TOLD_SHARE = 0.1  # of the weather years: differences below are not told


# --- sizing ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MixPart:
    """One component as it is sown; rates are of good seed out of the bag."""

    species: str
    share_of_sole_rate: float
    rate_kg_ha: float
    seeds_m2: float
    live_seeds_m2: float
    plants_m2: float  # expected
    depth_mm: float
    box: int  # 1 or 2; the pass, where there are two passes


@dataclass(frozen=True)
class MixDesign:
    """A cover as it is sown: its parts, how it goes through the drill, and what speaks against it.

    Attributes
    ----------
    method : str
        drilled or broadcast.
    sowing : str
        One box, two boxes or two passes, in words with the reason.
    faults : tuple of str
        Bounds that it breaks; empty for a mix that may be sown as it is.
    notes : tuple of str
        What to know that is no fault.
    """

    cover: Cover
    method: str
    parts: tuple[MixPart, ...]
    share_sum: float
    density_ratio: float
    sowing: str
    faults: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default_factory=tuple)

    @property
    def rate_kg_ha(self) -> float:
        """All components together [kg/ha]."""
        return sum(part.rate_kg_ha for part in self.parts)

    @property
    def seeds_m2(self) -> float:
        """All components together [m-2]."""
        return sum(part.seeds_m2 for part in self.parts)


def share_for_plants(species: str, plants_m2: float, method: str, catalogue: Catalogue) -> float:
    """Share of the rate alone that gives a wanted stand.

    Parameters
    ----------
    species : str
    plants_m2 : float
        Plants wanted on a square metre, above 0 [m-2].
    method : str
        drilled or broadcast.
    catalogue : Catalogue

    Returns
    -------
    float
        Share of the printed rate of that method [fraction].

    Notes
    -----
    ``plants / emergence / pure live seed`` gives seeds, and the weight of a thousand seeds the rate
    (rules of the trade: density method). The worse emergence of broadcast seed stands in the divisor, so
    that no broadcast factor is put on top.
    """
    s = catalogue.species[species]
    seeds = plants_m2 / emergence_fraction(method, catalogue) / typical_pls(s)
    return seeds * s.number("seed_weight") / 100 / sole_rate(s, method, catalogue)


def make_cover(shares: Mapping[str, float], catalogue: Catalogue) -> Cover:
    """A cover of species with their shares of the rates alone; key and name are made from the species."""
    parts = tuple(Component(key, share) for key, share in shares.items())
    names = [catalogue.species[key].name for key in shares]
    words = " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names).capitalize()
    return Cover("_".join(shares), words, parts)


def design(cover: Cover, method: str, catalogue: Catalogue, stand_share: float = 1.0) -> MixDesign:
    """Rates, seeds, boxes and bounds of a cover.

    Parameters
    ----------
    cover : Cover
    method : str
        drilled or broadcast.
    catalogue : Catalogue
    stand_share : float
        Stand against the one aimed at, from the engine (1 for a moist seedbed) [fraction].

    Returns
    -------
    MixDesign

    """
    rule = catalogue.rule
    species = {c.species: catalogue.species[c.species] for c in cover.components}
    depth = sowing_depth(cover, catalogue)
    weights = {key: s.number("seed_weight") for key, s in species.items()}
    alone = {key: seeds_per_m2(sole_rate(s, method, catalogue), weights[key]) for key, s in species.items()}
    small = {key: weights[key] * rule("mix_seed_size_ratio") < max(weights.values()) for key in species}
    two_boxes = depth.one_pass and any(small.values())
    deepest = max(depth.depth_mm.values())
    parts = []
    for c in cover.components:
        s = species[c.species]
        kg_ha = sole_rate(s, method, catalogue) * c.share_of_sole_rate
        seeds = seeds_per_m2(kg_ha, weights[c.species])
        second = small[c.species] if two_boxes else (not depth.one_pass and depth.depth_mm[c.species] < deepest)
        parts.append(
            MixPart(
                c.species,
                c.share_of_sole_rate,
                kg_ha,
                seeds,
                seeds * typical_pls(s),
                plants_per_m2(s, c.share_of_sole_rate, stand_share, catalogue),
                depth.depth_mm[c.species],
                2 if second else 1,
            )
        )
    density = sum(p.seeds_m2 for p in parts) / max(alone.values())
    faults = tuple(bounds(cover, density, catalogue))
    return MixDesign(
        cover,
        method,
        tuple(parts),
        sum(c.share_of_sole_rate for c in cover.components),
        density,
        _sowing(parts, depth.one_pass, two_boxes, depth.apart_mm, catalogue),
        faults,
        tuple(_notes(cover, catalogue)),
    )


def bounds(cover: Cover, density_ratio: float, catalogue: Catalogue) -> list[str]:
    """What a mix breaks, each in words; nothing for a species alone."""
    if not cover.is_mix:
        return []
    rule, out = catalogue.rule, []
    shares = {c.species: c.share_of_sole_rate for c in cover.components}
    kinds = {key: catalogue.species[key].kind for key in shares}
    total = sum(shares.values())
    if total > rule("mix_share_sum_most") + 1e-9:
        out.append(
            f"shares add up to {total:.2f}, at most {rule('mix_share_sum_most'):g} crowd each other little enough"
        )
    if "legume" in kinds.values():
        grass = sum(share for key, share in shares.items() if kinds[key] == "grass")
        if grass > rule("mix_grass_share_most") + 1e-9:
            out.append(
                f"grass at {grass:.2f} of its rate shades the legume out; at most {rule('mix_grass_share_most'):g}"
            )
    if density_ratio > rule("mix_density_most") + 1e-9:
        out.append(f"{density_ratio:.2f} times the seeds of its densest component alone")
    if len(shares) > rule("mix_components_most"):
        out.append(f"{len(shares)} components; more than {rule('mix_components_most'):.0f} are hard to place")
    return out


def _sowing(parts: Sequence[MixPart], one_pass: bool, two_boxes: bool, apart_mm: float, catalogue: Catalogue) -> str:
    """How it goes through the drill."""
    name = {p.species: catalogue.species[p.species].name.lower() for p in parts}
    second = " and ".join(name[p.species] for p in parts if p.box == 2)
    if not one_pass:
        first = " and ".join(name[p.species] for p in parts if p.box == 1)
        return f"two passes: {first} deep, then {second} shallow (their depths lie {apart_mm:.0f} mm apart)"
    if two_boxes:
        return (
            f"two boxes: {second} in the small-seed box, or mixed anew at each filling, since seed sizes settle apart"
        )
    return "one box" if len(parts) > 1 else "one box, one kind of seed"


def _notes(cover: Cover, catalogue: Catalogue) -> list[str]:
    out = []
    groups = {catalogue.species[c.species].text("inoculant") for c in cover.components} - {""}
    if len(groups) > 1:
        out.append(f"two inoculants: {' and '.join(sorted(groups))}")
    return out


# --- proposing ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Surroundings:
    """What the engine and the rating need to know of a farm besides the cover."""

    weather: xr.Dataset
    site_of_block: Mapping[str, str]
    places: Mapping[str, Place]
    soil: DataFrame[Soil]
    class_shares: DataFrame[ClassShare]
    settings: FarmSettings
    growth_aim: Target
    aims: Sequence[Target]


@dataclass(frozen=True)
class Proposal:
    """A mix that beats the best cover sown alone, and why.

    Attributes
    ----------
    score, sole_score : float
        Suitability of the mix and of the best sole cover, rated alike.
    gains, losses : tuple of str
        What it does in more, or fewer, weather years than the sole cover, in words.
    """

    design: MixDesign
    row: Any  # of the recommendation
    score: float
    sole: str
    sole_score: float
    gains: tuple[str, ...]
    losses: tuple[str, ...]


@dataclass
class _Run:
    """Candidates rated together."""

    recommendation: pd.DataFrame
    purpose_odds: pd.DataFrame
    season: pd.DataFrame
    suitability: DataFrame[Suitability]


def propose(
    gap: DataFrame[Gap],
    options: DataFrame[Option],
    recommendation: DataFrame[Recommendation],
    suitability: DataFrame[Suitability],
    around: Surroundings,
    catalogue: Catalogue,
    progress: Callable[[int, int], None] | None = None,
) -> list[Proposal]:
    """Search components and shares for mixes that beat the best cover sown alone in a gap.

    Parameters
    ----------
    gap : DataFrame[Gap]
        The one gap.
    options : DataFrame[Option]
        Of the plan, for the sowing dates of the gap.
    recommendation : DataFrame[Recommendation]
        Of the plan: its sole covers that pass every gate are the components.
    suitability : DataFrame[Suitability]
        Of the plan: species that fail only for growth may help where they bring nitrogen or flowers.
    around : Surroundings
    catalogue : Catalogue
    progress : callable, optional
        Called with (done, total) while seasons are run.

    Returns
    -------
    list of Proposal
        Best first, at most three, no two of the same components; empty where no mix beats the best sole
        cover by the rule ``mix_gain_least``.
    """
    gap_id = str(gap["gap_id"].iloc[0])
    here = recommendation[(recommendation["gap_id"] == gap_id) & recommendation["eligible"]]
    sole = [row for row in here.itertuples() if row.cover_id in catalogue.species and pd.notna(row.sow_best)]
    if not sole:
        return []
    keys = [row.cover_id for row in sole[:MOST_SOLE_COVERS]]
    helpers = _helpers(gap_id, suitability, set(keys), around.settings, catalogue)
    dates = list(dict.fromkeys(row.sow_best for row in sole))[:MOST_DATES]
    method = seeding_method(around.settings.equipment) or "drilled"
    gain = catalogue.rule("mix_gain_least")

    def run(covers: Sequence[Cover]) -> _Run:
        return _rated(covers, gap, options, dates, around, catalogue, progress)

    pairs = [
        make_cover(dict(zip(pair, shares, strict=True)), catalogue)
        for pair, shares in product([*combinations(keys, 2), *product(keys, helpers)], PAIR_SHARES)
    ]
    pairs = [_keyed(c) for c in pairs if _may_be_sown(c, method, catalogue)]
    alone = [catalogue.covers[key] for key in keys]
    first = run([*alone, *pairs])
    best_sole, scores = _best(first, keys), _scores(first)
    by_parts = _best_of_each(pairs, scores)
    found = {parts: c for parts, c in by_parts.items() if scores[c.key] >= max(best_sole.score, 0.0) + gain}
    ranked = sorted(found.values(), key=lambda c: (-round(scores[c.key], 9), c.key))[:MOST_PROPOSALS]
    runs = {cover.key: first for cover in ranked}
    if ranked and catalogue.rule("mix_components_most") >= 3:
        for place, pair in enumerate(ranked[:1]):
            thirds = [
                _keyed(make_cover(_with_third(pair, key), catalogue))
                for key in [*keys, *helpers]
                if key not in {c.species for c in pair.components}
            ]
            thirds = [c for c in thirds if _may_be_sown(c, method, catalogue)]
            if not thirds:
                continue
            second = run(thirds)
            more = _scores(second)
            best = min(thirds, key=lambda c: (-round(more[c.key], 9), c.key))
            if more[best.key] >= scores[pair.key] + gain:  # no more components than help
                ranked[place], runs[best.key], scores[best.key] = best, second, more[best.key]
    return [_proposal(cover, runs[cover.key], first, best_sole, method, around.settings, catalogue) for cover in ranked]


def _helpers(
    gap_id: str,
    suitability: DataFrame[Suitability],
    taken: set[str],
    settings: FarmSettings,
    catalogue: Catalogue,
) -> list[str]:
    """Species that would not fill the gap alone, yet bring what a purpose of the farm asks for."""
    purposes = {purpose.key for purpose in settings.purposes}
    here = suitability[suitability["gap_id"] == gap_id]
    failed = here[~here["passed"]].groupby("cover_id")["criterion"].agg(set)
    out = []
    for key, s in catalogue.species.items():
        if key in taken or key not in catalogue.covers or not failed.get(key, set()) <= GROWTH_GATES:
            continue
        aims = here[(here["cover_id"] == key) & (here["criterion"] == "purpose aim")]
        if aims.empty:
            continue  # could not be run
        brings = ("nitrogen_supply" in purposes and s.kind == "legume") or (
            "pollinators" in purposes and s.text("flower_value") in FLOWERS_THAT_FEED
        )
        if brings:
            out.append((-float(aims["membership"].max()), key))
    return [key for _, key in sorted(out)[:MOST_HELPERS]]


def _keyed(cover: Cover) -> Cover:
    """The cover under a key that tells its shares, so that several mixes of the same species stand apart."""
    shares = "_".join(f"{c.share_of_sole_rate * 100:.0f}" for c in cover.components)
    return replace(cover, key=f"{cover.key}_{shares}")


def _may_be_sown(cover: Cover, method: str, catalogue: Catalogue) -> bool:
    return not design(cover, method, catalogue).faults


def _with_third(pair: Cover, key: str) -> dict[str, float]:
    """The shares of a pair, cut to make room for a third component."""
    left = 1 - THIRD_SHARE
    return {c.species: round(c.share_of_sole_rate * left, 2) for c in pair.components} | {key: THIRD_SHARE}


def _best_of_each(covers: Sequence[Cover], scores: Mapping[str, float]) -> dict[frozenset[str], Cover]:
    """Of the covers with the same components the one with the best score."""
    out: dict[frozenset[str], Cover] = {}
    for cover in sorted(covers, key=lambda c: (-round(scores[c.key], 9), c.key)):
        out.setdefault(frozenset(c.species for c in cover.components), cover)
    return out


def _scores(run: _Run) -> dict[str, float]:
    return dict(zip(run.recommendation["cover_id"], run.recommendation["score"], strict=True))


def _best(run: _Run, keys: Sequence[str]) -> Any:
    rows = run.recommendation[run.recommendation["cover_id"].isin(keys)]
    return next(rows.sort_values("rank", kind="stable").itertuples())


def _rated(
    covers: Sequence[Cover],
    gap: DataFrame[Gap],
    options: DataFrame[Option],
    dates: Sequence[pd.Timestamp],
    around: Surroundings,
    catalogue: Catalogue,
    progress: Callable[[int, int], None] | None,
) -> _Run:
    """Run and rate covers that are in no catalogue yet, as those of the catalogue are."""
    with_them = replace(catalogue, covers={cover.key: cover for cover in covers})
    row = gap.iloc[0]
    following = what_follows(gap, around.settings, with_them)
    crop = following.crops.get(row.gap_id)
    closes = row.closes if crop is None else crop.date - pd.Timedelta(days=crop.minimum_d)
    wanted = [
        {
            "option_id": f"{row.gap_id} {cover.key} {date:%Y-%m-%d}",
            "gap_id": row.gap_id,
            "block_id": row.block_id,
            "cover_id": cover.key,
            "sow_date": date,
            "terminate_by": closes,
        }
        for cover in covers
        for date in sorted(dates)
    ]
    some = Option.validate(pd.DataFrame(wanted, columns=list(Option.to_schema().columns)))
    season, purpose_odds = simulate(
        some, around.weather, around.site_of_block, around.places, with_them, around.growth_aim, list(around.aims),
        progress, following,
    )  # fmt: skip
    odds = count_odds(some, season, with_them)
    windows = sowing_windows(gap, some, odds, around.settings.wanted_odds)
    suitability = rate(
        gap, windows, odds, season, purpose_odds, around.soil, around.class_shares, around.settings, with_them
    )
    ranked = rank(gap, windows, odds, suitability, around.settings, with_them)
    return _Run(ranked, purpose_odds, season, suitability)


def _proposal(
    cover: Cover, run: _Run, first: _Run, sole: Any, method: str, settings: FarmSettings, catalogue: Catalogue
) -> Proposal:
    row = next(run.recommendation[run.recommendation["cover_id"] == cover.key].itertuples())
    mine = run.season[run.season["option_id"] == row.option_id]
    theirs = first.season[first.season["option_id"] == sole.option_id]
    gains, losses = _differences(cover, row, run, sole, first, catalogue)
    closes = [s["half_cover_d"].fillna(float("inf")).median() for s in (mine, theirs)]
    if closes[0] <= closes[1] - 2:
        later = "" if closes[1] == float("inf") else f", {closes[1] - closes[0]:.0f} days before it"
        gains.append(f"fills the canopy: half the ground covered on day {closes[0]:.0f} of the median year{later}")
    if not gains:
        gains.append(_largest_step(row, run, sole, first))
    stand = float(mine["stand_share"].median())
    named = replace(cover, name=make_cover({c.species: 1 for c in cover.components}, catalogue).name)
    sized = design(named, method, catalogue, stand)
    flowers = _flowers_apart(cover, first, catalogue)
    if flowers:
        losses.append(flowers)
    return Proposal(
        sized,
        row,
        float(row.score),
        catalogue.covers[sole.cover_id].name,
        float(sole.score),
        tuple(gains),
        tuple(losses),
    )


def _differences(
    cover: Cover, row: Any, run: _Run, sole: Any, first: _Run, catalogue: Catalogue
) -> tuple[list[str], list[str]]:
    """Aims that the mix meets in more, and in fewer, weather years than the sole cover."""
    gains: list[str] = []
    losses: list[str] = []
    theirs = first.purpose_odds[first.purpose_odds["option_id"] == sole.option_id].set_index("purpose")
    for mine in run.purpose_odds[run.purpose_odds["option_id"] == row.option_id].itertuples():
        other = theirs.loc[mine.purpose]
        years = max(int(mine.years), 1)
        difference = mine.met_years / years - other.met_years / max(int(other.years), 1)
        if abs(difference) < TOLD_SHARE:
            continue
        by = _who(mine.purpose, cover, catalogue)
        words = (
            f"{purpose_in_words(mine.purpose)}{by if difference > 0 else ''}: {mine.aim} in {mine.met_years} of "
            f"{mine.years} years, alone in {int(other.met_years)}"
        )
        (gains if difference > 0 else losses).append(words)
    held, alone = row.holds_years, sole.holds_years
    if abs(held - alone) >= TOLD_SHARE * max(row.years, 1):
        (gains if held > alone else losses).append(
            f"everything holds in {held} of {row.years} years, alone in {alone} of {sole.years}"
        )
    return gains, losses


def _largest_step(row: Any, run: _Run, sole: Any, first: _Run) -> str:
    """The criterion by which the mix gains most over the sole cover, where no single aim stands out."""

    def soft(table: DataFrame[Suitability], cover_id: str) -> dict[tuple[str, str], Any]:
        rows = table[(table["cover_id"] == cover_id) & (table["kind"] == "soft")]
        return {(r.criterion, r.purpose): r for r in rows.itertuples()}

    mine, theirs = soft(run.suitability, row.cover_id), soft(first.suitability, sole.cover_id)
    shared = [key for key in mine if key in theirs]
    best = max(shared, key=lambda key: mine[key].weight * (mine[key].membership - theirs[key].membership))
    name = best[0] if best[0] != "purpose aim" else purpose_in_words(best[1])
    return f"{name}: {mine[best].reason}; alone {theirs[best].reason}"


def _who(purpose: str, cover: Cover, catalogue: Catalogue) -> str:
    """Which components bring what a purpose asks for, where that can be told."""
    species = [catalogue.species[c.species] for c in cover.components]
    match purpose:
        case "nitrogen_supply":
            bring = [s.name.lower() for s in species if s.kind == "legume"]
            verb = "fixes"
        case "pollinators":
            bring = [s.name.lower() for s in species if s.text("flower_value") in FLOWERS_THAT_FEED]
            verb = "flowers"
        case _:
            return ""
    if not bring or len(bring) == len(species):
        return ""
    return f" ({' and '.join(bring)} {verb if len(bring) == 1 else verb.rstrip('s') if verb != 'fixes' else 'fix'})"


def _flowers_apart(cover: Cover, first: _Run, catalogue: Catalogue) -> str:
    """What one termination costs where the components flower far apart in the gap."""
    days = {}
    rows = first.recommendation.set_index("cover_id")
    for c in cover.components:
        option = rows.loc[c.species, "option_id"] if c.species in rows.index else None
        flower = first.season.loc[first.season["option_id"] == option, "first_flower_d"].dropna()
        if not flower.empty:
            days[catalogue.species[c.species].name.lower()] = float(flower.median())
    if len(days) < 2:
        return ""
    early, late = min(days, key=lambda k: days[k]), max(days, key=lambda k: days[k])
    apart = days[late] - days[early]
    if apart <= catalogue.rule("mix_bloom_apart"):
        return ""
    return f"one termination for two clocks: {early} flowers {apart:.0f} days before {late}"
