"""People's own locks as they report them: one line for each lock, told apart by person and number. Pure.

Nothing here takes a lock off that was not named: who has two on says which, and nobody speaks of another's.
"""

from __future__ import annotations

from typing import NamedTuple

MAX_LOCKS = 64
"""Lines kept of one drive; beyond it the oldest of those that are off goes, never one that is on. What there is no line
for is counted, in one line more for each person: it stands against a release like any other."""
MAX_BEYOND = 64
"""Numbers kept in such a line, so that a lock which is reported twice counts once; beyond it they are only counted."""
NO_NUMBER = "the lock's number is still to be given"


class Lock(NamedTuple):
    """One lock as reported: whose, its number ("" = not given), when on, when off (0 = on), and by whom.

    Attributes:
        unlisted: 0; above: the line stands for so many locks that the list had no room for.
        beyond: The numbers of these, as far as they are known.
    """

    person: str
    number: str
    on_utc_ms: int
    off_utc_ms: int = 0
    off_by: str = ""
    unlisted: int = 0
    beyond: tuple[str, ...] = ()

    @property
    def is_on(self) -> bool:
        """Nobody has reported it as removed."""
        return not self.off_utc_ms

    @property
    def words(self) -> str:
        """Its number as people say it."""
        if self.unlisted:
            return f"({self.unlisted} beyond the list)"
        return self.number or "without a number"

    @property
    def is_spare(self) -> bool:
        """It is off, and all that is to be known of it is."""
        return not self.is_on and not self.lacks_number

    @property
    def lacks_number(self) -> bool:
        """Its number is still to be given."""
        return not self.number and not self.unlisted


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


def count_of(mine: tuple[Lock, ...]) -> int:
    """How many locks some lines stand for."""
    return sum(lock.unlisted or 1 for lock in mine)


def put_on(locks: tuple[Lock, ...], person: str, number: str, utc_ms: int) -> Noted:
    """A person reports a lock of their own as put on."""
    mine = on_of(locks, person)
    if not number and mine:
        return Noted(locks, mine[-1].number, (NO_NUMBER,) if mine[-1].lacks_number else (), done=False)
    if _numbered(mine, number) is not None or _is_counted(mine, number):
        return Noted(locks, number, (f"lock {number} was on record already",), done=False)
    blank = _numbered(mine, "")
    if blank is not None:
        return Noted(_changed(locks, blank, blank._replace(number=number)), number)
    kept = _shortened(locks)
    if len(kept) >= MAX_LOCKS:
        return _counted(locks, person, number, utc_ms)
    others = tuple(lock.words for lock in mine)
    notes = () if number else (NO_NUMBER,)
    if others:
        notes = (*notes, f"also on record: your lock {', '.join(others)}")
    return Noted((*kept, Lock(person, number, utc_ms)), number, notes)


def _counted(locks: tuple[Lock, ...], person: str, number: str, utc_ms: int) -> Noted:
    """No room for another line: it is counted in the one line that its person has for such locks."""
    before = _beyond(on_of(locks, person))
    line = before or Lock(person, "", utc_ms)
    known = (*line.beyond, number) if number and len(line.beyond) < MAX_BEYOND else line.beyond
    line = line._replace(unlisted=line.unlisted + 1, beyond=known)
    after = _changed(locks, before, line) if before else (*locks, line)
    text = f"{MAX_LOCKS} locks are on record, so this one is only counted ({line.unlisted} of {person})"
    return Noted(after, number, (f"{text}; each of them has to be reported as removed",))


def _beyond(mine: tuple[Lock, ...]) -> Lock | None:
    return next((lock for lock in mine if lock.unlisted), None)


def _is_counted(mine: tuple[Lock, ...], number: str) -> bool:
    """Whether a lock is known to be among those that are only counted."""
    line = _beyond(mine)
    return line is not None and any(_same(number, other) for other in line.beyond)


def take_off(locks: tuple[Lock, ...], person: str, by: str, number: str, utc_ms: int) -> Noted:
    """A lock comes off the record; or one that is off already, or on without a number, is given its number."""
    mine = on_of(locks, person)
    if not number:
        if count_of(mine) == 1:
            return _off(locks, mine[0], mine[0].number or "".join(mine[0].beyond), by, utc_ms)
        if not mine:
            return Noted(locks, "", (f"no lock of {person} was on record",), done=False)
        text = f"locks {', '.join(m.words for m in mine)} of {person} are on record: say which; none was taken off"
        return Noted(locks, "", (text,), done=False)
    meant = meant_by(locks, person, number)
    if meant is not None:
        return _off(locks, meant, meant.number or number, by, utc_ms)
    blank = next((lock for lock in locks if lock.person == person and lock.lacks_number), None)
    if blank is not None and not mine:  # who has another one on means that, and has misread its number
        return Noted(_changed(locks, blank, blank._replace(number=number)), number)
    return Noted(locks, number, (_why_none(locks, mine, person, number),), done=False)


def meant_by(locks: tuple[Lock, ...], person: str, number: str) -> Lock | None:
    """Which of a person's locks that are on is meant by a number: that one, or else one whose number is not known.

    A number that has come off while such a one hung there is said once more (a command sent again, say), and is not
    the other's.
    """
    mine = on_of(locks, person)
    listed = _numbered(mine, number)
    if listed is not None:
        return listed
    line = _beyond(mine)
    if line is not None and _is_counted(mine, number):
        return line
    nameless = line if line is not None and line.unlisted > len(line.beyond) else None
    unknown = _numbered(mine, "") or nameless
    gone = [lock for lock in locks if lock.person == person and not lock.is_on and _is(lock, number)]
    said_before = unknown is not None and any(lock.off_utc_ms > unknown.on_utc_ms for lock in gone)
    return None if said_before else unknown


def _why_none(locks: tuple[Lock, ...], mine: tuple[Lock, ...], person: str, number: str) -> str:
    others = [lock for lock in locks if lock.is_on and lock.person != person]
    theirs = [lock.person for lock in others if _is(lock, number) or _is_counted((lock,), number)]
    whose = f"lock {number} is {theirs[0]}'s, who alone removes it" if theirs else ""
    gone = any(lock.person == person and _is(lock, number) for lock in locks)
    off = f"lock {number} of {person} is off the record already" if gone else ""
    text = whose or off or f"no lock {number} of {person} was on record"
    still = f" (on record: {', '.join(lock.words for lock in mine)})" if mine else ""
    return f"{text}; none was taken off{still}"


def _off(locks: tuple[Lock, ...], lock: Lock, number: str, by: str, utc_ms: int) -> Noted:
    off = lock._replace(number=number, off_utc_ms=utc_ms, off_by=by, unlisted=0, beyond=())
    if not lock.unlisted:
        after = _changed(locks, lock, off)
    else:
        left_over = tuple(other for other in lock.beyond if not _same(number, other))
        fewer = lock._replace(unlisted=lock.unlisted - 1, beyond=left_over)
        after = _changed(locks, lock, fewer) if fewer.unlisted else tuple(x for x in locks if x is not lock)
        after = _remembered(after, off) if number else after
    left = [m.words for m in on_of(after, lock.person)]
    notes = () if number or lock.unlisted else (NO_NUMBER,)
    if left:
        notes = (*notes, f"still on record: lock {', '.join(left)} of {lock.person}")
    return Noted(after, number, notes)


def _remembered(locks: tuple[Lock, ...], off: Lock) -> tuple[Lock, ...]:
    """One that came off and had no line of its own: it is known by its number now, and that is not taken for another's.

    Beyond `MAX_LOCKS` of those that are off the oldest goes.
    """
    spare = [lock for lock in locks if lock.is_spare]
    too_many = spare[: max(0, len(spare) + 1 - MAX_LOCKS)]
    return (*(lock for lock in locks if not any(lock is x for x in too_many)), off)


def _is(lock: Lock, number: str) -> bool:
    return _same(lock.number, number)


def _same(number: str, other: str) -> bool:
    return number.casefold() == other.casefold()


def _numbered(locks: tuple[Lock, ...], number: str) -> Lock | None:
    return next((lock for lock in locks if _is(lock, number) and not lock.unlisted), None)


def _changed(locks: tuple[Lock, ...], old: Lock, new: Lock) -> tuple[Lock, ...]:
    return tuple(new if lock is old else lock for lock in locks)


def _shortened(locks: tuple[Lock, ...]) -> tuple[Lock, ...]:
    """Room for one more, where those that are off with their number given can go; the oldest first."""
    spare = [lock for lock in locks if lock.is_spare][: max(0, len(locks) + 1 - MAX_LOCKS)]
    return tuple(lock for lock in locks if not any(lock is x for x in spare))
