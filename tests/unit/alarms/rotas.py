"""Rotas for tests: Fennmark's night and day, with zone tables made from the time zone database."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from nightrake.alarms.calls import Need, Standing
from nightrake.alarms.rota import Chain, CheckTimes, Person, Rota, Shift, Step, Team
from nightrake.alarms.zones import EPOCH_ORDINAL, Zone
from nightrake.settings.zones import zone_table

SECOND = 1_000_000_000
MINUTE = 60 * SECOND
LONDON_NAME = "Europe/London"
EVERY_DAY = (0, 1, 2, 3, 4, 5, 6)
PEOPLE = ("day1", "night1", "super1", "eng1")


def zone(name: str = LONDON_NAME) -> Zone:
    """A zone's table around 2026."""
    table = zone_table(name, date(2026, 6, 1))
    assert table is not None
    return table


LONDON = zone()


def day(text: str) -> int:
    """Day number of ``2026-03-29``."""
    return date.fromisoformat(text).toordinal() - EPOCH_ORDINAL


def local(text: str, fold: int = 0, name: str = LONDON_NAME) -> int:
    """UTC seconds of a local time such as ``2026-03-29 03:30``, by the standard library."""
    at = datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(name), fold=fold)
    return int(at.timestamp())


def utc(text: str) -> int:
    """UTC seconds of ``2026-03-29 01:00``."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


def shift(name: str, begins_h: float, ends_h: float, *people: str, days: tuple[int, ...] = EVERY_DAY) -> Shift:
    """A shift in London by the hour."""
    return Shift(name, people, days, int(begins_h * 3600), int(ends_h * 3600), LONDON)


OPERATORS = Team("operators", "Operators", (), (shift("day", 6, 18, "day1"), shift("night", 18, 6, "night1")))
SUPERVISORS = Team("supervisors", "Supervisors", ("super1",))
ENGINEERS = Team("engineers", "Engineers", (), (shift("office", 8, 16, "eng1", days=(0, 1, 2, 3, 4)),))
URGENT = Chain(
    (
        Step(teams=("operators",), wait_ns=5 * MINUTE, remind_ns=2 * MINUTE),
        Step(teams=("engineers",), wait_ns=5 * MINUTE),
        Step(teams=("supervisors",), wait_ns=10 * MINUTE),
        Step(everybody=True, wait_ns=10 * MINUTE, checked=False),
    )
)


def rota(*, checks: CheckTimes = CheckTimes(), teams: tuple[Team, ...] = (), **chains: Chain) -> Rota:  # noqa: B008
    """Everybody, with the urgent chain unless others are given."""
    return Rota(
        people={p: Person(p, p.capitalize(), "operator") for p in PEOPLE},
        teams={t.id: t for t in (OPERATORS, SUPERVISORS, ENGINEERS, *teams)},
        chains=chains or {"urgent": URGENT},
        checks=checks,
        zone=LONDON,
    )


def standing(
    need: Need = Need.CALL, *, occurrence: int = 1, priority: str = "urgent", respond_min: int = 60, severity: int = 0
) -> Standing:
    """PC1's shutdown as the escalation sees it."""
    key = "PC1/forward/shutdown_contact"
    respond_ns = respond_min * MINUTE
    return Standing(key, occurrence, need, priority, respond_ns, "PC1", "forward", severity=severity)
