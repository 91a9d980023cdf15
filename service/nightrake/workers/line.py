"""How a worker process and the watch talk: a line of JSON each way; and how the one ends with the other.

watch -- {"seal": true} --> standard input of the worker; when it is closed, by whatever end, the worker ends at once
watch <-- {"sealed": 4711, ...} -- standard output
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import sys
import threading
from pathlib import Path
from typing import Any

NICE = 10
"""Below the watch, whatever the work is."""
WAITING = 1000
"""Commands that may wait."""


def be_last() -> None:
    """Should processor or memory run short, this process is the one to wait or to end."""
    with contextlib.suppress(OSError):
        os.nice(NICE)
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("1000", encoding="ascii")


class Line:
    """The worker's end.

    A thread reads; when the watch is gone it ends the process where it stands, which a kill may do at any time anyway.
    """

    def __init__(self) -> None:
        self._asked: queue.Queue[dict[str, Any]] = queue.Queue(WAITING)
        threading.Thread(target=self._read, name="line", daemon=True).start()

    def _read(self) -> None:
        for line in sys.stdin:
            with contextlib.suppress(ValueError, queue.Full):
                asked = json.loads(line)
                if isinstance(asked, dict):
                    self._asked.put_nowait(asked)
        os._exit(0)

    @property
    def has_more(self) -> bool:
        """Whether a further command has come."""
        return not self._asked.empty()

    def ask(self, timeout_s: float) -> dict[str, Any]:
        """The next command; {} when none comes in time."""
        try:
            return self._asked.get(timeout=timeout_s)
        except queue.Empty:
            return {}

    def say(self, **facts: Any) -> None:
        """One line to the watch."""
        try:
            sys.stdout.write(json.dumps(facts, separators=(",", ":")) + "\n")
            sys.stdout.flush()
        except OSError:
            os._exit(0)  # nobody listens any more
