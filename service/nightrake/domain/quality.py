"""Why a drive's readings can or cannot be trusted, as NAMUR NE 107 reasons. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from nightrake.domain.contacts import StageState
from nightrake.domain.image import IMAGE_REASONS, Image
from nightrake.domain.reading import Category, Exactness, Reading, Reason, worst
from nightrake.domain.rows import Entry
from nightrake.domain.signals import OVER_RANGE, UNDEFINED, UNDER_RANGE
from nightrake.domain.wiring import NOT_READ, DriveWire, Raw

if TYPE_CHECKING:
    from nightrake.domain.protection import Protection

CLEAR_NS = 5_000_000_000
"""A reason must have been gone this long before its going is told, so that a flapping link is not a flood."""
SETTLE_NS = 5_000_000_000
"""After a start or a reload a drive's quality is told once, this long after its first reading at the latest."""
SETTLED = -1
NO_CALIBRATION = "no calibration record for this direction"

_DOUBTFUL = {UNDEFINED, UNDER_RANGE, OVER_RANGE, NO_CALIBRATION, IMAGE_REASONS[Image.SUSPECT]}


def reasons_of(
    wire: DriveWire,
    raws: Sequence[Raw],
    position: Reading,
    torque: Reading,
    stages: Sequence[StageState],
    in_test: bool,
    utc_ms: int,
) -> tuple[Reason, ...]:
    """Everything that limits trust in one drive now, in a fixed order.

    Args:
        raws: Raw values, with what blocks them (rack, heartbeat, image) already put in.
    """
    reasons = _bad_slots(wire, raws)
    if wire.position >= 0 and not isinstance(raws[wire.position], str):
        if position.reason:
            reasons.append(Reason(_category(position.reason), f"position: {position.reason}"))
        elif torque.kind is Exactness.BEYOND or torque.kind is Exactness.ABSENT:
            reasons.append(Reason(Category.OUT_OF_SPECIFICATION, f"torque: {torque.reason}"))
    for stage, state in zip(wire.stages, stages, strict=True):
        which = f"{stage.direction} {stage.stage}"
        if state.differ_told:
            reasons.append(Reason(Category.FAILURE, f"{which}: the two channels disagree"))
        if state.degraded:
            reasons.append(Reason(Category.MAINTENANCE, f"{which}: degraded, one channel bad, the other decides"))
    if in_test:
        reasons.append(Reason(Category.FUNCTION_CHECK, "in test"))
    for curve in wire.spec.calibrations.values():
        if 0 < curve.due_utc_ms <= utc_ms:
            reasons.append(Reason(Category.MAINTENANCE, f"calibration {curve.ref} is past its due date"))
    return tuple(reasons)


def _category(text: str) -> Category:
    return Category.OUT_OF_SPECIFICATION if text in _DOUBTFUL else Category.FAILURE


def _bad_slots(wire: DriveWire, raws: Sequence[Raw]) -> list[Reason]:
    """One reason for each different text; the roles are named unless it holds for all of them."""
    by_text: dict[str, list[str]] = {}
    for role, value in zip(wire.roles, raws, strict=True):
        if isinstance(value, str):
            by_text.setdefault(value, []).append(role)
    total = len(wire.roles)
    return [
        Reason(_category(text), text if len(roles) == total else f"{text} ({', '.join(roles)})")
        for text, roles in by_text.items()
    ]


def settling(settle_ns: int, seen: Sequence[Raw], reasons: tuple[Reason, ...], now_ns: int) -> int:
    """Take the waiting for a first judgement a step further.

    Points come one after the other, and a block that the PLC refuses is first asked for in parts: told at once, one
    wrong address would be a handful of changes. Everything read and sound ends the wait as well.

    Args:
        settle_ns: Until when it waits; 0 = nothing was read yet, `SETTLED` = it is over.
        seen: Raw values, with what blocks them put in.
    """
    if settle_ns == SETTLED:
        return SETTLED
    unread = sum(value == NOT_READ for value in seen)
    if not settle_ns and unread == len(seen):
        return 0
    until_ns = settle_ns or now_ns + SETTLE_NS
    return SETTLED if now_ns >= until_ns or not (unread or reasons) else until_ns


def tell_quality(
    wire: DriveWire, prev: Protection, reasons: tuple[Reason, ...], now_ns: int
) -> tuple[tuple[Reason, ...], tuple[Reason, ...], int, tuple[Entry, ...]]:
    """A new reason is told at once; that one has gone, only when what is left has stayed the same for a while.

    A reason that comes and goes (a flapping link) is told once, and not again until it has settled either way. One that
    held for the whole drive and holds for a part of it now (the first of its blocks was read again) is on its way out.

    Returns:
        (told, gone, clear_since_ns, entries) of the state after.
    """
    worth = _worth(reasons)
    if any(not _is_told(r, (*prev.told, *prev.gone)) for r in worth):
        gone = (*prev.gone, *(r for r in prev.told if r not in prev.gone and r not in worth))
        return worth, tuple(r for r in gone if r not in worth), now_ns if gone else 0, (_changed(wire, worth),)
    same = set(worth) == set(prev.told)
    if same and not prev.gone:
        return prev.told, (), 0, ()
    since_ns = prev.clear_since_ns if prev.clear_since_ns and worth == _worth(prev.reasons) else now_ns
    if now_ns - since_ns < CLEAR_NS:
        return prev.told, prev.gone, since_ns, ()
    return worth, (), 0, () if same else (_changed(wire, worth),)


def _is_told(reason: Reason, told: Sequence[Reason]) -> bool:
    """Whether a reason was told, or the same of the whole drive."""
    return reason in told or any(reason.category is r.category and reason.text.startswith(f"{r.text} (") for r in told)


def _worth(reasons: tuple[Reason, ...]) -> tuple[Reason, ...]:
    """Without what has not been read since start: that is no change."""
    return tuple(r for r in reasons if not r.text.startswith(NOT_READ))


def _changed(wire: DriveWire, worth: tuple[Reason, ...]) -> Entry:
    data = {"quality": worst(worth).value, "reasons": [r.text for r in worth]}
    return Entry("drive", "quality_changed", wire.spec.id, "", data)


def next_due_utc_ms(wire: DriveWire, utc_ms: int) -> int:
    """When the next calibration of a drive falls due, UTC ms; 0 = none will."""
    return min((c.due_utc_ms for c in wire.spec.calibrations.values() if c.due_utc_ms > utc_ms), default=0)
