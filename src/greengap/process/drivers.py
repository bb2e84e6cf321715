"""What is known of a block and a species before growth is run: daily drivers, and the dates of events.

Each is reckoned once over the whole weather record, by small functions of the other modules, and read
by position: a sowing date in a weather year is a position in the record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import xarray as xr

from greengap.catalogue import Catalogue, Species, Value
from greengap.process import day_loop as loop
from greengap.process.emergence import depth_factor, dry_day, moisture_factor
from greengap.process.evapotranspiration import hargreaves, penman_monteith
from greengap.process.growth import heat_factor, temperature_factor
from greengap.process.hardiness import crown_temperature, hardened_share, killed_share, snow_water_mm
from greengap.process.nitrogen import decay_temperature_factor, decay_water_factor, mineralised
from greengap.process.phenology import cold_sums, flower_day, next_long_day, photoperiod_factor, viable_seed_day
from greengap.process.radiation import day_length_cbm, extraterrestrial_radiation, hargreaves_radiation
from greengap.process.seedbed import crust_share, method_share
from greengap.process.soil_hydraulics import air_entry_kpa, hydrologic_group, saxton_rawls, water_potential_kpa
from greengap.process.soil_temperature import soil_temperature_5cm
from greengap.process.soil_water import readily_evaporable_mm, runoff_mm, total_evaporable_mm
from greengap.process.standing import Seen
from greengap.process.thermal_time import cumulative, day_reached, degree_days

NEVER = 10**9  # a position that does not come
CIVIL_TWILIGHT_DEG = 6.0  # sun below the horizon: day length as plants count it
CURVE_POINTS = 200
BLOCKS_AT_ONCE = 64  # whose soil temperature is run side by side: bounds the memory


@dataclass(frozen=True)
class Place:
    """What the season needs to know of a block besides its weather."""

    soil: pd.Series  # one row of Soil
    lat: float
    irrigated: bool
    cold_offset_degc: float
    elevation_m: float = 0.0
    method: str = "drilled"  # or broadcast
    stale_seedbed_d: int = 0  # days by which the bed is ready before sowing, its weeds killed then
    crusts: bool = False


class BlockDays:
    """Daily series of one block and the sums that all covers share; each is reckoned once.

    Parameters
    ----------
    site : xarray.Dataset
        One weather site: `tmin_degc`, `tmax_degc`, `precipitation_mm`, perhaps `radiation_mj_m2_d`, by `date`.
    place : Place
        The block.
    catalogue : Catalogue
        For the rules of practice.
    """

    def __init__(self, site: xr.Dataset, place: Place, catalogue: Catalogue) -> None:
        self.dates = site["date"].to_numpy().astype("datetime64[D]")
        tmin = site["tmin_degc"].to_numpy().astype(float)
        tmax = site["tmax_degc"].to_numpy().astype(float)
        rain = site["precipitation_mm"].to_numpy().astype(float)
        missing = np.isnan(tmin) | np.isnan(tmax) | np.isnan(rain)
        self.missing_before = np.concatenate([[0], np.cumsum(missing)])
        # Recursive models have to pass over missing days; years with any are not used.
        self.tmin, self.tmax, self.rain = _bridged(tmin), _bridged(tmax), np.nan_to_num(rain)
        self.tmin = np.minimum(self.tmin, self.tmax)
        self._radiation = site["radiation_mj_m2_d"].to_numpy().astype(float) if "radiation_mj_m2_d" in site else None
        self.place, self.catalogue = place, catalogue
        self._sums: dict[tuple[object, ...], np.ndarray] = {}

    # -- light, heat, water of the place --------------------------------------------------------

    @cached_property
    def day_of_year(self) -> np.ndarray:
        """Day of the year of each day, shape (day,)."""
        return (self.dates - self.dates.astype("datetime64[Y]")).astype(int) + 1

    @cached_property
    def new_year_index(self) -> np.ndarray:
        """Position of 1 January of each day's year, not before the record, shape (day,)."""
        return np.maximum(np.arange(self.dates.size) - (self.day_of_year - 1), 0)

    @cached_property
    def extraterrestrial(self) -> np.ndarray:
        """Radiation above the atmosphere, shape (day,) [MJ m-2 d-1]."""
        return extraterrestrial_radiation(self.place.lat, self.day_of_year)

    @cached_property
    def civil_day_length(self) -> np.ndarray:
        """Day length with civil twilight, shape (day,) [h]."""
        return day_length_cbm(self.place.lat, self.day_of_year, CIVIL_TWILIGHT_DEG)

    @cached_property
    def radiation(self) -> np.ndarray:
        """Global radiation, measured or from the temperature range, shape (day,) [MJ m-2 d-1]."""
        estimated = hargreaves_radiation(self.tmin, self.tmax, self.extraterrestrial)
        if self._radiation is None:
            return estimated
        return np.where(np.isnan(self._radiation), estimated, self._radiation)

    @cached_property
    def light(self) -> np.ndarray:
        """Light that plants can use, shape (day,) [MJ m-2 d-1]."""
        return self.radiation * self.catalogue.rule("photosynthetic_share")

    @cached_property
    def reference_evapotranspiration(self) -> np.ndarray:
        """Reference evapotranspiration, shape (day,) [mm d-1]: Penman-Monteith where radiation is measured."""
        if self._radiation is None:
            return hargreaves(self.tmin, self.tmax, self.extraterrestrial)
        return penman_monteith(self.tmin, self.tmax, self.radiation, self.extraterrestrial, self.place.elevation_m)

    @cached_property
    def soil_temperature(self) -> np.ndarray:
        """Soil temperature at 5 cm under a bare seedbed, shape (day,) [°C]."""
        return _soil_temperatures([self])[0]

    @cached_property
    def hydraulics(self) -> dict[str, float]:
        """Water contents of the plough layer [fraction], potential at air entry [kPa], evaporation layer [mm]."""
        soil, rule = self.place.soil, self.catalogue.rule
        texture = (float(soil.sand_fraction), float(soil.clay_fraction), float(soil.organic_matter_fraction))
        water = saxton_rawls(*texture)
        wilting = float(water.wilting_point_fraction)
        capacity = wilting + float(soil.available_water_fraction)  # the map's word for available water stands
        layer_m = rule("evaporation_layer") / 1000
        return {
            "wilting": wilting,
            "capacity": capacity,
            "saturation": max(float(water.saturation_fraction), capacity + 0.01),
            "entry": float(air_entry_kpa(*texture)),
            "evaporable": float(total_evaporable_mm(capacity, wilting, layer_m)),
            "readily": float(readily_evaporable_mm(texture[0], texture[1])),
            "below": 1000 * rule("evaporable_wilting_share") * wilting * layer_m,
            "group": float("abcd".index(hydrologic_group(float(water.saturated_conductivity_mm_h)))),
        }

    @property
    def available(self) -> float:
        """Available water of the plough layer [fraction]."""
        return float(self.place.soil.available_water_fraction)

    @property
    def field_capacity(self) -> float:
        """Water of the plough layer at field capacity [fraction]."""
        return self.hydraulics["capacity"]

    @property
    def evaporable(self) -> tuple[float, float, float]:
        """Water that the evaporation layer gives, the part given readily, and that below wilting point [mm]."""
        water = self.hydraulics
        return water["evaporable"], min(water["readily"], water["evaporable"]), water["below"]

    @cached_property
    def ground(self) -> np.ndarray:
        """Numbers of the soil as the day loop reads them."""
        numbers = np.zeros(loop.GROUND_NUMBERS, np.float32)
        water = self.hydraulics
        numbers[loop.AVAILABLE] = self.available
        numbers[loop.START_SHARE] = self.catalogue.rule("soil_water_share")
        numbers[loop.EVAPORABLE] = water["evaporable"]
        numbers[loop.READILY_EVAPORABLE] = min(water["readily"], water["evaporable"])
        numbers[loop.BELOW_WILTING] = water["below"]
        numbers[loop.IRRIGATED] = self.place.irrigated
        return numbers

    @cached_property
    def rain_after_runoff(self) -> np.ndarray:
        """Rain that enters the ground under a close stand, shape (day,) [mm]."""
        group = "abcd"[int(self.hydraulics["group"])]
        return self.rain - runoff_mm(self.rain, self.catalogue.rule(f"curve_number_close_grown_{group}"))

    @cached_property
    def _bare(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        water = self.hydraulics
        profile_mm = self.available * self.catalogue.rule("soil_profile_depth") * 1000
        return loop.bare_days(
            self.rain_after_runoff, self.reference_evapotranspiration, profile_mm, water["evaporable"],
            min(water["readily"], water["evaporable"]), water["below"],
        )  # fmt: skip

    @property
    def bare_surface_mm(self) -> np.ndarray:
        """Depletion of the evaporation layer of bare ground, shape (day,) [mm]."""
        return self._bare[0]

    def bare_evaporation(self, first: np.ndarray, last: np.ndarray) -> np.ndarray:
        """Evaporation of bare ground from one day to another, both counted [mm]."""
        return _between(self._bare[1], first, last)

    def bare_drainage(self, first: np.ndarray, last: np.ndarray) -> np.ndarray:
        """Water that drains below bare ground from one day to another, both counted [mm]."""
        return _between(self._bare[2], first, last)

    def mean_temperature(self, first: np.ndarray, last: np.ndarray) -> np.ndarray:
        """Mean air temperature from one day to another, both counted [°C]."""
        return _between((self.tmin + self.tmax) / 2, first, last) / (last + 1 - first)

    def seed_zone_mpa(self, depth_mm: float, watered: bool | None = None) -> np.ndarray:
        """Water potential at the seed, moist where the block is watered or is taken to be, shape (day,) [MPa].

        The evaporation layer dries from the top: its depletion is felt less the deeper the seed lies.
        """
        water, rule = self.hydraulics, self.catalogue.rule
        felt = np.exp(-depth_mm / rule("seed_zone_scale")) / rule("evaporation_layer")
        watered = self.place.irrigated if watered is None else watered
        theta = water["capacity"] - (0.0 if watered else felt * self.bare_surface_mm)
        potential = water_potential_kpa(
            np.broadcast_to(theta, self.dates.shape),
            water["wilting"],
            water["capacity"],
            water["saturation"],
            water["entry"],
        )
        return potential / 1000

    def at_seed_mpa(self, depth_mm: float) -> np.ndarray:
        """Water potential at a sowing depth, reckoned once, shape (day,) [MPa]."""
        key = ("at seed", depth_mm)
        if key not in self._sums:
            self._sums[key] = self.seed_zone_mpa(depth_mm)
        return self._sums[key]

    @cached_property
    def _decay_wetness(self) -> np.ndarray:
        """Share of the full speed of decay that the moisture of the top soil lets through, shape (day,)."""
        water = self.hydraulics
        lacking = 0.0 if self.place.irrigated else self.bare_surface_mm
        theta = np.broadcast_to(
            water["capacity"] - lacking / self.catalogue.rule("evaporation_layer") / 2, self.dates.shape
        )
        return decay_water_factor(theta, water["wilting"] / 2, water["capacity"], water["saturation"])

    @cached_property
    def decay_speed(self) -> np.ndarray:
        """Share of the full speed at which residue decays, by warmth and moisture, shape (day,)."""
        return decay_temperature_factor(self.soil_temperature) * self._decay_wetness

    @cached_property
    def decay_sums(self) -> np.ndarray:
        """Running sum of `decay_speed`, shape (day,) [d]."""
        return np.cumsum(self.decay_speed)

    @cached_property
    def mineralised(self) -> np.ndarray:
        """Nitrogen that humus sets free, shape (day,) [kg ha-1 d-1]."""
        soil, rule, water = self.place.soil, self.catalogue.rule, self.hydraulics
        mass_kg_ha = float(soil.bulk_density_mg_m3) * rule("humus_depth") * 1e4
        carbon = mass_kg_ha * float(soil.organic_matter_fraction) * rule("organic_carbon_share")
        theta = water["capacity"] - self.bare_surface_mm / rule("evaporation_layer") / 2
        wet = decay_water_factor(theta, water["wilting"] / 2, water["capacity"], water["saturation"])
        return mineralised(self.soil_temperature, carbon / rule("humus_carbon_to_nitrogen"), wet, rule("humus_decay"))

    @cached_property
    def weed_warmth(self) -> np.ndarray:
        """Running soil sum of weeds that are up, shape (day,) [°C d]."""
        base = self.catalogue.rule("weed_base_temperature")
        return cumulative(degree_days(self.soil_temperature, self.soil_temperature, base, None, "average"))

    @cached_property
    def weed_germination(self) -> np.ndarray:
        """Running hydrothermal sum of weed seed, which waits for rain as the cover's does, shape (day,) [°C d]."""
        rule = self.catalogue.rule
        wet = moisture_factor(self.at_seed_mpa(rule("weed_seed_depth")), rule("weed_seed_base_water_potential"))
        return cumulative(np.diff(self.weed_warmth, prepend=0.0) * wet)

    # -- the species on the place ----------------------------------------------------------------

    def sums(self, value: Value) -> np.ndarray:
        """Running thermal sum on the clock of `value`, shape (day,) [°C d]."""
        key = (value.clock, value.method, value.base_degc, value.upper_degc)
        if key not in self._sums:
            self._sums[key] = cumulative(self._daily(value))
        return self._sums[key]

    def _daily(self, value: Value) -> np.ndarray:
        low, high = (self.soil_temperature,) * 2 if value.clock == "soil" else (self.tmin, self.tmax)
        return degree_days(low, high, value.base_degc or 0.0, value.upper_degc, value.method)

    def emergence_sums(self, species: Species, depth_mm: float) -> np.ndarray:
        """Running hydrothermal sum of germination and emergence, shape (day,) [°C d]."""
        key = ("emergence", species.key, depth_mm)
        if key not in self._sums:
            wet = moisture_factor(self.at_seed_mpa(depth_mm), species.number("seed_base_water_potential"))
            self._sums[key] = cumulative(self._daily(species.values["emergence_sum"]) * wet)
        return self._sums[key]

    def dry_days(self, species: Species, depth_mm: float) -> np.ndarray:
        """Running count of days too dry for the seed, shape (day,)."""
        key = ("dry", species.key, depth_mm)
        if key not in self._sums:
            dry = dry_day(self.rain, self.at_seed_mpa(depth_mm), species.number("seed_base_water_potential"))
            self._sums[key] = np.cumsum(dry & (not self.place.irrigated)).astype(float)
        return self._sums[key]

    def lacking_days(self, species: Species, depth_mm: float) -> np.ndarray:
        """The same if nobody watered, shape (day,)."""
        if not self.place.irrigated:
            return self.dry_days(species, depth_mm)
        key = ("lacking", species.key, depth_mm)
        if key not in self._sums:
            potential = self.seed_zone_mpa(depth_mm, watered=False)
            lacking = dry_day(self.rain, potential, species.number("seed_base_water_potential"))
            self._sums[key] = np.cumsum(lacking).astype(float)
        return self._sums[key]

    def hot_days(self, species: Species) -> np.ndarray:
        """Running count of days too hot for seedlings, shape (day,)."""
        key = ("hot", species.key)
        if key not in self._sums:
            limit = species.number("heat_limit_establishment") if species.has("heat_limit_establishment") else np.inf
            self._sums[key] = np.cumsum(self.tmax > limit).astype(float)
        return self._sums[key]

    def development_sums(self, species: Species) -> np.ndarray:
        """Running sum of development, day length taken in, shape (day,) [°C d]."""
        key = ("development", species.key)
        if key not in self._sums:
            daily = self._daily(species.values["flower_sum"])
            if species.has("photoperiod_critical"):
                hours = self.civil_day_length
                slope = species.number("photoperiod_sensitivity")
                slope = -slope if species.text("photoperiod_type") == "short day" else slope
                critical = species.number("photoperiod_critical")
                reference = photoperiod_factor(species.number("photoperiod_reference"), critical, slope)
                daily = daily * photoperiod_factor(hours, critical, slope) / reference
            self._sums[key] = cumulative(daily)
        return self._sums[key]

    def cold_sums(self, species: Species) -> np.ndarray:
        """Running sum of the cold that a winter type needs before it heads, shape (day,) [°C d]."""
        below = species.number("vernalisation_below")
        key = ("cold", below)
        if key not in self._sums:
            self._sums[key] = cold_sums((self.tmin + self.tmax) / 2, below)
        return self._sums[key]

    @cached_property
    def snow_mm(self) -> np.ndarray:
        """Water that lies as snow at the end of each day, shape (day,) [mm]."""
        rule = self.catalogue.rule
        return snow_water_mm(
            self.rain, (self.tmin + self.tmax) / 2, self.tmax,
            rule("snow_falls_below"), rule("snow_melts_above"), rule("snow_melt"),
        )  # fmt: skip

    @cached_property
    def crown_degc(self) -> np.ndarray:
        """Lowest temperature of the night at the crown of an overwintering stand, shape (day,) [°C]."""
        rule = self.catalogue.rule
        return crown_temperature(
            self.tmin + self.place.cold_offset_degc, self.snow_mm / rule("snow_density") / 10,
            rule("crown_frost_under_snow"), rule("crown_frost_without_snow"), rule("deep_snow") / 10,
        )  # fmt: skip

    @cached_property
    def lack_of_hardening_degc(self) -> np.ndarray:
        """By how much a stand that cold has not hardened dies sooner, shape (day,) [°C]."""
        rule = self.catalogue.rule
        days = (int(rule(f"hardening_{word}")) for word in ("days", "memory"))
        hard = hardened_share((self.tmin + self.tmax) / 2, rule("hardening_temperature"), *days)
        return rule("hardening_gain") * (1 - hard)

    def frost_sums(self, species: Species) -> np.ndarray:
        """Running loss by frost, as the negative logarithm of what lives, shape (day,)."""
        key = ("frost", species.key)
        if key not in self._sums:
            hardened, width = species.number("frost_kill_temperature"), species.number("frost_kill_width")
            if species.has("overwintering_organ"):
                lost = killed_share(self.crown_degc, hardened + self.lack_of_hardening_degc, width)
            else:
                lost = killed_share(self.tmin + self.place.cold_offset_degc, hardened, width)
            self._sums[key] = np.cumsum(-np.log1p(-np.minimum(lost, 1 - 1e-12)))
        return self._sums[key]

    def growth_factors(self, species: Species) -> tuple[np.ndarray, np.ndarray]:
        """Temperature and heat factors of growth, each of shape (day,)."""
        key = ("growth", species.key)
        if key not in self._sums:
            warmth = temperature_factor(
                (self.tmin + self.tmax) / 2,
                species.number("growth_base_temperature"),
                species.number("optimum_temperature"),
            )
            heat = heat_factor(self.tmax, species.number("heat_growth_start"), species.number("heat_growth_half"))
            self._sums[key] = np.stack([warmth, heat])
        return self._sums[key][0], self._sums[key][1]

    def long_day_index(self, hours: float) -> np.ndarray:
        """For each day, the position of the next day at least `hours` long, -1 if none."""
        key = ("long day", hours)
        if key not in self._sums:
            self._sums[key] = next_long_day(day_length_cbm(self.place.lat, self.day_of_year), hours)
        return self._sums[key]

    def soil_warm(self, minimum_degc: float) -> np.ndarray:
        """Days on which sowing finds warm soil: the running mean holds for some days, shape (day,)."""
        mean_d, hold_d = (int(self.catalogue.rule(f"soil_warm_{word}")) for word in ("mean", "hold"))
        before = np.concatenate([[0.0], np.cumsum(self.soil_temperature)])
        mean = np.full(self.dates.size, -np.inf)
        mean[mean_d - 1 :] = (before[mean_d:] - before[:-mean_d]) / mean_d
        warm = mean >= minimum_degc
        held = warm.copy()
        for ahead in range(1, hold_d):
            held[:-ahead] &= warm[ahead:]
        return held

    def establishment_water(
        self, start: np.ndarray, up: list[np.ndarray], species: list[Species], depths_mm: dict[str, float]
    ) -> np.ndarray:
        """Irrigation that keeps the seed zone of the thirstiest component moist until it is up, or would [mm]."""
        rule, last = self.catalogue.rule, self.dates.size - 1
        need = np.zeros(start.shape)
        for s, emerged in zip(species, up, strict=True):
            dry = self.lacking_days(s, depths_mm[s.key])
            days = dry[np.minimum(np.minimum(emerged, start + int(rule("longest_emergence"))), last)] - dry[start]
            need = np.maximum(need, np.ceil(days / rule("establishment_interval")) * rule("establishment_irrigation"))
        return need


def _soil_temperatures(blocks: Sequence[BlockDays]) -> np.ndarray:
    """Soil temperature at 5 cm of blocks with the same days, shape (block, day) [°C]."""
    rule, soils = blocks[0].catalogue.rule, [block.place.soil for block in blocks]
    depth_mm = rule("soil_profile_depth") * 1000
    water = [[float(soil.available_water_fraction * rule("soil_water_share") * depth_mm)] for soil in soils]
    return soil_temperature_5cm(
        tmin_degc=np.stack([block.tmin for block in blocks]),
        tmax_degc=np.stack([block.tmax for block in blocks]),
        radiation_mj_m2_d=np.stack([block.radiation for block in blocks]),
        bulk_density_mg_m3=[float(soil.bulk_density_mg_m3) for soil in soils],
        soil_water_mm=water,
        profile_depth_mm=depth_mm,
        mean_annual_air_degc=[float(np.mean((block.tmin + block.tmax) / 2)) for block in blocks],
        surface_excess_degc=rule("surface_excess"),
    )


def run_soil_temperature(blocks: Sequence[BlockDays]) -> None:
    """Reckon the soil temperature of many blocks of one weather record side by side.

    Each day needs the one before, so that blocks are the only axis to run along; a block that is
    left out reckons its own when it is first asked for, with the same result.
    """
    for low in range(0, len(blocks), BLOCKS_AT_ONCE):
        some = blocks[low : low + BLOCKS_AT_ONCE]
        for block, degc in zip(some, _soil_temperatures(some), strict=True):
            block.__dict__["soil_temperature"] = degc  # where a cached property keeps its value


def _bridged(series: np.ndarray) -> np.ndarray:
    """The series with missing days bridged."""
    return pd.Series(series).interpolate(limit_direction="both").to_numpy()


def _between(series: np.ndarray, first: np.ndarray, last: np.ndarray) -> np.ndarray:
    before = np.concatenate([[0.0], np.cumsum(series)])
    return before[last + 1] - before[first]


def middle_depth(species: Species) -> float:
    """Middle of the depths a species is sown at [mm]."""
    low, high = species.range("seeding_depth")
    return (low + high) / 2


def canopy_share(stand_share: np.ndarray, catalogue: Catalogue) -> np.ndarray:
    """Canopy of a thin stand against a full one: its plants branch into part of the room."""
    return np.asarray(np.minimum(1.0, stand_share) ** catalogue.rule("stand_leaf_exponent"))


def component_events(
    days: BlockDays,
    species: Species,
    start: np.ndarray,
    margin_d: int,
    depth_mm: float | None = None,
    found: Seen | None = None,
) -> dict[str, np.ndarray]:
    """Events of one component for every sowing: positions in the record, `NEVER` where they do not come.

    Parameters
    ----------
    days : BlockDays
    species : Species
    start : ndarray of int, shape (sowing, year)
        Position of the sowing day.
    margin_d : int
        Days before viable seed by which the cover has to be ended [d].
    depth_mm : float, optional
        Sowing depth, else the middle of what the species is sown at [mm].
    found : Seen, optional
        What stands there by somebody's word; it replaces emergence and stand, and all that follows from them.

    Returns
    -------
    dict
        Positions: `emerged`, `develops` (the day before its sums to flower and seed begin: that of emergence, of
        a winter type that on which it has had its cold), `flower`, `bloom_end`, `seed`, `seed_end` (seed less its
        margin), `kill`; shares:
        `stand_share` of the stand aimed at, `canopy_share` of a full canopy, `heat_share` of hot days while
        it establishes.
    """
    last, rule, number = days.dates.size - 1, days.catalogue.rule, species.number
    depth = middle_depth(species) if depth_mm is None else depth_mm
    sums, dried = days.emergence_sums(species, depth), days.dry_days(species, depth)
    up = day_reached(sums, start, number("emergence_sum"))
    up = np.where(up - start > rule("longest_emergence"), -1, up)
    if found is not None:
        up = found.emerged(up)
    imbibed = day_reached(sums, start, number("emergence_sum") * rule("imbibition_share"))
    seen = np.where(up < 0, np.minimum(start + int(rule("longest_emergence")), last), up)
    dry = np.where(imbibed < 0, 0.0, dried[seen] - dried[np.maximum(imbibed, 0)])
    watched = np.minimum(np.maximum(seen, start + int(rule("heat_watch"))), last)
    hot = days.hot_days(species)[watched] - days.hot_days(species)[start]
    low, high = species.range("seeding_depth")
    deep = depth_factor(depth, low, high, number("seed_weight"))
    deep = deep * method_share(species, days.place.method, days.catalogue)
    if days.place.crusts:
        deep = deep * crust_share(species, days.catalogue)
    if species.has("stand_multiplier"):
        deep = deep * number("stand_multiplier")
    stand = np.exp(-number("dry_loss") * np.maximum(dry, 0) - rule("heat_loss") * hot) * deep
    stand = np.where(up < 0, 0.0, stand)
    if found is not None:
        stand = np.where(np.isnan(found.stand), stand, np.where(up < 0, 0.0, found.stand))

    def when(index: np.ndarray) -> np.ndarray:
        return np.where(index < 0, NEVER, index)

    after_up = np.where((up >= 0) & (up < last), up + 1, -1)
    develops = up
    if species.has("vernalisation_cold"):
        develops = day_reached(days.cold_sums(species), after_up, number("vernalisation_cold"))
    counted = np.where((develops >= 0) & (develops < last), develops + 1, -1)
    development = days.development_sums(species)
    long_day = days.long_day_index(number("flower_day_length")) if species.has("flower_day_length") else None
    flower = flower_day(development, counted, number("flower_sum"), long_day)
    seed = viable_seed_day(development, counted, number("flower_sum"), number("viable_seed_sum"), flower)
    after_flower = np.where((flower >= 0) & (flower < last), flower + 1, -1)
    bloom_end = day_reached(days.sums(species.values["bloom_length_sum"]), after_flower, number("bloom_length_sum"))
    kill = when(day_reached(days.frost_sums(species), after_up, -np.log(1 - rule("frost_dead_share"))))
    flower, seed, bloom_end = when(flower), when(seed), when(bloom_end)
    seed = np.where(seed < kill, seed, NEVER)
    return {
        "emerged": when(up),
        "develops": when(develops),
        "flower": np.where(flower < kill, flower, NEVER),
        "bloom_end": np.minimum(bloom_end, kill),
        "seed": seed,
        "seed_end": np.where(seed < NEVER, seed - margin_d, NEVER),
        "kill": kill,
        "stand_share": stand,
        "canopy_share": canopy_share(stand, days.catalogue),
        "heat_share": np.clip(hot / np.maximum(watched - start, 1), 0, 1),
    }


def component_numbers(species: Species, weight: float, catalogue: Catalogue) -> np.ndarray:
    """Numbers of one component as the day loop reads them, shape (PLANT_NUMBERS,).

    Parameters
    ----------
    species : Species
    weight : float
        Share of the ground that the component would fill, its share of the sole rate over the sum of
        the shares: replacement thinking, so that a mix is no thicker than its components.
    catalogue : Catalogue
    """
    number, out = species.number, np.zeros(loop.PLANT_NUMBERS)
    first = (number("leaf_area_first_fraction"), number("leaf_area_first_share"))
    second = (number("leaf_area_second_fraction"), number("leaf_area_second_share"))
    # SWAT's S curve through two points: f / (f + exp(c1 - c2 f)).
    heights = [np.log(f / y - f) for f, y in (first, second)]
    out[loop.CURVE_2] = (heights[0] - heights[1]) / (second[0] - first[0])
    out[loop.CURVE_1] = heights[0] + out[loop.CURVE_2] * first[0]
    out[loop.PER_UNIT] = 1 / number("maturity_sum")
    out[loop.LAYER_MOST] = number("leaf_area_maximum") * number("light_extinction") * weight
    out[loop.SENESCENCE] = number("senescence_fraction")
    # g/MJ on a square metre are 10 kg/ha for each MJ/m2.
    out[loop.LIGHT_USE] = number("radiation_use") * number("radiation_use_multiplier") * 10
    out[loop.SHOOT_YOUNG], out[loop.SHOOT_RIPE] = species.range("shoot_share")
    out[loop.LEGUME] = species.kind == "legume"
    out[loop.KCB], out[loop.READY_SHARE] = number("basal_crop_coefficient"), number("depletion_fraction")
    out[loop.ROOT_START] = catalogue.rule("root_depth_at_emergence") * 1000
    out[loop.ROOT_RATE], out[loop.ROOT_MOST] = number("root_growth"), number("root_depth_maximum") * 1000
    if species.kind != "legume":
        a, b = number("nitrogen_dilution_a"), number("nitrogen_dilution_b")
        flat_t_ha = max(number("nitrogen_dilution_from") / 1000, 1.0)
        mass = np.linspace(flat_t_ha, 25.0, CURVE_POINTS)
        need = 1000 * a * mass ** (1 - b)
        # Fitted to relative error, so that a light stand is met as well as a heavy one.
        powers = np.vander(mass**0.25, 5, increasing=True) / need[:, None]
        out[loop.CRITICAL_0 : loop.CRITICAL_4 + 1] = np.linalg.lstsq(powers, np.ones(mass.size), rcond=None)[0]
        out[loop.CRITICAL_FROM], out[loop.CRITICAL_LOW] = flat_t_ha, 1000 * a * flat_t_ha**-b
    return out
