"""Feeds spoiled files to every reader: each must be used or refused in one sentence, soon, and in bounded memory.

    python tests/fuzz/fuzz_readers.py --cases 500 --seed 1

A file that the readers take is the seed; bytes of it are flipped, cut, doubled and put in. Every case runs in a
process of its own kind, with a limit of memory and of time, since the libraries below (GDAL, HDF5) can crash.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import resource
import shutil
import sys
import tempfile
import time
import traceback
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd

SAMPLE = Path(__file__).resolve().parents[2] / "sample_fields"
LONGEST_S, MOST_BYTES = 30, 6_000_000_000  # of one case; address space, of which most is never touched
BLOCKS = ["River 1", "River 2"]
BITS = (
    b"\0", b"\xff", b"\xff\xff\xff\xff", b"\x7f", b"<", b">", b"{", b"}", b"[", b'"', b",", b";", b"\n", b"-1",
    b"1e400", b"nan", b"99999999999", b"\xe2\x80\xa8", b"&a;", b"<!DOCTYPE x>", b"PK\x03\x04", b"%s", b"../",
    b"2027-02-30",
)  # fmt: skip
Read = Callable[[Path], object]


@dataclass
class Reader:
    """A kind of file: how a good one is made, which of its files is spoiled, and how it is read."""

    name: str
    seed: Callable[[Path], Path]  # into a folder; gives the file to spoil
    read: Read


@dataclass
class Outcome:
    """What became of the cases of one reader."""

    cases: int = 0
    used: int = 0
    refused: int = 0
    slowest_s: float = 0.0
    memory_mb: float = 0.0
    failures: list[str] = field(default_factory=list)


# --- good files ----------------------------------------------------------------------------------


def two_blocks() -> gpd.GeoDataFrame:
    sample = gpd.read_file(SAMPLE / "blocks.gpkg", layer="blocks").to_crs(4326)
    return sample[sample["block"].isin(BLOCKS)][["block", "geometry"]].reset_index(drop=True)


def polygons(name: str) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        blocks = two_blocks()
        path = folder / name
        if name.endswith(".csv"):
            pd.DataFrame({"block": blocks["block"], "wkt": blocks.geometry.to_wkt()}).to_csv(path, index=False)
        elif name.endswith(".kml"):
            marks = "".join(
                f"<Placemark><name>{row.block}</name><Polygon><outerBoundaryIs><LinearRing><coordinates>"
                + " ".join(f"{x},{y}" for x, y in row.geometry.exterior.coords)
                + "</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>"
                for row in blocks.itertuples()
            )
            head = '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
            path.write_text(f"{head}{marks}</Document></kml>", encoding="utf-8")
        elif name.endswith(".parquet"):
            blocks.to_parquet(path)
        elif name.endswith(".zip"):
            inner = folder / "inner.gpkg"
            blocks.to_file(inner)
            with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
                packed.write(inner, "inner.gpkg")
            inner.unlink()
        else:
            blocks.to_file(path)
        return path

    return make


def part_of_shapefile(suffix: str) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        two_blocks().to_file(folder / "blocks.shp")
        return folder / f"blocks{suffix}"

    return make


def text(name: str, content: str) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        path = folder / name
        path.write_text(content, encoding="utf-8")
        return path

    return make


CALENDAR = """block,crop,establishment,start,end,year
River 1,garden_pea,seeded,2027-04-08,wk 26,2027
River 2,lettuce,transplanted,mid May,10-20 July,2027
"""


def spreadsheet(folder: Path) -> Path:
    book = openpyxl.Workbook()
    for line in CALENDAR.splitlines():
        book.active.append(line.split(","))
    book.save(folder / "calendar.xlsx")
    return folder / "calendar.xlsx"


TASKS = """<ISO11783_TaskData VersionMajor="4" VersionMinor="3" ManagementSoftwareManufacturer="x"
 ManagementSoftwareVersion="1" DataTransferOrigin="1"><CTR A="CTR1" B="x"/><PDT A="PDT1" B="Oat"/>
 <PFD A="PFD1" C="Hill" D="8230"><PLN A="1"><LSG A="1"><PNT A="2" C="48.0" D="13.0"/><PNT A="2" C="48.001" D="13.0"/>
 <PNT A="2" C="48.001" D="13.001"/><PNT A="2" C="48.0" D="13.001"/></LSG></PLN><GGP A="GGP1"><GPN A="GPN1" C="1"
 G="90.0"><LSG A="5" C="3000"><PNT A="6" C="48.0" D="13.0"/><PNT A="7" C="48.0" D="13.001"/></LSG></GPN></GGP></PFD>
 <TSK A="TSK1" E="PFD1" G="1" H="1"><TZN A="1"><PDV A="0006" B="11209" C="PDT1"/></TZN><TIM A="2027-04-08T00:00:00"
 D="1"/><PAN A="PDT1" B="004B" C="1000" D="1"/></TSK></ISO11783_TaskData>"""
OLD_CALENDAR = """BEGIN:VCALENDAR
PRODID:-//greengap//field calendar//EN
BEGIN:VEVENT
UID:1@greengap
SEQUENCE:3
DTSTART;VALUE=DATE:20270405
STATUS:CONFIRMED
END:VEVENT
END:VCALENDAR
"""


def task_data(name: str) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        path = folder / name
        if name.endswith(".zip"):
            with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
                packed.writestr("TASKDATA/TASKDATA.XML", TASKS)
        else:
            path.write_text(TASKS, encoding="utf-8")
        return path

    return make


def read_task(path: Path) -> object:
    from greengap.task_data import faults, read_task_data

    return faults(read_task_data(path, path.name))


def read_old_calendar(path: Path) -> object:
    from greengap.output.ics import read_events

    return read_events(path)


def map_units(folder: Path) -> Path:
    text("comp.csv", COMPONENTS)(folder)
    text("horizon.csv", HORIZONS)(folder)
    two_blocks().assign(MUKEY=["10", "10"]).to_file(folder / "units.gpkg")
    return folder / "units.gpkg"


def station(folder: Path) -> Path:
    days = pd.date_range("2001-01-01", periods=400)
    wave = np.cos(np.arange(400) / 58.0)
    rows = {"date": days, "tmin_c": (5 - 9 * wave).round(1), "tmax_c": (15 - 9 * wave).round(1), "precip_mm": 1.0}
    pd.DataFrame(rows).to_csv(folder / "station.csv", index=False)
    return folder / "station.csv"


def ghcn(folder: Path) -> Path:
    lines = [
        f"USC00130200{2001 + m // 12}{m % 12 + 1:02d}{element}" + f"{value:5d}  W" * 31
        for m in range(14)
        for element, value in (("TMAX", 150), ("TMIN", 50), ("PRCP", 10))
    ]
    return text("w.dly", "\n".join(lines))(folder)


def ecad(folder: Path) -> Path:
    rows = [f" 162,100539,{day:%Y%m%d},{50:5d},    0" for day in pd.date_range("2001-01-01", periods=400)]
    return text("TN.txt", "\n".join(["ECA&D", "", " STAID, SOUID,    DATE,   TN, Q_TN", *rows]))(folder)


def german(folder: Path) -> Path:
    head = (
        "STATIONS_ID;MESS_DATUM;QN_3;  FX;  FM;QN_4; RSK;RSKF; SDK;SHK_TAG;  NM; VPM;  PM; TMK; UPM; TXK; TNK; TGK;eor"
    )
    rows = [
        f"1262;{day:%Y%m%d};10;-999;-999;3;0.4;6;-999;0;-999;-999;-999;9.0;-999;15.2;5.1;-999;eor"
        for day in pd.date_range("2001-01-01", periods=400)
    ]
    return text("produkt_klima_tag.txt", "\n".join([head, *rows]))(folder)


def power(folder: Path) -> Path:
    """NASA POWER: a heading of its own, years and days of the year."""
    head = ["-BEGIN HEADER-", "Location: Latitude  48.5   Longitude 13.9", "-END HEADER-"]
    rows = [f"{day.year},{day.day_of_year},5.1,15.2,0.4,-999" for day in pd.date_range("2001-01-01", periods=400)]
    columns = "YEAR,DOY,T2M_MIN,T2M_MAX,PRECTOTCORR,ALLSKY_SFC_SW_DWN"
    return text("power.csv", "\n".join([*head, columns, *rows]))(folder)


def farm_with_more(folder: Path) -> Path:
    """Settings with every table that a farm may write."""
    path = farm_folder("farm.toml")(folder)
    with path.open("a", encoding="utf-8") as settings:
        settings.write(MORE_SETTINGS)
    return path


def copied(*parts: str) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        return Path(shutil.copy(SAMPLE.joinpath(*parts), folder / parts[-1]))

    return make


def farm_folder(name: str) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        shutil.copytree(SAMPLE, folder / "farm")
        return folder / "farm" / name

    return make


def farm_file(folder: Path) -> Path:
    from greengap.pack import pack

    return pack(SAMPLE, folder / "farm.gpkg")


# --- how they are read ---------------------------------------------------------------------------


def shown(path: Path) -> str:
    return path.name


def report() -> Any:
    from greengap.errors import ImportReport

    return ImportReport()


def _accounted(done: Any, name: str) -> None:
    assert done.lost(name) == 0, f"rows of {name} are lost"


def read_polygons(path: Path) -> None:
    from greengap.farm.fields import read_blocks

    path = path.with_suffix(".shp") if path.suffix in (".shx", ".dbf", ".prj", ".cpg") else path
    done = report()
    read_blocks(path, path.name, done, crs=None if path.suffix != ".csv" else "EPSG:4326")
    _accounted(done, path.name)


def read_calendar(path: Path) -> None:
    from greengap.catalogue import load_catalogue
    from greengap.farm.crop_calendar import read_crop_calendar

    done = report()
    read_crop_calendar(path, path.name, done, BLOCKS, load_catalogue())
    _accounted(done, path.name)


def read_days(path: Path) -> None:
    from greengap.site.weather import read_days

    done = report()
    read_days([path], shown, done, (48.5, 13.9, 400.0, "x"), (13.89, 48.54, 13.92, 48.56))
    _accounted(done, path.name)


def read_one_station(path: Path) -> None:
    from greengap.site.weather_station import read_station

    read_station([path], shown, report(), (48.5, 13.9, 400.0, "x"))


def read_one_series(path: Path) -> None:
    from greengap.site.station_formats import read_agency_file
    from greengap.site.weather_station import _read_lines

    read_agency_file(_read_lines(path, path.name), path.name, report())


def read_horizons(path: Path) -> None:
    from greengap.site.soil_survey import read_horizons

    read_horizons(path, shown, {"1", "2"}, 30, report())


def read_map_units(path: Path) -> None:
    from greengap.site.soil_survey import soil_from_survey

    blocks = two_blocks().rename(columns={"block": "block_id"})
    soil_from_survey(blocks, path, path.parent / "comp.csv", path.parent / "horizon.csv", shown, report())


def read_components(path: Path) -> None:
    from greengap.site.soil_survey import read_components

    read_components(path, shown, {"10"}, report())


def read_tests(path: Path) -> None:
    from greengap.site.soil_tests import soil_from_tests

    done = report()
    soil_from_tests(two_blocks().rename(columns={"block": "block_id"}), path, shown, done)
    _accounted(done, path.name)


def read_block_soil(path: Path) -> None:
    from greengap.site.block_soil import soil_from_table

    done = report()
    soil_from_table(two_blocks().rename(columns={"block": "block_id"}), path, shown, done)
    _accounted(done, path.name)


def read_history(path: Path) -> None:
    from greengap.farm.history import read_history

    done = report()
    read_history(path, path.name, done, BLOCKS)
    _accounted(done, path.name)


def read_raster(path: Path) -> None:
    from greengap.site.zonal import class_shares, zonal_means

    blocks = two_blocks().rename(columns={"block": "block_id"})
    zonal_means(blocks, {"drainage": path}, shown)
    class_shares(blocks, path, None, "drainage_class", shown)


def read_heights(path: Path) -> None:
    from greengap.site.terrain import block_slopes

    block_slopes(two_blocks().rename(columns={"block": "block_id"}), path, shown, report())


def read_settings(path: Path) -> None:
    from greengap.farm.settings import read_settings

    read_settings(path.parent)


def read_farm_file(path: Path) -> None:
    from greengap import read_farm

    read_farm(path)


def read_stock(path: Path) -> None:
    from greengap.catalogue import load_catalogue
    from greengap.farm.seed_lists import read_seed_lists

    done = report()
    read_seed_lists(path, None, load_catalogue(), done)
    _accounted(done, path.name)


def read_prices(path: Path) -> None:
    from greengap.catalogue import load_catalogue
    from greengap.farm.seed_lists import read_seed_lists

    done = report()
    read_seed_lists(None, path, load_catalogue(), done)
    _accounted(done, path.name)


def read_herbicides(path: Path) -> None:
    from greengap.catalogue import load_catalogue
    from greengap.farm.law_lists import read_law_lists

    read_law_lists(None, path, BLOCKS, load_catalogue(), report())


def read_names(path: Path) -> None:
    from greengap.catalogue import load_catalogue
    from greengap.farm.law_lists import read_law_lists

    read_law_lists(path, None, BLOCKS, load_catalogue(), report())


def read_planned_sprays(path: Path) -> None:
    from greengap.farm.sprays import read_sprays

    done = report()
    read_sprays(path, (), BLOCKS, done)
    _accounted(done, path.name)


def read_own(path: Path) -> None:
    from greengap.catalogue import load_catalogue, with_own

    with_own(load_catalogue(), path)


def read_learned(path: Path) -> None:
    from greengap.catalogue import load_catalogue, with_learned_file

    with_learned_file(load_catalogue(), path)


COMPONENTS = "mukey,cokey,comppct_r,slope_r,drainagecl\n10,1,80,2,Well drained\n10,2,20,,Poorly drained\n"
HORIZONS = (
    "cokey,hzdept_r,hzdepb_r,claytotal_r,sandtotal_r,om_r,ph1to1h2o_r,awc_r,dbthirdbar_r\n1,0,20,18,40,3,6,.2,1.3\n"
)
TESTS = "lon,lat,pH,om_percent,clay_percent\n13.89812,48.54259,6.5,3.2,21\n"
SOIL = (
    "block,clay_fraction,ph,drainage_shares,slope_fraction,aspect_deg\n"
    "River 1,0.2,6.5,well drained 0.7; poorly drained 0.3,0.06,135\nRiver 2,0.3,7,,,\n"
)
STOCK = "species,lot,kg,purity_percent,germination_percent,tested,organic\nbuckwheat,A7,12.5,98,85,2026-11-02,yes\n"
PRICES = "species,supplier,bag_kg,price,currency,available_kg\nbuckwheat,Hill Seeds,25,41.50,EUR,100\n"
HERBICIDES = "block,product,applied,species,interval_d,interval_months\nRiver 1,X,2026-05-20,other,,9\n"
SPRAYS = (
    "block,neighbour,distance_ft,from,until,product,label_on_bees,harms_bees,call\n"
    "River 1,,,2027-07-20,2027-07-22,X,not on bloom,yes,Ann 12\n,lane orchard,120,2027-06-01,,,,,\n"
)
NAMES = "name,list\nSorghum bicolor,Ohio\n"
OWN = """[species.dixie]
cultivar_of = "crimson_clover"
name = "Dixie"
[species.dixie.seeding_rate_drilled]
value = 18
unit = "kg/ha"
source = "own record"
confidence = "read"
"""
LEARNED = """catalogue_version = "0"
[[learned]]
species = "oat"
parameter = "flowering"
unit = "degC d"
before = 800.0
after = 850.0
low = 760.0
high = 930.0
records = 3
years = 2
record_ids = ["3f2a91c0d5e6b748", "b1"]
[[without]]
record_id = "b2"
reason = "wrong block"
"""
MORE_SETTINGS = """
[growers_word."River 1"]
ponds = true
crusts = true
slope_percent = 7
faces = "south-west"
drainage = "poorly drained"
reason = "seen"
[irrigation_set]
area_ac = 0.5
flow_gpm = 60
rotation_d = 5
method = "drip"
[irrigation_set.blocks."River 1"]
area_m2 = 900
[repairs]
leave_out = ["Sliver"]
[mowing]
area_ac_d = 2
[[planned_sprays]]
neighbour = "lane"
distance_m = 30
from = 2027-06-15
harms_bees = true
"""
HISTORY = "block,date,kind,what,note\nRiver 1,2026-05-10,herbicide,A,1 l\nRiver 2,2025,crop,peas,\n"

READERS = [
    *(
        Reader(f"polygons {name}", polygons(name), read_polygons)
        for name in ("a.gpkg", "a.geojson", "a.kml", "a.gml", "a.fgb", "a.csv", "a.parquet", "a.zip")
    ),
    *(Reader(f"polygons shapefile {s}", part_of_shapefile(s), read_polygons) for s in (".shp", ".shx", ".dbf", ".prj")),
    Reader("calendar csv", text("calendar.csv", CALENDAR), read_calendar),
    Reader("calendar xlsx", spreadsheet, read_calendar),
    Reader("task data xml", task_data("TASKDATA.XML"), read_task),
    Reader("task data zip", task_data("task.zip"), read_task),
    Reader("an old calendar of ours", text("calendar.ics", OLD_CALENDAR), read_old_calendar),
    Reader("history", text("history.csv", HISTORY), read_history),
    Reader("station csv", station, read_days),
    Reader("station GHCN-Daily", ghcn, read_one_station),
    Reader("station ECA&D", ecad, read_one_series),
    Reader("station DWD", german, read_one_station),
    Reader("station NASA POWER", power, read_one_station),
    Reader("weather NetCDF", copied("weather.nc"), read_days),
    Reader("soil raster", copied("soil", "drainage.tif"), read_raster),
    Reader("heights", copied("soil", "ph.tif"), read_heights),
    Reader("survey map units", map_units, read_map_units),
    Reader("survey components", text("comp.csv", COMPONENTS), read_components),
    Reader("survey horizons", text("horizon.csv", HORIZONS), read_horizons),
    Reader("soil tests", text("tests.csv", TESTS), read_tests),
    Reader("soil by block", text("soil.csv", SOIL), read_block_soil),
    Reader("farm.toml", farm_with_more, read_settings),
    Reader("seed stock", text("seed_stock.csv", STOCK), read_stock),
    Reader("seed prices", text("seed_prices.csv", PRICES), read_prices),
    Reader("herbicides", text("herbicides.csv", HERBICIDES), read_herbicides),
    Reader("noxious names", text("noxious_names.csv", NAMES), read_names),
    Reader("planned sprays", text("planned_sprays.csv", SPRAYS), read_planned_sprays),
    Reader("own catalogue", text("catalogue.toml", OWN), read_own),
    Reader("learned", text("learned.toml", LEARNED), read_learned),
    Reader("farm file", farm_file, read_farm_file),
]


# --- spoiling ------------------------------------------------------------------------------------


def spoiled(good: bytes, draw: random.Random) -> bytes:
    """The bytes with one to eight things done to them."""
    data = bytearray(good)
    for _ in range(draw.choice((1, 1, 1, 2, 3, 8))):
        at = draw.randrange(len(data) + 1)
        kind = draw.randrange(7)
        if kind == 0 and data:
            data[min(at, len(data) - 1)] ^= 1 << draw.randrange(8)
        elif kind == 1 and data:
            data[min(at, len(data) - 1)] = draw.randrange(256)
        elif kind == 2:
            data[at:at] = draw.choice(BITS)
        elif kind == 3:
            del data[at : at + draw.choice((1, 4, 40, 1000))]
        elif kind == 4:
            data[at:at] = data[at : at + draw.choice((1, 8, 100, 2000))]
        elif kind == 5:
            bits = draw.choice(BITS)
            data[at : at + len(bits)] = bits
        elif draw.random() < 0.2:
            del data[at:]
    return bytes(data)


def _work(reader: Reader, good: Path, numbers: list[int], seed: int, pipe: Any) -> None:
    """In a process of its own: reads spoiled copies and reports each case before and after."""
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)  # the libraries' own complaints
    from greengap.errors import InputProblem

    original = good.read_bytes()
    for number in numbers:
        good.write_bytes(spoiled(original, random.Random(f"{seed} {reader.name} {number}")))
        pipe.send(("begin", number, ""))
        try:
            reader.read(good)
            result = ("used", number, "")
        except InputProblem as problem:
            one_line = problem.sentence.strip()
            result = ("refused", number, "" if one_line else "an empty sentence")
        except BaseException as error:
            last = traceback.extract_tb(error.__traceback__)[-1]
            said = f"{type(error).__name__}: {str(error)[:150]} ({Path(last.filename).name}:{last.lineno})"
            result = ("failed", number, said)
        pipe.send(result)
    pipe.send(("memory", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, ""))


def fuzz(reader: Reader, cases: int, seed: int) -> Outcome:
    """Run the cases of one reader; a case that crashes or hangs its process is a failure."""
    outcome, numbers = Outcome(cases=cases), list(range(cases))
    context = multiprocessing.get_context("fork")
    while numbers:
        with tempfile.TemporaryDirectory() as folder:
            good = reader.seed(Path(folder))
            mine, theirs = context.Pipe(duplex=False)
            process = context.Process(target=_work, args=(reader, good, numbers, seed, theirs), daemon=True)
            process.start()
            theirs.close()
            current, since = None, time.monotonic()
            while True:
                if not mine.poll(LONGEST_S):
                    outcome.failures.append(f"case {current}: not done after {LONGEST_S} s")
                    process.kill()
                    break
                try:
                    what, number, said = mine.recv()
                except EOFError:
                    process.join(5)
                    outcome.failures.append(f"case {current}: its process ended (exit code {process.exitcode})")
                    break
                if what == "memory":
                    outcome.memory_mb = max(outcome.memory_mb, number)
                    numbers = []
                    break
                if what == "begin":
                    current, since = number, time.monotonic()
                    continue
                outcome.slowest_s = max(outcome.slowest_s, time.monotonic() - since)
                if what == "failed" or said:
                    outcome.failures.append(f"case {number}: {said}")
                else:
                    setattr(outcome, what, getattr(outcome, what) + 1)
            process.join(5)
            if numbers:  # go on behind the case that ended the process
                numbers = [n for n in numbers if current is not None and n > current]
    return outcome


def run(cases: int, seed: int, only: str = "") -> Iterator[tuple[Reader, Outcome]]:
    """All readers whose name holds `only`."""
    from greengap.pack import pack  # noqa: F401 (imported here once, not in each process)

    for reader in READERS:
        if only in reader.name:
            yield reader, fuzz(reader, cases, seed)


def main() -> None:
    """Print a table; fail if a case did."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--cases", type=int, default=200)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--only", default="")
    chosen = options.parse_args()
    failed = 0
    print(f"{'reader':<26}{'cases':>7}{'used':>7}{'refused':>9}{'failed':>8}{'slowest':>10}{'memory':>10}")
    for reader, outcome in run(chosen.cases, chosen.seed, chosen.only):
        failed += len(outcome.failures)
        print(
            f"{reader.name:<26}{outcome.cases:>7}{outcome.used:>7}{outcome.refused:>9}{len(outcome.failures):>8}"
            f"{outcome.slowest_s:>8.2f} s{outcome.memory_mb:>7.0f} MB",
            flush=True,
        )
        for line in dict.fromkeys(outcome.failures[:8]):
            print(f"    {line}")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
