"""How far the odds move if the plant's figures differ: Latin hypercube draws on the leading parameters.

The weather years stay the same in every draw, so what moves is what is not known of the plant, beside
what is not known of the weather.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
import pandera.pandas as pa
import xarray as xr
from numpy.typing import NDArray

from greengap.advice.odds_by_date import odds_by_date
from greengap.catalogue import Catalogue, Cover, Value
from greengap.process.afterwards import Following
from greengap.process.drivers import Place
from greengap.process.season import Target, simulate
from greengap.tables import DataFrame, Option, Table

# Traits that move the odds most; those in one bracket move together, since one clock times them.
LEADING = (
    ("radiation_use",),
    ("maturity_sum",),
    ("leaf_area_maximum",),
    ("flower_sum", "viable_seed_sum"),
    ("emergence_sum",),
    ("frost_kill_temperature",),
    ("seed_base_water_potential",),
)
LEADING_RULE = "soil_water_share"  # soil water at sowing
PARAMETERS = len(LEADING) + 1
DRAWS = (50, 200)  # fewest and most
SEED = 20_270_101  # any number would do; fixed, so that the same farm gives the same answer
SPREAD = (10, 50, 90)
COUNTED = ("established_years", "flowered_years", "aim_years", "frost_killed_years", "holds_years")


class OddsSpread(Table):
    """One row per option: 10, 50 and 90 % of the draws have no more than this. Key: option_id."""

    option_id: str = pa.Field(unique=True, description="Option.")
    draws: int = pa.Field(ge=1, description="Draws of the parameters.")
    years: int = pa.Field(ge=0, description="Weather years in each draw.")
    established_years_p10: int = pa.Field(ge=0, description="Years with a stand, a tenth of the draws has no more.")
    established_years_p50: int = pa.Field(ge=0, description="Years with a stand, median draw.")
    established_years_p90: int = pa.Field(ge=0, description="Years with a stand, a tenth of the draws has more.")
    flowered_years_p10: int = pa.Field(ge=0, description="Years with a flower, a tenth of the draws has no more.")
    flowered_years_p50: int = pa.Field(ge=0, description="Years with a flower, median draw.")
    flowered_years_p90: int = pa.Field(ge=0, description="Years with a flower, a tenth of the draws has more.")
    aim_years_p10: int = pa.Field(ge=0, description="Years that reach the aim, a tenth of the draws has no more.")
    aim_years_p50: int = pa.Field(ge=0, description="Years that reach the aim, median draw.")
    aim_years_p90: int = pa.Field(ge=0, description="Years that reach the aim, a tenth of the draws has more.")
    frost_killed_years_p10: int = pa.Field(ge=0, description="Years with frost kill, a tenth of the draws has no more.")
    frost_killed_years_p50: int = pa.Field(ge=0, description="Years with frost kill, median draw.")
    frost_killed_years_p90: int = pa.Field(ge=0, description="Years with frost kill, a tenth of the draws has more.")
    holds_years_p10: int = pa.Field(ge=0, description="Years that hold, a tenth of the draws has no more.")
    holds_years_p50: int = pa.Field(ge=0, description="Years that hold, median draw.")
    holds_years_p90: int = pa.Field(ge=0, description="Years that hold, a tenth of the draws has more.")
    biomass_p50_kg_ha_p10: float = pa.Field(ge=0, description="Median year's dry matter, a tenth has no more.")
    biomass_p50_kg_ha_p50: float = pa.Field(ge=0, description="Median year's dry matter, median draw.")
    biomass_p50_kg_ha_p90: float = pa.Field(ge=0, description="Median year's dry matter, a tenth has more.")


def latin_hypercube(draws: int, parameters: int, seed: int = SEED) -> NDArray[np.float64]:
    """Positions between 0 and 1 that cut each parameter into `draws` equal parts and use each part once.

    Parameters
    ----------
    draws, parameters : int
    seed : int

    Returns
    -------
    ndarray, shape (draws, parameters)

    References
    ----------
    .. [1] M. D. McKay, R. J. Beckman and W. J. Conover, "A comparison of three methods for selecting values
       of input variables in the analysis of output from a computer code", Technometrics, vol. 21,
       pp. 239-245, 1979.
    """
    random = np.random.default_rng(seed)
    part = np.stack([random.permutation(draws) for _ in range(parameters)], axis=1)
    return (part + random.random((draws, parameters))) / draws


def parameter_range(value: Value, catalogue: Catalogue) -> tuple[float, float, float]:
    """Lowest, most likely and highest value of a parameter.

    The catalogue's own range where it gives one; else the rule ``parameter_spread_share`` of the value
    to both sides, or ``parameter_spread_temperature`` for a temperature, of which a share means nothing.
    """
    low, high = value.low, value.high
    if low is not None and high is not None:
        return low, value.number if value.number is not None else (low + high) / 2, high
    if value.number is None:
        raise ValueError(f"{value.trait} of {value.subject} is not a number")
    if value.unit == "degC":
        half = catalogue.rule("parameter_spread_temperature")
    else:
        half = abs(value.number) * catalogue.rule("parameter_spread_share")
    most = value.number + half
    return value.number - half, value.number, min(most, 1.0) if value.unit == "fraction" else most


def triangle(position: float, low: float, mode: float, high: float) -> float:
    """Value below which the share `position` of a triangular distribution lies.

    Examples
    --------
    >>> triangle(0.5, 0.0, 1.0, 2.0), triangle(0.0, 3.0, 3.0, 3.0)
    (1.0, 3.0)
    """
    width = high - low
    if width <= 0:
        return mode
    peak = (mode - low) / width
    if position < peak:
        return float(low + np.sqrt(position * width * (mode - low)))
    return float(high - np.sqrt((1 - position) * width * (high - mode)))


def drawn_catalogue(cover: Cover, catalogue: Catalogue, positions: NDArray[np.float64]) -> Catalogue:
    """The catalogue with the leading parameters of a cover at these positions of their ranges.

    Parameters
    ----------
    cover : Cover
        The components of a mix take the same position each: what makes one slow, makes all slow. That
        is a choice of this project, and the wider of the two ways.
    catalogue : Catalogue
    positions : ndarray, shape (PARAMETERS,)
        Between 0 and 1.

    Returns
    -------
    Catalogue
    """

    def moved(value: Value, position: float) -> Value:
        return replace(value, number=triangle(position, *parameter_range(value, catalogue)))

    species = dict(catalogue.species)
    for component in cover.components:
        one = species[component.species]
        values = dict(one.values)
        for traits, position in zip(LEADING, positions, strict=False):
            values.update({t: moved(values[t], position) for t in traits if t in values})
        species[one.key] = replace(one, values=values)
    practice = catalogue.practice | {LEADING_RULE: moved(catalogue.practice[LEADING_RULE], positions[-1])}
    return replace(catalogue, species=species, practice=practice)


def odds_spread(
    options: DataFrame[Option],
    weather: xr.Dataset,
    site_of_block: Mapping[str, str],
    places: Mapping[str, Place],
    catalogue: Catalogue,
    growth_aim: Target,
    draws: int,
    progress: Callable[[int, int], None] | None = None,
    following: Following | None = None,
) -> DataFrame[OddsSpread]:
    """Run the sowing dates of one cover through the same weather with other figures of the plant.

    Parameters
    ----------
    options : DataFrame[Option]
        Sowing dates of one cover.
    weather, site_of_block, places, catalogue, growth_aim
        As `greengap.process.season.simulate` takes them.
    draws : int
        50 to 200.
    progress : callable, optional
        Called with (done, total) after each draw.
    following : Following, optional
        As `greengap.process.season.simulate` takes it.

    Returns
    -------
    DataFrame[OddsSpread]
        One row per option, in their order.

    Raises
    ------
    ValueError
        If `draws` lies outside its limits, or `options` hold more than one cover.
    """
    if not DRAWS[0] <= draws <= DRAWS[1]:
        raise ValueError(f"draws is {draws}, allowed are {DRAWS[0]} to {DRAWS[1]}")
    covers = list(options["cover_id"].unique())
    if len(covers) != 1:
        raise ValueError(f"options hold {len(covers)} covers, wanted is one")
    cover = catalogue.covers[covers[0]]
    tables = []
    for done, positions in enumerate(latin_hypercube(draws, PARAMETERS), start=1):
        other = drawn_catalogue(cover, catalogue, positions)
        season, _ = simulate(options, weather, site_of_block, places, other, growth_aim, [], None, following)
        tables.append(odds_by_date(options, season))
        if progress:
            progress(done, draws)
    out = {"option_id": options["option_id"].to_numpy(), "draws": draws, "years": tables[0]["years"].to_numpy()}
    for name in COUNTED:  # a count that occurred, not one between two
        every = np.stack([t[name].to_numpy() for t in tables])
        levels = np.percentile(every, SPREAD, axis=0, method="inverted_cdf")
        out |= {f"{name}_p{p}": level for p, level in zip(SPREAD, levels, strict=True)}
    every = np.stack([t["biomass_p50_kg_ha"].to_numpy() for t in tables])
    levels = np.percentile(every, SPREAD, axis=0)
    out |= {f"biomass_p50_kg_ha_p{p}": level for p, level in zip(SPREAD, levels, strict=True)}
    return OddsSpread.validate(pd.DataFrame(out))
