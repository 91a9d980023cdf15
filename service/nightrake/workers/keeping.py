"""The process that seals: from the hot tail into history.db, whose one writer it is, and keeps that within its bounds.

    python -m nightrake.workers.keeping '{"state_dir": ..., "epoch": ..., "first_free": ..., ...}'

It may be killed anywhere: each cut is one transaction, and the file says where to go on.
"""

from __future__ import annotations

import json
import os
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import apsw

from nightrake.crashpoint import reach
from nightrake.errors import NightrakeError
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.compacting import give_back
from nightrake.longterm.recomputing import carry_out
from nightrake.longterm.room import Room
from nightrake.longterm.sealing import Sealing
from nightrake.longterm.summarising import Summarising, mark
from nightrake.longterm.tail import Tail
from nightrake.longterm.writing import FILE, Writing
from nightrake.workers.line import Line, be_last
from nightrake.workers.trips import TripKeeping

LOOK_S = 5.0
"""How often is looked whether something is due."""
RETRY_S = 10.0
"""Back-off of a disk that fails."""
ROOM_PERIOD_S = 60.0
LONGEST_S = 3600.0
"""What a person asks for may take this long."""
SHARE = 0.5
"""While much is to be sealed, this share of the time is rested."""


@dataclass(frozen=True)
class Job:
    """What the watch asks for.

    Attributes:
        state_dir: Folder of the store. epoch: Id of the store's life. first_free: First input number of the run.
        seal_s: See `Sealing`. raw_days, quota_mb: See `Room`. minute_days, hour_days: See `Summarising.retain`.
        trips_mb: See `longterm.trips`. look_s: How often to look.
    """

    state_dir: str
    epoch: str = ""
    first_free: int = 0
    seal_s: float = 0.0
    raw_days: float = 30.0
    minute_days: float = 730.0
    hour_days: float = 3650.0
    quota_mb: int = 16_384
    trips_mb: int = 1024
    look_s: float = LOOK_S


class Keeping:
    """The worker at work.

    Args:
        job: What to do. line: To the watch.
    """

    def __init__(self, job: Job, line: Line) -> None:
        self._job, self._line = job, line
        self._dir = Path(job.state_dir)
        self._tail: Tail | None = None
        self._writing: Writing | None = None
        self._blocks: Blocks | None = None
        self._trips = TripKeeping(self._dir, job.trips_mb, lambda: self._say(""))
        self._next_room_s = 0.0
        self._sealed = self._given_up = 0

    def run(self) -> None:
        """Until the watch is gone."""
        asked: dict[str, Any] = {}
        while True:
            wait_s = self._job.look_s
            try:
                self._turn(everything=bool(asked.get("seal")))
                if asked:
                    self._answer(asked)
            except (apsw.CorruptError, apsw.NotADBError) as error:
                self._say(f"{self._dir / FILE}: is damaged ({error}); moved aside, a new one is begun")
                self._move_aside()
            except (NightrakeError, apsw.Error, OSError) as error:
                self._say(_words(self._dir / FILE, error))
                self._close()
                wait_s = max(wait_s, RETRY_S)
            asked = self._line.ask(wait_s)

    def _turn(self, *, everything: bool) -> None:
        tail, writing = self._opened()
        self._trips.turn()  # first: they may be waited for, and need nothing sealed
        sealing = Sealing(tail, writing, self._job.seal_s)
        while everything or sealing.is_due():
            if not writing.log_fits():
                self._say("a reader keeps the write-ahead log of history.db large: nothing is sealed until it ends")
                return
            begin_s = time.monotonic()
            if not self._sealed_some(sealing):
                break
            reach("before-seal-told")
            self._say("", behind_s=sealing.behind_s())
            reach("after-seal-told")
            time.sleep(SHARE * (time.monotonic() - begin_s))
        writing.log_fits()
        try:
            while self._summarising.work():
                writing.log_fits()
            self._keep_room(writing)
        except (apsw.CorruptError, apsw.NotADBError) as error:
            # What is sealed now is sound; somewhere in what is older something is not.
            self._say(f"{writing.path}: something in it is damaged ({error}); restore it from a backup when that suits")
            return
        self._say("", behind_s=sealing.behind_s())

    def _sealed_some(self, sealing: Sealing) -> int:
        """Seal one cut; on a full disk in the place of the oldest."""
        try:
            return sealing.seal(_now_ms(), mark)
        except apsw.FullError:
            if not self._room.make_room():
                raise
            self._given_up = self._room.given_up
            self._say("the disk is full: the oldest readings are given up before their time; make room")
            return sealing.seal(_now_ms(), mark)

    def _answer(self, asked: dict[str, Any]) -> None:
        """What a person asked for through the watch; it may take minutes."""
        assert self._writing is not None
        assert self._blocks is not None
        ok, text = True, "done"
        if "recompute" in asked or "compact" in asked:
            self._line.say(busy_s=LONGEST_S)
            try:
                if "compact" in asked:
                    text = give_back(self._writing, lambda: self._say("")).text
                else:
                    actor = str(asked.get("actor", ""))
                    text = carry_out(self._writing.db, self._blocks, str(asked["recompute"]), _now_ms(), actor)
            except (ValueError, NightrakeError, apsw.Error) as error:
                ok, text = False, str(error)
        self._line.say(answer=asked.get("id"), ok=ok, text=text)
        self._say("")

    def _opened(self) -> tuple[Tail, Writing]:
        if self._tail is not None and self._tail.is_left():
            self._close()  # the store was begun anew, or written anew from what was open
        if self._tail is None:
            self._tail = Tail(self._dir)
        if self._writing is None:
            writing = self._writing = Writing(self._dir, _now_ms())
            writing.begin(self._job.epoch or self._tail.meta("epoch"), self._first_free(self._tail), _now_ms())
            self._room = Room(self._writing, self._job.raw_days, self._job.quota_mb)
            self._blocks = Blocks(self._dir)
            self._summarising = Summarising(self._writing.db, self._blocks, self._say)
        return self._tail, self._writing

    def _first_free(self, tail: Tail) -> int:
        """Where the numbers of this life begin, if the watch does not say."""
        return self._job.first_free or tail.span()[0]

    def _keep_room(self, writing: Writing) -> None:
        if time.monotonic() < self._next_room_s:
            return
        while self._room.trim():
            writing.log_fits()
        self._given_up = self._room.given_up
        while self._summarising.retain(self._job.minute_days, self._job.hour_days):
            writing.log_fits()
        self._next_room_s = time.monotonic() + ROOM_PERIOD_S

    def _say(self, error: str, behind_s: float = 0.0) -> None:
        writing = self._writing
        if writing is not None:
            self._sealed = writing.sealed
        size = (self._dir / FILE).stat().st_size if (self._dir / FILE).exists() else 0
        log_bytes = writing.log_bytes() if writing is not None else 0
        facts = {"sealed": self._sealed, "behind_s": round(behind_s, 1), "bytes": size, "log_bytes": log_bytes}
        self._line.say(**facts, **self._trips.facts(), given_up=self._given_up, error=error or self._trips.error)

    def _move_aside(self) -> None:
        self._close()
        for tail in ("", "-wal", "-shm"):
            path = self._dir / f"{FILE}{tail}"
            if path.exists():
                os.rename(path, self._dir / f"{FILE}.damaged-{_now_ms()}{tail}")

    def _close(self) -> None:
        for file in (self._tail, self._blocks, self._writing):
            if file is not None:
                file.close()
        self._tail = self._blocks = self._writing = None


def _words(path: Path, error: Exception) -> str:
    if isinstance(error, NightrakeError):
        return str(error)
    if isinstance(error, apsw.FullError):
        return f"{path}: the disk is full: make room"
    return f"{path}: {error}"


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


def main() -> None:
    """Serve until standard input ends."""
    be_last()
    line = Line()
    # A fault of the program itself: the watch says it, and starts this anew later and later.
    sys.excepthook = lambda kind, error, _: line.say(error=f"history worker: {kind.__name__}: {error}")
    Keeping(Job(**json.loads(sys.argv[1])), line).run()


if __name__ == "__main__":
    main()
