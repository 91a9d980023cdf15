"""Aimed kills for tests: ``NIGHTRAKE_KILL_AT=before-commit:3`` ends the process, unasked, at the third such moment.

An event's way out, and the moments on it:

    judged -- STORE: the commit -- TELLING: publish, acknowledgement, cursor
                               +-- FORWARDING: post, answer, cursor
                               +-- SEALING: cut, commit, cursor
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
ARCHIVE = (
    "mid-archive before-archive-name after-archive-name before-archive-record after-archive-record"
    " before-drop after-drop before-give-up after-give-up"
).split()
"""Moments of a closed segment on its way into a file, and out of the store."""
FORWARDING = "before-post after-post after-forward".split()
"""Moments of a batch for the forwarded store: not sent yet; answered, and the cursor not moved; the cursor moved."""
BACKLOG = "after-left-out after-jump after-backlog-safe before-backlog-done after-backlog-done".split()
"""Moments of a stretch for the backlog lane: kept, and the live lane's cursor not moved; moved; certain up to
somewhere; done, and still kept; and gone."""
LIVE = "after-drawn after-gone-back before-letter after-letter".split()
"""Further moments of forwarding: lines made; back to where the resend window begins; a refused line put aside."""
CATCHING_UP = "catching-drawn catching-sent catching-safe catching-back catching-done".split()
"""Moments of the backlog lane's process: a chunk made; acknowledged; certain, not said yet; back; done, not said."""
SEALING = (
    "mid-history-migration before-seal mid-seal before-sealed before-seal-commit after-seal-commit before-seal-told"
    " after-seal-told before-history-checkpoint mid-history-trim after-history-trim"
).split()
"""Moments of the history worker: a cut of sealed blocks, its commit, the watch being told, retention."""
SUMMARISING = "before-summary mid-summary after-summary after-day-closed mid-recompute after-recompute".split()
"""Moments of an hour's summary, of a day being closed, and of a month under another calibration record."""
TRIPS = (
    "before-trip after-trip before-trip-cursor mid-trip-part before-trip-part after-trip-part before-trip-name"
    " after-trip-name before-trip-gone after-trip-gone"
).split()
"""Moments of a trip record: its begin, the journal's cursor, a part more, its end, being given up for want of room."""
CARE = (
    "mid-backup before-backup-list before-backup-name mid-restore-copy before-restore mid-restore before-restored"
    " mid-compact before-compact-name"
).split()
"""Moments of a backup: of its copies, its list, its name; of a restore: copied, decided, moved in; of compacting."""
SEALED = "before-history-cursor after-history-cursor".split()
"""Moments of the watch that hears of it."""
ASKED = ["before-command-answer"]
"""A person's command is done and committed, and nobody has heard so."""
_OF_FORWARDING = *FORWARDING, *BACKLOG, *LIVE, *CATCHING_UP
POINTS = (*STORE, *ARCHIVE, *TELLING, *_OF_FORWARDING, *SEALING, *SUMMARISING, *TRIPS, *CARE, *SEALED, *ASKED)
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
