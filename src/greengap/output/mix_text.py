"""Designed mixes in words, as a table, and as lines for a farm's own catalogue file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd

from greengap.advice.mixes import MixDesign, Proposal
from greengap.catalogue import OWN_FILE, Catalogue
from greengap.output.summary import aligned, ending
from greengap.units import FOOT_M, System, write

FOOT2_M2 = FOOT_M**2


def rate_rows(design: MixDesign, catalogue: Catalogue, units: System) -> list[list[str]]:
    """The rate card of a mix: share, rate, seeds, expected plants, depth and box of each component."""
    rows = [["species", "share", "rate", "seeds", "plants expected", "depth", "box"]]
    rows += [
        [
            catalogue.species[p.species].name,
            f"{p.share_of_sole_rate:.2f}",
            write(p.rate_kg_ha, "kg_ha", units),
            f"{p.seeds_m2:.0f}/m², {p.seeds_m2 * FOOT2_M2:.1f}/ft²",
            f"{p.plants_m2:.0f}/m², {p.plants_m2 * FOOT2_M2:.1f}/ft²",
            write(p.depth_mm, "depth_mm", units),
            str(p.box),
        ]
        for p in design.parts
    ]
    seeds = f"{design.seeds_m2:.0f}/m², {design.seeds_m2 * FOOT2_M2:.1f}/ft²"
    rows.append(["together", f"{design.share_sum:.2f}", write(design.rate_kg_ha, "kg_ha", units), seeds, "", "", ""])
    return rows


def mix_lines(proposals: Sequence[Proposal], gap_id: str, catalogue: Catalogue, units: System) -> Iterator[str]:
    """What was found for a gap, with why and at what cost."""
    if not proposals:
        gain = catalogue.rule("mix_gain_least")
        yield f"{gap_id}: no mix beats the best cover sown alone by {gain:g} of score on this farm's purposes."
        yield "Sow that one; a mix costs a second seed and a second clock."
        return
    best = proposals[0]
    yield f"Mixes designed for {gap_id}; the best sole cover is {best.sole.lower()}, score {best.sole_score:.2f}."
    for number, one in enumerate(proposals, start=1):
        row = one.row
        yield ""
        yield f"{number}. {one.design.cover.name}, {row.suitability_class}, score {one.score:.2f}"
        several = pd.notna(row.sow_from) and row.sow_from != row.sow_until
        window = f"{row.sow_from:%d %b} to {row.sow_until:%d %b}" if several else f"{row.sow_best:%d %b}"
        yield f"   Sow {window}; {ending(row)}. Everything holds in {row.holds_years} of {row.years} years."
        yield from (f"   For it: {words}." for words in one.gains)
        yield from (f"   Against it: {words}." for words in one.losses)
        yield f"   Sown {one.design.method} through {one.design.sowing}."
        yield from (f"   Mind: {note}." for note in one.design.notes)
        yield from (f"   {line}" for line in aligned(rate_rows(one.design, catalogue, units)))
    yield ""
    yield f"To plan with the first of them, put these lines into {OWN_FILE} beside farm.toml:"
    yield from own_lines(best.design)


def own_lines(design: MixDesign) -> Iterator[str]:
    """A mix as a farm's own catalogue file has it."""
    key = "_".join(["own", *(p.species for p in design.parts)])
    yield f"[mixes.{key}]"
    yield f'name = "{design.cover.name}, own"'
    for part in design.parts:
        yield f"[mixes.{key}.components.{part.species}]"
        yield f"value = {part.share_of_sole_rate:g}"
        yield 'unit = "fraction"'
        yield 'source = "greengap_design"'
        yield 'conditions = "proposed for a gap of this farm"'
        yield 'confidence = "design"'


def mix_table(proposals: Sequence[Proposal]) -> pd.DataFrame:
    """Proposals as a table, one row a component."""
    rows = [
        {
            "mix": one.design.cover.name,
            "score": one.score,
            "best_sole_cover": one.sole,
            "best_sole_score": one.sole_score,
            "sow_best": one.row.sow_best,
            "holds_years": one.row.holds_years,
            "years": one.row.years,
            "species": part.species,
            "share_of_sole_rate": part.share_of_sole_rate,
            "rate_kg_ha": part.rate_kg_ha,
            "seeds_m2": part.seeds_m2,
            "plants_m2": part.plants_m2,
            "depth_mm": part.depth_mm,
            "box": part.box,
            "sowing": one.design.sowing,
            "gains": "; ".join(one.gains),
            "losses": "; ".join(one.losses),
        }
        for one in proposals
        for part in one.design.parts
    ]
    columns = [
        "mix", "score", "best_sole_cover", "best_sole_score", "sow_best", "holds_years", "years", "species",
        "share_of_sole_rate", "rate_kg_ha", "seeds_m2", "plants_m2", "depth_mm", "box", "sowing", "gains", "losses",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)
