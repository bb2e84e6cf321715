"""Flowers that feed insects: which do, who comes to them, and for how many days."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from greengap.catalogue import Catalogue, Species

FLOWERS_THAT_FEED = {"moderate", "good", "excellent"}
# Traits of the catalogue that say who comes, and how each is called.
VISITORS = {"honey_bees": "honey bees", "wild_bees": "wild bees", "natural_enemies": "predators and parasitoids"}
LEVELS = ("strong", "moderate", "little", "none")


def visitor_level(species: Species, group: str) -> str:
    """How strongly a group of insects comes to a species: one of `LEVELS`, empty where it is not known."""
    said = species.text(group).lower()
    return next((level for level in LEVELS if said.startswith(level)), "")


def visitor_share(species: Species, group: str, catalogue: Catalogue) -> float:
    """The part in which a day in flower counts for a group; a group that is not known counts as the rule says."""
    return catalogue.rule(f"visitors_{visitor_level(species, group) or 'unknown'}")


def visited_days(opens: np.ndarray, closes: np.ndarray, shares: Sequence[float]) -> np.ndarray:
    """Days on which flowers are open, each counted by the flower that is sought most on it.

    Parameters
    ----------
    opens, closes : ndarray of float, shape (species, ...)
        First day in flower and the day after the last; no days where `closes` is not later [d].
    shares : sequence of float
        Part in which a day of each species counts.

    Returns
    -------
    ndarray of float
        [d].

    Notes
    -----
    With the shares in falling order, the sum over them of (share - next share) times the days on which any flower
    of at least that share is open.

    Examples
    --------
    >>> visited_days(np.array([[30.0], [35.0]]), np.array([[40.0], [50.0]]), [1.0, 0.5])
    array([15.])
    """
    order = sorted(range(len(shares)), key=lambda k: -shares[k])
    total = np.zeros(np.shape(opens)[1:])
    for rank, last in enumerate(order):
        following = shares[order[rank + 1]] if rank + 1 < len(order) else 0.0
        if (step := shares[last] - following) > 0:
            total += step * _open_days(opens[order[: rank + 1]], closes[order[: rank + 1]])
    return total


def _open_days(opens: np.ndarray, closes: np.ndarray) -> np.ndarray:
    """Days on which at least one of some flowers is open [d]."""
    by_opening = np.argsort(opens, axis=0, kind="stable")
    opens, closes = (np.take_along_axis(days, by_opening, axis=0) for days in (opens, closes))
    total, seen = np.zeros(opens.shape[1:]), np.full(opens.shape[1:], -np.inf)
    for first, end in zip(opens, closes, strict=True):
        total += np.maximum(end - np.maximum(first, seen), 0)
        seen = np.maximum(seen, end)
    return total
