"""Rate maps as shapefiles, in the form that simple controllers take: one sowing a file, flat in a zip.

Cautious on purpose: plain polygons of one part in WGS84, short upper-case names, numbers without units in them, no
empty numbers, few corners, small files.
"""

from __future__ import annotations

import struct
import tempfile
from collections.abc import Sequence
from pathlib import Path

import geopandas as gpd
import pandas as pd
import shapely
from shapely.geometry import Polygon

from greengap.advice.drill import share_out
from greengap.errors import InputProblem
from greengap.farm.outlines import geodesic_area_m2
from greengap.output.isoxml import machine_name, zipped
from greengap.output.jobs import Grams, Job, reconcile
from greengap.output.table import to_csv
from greengap.plan import Plan
from greengap.units import LB_AC_KG_HA

MOST_ZONES, MOST_BYTES, MOST_CORNERS = 100, 250_000, 1000  # what the manuals of simple controllers name
SMOOTH_DEG = 0.1 / 111_132  # 0.1 m, by which an outline with too many corners may move
WRITTEN = "2000-01-01"  # in place of the day of writing: same input, same bytes
MEMBERS = ("shp", "shx", "dbf", "prj", "cpg")


def rate_maps(plan: Plan, jobs: Sequence[Job], wanted: Grams) -> dict[str, bytes]:
    """A zip for each sowing, and a list of them.

    Parameters
    ----------
    plan : Plan
    jobs : sequence of Job
    wanted : dict
        Grams of the order by year and species.

    Returns
    -------
    dict of str to bytes
        `rate_maps.csv` says which file is which; the unit of the rate stands in the name and in each record.

    Raises
    ------
    Mismatch
        If the files do not hold the seed of the order when they are read again.
    """
    us = plan.settings.units == "us"
    columns = _gram_columns(jobs)
    files: dict[str, bytes] = {}
    found: Grams = {}
    listed = []
    for job in jobs:
        stem = f"S{job.number:03d}{'LBAC' if us else 'KGHA'}"
        layer = _zones(job, us, columns)
        with tempfile.TemporaryDirectory() as own:
            path = Path(own) / f"{stem}.shp"
            _write(layer, path)
            for name, grams in _read(path, columns, job).items():
                found[job.year, name] = found.get((job.year, name), 0) + grams
            files[f"{stem}.zip"] = zipped(
                {f"{stem}.{end}": path.with_suffix(f".{end}").read_bytes() for end in MEMBERS}
            )
        listed.append(
            {
                "file": f"{stem}.zip", "gap_id": job.gap_id, "cover": job.cover, "sow_best": job.row.sow_best,
                "rate": layer["RATE"].iloc[0], "unit": layer["UNIT"].iloc[0], "records": len(layer),
                "seed_g": job.grams,
            }
        )  # fmt: skip
    reconcile("rate maps", found, wanted)
    return {"rate_maps.csv": to_csv(pd.DataFrame(listed)).encode("utf-8")} | files


def _gram_columns(jobs: Sequence[Job]) -> dict[str, str]:
    """A column of grams for each species: at most ten letters, none twice."""
    taken: set[str] = set()
    out = {}
    for species in dict.fromkeys(s.species for j in jobs for s in j.seeds):
        short = "".join(c for c in species.upper() if c.isascii() and c.isalnum())[:8]
        name, number = f"G_{short}", 1
        while name in taken:
            number += 1
            name = f"G_{short[:7]}{number}"
        taken.add(name)
        out[species] = name
    return out


def _zones(job: Job, us: bool, columns: dict[str, str]) -> gpd.GeoDataFrame:
    """One record for each part of the block; rate and depth are the first numbers."""
    factor = 1 / LB_AC_KG_HA if us else 1.0
    boxes = [sum(s.rate_kg_ha for s in seeds) * factor for seeds in job.boxes.values()]
    parts = [_few_corners(p, job) for p in job.parts]
    if len(parts) > MOST_ZONES:
        what = f"has {len(parts)} parts, more than the {MOST_ZONES} that simple controllers take"
        raise InputProblem("--for rate-shapefile", job.block_id, what, "Take a task-data profile, or split the block")
    areas = [geodesic_area_m2(p) for p in job.parts]
    shares = {s.species: share_out(s.grams, areas) for s in job.seeds}
    rows = []
    for index, area in enumerate(areas):
        row: dict[str, object] = {
            "RATE": round(boxes[0], 3),
            "DEPTH_MM": round(job.seeds[0].depth_mm, 1),
            "AREA_HA": round(area / 10_000, 4),
            "ZONE": index + 1,
            "SEED_G": sum(g[index] for g in shares.values()),
        }
        row |= {f"RATE_{n}": round(rate, 3) for n, rate in enumerate(boxes[1:], start=2)}
        row |= {columns[species]: grams[index] for species, grams in shares.items()}
        row["UNIT"] = "lb/ac" if us else "kg/ha"
        row["PRODUCT"] = machine_name(" + ".join(s.name for s in job.seeds), set(), ascii_only=True)
        row["FIELD"] = machine_name(job.block_id, set(), ascii_only=True)
        rows.append(row)
    return gpd.GeoDataFrame(rows, geometry=parts, crs="EPSG:4326")


def _few_corners(part: Polygon, job: Job) -> Polygon:
    """The outline, smoothed by a hand's breadth where it has more corners than a controller takes."""
    if shapely.get_num_coordinates(part) <= MOST_CORNERS:
        return part
    smooth = shapely.simplify(part, SMOOTH_DEG, preserve_topology=True)
    if shapely.get_num_coordinates(smooth) > MOST_CORNERS:
        what = f"has more than {MOST_CORNERS:,} corners even when it is smoothed by 0.1 m"
        raise InputProblem("--for rate-shapefile", job.block_id, what, "Simplify it in a GIS")
    return smooth


def _write(layer: gpd.GeoDataFrame, path: Path) -> None:
    import pyogrio

    pyogrio.write_dataframe(
        layer, path, driver="ESRI Shapefile", geometry_type="Polygon", ENCODING="UTF-8", DBF_DATE_LAST_UPDATE=WRITTEN
    )
    if path.stat().st_size > MOST_BYTES:
        what = f"makes a shapefile of {path.stat().st_size / 1000:.0f} kB; simple controllers take {MOST_BYTES // 1000}"
        raise InputProblem("--for rate-shapefile", str(layer["FIELD"].iloc[0]), what, "Simplify it in a GIS")


def _read(path: Path, columns: dict[str, str], job: Job) -> dict[str, int]:
    """Grams by species, from the table that was written, byte by byte: GDAL wrote it, GDAL does not judge it."""
    raw = path.with_suffix(".dbf").read_bytes()
    count, head, width = struct.unpack("<IHH", raw[4:12])
    fields, at = {}, 1
    for start in range(32, head - 1, 32):
        name = raw[start : start + 11].split(b"\0")[0].decode("ascii")
        size = raw[start + 16]
        fields[name] = (at, at + size)
        at += size
    out = {}
    for seed in job.seeds:
        low, high = fields[columns[seed.species]]
        out[seed.species] = sum(int(raw[head + i * width :][low:high]) for i in range(count))
    return out
