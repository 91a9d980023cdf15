"""Release of a lockout: the one step that can be refused, and every reason at once; cancelling one by mistake. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from nightrake.alarms.lockout import Lockout, LockoutRules
from nightrake.alarms.lockoutsteps import MAX_TEXT, RECORDS_ONLY, LockoutStep
from nightrake.alarms.rights import Seconds, Who, refusal, rule
from nightrake.domain.rows import Answer, Entry

MISSING = {
    LockoutStep.ISOLATION: "nobody has reported the isolation with name and lock number",
    LockoutStep.ZERO_ENERGY: "nobody has reported zero energy and the release of the wind-up",
    LockoutStep.CAUSE: "the cause has not been reported",
    LockoutStep.CLEARED: "nobody has reported the cause as cleared",
    LockoutStep.CONTACTS_PROVED: "nobody has reported the contacts as proved by the manufacturer's test method",
    LockoutStep.AREA_CLEAR: "nobody has reported the area as clear and the affected workers as told",
}


class Facts(NamedTuple):
    """What is read of the drive at the moment of the release.

    Attributes:
        operated: Shutdown contacts that read operated, by name; a debounce is no reason to let go.
        unreadable: Shutdown contacts that cannot be read well now.
        torque_nm, torque_is: Reading; ``exact``, ``below`` it, ``beyond`` it or ``absent``.
        torque_fitted: The drive has a position transducer and a record, so that an absent torque is a fault.
        latch: Why a latch could not be reset with the release, "" = it could.
    """

    operated: tuple[str, ...] = ()
    unreadable: tuple[str, ...] = ()
    torque_nm: float | None = None
    torque_is: str = "absent"
    torque_fitted: bool = False
    latch: str = ""


def missing(held: Lockout, rules: LockoutRules, facts: Facts, reason: str, now_ns: int) -> tuple[str, ...]:
    """Everything that stands against a release, each in words; none: it may be released.

    Args:
        reason: Why it may be released although torque cannot be told; asked for only then.
    """
    if not held.is_open:
        return ("no lockout is open",)
    return (*_read(held, rules, facts, reason), *_reported(held, rules, now_ns))


def _read(held: Lockout, rules: LockoutRules, facts: Facts, reason: str) -> list[str]:
    against = []
    if facts.operated:
        against.append(f"the shutdown contact is still operated ({', '.join(facts.operated)})")
    if facts.unreadable:
        against.append(f"the shutdown contact cannot be read now ({', '.join(facts.unreadable)})")
    if facts.latch:
        against.append(facts.latch)
    limit_nm = rules.release_torque_nm.get(held.drive, 0.0)
    if limit_nm and facts.torque_nm is not None:
        if facts.torque_is == "beyond":
            against.append(f"torque stands beyond {_above(facts.torque_nm, limit_nm)}")
        elif facts.torque_is == "exact" and abs(facts.torque_nm) > limit_nm:
            against.append(f"torque stands at {_above(facts.torque_nm, limit_nm)}")
    if limit_nm and facts.torque_fitted and facts.torque_nm is None and not reason.strip():
        against.append("torque cannot be told now; give the reason why it may be released all the same")
    return against


def _above(torque_nm: float, limit_nm: float) -> str:
    """Both as people read them everywhere else, in kN.m; to the N.m where they would read the same."""
    places = 1 if f"{abs(torque_nm) / 1000:.1f}" != f"{limit_nm / 1000:.1f}" else 3
    most = f"{limit_nm / 1000:.3f}".rstrip("0").rstrip(".")
    return f"{torque_nm / 1000:.{places}f} kN.m; for a release it may be at most {most} kN.m (release_torque_nm)"


def _reported(held: Lockout, rules: LockoutRules, now_ns: int) -> list[str]:
    against = [MISSING[step] for step in rules.needs if held.last(step) is None]
    against += [f"the number of {lock.person}'s lock has not been given" for lock in held.locks if lock.lacks_number]
    for lock in held.locks_on:
        own = f"their own lock {lock.words}" if lock.number or lock.unlisted else "their own lock"
        against.append(f"{lock.person} has not reported {own} as removed")
    if held.in_test_run(now_ns):
        against.append(f"the test run under {held.run_by} goes on; end it first")
    return against


def on_release(
    held: Lockout,
    rules: LockoutRules,
    two_persons: frozenset[str],
    seconds: Seconds,
    who: Who,
    reason: str,
    facts: Facts,
    now_ns: int,
    utc_ms: int,
    roles: Mapping[str, str] | None = None,
) -> tuple[Lockout, Seconds, tuple[Entry, ...], Answer]:
    """Release, note the first of two people, or refuse and name everything that is missing.

    Args:
        roles: What everybody is at the site now, None = not looked at: a first person who has left has not spoken.
    """
    no = "" if "release" in two_persons else refusal("release", who.role)
    against = (no,) if no else missing(held, rules, facts, reason, now_ns)
    if against:
        return held, seconds, *_refuse(held, who, "; ".join(against))
    # A further shutdown makes the first person's word old.
    subject = f"{held.drive}/{held.number}/{held.tripped_at}"
    after, ruling = rule(seconds, two_persons, "release", subject, who, now_ns, roles=roles)
    if not ruling.go and not ruling.waits:
        return held, after, *_refuse(held, who, ruling.text)
    data = {"lockout": held.number, **who.data(), "reason": reason[:MAX_TEXT], "words": RECORDS_ONLY}
    if ruling.waits:
        entry = Entry("lockout", "release_asked", held.drive, "", data)
        return held, after, (entry,), Answer(True, f"{_head(held)}: release {ruling.text}. {RECORDS_ONLY}")
    if ruling.first is not None:
        data["first"] = ruling.first.actor
    entry = Entry("lockout", "released", held.drive, "", {**data, "torque_nm": facts.torque_nm})
    done = held._replace(is_open=False, run_until_ns=0, run_by="", released_by=who.actor, released_utc_ms=utc_ms)
    text = f"{_head(held)}: released in this service's record only; nothing was done in the plant"
    return done, after, (entry,), Answer(True, f"{text}. {RECORDS_ONLY}")


def cancel(held: Lockout, who: Who, reason: str, utc_ms: int) -> tuple[Lockout, tuple[Entry, ...], Answer]:
    """Cancel a lockout that was opened by mistake (the wrong drive, say): nobody has to report what never was.

    Only where no shutdown stands behind it and no lock is on record: whoever reported one takes it off first. Whether
    the role may do it is ruled on before (`alarms.rights`).
    """
    no = _why_not_cancel(held, reason)
    if no:
        entry = Entry("command", "refused", held.drive, "", {**who.data(), "verb": "lockout_cancel", "reason": no})
        return held, (entry,), Answer(False, f"{held.drive}: lockout not cancelled: {no}")
    after = held._replace(
        is_open=False, run_until_ns=0, run_by="", released_by=who.actor, released_utc_ms=utc_ms, cancelled=True
    )
    data = {"lockout": held.number, **who.data(), "because": held.because, "reason": reason[:MAX_TEXT]}
    entry = Entry("lockout", "cancelled", held.drive, "", {**data, "words": RECORDS_ONLY})
    return after, (entry,), Answer(True, f"{_head(held)}: cancelled; no shutdown stood behind it. {RECORDS_ONLY}")


def _why_not_cancel(held: Lockout, reason: str) -> str:
    if not held.is_open:
        return "no lockout is open"
    if held.tripped or "/shutdown_contact" in held.because:
        return "a shutdown stands behind it, so it ends by its release only"
    if held.locks_on:
        whose = ", ".join(f"lock {lock.words} of {lock.person}" for lock in held.locks_on)
        return f"still on record: {whose}; whoever reported it reports it as removed first (lock_removed)"
    return "" if reason.strip() else "say why: what was meant instead"


def _head(held: Lockout) -> str:
    return f"{held.drive} lockout {held.number}"


def _refuse(held: Lockout, who: Who, text: str) -> tuple[tuple[Entry, ...], Answer]:
    entry = Entry("command", "refused", held.drive, "", {**who.data(), "verb": "release", "reason": text})
    return (entry,), Answer(False, f"{_head(held)}: not released: {text}. {RECORDS_ONLY}")
