"""Days on which soil can be worked: dry enough at the working depth, no rain, not frozen."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from greengap.catalogue import Catalogue
from greengap.process.drivers import BlockDays

# Drainage classes of the soil survey, quickest first; each has a rule of the share of water that is left after a day.
DRAINAGE = (
    "excessively drained",
    "somewhat excessively drained",
    "well drained",
    "moderately well drained",
    "somewhat poorly drained",
    "poorly drained",
    "very poorly drained",
)


def workable_share(clay_fraction: ArrayLike, catalogue: Catalogue) -> NDArray[np.float64]:
    """Share of field capacity from which on a soil is too wet to be worked.

    Parameters
    ----------
    clay_fraction : array_like of float
        Mass share, 0 to 1 [-].
    catalogue : Catalogue
        Its rules `fit_capacity_share`, up to `fit_medium_clay`, and `fit_capacity_share_heavy`, from `fit_heavy_clay`
        on; on a straight line between.

    Returns
    -------
    ndarray of float
        [-].
    """
    rule = catalogue.rule
    clay = (rule("fit_medium_clay"), rule("fit_heavy_clay"))
    shares = (rule("fit_capacity_share"), rule("fit_capacity_share_heavy"))
    return np.asarray(np.interp(np.asarray(clay_fraction, dtype=float), clay, shares))


def water_above_capacity_mm(surplus_mm: ArrayLike, left_share: float, room_mm: float) -> NDArray[np.float64]:
    """Water beyond field capacity that has not drained yet.

    Parameters
    ----------
    surplus_mm : array_like of float, shape (day,)
        Water that came on a day beyond what was lacking to field capacity [mm].
    left_share : float
        Part of it that is left after a day, 0 to below 1 [-].
    room_mm : float
        What the layer holds between field capacity and saturation [mm].

    Returns
    -------
    ndarray of float, shape (day,)
        At the end of each day; none before the first [mm].

    Examples
    --------
    >>> water_above_capacity_mm([30.0, 0.0, 0.0], 0.5, 20.0)
    array([10. ,  5. ,  2.5])
    """
    out, held = np.empty(np.size(surplus_mm)), 0.0
    for day, came in enumerate(np.asarray(surplus_mm, dtype=float)):
        held = min(held + came, room_mm) * left_share
        out[day] = held
    return out


def morning_water(days: BlockDays, left_share: float) -> NDArray[np.float64]:
    """Water of the working depth on each morning, mean share of the soil's volume, shape (day,) [-].

    Parameters
    ----------
    days : BlockDays
        Bare ground of the block.
    left_share : float
        Part of the water above field capacity that is left after a day [-].

    Notes
    -----
    Below field capacity it is the balance of FAO-56 (`greengap.process.soil_water.bare_balance`): what evaporation
    has taken is spread over the working depth. What rain brings beyond field capacity drains from it day by day.
    """
    depth_mm, water = days.catalogue.rule("fit_working_depth"), days.hydraulics
    lacking = days.bare_surface_mm
    before = np.concatenate([[0.0], lacking[:-1]])
    surplus = np.maximum(days.rain_after_runoff - before, 0.0)
    above = water_above_capacity_mm(surplus, left_share, (water["saturation"] - water["capacity"]) * depth_mm)
    evening = water["capacity"] + (above - lacking) / depth_mm
    return np.concatenate([[water["capacity"]], evening[:-1]])


def fit_to_work(days: BlockDays, left_share: float) -> NDArray[np.bool_]:
    """Whether each day is fit to work the soil, shape (day,).

    Parameters
    ----------
    days : BlockDays
    left_share : float
        Part of the water above field capacity that is left after a day; see `drains_to` [-].

    Notes
    -----
    Fit is a day on whose morning the working depth holds no more than `workable_share` of field capacity, on which
    less rain falls than the rule `fit_rain` says, and on which the ground is neither frozen at 5 cm nor under snow.
    """
    limit = float(workable_share(days.place.soil.clay_fraction, days.catalogue)) * days.hydraulics["capacity"]
    dry = morning_water(days, left_share) <= limit
    return np.asarray(
        dry & (days.rain < days.catalogue.rule("fit_rain")) & (days.soil_temperature > 0) & (days.snow_mm <= 0)
    )


def drains_to(days: BlockDays, steps_better: int = 0) -> float:
    """Part of the water above field capacity that is left after a day, by the block's drainage class.

    Parameters
    ----------
    days : BlockDays
    steps_better : int
        Classes by which tiles make it quicker.
    """
    at = DRAINAGE.index(str(days.place.soil.drainage_class)) if days.place.soil.drainage_class in DRAINAGE else 2
    return days.catalogue.rule("fit_left_" + DRAINAGE[max(at - steps_better, 0)].replace(" ", "_"))
