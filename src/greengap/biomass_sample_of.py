"""The biomass sample of one gap: what the record says was cut and weighed, and what follows is reckoned from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from greengap.advice.purposes import growth_target
from greengap.advice.quadrats import (
    WEEDS,
    MoreFrames,
    StandNitrogen,
    Weighed,
    more_frames,
    nitrogen_by_stage,
    nitrogen_of_stand,
    weigh,
)
from greengap.catalogue import Catalogue, Cover
from greengap.errors import InputProblem
from greengap.farm.season_record import RECORD_FILE, current
from greengap.farm_input import Farm
from greengap.process.standing import Standing
from greengap.stand_worked_out import Ground, ground_of, numbered, rows_of_gap


@dataclass(frozen=True)
class BiomassSample:
    """One sample of a stand.

    Attributes
    ----------
    gap_id : str
    cover : Cover
    sown_on, cut_on : Timestamp
    ended_on : Timestamp or None
    stand : Weighed
        The cover, weeds left out.
    weeds : Weighed or None
        None where they were not weighed apart.
    shares : dict of species to float
        Of the dry matter of the cover; "" where the species were not weighed apart [fraction].
    nitrogen : StandNitrogen
    stages : dict of species to float
        0 at emergence, 1 at first flower, 2 at viable seed, on that day [-].
    more : MoreFrames
    predicted_kg_ha : tuple of float
        What the engine had for that day: one year of ten less, median, one year of ten more [kg ha-1].
    notes : tuple of str
    """

    gap_id: str
    cover: Cover
    sown_on: pd.Timestamp
    cut_on: pd.Timestamp
    ended_on: pd.Timestamp | None
    stand: Weighed
    weeds: Weighed | None
    shares: dict[str, float]
    nitrogen: StandNitrogen
    stages: dict[str, float]
    more: MoreFrames
    predicted_kg_ha: tuple[float, float, float]
    notes: tuple[str, ...]

    @property
    def standing(self) -> Standing:
        """What the season is run from: dry matter and nitrogen as they were measured."""
        return Standing(biomass_kg_ha=self.stand.kg_ha, nitrogen_fraction=self.nitrogen.fraction)


def sample_of(farm: Farm, gap_id: str, as_of: pd.Timestamp | None = None) -> BiomassSample | None:
    """The last biomass sample of a gap.

    Parameters
    ----------
    farm : Farm
        Its season record has rows of the kind ``sample``; weeds that were weighed apart have ``weeds`` as species.
    gap_id : str
    as_of : Timestamp, optional
        Rows after it are not looked at.

    Returns
    -------
    BiomassSample or None
        None if nothing was cut.

    Raises
    ------
    InputProblem
        If there is no such gap, nothing is written down as sown, or nothing was dried.
    """
    record = current(farm.record)
    if not (record["what"] == "sample").any():
        return None
    ground = ground_of(farm, gap_id, None)
    rows = record[record["date"] <= as_of] if as_of is not None else record
    gap, catalogue = ground.gap, farm.catalogue
    rows = rows_of_gap(rows, gap)
    cuts = rows[rows["what"] == "sample"]
    if cuts.empty:
        return None
    sown = rows[rows["what"] == "sown"]
    if sown.empty or str(sown["cover_id"].iloc[-1]) not in catalogue.covers:
        remedy = "Write down first what was sown, with its date and cover"
        raise InputProblem(RECORD_FILE, gap_id, "a sample is written down, but not of which cover", remedy)
    cover, sown_on = catalogue.covers[str(sown["cover_id"].iloc[-1])], sown["date"].iloc[-1]
    last = cuts.iloc[-1]
    cuts = cuts[(cuts["visit"] == last["visit"]) if last["visit"] else (cuts["date"] == last["date"])]
    notes = list[str]()
    dried = _dried(cuts, gap_id, notes)
    cut_on = last["date"]
    own = dried[dried["species"] != WEEDS]
    if own.empty:
        raise InputProblem(RECORD_FILE, gap_id, "only weeds were weighed", "Write down the cover, too")
    areas = dried.groupby("frame")["frame_area_m2"].first()
    stand = _weighed(own, areas)
    weeds = _weighed(dried[dried["species"] == WEEDS], areas) if (dried["species"] == WEEDS).any() else None
    if weeds is None:
        notes.append("Weeds were not weighed apart: they count as cover.")
    by_species = own.groupby("species")["dry"].sum()
    shares = {str(s): float(g) / max(float(by_species.sum()), 1e-9) for s, g in by_species.items()}
    flowers = rows[(rows["what"] == "flower") & (rows["date"] <= cut_on)]
    stages, predicted = _reckoned(ground, cover, sown_on, cut_on, flowers["date"].min() if len(flowers) else None)
    nitrogen = _nitrogen(own, stand, shares, stages, cover, catalogue, notes)
    rule, settings = catalogue.rule, farm.settings
    aim = growth_target(settings.growth_aim, catalogue, settings.units)
    more = more_frames(
        stand, rule("sample_precision"), int(rule("sample_most_frames")),
        aim.value if aim.quantity == "biomass_kg_ha" else None,
    )  # fmt: skip
    ended = rows[(rows["what"] == "ended") & (rows["date"] >= cut_on)]
    return BiomassSample(
        gap_id, cover, sown_on, cut_on, ended["date"].iloc[-1] if len(ended) else None, stand, weeds, shares, nitrogen,
        stages, more, predicted, tuple(notes),
    )  # fmt: skip


def _dried(cuts: pd.DataFrame, gap_id: str, notes: list[str]) -> pd.DataFrame:
    """Dry weight of each cut; of one that was only weighed fresh by the dry share of the others, its species first."""
    table = numbered(cuts)
    both = table[table["fresh_g"].gt(0) & table["dry_g"].notna()]
    heavier = both[both["dry_g"] > both["fresh_g"]]
    if len(heavier):
        row = heavier.iloc[0]
        what = f"{row['dry_g']:g} g dry of {row['fresh_g']:g} g fresh"
        raise InputProblem(RECORD_FILE, f"{gap_id}, frame {row['frame']}", what, "Correct the weights")
    share_of = (both.groupby("species")["dry_g"].sum() / both.groupby("species")["fresh_g"].sum()).to_dict()
    overall = both["dry_g"].sum() / both["fresh_g"].sum() if len(both) else np.nan
    share = table["species"].map(share_of).astype(float).fillna(overall)
    dry = table["dry_g"].fillna(table["fresh_g"] * share)
    if dry.isna().any():
        remedy = "Dry one cut until it is crisp and write down both weights: fresh weight says nothing of dry matter"
        raise InputProblem(RECORD_FILE, f"{gap_id}, cut {cuts['date'].iloc[-1]:%Y-%m-%d}", "nothing was dried", remedy)
    if table["dry_g"].isna().any():
        words = ", ".join(f"{s}" for s in sorted({f"{v:.0%}".replace("%", " %") for v in share[table["dry_g"].isna()]}))
        notes.append(
            f"Some cuts were weighed fresh only; dry matter of them is taken as {words}, that of what was dried."
        )
    return table.assign(dry=dry)


def _weighed(part: pd.DataFrame, areas: pd.Series) -> Weighed:
    """Dry matter of some species over all frames; a frame that has none of them counts as none."""
    grams = part.groupby("frame")["dry"].sum().reindex(areas.index).fillna(0.0)
    return weigh(grams.tolist(), areas.tolist())


def _reckoned(
    ground: Ground, cover: Cover, sown_on: pd.Timestamp, cut_on: pd.Timestamp, flower_on: Any
) -> tuple[dict[str, float], tuple[float, float, float]]:
    """Stage of each species on the day of the cut, and dry matter that the engine had for that day."""
    whole = ground.run(cover.key, sown_on, [None])
    short = ground.run(cover.key, sown_on, [None], by=cut_on)
    days = float((cut_on - sown_on).days)
    up, flower, seed = (whole[c].median() for c in ("emergence_d", "first_flower_d", "viable_seed_d"))
    if flower_on is not None:
        flower = float((flower_on - sown_on).days)
    up = 0.0 if np.isnan(up) else up
    if np.isnan(flower):
        # no flower in this gap: as far as the days of the gap have gone of it
        stage = min((days - up) / max(float(whole["growth_end_d"].median()) - up, 1.0), 1.0)
    elif days <= flower:
        stage = (days - up) / max(flower - up, 1.0)
    else:
        stage = 1.0 if np.isnan(seed) else 1 + (days - flower) / max(seed - flower, 1.0)
    stage = float(np.clip(stage, 0.0, 2.0))
    mass = short["biomass_kg_ha"]
    predicted = tuple(float(mass.quantile(q)) for q in (0.1, 0.5, 0.9)) if len(mass) else (np.nan,) * 3
    return {c.species: stage for c in cover.components}, (predicted[0], predicted[1], predicted[2])


def _nitrogen(
    own: pd.DataFrame,
    stand: Weighed,
    shares: dict[str, float],
    stages: dict[str, float],
    cover: Cover,
    catalogue: Catalogue,
    notes: list[str],
) -> StandNitrogen:
    """Nitrogen by the laboratory where it was asked, else by species and stage."""
    carbon = catalogue.rule("carbon_share")
    lab = own["nitrogen_fraction"].astype(float).fillna(carbon / own["carbon_to_nitrogen"].astype(float))
    known = own[lab.notna()].assign(lab=lab)
    tested = known.groupby("species")["lab"].mean().to_dict()
    if "" in tested:  # of the whole stand
        return nitrogen_of_stand(stand, {"": 1.0}, {"": float(tested[""])}, carbon, True)
    if "" in shares:
        planned = {c.species: c.share_of_sole_rate for c in cover.components}
        shares = {s: part / sum(planned.values()) for s, part in planned.items()}
        if len(planned) > 1:
            notes.append("The species were not weighed apart: their nitrogen is that of the shares in the seed.")
    fractions = {}
    for s in shares:
        if s in tested:
            fractions[s] = float(tested[s])
        elif s in catalogue.species:
            fractions[s] = nitrogen_by_stage(catalogue.species[s], stages.get(s, 1.0), catalogue)
        else:
            raise InputProblem(RECORD_FILE, f"sample, species {s!r}", "is not known", f"Name a species or {WEEDS!r}")
    return nitrogen_of_stand(stand, shares, fractions, carbon, set(shares) <= set(tested))
