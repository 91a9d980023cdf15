"""How far a long piece of work has come, on standard error: a line that changes, or off a terminal one now and then."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from types import TracebackType
from typing import Self, TextIO

TERMINAL_S, ELSEWHERE_S = 0.5, 10.0
"""Between two lines."""
LONGEST_MS = 30 * 366 * 86_400_000
"""Nothing was recorded for longer than this."""


class Progress:
    """Says how far it is; nothing at all of what is done before the first line is due.

    Args:
        words: What is being done. from_utc_ms, to_utc_ms: The period that is gone through. out: Where to say it.
        clock: Seconds that only rise.
    """

    def __init__(
        self,
        words: str,
        from_utc_ms: int,
        to_utc_ms: int,
        out: TextIO | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._words, self._from, self._span = words, from_utc_ms, max(1, to_utc_ms - from_utc_ms)
        self._out = out or sys.stderr
        self._clock = clock
        self._live = self._out.isatty()
        self._every_s = TERMINAL_S if self._live else ELSEWHERE_S
        self._due_s = clock() + self._every_s
        self._shown = False

    def at(self, utc_ms: int, count: int, what: str) -> None:
        """Say it, if it is time.

        Args:
            utc_ms: How far in the period. count: How many. what: Of which.
        """
        now_s = self._clock()
        if now_s < self._due_s:
            return
        self._due_s = now_s + self._every_s
        if self._span > LONGEST_MS:  # a clock was far off: by such a period there would be no progress
            self._write(f"{count} {what}")
        else:
            self._write(f"{_percent((utc_ms - self._from) / self._span)}, {count} {what}")

    def share(self, done: int, whole: int, of_what: str) -> None:
        """Say it, if it is time, of work that goes through no period.

        Args:
            done, whole: How much of how much. of_what: Words behind the percentage, "" = none.
        """
        now_s = self._clock()
        if now_s >= self._due_s:
            self._due_s = now_s + self._every_s
            self._write(_percent(done / max(1, whole)) + (f" {of_what}" if of_what else ""))

    def _write(self, how_far: str) -> None:
        text = f"{self._words}: {how_far}"
        self._out.write(f"\r{text}\x1b[K" if self._live else f"{text}\n")
        self._out.flush()
        self._shown = True

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self._live and self._shown:
            self._out.write("\r\x1b[K")
            self._out.flush()


def _percent(part: float) -> str:
    return f"{100.0 * min(1.0, max(0.0, part)):.0f} %"
