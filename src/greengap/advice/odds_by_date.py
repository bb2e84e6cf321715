"""What the weather years say of each sowing date of a cover: counts, ranges, and the year behind each count."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pandera.pandas as pa

from greengap.tables import DataFrame, Option, Season, Table

# Percentiles of dry matter over the weather years.
FAN = (10, 25, 50, 75, 90)


class DateOdds(Table):
    """One row per sowing date of a cover in a gap: counts of weather years, range of dry matter. Key: option_id."""

    option_id: str = pa.Field(unique=True, description="Option.")
    gap_id: str = pa.Field(description="Gap.")
    sow_date: pd.Timestamp = pa.Field(description="Sowing date in the year of the plan.")
    years: int = pa.Field(ge=0, description="Weather years that could be run.")
    established_years: int = pa.Field(ge=0, description="Years with a stand that does not count as failed.")
    flowered_years: int = pa.Field(ge=0, description="Years with a flower before the end of growth.")
    aim_years: int = pa.Field(ge=0, description="Years in which the growth aim is reached.")
    frost_killed_years: int = pa.Field(ge=0, description="Years with a killing frost before the growth aim.")
    holds_years: int = pa.Field(ge=0, description="Years in which all of it holds.")
    biomass_p10_kg_ha: float = pa.Field(ge=0, description="Shoot dry matter at the end, 10 % of years have less.")
    biomass_p25_kg_ha: float = pa.Field(ge=0, description="Shoot dry matter at the end, a quarter have less.")
    biomass_p50_kg_ha: float = pa.Field(ge=0, description="Shoot dry matter at the end, median year.")
    biomass_p75_kg_ha: float = pa.Field(ge=0, description="Shoot dry matter at the end, a quarter have more.")
    biomass_p90_kg_ha: float = pa.Field(ge=0, description="Shoot dry matter at the end, 10 % of years have more.")


class YearDates(Table):
    """One row per sowing date and weather year, with dates of the plan's year. Key: option_id, weather_year."""

    option_id: str = pa.Field(description="Option.")
    gap_id: str = pa.Field(description="Gap.")
    sow_date: pd.Timestamp = pa.Field(description="Sowing date in the year of the plan.")
    weather_year: int = pa.Field(description="Year of the weather in which the gap's first sowing date falls.")
    emergence: pd.Timestamp = pa.Field(nullable=True, description="The slowest component is up; none if never.")
    half_cover: pd.Timestamp = pa.Field(nullable=True, description="Half the ground covered; none if never.")
    first_flower: pd.Timestamp = pa.Field(nullable=True, description="First flower; none if not before the end.")
    viable_seed: pd.Timestamp = pa.Field(nullable=True, description="First viable seed; none if not in the gap.")
    frost_kill: pd.Timestamp = pa.Field(nullable=True, description="Frost kills the last component; none if spared.")
    terminate_by: pd.Timestamp = pa.Field(
        description="Latest termination: the seed margin before viable seed, or what the next crop allows."
    )
    biomass_kg_ha: float = pa.Field(ge=0, description="Shoot dry matter at the end of growth.")
    holds: bool = pa.Field(description="Soil warm, stand up, frost spared, aim met.")


def odds_by_date(options: DataFrame[Option], season: DataFrame[Season]) -> DataFrame[DateOdds]:
    """Counts and ranges for each sowing date.

    Parameters
    ----------
    options : DataFrame[Option]
        Sowing dates of one cover.
    season : DataFrame[Season]

    Returns
    -------
    DataFrame[DateOdds]
        In the order of `options`; a date without a usable weather year counts zero.
    """
    facts = pd.DataFrame(
        {
            "option_id": season["option_id"],
            "established_years": season["established"],
            "flowered_years": season["first_flower_d"].notna(),
            "aim_years": season["aim_met"],
            "frost_killed_years": ~season["frost_spared"].astype(bool),
            "holds_years": season["holds"],
        }
    )
    grouped = facts.groupby("option_id", sort=False)
    counts = grouped.sum()
    counts.insert(0, "years", grouped.size())
    by_option = season.groupby("option_id", sort=False)["biomass_kg_ha"]
    mass = pd.DataFrame({f"biomass_p{p}_kg_ha": by_option.quantile(p / 100) for p in FAN})
    table = options.set_index("option_id")[["gap_id", "sow_date"]].join(counts).join(mass)
    numbers = table.columns.difference(["gap_id", "sow_date"])
    table[numbers] = table[numbers].astype(float).fillna(0)
    return DateOdds.validate(table.reset_index())


def dates_by_year(options: DataFrame[Option], season: DataFrame[Season], seed_margin_d: float) -> DataFrame[YearDates]:
    """What happens when, in each weather year, written as dates of the plan's year.

    Parameters
    ----------
    options : DataFrame[Option]
        Sowing dates of one cover.
    season : DataFrame[Season]
    seed_margin_d : float
        Days before viable seed by which the cover has to be ended [d].

    Returns
    -------
    DataFrame[YearDates]
    """
    table = season.merge(options[["option_id", "gap_id", "sow_date", "terminate_by"]], on="option_id", validate="m:1")

    def date(days: pd.Series) -> pd.Series:
        return table["sow_date"] + pd.to_timedelta(np.floor(days), unit="D")

    before_seed = date(table["viable_seed_d"] - seed_margin_d)
    # Seed that comes within the margin after the gap has no date; growth has then ended in time for it.
    near = before_seed.isna() & ~table["seed_safe"].astype(bool)
    before_seed = before_seed.where(~near, date(table["growth_end_d"]))
    latest = table["terminate_by"].where(before_seed.isna() | (before_seed > table["terminate_by"]), before_seed)
    return YearDates.validate(
        pd.DataFrame(
            {
                "option_id": table["option_id"],
                "gap_id": table["gap_id"],
                "sow_date": table["sow_date"],
                "weather_year": table["weather_year"],
                "emergence": date(table["emergence_d"]),
                "half_cover": date(table["half_cover_d"]),
                "first_flower": date(table["first_flower_d"]),
                "viable_seed": date(table["viable_seed_d"]),
                "frost_kill": date(table["frost_kill_d"]),
                "terminate_by": latest,
                "biomass_kg_ha": table["biomass_kg_ha"],
                "holds": table["holds"],
            }
        )
    )


def worth_showing(dates: pd.DataFrame, best: str, margin: int = 3) -> pd.DataFrame:
    """Sowing dates from the first to the last that is the best or reaches the aim in any year, and some around them.

    Parameters
    ----------
    dates : DataFrame of DateOdds
    best : str
        Option of the best date.
    margin : int
        Dates more on each side.

    Returns
    -------
    DataFrame
        All of `dates` if none reaches the aim.
    """
    if not dates["aim_years"].any():
        return dates
    shown = np.flatnonzero((dates["aim_years"] > 0) | (dates["option_id"] == best))
    return dates.iloc[max(shown[0] - margin, 0) : shown[-1] + margin + 1]
