"""SIGTERM and SIGHUP take the way of Ctrl-C: what was begun is put away in order, and nothing half done stays behind.

A timer's end, a closed terminal, a shutdown of the machine: else each would end the program where it stands, and leave
a half file or a half backup of gigabytes under a name that nobody looks at.
"""

from __future__ import annotations

import contextlib
import signal
import time
from collections.abc import Iterator
from types import FrameType

NUMBERS = (signal.SIGTERM, signal.SIGHUP)
OWN_WAYS = ("watch", "demo", "prove", "simulate")
"""Commands that hear these signals in a way of their own."""
UNDISTURBED_S = 10.0
"""Putting away is not disturbed for so long: service managers and closing terminals send both, one after the other."""


class Stopped(SystemExit):
    """The program was told to end; not an error.

    Attributes:
        number: The signal.
    """

    def __init__(self, number: signal.Signals) -> None:
        self.number = number
        super().__init__(128 + number)  # as shells have it


@contextlib.contextmanager
def stopped_in_order() -> Iterator[None]:
    """Raise `Stopped` when such a signal comes; afterwards the signals are as they were.

    What is ignored when the program begins (nohup) stays ignored.
    """
    first_s = float("-inf")

    def stop(number: int, _: FrameType | None) -> None:
        nonlocal first_s
        if time.monotonic() - first_s < UNDISTURBED_S:
            return
        first_s = time.monotonic()
        raise Stopped(signal.Signals(number))

    heard = [number for number in NUMBERS if signal.getsignal(number) is not signal.SIG_IGN]
    before = {number: signal.signal(number, stop) for number in heard}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
