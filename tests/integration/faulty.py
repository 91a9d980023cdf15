"""The watch with a fault that a test plants in it: ``python faulty.py FAULTS python -m nightrake.cli watch FOLDER``.

The watch itself is the one that is shipped. At SIGUSR1 the file FAULTS is read and its one line is done:

    block 20        the event loop stands still for 20 s
    fail ticker     what the task of this name waits for ends with an error that nobody expects
    hang ticker     what it waits for never comes
    leap 40         the machine's monotonic clock is 40 s further
    suspend 60      the machine was suspended for 60 s
"""

from __future__ import annotations

import asyncio
import runpy
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

AGAIN_S = 0.002


class PlantedError(Exception):
    """Nobody catches it by name."""


def fail(name: str) -> None:
    """End what a task waits for with an error; tried until it waits."""
    waiter = _waiter(name)
    if waiter is None or waiter.done():
        asyncio.get_running_loop().call_later(AGAIN_S, fail, name)
    else:
        waiter.set_exception(PlantedError("a fault that a test has planted"))


def hang(name: str) -> None:
    """Take away the timer that a task waits for; tried until it waits for one."""
    waiter, loop = _waiter(name), asyncio.get_running_loop()
    timers: list[Any] = getattr(loop, "_scheduled")  # noqa: B009  # private, and all that there is
    for timer in timers:
        whose = getattr(timer._callback, "__self__", None)
        waits = getattr(whose, "_waiters", ())  # of an event that it would set
        task = getattr(whose, "_task", None)  # of asyncio.timeout
        named = isinstance(task, asyncio.Task) and task.get_name() == name
        if waiter is not None and (waiter in (timer._args or ()) or waiter in waits or named):
            timer.cancel()
            return
    loop.call_later(AGAIN_S, hang, name)


def _waiter(name: str) -> Any:
    """The future that a task waits for in the end; None while it waits for none."""
    waiter: Any = next((t for t in asyncio.all_tasks() if t.get_name() == name), None)
    while isinstance(waiter, asyncio.Task):
        waiter = getattr(waiter, "_fut_waiter")  # noqa: B009
    return waiter


def leap(seconds: str) -> None:
    """Let time have passed, for the watch and not for its event loop."""
    from nightrake.clock import SystemClock

    real, by_ns = SystemClock.mono_ns, int(float(seconds) * 1e9)
    setattr(SystemClock, "mono_ns", lambda clock: real(clock) + by_ns)  # mypy forbids it otherwise


def suspend(seconds: str) -> None:
    """Let CLOCK_BOOTTIME have gone on while CLOCK_MONOTONIC stood still."""
    real, by_ns = time.clock_gettime_ns, int(float(seconds) * 1e9)
    setattr(time, "clock_gettime_ns", lambda clock: real(clock) + (by_ns if clock == time.CLOCK_BOOTTIME else 0))


def plant(faults: Path) -> None:
    """Do what the file says."""
    what, _, whom = faults.read_text().strip().partition(" ")
    if what == "block":
        time.sleep(float(whom))
        return
    asyncio.get_running_loop().call_soon_threadsafe(FAULTS[what], whom)


FAULTS: dict[str, Callable[[str], None]] = {"fail": fail, "hang": hang, "leap": leap, "suspend": suspend}


def main() -> None:
    """See the module."""
    faults, _, _, module, *arguments = sys.argv[1:]
    signal.signal(signal.SIGUSR1, lambda number, frame: plant(Path(faults)))
    sys.argv = [module, *arguments]
    runpy.run_module(module, run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
