"""What the law and the label ask: names that lists carry, intervals that a farm typed from labels.

Nothing here clears a species. A name that matches is asked about, and so is one that does not; an interval that
was not entered is said to be so, and never guessed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import pandas as pd

from greengap.catalogue import Catalogue, Cover, Species
from greengap.farm.law_lists import OTHER, ListedPlant, Sprayed
from greengap.tables import (
    Allocation,
    DataFrame,
    LabelInterval,
    ListedName,
    Option,
    Suitability,
    Window,
)

LABEL = "herbicide label"


# --- names -------------------------------------------------------------------------------------


def _plain(name: str) -> str:
    """A plant name for comparison: letters only, no sign of a hybrid, no rank, no author."""
    words = [w for w in re.sub(r"[^\w\s-]", " ", name.lower().replace("×", " ")).split() if w not in {"x", "spp", "sp"}]
    return " ".join(words)


def matching_names(species: Species, plants: Sequence[ListedPlant]) -> list[ListedPlant]:
    """Names of a list that are the species', its genus', or those of kin that its seed may carry.

    Parameters
    ----------
    species : Species
    plants : sequence of ListedPlant

    Returns
    -------
    list of ListedPlant
        In the order of the list. A genus matches where the list names it alone; a subspecies or an author's name
        behind the two words does not keep a name from matching.
    """
    own = [species.name, species.scientific_name, *species.text("legal_names").split(";")]
    known = {_plain(name) for name in own if name.strip()}
    out = []
    for plant in plants:
        said = _plain(plant.name)
        if said in known or any(" " in name and said.startswith(f"{name} ") for name in known):
            out.append(plant)
    return out


def listed_names(
    species: Sequence[str], plants: Sequence[ListedPlant], named: bool, catalogue: Catalogue
) -> DataFrame[ListedName]:
    """What to ask about each species before it is ordered.

    Parameters
    ----------
    species : sequence of str
        Species that are ordered.
    plants : sequence of ListedPlant
    named : bool
        False where the farm has entered no list.
    catalogue : Catalogue

    Returns
    -------
    DataFrame[ListedName]
        At least one row a species.
    """
    rows = []
    for key in sorted(set(species)):
        s = catalogue.species[key]
        found = matching_names(s, plants)
        for plant in found:
            rows.append(
                (
                    key, s.name, plant.name, plant.list_name,
                    f"{s.name} ({s.scientific_name}): ask before you order. It was matched with {plant.name!r} on "
                    f"{plant.list_name}. Which plant is meant, and may its seed be sold and sown here?",
                )
            )  # fmt: skip
        if not found:
            why = "no name on the list you entered matches, which clears nothing" if named else "no list was entered"
            kin = "; ".join(n.strip() for n in s.text("legal_names").split(";") if n.strip())
            question = (
                f"{s.name}: {why}. Ask your state's or country's list of noxious weeds and its list of seeds; they may "
                f"carry it or its kin as {kin}."
            )
            rows.append((key, s.name, "", "", question))
    return ListedName.validate(pd.DataFrame(rows, columns=list(ListedName.to_schema().columns)))


# --- labels ------------------------------------------------------------------------------------


def _interval(species: str, used: Sequence[Sprayed]) -> float | None:
    """Interval of one product for a species: its own, else that for other crops [d]; None: not entered."""
    own = [u.interval_d for u in used if u.species == species and u.interval_d is not None]
    other = [u.interval_d for u in used if u.species == OTHER and u.interval_d is not None]
    return max(own) if own else max(other) if other else None


def label_interval(
    cover: Cover, block_id: str, sow_date: pd.Timestamp, sprayed: Sequence[Sprayed], catalogue: Catalogue
) -> list[dict[str, Any]]:
    """What the labels of the products used on a block say of a cover that is to be sown.

    Parameters
    ----------
    cover : Cover
        Its strictest component decides; one without an interval leaves the product open.
    block_id : str
    sow_date : Timestamp
    sprayed : sequence of Sprayed
    catalogue : Catalogue

    Returns
    -------
    list of dict
        One for each product and day that it was used before the sowing: `product`, `applied`, `strictest`,
        `interval_d`, `not_before`, `verdict`, and `allowed` (False only where an entered interval is not over).
    """
    out = []
    uses = dict.fromkeys((u.product, u.applied) for u in sprayed if u.block_id == block_id and u.applied <= sow_date)
    for product, applied in uses:
        used = [u for u in sprayed if (u.block_id, u.product, u.applied) == (block_id, product, applied)]
        days = {c.species: _interval(c.species, used) for c in cover.components}
        entered = {key: d for key, d in days.items() if d is not None}
        missing = [catalogue.species[key].name.lower() for key, d in days.items() if d is None]
        strictest = max(sorted(entered), key=lambda key: entered[key]) if entered else ""
        not_before = applied + pd.Timedelta(days=int(-(-entered[strictest] // 1))) if entered else pd.NaT
        allowed = not (entered and not_before > sow_date)
        words = []
        if entered:
            name = catalogue.species[strictest].name.lower()
            words.append(f"{product} of {applied:%d %b %Y}: the label's interval for {name} ends {not_before:%d %b %Y}")
        if missing:
            words.append(
                f"{product} of {applied:%d %b %Y}: interval not entered for {' and '.join(missing)}; read the label"
            )
        out.append(
            {
                "product": product,
                "applied": applied,
                "strictest": strictest,
                "interval_d": entered[strictest] if entered else None,
                "not_before": not_before,
                "verdict": "; ".join(words),
                "allowed": allowed,
            }
        )
    return out


def label_gates(
    suitability: DataFrame[Suitability],
    windows: DataFrame[Window],
    block_of: dict[str, str],
    sprayed: Sequence[Sprayed],
    catalogue: Catalogue,
) -> DataFrame[Suitability]:
    """Add the gate of the label to every cover that could be run on a block with a herbicide history.

    Parameters
    ----------
    suitability : DataFrame[Suitability]
    windows : DataFrame[Window]
        For the sowing date that is judged.
    block_of : dict of gap_id to block_id
    sprayed : sequence of Sprayed
    catalogue : Catalogue

    Returns
    -------
    DataFrame[Suitability]
        The same table where nothing was sprayed. A gate fails only by an interval that was entered; where none
        was, it passes and says so.
    """
    if not sprayed:
        return suitability
    rows = []
    for w in windows.itertuples():
        found = label_interval(catalogue.covers[w.cover_id], block_of[w.gap_id], w.sow_best, sprayed, catalogue)
        for one in found:
            passed = bool(one["allowed"])
            rows.append((w.gap_id, w.cover_id, "all", LABEL, "gate", passed, float(passed), 0.0, one["verdict"]))
    if not rows:
        return suitability
    more = pd.DataFrame(rows, columns=list(Suitability.to_schema().columns))
    return Suitability.validate(pd.concat([suitability, more], ignore_index=True))


def label_table(
    allocation: DataFrame[Allocation], options: DataFrame[Option], sprayed: Sequence[Sprayed], catalogue: Catalogue
) -> DataFrame[LabelInterval]:
    """The label's word on each gap that is sown.

    Parameters
    ----------
    allocation : DataFrame[Allocation]
    options : DataFrame[Option]
    sprayed : sequence of Sprayed
    catalogue : Catalogue

    Returns
    -------
    DataFrame[LabelInterval]
        Empty where no product was entered.
    """
    sow = options.set_index("option_id")["sow_date"]
    rows = []
    for chosen in allocation[allocation["option_id"].notna()].itertuples():
        cover = catalogue.covers[chosen.cover_id]
        for one in label_interval(cover, chosen.block_id, sow[chosen.option_id], sprayed, catalogue):
            one.pop("allowed")
            rows.append({"gap_id": chosen.gap_id, "block_id": chosen.block_id, "cover_id": chosen.cover_id} | one)
    table = pd.DataFrame(rows, columns=list(LabelInterval.to_schema().columns))
    table["interval_d"] = table["interval_d"].astype(float)
    return LabelInterval.validate(table)
