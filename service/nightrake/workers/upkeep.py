"""What the history worker does beside sealing: summaries, retention; and what it has met that is damaged.

What is sealed now is sound, what is older may not be: so damage met here ends neither sealing nor the other part.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from pathlib import Path

import apsw

from nightrake.longterm import damage
from nightrake.longterm.blocks import Blocks, Damaged
from nightrake.longterm.room import Room
from nightrake.longterm.summarising import Summarising
from nightrake.longterm.writing import Writing

ROOM_PERIOD_S = 60.0
TURN_S = 20.0
"""Summaries and retention go on for this long, then come again at once: between two turns people are answered."""
WITHIN = "within"
MOST_LOSSES = 100
NOT_KEPT = "nothing more can be given up, so that raw_days and quota_mb are not kept"


class Upkeep:
    """Keeps an open history summarised and within its bounds.

    Args:
        writing, blocks: The file, open for writing and for reading. room: Of it. keep_days: Of minutes, of hours.
        alive: Called now and then in long work. say: Takes a sentence about what is no damage.

    Attributes:
        more: There was more to do than one turn may take.

    Raises:
        apsw.Error: The file cannot be read.
    """

    def __init__(
        self,
        writing: Writing,
        blocks: Blocks,
        room: Room,
        keep_days: tuple[float, float],
        alive: Callable[[], None],
        say: Callable[[str], None],
    ) -> None:
        self._writing, self._room, self._keep_days, self._alive = writing, room, keep_days, alive
        self._summarising = Summarising(writing.db, blocks, self.met_damage, say)
        self._damage, self._no_room = damage.noted(writing), ""
        self._next_room_s = 0.0
        self.more = False

    @property
    def given_up(self) -> int:
        """Readings that went before their time."""
        return self._room.given_up

    def work(self) -> None:
        """One turn.

        Raises:
            apsw.Error: The disk fails. StoreError, OSError: likewise.
        """
        self.more = False
        for part in (self._summarise, self._keep_room):
            try:
                part()
            except (apsw.CorruptError, apsw.NotADBError, Damaged) as error:
                self.met_damage(f"{self._writing.path}: something in it is damaged ({error})")

    @property
    def is_calm(self) -> bool:
        """See `Room.is_calm`."""
        return self._room.is_calm()

    def make_room(self) -> bool:
        """The disk took no more: give up the oldest; whether there was anything, and it could be."""
        try:
            return self._room.make_room()
        except apsw.CorruptError as error:
            # It is not moved aside for that: on a full disk no new one could be begun.
            self._no_room = NOT_KEPT
            self.met_damage(f"{self._writing.path}: the oldest in it cannot be given up, for it is damaged ({error})")
            return False

    def met_damage(self, sentence: str) -> None:
        """Something in the file is damaged: remembered in it, and told for as long as it is there."""
        self._damage = self._damage or sentence
        if not self._writing.db.in_transaction:
            with contextlib.suppress(apsw.Error):  # it is told all the same
                damage.note(self._writing, sentence)

    def told(self) -> str:
        """What is damaged in the file, and what that means for its bounds; "" = nothing."""
        parts = (self._damage, self._no_room, "restore it from a backup when that suits")
        return "; ".join(part for part in parts if part) if self._damage or self._no_room else ""

    def _summarise(self) -> None:
        self._go_on(lambda: self._summarising.work() > 0)

    def _keep_room(self) -> None:
        if time.monotonic() < self._next_room_s:
            return
        try:
            for act in (self._room.trim, lambda: self._summarising.retain(*self._keep_days) > 0):
                if not self._go_on(act):
                    return
        except apsw.CorruptError:
            self._no_room = NOT_KEPT
            raise
        if damage.forget(self._writing):
            self._damage = ""
        stuck = damage.stuck_bytes(self._writing) / 1024**2
        self._no_room = f"{stuck:.1f} MiB of damaged pages cannot be freed and lie beyond quota_mb" if stuck else ""
        if stuck:
            self.met_damage(f"{self._writing.path}: something in it is damaged, which retention has met")
        self._next_room_s = time.monotonic() + ROOM_PERIOD_S

    def _go_on(self, act: Callable[[], bool]) -> bool:
        """Do something until there is no more of it, or the turn is over; whether there is no more."""
        end_s = time.monotonic() + TURN_S
        while act():
            self._writing.log_fits()
            self._alive()
            if time.monotonic() > end_s:
                self.more = True
                return False
        return True


def all_told(upkeep: Upkeep | None, state_dir: Path) -> str:
    """Everything of the history that is lost or damaged; "" = nothing."""
    within = upkeep.told() if upkeep is not None else ""
    return ". ".join(part for part in (within, damage.told(state_dir)) if part)


def all_losses(upkeep: Upkeep | None, state_dir: Path) -> list[str]:
    """What each of these is told apart by; the newest `MOST_LOSSES`."""
    within = [WITHIN] if upkeep is not None and upkeep.told() else []
    return [*within, *damage.names(state_dir)][-MOST_LOSSES:]
