"""Aimed kills for tests: ``NIGHTRAKE_KILL_AT=before-commit:3`` ends the process, unasked, at the third such moment.

An event's way out, and the moments on it:

    judged -- STORE: the commit -- TELLING: publish, acknowledgement, cursor
                               +-- FORWARDING: post, answer, cursor
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable

VARIABLE = "NIGHTRAKE_KILL_AT"
STORE = (
    "mid-migration before-open-commit after-open-commit before-begin mid-commit before-states before-cursor "
    "before-commit after-commit before-checkpoint before-trim before-close"
).split()
"""Moments of the store: its begin, a commit, housekeeping, its end."""
TELLING = "before-publish after-publish after-ack after-advance".split()
"""Moments of an event on its way to the broker: not handed over yet; handed to the kernel, and the acknowledgement not
read; acknowledged, and the cursor not moved; the cursor moved in memory, and not yet on disk."""
FORWARDING = "before-post after-post after-forward".split()
"""Moments of a batch for the forwarded store: not sent yet; answered, and the cursor not moved; the cursor moved."""
POINTS = (*STORE, *TELLING, *FORWARDING)
"""All moments."""


class Aim:
    """One aimed kill.

    Args:
        text: ``name:n``, or ``name`` for the first time.
    """

    def __init__(self, text: str) -> None:
        self._name, _, count = text.partition(":")
        self._left = int(count) if count.isdigit() else 1

    def reach(self, name: str) -> None:
        """Say that this moment is reached."""
        if name != self._name:
            return
        self._left -= 1
        if self._left == 0:
            os.kill(os.getpid(), signal.SIGKILL)


def _passed(name: str) -> None:
    """Nothing is aimed at: the moment passes, at the cost of a call."""


def aimed(text: str) -> Callable[[str], None]:
    """What is to be called with the name of each moment that is reached; "" aims at nothing."""
    return Aim(text).reach if text else _passed


reach = aimed(os.environ.get(VARIABLE, ""))
