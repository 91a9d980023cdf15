"""Guards around every test: nothing skipped, nothing left running, no event loop held up.

Loaded by `conftest.py`. Each guard names what it found; none of them can be switched off for a whole file.
"""

from __future__ import annotations

import asyncio
import functools
import inspect
import subprocess
import threading
import time
from collections.abc import Awaitable, Callable, Generator, Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest

BLOCK_S = 0.5
"""A callback that holds the loop this long would make ten 50 ms scans late."""
GRACE_S = 2.0
"""What ends by itself within this long after a test was not left behind."""
LOOK_S = 0.01


# --- nothing is skipped -----------------------------------------------------------------------------------------------


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn a skip into a failure that names its reason: a test that did not run has shown nothing."""
    report = yield
    if report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped ({skip_reason(report.longrepr)}); nothing may be skipped here"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """The same for whole files that skip themselves."""
    report = yield
    if report.skipped:
        report.outcome = "failed"
        report.longrepr = f"{collector.nodeid} skipped itself ({skip_reason(report.longrepr)})"
    return report


def skip_reason(longrepr: object) -> str:
    """Take the words out of pytest's (file, line, reason)."""
    return str(longrepr[2]) if isinstance(longrepr, tuple) else str(longrepr)


# --- the event loop ---------------------------------------------------------------------------------------------------


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the event-loop guards around every coroutine test."""
    for item in items:
        if not isinstance(item, pytest.Function) or item.get_closest_marker("asyncio") is None:
            continue
        may_block = item.get_closest_marker("blocks") is not None
        hypothesis = getattr(item.obj, "hypothesis", None)
        if hypothesis is not None:
            hypothesis.inner_test = guarded(hypothesis.inner_test, may_block)
        elif inspect.iscoroutinefunction(item.obj):
            item.obj = guarded(item.obj, may_block)


def guarded(test: Callable[..., Awaitable[None]], may_block: bool) -> Callable[..., Awaitable[None]]:
    """Wrap a coroutine test: it leaves no task behind and holds the loop for no longer than `BLOCK_S`."""

    @functools.wraps(test)
    async def inner(*args: Any, **kwargs: Any) -> None:
        before = asyncio.all_tasks()
        with loop_watch() as longest:
            await asyncio.sleep(0)  # so that the test's own first step is timed too
            await test(*args, **kwargs)
            await asyncio.sleep(0)  # and its last one
        left = await tasks_left(before)
        if left:
            names = ", ".join(sorted(f"{t.get_name()} ({t.get_coro()!r})" for t in left))
            pytest.fail(f"tasks left behind: {names}", pytrace=False)
        if longest and not may_block:
            pytest.fail(f"the event loop was held up: {'; '.join(longest)}", pytrace=False)

    return inner


async def tasks_left(before: set[asyncio.Task[Any]]) -> set[asyncio.Task[Any]]:
    """Tasks that are still there after the grace, other than this one and those that fixtures own."""
    deadline = time.monotonic() + GRACE_S
    while left := {t for t in asyncio.all_tasks() - before if t is not asyncio.current_task()}:
        if time.monotonic() > deadline:
            break
        await asyncio.sleep(LOOK_S)
    return left


class loop_watch:  # noqa: N801  (reads as a statement: `with loop_watch() as longest`)
    """Time each callback of the event loop while inside; yields the list of those that took too long.

    Time for which the kernel let this thread wait for a processor does not count: the test may share the machine. Nor
    does what starting a process takes, for which this thread waits until the child has had a processor.
    """

    def __enter__(self) -> list[str]:
        self._run, self._start = asyncio.Handle._run, subprocess.Popen.__init__
        found: list[str] = []
        run, start = self._run, self._start
        started_s, mine = 0.0, threading.get_ident()
        read, had_waited_s = time.perf_counter(), waited_s()

        def timed(handle: asyncio.Handle) -> None:
            nonlocal read, had_waited_s
            begin = time.perf_counter()
            if begin - read > LOOK_S:  # not each time: there are very many
                read, had_waited_s = begin, waited_s()
            begin_waited_s = had_waited_s + started_s
            run(handle)
            took_s = time.perf_counter() - begin
            if took_s > BLOCK_S and took_s - (waited_s() + started_s - begin_waited_s) > BLOCK_S:
                found.append(f"{took_s:.2f} s in {handle!r}")

        def timed_start(process: subprocess.Popen[Any], *args: Any, **kwargs: Any) -> None:
            nonlocal started_s
            begin, begin_waited_s = time.perf_counter(), waited_s()
            try:
                start(process, *args, **kwargs)
            finally:
                if threading.get_ident() == mine:
                    started_s += time.perf_counter() - begin - (waited_s() - begin_waited_s)

        setattr(asyncio.Handle, "_run", timed)
        setattr(subprocess.Popen, "__init__", timed_start)
        return found

    def __exit__(self, *_exc: object) -> None:
        setattr(asyncio.Handle, "_run", self._run)
        setattr(subprocess.Popen, "__init__", self._start)


def waited_s() -> float:
    """How long this thread has waited for a processor so far, in s (0 where the kernel does not tell)."""
    try:
        return int(Path("/proc/thread-self/schedstat").read_text().split()[1]) / 1e9
    except (OSError, IndexError, ValueError):
        return 0.0


# --- threads and processes --------------------------------------------------------------------------------------------


@pytest.fixture(autouse=True)
def _nothing_left_running() -> Iterator[None]:
    """Fail a test that leaves a thread or a process behind; those of wider fixtures were there before."""
    me = psutil.Process()
    threads, processes = set(threading.enumerate()), set(me.children())
    yield
    deadline = time.monotonic() + GRACE_S
    while left := still_running(me, threads, processes):
        if time.monotonic() > deadline:
            pytest.fail(f"left running: {', '.join(left)}", pytrace=False)
        time.sleep(LOOK_S)


def still_running(me: psutil.Process, threads: set[threading.Thread], processes: set[psutil.Process]) -> list[str]:
    """Threads and child processes that are not among those given, in words."""
    left = [f"thread {t.name}" for t in threading.enumerate() if t not in threads and t.is_alive()]
    return left + [f"process {described(p)}" for p in me.children() if p not in processes]


def described(process: psutil.Process) -> str:
    """Pid and command of a process, also of one that is just going."""
    try:
        return f"{process.pid} ({' '.join(process.cmdline())[:80] or process.name()})"
    except psutil.Error:
        return str(process.pid)
