"""What is to be sown where, as one list that every file for machine, office and paper is made of.

Each file is read again after it is written and has to give the grams of the seed order, species by species.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd
from shapely.geometry import MultiPolygon, Polygon

from greengap.advice.drill import bed_seed, lot_pls_by_year, seed_boxes
from greengap.advice.seeding import seeds_per_m2
from greengap.errors import Mismatch
from greengap.output.passes import Passes, find_passes, plane_of
from greengap.plan import Plan

FARM_IDS = uuid.uuid5(uuid.NAMESPACE_URL, "urn:greengap:farm")  # below it every farm, block and job has its own
NOTHING = "Nothing was handed over; please report this with the farm file"
Grams = dict[tuple[int, str], int]  # by year and species


@dataclass(frozen=True)
class Seed:
    """Seed of one species in a job; the rate is that of the lot, out of the bag and without the allowance."""

    species: str
    name: str
    box: int
    rate_kg_ha: float
    seeds_m2: float
    seed_weight_g: float  # of a thousand
    depth_mm: float
    grams: int


@dataclass(frozen=True)
class Job:
    """One sowing: a cover in a gap of a block.

    Attributes
    ----------
    uid, block_uid : str
        Permanent: the same after the cover or a date has changed.
    row : namedtuple
        Its recommendation: dates, odds, reasons.
    allowance_fraction : float
        Seed on top of rate times area, for overlap and headlands.
    """

    number: int
    uid: str
    block_uid: str
    gap_id: str
    block_id: str
    field: str
    cover_id: str
    cover: str
    year: int
    method: str
    outline: Polygon | MultiPolygon
    area_m2: float
    allowance_fraction: float
    seeds: tuple[Seed, ...]
    row: Any
    passes: Passes | None

    @property
    def grams(self) -> int:
        """Seed to load, all species [g]."""
        return sum(s.grams for s in self.seeds)

    @property
    def rate_kg_ha(self) -> float:
        """Seed out of the bag, all species [kg/ha]."""
        return sum(s.rate_kg_ha for s in self.seeds)

    @property
    def parts(self) -> list[Polygon]:
        """The outline, piece by piece."""
        return list(self.outline.geoms) if isinstance(self.outline, MultiPolygon) else [self.outline]

    @cached_property
    def boxes(self) -> dict[int, list[Seed]]:
        """Seed by box of the drill."""
        return {n: [s for s in self.seeds if s.box == n] for n in sorted({s.box for s in self.seeds})}

    @property
    def sow_from(self) -> pd.Timestamp:
        """First day of the window; the best day where no date keeps the wanted odds."""
        return self.row.sow_best if pd.isna(self.row.sow_from) else self.row.sow_from

    @property
    def sow_until(self) -> pd.Timestamp:
        """Last day of the window."""
        return self.row.sow_best if pd.isna(self.row.sow_until) else self.row.sow_until


def permanent_id(*names: str) -> str:
    """An identifier that depends on names alone (RFC 4122, version 5)."""
    return str(uuid.uuid5(FARM_IDS, "\x1f".join(names)))


def list_jobs(plan: Plan, year: int | None = None) -> list[Job]:
    """Every sowing of a plan, by date and block.

    Parameters
    ----------
    plan : Plan
    year : int, optional
        One year of sowing only.

    Returns
    -------
    list of Job
        Its grams add up to the seed order to the gram.
    """
    need = plan.seed_need if year is None else plan.seed_need[plan.seed_need["sow_date"].dt.year == year]
    if need.empty:
        return []
    catalogue, farm = plan.catalogue, plan.metadata["farm"]
    blocks = plan.blocks.set_index("block_id")
    chosen = plan.allocation.merge(plan.recommendation, on=["gap_id", "block_id", "cover_id", "option_id"])
    rows = {r.gap_id: r for r in chosen.itertuples()}
    grams = seed_grams(plan)
    pls = lot_pls_by_year(plan.order_lines) if len(plan.order_lines) else {}
    plane = plane_of(plan.blocks.total_bounds)
    keys = _gap_keys(plan)
    driven: dict[str, Passes | None] = {}
    jobs = []
    dated = need.sort_values(["sow_date", "block_id"], kind="stable")
    for number, (gap_id, some) in enumerate(dated.groupby("gap_id", sort=False), start=1):
        first = some.iloc[0]
        block_id, cover = first["block_id"], catalogue.covers[first["cover_id"]]
        box_of = {s: n for n, species in seed_boxes(cover, catalogue).items() for s in species}
        if block_id not in driven:
            outline = blocks.loc[block_id, "geometry"]
            driven[block_id] = find_passes(block_id, outline, plan.settings.machinery, plane)
        seeds = []
        for r in some.itertuples():
            rate = r.pls_rate_kg_ha / pls.get((r.sow_date.year, r.species), r.pls_fraction)
            weight = catalogue.species[r.species].number("seed_weight")
            seeds.append(
                Seed(
                    r.species, catalogue.species[r.species].name, box_of[r.species], rate, seeds_per_m2(rate, weight),
                    weight, r.depth_mm, grams[str(gap_id), r.species],
                )
            )  # fmt: skip
        jobs.append(
            Job(
                number, permanent_id(farm, *keys[str(gap_id)]), permanent_id(farm, block_id), str(gap_id), block_id,
                blocks.loc[block_id, "field"], cover.key, cover.name, int(first["sow_date"].year), first["method"],
                blocks.loc[block_id, "geometry"], float(first["area_sown_m2"]), float(first["allowance_fraction"]),
                tuple(seeds), rows[str(gap_id)], driven[block_id],
            )
        )  # fmt: skip
    return jobs


def seed_grams(plan: Plan) -> dict[tuple[str, str], int]:
    """Seed of each gap and species, of the lots that are ordered, allowance included [g]."""
    table = bed_seed(plan.seed_need, plan.order_lines) if len(plan.order_lines) else plan.seed_need
    return {(r.gap_id, r.species): int(r.seed_g) for r in table.itertuples()}


def _gap_keys(plan: Plan) -> dict[str, tuple[str, str, str]]:
    """What names a gap for good: block, season and year, and which of such it is; not its cover or its days."""
    seen: dict[tuple[str, str], int] = {}
    keys = {}
    for gap in plan.gaps.itertuples():
        season = f"{gap.season} {gap.start.year}"
        seen[gap.block_id, season] = number = seen.get((gap.block_id, season), 0) + 1
        keys[gap.gap_id] = (gap.block_id, season, str(number))
    return keys


def order_grams(plan: Plan, year: int | None = None) -> Grams:
    """What the seed order says, by year and species [g]."""
    if len(plan.order_lines):
        table = plan.order_lines
        years = table["year"]
    else:
        table, years = plan.seed_need, plan.seed_need["sow_date"].dt.year
    sums = table.groupby([years, table["species"]])["seed_g"].sum()
    return {(int(y), str(s)): int(g) for (y, s), g in sums.items() if year is None or y == year}


def reconcile(file: str, found: Mapping[tuple[int, str], int], wanted: Mapping[tuple[int, str], int]) -> None:
    """Stop where a file does not hold the grams of the order.

    Parameters
    ----------
    file : str
        As it is named to the user.
    found, wanted : mapping of (year, species) to grams
        What the file gives when it is read again; what the order says.

    Raises
    ------
    Mismatch
        Names the first species that differs.
    """
    for year, species in sorted({*found, *wanted}):
        here, there = found.get((year, species), 0), wanted.get((year, species), 0)
        if here != there:
            what = f"read again, it holds {here:,} g of {species} for {year}, and the seed order {there:,} g"
            raise Mismatch(file, "", what, NOTHING)


def seed_text(job: Job) -> str:
    """Grams by species in one cell, as `grams_of` reads them.

    Examples
    --------
    >>> grams_of("field_pea 1234; oat 567")
    {'field_pea': 1234, 'oat': 567}
    """
    return "; ".join(f"{s.species} {s.grams}" for s in job.seeds)


def grams_of(text: str) -> dict[str, int]:
    """Grams by species from such a cell."""
    return {species: int(grams) for species, grams in (part.split() for part in text.split("; "))}
