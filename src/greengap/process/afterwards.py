"""After the cover is ended: when the next crop can be set, and what it finds of nitrogen, residue and water.

Arrays are of shape (sowing, weather year). What decay does day by day follows from running sums of warmth and
moisture; only residue that ties nitrogen up is followed in a compiled loop of its own
(`greengap.process.nitrogen.tie_up_days`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from greengap.catalogue import Catalogue, Species
from greengap.process.drivers import BlockDays
from greengap.process.nitrogen import (
    CARBON_OF_RESIDUE,
    leaching_kept_share,
    season_available,
    tie_up_days,
    tissue_nitrogen_fraction,
)
from greengap.process.residue import (
    DECAY_PER_D,
    carbon_nitrogen_factor,
    decay_days_until,
    pool_shares,
    remaining_share,
    residue_limit,
)
from greengap.process.thermal_time import day_reached

if TYPE_CHECKING:
    from greengap.process.sowings import Sowings

AFTER_PLANTING_D = (0, 14, 28, 56)  # days at which nitrogen is told
AFTER_END_D = (30, 90, 365)  # days at which what is left of the residue is told
MINIMUM, RESIDUE, PESTS, NITROGEN = "minimum", "residue", "pests", "nitrogen"
DRIVERS = (MINIMUM, PESTS, RESIDUE, NITROGEN)  # the first of those that ask for the longest wait is named
NEVER_CLEAR_D = 400.0  # a wait that no gap has room for


@dataclass(frozen=True)
class Ending:
    """How covers are ended, as far as their decay minds it.

    Attributes
    ----------
    incorporated : bool
        Worked into the ground; else left on it.
    chopped : bool
        Coarse stems are mown or chopped first.
    inoculated : bool
        Legumes carry the right rhizobia.
    """

    incorporated: bool = True
    chopped: bool = True
    inoculated: bool = True


@dataclass(frozen=True)
class NextCrop:
    """What the crop after a gap asks of it.

    Attributes
    ----------
    date : Timestamp
        Usual day it is set, in the year of the plan.
    minimum_d : int
        Least wait, by the farm or common practice [d].
    pest_d : int
        Wait after fresh green residue for the sake of its pests, 0 if it is not at risk [d].
    sown : bool
        Sown direct, so that residue may not lie on its bed.
    """

    date: pd.Timestamp
    minimum_d: int
    pest_d: int
    sown: bool = False


@dataclass(frozen=True)
class Following:
    """What comes after the covers of a farm.

    Attributes
    ----------
    crops : mapping of gap_id to NextCrop
        Gaps that are not in it have no crop to wait for.
    ending : Ending
    wanted_odds : float
        Share of the weather years in which the residue has to be out of the way of the next crop.
    """

    crops: Mapping[str, NextCrop] = field(default_factory=dict)
    ending: Ending = Ending()
    wanted_odds: float = 0.8


@dataclass(frozen=True)
class Follows:
    """What the crops after some sowings ask, arrays of shape (sowing, 1).

    Attributes
    ----------
    days : ndarray of float
        From sowing to the usual day of the next crop, infinite without one [d].
    minimum_d, pest_d : ndarray of float
        As in `NextCrop`, 0 without a crop [d].
    sown : ndarray of bool
    """

    days: np.ndarray
    minimum_d: np.ndarray
    pest_d: np.ndarray
    sown: np.ndarray


def what_follows_each(sow_dates: Sequence[pd.Timestamp], crops: Sequence[NextCrop | None]) -> Follows:
    """What the crop after each sowing asks of it; None where no crop has to be waited for."""
    days = [np.inf if crop is None else (crop.date - date).days for date, crop in zip(sow_dates, crops, strict=True)]
    asked = [(0, 0, False) if crop is None else (crop.minimum_d, crop.pest_d, crop.sown) for crop in crops]
    minimum, pests, sown = (np.array([row[k] for row in asked])[:, None] for k in range(3))
    return Follows(np.array(days, float)[:, None], minimum.astype(float), pests.astype(float), sown.astype(bool))


@dataclass(frozen=True)
class Residue:
    """What was ended, arrays of shape (sowing, year); pools of shape (sowing, year, 3)."""

    end: np.ndarray  # position in the record
    killed: np.ndarray  # by frost
    mass: np.ndarray
    nitrogen: np.ndarray
    fixed: np.ndarray
    mineral: np.ndarray  # nitrogen left in the soil
    pools: np.ndarray
    coarse: np.ndarray
    light: bool

    def measured(self, mass_kg_ha: np.ndarray, nitrogen_fraction: np.ndarray) -> Residue:
        """The same with dry matter and nitrogen as a sample has them.

        Parameters
        ----------
        mass_kg_ha : ndarray, shape (sowing, 1)
            NaN where nothing was weighed [kg ha-1].
        nitrogen_fraction : ndarray, shape (sowing, 1)
            NaN where the nitrogen of what was weighed is that which was reckoned [fraction].

        Notes
        -----
        What comes from the air keeps its share of the nitrogen. What it is made of stays as reckoned by its stage.
        """
        mass = np.where(np.isnan(mass_kg_ha), self.mass, mass_kg_ha)
        fraction = np.where(np.isnan(nitrogen_fraction), self.nitrogen_fraction, nitrogen_fraction)
        nitrogen = np.where(np.isnan(mass_kg_ha) & np.isnan(nitrogen_fraction), self.nitrogen, mass * fraction)
        from_air = self.fixed / np.maximum(self.nitrogen, 1e-9)
        return replace(
            self,
            mass=mass,
            nitrogen=nitrogen,
            fixed=np.where(nitrogen == self.nitrogen, self.fixed, nitrogen * from_air),
        )

    @property
    def nitrogen_fraction(self) -> np.ndarray:
        """Nitrogen in the dry matter."""
        return self.nitrogen / np.maximum(self.mass, 1e-9)

    @cached_property
    def decay_share(self) -> np.ndarray:
        """Share of the full speed of decay that the nitrogen in reach lets through."""
        return carbon_nitrogen_factor(CARBON_OF_RESIDUE * self.mass / np.maximum(self.nitrogen + self.mineral, 1e-9))


def progress(days: BlockDays, species: Species, develops: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Stage of a component when it is ended: 0 when development begins, 1 at first flower, 2 at viable seed."""
    sums, last = days.development_sums(species), days.dates.size - 1
    flower, seed = species.number("flower_sum"), species.number("viable_seed_sum")
    grown = np.maximum(sums[np.minimum(end, last)] - sums[np.minimum(develops, last)], 0.0)
    beyond = np.clip((grown - flower) / max(seed - flower, 1e-9), 0.0, 1.0)
    return np.minimum(grown / flower, 1.0) + beyond


def _by_kind(species: Species, trait: str, catalogue: Catalogue) -> float:
    return species.number(trait) if species.has(trait) else catalogue.rule(f"{trait}_{species.kind}")


def end_cover(
    sowings: Sowings,
    species: list[Species],
    parts: list[dict[str, np.ndarray]],
    mass_kg_ha: np.ndarray,
    growth_end_d: np.ndarray,
    supply_kg_ha: np.ndarray,
    catalogue: Catalogue,
    inoculated: bool = True,
) -> Residue:
    """What stands on the block on the day the cover is ended or killed.

    Parameters
    ----------
    sowings : Sowings
    species : list of Species
        Components.
    parts : list of dict
        Their events, see `greengap.process.drivers.component_events`.
    mass_kg_ha : ndarray, shape (component, sowing, year)
        Dry matter above ground [kg ha-1].
    growth_end_d : ndarray, shape (sowing, year)
        Days from sowing to the end of growth [d].
    supply_kg_ha : ndarray, shape (sowing, year)
        Mineral nitrogen that the soil held or set free by then [kg ha-1].
    catalogue : Catalogue
    inoculated : bool

    Notes
    -----
    Non-legumes take soil nitrogen first and thin theirs where it is short; legumes take their share of
    the rest and fix at least their ordinary share, and what is missing up to their largest: a choice of
    this project.
    """
    days, rule = sowings.days, catalogue.rule
    end = sowings.start + growth_end_d
    stage = [progress(days, s, p["develops"], end) for s, p in zip(species, parts, strict=True)]
    want = np.stack(
        [
            m * tissue_nitrogen_fraction(
                x, _by_kind(s, "tissue_nitrogen_young", catalogue), s.number("tissue_nitrogen"),
                min(_by_kind(s, "tissue_nitrogen_ripe", catalogue), s.number("tissue_nitrogen")),
            )
            for m, x, s in zip(mass_kg_ha, stage, species, strict=True)
        ]
    )  # fmt: skip
    is_legume = np.array([s.kind == "legume" for s in species])
    asked = want[~is_legume].sum(axis=0)
    taken = np.minimum(asked, supply_kg_ha)
    left = supply_kg_ha - taken
    nitrogen = taken.copy()
    fixed = np.zeros(nitrogen.shape)
    wanted = np.maximum(want[is_legume].sum(axis=0), 1e-9)
    from_soil = np.zeros(nitrogen.shape)
    first, full = rule("fixation_start"), rule("fixation_full")
    for own, s, p in zip(want, species, parts, strict=True):
        if s.kind != "legume":
            continue
        soil = np.minimum(own, left * own / wanted)
        most = s.number("fixation_maximum") if s.has("fixation_maximum") else s.number("fixed_share")
        up = np.clip((end - np.minimum(p["emerged"], end) - first) / (full - first), 0.0, 1.0)
        share = up * (1.0 if inoculated else rule("nodulated_without_inoculant"))
        air = np.clip(own - soil, s.number("fixed_share") * own, most * own) * share
        soil = np.minimum(soil, own - air)
        nitrogen, fixed, from_soil = nitrogen + soil + air, fixed + air, from_soil + soil
    total = mass_kg_ha.sum(axis=0)
    weight = mass_kg_ha / np.maximum(total, 1e-9)
    corners = [
        np.array([rule(f"pool_{name}_{pool}") for pool in ("carbohydrate", "cellulose", "lignin")])
        for name in ("young", "bloom", "ripe")
    ]
    pools = sum(w[..., None] * pool_shares(x, *corners) for w, x in zip(weight, stage, strict=True))
    pools = np.where(total[..., None] > 0, pools, corners[1])
    coarse = sum(
        w * (x >= s.number("stem_coarse_from")) if s.has("stem_coarse_from") else np.zeros(w.shape)
        for w, x, s in zip(weight, stage, species, strict=True)
    )
    kill = np.max([p["kill"] for p in parts], axis=0)
    return Residue(
        end=np.minimum(end, days.dates.size - 1),
        killed=kill <= end,
        mass=total,
        nitrogen=nitrogen,
        fixed=fixed,
        mineral=np.maximum(left - from_soil, rule("mineral_nitrogen_left")),
        pools=np.asarray(pools),
        coarse=np.asarray(coarse),
        light=all(s.has("light_residue") for s in species),
    )


@dataclass(frozen=True)
class Waiting:
    """Days from the end of the cover until the next crop can be set, arrays of shape (sowing, year).

    Attributes
    ----------
    days : ndarray of float
        The longest of the drivers' [d].
    which : ndarray of int
        Position of that driver in `DRIVERS`.
    lowest, back : ndarray of int
        Days until most nitrogen is tied up, and until it is given back; 0 where none is [d].
    curve : ndarray, shape (lane, day)
        Share of the deepest tie-up by day, for the lanes of `tied` in order [-].
    tied : ndarray of bool
        Where the season ties nitrogen up.
    season : ndarray of float
        Nitrogen set free or tied up over the season [kg ha-1].
    speed : ndarray of float
        Decay days for each day of warmth and moisture at full speed, carbon to nitrogen left out [-].
    """

    days: np.ndarray
    which: np.ndarray
    lowest: np.ndarray
    back: np.ndarray
    curve: np.ndarray
    tied: np.ndarray
    season: np.ndarray
    speed: np.ndarray


def wait(days: BlockDays, residue: Residue, ending: Ending, follows: Follows, catalogue: Catalogue) -> Waiting:
    """How long the next crop has to wait, and what sets it.

    Parameters
    ----------
    days : BlockDays
    residue : Residue
    ending : Ending
    follows : Follows
        Without a crop nothing has to wait.
    catalogue : Catalogue

    Notes
    -----
    The latest of: undecayed residue in the ground below a limit; the pest interval of crops at risk;
    tied-up nitrogen past its deepest; a minimum. Residue on the surface asks for no decay where the next
    crop is planted through it, nor does what frost killed, which is raked off or worked in lightly. Pests
    mind fresh green residue; what frost killed, and light residue that a flail mower shredded, for a week.
    """
    rule = catalogue.rule
    on_ground = residue.killed | (not ending.incorporated)
    place = np.where(on_ground, rule("place_mulch"), rule("place_incorporated"))
    contact = 1 - (1 - rule("contact_unchopped")) * residue.coarse * (not ending.chopped)
    speed = place * np.where(on_ground, 1.0, contact)
    limit = residue_limit(residue.coarse, rule("residue_limit_tender"), rule("residue_limit_coarse"))
    per_day = np.maximum(speed * residue.decay_share, 1e-9)
    need = decay_days_until(limit / np.maximum(residue.mass, 1e-9), residue.pools) / per_day
    after_end = np.where(residue.end < days.dates.size - 1, residue.end + 1, -1)
    reached = day_reached(days.decay_sums, after_end, need)
    clear = np.where(need <= 0, 0.0, np.where(reached < 0, NEVER_CLEAR_D, reached - residue.end))
    clear = np.minimum(clear, NEVER_CLEAR_D)
    clear = np.where(residue.killed | (on_ground & ~follows.sown), 0.0, clear)

    line = [rule(f"available_{name}") for name in ("zero", "top", "slope", "least")]
    season = season_available(residue.mass, residue.nitrogen_fraction, *line)
    season = np.where(residue.mass > 0, season, 0.0)
    tied = season < 0
    lowest, back = np.zeros(season.shape, int), np.zeros(season.shape, int)
    curve = np.zeros((0, 1))
    if tied.any():
        longest = int(rule("tie_up_longest"))
        some, until, curve = tie_up_days(
            residue.end[tied].astype(np.int64), days.decay_speed, speed[tied], residue.mass[tied],
            residue.nitrogen[tied], residue.mineral[tied], np.ascontiguousarray(residue.pools[tied]), DECAY_PER_D,
            rule("immobilisation_demand"), longest,
        )  # fmt: skip
        lowest[tied], back[tied] = some, until
    brief = residue.killed | (residue.light & ending.chopped & (residue.mass <= rule("residue_limit_tender")))
    pests = np.where(brief, np.minimum(follows.pest_d, rule("pest_wait_light")), follows.pest_d)
    asked = {
        MINIMUM: np.broadcast_to(follows.minimum_d, season.shape),
        PESTS: pests if ending.incorporated else np.zeros(season.shape),
        RESIDUE: np.where(np.isinf(follows.days), 0.0, clear),
        NITROGEN: np.where(on_ground | np.isinf(follows.days), 0.0, lowest),
    }
    stack = np.stack([asked[name] for name in DRIVERS])
    return Waiting(
        days=stack.max(axis=0), which=stack.argmax(axis=0), lowest=lowest, back=back, curve=curve, tied=tied,
        season=season, speed=speed,
    )  # fmt: skip


def nitrogen_by(
    days: BlockDays, residue: Residue, waiting: Waiting, at: np.ndarray, season_decay_days: float
) -> np.ndarray:
    """Nitrogen set free since the end of the cover, or tied up [kg ha-1].

    Parameters
    ----------
    days, residue, waiting
        Of one cover.
    at : ndarray of int, shape (sowing, year)
        Position in the record.
    season_decay_days : float
        Days of decay at full speed that make a season [d].

    Returns
    -------
    ndarray of float
        NaN beyond the record.
    """
    last = days.dates.size - 1
    gone = np.maximum(days.decay_sums[np.minimum(at, last)] - days.decay_sums[residue.end], 0.0) * waiting.speed
    whole = 1 - remaining_share(season_decay_days, residue.pools)
    shape = np.minimum((1 - remaining_share(gone, residue.pools)) / whole, 1.0)
    if waiting.tied.any():
        since = np.clip(at - residue.end, 0, waiting.curve.shape[1])[waiting.tied]
        rows = np.arange(since.size)
        shape[waiting.tied] = np.where(since > 0, waiting.curve[rows, np.maximum(since - 1, 0)], 0.0)
    return np.where(at > last, np.nan, waiting.season * shape)


def leaching_class(species: Species) -> str:
    """Which of the published classes speaks for a species."""
    return "brassica" if species.family == "Brassicaceae" else species.kind


def outcome(
    days: BlockDays,
    residue: Residue,
    waiting: Waiting,
    planting: np.ndarray,
    extra_mm: np.ndarray,
    species: list[Species],
    mass_kg_ha: np.ndarray,
    catalogue: Catalogue,
) -> dict[str, np.ndarray]:
    """What the next crop finds, as columns of `greengap.tables.Season`.

    Parameters
    ----------
    days, residue, waiting
        Of one cover.
    planting : ndarray of int, shape (sowing, year)
        Position of the day from which nitrogen is told: on which the next crop is set, or without one the
        cover is ended.
    extra_mm : ndarray, shape (sowing, year)
        Water that the ground lacks against its bare twin when the cover is ended [mm].
    species : list of Species
    mass_kg_ha : ndarray, shape (component, sowing, year)
    catalogue : Catalogue
    """
    rule, last = catalogue.rule, days.dates.size - 1
    season_days = rule("season_decay_days")
    columns = {
        f"nitrogen_{after}d_kg_ha": nitrogen_by(days, residue, waiting, planting + after, season_days)
        for after in AFTER_PLANTING_D
    }
    refill = days.bare_drainage(residue.end, np.minimum(planting, last))
    lack = np.maximum(extra_mm - np.where(planting > residue.end, refill, 0.0), 0.0)
    per_day = waiting.speed * residue.decay_share
    for after in AFTER_END_D:
        then = residue.end + after
        gone = (days.decay_sums[np.minimum(then, last)] - days.decay_sums[residue.end]) * per_day
        columns[f"residue_left_{after}d_share"] = np.where(then > last, np.nan, remaining_share(gone, residue.pools))
    weight = mass_kg_ha / np.maximum(mass_kg_ha.sum(axis=0), 1e-9)
    kept = sum(w * rule(f"leaching_kept_{leaching_class(s)}") for w, s in zip(weight, species, strict=True))
    ratio = np.clip(rule("carbon_share") / np.maximum(residue.nitrogen_fraction, 1e-3), 0, 200)
    return columns | {
        "water_lack_mm": lack,
        "leaching_kept_share": leaching_kept_share(residue.mass, kept, rule("leaching_full_biomass")),
        "carbon_to_nitrogen": np.where(residue.mass > 0, ratio, np.nan),
        "coarse_share": residue.coarse,
        "nitrogen_season_kg_ha": waiting.season,
        "tie_up_d": np.where(waiting.tied, waiting.back, 0).astype(float),
        "nitrogen_kg_ha": residue.nitrogen,
        "nitrogen_fixed_kg_ha": residue.fixed,
    }
