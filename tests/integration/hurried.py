"""The watch with time that can be made to pass: ``python hurried.py FILE python -m nightrake.cli watch FOLDER``.

The watch itself is the one that is shipped. At SIGUSR1 the file FILE is read; it holds seconds. From then on every tick
comes a few milliseconds after the one before and finds the machine's clocks, UTC and monotonic, a second and a half
further, until so many seconds have passed; then FILE is deleted and all is as before. What waits for others (sockets,
channels, the disk) goes by the event loop's own time and is not hurried.
"""

from __future__ import annotations

import runpy
import signal
import sys
import time
from pathlib import Path
from typing import Any

TICK_S = 0.002
STEP_NS = 1_500_000_000
"""Less than what the watch takes for missed time."""


class Hurry:
    """What the clocks are ahead by, and how much is still to pass."""

    def __init__(self) -> None:
        self.ahead_ns = 0
        self.left_ns = 0

    def step(self) -> bool:
        """A tick has come; True when it was a hurried one."""
        by_ns = min(STEP_NS, self.left_ns)
        self.ahead_ns += by_ns
        self.left_ns -= by_ns
        return by_ns > 0


def plant(hurry: Hurry, file: Path) -> None:
    """Let clocks and ticks of the watch follow."""
    from nightrake import app
    from nightrake.clock import SystemClock
    from nightrake.domain.pulse import Pulse
    from nightrake.engine import Engine

    mono_ns, utc_ms, tick, usual_s = SystemClock.mono_ns, SystemClock.utc_ms, Engine.tick, app.TICK_S

    def hurried_tick(engine: Any) -> None:
        hurried = hurry.step()
        setattr(app, "TICK_S", TICK_S if hurry.left_ns else usual_s)
        tick(engine)
        if hurried and not hurry.left_ns:
            file.unlink()

    setattr(SystemClock, "mono_ns", lambda clock: mono_ns(clock) + hurry.ahead_ns)
    setattr(SystemClock, "utc_ms", lambda clock: utc_ms(clock) + hurry.ahead_ns // 1_000_000)
    setattr(Engine, "tick", hurried_tick)
    setattr(app, "Pulse", lambda now_s: Pulse(time.monotonic))  # parts that wait for others wait in the loop's time


def main() -> None:
    """See the module."""
    name, _, _, module, *arguments = sys.argv[1:]
    hurry, file = Hurry(), Path(name)
    plant(hurry, file)

    def begin(number: int, frame: object) -> None:
        hurry.left_ns = int(float(file.read_text()) * 1e9)

    signal.signal(signal.SIGUSR1, begin)
    sys.argv = [module, *arguments]
    runpy.run_module(module, run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
