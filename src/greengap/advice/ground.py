"""What bears on the surface of a block: slope, the way it faces, ponding, crusting, and its water."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pandas as pd

from greengap.catalogue import Catalogue
from greengap.farm.settings import FarmSettings
from greengap.site.terrain import direction
from greengap.tables import Block, DataFrame, GeoDataFrame, Ground, Soil
from greengap.units import write

# Slope classes of the USDA soil survey, each above the rule beside it; the first begins at level.
SLOPE_CLASSES = (
    ("nearly level", None),
    ("gently sloping", "slope_gentle_above"),
    ("strongly sloping", "slope_strong_above"),
    ("moderately steep", "slope_moderately_steep_above"),
    ("steep", "slope_steep_above"),
)


def slope_class(slope_fraction: float, catalogue: Catalogue) -> str:
    """Name of a slope."""
    name = ""
    for word, above in SLOPE_CLASSES:
        if above is None or slope_fraction > catalogue.rule(above):
            name = word
    return name


def steepness(slope_fraction: float) -> float:
    """Soil loss of a slope against the unit plot of 9 %, all else equal, at most 1.

    Notes
    -----
    Slope steepness factor of the revised universal soil loss equation: ``10.8 sin(theta) + 0.03`` below 9 %,
    ``16.8 sin(theta) - 0.5`` from there. D. K. McCool, L. C. Brown, G. R. Foster, C. K. Mutchler and L. D. Meyer,
    "Revised slope steepness factor for the Universal Soil Loss Equation", Trans. ASAE, vol. 30, pp. 1387-1396, 1987
    (from memory). Cut off at 1, since it serves as a share here.

    Examples
    --------
    >>> round(steepness(0.09), 2), round(steepness(0.05), 2), steepness(0.3)
    (1.0, 0.57, 1.0)
    """
    sine = math.sin(math.atan(slope_fraction))
    return min(1.0, 10.8 * sine + 0.03 if slope_fraction < 0.09 else 16.8 * sine - 0.5)


def ground_facts(
    blocks: GeoDataFrame[Block], soil: DataFrame[Soil], settings: FarmSettings, catalogue: Catalogue
) -> DataFrame[Ground]:
    """Facts of each block that its soil does not say.

    Parameters
    ----------
    blocks, soil : tables
    settings : FarmSettings
    catalogue : Catalogue

    Returns
    -------
    DataFrame[Ground]
    """
    rows = []
    known = soil.set_index("block_id")
    for block_id, area in zip(blocks["block_id"], blocks["area_sown_m2"], strict=True):
        slope, aspect = (
            float(known.loc[block_id, column]) if column in known else math.nan
            for column in ("slope_fraction", "aspect_deg")
        )
        word, watered, one = settings.growers_word.get(block_id), settings.waters(block_id), None
        if watered:
            one = settings.irrigation_set(block_id)
        at_once = min(one.area_m2, area) if one and one.area_m2 else math.nan
        rows.append(
            {
                "block_id": block_id,
                "slope_fraction": slope,
                "slope_class": "" if math.isnan(slope) else slope_class(slope, catalogue),
                "faces": "" if math.isnan(aspect) else direction(aspect),
                "steep": slope >= catalogue.rule("steep_ground"),
                "ponds": word.ponds if word else None,
                "crusts": word.crusts if word else None,
                "watered": watered,
                "sets": math.nan if math.isnan(at_once) else float(math.ceil(area / at_once - 1e-9)),
                "set_area_m2": at_once,
                "flow_l_h": one.flow_l_h if one else None,
                "rotation_d": one.rotation_d if one else None,
                "lost_fraction": catalogue.rule(f"irrigation_lost_{one.method}") if one and one.method else None,
            }
        )
    table = pd.DataFrame(rows, columns=list(Ground.to_schema().columns))
    for column in ("ponds", "crusts"):
        table[column] = table[column].astype("boolean")
    return Ground.validate(table)


def ground_words(row: Ground, settings: FarmSettings) -> str:
    """The facts of one block in words; empty if nothing is known but that it is not watered."""
    words, units = [], settings.units
    if row.slope_class:
        faces = f", falls to the {row.faces}" if row.faces else ""
        words.append(f"{row.slope_fraction:.0%} slope, {row.slope_class}{faces}".replace("%", " %"))
    elif row.faces:
        words.append(f"falls to the {row.faces}")
    words += [word for word, said in (("ponds", row.ponds), ("crusts", row.crusts)) if pd.notna(said) and said]
    if row.watered:
        sets = ""
        if pd.notna(row.sets):
            sets = f" in {row.sets:.0f} set{'s' if row.sets > 1 else ''} of {write(row.set_area_m2, 'm2', units)}"
        flow = f", {write(row.flow_l_h, 'l_h', units)}" if pd.notna(row.flow_l_h) else ""
        again = f", every {row.rotation_d:g} days" if pd.notna(row.rotation_d) else ""
        words.append(f"watered{sets}{flow}{again}")
    return "; ".join(words)


def ground_lines(ground: DataFrame[Ground], settings: FarmSettings) -> Iterator[str]:
    """A line for each block of which something is known."""
    told = [(row.block_id, ground_words(row, settings)) for row in ground.itertuples()]
    told = [(block, words) for block, words in told if words]
    if told:
        yield "Ground and water, block by block:"
        yield from (f"  {block}: {words}" for block, words in told)
