"""The reading process as the page's worker sees it: started when something is asked, one question at a time.

Askers take turns; whoever keeps others waiting is answered with what has been found by then. The process is killed
where one question takes too long all the same, and begun anew with the next.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
import time
from collections.abc import Callable, Mapping
from typing import Any

from nightrake.domain.cleantext import clean
from nightrake.errors import StoreError
from nightrake.page.folders import Folders
from nightrake.page.ports import ASKER, Plain
from nightrake.workers.pageturns import Turns

MODULE = "nightrake.workers.pagereader"
ANSWER_S = 10.0
START_S = 120.0
"""For an interpreter and the numeric libraries: as the last on a machine that is busy it takes a minute. Ended sooner
and begun anew, it would never be there."""
AWAITED_S = 10.0
"""So long whoever asks waits for it, and then is told so."""
LONGEST_HEAD = 64 * 1024
LONGEST = 64 * 1024 * 1024
"""Bytes of one answer."""
END_S = 2.0
HURRY = b'{"hurry":true}\n'
NOTED_S = 60.0
"""The same sentence goes to the log again after this."""
AGAIN_S = 1.0
"""After one that could not be started, or ended by itself, so long nobody is started."""


class ReadingProcess:
    """A `page.ports.Reader`: see there what each question gives.

    Args:
        state_dir: Folder of the store. config_dir: The settings folder, "" = not known.
        answer_s: Longest time for an answer. log: Takes one line.

    Attributes:
        starts: How often a process was started.
    """

    def __init__(
        self,
        state_dir: str,
        config_dir: str = "",
        answer_s: float = ANSWER_S,
        log: Callable[[str], None] = lambda text: None,
    ) -> None:
        self._job = json.dumps({"state_dir": state_dir, "config_dir": config_dir})
        self._answer_s, self._log = answer_s, log
        self._folders = Folders(state_dir, config_dir)
        self._noted: tuple[str, float] = ("", 0.0)
        self._turns = Turns(time.monotonic, self._hurry)
        self._questions: set[asyncio.Task[bytes]] = set()
        self._failed_s = -AGAIN_S
        self._process: asyncio.subprocess.Process | None = None
        self._starting: asyncio.Task[asyncio.subprocess.Process] | None = None
        self._may_hurry = False
        self.starts = 0

    # --- questions ----------------------------------------------------------------------------------------------------

    async def history(self, drive: str, signal: str, begin_utc_ms: int, end_utc_ms: int, columns: int) -> bytes:
        """See `Reader`."""
        span = {"begin": begin_utc_ms, "end": end_utc_ms, "columns": columns}
        return await self._ask("history", {"drive": drive, "signal": signal, **span})

    async def signals(self, drive: str) -> Plain:
        """See `Reader`."""
        return await self._plain("signals", {"drive": drive})

    async def marks(self, drive: str, begin_utc_ms: int, end_utc_ms: int) -> Plain:
        """See `Reader`."""
        return await self._plain("marks", {"drive": drive, "begin": begin_utc_ms, "end": end_utc_ms})

    async def trips(self, drive: str = "", stage: str = "", skip: int = 0, limit: int = 100) -> Plain:
        """See `Reader`."""
        return await self._plain("trips", {"drive": drive, "stage": stage, "skip": skip, "limit": limit})

    async def trip(self, trip: str) -> Plain:
        """See `Reader`."""
        return await self._plain("trip", {"trip": trip})

    async def trip_readings(self, trip: str, begin_utc_ms: int, end_utc_ms: int, columns: int) -> bytes:
        """See `Reader`."""
        asked = {"trip": trip, "begin": begin_utc_ms, "end": end_utc_ms, "columns": columns}
        return await self._ask("trip_readings", asked)

    async def journal(self, drive: str, before: int, limit: int) -> Plain:
        """See `Reader`."""
        return await self._plain("journal", {"drive": drive, "before": before, "limit": limit})

    async def calibration(self, drive: str) -> Plain:
        """See `Reader`."""
        return await self._plain("calibration", {"drive": drive})

    async def sheet(self, drive: str) -> Plain:
        """See `Reader`."""
        return await self._plain("sheet", {"drive": drive})

    async def creep(self, skip: int = 0, limit: int = 0) -> bytes:
        """See `Reader`."""
        return await self._ask("creep", {"skip": skip, "limit": limit})

    async def creep_of(self, drive: str) -> bytes:
        """See `Reader`."""
        return await self._ask("creep_of", {"drive": drive})

    async def creep_report(self, name: str) -> Plain:
        """See `Reader`."""
        return await self._plain("creep_report", {"name": name})

    async def begin(self) -> None:
        """Start the process before anybody asks; where that fails, the first question says so."""
        with contextlib.suppress(StoreError):
            async with self._turns.turn(ASKER.get()):
                await self._started()

    async def close(self) -> None:
        """End the process; a question that is under way gets no answer."""
        ending: list[asyncio.Task[Any]] = [*self._questions, *([self._starting] if self._starting is not None else [])]
        for task in ending:
            task.cancel()
        await asyncio.gather(*ending, return_exceptions=True)
        process, self._process = self._process, None
        await _end(process)

    # --- the process --------------------------------------------------------------------------------------------------

    async def _plain(self, what: str, args: Mapping[str, Any]) -> Plain:
        told: Plain = json.loads(await self._ask(what, args))
        return told

    async def _ask(self, what: str, args: Mapping[str, Any]) -> bytes:
        question = asyncio.create_task(self._in_turn(what, args), name=f"question {what}")
        self._questions.add(question)
        question.add_done_callback(self._answered)
        # Whoever asked may go; what is on its way must not be taken for the next answer.
        return await asyncio.shield(question)

    def _answered(self, question: asyncio.Task[bytes]) -> None:
        self._questions.discard(question)
        if not question.cancelled():
            question.exception()  # told to whoever asked, if anybody still listens

    async def _in_turn(self, what: str, args: Mapping[str, Any]) -> bytes:
        async with self._turns.turn(ASKER.get()):
            return await self._asked(json.dumps({"what": what, "args": args}).encode() + b"\n")

    async def _asked(self, line: bytes) -> bytes:
        process, done = await self._started(), False
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            async with asyncio.timeout(self._answer_s):
                process.stdin.write(line)
                self._may_hurry = True
                if self._turns.keeps_others:
                    self._hurry()
                await process.stdin.drain()
                head = json.loads(await process.stdout.readline() or b"{}")
                size = head.get("size", 0)
                if "ok" not in head or not isinstance(size, int) or not 0 <= size <= LONGEST:
                    raise StoreError("the process that reads the store has ended; ask again")
                body = await process.stdout.readexactly(size)
            done = True
        except TimeoutError:
            text = f"the store gave no answer within {self._answer_s:g} s; ask for less, or again"
            raise StoreError(text) from None
        except (OSError, ValueError, EOFError) as error:
            raise StoreError("the process that reads the store has ended; ask again") from error
        finally:
            self._may_hurry = False
            if not done:
                self._process = None
                await _killed(process)
        if head["ok"]:
            return body
        self._note(str(head.get("whole", "")))
        text = clean(str(head.get("error", "")), 500)
        raise LookupError(text) if head.get("kind") == "lookup" else StoreError(text)

    def _note(self, whole: str) -> None:
        """What browsers are not told whole stands in the log: each sentence once in a while, however many ask."""
        now_s = time.monotonic()
        if whole and (whole != self._noted[0] or now_s - self._noted[1] > NOTED_S):
            self._noted = (whole, now_s)
            self._log(whole)

    def _hurry(self) -> None:
        """Others wait for the answer that is being made; said once."""
        if self._may_hurry and self._process is not None and self._process.stdin is not None:
            self._may_hurry = False
            self._process.stdin.write(HURRY)

    async def _started(self) -> asyncio.subprocess.Process:
        """The process, ready. Whoever asks waits for it for a while; it goes on starting all the same."""
        if self._process is not None and self._process.returncode is None:
            return self._process
        if self._starting is None:
            if asyncio.get_running_loop().time() - self._failed_s < AGAIN_S:
                raise StoreError("the process that reads the store has just ended; ask again in a moment")
            self._starting = asyncio.create_task(self._start(), name="start of the reading process")
            self._starting.add_done_callback(self._has_started)
        try:
            async with asyncio.timeout(AWAITED_S):
                return await asyncio.shield(self._starting)
        except TimeoutError:
            raise StoreError("the process that reads the store is still being started; ask again in a moment") from None

    def _has_started(self, starting: asyncio.Task[asyncio.subprocess.Process]) -> None:
        self._starting = None
        if not starting.cancelled() and starting.exception() is None:
            self._process = starting.result()

    async def _start(self) -> asyncio.subprocess.Process:
        self.starts += 1
        process = None
        try:
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-P", "-m", MODULE, self._job),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.DEVNULL,
                limit=LONGEST_HEAD,
            )
            assert process.stdout is not None
            async with asyncio.timeout(START_S):
                if not json.loads(await process.stdout.readline() or b"{}").get("ready"):
                    raise StoreError("the process that reads the store could not be started; see the log")
        except BaseException as error:
            self._failed_s = asyncio.get_running_loop().time()
            if process is not None:
                await _killed(process)
            if isinstance(error, OSError | ValueError | TimeoutError):
                why = f"it was not ready within {START_S:g} s" if isinstance(error, TimeoutError) else str(error)
                whole = f"the process that reads the store could not be started ({why})"
                self._note(whole)
                raise StoreError(self._folders.without(whole)) from error
            raise
        return process


async def _killed(process: asyncio.subprocess.Process) -> None:
    """It is gone, whatever it was at."""
    with contextlib.suppress(ProcessLookupError):
        process.kill()
    if process.stdin is not None:
        process.stdin.close()
    await process.wait()


async def _end(process: asyncio.subprocess.Process | None) -> None:
    """It ends at once when its standard input is closed; if not, it is ended."""
    if process is None:
        return
    if process.stdin is not None:
        process.stdin.close()
    try:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(END_S):
                await process.wait()
    finally:
        if process.returncode is None:
            await _killed(process)
