"""The cause of a shutdown as people report it: each person's stands beside the others', and all are told so. Pure.

Two people who have looked at one machine may have seen two things. Whose is right is not for a record to say: it keeps
both until one of them reports anew.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING

from nightrake.alarms.lockoutsteps import LockoutStep, Said
from nightrake.alarms.rights import Who

if TYPE_CHECKING:
    from nightrake.alarms.lockout import Lockout, Report

MOST, LONGEST = 5, 80
"""Other causes that are named, and characters of each: all of them stand on the lockout's own page."""


def standing(held: Lockout) -> tuple[Report, ...]:
    """Causes that count, the last report of each person, in order; what a further shutdown has made old is none."""
    found = [r for r in held.reports.values() if r.step is LockoutStep.CAUSE and r.order > held.tripped_at]
    return tuple(sorted(found, key=lambda r: r.order))


def beside(held: Lockout, who: Who, cause: str) -> str:
    """Other causes that stand than the one that a person reports, each with whoever reported it; "" = none."""
    told = [(r.detail.get("cause", ""), r.by) for r in standing(held) if r.by != who.actor]
    others = [(other, by) for other, by in told if other and cause and other.casefold() != cause.casefold()]
    words = [f"'{other[:LONGEST]}' by {by}" for other, by in others[-MOST:]]
    more = [f"{len(others) - MOST} more"] if len(others) > MOST else []
    return ", ".join((*words, *more))


def notes_on(held: Lockout, on_list: Collection[str], who: Who, said: Said) -> list[str]:
    """What a person hears who reports a cause.

    Args:
        held: Before it. on_list: Causes of the site's list.
    """
    if not said.cause:
        known = standing(held) or said.remark.strip()
        return [] if known else ["the cause is still to be given"]
    notes = [] if said.cause in on_list else [f"'{said.cause}' is not on the site's list; kept in own words"]
    own = next((r.detail.get("cause", "") for r in standing(held) if r.by == who.actor), "")
    if own and own != said.cause:
        notes.append(f"it takes the place of your '{own[:LONGEST]}'")
    others = beside(held, who, said.cause)
    if others:
        notes.append(f"another cause stands: {others}; yours is recorded beside it")
        notes.append("settle between you which it was, and whoever erred reports anew")
    return notes


def kept(held: Lockout, who: Who, said: Said) -> tuple[Mapping[str, Report], Mapping[str, str]] | None:
    """What stays of the reports before one more cause, and that cause's detail; None: nothing was said.

    A cause without words is none, and wipes no other; a remark alone is added to the cause given: one's own, else the
    last. Away goes the person's own of before, and what a further shutdown has made old.
    """
    before, cause = standing(held), said.cause
    if not cause:
        if not said.remark.strip():
            return None
        own = [r for r in before if r.by == who.actor] or list(before)
        cause = own[-1].detail.get("cause", "") if own else ""
    stays = {r.order for r in before if r.by != who.actor}
    reports = {n: r for n, r in held.reports.items() if r.step is not LockoutStep.CAUSE or r.order in stays}
    return reports, {"cause": cause}
