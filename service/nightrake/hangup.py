"""Signals, from the first line of the program to its last: none of them ends it without a word.

The event loop's own handlers end with the loop, before the program has ended: a SIGHUP in that moment would kill it. So
these stay, and hand over to the loop while the watch works.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
import threading
from collections.abc import Callable, Iterator, Mapping


def note_hang_up() -> threading.Event:
    """Note SIGHUP from now on, until somebody serves it.

    Returns:
        Set when one has come.
    """
    hung_up = threading.Event()
    signal.signal(signal.SIGHUP, lambda *_: hung_up.set())
    return hung_up


@contextlib.contextmanager
def served(handlers: Mapping[signal.Signals, Callable[[], object]]) -> Iterator[None]:
    """Call these on the running event loop when their signal comes; afterwards none of them does anything any more.

    Args:
        handlers: Signal -> what to call.
    """
    loop = asyncio.get_running_loop()
    ours, theirs = socket.socketpair()
    for end in (ours, theirs):
        end.setblocking(False)

    def come(number: int, _frame: object) -> None:
        loop.call_soon(handlers[signal.Signals(number)])  # in the loop's own thread, between two of its steps

    # Any thread may get the signal; a byte wakes the one that waits for something to read.
    before = signal.set_wakeup_fd(theirs.fileno(), warn_on_full_buffer=False)
    loop.add_reader(ours, lambda: ours.recv(4096))
    for number in handlers:
        signal.signal(number, come)
    try:
        yield
    finally:
        for number in handlers:
            signal.signal(number, signal.SIG_IGN)
        loop.remove_reader(ours)
        signal.set_wakeup_fd(before)
        ours.close()
        theirs.close()
