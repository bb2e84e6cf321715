"""What a cover leaves for the next crop, and the ladder of a gap, in plain lines."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator

import pandas as pd

from greengap.advice.options import NO_COVER
from greengap.biomass_sample_of import BiomassSample
from greengap.catalogue import Catalogue
from greengap.cover_after import Change, CoverAfter, GapAfter
from greengap.output.odds_text import day, gap_in_words
from greengap.output.summary import aligned
from greengap.output.table import to_csv
from greengap.plan import Plan
from greengap.tables import DataFrame, Rung
from greengap.units import System, write

WIDTH = 80
DRIVER_WORDS = {
    "minimum": "the least before any crop",
    "pests": "for the flies and moths that fresh residue draws",
    "residue": "until the residue has decayed",
    "nitrogen": "until the worst of the nitrogen tie-up is over",
}
CLOCK_WORDS = {
    "seedbed": "seedbed fit to sow",
    "canopy": "closed before the weeds",
    "seed": "ended before viable seed",
    "residue": "residue ready",
}


def nitrogen_in_words(amount: float, units: System) -> str:
    """Set free, or tied up."""
    if math.isnan(amount):
        return "not known"
    return f"{write(abs(amount), 'kg_ha', units)} {'tied up' if amount < 0 else 'set free'}"


def waiting_in_words(one: GapAfter, catalogue: Catalogue) -> str:
    """How long the next crop waits, and what sets it."""
    a = one.after
    low, mid, high = (round(a.waiting_p10_d), round(a.waiting_p50_d), round(a.waiting_p90_d))
    span = f"{mid} days" if low == high else f"{mid} days in the median year, {low} to {high} in eight years of ten"
    ready = f"{a.ready_years} of {a.years} years"
    next_crop = catalogue.crop_name(a.crop_after)
    return f"Wait {span}, {DRIVER_WORDS[a.waiting_driver]}. Ready for the {next_crop} in {ready}."


def ending_in_words(one: GapAfter) -> str:
    """When and how to end it."""
    a, frost = one.after, one.odds.ended_by == "frost"
    date = f"{a.terminate_by.day} {a.terminate_by:%b %Y}"
    when = f"Frost ends it, in one year of ten from {date}" if frost else f"End it by {date}"
    return f"{when}: {a.method}."


def seed_in_words(one: GapAfter) -> str:
    """From when seed would be viable."""
    early, middle = one.viable_seed
    if pd.isna(middle):
        return "It sets no viable seed in this gap in most years."
    return f"Seed would be viable from {day(middle)} in the median year, {day(early)} in one year of ten."


def refusal_in_words(one: GapAfter, found: CoverAfter) -> str:
    """Why the next crop comes too soon, empty if it does not."""
    if math.isnan(one.short_d) or one.short_d <= 0 or one.after is None:
        return ""
    next_crop = found.catalogue.crop_name(one.gap.crop_after)
    return (
        f"Refused: from the day it has grown enough, its residue would not be ready for the {next_crop}; the gap is "
        f"{one.short_d:.0f} days too short in the median year. Ended in time, it is all that you want of it in "
        f"{one.odds.holds_years} of {one.odds.years} years."
    )


def change_in_words(one: GapAfter, found: CoverAfter) -> str:
    """The one change that would help most."""
    best = one.best_change
    if best is None:
        return "Of the changes run anew below, none makes it hold in more years." if one.changes else ""
    now = one.changes[0]
    return (
        f"What would help most: {best.words}. Then it holds in {best.holds_years} of {best.years} years "
        f"instead of {now.holds_years} of {now.years}."
    )


def clock_rows(one: GapAfter) -> list[list[str]]:
    """The four clocks, the one with the fewest days marked."""
    rows = [["clock", "days to spare", "in time", ""]]
    for clock in one.clocks.itertuples():
        spare = "does not run" if math.isnan(clock.margin_d) else f"{clock.margin_d:.0f}"
        if math.isnan(clock.margin_d) and clock.binds:
            spare = "not in time"
        in_time = f"{clock.holds_years} of {clock.years} years"
        rows.append([CLOCK_WORDS[clock.clock], spare, in_time, "binds" if clock.binds else ""])
    return rows


def nitrogen_rows(one: GapAfter, units: System) -> list[list[str]]:
    """Nitrogen at planting and after, beside what the crop takes up."""
    rows = [["after planting", "nitrogen from the cover", "eight years of ten", "the crop has taken up"]]
    for at in one.nitrogen.itertuples():
        weeks = "at planting" if at.after_planting_d == 0 else f"{at.after_planting_d // 7} weeks"
        span = (
            f"{at.release_p10_kg_ha:.0f} to {at.release_p90_kg_ha:.0f}"
            if units == "metric"
            else " to ".join(write(v, "kg_ha", units).split()[0] for v in (at.release_p10_kg_ha, at.release_p90_kg_ha))
        )
        took = "-" if pd.isna(at.crop_uptake_kg_ha) else write(at.crop_uptake_kg_ha, "kg_ha", units)
        rows.append([weeks, nitrogen_in_words(at.release_p50_kg_ha, units), span, took])
    return rows


def change_rows(changes: tuple[Change, ...], units: System) -> list[list[str]]:
    """What each single change does."""
    rows = [["if you", "holds", "residue, days to spare", "nitrogen at 4 weeks"]]
    for change in changes:
        spare = "-" if math.isnan(change.margin_d) else f"{change.margin_d:.0f}"
        held = f"{change.holds_years} of {change.years} years" if change.years else "no date left"
        rows.append([change.words, held, spare, nitrogen_in_words(change.nitrogen_28d_kg_ha, units)])
    return rows


def left_in_words(one: GapAfter, catalogue: Catalogue, units: System) -> Iterator[str]:
    """Dry matter, carbon, nitrogen, water."""
    a = one.after
    ratio = "" if math.isnan(a.carbon_to_nitrogen) else f", carbon to nitrogen {a.carbon_to_nitrogen:.0f}"
    fixed = (
        f", {write(a.nitrogen_fixed_p50_kg_ha, 'kg_ha', units)} of it from the air"
        if a.nitrogen_fixed_p50_kg_ha
        else ""
    )
    if one.sample is not None:
        yield measured_in_words(one.sample, units)
    whose = "in the median year" if one.sample is None else "by your sample"
    yield (
        f"It leaves {write(a.biomass_p50_kg_ha, 'biomass_kg_ha', units)} of shoots {whose}{ratio}, with "
        f"{write(a.nitrogen_p50_kg_ha, 'kg_ha', units)} of nitrogen{fixed}."
    )
    shares = [
        (words, getattr(a, f"residue_left_{d}d_p10_share"), getattr(a, f"residue_left_{d}d_p90_share"))
        for d, words in ((30, "a month"), (90, "three months"), (365, "a year"))
    ]
    spans = [
        f"{f'{low:.0%}' if f'{low:.0%}' == f'{high:.0%}' else f'{low:.0%} to {high:.0%}'} after {words}"
        for words, low, high in shares
        if low == low
    ]
    yield (
        f"{write(a.carbon_kg_ha, 'kg_ha', units)} of carbon are in it. Of the dry matter there is left: "
        f"{', '.join(spans) if spans else 'not known'}. It promises nothing of a soil test."
    )
    if a.tie_up_d:
        more = " or more" if a.tie_up_d >= catalogue.rule("tie_up_longest") else ""
        yield f"In years that tie nitrogen up it is given back after {a.tie_up_d:.0f} days{more}, in the median."
    if a.leaching_kept_share > 0:
        yield f"Where water drains, it keeps some {a.leaching_kept_share:.0%} of the nitrogen that bare ground loses."
    if isinstance(a.crop_after, str) and a.crop_after:
        if a.water_lack_p90_mm <= catalogue.rule("water_made_good"):
            yield "At planting the ground is about as moist as bare ground would be, in nine years of ten."
            return
        lack, worst = (write(v, "mm", units) for v in (a.water_lack_p50_mm, a.water_lack_p90_mm))
        yield (
            f"At planting the ground is {lack} drier than bare ground in the median year, {worst} in one year of ten: "
            f"that is the irrigation that makes it good. Rain has done so in {a.refilled_years} of {a.years} years."
        )


def measured_in_words(sample: BiomassSample, units: System) -> str:
    """That dry matter and nitrogen are those of a sample."""
    how = "a laboratory" if sample.nitrogen.by_laboratory else "species and stage"
    return (
        f"Measured: {write(sample.stand.kg_ha, 'biomass_kg_ha', units)} of dry matter in {sample.stand.frames} frames "
        f"on {day(sample.cut_on)}, nitrogen by {how}; wait, nitrogen and residue are reckoned from that, not "
        f"from the engine's {write(sample.predicted_kg_ha[1], 'biomass_kg_ha', units)}."
    )


def investment_in_words() -> str:
    """What to do with the figures of nitrogen."""
    return (
        "Yields can dip in the first season after a cover: it is an investment. Test the soil, and ask a licensed "
        "adviser before you cut fertilizer on this."
    )


def after_lines(found: CoverAfter) -> Iterator[str]:
    """Everything about one cover on one block."""
    units = found.settings.units
    yield f"After {found.cover.name.lower()} on {found.block_id}"
    for one in found.gaps:
        yield ""
        yield f"{one.gap.gap_id}. {gap_in_words(one.gap)}"
        if one.after is None:
            shortest = int(found.catalogue.rule("shortest_growth"))
            missing = shortest - one.gap.usable_p50_d
            few = f"{missing} days too few" if missing > 0 else "no weather year covers it"
            yield f"  {max(one.gap.usable_p50_d, 0)} usable days, a cover needs {shortest}: {few}."
            continue
        flowers = not pd.isna(one.odds.first_flower)
        sown = f"{'Best sowing date' if one.sample is None else 'Sown'} {day(one.window.sow_best)}."
        words = [refusal_in_words(one, found), sown, ending_in_words(one)]
        words.append(seed_in_words(one))
        if flowers:
            words.append(
                f"In flower {day(one.odds.first_flower)} to {day(one.odds.last_flower)}: bees are in it. Do not spray "
                "it or beside it then, read the label, and mow early or late in the day; ask neighbours with hives."
            )
        has_next = isinstance(one.gap.crop_after, str) and bool(one.gap.crop_after)
        if has_next:
            words.append(waiting_in_words(one, found.catalogue))
            words.append(change_in_words(one, found))
        words += left_in_words(one, found.catalogue, units)
        for sentence in filter(None, words):
            yield from textwrap.wrap(sentence, WIDTH, initial_indent="  ", subsequent_indent="  ")
        yield ""
        yield from (f"  {line}" for line in aligned(clock_rows(one)))
        if has_next:
            yield ""
            yield from (f"  {line}" for line in aligned(nitrogen_rows(one, units)))
            yield ""
            yield from (f"  {line}" for line in aligned(change_rows(one.changes, units)))
    yield ""
    yield from textwrap.wrap(investment_in_words(), WIDTH)


def after_csv(found: CoverAfter) -> str:
    """What the cover leaves, a row for each gap; `nitrogen.csv` of a plan has the nitrogen by date."""
    rows = [one.after._asdict() for one in found.gaps if one.after is not None]
    table = pd.DataFrame(rows).drop(columns="Index", errors="ignore")
    return to_csv(table)


def ladder_lines(ladder: DataFrame[Rung], catalogue: Catalogue) -> Iterator[str]:
    """Rungs of each gap, to be read aloud."""
    for gap_id, rungs in ladder.groupby("gap_id", sort=False):
        yield str(gap_id)
        for rung in rungs.itertuples():
            if rung.cover_id == NO_COVER:
                words = "leave it and keep it clean: harrow shallowly or tarp, no cover from the seed that is bought"
                when = f"from {day(rung.sow_from)}" if rung.rung > 1 else "all of it"
            else:
                name = catalogue.covers[rung.cover_id].name.lower()
                odds = f"its last date holds in {rung.holds_years} of {rung.years} years"
                words = f"{name} ({odds}{', below what you want' if rung.below_wanted_odds else ''})"
                when = f"until {day(rung.sow_until)}"
                if rung.sow_until == rung.sow_from and rung.rung > 1:
                    when = f"on {day(rung.sow_from)}"
            yield f"  {when}: {words}"


def ladder_of(plan: Plan, gap_id: str | None) -> DataFrame[Rung]:
    """Ladder of one gap, or of all."""
    return plan.ladder if gap_id is None else Rung.validate(plan.ladder[plan.ladder["gap_id"] == gap_id])
