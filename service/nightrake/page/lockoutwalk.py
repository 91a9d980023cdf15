"""The lockout of a drive walked step by step: what has been reported, by whom, and what stands against a release. Pure.

Every step can be reported at any time and in any order; the page only shows the usual one. Nothing here decides.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from nightrake.alarms.lockoutsteps import SAYS, LockoutStep
from nightrake.alarms.release import MISSING
from nightrake.page.moments import Wall
from nightrake.page.people import People
from nightrake.page.torquebar import UNIT


class Field(NamedTuple):
    """Something to be said with a step.

    Attributes:
        name: As commands have it. label: for people. kind: ``text``, ``long``, ``cause``, ``person``, ``minutes``
            or ``lock`` (one of the locks that are on). required: The step says nothing without it.
    """

    name: str
    label: str
    kind: str = "text"
    required: bool = False


REMARK = Field("remark", "Remark", "long")


class Kind(NamedTuple):
    """How a step is shown.

    Attributes:
        step: Which. title: In few words. button: What the button says. fields: See `Field`.
    """

    step: LockoutStep
    title: str
    button: str
    fields: tuple[Field, ...]


S = LockoutStep
_LOCK = Field("lock_number", "Lock number", "text", True)
STEPS = (
    Kind(S.ISOLATION, "Isolated and locked", "Report my lock", (_LOCK, REMARK)),
    Kind(S.ZERO_ENERGY, "Zero energy", "Report zero energy", (REMARK,)),
    Kind(S.CAUSE, "Cause", "Report the cause", (Field("cause", "Cause", "cause", True), REMARK)),
    Kind(S.CLEARED, "Cause cleared", "Report it cleared", (REMARK,)),
    Kind(S.CONTACTS_PROVED, "Contacts proved", "Report them proved", (REMARK,)),
    Kind(S.AREA_CLEAR, "Area clear", "Report the area clear", (REMARK,)),
    Kind(S.LOCK_REMOVED, "Own lock removed", "Report my lock removed", (_LOCK._replace(required=False), REMARK)),
)
"""The usual way, in order."""
ASIDE = (
    Kind(S.TEST_RUN, "Supervised test run", "Begin the test run", (
        Field("name", "What it is for", "text", True), Field("limit_s", "At most", "minutes", True), REMARK,
    )),
    Kind(S.TEST_RUN_END, "Test run over", "End the test run", (REMARK,)),
    Kind(S.SHIFT_TRANSFER, "Work goes over to another person", "Report the transfer", (
        Field("whom", "To whom", "person", True), REMARK,
    )),
    Kind(S.LOCK_EXCEPTION, "Lock of an absent person removed", "Record the exception", (
        Field("whom", "Whose lock", "person", True),
        Field("lock_number", "Lock number"),
        Field("facts.0", "How the absence was verified", "long", True),
        Field("facts.1", "How they were looked for", "long", True),
        Field("facts.2", "How they will be told", "long", True),
        REMARK,
    )),
)  # fmt: skip
"""What only some lockouts need."""


class Said(NamedTuple):
    """One report of a step.

    Attributes:
        by: Who. role: as what. utc_ms: When. words: what was said with it.
    """

    by: str
    role: str
    utc_ms: int
    words: str


class Step(NamedTuple):
    """One step as it stands.

    Attributes:
        kind: See `Kind`. number: in the usual order, 0 = aside. says: What a person says with it.
        said: Its reports. needed: The site releases nothing without it. done: it stands reported. old: Reported, and
            made old by a further shutdown. differs: People have reported different causes, and all of them stand.
    """

    kind: Kind
    number: int
    says: str
    said: tuple[Said, ...]
    needed: bool
    done: bool
    old: bool
    differs: bool = False

    @property
    def word(self) -> str:
        """How it stands."""
        if self.differs:
            return "reported differently: settle which it was"
        if self.old:
            return "to be reported anew"
        return "reported" if self.done else "not reported" if self.needed else "if it applies"


class Walk(NamedTuple):
    """A lockout as it is walked.

    Attributes:
        steps, aside: See `Step`. next: Number of the first step that is still to be reported, 0: none.
        locks: Each lock: whose, number, ``ON`` or since when it is off. against: What stands against a release.
    """

    steps: tuple[Step, ...]
    aside: tuple[Step, ...]
    next: int
    locks: tuple[tuple[str, str, str], ...]
    against: tuple[str, ...]


def walk_of(held: Mapping[str, Any], needs: Sequence[str], people: People, wall: Wall) -> Walk:
    """The walk of a lockout.

    Args:
        held: As `domain.alarmview.lockout_view`. needs: Steps without which the site releases nothing.
        people: Everybody. wall: The site's clock.
    """
    steps = tuple(_step(kind, n, held, needs, people) for n, kind in enumerate(STEPS, 1))
    waiting = [s.number for s in steps if not s.done and s.needed]
    locks = tuple(_lock(lock, people, wall) for lock in held["locks"])
    aside = tuple(_step(kind, 0, held, needs, people) for kind in ASIDE)
    against = tuple(people.in_words(text).replace("kN.m", UNIT) for text in held["missing"])
    return Walk(steps, aside, waiting[0] if waiting and held["open"] else 0, locks, against)


def _step(kind: Kind, number: int, held: Mapping[str, Any], needs: Sequence[str], people: People) -> Step:
    reports = [r for r in held["reports"] if r["step"] == str(kind.step)]
    said = tuple(Said(people.name(r["by"]), r["role"], r["utc_ms"], _said_words(r, people)) for r in reports)
    lacks = held["open"] and MISSING.get(kind.step) in held["missing"]
    done = bool(said) and not lacks
    if kind.step is S.LOCK_REMOVED:
        done = bool(held["locks"]) and all(lock["off_utc_ms"] for lock in held["locks"])
    hangs = kind.step is S.LOCK_REMOVED and any(not lock["off_utc_ms"] for lock in held["locks"])
    needed = hangs or str(kind.step) in needs
    causes = {str(r.get("cause", "")).casefold() for r in reports} - {""} if kind.step is S.CAUSE and done else set()
    old, differs = bool(said) and bool(lacks), len(causes) > 1
    return Step(kind, number, SAYS[kind.step], said, needed, done, old, differs)


_DETAILS = (
    ("lock_number", "lock {}"),
    ("cause", "{}"),
    ("lock_of", "lock of {}"),
    ("to", "to {}"),
    ("name", "{}"),
    ("absent", "absence verified: {}"),
    ("looked_for", "looked for: {}"),
    ("will_be_told", "will be told: {}"),
    ("remark", "\u201c{}\u201d"),
)


def _said_words(report: Mapping[str, Any], people: People) -> str:
    named = {k: people.name(str(report[k])) for k in ("lock_of", "to") if report.get(k)}
    given = {**report, **named}
    return ", ".join(words.format(given[key]) for key, words in _DETAILS if given.get(key))


def _lock(lock: Mapping[str, Any], people: People, wall: Wall) -> tuple[str, str, str]:
    beyond = f"({lock['unlisted']} beyond the list)" if lock.get("unlisted") else "(no number)"
    off = f"off since {wall.at(lock['off_utc_ms'])}" if lock["off_utc_ms"] else "ON"
    return people.name(lock["person"]), lock["number"] or beyond, off
