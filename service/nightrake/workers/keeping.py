"""The process that seals: from the hot tail into history.db, whose one writer it is, and keeps that within its bounds.

    python -m nightrake.workers.keeping '{"state_dir": ..., "epoch": ..., "first_free": ..., ...}'

It may be killed anywhere: each cut is one transaction, and the file says where to go on.
"""

from __future__ import annotations

import json
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import apsw

from nightrake.crashpoint import reach
from nightrake.errors import NightrakeError, StoreError
from nightrake.longterm import damage
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.compacting import give_back
from nightrake.longterm.recomputing import carry_out, told, untold
from nightrake.longterm.room import Room
from nightrake.longterm.sealing import Sealing
from nightrake.longterm.sql import is_full
from nightrake.longterm.summarising import mark
from nightrake.longterm.tail import Tail
from nightrake.longterm.writing import FILE, Writing
from nightrake.workers.lastturns import take_the_last_turns
from nightrake.workers.line import Line, be_last
from nightrake.workers.trips import TripKeeping
from nightrake.workers.upkeep import Upkeep, all_losses, all_told

LOOK_S = 5.0
"""How often is looked whether something is due."""
RETRY_S = 10.0
"""Back-off of a disk that fails."""
ALIVE_S = 5.0
"""In long work something is said this often; whoever says nothing for long is ended."""
LONGEST_S = 3600.0
"""What a person asks for may take this long."""
FULL = "the disk is full: the oldest readings are given up before their time; make room"
SHARE = 0.5
"""While much is to be sealed, this share of the time is rested."""


@dataclass(frozen=True)
class Job:
    """What the watch asks for.

    Attributes:
        state_dir: Folder of the store. epoch: Id of the store's life. first_free: First input number of the run.
        site: Site id. sealed: Inputs up to this number are in blocks, as the watch knows; 0 = it knows nothing.
        began_under: Epoch in the file then.
        seal_s: See `Sealing`. raw_days, quota_mb: See `Room`. minute_days, hour_days: See `Summarising.retain`.
        trips_mb: See `longterm.trips`. look_s, retry_s, alive_s: See `LOOK_S`, `RETRY_S`, `ALIVE_S`.
    """

    state_dir: str
    epoch: str = ""
    first_free: int = 0
    site: str = ""
    sealed: int = 0
    began_under: str = ""
    seal_s: float = 0.0
    raw_days: float = 30.0
    minute_days: float = 730.0
    hour_days: float = 3650.0
    quota_mb: int = 16_384
    trips_mb: int = 1024
    look_s: float = LOOK_S
    retry_s: float = RETRY_S
    alive_s: float = ALIVE_S


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
        self._trips = TripKeeping(self._dir, job.trips_mb, self._alive)
        self._upkeep: Upkeep | None = None
        self._said_s = self._behind_s = 0.0
        self._error = self._full = ""
        self._sealed, self._given_up = job.sealed, 0

    def run(self) -> None:
        """Until the watch is gone."""
        asked: dict[str, Any] = {}
        while True:
            wait_s = self._job.look_s
            try:
                if self._turn(everything=bool(asked.get("seal"))):
                    wait_s = 0.0
                if asked:
                    self._answer(asked)
            except (apsw.CorruptError, apsw.NotADBError) as error:
                self._move_aside()
                self._say(f"{self._dir / FILE}: is damaged ({error}); moved aside, a new one is begun")
            except (NightrakeError, apsw.Error, OSError) as error:
                self._say(_words(self._dir / FILE, error))
                self._close()
                wait_s = max(wait_s, self._job.retry_s)
            asked = self._line.ask(wait_s)

    def _turn(self, *, everything: bool) -> bool:
        """Whether there is more to do than one turn may take."""
        tail, writing, upkeep = self._opened()
        self._trips.turn()  # first: they may be waited for, and need nothing sealed
        sealing = Sealing(tail, writing, self._job.seal_s)
        while everything or sealing.is_due():
            if not writing.log_fits():
                self._say("a reader keeps the write-ahead log of history.db large: nothing is sealed until it ends")
                return False
            begin_s = time.monotonic()
            if not self._sealed_some(sealing, upkeep):
                break
            reach("before-seal-told")
            self._say(self._full, behind_s=sealing.behind_s())
            reach("after-seal-told")
            time.sleep(SHARE * (time.monotonic() - begin_s))
        writing.log_fits()
        upkeep.work()
        self._full = "" if upkeep.is_calm else self._full
        self._say(self._full, behind_s=sealing.behind_s())
        return upkeep.more

    def _sealed_some(self, sealing: Sealing, upkeep: Upkeep) -> int:
        """Seal one cut; on a full disk in the place of the oldest."""
        try:
            return sealing.seal(_now_ms(), mark)
        except apsw.FullError:
            if not upkeep.make_room():
                raise
            self._full = FULL
            self._say(FULL)
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
                    text = give_back(self._writing, lambda: self._say(self._error)).text
                else:
                    actor = str(asked.get("actor", ""))
                    text = carry_out(self._writing.db, self._blocks, str(asked["recompute"]), _now_ms(), actor)
            except (ValueError, NightrakeError, apsw.Error) as error:
                ok, text = False, str(error)
        self._line.say(answer=asked.get("id"), ok=ok, text=text)
        self._say(self._error)

    def _opened(self) -> tuple[Tail, Writing, Upkeep]:
        if self._tail is not None and self._tail.is_left():
            self._close()  # the store was begun anew, or written anew from what was open
        if self._writing is not None and self._writing.is_left():
            self._close()  # removed, or another put there: see _look_for_losses
        if self._tail is None:
            self._tail = Tail(self._dir)
        if self._writing is None or self._upkeep is None:
            writing = self._writing = self._begun(self._tail)
            self._look_for_losses(self._tail, writing)
            blocks = self._blocks = Blocks(self._dir)
            room = Room(writing, self._job.raw_days, self._job.quota_mb)
            days = self._job.minute_days, self._job.hour_days
            self._upkeep = Upkeep(writing, blocks, room, days, self._alive, self._say)
            self._tell_untold(writing)
        return self._tail, self._writing, self._upkeep

    def _begun(self, tail: Tail) -> Writing:
        """The file, made where there is none; on a full disk in the place of what was moved aside."""
        try:
            writing = Writing(self._dir, _now_ms())
        except StoreError as error:
            if not is_full(self._dir, error.__cause__) or not damage.drop_oldest(self._dir):
                raise
            writing = Writing(self._dir, _now_ms())
        epoch = self._job.epoch or tail.meta("epoch")
        try:
            writing.begin(epoch, self._first_free(tail), _now_ms(), self._job.site, lambda e: self._is_strange(tail, e))
        except BaseException:
            writing.close()
            raise
        return writing

    def _is_strange(self, tail: Tail, epoch: str) -> bool:
        """Whether a file is of another store: this one has sealed, so its own file knows an epoch of it.

        An earlier version kept no epoch beside the number; a store that was begun anew since would call its own a
        stranger's then.
        """
        began_under = self._job.began_under
        return self._sealed > 0 and began_under != "" and epoch != began_under and not tail.knows(epoch)

    def _first_free(self, tail: Tail) -> int:
        """Where the numbers of this life begin, if the watch does not say."""
        return self._job.first_free or tail.span()[0]

    def _look_for_losses(self, tail: Tail, writing: Writing) -> None:
        """What was sealed and is neither in the file nor in the tail any more is lost: it was removed or exchanged."""
        left = tail.span()[0] or self._sealed + 1
        if writing.sealed < self._sealed and writing.sealed + 1 < left:
            gone = f"inputs {writing.sealed + 1} to {min(self._sealed, left - 1)}"
            text = f"what was sealed of {gone} is gone: {FILE} was removed or exchanged before"
            damage.note_loss(self._dir, _now_ms(), f"{text} {damage.when_text(_now_ms())}; take it out of a backup")
        self._sealed = writing.sealed

    def _tell_untold(self, writing: Writing) -> None:
        """What was recomputed while no watch ran, for the journal."""
        for key, left in untold(writing.db):
            self._line.say(untold=left)
            told(writing.db, key)

    def _alive(self) -> None:
        """In the middle of long work; what failed before is not well yet."""
        if time.monotonic() - self._said_s > self._job.alive_s:
            self._say(self._error)

    def _say(self, error: str, behind_s: float | None = None) -> None:
        writing, self._error = self._writing, error
        if writing is not None and not writing.is_left():  # what has no name any more is not sealed
            self._sealed = writing.sealed
        self._behind_s = self._behind_s if behind_s is None else behind_s
        size = (self._dir / FILE).stat().st_size if (self._dir / FILE).exists() else 0
        log_bytes = writing.log_bytes() if writing is not None else 0
        facts: dict[str, Any] = {
            "sealed": self._sealed,
            "behind_s": round(self._behind_s, 1),
            "bytes": size,
            "log_bytes": log_bytes,
        }
        given_up = self._given_up + (self._upkeep.given_up if self._upkeep is not None else 0)
        facts |= {"given_up": given_up, "damage": all_told(self._upkeep, self._dir)}
        facts["losses"] = all_losses(self._upkeep, self._dir)
        self._line.say(**facts, **self._trips.facts(), error=error or self._trips.error)
        self._said_s = time.monotonic()

    def _move_aside(self) -> None:
        self._close()
        damage.move_aside(self._dir, _now_ms())
        self._sealed = 0

    def _close(self) -> None:
        for file in (self._tail, self._blocks, self._writing):
            if file is not None:
                file.close()
        if self._upkeep is not None:
            self._given_up += self._upkeep.given_up
        self._tail = self._blocks = self._writing = self._upkeep = None


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
    take_the_last_turns()
    line = Line()
    # A fault of the program itself: the watch says it, and starts this anew later and later.
    sys.excepthook = lambda kind, error, _: line.say(error=f"history worker: {kind.__name__}: {error}")
    Keeping(Job(**json.loads(sys.argv[1])), line).run()


if __name__ == "__main__":
    main()
