"""What people ask of a drive's lockout: open it, report a step, release it, cancel it. Pure.

What a person says with a step is recorded whatever the plant shows; a release is refused while anything stands against
it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from nightrake.alarms import asked, lockout, release
from nightrake.alarms.book import alarm_of
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.life import UNANSWERED
from nightrake.alarms.lockoutsteps import RECORDS_ONLY, LockoutStep, Said
from nightrake.alarms.rights import Role, refusal
from nightrake.domain.asking import Asked
from nightrake.domain.cleantext import clean
from nightrake.domain.latches import KIND, latched_sides, seen_for_release, without_stop
from nightrake.domain.rows import Answer

LONG_TEXT = 4_000
"""Read of what a person says with a step; what is kept is less, and said so."""


def _open(given: Asked) -> Answer:
    work, drive = given.work, given.command.drive
    no = refusal("lockout_open", given.who.role)
    if no:
        return given.refused(f"{drive}: {no}", drive)
    held, told, answer = lockout.open_by_hand(
        work.alarms.lockout_of(drive), given.who, given.text("remark"), work.utc_ms
    )
    work.locked(held, told)
    work.judge([drive])
    return answer


def _said(given: Asked) -> Said:
    facts = given.args.get("facts", ())
    told = facts if isinstance(facts, (list, tuple)) else ()
    return Said(
        remark=given.text("remark", LONG_TEXT),
        lock_number=given.text("lock_number", LONG_TEXT),
        cause=given.text("cause", LONG_TEXT),
        whom=given.text("whom", LONG_TEXT),
        name=given.text("name", LONG_TEXT),
        limit_s=given.number("limit_s"),
        facts=tuple(clean(f, LONG_TEXT) for f in told[:3] if isinstance(f, str)),
    )


def _step(given: Asked) -> Answer:
    """Record what a person reports, whatever the plant shows."""
    work, drive, step = given.work, given.command.drive, LockoutStep(given.command.verb)
    before, said = work.alarms.lockout_of(drive), _said(given)
    mark = f"{before.number}/{before.tripped_at}/{said.lock_number}"

    def why_not() -> Answer | None:
        """What could not be done, whoever confirmed it: the one of two who is a supervisor is still to come."""
        why = step is LockoutStep.LOCK_EXCEPTION and lockout.why_no_exception(before, as_supervisor, said.clipped())
        return given.refused(f"{drive}: not recorded: {why}. {RECORDS_ONLY}", drive, reason=why) if why else None

    as_supervisor = given.who._replace(role=Role.SUPERVISOR)
    no = given.ruled(f"{drive}/{said.whom}", drive, mark, why_not=why_not)
    if no is not None:
        return no
    # Where two have spoken, it is done in the name of the one who may.
    who = given.first if given.first is not None and refusal(step, given.who.role) else given.who
    motor_runs = work.state.drives[drive].protection.running == 1
    around = lockout.Around(work.plan.response.rota.people or None, motor_runs)
    rules = work.plan.response.lockout
    held, told, answer = lockout.on_step(before, rules, step, who, said, work.now_ns, work.utc_ms, around)
    work.locked(held, told)
    if (held.is_open, held.run_until_ns) != (before.is_open, before.run_until_ns):
        work.judge([drive])
    return answer


def _release(given: Asked) -> Answer:
    """Release the lockout, and reset the latches with it; refused as long as anything stands against it."""
    work, drive = given.work, given.command.drive
    response = work.plan.response
    held, seconds, told, answer = release.on_release(
        work.alarms.lockout_of(drive),
        response.lockout,
        response.two_persons,
        work.alarms.seconds,
        given.who,
        given.text("reason"),
        seen_for_release(work.state, work.alarms, drive, work.now_ns),
        work.now_ns,
        work.utc_ms,
        given.roles,
    )
    work.alarms = work.alarms._replace(seconds=seconds)
    work.locked(held, told)
    if answer.ok and not held.is_open:
        for side in latched_sides(work.alarms, drive):
            _let_go(given, drive, side)
        work.judge([drive])
    return answer


def _let_go(given: Asked, drive: str, side: str) -> None:
    """The latch of one direction goes with the lockout; whoever releases has seen the alarm."""
    work = given.work
    key = AlarmKey(drive, side, KIND)
    state = alarm_of(work.alarms.book, key).state
    if state.life in UNANSWERED:
        book, told, _ = asked.acknowledge(work.alarms.book, work.plan.rules, given.asking(str(key)), state.occurrence)
        work.follow(book, told)
    book, told, answer = asked.reset(work.alarms.book, work.plan.rules, given.asking(str(key)))
    work.follow(book, told)
    if answer.ok:
        work.state = without_stop(work.state, drive, side)


def _cancel(given: Asked) -> Answer:
    """Cancel a lockout that was opened by mistake."""
    work, drive = given.work, given.command.drive
    before = work.alarms.lockout_of(drive)
    if before.is_open and latched_sides(work.alarms, drive):
        before = before._replace(tripped=True)

    def why_not() -> Answer | None:
        _, told, answer = release.cancel(before, given.who, given.text("reason"), work.utc_ms)
        work.entries += () if answer.ok else told
        return None if answer.ok else answer

    no = given.ruled(drive, drive, f"{before.number}/{before.tripped_at}", why_not=why_not)
    if no is not None:
        return no
    held, told, answer = release.cancel(before, given.who, given.text("reason"), work.utc_ms)
    if not answer.ok:
        work.entries += told
        return answer
    work.locked(held, told)
    work.judge([drive])
    return answer


ABOUT_LOCKOUTS: Mapping[str, Callable[[Asked], Answer]] = {
    "lockout_open": _open,
    "lockout_cancel": _cancel,
    "release": _release,
    **{str(step): _step for step in LockoutStep},
}
"""Commands about the lockout of a drive."""
