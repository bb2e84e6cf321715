"""Files that can be taken away: one entry a writer of `greengap.output`; the page lists what stands here, and no more.

A writer takes the farm, its plan and a folder and gives the files that it wrote. One that writes files of known names
is offered under them, any other as an archive. The profiles of `greengap export` are among them by themselves.
"""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from greengap.farm_input import Farm
from greengap.plan import Plan

EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest that a zip can say: the same plan gives the same bytes
KINDS = {
    ".html": "text/html", ".geojson": "application/geo+json", ".csv": "text/csv", ".zip": "application/zip",
    ".pdf": "application/pdf", ".gpkg": "application/geopackage+sqlite3", ".ics": "text/calendar",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}  # fmt: skip
EVERYTHING = "everything.zip"
ORDER_FILES = (
    "seed_order.pdf", "seed_order.html", "seed_order.xlsx", "lot_cards.pdf", "lot_cards.html", "lot_rates.csv",
    "drill_calibration.csv", "bed_seed.csv", "seed_search.csv",
)  # fmt: skip


@dataclass(frozen=True)
class Writer:
    """A way out of the plan.

    Attributes
    ----------
    files : tuple of str
        Names that it writes and that are offered one by one; empty if it writes a set that only makes sense together.
    words : str
        What it is, for a person.
    group : str
        "office", "map", "machine" or "table".
    write : callable
        Takes the farm, its plan and a folder.
    archive : str
        Name of the zip where `files` is empty.
    large : bool
        Needs every sowing date and weather year; left out of the archive of everything.
    """

    files: tuple[str, ...]
    words: str
    group: str
    write: Callable[[Farm, Plan, Path], list[Path]]
    archive: str = ""
    large: bool = False

    @property
    def names(self) -> tuple[str, ...]:
        """What is offered."""
        return self.files or (self.archive,)


def _map(_: Farm, plan: Plan, folder: Path) -> list[Path]:
    from greengap.output.map import write_map

    write_map(plan, folder / "map.html")
    return [folder / "map.html"]


def _geojson(_: Farm, plan: Plan, folder: Path) -> list[Path]:
    from greengap.output.geojson import write_geojson

    write_geojson(plan, folder / "plan.geojson")
    return [folder / "plan.geojson"]


def _order(_: Farm, plan: Plan, folder: Path) -> list[Path]:
    from greengap.advice.drill import farm_drill
    from greengap.output.lot_cards import write_cards
    from greengap.output.order import take_order, write_order

    taken = take_order(plan, farm_drill(plan.settings.machinery))
    # Tables that the plan has too come with all the others.
    return [path for path in (*write_order(taken, folder), *write_cards(taken, folder)) if path.name in ORDER_FILES]


def _tables(_: Farm, plan: Plan, folder: Path) -> list[Path]:
    from greengap.output.table import write_tables

    return write_tables(plan, folder)


def _large_tables(_: Farm, plan: Plan, folder: Path) -> list[Path]:
    from greengap.output.table import write_tables

    return write_tables(plan, folder, large=True)


def _without_cover(farm: Farm, plan: Plan, folder: Path, large: bool = False) -> list[Path]:
    from greengap.clean_ground_of import find_without_cover
    from greengap.output.table import write_without_cover

    return write_without_cover(find_without_cover(farm, plan), folder, large)


def _large_without_cover(farm: Farm, plan: Plan, folder: Path) -> list[Path]:
    return _without_cover(farm, plan, folder, large=True)


def _profile(key: str) -> Callable[[Farm, Plan, Path], list[Path]]:
    from greengap.output.export import write_export

    return lambda _, plan, folder: write_export(plan, key, folder)


def writers() -> tuple[Writer, ...]:
    """Every way out, in the order in which they are offered."""
    from greengap.output.export import PROFILES
    from greengap.output.table import LARGE_TABLES, LARGE_WITHOUT_COVER, TABLES, WITHOUT_COVER

    of_profiles = [
        Writer((), f"{p.accepts} ({p.standard})", p.group, _profile(p.key), archive=f"{p.key}.zip")
        for p in PROFILES.values()
        if p.key != "geojson"  # offered by itself
    ]

    return (
        Writer(ORDER_FILES, "the seed order to print or to send, with slips and lot cards", "office", _order),
        Writer(("map.html",), "the map, one page that opens anywhere", "map", _map),
        Writer(("plan.geojson",), "the plan as GeoJSON", "map", _geojson),
        *of_profiles,
        Writer((*(f"{t}.csv" for t in TABLES), "import_report.csv"), "table", "table", _tables),
        Writer(tuple(f"{t}.csv" for t in WITHOUT_COVER), "table", "table", _without_cover),
        Writer(tuple(f"{t}.csv" for t in LARGE_TABLES), "table by sowing date or weather year, large", "table",
               _large_tables, large=True),
        Writer(tuple(f"{t}.csv" for t in LARGE_WITHOUT_COVER), "table by sowing date or weather year, large", "table",
               _large_without_cover, large=True),
    )  # fmt: skip


def writer_of(name: str) -> Writer | None:
    """The writer that offers a name."""
    return next((w for w in writers() if name in w.names), None)


def written(some: Iterable[Writer], farm: Farm, plan: Plan) -> dict[str, bytes]:
    """What writers write, by name relative to their folder."""
    with tempfile.TemporaryDirectory(prefix="greengap-out-") as held:
        folder = Path(held)
        paths = [path for writer in some for path in writer.write(farm, plan, folder)]
        return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}


def zipped(files: dict[str, bytes]) -> bytes:
    """Files as an archive, always the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in sorted(files.items()):
            packed.writestr(zipfile.ZipInfo(name, EPOCH), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def export(name: str, farm: Farm, plan: Plan) -> bytes | None:
    """The content of an offered file.

    Parameters
    ----------
    name : str
        One of the names of `writers`, or `EVERYTHING`.
    farm : Farm
    plan : Plan
        Of that farm, with every sowing date and weather year where the writer is large.

    Returns
    -------
    bytes or None
        None where this plan has no such file, as the record of a search where no organic seed is asked for.
    """
    if name == EVERYTHING:
        return zipped(written((w for w in writers() if w.files and not w.large), farm, plan))
    writer = writer_of(name)
    assert writer is not None, "names are looked up first"
    files = written([writer], farm, plan)
    return files.get(name) if writer.files else zipped(files)
