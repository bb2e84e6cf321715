"""How well each cover suits the ground, cell by cell: the plan's own rating, run for each kind of soil there is.

Cells of a block are sorted into kinds of soil, alike in texture, organic matter, reaction, water and drainage. Each
kind is planned as if it were a block of its own with the gap of its block, so that a cell's score comes from the
same engine and the same criteria as the plan's. Cells of one kind share one score.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import rasterio
from rasterio.features import geometry_mask
from rasterio.warp import Resampling, reproject
from rasterio.windows import Window, from_bounds

from greengap.errors import ImportReport, InputProblem
from greengap.farm.settings import suggestion
from greengap.farm_input import Farm, hydraulics
from greengap.plan import Plan, plan_farm
from greengap.site.soil import EXTRAS, soil_defaults
from greengap.site.zonal import open_raster
from greengap.tables import ClassShare, CropCalendar, GeoDataFrame, Soil

SEASONS = ("early spring", "midsummer", "autumn", "overwinter")
# Width of a kind of soil in each property, in SI; finer kinds take longer and change scores by less than the range
# of the map they come from (a choice of ours).
STEPS = {
    "clay_fraction": 0.05,
    "sand_fraction": 0.10,
    "organic_matter_fraction": 0.01,
    "ph": 0.25,
    "available_water_fraction": 0.03,
}
MOST_CELLS = 4_000_000
MOST_KINDS = 400
CLASSES = {"S1": 1, "S2": 2, "S3": 3, "N": 4}
LAST = "the crop that ends last"
NO_SCORE, NO_CLASS = -1.0, 0


@dataclass(frozen=True)
class SuitabilityGrid:
    """Scores of all covers on one grid.

    Attributes
    ----------
    scores : dict of cover_id to ndarray, shape (row, column)
        0 to 1; `NO_SCORE` outside the blocks and where the block has no such gap.
    classes : dict of cover_id to ndarray of uint8
        1 to 4 for S1, S2, S3, N; 0 where there is no score.
    kinds : int
        Kinds of soil that were planned.
    """

    crs: Any
    transform: Any
    scores: dict[str, np.ndarray]
    classes: dict[str, np.ndarray]
    season: str
    year: int
    kinds: int


def suitability_grid(
    farm: Farm, season: str, year: int | None = None, progress: Callable[[int, int], None] | None = None
) -> SuitabilityGrid:
    """Rate every cover on every cell of the farm's soil rasters.

    Parameters
    ----------
    farm : Farm
        With at least one soil raster.
    season : str
        Season of the gaps that are rated; of several on a block in one year the longest counts.
    year : int, optional
        Year in which the gaps begin; the first with such a gap if it is not given.
    progress : callable, optional
        Called with (done, total) while the seasons are run.

    Returns
    -------
    SuitabilityGrid

    Raises
    ------
    InputProblem
        If there is no soil raster, no such gap, or too many cells or kinds of soil.
    """
    plan = plan_farm(replace(farm, report=ImportReport()))
    gaps = _gaps(plan, season, year)
    year = int(gaps["start"].dt.year.iloc[0])
    grid, soil = _soil_cells(farm)
    inside = _block_of_cell(farm, grid, soil["ph"].shape)
    number_of = {block: i for i, block in enumerate(farm.blocks["block_id"])}
    wanted = np.isin(inside, [number_of[block] for block in gaps["block_id"]])
    kinds, kind_of_cell = _kinds(farm, soil, inside, wanted)
    if len(kinds) > MOST_KINDS:
        what = f"its rasters make {len(kinds)} kinds of soil, more than {MOST_KINDS}"
        raise InputProblem("[files.soil]", "", what, "Cut the farm into parts, or give coarser rasters")
    trial = plan_farm(_farm_of_kinds(farm, kinds, set(gaps["gap_id"]), plan), progress)
    when = gaps.set_index("block_id")[["start", "end"]].loc[kinds["of"]].set_axis(kinds["block_id"])
    same = trial.gaps.set_index("block_id")
    wanted_gaps = same.loc[
        (same["start"] == when["start"].reindex(same.index)) & (same["end"] == when["end"].reindex(same.index)),
        "gap_id",
    ]
    rated = trial.recommendation[trial.recommendation["gap_id"].isin(wanted_gaps)]
    scores, classes = {}, {}
    for cover, rows in rated[rated["cover_id"] != "no_cover"].groupby("cover_id"):
        best = rows.set_index("block_id")
        score = np.full(len(kinds) + 1, NO_SCORE, "float32")
        klass = np.full(len(kinds) + 1, NO_CLASS, "uint8")
        for i, kind in enumerate(kinds["block_id"]):
            if kind in best.index:
                score[i] = best.loc[kind, "score"] if best.loc[kind, "eligible"] else 0.0
                klass[i] = CLASSES[best.loc[kind, "suitability_class"]]
        scores[str(cover)], classes[str(cover)] = score[kind_of_cell], klass[kind_of_cell]
    return SuitabilityGrid(grid["crs"], grid["transform"], scores, classes, season, year, len(kinds))


def write_suitability(found: SuitabilityGrid, farm: Farm, folder: Path) -> Iterator[Path]:
    """Write one cloud-optimised GeoTIFF for each cover: band 1 the score, band 2 the class.

    Parameters
    ----------
    found : SuitabilityGrid
    farm : Farm
        For the names that stand in the files.
    folder : Path
        Made if it is missing.

    Yields
    ------
    Path
        Each file, once it is whole.

    Raises
    ------
    InputProblem
        If the folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        what = f"cannot be made ({error.strerror})"
        raise InputProblem(folder.as_posix(), "", what, "Name another folder with --out") from error
    for cover in sorted(found.scores):
        path = folder / f"suitability_{cover}.tif"
        part = folder / f".{path.name}"
        score = found.scores[cover]
        klass = np.where(found.classes[cover] == NO_CLASS, NO_SCORE, found.classes[cover]).astype("float32")
        profile = {
            "driver": "COG", "dtype": "float32", "count": 2, "height": score.shape[0], "width": score.shape[1],
            "crs": found.crs, "transform": found.transform, "nodata": NO_SCORE, "compress": "DEFLATE",
        }  # fmt: skip
        try:
            with rasterio.open(part, "w", **profile) as out:
                out.write(score, 1)
                out.write(klass, 2)
                out.set_band_description(1, "suitability score, 0 to 1")
                out.set_band_description(2, "suitability class: 1 S1, 2 S2, 3 S3, 4 N (FAO 1976)")
                out.update_tags(
                    cover=farm.catalogue.covers[cover].name, gaps=f"{found.season} {found.year}",
                    farm=farm.settings.name, note=farm.settings.note,
                    read_as="a prediction from past weather and the soil map; look at the block",
                )  # fmt: skip
            part.replace(path)
        except (OSError, rasterio.errors.RasterioError) as error:
            part.unlink(missing_ok=True)
            what = f"cannot be written ({' '.join(str(error).split())[:120]})"
            raise InputProblem(path.as_posix(), "", what, "Name another folder with --out") from error
        yield path


def _gaps(plan: Plan, season: str, year: int | None) -> pd.DataFrame:
    if season not in SEASONS:
        what = f"{season!r} is not a season of gaps"
        raise InputProblem("--season", "", what, suggestion(season, SEASONS))
    gaps = plan.gaps[(plan.gaps["season"] == season) & plan.gaps["gap_id"].isin(plan.options["gap_id"])]
    years = sorted(gaps["start"].dt.year.unique())
    if year is not None:
        gaps = gaps[gaps["start"].dt.year == year]
    elif years:
        gaps = gaps[gaps["start"].dt.year == years[0]]
    if gaps.empty:
        there = ", ".join(map(str, years)) or "no year"
        what = f"no block has a {season} gap that is long enough{f' in {year}' if year else ''}"
        raise InputProblem(
            "crop calendar", "", what, f"There are such gaps in {there}; choose another --season or --year"
        )
    longest = gaps.sort_values(["length_d", "gap_id"]).drop_duplicates("block_id", keep="last")
    return longest.sort_values("gap_id")


def _soil_cells(farm: Farm) -> tuple[dict[str, Any], dict[str, np.ndarray]]:
    """Soil on the cells of the finest raster, SI, NaN where there is none; classes by nearest, numbers as they lie."""
    settings, known = farm.settings, soil_defaults()["raster"]
    there = {name: raster for name, raster in settings.soil_rasters.items() if raster.path.is_file()}
    if not there:
        remedy = "Give soil as rasters, or unpack beside the rasters that the farm file was packed from"
        raise InputProblem("[files.soil]", "", "names no raster that can be found", remedy)
    sizes = {}
    for name, raster in there.items():
        with open_raster(raster.path, settings.shown) as source:
            sizes[name] = abs(source.transform.a * source.transform.e) * (1 if source.crs.is_projected else 1e10)
    finest = min(sizes, key=lambda name: (sizes[name], name))
    with open_raster(there[finest].path, settings.shown) as source:
        placed = farm.blocks.to_crs(source.crs.to_wkt())
        window = from_bounds(*placed.total_bounds, source.transform)
        top, left = max(int(window.row_off) - 1, 0), max(int(window.col_off) - 1, 0)
        bottom = min(int(window.row_off + window.height) + 2, source.height)
        right = min(int(window.col_off + window.width) + 2, source.width)
        cut = Window(left, top, right - left, bottom - top)
        grid = {"crs": source.crs, "transform": source.window_transform(cut)}
        shape = (bottom - top, right - left)
    if shape[0] * shape[1] > MOST_CELLS:
        what = f"has {shape[0] * shape[1]:,} cells over the farm, more than {MOST_CELLS:,}"
        raise InputProblem(
            settings.shown(there[finest].path), "", what, "Give coarser rasters, or plan a part of the farm"
        )
    cells: dict[str, np.ndarray] = {}
    for name, raster in there.items():
        with open_raster(raster.path, settings.shown) as source:
            out = np.full(shape, np.nan)
            reproject(
                source.read(1, masked=True).astype("float64").filled(np.nan), out, src_transform=source.transform,
                src_crs=source.crs, dst_transform=grid["transform"], dst_crs=grid["crs"], src_nodata=np.nan,
                dst_nodata=np.nan, resampling=Resampling.nearest,
            )  # fmt: skip
        if name == "drainage":
            cells["drainage"] = out
            continue
        means = farm.soil[known[name]["column"]].mean()
        unit = raster.unit or min(
            known[name]["units"], key=lambda u: abs(np.nanmean(out) * known[name]["units"][u] - means)
        )
        cells[known[name]["column"]] = out * known[name]["units"].get(unit, 1.0)
    for column in STEPS:
        cells.setdefault(column, np.full(shape, np.nan))
    return grid, cells


def _block_of_cell(farm: Farm, grid: dict[str, Any], shape: tuple[int, int]) -> np.ndarray:
    """Number of the block that each cell's centre lies in, -1 outside; a block too small for any takes one cell."""
    inside = np.full(shape, -1, int)
    for i, outline in enumerate(farm.blocks.geometry.to_crs(grid["crs"].to_wkt())):
        mask = geometry_mask([outline], shape, grid["transform"], invert=True)
        if not mask.any():
            mask = geometry_mask([outline], shape, grid["transform"], invert=True, all_touched=True)
        inside[mask] = i
    return inside


def _kinds(
    farm: Farm, soil: dict[str, np.ndarray], inside: np.ndarray, wanted: np.ndarray
) -> tuple[pd.DataFrame, np.ndarray]:
    """The kinds of soil of each block, and the number of each cell's kind (the last one for none)."""
    names = farm.blocks["block_id"].to_numpy()
    of_block = farm.soil.set_index("block_id")
    rows, columns = np.nonzero(wanted)
    block = names[inside[rows, columns]]
    table = pd.DataFrame({"of": block})
    for column, step in STEPS.items():
        values = soil[column][rows, columns]
        known = pd.Series(values).fillna(pd.Series(block).map(of_block[column]))
        table[column] = (known / step).round() * step
    words = pd.Series(block).map(of_block["drainage_class"])
    if "drainage" in soil:
        classes = {n: " ".join(w.lower().split()) for n, w in farm.settings.soil_rasters["drainage"].classes.items()}
        words = pd.Series(soil["drainage"][rows, columns]).map(classes).fillna(words)
    told = {b for b, w in farm.settings.growers_word.items() if w.ponds or "drainage_class" in w.values}
    table["drainage_class"] = words.where(~table["of"].isin(told), pd.Series(block).map(of_block["drainage_class"]))
    for column in ("ph", "clay_fraction", "sand_fraction", "organic_matter_fraction"):  # the grower's word stands
        told = {b for b, w in farm.settings.growers_word.items() if column in w.values}
        table[column] = table[column].where(~table["of"].isin(told), pd.Series(block).map(of_block[column]))
    over = (table["clay_fraction"] + table["sand_fraction"]).clip(lower=1.0)
    table["clay_fraction"], table["sand_fraction"] = table["clay_fraction"] / over, table["sand_fraction"] / over
    keys = table.apply(lambda column: column.round(6) if column.dtype.kind == "f" else column)
    kinds = keys.drop_duplicates().reset_index(drop=True)
    number = keys.merge(kinds.assign(_kind=range(len(kinds))), how="left")["_kind"].to_numpy()
    kinds["block_id"] = [f"kind {i}" for i in range(len(kinds))]
    kind_of_cell = np.full(inside.shape, len(kinds), int)
    kind_of_cell[rows, columns] = number
    return kinds, kind_of_cell


def _farm_of_kinds(farm: Farm, kinds: pd.DataFrame, gap_ids: set[str], plan: Plan) -> Farm:
    """A farm whose blocks are kinds of soil, each with the crops before and after the gap of its block."""
    # A block of its own for the crop that ends last, so that the trial calendar ends in the farm's last year.
    kinds = pd.concat([kinds, kinds.iloc[[0]].assign(block_id=LAST)], ignore_index=True)
    of = dict(zip(kinds["block_id"], kinds["of"], strict=True))
    texture, water, density = hydraulics(
        *(kinds[c].to_numpy(float) for c in ("sand_fraction", "clay_fraction", "organic_matter_fraction"))
    )
    soil = kinds[["block_id", *STEPS]].assign(
        bulk_density_mg_m3=density, texture_class=list(texture), drainage_class=kinds["drainage_class"],
        drainage_share_fraction=1.0, covered_fraction=1.0, source="cells of the soil rasters",
    )  # fmt: skip
    surface = farm.soil.set_index("block_id").reindex(columns=list(EXTRAS))
    for column in EXTRAS:  # of the block as a whole
        soil[column] = kinds["of"].map(surface[column]).to_numpy(dtype=float)
    soil["available_water_fraction"] = soil["available_water_fraction"].fillna(pd.Series(water))
    outlines = farm.blocks.set_index("block_id")
    blocks = outlines.loc[kinds["of"]].reset_index(drop=True).assign(block_id=kinds["block_id"].to_numpy())
    gaps = plan.gaps[plan.gaps["gap_id"].isin(gap_ids)].set_index("block_id")
    parts = []
    for kind, block in of.items():
        if kind == LAST:
            continue
        gap, crops = gaps.loc[block], farm.crop_calendar[farm.crop_calendar["block_id"] == block]
        before = crops[crops["end_usual"] == gap["start"] - pd.Timedelta(days=1)]
        after = crops[crops["start_usual"] == gap["end"] + pd.Timedelta(days=1)]
        parts.append(pd.concat([before, after]).assign(block_id=kind))
    last = farm.crop_calendar.loc[[farm.crop_calendar["end_usual"].idxmax()]]
    parts.append(last.assign(block_id=LAST))
    settings = replace(
        farm.settings,
        irrigated=None if farm.settings.irrigated is None else _names(of, farm.settings.irrigated),
        tile_drained=_names(of, farm.settings.tile_drained),
        cold_offset_degc={
            k: farm.settings.cold_offset_degc[b] for k, b in of.items() if b in farm.settings.cold_offset_degc
        },
        diseases={k: farm.settings.diseases[b] for k, b in of.items() if b in farm.settings.diseases},
        growers_word={  # its values are in the cells; what it says of the surface holds for all of the block
            k: replace(farm.settings.growers_word[b], values={}, ponds=None)
            for k, b in of.items()
            if b in farm.settings.growers_word
        },
    )
    return replace(
        farm,
        settings=settings,
        blocks=GeoDataFrame(blocks[["block_id", *[c for c in farm.blocks.columns if c != "block_id"]]]),
        crop_calendar=CropCalendar.validate(pd.concat(parts, ignore_index=True)),
        soil=Soil.validate(soil[list(Soil.to_schema().columns)]),
        class_shares=ClassShare.empty(),
        site_of_block={kind: farm.site_of_block[block] for kind, block in of.items()},
        report=ImportReport(),
    )


def _names(of: dict[str, str], blocks: frozenset[str]) -> frozenset[str]:
    return frozenset(kind for kind, block in of.items() if block in blocks)
