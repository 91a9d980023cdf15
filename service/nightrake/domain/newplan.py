"""A site goes on with another plan: after a reload, and in the first step of a run on what the last one left. Pure."""

from __future__ import annotations

from nightrake.domain.inputs import Input
from nightrake.domain.respond import Responding
from nightrake.domain.state import NOTHING, Outcome, SiteState


def settle(was: SiteState, now: SiteState, outcome: Outcome, given: Input) -> tuple[SiteState, Outcome]:
    """Go on with another plan: what is different is judged and said anew, what is gone keeps its alarms until it is
    back, and what is as it was is left alone.

    Args:
        was, now: Before and after the change of settings.
    """
    work = Responding(now, given)
    setups = was.plan.setups
    same = {d for d, setup in now.plan.setups.items() if setups.get(d) == setup and was.wires[d] is now.wires[d]}
    work.take_plan(same, had_people=bool(was.plan.response.rota.people))
    return work.done(outcome)


def begin(state: SiteState, given: Input) -> tuple[SiteState, Outcome]:
    """Before the first input of a run: the settings may have changed while nothing ran, and records may be damaged.

    Nothing has been read yet, so no drive is judged. Every later step gets the state back as it is.
    """
    if not state.alarms.restored:
        return state, NOTHING
    work = Responding(state._replace(alarms=state.alarms._replace(restored=False)), given)
    # Whoever was there has been looked at for test calls.
    work.take_plan(tuple(state.drives), had_people=state.alarms.checks.looked_utc_s > 0)
    return work.done(NOTHING)
