"""Turns at the processor only while nobody else wants one, for work that can wait; but not for ever.

Linux gives each thread its turn for some 3 ms before another that has just woken up may have it, however nice the first
one is (since 6.6, EEVDF). The watch works for a millisecond and rests, over and over, so a worker that computes for
minutes made its alarms late. Under `SCHED_IDLE` whoever wakes up goes first at once (sched(7)). On a machine that is
never idle such a thread would stand still, so a second thread looks after it and gives it ordinary turns for a while.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from pathlib import Path

LOOK_S = 1.0
STARVED = 0.3
"""Share of that time: who waited for more of it, or wanted to run and had less, is starved."""
ORDINARY_S = 30.0
"""For so long a starved thread has ordinary turns, at its own niceness."""


def take_the_last_turns() -> None:
    """For the calling thread, until it ends. Where the system has no such turns, nothing is changed."""
    if hasattr(os, "SCHED_IDLE"):
        tid = threading.get_native_id()
        threading.Thread(target=_look_after, args=(tid,), name="turns", daemon=True).start()


def _look_after(tid: int) -> None:
    with contextlib.suppress(OSError, IndexError, ValueError):  # the thread is gone, or the system tells nothing
        while True:
            os.sched_setscheduler(tid, os.SCHED_IDLE, os.sched_param(0))
            before = _times(tid)
            while True:
                time.sleep(LOOK_S)
                now = _times(tid)
                if is_starved(now[0] - before[0], now[1] - before[1], _is_running(tid)):
                    break
                before = now
            os.sched_setscheduler(tid, os.SCHED_OTHER, os.sched_param(0))
            time.sleep(ORDINARY_S)


def is_starved(ran_s: float, waited_s: float, wants: bool) -> bool:
    """Whether a thread has had too little.

    Args:
        ran_s, waited_s: In the last `LOOK_S`; a wait that has not ended yet is not in it. wants: It runs or waits now.
    """
    return waited_s > STARVED * LOOK_S or (wants and ran_s < STARVED * LOOK_S)


def _times(tid: int) -> tuple[float, float]:
    ran, waited = Path(f"/proc/self/task/{tid}/schedstat").read_text(encoding="ascii").split()[:2]
    return int(ran) / 1e9, int(waited) / 1e9


def _is_running(tid: int) -> bool:
    stat = Path(f"/proc/self/task/{tid}/stat").read_text(encoding="utf-8", errors="replace")
    return stat.rpartition(")")[2].split()[0] == "R"
