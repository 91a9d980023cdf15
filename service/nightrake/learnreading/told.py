"""What the journal says of drives that a trend must know: function checks, out of service, releases, clock steps."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from typing import NamedTuple

from nightrake.alarms.told import Fact, fact_of, step_text
from nightrake.domain.rows import Row
from nightrake.journal.search import Wanted

OUT, BACK = "out_of_service", ("returned_to_service", "out_of_service_ended")
LONGEST_TEST_MS = 4 * 3_600_000
"""A function check ends by itself after that; a row of its end that is lost must not leave out a year."""
LONGEST_OUT_MS = 92 * 86_400_000
"""Likewise of an alarm out of service (`alarms.overlays`)."""
BY_TORQUE = frozenset(
    "reading_bad torque_high torque_rising alarm_did_not_act shutdown_did_not_act alarm_against_position "
    "shutdown_against_position".split()
)
"""Alarms that rest on the arm's position: while people have one of them out of service, the position is no load. A
contact that is out of service says nothing against the torque."""
STEP_S = 3_600.0
"""A clock that was set by less moves no reading into another day that matters."""


class Event(NamedTuple):
    """Something that may have shifted a drive's torque: when, and in a few words."""

    utc_ms: int
    why: str


class Told(NamedTuple):
    """What the journal says of one drive.

    Attributes:
        left_out: (from, until) UTC ms in which readings are no load: function checks and out of service.
        events: In order of time. sentences: What else a reader of its trend should know.
    """

    left_out: tuple[tuple[int, int], ...] = ()
    events: tuple[Event, ...] = ()
    sentences: tuple[str, ...] = ()


NOTHING = Told()


def wanted(from_utc_ms: int, to_utc_ms: int, events: Collection[str] = ()) -> Wanted:
    """The rows that `told_of` looks at; what began before the period may reach into it.

    Args:
        events: Further ones of the kind ``drive``.
    """
    kinds = ("alarm", "lockout", "service")
    begin = from_utc_ms - max(LONGEST_TEST_MS, LONGEST_OUT_MS)
    return Wanted("", kinds, tuple(dict.fromkeys(("test_began", "test_ended", *events))), begin, to_utc_ms)


class Listening:
    """Goes through rows once, for all drives."""

    def __init__(self) -> None:
        self._open: dict[tuple[str, str], tuple[int, int]] = {}
        self._spans: dict[str, list[tuple[int, int]]] = {}
        self._events: dict[str, list[Event]] = {}
        self._causes: dict[str, dict[str, str]] = {}
        self._clock: list[str] = []

    def take(self, row: Row) -> None:
        """Look at one row."""
        if row.kind == "drive" and row.event in ("test_began", "test_ended"):
            self._span((row.drive, "test"), row.event == "test_began", row.utc_ms, LONGEST_TEST_MS)
        elif row.kind == "alarm" and (row.event == OUT or row.event in BACK):
            alarm = fact_of(row).text("alarm")
            if alarm.split("/")[2:3] and alarm.split("/")[2] in BY_TORQUE:
                self._span((row.drive, alarm), row.event == OUT, row.utc_ms, LONGEST_OUT_MS)
        elif row.kind == "lockout":
            self._lockout(fact_of(row))
        elif row.kind == "service" and row.event == "clock_stepped":
            by_s = fact_of(row).number("by_s") or 0.0
            if abs(by_s) >= STEP_S:
                self._clock.append(f"the clock was set {step_text(by_s)}")

    def _span(self, key: tuple[str, str], begins: bool, utc_ms: int, longest_ms: int) -> None:
        held = self._open.pop(key, None)
        if held is not None:
            self._spans.setdefault(key[0], []).append((held[0], max(held[0], min(utc_ms, held[0] + held[1]))))
        if begins:
            self._open[key] = (utc_ms, longest_ms)

    def _lockout(self, fact: Fact) -> None:
        if fact.event == "cause":
            said = self._causes.setdefault(fact.drive, {})
            if fact.text("cause") or not said:  # a remark alone is added to the cause given
                said[fact.text("actor")] = fact.text("cause") or fact.text("remark")
        elif fact.event in ("opened", "shutdown_again"):
            self._causes.pop(fact.drive, None)
        elif fact.event == "released":
            cause = ", or ".join(dict.fromkeys(filter(None, self._causes.pop(fact.drive, {}).values())))
            why = "lockout released" + (f", cause: {cause}" if cause else "")
            self._events.setdefault(fact.drive, []).append(Event(fact.at.utc_ms, why))

    def told(self, now_utc_ms: int) -> dict[str, Told]:
        """What was heard, by drive; what is still open lasts until now."""
        for key in list(self._open):
            self._span(key, False, now_utc_ms, 0)
        sentences = tuple(dict.fromkeys(f"{text[0].upper()}{text[1:]}." for text in self._clock))
        return {
            drive: Told(
                tuple(_joined(self._spans.get(drive, []))), tuple(sorted(self._events.get(drive, []))), sentences
            )
            for drive in {"", *self._spans, *self._events}
        }


def told_of(rows: Iterable[Row], now_utc_ms: int) -> dict[str, Told]:
    """What rows say, by drive; under "" what holds for drives of which they say nothing.

    Args:
        rows: See `wanted`, in order of numbers.
    """
    listening = Listening()
    for row in rows:
        listening.take(row)
    return listening.told(now_utc_ms)


def _joined(spans: list[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """Spans that touch as one, in order."""
    begin, end = 0, -1
    for low, high in sorted(spans):
        if low <= end:
            end = max(end, high)
            continue
        if end > begin:
            yield begin, end
        begin, end = low, high
    if end > begin:
        yield begin, end
