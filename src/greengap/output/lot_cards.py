"""A card for each lot of an order and a small label for its shelf, to print in black and white."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import pandas as pd

from greengap.output.files import write_bytes, write_text
from greengap.output.order import Order, caution_words, foot_words, order_tables
from greengap.output.paper import Grid, Heading, Kept, Labels, NewPage, Part, Words, to_html, to_pdf
from greengap.output.summary import cover_name
from greengap.tables import DataFrame, LotRate
from greengap.units import FOOT_M, System, write

BLANK = "________"


def write_cards(order: Order, folder: Path) -> list[Path]:
    """Write the cards and labels of an order, as a page to print and a PDF.

    Returns
    -------
    list of Path
        Files written, each whole; none if there is no lot.
    """
    rates = order_tables(order)["lot_rates"]
    if rates.empty:
        return []
    title, parts, foot = f"Lot cards, {order.plan.metadata['farm']}", card_parts(order, rates), foot_words(order.plan)
    page, pdf = (folder / f"lot_cards.{kind}" for kind in ("html", "pdf"))
    write_text(page, to_html(title, [*parts, Words(foot)]))
    write_bytes(pdf, to_pdf(title, parts, foot, letter=order.plan.settings.units == "us"))
    return [page, pdf]


def card_parts(order: Order, rates: DataFrame[LotRate]) -> list[Part]:
    """Cards and labels as the parts of a printable document."""
    farm = order.plan.metadata["farm"]
    parts: list[Part] = [Heading(f"Lot cards: {farm}" + (f", {order.year}" if order.year else ""), 1)]
    if order.plan.metadata["note"]:
        parts.append(Words(order.plan.metadata["note"]))
    parts.append(
        Words(
            "One card for each lot, to hang on the bag. Copy from the tag what is empty and keep the tag, or a photo "
            "of it. Another lot is another rate: write its figures into the list and order again, or divide as shown."
        )
    )
    labels = []
    for number, rows in rates.groupby("card", sort=True):
        lines = _lines(order, rows)
        parts.append(Kept(list(_card(order, int(number), lines, rows))))
        labels.append(_label(order, int(number), lines, rows))
    return [*parts, NewPage(), Heading("Shelf labels, to cut out"), Labels(labels)]


def _lines(order: Order, rows: pd.DataFrame) -> pd.DataFrame:
    keys = rows[["year", "species", "line"]].drop_duplicates()
    return keys.merge(order.lines, on=["year", "species", "line"], how="left")


def _percent(share: float) -> str:
    return "" if pd.isna(share) else f"{100 * share:.4g} %"


def _day(day: object) -> str:
    return "" if pd.isna(day) else f"{day:%d %b %Y}"


def _yes(said: object) -> str:
    return "" if pd.isna(said) else ("yes" if said else "no")


def _name(lines: pd.DataFrame) -> str:
    return " + ".join(dict.fromkeys(lines["name"]))


def _where(line: pd.Series) -> str:
    if line["from_where"] == "shed":
        return "in the shed"
    return line["supplier"] or "supplier not chosen yet"


def _shares(lines: pd.DataFrame) -> str:
    """What is in a bag that holds several species."""
    first = lines.sort_values("year").drop_duplicates("species")
    held = first.set_index("name")[["seed_g", "reserve_g", "left_g"]].sum(axis=1)
    return ", ".join(f"{name} {grams / held.sum():.0%}".replace("%", " %") for name, grams in held.items())


def _card(order: Order, number: int, lines: pd.DataFrame, rates: pd.DataFrame) -> Iterator[Heading | Words | Grid]:
    plan, units = order.plan, order.plan.settings.units
    first = lines.iloc[0]
    lot = first["lot"] if first["from_where"] == "shed" else ""
    yield Heading(f"{number}. {_name(lines)}")
    several = len(set(lines["species"])) > 1
    if several:
        shares = _shares(lines)
        yield Words(f"In one bag, by weight: {shares}. What is mixed is sown as that mix; it cannot be taken apart.")
    tag = []
    for _, line in lines.drop_duplicates("species").iterrows():
        known = _percent(line["pls_fraction"]) if line["tag_known"] else f"{BLANK} ({_percent(line['pls_fraction'])} *)"
        tag.append(
            [
                f"{line['name']} ({plan.catalogue.species[line['species']].scientific_name})", lot, _where(line),
                line["lot"] if line["from_where"] == "buy" else "", _percent(line["purity_fraction"]),
                _percent(line["germination_fraction"]), _percent(line["hard_seed_fraction"]), known,
                _day(line["tested"]), line["noxious"],
            ]
        )  # fmt: skip
    yield Grid(
        ["kind", "lot no.", "from", "product, variety", "purity", "germination", "hard seed", "pure live seed",
         "tested on", "noxious weed seed: name and number, as on the tag"],
        tag, [16, 9, 10, 10, 7, 9, 7, 10, 9, 17],
    )  # fmt: skip
    if not lines["tag_known"].all():
        yield Words("* No tag yet: an ordinary lot. Pure live seed = purity x (germination + hard seed).")
    if (lines["noxious"] == "").any():
        yield Words("An empty box for noxious weed seed is not none: read the tag, and ask before you open the bag.")
    yield Grid(
        ["other crop %", "inert %", "weed seed %", "origin", "organic", "treated, coated", "came on", "weighed in"],
        [["", "", "", "", _yes(first["organic"]), _yes(first["treated"]), "", ""]], [8, 8, 8, 14, 8, 12, 10, 12],
    )  # fmt: skip
    yield _rates_grid(order, rates, units)
    for _, line in lines.iterrows():
        yield Words(_use(line, units, several or len(lines) > 1))
    for species in dict.fromkeys(lines["species"]):
        live = rates.loc[rates["species"] == species, "live_rate_kg_ha"].iloc[0]
        name = plan.catalogue.species[species].name
        group = plan.catalogue.species[species].text("inoculant")
        inoculant = f" Inoculant: {group}; pack's date {BLANK}." if group else ""
        yield Words(
            f"{name} of another lot: rate = {write(live, 'kg_ha', units)} of live seed / its pure live seed.{inoculant}"
        )
    yield Grid(
        ["germination counted on", "seeds laid out", "up", "verdict (greengap germination)", "who"],
        [[""] * 5], [14, 10, 8, 26, 12],
    )  # fmt: skip
    for words in caution_words(plan, set(lines["species"])):
        yield Words(words)


def _use(line: pd.Series, units: System, named: bool) -> str:
    grams = write(line["seed_g"], "g", units)
    kept = f", {write(line['reserve_g'], 'g', units)} kept for sowing again" if line["reserve_g"] else ""
    left = (
        f"; leaves {write(line['left_g'], 'g', units)}, which sows {write(line['left_sows_m2'], 'm2', units)}"
        if line["left_g"]
        else ""
    )
    name = f"{line['name']}, " if named else ""
    return f"{name}{line['year']}: {grams} of this lot{kept}, for {line['blocks']}{left}."


def _rates_grid(order: Order, rates: pd.DataFrame, units: System) -> Grid:
    plan, foot2 = order.plan, FOOT_M**2
    ground = "on 100 m²" if units == "metric" else "on 1,000 ft²"

    def on_ground(g_per_100_m2: float) -> str:
        return f"{g_per_100_m2:,.0f} g" if units == "metric" else write(g_per_100_m2 * 10 * foot2, "g", units)

    rows = []
    for r in rates.itertuples():
        share = f"{r.share_of_sole_rate:.2f} of its rate alone, {r.live_weight_share:.0%} of the mix"
        rows.append(
            [
                str(r.year), cover_name(plan, r.cover_id), plan.catalogue.species[r.species].name,
                share.replace("%", " %") if r.live_weight_share < 0.999 else "alone", r.method,
                write(r.depth_mm, "depth_mm", units), write(r.rate_kg_ha, "kg_ha", units),
                f"{r.seeds_m2:.0f}/m², {r.seeds_m2 * foot2:.1f}/ft²", on_ground(r.g_per_100_m2), r.blocks,
            ]
        )  # fmt: skip
    return Grid(
        ["year", "cover", "of it", "share", "how", "depth", "rate of this lot", "seeds", ground, "blocks"],
        rows, [5, 13, 12, 15, 8, 7, 9, 13, 8, 18], frozenset({6, 8}),
    )  # fmt: skip


def _label(order: Order, number: int, lines: pd.DataFrame, rates: pd.DataFrame) -> tuple[str, Sequence[str]]:
    plan, units = order.plan, order.plan.settings.units
    first = lines.iloc[0]
    lot = first["lot"] if first["from_where"] == "shed" else BLANK
    live = ", ".join(
        _percent(line["pls_fraction"]) if line["tag_known"] else BLANK
        for _, line in lines.drop_duplicates("species").iterrows()
    )
    out = [f"lot {lot}, {_where(first)}", f"pure live seed {live}; tested {_day(first['tested']) or BLANK}"]
    for r in rates.drop_duplicates(["species", "cover_id", "year"]).head(3).itertuples():
        out.append(
            f"{cover_name(plan, r.cover_id)}, from {r.sow_date:%d %b %Y}: {write(r.rate_kg_ha, 'kg_ha', units)}, "
            f"{write(r.depth_mm, 'depth_mm', units)} deep"
        )
    blocks = list(dict.fromkeys(b for some in rates["blocks"] for b in some.split(", ")))
    out.append(f"for {', '.join(blocks[:6])}" + (f" and {len(blocks) - 6} more" if len(blocks) > 6 else ""))
    said = "; ".join(dict.fromkeys(x for x in lines["noxious"] if x))
    out.append(f"noxious: {said or BLANK}   treated: {_yes(first['treated']) or BLANK}   opened: {BLANK}")
    return f"{number}. {_name(lines)}", out
