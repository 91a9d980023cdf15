"""The steps of a lockout and their words. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import NamedTuple

RECORDS_ONLY = (
    "This records what people report; it isolates nothing and shows nothing to be safe. Only the person who applied a "
    "lock removes it. Local rules and the manufacturer's instructions come first."
)
"""Stands on every step."""

MAX_TEXT = 500
MAX_NUMBER = 40
TEST_RUN_NS = 600 * 1_000_000_000
MAX_TEST_RUN_NS = 3_600 * 1_000_000_000
"""A supervised test run ends by itself; without a time it is ten minutes, never more than an hour (own choice)."""


class LockoutStep(StrEnum):
    """Steps that people report; each is a command by its own name."""

    ISOLATION = "isolation_reported"
    ZERO_ENERGY = "zero_energy_reported"
    CAUSE = "cause"
    CLEARED = "cleared"
    CONTACTS_PROVED = "contacts_proved"
    AREA_CLEAR = "area_clear"
    LOCK_REMOVED = "lock_removed"
    LOCK_EXCEPTION = "lock_exception"
    SHIFT_TRANSFER = "shift_transfer"
    TEST_RUN = "test_run"
    TEST_RUN_END = "test_run_end"


SAYS: Mapping[LockoutStep, str] = {
    LockoutStep.ISOLATION: "All energy sources are isolated and locked by me; name and lock number as given.",
    LockoutStep.ZERO_ENERGY: "Zero energy was verified by trying and measuring, and the wind-up was released slowly.",
    LockoutStep.CAUSE: "The cause of the shutdown, from the site's list and in own words.",
    LockoutStep.CLEARED: "The cause has been cleared.",
    LockoutStep.CONTACTS_PROVED: "The contacts were proved by the manufacturer's test method.",
    LockoutStep.AREA_CLEAR: "Tools and people are clear of the machine, and the workers concerned have been told.",
    LockoutStep.LOCK_REMOVED: "I have removed my own lock.",
    LockoutStep.LOCK_EXCEPTION: "The lock of an absent person was removed by the employer's own written procedure.",
    LockoutStep.SHIFT_TRANSFER: "The work goes over to another person, whose lock is on before mine comes off.",
    LockoutStep.TEST_RUN: "A supervised test run begins.",
    LockoutStep.TEST_RUN_END: "The supervised test run is over.",
}
"""What a person says with a step. `RECORDS_ONLY` stands behind each where it is shown."""

PER_PERSON = frozenset({LockoutStep.ISOLATION, LockoutStep.LOCK_REMOVED, LockoutStep.CAUSE})
AFTER_TRIP = frozenset(
    {
        LockoutStep.ZERO_ENERGY,
        LockoutStep.CAUSE,
        LockoutStep.CLEARED,
        LockoutStep.CONTACTS_PROVED,
        LockoutStep.AREA_CLEAR,
    }
)
"""A further shutdown makes these old: they count for a release only if reported after it. It has wound the drive up
once more, so that the release of the wind-up is to be reported once more too."""


class Said(NamedTuple):
    """What a person says with a step; what does not belong to it is left empty.

    Attributes:
        remark: Free text.
        lock_number: With isolation.
        cause: One of the site's list.
        whom: Shift transfer: to whom. Lock exception: whose lock (person ids).
        name, limit_s: Test run: what it is called, and its time limit.
        facts: Lock exception: how the absence was verified, how they were looked for, how they will be told.
        cut: What was too long to be kept whole: (its name, how many characters are kept).
    """

    remark: str = ""
    lock_number: str = ""
    cause: str = ""
    whom: str = ""
    name: str = ""
    limit_s: float = 0.0
    facts: tuple[str, ...] = ()
    cut: tuple[tuple[str, int], ...] = ()

    def clipped(self) -> Said:
        """As it is kept: no text without end."""
        texts = {"remark": self.remark, "cause": self.cause.strip(), "name": self.name.strip()}
        names = {"lock_number": self.lock_number.strip(), "whom": self.whom.strip()}
        cut = [(n, MAX_TEXT) for n, text in texts.items() if len(text) > MAX_TEXT]
        cut += [(n, MAX_NUMBER) for n, text in names.items() if len(text) > MAX_NUMBER]
        cut += [("facts", MAX_TEXT)] if any(len(f) > MAX_TEXT for f in self.facts[:3]) else []
        return self._replace(
            remark=texts["remark"][:MAX_TEXT],
            cause=texts["cause"][:MAX_TEXT],
            name=texts["name"][:MAX_TEXT],
            lock_number=names["lock_number"][:MAX_NUMBER],
            whom=names["whom"][:MAX_NUMBER],
            facts=tuple(f[:MAX_TEXT] for f in self.facts[:3]),
            cut=tuple(cut),
        )
