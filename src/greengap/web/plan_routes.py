"""Routes that tell the plan: how far it is, gaps, one gap in full, weights tried out, sources."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Annotated, Any

from fastapi import FastAPI, Query

from greengap.farm.settings import PURPOSES, FarmSettings, Purpose
from greengap.web.asked import FarmWeights, Weights
from greengap.web.compare import Trial, compare, short
from greengap.web.edits import EditProblem
from greengap.web.house import House, NotThere


def plan_routes(app: FastAPI, house: House) -> None:
    """Add them."""

    @app.get("/api/progress")
    def progress() -> dict[str, Any]:
        """How far the plan has come."""
        session = house.open()
        return {**asdict(session.planner.progress), "edited": session.version, "farm": house.farm_id}

    @app.post("/api/cancel")
    def cancel() -> dict[str, Any]:
        """Stop planning; what has been planned stays."""
        house.open().planner.cancel()
        return {}

    @app.post("/api/replan")
    def replan() -> dict[str, Any]:
        """Plan again after a stop."""
        session = house.open()
        session.planner.request(session.store.contents)
        return {}

    @app.get("/api/plan")
    def plan(block: Annotated[str | None, Query(max_length=200)] = None) -> dict[str, Any]:
        """Gaps of the farm or of one block, and what is said of the farm as a whole."""
        from greengap.web.views import farm_view

        planner = house.open().planner
        views = dict(planner.views)
        if block is not None:
            return {"gaps": views.get(block, []), "farm": None}
        made = planner.made
        found = [gap for gaps in views.values() for gap in gaps]
        return {"gaps": found, "farm": None if made is None else {"version": made.version, **farm_view(made.plan)}}

    @app.get("/api/gap")
    def gap(id: Annotated[str, Query(max_length=300)]) -> dict[str, Any]:
        """Everything about one gap."""
        from greengap.web.views import gap_detail

        planner = house.open().planner
        found = planner.gap_in_full(id)
        if found is None:
            raise NotThere("no_gap")
        return gap_detail(found[1], id, planner.rungs(id), found[0].seed_lists)

    @app.get("/api/years")
    def years(
        gap: Annotated[str, Query(max_length=300)],
        cover: Annotated[str, Query(max_length=200)],
        sow: Annotated[str, Query(max_length=10)],
    ) -> dict[str, Any]:
        """What happens when in each weather year, for one cover sown on one date."""
        from greengap.web.views import years_of

        found = house.open().planner.gap_in_full(gap)
        if found is None:
            raise NotThere("no_gap")
        return {"years": years_of(found[1], gap, cover, sow)}

    @app.get("/api/flowers")
    def flowers() -> dict[str, Any]:
        """Flowers of the farm: windows to keep, order of mowing, planned sprays and what they meet."""
        from greengap.farm_flowers import find_flowers
        from greengap.web.flowers_view import flowers_view

        made = house.open().planner.made
        if made is None:
            return {"version": None}
        return {"version": made.version, **flowers_view(find_flowers(made.plan), made.farm.sprays)}

    @app.get("/api/after")
    def after(
        gap: Annotated[str, Query(max_length=300)], cover: Annotated[str, Query(max_length=200)]
    ) -> dict[str, Any]:
        """What a cover leaves in a gap: ending, waiting, nitrogen day by day, and what one change would do."""
        from greengap.cover_after import find_after
        from greengap.web.after_view import after_view

        farm, block = house.open().planner.farm_of_gap(gap)
        if farm is None or block is None or cover not in farm.catalogue.covers:
            raise NotThere("no_gap")
        return after_view(find_after(farm, block, cover, gap))

    @app.get("/api/clean")
    def clean(gap: Annotated[str, Query(max_length=300)]) -> dict[str, Any]:
        """A gap without a cover: harrowed, tarped, mown or left, beside the cover; the flush of weeds by date."""
        from greengap.clean_ground_of import find_without_cover
        from greengap.web.clean_view import clean_view

        found = house.open().planner.gap_in_full(gap)
        if found is None:
            raise NotThere("no_gap")
        farm, made = found
        return clean_view(find_without_cover(farm, made, [gap]), gap, made.catalogue, made.settings.units)

    @app.get("/api/week")
    def week(
        as_of: Annotated[str, Query(max_length=10)], rain: Annotated[str, Query(max_length=200)] = ""
    ) -> dict[str, Any]:
        """The week ahead as of a day, with the rain that was typed for the first of its days."""
        from greengap.web.week_view import week_view

        session = house.open()
        made = session.planner.made
        if made is None or made.plan.gaps.empty:
            raise NotThere("no_plan")
        session.refresh()
        return week_view(session.week.look(made, session.store.contents.record, as_of, rain))

    @app.post("/api/weights")
    def weights(asked: Weights) -> dict[str, Any]:
        """How the ranking of a gap moves under other weights; nothing is kept."""
        change = _weighed(asked.weights)
        found = house.open().planner.gap_in_full(asked.gap, change)
        if found is None:
            raise NotThere("no_gap")
        table = found[1].recommendation
        rows = table[table["gap_id"] == asked.gap].sort_values("rank")
        return {
            "ranking": [
                {
                    "cover": r.cover_id,
                    "rank": int(r.rank),
                    "score": round(float(r.score), 4),
                    "klass": r.suitability_class,
                }
                for r in rows.itertuples()
                if r.eligible
            ]
        }

    @app.get("/api/why")
    def why(gap: Annotated[str, Query(max_length=300)], cover: Annotated[str, Query(max_length=200)]) -> dict[str, Any]:
        """How a score and a rate came about, with the source of every number."""
        from greengap.output.why import explain

        found = house.open().planner.gap_in_full(gap)
        if found is None or cover not in {*found[0].catalogue.covers, "no_cover"}:
            raise NotThere("no_gap")
        made = found[1]
        return {"lines": list(explain(made, str(made.gaps["block_id"].iloc[0]), cover))}

    @app.get("/api/compare")
    def compared(kept: Annotated[str, Query(max_length=200)] = "") -> dict[str, Any]:
        """The plan against a kept copy, or without a name against the trial under other weights."""
        session = house.open()
        made, trial = session.planner.made, session.trial
        if made is None or made.version != session.version:
            return {"state": "waiting"}
        now = short(made.plan)
        if kept:
            held = next((k for k in session.rows.settings.get("kept") or [] if k["name"] == kept), None)
            if held is None:
                raise NotThere("no_kept")
            return {"state": "done", **compare(held, now, session.settings.units, session.catalogue)}
        if trial is None or trial.version != session.version:
            return {"state": "none"}
        if trial.made is None:
            return {"state": trial.state, "done": trial.done, "total": trial.total, "sentence": trial.sentence}
        return {"state": "done", **compare(now, trial.made, session.settings.units, session.catalogue)}

    @app.post("/api/compare/weights")
    def try_weights(asked: FarmWeights) -> dict[str, Any]:
        """Begin to plan the whole farm under other weights, in the background; nothing is kept."""
        session = house.open()
        change, farm = _weighed(asked.weights), session.planner.farm
        if farm is None:
            raise NotThere("no_plan")
        if session.trial is not None:
            session.trial.stop()
        session.trial = Trial(farm, change, session.version)
        return {}

    @app.post("/api/compare/stop")
    def stop_trial() -> dict[str, Any]:
        """Stop it."""
        trial = house.open().trial
        if trial is not None:
            trial.stop()
        return {}


def _weighed(weights: dict[str, float]) -> Callable[[FarmSettings], FarmSettings]:
    """Settings with other weights of purposes; a purpose that the farm has keeps its aim."""
    unknown = [key for key in weights if key not in PURPOSES]
    if unknown:
        raise EditProblem("no_purpose", "weights", purpose=unknown[0])
    if not any(weights.values()):
        raise EditProblem("no_weight", "weights")

    def change(settings: FarmSettings) -> FarmSettings:
        own = {p.key: p.aim for p in settings.purposes}
        purposes = tuple(Purpose(key, weight, own.get(key)) for key, weight in weights.items() if weight > 0)
        return replace(settings, purposes=purposes)

    return change
