"""Drives judged by two processes (``-m nightrake.learnreading.apart FD``), each at the end of a line that ends it."""

from __future__ import annotations

import contextlib
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from multiprocessing.connection import Connection, Pipe, wait
from typing import Any, TypeAlias

from nightrake.domain.site import DriveSpec
from nightrake.errors import StoreError
from nightrake.learnreading.judging import Asked, Judging, Outcome
from nightrake.learnreading.told import Told

PROCESSES = 2
END_S = 2.0
"""A helper that has not ended by then is killed."""
Line: TypeAlias = "Connection[Any, Any]"
Work: TypeAlias = "Sequence[tuple[DriveSpec, Told]]"


def judged_apart(asked: Asked, work: Work) -> Iterator[tuple[int, Outcome]]:
    """Verdicts as they come, with the place of each drive in the work.

    Raises:
        StoreError: A helping process died.
    """
    helpers: list[tuple[Line, subprocess.Popen[bytes]]] = []
    try:
        while len(helpers) < PROCESSES:
            helpers.append(_started(asked))
        yield from _dealt([line for line, _ in helpers], work)
    finally:
        for line, _ in helpers:
            line.close()  # which ends the one at the other end
        for _, process in helpers:
            _ended(process)


def _started(asked: Asked) -> tuple[Line, subprocess.Popen[bytes]]:
    ours, theirs = Pipe()
    with contextlib.closing(theirs):
        number = theirs.fileno()
        command = [sys.executable, "-P", "-m", "nightrake.learnreading.apart", str(number)]
        process = subprocess.Popen(command, pass_fds=[number], stdin=subprocess.DEVNULL)
    ours.send(asked)
    return ours, process


def _ended(process: subprocess.Popen[bytes]) -> None:
    try:
        process.wait(END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _dealt(helpers: Sequence[Line], work: Work) -> Iterator[tuple[int, Outcome]]:
    """A drive to whoever has none, until all are judged."""
    left = list(enumerate(work))[::-1]
    busy: dict[Line, int] = {}
    for helper in helpers:
        _give(helper, left, busy)
    while busy:
        for ready in wait(list(busy)):
            helper = next(one for one in busy if one is ready)
            place = busy.pop(helper)
            try:
                outcome: Outcome = helper.recv()
                _give(helper, left, busy)
            except (EOFError, OSError) as error:
                raise StoreError(
                    f"{work[place][0].id}: a helping process ended before it had judged the drive; ask again, for "
                    "fewer drives if memory is short"
                ) from error
            yield place, outcome


def _give(helper: Line, left: list[tuple[int, tuple[DriveSpec, Told]]], busy: dict[Line, int]) -> None:
    if left:
        place, given = left.pop()
        helper.send(given)
        busy[helper] = place


def main() -> None:
    """A helping process: judges what it is given until the other side ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the one who started us
    line: Line = Connection(int(sys.argv[1]))
    with contextlib.suppress(EOFError, OSError), Judging(line.recv()) as judging:
        while True:
            line.send(judging.outcome(*line.recv()))


if __name__ == "__main__":
    main()
