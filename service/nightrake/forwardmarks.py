"""How far forwarding has got, and from where a run after this one begins: the kept cursor and what stands beside it.

At least once: the kept cursor stays behind what the store has acknowledged, since a store that is killed forgets its
last seconds: half a minute; in the first half minute of a run ten seconds, for a watch that keeps dying young must get
on too.

A run that dies within those ten seconds cannot move the cursor by itself: whatever it sent, the store may yet forget.
So it leaves a landmark beside the cursor: up to where the store had acknowledged, and when. The runs after it send the
same again, from the cursor on. One that has come past the landmark's place half a minute or more after it, under the
same start of the machine, and with no trouble with the store in any run since, moves the cursor there: the store has
acknowledged that twice, long apart. Whatever it was killed in between, it holds the second; to lose a sample it would
have to be killed within seconds of both, and be back each time before any run noticed. Without a landmark a watch in a
crash loop would send the same for ever, and ever more of it.

How long a store really takes to save something nobody here can know; its disk may hang. So places further back are
remembered as well, some minutes' worth, for when a loss has shown that more is gone (`Place.go_back_behind`).
"""

from __future__ import annotations

import contextlib
from collections import deque
from collections.abc import Callable
from typing import NamedTuple

from nightrake.historian.stamps import Stamps, Used
from nightrake.journal.damage import WRONG
from nightrake.journal.store import Store

CURSOR = "forward"
RESEND_NS = 30_000_000_000
FIRST_NS = 10_000_000_000
"""After this long a store has saved what it acknowledged: twice the 5 s within which VictoriaMetrics saves what it
holds in memory unless told otherwise (`-inmemoryDataFlushInterval`; the value is from memory)."""
OLDER = 12
"""Places before the last half minute, half a minute apart: for a store that turns out to have forgotten more."""
LANDMARK_NS = 1_000_000_000
"""How often a young run renews its landmark."""


class Mark(NamedTuple):
    """A place to go back to: the cursors and stamps as they stood."""

    mono_ns: int
    tail_seq: int
    row_seq: int
    stamps: Used


class Landmark(NamedTuple):
    """Up to where the store had acknowledged in a run that may die young.

    Attributes:
        mark: Cursors, stamps and time. boot_id: The start of the machine that its time belongs to. ours: Of this run.
    """

    mark: Mark
    boot_id: str
    ours: bool

    @property
    def kept(self) -> str:
        """As text, in one line."""
        at = self.mark
        return f"{at.tail_seq} {at.row_seq} {at.mono_ns} {self.boot_id} {at.stamps.kept}"


class Place:
    """Where forwarding is.

    Args:
        store: Keeps the cursor. mono_ns: The monotonic clock. newest_input: gives the number of the newest input.

    Attributes:
        at: What comes next is sent from here. verified_ns: Until when what was written was found again in the store,
            monotonic: the kept cursor goes no further. None = the store cannot be asked.
    """

    def __init__(self, store: Store, mono_ns: Callable[[], int], newest_input: Callable[[], int]) -> None:
        self._store = store
        self._mono_ns = mono_ns
        self._newest_input = newest_input
        self._boot_id = store.opened.boots[-1].boot_id
        self._landmark: Landmark | None = None
        self.at = self._begin_at()
        self._marks: deque[Mark] = deque([self.at])
        self._older: deque[Mark] = deque(maxlen=OLDER)
        self._begin = self._kept = self.at
        self._begun_ns = self.at.mono_ns
        self._saved: tuple[Mark, Landmark | None] = self._begin, self._landmark
        self.verified_ns: int | None = None

    @property
    def safe(self) -> Mark:
        """Up to where everything was acknowledged long ago."""
        return self._marks[0]

    def _begin_at(self) -> Mark:
        """Where the last run had got to; as new where that cannot be read: what comes again comes as it came before."""
        kept, now_ns = self._store.get_cursor(CURSOR), self._mono_ns()
        begin = Mark(now_ns, 0, 0, Used.of(""))
        if kept is None:
            return begin
        at: Mark | None = None
        with contextlib.suppress(*WRONG):
            at = _mark_of(now_ns, kept[1], kept[2])
        if at is None or not self._is_ours(at):
            self._store.damage.add("a cursor, so that its destination begins as new", CURSOR)
            return begin
        with contextlib.suppress(*WRONG):  # a damaged one is as none
            landmark = _landmark_of(kept[2], self._boot_id, now_ns)
            self._landmark = landmark if landmark is not None and self._is_ours(landmark.mark) else None
        return at

    def _is_ours(self, mark: Mark) -> bool:
        return mark.tail_seq <= self._newest_input() and mark.row_seq <= self._store.reserved_seq

    def advance(self, tail_seq: int, row_seq: int, stamps: Used) -> None:
        """The store has acknowledged everything up to there.

        Args:
            tail_seq, row_seq: Numbers of the last record and the last row. stamps: As they stand now.
        """
        now_ns = self._mono_ns()
        self.at = Mark(now_ns, tail_seq, row_seq, stamps)
        if now_ns - self._marks[-1].mono_ns >= 1_000_000_000:
            self._marks.append(self.at)
        known_ns = now_ns if self.verified_ns is None else self.verified_ns
        while len(self._marks) > 1 and self._marks[1].mono_ns < min(now_ns - RESEND_NS, known_ns):
            mark = self._marks.popleft()
            if not self._older or mark.mono_ns - self._older[-1].mono_ns >= RESEND_NS:
                self._older.append(mark)
        self._kept = self._safe(now_ns)
        self._leave_landmark(now_ns)
        self._save()

    def _save(self) -> None:
        if (self._kept, self._landmark) == self._saved:
            return
        self._saved = safe, landmark = self._kept, self._landmark
        extra = f"{safe.row_seq} {safe.stamps.kept}" + (f"\n{landmark.kept}" if landmark is not None else "")
        self._store.set_cursor(CURSOR, self._store.epoch, safe.tail_seq, extra)

    def _safe(self, now_ns: int) -> Mark:
        """Up to where the store has saved everything, whatever becomes of it and of us; never further back."""
        safe = self._marks[0]
        if safe is self._begin:
            safe = next((m for m in reversed(self._marks) if now_ns - m.mono_ns > FIRST_NS), safe)
        safe = max(safe, self._kept, key=_place)
        earlier = self._landmark
        if earlier is None or earlier.ours or now_ns - earlier.mark.mono_ns <= RESEND_NS:
            return safe
        return max(safe, earlier.mark, key=_place) if _place(self.at) >= _place(earlier.mark) else safe

    def _leave_landmark(self, now_ns: int) -> None:
        """Leave a landmark while this run is young; one of an earlier run stays until the cursor has come past it."""
        landmark = self._landmark
        if landmark is not None and _place(self._kept) >= _place(landmark.mark):
            landmark = None
        young = now_ns - self._begun_ns <= FIRST_NS
        if not young:
            landmark = None if landmark is None or landmark.ours else landmark
        elif landmark is None or (landmark.ours and now_ns - landmark.mark.mono_ns >= LANDMARK_NS):
            landmark = Landmark(self.at, self._boot_id, ours=True)
        self._landmark = landmark

    def jump(self, tail_seq: int, samples: Stamps) -> None:
        """Go on with samples somewhere else: what lies before is another's. Events go on as they are.

        Args:
            tail_seq: Number of the input behind which to go on. samples: Stamps to go on with.
        """
        safe, at = self._marks[0], self.at
        first = Mark(safe.mono_ns, tail_seq, safe.row_seq, Used(samples, safe.stamps.events))
        self.at = Mark(self._mono_ns(), tail_seq, at.row_seq, Used(samples, at.stamps.events))
        self._marks = deque([first, self.at])
        self._older.clear()  # what lies there is sent by somebody else, under stamps that this lane would not give
        self._begin = self._kept = first
        self._landmark = None
        self._save()

    def go_back(self) -> None:
        """What the store has acknowledged lately may be lost with it: begin again behind it, stamps included."""
        self.at = self._marks[0]
        self._marks = deque([self.at])
        self._begin = self._kept = self.at
        if self._landmark is not None:
            self._landmark = None
            self._save()  # at once: should this run die now, the next must not trust what came before the trouble

    def go_back_behind(self, kept_until_ns: int | None) -> None:
        """After a loss: the store is known to have kept what was written up to then, and perhaps nothing since.

        Args:
            kept_until_ns: Monotonic. None = not known: then `go_back` was enough, as far as anybody can tell.
        """
        if kept_until_ns is None or self._marks[0].mono_ns <= kept_until_ns:
            return
        while self._older:
            self._marks.appendleft(self._older.pop())
            if self._marks[0].mono_ns <= kept_until_ns - FIRST_NS:
                break
        self.go_back()
        self._save()  # at once, as in `go_back`


def _mark_of(now_ns: int, tail_seq: int, extra: str) -> Mark:
    """Where the kept cursor says.

    Raises:
        ValueError, TypeError, LookupError, AttributeError: It is damaged.
    """
    row_seq, _, used = extra.partition("\n")[0].partition(" ")
    if "," in row_seq:  # as earlier versions kept it
        used, _, row_seq = extra.rpartition(",")
    return Mark(now_ns, tail_seq, int(row_seq), Used.of(used))


def _place(mark: Mark) -> tuple[int, int]:
    return mark.tail_seq, mark.row_seq


def _landmark_of(extra: str, boot_id: str, now_ns: int) -> Landmark | None:
    """What an earlier run has left beside the cursor, if its time still means anything.

    Raises:
        ValueError, TypeError, LookupError, AttributeError: It is damaged.
    """
    text = extra.partition("\n")[2]
    if not text:
        return None
    tail_seq, row_seq, mono_ns, boot, used = text.split(" ", 4)
    mark = Mark(int(mono_ns), int(tail_seq), int(row_seq), Used.of(used))
    return Landmark(mark, boot, ours=False) if boot == boot_id and mark.mono_ns <= now_ns else None
