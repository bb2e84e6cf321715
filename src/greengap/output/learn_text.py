"""What own records say, in plain lines: before and after, the records that did it, whether it helps, the odds."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from greengap.advice.options import NO_COVER
from greengap.catalogue import LEARNED_FILE, Catalogue
from greengap.catalogue.learned import WORDS
from greengap.errors import InputProblem
from greengap.farm_input import Farm
from greengap.farm_learning import OwnLesson, find_lesson, forget_learned, keep_learned, odds_moved
from greengap.output.summary import aligned
from greengap.output.table import to_csv
from greengap.tables import DataFrame, OddsMoved
from greengap.units import System, write

SHOWN_ID = 8  # letters of a record_id, enough to name it
MOST_SILENT = 20


def amount(number: float, unit: str, units: System) -> str:
    """A figure of the catalogue as a person reads it."""
    if unit == "degC d":
        return write(number, "degc_d", units)
    return f"{number:.0%}".replace("%", " %") if unit == "fraction" else f"x {number:.2f}"


def per_cent(shift: float) -> str:
    """A shift of a logarithm as a change in per cent."""
    return f"{np.expm1(shift):+.0%}".replace("%", " %")


def seen_in_words(row: Any, units: System) -> str:
    """What one record says, beside the reckoning."""
    if row.parameter == "loss":
        return "lost to animals" if row.observed else "not lost"
    if row.parameter in ("emergence", "flowering"):
        what = "up" if row.parameter == "emergence" else "first flower"
        reckoned = "never" if np.isnan(row.reckoned) else f"{row.reckoned:.0f}"
        return f"{what} after {row.observed:.0f} days, reckoned {reckoned}"
    if row.parameter == "stand":
        return f"{row.observed:.0%} of a full stand, reckoned {row.reckoned:.0%}".replace("%", " %")
    weighed, reckoned = (write(n, "biomass_kg_ha", units) for n in (row.observed, row.reckoned))
    return f"{weighed}, reckoned {reckoned} from such a stand"


def ids(record_ids: str) -> str:
    """Records named by their first letters."""
    return " ".join(i[:SHOWN_ID] for i in record_ids.split())


def learned_lines(own: OwnLesson, units: System) -> Iterator[str]:
    """Each number before and after, and the records that did it.

    Parameters
    ----------
    own : OwnLesson
    units : str
        Of the farm.

    Yields
    ------
    str
    """
    records, catalogue = own.lesson.records, own.before
    used = records[records["used"]]
    if used.empty:
        yield "No record moves anything yet: what counts is when a cover was up or in flower, how it stood, its weight."
    else:
        years = sorted(set(used["year"]))
        span = str(years[0]) if len(years) == 1 else f"{years[0]} to {years[-1]}"
        yield f"{len(used)} records of {len(years)} year{'s' if len(years) > 1 else ''} ({span})."
        yield "Ranges hold in eight cases of ten. Little moves after one year, more after five."
    odd = catalogue.rule("learning_odd_one")
    for species, of_species in own.lesson.learned.groupby("species", sort=True):
        yield ""
        yield catalogue.species[str(species)].name
        for row in of_species.itertuples():
            before, after, low, high = (amount(n, row.unit, units) for n in (row.before, row.after, row.low, row.high))
            yield f"  {WORDS[row.parameter]}: {before} before, {after} after ({low} to {high})"
            of_it = used[(used["species"] == species) & (used["parameter"] == row.parameter)]
            for r in of_it.itertuples():
                moved = "" if row.parameter == "loss" else f"; moves it {per_cent(r.weight * r.residual)}"
                far = f"; FAR OFF, look at it ({abs(r.surprise):.1f} sd)" if abs(r.surprise) >= odd else ""
                yield (
                    f"    {r.date:%Y-%m-%d} {r.block_id}, sown {r.sown:%d %b}: {seen_in_words(r, units)}{moved}{far} "
                    f"[{ids(r.record_ids)}]"
                )
            others = used[(used["species"] != species) & (used["parameter"] == row.parameter)]
            if len(others) and row.parameter != "loss":
                yield "    and a little by what the farm's other species did"
    yield from not_used_lines(own)


def not_used_lines(own: OwnLesson) -> Iterator[str]:
    """Records that move nothing, and why; what was struck out."""
    records = own.lesson.records
    rows = [
        (r.record_ids, f"{r.date:%Y-%m-%d} {r.block_id}: {r.why_not}") for r in records[~records["used"]].itertuples()
    ]
    rows += [(record_id, why) for record_id, why in sorted(own.silent.items())]
    if rows:
        yield ""
        yield f"Not used ({len(rows)}):"
        yield from (f"  [{ids(i)}] {words}" for i, words in rows[:MOST_SILENT])
        if len(rows) > MOST_SILENT:
            yield f"  and {len(rows) - MOST_SILENT} more; `--records` lists all as CSV"
    if own.struck:
        yield ""
        yield "Struck out in the season record:"
        for record_id, reason in sorted(own.struck.items()):
            yield f"  [{ids(record_id)}] {reason or 'NO REASON WRITTEN: say why, or nobody will know next year'}"


def skill_lines(own: OwnLesson) -> Iterator[str]:
    """Whether it helps: errors in years that were left out in turn."""
    skill = own.lesson.skill
    if skill.empty:
        return
    yield ""
    yield "Does it help? Each year left out in turn and reckoned from the others"
    rows = [["", "error before", "error after", "years", "records"]]
    for r in skill.itertuples():
        if r.enough:
            told = [_error(r.before, r.parameter), _error(r.after, r.parameter)]
        else:
            told = ["too few years to tell", ""]
        rows.append([WORDS[r.parameter], *told, str(r.years), str(r.records)])
    yield from aligned(rows)
    worse = [WORDS[r.parameter] for r in skill[skill["enough"] & (skill["after"] > skill["before"])].itertuples()]
    if worse:
        yield f"It does not help for {', '.join(worse)}: there the catalogue was nearer."


def _error(error: float, parameter: str) -> str:
    if parameter == "loss":
        return f"{error:.3f} (Brier)"
    return f"{np.expm1(error):.0%}".replace("%", " %")


def odds_lines(moved: DataFrame[OddsMoved], catalogue: Catalogue) -> Iterator[str]:
    """How the plan moves, gap by gap; gaps that stay are counted."""
    yield ""
    yield "The plan without own records and with them (weather years in which it holds)"

    def name(cover_id: str) -> str:
        return "no cover" if cover_id == NO_COVER else catalogue.covers[cover_id].name

    changed = moved[
        (moved["cover_before"] != moved["cover_after"]) | (moved["holds_before"] != moved["holds_same"])
        | (moved["holds_before"] != moved["holds_after"])
    ]  # fmt: skip
    rows = [["gap", "before", "", "the same, after", "chosen after", ""]]
    for r in changed.itertuples():
        sown, then = r.cover_before != NO_COVER, r.cover_after != NO_COVER
        rows.append(
            [
                r.gap_id, name(r.cover_before), f"{r.holds_before} of {r.years}" if sown else "",
                f"{r.holds_same} of {r.years}" if sown else "", name(r.cover_after),
                f"{r.holds_after} of {r.years}" if then else "",
            ]
        )  # fmt: skip
    if len(changed):
        yield from aligned(rows)
    stay = len(moved) - len(changed)
    yield f"{stay} gap{'s stay' if stay != 1 else ' stays'} as they are." if len(changed) else "No gap changes."


def closing_line(own: OwnLesson, written: Path | None) -> str:
    """What to do next."""
    if written is not None:
        words = "Every plan of this farm uses it from now on; `greengap learn FARM --undo` takes it back."
        return f"Written: {written.as_posix()}. {words}"
    if own.lesson.learned.empty:
        return "Nothing to apply."
    now = f"The farm uses what was learned before ({LEARNED_FILE})." if own.in_use else "Nothing has been changed."
    return f"{now} `--apply` puts these figures to use; `--without RECORD=REASON` leaves a record out."


@dataclass(frozen=True)
class LearnReport:
    """What `greengap learn` prints.

    Attributes
    ----------
    own : OwnLesson
    units : str
        Of the farm.
    moved : DataFrame[OddsMoved] or None
        None if the plan was not made with and without.
    written : Path or None
        Where it was kept, if it was.
    """

    own: OwnLesson
    units: System
    moved: DataFrame[OddsMoved] | None
    written: Path | None

    def as_text(self) -> str:
        """For a terminal."""
        lines = [*learned_lines(self.own, self.units), *skill_lines(self.own)]
        if self.moved is not None:
            lines += odds_lines(self.moved, self.own.after)
        return "\n".join([*lines, "", closing_line(self.own, self.written)]) + "\n"

    def as_csv(self, records: bool) -> str:
        """What moved, or every record that was looked at."""
        return to_csv(self.own.lesson.records if records else self.own.lesson.learned)


def learn_report(
    farm: Farm,
    without: Mapping[str, str],
    keep_in: Path | None,
    quick: bool,
    progress: Callable[[int, int], None] | None = None,
) -> LearnReport:
    """Learn from a farm's records, and keep it if wished.

    Parameters
    ----------
    farm : Farm
    without : mapping of record_id to reason
        Records to leave out.
    keep_in : Path or None
        Farm folder or farm file to keep it in.
    quick : bool
        Do not plan with and without it.
    progress : callable, optional
        As in `greengap.plan.plan_farm`.
    """
    own = find_lesson(farm, without)
    nothing = own.lesson.learned.empty
    moved = None if quick or nothing else odds_moved(farm, own, progress)
    return LearnReport(own, farm.settings.units, moved, None if keep_in is None else keep_learned(keep_in, own))


def parse_without(written: Sequence[str]) -> dict[str, str]:
    """Records to leave out, each with its reason.

    Raises
    ------
    InputProblem
        If a reason is missing.

    Examples
    --------
    >>> parse_without(["3f2a91c0=the fence was open"])
    {'3f2a91c0': 'the fence was open'}
    """
    found = {}
    for text in written:
        record, _, reason = text.partition("=")
        if not reason.strip():
            remedy = 'Write why, as --without "3f2a91c0=the fence was open"'
            raise InputProblem("--without", text, "has no reason", remedy)
        found[record.strip()] = reason.strip()
    return found


def forget(farm: Path) -> str:
    """Take back what was learned, and say so."""
    changed = forget_learned(farm)
    if changed is None:
        return "Nothing had been learned; nothing is changed."
    return f"Taken back: {changed.as_posix()}. Plans are as they were before."
