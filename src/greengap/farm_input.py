"""From a farm folder or a farm file to a farm: everything is read here, before anything is reckoned."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from greengap.catalogue import Catalogue, load_catalogue
from greengap.errors import ImportReport, InputProblem, several
from greengap.farm.crop_calendar import clashes, read_crop_calendar
from greengap.farm.farm_file import ENDING, FarmContents, outline_fingerprint, read_farm_file
from greengap.farm.fields import read_blocks
from greengap.farm.settings import FILE, FarmSettings, read_settings, settings_from, suggestion
from greengap.process.soil_hydraulics import saxton_rawls, texture_class
from greengap.site.block_soil import soil_from_table
from greengap.site.soil import complete_soil, merge_soil, no_soil, soil_from_rasters
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
    weather_cells : xarray.Dataset
        The same before it was averaged for blocks; dimensions (cell_id, date).
    site_of_block : dict of block_id to site_id
    report : ImportReport
        What became of every row that was read, and what was assumed.
    inputs : dict of file to sha256
    set_aside : tuple of str
        Blocks whose outlines cannot be used.
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
    weather_cells: xr.Dataset
    set_aside: tuple[str, ...] = ()


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
    files += [settings.block_soil] if settings.block_soil else []
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
        ("seed_lots", settings.seed_lots, {k: s for k, s in catalogue.species.items() if not s.calibration_only}),
    ):
        for name in sorted(names):
            if name not in known:
                raise InputProblem(FILE, key, f"{name!r} is not in the catalogue", suggestion(name, sorted(known)))


def check_names(settings: FarmSettings, block_ids: set[str], catalogue: Catalogue) -> None:
    """Refuse settings that name blocks or covers that are not there.

    Raises
    ------
    InputProblem
    """
    _known_blocks(settings, block_ids)
    _known_covers(settings, catalogue)


def read_farm(path: str | Path) -> Farm:
    """Read a farm folder or a farm file.

    Parameters
    ----------
    path : str or Path
        Folder with ``farm.toml`` and the files that it names (docs/inputs.md), or a farm file
        (``greengap pack``).

    Returns
    -------
    Farm

    Raises
    ------
    InputProblem
        If something cannot be used; nothing has been written by then.
    """
    path = Path(path)
    if path.suffix.lower() == ENDING and os.path.isfile(path):  # noqa: PTH113 (never raises)
        return read_farm_contents(read_farm_file(path), path)
    return _read_folder(path)


def _read_folder(folder: Path) -> Farm:
    settings, catalogue, report = read_settings(folder), load_catalogue(), ImportReport()
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
    soil, shares = _read_soil(settings, blocks, report)
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
        settings, catalogue, blocks, calendar, soil, shares, sites, site_of_block, report, _fingerprints(settings),
        weather, tuple(set_aside),
    )  # fmt: skip


def _read_soil(
    settings: FarmSettings, blocks: GeoDataFrame[Block], report: ImportReport
) -> tuple[DataFrame[Soil], DataFrame[ClassShare]]:
    """Soil of blocks from all that the settings name: a table by block, then rasters, then a survey."""
    partial, shares = soil_from_rasters(blocks, settings.soil_rasters, settings.shown, report)
    if settings.soil_survey:
        survey = settings.soil_survey
        mapped = soil_from_survey(blocks, survey.polygons, survey.components, survey.horizons, settings.shown, report)
        partial, shares = merge_soil((partial, shares), mapped)
    if settings.block_soil:
        told = soil_from_table(blocks, settings.block_soil, settings.shown, report)
        partial, shares = merge_soil(told, (partial, shares))
    return complete_soil(partial, report, _hydraulics), shares


def read_farm_contents(contents: FarmContents, path: Path) -> Farm:
    """A farm from what a farm file holds; the same as from the folder that was packed.

    Parameters
    ----------
    contents : FarmContents
    path : Path
        The farm file, which names of sources are relative to.

    Returns
    -------
    Farm
        Where outlines were changed since, the soil of these blocks is derived again from the sources if they
        can be found, else kept as it was, or taken from the defaults for a new block; the report says so.

    Raises
    ------
    InputProblem
        If the settings name a block or a cover that is not known, or blocks lie off the weather.
    """
    folder = path.parent / contents.source_folder if contents.source_folder else path.parent
    settings = settings_from(contents.settings_text.encode(), folder, contents.name, must_exist=False)
    catalogue, report, blocks = load_catalogue(), contents.report, contents.blocks
    for sentence in settings.assumptions:
        report.assume(sentence)
    _known_blocks(settings, {*blocks["block_id"], *contents.set_aside})
    _known_covers(settings, catalogue)
    twice = [
        (f"block {block}", f"{late} stands until {last:%Y-%m-%d}, and {comes} comes on {first:%Y-%m-%d}")
        for block, late, comes, last, first in clashes(contents.crop_calendar)
    ]
    if twice:
        raise several(path.name, twice, "Correct the dates; a crop may start the day after another ends")
    soil, shares = _soil_of_outlines(contents, settings, report)
    sites, site_of_block = site_weather(contents.weather, cell_weights(blocks, contents.weather))
    inputs = dict(contents.sources)
    if contents.fingerprint != contents.packed:  # not of the file's bytes, which a kept plan changes
        inputs[path.name] = contents.fingerprint
    return Farm(
        settings, catalogue, blocks, contents.crop_calendar, soil, shares, sites, site_of_block, report, inputs,
        contents.weather, contents.set_aside,
    )  # fmt: skip


def _soil_of_outlines(
    contents: FarmContents, settings: FarmSettings, report: ImportReport
) -> tuple[DataFrame[Soil], DataFrame[ClassShare]]:
    """The soil of a farm file, with that of new and redrawn blocks brought up to date."""
    blocks, soil, shares = contents.blocks, contents.soil, contents.class_shares
    now = {b: outline_fingerprint(g) for b, g in zip(blocks["block_id"], blocks.geometry, strict=True)}
    kept = [b for b in now if contents.outlines.get(b) == now[b] and b in set(soil["block_id"])]
    redrawn = [b for b in now if b not in kept]
    if not redrawn and len(soil) == len(now):
        return soil, shares
    sources = [r.path for r in settings.soil_rasters.values()]
    survey = settings.soil_survey
    sources += [survey.polygons, survey.components, survey.horizons] if survey else []
    changed = blocks[blocks["block_id"].isin(redrawn)].reset_index(drop=True)
    old = [b for b in redrawn if b in set(soil["block_id"])]
    if redrawn and sources and all(p.is_file() for p in sources):
        anew, anew_shares = _read_soil(replace(settings, block_soil=None), changed, report)
    else:
        if old:
            report.assume(f"Soil of {', '.join(old)} is that of the outline before it was redrawn.")
        fresh = changed[~changed["block_id"].isin(old)].reset_index(drop=True)
        anew = complete_soil(no_soil(fresh), report, _hydraulics) if len(fresh) else Soil.empty()
        anew_shares, kept = ClassShare.empty(), [*kept, *old]
    parts = [table for table in (soil[soil["block_id"].isin(kept)], anew) if len(table)]
    together = pd.concat(parts).set_index("block_id").loc[list(now)].reset_index()
    told = [table for table in (shares[shares["block_id"].isin(kept)], anew_shares) if len(table)]
    return Soil.validate(together), ClassShare.validate(pd.concat(told)) if told else ClassShare.empty()
