"""From a farm folder to a farm: every file is read here, before anything is reckoned."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import xarray as xr

from greengap.catalogue import OWN_FILE, Catalogue, load_catalogue, with_own
from greengap.errors import ImportReport, InputProblem
from greengap.farm.crop_calendar import read_crop_calendar
from greengap.farm.fields import read_blocks
from greengap.farm.law_lists import HERBICIDE_FILE, NAMES_FILE, LawLists, read_law_lists
from greengap.farm.seed_lists import PRICE_FILE, STOCK_FILE, SeedLists, add_tags, read_seed_lists
from greengap.farm.settings import FILE, FarmSettings, read_settings, suggestion
from greengap.process.soil_hydraulics import saxton_rawls, texture_class
from greengap.site.soil import complete_soil, merge_soil, soil_from_rasters
from greengap.site.soil_survey import soil_from_survey
from greengap.site.weather import cell_weights, read_weather, site_weather
from greengap.tables import Block, ClassShare, CropCalendar, DataFrame, GeoDataFrame, Soil


@dataclass(frozen=True)
class Farm:
    """A farm as read: what it is, and what the place is.

    Attributes
    ----------
    weather : xarray.Dataset
        Dimensions (site_id, date).
    site_of_block : dict of block_id to site_id
    report : ImportReport
        What became of every row that was read, and what was assumed.
    inputs : dict of file to sha256
    seed_lists : SeedLists
        Seed in the shed and on offer.
    law_lists : LawLists
        Names on lists of noxious weeds, and what was sprayed.
    """

    settings: FarmSettings
    catalogue: Catalogue
    blocks: GeoDataFrame[Block]
    crop_calendar: DataFrame[CropCalendar]
    soil: DataFrame[Soil]
    class_shares: DataFrame[ClassShare]
    weather: xr.Dataset
    site_of_block: dict[str, str]
    report: ImportReport
    inputs: dict[str, str]
    seed_lists: SeedLists = field(default_factory=SeedLists)
    law_lists: LawLists = field(default_factory=LawLists)


def _hydraulics(
    sand: np.ndarray, clay: np.ndarray, organic_matter: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Texture class, available water [fraction] and bulk density [Mg/m3] of soils."""
    water = saxton_rawls(sand, clay, organic_matter)
    return (
        texture_class(sand, clay),
        water.field_capacity_fraction - water.wilting_point_fraction,
        water.bulk_density_mg_m3,
    )


def _fingerprints(settings: FarmSettings) -> dict[str, str]:
    files = [
        *(settings.folder / name for name in (FILE, OWN_FILE, STOCK_FILE, PRICE_FILE, NAMES_FILE, HERBICIDE_FILE)),
        settings.polygons,
        settings.crop_calendar,
        *settings.weather,
    ]
    files += [raster.path for raster in settings.soil_rasters.values()]
    if settings.soil_survey:
        files += [settings.soil_survey.polygons, settings.soil_survey.components, settings.soil_survey.horizons]
    return {settings.shown(f): hashlib.sha256(f.read_bytes()).hexdigest() for f in sorted(set(files)) if f.is_file()}


def _known_blocks(settings: FarmSettings, block_ids: set[str]) -> None:
    """Refuse names in farm.toml that are not blocks, whether they can be planned or not."""
    named = {
        "irrigation": settings.irrigated or frozenset(),
        "cold_offset_degc": settings.cold_offset_degc,
        "diseases": settings.diseases,
        "tile_drained": settings.tile_drained,
    }
    for key, names in named.items():
        for name in sorted(names):
            if name not in block_ids:
                raise InputProblem(FILE, key, f"{name!r} is not a block", suggestion(name, sorted(block_ids)))


def _known_covers(settings: FarmSettings, catalogue: Catalogue) -> None:
    """Refuse names in farm.toml that are not in the catalogue."""
    for key, names, known in (
        ("not_wanted", settings.not_wanted, catalogue.covers),
        ("seed_lots", settings.seed_lots, {k: s for k, s in catalogue.species.items() if not s.not_offered}),
    ):
        for name in sorted(names):
            if name not in known:
                raise InputProblem(FILE, key, f"{name!r} is not in the catalogue", suggestion(name, sorted(known)))


def read_farm(folder: str | Path) -> Farm:
    """Read a farm folder.

    Parameters
    ----------
    folder : str or Path
        Folder with ``farm.toml`` and the files that it names (docs/inputs.md).

    Returns
    -------
    Farm

    Raises
    ------
    InputProblem
        If something cannot be used; nothing has been written by then.
    """
    settings, catalogue, report = read_settings(Path(folder)), load_catalogue(), ImportReport()
    if (settings.folder / OWN_FILE).exists():
        catalogue = with_own(catalogue, settings.folder / OWN_FILE)
    for sentence in settings.assumptions:
        report.assume(sentence)
    blocks = read_blocks(
        settings.polygons,
        settings.shown(settings.polygons),
        report,
        layer=settings.polygons_layer,
        crs=settings.polygons_crs,
        block_column=settings.block_column,
        field_column=settings.field_column,
    )
    set_aside = blocks.attrs["set_aside"]
    _known_blocks(settings, {*blocks["block_id"], *set_aside})
    _known_covers(settings, catalogue)
    calendar = read_crop_calendar(
        settings.crop_calendar,
        settings.shown(settings.crop_calendar),
        report,
        list(blocks["block_id"]),
        catalogue,
        set_aside,
    )
    partial, shares = soil_from_rasters(blocks, settings.soil_rasters, settings.shown, report)
    if settings.soil_survey:
        survey = settings.soil_survey
        mapped = soil_from_survey(blocks, survey.polygons, survey.components, survey.horizons, settings.shown, report)
        partial, shares = merge_soil((partial, shares), mapped)
    soil = complete_soil(partial, report, _hydraulics)
    place = settings.station
    weather = read_weather(
        settings.weather,
        settings.shown,
        report,
        station=(place.lat, place.lon, place.elevation_m, place.name) if place else None,
        near=tuple(float(bound) for bound in blocks.total_bounds),
    )
    sites, site_of_block = site_weather(weather, cell_weights(blocks, weather, report))
    stock, prices, names, herbicides = (
        path if (path := settings.folder / name).exists() else None
        for name in (STOCK_FILE, PRICE_FILE, NAMES_FILE, HERBICIDE_FILE)
    )
    seed_lists = add_tags(read_seed_lists(stock, prices, catalogue, report), settings.seed_lots)
    known = [*blocks["block_id"], *set_aside]
    law_lists = read_law_lists(names, herbicides, known, catalogue, report)
    return Farm(
        settings, catalogue, blocks, calendar, soil, shares, sites, site_of_block, report, _fingerprints(settings),
        seed_lists, law_lists,
    )  # fmt: skip


def with_seed_lists(farm: Farm, stock: Path | None, prices: Path | None) -> Farm:
    """The farm with other lists of seed than those in its folder.

    Parameters
    ----------
    farm : Farm
    stock, prices : Path or None
        None leaves the farm's own.

    Returns
    -------
    Farm

    Raises
    ------
    InputProblem
        If a list is not there or cannot be used.
    """
    if stock is None and prices is None:
        return farm
    for path in (stock, prices):
        if path is not None and not path.is_file():
            raise InputProblem(path.as_posix(), "", "there is no such file", "Correct its name")
    own = {path.name: path for path in farm.seed_lists.files}
    lists = read_seed_lists(stock or own.get(STOCK_FILE), prices or own.get(PRICE_FILE), farm.catalogue, farm.report)
    inputs = farm.inputs | {
        path.as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in (stock, prices) if path is not None
    }
    return replace(farm, seed_lists=add_tags(lists, farm.settings.seed_lots), inputs=inputs)
