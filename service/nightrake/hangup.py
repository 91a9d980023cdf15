"""A SIGHUP that comes while the program is still being loaded: noted, in the place of an end without a word."""

from __future__ import annotations

import signal
import threading


def note_hang_up() -> threading.Event:
    """Note SIGHUP from now on, until somebody serves it.

    Returns:
        Set when one has come.
    """
    hung_up = threading.Event()
    signal.signal(signal.SIGHUP, lambda *_: hung_up.set())
    return hung_up
