"""Texture, organic matter, reaction, water capacity and drainage of each block.

Rasters and surveys give a *partial* table: the columns of `Soil` with gaps. `complete_soil` fills the
gaps from texture or from defaults and lists every one of them.
"""

from __future__ import annotations

import tomllib
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any, Protocol

import geopandas as gpd
import numpy as np
import pandas as pd

from greengap.errors import Fate, ImportReport, InputProblem
from greengap.safe_files import check_xml
from greengap.site.zonal import class_shares, open_raster, percent, zonal_means
from greengap.tables import ClassShare, DataFrame, Soil

# Natural drainage classes of the USDA soil survey, driest first (Soil Survey Manual, ch. 3; from memory).
DRAINAGE_CLASSES = (
    "excessively drained",
    "somewhat excessively drained",
    "well drained",
    "moderately well drained",
    "somewhat poorly drained",
    "poorly drained",
    "very poorly drained",
)
NUMBERS = (
    "clay_fraction",
    "sand_fraction",
    "organic_matter_fraction",
    "ph",
    "available_water_fraction",
    "bulk_density_mg_m3",
)
EXTRAS = ("slope_fraction", "aspect_deg")  # of the surface; nothing is put in where they are not known
WORDS = {
    "clay_fraction": "clay",
    "sand_fraction": "sand",
    "organic_matter_fraction": "organic matter",
    "ph": "pH",
    "available_water_fraction": "available water",
    "bulk_density_mg_m3": "bulk density",
    "drainage_class": "drainage",
    "slope_fraction": "slope",
    "aspect_deg": "aspect",
}
# How people and programs write units; the name on the right is the one of soil_defaults.toml.
UNIT_SPELLINGS = {
    **dict.fromkeys(("1", "kg/kg", "kg kg-1", "g/g", "g g-1", "m3/m3", "m3 m-3", "cm3/cm3", "cm/cm"), "fraction"),
    **dict.fromkeys(("cm cm-1", "mm/mm", "fraction", "0-1"), "fraction"),
    **dict.fromkeys(("percent", "%", "pct", "per cent", "g/100g", "cm/m", "weight %", "vol %"), "percent"),
    **dict.fromkeys(("g/kg", "g kg-1", "g.kg-1", "permille", "‰"), "g/kg"),
    **dict.fromkeys(("mm/m", "mm m-1"), "mm/m"),
    **dict.fromkeys(("ph", "-", "ph in water"), "pH"),
    **dict.fromkeys(("ph x 10", "ph*10", "phx10", "ph x10"), "pH x 10"),
}
WHOLE = 0.999  # a block covered by more than this counts as covered

Hydraulics = Callable[[np.ndarray, np.ndarray, np.ndarray], tuple[Iterable[str], np.ndarray, np.ndarray]]


class SoilRasterLike(Protocol):
    """A raster file, the unit of its cells (empty if not said) and the names of its classes."""

    path: Path
    unit: str
    classes: dict[int, str]


@cache
def soil_defaults() -> dict[str, Any]:
    """What ``soil_defaults.toml`` holds: default values with sources, and units of rasters."""
    return tomllib.loads(Path(__file__).with_name("soil_defaults.toml").read_text(encoding="utf-8"))


def no_soil(blocks: pd.DataFrame) -> pd.DataFrame:
    """The partial soil table of blocks of which nothing is known.

    Returns
    -------
    DataFrame
        Columns of `Soil` without texture_class; every number NaN, every word None, source empty.
    """
    out = pd.DataFrame({"block_id": blocks["block_id"].astype(str).to_numpy()})
    for column in NUMBERS:
        out[column] = np.nan
    out["drainage_class"] = pd.Series([None] * len(out), dtype=object)
    out["drainage_share_fraction"] = np.nan
    out["covered_fraction"] = 0.0
    out["source"] = ""
    return out


def soil_from_rasters(
    blocks: gpd.GeoDataFrame,
    rasters: Mapping[str, Any],
    shown: Callable[[Path], str],
    report: ImportReport,
) -> tuple[pd.DataFrame, DataFrame[ClassShare]]:
    """Area-weighted soil of each block from rasters.

    Parameters
    ----------
    blocks : GeoDataFrame
        Columns block_id and geometry, with a CRS.
    rasters : mapping of str to SoilRasterLike
        By property: clay, sand, organic_matter, ph, available_water, drainage.
    shown : callable
        How a path is named to the user.
    report : ImportReport
        Takes partly covered blocks, and units that were told from the values.

    Returns
    -------
    DataFrame
        Partial soil, see `no_soil`. A raster with values on less of a block than ``least_cover`` of
        soil_defaults.toml does not count there. `covered_fraction` is the smallest over the rasters given.
    DataFrame[ClassShare]
        Drainage classes; empty without a drainage raster.

    Raises
    ------
    InputProblem
        If a raster cannot be used (see `zonal.zonal_means`), its unit is unknown or cannot be told,
        a value is impossible in its unit, clay and sand exceed the whole, or a drainage class is not known.
    """
    soil, shares = no_soil(blocks), ClassShare.empty()
    known = soil_defaults()["raster"]
    measured = {name: raster for name, raster in rasters.items() if name in known}
    if unknown := set(rasters) - set(known) - {"drainage"}:
        raise ValueError(f"rasters: {sorted(unknown)} are not soil properties; known are {[*known, 'drainage']}")
    covered = []
    means = zonal_means(blocks, {name: raster.path for name, raster in measured.items()}, shown)
    for name, raster in measured.items():
        rule, file = known[name], shown(raster.path)
        unit = _unit(name, raster, means, file, shown, report)
        factor, (lowest, highest) = rule["units"][unit], rule["possible"]
        for end, beyond in (("lowest", np.less), ("highest", np.greater)):
            values = means[f"{name}_{end}"].to_numpy() * factor
            if (wrong := beyond(values, lowest - 1e-9 if end == "lowest" else highest + 1e-9)).any():
                printed = means[f"{name}_{end}"].to_numpy()[wrong][0]
                raise InputProblem(
                    file,
                    f"block {means['block_id'].to_numpy()[wrong][0]}",
                    f"{printed:g} cannot be {WORDS[rule['column']]} in {unit}",
                    f"Correct the unit of {name} in farm.toml, one of {', '.join(rule['units'])}, or the raster",
                )
        share = means[f"{name}_covered_fraction"].to_numpy()
        covered.append(_enough(soil["block_id"], share, file, WORDS[rule["column"]], report))
        soil[rule["column"]] = np.where(covered[-1] > 0, means[name].to_numpy() * factor, np.nan)
    _check_texture(soil, {n: shown(r.path) for n, r in measured.items()}, report)
    if "drainage" in rasters:
        raster = rasters["drainage"]
        classes = _drainage_names(raster, shown)
        shares, cover = class_shares(blocks, raster.path, classes, "drainage_class", shown)
        share = cover.reindex(soil["block_id"]).to_numpy()
        covered.append(_enough(soil["block_id"], share, shown(raster.path), "drainage", report))
        shares = ClassShare.validate(shares[shares["block_id"].isin(soil["block_id"][covered[-1] > 0])])
        soil = with_drainage(soil, shares)
    if covered:
        soil["covered_fraction"] = np.min(covered, axis=0)
        soil["source"] = np.where(np.max(covered, axis=0) > 0, "soil rasters", "")
    return soil, shares


def with_drainage(soil: pd.DataFrame, shares: pd.DataFrame) -> pd.DataFrame:
    """Put the drainage class with the largest share on each block; of equal shares, the wetter class."""
    ranked = shares[shares["soil_property"] == "drainage_class"].copy()
    ranked["_wetness"] = ranked["class_name"].map(DRAINAGE_CLASSES.index).astype(int)
    ranked["_share"] = ranked["share_fraction"].round(6)
    largest = ranked.sort_values(["block_id", "_share", "_wetness"]).groupby("block_id").last()
    largest = largest.reindex(soil["block_id"])
    drainage = largest["class_name"].astype(object)
    return soil.assign(
        drainage_class=drainage.where(drainage.notna(), None).to_numpy(),
        drainage_share_fraction=largest["share_fraction"].to_numpy(dtype=float),
    )


def drainage_class(word: str, file: str, place: str) -> str:
    """The drainage class that a word stands for.

    Raises
    ------
    InputProblem
        If it is none of the seven classes.
    """
    name = " ".join(str(word).lower().split())
    if name not in DRAINAGE_CLASSES:
        what = f"{str(word)!r} is not a drainage class"
        raise InputProblem(file, place, what, f"Use one of: {', '.join(DRAINAGE_CLASSES)}")
    return name


def merge_soil(
    first: tuple[pd.DataFrame, pd.DataFrame], second: tuple[pd.DataFrame, pd.DataFrame]
) -> tuple[pd.DataFrame, DataFrame[ClassShare]]:
    """Two partial soils of the same blocks: what `first` does not know comes from `second`.

    Parameters
    ----------
    first, second : tuple of (partial soil, class shares)

    Returns
    -------
    DataFrame
        Partial soil; `source` names both where both contribute.
    DataFrame[ClassShare]
        A block's shares come from one of the two, never mixed.
    """
    (soil, shares), (other, other_shares) = first, second
    other = other.set_index("block_id").loc[soil["block_id"]].reset_index()
    out = soil.copy()
    used = np.zeros(len(out), bool)
    for column in (*NUMBERS, "drainage_class"):
        take = out[column].isna() & other[column].notna()
        out[column] = out[column].where(~take, other[column])
        used |= take.to_numpy()
        if column == "drainage_class":
            out["drainage_share_fraction"] = out["drainage_share_fraction"].where(
                ~take, other["drainage_share_fraction"]
            )
    for column in EXTRAS:
        if column in other:
            out[column] = out[column].fillna(other[column]) if column in out else other[column]
    both = (out["source"] + "; " + other["source"]).str.strip("; ")
    out["source"] = out["source"].where(~used, both)
    out["covered_fraction"] = np.where(
        soil["source"] == "",
        other["covered_fraction"],
        np.where(used, np.minimum(soil["covered_fraction"], other["covered_fraction"]), soil["covered_fraction"]),
    )
    missing = set(out["block_id"]) - set(shares["block_id"])
    merged = pd.concat([shares, other_shares[other_shares["block_id"].isin(missing)]], ignore_index=True)
    return out, ClassShare.validate(merged)


def complete_soil(partial: pd.DataFrame, report: ImportReport, hydraulics: Hydraulics) -> DataFrame[Soil]:
    """Fill what is not known, and list it.

    Parameters
    ----------
    partial : DataFrame
        Partial soil, see `no_soil`.
    report : ImportReport
        Takes one assumption for each property that was filled, with the blocks.
    hydraulics : callable
        ``(sand_fraction, clay_fraction, organic_matter_fraction)`` to
        ``(texture classes, available water [fraction], bulk density [Mg/m3])``.

    Returns
    -------
    DataFrame[Soil]
        Rows as in `partial`.
    """
    soil, defaults = partial.reset_index(drop=True).copy(), soil_defaults()
    filled: dict[str, list[str]] = {block: [] for block in soil["block_id"]}

    def fill(column: str, where: pd.Series, values: Any, sentence: str) -> None:
        if not where.any():
            return
        soil.loc[where, column] = values[where] if isinstance(values, pd.Series | np.ndarray) else values
        report.assume(sentence.format(blocks=_named(soil["block_id"][where], len(soil))))
        for block in soil["block_id"][where]:
            filled[block].append(WORDS[column])

    clay, sand = soil["clay_fraction"].copy(), soil["sand_fraction"].copy()
    loam_clay, loam_sand = defaults["clay_fraction"]["value"], defaults["sand_fraction"]["value"]
    neither = clay.isna() & sand.isna()
    if neither.any():
        report.assume(f"Texture unknown on {_named(soil['block_id'][neither], len(soil))}: taken as loam.")
        soil.loc[neither, ["clay_fraction", "sand_fraction"]] = loam_clay, loam_sand
        for block in soil["block_id"][neither]:
            filled[block].append("texture")
    fill(
        "sand_fraction",
        sand.isna() & clay.notna(),
        (1 - clay) * loam_sand / (1 - loam_clay),
        "Sand unknown on {blocks}: what is not clay is split into sand and silt as in loam.",
    )
    fill(
        "clay_fraction",
        clay.isna() & sand.notna(),
        (1 - sand) * loam_clay / (1 - loam_sand),
        "Clay unknown on {blocks}: what is not sand is split into clay and silt as in loam.",
    )
    for column, shown_value in (
        ("organic_matter_fraction", f"{defaults['organic_matter_fraction']['value']:.1%}".replace("%", " %")),
        ("ph", f"{defaults['ph']['value']}"),
        ("drainage_class", defaults["drainage_class"]["value"]),
    ):
        name = WORDS[column][0].upper() + WORDS[column][1:] if column != "ph" else "pH"
        fill(
            column,
            soil[column].isna(),
            defaults[column]["value"],
            f"{name} unknown on {{blocks}}: taken as {shown_value}.",
        )
    soil["drainage_share_fraction"] = soil["drainage_share_fraction"].fillna(1.0)
    texture, water, density = hydraulics(
        *(soil[c].to_numpy(dtype=float) for c in ("sand_fraction", "clay_fraction", "organic_matter_fraction"))
    )
    soil["texture_class"] = list(texture)
    inferred = "{what} of {{blocks}} is inferred from texture and organic matter (Saxton and Rawls 2006)."
    fill(
        "available_water_fraction",
        soil["available_water_fraction"].isna(),
        np.asarray(water, float),
        inferred.format(what="Available water"),
    )
    fill(
        "bulk_density_mg_m3",
        soil["bulk_density_mg_m3"].isna(),
        np.asarray(density, float),
        inferred.format(what="Bulk density"),
    )
    own = "available water", "bulk density"
    told = [", ".join(w for w in filled[block] if w not in own) for block in soil["block_id"]]
    soil["source"] = [
        "; ".join(part for part in (source, f"default {words}" if words else "") if part)
        for source, words in zip(soil["source"], told, strict=True)
    ]
    for column in EXTRAS:
        if column not in soil:
            soil[column] = np.nan
    return Soil.validate(soil[list(Soil.to_schema().columns)])


def _named(block_ids: Iterable[str], of: int) -> str:
    names = list(block_ids)
    if len(names) == of and of > 1:
        return "every block"
    return ("block " if len(names) == 1 else "blocks ") + ", ".join(names)


def _enough(block_ids: pd.Series, covered: np.ndarray, file: str, word: str, report: ImportReport) -> np.ndarray:
    """Covered share of each block, 0 where it is too little to count; what is less than whole is reported."""
    least = soil_defaults()["least_cover"]["value"]
    for block, share in zip(block_ids, covered, strict=True):
        if share >= WHOLE:
            continue
        what = f"the raster has {word} on {percent(share)} of the block; "
        what += "that part stands for the whole" if share >= least else "that is too little to stand for the whole"
        what = what if share > 0 else f"the raster has no {word} here"
        report.note(file, f"block {block}", Fate.USED, what)
    return np.where(covered >= least, covered, 0.0)


def _unit(
    name: str, raster: Any, means: pd.DataFrame, file: str, shown: Callable[[Path], str], report: ImportReport
) -> str:
    """The declared unit of a raster, else the one that its values tell."""
    rule = soil_defaults()["raster"][name]
    declared = raster.unit
    if not declared:
        with open_raster(raster.path, shown) as source:
            tags = {k.lower(): v for k, v in {**source.tags(), **source.tags(1)}.items()}
            declared = source.units[0] or tags.get("units") or tags.get("unit") or ""
    if declared:
        spelled = " ".join(declared.strip().lower().split())
        unit = UNIT_SPELLINGS.get(spelled, declared)
        if unit == "fraction" and "pH" in rule["units"]:  # "1" on a pH raster: a pure number
            unit = "pH"
        if unit not in rule["units"]:
            what, allowed = f"unit {declared!r} is not known for {name}", ", ".join(rule["units"])
            raise InputProblem(file, "", what, f"Declare one of {allowed}, in farm.toml or in the raster's units tag")
        return unit
    top = float(np.nanmax(means[f"{name}_highest"].to_numpy()))
    low = float(np.nanmin(means[f"{name}_lowest"].to_numpy()))
    for unit, (lowest, highest) in rule["usual"].items():
        if lowest <= top <= highest:
            if unit != "pH":
                report.assume(f"{file} does not say its unit; values from {low:g} to {top:g} are taken as {unit}.")
            return unit
    raise InputProblem(
        file,
        "",
        f"does not say its unit, and values from {low:g} to {top:g} fit more than one or none",
        f'Write {name} = {{ file = "...", unit = "..." }} in farm.toml with one of {", ".join(rule["units"])}',
    )


def _check_texture(soil: pd.DataFrame, files: dict[str, str], report: ImportReport) -> None:
    """Clay and sand share the fine earth: a little too much is scaled back, much too much is refused."""
    total = soil["clay_fraction"] + soil["sand_fraction"]
    over = total > 1 + 1e-9
    if not over.any():
        return
    block, most = soil["block_id"][total.idxmax()], total.max()
    if most > 1.05:
        what = f"clay and sand add up to {most:.0%}".replace("%", " %")
        raise InputProblem(
            files["sand"],
            f"block {block}",
            f"{what} with {files['clay']}",
            "Check the units of both rasters in farm.toml",
        )
    for column in ("clay_fraction", "sand_fraction"):
        soil[column] = np.where(over, soil[column] / total, soil[column])
    for block, sum_here in zip(soil["block_id"][over], total[over], strict=True):
        what = f"clay and sand add up to {sum_here:.1%}; both scaled back to the whole".replace("%", " %")
        report.note(files["sand"], f"block {block}", Fate.REPAIRED, what)


def _drainage_names(raster: Any, shown: Callable[[Path], str]) -> dict[int, str]:
    """Names of the classes of a drainage raster, from the settings, the raster's tags or its side file."""
    file, names = shown(raster.path), dict(raster.classes)
    if not names:
        with open_raster(raster.path, shown) as source:
            tags = {k.lower(): v for k, v in {**source.tags(), **source.tags(1)}.items()}
        names = {int(k[6:]): v for k, v in tags.items() if k.startswith("class_") and k[6:].isdigit()}
    side = raster.path.with_name(raster.path.name + ".aux.xml")
    if not names and side.exists():
        check_xml(side, f"{file}.aux.xml")
        words = [c.text or "" for c in ElementTree.parse(side).iterfind(".//CategoryNames/Category")]
        names = {number: word for number, word in enumerate(words) if word.strip()}
    if not names:
        raise InputProblem(
            file,
            "",
            "does not say which drainage class each number stands for",
            'Write drainage = { file = "...", classes = { 1 = "well drained" } } in farm.toml',
        )
    where = " as farm.toml names it" if raster.classes else ""
    return {number: drainage_class(word, file, f"class {number}{where}") for number, word in names.items()}
