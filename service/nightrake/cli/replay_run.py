"""`nightrake replay`: a period of recorded inputs, held against the journal, or by other settings beside it."""

from __future__ import annotations

import sys
import textwrap
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import NamedTuple

from nightrake.cli.journal_read import read_lines
from nightrake.cli.journal_wanted import now_utc_ms, searching
from nightrake.cli.period import period_from, period_text
from nightrake.cli.progress import Progress
from nightrake.cli.replay_told import Came, Telling, paced, row_of
from nightrake.cli.replay_whatif import Courses, change_of
from nightrake.domain.rows import Row
from nightrake.errors import NightrakeError
from nightrake.history.period import Period
from nightrake.journal.search import Search, Wanted
from nightrake.longterm.reading import History
from nightrake.replaying import NotReplayableError, Run, Step, walk
from nightrake.replayrows import Beside, Difference, Unreached
from nightrake.settings import Settings, load
from nightrake.whatif import Change

WHERE = ("store.", "control.")
"""Settings that say where things are; they are no change."""
NO_OTHER = (
    "Beware: the change makes no difference to the settings that were in force then: what it changes was not there, or "
    "had that value already."
)
Overrides = Mapping[str, str | int | float]


class Asked(NamedTuple):
    """As typed."""

    period: str
    speed: float = 0.0
    quiet: bool = False
    as_json: bool = False


def run_replay(folder: Path, overrides: Overrides, asked: Asked) -> int:
    """Replay a period; exit code 0: the same came of it (or it was a what-if).

    Raises:
        NightrakeError: Folder, store or period is wrong, or the period cannot be replayed.
    """
    where = {key: value for key, value in overrides.items() if key.startswith(WHERE)}
    other = {key: value for key, value in overrides.items() if key not in where}
    settings = load(folder, where)
    change = change_of(settings, load(folder, overrides), other) if other else None
    period = period_from(settings, asked.period, now_utc_ms())
    with ExitStack() as stack:
        history = stack.enter_context(History(settings.store_dir, is_lenient=True))
        search = stack.enter_context(searching(settings))
        replay = _Replay(settings, history, search, period, asked)
        if change is not None:
            return replay.compare(change, other)
        return replay.check()


class _Replay:
    """One replay, its files open."""

    def __init__(self, settings: Settings, history: History, search: Search, period: Period, asked: Asked) -> None:
        self._settings, self._history, self._search = settings, history, search
        self._period, self._asked = period, asked
        self._telling = Telling(settings, period)
        self._last: Step | None = None
        self._inputs = self._begins = self._left_out = 0
        self._stretch = (0, 0)
        self._newest = history.seq_span()[1]
        self._difference: Difference | None = None
        self._beside: Beside

    def check(self) -> int:
        """Is the same what comes of it? Tells the events on the way."""
        begin_s = time.monotonic()
        rows = self._rows(paced(self._steps([Run(self._history)]), self._asked.speed, self._is_inside))
        if self._asked.quiet or self._asked.as_json:
            for _ in rows:
                pass
        else:
            for line in read_lines(rows, self._settings):
                print(line, flush=bool(self._asked.speed))
        came = self._came(time.monotonic() - begin_s)
        print(self._telling.json(came) if self._asked.as_json else self._telling.words(came))
        return 0 if came.is_same else 1

    def _rows(self, steps: Iterator[Step]) -> Iterator[Row]:
        """Rows of the period as the replay brings them, up to the first difference."""
        for step in steps:
            self._difference = self._beside.take(step)
            if self._difference is not None:
                return
            if self._is_inside(step):
                yield from (row_of(step, index) for index in range(len(step.entries[0])))

    def compare(self, change: Change, other: Overrides) -> int:
        """What would have come with the change?"""
        courses = Courses(self._period)
        begin_s = time.monotonic()
        runs = [Run(self._history), Run(self._history, change)]
        for step in self._steps(runs):
            courses.take(step, runs)
            self._difference = self._difference or self._beside.take(step)
        came = self._came(time.monotonic() - begin_s)
        print(courses.json(other, self._settings) if self._asked.as_json else courses.text(other, self._settings))
        if not runs[1].is_other:
            print(textwrap.fill(NO_OTHER, 80), file=sys.stderr)
        if came.difference is not None:
            print(textwrap.fill(f"Beware: {self._telling.different(came.difference)}", 80), file=sys.stderr)
        for sentence in self._telling.left_out(came):
            print(textwrap.fill(f"Beware: {sentence}", 80), file=sys.stderr)
        return 0

    def _came(self, took_s: float) -> Came:
        if not self._inputs and self._difference is None:
            raise NightrakeError(f"nothing is recorded in {self._telling.period}")
        if self._difference is None and self._last is not None:
            self._difference = self._beside.finish(self._last.record.seq)
        came = Came(self._inputs, self._beside.rows, self._beside.lost, self._begins, took_s, self._difference)
        unreached = self._unreached() if came.difference is None else Unreached()
        left_out = self._left_out + self._history.of_other_lives(*self._period)
        return came._replace(unreached=unreached, left_out=left_out, unread=self._unread())

    def _unread(self) -> str:
        """Why the sealed part of the period was not read; "" = it was, or all of the period is in the hot tail."""
        span = self._history.span()
        return self._history.unread if span is None or span[0] > self._period.from_ms else ""

    def _unreached(self) -> Unreached:
        """What the journal has of the period beside what was held against it."""
        rows = self._search.rows(Wanted(since_utc_ms=self._period.from_ms, until_utc_ms=self._period.to_ms))
        last = self._last.record.seq if self._last is not None else 0
        return self._beside.unreached(rows, last, self._newest)

    # --- the way through ----------------------------------------------------------------------------------------------

    def _steps(self, runs: list[Run]) -> Iterator[Step]:
        """Steps up to the period's end; where it cannot be gone on, says what there is."""
        snapshot: tuple[int, int] | None = self._begin()
        while snapshot is not None:
            try:
                yield from self._steps_from(snapshot, runs)
                return
            except NotReplayableError as stop:
                snapshot = self._further(stop)
                if snapshot is None:
                    at = self._last.record.utc_ms if self._last is not None else None
                    raise self._refused(self._telling.stopped(stop, at)) from stop

    def _further(self, stop: NotReplayableError) -> tuple[int, int] | None:
        """The snapshot behind a stretch on the way to the period, of which the period holds nothing; None = none."""
        if self._inputs or stop.resume is None or stop.resume[1] > self._period.from_ms:
            return None
        period, between = self._period, self._history.records(stop.at + 1, stop.resume[0])
        is_needed = any(period.from_ms <= record.utc_ms < period.to_ms for record in between)
        return None if is_needed else stop.resume

    def _steps_from(self, snapshot: tuple[int, int], runs: list[Run]) -> Iterator[Step]:
        self._beside = Beside(self._search, snapshot[0], *self._period)
        span = self._history.span() or self._period
        within = max(self._period.from_ms, span[0]), min(self._period.to_ms, span[1])
        with Progress("replaying", *within) as progress:
            for step in walk(self._history, snapshot[0], self._stretch[1], runs):
                self._inputs += self._is_inside(step)
                self._begins += step.begun
                self._last = step
                progress.at(step.record.utc_ms, self._inputs, "inputs")
                yield step

    def _begin(self) -> tuple[int, int]:
        """The snapshot to begin at: its input and stamp."""
        telling = self._telling
        self._stretch = first, last = self._recorded()
        kept = self._history.seq_span()[0]
        found = self._history.snapshot_before(first - 1)
        if found is not None and found[0] >= kept - 1:
            return found[:2]
        later = next((one for one in self._history.snapshots() if one[0] >= kept - 1), None)
        if later is None or later[0] >= last:
            words = f"; it can from {telling.at(later[1])} on" if later is not None else ""
            raise self._refused(
                f"{telling.period} cannot be replayed: no snapshot of the state is kept from before it{words}"
            )
        self._left_out = later[0] - first + 1
        print(f"Replayed from {telling.at(later[1])} on: no snapshot is kept from before.", file=sys.stderr)
        return later

    def _recorded(self) -> tuple[int, int]:
        """The first and the last input of the period."""
        stretch = self._history.stretch(*self._period)
        if stretch is None:
            span = self._history.span()
            kept = f"recorded is {period_text(self._settings, Period(*span))}" if span else "there is no record at all"
            raise self._refused(f"nothing is recorded in {self._telling.period}; {kept}")
        return stretch

    def _refused(self, text: str) -> NightrakeError:
        """With the reason, where what is sealed cannot be read."""
        return NightrakeError(f"{text}; {self._history.unread}" if self._history.unread else text)

    def _is_inside(self, step: Step) -> bool:
        return self._period.from_ms <= step.record.utc_ms < self._period.to_ms
