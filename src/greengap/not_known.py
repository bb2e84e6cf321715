"""What the farm has not said, ordered by what the answer would do to the plan: the questions to ask first.

Each open question is answered in the ways it could go, the whole farm is planned again with each answer, and the
gaps are counted that would get another cover. What cannot be reckoned (a label, a list, a law) is said to be so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import pandas as pd

from greengap.errors import ImportReport
from greengap.farm.settings import GrowersWord, Purpose
from greengap.farm_input import Farm, hydraulics
from greengap.plan import Plan, plan_farm
from greengap.tables import CropCalendar, DataFrame, OpenQuestion, Soil

Change = Callable[[Farm], Farm]
SHIFT_D = 10  # by which a harvest may end sooner or later than usual; a trial value, no forecast
COLDER_DEGC = -2.0
SLOPE_TRIED = 0.08
DAY = pd.Timedelta(days=1)


@dataclass(frozen=True)
class _Question:
    """An open question: what to ask, where the answer goes, and what it could be."""

    asked: str
    key: str
    answers: tuple[tuple[str, Change], ...]
    beyond: str = ""  # for what cannot be reckoned: why it matters all the same


def not_known(
    farm: Farm, progress: Callable[[int, int], None] | None = None, reckon: bool = True
) -> DataFrame[OpenQuestion]:
    """The open questions of a farm, those first whose answer would change most of the plan.

    Parameters
    ----------
    farm : Farm
    progress : callable, optional
        Called with (done, total) after each plan that is made.
    reckon : bool
        Make the plans; without them the questions stand in the order of the list and nothing is counted.

    Returns
    -------
    DataFrame[OpenQuestion]
    """
    questions = list(_questions(farm))
    total = 1 + sum(len(q.answers) for q in questions)
    done = 0

    def planned(one: Farm) -> Plan:
        nonlocal done
        plan = plan_farm(replace(one, report=ImportReport()))
        done += 1
        if progress is not None:
            progress(done, total)
        return plan

    now = planned(farm) if reckon else None
    rows = []
    for number, question in enumerate(questions):
        changed: set[str] = set()
        example = ""
        for answer, change in question.answers:
            if now is None:
                continue
            gaps, first = _difference(now, planned(change(farm)))
            changed |= gaps
            if first and not example:
                example = f"{first} if {answer}"
        sown = int(now.allocation["option_id"].notna().sum()) if now is not None and question.beyond else 0
        rows.append(
            {
                "rank": number + 1,
                "question": question.asked,
                "answer_goes_to": question.key,
                "answers_tried": "; ".join(answer for answer, _ in question.answers),
                "gaps_changed": len(changed),
                "gaps_at_stake": max(len(changed), sown),
                "effect": example or question.beyond,
            }
        )
    table = pd.DataFrame(rows, columns=list(OpenQuestion.to_schema().columns))
    if reckon and len(table):
        table = table.sort_values(["gaps_at_stake", "gaps_changed", "rank"], ascending=[False, False, True])
        table["rank"] = range(1, len(table) + 1)
    return OpenQuestion.validate(table.reset_index(drop=True))


def question_lines(questions: DataFrame[OpenQuestion], reckoned: bool = True) -> Iterator[str]:
    """The list in words, for a person.

    Parameters
    ----------
    questions : DataFrame[OpenQuestion]
    reckoned : bool
        Whether plans were made with the answers.
    """
    if questions.empty:
        yield "Nothing that the plan rests on is left open."
        return
    order = "by what the answer would change" if reckoned else "not ordered by their effect"
    yield f"Not known ({len(questions)} questions, {order}):"
    for q in questions.itertuples():
        yield f"  {q.rank}. {q.question}"
        if reckoned and q.gaps_changed:
            yield f"     would change {q.gaps_changed} gap{'s' if q.gaps_changed > 1 else ''}: {q.effect}"
        elif reckoned and q.answers_tried and not q.gaps_at_stake:
            yield f"     changes no cover (tried: {q.answers_tried})"
        elif q.effect:
            yield f"     {q.effect}"
        yield f"     answer: {q.answer_goes_to}"


def _difference(now: Plan, then: Plan) -> tuple[set[str], str]:
    """Gaps with another cover, told by block and season since a gap may move, and one of them in words."""

    def covers(plan: Plan) -> dict[tuple[str, str, int], tuple[str, str]]:
        table = plan.allocation.merge(plan.gaps[["gap_id", "season", "start", "crop_after"]], on="gap_id")
        return {
            (row.block_id, row.crop_after or row.season, row.start.year): (row.gap_id, row.cover_id)
            for row in table.itertuples()
        }

    before, after = covers(now), covers(then)
    names = {key: cover.name for key, cover in now.catalogue.covers.items()} | {"no_cover": "no cover"}
    changed, first = set(), ""
    for key, (gap, cover) in before.items():
        other = after.get(key)
        if other is None or other[1] != cover:
            changed.add(gap)
            if not first:
                first = f"{gap} {names[cover]} becomes {names[other[1]] if other else 'no gap'}"
    return changed, first


# --- the questions -------------------------------------------------------------------------------


def _questions(farm: Farm) -> Iterator[_Question]:
    """What is open on this farm."""
    said = " ".join(farm.report.assumptions)
    blocks = set(farm.blocks["block_id"])
    if "No irrigation, since farm.toml does not say" in said:
        yield _Question(
            "Which blocks can be watered?", "irrigation in farm.toml", (("all of them", _settings(irrigated=None)),)
        )
    if farm.history is None or not (farm.history["kind"] == "herbicide").any():
        yield _Question(
            "Which herbicides were used on each block in the last three years, and when?",
            "history under [files], and the label of each product",
            (),
            "cannot be reckoned: a residue can kill any cover that is sown; the rotation section of the label decides",
        )
    yield from _soil_questions(farm)
    yield from _ground_questions(farm)
    hard = farm.crop_calendar[farm.crop_calendar["end_early"] == farm.crop_calendar["end_late"]]
    if len(hard):
        some = ", ".join(dict.fromkeys(hard["crop"])) if hard["crop"].nunique() <= 4 else f"{len(hard)} crops"
        yield _Question(
            f"How early and how late may harvest end ({some})?",
            "end_early and end_late in the crop calendar",
            ((f"{SHIFT_D} days later", _shifted(SHIFT_D)), (f"{SHIFT_D} days sooner", _shifted(-SHIFT_D))),
        )
    if "farm.toml has no equipment" in said:
        owned = farm.settings.equipment
        yield _Question(
            "Is there a grain drill? What ends a cover?",
            "[equipment]",
            (
                ("there is a drill", _settings(equipment=owned | {"drill"})),
                ("there is a mower but no tillage", _settings(equipment=frozenset({"spreader", "mower"}))),
            ),
        )
    if "farm.toml has none" in said and "Purposes are" in said:
        wanted = ("nitrogen_supply", "pollinators", "weed_suppression")
        yield _Question(
            "What are the covers for?",
            "[purposes]",
            tuple((key.replace("_", " "), _settings(purposes=(Purpose(key, 1.0),))) for key in wanted),
        )
    if not farm.settings.cold_offset_degc:
        colder = dict.fromkeys(sorted(blocks), COLDER_DEGC)
        yield _Question(
            "Do still nights get colder on some blocks than the weather says?",
            "[cold_offset_degc]",
            ((f"{COLDER_DEGC:g} °C everywhere", _settings(cold_offset_degc=colder)),),
        )
    if not farm.settings.diseases:
        everywhere = {block: frozenset({"white mold"}) for block in blocks}
        yield _Question(
            "Which soil-borne diseases are known, and where?",
            "[diseases]",
            (("white mold everywhere", _settings(diseases=everywhere)),),
        )
    if not farm.settings.waiting_d:
        longer = {"transplanted": 28, "seeded": 35, "planted": 28}
        yield _Question(
            "How long does this farm wait from ending a cover to the next crop?",
            "[waiting]",
            (("four weeks, five before seed", _settings(waiting_d=longer)),),
        )
    if "Nothing grazes the covers" in said:
        yield _Question(
            "Will anything graze a cover, or be fed with it?",
            "animals_eat_cover in farm.toml",
            (),
            "changes no cover, but what law and labels ask; cautions for livestock are left out until it is said",
        )
    yield _Question(
        "Which of these plants does the state or country list as noxious or invasive?",
        "not_wanted in farm.toml, after asking the authority",
        (),
        "cannot be reckoned: no species is cleared by this program",
    )


def _soil_questions(farm: Farm) -> Iterator[_Question]:
    """What of the soil was filled in, with what it could be."""
    source = farm.soil.set_index("block_id")["source"]

    def filled(word: str) -> list[str]:
        """Blocks on which a property is a default."""
        return [b for b, text in source.items() if word in text.partition("default ")[2]]

    sides: tuple[tuple[str, str, str, tuple[tuple[str, dict[str, float]], ...]], ...] = (
        ("texture", "texture", "soil under [files], or clay_percent and sand_percent in [growers_word]", (
            ("a loamy sand", {"clay_fraction": 0.06, "sand_fraction": 0.82}),
            ("a clay", {"clay_fraction": 0.45, "sand_fraction": 0.20}),
        )),
        ("organic matter", "organic matter", "a soil test (soil_tests under [files])", (
            ("1 %", {"organic_matter_fraction": 0.01}), ("6 %", {"organic_matter_fraction": 0.06}),
        )),
        ("pH", "pH", "a soil test (soil_tests under [files])", (("5.2", {"ph": 5.2}), ("7.8", {"ph": 7.8}))),
    )  # fmt: skip
    for word, name, key, answers in sides:
        if blocks := filled(word):
            tried = tuple((f"it is {answer}", _soil(blocks, values)) for answer, values in answers)
            yield _Question(f"What is the {name} of {_some(blocks, len(source))}?", key, tried)
    if blocks := filled("drainage"):
        classes = ("poorly drained", "excessively drained")
        tried = tuple((f"it is {word}", _drained(blocks, word)) for word in classes)
        asked = f"How does {_some(blocks, len(source))} drain? Where does water stand in spring?"
        yield _Question(asked, "drainage or ponds in [growers_word]", tried)
    elif not farm.settings.growers_word:
        blocks = list(source.index)
        yield _Question(
            "Does the grower agree with the map on drainage? Which corner drowns?",
            "ponds in [growers_word]",
            (("every block ponds", _drained(blocks, "poorly drained")),),
        )


def _ground_questions(farm: Farm) -> Iterator[_Question]:
    """What of the surface nobody has said."""
    blocks, words = sorted(farm.blocks["block_id"]), farm.settings.growers_word
    if farm.settings.elevation is None and farm.soil.get("slope_fraction", pd.Series(dtype=float)).isna().all():
        yield _Question(
            "Which blocks are steep?",
            "elevation under [files], or slope_percent in [growers_word]",
            ((f"all fall {SLOPE_TRIED:.0%}".replace("%", " %"), _soil(blocks, {"slope_fraction": SLOPE_TRIED})),),
        )
    if all(word.crusts is None for word in words.values()):
        silent = GrowersWord({}, None, None, "tried")
        crusted = {block: replace(words.get(block, silent), crusts=True) for block in blocks}
        yield _Question(
            "Which ground crusts after rain?",
            "crusts in [growers_word]",
            (("all of it does", _settings(growers_word=crusted)),),
        )


def _some(blocks: list[str], of: int) -> str:
    if len(blocks) == of:
        return "the farm's ground"
    return ", ".join(blocks[:4]) + (f" and {len(blocks) - 4} more blocks" if len(blocks) > 4 else "")


def _settings(**changes: object) -> Change:
    return lambda farm: replace(farm, settings=replace(farm.settings, **changes))  # type: ignore[arg-type]


def _soil(blocks: list[str], values: dict[str, float]) -> Change:
    """Other soil on some blocks; what follows from texture and organic matter follows again."""

    def change(farm: Farm) -> Farm:
        soil = pd.DataFrame(farm.soil)
        rows = soil["block_id"].isin(blocks)
        for column, value in values.items():
            soil.loc[rows, column] = value
        if not set(values) <= {"ph", "slope_fraction"}:
            texture, water, density = hydraulics(
                *(soil[c].to_numpy(float) for c in ("sand_fraction", "clay_fraction", "organic_matter_fraction"))
            )
            for column, new in (
                ("texture_class", pd.Series(list(texture))), ("available_water_fraction", pd.Series(water)),
                ("bulk_density_mg_m3", pd.Series(density)),
            ):  # fmt: skip
                soil.loc[rows, column] = new[rows.to_numpy()].to_numpy()
        return replace(farm, soil=Soil.validate(soil))

    return change


def _drained(blocks: list[str], word: str) -> Change:
    def change(farm: Farm) -> Farm:
        soil = pd.DataFrame(farm.soil)
        soil.loc[soil["block_id"].isin(blocks), ["drainage_class", "drainage_share_fraction"]] = word, 1.0
        shares = farm.class_shares[~farm.class_shares["block_id"].isin(blocks)]
        return replace(farm, soil=Soil.validate(soil), class_shares=shares)

    return change


def _shifted(days: int) -> Change:
    """Every harvest without a range sooner or later, as far as the crop itself and the next one leave room."""

    def change(farm: Farm) -> Farm:
        calendar = pd.DataFrame(farm.crop_calendar).copy()
        hard = calendar["end_early"] == calendar["end_late"]
        following = calendar.groupby("block_id")["start_usual"].shift(-1) - DAY
        for side in ("early", "usual", "late"):
            moved = calendar[f"end_{side}"] + days * DAY
            moved = moved.where(following.isna() | (moved <= following), following)
            free = hard & (moved > calendar["start_late"])
            calendar[f"end_{side}"] = moved.where(free, calendar[f"end_{side}"])
        ordered = calendar[["end_early", "end_usual", "end_late"]]
        calendar["end_early"], calendar["end_late"] = ordered.min(axis=1), ordered.max(axis=1)
        return replace(farm, crop_calendar=CropCalendar.validate(calendar))

    return change
