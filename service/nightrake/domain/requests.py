"""What people ask of alarms and lockouts: one path and one set of rules, whichever way it came in. Pure.

Each is answered in one sentence and journalled, also where it is refused. What a person says with a lockout step is
recorded whatever the plant shows; a release is refused while anything stands against it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from nightrake.alarms import asked, callchecks, escalation
from nightrake.alarms.book import alarm_of
from nightrake.alarms.keys import AlarmKey, parse_key
from nightrake.alarms.life import ACTIVE, UNANSWERED, Life
from nightrake.alarms.overlays import is_over, laid
from nightrake.alarms.rights import refusal
from nightrake.alarms.told import span_text
from nightrake.domain.asking import Asked
from nightrake.domain.latches import KIND, latched_sides, why_not_reset, without_stop
from nightrake.domain.lockoutrequests import ABOUT_LOCKOUTS
from nightrake.domain.respond import Responding
from nightrake.domain.rows import Answer

MAX_STANDBY_S = 31 * 24 * 3600.0
"""A standby by command ends by itself; for longer there is the schedule in the settings."""


# --- alarms ---


def _key_of(given: Asked) -> tuple[str, str, str]:
    """(text, drive, direction) of the alarm that a command names; drive "" where it names none of ours."""
    text = given.text("alarm")[:80]
    try:
        key = parse_key(text)
    except ValueError:
        return text, "", ""
    return text, key.drive if key.drive in given.work.state.drives else "", key.direction


def _acknowledge(given: Asked) -> Answer:
    """Stop the calls for the occurrence that the person has seen."""
    text, drive, direction = _key_of(given)
    no = refusal("acknowledge", given.who.role)
    occurrence = given.args.get("occurrence")
    if no or isinstance(occurrence, bool) or not isinstance(occurrence, int) or not 0 <= occurrence < 2**53:
        no = no or "say which occurrence you have seen: a whole number, as it is shown with the alarm"
        return given.refused(f"{text or 'acknowledge'}: not acknowledged: {no}", drive, direction)
    work, rota = given.work, given.work.plan.response.rota
    answer, active = None, False
    if rota.people and text in work.alarms.calls.running:
        by, stamps = given.who.data(), (work.now_ns, work.utc_ms)
        active = alarm_of(work.alarms.book, parse_key(text)).state.life in ACTIVE
        calls, told, answer = escalation.on_acknowledge(work.alarms.calls, rota, text, occurrence, by, *stamps)
        work.alarms = work.alarms._replace(calls=calls)
        work.entries += told
        if not answer.ok or _is_answered(work, text):
            return answer
    book, told, plain = asked.acknowledge(work.alarms.book, work.plan.rules, given.asking(text), occurrence)
    work.follow(book, told)
    return answer if answer is not None and active else plain  # what is gone does not call again


def _is_answered(work: Responding, text: str) -> bool:
    """Whether the life has been acknowledged before, so that only the calls had to be stopped."""
    life = alarm_of(work.alarms.book, parse_key(text)).state.life
    return life not in UNANSWERED and life is not Life.CLEARED_UNACKNOWLEDGED


Ask = Callable[..., asked.Asked]


def _overlay(given: Asked, ask: Ask) -> Answer:
    text, drive, _ = _key_of(given)
    work = given.work

    def done() -> asked.Asked:
        limited = given.command.verb in ("shelve", "out_of_service")
        more = (given.for_ns(), given.reason) if limited else ()
        return ask(work.alarms.book, work.plan.rules, given.asking(text), *more)

    def why_not() -> Answer | None:
        book, told, answer = done()
        if not answer.ok:
            work.follow(book, told)
        return None if answer.ok else answer

    said = f"{given.for_ns() / 60e9:g} min"
    no = given.ruled(text, drive, _occurrence(work, text), said=said, why_not=why_not)
    if no is not None:
        return no
    book, told, answer = done()
    work.follow(book, told)
    return answer


def _occurrence(work: Responding, text: str) -> str:
    try:
        return str(alarm_of(work.alarms.book, parse_key(text)).state.occurrence)
    except ValueError:
        return ""


def _reset(given: Asked) -> Answer:
    """Reset the latch of a shutdown, where no lockout holds the drive."""
    work, drive = given.work, given.command.drive
    held = work.alarms.lockout_of(drive)
    if held.is_open:
        text = f"{drive}: not reset: lockout {held.number} is open; its release resets the latch with it"
        return given.refused(text, drive)
    directions = [str(d) for d in work.state.wires[drive].spec.directions]
    wanted = [given.command.direction] if given.command.direction else directions
    latched = latched_sides(work.alarms, drive)
    sides = [s for s in latched if s in wanted or not given.command.direction] or wanted[:1]

    def why_not() -> Answer | None:
        found = [(s, why_not_reset(work.state, work.alarms, drive, s, work.now_ns)) for s in sides]
        words = [f"{AlarmKey(drive, s, KIND)}: not reset: {why}" for s, why in found if why]
        return given.refused("; ".join(words), drive) if words else None

    book = work.alarms.book
    mark = "+".join(str(alarm_of(book, AlarmKey(drive, s, KIND)).state.occurrence) for s in sides)
    no = given.ruled(f"{drive}/{'+'.join(sides)}", drive, f"{mark}/{held.number}", why_not=why_not)
    if no is not None:
        return no
    answers = [_reset_side(given, drive, side) for side in sides]
    work.judge([drive])
    return Answer(all(a.ok for a in answers), "; ".join(a.text for a in answers))


def _reset_side(given: Asked, drive: str, side: str) -> Answer:
    work = given.work
    key = AlarmKey(drive, side, KIND)
    why = why_not_reset(work.state, work.alarms, drive, side, work.now_ns)
    if why:
        return given.refused(f"{key}: not reset: {why}", drive, side)
    book, told, answer = asked.reset(work.alarms.book, work.plan.rules, given.asking(str(key)))
    work.follow(book, told)
    if answer.ok:
        work.state = without_stop(work.state, drive, side)
    return answer


# --- people ---


def _answer(given: Asked) -> Answer:
    """Answer a test call. `heard` has taken the answer in already, as it does with any command of that person."""
    person, before = given.who.actor, given.work.state.alarms
    no = refusal("answer", given.who.role)
    if not no and person not in before.checks.open and person not in before.unreached:
        no = f"{person}: no test call waits for an answer"
    if no:
        return given.refused(no)
    late = "" if person in before.checks.open else " late, after it was told that the way to you is dead"
    return Answer(True, f"{person}: test call answered{late}")


def heard(work: Responding, person: str) -> None:
    """Any command of a person shows that the way to them is alive."""
    if person in work.alarms.checks.open:
        checks, told, _ = callchecks.on_call_answered(work.alarms.checks, person, work.now_ns)
        work.alarms = work.alarms._replace(checks=checks)
        work.entries += told
    if person in work.alarms.unreached:
        work.unreached(tuple(p for p in work.alarms.unreached if p != person))


def _standby(given: Asked) -> Answer:
    """The drive is meant to stand: 'stopped without a trip' is suppressed meanwhile."""
    work, drive = given.work, given.command.drive
    for_s, reason = given.number("for_s"), given.text("reason")
    no = refusal("standby", given.who.role)
    if not no and not 0.0 < for_s <= MAX_STANDBY_S:
        no = f"standby needs a time limit above 0 and up to {MAX_STANDBY_S / 86400:g} days"
    if not no and not reason.strip():
        no = "standby needs a reason"
    if no:
        return given.refused(f"{drive}: {no}", drive)
    overlay = laid(given.for_ns(), given.who.actor, reason, work.now_ns, work.utc_ms)
    work.stand_by(drive, overlay, {**given.who.data(), "reason": reason, "until_utc_ms": overlay.until_utc_ms})
    work.judge([drive])
    return Answer(True, f"{drive}: in standby for {span_text(for_s)}; it ends by itself")


def _standby_end(given: Asked) -> Answer:
    work, drive = given.work, given.command.drive
    no = refusal("standby_end", given.who.role)
    overlay = work.alarms.standby.get(drive)
    if not no and (overlay is None or is_over(overlay, work.now_ns, work.utc_ms)):
        no = "is not in standby by command"
    if no:
        return given.refused(f"{drive}: {no}", drive)
    work.stand_by(drive, None, given.who.data())
    work.judge([drive])
    return Answer(True, f"{drive}: no longer in standby")


# --- which is which ---

Handler = Callable[[Asked], Answer]
ABOUT_ALARMS: Mapping[str, Handler] = {
    "acknowledge": _acknowledge,
    "shelve": lambda g: _overlay(g, asked.shelve),
    "unshelve": lambda g: _overlay(g, asked.unshelve),
    "out_of_service": lambda g: _overlay(g, asked.out_of_service),
    "return_to_service": lambda g: _overlay(g, asked.return_to_service),
    "answer": _answer,
}
"""Commands that name an alarm, or nothing at all."""
ABOUT_DRIVES: Mapping[str, Handler] = {
    "reset": _reset,
    "standby": _standby,
    "standby_end": _standby_end,
    **ABOUT_LOCKOUTS,
}
"""Commands that name a drive."""
