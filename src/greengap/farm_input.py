"""From a farm folder or a farm file to a farm: everything is read here, before anything is reckoned."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from greengap.advice.ground import ground_facts
from greengap.catalogue import LEARNED_FILE, OWN_FILE, Catalogue, load_catalogue, with_learned_file, with_own
from greengap.errors import ImportReport, InputProblem, several
from greengap.farm.crop_calendar import clashes, read_crop_calendar
from greengap.farm.farm_file import ENDING, FarmContents, outline_fingerprint, read_farm_file
from greengap.farm.fields import read_blocks
from greengap.farm.history import history_findings, read_history
from greengap.farm.law_lists import HERBICIDE_FILE, NAMES_FILE, LawLists, read_law_lists
from greengap.farm.lineage import LINEAGE_FILE, inherited, read_lineage
from greengap.farm.record_store import read_folder_record
from greengap.farm.seed_lists import PRICE_FILE, STOCK_FILE, SeedLists, add_tags, read_seed_lists
from greengap.farm.settings import FILE, FarmSettings, read_settings, settings_from, suggestion
from greengap.farm.sprays import SPRAY_FILE, PlannedSpray, read_sprays
from greengap.process.soil_hydraulics import saxton_rawls, texture_class
from greengap.site.block_soil import soil_from_table
from greengap.site.growers_word import apply_word, is_wet
from greengap.site.soil import complete_soil, merge_soil, no_soil, soil_from_rasters
from greengap.site.soil_survey import soil_from_survey
from greengap.site.soil_tests import soil_from_tests
from greengap.site.terrain import block_slopes
from greengap.site.weather import cell_weights, read_days, read_weather, site_weather
from greengap.site.weather_join import fill_from, splice_season
from greengap.tables import (
    Block,
    BlockLineage,
    ClassShare,
    CropCalendar,
    DataFrame,
    GeoDataFrame,
    Ground,
    History,
    SeasonRecord,
    Soil,
)

# Beside farm.toml, if the farm has them.
OWN_FILES = (OWN_FILE, STOCK_FILE, PRICE_FILE, NAMES_FILE, HERBICIDE_FILE, SPRAY_FILE, LEARNED_FILE)


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
    so_far : xarray.Dataset, optional
        This year's days, as read; dimensions (cell_id, date).
    this_season : xarray.Dataset, optional
        `weather` with these days in every year, for gaps wholly within this year.
    history : DataFrame[History], optional
        What was done on the blocks before.
    seed_lists : SeedLists
        Seed in the shed and on offer.
    law_lists : LawLists
        Names on lists of noxious weeds, and what was sprayed.
    sprays : tuple of PlannedSpray
        What is planned to be sprayed, here and next door.
    record : DataFrame[SeasonRecord]
        What was done and seen this season and before; a plan made before the season does not look at it.
    lineage : DataFrame[BlockLineage]
        Which blocks came of which; what was sprayed and what grew on a block goes on with those that came of it.
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
    so_far: xr.Dataset | None = None
    this_season: xr.Dataset | None = None
    history: DataFrame[History] | None = None
    seed_lists: SeedLists = field(default_factory=SeedLists)
    law_lists: LawLists = field(default_factory=LawLists)
    sprays: tuple[PlannedSpray, ...] = ()
    record: DataFrame[SeasonRecord] = field(default_factory=SeasonRecord.empty)
    lineage: DataFrame[BlockLineage] = field(default_factory=BlockLineage.empty)


def hydraulics(
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
    files = [settings.folder / name for name in (FILE, *OWN_FILES, LINEAGE_FILE)]
    files += [settings.polygons, settings.crop_calendar, *settings.weather]
    files += [*settings.weather_fill, *([settings.this_season] if settings.this_season else [])]
    files += [raster.path for raster in settings.soil_rasters.values()]
    if settings.soil_survey:
        files += [settings.soil_survey.map_units, settings.soil_survey.components, settings.soil_survey.horizons]
    files += [f for f in (settings.block_soil, settings.soil_tests, settings.elevation, settings.history) if f]
    return {settings.shown(f): hashlib.sha256(f.read_bytes()).hexdigest() for f in sorted(set(files)) if f.is_file()}


def _known_blocks(settings: FarmSettings, block_ids: set[str]) -> None:
    """Refuse names in farm.toml that are not blocks, whether they can be planned or not."""
    named = {
        "irrigation": settings.irrigated or frozenset(),
        "cold_offset_degc": settings.cold_offset_degc,
        "diseases": settings.diseases,
        "tile_drained": settings.tile_drained,
        "growers_word": settings.growers_word,
        "irrigation_set.blocks": settings.irrigation_sets.keys() - {""},
        "machinery.headings": settings.machinery.headings_deg,
        "machinery.beds": settings.machinery.beds,
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


def check_names(settings: FarmSettings, block_ids: set[str], catalogue: Catalogue) -> None:
    """Refuse settings that name blocks or covers that are not there.

    Raises
    ------
    InputProblem
    """
    _known_blocks(settings, block_ids)
    _known_covers(settings, catalogue)
    read_sprays(None, settings.planned_sprays, sorted(block_ids), ImportReport())


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
    settings, report = read_settings(folder), ImportReport()
    catalogue = farm_catalogue(settings.folder)
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
        repairs=settings.repairs,
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
        settings.date_order,
    )
    lineage, there = BlockLineage.empty(), settings.folder / LINEAGE_FILE
    if there.exists():
        lineage = read_lineage(there, LINEAGE_FILE, report, [*blocks["block_id"], *set_aside])
    history = None
    if settings.history:
        shown, named = settings.shown(settings.history), [*blocks["block_id"], *lineage["parent_id"].unique()]
        history = read_history(settings.history, shown, report, list(dict.fromkeys(named)), settings.date_order)
        of_ground = history_of_ground(history, lineage, blocks["block_id"])
        history_findings(of_ground, calendar, catalogue, shown, report)
    soil, shares = _read_soil(settings, blocks, report)
    _report_ground(ground_facts(blocks, soil, settings, catalogue), report)
    near = tuple(float(bound) for bound in blocks.total_bounds)
    weather, so_far = _read_weather(settings, near, report)
    sites, site_of_block = site_weather(weather, cell_weights(blocks, weather, report))
    lists = _own_lists(settings.folder, settings, catalogue, [*blocks["block_id"], *set_aside], report, lineage)
    return Farm(
        settings, catalogue, blocks, calendar, soil, shares, sites, site_of_block, report, _fingerprints(settings),
        weather, tuple(set_aside), so_far, splice_season(sites, so_far, report) if so_far is not None else None,
        history, *lists, read_folder_record(settings.folder), lineage,
    )  # fmt: skip


def history_of_ground(
    history: DataFrame[History], lineage: DataFrame[BlockLineage], blocks: Iterable[str]
) -> DataFrame[History]:
    """The history with that of the blocks that blocks came of; a row of another block says so in its note."""
    if lineage.empty or history.empty:
        return history
    table = inherited(history, lineage, blocks)
    part = table["part_of"] != ""
    said = "as part of " + table["part_of"] + table["note"].where(table["note"] == "", ": " + table["note"])
    return History.validate(table.assign(note=said.where(part, table["note"])).drop(columns="part_of"))


def farm_catalogue(folder: Path) -> Catalogue:
    """The catalogue with what the farm has of its own, and what its records have moved in both.

    Raises
    ------
    InputProblem
        If one of the farm's files breaks the rules of the catalogue.
    """
    own, learned = folder / OWN_FILE, folder / LEARNED_FILE
    catalogue = with_own(load_catalogue(), own) if own.exists() else load_catalogue()
    return with_learned_file(catalogue, learned) if learned.exists() else catalogue


def read_own_files(
    texts: Mapping[str, str], settings: FarmSettings, blocks: list[str], report: ImportReport,
    lineage: DataFrame[BlockLineage] | None = None,
) -> tuple[Catalogue, SeedLists, LawLists, tuple[PlannedSpray, ...]]:  # fmt: skip
    """Catalogue and lists of a farm from the texts of its own files.

    Parameters
    ----------
    texts : mapping of str to str
        By names of `OWN_FILES`.
    settings : FarmSettings
    blocks : list of str
    report : ImportReport
        Receives the row counts.
    lineage : DataFrame[BlockLineage], optional
        Which blocks came of which.

    Returns
    -------
    Catalogue, SeedLists, LawLists, tuple of PlannedSpray

    Raises
    ------
    InputProblem
        If one of them cannot be used, alone or beside the others.
    """
    with tempfile.TemporaryDirectory() as own:
        folder = Path(own)
        for name, text in texts.items():
            (folder / name).write_text(text, encoding="utf-8")
        catalogue = farm_catalogue(folder)
        return catalogue, *_own_lists(folder, settings, catalogue, blocks, report, lineage)


def _own_lists(
    folder: Path, settings: FarmSettings, catalogue: Catalogue, blocks: list[str], report: ImportReport,
    lineage: DataFrame[BlockLineage] | None = None,
) -> tuple[SeedLists, LawLists, tuple[PlannedSpray, ...]]:  # fmt: skip
    """Seed in the shed and on offer; names on lists, and what was sprayed; what is to be sprayed."""
    stock, prices, names, herbicides, sprays = (
        path if (path := folder / name).exists() else None
        for name in (STOCK_FILE, PRICE_FILE, NAMES_FILE, HERBICIDE_FILE, SPRAY_FILE)
    )
    seed_lists = add_tags(read_seed_lists(stock, prices, catalogue, report), settings.seed_lots)
    law_lists = read_law_lists(names, herbicides, blocks, catalogue, report, lineage)
    return seed_lists, law_lists, read_sprays(sprays, settings.planned_sprays, blocks, report)


def with_seed_lists(farm: Farm, stock: Path | None, prices: Path | None) -> Farm:
    """The farm with other lists of seed than its own.

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
    for path in own.values():
        if not path.is_file() and not (stock and prices):
            raise InputProblem(path.name, "", "lies inside the farm file", "Name both --stock and --prices")
    lists = read_seed_lists(stock or own.get(STOCK_FILE), prices or own.get(PRICE_FILE), farm.catalogue, farm.report)
    inputs = farm.inputs | {
        path.as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in (stock, prices) if path is not None
    }
    return replace(farm, seed_lists=add_tags(lists, farm.settings.seed_lots), inputs=inputs)


def _read_weather(
    settings: FarmSettings, near: tuple[float, ...], report: ImportReport
) -> tuple[xr.Dataset, xr.Dataset | None]:
    """The weather years, gaps filled from a second source where one is named, and this year's days."""
    place = settings.station
    station = (place.lat, place.lon, place.elevation_m, place.name) if place else None
    us_units = settings.weather_units == "us"
    shown = settings.shown
    weather = read_weather(settings.weather, shown, report, station=station, near=near, us_units=us_units)
    if settings.weather_fill:
        second = read_weather(settings.weather_fill, shown, report, near=near, us_units=us_units)
        weather = fill_from(weather, second, report)
    if not settings.this_season:
        return weather, None
    return weather, read_days((settings.this_season,), shown, report, station, near, us_units)


def _read_soil(
    settings: FarmSettings, blocks: GeoDataFrame[Block], report: ImportReport
) -> tuple[DataFrame[Soil], DataFrame[ClassShare]]:
    """Soil of blocks from all that the settings name: a table by block, then rasters, then a survey."""
    shown = settings.shown
    partial, shares = soil_from_rasters(blocks, settings.soil_rasters, shown, report)
    if settings.soil_survey:
        survey = settings.soil_survey
        mapped = soil_from_survey(blocks, survey.map_units, survey.components, survey.horizons, shown, report)
        partial, shares = merge_soil((partial, shares), mapped)
    if settings.soil_tests:
        partial, shares = merge_soil(soil_from_tests(blocks, settings.soil_tests, shown, report), (partial, shares))
    if settings.block_soil:
        partial, shares = merge_soil(soil_from_table(blocks, settings.block_soil, shown, report), (partial, shares))
    if settings.elevation:
        slopes = block_slopes(blocks, settings.elevation, shown, report)
        slopes = slopes.reindex(partial["block_id"])
        partial = partial.assign(**{column: slopes[column].to_numpy() for column in slopes})
    partial, shares = apply_word(partial, shares, settings.growers_word, report)
    soil = complete_soil(partial, report, hydraulics)
    return soil, shares


def _report_ground(ground: DataFrame[Ground], report: ImportReport) -> None:
    """Say which ground is steep and which crusts, and what that does to the plan."""
    steep = ground[ground["steep"]]
    if len(steep):
        listed = ", ".join(
            f"{block} ({share:.0%})".replace("%", " %")
            for block, share in zip(steep["block_id"], steep["slope_fraction"], strict=True)
        )
        report.assume(
            f"Steep enough to wash when bare: {listed}. There, days on which a cover leaves the ground bare count "
            "against it; ask the conservation office before steep ground is opened."
        )
    crusting = ground.loc[ground["crusts"].fillna(False), "block_id"]
    if len(crusting):
        report.assume(
            f"Ground that crusts, as the grower says: {', '.join(crusting)}. Less of the seed is reckoned to come up "
            "there, least of small seed; by how much is our choice, no trial."
        )


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
    report, blocks = contents.report, contents.blocks
    known = [*blocks["block_id"], *contents.set_aside]
    own = read_own_files(contents.own_files, settings, known, ImportReport(), contents.lineage)  # reported before
    catalogue, seed_lists, law_lists, sprays = own
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
    soil, shares = _with_new_words(*_soil_of_outlines(contents, settings, report), settings, report)
    sites, site_of_block = site_weather(contents.weather, cell_weights(blocks, contents.weather))
    inputs = {file: digest for file, digest in contents.sources.items() if file != LEARNED_FILE}
    if LEARNED_FILE in contents.own_files:  # `greengap learn` puts it in and takes it out
        digest = hashlib.sha256(contents.own_files[LEARNED_FILE].encode()).hexdigest()
        inputs = dict(sorted((inputs | {LEARNED_FILE: digest}).items()))
    if contents.fingerprint != contents.packed:  # not of the file's bytes, which a kept plan changes
        inputs[path.name] = contents.fingerprint
    return Farm(
        settings, catalogue, blocks, contents.crop_calendar, soil, shares, sites, site_of_block, report, inputs,
        contents.weather, contents.set_aside, contents.so_far,
        None if contents.so_far is None else splice_season(sites, contents.so_far, report),
        contents.history, seed_lists, law_lists, sprays, contents.record, contents.lineage,
    )  # fmt: skip


def _with_new_words(
    soil: DataFrame[Soil], shares: DataFrame[ClassShare], settings: FarmSettings, report: ImportReport
) -> tuple[DataFrame[Soil], DataFrame[ClassShare]]:
    """The soil of a farm file with words of the grower that are newer than it; those that it has already stay."""
    known, fresh, texture = soil.set_index("block_id"), {}, []
    for block, word in settings.growers_word.items():
        if block not in known.index:
            continue
        row = known.loc[block]
        new = {column: value for column, value in word.values.items() if not _alike(row.get(column), value)}
        wetter = bool(word.ponds) and "drainage_class" not in word.values and not is_wet(str(row["drainage_class"]))
        if new or wetter:
            fresh[block] = replace(word, values=new)
        if new.keys() & {"clay_fraction", "sand_fraction", "organic_matter_fraction"}:
            texture.append(block)
    if not fresh:
        return soil, shares
    partial, shares = apply_word(soil, shares, fresh, report)
    follows = partial["block_id"].isin(texture)
    partial.loc[follows, ["available_water_fraction", "bulk_density_mg_m3"]] = np.nan
    return complete_soil(partial, report, hydraulics), shares


def _alike(before: object, value: float | str) -> bool:
    if isinstance(value, str) or before is None or isinstance(before, str):
        return before == value
    return bool(np.isclose(float(before), value, rtol=0, atol=1e-9))  # type: ignore[arg-type]


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
    sources += [survey.map_units, survey.components, survey.horizons] if survey else []
    changed = blocks[blocks["block_id"].isin(redrawn)].reset_index(drop=True)
    old = [b for b in redrawn if b in set(soil["block_id"])]
    if redrawn and sources and all(p.is_file() for p in sources):
        anew, anew_shares = _read_soil(replace(settings, block_soil=None), changed, report)
    else:
        if old:
            report.assume(f"Soil of {', '.join(old)} is that of the outline before it was redrawn.")
        fresh = changed[~changed["block_id"].isin(old)].reset_index(drop=True)
        anew = complete_soil(no_soil(fresh), report, hydraulics) if len(fresh) else Soil.empty()
        anew_shares, kept = ClassShare.empty(), [*kept, *old]
    parts = [table for table in (soil[soil["block_id"].isin(kept)], anew) if len(table)]
    together = pd.concat(parts).set_index("block_id").loc[list(now)].reset_index()
    told = [table for table in (shares[shares["block_id"].isin(kept)], anew_shares) if len(table)]
    return Soil.validate(together), ClassShare.validate(pd.concat(told)) if told else ClassShare.empty()
