"""Aimed kills for tests: ``NIGHTRAKE_KILL_AT=before-commit:3`` ends the process, unasked, at the third such moment."""

from __future__ import annotations

import os
import signal

VARIABLE = "NIGHTRAKE_KILL_AT"
POINTS = (
    "mid-migration before-open-commit after-open-commit before-begin mid-commit before-states before-cursor "
    "before-commit after-commit before-checkpoint before-trim before-close"
).split()
"""All moments that the store knows."""


class Aim:
    """One aimed kill.

    Args:
        text: ``name:n``, or ``name`` for the first time; "" aims at nothing.
    """

    def __init__(self, text: str) -> None:
        self._name, _, count = text.partition(":")
        self._left = int(count) if count.isdigit() else 1

    def reach(self, name: str) -> None:
        """Say that this moment is reached; costs one comparison when no kill is aimed."""
        if name != self._name:
            return
        self._left -= 1
        if self._left == 0:
            os.kill(os.getpid(), signal.SIGKILL)


reach = Aim(os.environ.get(VARIABLE, "")).reach
