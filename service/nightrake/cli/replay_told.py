"""What a replay says of itself: sentences, JSON, rows as the journal would have them; and how fast it goes."""

from __future__ import annotations

import json
import textwrap
import time
from collections.abc import Callable, Iterator
from typing import NamedTuple

from nightrake.alarms.told import stamp
from nightrake.cli.journal_wanted import zone_at
from nightrake.cli.period import period_text
from nightrake.domain.rows import SCHEMA_VERSION, Row, canonical
from nightrake.history.period import Period
from nightrake.replaying import NotReplayableError, Step
from nightrake.replayrows import Difference, Unreached
from nightrake.settings import Settings

SECOND_MS = 1_000
"""A time to go on from is told rounded up, so that a period that begins with it has the snapshot before it."""


class Came(NamedTuple):
    """What came of a replay.

    Attributes:
        inputs: Of the period. rows: Compared, with those on the way to the period. lost: See `Beside`.
        begins: How often the service began anew. took_s: How long it took. difference: The first one.
        unreached: Rows of the period that nothing was held against. left_out: About how many inputs of the period are
            kept but were not replayed. unread: Why what is sealed was not read; "" = it was.
    """

    inputs: int
    rows: int
    lost: int
    begins: int
    took_s: float
    difference: Difference | None
    unreached: Unreached = Unreached()
    left_out: int = 0
    unread: str = ""

    @property
    def is_same(self) -> bool:
        """Whether all of the period came again, and as it was."""
        return self.difference is None and not (self.unreached.rows or self.left_out or self.unread)


class Telling:
    """Words for one replay.

    Args:
        settings: For the zone. period: What was asked for.
    """

    def __init__(self, settings: Settings, period: Period) -> None:
        self._settings, self._period = settings, period

    @property
    def period(self) -> str:
        """The period, its zone named."""
        return period_text(self._settings, self._period)

    def at(self, utc_ms: int) -> str:
        """A moment."""
        return stamp(zone_at(self._settings, utc_ms), utc_ms)

    def different(self, found: Difference) -> str:
        """The first difference, in a sentence."""
        at = f"input {found.input_seq}, {self.at(found.utc_ms)}"
        return f"the replay is not the same as the journal, first at {at}: {found.text}."

    def stopped(self, stop: NotReplayableError, last_utc_ms: int | None) -> str:
        """Why it cannot be gone on, in a sentence.

        Args:
            last_utc_ms: Of the last input before; None = there was none.
        """
        where = "" if last_utc_ms is None else f"beyond {self.at(last_utc_ms)} "
        go_on = "no later snapshot is kept"
        if stop.resume:
            go_on = f"it can again from {self.at(stop.resume[1] + SECOND_MS - 1)} on"
        return f"this period cannot be replayed {where}(input {stop.at}): {stop.reason}; {go_on}"

    def words(self, came: Came) -> str:
        """What came of it, in 80 columns."""
        times = {0: "", 1: ", the service began anew once"}
        begins = times.get(came.begins, f", the service began anew {came.begins} times")
        about = f"Replayed {self.period}: {came.inputs} inputs in {came.took_s:.1f} s{begins}."
        if came.difference is not None:
            told = self.different(came.difference)
            told = told[:1].upper() + told[1:]
        elif came.is_same:
            told = f"The same as the journal to the last of {came.rows} rows, bit for bit."
        else:
            told = f"NOT THE WHOLE PERIOD: the same as the journal in the {came.rows} rows that were reached."
        if came.lost:
            told += f" {came.lost} rows more come of inputs that were lost when the service ended, beyond any replay."
        if came.unreached.behind:
            told += f" {came.unreached.behind} rows more come of inputs that are not on the disk: not yet, or lost."
        return "\n".join(textwrap.fill(text, 80) for text in (about, told, *self.left_out(came)))

    def left_out(self, came: Came) -> list[str]:
        """What of the period was not reached, in sentences."""
        told, found = [], came.unreached
        if found.rows:
            first = f"the first at input {found.input_seq}, {self.at(found.utc_ms)}"
            told.append(
                f"{found.rows} rows of the period were not reached, {first}: they come of inputs that are not kept, or "
                "lie before the first snapshot kept."
            )
        if came.left_out:
            told.append(
                f"About {came.left_out} inputs of the period are kept but could not be replayed: no snapshot is kept "
                "from before them, or they are of before the store was lost or put back."
            )
        if came.unread:
            told.append(f"{came.unread}; what is sealed was not replayed, only what is still in store.db.")
        return told

    def json(self, came: Came) -> str:
        """The same as one object."""
        found = came.difference
        whole = {
            "same": came.is_same,
            **came._asdict(),
            "difference": found._asdict() if found is not None else None,
            "unreached": came.unreached._asdict(),
        }
        return json.dumps({"from_utc_ms": self._period.from_ms, "to_utc_ms": self._period.to_ms, **whole})


def row_of(step: Step, index: int) -> Row:
    """What the journal would say of one entry; its number is the input's."""
    record, entry = step.record, step.entries[0][index]
    who = (entry.kind, entry.event, entry.drive, str(entry.direction), entry.urgent)
    when = (record.seq, "", record.mono_ns, record.utc_ms, True)
    return Row("", record.seq, *who, SCHEMA_VERSION, *when, canonical(entry.data), b"", b"")


def paced(
    steps: Iterator[Step],
    speed: float,
    is_inside: Callable[[Step], bool],
    clock_ns: Callable[[], int] = time.monotonic_ns,
    sleep: Callable[[float], None] = time.sleep,
) -> Iterator[Step]:
    """Steps of the period as far apart as their inputs were, or so many times closer; without the service's absences.

    Args:
        speed: Times as fast; 0 = as fast as it goes. is_inside: Whether a step is of the period.
        clock_ns: Time that only rises, ns. sleep: Waits for seconds.
    """
    began_ns, first_ns, before_ns = 0, 0, -1
    for step in steps:
        if speed and is_inside(step):
            now_ns = step.record.mono_ns
            if step.begun or not 0 <= before_ns <= now_ns:
                began_ns, first_ns = clock_ns(), now_ns
            before_ns = now_ns
            wait_ns = began_ns + (now_ns - first_ns) / speed - clock_ns()
            if wait_ns > 0:
                sleep(wait_ns / 1e9)
        yield step
