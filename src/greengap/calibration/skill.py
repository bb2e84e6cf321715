"""Skill of predictions against what was measured, and the plain baselines they have to beat.

Every measure takes measured values first. Pairs in which either is missing are left out.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray


def rmse(measured: ArrayLike, predicted: ArrayLike) -> float:
    """Root mean square error, in the unit of the data.

    Examples
    --------
    >>> rmse([1.0, 3.0], [2.0, 4.0])
    1.0
    """
    o, p = _pairs(measured, predicted)
    return float(np.sqrt(np.mean((p - o) ** 2)))


def bias(measured: ArrayLike, predicted: ArrayLike) -> float:
    """Mean of predicted less measured, in the unit of the data."""
    o, p = _pairs(measured, predicted)
    return float(np.mean(p - o))


def mae(measured: ArrayLike, predicted: ArrayLike) -> float:
    """Mean absolute error, in the unit of the data."""
    o, p = _pairs(measured, predicted)
    return float(np.mean(np.abs(p - o)))


def median_absolute_error(measured: ArrayLike, predicted: ArrayLike) -> float:
    """Median absolute error, in the unit of the data."""
    o, p = _pairs(measured, predicted)
    return float(np.median(np.abs(p - o)))


def rrmse(measured: ArrayLike, predicted: ArrayLike) -> float:
    """Root mean square error as a share of the mean of the measured values.

    Raises
    ------
    ValueError
        If that mean is not above zero.
    """
    o, p = _pairs(measured, predicted)
    if o.mean() <= 0:
        raise ValueError(f"measured values must have a mean above zero, not {o.mean():g}")
    return rmse(o, p) / float(o.mean())


def nash_sutcliffe(measured: ArrayLike, predicted: ArrayLike) -> float:
    """Efficiency: 1 is perfect, 0 no better than the mean of the measured values, NaN if these do not differ.

    References
    ----------
    .. [1] J. E. Nash and J. V. Sutcliffe, "River flow forecasting through conceptual models part I",
       J. Hydrol., vol. 10, pp. 282-290, 1970.

    Examples
    --------
    >>> nash_sutcliffe([1.0, 2.0, 3.0], [2.0, 2.0, 2.0])
    0.0
    """
    o, p = _pairs(measured, predicted)
    return _one_less(np.sum((p - o) ** 2), np.sum((o - o.mean()) ** 2))


def willmott_d(measured: ArrayLike, predicted: ArrayLike) -> float:
    """Index of agreement, 0 to 1, NaN if neither series differs from the mean of the measured one.

    References
    ----------
    .. [1] C. J. Willmott, "On the validation of models", Phys. Geogr., vol. 2, pp. 184-194, 1981.
    """
    o, p = _pairs(measured, predicted)
    return _one_less(np.sum((p - o) ** 2), np.sum((np.abs(p - o.mean()) + np.abs(o - o.mean())) ** 2))


def brier(happened: ArrayLike, probability: ArrayLike) -> float:
    """Brier score of odds for events: 0 is perfect, 0.25 what even odds give.

    Parameters
    ----------
    happened : array_like of bool or 0 and 1
        Whether the event came.
    probability : array_like of float
        Odds given for it, 0 to 1.

    Raises
    ------
    ValueError
        If a probability lies outside 0 to 1.
    """
    y, p = _pairs(np.asarray(happened, dtype=float), probability)
    if ((p < 0) | (p > 1)).any():
        raise ValueError(f"probability must lie between 0 and 1, not {p.min():g} to {p.max():g}")
    return float(np.mean((p - y) ** 2))


def reliability(happened: ArrayLike, probability: ArrayLike, classes: int = 5) -> pd.DataFrame:
    """How often events came for which about the same odds were given.

    Parameters
    ----------
    happened, probability : array_like
        As for `brier`.
    classes : int
        Number of equal classes of odds.

    Returns
    -------
    DataFrame
        One row per class: from, to (odds), n, mean_odds, share_happened; NaN where n is 0.
    """
    y, p = _pairs(np.asarray(happened, dtype=float), probability)
    at = np.minimum((p * classes).astype(int), classes - 1)
    rows = []
    for number in range(classes):
        chosen = at == number
        n = int(chosen.sum())
        mean, share = (float(p[chosen].mean()), float(y[chosen].mean())) if n else (np.nan, np.nan)
        rows.append((number / classes, (number + 1) / classes, n, mean, share))
    return pd.DataFrame(rows, columns=["from", "to", "n", "mean_odds", "share_happened"])


def spearman_within(measured: ArrayLike, predicted: ArrayLike, site: ArrayLike) -> tuple[float, int]:
    """Rank correlation within each site, and its mean over sites.

    Parameters
    ----------
    measured, predicted : array_like of float
        Pairs.
    site : array_like
        Site of each pair; ranks are never compared between sites.

    Returns
    -------
    (float, int)
        Mean over the sites with at least three pairs and some difference in both, and how many these are;
        NaN if none.
    """
    table = pd.DataFrame({"o": measured, "p": predicted, "site": site}).dropna()
    found = []
    for _, rows in table.groupby("site", sort=True):
        ranks = rows[["o", "p"]].rank()
        if len(rows) >= 3 and (ranks.std() > 0).all():
            found.append(float(np.corrcoef(ranks["o"], ranks["p"])[0, 1]))
    return (float(np.mean(found)) if found else np.nan), len(found)


def species_mean(train: pd.DataFrame, wanted: pd.DataFrame) -> NDArray[np.float64]:
    """The plain baseline: the mean of a cover in the training part.

    Parameters
    ----------
    train, wanted : DataFrame
        Columns cover_id, quantity and (in `train`) value, site_year. The mean is over site-years, so that
        many plots of one field count once.

    Returns
    -------
    ndarray of float, shape (rows of `wanted`,)
        NaN for a cover that the training part does not have.
    """
    keys = ["cover_id", "quantity"]
    by_year = train.dropna(subset="value").groupby([*keys, "site_year"])["value"].mean()
    mean = by_year.groupby(level=keys).mean()
    return mean.reindex(pd.MultiIndex.from_frame(wanted[keys])).to_numpy(dtype=float)


def _pairs(measured: ArrayLike, predicted: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Both series without the pairs that miss a value."""
    o, p = np.asarray(measured, dtype=float), np.asarray(predicted, dtype=float)
    if o.shape != p.shape:
        raise ValueError(f"measured and predicted must have one shape, not {o.shape} and {p.shape}")
    known = np.isfinite(o) & np.isfinite(p)
    if not known.any():
        raise ValueError("measured and predicted have no pair without a missing value")
    return o[known], p[known]


def _one_less(part: float, whole: float) -> float:
    return float(1 - part / whole) if whole > 0 else float("nan")
