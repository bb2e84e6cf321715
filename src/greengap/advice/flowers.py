"""Who visits the flowers of a plan, and how many plant families a year holds."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from greengap.catalogue import Catalogue
from greengap.process.bloom import FLOWERS_THAT_FEED, VISITORS
from greengap.tables import Allocation, DataFrame, FlowerDates, Odds

LITTLE = ("none", "little")


def flower_dates(
    allocation: DataFrame[Allocation], odds: DataFrame[Odds], catalogue: Catalogue
) -> DataFrame[FlowerDates]:
    """Bloom of every cover that is sown, with its visitors by group.

    Parameters
    ----------
    allocation : DataFrame[Allocation]
    odds : DataFrame[Odds]
        For the median dates of bloom; they are those of the cover, its first flower and its last.
    catalogue : Catalogue

    Returns
    -------
    DataFrame[FlowerDates]
        One row a species, in the order of the gaps.
    """
    dates = odds.set_index("option_id")[["first_flower", "last_flower"]]
    rows = []
    for chosen in allocation[allocation["option_id"].notna()].itertuples():
        first, last = dates.loc[chosen.option_id]
        for component in catalogue.covers[chosen.cover_id].components:
            s = catalogue.species[component.species]
            feeds = s.text("flower_value") in FLOWERS_THAT_FEED
            sources = [s.values[v].source for v in VISITORS if s.has(v)]
            rows.append(
                {
                    "gap_id": chosen.gap_id,
                    "block_id": chosen.block_id,
                    "cover_id": chosen.cover_id,
                    "species": s.key,
                    "family": s.family,
                    "first_flower": first if feeds else pd.NaT,
                    "last_flower": last if feeds else pd.NaT,
                    **{v: s.text(v) for v in VISITORS},
                    "source": "; ".join(catalogue.cite(x) for x in dict.fromkeys(sources)),
                }
            )
    return FlowerDates.validate(pd.DataFrame(rows, columns=list(FlowerDates.to_schema().columns)))


def families_by_year(
    allocation: DataFrame[Allocation], options: pd.DataFrame, flowers: DataFrame[FlowerDates]
) -> dict[int, tuple[set[str], set[str]]]:
    """Families sown and families in flower, by the year of sowing and of flower."""
    out: dict[int, tuple[set[str], set[str]]] = {}
    sow = options.set_index("option_id")["sow_date"]
    option = dict(zip(allocation["gap_id"], allocation["option_id"], strict=True))
    for row in flowers.itertuples():
        out.setdefault(sow[option[row.gap_id]].year, (set(), set()))[0].add(row.family)
        if pd.notna(row.first_flower):
            out.setdefault(row.first_flower.year, (set(), set()))[1].add(row.family)
    return dict(sorted(out.items()))


def visitors_in_words(row: pd.Series) -> str:
    """Groups that come in numbers, in words, and those of which nobody has said whether they come."""
    come = [words for column, words in VISITORS.items() if row[column] and not row[column].startswith(LITTLE)]
    unknown = [words for column, words in VISITORS.items() if not row[column]]
    if len(unknown) == len(VISITORS):
        return "which insects come is not known"
    words = ", ".join(come) if come else "few insects"
    return f"{words}; not known for {', '.join(unknown)}" if unknown else words


def flower_lines(
    allocation: DataFrame[Allocation], options: pd.DataFrame, flowers: DataFrame[FlowerDates], catalogue: Catalogue
) -> Iterator[str]:
    """Families and bloom by year, in plain lines."""
    years = families_by_year(allocation, options, flowers)
    for year, (grown, blooming) in years.items():
        yield (
            f"{year}: {len(grown)} plant {'family' if len(grown) == 1 else 'families'} sown "
            f"({', '.join(sorted(grown)) or 'none'}), {len(blooming)} in flower"
        )
        rows = flowers[flowers["first_flower"].dt.year == year].sort_values(["first_flower", "gap_id"], kind="stable")
        for _, row in rows.iterrows():
            yield (
                f"  {row['first_flower']:%d %b} to {row['last_flower']:%d %b}  "
                f"{catalogue.species[row['species']].name} on {row['block_id']}: {visitors_in_words(row)}"
            )
