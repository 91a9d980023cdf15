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
from collections.abc import Collection, Mapping
from typing import NamedTuple

from nightrake.alarms import lockoutcause
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
from nightrake.alarms.locks import Lock, count_of, meant_by, on_of, put_on, take_off
from nightrake.alarms.rights import Role, Who
from nightrake.domain.rows import Answer, Entry

NEVER_NS = 1 << 62
TO_STOP_NS = 10_000_000_000
"""So long a motor that has tripped in a test run may still turn (own choice)."""


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


class Around(NamedTuple):
    """What else is to be known when a step is recorded.

    Attributes:
        people: Ids of everybody in the settings, None = not known.
        motor_runs: The run feedback says that it does.
    """

    people: Collection[str] | None = None
    motor_runs: bool = False


NOTHING_AROUND = Around()


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
        tripped_at: Order of the last shutdown that came while it was open, among reports. order: Last one given.
        locks: One line for each lock that was reported. reports: The last of each step.
        in_charge: Who has the work after a shift transfer, "" = nobody named.
        run_until_ns, run_by: A supervised test run goes on, 0 = none, and under whose supervision.
        released_by, released_utc_ms: Of the last lockout that was released, or cancelled.
        tripped: A shutdown opened it, or came while it was open. cancelled: its end was no release.
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
    tripped: bool = False
    cancelled: bool = False

    @property
    def locks_on(self) -> tuple[Lock, ...]:
        """Locks that nobody has reported as removed."""
        return tuple(lock for lock in self.locks if lock.is_on)

    def in_test_run(self, now_ns: int) -> bool:
        """A motor that runs is expected: it raises no 'running while locked out'."""
        return self.is_open and now_ns < self.run_until_ns

    def last(self, step: LockoutStep) -> Report | None:
        """The last report of a step that counts: what a further shutdown has made old does not."""
        found = [r for r in self.reports.values() if r.step is step]
        found = [r for r in found if step not in AFTER_TRIP or r.order > self.tripped_at]
        return max(found, key=lambda r: r.order, default=None)


FOUND = (
    " (it stood already, and no lockout was on record for it: locks that hang there and steps that were reported before"
    " are not known here, so whoever has a lock on reports it anew)"
)
"""Said of a lockout whose record was damaged, or that nobody could release when its shutdown came."""

Moved = tuple[Lockout, tuple[Entry, ...]]


def on_shutdown(held: Lockout, because: str, utc_ms: int, now_ns: int = NEVER_NS, *, found: bool = False) -> Moved:
    """A shutdown opens a lockout; while one is open, it makes old what was reported of its cause and its clearing.

    A test run that trips is over as soon as the motor has had time to stop: for another start there is another run.

    Args:
        because: Text of the alarm key and its occurrence.
        found: It has stood already, and no lockout was on record for it.
    """
    if held.is_open:
        until_ns = min(held.run_until_ns, now_ns + TO_STOP_NS)
        order = held.order + 1  # one of its own, or a word given for the release between two trips would count for both
        after = held._replace(order=order, tripped_at=order, tripped=True, run_until_ns=until_ns)
        return after, (_entry(after, "shutdown_again", {"because": because}),)
    after = _opened(held, f"{because}{FOUND if found else ''}", utc_ms)._replace(tripped=True)
    return after, (_entry(after, "opened", {"because": after.because, **({"locks_known": False} if found else {})}),)


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
    held: Lockout,
    rules: LockoutRules,
    step: LockoutStep,
    who: Who,
    said: Said,
    now_ns: int,
    utc_ms: int,
    around: Around = NOTHING_AROUND,
) -> tuple[Lockout, tuple[Entry, ...], Answer]:
    """Record a step, whatever else is the case. Whether the role may report it is ruled on before (`alarms.rights`).

    An isolation that is reported while no lockout is open opens one. Other steps are then recorded as late.

    Returns:
        Not recorded only where a person would speak for another: a lock exception without its facts.
    """
    said = said.clipped()
    before: tuple[Entry, ...] = ()
    notes = list[str]()
    if not held.is_open and step is LockoutStep.ISOLATION:
        held = _opened(held, f"isolation reported by {who.actor}", utc_ms)
        before = (_entry(held, "opened", {**who.data(), "because": held.because}),)
        notes = [f"no lockout was open, so this opened lockout {held.number}"]
        notes += ["its motor runs, by the run feedback: is it the right drive?"] if around.motor_runs else []
    if step is LockoutStep.LOCK_EXCEPTION:
        no = why_no_exception(held, who, said)
        if no:
            text = f"{held.drive}: not recorded: {no}"
            return held, (_refused(held, who, step, no),), Answer(False, f"{text}. {RECORDS_ONLY}")
    after, more, detail = _effect(held, rules, step, who, said, now_ns, utc_ms)
    notes += more
    if said.whom and around.people is not None and said.whom not in around.people:
        notes.append(f"nobody of the name '{said.whom}' is in people.toml")
    notes += [f"{name} cut to {most} characters" for name, most in said.cut]
    after = _reported(after, step, who, said, detail, utc_ms)
    data = {**who.data(), "says": SAYS[step], "remark": said.remark, **detail, "late": not held.is_open}
    if not held.is_open:
        notes.append("no lockout is open")
    text = "; ".join((f"{step.replace('_', ' ')}: recorded", *notes))
    return after, (*before, _entry(after, step, data)), _answer(after, text)


def _reported(
    held: Lockout, step: LockoutStep, who: Who, said: Said, detail: Mapping[str, str], utc_ms: int
) -> Lockout:
    """Keep a report."""
    order, reports = held.order + 1, held.reports
    if step is LockoutStep.CAUSE:
        kept = lockoutcause.kept(held, who, said)
        if kept is None:
            return held._replace(order=order)
        reports, detail = kept
    report = Report(step, order, who.actor, who.role, utc_ms, said.remark, detail)
    name = f"{step}/{who.actor}" if step in PER_PERSON else str(step)
    return held._replace(order=order, reports={**reports, name: report})


def _effect(
    held: Lockout, rules: LockoutRules, step: LockoutStep, who: Who, said: Said, now_ns: int, utc_ms: int
) -> tuple[Lockout, list[str], dict[str, str]]:
    """What a step changes besides being recorded, what to say of it, and its own facts."""
    if step is LockoutStep.ISOLATION:
        put = put_on(held.locks, who.actor, said.lock_number, utc_ms)
        return held._replace(locks=put.locks), list(put.notes), {"lock_number": put.number}
    if step is LockoutStep.LOCK_REMOVED:
        off = take_off(held.locks, who.actor, who.actor, said.lock_number, utc_ms)
        detail = {"lock_number": off.number, **({} if off.done else {"nothing_taken_off": "; ".join(off.notes)})}
        return held._replace(locks=off.locks), list(off.notes), detail
    if step is LockoutStep.LOCK_EXCEPTION:
        off = take_off(held.locks, said.whom, f"exception by {who.actor}", said.lock_number, utc_ms)
        told = dict(zip(("absent", "looked_for", "will_be_told"), said.facts, strict=True))
        return (
            held._replace(locks=off.locks),
            list(off.notes),
            {"lock_of": said.whom, "lock_number": off.number, **told},
        )
    if step is LockoutStep.SHIFT_TRANSFER:
        return _transfer(held, who, said)
    if step is LockoutStep.TEST_RUN:
        return _test_run(held, who, said, now_ns)
    if step is LockoutStep.TEST_RUN_END:
        notes = [] if held.in_test_run(now_ns) else ["no test run was on record"]
        return held._replace(run_until_ns=0, run_by=""), notes, {}
    if step is LockoutStep.CAUSE:
        others = lockoutcause.beside(held, who, said.cause)
        detail = {"cause": said.cause, **({"beside": others} if others else {})}
        return held, lockoutcause.notes_on(held, rules.causes, who, said), detail
    return held, [], {}


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
    most = ", the longest there is" if asked_ns > MAX_TEST_RUN_NS else ""
    notes = [f"it ends by itself after {limit_ns / 1e9:g} s{most}"]
    if not said.name.strip():
        notes.append("its name is still to be given")
    if held.locks_on:
        notes.append(f"still on record: the lock of {', '.join(lock.person for lock in held.locks_on)}")
    detail = {"name": said.name, "supervised_by": who.actor, "limit_s": f"{limit_ns / 1e9:g}"}
    return held._replace(run_until_ns=now_ns + limit_ns, run_by=who.actor), notes, detail


def why_no_exception(held: Lockout, who: Who, said: Said) -> str:
    """Why the lock of another person cannot come off the record now, "" = it can."""
    if said.whom not in {lock.person for lock in held.locks_on}:
        return f"no lock of '{said.whom}' is on record"
    if said.whom == who.actor:
        return "it is your own lock; remove it and report it as your own"
    mine = on_of(held.locks, said.whom)
    listed = any(lock.number.casefold() == said.lock_number.casefold() for lock in mine if not lock.unlisted)
    beyond = any(lock.unlisted for lock in mine) and meant_by(held.locks, said.whom, said.lock_number) is not None
    if said.lock_number and not (listed or beyond):
        return f"no lock {said.lock_number} of '{said.whom}' is on record"
    if count_of(mine) > 1 and not said.lock_number:
        return f"locks {', '.join(lock.words for lock in mine)} of '{said.whom}' are on record: say which"
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
