"""Mixes proposed for one gap of a farm that has been planned."""

from __future__ import annotations

from collections.abc import Callable

from greengap.advice.mixes import Proposal, Surroundings, propose
from greengap.advice.purposes import growth_target, purpose_targets
from greengap.farm_input import Farm
from greengap.plan import Plan, places


def propose_mixes(
    farm: Farm, plan: Plan, gap_id: str, progress: Callable[[int, int], None] | None = None
) -> list[Proposal]:
    """Mixes that beat the best cover sown alone in a gap, best first.

    Parameters
    ----------
    farm : Farm
    plan : Plan
        Of that farm.
    gap_id : str
        A gap of the plan.
    progress : callable, optional
        Called with (done, total) while seasons are run.

    Returns
    -------
    list of Proposal
        Empty where none does.
    """
    settings = farm.settings
    around = Surroundings(
        farm.weather,
        farm.site_of_block,
        places(farm),
        farm.soil,
        farm.class_shares,
        settings,
        growth_target(settings.growth_aim, farm.catalogue, settings.units),
        purpose_targets(settings.purposes, farm.catalogue, settings.units),
    )
    gap = plan.gaps[plan.gaps["gap_id"] == gap_id]
    return propose(gap, plan.options, plan.recommendation, plan.suitability, around, farm.catalogue, progress)
