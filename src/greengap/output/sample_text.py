"""A biomass sample in plain lines."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator

from greengap.advice.quadrats import MoreFrames, Weighed
from greengap.biomass_sample_of import BiomassSample
from greengap.catalogue import Catalogue
from greengap.output.odds_text import day
from greengap.units import System, write

WIDTH = 80


def weighed_in_words(found: Weighed, units: System, quantity: str = "kg_ha") -> str:
    """A dry weight with its interval."""
    if math.isnan(found.low_kg_ha):
        return f"{write(found.kg_ha, quantity, units)}, one frame: no range"
    low, high = (write(end, quantity, units) for end in (found.low_kg_ha, found.high_kg_ha))
    return f"{write(found.kg_ha, quantity, units)} ({low.split()[0]} to {high})"


def more_in_words(more: MoreFrames, frames: int) -> str:
    """Whether another frame is worth cutting.

    Examples
    --------
    >>> more_in_words(MoreFrames(False, True, 2, 9), 3)
    'It decides about your aim as it is. Cut 2 more for a range that is good enough. It would take 9 more to halve it.'
    """
    if frames < 2:
        return "One frame says nothing of the block: cut two more at least, where it looks neither best nor worst."
    if more.enough:
        return f"Another frame is not worth it: it would take {more.to_halve} more to halve the range."
    aim = {True: "It decides about your aim as it is. ", False: "Your aim lies within the range. ", None: ""}[
        more.decided
    ]
    if not more.more:
        return f"{aim}More frames than anybody cuts would not make the range good enough: the stand is uneven."
    return f"{aim}Cut {more.more} more for a range that is good enough. It would take {more.to_halve} more to halve it."


def sample_lines(sample: BiomassSample, catalogue: Catalogue, units: System) -> Iterator[str]:
    """What a sample says."""
    yield f"{sample.gap_id}: {sample.cover.name.lower()}, sown {sample.sown_on:%d %b %Y}, cut {day(sample.cut_on)}"
    yield ""
    n, stand = sample.nitrogen, sample.stand
    words = [
        f"Dry matter: {weighed_in_words(stand, units)}, from {stand.frames} frame{'s' * (stand.frames != 1)} "
        "(Student's t, 95 %).",
        more_in_words(sample.more, stand.frames),
    ]
    if sample.weeds is not None:
        words.append(f"Weeds apart: {weighed_in_words(sample.weeds, units)}.")
    if len(sample.shares) > 1:
        parts = (
            f"{catalogue.species[s].name.lower()} {share:.0%}".replace("%", " %") for s, share in sample.shares.items()
        )
        words.append(f"Of the cover: {', '.join(parts)}.")
    how = "by the laboratory" if n.by_laboratory else "by species and stage, from the catalogue"
    span = ""
    if not math.isnan(n.low_kg_ha):
        span = f" ({write(n.low_kg_ha, 'kg_ha', units).split()[0]} to {write(n.high_kg_ha, 'kg_ha', units)})"
    words.append(
        f"Nitrogen {how}: {n.fraction * 100:.1f} % of dry matter, {write(n.kg_ha, 'kg_ha', units)}{span}; carbon to "
        f"nitrogen {n.carbon_to_nitrogen:.0f}."
    )
    low, middle, high = sample.predicted_kg_ha
    if not math.isnan(middle):
        span = f"{write(low, 'kg_ha', units).split()[0]} to {write(high, 'kg_ha', units)} in eight years of ten"
        words.append(f"The engine had {write(middle, 'kg_ha', units)} for that day in the median year, {span}.")
    words.append(
        "From here on `greengap after` reckons with the sample. A credit for nitrogen is taken once; test the soil."
    )
    words += sample.notes
    for sentence in words:
        yield from textwrap.wrap(sentence, WIDTH)
