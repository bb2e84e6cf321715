"""Files for terminals, offices, phones and the wall: one list of profiles, named by what they accept.

Command line and page take their choices from `PROFILES`; importing it loads nothing heavy. Every profile gives its
files only after they were read again and hold the grams of the seed order, species by species.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from greengap.output.jobs import Grams, Job
    from greengap.plan import Plan

Files = dict[str, bytes]


@dataclass(frozen=True)
class Asked:
    """What a profile makes its files from."""

    plan: Plan
    jobs: list[Job]
    wanted: Grams
    folder: Path | None = None  # where an earlier calendar may lie
    terminal: Path | None = None  # task data from the terminal, for its device descriptions
    year: int | None = None  # the only year of sowing that is wanted


@dataclass(frozen=True)
class Profile:
    """A kind of receiver.

    Attributes
    ----------
    accepts : str
        What it takes, in words.
    standard : str
        The open standard behind it.
    make : callable
        From `Asked` to files by name.
    group : str
        "machine", "map" or "office": where the page lists it.
    holds_seed : bool
        Whether seed stands in its files, which are then reconciled with the order.
    """

    key: str
    accepts: str
    standard: str
    make: Callable[[Asked], Files]
    group: str = "machine"
    holds_seed: bool = True


def _geojson(asked: Asked) -> Files:
    import json

    from greengap.output.geojson import plan_features
    from greengap.output.jobs import reconcile

    text = json.dumps(plan_features(asked.plan), ensure_ascii=False, allow_nan=False, indent=1) + "\n"
    years = {j.year for j in asked.jobs}
    found: dict[tuple[int, str], int] = {}
    for feature in json.loads(text)["features"]:
        for part in feature["properties"]["components"]:
            key = int(feature["properties"]["sow_best"][:4]), part["species"]
            if key[0] in years:
                found[key] = found.get(key, 0) + part["seed_g"]
    reconcile("plan.geojson", found, asked.wanted)
    return {"plan.geojson": text.encode("utf-8")}


def _geopackage(asked: Asked) -> Files:
    from greengap.output.layers import geopackage

    return {"plan.gpkg": geopackage(asked.plan, asked.jobs, asked.wanted)}


def _geoparquet(asked: Asked) -> Files:
    from greengap.output.layers import geoparquet

    return {"sowing.parquet": geoparquet(asked.plan, asked.jobs, asked.wanted)}


def _kml(asked: Asked) -> Files:
    from greengap.output.layers import kml

    return {"sowing.kml": kml(asked.plan, asked.jobs, asked.wanted)}


def _csv(asked: Asked) -> Files:
    from greengap.output.layers import wkt_csv

    return {"sowing.csv": wkt_csv(asked.plan, asked.jobs, asked.wanted)}


def _rate_maps(asked: Asked) -> Files:
    from greengap.output.shapefile import rate_maps

    return rate_maps(asked.plan, asked.jobs, asked.wanted)


def _task_data(version: int, count: bool = False, zones: bool = False) -> Callable[[Asked], Files]:
    def make(asked: Asked) -> Files:
        from greengap.output.isoxml import task_files

        return task_files(asked.plan, asked.jobs, asked.wanted, version, count, zones, asked.terminal)

    return make


def _calendar(asked: Asked) -> Files:
    from greengap.output.ics import calendar, read_events
    from greengap.output.operations import list_operations

    # One year has a file of its own, so that it does not cancel the others.
    name = "calendar.ics" if asked.year is None else f"calendar_{asked.year}.ics"
    before = read_events(asked.folder / name) if asked.folder else {}
    return {name: calendar(asked.plan, list_operations(asked.plan, asked.jobs), asked.wanted, before)}


def _records(asked: Asked) -> Files:
    from greengap.output.operations import list_operations
    from greengap.output.records import record_files

    return record_files(asked.plan, asked.jobs, list_operations(asked.plan, asked.jobs), asked.wanted)


def _sheets(asked: Asked) -> Files:
    from greengap.output.field_sheet import sheet_files

    return sheet_files(asked.plan, asked.jobs, asked.wanted)


def _spray_sheet(asked: Asked) -> Files:
    from greengap.output.spray_sheet import spray_sheet_files

    return spray_sheet_files(asked.plan)


PROFILES: dict[str, Profile] = {
    profile.key: profile
    for profile in (
        Profile(
            "task-data-4", "terminals that read task data of version 4: fields, rates by mass, days, A-B lines",
            "ISO 11783-10, version 4.3", _task_data(4),
        ),
        Profile(
            "task-data-4-count", "the same for machines that single seed: rates in seeds a square metre",
            "ISO 11783-10, version 4.3", _task_data(4, count=True),
        ),
        Profile(
            "task-data-4-zones", "the same for terminals that ask for a map: the rate as a zone, nothing outside it",
            "ISO 11783-10, version 4.3", _task_data(4, zones=True),
        ),
        Profile(
            "task-data-3", "older terminals that read task data of version 3: rates by mass",
            "ISO 11783-10, version 3.3", _task_data(3),
        ),
        Profile(
            "task-data-3-count", "older terminals, machines that single seed",
            "ISO 11783-10, version 3.3", _task_data(3, count=True),
        ),
        Profile(
            "rate-shapefile", "simple controllers: one shapefile a sowing, numeric rate first, unit in the name",
            "shapefile, WGS84", _rate_maps,
        ),
        Profile(
            "geopackage", "any GIS: blocks, sowings, headlands, swaths, A-B lines, seed and operations in one file",
            "OGC GeoPackage 1.3", _geopackage, "map",
        ),
        Profile("geojson", "web maps and scripts: the plan, a feature a gap", "RFC 7946", _geojson, "map"),
        Profile("kml", "globe viewers and phones: the sowings", "OGC KML 2.2", _kml, "map"),
        Profile(
            "geoparquet", "data work over many farms: the sowings (needs the extra parquet)", "GeoParquet 1.1",
            _geoparquet, "map",
        ),
        Profile(
            "csv-wkt", "spreadsheets and databases: the sowings, outlines as text", "RFC 4180, OGC WKT", _csv, "map"
        ),
        Profile(
            "calendar", "calendars of phones and computers: every operation, with alarms", "RFC 5545", _calendar,
            "office",
        ),
        Profile(
            "records", "the office: operations and records as workbook, CSV and page to sign",
            "Office Open XML, RFC 4180, PDF", _records, "office",
        ),
        Profile("sheets", "the wall and the tractor: a page a sowing, and a cover sheet", "PDF", _sheets, "office"),
        Profile(
            "spray-sheet", "the wall by the sprayer: which blocks may be in flower week by week, planned sprays on it",
            "PDF, RFC 4180", _spray_sheet, "office", holds_seed=False,
        ),
    )
}  # fmt: skip


def export(
    plan: Plan,
    key: str,
    year: int | None = None,
    folder: Path | None = None,
    terminal: Path | None = None,
    jobs: list[Job] | None = None,
) -> Files:
    """The files of a profile, by name.

    Parameters
    ----------
    plan : Plan
    key : str
        Of `PROFILES`.
    year : int, optional
        One year of sowing only.
    folder : Path, optional
        Where they will lie; an earlier calendar there is brought up to date.
    terminal : Path, optional
        Task data from the terminal, for its device descriptions.
    jobs : list of Job, optional
        Of this plan and year, if they are at hand: laying out the passes takes a second or two.

    Returns
    -------
    dict of str to bytes
        Empty if nothing is sown.

    Raises
    ------
    Mismatch
        If a file, read again, does not hold the seed of the order.
    InputProblem
        If what the profile needs is not there.
    """
    from greengap.output.jobs import list_jobs, order_grams

    jobs = list_jobs(plan, year) if jobs is None else jobs
    if not jobs:
        return {}
    return PROFILES[key].make(Asked(plan, jobs, order_grams(plan, year), folder, terminal, year))


def write_export(
    plan: Plan,
    key: str,
    folder: Path,
    year: int | None = None,
    terminal: Path | None = None,
    jobs: list[Job] | None = None,
) -> list[Path]:
    """Write the files of a profile into a folder, each whole, after all were made."""
    from greengap.output.files import write_bytes

    files = export(plan, key, year, folder, terminal, jobs)
    for name, raw in files.items():
        write_bytes(folder / name, raw)
    return [folder / name for name in files]


def profile_lines() -> list[str]:
    """The profiles, to choose from."""
    width = max(map(len, PROFILES))
    return ["Profiles for --for, by what they accept:", ""] + [
        f"  {p.key.ljust(width)}  {p.accepts} ({p.standard})" for p in PROFILES.values()
    ]


def export_lines(plan: Plan, key: str, written: list[Path], year: int | None = None) -> list[str]:
    """What was written, and that its seed is the seed of the order."""
    from greengap.output.jobs import order_grams
    from greengap.units import write

    if not written:
        return [f"{key}: nothing is sown, nothing is written."]
    total = write(sum(order_grams(plan, year).values()), "g", plan.settings.units)
    lines = [f"{key}: {total} of seed in the file and in the order, species by species."]
    if not PROFILES[key].holds_seed:
        lines = [f"{key}: no seed stands in it."]
    shown = written if len(written) <= 8 else [*written[:4], f"... and {len(written) - 4} more"]
    lines += [f"  {path.as_posix() if isinstance(path, Path) else path}" for path in shown]
    if key.startswith("task-data"):
        lines.append("  Check field, product, unit and rate on the terminal before the drill goes down.")
        if plan.settings.machinery.width_m is None:
            lines.append("  No A-B lines: the farm does not say its working width ([machinery] in farm.toml).")
    return lines
