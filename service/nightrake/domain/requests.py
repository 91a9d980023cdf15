"""What people ask of alarms and lockouts: one path and one set of rules, whichever way it came in. Pure.

Each is answered in one sentence and journalled, also where it is refused. What a person says with a lockout step is
recorded whatever the plant shows; a release is refused while anything stands against it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from nightrake.alarms import asked, callchecks, escalation, lockout, release
from nightrake.alarms.asked import Asking
from nightrake.alarms.book import alarm_of, is_latched
from nightrake.alarms.keys import AlarmKey, parse_key
from nightrake.alarms.life import ACTIVE, UNANSWERED, Life
from nightrake.alarms.lockoutsteps import LockoutStep, Said
from nightrake.alarms.overlays import is_over, laid
from nightrake.alarms.rights import Who, refusal, rule
from nightrake.domain.cleantext import clean
from nightrake.domain.inputs import Command
from nightrake.domain.reading import Exactness
from nightrake.domain.respond import Responding
from nightrake.domain.rows import Answer, Entry
from nightrake.domain.site import Stage

MAX_STANDBY_S = 31 * 24 * 3600.0
"""A standby by command ends by itself; for longer there is the schedule in the settings."""
MAX_TEXT = 500


class Asked:
    """One command on its way through.

    Args:
        work: The site's alarms, which it changes. command: As it came in.
    """

    def __init__(self, work: Responding, command: Command) -> None:
        self.work, self.command = work, command
        self.who = Who(clean(command.actor, 64), clean(command.role, 32), clean(command.known_by, 64))
        self.args = command.args

    # --- what was said with it ---

    def text(self, key: str) -> str:
        """A text of the command, "" where there is none."""
        value = self.args.get(key, "")
        return clean(value, MAX_TEXT) if isinstance(value, str) else ""

    def number(self, key: str) -> float:
        """A number of the command, 0.0 where there is none that means anything."""
        value = self.args.get(key, 0.0)
        is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
        try:
            return float(value) if is_number and math.isfinite(value) else 0.0
        except OverflowError:
            return 0.0

    def for_ns(self) -> int:
        """The time limit asked for."""
        return int(min(max(self.number("for_s"), 0.0), 1e9) * 1e9)

    def asking(self, alarm: str) -> Asking:
        """The same for the book."""
        return Asking(alarm, self.who.data(), self.work.now_ns, self.work.utc_ms)

    # --- answers ---

    def refused(self, text: str, drive: str = "", direction: str = "", reason: str = "", **more: object) -> Answer:
        """Refuse, and journal that; `reason`: in fewer words than the answer."""
        why = (reason or text)[:200]
        data = {**self.who.data(), "verb": clean(self.command.verb, 32), **more, "reason": why}
        self.work.entries.append(Entry("command", "refused", drive, direction, data))
        return Answer(False, text)

    def ruled(self, subject: str, drive: str) -> Answer | None:
        """The rights of the person, and the second person where the site asks for one; None: it may be done."""
        work, verb = self.work, self.command.verb
        two = work.plan.response.two_persons
        seconds, ruling = rule(work.alarms.seconds, two, verb, subject, self.who, work.now_ns)
        work.alarms = work.alarms._replace(seconds=seconds)
        if ruling.go:
            return None
        if not ruling.waits:
            return self.refused(ruling.text, drive, asked=clean(subject, 80))
        data = {**self.who.data(), "verb": verb, "asked": clean(subject, 80)}
        work.entries.append(Entry("command", "first_of_two", drive, "", data))
        return Answer(True, f"{subject}: {ruling.text}")


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
    answer = None
    if rota.people and text in work.alarms.calls.running:
        by, stamps = given.who.data(), (work.now_ns, work.utc_ms)
        calls, told, answer = escalation.on_acknowledge(work.alarms.calls, rota, text, occurrence, by, *stamps)
        work.alarms = work.alarms._replace(calls=calls)
        work.entries += told
        if not answer.ok or _is_answered(work, text):
            return answer
    book, told, plain = asked.acknowledge(work.alarms.book, work.plan.rules, given.asking(text), occurrence)
    work.follow(book, told)
    return answer or plain


def _is_answered(work: Responding, text: str) -> bool:
    """Whether the life has been acknowledged before, so that only the calls had to be stopped."""
    life = alarm_of(work.alarms.book, parse_key(text)).state.life
    return life not in UNANSWERED and life is not Life.CLEARED_UNACKNOWLEDGED


Ask = Callable[..., asked.Asked]


def _overlay(given: Asked, ask: Ask, *more: object) -> Answer:
    text, drive, _ = _key_of(given)
    answer = given.ruled(text, drive)
    if answer is not None:
        return answer
    work = given.work
    book, told, answer = ask(work.alarms.book, work.plan.rules, given.asking(text), *more)
    work.follow(book, told)
    return answer


def _reset(given: Asked) -> Answer:
    """Reset the latch of a shutdown, where no lockout holds the drive."""
    work, drive = given.work, given.command.drive
    held = work.alarms.lockout_of(drive)
    if held.is_open:
        text = f"{drive}: not reset: lockout {held.number} is open; its release resets the latch with it"
        return given.refused(text, drive)
    book = work.alarms.book
    sides = [str(d) for d in work.state.wires[drive].spec.directions]
    wanted = [given.command.direction] if given.command.direction else sides
    sides = [s for s in wanted if is_latched(book, drive, s)] or wanted[:1]
    no = given.ruled(f"{drive}/{'+'.join(sides)}", drive)
    if no is not None:
        return no
    answers = [_reset_side(given, drive, side) for side in sides]
    work.judge([drive])
    return Answer(all(a.ok for a in answers), "; ".join(a.text for a in answers))


def _reset_side(given: Asked, drive: str, side: str) -> Answer:
    work = given.work
    key = AlarmKey(drive, side, "shutdown_contact")
    if _reads_operated(work, drive, side):
        text = f"{key}: not reset: {asked.STILL_OPERATED}"
        return given.refused(text, drive, side)
    book, told, answer = asked.reset(work.alarms.book, work.plan.rules, given.asking(str(key)))
    work.follow(book, told)
    if answer.ok:
        forget_stop(work, drive, side)
    return answer


def _reads_operated(work: Responding, drive: str, side: str) -> bool:
    """A contact that reads operated now holds the latch: its debounce is no reason to let go."""
    return bool(_shutdown_contacts(work, drive, side)[0])


def forget_stop(work: Responding, drive: str, side: str) -> None:
    """With the latch goes the verdict on its stop: a motor that stops days later confirms nothing."""
    before = work.state.drives[drive]
    if before.protection.stop_direction != side:
        return
    protection = before.protection._replace(stop="", stop_due_ns=0, stop_direction="")
    drives = {**work.state.drives, drive: before._replace(protection=protection, tick_due_ns=1)}
    work.state = work.state._replace(drives=drives)


# --- people ---


def _answer(given: Asked) -> Answer:
    no = refusal("answer", given.who.role)
    if no:
        return given.refused(no)
    checks, told, answer = callchecks.on_call_answered(given.work.alarms.checks, given.who.actor, given.work.now_ns)
    given.work.alarms = given.work.alarms._replace(checks=checks)
    given.work.entries += told
    return answer if answer.ok else given.refused(answer.text)


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
    return Answer(True, f"{drive}: in standby for {for_s / 3600:g} h; it ends by itself")


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


# --- lockout ---


def _open_lockout(given: Asked) -> Answer:
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


def _step(given: Asked) -> Answer:
    """Record what a person reports, whatever the plant shows."""
    work, drive, step = given.work, given.command.drive, LockoutStep(given.command.verb)
    no = given.ruled(f"{drive}/{given.text('whom')}", drive)
    if no is not None:
        return no
    facts = given.args.get("facts", ())
    said = Said(
        remark=given.text("remark"),
        lock_number=given.text("lock_number"),
        cause=given.text("cause"),
        whom=given.text("whom"),
        name=given.text("name"),
        limit_s=given.number("limit_s"),
        facts=tuple(clean(f, MAX_TEXT) for f in facts if isinstance(f, str))
        if isinstance(facts, (list, tuple))
        else (),
    )
    before = work.alarms.lockout_of(drive)
    rules = work.plan.response.lockout
    held, told, answer = lockout.on_step(before, rules, step, given.who, said, work.now_ns, work.utc_ms)
    work.locked(held, told)
    if (held.is_open, held.run_until_ns) != (before.is_open, before.run_until_ns):
        work.judge([drive])
    return answer


def _release(given: Asked) -> Answer:
    """Release the lockout, and reset the latches with it; refused as long as anything stands against it."""
    work, drive = given.work, given.command.drive
    held, response = work.alarms.lockout_of(drive), work.plan.response
    stamps = (work.now_ns, work.utc_ms)
    against = _latch_holds(given, drive)
    if against and held.is_open:
        return given.refused(f"{drive} lockout {held.number}: not released: {against}", drive, reason=against)
    held, seconds, told, answer = release.on_release(
        held,
        response.lockout,
        response.two_persons,
        work.alarms.seconds,
        given.who,
        given.text("reason"),
        _seen_for_release(work, drive),
        *stamps,
    )
    work.alarms = work.alarms._replace(seconds=seconds)
    work.locked(held, told)
    if answer.ok and not held.is_open:
        for side in work.state.wires[drive].spec.directions:
            _let_go(given, drive, str(side))
        work.judge([drive])
    return answer


def _latch_holds(given: Asked, drive: str) -> str:
    """Why a latch could not be reset with the release, beyond what the release itself looks at; "" = it could."""
    work = given.work
    for side in work.state.wires[drive].spec.directions:
        key = AlarmKey(drive, str(side), "shutdown_contact")
        state, its_rule = alarm_of(work.alarms.book, key).state, work.plan.rules.of(key)
        if its_rule is None or state.condition is not False or not is_latched(work.alarms.book, drive, str(side)):
            continue  # nothing to reset, or what the release itself looks at
        seen = Life.ACKNOWLEDGED if state.life in ACTIVE else Life.LATCHED_ACKNOWLEDGED  # whoever releases has seen it
        why = asked.why_not_reset(state._replace(life=seen), its_rule, work.now_ns)
        if why:
            return why
    return ""


def _let_go(given: Asked, drive: str, side: str) -> None:
    """The latch of one direction goes with the lockout; whoever releases has seen the alarm."""
    work = given.work
    key = AlarmKey(drive, side, "shutdown_contact")
    if not is_latched(work.alarms.book, drive, side):
        return
    state = alarm_of(work.alarms.book, key).state
    if state.life in UNANSWERED:
        book, told, _ = asked.acknowledge(work.alarms.book, work.plan.rules, given.asking(str(key)), state.occurrence)
        work.follow(book, told)
    book, told, answer = asked.reset(work.alarms.book, work.plan.rules, given.asking(str(key)))
    work.follow(book, told)
    if answer.ok:
        forget_stop(work, drive, side)


def _seen_for_release(work: Responding, drive: str) -> release.Facts:
    """What is read of the drive at the moment of the release."""
    spec, state = work.state.wires[drive].spec, work.state.drives[drive]
    operated, unreadable = _shutdown_contacts(work, drive, "")
    torque = state.torque
    return release.Facts(
        operated=operated,
        unreadable=unreadable,
        torque_nm=torque.value if torque.kind is not Exactness.ABSENT else None,
        torque_is=torque.kind.value,
        torque_fitted=spec.position is not None and bool(spec.calibrations),
    )


def _shutdown_contacts(work: Responding, drive: str, side: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names of shutdown contacts that read operated, or counted as operated; and of those that cannot be read well."""
    wire, protection = work.state.wires[drive], work.state.drives[drive].protection
    operated, unreadable = [], []
    for stage, known in zip(wire.stages, protection.stages, strict=True):
        if stage.stage is not Stage.SHUTDOWN or (side and stage.direction != side):
            continue
        contacts = [(wire.contacts[i].spec.id, protection.contacts[i]) for i in stage.contacts]
        reading = [f"{i.direction} {i.channel}" for i, c in contacts if c.raw == 1 and not c.bad]
        operated += reading or ([str(stage.direction)] if known.operated == 1 else [])
        if not known.known:
            unreadable += [f"{i.direction} {i.channel}" for i, c in contacts if c.bad]
    return tuple(operated), tuple(unreadable)


# --- which is which ---

Handler = Callable[[Asked], Answer]
ABOUT_ALARMS: Mapping[str, Handler] = {
    "acknowledge": _acknowledge,
    "shelve": lambda g: _overlay(g, asked.shelve, g.for_ns(), g.text("reason")),
    "unshelve": lambda g: _overlay(g, asked.unshelve),
    "out_of_service": lambda g: _overlay(g, asked.out_of_service, g.for_ns(), g.text("reason")),
    "return_to_service": lambda g: _overlay(g, asked.return_to_service),
    "answer": _answer,
}
"""Commands that name an alarm, or nothing at all."""
ABOUT_DRIVES: Mapping[str, Handler] = {
    "reset": _reset,
    "standby": _standby,
    "standby_end": _standby_end,
    "lockout_open": _open_lockout,
    "release": _release,
    **{str(step): _step for step in LockoutStep},
}
"""Commands that name a drive."""
