"""Makes the rough outlines of the start page's map: land and borders at 1:110 million, to find a place on.

Run: python docs/make_land.py countries-110m.json. The file is of the npm package world-atlas 2.0.2 (ISC), which carries
Natural Earth 4.1 (public domain) as TopoJSON; its SHA-256 is compared first. Only the result stands in the project.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections import Counter
from itertools import chain
from pathlib import Path

import numpy as np
import shapely

SHA256 = "2516c915867c7baf18ddec727aec46c315541a07cfb3d79a6559b05d5e94eee8"
OUT = Path(__file__).parents[1] / "src" / "greengap" / "web" / "static" / "land.json"
COARSE_DEG = 0.05
ORIGIN = (
    "Natural Earth 4.1, 1:110 million, made with Natural Earth, public domain (naturalearthdata.com), by way of "
    "world-atlas 2.0.2 (Michael Bostock, ISC); simplified to 0.05 degrees. Borders as drawn there; no claim is made."
)


def arcs_of(topology: dict) -> list[np.ndarray]:
    """Every arc in degrees: whole numbers, each the step from the one before (TopoJSON, quantised)."""
    scale, shift = (np.array(topology["transform"][key]) for key in ("scale", "translate"))
    return [np.cumsum(np.array(arc), axis=0) * scale + shift for arc in topology["arcs"]]


def rings_of(geometry: dict) -> list[list[list[int]]]:
    """Polygons of rings of arc numbers."""
    return geometry["arcs"] if geometry["type"] == "MultiPolygon" else [geometry["arcs"]]


def one_way(ring: np.ndarray) -> np.ndarray:
    """The ring without its leaps from 180 to -180 degrees; one around a pole is closed along it."""
    leaps = np.diff(ring[:, 0])
    turns = np.cumsum(np.where(leaps > 180, -360, np.where(leaps < -180, 360, 0)))
    ring = ring + np.column_stack([np.concatenate([[0], turns]), np.zeros(len(ring))])
    if ring[0, 0] == ring[-1, 0]:
        return ring
    pole = np.copysign(90.0, ring[0, 1])
    return np.concatenate([ring, [[ring[-1, 0], pole], [ring[0, 0], pole], ring[0]]])


def within_the_map(shape: shapely.Geometry) -> list[shapely.Polygon]:
    """Pieces between 180 degrees west and east."""
    whole, found = shapely.box(-180, -90, 180, 90), []
    for turn in (-360, 0, 360):
        part = shapely.intersection(shapely.transform(shape, lambda xy, by=turn: xy + np.array([by, 0])), whole)
        found += [piece for piece in shapely.get_parts(part) if piece.geom_type == "Polygon" and not piece.is_empty]
    return found


def main(path: Path) -> None:
    """Read, check, simplify, write."""
    raw = path.read_bytes()
    if hashlib.sha256(raw).hexdigest() != SHA256:
        sys.exit(f"{path.name} is not the file of world-atlas 2.0.2")
    topology = json.loads(raw)
    arcs = arcs_of(topology)

    def line(numbers: list[int]) -> np.ndarray:
        parts = [arcs[n] if n >= 0 else arcs[~n][::-1] for n in numbers]
        return np.concatenate([parts[0], *(p[1:] for p in parts[1:])])

    land = [
        piece
        for geometry in topology["objects"]["land"]["geometries"]
        for rings in rings_of(geometry)
        for piece in within_the_map(
            shapely.make_valid(shapely.Polygon(one_way(line(rings[0])), [one_way(line(r)) for r in rings[1:]]))
        )
    ]
    used = Counter(
        n if n >= 0 else ~n
        for country in topology["objects"]["countries"]["geometries"]
        for rings in rings_of(country)
        for n in chain.from_iterable(rings)
    )
    borders = [shapely.LineString(arcs[n]) for n, times in sorted(used.items()) if times > 1]
    features = []
    for kind, shapes in (("land", shapely.MultiPolygon(land)), ("borders", shapely.MultiLineString(borders))):
        plain = shapely.transform(shapely.simplify(shapes, COARSE_DEG), lambda xy: xy.round(2))
        geometry = json.loads(shapely.to_geojson(plain))
        features.append({"type": "Feature", "properties": {"kind": kind}, "geometry": geometry})
    told = {"type": "FeatureCollection", "origin": ORIGIN, "features": features}
    OUT.write_text(json.dumps(told, separators=(",", ":")) + "\n", encoding="utf-8")
    print(f"{OUT.name}: {len(land)} pieces of land, {len(borders)} borders, {OUT.stat().st_size:,} bytes")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
