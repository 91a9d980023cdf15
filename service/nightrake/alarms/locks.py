"""People's own locks as they report them: one line for each lock, told apart by person and number. Pure.

Nothing here takes a lock off that was not named: who has two on says which, and nobody speaks of another's.
"""

from __future__ import annotations

from typing import NamedTuple

MAX_LOCKS = 64
"""Lines kept of one drive; beyond it the oldest of those that are off goes, never one that is on."""
NO_NUMBER = "the lock's number is still to be given"


class Lock(NamedTuple):
    """One lock as reported: whose, its number ("" = not given), when on, when off (0 = on), and by whom."""

    person: str
    number: str
    on_utc_ms: int
    off_utc_ms: int = 0
    off_by: str = ""

    @property
    def is_on(self) -> bool:
        """Nobody has reported it as removed."""
        return not self.off_utc_ms

    @property
    def words(self) -> str:
        """Its number as people say it."""
        return self.number or "without a number"


class Noted(NamedTuple):
    """What a report about a lock has changed.

    Attributes:
        locks: All of the drive, after it. number: of the lock that it is about. notes: what to say of it.
        done: It has put on, taken off or numbered one.
    """

    locks: tuple[Lock, ...]
    number: str
    notes: tuple[str, ...] = ()
    done: bool = True


def on_of(locks: tuple[Lock, ...], person: str) -> tuple[Lock, ...]:
    """A person's locks that are on."""
    return tuple(lock for lock in locks if lock.person == person and lock.is_on)


def put_on(locks: tuple[Lock, ...], person: str, number: str, utc_ms: int) -> Noted:
    """A person reports a lock of their own as put on."""
    mine = on_of(locks, person)
    if not number and mine:
        return Noted(locks, mine[-1].number, () if mine[-1].number else (NO_NUMBER,), done=False)
    if _numbered(mine, number) is not None:
        return Noted(locks, number, (f"lock {number} was on record already",), done=False)
    blank = _numbered(mine, "")
    if blank is not None:
        return Noted(_changed(locks, blank, blank._replace(number=number)), number)
    kept = _shortened(locks)
    if len(kept) >= MAX_LOCKS:
        return Noted(locks, number, (f"{MAX_LOCKS} locks are on record, so this one could not be listed",), done=False)
    others = tuple(lock.words for lock in mine)
    notes = () if number else (NO_NUMBER,)
    if others:
        notes = (*notes, f"also on record: your lock {', '.join(others)}")
    return Noted((*kept, Lock(person, number, utc_ms)), number, notes)


def take_off(locks: tuple[Lock, ...], person: str, by: str, number: str, utc_ms: int) -> Noted:
    """A lock comes off the record; or one that is off already, or on without a number, is given its number."""
    mine = on_of(locks, person)
    if not number:
        if len(mine) == 1:
            return _off(locks, mine[0], mine[0].number, by, utc_ms)
        if not mine:
            return Noted(locks, "", (f"no lock of {person} was on record",), done=False)
        text = f"locks {', '.join(m.words for m in mine)} of {person} are on record: say which; none was taken off"
        return Noted(locks, "", (text,), done=False)
    meant = _numbered(mine, number) or _numbered(mine, "")
    if meant is not None:
        return _off(locks, meant, meant.number or number, by, utc_ms)
    blank = next((lock for lock in locks if lock.person == person and not lock.number), None)
    if blank is not None and not mine:  # who has another one on means that, and has misread its number
        return Noted(_changed(locks, blank, blank._replace(number=number)), number)
    return Noted(locks, number, (_why_none(locks, mine, person, number),), done=False)


def _why_none(locks: tuple[Lock, ...], mine: tuple[Lock, ...], person: str, number: str) -> str:
    theirs = [lock.person for lock in locks if lock.is_on and _is(lock, number)]
    whose = f"lock {number} is {theirs[0]}'s, who alone removes it" if theirs else ""
    text = whose or f"no lock {number} of {person} was on record"
    still = f" (on record: {', '.join(lock.words for lock in mine)})" if mine else ""
    return f"{text}; none was taken off{still}"


def _off(locks: tuple[Lock, ...], lock: Lock, number: str, by: str, utc_ms: int) -> Noted:
    after = _changed(locks, lock, lock._replace(number=number, off_utc_ms=utc_ms, off_by=by))
    left = [m.words for m in on_of(after, lock.person)]
    notes = () if number else (NO_NUMBER,)
    if left:
        notes = (*notes, f"still on record: lock {', '.join(left)} of {lock.person}")
    return Noted(after, number, notes)


def _is(lock: Lock, number: str) -> bool:
    return lock.number.casefold() == number.casefold()


def _numbered(locks: tuple[Lock, ...], number: str) -> Lock | None:
    return next((lock for lock in locks if _is(lock, number)), None)


def _changed(locks: tuple[Lock, ...], old: Lock, new: Lock) -> tuple[Lock, ...]:
    return tuple(new if lock is old else lock for lock in locks)


def _shortened(locks: tuple[Lock, ...]) -> tuple[Lock, ...]:
    """Room for one more, where one that is off with its number given can go."""
    if len(locks) < MAX_LOCKS:
        return locks
    spare = next((lock for lock in locks if not lock.is_on and lock.number), None)
    return tuple(lock for lock in locks if lock is not spare)
