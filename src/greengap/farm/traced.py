"""A boundary that was walked or driven: a GPX track made into an outline, with what was done to it reported."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import pyogrio
import shapely
from pyproj import Geod
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.farm.fields import geodesic_area_m2
from greengap.farm.outlines import mended
from greengap.safe_files import check_size, check_xml

WGS84 = Geod(ellps="WGS84")
CLOSE_M = 20.0  # ends farther apart than this are no closed walk
SMOOTH_M = 0.5  # a hand-held receiver does not know a corner better
SMALLEST_M2 = 25.0
SAME_GROUND = 0.5  # of the smaller of two outlines, from which they are meant to be the same ground
REMEDY = "Walk the whole edge until you are back where you began, and save that as a track"


def read_traced(path: Path, shown: str, report: ImportReport) -> list[tuple[str, Polygon]]:
    """Outlines of the tracks (or routes) of a GPX file.

    Parameters
    ----------
    path : Path
    shown : str
        Name of the file as the user knows it.
    report : ImportReport
        Receives counts and what was done to each track.

    Returns
    -------
    list of (name, Polygon)
        WGS84; a track that does not close, or encloses nothing, is reported and left out.

    Raises
    ------
    InputProblem
        If it cannot be read, or no track can be used.
    """
    check_size(path, shown)
    check_xml(path, shown)
    found: list[tuple[str, np.ndarray]] = []
    try:
        layers = {str(name) for name, _ in pyogrio.list_layers(path)}
        for layer in ("tracks", "routes"):
            if layer not in layers:
                continue
            for row in pyogrio.read_dataframe(path, layer=layer).itertuples():
                for line in shapely.get_parts(row.geometry):
                    found.append((str(getattr(row, "name", "") or ""), shapely.get_coordinates(line)))
    except Exception as error:  # the GIS library raises many kinds on a damaged file
        raise InputProblem(shown, "", "is not a GPX file that can be read", REMEDY) from error
    if not found:
        raise InputProblem(shown, "", "holds no track", REMEDY)
    made = []
    for number, (name, places) in enumerate(found, 1):
        where = f"track {number}" + (f" ({name})" if name else "")
        outline = _outline(places, shown, where, report)
        if outline is not None:
            made.append((name, outline))
    report.count(shown, len(found), len(made))
    if not made:
        raise InputProblem(shown, "", "holds no track that encloses ground", REMEDY)
    return made


def _outline(places: np.ndarray, shown: str, where: str, report: ImportReport) -> Polygon | None:
    if len(places) < 4:
        report.note(shown, where, Fate.SKIPPED, f"has {len(places)} points")
        return None
    (first_lon, first_lat), (last_lon, last_lat) = places[0], places[-1]
    open_m = WGS84.inv(first_lon, first_lat, last_lon, last_lat)[2]
    if open_m > CLOSE_M:
        report.note(shown, where, Fate.SKIPPED, f"its ends lie {open_m:.0f} m apart, so it goes round nothing")
        return None
    north = 111_132.0
    scale = np.array([111_320.0 * np.cos(np.radians(first_lat)), north])
    plane = Polygon((places - places[0]) * scale)
    smooth = shapely.simplify(plane, SMOOTH_M)
    parts = [p for p in shapely.get_parts(smooth if smooth.is_valid else mended(smooth)) if isinstance(p, Polygon)]
    outline = max(parts, key=lambda p: p.area, default=None)
    if outline is None or outline.area < SMALLEST_M2:
        report.note(shown, where, Fate.SKIPPED, "encloses no ground")
        return None
    back = shapely.orient_polygons(shapely.transform(Polygon(outline.exterior), lambda c: c / scale + places[0]))
    lost = sum(p.area for p in parts) - outline.area
    told = f"{len(places)} points became {len(back.exterior.coords) - 1} corners; ends {open_m:.1f} m apart were joined"
    if lost > 1:
        told += f"; loops of {lost:.0f} m² where it crosses itself were left out"
    report.note(shown, where, Fate.REPAIRED, f"{told}; {geodesic_area_m2(back) / 10_000:.3f} ha")
    return back


def compared(walked: Polygon, drawn: Mapping[str, BaseGeometry]) -> Iterator[str]:
    """How a walked edge differs from blocks that were drawn on the same ground.

    Parameters
    ----------
    walked : Polygon
        WGS84.
    drawn : mapping of block to Polygon or MultiPolygon
        WGS84.

    Yields
    ------
    str
        A sentence for each block that has at least half of the smaller of the two in common with it: the ground that
        only one of them has (geodesic), and how far the two edges lie apart at most, in a plane around the farm.
    """
    lon, lat = walked.centroid.x, walked.centroid.y
    scale = np.array([111_320.0 * np.cos(np.radians(lat)), 111_132.0])

    def plane(outline: BaseGeometry) -> BaseGeometry:
        return shapely.transform(outline, lambda c: (c - (lon, lat)) * scale)

    for block, outline in drawn.items():
        common = _area_m2(walked.intersection(outline))
        smaller = min(_area_m2(walked), _area_m2(outline))
        if common < SAME_GROUND * smaller or smaller == 0:
            continue
        more, less = (_area_m2(a.difference(b)) for a, b in ((walked, outline), (outline, walked)))
        apart = shapely.hausdorff_distance(plane(walked).boundary, plane(outline).boundary, densify=0.05)
        yield (
            f"against {block} as it was drawn: {more:.0f} m² walked lie outside it, {less:.0f} m² of it were not "
            f"walked round; the edges are {apart:.1f} m apart at most"
        )


def _area_m2(ground: BaseGeometry) -> float:
    """Geodesic area of whatever an overlay has left: lines and points have none [m2]."""
    return sum(geodesic_area_m2(part) for part in shapely.get_parts(ground) if isinstance(part, Polygon))
