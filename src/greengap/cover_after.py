"""One cover on one block after it is ended: what the next crop finds, and what one change would do."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from greengap.advice.after import after_tables, crop_uptake_kg_ha
from greengap.advice.clocks import four_clocks
from greengap.advice.next_crop import DAY, farm_ending, next_crops
from greengap.advice.options import list_options
from greengap.advice.purposes import growth_target
from greengap.biomass_sample_of import BiomassSample, sample_of
from greengap.catalogue import Catalogue, Cover
from greengap.cover_odds import check_names, gaps_of_block, run_cover
from greengap.farm.settings import FarmSettings
from greengap.farm_input import Farm
from greengap.plan import places
from greengap.process.afterwards import Ending, Following, NextCrop
from greengap.process.drivers import Place
from greengap.process.season import Target, release_by_day
from greengap.tables import Clock, DataFrame, Gap, NitrogenByDate, Odds, Option, Season, Window

FOLLOWED_D = 70  # days after planting that the curve of nitrogen goes on
WEEK_D = 7


@dataclass(frozen=True)
class Change:
    """One change of input, and what it makes of the odds.

    Attributes
    ----------
    words : str
    holds_years, years : int
        Of the best option under it.
    margin_d : float
        Days to spare on the residue clock in the wanted share of years; NaN without a next crop [d].
    nitrogen_28d_kg_ha : float
        Set free four weeks after planting, median [kg ha-1].
    """

    words: str
    holds_years: int
    years: int
    margin_d: float
    nitrogen_28d_kg_ha: float


@dataclass(frozen=True)
class GapAfter:
    """One gap: what its best option leaves; empty tables and None where the gap is too short for any.

    Attributes
    ----------
    gap : row of Gap
    window, odds : row or None
    after : row of After or None
    nitrogen : DataFrame[NitrogenByDate]
    clocks : DataFrame[Clock]
    viable_seed : tuple of Timestamp
        Days from which seed is viable: 10 % of years earlier, median; NaT where the cover sets none.
    planned_end : Timestamp
        Day that its termination is planned for, frost or not.
    short_d : float
        Days by which it is too short for growth and residue, median; at most 0 where it fits, NaN where it never grows.
    curve : ndarray, shape (year, day)
        Nitrogen since the planned termination, day by day [kg ha-1].
    uptake : ndarray, shape (day,)
        Of the next crop [kg ha-1].
    changes : tuple of Change
        The first is as the farm does it now.
    sample : BiomassSample or None
        What was cut and weighed: then dry matter and nitrogen are those of the sample, in every year.
    """

    gap: Any
    window: Any
    odds: Any
    after: Any
    nitrogen: DataFrame[NitrogenByDate]
    clocks: DataFrame[Clock]
    viable_seed: tuple[Any, Any]
    planned_end: Any
    short_d: float
    curve: np.ndarray
    uptake: np.ndarray
    changes: tuple[Change, ...]
    sample: BiomassSample | None = None

    @property
    def best_change(self) -> Change | None:
        """The one change that helps most, None if none does."""
        if not self.changes:
            return None
        now, *others = self.changes

        def gain(change: Change) -> tuple[float, float]:
            return change.holds_years / max(change.years, 1), np.nan_to_num(change.margin_d)

        best = max(others, key=gain, default=None)
        return best if best is not None and gain(best)[0] > gain(now)[0] else None


@dataclass(frozen=True)
class CoverAfter:
    """A cover on a block, gap by gap."""

    settings: FarmSettings
    catalogue: Catalogue
    cover: Cover
    block_id: str
    ending: Ending
    wanted_odds: float
    gaps: tuple[GapAfter, ...]


@dataclass(frozen=True)
class _World:
    """What every run of one cover on one block shares."""

    farm: Farm
    block_id: str
    cover_id: str
    aim: Target
    wanted: float
    samples: Mapping[str, BiomassSample]

    def run(
        self, gaps: DataFrame[Gap], crops: dict[str, NextCrop], ending: Ending, place: Place, terminate_by: Any = None
    ) -> tuple[DataFrame[Option], DataFrame[Season], DataFrame[Odds], DataFrame[Window]]:
        options = list_options(gaps, self.farm.catalogue, crops)
        options = options[options["cover_id"] == self.cover_id].reset_index(drop=True)
        for sample in self.samples.values():
            options = _as_sown(options, sample)
        if terminate_by is not None:
            options["terminate_by"] = options["terminate_by"].clip(upper=terminate_by)
            enough = options["sow_date"] + pd.Timedelta(days=WEEK_D) <= options["terminate_by"]
            options = Option.validate(options[enough].reset_index(drop=True))
        following = Following(crops, ending, self.wanted)
        standing = {gap_id: sample.standing for gap_id, sample in self.samples.items()}
        return options, *run_cover(
            self.farm, gaps, options, {self.block_id: place}, self.aim, following, self.wanted, standing
        )

    def change(
        self,
        words: str,
        gap: DataFrame[Gap],
        crops: dict[str, NextCrop],
        season: DataFrame[Season],
        odds: DataFrame[Odds],
        windows: DataFrame[Window],
    ) -> Change:
        """What a run says of its best option."""
        if windows.empty:
            return Change(words, 0, 0, np.nan, np.nan)
        best = windows["option_id"].iloc[0]
        row = odds.set_index("option_id").loc[best]
        clocks = four_clocks(
            gap, windows, season, crops, self.wanted, self.farm.catalogue.rule("seed_margin")
        ).set_index("clock")
        given = season.loc[season["option_id"] == best, "nitrogen_28d_kg_ha"].median()
        margin = float(clocks.loc["residue", "margin_d"]) if len(clocks) else np.nan
        return Change(words, int(row["holds_years"]), int(row["years"]), margin, float(given))


def _as_sown(options: DataFrame[Option], sample: BiomassSample) -> DataFrame[Option]:
    """The options with the one sowing that was made in place of those of its gap."""
    mine = options["gap_id"] == sample.gap_id
    if not mine.any():
        return options
    one = options[mine].head(1).assign(sow_date=sample.sown_on)
    one["option_id"] = f"{sample.gap_id} {sample.cover.key} {sample.sown_on:%Y-%m-%d}"
    end = sample.cut_on if sample.ended_on is None else sample.ended_on
    one["terminate_by"] = one["terminate_by"].clip(upper=end)
    return Option.validate(pd.concat([options[~mine], one], ignore_index=True))


def find_after(
    farm: Farm,
    block_id: str,
    cover_id: str,
    gap_id: str | None = None,
    ending: Ending | None = None,
    irrigated: bool | None = None,
    minimum_d: int | None = None,
    earlier_d: int = 0,
    progress: Callable[[int, int], None] | None = None,
) -> CoverAfter:
    """Run a cover to its end and beyond in the gaps of a block.

    Parameters
    ----------
    farm : Farm
    block_id, cover_id : str
    gap_id : str, optional
        One gap of the block; otherwise all of them.
    ending : Ending, optional
        How it is ended; as the farm's machines allow if left out.
    irrigated : bool, optional
        Instead of what the farm says of the block.
    minimum_d : int, optional
        Least wait before the next crop, instead of the farm's [d].
    earlier_d : int
        Days by which it is ended before the day that is planned [d].
    progress : callable, optional
        Called with (done, total).

    Returns
    -------
    CoverAfter
        Each change is the same season run anew with one input changed; none is a bonus. Where the farm's record has a
        biomass sample of the cover in a gap, its dry matter and nitrogen stand in place of the engine's.

    Raises
    ------
    InputProblem
        If a name is not known.
    """
    check_names(farm, block_id, cover_id, gap_id)
    settings, catalogue = farm.settings, farm.catalogue
    how, place = ending or farm_ending(settings), places(farm)[block_id]
    if irrigated is not None:
        place = replace(place, irrigated=irrigated)
    gaps = gaps_of_block(farm, block_id, gap_id)
    samples = {str(name): sample for name in gaps["gap_id"] if (sample := sample_of(farm, str(name))) is not None}
    world = _World(
        farm, block_id, cover_id, growth_target(settings.growth_aim, catalogue, settings.units), settings.wanted_odds,
        {name: sample for name, sample in samples.items() if sample.cover.key == cover_id},
    )  # fmt: skip
    for name, sample in world.samples.items():  # what is sown already was sown when it was
        here = gaps["gap_id"] == name
        opened = gaps[["opens", "opens_early"]].where(~here, gaps[["opens", "opens_early"]].clip(upper=sample.sown_on))
        gaps = Gap.validate(gaps.assign(**{column: opened[column] for column in opened}))
    crops = next_crops(gaps, settings, catalogue)
    if minimum_d is not None:
        crops = {key: replace(crop, minimum_d=minimum_d) for key, crop in crops.items()}
    found = []
    for done, name in enumerate(gaps["gap_id"], start=1):
        found.append(_gap_after(world, Gap.validate(gaps[gaps["gap_id"] == name]), crops, how, place, earlier_d))
        if progress:
            progress(done, len(gaps))
    return CoverAfter(
        settings, catalogue, catalogue.covers[cover_id], block_id, how, settings.wanted_odds, tuple(found)
    )


def _gap_after(
    world: _World, gaps: DataFrame[Gap], crops: dict[str, NextCrop], how: Ending, place: Place, earlier_d: int
) -> GapAfter:
    farm, catalogue = world.farm, world.farm.catalogue
    gap = next(gaps.itertuples())
    crop, sample = crops.get(str(gap.gap_id)), world.samples.get(str(gap.gap_id))
    options, season, odds, windows = world.run(gaps, crops, how, place)
    now = world.change("as it is", gaps, crops, season, odds, windows)
    if earlier_d and not windows.empty:
        planned = odds.set_index("option_id").loc[windows["option_id"].iloc[0], "terminate_by"]
        cut = planned - pd.Timedelta(days=earlier_d)
        options, season, odds, windows = world.run(gaps, crops, how, place, cut)
    after, nitrogen = after_tables(gaps, windows, odds, season, crops, farm.settings, catalogue)
    clocks = four_clocks(gaps, windows, season, crops, world.wanted, catalogue.rule("seed_margin"))
    if windows.empty or after.empty:
        return GapAfter(
            gap, None, None, None, nitrogen, clocks, (pd.NaT, pd.NaT), pd.NaT, np.nan, np.zeros((0, 1)), np.zeros(1), ()
        )
    window = next(windows.itertuples())
    years = season[season["option_id"] == window.option_id]
    seeds = years["viable_seed_d"].dropna()
    often = len(seeds) * 2 >= len(years)
    viable = tuple(window.sow_best + pd.Timedelta(days=int(seeds.quantile(q))) if often else pd.NaT for q in (0.1, 0.5))
    planned = window.sow_best + pd.Timedelta(days=int(years["planned_end_d"].iloc[0]))
    longest = FOLLOWED_D + (0 if crop is None else max((crop.date - planned).days, 0))
    weather = farm.weather.sel(site_id=farm.site_of_block[world.block_id])
    _, curve = release_by_day(
        options, window.option_id, weather, place, catalogue, world.aim, Following(crops, how, world.wanted), longest,
        None if sample is None else sample.standing,
    )  # fmt: skip
    since_planting = np.arange(longest + 1) - (0 if crop is None else (crop.date - planned).days)
    uptake = crop_uptake_kg_ha(str(gap.crop_after), np.maximum(since_planting, 0).astype(float), catalogue)
    changes = (now, *_changes(world, gaps, crops, how, place, planned)) if crop is not None else ()
    return GapAfter(
        gap, window, next(odds[odds["option_id"] == window.option_id].itertuples()), next(after.itertuples()),
        nitrogen, clocks, (viable[0], viable[1]), planned, float(years["short_d"].median()), curve, uptake, changes,
        sample,
    )  # fmt: skip


def _changes(
    world: _World, gap: DataFrame[Gap], crops: dict[str, NextCrop], how: Ending, place: Place, planned: pd.Timestamp
) -> tuple[Change, ...]:
    """Each single change of the farm's way, run anew."""
    tools, name = world.farm.settings.equipment, str(gap["gap_id"].iloc[0])
    crop = crops[name]
    next_name = world.farm.catalogue.crop_name(str(gap["crop_after"].iloc[0]))
    later = crops | {name: replace(crop, date=crop.date + WEEK_D * DAY)}
    runs: list[tuple[str, dict[str, NextCrop], Ending, Place, Any]] = []
    if how.incorporated and not crop.sown:
        runs.append(("leave it as mulch", crops, replace(how, incorporated=False), place, None))
    elif not how.incorporated and "tillage" in tools:
        runs.append(("work it in", crops, replace(how, incorporated=True), place, None))
    chop = "work it in unchopped" if how.chopped else "mow or chop it first"
    runs.append((chop, crops, replace(how, chopped=not how.chopped), place, None))
    if not place.irrigated:
        runs.append(("irrigate", crops, how, replace(place, irrigated=True), None))
    runs.append(("end it a week sooner", crops, how, place, planned - WEEK_D * DAY))
    runs.append((f"set the {next_name} a week later", later, how, place, None))
    if crop.pest_d > crop.minimum_d:
        spared = crops | {name: replace(crop, pest_d=0)}
        runs.append((f"a next crop that fresh residue does not harm, instead of {next_name}", spared, how, place, None))
    return tuple(
        world.change(words, gap, asked, *world.run(gap, asked, ending, ground, by)[1:])
        for words, asked, ending, ground, by in runs
    )
