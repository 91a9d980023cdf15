"""How the interpreter is set for the watch, and how the watch ends when it could only limp on."""

from __future__ import annotations

import asyncio
import gc
import os
import sys
import threading
import traceback
from typing import Any, NoReturn

from nightrake.logs import last_words

SWITCH_S = 0.0005
"""How long the loop may keep the interpreter while the store's thread waits for it, seconds."""
YOUNG_TURNS, MOST_LEFT_OUT = 10, 20
OLDER_TURNS, OLD_TURNS = 200, 36_000
"""So many turns apart is looked at what is new, at what has outlived that, and at everything: a second, 20, an hour."""
NO_MEMORY = b"nightrake: out of memory; the watch ends at once and has to be started again, with more memory\n"
THREAD_DEAD = b"nightrake: a thread of the watch has died (see above); it ends at once and has to be started again\n"
EXIT_BROKEN = 70
"""Source of the number: EX_SOFTWARE of sysexits.h."""


def calm_interpreter() -> None:
    """What is loaded by now stays for good: full collections need not walk it, nor come often.

    They took 110 ms at 504 drives, which makes scans late; what the scans themselves leave is freed by counting.
    """
    # A commit takes the interpreter back after each of its steps; at the default of 5 ms each that is felt.
    sys.setswitchinterval(SWITCH_S)
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 100)


class Tidy:
    """Collects what refers to itself while nobody waits for the loop: left to itself it would be while news is made.

    Collections of what a second has left take 1 ms; of what 20,000 allocations have left, 4 ms.
    """

    def __init__(self) -> None:
        self._turns = 0
        self._left_out = 0

    def turn(self, busy: bool) -> None:
        """Ten times a second.

        Args:
            busy: News is on its way, so that it is left for a while.
        """
        self._turns += 1
        due = self._left_out or self._turns % YOUNG_TURNS == 0
        if not due or (busy and self._left_out < MOST_LEFT_OUT):
            self._left_out += bool(due)
            return
        since = self._turns - self._left_out
        self._left_out = 0
        gc.collect(2 if since % OLD_TURNS == 0 else 1 if since % OLDER_TURNS == 0 else 0)


def is_no_memory(error: object) -> bool:
    """Whether an error means that there is no memory; a thread that cannot start has found no room for its stack."""
    return isinstance(error, MemoryError) or "can't start new thread" in str(error)


def end_rather_than_limp() -> None:
    """Without memory, or with one of its threads dead, the watch would go on as half a watch: end at once instead.

    As if killed: the next start is made for that, and finds everything that was durable.
    """

    def from_loop(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        error = context.get("exception")
        if is_no_memory(error):
            end_at_once(NO_MEMORY)
        loop.default_exception_handler(context)

    def from_thread(args: threading.ExceptHookArgs) -> None:
        if args.exc_type is MemoryError:
            end_at_once(NO_MEMORY)
        told = "".join(traceback.format_exception(args.exc_type, args.exc_value, args.exc_traceback))
        last_words(told.encode(errors="replace")[-3000:])
        end_at_once(THREAD_DEAD)

    asyncio.get_running_loop().set_exception_handler(from_loop)
    threading.excepthook = from_thread


def end_at_once(words: bytes) -> NoReturn:
    """End the process with a sentence, and with nothing that could need memory, a disk, a reader or another thread."""
    last_words(words)
    os._exit(EXIT_BROKEN)


def first_of(errors: BaseExceptionGroup[BaseException]) -> BaseException:
    """One of the errors in a group."""
    error: BaseException = errors
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error
