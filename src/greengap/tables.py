"""The typed tables that pass between stages: the one place where a column is named.

Every column carries its unit in its name; dates are timestamps at midnight; fractions are 0 to 1.
"""

from __future__ import annotations

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


class Block(Table):
    """One row per block: the unit that carries one crop at a time. Key: block_id. CRS: WGS84."""

    block_id: str = pa.Field(unique=True, description="Name of the block as the farm uses it.")
    field: str = pa.Field(description="Field the block lies in; the block itself if it is a whole field.")
    area_gross_m2: float = pa.Field(gt=0, description="Geodesic area of the outline on WGS84.")
    area_sown_m2: float = pa.Field(gt=0, description="Area that seed is reckoned on.")
    geometry: GeoSeries = pa.Field(description="Polygon or multipolygon, WGS84, longitude first.")


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
        ge=0, description="Irrigation that would keep the seed zone moist until it is up."
    )
    half_cover_d: float = pa.Field(nullable=True, description="Days until half the ground is covered; none if never.")
    first_flower_d: float = pa.Field(nullable=True, description="Days to first flower; none if not before the end.")
    bloom_d: float = pa.Field(ge=0, description="Days in flower before the end.")
    viable_seed_d: float = pa.Field(
        nullable=True, description="Days to viable seed of the first component; none if not in the gap."
    )
    frost_kill_d: float = pa.Field(
        nullable=True, description="Days to the frost that kills the last component; none if spared."
    )
    planned_end_d: float = pa.Field(ge=0, description="Days to the planned termination, the same in every year.")
    growth_end_d: float = pa.Field(ge=0, description="Days to the end of growth: seed margin, frost kill or gap end.")
    aim_d: float = pa.Field(nullable=True, description="Days until the growth aim is reached; none if never.")
    biomass_kg_ha: float = pa.Field(ge=0, description="Shoot dry matter at the end of growth.")
    nitrogen_kg_ha: float = pa.Field(ge=0, description="Nitrogen in that shoot dry matter.")
    nitrogen_fixed_kg_ha: float = pa.Field(ge=0, description="Part of it fixed from the air.")
    weed_share: float = pa.Field(
        ge=0, le=1, description="Share of the canopy that is weeds' in the end; 1 if it never closes."
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
    holds: bool = pa.Field(
        description="Soil warm, frost spared, and the aim met before growth has to end, seed margin included."
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
        nullable=True, description="Median date of first flower, if half the years flower."
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


class SeasonRecord(Table):
    """One row per thing done or seen in the field, as it was written down. Key: record_id."""

    record_id: str = pa.Field(unique=True, description="Number of the entry.")
    block_id: str = pa.Field(description="Block it is about.")
    gap_id: str = pa.Field(nullable=True, description="Gap of the plan; empty if none was meant.")
    date: pd.Timestamp = pa.Field(description="Day it was done or seen.")
    what: str = pa.Field(description="What was done or seen: sown, up, flower, ended, ready ...")
    cover_id: str = pa.Field(nullable=True, description="Cover; empty if it is not about one.")
    value: float = pa.Field(nullable=True, description="Amount, if there is one.")
    unit: str = pa.Field(nullable=True, description="Unit of the amount.")
    who: str = pa.Field(nullable=True, description="Who wrote it down.")
    note: str = pa.Field(nullable=True, description="In the grower's words.")


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
