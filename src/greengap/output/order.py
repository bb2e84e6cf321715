"""The seed order as it is handed over: lines for a terminal, tables, a workbook, a page to print and a PDF."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from greengap.advice.cautions import WHOLE_FARM
from greengap.advice.drill import Drill, bed_seed, calibration
from greengap.advice.lots import lot_rates
from greengap.catalogue import Catalogue
from greengap.farm.seed_search import Attempt
from greengap.output.files import write_bytes, write_text
from greengap.output.paper import Grid, Heading, NewPage, Part, Words, to_html, to_pdf
from greengap.output.search_record import search_lacks, search_record
from greengap.output.summary import aligned, cover_name
from greengap.output.table import to_csv
from greengap.output.workbook import workbook
from greengap.plan import Plan
from greengap.tables import BedSeed, Calibration, DataFrame, OrderLine, Reserve
from greengap.units import FOOT_M, POUND_KG, System, shown, write

# Words in the names of the hazards that belong to buying, handling and sowing seed.
SEED_HAZARDS = ("treated", "inoculant", "noxious", "invasive", "hard seed", "seed tag", "hemp seed", "organic seed")
FOOT2_M2 = FOOT_M**2


@dataclass(frozen=True)
class Change:
    """What becomes of a gap when a species cannot be had."""

    gap_id: str
    before: str
    after: str


@dataclass(frozen=True)
class Order:
    """A plan's seed order with what belongs to it.

    Attributes
    ----------
    gone : tuple of str
        Species that cannot be had, by trade name.
    changes : tuple of Change
        Gaps that were planned anew for it.
    """

    plan: Plan
    year: int | None
    lines: DataFrame[OrderLine]
    inoculants: pd.DataFrame
    calibration: DataFrame[Calibration]
    beds: DataFrame[BedSeed]
    search: pd.DataFrame
    gone: tuple[str, ...] = ()
    changes: tuple[Change, ...] = ()
    reserve: DataFrame[Reserve] = field(default_factory=Reserve.empty)
    attempts: tuple[Attempt, ...] = ()


def take_order(
    plan: Plan,
    drill: Drill,
    year: int | None = None,
    gone: Sequence[str] = (),
    before: Plan | None = None,
    attempts: Sequence[Attempt] = (),
) -> Order:
    """Everything a seed order holds.

    Parameters
    ----------
    plan : Plan
    drill : Drill
        What was measured on the machine.
    year : int, optional
        One year of sowing only.
    gone : sequence of str
        Species without which `plan` was made.
    before : Plan, optional
        The plan with them.
    attempts : sequence of Attempt
        The record of the search for organic seed, as far as it is filled in.

    Returns
    -------
    Order
    """
    catalogue = plan.catalogue
    need = plan.seed_need
    slip, beds = calibration(need, plan.order_lines, catalogue, drill), bed_seed(need, plan.order_lines)
    lines, inoculants, reserve = plan.order_lines, plan.inoculants, plan.reserve
    if year is not None:
        lines, inoculants, slip, reserve = (
            table[table["year"] == year] for table in (lines, inoculants, slip, reserve)
        )
        beds = beds[beds["sow_date"].dt.year == year]
    changes = []
    if before is not None:
        new = dict(zip(plan.allocation["gap_id"], plan.allocation["cover_id"], strict=True))
        for row in before.allocation.itertuples():
            if new[row.gap_id] != row.cover_id:
                changes.append(Change(row.gap_id, cover_name(before, row.cover_id), cover_name(plan, new[row.gap_id])))
    return Order(
        plan, year, lines, inoculants, slip, beds, search_record(plan, lines, attempts),
        tuple(catalogue.species[key].name for key in gone), tuple(changes), reserve, tuple(attempts),
    )  # fmt: skip


# --- words -------------------------------------------------------------------------------------


def _kg(kg: float, units: System) -> str:
    """A bag or pack weight without needless digits."""
    value, unit = shown(kg * 1000, "g", units)
    return f"{value:,.2f}".rstrip("0").rstrip(".") + f" {unit}"


def _money(value: float, currency: str) -> str:
    return "-" if pd.isna(value) else f"{value:,.2f} {currency}".strip()


def _bags(row: pd.Series, units: System) -> str:
    if row["from_where"] == "shed":
        return f"in the shed: {row['lot']}"
    if pd.isna(row["bags"]):
        return "not to be had" if row["from_where"] == "missing" else "no quote"
    count = int(row["bags"])
    return f"{count} {'bag' if count == 1 else 'bags'} of {_kg(row['bag_kg'], units)}"


def _tag(row: pd.Series) -> str:
    """Purity, germination and hard seed of the tag; empty, to be filled in, where they are not known."""
    shares = [row["purity_fraction"], row["germination_fraction"], row["hard_seed_fraction"]]
    return " / ".join(f"{100 * share:.4g}" for share in shares) if row["tag_known"] else ""


def _seed(row: pd.Series, units: System) -> str:
    """Seed out of the bag, and what is kept for sowing again."""
    kept = f" + {write(row['reserve_g'], 'g', units)} kept" if row["reserve_g"] else ""
    return write(row["seed_g"], "g", units) + kept


def _left(row: pd.Series, units: System) -> str:
    if row["left_g"] == 0:
        return "-"
    return f"{write(row['left_g'], 'g', units)}, sows {write(row['left_sows_m2'], 'm2', units)}"


def order_text(order: Order) -> Iterator[str]:
    """The order in plain lines."""
    plan, units = order.plan, order.plan.settings.units
    yield f"Seed order of {plan.metadata['farm']}" + (f", {order.year}" if order.year else "")
    if plan.metadata["note"]:
        yield plan.metadata["note"]
    yield from _change_lines(order)
    if order.lines.empty:
        yield "No cover is sown; there is no seed to order."
        return
    yield ""
    rows = [["year", "species", "live seed", "allowance", "PLS", "seed", "how", "left over", "cost", "needed by"]]
    for _, r in order.lines.iterrows():
        rows.append(
            [
                str(r["year"]),
                r["name"],
                write(r["live_seed_g"], "g", units),
                write(r["allowance_g"], "g", units),
                f"{r['pls_fraction']:.1%}" + ("" if r["tag_known"] else "*"),
                _seed(r, units),
                _bags(r, units) + (f", {r['supplier']}" if r["supplier"] else ""),
                _left(r, units),
                _money(r["cost"], r["currency"]),
                f"{r['needed_by']:%d %b %Y}",
            ]
        )
    yield from aligned(rows)
    if not order.lines["tag_known"].all():
        yield "* no tag: an ordinary lot's purity and germination. Ask for the tag, write it down, order again."
    yield from _total_lines(order)
    if reserve := list(reserve_lines(order)):
        yield ""
        yield "Reserve for sowing again"
        yield from (f"- {words}" for words in reserve)
    if not order.inoculants.empty:
        yield ""
        yield "Inoculant"
        yield from aligned(_inoculant_rows(order))
        yield "Mind the date on the pack, keep it cool and dark, use it on the day. What is left does not keep a year."
    notes = [f"{r['name']}, {r['year']}: {r['note']}." for _, r in order.lines.iterrows() if r["note"]]
    if notes:
        yield ""
        yield "To ask, to watch"
        yield from (f"- {note}" for note in dict.fromkeys(notes))
    yield ""
    yield "Names and law"
    yield from (f"- {row.question}" for row in order.plan.listed_names.itertuples())
    yield from _label_lines(plan)
    if not order.search.empty:
        yield ""
        yield "Search for organic seed: organic rules ask for a record; fill in seed_search.csv or the page"
        yield from (f"- {words}" for words in search_lacks(plan.catalogue, order.lines, order.attempts))
    cautions = seed_cautions(plan)
    if cautions:
        yield ""
        yield "Cautions"
        yield from (f"- {words}" for words in cautions)


def _change_lines(order: Order) -> Iterator[str]:
    if not order.gone:
        return
    yield f"Without {' and '.join(order.gone)}, which cannot be had, planned anew:"
    for change in order.changes:
        yield f"  {change.gap_id}: {change.after} instead of {change.before}"
    if not order.changes:
        yield "  nothing changes; no gap has it."


def _total_lines(order: Order) -> Iterator[str]:
    lines, inoculants = order.lines, order.inoculants
    currency = next((c for c in lines["currency"] if c), "")
    known = float(lines["cost"].sum() + inoculants["cost"].sum())
    open_lines = lines[(lines["from_where"] != "shed") & lines["cost"].isna()]
    without = list(dict.fromkeys(open_lines["name"]))
    without += [
        f"inoculant {group}" for group in dict.fromkeys(inoculants.loc[inoculants["cost"].isna(), "inoculant_group"])
    ]
    if known:
        more = f", without {', '.join(without)}" if without else ""
        yield f"Together {_money(known, currency)}{more}."
    elif without:
        yield "No prices: none is known until you enter quotes in seed_prices.csv."


def reserve_lines(order: Order) -> Iterator[str]:
    """What is kept for sowing again, for whom, and what it costs; nothing where the farm asks for no reserve."""
    units, catalogue = order.plan.settings.units, order.plan.catalogue
    for r in order.reserve.itertuples():
        name, odds = f"{catalogue.species[r.species].name}, {r.year}", f"{r.reserve_odds:.0%}".replace("%", " %")
        late = f" Too late to sow it again on {r.gaps_too_late}: see the ladder." if r.gaps_too_late else ""
        if not r.gaps:
            yield f"{name}: none.{late}"
            continue
        birds = f", and birds or game take {r.bird_risk_share:.0%} of fields".replace("%", " %")
        why = f"a stand fails in {r.failed_years} of {r.weather_years} weather years"
        why += birds if r.bird_risk_share else ""
        mine = order.lines[(order.lines["species"] == r.species) & (order.lines["year"] == r.year)]
        grams, extra = int(mine["reserve_g"].sum()), float(mine["reserve_cost"].sum())
        currency = next((c for c in mine["currency"] if c), "")
        if grams == 0:
            yield f"{name}: none is needed to be enough in {odds} of years ({why}), for {r.gaps}.{late}"
            continue
        cost = f"; it costs {_money(extra, currency)}" if extra else ""
        if not extra and (mine.loc[mine["reserve_g"] > 0, "from_where"].isin(["shed", "buy"])).all():
            cost = "; it is left over from the lots and bags anyway"
        yield f"{name}: {write(grams, 'g', units)}, enough in {odds} of years ({why}), for {r.gaps}{cost}.{late}"


def _inoculant_rows(order: Order) -> list[list[str]]:
    units = order.plan.settings.units
    currency = next((c for c in order.lines["currency"] if c), "")
    rows = [["year", "group", "for", "seed to treat", "packs", "cost", "needed by"]]
    for _, r in order.inoculants.iterrows():
        size = _kg(r["pack_seed_kg"], units)
        how = f"{r['packs']} for {size} each" + ("" if r["pack_known"] else " (ordinary size; read the pack)")
        rows.append(
            [
                str(r["year"]), r["inoculant_group"], r["species"], write(r["seed_kg"] * 1000, "g", units),
                how + (f", {r['supplier']}" if r["supplier"] else ""), _money(r["cost"], currency),
                f"{r['needed_by']:%d %b %Y}",
            ]
        )  # fmt: skip
    return rows


def _label_lines(plan: Plan) -> Iterator[str]:
    for row in plan.label_intervals.itertuples():
        yield f"- {row.gap_id}: {row.verdict}"
    if plan.label_intervals.empty and not plan.settings.organic:
        yield "- Herbicide history: not entered. Write it into herbicides.csv with the intervals from the labels."


def seed_cautions(plan: Plan) -> list[str]:
    """Cautions that belong to buying, handling and sowing seed, those of a species with its name."""
    covers = dict(zip(plan.allocation["gap_id"], plan.allocation["cover_id"], strict=True))
    out: dict[str, list[str]] = {}
    for row in plan.cautions.itertuples():
        if any(word in row.hazard.lower() for word in SEED_HAZARDS):
            name = "" if row.gap_id == WHOLE_FARM else cover_name(plan, covers[row.gap_id])
            out.setdefault(f"{row.hazard}: {row.caution} Ask: {row.defers_to}.", []).append(name)
    return [
        (f"{', '.join(sorted(set(names)))}: " if any(names) else "") + words for words, names in out.items()
    ]  # fmt: skip


def caution_words(plan: Plan, species: set[str]) -> list[str]:
    """Cautions that go with the seed of some species: their own, and that of treated seed."""
    own = {c.hazard for c in plan.catalogue.cautions if species & set(c.applies_to)}
    rows = [
        row
        for row in plan.cautions.itertuples()
        if any(word in row.hazard.lower() for word in SEED_HAZARDS)
        and (row.hazard in own if row.gap_id != WHOLE_FARM else row.hazard.startswith("treated seed"))
    ]
    return list(dict.fromkeys(f"{row.hazard.capitalize()}: {row.caution} Ask: {row.defers_to}." for row in rows))


def foot_words(plan: Plan) -> str:
    """What stands at the foot of each sheet."""
    meta = plan.metadata
    return f"greengap {meta['program_version']}, catalogue {meta['catalogue_version']}. A prediction, not a promise."


# --- files -------------------------------------------------------------------------------------


def order_tables(order: Order) -> dict[str, pd.DataFrame]:
    """The tables of an order by file name."""
    plan = order.plan
    tables = {
        "seed_order": plan.seed_order if order.year is None else plan.seed_order[plan.seed_order["year"] == order.year],
        "order_lines": order.lines,
        "inoculants": order.inoculants,
        "rates": plan.rates if order.year is None else plan.rates[plan.rates["gap_id"].isin(order.beds["gap_id"])],
        "lot_rates": lot_rates(plan.seed_need, order.lines, plan.catalogue),
        "drill_calibration": order.calibration,
        "bed_seed": order.beds,
        "listed_names": plan.listed_names,
    }
    if not order.search.empty:
        tables["seed_search"] = order.search
    if not order.reserve.empty:
        tables["seed_reserve"] = order.reserve
    return tables


def write_order(order: Order, folder: Path) -> list[Path]:
    """Write the order: CSV tables, a workbook, a page to print and the same as a PDF.

    Parameters
    ----------
    order : Order
    folder : Path

    Returns
    -------
    list of Path
        Files written, each whole.
    """
    written = []
    for name, table in order_tables(order).items():
        path = folder / f"{name}.csv"
        write_text(path, to_csv(table))
        written.append(path)
    title, parts = f"Seed order, {order.plan.metadata['farm']}", order_parts(order)
    foot = foot_words(order.plan)
    book, page, pdf = (folder / f"seed_order.{kind}" for kind in ("xlsx", "html", "pdf"))
    write_bytes(book, to_workbook(order))
    write_text(page, to_html(title, [*parts, Words(foot)]))
    write_bytes(pdf, to_pdf(title, parts, foot, letter=order.plan.settings.units == "us"))
    return [*written, book, page, pdf]


def to_workbook(order: Order) -> bytes:
    """The tables of an order as an XLSX workbook, one sheet a table; the same order gives the same bytes."""
    return workbook("Seed order", order_tables(order))


def order_parts(order: Order) -> list[Part]:
    """The order as the parts of a printable document."""
    plan, units = order.plan, order.plan.settings.units
    meta = plan.metadata
    title = f"Seed order: {meta['farm']}" + (f", {order.year}" if order.year else "")
    parts: list[Part] = [Heading(title, 1)]
    if meta["note"]:
        parts.append(Words(meta["note"]))
    parts += [Words(line.strip(), strong=True) for line in _change_lines(order)]
    if order.lines.empty:
        return [*parts, Words("No cover is sown; there is no seed to order.", strong=True)]
    form = (
        "organic; untreated only where the search below finds none"
        if plan.settings.organic
        else "untreated, if it is to be had"
    )
    parts.append(Words(f"Form of seed wanted: {form}. Every bag with its tag: keep it, or a photograph of it."))
    for year, lines in order.lines.groupby("year", sort=True):
        parts.append(Heading(f"To sow in {year}"))
        parts.append(_lines_grid(lines, plan.catalogue, units))
    parts += [Words(line) for line in _total_lines(order)]
    if reserve := list(reserve_lines(order)):
        parts += [Heading("Reserve for sowing again"), *(Words(words) for words in reserve)]
    if not order.lines["tag_known"].all():
        parts.append(
            Words("* No tag yet: purity and germination of an ordinary lot. Order anew once the tag is known.")
        )
    if not order.inoculants.empty:
        parts.append(Heading("Inoculant"))
        rows = _inoculant_rows(order)
        parts.append(
            Grid(
                [*rows[0], "supplier, lot", "use by (pack)"],
                [[*r, "", ""] for r in rows[1:]],
                [4, 9, 15, 10, 18, 9, 9, 13, 11],
            )
        )
        parts.append(
            Words(
                "Cool and dark, away from fertilizer and pesticide; on the day of sowing. What is left does not keep."
            )
        )
    notes = [f"{r['name']}, {r['year']}: {r['note']}." for _, r in order.lines.iterrows() if r["note"]]
    parts += [Heading("To ask, to watch"), *(Words(note) for note in dict.fromkeys(notes))]
    parts += [Words(row.question) for row in plan.listed_names.itertuples()]
    parts += [Words(line.removeprefix("- ")) for line in _label_lines(plan)]
    parts += [Words(words) for words in seed_cautions(plan)]
    if not order.search.empty:
        parts += [NewPage(), Heading("Search for organic seed"), *_search_parts(order)]
    parts += [NewPage(), Heading("Setting the drill or spreader"), *_slip_parts(order)]
    parts += [NewPage(), Heading("Seed for each block"), _beds_grid(order)]
    parts += [Heading("Stand to expect"), *_stand_parts(order)]
    return parts


def _lines_grid(lines: pd.DataFrame, catalogue: Catalogue, units: System) -> Grid:
    rows = []
    for _, r in lines.iterrows():
        s = catalogue.species[r["species"]]
        form = "organic" if pd.notna(r["organic"]) and r["organic"] else ""
        rows.append(
            [
                f"{r['name']} ({s.scientific_name})" + (f", {form}" if form else ""),
                f"{write(r['live_seed_g'], 'g', units)} + {write(r['allowance_g'], 'g', units)}",
                f"{r['pls_fraction']:.1%}" + ("" if r["tag_known"] else "*"),
                _seed(r, units),
                _bags(r, units),
                _left(r, units),
                _money(r["cost"], r["currency"]),
                f"{r['needed_by']:%d %b %Y}",
                ", ".join(part for part in (r["supplier"], r["lot"]) if part and r["from_where"] == "buy"),
                "" if r["from_where"] != "shed" else r["lot"],
                _tag(r),
                "; ".join(x for x in ("" if pd.isna(r["tested"]) else f"{r['tested']:%d %b %Y}", r["noxious"]) if x),
                r["blocks"],
            ]
        )  # fmt: skip
    return Grid(
        ["species", "live seed + allowance", "PLS", "seed", "bags", "left over", "cost", "needed by", "supplier",
         "lot no.", "purity / germ. / hard %", "tested; noxious line", "for blocks"],
        rows,
        [16, 11, 6, 9, 9, 10, 7, 7, 10, 9, 9, 9, 13],
        frozenset({2, 3, 6}),
    )  # fmt: skip


def _search_parts(order: Order) -> Iterator[Part]:
    attempts = int(order.plan.catalogue.rule("organic_search_attempts"))
    yield Words(
        f"Organic rules ask for organically grown seed unless an equivalent is not to be had in form, quality or "
        f"quantity; then untreated. Certifiers look for a record, commonly of {attempts} attempts. Yours decides."
    )
    if any(a.begun for a in order.attempts):
        lacks = search_lacks(order.plan.catalogue, order.lines, order.attempts)
        yield Words("Still to be filled in: " + " ".join(lacks))
    rows = [[str(cell) for cell in row] for row in order.search.itertuples(index=False)]
    yield Grid(
        ["year", "species", "variety", "quantity", "no.", "supplier asked", "date", "organic offered",
         "why not equivalent: form, quality, quantity", "taken instead"],
        rows, [5, 16, 10, 10, 4, 16, 9, 13, 21, 13],
    )  # fmt: skip


def _slip_parts(order: Order) -> Iterator[Part]:
    units = order.plan.settings.units
    yield Words(
        "With the real lot, the box half full, at sowing speed or with the drive wheel turned by hand. Catch, weigh, "
        "compare; change the setting and catch again until two catches running are within the tolerance."
    )
    rows = []
    for r in order.calibration.itertuples():
        per_ft2 = f"{r.seeds_m2 * FOOT2_M2:.1f}/ft²"
        rows.append(
            [
                f"{r.name}, {r.year}", f"{r.box}: {r.species}", r.method, write(r.depth_mm, "depth_mm", units),
                write(r.rate_kg_ha, "kg_ha", units), f"{r.seeds_m2:.0f}/m², {per_ft2}", _grams(r.g_per_100_m2),
                _grams(r.g_per_hundredth_acre), _grams(r.g_per_100_m_row), _grams(r.g_per_wheel_turns),
                f"±{r.tolerance_fraction:.0%}",
            ]
        )  # fmt: skip
    turns = order.calibration["wheel_turns"].dropna()
    wheel = f"{turns.iloc[0]:.0f} wheel turns, whole drill" if len(turns) else "wheel turns (enter wheel and width)"
    yield Grid(
        ["cover", "box and seed", "how", "depth", "rate", "seeds", "100 m²", "1/100 ac", "100 m of one row",
         wheel, "leave within"],
        rows, [14, 18, 8, 7, 9, 14, 9, 9, 10, 11, 7], frozenset({6, 7, 8, 9}),
    )  # fmt: skip
    strip = order.calibration["strip_m"].dropna()
    if len(strip):
        yield Words(
            f"A hundredth of an acre is {write(float(strip.iloc[0]), 'm', units)} of way at the width of your drill."
        )
    if order.calibration["g_per_100_m_row"].isna().all():
        yield Words(
            "Row spacing, width and wheel were not entered: give them with --row-spacing, --drill-width and --wheel."
        )
    yield Heading("Check", 3)
    yield Grid(
        ["date, who", "cover, box, lot", "setting, gear", "way or turns", "target g", "caught 1", "caught 2",
         "caught 3", "caught / target", "true rate", "setting kept"],
        [[""] * 11 for _ in range(6)], [10, 14, 10, 10, 8, 8, 8, 8, 9, 9, 10],
    )  # fmt: skip
    yield Words("True rate = rate x caught / target. New opening = old opening x target / caught, then catch again.")


def _grams(value: float) -> str:
    if pd.isna(value):
        return ""
    return f"{value:,.0f} g" if value >= 100 else f"{value:.1f} g"


def _beds_grid(order: Order) -> Grid:
    units, plan = order.plan.settings.units, order.plan
    rows = []
    for r in order.beds.sort_values(["sow_date", "block_id", "species"], kind="stable").itertuples():
        grams = f"{r.seed_g:,} g" if units == "metric" else f"{r.seed_g / 1000 / POUND_KG:,.3f} lb ({r.seed_g:,} g)"
        rows.append(
            [
                f"{r.sow_date:%d %b %Y}", r.block_id, plan.catalogue.species[r.species].name,
                write(r.area_sown_m2, "m2", units), grams, f"{r.half_g:,} g + {r.seed_g - r.half_g:,} g", "",
            ]
        )  # fmt: skip
    return Grid(
        ["sow", "block", "species", "area", "seed", "by hand: two crosswise halves", "lot, weighed by"],
        rows, [9, 14, 16, 9, 14, 18, 16], frozenset({3, 4, 5}),
    )  # fmt: skip


def _stand_parts(order: Order) -> Iterator[Part]:
    yield Words(
        "Plants from all weather years at the planned date: the middle year, and what nine years of ten exceed or one "
        "exceeds. Count in the field: a stand far below is a sign of depth, crust, birds or the lot."
    )
    units, plan = order.plan.settings.units, order.plan
    rates = order_tables(order)["rates"]
    rows = []
    for r in rates.itertuples():
        lot = "no tag" if pd.isna(r.lot_low_share) else f"{r.lot_low_share - 1:+.0%} to {r.lot_high_share - 1:+.0%}"
        plants = [
            x * (1 if units == "metric" else FOOT2_M2) for x in (r.plants_p50_m2, r.plants_p10_m2, r.plants_p90_m2)
        ]
        area = "m²" if units == "metric" else "ft²"
        rows.append(
            [
                r.gap_id, plan.catalogue.species[r.species].name, r.method, f"{r.share_of_sole_rate:.2f}",
                write(r.bulk_rate_kg_ha, "kg_ha", units), f"{r.seeds_m2:.0f}/m², {r.seeds_ft2:.1f}/ft²",
                f"{plants[0]:.0f}/{area} ({plants[1]:.0f} to {plants[2]:.0f})", lot, "",
            ]
        )  # fmt: skip
    yield Grid(
        ["gap", "species", "how", "share", "rate of this lot", "seeds", "plants expected", "error of the tag",
         "counted"],
        rows, [14, 16, 9, 7, 11, 16, 18, 12, 12], frozenset({3, 4}),
    )  # fmt: skip
