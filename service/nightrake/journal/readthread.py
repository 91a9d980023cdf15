"""Questions to the store, answered in a thread of their own, one after the other, while the event loop goes on."""

from __future__ import annotations

import asyncio
import contextlib
import queue
import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, TypeVar

from nightrake.errors import StoreError
from nightrake.journal.reader import Reader

T = TypeVar("T")

_Job = tuple[Callable[[Reader], Any], asyncio.AbstractEventLoop, "asyncio.Future[Any]"]

WAITING = 100
"""Questions that may wait; a disk that hangs must not gather them without end."""

SETTLING, SETTLE_S = 5, 0.05
"""So often, and so long apart, it is looked whether the file at the store's place is the one that the writer has."""


class ReaderThread:
    """One reading connection and its thread: a daemon, so that a hung disk cannot keep the process from ending.

    Args:
        path: The store's file; opened at the first question, and again after an error.
        inode: Gives the inode of the file that the writer has open. reading: See `Home.reading`.
    """

    def __init__(
        self,
        path: Path,
        inode: Callable[[], int],
        reading: Callable[[], AbstractContextManager[str]] = lambda: contextlib.nullcontext(""),
    ) -> None:
        self._path = path
        self._inode, self._reading = inode, reading
        self._jobs: queue.Queue[_Job | None] = queue.Queue(WAITING)
        self._thread: threading.Thread | None = None
        self._closed = False

    async def ask(self, what: Callable[[Reader], T]) -> T:
        """Run `what` on the reading connection.

        Raises:
            StoreError: The store cannot be read now, is closed, or too many questions wait already.
        """
        if self._closed:
            raise StoreError(f"{self._path}: is closed")
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="store-reader", daemon=True)
            self._thread.start()
        loop = asyncio.get_running_loop()
        future: asyncio.Future[T] = loop.create_future()
        try:
            self._jobs.put_nowait((what, loop, future))
        except queue.Full as error:
            raise StoreError(f"{self._path}: does not answer ({WAITING} questions wait); check the disk") from error
        return await future

    async def close(self, timeout_s: float) -> bool:
        """End the thread; False when it did not end in time."""
        self._closed = True
        if self._thread is None:
            return True
        with contextlib.suppress(queue.Full):
            self._jobs.put_nowait(None)
        await asyncio.to_thread(self._thread.join, timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        reader: Reader | None = None
        while (job := self._jobs.get()) is not None:
            what, loop, future = job
            answer: object = None
            error: Exception | None = None
            try:
                with self._reading() as vfs:
                    if vfs:
                        _close(reader)
                        reader = None
                        answer = self._alone(what, vfs)
                    else:
                        if reader is None or self._has_moved(reader):
                            _close(reader)
                            reader = None
                            reader = self._opened()
                        answer = what(reader)
            except MemoryError:
                raise
            except Exception as caught:  # noqa: BLE001  # whoever asked gets it; the next question is another's
                error = caught
                _close(reader)
                reader = None
            with contextlib.suppress(RuntimeError):  # the loop is closed already
                loop.call_soon_threadsafe(_answer, future, answer, error)
        _close(reader)

    def _has_moved(self, reader: Reader) -> bool:
        """Whether the store is in another file now; what somebody has put in its place is no store of ours."""
        return reader.is_left() and reader.inode != self._inode()

    def _alone(self, what: Callable[[Reader], Any], vfs: str) -> object:
        reader = self._opened(vfs)
        try:
            return what(reader)
        finally:
            reader.close()

    def _opened(self, vfs: str = "") -> Reader:
        for _ in range(SETTLING):
            reader = Reader(self._path, vfs)
            if reader.inode == self._inode():
                return reader
            reader.close()
            time.sleep(SETTLE_S)  # the writer may just be moving into a new file
        raise StoreError(f"{self._path}: another file has taken the place of the store that is open")


def _close(reader: Reader | None) -> None:
    if reader is not None:
        reader.close()


def _answer(future: asyncio.Future[Any], answer: object, error: Exception | None) -> None:
    if future.done():  # whoever asked has been cancelled
        return
    if error is not None:
        future.set_exception(error)
    else:
        future.set_result(answer)
