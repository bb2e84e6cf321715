"""The typed tables that pass between stages: the one place where a column is named.

Every column carries its unit in its name; dates are timestamps at midnight; fractions are 0 to 1.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import pandas as pd
import pandera.pandas as pa
from pandera.typing import DataFrame as DataFrame
from pandera.typing.geopandas import GeoDataFrame as GeoDataFrame
from pandera.typing.geopandas import GeoSeries


class Table(pa.DataFrameModel):
    """Base of all tables: no unknown columns, dtypes coerced where that loses nothing."""

    class Config:
        """Rules of every table."""

        strict = True
        coerce = True

    @classmethod
    def validate(cls, check_obj: Any, *args: Any, **kwargs: Any) -> Any:
        """A checked copy, as pandera makes it.

        A table that is right as it stands, or is put right by a plain cast, as nearly all are, is looked through column
        by column, in a tenth of the time that pandera takes; every other one goes to pandera, which mends its types or
        says what is wrong.
        """
        if not args and not kwargs and isinstance(check_obj, pd.DataFrame):
            right = _put_right(cls, check_obj)
            if right is not None:
                return right
        return super().validate(check_obj, *args, **kwargs)


def _put_right(model: type[Table], table: pd.DataFrame) -> pd.DataFrame | None:
    """A copy of a table in its types; None where that is not to be had here, or a rule is broken."""
    rules = _rules(model)
    if len(table.columns) != len(rules) or not table.columns.isin(rules).all():
        return None
    cast = {}
    for name, (dtype, nullable, unique, checks) in rules.items():
        column = table[name]
        if column.dtype != dtype or pd.api.types.is_object_dtype(dtype):  # an object may hold anything
            found = _cast(column, dtype)
            if found is None:
                return None
            column = cast[name] = found
        if (not nullable and column.isna().any()) or (unique and not column.is_unique):
            return None
        if not all(_passes(column, check) for check in checks):
            return None
    return table.assign(**cast) if cast else table.copy()


def _cast(column: pd.Series, dtype: Any) -> pd.Series | None:
    """A column in another type where nothing can go wrong: without rows, without values, dates in another unit."""
    if str(dtype) == "geometry" or pd.api.types.is_object_dtype(dtype):
        return None
    if column.empty:
        return column.astype(dtype)
    if pd.api.types.is_datetime64_dtype(dtype) and pd.api.types.is_datetime64_dtype(column.dtype):
        return column.astype(dtype)
    if pd.api.types.is_float_dtype(dtype) and pd.api.types.is_object_dtype(column.dtype) and column.isna().all():
        return column.astype(dtype)
    return None


@cache
def _rules(model: type[Table]) -> dict[str, tuple[Any, bool, bool, list[Any]]]:
    """Type, whether it may be empty, whether it is a key, and checks, by column."""
    probe = model.to_schema().coerce_dtype(pd.DataFrame({name: [] for name in model.to_schema().columns}))
    return {
        str(name): (probe[name].dtype, bool(c.nullable), bool(c.unique), list(c.checks))
        for name, c in model.to_schema().columns.items()
    }


def _passes(column: pd.Series, check: Any) -> bool:
    limits = check.statistics
    if check.name == "greater_than_or_equal_to":
        return not (column < limits["min_value"]).any()
    if check.name == "greater_than":
        return not (column <= limits["min_value"]).any()
    if check.name == "less_than_or_equal_to":
        return not (column > limits["max_value"]).any()
    if check.name == "less_than":
        return not (column >= limits["max_value"]).any()
    if check.name == "isin":
        return bool(column.dropna().isin(limits["allowed_values"]).all())
    if check.name == "str_matches":
        return bool(column.dropna().str.match(limits["pattern"]).all())
    return False


class Block(Table):
    """One row per block: the unit that carries one crop at a time. Key: block_id. CRS: WGS84."""

    block_id: str = pa.Field(unique=True, description="Name of the block as the farm uses it.")
    field: str = pa.Field(description="Field the block lies in; the block itself if it is a whole field.")
    area_gross_m2: float = pa.Field(gt=0, description="Geodesic area of the outline on WGS84.")
    area_sown_m2: float = pa.Field(gt=0, description="Area that seed is reckoned on.")
    geometry: GeoSeries = pa.Field(description="Polygon or multipolygon, WGS84, longitude first.")


class BlockLineage(Table):
    """One row per block and block that it came of; a block with a hole cut out comes of itself. Key: none."""

    block_id: str = pa.Field(description="Block that was made, or made smaller.")
    parent_id: str = pa.Field(description="Block as it was called before.")
    way: str = pa.Field(
        isin=["split", "merged", "renamed", "beds", "buffer", "cut out"], description="How the one became the other."
    )
    date: pd.Timestamp = pa.Field(description="Day on which it was made; what is known of the parent until then holds.")
    outline: str = pa.Field(description="Outline of the parent as it was, WKT in WGS84; empty where it is not known.")


class CropCalendar(Table):
    """One row per crop on a block. Key: block_id, start_usual."""

    block_id: str = pa.Field(description="Block the crop stands on.")
    crop: str = pa.Field(description="Vegetable key of the catalogue, or the farm's own word.")
    establishment: str = pa.Field(isin=["transplanted", "seeded", "planted"], description="How it is set up.")
    start_early: pd.Timestamp = pa.Field(description="Earliest day it goes in.")
    start_usual: pd.Timestamp = pa.Field(description="Usual day it goes in.")
    start_late: pd.Timestamp = pa.Field(description="Latest day it goes in.")
    end_early: pd.Timestamp = pa.Field(description="Earliest last day of harvest.")
    end_usual: pd.Timestamp = pa.Field(description="Usual last day of harvest.")
    end_late: pd.Timestamp = pa.Field(description="Latest last day of harvest.")


class Gap(Table):
    """One row per stretch of a block's calendar without a crop. Key: gap_id."""

    gap_id: str = pa.Field(unique=True, description="Block, a slash, and the number of the gap on it.")
    block_id: str = pa.Field(description="Block the gap is on.")
    season: str = pa.Field(
        isin=["early spring", "midsummer", "autumn", "overwinter"], description="When in the year it falls."
    )
    crop_before: str = pa.Field(nullable=True, description="Crop that leaves, empty if none is known.")
    crop_after: str = pa.Field(nullable=True, description="Crop that comes, empty if none is known.")
    establishment_after: str = pa.Field(nullable=True, description="How the next crop is set up.")
    start: pd.Timestamp = pa.Field(description="Day after the usual end of the last crop.")
    end: pd.Timestamp = pa.Field(description="Day before the usual start of the next crop.")
    length_d: int = pa.Field(ge=1, description="Usual length, both ends counted.")
    opens_early: pd.Timestamp = pa.Field(description="First sowing day if the last crop ends early.")
    opens: pd.Timestamp = pa.Field(description="First sowing day: usual end, clean-up and seedbed done.")
    opens_late: pd.Timestamp = pa.Field(description="First sowing day if the last crop ends late.")
    closes_early: pd.Timestamp = pa.Field(description="Latest termination if the next crop goes in early.")
    closes: pd.Timestamp = pa.Field(description="Latest termination: usual start of the next crop less waiting.")
    closes_late: pd.Timestamp = pa.Field(description="Latest termination if the next crop goes in late.")
    clean_up_d: int = pa.Field(ge=0, description="Days to clear the last crop.")
    seedbed_d: int = pa.Field(ge=0, description="Days to make the seedbed.")
    waiting_d: int = pa.Field(ge=0, description="Days from termination to the next crop.")
    usable_p10_d: int = pa.Field(description="Usable days, 10 % of outcomes have fewer; may be negative.")
    usable_p50_d: int = pa.Field(description="Usable days, median of outcomes; may be negative.")
    usable_p90_d: int = pa.Field(description="Usable days, 10 % of outcomes have more; may be negative.")


class Soil(Table):
    """One row per block: area-weighted soil of the plough layer. Key: block_id."""

    block_id: str = pa.Field(unique=True, description="Block.")
    clay_fraction: float = pa.Field(ge=0, le=1, description="Clay, mass fraction of fine earth.")
    sand_fraction: float = pa.Field(ge=0, le=1, description="Sand, mass fraction of fine earth.")
    organic_matter_fraction: float = pa.Field(ge=0, le=1, description="Organic matter, mass fraction.")
    ph: float = pa.Field(ge=2, le=11, description="Reaction in water.")
    available_water_fraction: float = pa.Field(ge=0, le=0.6, description="Available water, volume fraction.")
    bulk_density_mg_m3: float = pa.Field(gt=0, description="Bulk density.")
    texture_class: str = pa.Field(description="USDA texture class of the mean texture.")
    drainage_class: str = pa.Field(description="Drainage class with the largest share.")
    drainage_share_fraction: float = pa.Field(ge=0, le=1, description="Share of the block in that class.")
    covered_fraction: float = pa.Field(ge=0, le=1, description="Share of the block that soil data cover.")
    source: str = pa.Field(description="Where the values come from.")
    slope_fraction: float | None = pa.Field(
        ge=0, nullable=True, description="Mean slope, rise over run; empty where nobody has said. May be left out."
    )
    aspect_deg: float | None = pa.Field(
        ge=0, lt=360, nullable=True,
        description="Where the ground falls to, clockwise from north; empty on level ground. May be left out.",
    )  # fmt: skip


class Ground(Table):
    """One row per block: what bears on its surface and its water. Key: block_id. Empty where nobody has said."""

    block_id: str = pa.Field(unique=True, description="Block.")
    slope_fraction: float = pa.Field(ge=0, nullable=True, description="Mean slope, rise over run.")
    slope_class: str = pa.Field(description="Slope class of the USDA soil survey.")
    faces: str = pa.Field(description="Where it falls to, one of eight directions; level ground faces none.")
    steep: bool = pa.Field(description="Steep enough to wash when bare.")
    ponds: pd.BooleanDtype = pa.Field(nullable=True, description="Water stands on it, as the grower says.")
    crusts: pd.BooleanDtype = pa.Field(nullable=True, description="It crusts after rain, as the grower says.")
    watered: bool = pa.Field(description="It can be watered.")
    sets: float = pa.Field(nullable=True, description="Irrigation sets that water the whole block.")
    set_area_m2: float = pa.Field(nullable=True, description="Ground that one set waters, at most the block.")
    flow_l_h: float = pa.Field(nullable=True, description="Flow of a set.")
    rotation_d: float = pa.Field(nullable=True, description="Days until a set comes round again.")
    lost_fraction: float = pa.Field(nullable=True, description="Share of the water that does not reach the roots.")


class WaterSet(Table):
    """One row per cover that is sown on a watered block with a known set: what one set takes. Key: gap_id, purpose."""

    gap_id: str = pa.Field(description="Gap.")
    block_id: str = pa.Field(description="Block.")
    cover_id: str = pa.Field(description="Cover.")
    purpose: str = pa.Field(isin=["bring up", "grow"], description="To bring seed up, or to grow on in dry weather.")
    depth_mm: float = pa.Field(ge=0, description="Water that has to reach the ground in one turn.")
    sets: int = pa.Field(ge=1, description="Sets that water the whole block once.")
    l_per_set: float = pa.Field(ge=0, description="Water of one set, losses in it.")
    h_per_set: float = pa.Field(nullable=True, description="Hours that one set runs; empty without a flow.")
    turns_p50: float = pa.Field(ge=0, description="Turns in the median year.")
    turns_p90: float = pa.Field(ge=0, description="Turns that one year of ten exceeds.")
    season_l: float = pa.Field(ge=0, description="Water of the whole block over its turns in the median year.")
    note: str = pa.Field(description="What does not fit, in words; empty if nothing.")


class ClassShare(Table):
    """Shares of a block in each class of a soil property; classes are never averaged."""

    block_id: str = pa.Field(description="Block.")
    soil_property: str = pa.Field(description="Soil column the classes belong to.")
    class_name: str = pa.Field(description="Class.")
    share_fraction: float = pa.Field(ge=0, le=1.000001, description="Share of the covered area.")


class BlockCell(Table):
    """Weights of weather cells on blocks; they add up to 1 for each block. Key: block_id, cell_id."""

    block_id: str = pa.Field(description="Block.")
    cell_id: str = pa.Field(description="Weather cell or station.")
    weight_fraction: float = pa.Field(gt=0, le=1.000001, description="Share of the block in the cell.")


class Option(Table):
    """One row per cover in a gap with a sowing date. Key: option_id."""

    option_id: str = pa.Field(unique=True, description="Gap, cover and sowing date.")
    gap_id: str = pa.Field(description="Gap.")
    block_id: str = pa.Field(description="Block.")
    cover_id: str = pa.Field(description="Species or mix of the catalogue.")
    sow_date: pd.Timestamp = pa.Field(description="Sowing date in the year of the plan.")
    terminate_by: pd.Timestamp = pa.Field(description="Latest termination that the next crop allows.")


class Season(Table):
    """One row per option and weather year. Key: option_id, weather_year. Days count from sowing."""

    option_id: str = pa.Field(description="Option.")
    weather_year: int = pa.Field(description="Year of the weather in which the gap's first sowing date falls.")
    soil_warm: bool = pa.Field(description="Soil at 5 cm warm enough for every component at sowing.")
    emergence_d: float = pa.Field(
        nullable=True, description="Days to emergence of the slowest component; none if never."
    )
    stand_share: float = pa.Field(ge=0, le=1, description="Stand against the one aimed at.")
    established: bool = pa.Field(description="Stand large enough not to count as failed.")
    establishment_water_mm: float = pa.Field(
        ge=0,
        description="Irrigation that keeps the seed zone moist until it is up, or would if the block were watered.",
    )
    half_cover_d: float = pa.Field(nullable=True, description="Days until half the ground is covered; none if never.")
    first_flower_d: float = pa.Field(nullable=True, description="Days to first flower; none if not before the end.")
    bloom_d: float = pa.Field(ge=0, description="Days in flower before the end.")
    bloom_from_d: float = pa.Field(nullable=True, description="Days to the first flower that feeds insects.")
    honey_bees_d: float = pa.Field(
        ge=0, description="Days in flower for honey bees; those of flowers that they seek less are counted in part."
    )
    wild_bees_d: float = pa.Field(ge=0, description="The same for wild bees.")
    natural_enemies_d: float = pa.Field(ge=0, description="The same for predators and parasitoids of pests.")
    viable_seed_d: float = pa.Field(
        nullable=True, description="Days to viable seed of the first component; none if not in the gap."
    )
    frost_kill_d: float = pa.Field(
        nullable=True, description="Days to the frost that kills the last component; none if spared."
    )
    ended_for_seed: bool = pa.Field(description="The planned termination is set by viable seed, not by the next crop.")
    planned_end_d: float = pa.Field(ge=0, description="Days to the planned termination, the same in every year.")
    growth_end_d: float = pa.Field(ge=0, description="Days to the end of growth: seed margin, frost kill or gap end.")
    aim_d: float = pa.Field(nullable=True, description="Days until the growth aim is reached; none if never.")
    biomass_kg_ha: float = pa.Field(ge=0, description="Shoot dry matter at the end of growth.")
    nitrogen_kg_ha: float = pa.Field(ge=0, description="Nitrogen in that shoot dry matter, by stage and supply.")
    nitrogen_fixed_kg_ha: float = pa.Field(ge=0, description="Part of it fixed from the air.")
    weed_share: float = pa.Field(
        ge=0, le=1, description="Share of the canopy that is weeds' in the end; 1 if it never closes."
    )
    weeds_close_d: float = pa.Field(
        nullable=True, description="Days until weeds alone would cover half the ground; none if not in the gap."
    )
    water_used_mm: float = pa.Field(ge=0, description="Transpiration and evaporation until the end of growth.")
    water_cost_mm: float = pa.Field(description="Water used beyond what bare ground would have lost.")
    drainage_mm: float = pa.Field(ge=0, description="Water drained below the roots until the end of growth.")
    irrigation_mm: float = pa.Field(ge=0, description="Irrigation given, on irrigated blocks.")
    water_supply_fraction: float = pa.Field(ge=0, le=1, description="Mean water factor of growth; 1 is unstressed.")
    nitrogen_supply_fraction: float = pa.Field(
        ge=0, le=1, description="Mean nitrogen factor of growth; 1 is unlimited."
    )
    heat_share: float = pa.Field(ge=0, le=1, description="Share of the days to emergence too hot to establish.")
    growth_temperature_degc: float = pa.Field(description="Mean air temperature from sowing to the end of growth.")
    frost_spared: bool = pa.Field(description="No killing frost before the growth aim.")
    aim_met: bool = pa.Field(description="Growth aim reached by the end of growth.")
    seed_safe: bool = pa.Field(description="No viable seed, with its margin, before the latest termination.")
    waiting_d: float = pa.Field(ge=0, description="Days from the end of growth until the next crop can be set.")
    waiting_driver: pd.CategoricalDtype = pa.Field(
        dtype_kwargs={"categories": ["minimum", "nitrogen", "pests", "residue"], "ordered": False},
        description="What asks for the longest wait.",
    )
    ready_d: float = pa.Field(ge=0, description="Days from sowing until the next crop can be set.")
    short_d: float = pa.Field(
        nullable=True,
        description="Days by which the wait from the growth aim on overruns the next crop; below zero to spare.",
    )
    residue_clear: bool = pa.Field(description="The next crop can be set on its usual day; true if there is none.")
    nitrogen_0d_kg_ha: float = pa.Field(
        nullable=True, description="Nitrogen set free by the day of planting, below zero if tied up."
    )
    nitrogen_14d_kg_ha: float = pa.Field(nullable=True, description="The same 14 days after planting.")
    nitrogen_28d_kg_ha: float = pa.Field(nullable=True, description="The same 28 days after planting.")
    nitrogen_56d_kg_ha: float = pa.Field(nullable=True, description="The same 56 days after planting.")
    nitrogen_season_kg_ha: float = pa.Field(description="Set free or tied up over the season.")
    tie_up_d: float = pa.Field(ge=0, description="Days from the end of growth until tied-up nitrogen is given back.")
    carbon_to_nitrogen: float = pa.Field(nullable=True, description="Of the shoots when they are ended.")
    coarse_share: float = pa.Field(ge=0, le=1.000001, description="Part of them in coarse stems.")
    residue_left_30d_share: float = pa.Field(nullable=True, description="Residue left 30 days after the end.")
    residue_left_90d_share: float = pa.Field(nullable=True, description="Residue left 90 days after the end.")
    residue_left_365d_share: float = pa.Field(nullable=True, description="Residue left a year after the end.")
    water_lack_mm: float = pa.Field(ge=0, description="Water that the ground lacks against bare ground at planting.")
    leaching_kept_share: float = pa.Field(
        ge=0, le=1, description="Part of the nitrogen lost below bare ground that the cover keeps."
    )
    holds: bool = pa.Field(
        description="Soil warm, frost spared, the aim met before growth has to end, and residue clear in time."
    )


class Odds(Table):
    """One row per option: counts of weather years and ranges. Key: option_id."""

    option_id: str = pa.Field(unique=True, description="Option.")
    years: int = pa.Field(ge=0, description="Weather years that could be run.")
    soil_warm_years: int = pa.Field(ge=0, description="Years with the soil warm enough at sowing.")
    established_years: int = pa.Field(ge=0, description="Years with a stand that does not count as failed.")
    frost_spared_years: int = pa.Field(ge=0, description="Years without a killing frost before the aim.")
    aim_years: int = pa.Field(ge=0, description="Years in which the growth aim is reached.")
    seed_safe_years: int = pa.Field(ge=0, description="Years without viable seed before the latest termination.")
    ready_years: int = pa.Field(ge=0, description="Years in which the residue is out of the next crop's way in time.")
    holds_years: int = pa.Field(ge=0, description="Years in which all of it holds.")
    bird_risk_share: float = pa.Field(
        ge=0, le=1, description="Share of fields that birds or game take, beside the weather."
    )
    biomass_p10_kg_ha: float = pa.Field(ge=0, description="Shoot dry matter, 10 % of years have less.")
    biomass_p50_kg_ha: float = pa.Field(ge=0, description="Shoot dry matter, median year.")
    biomass_p90_kg_ha: float = pa.Field(ge=0, description="Shoot dry matter, 10 % of years have more.")
    ready_from: pd.Timestamp = pa.Field(nullable=True, description="Median date on which the growth aim is reached.")
    terminate_by: pd.Timestamp = pa.Field(
        description="Planned termination; where frost ends it, the day from which it does in one year of ten."
    )
    ended_by: str = pa.Field(isin=["frost", "seed set", "next crop"], description="What ends growth in most years.")
    first_flower: pd.Timestamp = pa.Field(
        nullable=True, description="Median date of the first flower that feeds insects, if half the years have one."
    )
    last_flower: pd.Timestamp = pa.Field(nullable=True, description="Median date of the end of bloom.")


class Window(Table):
    """One row per gap and cover that could be run: its best date and sowing window. Key: gap_id, cover_id."""

    gap_id: str = pa.Field(description="Gap.")
    cover_id: str = pa.Field(description="Cover.")
    option_id: str = pa.Field(description="Option with the best odds.")
    sow_best: pd.Timestamp = pa.Field(description="Its sowing date.")
    sow_from: pd.Timestamp = pa.Field(
        nullable=True, description="First date of the run around it that keeps the wanted odds."
    )
    sow_until: pd.Timestamp = pa.Field(
        nullable=True, description="Last date of that run; none if no date keeps the odds."
    )


class PurposeOdds(Table):
    """One row per option and purpose of the farm. Key: option_id, purpose."""

    option_id: str = pa.Field(description="Option.")
    purpose: str = pa.Field(description="Purpose.")
    aim: str = pa.Field(description="The aim in words.")
    met_years: int = pa.Field(ge=0, description="Weather years in which the aim is reached.")
    years: int = pa.Field(ge=0, description="Weather years run.")


class Clock(Table):
    """One row per gap, cover and clock: how many days each leaves to spare. Key: gap_id, cover_id, clock."""

    gap_id: str = pa.Field(description="Gap.")
    cover_id: str = pa.Field(description="Cover.")
    option_id: str = pa.Field(description="Its best option.")
    clock: str = pa.Field(
        isin=["seedbed", "canopy", "seed", "residue"],
        description="Seedbed fit in time; canopy closed before the weeds'; ended before viable seed; residue ready.",
    )
    margin_d: float = pa.Field(
        nullable=True, description="Days to spare in the wanted share of years; none where the clock does not run."
    )
    holds_years: int = pa.Field(ge=0, description="Weather years in which it is in time.")
    years: int = pa.Field(ge=0, description="Weather years run.")
    binds: bool = pa.Field(description="Has the fewest days to spare of the four.")


class Rung(Table):
    """One row per rung of a gap's ladder. Key: gap_id, rung."""

    gap_id: str = pa.Field(description="Gap.")
    block_id: str = pa.Field(description="Block.")
    rung: int = pa.Field(ge=1, description="1 is what the plan wants.")
    sow_from: pd.Timestamp = pa.Field(description="First day of the rung.")
    sow_until: pd.Timestamp = pa.Field(nullable=True, description="Last day of the rung; none for the last one.")
    cover_id: str = pa.Field(description="Cover to be sown then, or 'no_cover'.")
    holds_years: int = pa.Field(ge=0, description="Weather years in which its last date holds.")
    years: int = pa.Field(ge=0, description="Weather years run.")
    below_wanted_odds: bool = pa.Field(description="No date of it keeps the wanted odds.")


class After(Table):
    """One row per gap and cover: what its best option leaves. Key: gap_id, cover_id."""

    gap_id: str = pa.Field(description="Gap.")
    block_id: str = pa.Field(description="Block.")
    cover_id: str = pa.Field(description="Cover.")
    option_id: str = pa.Field(description="Its best option.")
    crop_after: str = pa.Field(nullable=True, description="Next crop; empty if there is none.")
    terminate_by: pd.Timestamp = pa.Field(description="Planned termination, or the first day frost may end it.")
    method: str = pa.Field(description="How to end it, in words.")
    waiting_p10_d: float = pa.Field(ge=0, description="Days to wait, 10 % of years have fewer.")
    waiting_p50_d: float = pa.Field(ge=0, description="Days to wait, median year.")
    waiting_p90_d: float = pa.Field(ge=0, description="Days to wait, 10 % of years have more.")
    waiting_driver: str = pa.Field(description="What sets them in most years: minimum, pests, residue or nitrogen.")
    ready_years: int = pa.Field(ge=0, description="Weather years in which the next crop can be set on its day.")
    years: int = pa.Field(ge=0, description="Weather years run.")
    biomass_p50_kg_ha: float = pa.Field(ge=0, description="Shoot dry matter, median year.")
    carbon_kg_ha: float = pa.Field(ge=0, description="Carbon in it.")
    carbon_to_nitrogen: float = pa.Field(nullable=True, description="Median of the years.")
    nitrogen_p50_kg_ha: float = pa.Field(ge=0, description="Nitrogen in the shoots, median year.")
    nitrogen_fixed_p50_kg_ha: float = pa.Field(ge=0, description="Part of it from the air.")
    nitrogen_season_p50_kg_ha: float = pa.Field(description="Set free over the season, below zero if tied up.")
    tie_up_d: float = pa.Field(
        ge=0, description="Days until tied-up nitrogen is back, median of the years that tie up."
    )
    residue_left_30d_p10_share: float = pa.Field(nullable=True, description="Residue left after a month, low.")
    residue_left_30d_p90_share: float = pa.Field(nullable=True, description="Residue left after a month, high.")
    residue_left_90d_p10_share: float = pa.Field(nullable=True, description="Residue left after three months, low.")
    residue_left_90d_p90_share: float = pa.Field(nullable=True, description="Residue left after three months, high.")
    residue_left_365d_p10_share: float = pa.Field(nullable=True, description="Residue left after a year, low.")
    residue_left_365d_p90_share: float = pa.Field(nullable=True, description="Residue left after a year, high.")
    water_lack_p50_mm: float = pa.Field(ge=0, description="Drier than bare ground at planting, median year.")
    water_lack_p90_mm: float = pa.Field(
        ge=0, description="The same, one year of ten has more: irrigation to make good."
    )
    refilled_years: int = pa.Field(ge=0, description="Weather years in which rain has made that good by planting.")
    leaching_kept_share: float = pa.Field(
        ge=0, le=1, description="Part of the nitrogen lost below bare ground that the cover keeps, where any drains."
    )


class NitrogenByDate(Table):
    """One row per gap, cover and day after planting. Key: gap_id, cover_id, after_planting_d."""

    gap_id: str = pa.Field(description="Gap.")
    cover_id: str = pa.Field(description="Cover.")
    after_planting_d: int = pa.Field(ge=0, description="Days after the next crop is set.")
    release_p10_kg_ha: float = pa.Field(nullable=True, description="Set free by then; 10 % of years have less.")
    release_p50_kg_ha: float = pa.Field(nullable=True, description="Set free by then, median; below zero if tied up.")
    release_p90_kg_ha: float = pa.Field(nullable=True, description="Set free by then; 10 % of years have more.")
    crop_uptake_kg_ha: float = pa.Field(
        nullable=True, description="What the next crop has taken up by then, by its recommendation and an S-curve."
    )


class Suitability(Table):
    """One row per gap, cover, purpose and criterion. Key: gap_id, cover_id, purpose, criterion."""

    gap_id: str = pa.Field(description="Gap.")
    cover_id: str = pa.Field(description="Cover.")
    purpose: str = pa.Field(description="Purpose, or 'all' where the criterion serves every purpose.")
    criterion: str = pa.Field(description="What is rated.")
    kind: str = pa.Field(isin=["gate", "soft"], description="A gate is never traded; a soft limit is weighed.")
    passed: bool = pa.Field(description="False only for a failed gate.")
    membership: float = pa.Field(ge=0, le=1, description="0 to 1; a gate is 0 or 1.")
    weight: float = pa.Field(ge=0, description="Weight in the geometric mean; 0 for a gate.")
    reason: str = pa.Field(description="In words, with the figures compared.")


class Recommendation(Table):
    """One row per gap and cover, no cover among them, ranked. Key: gap_id, cover_id."""

    gap_id: str = pa.Field(description="Gap.")
    block_id: str = pa.Field(description="Block.")
    cover_id: str = pa.Field(description="Cover, or 'no_cover'.")
    rank: int = pa.Field(ge=1, description="1 is best; covers that fail a gate come last.")
    eligible: bool = pa.Field(description="Passes every gate.")
    score: float = pa.Field(ge=0, le=1, description="Suitability over the farm's purposes.")
    suitability_class: str = pa.Field(isin=["S1", "S2", "S3", "N"], description="FAO class.")
    limiting_factor: str = pa.Field(description="What holds it back most, in words.")
    reasons: str = pa.Field(description="What speaks for it, in words.")
    option_id: str = pa.Field(nullable=True, description="Its best option; none for no cover or no sowing date.")
    sow_best: pd.Timestamp = pa.Field(nullable=True, description="Sowing date with the best odds.")
    sow_from: pd.Timestamp = pa.Field(nullable=True, description="First date of the sowing window.")
    sow_until: pd.Timestamp = pa.Field(nullable=True, description="Last date of the sowing window.")
    terminate_from: pd.Timestamp = pa.Field(nullable=True, description="From when ending meets the growth aim.")
    terminate_by: pd.Timestamp = pa.Field(nullable=True, description="By when it has to be ended.")
    ended_by: str = pa.Field(
        isin=["frost", "seed set", "next crop", ""], description="What ends it in most years; empty for no cover."
    )
    holds_years: int = pa.Field(ge=0, description="Weather years in which the best option holds.")
    years: int = pa.Field(ge=0, description="Weather years run.")
    biomass_p50_kg_ha: float = pa.Field(ge=0, description="Median shoot dry matter.")


class Allocation(Table):
    """One row per gap: what goes there. Key: gap_id."""

    gap_id: str = pa.Field(unique=True, description="Gap.")
    block_id: str = pa.Field(description="Block.")
    cover_id: str = pa.Field(description="Cover, or 'no_cover'.")
    option_id: str = pa.Field(nullable=True, description="Option chosen; none for no cover.")


class GapCaution(Table):
    """Cautions that a plan triggers. Key: gap_id, hazard."""

    gap_id: str = pa.Field(description="Gap; empty for a caution that holds on the whole farm.")
    hazard: str = pa.Field(description="What can hurt.")
    caution: str = pa.Field(description="What to know, in words.")
    defers_to: str = pa.Field(description="Who decides: label, law, adviser.")


class SeedNeed(Table):
    """One row per gap and species to be sown. Key: gap_id, species."""

    gap_id: str = pa.Field(description="Gap.")
    block_id: str = pa.Field(description="Block.")
    cover_id: str = pa.Field(description="Cover.")
    species: str = pa.Field(description="Species key.")
    sow_date: pd.Timestamp = pa.Field(description="Best sowing date; order before it.")
    method: str = pa.Field(isin=["drilled", "broadcast"], description="How it is sown.")
    area_sown_m2: float = pa.Field(gt=0, description="Area reckoned on.")
    share_of_sole_rate: float = pa.Field(gt=0, description="1 for a species sown alone.")
    pls_fraction: float = pa.Field(gt=0, le=1, description="Pure live seed of the lot.")
    pls_rate_kg_ha: float = pa.Field(gt=0, description="Pure live seed wanted.")
    bulk_rate_kg_ha: float = pa.Field(gt=0, description="Seed out of the bag.")
    allowance_fraction: float = pa.Field(ge=0, description="Extra for overlap and headlands.")
    depth_mm: float = pa.Field(ge=0, description="Sowing depth.")
    seed_g: int = pa.Field(ge=1, description="Seed to buy for this gap, whole grams.")
    below_wanted_odds: bool = pa.Field(description="Sown although no date keeps the wanted odds.")
    inoculant_group: str = pa.Field(description="Rhizobium group; empty if not a legume.")


class SeedOrder(Table):
    """One row per species and year: the order. Key: species, year."""

    species: str = pa.Field(description="Species key.")
    year: int = pa.Field(description="Year it is sown in.")
    name: str = pa.Field(description="Trade name.")
    blocks: str = pa.Field(description="Blocks it is for.")
    area_sown_m2: float = pa.Field(gt=0, description="Area sown, all gaps.")
    needed_by: pd.Timestamp = pa.Field(description="First sowing date.")
    pls_g: int = pa.Field(ge=1, description="Pure live seed in it, whole grams.")
    seed_g: int = pa.Field(ge=1, description="Seed to buy, whole grams; the sum over gaps.")
    seed_g_below_wanted_odds: int = pa.Field(
        ge=0, description="Part of it for gaps where no date keeps the wanted odds."
    )
    seed_kg: float = pa.Field(gt=0, description="The same in kilograms.")
    seed_lb: float = pa.Field(gt=0, description="The same in pounds.")
    inoculant_group: str = pa.Field(description="Rhizobium group; empty if not a legume.")
    in_stock_kg: float = pa.Field(nullable=True, description="Seed in the shed; empty until it is entered.")
    bag_kg: float = pa.Field(nullable=True, description="Bag size; empty until a quote is entered.")
    bags: float = pa.Field(nullable=True, description="Bags to buy; empty until a quote is entered.")
    price_per_kg: float = pa.Field(nullable=True, description="Price; empty until a quote is entered.")
    cost: float = pa.Field(nullable=True, description="Cost; empty until a quote is entered.")


class Rate(Table):
    """One row per gap that is sown and species: its rate and the stand to expect. Key: gap_id, species."""

    gap_id: str = pa.Field(description="Gap.")
    block_id: str = pa.Field(description="Block.")
    cover_id: str = pa.Field(description="Cover.")
    species: str = pa.Field(description="Species key.")
    method: str = pa.Field(isin=["drilled", "broadcast"], description="How it is sown.")
    sole_rate_kg_ha: float = pa.Field(gt=0, description="Rate alone, good seed, by this method.")
    share_of_sole_rate: float = pa.Field(gt=0, description="1 for a species sown alone.")
    bulk_rate_kg_ha: float = pa.Field(gt=0, description="Seed out of the bag, of this lot.")
    pls_fraction: float = pa.Field(gt=0, le=1, description="Pure live seed of the lot, hard seed counted as alive.")
    hard_seed_fraction: float = pa.Field(ge=0, le=1, description="Of it hard seed, which may come up late or never.")
    seeds_m2: float = pa.Field(gt=0, description="Seeds on a square metre.")
    seeds_ft2: float = pa.Field(gt=0, description="Seeds on a square foot.")
    live_seeds_m2: float = pa.Field(gt=0, description="Live seeds on a square metre.")
    plants_p10_m2: float = pa.Field(ge=0, description="Plants expected, 10 % of weather years have fewer.")
    plants_p50_m2: float = pa.Field(ge=0, description="Plants expected, median year.")
    plants_p90_m2: float = pa.Field(ge=0, description="Plants expected, 10 % of weather years have more.")
    lot_low_share: float = pa.Field(
        nullable=True,
        description="Plants over those expected, at the low end of what its test can know; empty without a tag.",
    )
    lot_high_share: float = pa.Field(nullable=True, description="The same at the high end.")


class OrderLine(Table):
    """One row per seed lot of a species and year: what is taken from the shed, bought, or missing.

    Key: year, species, line. Grams are whole; pure live seed of the lines of a species adds up to what is needed.
    """

    year: int = pa.Field(description="Year it is sown in.")
    species: str = pa.Field(description="Species key.")
    line: int = pa.Field(ge=1, description="Number of the line within the species and year.")
    name: str = pa.Field(description="Trade name.")
    from_where: str = pa.Field(
        isin=["shed", "buy", "no quote", "missing"],
        description="From the shed, to buy, to buy without a quote, or not to be had.",
    )
    supplier: str = pa.Field(description="Supplier; empty where none is known.")
    lot: str = pa.Field(description="Lot in the shed, or product of the supplier.")
    organic: pd.BooleanDtype = pa.Field(nullable=True, description="Organic seed; empty where it is not said.")
    treated: pd.BooleanDtype = pa.Field(nullable=True, description="Treated seed; empty where it is not said.")
    live_seed_g: int = pa.Field(ge=0, description="Pure live seed that this lot gives, without the allowance.")
    allowance_g: int = pa.Field(ge=0, description="Pure live seed on top, for overlap and headlands.")
    pls_fraction: float = pa.Field(gt=0, le=1, description="Pure live seed of the lot.")
    tag_known: bool = pa.Field(description="From its tag; else the figures of an ordinary lot.")
    purity_fraction: float = pa.Field(gt=0, le=1, nullable=True, description="From the tag; empty without one.")
    germination_fraction: float = pa.Field(gt=0, le=1, nullable=True, description="From the tag; empty without one.")
    hard_seed_fraction: float = pa.Field(ge=0, le=1, nullable=True, description="From the tag; empty without one.")
    tested: pd.Timestamp = pa.Field(nullable=True, description="Day of the germination test, as the list says.")
    noxious: str = pa.Field(description="What the tag says of noxious weed seed, as the list says; empty: not entered.")
    seed_g: int = pa.Field(ge=0, description="Seed out of the bag that is used, allowance included.")
    reserve_g: int = pa.Field(ge=0, description="Seed on top, kept for sowing again; 0 unless the farm asks for it.")
    bag_kg: float = pa.Field(nullable=True, description="Seed in a bag; empty for the shed and without a quote.")
    bags: float = pa.Field(nullable=True, description="Whole bags; empty for the shed and without a quote.")
    left_g: int = pa.Field(ge=0, description="What is left of the bags, or of the lot in the shed.")
    left_sows_m2: float = pa.Field(ge=0, description="Area that the rest would sow, at the mean rate of the plan.")
    price_per_bag: float = pa.Field(nullable=True, description="Price of a bag; empty where it is not quoted.")
    cost: float = pa.Field(nullable=True, description="Bags times price; empty where it is not known.")
    reserve_cost: float = pa.Field(nullable=True, description="Of it for bags that only the reserve takes.")
    currency: str = pa.Field(description="Currency of the price list; empty without one.")
    needed_by: pd.Timestamp = pa.Field(description="First sowing date.")
    blocks: str = pa.Field(description="Blocks the species is for, all lots.")
    note: str = pa.Field(description="What to know of this line.")


class LotRate(Table):
    """One row per lot and cover: what the lot is sown at. Key: card, year, species, line, cover_id."""

    card: int = pa.Field(ge=1, description="Number of the lot card; species in one bag have the same.")
    year: int = pa.Field(description="Year of sowing.")
    species: str = pa.Field(description="Species key.")
    line: int = pa.Field(ge=1, description="Line of the order.")
    cover_id: str = pa.Field(description="Cover.")
    method: str = pa.Field(isin=["drilled", "broadcast"], description="How it is sown.")
    depth_mm: float = pa.Field(ge=0, description="Sowing depth.")
    live_rate_kg_ha: float = pa.Field(gt=0, description="Pure live seed that is wanted.")
    rate_kg_ha: float = pa.Field(gt=0, description="Seed out of this bag for it.")
    share_of_sole_rate: float = pa.Field(gt=0, description="1 for a species sown alone.")
    live_weight_share: float = pa.Field(gt=0, le=1.000001, description="Its share of the mix, live seed by weight.")
    seeds_m2: float = pa.Field(gt=0, description="Seeds on a square metre.")
    g_per_100_m2: float = pa.Field(gt=0, description="Seed out of this bag on 100 square metres.")
    sow_date: pd.Timestamp = pa.Field(description="First sowing date.")
    blocks: str = pa.Field(description="Blocks with the cover, all lots.")


class Reserve(Table):
    """One row per species and year that is sown: seed kept for sowing again. Key: year, species."""

    year: int = pa.Field(description="Year of sowing.")
    species: str = pa.Field(description="Species key.")
    reserve_odds: float = pa.Field(gt=0, le=1, description="Share of years in which the reserve is enough.")
    weather_years: int = pa.Field(ge=0, description="Weather years that were run.")
    failed_years: int = pa.Field(ge=0, description="Years of them in which a stand that could be sown again fails.")
    bird_risk_share: float = pa.Field(ge=0, le=1, description="Share of fields that birds or game take besides.")
    live_seed_g: int = pa.Field(ge=0, description="Pure live seed to keep.")
    gaps: str = pa.Field(description="Gaps in which there is time to sow it again.")
    gaps_too_late: str = pa.Field(description="Gaps in which there is not.")


class InoculantLine(Table):
    """One row per inoculant group and year. Key: year, inoculant_group."""

    year: int = pa.Field(description="Year of sowing.")
    inoculant_group: str = pa.Field(description="Rhizobium group.")
    species: str = pa.Field(description="Legumes it is for.")
    seed_kg: float = pa.Field(gt=0, description="Seed to be treated.")
    pack_seed_kg: float = pa.Field(gt=0, description="Seed that one pack treats.")
    packs: int = pa.Field(ge=1, description="Whole packs.")
    pack_known: bool = pa.Field(description="Pack size from the price list; else an ordinary pack.")
    supplier: str = pa.Field(description="Supplier; empty where none is known.")
    price_per_pack: float = pa.Field(nullable=True, description="Price; empty where it is not quoted.")
    cost: float = pa.Field(nullable=True, description="Packs times price; empty where it is not known.")
    needed_by: pd.Timestamp = pa.Field(description="First sowing date.")


class CleanGround(Table):
    """One row per gap and way of leaving it without a cover, and one for the cover it is compared with.

    Key: gap_id, way. All run from the first sowing day to the day before the next crop. Weeds are shares of the
    seedlings that a season would bring; nobody has counted them. What is not reckoned, or not offered, is empty.
    """

    gap_id: str = pa.Field(description="Gap.")
    block_id: str = pa.Field(description="Block.")
    way: str = pa.Field(
        isin=["cover", "harrow", "tarp", "mow", "leave"],
        description="Cover: the one of the plan, or the best that could be; else harrowed shallowly whenever most of a "
        "flush is up, under a tarp, weeds mown before seed, weeds left alone.",
    )
    cover_id: str = pa.Field(description="Cover; empty for the ways without one.")
    offered: bool = pa.Field(description="The farm has what it takes, and the gap the days.")
    why_not: str = pa.Field(description="Why it is not offered, or what limits it; empty if nothing.")
    years: int = pa.Field(ge=0, description="Weather years run.")
    area_m2: float = pa.Field(ge=0, description="Ground of the block on which it can be done.")
    days: int = pa.Field(ge=0, description="Days of the gap that are compared, both ends counted.")
    bare_p10_d: float = pa.Field(nullable=True, description="Days with less than half the ground covered; low.")
    bare_p50_d: float = pa.Field(nullable=True, description="The same, median year.")
    bare_p90_d: float = pa.Field(nullable=True, description="The same; 10 % of years have more.")
    passes_p50: float = pa.Field(nullable=True, description="Passes over the ground, median year.")
    passes_p90: float = pa.Field(nullable=True, description="The same; 10 % of years have more.")
    first_pass: pd.Timestamp = pa.Field(nullable=True, description="Median day of the first pass, or none.")
    weeds_up_p50_share: float = pa.Field(nullable=True, ge=0, le=1, description="Weeds that come up, median year.")
    weeds_up_p90_share: float = pa.Field(nullable=True, ge=0, le=1, description="The same; 10 % of years have more.")
    weeds_standing_p50_share: float = pa.Field(
        nullable=True, ge=0, le=1, description="Weeds alive on the day before the next crop, median year."
    )
    weeds_seeding_p50_share: float = pa.Field(
        nullable=True, ge=0, le=1, description="Weeds with ripe seed by then; under a cover less for their size."
    )
    weeds_seeding_p90_share: float = pa.Field(nullable=True, ge=0, le=1, description="10 % of years have more.")
    seed_free_years: int = pa.Field(ge=0, description="Weather years in which next to none seeds.")
    water_p50_mm: float = pa.Field(
        nullable=True, description="Drier than bare ground before the next crop, median year; below zero wetter."
    )
    water_p90_mm: float = pa.Field(nullable=True, description="The same; 10 % of years are drier.")
    leached_p50_kg_ha: float = pa.Field(
        nullable=True, ge=0, description="Nitrate washed below the next crop's reach, median year."
    )
    leached_p90_kg_ha: float = pa.Field(nullable=True, ge=0, description="The same; 10 % of years have more.")
    nitrate_p50_kg_ha: float = pa.Field(
        nullable=True, ge=0, description="Mineral nitrogen left for the next crop, median year; rough."
    )
    hours: float = pa.Field(nullable=True, ge=0, description="Hours of work, median year.")
    cost: float = pa.Field(nullable=True, ge=0, description="Work, seed and tarp; empty where a price is not known.")
    currency: str = pa.Field(description="Currency of the cost; empty without one.")
    served_share: float = pa.Field(
        nullable=True, ge=0, le=1, description="Weighted share of the farm's purposes that it serves, over the years."
    )
    better: bool = pa.Field(
        description="The one that serves the purposes best; one a gap, none where nothing could be run."
    )
    verdict: str = pa.Field(description="Which is better, the cover or the best way without, and why.")


class Flush(Table):
    """One row per gap and day, by steps: how much of the first flush of weeds is up. Key: gap_id, date."""

    gap_id: str = pa.Field(description="Gap.")
    date: pd.Timestamp = pa.Field(description="Day.")
    after_d: int = pa.Field(ge=0, description="Days since the ground was clean and ready.")
    up_p10_share: float = pa.Field(ge=0, le=1, description="Of the season's seedlings; 10 % of years have less.")
    up_p50_share: float = pa.Field(ge=0, le=1, description="The same, median year.")
    up_p90_share: float = pa.Field(ge=0, le=1, description="The same; 10 % of years have more.")
    up_years: int = pa.Field(ge=0, description="Weather years in which most of the flush is up.")
    killed_years: int = pa.Field(ge=0, description="Years in which the ground was fit for a harrow since then, too.")
    years: int = pa.Field(ge=0, description="Weather years run.")


class StaleSeedbed(Table):
    """One row per gap: when the pass that kills the first flush falls, and what it costs. Key: gap_id."""

    gap_id: str = pa.Field(unique=True, description="Gap.")
    block_id: str = pa.Field(description="Block.")
    cover_id: str = pa.Field(description="Cover that would be sown after it; empty without one.")
    kill_on: pd.Timestamp = pa.Field(
        nullable=True, description="Day by which most of the flush is up and the ground fit, in the wanted odds."
    )
    wait_d: float = pa.Field(nullable=True, ge=0, description="Days of the gap until then.")
    killed_years: int = pa.Field(ge=0, description="Weather years in which it can be done by that day.")
    years: int = pa.Field(ge=0, description="Weather years run.")
    weeds_gone_share: float = pa.Field(
        nullable=True, ge=0, le=1, description="Of the season's seedlings, up and killed by then, median year."
    )
    sow_on: pd.Timestamp = pa.Field(nullable=True, description="First sowing date of the cover from then on.")
    holds_now_years: int = pa.Field(ge=0, description="Years in which the cover holds on the plan's sowing date.")
    holds_then_years: int = pa.Field(ge=0, description="Years in which it holds on the later date.")
    fits: bool = pa.Field(description="There is time for it.")
    sentence: str = pa.Field(description="The same in words.")


class FlowerDates(Table):
    """One row per gap that is sown and species of its cover that flowers. Key: gap_id, species."""

    gap_id: str = pa.Field(description="Gap.")
    block_id: str = pa.Field(description="Block.")
    cover_id: str = pa.Field(description="Cover.")
    species: str = pa.Field(description="Species key.")
    family: str = pa.Field(description="Plant family.")
    first_flower: pd.Timestamp = pa.Field(nullable=True, description="Median first flower of the cover, if it flowers.")
    last_flower: pd.Timestamp = pa.Field(nullable=True, description="Median end of bloom, or of the cover.")
    honey_bees: str = pa.Field(description="Honey bees at its flowers.")
    wild_bees: str = pa.Field(description="Wild bees at its flowers.")
    natural_enemies: str = pa.Field(description="Predators and parasitoids of pests.")
    source: str = pa.Field(description="Where the three come from.")


class Spray(Table):
    """One row per spray that is planned, on the farm or beside it, as the farm typed it. Key: spray."""

    spray: int = pa.Field(unique=True, ge=1, description="Number, by first day.")
    place: str = pa.Field(description="Where it was typed.")
    block_id: str = pa.Field(description="Block that is sprayed; empty where it is a neighbour's ground.")
    neighbour: str = pa.Field(description="Whose ground is sprayed; empty for a block of the farm.")
    distance_m: float = pa.Field(ge=0, nullable=True, description="From that ground to the nearest block, if known.")
    first: pd.Timestamp = pa.Field(description="First day on which it may be sprayed.")
    last: pd.Timestamp = pa.Field(description="Last such day.")
    product: str = pa.Field(description="As on the label; empty where it is not known.")
    label_on_bees: str = pa.Field(description="What the label says of bees, in the farm's words.")
    harms_bees: pd.BooleanDtype = pa.Field(nullable=True, description="As the farm reads the label; empty: not known.")
    call: str = pa.Field(description="Who is to be called before.")
    note: str = pa.Field(description="Remark.")


class SprayConflict(Table):
    """One row per planned spray and cover that may be in flower then, near it."""

    spray: int = pa.Field(ge=1, description="Spray.")
    sprayed: str = pa.Field(description="Block, or whose ground.")
    first: pd.Timestamp = pa.Field(description="First day on which it may be sprayed.")
    last: pd.Timestamp = pa.Field(description="Last such day.")
    product: str = pa.Field(description="As on the label.")
    harms_bees: str = pa.Field(isin=["yes", "no", "not known"], description="As the farm reads the label.")
    gap_id: str = pa.Field(description="Gap of the flowers.")
    block_id: str = pa.Field(description="Block that may be in flower.")
    cover_id: str = pa.Field(description="Cover that flowers.")
    distance_m: float = pa.Field(ge=0, nullable=True, description="Between the two; empty where it is not known.")
    bloom_years: int = pa.Field(ge=1, description="Weather years with flowers open on one of these days.")
    years: int = pa.Field(ge=1, description="Weather years.")
    seen: bool = pa.Field(description="The first flower has been seen, and stands in place of the reckoned one.")
    bloom_first: pd.Timestamp = pa.Field(description="Earliest day in flower of any weather year.")
    bloom_last: pd.Timestamp = pa.Field(description="Latest day in flower of any weather year.")
    end_before: pd.Timestamp = pa.Field(
        nullable=True, description="Ended before it, no block near is in flower in any weather year."
    )
    begin_after: pd.Timestamp = pa.Field(nullable=True, description="The same if begun after it.")
    call: str = pa.Field(description="Who is to be called before.")
    advice: str = pa.Field(description="What to do, in words.")


class KeepWindow(Table):
    """One row per gap whose cover flowers: days on which the bloom can be kept. Key: gap_id."""

    gap_id: str = pa.Field(unique=True, description="Gap.")
    block_id: str = pa.Field(description="Block.")
    cover_id: str = pa.Field(description="Cover.")
    keep_from: pd.Timestamp = pa.Field(description="First flower in the median of the years that flower.")
    keep_until: pd.Timestamp = pa.Field(description="Last day in flower, median year, before mowing.")
    mow_by: pd.Timestamp = pa.Field(description="Latest day of mowing: before viable seed, in time for the next crop.")
    ended_by: str = pa.Field(isin=["frost", "seed set", "next crop"], description="What sets that day.")
    bloom_years: int = pa.Field(ge=1, description="Weather years with flowers before it.")
    years: int = pa.Field(ge=1, description="Weather years.")
    days_p10: float = pa.Field(ge=0, description="Days in flower before it; one year of ten has fewer.")
    days_p50: float = pa.Field(ge=0, description="The same, median year.")
    days_p90: float = pa.Field(ge=0, description="The same; one year of ten has more.")
    early_seed_years: int = pa.Field(ge=0, description="Years in which seed asks for an earlier day than that.")
    early_seed_from: pd.Timestamp = pa.Field(nullable=True, description="The earliest of these days; none if none.")
    seen: bool = pa.Field(description="The first flower has been seen, and stands in place of the reckoned one.")


class Mowing(Table):
    """One row per gap whose cover flowers: the day to mow it so that flowers stand somewhere. Key: gap_id."""

    turn: int = pa.Field(unique=True, ge=1, description="Place in the order of mowing.")
    gap_id: str = pa.Field(unique=True, description="Gap.")
    block_id: str = pa.Field(description="Block.")
    cover_id: str = pa.Field(description="Cover.")
    area_m2: float = pa.Field(gt=0, description="Ground to mow.")
    first_day: pd.Timestamp = pa.Field(description="First day of mowing, where it takes several.")
    mow_on: pd.Timestamp = pa.Field(description="Day of mowing, the last where it takes several.")
    together: pd.Timestamp = pa.Field(description="Day of mowing if it is done in as few goes as can be.")
    mow_from: pd.Timestamp = pa.Field(description="Earliest day of the window.")
    mow_by: pd.Timestamp = pa.Field(description="Latest day of the window.")
    alone_d: float = pa.Field(ge=0, description="Days on which it is the only block in flower, median year.")
    fits: bool = pa.Field(description="The farm can mow it within the window.")


class FlowerStretch(Table):
    """One row per stretch of a season without flowers in most weather years. Key: start."""

    year: int = pa.Field(description="Calendar year.")
    start: pd.Timestamp = pa.Field(description="First day.")
    end: pd.Timestamp = pa.Field(description="Last day.")
    length_d: int = pa.Field(ge=1, description="Days.")
    empty_years: int = pa.Field(ge=0, description="Weather years without a flower on any of these days.")
    years: int = pa.Field(ge=1, description="Weather years.")


class BloomPeriod(Table):
    """One row per year and part of the season: species in flower against the number asked for. Key: year, period."""

    year: int = pa.Field(description="Calendar year.")
    period: str = pa.Field(isin=["spring", "summer", "fall"], description="Part of the season.")
    start: pd.Timestamp = pa.Field(description="First day.")
    end: pd.Timestamp = pa.Field(description="Last day.")
    species: int = pa.Field(ge=0, description="Species of covers in flower in at least half of the weather years.")
    names: str = pa.Field(description="Their keys.")
    wanted: int = pa.Field(ge=1, description="Species asked for.")
    covered_d: float = pa.Field(ge=0, description="Days with flowers on some block, median year.")


class Calibration(Table):
    """One row per cover and box: seed to catch when the drill or spreader is set. Key: year, cover_id, box."""

    year: int = pa.Field(description="Year of sowing.")
    cover_id: str = pa.Field(description="Cover.")
    name: str = pa.Field(description="Trade name.")
    box: int = pa.Field(ge=1, description="Seed box, or pass where there are two.")
    species: str = pa.Field(description="Species in the box.")
    method: str = pa.Field(isin=["drilled", "broadcast"], description="How it is sown.")
    depth_mm: float = pa.Field(ge=0, description="Sowing depth.")
    rate_kg_ha: float = pa.Field(gt=0, description="Seed out of the bag, of the lots of this order.")
    seeds_m2: float = pa.Field(gt=0, description="Seeds on a square metre.")
    g_per_100_m2: float = pa.Field(gt=0, description="Seed on 100 square metres.")
    g_per_hundredth_acre: float = pa.Field(gt=0, description="Seed on a strip of a hundredth of an acre.")
    g_per_100_m_row: float = pa.Field(
        nullable=True, description="Seed from one opener on 100 metres; needs the row spacing."
    )
    g_per_wheel_turns: float = pa.Field(nullable=True, description="Seed from the whole drill in the wheel turns.")
    wheel_turns: float = pa.Field(nullable=True, description="Turns of the drive wheel.")
    strip_m: float = pa.Field(nullable=True, description="Way on which the drill sows a hundredth of an acre.")
    tolerance_fraction: float = pa.Field(gt=0, description="Within it the setting is left.")


class BedSeed(Table):
    """One row per gap and species: grams for sowing a block by hand, in two crosswise halves. Key: gap_id, species."""

    gap_id: str = pa.Field(description="Gap.")
    block_id: str = pa.Field(description="Block.")
    species: str = pa.Field(description="Species key.")
    sow_date: pd.Timestamp = pa.Field(description="Best sowing date.")
    area_sown_m2: float = pa.Field(gt=0, description="Area.")
    seed_g: int = pa.Field(ge=1, description="Seed of the lots of this order, allowance included.")
    half_g: int = pa.Field(ge=0, description="Of it for the first half; the rest goes crosswise.")


class Operation(Table):
    """One row per thing to do or look at in a gap that is sown. Key: operation_id."""

    operation_id: str = pa.Field(
        unique=True, description="Permanent: the same after its dates, or the cover, have changed."
    )
    gap_id: str = pa.Field(description="Gap.")
    block_id: str = pa.Field(description="Block.")
    field: str = pa.Field(description="Field the block lies in.")
    operation: str = pa.Field(
        isin=["make the seedbed", "sow", "count the stand", "flowering", "end the cover", "next crop"],
        description="What it is.",
    )
    start: pd.Timestamp = pa.Field(description="First day.")
    end: pd.Timestamp = pa.Field(description="Last day.")
    cover: str = pa.Field(description="Trade name of the cover.")
    area_sown_m2: float = pa.Field(gt=0, description="Area.")
    seed_g: int = pa.Field(ge=0, description="Seed to load; 0 where none is sown.")
    seed_g_by_species: str = pa.Field(description="The same by species: key and grams; empty where none is sown.")
    method: str = pa.Field(description="How: drilled or broadcast, how the cover is ended.")
    what: str = pa.Field(description="In words, for a calendar or a list on the wall.")


class ListedName(Table):
    """One row per ordered species and name on a list of noxious weeds, or one that says that none was entered.

    Key: species, listed_name. A name that is not found clears nothing.
    """

    species: str = pa.Field(description="Species key.")
    name: str = pa.Field(description="Trade name.")
    listed_name: str = pa.Field(description="Name on the list; empty where no list is entered or nothing matches.")
    list_name: str = pa.Field(description="Which list.")
    question: str = pa.Field(description="What to ask, in words.")


class LabelInterval(Table):
    """One row per gap that is sown and product used on its block. Key: gap_id, product.

    The interval is the one that the farm typed from the label; the strictest component of a mix decides.
    """

    gap_id: str = pa.Field(description="Gap.")
    block_id: str = pa.Field(description="Block.")
    cover_id: str = pa.Field(description="Cover.")
    product: str = pa.Field(description="Product, as the farm writes it.")
    applied: pd.Timestamp = pa.Field(description="Day it was used.")
    strictest: str = pa.Field(description="Species that decides; empty where none is entered.")
    interval_d: float = pa.Field(nullable=True, description="Its interval from the label; empty: not entered.")
    not_before: pd.Timestamp = pa.Field(nullable=True, description="First day that the label allows.")
    verdict: str = pa.Field(description="In words.")


class OpenQuestion(Table):
    """One row per thing the farm has not said, those first whose answer would change most. Key: rank."""

    rank: int = pa.Field(ge=1, description="1 would change most of the plan.")
    question: str = pa.Field(unique=True, description="What to ask.")
    answer_goes_to: str = pa.Field(description="Where the answer is written.")
    answers_tried: str = pa.Field(description="Answers that the farm was planned with; empty if none can be.")
    gaps_changed: int = pa.Field(ge=0, description="Gaps that get another cover with any of these answers.")
    gaps_at_stake: int = pa.Field(ge=0, description="The same; where it cannot be reckoned, gaps that are sown at all.")
    effect: str = pa.Field(description="One of these gaps, or why it matters.")


class History(Table):
    """One row per thing that was done or grew on a block before the calendar. Key: none, rows may repeat."""

    block_id: str = pa.Field(description="Block.")
    date: pd.Timestamp = pa.Field(description="Day, or 1 July where only the year is known.")
    kind: str = pa.Field(isin=["crop", "cover", "herbicide", "manure", "weeds"], description="What kind of thing.")
    what: str = pa.Field(description="Name of crop, product or weed, as the farm writes it.")
    note: str = pa.Field(description="Rate or remark.")


class StandChoice(Table):
    """One row per thing that can be done with a stand as it was found. Key: choice."""

    choice: str = pa.Field(
        unique=True, isin=["keep", "weed once", "resow", "switch", "keep clean"], description="What is done."
    )
    cover_id: str = pa.Field(description="Cover that then stands, or 'no_cover'.")
    on: pd.Timestamp = pa.Field(nullable=True, description="Day from which it can be done; none for keeping.")
    years: int = pa.Field(ge=0, description="Weather years run from here; 0 where it cannot be done.")
    closes_years: int = pa.Field(ge=0, description="Years in which the cover closes before the weeds would.")
    aim_years: int = pa.Field(ge=0, description="Years in which its aim is met before it has to end.")
    wins_years: int = pa.Field(ge=0, description="Years in which both hold.")
    bird_risk_share: float = pa.Field(
        ge=0, le=1, description="Share of fields that birds or game take, of a cover sown again; 0 if it is up."
    )
    odds: float = pa.Field(
        ge=0, le=1, description="Share of the years that win, less what birds take; of bare ground what it is worth."
    )
    low_odds: float = pa.Field(ge=0, le=1, description="The same at the thin end of the count's interval.")
    high_odds: float = pa.Field(ge=0, le=1, description="The same at the dense end.")
    hours: float = pa.Field(nullable=True, ge=0, description="Hours by hand of one person; none where not known.")
    seed_kg: float = pa.Field(nullable=True, ge=0, description="Seed out of the bag; none where none is sown.")
    cost: float = pa.Field(nullable=True, ge=0, description="Seed at the farm's price; none where it is not known.")
    currency: str = pa.Field(description="Currency of the price list; empty without one.")
    last_date: pd.Timestamp = pa.Field(
        nullable=True, description="Last day on which it keeps the wanted odds, of the days run; none if no day does."
    )
    possible: bool = pa.Field(description="Whether it can be done at all.")
    why_not: str = pa.Field(description="Why it cannot; empty if it can.")


class StandTable(Table):
    """One row per cover of weeds and density of the stand: the verdict, worked out beforehand.

    Key: weed_cover_fraction, stand_share.
    """

    gap_id: str = pa.Field(description="Gap.")
    cover_id: str = pa.Field(description="Cover that is sown.")
    look_on: pd.Timestamp = pa.Field(description="Day of the look that it is worked out for.")
    weed_cover_fraction: float = pa.Field(ge=0, le=1, description="Ground under weeds on that day.")
    ordinary_weeds: bool = pa.Field(description="No more weeds than an ordinary bed has by then.")
    stand_share: float = pa.Field(ge=0, description="Plants, of those of a full stand.")
    plants_m2: float = pa.Field(ge=0, description="Plants of all species together.")
    keep_odds: float = pa.Field(ge=0, le=1, description="Odds if it is kept as it is.")
    weed_odds: float = pa.Field(
        ge=0, le=1, description="Odds if it is weeded once, whether the hours are there or not."
    )
    weed_hours: float = pa.Field(ge=0, description="Hours that weeding takes.")
    resow_odds: float = pa.Field(ge=0, le=1, description="Odds of the same cover sown again as soon as it can be.")
    switch_odds: float = pa.Field(ge=0, le=1, description="Odds of the best other cover; 0 if none fits.")
    switch_cover_id: str = pa.Field(description="That cover; empty if none fits.")
    verdict: str = pa.Field(
        isin=["keep", "weed once", "resow", "switch", "keep clean"], description="What is best by these odds."
    )
    toss_with: str = pa.Field(description="What is as good within the margin; empty if nothing is.")


class StandLimit(Table):
    """One row per cover of weeds: the densities at which the verdict turns. Key: weed_cover_fraction."""

    gap_id: str = pa.Field(description="Gap.")
    weed_cover_fraction: float = pa.Field(ge=0, le=1, description="Ground under weeds on the day of the look.")
    enough_m2: float = pa.Field(
        nullable=True, description="Plants from which the stand is kept; none if no stand is dense enough."
    )
    too_few_m2: float = pa.Field(
        nullable=True, description="Plants below which something else is clearly better; none if any stand is kept."
    )
    instead: str = pa.Field(description="What is done with a stand that is thinner; empty if any is kept.")
    weeding_limit_m2: float = pa.Field(
        ge=0, description="Area above which the farm's hours do not suffice to weed it by hand."
    )
    weeding_helps: bool = pa.Field(description="Whether weeding makes some stand worth keeping that else is not.")


class SeasonRecord(Table):
    """One row per thing done or seen, as it was written down; rows are added, never changed. Key: record_id.

    A correction is a row of its own that names the one it replaces, which stays. What each kind of row may fill
    stands in `greengap.farm.season_record.KINDS`; all else is empty.
    """

    record_id: str = pa.Field(unique=True, description="Fingerprint of the row; the same row has the same everywhere.")
    entry_id: str = pa.Field(description="Number that the device gave it.")
    written: str = pa.Field(
        str_matches=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$", description="When it was written down, UTC."
    )
    who: str = pa.Field(description="Who wrote it down; empty if not said.")
    corrects: str = pa.Field(description="record_id of the row that it replaces or strikes; empty for a new one.")
    what: str = pa.Field(description="What was done or seen; one of the kinds.")
    date: pd.Timestamp = pa.Field(description="Day it was done or seen.")
    block_id: str = pa.Field(description="Block it is about; empty for the whole farm.")
    gap_id: str = pa.Field(description="Gap of the plan; empty if none is meant.")
    cover_id: str = pa.Field(description="Cover that was sown or meant; empty if it is not about one.")
    species: str = pa.Field(
        description="Species of a mix that a count, a cut or a lot is about, 'weeds' for weeds that were weighed "
        "apart; empty for the whole stand."
    )
    visit: str = pa.Field(description="Joins the frames of one look at a stand.")
    frame: pd.Int64Dtype = pa.Field(nullable=True, ge=1, description="Number of the frame.")
    frame_area_m2: float = pa.Field(nullable=True, gt=0, description="Ground inside the frame.")
    plants: float = pa.Field(nullable=True, ge=0, description="Plants of the cover in the frame.")
    cover_fraction: float = pa.Field(nullable=True, ge=0, le=1, description="Ground under the cover.")
    height_mm: float = pa.Field(nullable=True, ge=0, description="Height of the cover.")
    weed_plants: float = pa.Field(nullable=True, ge=0, description="Weeds in the frame.")
    weed_cover_fraction: float = pa.Field(nullable=True, ge=0, le=1, description="Ground under weeds.")
    weed_height_mm: float = pa.Field(nullable=True, ge=0, description="Height of the weeds.")
    weed_level: str = pa.Field(
        description="Weeds against the cover by eye: below, level or above; empty if not looked."
    )
    area_m2: float = pa.Field(nullable=True, gt=0, description="Ground that was sown or worked.")
    seed_kg: float = pa.Field(nullable=True, gt=0, description="Seed used.")
    seed_left_kg: float = pa.Field(nullable=True, ge=0, description="Seed left in the box.")
    lot: str = pa.Field(description="Lot on the tag.")
    tag_kept: pd.BooleanDtype = pa.Field(nullable=True, description="The seed tag is kept.")
    method: str = pa.Field(description="How it was sown: drilled or broadcast.")
    depth_mm: float = pa.Field(nullable=True, ge=0, description="Depth the seed lies at.")
    soil_state: str = pa.Field(description="Soil in the hand: crumbly, ball, dry.")
    weather: str = pa.Field(description="Weather of the day, in words.")
    cause: str = pa.Field(description="What took the plants.")
    lost_fraction: float = pa.Field(nullable=True, ge=0, le=1, description="Part of the stand that is gone.")
    fresh_g: float = pa.Field(nullable=True, ge=0, description="Fresh weight cut from the frame.")
    dry_g: float = pa.Field(nullable=True, ge=0, description="Dry weight cut from the frame.")
    nitrogen_fraction: float = pa.Field(
        nullable=True, gt=0, lt=0.1, description="Nitrogen in the dry matter, by a laboratory."
    )
    carbon_to_nitrogen: float = pa.Field(nullable=True, gt=0, description="Carbon to nitrogen, by a laboratory.")
    water_mm: float = pa.Field(nullable=True, ge=0, description="Rain in the own gauge, or water given.")
    hours: float = pa.Field(nullable=True, ge=0, description="Hours of work by one person.")
    tool: str = pa.Field(description="Tool or way: flail, roller, sickle bar, tiller, frost ...")
    seed_seen: pd.BooleanDtype = pa.Field(nullable=True, description="Seed was on the cover when it was ended.")
    days_lost: float = pa.Field(nullable=True, ge=0, description="Days by which the next crop went in late for it.")
    choice: str = pa.Field(description="What was decided, or the verdict on the season.")
    note: str = pa.Field(description="In the grower's words.")


class GapState(Table):
    """One row per gap: how far the season has come there. Key: gap_id. Days are those of the record."""

    gap_id: str = pa.Field(unique=True, description="Gap.")
    block_id: str = pa.Field(description="Block.")
    state: str = pa.Field(
        isin=["past", "ended", "sown", "open", "ahead"],
        description="Over; cover ended; cover stands; could be sown now; not yet begun.",
    )
    cover_id: str = pa.Field(description="Cover that was sown, or that was decided on; empty if neither.")
    decided: str = pa.Field(description="Last decision of the grower in it; empty if none.")
    cleared_on: pd.Timestamp = pa.Field(nullable=True, description="Last day of the crop before, done or expected.")
    sown_on: pd.Timestamp = pa.Field(nullable=True, description="Sown, for the last time if more than once.")
    up_on: pd.Timestamp = pa.Field(nullable=True, description="Half of it up.")
    flower_on: pd.Timestamp = pa.Field(nullable=True, description="First flower.")
    ended_on: pd.Timestamp = pa.Field(nullable=True, description="Ended.")
    ready_on: pd.Timestamp = pa.Field(nullable=True, description="Found fit to plant.")
    planted_on: pd.Timestamp = pa.Field(nullable=True, description="Next crop set, done or expected.")
    rows: int = pa.Field(ge=0, description="Rows of the record that are about it.")


class AsDone(Table):
    """One row per sowing and species, as it was done. Key: gap_id, sowing, species. Empty where nobody has said."""

    gap_id: str = pa.Field(description="Gap; empty if the row fits none.")
    block_id: str = pa.Field(description="Block.")
    sowing: int = pa.Field(ge=1, description="First sowing in the gap, second, ...")
    cover_id: str = pa.Field(description="Cover.")
    species: str = pa.Field(description="Species key; empty for a cover of many whose rows do not say.")
    sown_on: pd.Timestamp = pa.Field(description="Sown.")
    area_m2: float = pa.Field(nullable=True, description="Ground sown, as written down.")
    seed_kg: float = pa.Field(nullable=True, description="Seed used.")
    rate_kg_ha: float = pa.Field(nullable=True, description="True rate: seed used on the ground sown.")
    lot: str = pa.Field(description="Lot.")
    tag_kept: pd.BooleanDtype = pa.Field(nullable=True, description="Seed tag kept.")
    method: str = pa.Field(description="How it was sown.")
    depth_mm: float = pa.Field(nullable=True, description="Depth.")
    sown_by: str = pa.Field(description="Who wrote it down.")
    up_on: pd.Timestamp = pa.Field(nullable=True, description="Half of it up.")
    plants_m2: float = pa.Field(nullable=True, description="Plants on a square metre, mean of the last look's frames.")
    flower_on: pd.Timestamp = pa.Field(nullable=True, description="First flower.")
    dry_kg_ha: float = pa.Field(nullable=True, description="Dry matter, mean of the frames that were weighed dry.")
    ended_on: pd.Timestamp = pa.Field(nullable=True, description="Ended.")
    ended_how: str = pa.Field(description="Tool or way.")
    height_mm: float = pa.Field(nullable=True, description="Height when it was ended.")
    seed_seen: pd.BooleanDtype = pa.Field(nullable=True, description="Seed was on it.")
    ready_on: pd.Timestamp = pa.Field(nullable=True, description="Found fit to plant.")
    planted_on: pd.Timestamp = pa.Field(nullable=True, description="Next crop set.")
    verdict: str = pa.Field(description="How it went.")
    remarks: str = pa.Field(description="What was written beside, joined.")


class Change(Table):
    """One row per thing that today changes in a plan. Key: gap_id, what."""

    gap_id: str = pa.Field(description="Gap.")
    block_id: str = pa.Field(description="Block.")
    what: str = pa.Field(
        isin=["cover", "sowing", "ending", "fit to plant", "gap", "odds"], description="What is another than planned."
    )
    before: str = pa.Field(description="As it was planned.")
    now: str = pa.Field(description="As it is from today.")
    days: float = pa.Field(
        nullable=True, description="Days later than planned; below zero if sooner, empty if no date."
    )
    reason: str = pa.Field(description="Why, in words.")


class SeedChange(Table):
    """One row per species and year whose seed is another than ordered. Key: year, species."""

    year: int = pa.Field(description="Year of sowing.")
    species: str = pa.Field(description="Species key.")
    name: str = pa.Field(description="Trade name.")
    before_g: int = pa.Field(ge=0, description="Seed of the plan as it was.")
    now_g: int = pa.Field(ge=0, description="Seed of the plan from today.")


class FitWeek(Table):
    """One row per block and week ahead: days on which its soil can be worked. Key: block_id, week."""

    block_id: str = pa.Field(description="Block.")
    week: int = pa.Field(ge=1, description="1 begins today.")
    first: pd.Timestamp = pa.Field(description="First day of the week.")
    last: pd.Timestamp = pa.Field(description="Last day of the week.")
    fit_p10_d: float = pa.Field(ge=0, le=7, description="Fit days; one year in ten has fewer.")
    fit_p50_d: float = pa.Field(ge=0, le=7, description="Fit days in the median year.")
    fit_p90_d: float = pa.Field(ge=0, le=7, description="Fit days; one year in ten has more.")
    any_years: int = pa.Field(ge=0, description="Weather years with at least one fit day in it.")
    years: int = pa.Field(ge=0, description="Weather years that could be run.")


class RungAhead(Table):
    """One row per gap to be sown and rung of its ladder that is still open. Key: gap_id, rung."""

    gap_id: str = pa.Field(description="Gap.")
    block_id: str = pa.Field(description="Block.")
    rung: int = pa.Field(ge=1, description="Rung of the ladder; 1 is what the plan wants.")
    cover_id: str = pa.Field(description="Cover to be sown.")
    sow_from: pd.Timestamp = pa.Field(description="First day from today on.")
    sow_until: pd.Timestamp = pa.Field(description="Last day.")
    days_left: int = pa.Field(ge=0, description="Days from today to the last day.")
    fit_p10_d: float = pa.Field(ge=0, description="Days fit to work and warm enough to sow; one year in ten has fewer.")
    fit_p50_d: float = pa.Field(ge=0, description="The same in the median year.")
    fit_p90_d: float = pa.Field(ge=0, description="The same; one year in ten has more.")
    any_years: int = pa.Field(ge=0, description="Weather years with at least one such day before the rung ends.")
    years: int = pa.Field(ge=0, description="Weather years that could be run.")
    next_cover_id: str = pa.Field(description="Cover of the next rung, or 'no_cover'.")


class UpYet(Table):
    """One row per sown gap: when it comes up, and whether it is late. Key: gap_id."""

    gap_id: str = pa.Field(unique=True, description="Gap.")
    block_id: str = pa.Field(description="Block.")
    cover_id: str = pa.Field(description="Cover.")
    sown_on: pd.Timestamp = pa.Field(description="Sown.")
    days: int = pa.Field(ge=0, description="Days since.")
    up_p10: pd.Timestamp = pa.Field(nullable=True, description="Up by then in one year of ten, as of today.")
    up_p50: pd.Timestamp = pa.Field(nullable=True, description="Up by then in half the years.")
    up_p90: pd.Timestamp = pa.Field(
        nullable=True, description="Up by then in nine years of ten: until then it is normal that nothing is up."
    )
    up_years: int = pa.Field(ge=0, description="Weather years in which it comes up.")
    years: int = pa.Field(ge=0, description="Weather years that could be run.")
    up_on: pd.Timestamp = pa.Field(nullable=True, description="Half of it up, as the record says.")
    verdict: str = pa.Field(
        isin=["up", "too soon", "any day", "late", "too dry"],
        description="It is up; nothing can be up yet; may come up now; should be up; seed waits for water.",
    )


class WaterOrWait(Table):
    """One row per sown gap that can be watered and is not up: what a watering today would change. Key: gap_id."""

    gap_id: str = pa.Field(unique=True, description="Gap.")
    block_id: str = pa.Field(description="Block.")
    cover_id: str = pa.Field(description="Cover.")
    sown_on: pd.Timestamp = pa.Field(description="Sown.")
    turn_mm: float = pa.Field(ge=0, description="Water of one watering: what wets the seed zone, as of today.")
    turns: int = pa.Field(ge=0, description="Waterings that bring it up, some days apart; none where it is wet.")
    rain_3d_years: int = pa.Field(ge=0, description="Weather years with rain enough within 3 days.")
    rain_5d_years: int = pa.Field(ge=0, description="The same within 5 days.")
    rain_7d_years: int = pa.Field(ge=0, description="The same within 7 days.")
    rain_10d_years: int = pa.Field(ge=0, description="The same within 10 days.")
    years: int = pa.Field(ge=0, description="Weather years that could be run.")
    up_if_watered: pd.Timestamp = pa.Field(nullable=True, description="Up in half the years if watered today.")
    up_if_waiting: pd.Timestamp = pa.Field(nullable=True, description="Up in half the years if not.")
    stand_if_watered: float = pa.Field(ge=0, le=1, description="Mean stand, of the one aimed at, if watered today.")
    stand_if_waiting: float = pa.Field(ge=0, le=1, description="The same if not.")
    sets: float = pa.Field(nullable=True, description="Sets that the block takes; empty where no set is known.")
    h_per_set: float = pa.Field(nullable=True, description="Hours of one set; empty where the flow is not known.")
    l_per_set: float = pa.Field(nullable=True, description="Water of one set, losses included.")
    saved_m2_per_set: float = pa.Field(description="Ground that one set gives a full stand; below zero if it harms.")
    rank: int = pa.Field(
        ge=1, description="By ground saved for each set, or for the water where a set is not known: 1 is first."
    )
    verdict: str = pa.Field(isin=["water", "wait", "wet"], description="Water now, wait for rain, or wet enough.")


class StandAhead(Table):
    """One row per standing cover: its stages ahead, and the water it has taken. Key: gap_id."""

    gap_id: str = pa.Field(unique=True, description="Gap.")
    block_id: str = pa.Field(description="Block.")
    cover_id: str = pa.Field(description="Cover.")
    sown_on: pd.Timestamp = pa.Field(description="Sown.")
    closes_p10: pd.Timestamp = pa.Field(nullable=True, description="Half the ground covered; a year in ten is sooner.")
    closes_p50: pd.Timestamp = pa.Field(nullable=True, description="The same in the median year.")
    closes_p90: pd.Timestamp = pa.Field(nullable=True, description="The same; a year in ten is later or never.")
    flower_p10: pd.Timestamp = pa.Field(nullable=True, description="First flower; a year in ten is sooner.")
    flower_p50: pd.Timestamp = pa.Field(nullable=True, description="The same in the median year.")
    flower_p90: pd.Timestamp = pa.Field(nullable=True, description="The same; a year in ten is later or never.")
    seed_p10: pd.Timestamp = pa.Field(nullable=True, description="Viable seed; a year in ten is sooner.")
    seed_p50: pd.Timestamp = pa.Field(nullable=True, description="The same in the median year.")
    years: int = pa.Field(ge=0, description="Weather years that could be run.")
    end_by: pd.Timestamp = pa.Field(nullable=True, description="Planned termination.")
    taken_mm: float = pa.Field(
        nullable=True, description="Water taken up to today: by how much the ground is drier than if bare; median year."
    )
    plant_on: pd.Timestamp = pa.Field(nullable=True, description="Day the next crop goes in; empty without one.")
    lack_p50_mm: float = pa.Field(nullable=True, description="Water lacking then against bare ground, median year.")
    lack_p90_mm: float = pa.Field(nullable=True, description="The same; one year in ten lacks more.")
    refilled_years: int = pa.Field(ge=0, description="Weather years in which it is made good by then.")


PARAMETERS = ["emergence", "stand", "flowering", "growth", "loss"]


class Learned(Table):
    """One row per species and number that the farm's own records move. Key: species, parameter."""

    species: str = pa.Field(description="Species.")
    parameter: str = pa.Field(isin=PARAMETERS, description="What moves, see docs/learning.md.")
    unit: str = pa.Field(description="Unit of before, after, low and high.")
    before: float = pa.Field(gt=0, description="Without own records.")
    after: float = pa.Field(gt=0, description="With them.")
    low: float = pa.Field(gt=0, description="Lower end of the 80 % interval of it.")
    high: float = pa.Field(gt=0, description="Upper end of it.")
    records: int = pa.Field(ge=1, description="Own records of the species; the frames of one look are one.")
    years: int = pa.Field(ge=1, description="Years that these are of.")
    record_ids: str = pa.Field(description="Rows of the season record that they are from.")


class LearnedFrom(Table):
    """One row per own record that learning looked at: what it says, and what it moves. Key: record_ids, parameter."""

    record_ids: str = pa.Field(description="Rows of the season record; the frames of one look are one record.")
    species: str = pa.Field(description="Species; empty if none can be named.")
    parameter: str = pa.Field(isin=PARAMETERS, description="What it bears on.")
    block_id: str = pa.Field(description="Block.")
    sown: pd.Timestamp = pa.Field(description="Sowing.")
    date: pd.Timestamp = pa.Field(description="Day it was seen.")
    year: int = pa.Field(description="Year of sowing, whose effect all its records share.")
    observed: float = pa.Field(
        nullable=True, description="Days from sowing, share of the full stand, dry matter (kg/ha), or 1 for lost."
    )
    reckoned: float = pa.Field(nullable=True, description="The same by the catalogue in that year's own weather.")
    residual: float = pa.Field(nullable=True, description="Logarithm of observed over reckoned, on what moves.")
    slope: float = pa.Field(nullable=True, description="Change of the residual where what moves changes by one.")
    weight: float = pa.Field(nullable=True, description="What the shift of its species takes of the residual.")
    surprise: float = pa.Field(
        nullable=True, description="Standard deviations from what all other records let expect; empty for losses."
    )
    used: bool = pa.Field(description="Whether it moves anything.")
    why_not: str = pa.Field(description="Why it does not, or why it was left out.")


class LearnedSkill(Table):
    """One row per parameter: errors in years that were left out, with own records and without. Key: parameter."""

    parameter: str = pa.Field(isin=PARAMETERS, description="What moves.")
    measure: str = pa.Field(description="How errors are measured.")
    records: int = pa.Field(ge=0, description="Records that were left out in turn.")
    years: int = pa.Field(ge=0, description="Years that were left out in turn.")
    before: float = pa.Field(nullable=True, description="Error of the catalogue, every year counted once.")
    after: float = pa.Field(nullable=True, description="Error with what the other years' records say.")
    enough: bool = pa.Field(description="Whether there are enough years to tell.")


class OddsMoved(Table):
    """One row per gap: the plan without own records and with them. Key: gap_id."""

    gap_id: str = pa.Field(unique=True, description="Gap.")
    cover_before: str = pa.Field(description="Cover that was chosen without own records; empty if none fits.")
    holds_before: int = pa.Field(ge=0, description="Weather years in which it holds, without own records.")
    holds_same: int = pa.Field(ge=0, description="The same cover and day, with them.")
    cover_after: str = pa.Field(description="Cover that is chosen with them.")
    holds_after: int = pa.Field(ge=0, description="Weather years in which that one holds, with them.")
    years: int = pa.Field(ge=0, description="Weather years.")


class Observation(Table):
    """One row per measured event or amount of a dated trial that has its weather; many rows a site-year.

    A range has all three figures; of a bound only `low` or only `high` is known.
    """

    site_year: str = pa.Field(description="Place of the weather and year of sowing; the unit that data are split by.")
    place: str = pa.Field(description="Place of the trial.")
    lat: float = pa.Field(ge=-90, le=90, description="Latitude of the trial.")
    lon: float = pa.Field(ge=-180, le=180, description="Longitude of the trial.")
    cover_id: str = pa.Field(description="Species or mix; of the catalogue where it has it.")
    sow_date: pd.Timestamp = pa.Field(description="Sowing.")
    observe_date: pd.Timestamp = pa.Field(description="Day of the event, or the day it was looked at.")
    quantity: str = pa.Field(
        isin=["biomass_kg_ha", "first_flower_d", "emergence_d"],
        description="Shoot dry matter, or days from sowing to the event.",
    )
    value: float = pa.Field(ge=0, nullable=True, description="Best single figure; none where only a bound is known.")
    low: float = pa.Field(ge=0, nullable=True, description="Lower end, if a range or a bound was given.")
    high: float = pa.Field(ge=0, nullable=True, description="Upper end, if a range or a bound was given.")
    irrigated: pd.BooleanDtype = pa.Field(nullable=True, description="Watered; empty where it is not said.")
    source: str = pa.Field(description="File and row it comes from, and what has to be known of it.")
    split: str = pa.Field(isin=["train", "test"], description="Part it belongs to; the same for a whole site-year.")


class Level(Table):
    """One row per measured level without the dates or weather to run it: for level, ranking, shares and weeds."""

    site_year: str = pa.Field(description="Place and year of sowing; the unit that data are split by.")
    place: str = pa.Field(description="Place of the trial.")
    cover_id: str = pa.Field(description="Species or mix; of the catalogue where it has it.")
    component: str = pa.Field(nullable=True, description="Species of a mix; empty for the whole stand.")
    quantity: str = pa.Field(isin=["biomass_kg_ha", "weeds_kg_ha"], description="Shoot dry matter of crop or weeds.")
    value: float = pa.Field(ge=0, description="Measured, or the middle of a published range.")
    low: float = pa.Field(ge=0, nullable=True, description="Lower end of a published range.")
    high: float = pa.Field(ge=0, nullable=True, description="Upper end of a published range.")
    source: str = pa.Field(description="File and row it comes from.")
    split: str = pa.Field(isin=["train", "test"], description="Part it belongs to; the same for a whole site-year.")
