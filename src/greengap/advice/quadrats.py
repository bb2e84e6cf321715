"""What was cut from frames and weighed: dry matter, its nitrogen, and whether another frame is worth it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from greengap.advice.students_t import frames_needed, t_quantile
from greengap.catalogue import Catalogue, Species
from greengap.process.nitrogen import tissue_nitrogen_fraction

G_M2_KG_HA = 10.0  # g on a square metre are so many kg on a hectare
WEEDS = "weeds"  # what stands for a species where weeds were weighed apart


@dataclass(frozen=True)
class Weighed:
    """Dry matter by a sample.

    Attributes
    ----------
    frames : int
    kg_ha, low_kg_ha, high_kg_ha : float
        Mean of the frames and an interval for the block; the ends are NaN with a single frame [kg ha-1].
    variation : float
        Standard deviation of frames over their mean; NaN with a single frame [fraction].
    """

    frames: int
    kg_ha: float
    low_kg_ha: float
    high_kg_ha: float
    variation: float

    @property
    def precision(self) -> float:
        """Half width of the interval over the mean; infinite with a single frame."""
        return (self.high_kg_ha - self.kg_ha) / self.kg_ha if self.frames > 1 and self.kg_ha else float("inf")


def dry_weight(fresh_g: float, part_fresh_g: float, part_dry_g: float) -> float:
    """Dry weight of a cut of which a part was dried.

    Parameters
    ----------
    fresh_g : float
        Of the whole cut, not below 0 [g].
    part_fresh_g, part_dry_g : float
        Of the part, before and after drying [g].

    Returns
    -------
    float
        [g].

    Raises
    ------
    ValueError
        If the part has no weight, or is heavier when dry.

    Examples
    --------
    >>> dry_weight(1200, 300, 54)
    216.0
    """
    if not (fresh_g >= 0 and 0 <= part_dry_g <= part_fresh_g and part_fresh_g > 0):
        raise ValueError(f"{part_dry_g} g dry of {part_fresh_g} g fresh, in {fresh_g} g: not a drying")
    return fresh_g * part_dry_g / part_fresh_g


def weigh(dry_g: Sequence[float], areas_m2: Sequence[float], level: float = 0.95) -> Weighed:
    """Dry matter on a hectare from frames.

    Parameters
    ----------
    dry_g : sequence of float, shape (frame,)
        Dry weight from each frame [g].
    areas_m2 : sequence of float, shape (frame,)
        Ground in each, above 0 [m2].
    level : float
        Of the interval [fraction].

    Returns
    -------
    Weighed

    Raises
    ------
    ValueError
        If there is no frame, or a number cannot be.

    Notes
    -----
    Student's interval of the mean of frames; its lower end is not below 0. Weight from a frame times 43,560 over its
    square feet is the weight on an acre: "Teaching Organic Farming and Gardening", UC Santa Cruz, 2015.

    Examples
    --------
    >>> found = weigh([30.0, 42.0, 36.0], [0.1] * 3)
    >>> round(found.kg_ha), round(found.low_kg_ha), round(found.high_kg_ha)
    (3600, 2110, 5090)
    """
    dry, area = np.asarray(dry_g, dtype=float), np.asarray(areas_m2, dtype=float)
    if dry.size == 0 or dry.shape != area.shape:
        raise ValueError(f"{dry.size} weights of {area.size} frames")
    if not ((dry >= 0).all() and (area > 0).all() and np.isfinite(dry).all() and np.isfinite(area).all()):
        raise ValueError("weights must not be below 0 and areas must lie above 0")
    each = dry / area * G_M2_KG_HA
    mean, frames = float(each.mean()), int(each.size)
    if frames == 1:
        return Weighed(1, mean, float("nan"), float("nan"), float("nan"))
    spread = float(each.std(ddof=1))
    half = t_quantile(level, frames - 1) * spread / sqrt(frames)
    return Weighed(frames, mean, max(mean - half, 0.0), mean + half, spread / mean if mean else 0.0)


@dataclass(frozen=True)
class MoreFrames:
    """Whether another frame is worth cutting.

    Attributes
    ----------
    enough : bool
        The interval is as narrow as wanted.
    decided : bool or None
        The interval lies wholly on one side of the amount that something hangs on; None where nothing does.
    more : int
        Frames on top until it is as narrow as wanted, if they vary as those so far and nobody cuts more than the most.
    to_halve : int
        Frames on top that would halve the interval.
    """

    enough: bool
    decided: bool | None
    more: int
    to_halve: int


def more_frames(found: Weighed, wanted: float, most: int, decides_at_kg_ha: float | None = None) -> MoreFrames:
    """Whether another frame is worth cutting.

    Parameters
    ----------
    found : Weighed
    wanted : float
        Half width of the interval over the mean that is good enough [fraction].
    most : int
        Frames that anybody cuts.
    decides_at_kg_ha : float, optional
        Dry matter that something hangs on; an interval that does not hold it decides [kg ha-1].
    """
    if found.frames < 2:
        return MoreFrames(False, None if decides_at_kg_ha is None else False, 1, 1)
    decided = None
    if decides_at_kg_ha is not None:
        decided = not found.low_kg_ha <= decides_at_kg_ha <= found.high_kg_ha
    if found.variation == 0:
        return MoreFrames(True, decided, 0, 0)
    needed = max(min(frames_needed(found.variation, wanted), most) - found.frames, 0)
    halved = max(frames_needed(found.variation, found.precision / 2) - found.frames, 0)
    enough = found.precision <= wanted
    return MoreFrames(enough, decided, 0 if enough else needed, halved)


def nitrogen_by_stage(species: Species, stage: float, catalogue: Catalogue) -> float:
    """Nitrogen in the shoots of a species by the catalogue [fraction].

    Parameters
    ----------
    species : Species
    stage : float
        0 at emergence, 1 at first flower, 2 at viable seed [-].
    catalogue : Catalogue
    """

    def number(trait: str) -> float:
        return species.number(trait) if species.has(trait) else catalogue.rule(f"{trait}_{species.kind}")

    bloom = species.number("tissue_nitrogen")
    young, ripe = number("tissue_nitrogen_young"), min(number("tissue_nitrogen_ripe"), bloom)
    return float(tissue_nitrogen_fraction(stage, young, bloom, ripe))


@dataclass(frozen=True)
class StandNitrogen:
    """Nitrogen of a stand that was weighed.

    Attributes
    ----------
    fraction : float
        Of the dry matter.
    kg_ha, low_kg_ha, high_kg_ha : float
        The ends are those of the dry matter, its nitrogen taken as known; NaN with a single frame [kg ha-1].
    carbon_to_nitrogen : float
    by_laboratory : bool
        Else by the catalogue, from the shares of the species and their stage.
    """

    fraction: float
    kg_ha: float
    low_kg_ha: float
    high_kg_ha: float
    carbon_to_nitrogen: float
    by_laboratory: bool


def nitrogen_of_stand(
    found: Weighed,
    shares: Mapping[str, float],
    fractions: Mapping[str, float],
    carbon_share: float,
    by_laboratory: bool,
) -> StandNitrogen:
    """Nitrogen and carbon to nitrogen of a stand.

    Parameters
    ----------
    found : Weighed
    shares : mapping of species to float
        Dry matter of each [any unit].
    fractions : mapping of species to float
        Nitrogen in it, by a laboratory or by `nitrogen_by_stage` [fraction].
    carbon_share : float
        Of plant dry matter [fraction].
    by_laboratory : bool

    Examples
    --------
    >>> frames = weigh([40, 40], [0.1, 0.1])
    >>> stand = nitrogen_of_stand(frames, {"oat": 3, "pea": 1}, {"oat": 0.02, "pea": 0.04}, 0.42, False)
    >>> round(stand.fraction, 4), round(stand.kg_ha), round(stand.carbon_to_nitrogen, 1)
    (0.025, 100, 16.8)
    """
    total = sum(shares.values())
    if total <= 0:
        return StandNitrogen(0.0, 0.0, 0.0, 0.0, float("nan"), by_laboratory)
    fraction = sum(share * fractions[s] for s, share in shares.items()) / total
    kg, low, high = (fraction * amount for amount in (found.kg_ha, found.low_kg_ha, found.high_kg_ha))
    return StandNitrogen(fraction, kg, low, high, carbon_share / fraction, by_laboratory)
