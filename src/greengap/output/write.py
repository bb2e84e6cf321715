"""Writes everything a plan hands over into one folder."""

from __future__ import annotations

from pathlib import Path

from greengap.clean_ground_of import WithoutCover
from greengap.output.geojson import write_geojson
from greengap.output.map import write_map
from greengap.output.table import write_tables, write_without_cover
from greengap.plan import Plan


def write_plan(
    plan: Plan, folder: Path, base_map: bool = False, all_tables: bool = False, without: WithoutCover | None = None
) -> list[Path]:
    """Write map, GeoJSON and tables; the seed order is one of the tables.

    Parameters
    ----------
    plan : Plan
    folder : Path
    base_map : bool
        Put a street map from the internet under the map.
    all_tables : bool
        Also the tables by sowing date and by weather year.
    without : WithoutCover, optional
        The gaps without a cover, as tables of their own.

    Returns
    -------
    list of Path
        Files written, each whole.
    """
    map_file, plan_file = folder / "map.html", folder / "plan.geojson"
    write_map(plan, map_file, base_map=base_map)
    write_geojson(plan, plan_file)
    written = [map_file, plan_file, *write_tables(plan, folder, large=all_tables)]
    return written if without is None else [*written, *write_without_cover(without, folder, large=all_tables)]
