"""The history worker as the watch sees it: started, heard, told to nobody's harm when it fails; it seals the hot tail.

    worker -- sealed up to N --> cursor 'history' of the store; the tail may drop what is sealed and past its time

Nothing here touches scans or alarms: a worker that dies is started again, later and later, and while none works the
tail keeps what it can, within the store's quota.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from collections.abc import Callable
from typing import Any

from nightrake.clock import Clock
from nightrake.crashpoint import reach
from nightrake.domain.rows import Entry
from nightrake.errors import ControlError
from nightrake.forwardprocess import end
from nightrake.historyrows import LostAgain, TripsGone, entry_of
from nightrake.journal.store import Store
from nightrake.loglibrary import structlog
from nightrake.settings import Settings

log = structlog.get_logger("nightrake.keeping")

CURSOR = "history"
BACKOFF_S = (1.0, 60.0)
"""Between two starts of a worker that ends by itself."""
SILENT_S = 120.0
"""It says something every few seconds; one that is silent for this long hangs, and is started anew."""
BUSY_S = 3600.0
"""Unless it has said that it will be busy for longer, at most this long."""
LONGEST_LINE = 64 * 1024
BEHIND_S = 3600.0 + 1800.0
"""An hour is sealed when it is over; what is not sealed half an hour later is told."""
NO_EPOCH_S = 1.0
"""How often is looked whether a store that could not be written at its start has been."""
LOSING_NS = 30_000_000_000
"""So long after the last reading that went unsealed this is told, for they go in heaps."""
DAMAGE = "notice:history_damaged"
LONGEST_TOLD = 300
"""Characters of what the worker says of itself that are told on."""
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
"""It adds no matrices, and threads for each processor would only cost memory."""
ENDED = "the history worker has ended; it is started again, so ask again in a minute"


class Keeping:
    """Keeps one worker at work until cancelled; none while the settings say so.

    Args:
        settings: See `[history]`. store: The tail. clock: For durations.
        newest_input: Gives the number of the newest recorded input. link_of: Gives, for the name of a link or notice,
            what is called on each change: (up, detail). note: Takes what goes into the journal.
    """

    def __init__(
        self,
        settings: Settings,
        store: Store,
        clock: Clock,
        newest_input: Callable[[], int],
        link_of: Callable[[str], Callable[[bool, str], None]],
        note: Callable[[Entry], object] = lambda entry: None,
    ) -> None:
        self._settings, self._store, self._clock = settings, store, clock
        self._newest_input, self._note = newest_input, note
        self._on_link, self._on_damage = link_of("history"), link_of(DAMAGE)
        self._told: tuple[bool, str] = (True, "")
        self._damage: str | None = None
        self._trips_gone, self._lost_again = TripsGone(store, note), LostAgain(store, note)
        self._again = asyncio.Event()
        self._said: dict[str, Any] = {}
        self._up = False
        self._starts = self._asked = self._lost = self._losing_until_ns = 0
        self._silent_s = SILENT_S
        self._process: asyncio.subprocess.Process | None = None
        self._answers: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._wishes: dict[int, dict[str, Any]] = {}
        cursor = store.get_cursor(CURSOR)
        # A cursor of another life says nothing: the worker will.
        same = cursor is not None and cursor[0] == store.epoch
        self._sealed, self._began_under = (cursor[1], cursor[2]) if cursor is not None and same else (0, "")
        self._begins_under = ""
        self._hold()

    def _hold(self) -> None:
        self._store.hold_tail(self._sealed if self._settings.history.enabled else None)

    def settings_changed(self, settings: Settings) -> None:
        """Go on with other settings; the worker is started anew where they differ for it."""
        changed = settings.history != self._settings.history
        self._settings = settings
        if changed:
            self._hold()
            self._again.set()

    def status(self) -> dict[str, Any]:
        """How it goes, as plain values."""
        up, detail = self._told
        return {
            "enabled": self._settings.history.enabled,
            "up": self._up and up,
            "detail": detail,
            "damage": self._damage or "",
            "sealed_seq": self._sealed,
            "behind_s": self._said.get("behind_s", 0.0),
            "bytes": self._said.get("bytes", 0),
            "log_bytes": self._said.get("log_bytes", 0),
            "given_up": self._said.get("given_up", 0),
            "trips": self._said.get("trips", 0),
            "trips_given_up": self._said.get("trips_given_up", 0),
            "trips_refused": self._said.get("trips_refused", ""),
            "lost_unsealed": self._store.lost_unsealed,
            "starts": self._starts,
        }

    async def ask(self, **wish: Any) -> dict[str, Any]:
        """Have the worker do something, however long that takes.

        Args:
            wish: ``recompute`` and ``actor``, or ``compact``, or ``seal``.

        Returns:
            ``ok``, and a sentence in ``text``.

        Raises:
            ControlError: There is no worker, or it has ended.
        """
        process = self._process
        if process is None or process.stdin is None:
            raise ControlError("no history worker runs now; see nightrake status")
        self._asked += 1
        number, answer = self._asked, asyncio.get_running_loop().create_future()
        self._answers[number] = answer
        if "recompute" in wish:
            self._wishes[number] = wish  # it is done, and journalled, although whoever asked has left
        try:
            process.stdin.write(json.dumps({**wish, "id": number}).encode() + b"\n")
            await process.stdin.drain()
            return dict(await answer)
        except OSError as error:
            raise ControlError(ENDED) from error
        finally:
            self._answers.pop(number, None)

    async def run(self) -> None:
        """See the class."""
        wait_s = BACKOFF_S[0]
        while True:
            self._again.clear()
            if not self._settings.history.enabled:
                self._tell(True, "")
                self._tell_damage("")
                await self._again.wait()
                continue
            if self._has_no_epoch():
                self._tell(False, "nothing is sealed before the disk takes what the store has to write")
                await self._wait(NO_EPOCH_S)
                continue
            began_ns = self._clock.mono_ns()
            why = await self._one_life()
            self._up = False
            if self._again.is_set():
                continue
            log.warning("history_worker_ended", why=why)
            if self._clock.mono_ns() - began_ns > BACKOFF_S[1] * 1e9:
                wait_s = BACKOFF_S[0]
            elif wait_s >= BACKOFF_S[1] / 2:
                self._tell(False, f"the process that keeps history {why}; it is started again every minute")
            await self._wait(wait_s)
            wait_s = min(2 * wait_s, BACKOFF_S[1])

    def _has_no_epoch(self) -> bool:
        """Whether the store's epoch may end with this run: what was sealed under it would be a stranger's then."""
        store = self._store
        return bool(store.opened.unwritable) and store.durable_seq <= store.last_seq

    async def _wait(self, seconds: float) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._again.wait()

    async def _one_life(self) -> str:
        """One worker, to its end; says how that came."""
        job = self._job()
        try:
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-P", "-m", "nightrake.workers.keeping", json.dumps(job)),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.DEVNULL,
                limit=LONGEST_LINE,
                env=os.environ | ONE_THREAD,
            )
        except OSError as error:
            return f"could not be started ({error.strerror or error})"
        self._starts += 1
        self._process, self._silent_s, self._begins_under = process, SILENT_S, str(job["epoch"])
        hearing = asyncio.create_task(self._hear(process), name="history worker")
        again = asyncio.create_task(self._again.wait(), name="history settings")
        try:
            await asyncio.wait({hearing, again}, return_when=asyncio.FIRST_COMPLETED)
            return hearing.result() if hearing.done() else "was ended, for the settings have changed"
        finally:
            self._process = None
            for answer in self._answers.values():
                if not answer.done():
                    answer.set_exception(ControlError(ENDED))
            for number in list(self._wishes):
                self._journal(number, ok=False, text=ENDED)
            hearing.cancel()
            again.cancel()
            try:
                await asyncio.gather(hearing, again, return_exceptions=True)
            finally:
                await end(process)

    def _job(self) -> dict[str, Any]:
        history = self._settings.history
        return {
            "state_dir": str(self._settings.store_dir),
            "epoch": self._store.epoch,
            "first_free": self._store.first_free_input_seq,
            "site": self._settings.site.id,
            "sealed": self._sealed,
            "began_under": self._began_under,
            "seal_s": history.seal_s,
            "raw_days": history.raw_days,
            "minute_days": history.minute_days,
            "hour_days": history.hour_days,
            "quota_mb": history.quota_mb,
            "trips_mb": history.trips_mb,
        }

    async def _hear(self, process: asyncio.subprocess.Process) -> str:
        assert process.stdout is not None
        while True:
            try:
                async with asyncio.timeout(self._silent_s):
                    line = await process.stdout.readline()
                said = json.loads(line) if line else None
            except TimeoutError:
                return f"said nothing for {self._silent_s:g} s"
            except (ValueError, OSError):
                return "said what nobody understands"
            if not isinstance(said, dict):
                return "has ended"
            self._take(said)

    def _take(self, said: dict[str, Any]) -> None:
        """What the worker says of itself; it comes from another process, so nothing of it is believed blindly."""
        self._up, busy_s, number = True, said.get("busy_s"), said.get("answer")
        answer = self._answers.get(number) if type(number) is int else None
        self._silent_s = min(BUSY_S, max(SILENT_S, busy_s)) if isinstance(busy_s, (int, float)) else SILENT_S
        ok, text = said.get("ok") is True, str(said.get("text", ""))
        if answer is not None and not answer.done():
            answer.set_result({"ok": ok, "text": text})
        if type(number) is int:
            self._journal(number, ok=ok, text=text)
        self._trips_gone.take(said.get("trips_gone"))
        self._journal_untold(said.get("untold"))
        if isinstance(said.get("damage"), str):
            self._tell_damage(said["damage"][:LONGEST_TOLD])
            self._lost_again.take(said.get("losses"), said["damage"])
        if "sealed" not in said and "error" not in said:
            return
        gone, before = said.get("trips_given_up"), self._said.get("trips_given_up", 0)
        if type(gone) is int and gone > before:
            log.warning("trip_records_given_up", count=gone - before)
        self._said |= said
        sealed = said.get("sealed")
        if said.get("error") == "":
            self._began_under = self._begins_under  # it has: until then its file has the epoch of the worker before
        # Also less than before: history.db was lost, and the tail is sealed anew as far as it is there.
        if type(sealed) is int and sealed != self._sealed and 0 <= sealed <= self._newest_input():
            self._sealed = sealed
            reach("before-history-cursor")
            # A store that is begun anew in mid-run gets another epoch; the file keeps that of the worker's begin.
            self._store.set_cursor(CURSOR, self._store.epoch, sealed, self._began_under)
            self._hold()
            reach("after-history-cursor")
        error, behind_s = said.get("error"), said.get("behind_s")
        if isinstance(error, str) and error:
            self._tell(False, error[:LONGEST_TOLD])
        elif isinstance(behind_s, (int, float)) and behind_s > BEHIND_S:
            self._tell(False, f"what was recorded {behind_s / 60:.0f} minutes ago is not sealed yet")
        elif self._is_losing():
            self._tell(False, "readings go from the store before they are sealed, for want of room; make room")
        else:
            self._tell(True, "")

    def _is_losing(self) -> bool:
        """Whether readings went unsealed just now."""
        now_ns, lost = self._clock.mono_ns(), self._store.lost_unsealed
        if lost > self._lost:
            self._lost, self._losing_until_ns = lost, now_ns + LOSING_NS
        return now_ns < self._losing_until_ns

    def _journal(self, number: int, *, ok: bool, text: str) -> None:
        """What was recomputed, or not to its end, is a row: torque of then now reads otherwise."""
        wish = self._wishes.pop(number, None)
        if wish is None:
            return
        entry = entry_of(str(wish["recompute"]), str(wish.get("actor", "")), ok=ok, text=text)
        if entry is not None:
            self._note(entry)

    def _journal_untold(self, untold: object) -> None:
        """What was recomputed while no watch ran."""
        if not isinstance(untold, dict):
            return
        wish, actor, text = (str(untold.get(key, "")) for key in ("recompute", "actor", "text"))
        entry = entry_of(wish, actor, ok=True, text=text)
        if entry is not None:
            self._note(entry)

    def _tell_damage(self, damage: str) -> None:
        """Once in each run in any case: what stood in the run before ends only so."""
        if damage != self._damage:
            self._damage = damage
            self._on_damage(not damage, damage)

    def _tell(self, up: bool, detail: str) -> None:
        changed = up != self._told[0]
        self._told = up, detail
        if changed:
            self._on_link(up, detail)
