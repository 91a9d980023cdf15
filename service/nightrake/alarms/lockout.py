"""The lockout of a drive after a shutdown: what people report, step by step, until a supervisor releases it. Pure.

'Lockout' as of a lock-out relay (IEEE C37.2, device 86): the drive is not to return until it is reset by hand. It is
**not** isolation of energy (29 CFR 1910.147 in the United States, local law elsewhere): that is done by people, each
with their own lock. So:

- Every step can be recorded at any time and in any order, also twice, also with parts missing. A self-locking train
  keeps its contact operated until it is isolated and unwound, and isolation may take the contacts' own power away:
  nothing that a contact shows may stand in the way of a report.
- Only release is refused, and a refusal names all that is missing (`alarms.release`).
- Nobody removes another person's lock here. Where somebody is absent, a supervisor records an exception, with the
  three facts that such a procedure asks for (1910.147(e)(3)).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from nightrake.alarms.lockoutsteps import (
    AFTER_TRIP,
    MAX_TEST_RUN_NS,
    MAX_TEXT,
    PER_PERSON,
    RECORDS_ONLY,
    SAYS,
    TEST_RUN_NS,
    LockoutStep,
    Said,
)
from nightrake.alarms.rights import Role, Who
from nightrake.domain.rows import Answer, Entry


class LockoutRules(NamedTuple):
    """What the site says about lockouts.

    Attributes:
        causes: The site's list. needs: Steps without which nothing is released.
        release_torque_nm: By drive; a torque above it stands against a release, 0 or missing: none does.
        after_shutdown: A shutdown opens one. Only where somebody could release it: that takes a supervisor.
    """

    causes: tuple[str, ...] = ()
    needs: tuple[LockoutStep, ...] = tuple(LockoutStep)[:6]
    release_torque_nm: Mapping[str, float] = {}
    after_shutdown: bool = False


class Lock(NamedTuple):
    """One person's lock as reported: number ("" = not given), when on, when off (0 = on), and by whom."""

    person: str
    number: str
    on_utc_ms: int
    off_utc_ms: int = 0
    off_by: str = ""


class Report(NamedTuple):
    """The last report of a step (and person, where each has their own).

    Attributes:
        order: Rising within the lockout; the clock may be set back, this not.
    """

    step: LockoutStep
    order: int
    by: str
    role: str
    utc_ms: int
    remark: str
    detail: Mapping[str, str] = {}


class Lockout(NamedTuple):
    """The lockout of one drive.

    Attributes:
        drive: Whose.
        number: How-manieth of this drive, 0 = there was none yet.
        is_open: It holds. opened_utc_ms, because: Since when and for what.
        tripped_at: `Report.order` after which the last shutdown came. order: Last one given.
        locks: One line for each person who reported isolation. reports: The last of each step.
        in_charge: Who has the work after a shift transfer, "" = nobody named.
        run_until_ns, run_by: A supervised test run goes on, 0 = none, and under whose supervision.
        released_by, released_utc_ms: Of the last lockout that was released.
    """

    drive: str
    number: int = 0
    is_open: bool = False
    opened_utc_ms: int = 0
    because: str = ""
    tripped_at: int = 0
    order: int = 0
    locks: tuple[Lock, ...] = ()
    reports: Mapping[str, Report] = {}
    in_charge: str = ""
    run_until_ns: int = 0
    run_by: str = ""
    released_by: str = ""
    released_utc_ms: int = 0

    @property
    def locks_on(self) -> tuple[Lock, ...]:
        """Locks that nobody has reported as removed."""
        return tuple(lock for lock in self.locks if not lock.off_utc_ms)

    def in_test_run(self, now_ns: int) -> bool:
        """A motor that runs is expected: it raises no 'running while locked out'."""
        return self.is_open and now_ns < self.run_until_ns

    def last(self, step: LockoutStep) -> Report | None:
        """The last report of a step that counts: what a further shutdown has made old does not."""
        found = [r for r in self.reports.values() if r.step is step]
        found = [r for r in found if step not in AFTER_TRIP or r.order > self.tripped_at]
        return max(found, key=lambda r: r.order, default=None)


Moved = tuple[Lockout, tuple[Entry, ...]]


def on_shutdown(held: Lockout, because: str, utc_ms: int) -> Moved:
    """A shutdown opens a lockout; while one is open, it makes old what was reported of its cause and its clearing.

    Args:
        because: Text of the alarm key and its occurrence.
    """
    if held.is_open:
        after = held._replace(tripped_at=held.order)
        return after, (_entry(after, "shutdown_again", {"because": because}),)
    after = _opened(held, because, utc_ms)
    return after, (_entry(after, "opened", {"because": because}),)


def open_by_hand(held: Lockout, who: Who, remark: str, utc_ms: int) -> tuple[Lockout, tuple[Entry, ...], Answer]:
    """A person takes a drive out without a shutdown."""
    if held.is_open:
        text = f"{held.drive}: lockout {held.number} is open already"
        return held, (_refused(held, who, "lockout_open", text),), Answer(False, text)
    after = _opened(held, f"by hand: {who.actor}", utc_ms)
    entry = _entry(after, "opened", {**who.data(), "because": after.because, "remark": remark[:MAX_TEXT]})
    return after, (entry,), _answer(after, "opened by hand")


def _opened(held: Lockout, because: str, utc_ms: int) -> Lockout:
    # Locks that nobody reported as removed go on: they hang there whatever the record says.
    return Lockout(
        held.drive, held.number + 1, True, utc_ms, because, locks=held.locks_on, released_by=held.released_by
    )


def on_step(
    held: Lockout, rules: LockoutRules, step: LockoutStep, who: Who, said: Said, now_ns: int, utc_ms: int
) -> tuple[Lockout, tuple[Entry, ...], Answer]:
    """Record a step, whatever else is the case. Whether the role may report it is ruled on before (`alarms.rights`).

    An isolation that is reported while no lockout is open opens one. Other steps are then recorded as late.

    Returns:
        Not recorded only where a person would speak for another: a lock exception without its facts.
    """
    said = said.clipped()
    before: tuple[Entry, ...] = ()
    if not held.is_open and step is LockoutStep.ISOLATION:
        held = _opened(held, f"isolation reported by {who.actor}", utc_ms)
        before = (_entry(held, "opened", {**who.data(), "because": held.because}),)
    if step is LockoutStep.LOCK_EXCEPTION:
        no = _why_no_exception(held, who, said)
        if no:
            text = f"{held.drive}: not recorded: {no}"
            return held, (_refused(held, who, step, no),), Answer(False, f"{text}. {RECORDS_ONLY}")
    after, notes, detail = _effect(held, rules, step, who, said, now_ns, utc_ms)
    order = held.order + 1
    report = Report(step, order, who.actor, who.role, utc_ms, said.remark, detail)
    name = f"{step}/{who.actor}" if step in PER_PERSON else str(step)
    after = after._replace(order=order, reports={**after.reports, name: report})
    data = {**who.data(), "says": SAYS[step], "remark": said.remark, **detail, "late": not held.is_open}
    if not held.is_open:
        notes.append("no lockout is open")
    text = "; ".join((f"{step.replace('_', ' ')}: recorded", *notes))
    return after, (*before, _entry(after, step, data)), _answer(after, text)


def _effect(
    held: Lockout, rules: LockoutRules, step: LockoutStep, who: Who, said: Said, now_ns: int, utc_ms: int
) -> tuple[Lockout, list[str], dict[str, str]]:
    """What a step changes besides being recorded, what to say of it, and its own facts."""
    if step is LockoutStep.ISOLATION:
        return _lock_on(held, who, said, utc_ms)
    if step is LockoutStep.LOCK_REMOVED:
        return _lock_off(held, who.actor, who.actor, said.lock_number, utc_ms)
    if step is LockoutStep.LOCK_EXCEPTION:
        after, notes, _ = _lock_off(held, said.whom, f"exception by {who.actor}", "", utc_ms)
        absent, sought, telling = said.facts[:3]
        return after, notes, {"lock_of": said.whom, "absent": absent, "looked_for": sought, "will_be_told": telling}
    if step is LockoutStep.SHIFT_TRANSFER:
        return _transfer(held, who, said)
    if step is LockoutStep.TEST_RUN:
        return _test_run(held, who, said, now_ns)
    if step is LockoutStep.TEST_RUN_END:
        notes = [] if held.in_test_run(now_ns) else ["no test run was on record"]
        return held._replace(run_until_ns=0, run_by=""), notes, {}
    if step is LockoutStep.CAUSE:
        listed = said.cause in rules.causes
        notes = [] if listed or not said.cause else [f"'{said.cause}' is not on the site's list; kept in own words"]
        return held, notes, {"cause": said.cause}
    return held, [], {}


def _lock_on(held: Lockout, who: Who, said: Said, utc_ms: int) -> tuple[Lockout, list[str], dict[str, str]]:
    own = next((lock for lock in held.locks if lock.person == who.actor and not lock.off_utc_ms), None)
    number = said.lock_number or (own.number if own else "")
    others = tuple(lock for lock in held.locks if lock.person != who.actor)
    lock = Lock(who.actor, number, own.on_utc_ms if own else utc_ms)
    notes = [] if number else ["the lock's number is still to be given"]
    return held._replace(locks=(*others, lock)), notes, {"lock_number": number}


def _lock_off(
    held: Lockout, person: str, by: str, number: str, utc_ms: int
) -> tuple[Lockout, list[str], dict[str, str]]:
    """Take a lock off the record, or give the number of one that is off already."""
    own = next((lock for lock in held.locks if lock.person == person), None)
    if own is None or (own.off_utc_ms and (own.number or not number)):
        return held, [f"no lock of {person} was on record"], {"lock_number": number}
    off = own._replace(number=own.number or number)
    if not own.off_utc_ms:
        off = off._replace(off_utc_ms=utc_ms, off_by=by)
    locks = tuple(off if lock is own else lock for lock in held.locks)
    notes = [] if off.number else ["the lock's number is still to be given"]
    return held._replace(locks=locks), notes, {"lock_number": off.number}


def _transfer(held: Lockout, who: Who, said: Said) -> tuple[Lockout, list[str], dict[str, str]]:
    """The work changes hands; locks do not: each person reports their own, on and off."""
    notes = []
    if not said.whom:
        notes.append("to whom is still to be given")
    elif said.whom not in {lock.person for lock in held.locks_on}:
        notes.append(f"no lock of {said.whom} is on record yet; it goes on before another comes off")
    return held._replace(in_charge=said.whom or held.in_charge), notes, {"from": who.actor, "to": said.whom}


def _test_run(held: Lockout, who: Who, said: Said, now_ns: int) -> tuple[Lockout, list[str], dict[str, str]]:
    asked_ns = int(said.limit_s * 1e9) if math.isfinite(said.limit_s) and said.limit_s > 0.0 else TEST_RUN_NS
    limit_ns = min(asked_ns, MAX_TEST_RUN_NS)
    notes = [f"it ends by itself after {limit_ns / 1e9:g} s"]
    if held.locks_on:
        notes.append(f"still on record: the lock of {', '.join(lock.person for lock in held.locks_on)}")
    detail = {"name": said.name, "supervised_by": who.actor, "limit_s": f"{limit_ns / 1e9:g}"}
    return held._replace(run_until_ns=now_ns + limit_ns, run_by=who.actor), notes, detail


def _why_no_exception(held: Lockout, who: Who, said: Said) -> str:
    if said.whom not in {lock.person for lock in held.locks_on}:
        return f"no lock of '{said.whom}' is on record"
    if said.whom == who.actor:
        return "it is your own lock; remove it and report it as your own"
    if who.role != Role.SUPERVISOR:
        return f"it is the lock of {said.whom}, who alone removes it; an exception is for a supervisor"
    if len(said.facts) != 3 or not all(f.strip() for f in said.facts):
        return "say how the absence was verified, how they were looked for, and how they will be told before returning"
    return ""


def on_tick(held: Lockout, now_ns: int) -> Moved:
    """A test run ends at its limit."""
    if not held.run_until_ns or now_ns < held.run_until_ns:
        return held, ()
    after = held._replace(run_until_ns=0, run_by="")
    return after, (_entry(after, "test_run_end", {"actor": "time limit", "supervised_by": held.run_by}),)


def after_restart(held: Lockout, *, same_boot: bool) -> Lockout:
    """After a start of the machine nobody knows how much of a test run is left, so it ends at the next tick."""
    return held if same_boot or not held.run_until_ns else held._replace(run_until_ns=1)


def _entry(held: Lockout, event: str, data: Mapping[str, object]) -> Entry:
    return Entry("lockout", event, held.drive, "", {"lockout": held.number, **data, "words": RECORDS_ONLY})


def _refused(held: Lockout, who: Who, verb: str, text: str) -> Entry:
    return Entry("command", "refused", held.drive, "", {**who.data(), "verb": str(verb), "reason": text})


def _answer(held: Lockout, text: str) -> Answer:
    return Answer(True, f"{held.drive} lockout {held.number}: {text}. {RECORDS_ONLY}")
