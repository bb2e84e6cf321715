"""What stands on a gap today: plants as counted, weeds as seen, in place of what the engine would reckon."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class Standing:
    """One sown gap as it was found; what is left out is reckoned as ever.

    Attributes
    ----------
    stand_share : mapping of species to float
        Plants that stand, of those of a full stand; species that are not named are reckoned [fraction].
    counted_on : Timestamp or None
        Day of the count: what stands then is up by then.
    up_on : Timestamp or None
        Day on which half of it was up, if somebody saw it.
    weeds_on : Timestamp or None
        Day on which the weeds were looked at.
    weed_leaf_area : float
        Leaf area index of the weeds on that day [-].
    weeded_on : Timestamp or None
        Day on which they were last taken out by hand, not before `weeds_on`.
    weeds_left_share : float
        Leaf area that the hand left of them [fraction].
    biomass_kg_ha : float or None
        Dry matter of the stand when it is ended, by a sample [kg ha-1].
    nitrogen_fraction : float or None
        Nitrogen in it, by a laboratory or by its species and stage [fraction].
    """

    stand_share: Mapping[str, float] = field(default_factory=dict)
    counted_on: pd.Timestamp | None = None
    up_on: pd.Timestamp | None = None
    weeds_on: pd.Timestamp | None = None
    weed_leaf_area: float = 0.0
    weeded_on: pd.Timestamp | None = None
    weeds_left_share: float = 1.0
    biomass_kg_ha: float | None = None
    nitrogen_fraction: float | None = None

    def __post_init__(self) -> None:
        if any(not share >= 0 for share in self.stand_share.values()):
            raise ValueError(f"stand_share {dict(self.stand_share)} must not be below 0")
        if not self.weed_leaf_area >= 0:
            raise ValueError(f"weed_leaf_area {self.weed_leaf_area} must not be below 0")
        if not 0 <= self.weeds_left_share <= 1:
            raise ValueError(f"weeds_left_share {self.weeds_left_share} must lie between 0 and 1")
        if self.weeds_on is not None and self.weeded_on is not None and self.weeded_on < self.weeds_on:
            raise ValueError("weeded_on must not lie before weeds_on")
        if any(amount is not None and not amount >= 0 for amount in (self.biomass_kg_ha, self.nitrogen_fraction)):
            raise ValueError("biomass_kg_ha and nitrogen_fraction must not be below 0")


@dataclass(frozen=True)
class Seen:
    """What was seen of a species on some sowings, arrays of shape (sowing, 1), or (sowing, year) as positions.

    Attributes
    ----------
    up : ndarray of int
        Position in the record of the day it was up, -1 where nobody saw it.
    up_by : ndarray of int
        Position of the day by which it is up, since it was counted; -1 where it was not.
    stand : ndarray of float
        Share of a full stand, NaN where it was not counted.
    """

    up: np.ndarray
    up_by: np.ndarray
    stand: np.ndarray

    def emerged(self, reckoned: np.ndarray) -> np.ndarray:
        """Position of the day it is up, from that which was reckoned (-1: never)."""
        counted = self.up_by >= 0
        by = np.where(counted & ((reckoned < 0) | (reckoned > self.up_by)), self.up_by, reckoned)
        return np.where(self.up >= 0, self.up, by)


def seen_of(
    species: str, standing: Sequence[Standing | None], sow_dates: Sequence[pd.Timestamp], start: np.ndarray
) -> Seen | None:
    """What was seen of a species; None if nothing was.

    Parameters
    ----------
    species : str
    standing : sequence of Standing or None, shape (sowing,)
    sow_dates : sequence of Timestamp, shape (sowing,)
    start : ndarray of int, shape (sowing, year)
        Position of the sowing day.
    """
    shares, up, by = (np.full((len(sow_dates), 1), empty) for empty in (np.nan, -1.0, -1.0))
    for row, (one, sown) in enumerate(zip(standing, sow_dates, strict=True)):
        if one is None:
            continue
        shares[row] = one.stand_share.get(species, np.nan)
        if one.up_on is not None:
            up[row] = max((one.up_on - sown).days, 0)
        if one.counted_on is not None and shares[row] > 0:
            by[row] = max((one.counted_on - sown).days, 0)
    if np.isnan(shares).all() and (up < 0).all():
        return None
    up_at, up_by = (np.where(days < 0, -1, start + days).astype(int) for days in (up, by))
    return Seen(up_at, up_by, shares)


def weeds_from(
    day: int,
    leaf_area: float,
    weeded: int | None,
    left_share: float,
    seedlings_m2: np.ndarray,
    warmth_degc_d: np.ndarray,
    seedling_area_m2: float,
    growth_per_degc_d: float,
    most: float = 4.0,
) -> np.ndarray:
    """Leaf area index of weeds from the day they were seen on.

    Parameters
    ----------
    day : int
        Days from sowing to that day [d].
    leaf_area : float
        Leaf area index then [-].
    weeded : int or None
        Days from sowing to the day they were pulled, not before `day` [d].
    left_share : float
        Share of their leaf area that pulling left [fraction].
    seedlings_m2, warmth_degc_d : ndarray, shape (..., day)
        Seedlings up by each day after sowing, running degree-days; see `greengap.process.weeds.weed_leaf_area`.
    seedling_area_m2, growth_per_degc_d, most : float
        As there.

    Returns
    -------
    ndarray, shape (..., day)
        Before `day`, and up to the last day before pulling, NaN where nothing is said; else the leaf area.

    Notes
    -----
    What was seen grows on as seedlings do, exponentially with warmth, and those that come up later are added, as
    in `weed_leaf_area`. Pulling takes its share of all that stand on that day and none of what is still to come.

    Examples
    --------
    >>> up, warmth = np.array([0.0, 100.0, 100.0, 200.0]), np.array([0.0, 50.0, 100.0, 150.0])
    >>> weeds_from(1, 0.1, None, 1.0, up, warmth, 1e-4, 0.016).round(4)
    array([   nan, 0.1   , 0.2226, 0.5053])
    """
    out = np.full(seedlings_m2.shape, np.nan)
    count = seedlings_m2.shape[-1]

    def follow(first: int, area: np.ndarray) -> np.ndarray:
        """Leaf area from a day on, given that of the day."""
        grown = np.exp(
            np.minimum(growth_per_degc_d * (warmth_degc_d[..., first:] - warmth_degc_d[..., first, None]), 500)
        )
        new = np.diff(seedlings_m2[..., first:], axis=-1, prepend=seedlings_m2[..., first, None])
        young = seedling_area_m2 * grown * np.cumsum(new / grown, axis=-1)
        return np.minimum(np.minimum(area, most)[..., None] * grown + young, most)

    if day < count:
        out[..., day:] = follow(day, np.full(seedlings_m2.shape[:-1], float(leaf_area)))
        if weeded is not None and weeded < count:
            out[..., weeded:] = follow(weeded, out[..., weeded] * left_share)
    return out
