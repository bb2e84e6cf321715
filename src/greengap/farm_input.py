"""From a farm folder to a farm: every file is read here, before anything is reckoned."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from greengap.catalogue import Catalogue, load_catalogue
from greengap.errors import ImportReport, InputProblem
from greengap.farm.crop_calendar import read_crop_calendar
from greengap.farm.fields import read_blocks
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
    files = [settings.folder / FILE, settings.polygons, settings.crop_calendar, *settings.weather]
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
    return Farm(
        settings, catalogue, blocks, calendar, soil, shares, sites, site_of_block, report, _fingerprints(settings)
    )
