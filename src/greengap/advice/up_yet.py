"""Is it late? When a cover that was sown comes up, as of today, and what the record says of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from greengap.catalogue import Catalogue, Cover
from greengap.process.drivers import NEVER, BlockDays
from greengap.process.seedbed import sowing_depth
from greengap.process.sowings import GapDates, Sowings

DAY = pd.Timedelta(days=1)
UP, TOO_SOON, ANY_DAY, LATE, TOO_DRY = "up", "too soon", "any day", "late", "too dry"


@dataclass(frozen=True)
class ComingUp:
    """A sown cover in every weather year, arrays of shape (year,).

    Attributes
    ----------
    sown_on : Timestamp
    up_d : ndarray of float
        Days from sowing until the slowest component is up, NaN if it does not come.
    stand : ndarray of float
        Stand, of the one aimed at [fraction].
    dry : ndarray of bool
        Whether the seed zone is too dry for a component on the day of the look.
    lacking_mm : ndarray of float
        What the top of the soil lacks to field capacity on that morning [mm].
    today : ndarray of int
        Position in the record of that day.
    """

    sown_on: pd.Timestamp
    up_d: np.ndarray
    stand: np.ndarray
    dry: np.ndarray
    lacking_mm: np.ndarray
    today: np.ndarray

    def up_by(self, share: float) -> Any:
        """Day by which it is up in a share of the years; NaT if it is not in so many."""
        in_order = np.sort(np.where(np.isnan(self.up_d), np.inf, self.up_d))
        if not in_order.size:
            return pd.NaT
        days = in_order[max(int(np.ceil(share * in_order.size)) - 1, 0)]
        return pd.NaT if np.isinf(days) else self.sown_on + int(np.ceil(days)) * DAY


def coming_up(
    days: BlockDays, catalogue: Catalogue, cover: Cover, sown_on: pd.Timestamp, as_of: pd.Timestamp, years: np.ndarray
) -> ComingUp:
    """When a sown cover comes up in every weather year that can be run.

    Parameters
    ----------
    days : BlockDays
        Of the block as the weather and what was watered leave it.
    catalogue : Catalogue
    cover : Cover
    sown_on, as_of : Timestamp
        Day it was sown, and day of the look.
    years : ndarray of int
    """
    longest = int(catalogue.rule("longest_emergence"))
    until = max(sown_on + longest * DAY, as_of)
    sowings = Sowings(days, catalogue, [GapDates((sown_on,), until)], years)
    ran, start = sowings.ran[0], sowings.start[0]
    depths = sowing_depth(cover, catalogue).depth_mm
    species = [catalogue.species[c.species] for c in cover.components]
    parts = [sowings.events(s, depths[s.key]) for s in species]
    shares = np.array([c.share_of_sole_rate for c in cover.components])
    emerged = np.max([p["emerged"][0] for p in parts], axis=0)
    stand = sum(w * p["stand_share"][0] for w, p in zip(shares / shares.sum(), parts, strict=True))
    at = np.minimum(start + (as_of - sown_on).days, days.dates.size - 1)
    dry = np.zeros(start.shape, dtype=bool)
    for s in species:
        dry |= days.at_seed_mpa(depths[s.key])[np.maximum(at - 1, 0)] < s.number("seed_base_water_potential")
    return ComingUp(
        sown_on, np.where(emerged < NEVER, emerged - start, np.nan)[ran].astype(float),
        np.clip(np.asarray(stand), 0, 1)[ran], dry[ran], days.bare_surface_mm[np.maximum(at - 1, 0)][ran], at[ran],
    )  # fmt: skip


def up_row(
    gap_id: str, block_id: str, cover_id: str, found: ComingUp, as_of: pd.Timestamp, up_on: Any
) -> dict[str, Any]:
    """A row of `greengap.tables.UpYet`.

    Parameters
    ----------
    gap_id, block_id, cover_id : str
    found : ComingUp
    as_of : Timestamp
    up_on : Timestamp or NaT
        Half of it up, as the record says.
    """
    first, middle, last = (found.up_by(share) for share in (0.1, 0.5, 0.9))
    return {
        "gap_id": gap_id, "block_id": block_id, "cover_id": cover_id, "sown_on": found.sown_on,
        "days": (as_of - found.sown_on).days, "up_p10": first, "up_p50": middle, "up_p90": last,
        "up_years": int(np.isfinite(found.up_d).sum()), "years": int(found.up_d.size), "up_on": up_on,
        "verdict": _verdict(found, as_of, first, middle, last, up_on),
    }  # fmt: skip


def _verdict(found: ComingUp, as_of: pd.Timestamp, first: Any, middle: Any, last: Any, up_on: Any) -> str:
    if pd.notna(up_on):
        return UP
    if pd.notna(last) and as_of > last:
        return LATE
    if found.dry.mean() > 0.5 and (pd.isna(middle) or middle > as_of):
        return TOO_DRY
    return TOO_SOON if pd.isna(first) or as_of < first else ANY_DAY
