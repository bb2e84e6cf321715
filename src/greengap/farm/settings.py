"""What a farm says of itself in ``farm.toml``: names of files, purposes, machines, rules of its own."""

from __future__ import annotations

import calendar
import difflib
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import date
from pathlib import Path
from typing import Any, Literal

from greengap.errors import InputProblem
from greengap.units import ACRE_M2, FOOT_M, GALLON_L, HECTARE_M2, LB_AC_KG_HA, System, length_m, speed_m_s

FILE = "farm.toml"

# Purposes in the terms of the public conservation practice standard for cover crops (USDA NRCS code 340).
PURPOSES: dict[str, str] = {
    "weed_suppression": "suppress weeds",
    "organic_matter": "maintain or increase organic matter",
    "nitrogen_supply": "supply nitrogen to the next crop",
    "nutrient_capture": "take up nutrients left in the soil",
    "erosion_control": "reduce erosion by water and wind",
    "pollinators": "flower for bees and beneficial insects",
}
# Quantities an aim may be stated in, with the factor to the SI name on the right.
AIM_QUANTITIES: dict[str, tuple[str, float]] = {
    "biomass_kg_ha": ("biomass_kg_ha", 1.0),
    "biomass_lb_ac": ("biomass_kg_ha", LB_AC_KG_HA),
    "nitrogen_kg_ha": ("nitrogen_kg_ha", 1.0),
    "nitrogen_lb_ac": ("nitrogen_kg_ha", LB_AC_KG_HA),
    "nitrogen_fixed_kg_ha": ("nitrogen_fixed_kg_ha", 1.0),
    "nitrogen_fixed_lb_ac": ("nitrogen_fixed_kg_ha", LB_AC_KG_HA),
    "ground_cover_fraction": ("ground_cover_fraction", 1.0),
    "bloom_d": ("bloom_d", 1.0),
}
EQUIPMENT = ("drill", "spreader", "mower", "tillage", "roller_crimper", "tarp")
HEADINGS = ("fewest turns", "longest edge")
SOIL_PROPERTIES = ("clay", "sand", "organic_matter", "ph", "available_water", "drainage")
# Natural drainage classes of the USDA soil survey, as `site.soil` knows them; a test holds that the two agree.
DRAINAGE_WORDS = (
    "excessively drained", "somewhat excessively drained", "well drained", "moderately well drained",
    "somewhat poorly drained", "poorly drained", "very poorly drained",
)  # fmt: skip
# Where ground falls to, as `site.terrain` knows it; a test holds that the two agree.
FACES = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
IRRIGATION_METHODS = ("sprinkler", "drip", "furrow")
BEYOND = 1e12  # no amount in these settings comes near
LARGEST_OFFSET_DEGC = 15.0  # between a hollow and its weather cell; beyond lies a slip of the keyboard


@dataclass(frozen=True)
class Aim:
    """A quantity to be reached, by a date or within some days of sowing, else by the end of the gap."""

    quantity: str
    value: float
    within_d: int | None = None
    by: tuple[int, int] | None = None  # month, day


@dataclass(frozen=True)
class Purpose:
    """What covers are for on this farm, how much it counts, and when it is reached."""

    key: str
    weight: float
    aim: Aim | None = None  # None: the default of the catalogue


@dataclass(frozen=True)
class SoilRaster:
    """A soil raster with the unit its cells are in, and names of its classes where it has any."""

    path: Path
    unit: str = ""
    classes: dict[int, str] = field(default_factory=dict)


@dataclass(frozen=True)
class SoilSurvey:
    """Survey map units, as polygons or as a raster of their keys, with their component and horizon tables."""

    map_units: Path
    components: Path
    horizons: Path


@dataclass(frozen=True)
class Station:
    """Where a weather station file was measured."""

    lat: float
    lon: float
    elevation_m: float | None = None
    name: str = "station"


@dataclass(frozen=True)
class SeedLot:
    """Purity, germination and hard seed of a lot, from its tag."""

    purity_fraction: float
    germination_fraction: float
    hard_seed_fraction: float = 0.0


@dataclass(frozen=True)
class GrowersWord:
    """What the grower knows of a block better than the map, in SI, and why."""

    values: Mapping[str, float | str]  # by column of the soil table
    ponds: bool | None
    crusts: bool | None
    reason: str
    by: str = ""


@dataclass(frozen=True)
class IrrigationSet:
    """What is watered at once, and how often it can be; None where the farm does not say."""

    area_m2: float | None = None
    flow_l_h: float | None = None
    rotation_d: float | None = None
    method: str | None = None  # of `IRRIGATION_METHODS`


@dataclass(frozen=True)
class Repairs:
    """Fixes of outlines that the farm accepts, by block."""

    accept: frozenset[str] = frozenset()  # use the mended outline
    cut_overlap: frozenset[str] = frozenset()  # the ground shared with another block stays with the other
    leave_out: frozenset[str] = frozenset()  # no block at all
    swap_axes: frozenset[str] = frozenset()  # latitude stands before longitude


OFFICE = ("client", "farm_number", "tract_number", "program", "certifier")


HOLE_REASONS = ("wet", "stones", "pond", "tree", "other")


@dataclass(frozen=True)
class CutOut:
    """Why ground inside a block is not sown: the hole in whose ring the place lies, whatever the block is called."""

    lon: float
    lat: float
    reason: str  # one of `HOLE_REASONS`
    note: str = ""

    @property
    def words(self) -> str:
        """As it stands on a map."""
        return self.note or ("left out" if self.reason == "other" else self.reason)


@dataclass(frozen=True)
class Choice:
    """What the farm decided for one gap: the gap on `block_id` around `day` (ISO date)."""

    block_id: str
    day: str
    cover_id: str
    answer: (
        str  # "choose": sow this; "lock": this, on `sow_date`; "no": not here; "sown": stands there (never in a file)
    )
    sow_date: str | None = None
    read_by: str = ""  # who has ticked the cautions as read, and when
    read_on: str = ""


@dataclass(frozen=True)
class Machinery:
    """What seed is sown with, as measured on the machine, and how blocks are driven; None where the farm is silent.

    Attributes
    ----------
    width_m : float or None
        Working width: openers times row spacing, or the spread [m].
    heading : str
        ``fewest turns`` or ``longest edge``, for blocks that `headings_deg` does not name.
    headings_deg : dict of str to float
        By block: the way the rows or beds run, clockwise from true north [°].
    beds : frozenset of str
        Blocks laid out in beds: driven along them, `beds_per_pass` at a time, turned outside.
    """

    width_m: float | None = None
    row_spacing_m: float | None = None
    wheel_m: float | None = None
    headland_m: float | None = None  # None: one working width
    speed_m_s: float | None = None
    turn_s: float | None = None
    heading: str = "fewest turns"
    headings_deg: dict[str, float] = field(default_factory=dict)
    beds: frozenset[str] = frozenset()
    bed_pitch_m: float | None = None
    beds_per_pass: int = 1


@dataclass(frozen=True)
class HandWeeding:
    """What weeding a cover by hand takes on this farm; None where it does not say.

    Attributes
    ----------
    hours : float or None
        That it has for one block and time [h].
    weeds_per_h : float or None
        That one person pulls [h-1].
    ground_m2_h : float or None
        That one person walks and looks over, without what pulling takes [m2 h-1].
    """

    hours: float | None = None
    weeds_per_h: float | None = None
    ground_m2_h: float | None = None


@dataclass(frozen=True)
class Costs:
    """What work and tarps cost on this farm; None where it does not say.

    Attributes
    ----------
    machine_h, hand_h : float or None
        An hour of tractor with driver, and of one person by hand.
    tarp_m2 : float or None
        A square metre of tarp for one use: its price over the times it is laid.
    """

    currency: str = ""
    machine_h: float | None = None
    hand_h: float | None = None
    tarp_m2: float | None = None


@dataclass(frozen=True)
class FarmSettings:
    """Everything that ``farm.toml`` says; paths are absolute, figures SI."""

    folder: Path
    name: str
    note: str
    units: System
    organic: bool
    animals_eat_cover: bool
    irrigated: frozenset[str] | None  # None: all blocks
    polygons: Path
    polygons_layer: str | None
    polygons_crs: str | None
    block_column: str | None
    field_column: str | None
    crop_calendar: Path
    soil_rasters: dict[str, SoilRaster]
    soil_survey: SoilSurvey | None
    weather: tuple[Path, ...]
    station: Station | None
    growth_aim: Aim | None
    purposes: tuple[Purpose, ...]
    wanted_odds: float
    equipment: frozenset[str]
    clean_up_d: int | None
    seedbed_d: int | None
    stale_seedbed_d: int  # days a seedbed lies open for its weeds, which are killed before sowing
    waiting_d: dict[str, int]  # by establishment of the next crop
    seed_lots: dict[str, SeedLot]
    cold_offset_degc: dict[str, float]  # by block
    not_wanted: frozenset[str]  # covers the farm will not sow
    tile_drained: frozenset[str]  # blocks with working tile drains
    diseases: dict[str, frozenset[str]]  # soil-borne diseases known on a block, by block
    assumptions: tuple[str, ...]
    date_order: Literal["", "day first", "month first"] = ""  # how dates such as 10/7 are written
    block_soil: Path | None = None  # a table with the soil of each block
    soil_tests: Path | None = None
    elevation: Path | None = None
    history: Path | None = None
    weather_fill: tuple[Path, ...] = ()  # fills the days that `weather` lacks
    weather_units: System = "metric"  # of columns that do not say their own
    this_season: Path | None = None  # this year's days so far
    repairs: Repairs = field(default_factory=Repairs)
    growers_word: dict[str, GrowersWord] = field(default_factory=dict)  # by block
    choices: tuple[Choice, ...] = ()
    cut_outs: tuple[CutOut, ...] = ()  # why holes are left out
    irrigation_sets: dict[str, IrrigationSet] = field(default_factory=dict)  # by block; "" for all others
    reserve_odds: float | None = None  # seed for sowing again is enough in this share of years; None: no reserve
    machinery: Machinery = field(default_factory=Machinery)
    office: dict[str, str] = field(default_factory=dict)  # what forms ask of the farm itself, by `OFFICE`
    hand_weeding: HandWeeding = field(default_factory=HandWeeding)
    costs: Costs = field(default_factory=Costs)
    planned_sprays: tuple[dict[str, str], ...] = ()  # cells as text; `farm.sprays` checks them
    spray_distance_m: float | None = None  # a spray this near to flowers is told; None: the rule of the catalogue
    mown_m2_d: float | None = None  # what the farm can mow in a day; None: it does not say

    def waters(self, block_id: str) -> bool:
        """Whether a block can be watered."""
        return self.irrigated is None or block_id in self.irrigated

    def irrigation_set(self, block_id: str) -> IrrigationSet:
        """The set of a block: what is said of it, else what is said of all."""
        own, rest = (self.irrigation_sets.get(key, IrrigationSet()) for key in (block_id, ""))
        names = [f.name for f in fields(IrrigationSet)]
        return IrrigationSet(**{n: getattr(rest if getattr(own, n) is None else own, n) for n in names})

    def shown(self, path: Path) -> str:
        """A path as it is named to the user: relative to the farm folder where possible."""
        try:
            return path.relative_to(self.folder).as_posix()
        except ValueError:
            return path.as_posix()


class _Reader:
    """Takes keys out of nested tables, checks them, and complains about what is left over."""

    def __init__(self, data: dict[str, Any], place: str = "", must_exist: bool = True) -> None:
        self.data, self.place, self.seen = data, place, set[str]()
        self.must_exist = must_exist  # the files that are named; those of a farm file may be elsewhere

    def problem(self, key: str, what: str, remedy: str) -> InputProblem:
        return InputProblem(FILE, f"{self.place}{key}".rstrip("."), what, remedy)

    def get(self, key: str, kind: type | tuple[type, ...], default: Any = None, required: bool = False) -> Any:
        self.seen.add(key)
        if key not in self.data:
            if required:
                under = f" under [{self.place.rstrip('.')}]" if self.place else ""
                raise self.problem(key, "is missing", f"Add a line {key} = ...{under} (see docs/inputs.md)")
            return default
        value = self.data[key]
        kinds = kind if isinstance(kind, tuple) else (kind,)
        if (isinstance(value, bool) and bool not in kinds) or not isinstance(value, kinds):
            wanted = {str: "text in quotes", bool: "true or false", dict: "a table", list: "a list"}
            words = " or ".join(dict.fromkeys(wanted.get(k, "a number") for k in kinds))
            raise self.problem(key, f"{value!r} is not {words}", f"Write {words}")
        if isinstance(value, (int, float)) and not abs(value) < BEYOND:  # also nan
            raise self.problem(
                key, f"{value:.3g} is not an amount" if isinstance(value, float) else "is too large", "Write a number"
            )
        return value

    def names(self, key: str) -> frozenset[str]:
        """A list of names; empty without one."""
        names = self.get(key, list, [])
        for name in names:
            if not isinstance(name, str):
                raise self.problem(key, f"{name!r} is not a name", "Write names in quotes")
        return frozenset(names)

    def table(self, key: str) -> _Reader:
        return _Reader(self.get(key, dict, {}), f"{self.place}{key}.", self.must_exist)

    def finish(self) -> None:
        for key in self.data:
            if key not in self.seen:
                raise self.problem(key, "is not a setting that is known", suggestion(key, sorted(self.seen)))


def suggestion(name: str, known: Sequence[str], most: int = 20) -> str:
    """What a name that is not known may stand for, as a remedy.

    Examples
    --------
    >>> suggestion("organik", ["name", "organic"])
    "Perhaps 'organic' is meant"
    >>> suggestion("River 9", ["Pond", "River 1", "River 2"])
    "Perhaps 'River 1' or 'River 2' is meant"
    >>> suggestion("x", ["name", "organic"])
    'Known are name, organic'
    """
    near = difflib.get_close_matches(name, known, n=3)
    if near:
        alike = [difflib.SequenceMatcher(None, other, name).ratio() for other in near]
        best = [other for other, ratio in zip(near, alike, strict=True) if ratio > alike[0] - 0.05]
        return f"Perhaps {' or '.join(repr(other) for other in sorted(best))} is meant"
    more = f" and {len(known) - most} more" if len(known) > most else ""
    return f"Known are {', '.join(known[:most])}{more}"


def _fraction(reader: _Reader, key: str, default: float | None = None, required: bool = False) -> float | None:
    value = reader.get(key, (int, float), default, required)
    if value is not None and not 0 < value <= 1:
        raise reader.problem(key, f"{value} is not a share between 0 and 1", "Write 85 % as 0.85")
    return value


def _days(reader: _Reader, key: str) -> int | None:
    value = reader.get(key, int)
    if value is not None and not 0 <= value <= 120:
        raise reader.problem(key, f"{value} is not a number of days from 0 to 120", "Correct it")
    return value


def _aim(reader: _Reader) -> Aim:
    quantities = [q for q in AIM_QUANTITIES if q in reader.data]
    if len(quantities) != 1:
        raise reader.problem(
            "", f"an aim states {len(quantities)} quantities", f"State exactly one of {', '.join(AIM_QUANTITIES)}"
        )
    printed = reader.get(quantities[0], (int, float))
    quantity, factor = AIM_QUANTITIES[quantities[0]]
    if printed <= 0 or (quantity == "ground_cover_fraction" and printed >= 1):
        raise reader.problem(quantities[0], f"{printed} cannot be an aim", "Write a positive amount, a share below 1")
    by = reader.get("by", str)
    month_day = None
    if by is not None:
        try:
            month, day = (int(part) for part in by.split("-"))
            month_day = (month, day)
            if not (1 <= month <= 12 and 1 <= day <= calendar.monthrange(2000, month)[1]):  # a leap year
                raise ValueError
        except ValueError:
            raise reader.problem("by", f"{by!r} is not a day of the year", 'Write month and day, as "06-15"') from None
    aim = Aim(quantity, printed * factor, _days(reader, "within_d"), month_day)
    reader.finish()
    return aim


def _path(reader: _Reader, folder: Path, key: str, required: bool = False) -> Path | None:
    name = reader.get(key, str, None, required)
    if name is None:
        return None
    return _existing(reader, folder, key, name)


def _existing(reader: _Reader, folder: Path, key: str, name: str, or_folder: bool = False) -> Path:
    """The path of a file that the settings name."""
    path = folder / name
    if not reader.must_exist:
        return path
    try:
        there, is_folder = path.exists(), path.is_dir()
    except OSError:  # a name that the file system does not take
        there, is_folder = False, False
    if not there or not name:
        short = name if len(name) <= 80 else f"{name[:80]}..."
        raise reader.problem(key, f"there is no file {short!r} in the farm folder", "Correct the name or add the file")
    if is_folder and not or_folder:
        raise reader.problem(key, f"{name!r} is a folder", "Name the file in it")
    return path


def _several(files: _Reader, folder: Path, key: str, needed: bool) -> tuple[Path, ...]:
    """One file or a list of them."""
    names = files.get(key, (str, list), [], required=needed)
    paths = []
    for name in [names] if isinstance(names, str) else names:
        if not isinstance(name, str):
            raise files.problem(key, f"{name!r} is not a file name", "Write names in quotes")
        paths.append(_existing(files, folder, key, name))
    if needed and not paths:
        raise files.problem(key, "names no file", "Name a NetCDF file or a station CSV")
    return tuple(paths)


def _files(files: _Reader, folder: Path) -> dict[str, Any]:
    needed = files.must_exist
    polygons = files.get("polygons", str, "", required=needed)
    out: dict[str, Any] = {
        "polygons": _existing(files, folder, "polygons", polygons, or_folder=True),
        "polygons_layer": files.get("layer", str),
        "polygons_crs": files.get("crs", str),
        "block_column": files.get("block_column", str),
        "field_column": files.get("field_column", str),
        "crop_calendar": _path(files, folder, "crop_calendar", required=needed) or folder,
    }
    out["date_order"] = files.get("date_order", str, "")
    if out["date_order"] not in ("", "day first", "month first"):
        what = f"{out['date_order']!r} is not an order of dates"
        raise files.problem("date_order", what, 'Write "day first" or "month first"')
    out["weather"] = _several(files, folder, "weather", needed)
    out["weather_fill"] = _several(files, folder, "weather_fill", False)
    out["this_season"] = _path(files, folder, "this_season")
    out["weather_units"] = files.get("weather_units", str, "metric")
    if out["weather_units"] not in ("metric", "us"):
        raise files.problem("weather_units", f"{out['weather_units']!r} is not a system of units", 'Write "us"')
    rasters = {}
    soil = files.table("soil")
    for key in SOIL_PROPERTIES:
        if isinstance(soil.data.get(key), str):
            rasters[key] = SoilRaster(_path(soil, folder, key) or folder)
            continue
        one = soil.table(key)
        if one.data:
            path = _path(one, folder, "file", required=True)
            rasters[key] = SoilRaster(path or folder, one.get("unit", str, ""), _classes(one.table("classes")))
            one.finish()
    soil.finish()
    out["soil_rasters"] = rasters
    survey = files.table("soil_survey")
    out["soil_survey"], out["block_soil"] = None, _path(files, folder, "block_soil")
    out["soil_tests"] = _path(files, folder, "soil_tests")
    out["elevation"] = _path(files, folder, "elevation")
    out["history"] = _path(files, folder, "history")
    if survey.data:
        raster = "raster" in survey.data
        units = _path(survey, folder, "raster") if raster else _path(survey, folder, "polygons", required=True)
        tables = [_path(survey, folder, key, required=True) or folder for key in ("components", "horizons")]
        out["soil_survey"] = SoilSurvey(units or folder, *tables)
        survey.finish()
    files.finish()
    return out


def _classes(reader: _Reader) -> dict[int, str]:
    for number in reader.data:
        if not number.isdecimal():
            raise reader.problem(number, "is not the number of a class", 'Write lines such as 3 = "well drained"')
    return {int(number): reader.get(number, str) for number in reader.data}


def _purposes(reader: _Reader) -> tuple[Purpose, ...]:
    out = []
    for key in reader.data:
        if key not in PURPOSES:
            raise reader.problem(key, "is not a purpose that is known", suggestion(key, list(PURPOSES)))
        one = reader.table(key)
        weight = one.get("weight", (int, float), 1.0)
        if weight <= 0:
            raise one.problem("weight", f"{weight} is not above zero", "Leave out a purpose that does not count")
        aim = one.table("aim")
        out.append(Purpose(key, float(weight), _aim(aim) if aim.data else None))
        one.finish()
    reader.finish()
    return tuple(out)


def _seed_lots(reader: _Reader) -> dict[str, SeedLot]:
    lots = {}
    for species in reader.data:
        one = reader.table(species)
        purity = _fraction(one, "purity_fraction", required=True)
        germination = _fraction(one, "germination_fraction", required=True)
        hard = one.get("hard_seed_fraction", (int, float), 0.0)
        if not 0 <= hard <= 1 - (germination or 0):
            raise one.problem("hard_seed_fraction", f"{hard} and the germination add up to more than 1", "Correct them")
        lots[species] = SeedLot(float(purity or 0), float(germination or 0), float(hard))
        one.finish()
    return lots


ANSWERS = ("choose", "lock", "no")


def _iso_day(reader: _Reader, key: str, required: bool = False) -> str | None:
    """A date, bare or in quotes, as ISO text."""
    value = reader.get(key, (str, date), None, required)
    if value is None:
        return None
    try:
        return date.fromisoformat(str(value)[:10]).isoformat()
    except ValueError:
        raise reader.problem(key, f"{value!r} is not a date", 'Write year, month and day, as "2027-07-10"') from None


def _office(table: _Reader) -> dict[str, str]:
    """What ``[records]`` says."""
    found = {key: table.get(key, str, "").strip() for key in OFFICE}
    table.finish()
    return {key: said for key, said in found.items() if said}


def _choices(top: _Reader) -> tuple[Choice, ...]:
    """The farm's own decisions, one ``[[choices]]`` each."""
    out = []
    for number, entry in enumerate(top.get("choices", list, []), 1):
        if not isinstance(entry, dict):
            raise top.problem("choices", "is not a list of tables", "Write each choice under its own [[choices]]")
        one = _Reader(entry, f"choices {number}.")
        answer = one.get("answer", str, "choose")
        if answer not in ANSWERS:
            raise one.problem("answer", f"{answer!r} is not an answer", f"Write one of {', '.join(ANSWERS)}")
        block, cover = (one.get(key, str, required=True) for key in ("block", "cover"))
        day, sow_date = _iso_day(one, "day", required=True) or "", _iso_day(one, "sow_date")
        read_by, read_on = (one.get(key, str, "") for key in ("read_by", "read_on"))
        choice = Choice(block, day, cover, answer, sow_date, read_by, read_on)
        one.finish()
        out.append(choice)
    return tuple(out)


def _cut_outs(top: _Reader) -> tuple[CutOut, ...]:
    """Reasons of holes, one ``[[cut_outs]]`` each."""
    out = []
    for number, entry in enumerate(top.get("cut_outs", list, []), 1):
        if not isinstance(entry, dict):
            raise top.problem("cut_outs", "is not a list of tables", "Write each hole under its own [[cut_outs]]")
        one = _Reader(entry, f"cut_outs {number}.")
        lon, lat = (float(one.get(key, (int, float), required=True)) for key in ("lon", "lat"))
        for key, value, most in (("lon", lon, 180), ("lat", lat, 90)):
            if not -most <= value <= most:
                raise one.problem(key, f"{value:g} is no place", "Write degrees, north and east positive")
        reason = one.get("reason", str, required=True)
        if reason not in HOLE_REASONS:
            raise one.problem("reason", f"{reason!r} is not known", f"Write one of {', '.join(HOLE_REASONS)}")
        out.append(CutOut(lon, lat, reason, one.get("note", str, "")))
        one.finish()
    return tuple(out)


def _cold_offsets(reader: _Reader) -> dict[str, float]:
    offsets = {block: float(reader.get(block, (int, float))) for block in reader.data}
    for block, offset in offsets.items():
        if abs(offset) > LARGEST_OFFSET_DEGC:
            what = f"{offset:g} °C is more than {LARGEST_OFFSET_DEGC:g} away from the weather grid"
            raise reader.problem(block, what, "Write how much colder its still nights are, as -1.5")
    return offsets


def _measure(reader: _Reader, key: str, read: Callable[[str], float], example: str) -> float | None:
    """A length or speed with its unit."""
    text = reader.get(key, str)
    if text is None:
        return None
    try:
        return read(text)
    except ValueError:
        raise reader.problem(key, f"{text!r} is not a number with a unit", f"Write it as {example!r}") from None


def _machinery(reader: _Reader) -> Machinery:
    """Machine for sowing, and how blocks are driven."""
    heading = reader.get("heading", str, "fewest turns")
    if heading not in HEADINGS:
        raise reader.problem("heading", f"{heading!r} is not a way to drive", f"Write one of {', '.join(HEADINGS)}")
    named = reader.table("headings")
    headings = {block: float(named.get(block, (int, float))) for block in named.data}
    for block, degrees in headings.items():
        if not 0 <= degrees < 360:
            raise named.problem(block, f"{degrees:g} is not a heading", "Write degrees from north, 0 to 359")
    beds, pitch = reader.names("beds"), _measure(reader, "bed_pitch", length_m, "1.5 m")
    if beds and pitch is None:
        raise reader.problem("bed_pitch", "is missing", 'Add the distance from bed to bed, as bed_pitch = "1.5 m"')
    turn_s, per_pass = reader.get("turn_s", (int, float)), reader.get("beds_per_pass", int, 1)
    if turn_s is not None and not 0 <= turn_s <= 600:
        raise reader.problem("turn_s", f"{turn_s} is not a time for a turn", "Write seconds, 0 to 600")
    if not 1 <= per_pass <= 20:
        raise reader.problem("beds_per_pass", f"{per_pass} is not a number of beds", "Write 1 to 20")
    found = Machinery(
        width_m=_measure(reader, "working_width", length_m, "3 m"),
        row_spacing_m=_measure(reader, "row_spacing", length_m, "7.5 in"),
        wheel_m=_measure(reader, "wheel", length_m, "2.1 m"),
        headland_m=_measure(reader, "headland", length_m, "6 m"),
        speed_m_s=_measure(reader, "speed", speed_m_s, "6 km/h"),
        turn_s=turn_s,
        heading=heading,
        headings_deg=headings,
        beds=beds,
        bed_pitch_m=pitch,
        beds_per_pass=per_pass,
    )
    reader.finish()
    return found


def _growers_word(reader: _Reader) -> dict[str, GrowersWord]:
    """What the grower says of blocks."""
    out = {}
    for block in reader.data:
        one = reader.table(block)
        values: dict[str, float | str] = {}
        for key, column, factor, low, high in (
            ("ph", "ph", 1.0, 3.0, 10.0),
            ("organic_matter_percent", "organic_matter_fraction", 0.01, 0.0, 100.0),
            ("clay_percent", "clay_fraction", 0.01, 0.0, 100.0),
            ("sand_percent", "sand_fraction", 0.01, 0.0, 100.0),
            ("slope_percent", "slope_fraction", 0.01, 0.0, 100.0),
        ):
            value = one.get(key, (int, float))
            if value is None:
                continue
            if not low <= value <= high:
                raise one.problem(key, f"{value} is not between {low:g} and {high:g}", "Correct it")
            values[column] = float(value) * factor
        if (drainage := one.get("drainage", str)) is not None:
            word = " ".join(drainage.lower().split())
            if word not in DRAINAGE_WORDS:
                raise one.problem("drainage", f"{drainage!r} is not a class", suggestion(word, DRAINAGE_WORDS))
            values["drainage_class"] = word
        if (faces := one.get("faces", str)) is not None:
            word = "-".join(faces.lower().replace("-", " ").split())
            if word not in FACES:
                raise one.problem("faces", f"{faces!r} is not a direction", suggestion(word, FACES))
            values["aspect_deg"] = FACES.index(word) * 360.0 / len(FACES)
        ponds, crusts = one.get("ponds", bool), one.get("crusts", bool)
        reason = one.get("reason", str, required=True)
        out[block] = GrowersWord(values, ponds, crusts, reason, one.get("by", str, ""))
        one.finish()
        if float(values.get("clay_fraction", 0)) + float(values.get("sand_fraction", 0)) > 1:
            raise one.problem("clay_percent", "and sand_percent add up to more than 100", "Correct them")
    return out


def _one_of(reader: _Reader, factors: Mapping[str, float], largest: float) -> float | None:
    """An amount in the one unit that is given, in SI."""
    given = [key for key in factors if key in reader.data]
    if len(given) > 1:
        raise reader.problem(given[1], f"and {given[0]} say the same", "Give one of them")
    if not given:
        return None
    value = reader.get(given[0], (int, float)) * factors[given[0]]
    if not 0 < value <= largest:
        raise reader.problem(given[0], f"{reader.data[given[0]]} cannot be", "Correct it")
    return float(value)


def _hand_weeding(reader: _Reader) -> HandWeeding:
    hours = reader.get("hours", (int, float))
    if hours is not None and not 0 <= hours <= 10_000:
        raise reader.problem("hours", f"{hours} cannot be", "Correct it")
    weeds = _one_of(reader, {"weeds_per_h": 1.0}, 1e5)
    ground = _one_of(reader, {"ground_m2_h": 1.0, "ground_ha_h": HECTARE_M2, "ground_ac_h": ACRE_M2}, 1e6)
    reader.finish()
    return HandWeeding(None if hours is None else float(hours), weeds, ground)


def _costs(reader: _Reader) -> Costs:
    currency = reader.get("currency", str, "")
    machine = _one_of(reader, {"machine_h": 1.0}, 1e5)
    hand = _one_of(reader, {"hand_h": 1.0}, 1e5)
    tarp = _one_of(reader, {"tarp_m2": 1.0, "tarp_ft2": 1 / FOOT_M**2}, 1e4)
    reader.finish()
    return Costs(currency.strip(), machine, hand, tarp)


def _mown_m2_d(reader: _Reader) -> float | None:
    found = _one_of(reader, {"area_m2_d": 1.0, "area_ha_d": HECTARE_M2, "area_ac_d": ACRE_M2}, 1e8)
    reader.finish()
    return found


def _planned_sprays(top: _Reader) -> tuple[dict[str, str], ...]:
    """Cells of each ``[[planned_sprays]]``, as text."""
    out = []
    for number, entry in enumerate(top.get("planned_sprays", list, []), 1):
        if not isinstance(entry, dict):
            remedy = "Write each spray under its own [[planned_sprays]]"
            raise top.problem("planned_sprays", "is not a list of tables", remedy)
        out.append({key: _cell(top, f"planned_sprays {number}.{key}", value) for key, value in entry.items()})
    return tuple(out)


def _cell(top: _Reader, key: str, value: Any) -> str:
    """A value as it would stand in a CSV file."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, date):
        return f"{value:%Y-%m-%d}"
    if not isinstance(value, (str, int, float)):
        raise top.problem(key, "is not text, a number or a date", "Write one of them")
    return str(value)


def _irrigation_set(reader: _Reader) -> IrrigationSet:
    area = _one_of(reader, {"area_m2": 1.0, "area_ha": HECTARE_M2, "area_ac": ACRE_M2}, 1e7)
    flow = _one_of(reader, {"flow_m3_h": 1000.0, "flow_l_min": 60.0, "flow_gpm": 60.0 * GALLON_L}, 1e7)
    rotation = _one_of(reader, {"rotation_d": 1.0}, 120.0)
    method = reader.get("method", str)
    if method is not None and method not in IRRIGATION_METHODS:
        raise reader.problem("method", f"{method!r} is not known", suggestion(method, IRRIGATION_METHODS))
    return IrrigationSet(area, flow, rotation, method)


def _irrigation_sets(reader: _Reader, irrigated: frozenset[str] | None) -> dict[str, IrrigationSet]:
    """The set of all watered blocks, and of single ones."""
    sets = {"": _irrigation_set(reader)} if reader.data else {}
    single = reader.table("blocks")
    for block in single.data:
        one = single.table(block)
        if irrigated is not None and block not in irrigated:
            what = "has an irrigation set, but is not among the blocks that can be watered"
            raise single.problem(block, what, "Add it to irrigation, or take the set out")
        sets[block] = _irrigation_set(one)
        one.finish()
    reader.finish()
    return sets


def _data(raw: bytes) -> dict[str, Any]:
    """What stands in the file."""
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputProblem(FILE, f"line {line}", "is not in UTF-8", "Save the file as UTF-8") from error
    except ValueError as error:  # also a number of thousands of digits
        raise InputProblem(FILE, "", f"cannot be read ({error})", "Correct that line") from error
    except RecursionError as error:
        raise InputProblem(FILE, "", "holds lists in lists without end", "Write it as docs/inputs.md shows") from error


def read_settings(folder: Path) -> FarmSettings:
    """Read ``farm.toml`` of a farm folder.

    Parameters
    ----------
    folder : Path
        Farm folder.

    Returns
    -------
    FarmSettings

    Raises
    ------
    InputProblem
        If the folder or the file is missing, a key is unknown, missing or of the wrong kind,
        or a file that it names does not exist.
    """
    path = folder / FILE
    try:
        is_folder, there = folder.is_dir(), path.exists()
        what = "is a file, not a farm folder" if folder.is_file() else "there is no such farm folder"
    except OSError:  # a name that the file system does not take, or a folder that may not be looked into
        is_folder, there, what = False, False, "is not a folder that can be read"
    if not is_folder:
        raise InputProblem(f"{folder.as_posix():.200}", "", what, "Name the folder that holds farm.toml")
    if not there:
        raise InputProblem(FILE, "", f"is not in the folder {folder.as_posix()!r}", "Add it (docs/inputs.md shows one)")
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise InputProblem(
            FILE, "", f"cannot be opened ({error.strerror})", "Make it a file that you may read"
        ) from error
    return settings_from(raw, folder, folder.resolve().name)


def settings_from(raw: bytes, folder: Path, default_name: str, must_exist: bool = True) -> FarmSettings:
    """Settings from what stands in ``farm.toml``.

    Parameters
    ----------
    raw : bytes
        The file.
    folder : Path
        Folder that its file names are relative to.
    default_name : str
        Name of the farm if it gives none.
    must_exist : bool
        Refuse names of files that are not there, and the lack of those that a folder needs.

    Returns
    -------
    FarmSettings

    Raises
    ------
    InputProblem
        If a key is unknown, missing or of the wrong kind.
    """
    data = _data(raw)
    top, assumptions = _Reader(data, must_exist=must_exist), []
    name = top.get("name", str, default_name)
    units = top.get("units", str, "metric")
    if units not in ("metric", "us"):
        raise top.problem("units", f"{units!r} is not a system of units", 'Write "metric" or "us"')
    irrigation = top.get("irrigation", (bool, list), False)
    if "irrigation" not in data:
        assumptions.append("No irrigation, since farm.toml does not say.")
    irrigated = None if irrigation is True else top.names("irrigation") if irrigation else frozenset()
    eaten = top.get("animals_eat_cover", bool)
    if eaten is None:
        assumptions.append("Nothing grazes the covers and none is cut for feed, since farm.toml does not say.")
    purposes = _purposes(top.table("purposes"))
    if not purposes:
        purposes = (Purpose("weed_suppression", 1.0), Purpose("organic_matter", 1.0))
        assumptions.append("Purposes are weed suppression and organic matter in equal parts, since farm.toml has none.")
    equipment = top.table("equipment")
    owned = {item for item in EQUIPMENT if equipment.get(item, bool, False)}
    equipment.finish()
    if not equipment.data:
        owned = {"spreader", "mower", "tillage"}
        assumptions.append("Spreader, mower and tillage are at hand but no drill, since farm.toml has no equipment.")
    days, waiting, seed = top.table("days"), top.table("waiting"), top.table("seed")
    waiting_d = {k: d for k in ("transplanted", "seeded", "planted") if (d := _days(waiting, f"{k}_d")) is not None}
    waiting.finish()
    growth = top.table("growth_aim")
    station = top.table("station")
    place = None
    if station.data:
        lat, lon = (station.get(k, (int, float), required=True) for k in ("lat", "lon"))
        if not (-90 <= lat <= 90 and -180 <= lon <= 180):
            raise station.problem(
                "", f"lat {lat}, lon {lon} is no place on earth", "Give degrees, north and east positive"
            )
        place = Station(lat, lon, station.get("elevation_m", (int, float)), station.get("name", str, "station"))
        station.finish()
    diseases = top.table("diseases")
    mend = top.table("repairs")
    repairs = Repairs(mend.names("accept"), mend.names("cut_overlap"), mend.names("leave_out"), mend.names("swap_axes"))
    mend.finish()
    settings = FarmSettings(
        folder=folder,
        name=name,
        note=top.get("note", str, ""),
        units=units,
        organic=top.get("organic", bool, False),
        animals_eat_cover=bool(eaten),
        irrigated=irrigated,
        **_files(top.table("files"), folder),
        station=place,
        growth_aim=_aim(growth) if growth.data else None,
        purposes=purposes,
        wanted_odds=_fraction(top, "wanted_odds", 0.8) or 0.8,
        equipment=frozenset(owned),
        clean_up_d=_days(days, "clean_up_d"),
        seedbed_d=_days(days, "seedbed_d"),
        stale_seedbed_d=_days(days, "stale_seedbed_d") or 0,
        waiting_d=waiting_d,
        seed_lots=_seed_lots(top.table("seed_lots")),
        cold_offset_degc=_cold_offsets(top.table("cold_offset_degc")),
        not_wanted=top.names("not_wanted"),
        repairs=repairs,
        growers_word=_growers_word(top.table("growers_word")),
        tile_drained=top.names("tile_drained"),
        diseases={block: diseases.names(block) for block in diseases.data},
        assumptions=tuple(assumptions),
        choices=_choices(top),
        cut_outs=_cut_outs(top),
        irrigation_sets=_irrigation_sets(top.table("irrigation_set"), irrigated),
        reserve_odds=_fraction(seed, "reserve_odds"),
        machinery=_machinery(top.table("machinery")),
        office=_office(top.table("records")),
        hand_weeding=_hand_weeding(top.table("hand_weeding")),
        costs=_costs(top.table("costs")),
        planned_sprays=_planned_sprays(top),
        spray_distance_m=_measure(top, "spray_distance", length_m, "60 m"),
        mown_m2_d=_mown_m2_d(top.table("mowing")),
    )
    days.finish()
    seed.finish()
    top.finish()
    return settings
