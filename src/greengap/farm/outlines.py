"""The outlines of blocks: faults mended, doubles, overlaps and strips found; every fix but the smallest is offered.

Areas are geodesic on WGS84. A fix that could change how much seed is bought is made only where the farm
names the block under ``[repairs]``; otherwise the report says what it would do.
"""

from __future__ import annotations

import re
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS, Geod
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from greengap.errors import Fate, ImportReport
from greengap.farm.settings import Repairs
from greengap.polygon_file import UNCLOSED, polygons_of

WGS84 = Geod(ellps="WGS84")

# Limits of what passes as a repair, a double or an overlap; geometry, not agronomy.
REPAIR_SHARE = 0.001
REPAIR_M2 = 50.0
DUPLICATE_SHARE = 0.02  # of the union, by which two outlines of one block may differ
WITHIN_SHARE = 0.95  # of the smaller, from which it counts as lying inside the larger
OVERLAP_SHARE = 0.005  # of the smaller, from which an overlap is reported
THIN_M = 0.5  # area over perimeter, half the mean width of a strip
TINY_M2 = 50.0
# What can be mended in reasonable time: corners of one outline, and crossings of its edges.
MOST_CORNERS, MOST_CROSSINGS = 100_000, 5_000
PROBES = 200  # edges whose crossings are counted to estimate those of all
REDRAW = "Redraw it in a GIS or on paper with the corners in walking order"


def geodesic_area_m2(geometry: Polygon | MultiPolygon, geod: Geod = WGS84) -> float:
    """Area of a polygon on the ellipsoid, holes taken off, whichever way its rings are drawn.

    Parameters
    ----------
    geometry : Polygon or MultiPolygon
        Longitude and latitude [°].
    geod : Geod
        Ellipsoid.

    Returns
    -------
    float
        Area; edges are geodesics [m²].

    References
    ----------
    .. [1] C. F. F. Karney, "Algorithms for geodesics", J. Geodesy, vol. 87, pp. 43-55, 2013.

    Examples
    --------
    >>> round(geodesic_area_m2(shapely.box(-76.5, 42.44, -76.498, 42.4415)), 3)
    27418.302
    """

    def ring_m2(ring: BaseGeometry) -> float:
        lon, lat = np.asarray(ring.coords)[:, :2].T
        return abs(geod.polygon_area_perimeter(lon, lat)[0])

    parts = [p for p in polygons_of(geometry) if not p.is_empty]
    return float(sum(ring_m2(p.exterior) - sum(ring_m2(hole) for hole in p.interiors) for p in parts))


def clean_outlines(
    frame: gpd.GeoDataFrame,
    shown: str,
    rows: list[str],
    names: list[str],
    report: ImportReport,
    repairs: Repairs,
    accept_all: bool = False,
) -> list[Polygon | MultiPolygon | None]:
    """One clean outline a row, or None where the row is reported and not used.

    Parameters
    ----------
    frame : GeoDataFrame
        With a CRS.
    shown : str
        Name of the file as the user knows it.
    rows, names : list of str
        How each row is called in messages, and its block.
    report : ImportReport
    repairs : Repairs
        What the farm accepts.
    accept_all : bool
        Use every outline that can be mended.
    """
    geometries = frame.geometry.values
    heights = int(np.sum(shapely.has_z(geometries)))
    if heights:
        report.assume(f"{shown}: heights of {heights} outlines are left out; areas are those of the map.")
    out: list[Polygon | MultiPolygon | None] = []
    unclosed = set(frame.attrs.get(UNCLOSED, ()))
    for i, (place, name, geometry) in enumerate(zip(rows, names, shapely.force_2d(geometries), strict=True)):
        reason = "is left out, as farm.toml says" if name in repairs.leave_out else _no_outline(geometry)
        if reason:
            report.note(shown, place, Fate.SKIPPED, reason)
            out.append(None)
            continue
        accepted = accept_all or name in repairs.accept
        if i in unclosed:
            area = f"{geodesic_area_m2(gpd.GeoSeries([geometry], crs=frame.crs).to_crs(4326).iloc[0]):,.0f} m²"
            what = "the outline is not closed, its last corner differs from the first; "
            if not accepted:
                what += f"closed with a straight line it would hold {area}. {REDRAW}, or accept the closed one"
                report.note(shown, place, Fate.REVIEW, what, offer="accept")
                out.append(None)
                continue
            report.note(shown, place, Fate.REPAIRED, f"{what}closed with a straight line, {area}, as told")
        out.append(_outline(geometry, frame.crs, shown, place, report, accepted))
    return out


def _no_outline(geometry: BaseGeometry | None) -> str:
    if geometry is None:
        return "has no geometry"
    if geometry.is_empty:
        return "its geometry is empty"
    if not any(True for _ in polygons_of(geometry)):
        return f"is a {geometry.geom_type.lower()}, not a polygon"
    if not np.isfinite(shapely.get_coordinates(geometry)).all():
        return "has a coordinate that is not a number"
    corners = shapely.get_num_coordinates(geometry)
    if corners > MOST_CORNERS:
        return f"has {corners:,} corners, more than {MOST_CORNERS:,}; simplify it in a GIS"
    return ""


def _outline(
    geometry: BaseGeometry, crs: CRS, shown: str, place: str, report: ImportReport, accepted: bool
) -> Polygon | MultiPolygon | None:
    parts = list(polygons_of(geometry))
    drawn = parts[0] if len(parts) == 1 else MultiPolygon(parts)
    drawn = shapely.remove_repeated_points(drawn)
    if geometry.geom_type == "GeometryCollection":
        report.note(shown, place, Fate.REPAIRED, "points and lines beside the polygon are left out")
    outline: Polygon | MultiPolygon | None = drawn
    fate = Fate.USED
    if not drawn.is_valid:
        outline, fate = _repaired(drawn, crs, shown, place, report, accepted)
    if outline is None:
        return None
    if fate is Fate.USED and outline.geom_type == "MultiPolygon":
        report.note(shown, place, Fate.USED, f"has {len(outline.geoms)} parts, planned as one block")
    return outline


def mended(drawn: Polygon | MultiPolygon) -> Polygon | MultiPolygon:
    """Make each part valid and unite them, so that ground drawn twice counts once."""
    fixed = [shapely.make_valid(p, method="structure", keep_collapsed=False) for p in polygons_of(drawn)]
    united = shapely.union_all([part for g in fixed for part in polygons_of(g)])
    return united if isinstance(united, (Polygon, MultiPolygon)) else MultiPolygon(list(polygons_of(united)))


def _even_odd(drawn: Polygon | MultiPolygon) -> BaseGeometry:
    """Ground that lies inside an odd number of rings, however each ring is drawn."""
    rings = [ring for part in polygons_of(drawn) for ring in (part.exterior, *part.interiors)]
    ground: BaseGeometry = Polygon()
    for ring in rings:
        ground = shapely.symmetric_difference(ground, shapely.make_valid(Polygon(ring), method="linework"))
    return ground


def _repaired(
    drawn: Polygon | MultiPolygon, crs: CRS, shown: str, place: str, report: ImportReport, accepted: bool
) -> tuple[Polygon | MultiPolygon | None, Fate]:
    """Repair an outline and decide whether the repair is small enough to be used unasked."""

    def area_m2(geometry: BaseGeometry) -> float:
        polygons = MultiPolygon(list(polygons_of(geometry)))
        return geodesic_area_m2(gpd.GeoSeries([polygons], crs=crs).to_crs(4326).iloc[0])

    where = _crossing(drawn, crs)
    if _crossings(drawn) > MOST_CROSSINGS:
        report.note(shown, place, Fate.REVIEW, f"the outline crosses itself thousands of times{where}. {REDRAW}")
        return None, Fate.REVIEW
    outline = mended(drawn)
    if outline.is_empty:
        report.note(shown, place, Fate.SKIPPED, "its outline encloses no ground")
        return None, Fate.SKIPPED
    # Loops at a corner leave crumbs that nobody drew as a part.
    sizes = [area_m2(p) for p in polygons_of(outline)]
    crumb_m2 = min(REPAIR_M2, REPAIR_SHARE * sum(sizes))
    whole = [p for p, size in zip(polygons_of(outline), sizes, strict=True) if size >= crumb_m2]
    outline = whole[0] if len(whole) == 1 else MultiPolygon(whole)
    before = area_m2(_even_odd(drawn))
    after = area_m2(outline)
    change = abs(after - before)
    parts_before, parts_after = len(list(polygons_of(drawn))), len(whole)
    small = change <= REPAIR_M2 and change <= REPAIR_SHARE * before and parts_before == parts_after
    areas: dict[str, Any] = {"area_before_m2": before, "area_after_m2": after}
    if small or accepted:
        report.note(shown, place, Fate.REPAIRED, f"the outline crosses or touches itself{where}; repaired", **areas)
        return outline, Fate.REPAIRED
    effect = f"mending it would give {after:,.0f} instead of {before:,.0f} m²"
    if parts_before != parts_after:
        effect = (
            f"mended, it would fall into another number of parts ({parts_after} for {parts_before}), {after:,.0f} m²"
        )
    what = f"the outline crosses itself{where}; {effect}. {REDRAW}, or accept the mended one"
    report.note(shown, place, Fate.REVIEW, what, offer="accept", **areas)
    return None, Fate.REVIEW


def _crossings(drawn: BaseGeometry) -> float:
    """About how often edges cross, from some of them; mending takes time and memory with that number."""
    lines = []
    for part in polygons_of(drawn):
        for ring in (part.exterior, *part.interiors):
            corners = shapely.get_coordinates(ring)
            lines.append(np.stack([corners[:-1], corners[1:]], axis=1))
    edges = shapely.linestrings(np.concatenate(lines))
    probe = edges[:: max(len(edges) // PROBES, 1)]
    met = shapely.STRtree(edges).query(probe, predicate="crosses")
    return met.shape[1] / len(probe) * len(edges) / 2


def _crossing(drawn: BaseGeometry, crs: CRS) -> str:
    """Where the first fault lies that GEOS names, in words."""
    found = re.search(r"\[(\S+) (\S+)\]", shapely.is_valid_reason(drawn))
    if not found:
        return ""
    point = gpd.GeoSeries.from_xy([float(found[1])], [float(found[2])], crs=crs).to_crs(4326).iloc[0]
    return f" near {position(point.x, point.y)}"


def without_doubles(blocks: gpd.GeoDataFrame, shown: str, report: ImportReport, repairs: Repairs) -> gpd.GeoDataFrame:
    """Set the second of two equal outlines aside; cut the overlaps that the farm names; report the others.

    Parameters
    ----------
    blocks : GeoDataFrame
        Columns block_id and row, WGS84.
    shown : str
        Name of the file as the user knows it.
    report : ImportReport
        Takes doubles, overlaps, strips and specks, with the fix that is offered.
    repairs : Repairs
        What the farm accepts.
    """
    west, south, east, north = blocks.total_bounds
    lon_0, lat_0 = round((west + east) / 2, 2), round((south + north) / 2, 2)
    local = f"+proj=laea +lon_0={lon_0} +lat_0={lat_0} +datum=WGS84 +units=m"
    flat = blocks.geometry.to_crs(local).values
    pairs = shapely.STRtree(flat).query(flat, predicate="intersects").T
    rows, names, area = blocks["row"].tolist(), blocks["block_id"].tolist(), shapely.area(flat)
    aside: set[int] = set()
    overlaps = []
    for j, i in sorted((int(b), int(a)) for a, b in pairs if a < b):  # i stands before j in the file
        if i in aside or j in aside:
            continue
        shared = shapely.intersection(flat[i], flat[j])
        union = area[i] + area[j] - shared.area
        if union - shared.area < DUPLICATE_SHARE * union:
            what = f"has the same outline as {names[i]}. Delete one of the two"
            report.note(shown, rows[j], Fate.REVIEW, what, offer="leave_out")
            aside.add(j)
        elif shared.length > 0 and shared.area / shared.length >= THIN_M:
            overlaps.append((i, j, shared.area))
    cut: dict[int, list[int]] = {}
    for i, j, shared_m2 in overlaps:
        if i in aside or j in aside:
            continue
        small, large = (i, j) if area[i] < area[j] else (j, i)
        giving = next((one for one in (small, large) if names[one] in repairs.cut_overlap), None)
        if giving is not None:
            cut.setdefault(giving, []).append(large if giving == small else small)
            continue
        share = shared_m2 / area[small]
        if share >= WITHIN_SHARE:
            what = f"lies inside {names[large]}; where both are planned, that ground is counted twice"
            what += f". Leave one of the two out, or cut it from {names[large]}"
        elif share >= OVERLAP_SHARE:
            what = f"overlaps {names[large]} by {shared_m2:,.0f} m² ({share:.1%}), ground that is counted twice"
            what += ". Cut it from one of the two"
        else:
            continue
        report.note(shown, rows[small], Fate.USED, what, offer="cut_overlap")
    thin = area / np.maximum(shapely.length(flat), 1e-9)
    for i in range(len(blocks)):
        if i not in aside and (thin[i] < THIN_M or area[i] < TINY_M2):
            what = f"is very narrow, about {2 * thin[i]:.1f} m wide" if thin[i] < THIN_M else "is very small"
            what += f" ({area[i]:,.1f} m²); it may be left over from drawing"
            report.note(shown, rows[i], Fate.USED, what, offer="leave_out")
    outlines = blocks.geometry.tolist()
    for giving, taking in sorted(cut.items()):
        outlines[giving] = _cut(
            outlines[giving], [outlines[k] for k in taking], names[giving], shown, rows, giving, report
        )
        if outlines[giving].is_empty:
            aside.add(giving)
    out = blocks.set_geometry(gpd.GeoSeries(outlines, index=blocks.index, crs=blocks.crs))
    return out[[i not in aside for i in range(len(blocks))]].reset_index(drop=True)


def _cut(outline: Any, others: list[Any], name: str, shown: str, rows: list[str], at: int, report: ImportReport) -> Any:
    """An outline without the ground that it shares with others; reported with its area before and after."""
    left = shapely.difference(outline, shapely.union_all(others))
    parts = [p for p in polygons_of(left) if geodesic_area_m2(p) >= 1.0]  # what rounding leaves is no ground
    cut = parts[0] if len(parts) == 1 else MultiPolygon(parts)
    areas: dict[str, Any] = {"area_before_m2": geodesic_area_m2(outline), "area_after_m2": geodesic_area_m2(cut)}
    if cut.is_empty:
        what = f"nothing is left of {name} once its overlap is cut off, as farm.toml says"
        report.note(shown, rows[at], Fate.SKIPPED, what, **areas)
        return cut
    report.note(
        shown, rows[at], Fate.REPAIRED, "the ground it shares with others is cut off, as farm.toml says", **areas
    )
    return shapely.orient_polygons(cut)


def position(lon: float, lat: float, digits: int = 4) -> str:
    """A place in words, as on a map: 42.4430 N, 76.5010 W."""
    return f"{abs(lat):.{digits}f} {'N' if lat >= 0 else 'S'}, {abs(lon):.{digits}f} {'E' if lon >= 0 else 'W'}"
