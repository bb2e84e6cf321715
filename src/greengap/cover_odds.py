"""One cover on one block in all its gaps: what the weather years say of each sowing date."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from greengap.advice.next_crop import what_follows
from greengap.advice.odds_by_date import DateOdds, YearDates, dates_by_year, odds_by_date
from greengap.advice.options import list_options
from greengap.advice.purposes import growth_target
from greengap.advice.uncertainty import OddsSpread, odds_spread
from greengap.advice.windows import sowing_windows
from greengap.catalogue import Catalogue, Cover
from greengap.errors import InputProblem
from greengap.farm.gaps import find_gaps
from greengap.farm.settings import FarmSettings, suggestion
from greengap.farm_input import Farm
from greengap.plan import places, southern
from greengap.process.afterwards import Following
from greengap.process.drivers import Place
from greengap.process.season import Target, count_odds, simulate
from greengap.process.standing import Standing
from greengap.tables import DataFrame, Gap, Odds, Option, Season, Window


@dataclass(frozen=True)
class GapOdds:
    """One gap: its sowing dates, and what is said of them.

    Attributes
    ----------
    gap : row of Gap
    window : row of Window or None
        None if the gap is too short for any cover, or no weather year covers it.
    odds : DataFrame[Odds]
        Of the same options as `dates`.
    years : DataFrame[YearDates]
        Of every sowing date.
    spread : DataFrame[OddsSpread] or None
        None if it was not asked for.
    """

    gap: Any
    window: Any
    dates: DataFrame[DateOdds]
    odds: DataFrame[Odds]
    years: DataFrame[YearDates]
    spread: DataFrame[OddsSpread] | None


@dataclass(frozen=True)
class CoverOdds:
    """A cover on a block, gap by gap.

    Attributes
    ----------
    lat, lon : float
        A point in the block [deg].
    growth_aim : Target
        What makes the cover worth its seed.
    weather_years : tuple of int
        First and last year of the weather record.
    """

    settings: FarmSettings
    catalogue: Catalogue
    cover: Cover
    block_id: str
    lat: float
    lon: float
    growth_aim: Target
    wanted_odds: float
    weather_years: tuple[int, int]
    gaps: tuple[GapOdds, ...]


def check_names(farm: Farm, block_id: str, cover_id: str, gap_id: str | None = None) -> None:
    """Refuse a block, cover or gap that is not there.

    Raises
    ------
    InputProblem
        With the names that may be meant.
    """
    place = farm.settings.folder.as_posix()
    blocks, covers = list(farm.blocks["block_id"]), sorted(farm.catalogue.covers)
    if block_id not in blocks:
        raise InputProblem(place, f"block {block_id!r}", "there is no such block", suggestion(block_id, blocks))
    if cover_id not in covers:
        raise InputProblem("catalogue", f"cover {cover_id!r}", "there is no such cover", suggestion(cover_id, covers))
    if gap_id is None:
        return
    gaps = find_gaps(farm.crop_calendar, farm.settings, farm.catalogue, southern=southern(farm))
    known = list(gaps.loc[gaps["block_id"] == block_id, "gap_id"])
    if gap_id not in known:
        remedy = f"{suggestion(gap_id, known)}; `greengap gaps` lists them with their dates"
        raise InputProblem(place, f"gap {gap_id!r}", f"there is no such gap on {block_id}", remedy)


def gaps_of_block(farm: Farm, block_id: str, gap_id: str | None = None) -> DataFrame[Gap]:
    """The gaps of a block, or one of them."""
    gaps = find_gaps(farm.crop_calendar, farm.settings, farm.catalogue, southern=southern(farm))
    return gaps[(gaps["block_id"] == block_id) & ((gaps["gap_id"] == gap_id) | (gap_id is None))]


def run_cover(
    farm: Farm,
    gaps: DataFrame[Gap],
    options: DataFrame[Option],
    place: Mapping[str, Place],
    aim: Target,
    following: Following,
    wanted: float,
    standing: Mapping[str, Standing] | None = None,
) -> tuple[DataFrame[Season], DataFrame[Odds], DataFrame[Window]]:
    """Run the sowing dates of one cover through the weather years; empty tables where none could be run."""
    season, _ = simulate(
        options, farm.weather, farm.site_of_block, place, farm.catalogue, aim, [], None, following, standing
    )
    nothing_ran = Odds.validate(pd.DataFrame(columns=list(Odds.to_schema().columns)))
    odds = nothing_ran if season.empty else count_odds(options, season, farm.catalogue)
    return season, odds, sowing_windows(gaps, options, odds, wanted)


def find_odds(
    farm: Farm,
    block_id: str,
    cover_id: str,
    gap_id: str | None = None,
    wanted_odds: float | None = None,
    draws: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> CoverOdds:
    """Run a cover through the gaps of a block.

    Parameters
    ----------
    farm : Farm
    block_id, cover_id : str
    gap_id : str, optional
        One gap of the block; otherwise all of them.
    wanted_odds : float, optional
        Share of the weather years that have to hold; the farm's own if not given.
    draws : int, optional
        Draws of the plant's figures for the spread; otherwise there is none.
    progress : callable, optional
        Called with (done, total).

    Returns
    -------
    CoverOdds

    Raises
    ------
    InputProblem
        If a name is not known.
    """
    check_names(farm, block_id, cover_id, gap_id)
    settings, catalogue = farm.settings, farm.catalogue
    wanted = settings.wanted_odds if wanted_odds is None else wanted_odds
    aim = growth_target(settings.growth_aim, catalogue, settings.units)
    place = {block_id: places(farm)[block_id]}
    gaps = gaps_of_block(farm, block_id, gap_id)
    following = what_follows(gaps, settings, catalogue)
    options = list_options(gaps, catalogue, following.crops)
    options = options[options["cover_id"] == cover_id].reset_index(drop=True)
    world = (farm.weather, farm.site_of_block, place)
    season, odds, windows = run_cover(farm, gaps, options, place, aim, following, wanted)
    dates = odds_by_date(options, season)
    years = dates_by_year(options, season, catalogue.rule("seed_margin"))
    spread = (
        odds_spread(options, *world, catalogue, aim, draws, progress, following) if draws and len(options) else None
    )
    found = []
    for gap in gaps.itertuples():
        here = options.loc[options["gap_id"] == gap.gap_id, "option_id"]
        found.append(
            GapOdds(
                gap=gap,
                window=next(windows[windows["gap_id"] == gap.gap_id].itertuples(), None),
                dates=dates[dates["option_id"].isin(here)].reset_index(drop=True),
                odds=odds[odds["option_id"].isin(here)].reset_index(drop=True),
                years=years[years["option_id"].isin(here)].reset_index(drop=True),
                spread=None if spread is None else spread[spread["option_id"].isin(here)].reset_index(drop=True),
            )
        )
    middle = farm.blocks.set_index("block_id").geometry.loc[block_id].representative_point()
    record = farm.weather["date"].dt.year
    return CoverOdds(
        settings, catalogue, catalogue.covers[cover_id], block_id, float(middle.y), float(middle.x), aim, wanted,
        (int(record.min()), int(record.max())), tuple(found),
    )  # fmt: skip
