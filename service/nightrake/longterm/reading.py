"""One history for whoever asks: sealed blocks, then what is still in the hot tail; each record once, in order.

Everything is read in slices of bounded size, between which nothing is held: a reader that stops in the middle holds
neither the watch nor the worker up.
"""

from __future__ import annotations

from collections.abc import Iterator
from heapq import merge
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.domain.rows import TailRecord
from nightrake.domain.site import PointSpec
from nightrake.errors import StoreError
from nightrake.history.columns import ColumnFault
from nightrake.history.cutting import Marks, is_sound, pieces
from nightrake.history.pack import pack
from nightrake.history.series import Floats, read
from nightrake.history.shapes import I64, Bytes
from nightrake.history.unpack import Unpacked
from nightrake.longterm.blocks import BlockRow, Blocks, Damaged
from nightrake.longterm.kept import Kept, SettingsThen
from nightrake.longterm.stretch import SealedStretch, stamps_within
from nightrake.longterm.writing import LEFT_OUT, LIFE

__all__ = ["History", "Samples", "SettingsThen", "Wanted", "sliced", "within"]


class Samples(NamedTuple):
    """Readings of one point, one slice of them.

    Attributes:
        utc_ms: When their scans ended. value: Scaled, bits 0 or 1; NaN where `quality` is not 0.
        quality: See `history.series`. spec: The point. digest: Settings in force.
    """

    utc_ms: I64
    value: Floats
    quality: Bytes
    spec: PointSpec
    digest: str


class Wanted(NamedTuple):
    """What is asked for.

    Attributes:
        drive, role: The point. from_utc_ms, to_utc_ms: The time. endpoints: PLCs that it is or was read from.
    """

    drive: str
    role: str
    from_utc_ms: int
    to_utc_ms: int
    endpoints: list[str]

    def holds(self, record: TailRecord) -> bool:
        """Whether a record may hold such samples."""
        return record.endpoint in self.endpoints and self.from_utc_ms <= record.utc_ms <= self.to_utc_ms


class History(Kept):
    """See the module; used by one thread at a time.

    Args:
        state_dir: Folder of the store. is_lenient: See `Kept`.

    Attributes:
        damaged: Sealed blocks that could not be read, in words; `samples` passes over them.

    Raises:
        StoreError: Neither store nor history can be read.
    """

    def __init__(self, state_dir: Path, *, is_lenient: bool = False) -> None:
        super().__init__(state_dir, is_lenient=is_lenient)
        self.damaged: list[str] = []

    # --- what there is ------------------------------------------------------------------------------------------------

    def sealed_seq(self) -> int:
        """Inputs up to this number are in blocks."""
        return self._sealed()[1]

    def drives(self) -> list[str]:
        """Every drive that any settings kept know, in order of first mention."""
        return list(dict.fromkeys(drive for then in self._all_settings() for drive in then.site.drives))

    def roles(self, drive: str) -> list[str]:
        """Roles of the points that a drive has or had (`DriveSpec.points`)."""
        sites = [then.site for then in self._all_settings() if drive in then.site.drives]
        return list(dict.fromkeys(role for site in sites for role in site.drives[drive].points()))

    def span(self) -> tuple[int, int] | None:
        """First and last time kept, UTC ms; None = nothing is."""
        file, tail = self._file(), self._tail
        found = [file.span_ms() if file is not None else None]
        if tail is not None and (newest := tail.newest()) is not None:
            first = next((r for r in tail.after(self.sealed_seq(), 100) if is_sound(r)), None)
            found.append((first.utc_ms if first is not None else newest[2], newest[2]))
        whole = [one for one in found if one is not None]
        return (min(low for low, _ in whole), max(high for _, high in whole)) if whole else None

    def seq_span(self) -> tuple[int, int]:
        """First and last input number kept of the present life; (0, 0) = none."""
        file = self._file()
        life, sealed = self._sealed()
        first, last = self._tail.span() if self._tail is not None else (0, 0)
        cut = file.cut_after(life * LIFE) if file is not None else None
        if cut is not None:
            return cut[0] - life * LIFE, max(last, sealed)
        return first, last

    def stretch(self, from_utc_ms: int, to_utc_ms: int) -> tuple[int, int] | None:
        """First and last input number of the present life whose stamps lie in a period, its end not included.

        However the clock was set between them; those in between may have other stamps. None = there is none.

        Raises:
            StoreError: It cannot be read.
        """
        while True:
            file, (life, sealed) = self._file(), self._sealed()
            found: list[int] = []
            if file is not None:
                within = SealedStretch(file, life, from_utc_ms, to_utc_ms)
                found += [seq for seq in (within.first(), within.last()) if seq is not None]
            mine = self._tail.stretch(sealed, from_utc_ms, to_utc_ms) if self._tail is not None else None
            found += mine[:2] if mine is not None else ()
            if self._sealed() == (life, sealed):  # else what was looked for may have been dropped in between
                return (min(found), max(found)) if found else None

    def bounds(self, drive: str, role: str, from_utc_ms: int, to_utc_ms: int) -> tuple[int, int] | None:
        """About the first and the last stamp within a period of readings that may hold a point; None = there is none.

        Raises:
            StoreError: It cannot be read.
        """
        endpoints = self._endpoints(drive, role)
        while True:
            file, (life, sealed) = self._file(), self._sealed()
            within = stamps_within(file, endpoints, from_utc_ms, to_utc_ms) if file is not None else None
            mine = self._tail.stretch(sealed, from_utc_ms, to_utc_ms) if self._tail is not None else None
            if self._sealed() == (life, sealed):
                found = [one for one in (within, mine[2:] if mine is not None else None) if one is not None]
                return (min(low for low, _ in found), max(high for _, high in found)) if found else None

    def of_other_lives(self, from_utc_ms: int, to_utc_ms: int) -> int:
        """About how many inputs of a period were sealed before the store was lost or put back; their numbers recur."""
        file = self._file()
        return SealedStretch(file, self._sealed()[0], from_utc_ms, to_utc_ms).of_other_lives() if file else 0

    # --- records ------------------------------------------------------------------------------------------------------

    def records(self, from_seq: int, to_seq: int) -> Iterator[TailRecord]:
        """Every record of the present life from one number to another, both included, in order, as it was.

        Raises:
            StoreError: They cannot be read; a damaged block is named.
        """
        at = from_seq - 1
        while at < to_seq:
            life, sealed = self._sealed()
            file = self._file()
            cut = file.cut_after(life * LIFE + at) if file is not None and at < sealed else None
            if file is not None and cut is not None:
                if file.left_out(life * LIFE + at + 1, cut[1]):
                    raise StoreError(f"{file.path}: part of a sealed hour {LEFT_OUT}; take it out of a backup")
                for record in self._of_cut(file, cut[1]):
                    if at < record.seq <= to_seq:
                        yield record
                at = cut[1] - life * LIFE
                continue
            at = max(at, sealed)
            found = self._tail.after(at) if self._tail is not None else []
            if self._sealed() != (life, sealed):
                continue  # what was read may have been dropped in between: sealed now, it is read from there
            if not found:
                return
            yield from (record for record in found if is_sound(record) and record.seq <= to_seq)
            at = found[-1].seq

    def _of_cut(self, file: Blocks, last_place: int) -> Iterator[TailRecord]:
        try:
            opened = [file.open(row) for row in file.in_cut(last_place)]
            yield from merge(*(block.records() for block in opened), key=lambda record: record.seq)
        except (ColumnFault, Damaged) as fault:
            if isinstance(fault, ColumnFault) and not file.ask("select 1 from cut where last_place = ?", last_place):
                text = "what is asked for went meanwhile, for it is past raw_days; ask for a later time"
                raise StoreError(f"{file.path}: {text}") from fault
            raise StoreError(
                f"{file.path}: a sealed hour cannot be read ({fault}); restore it from a backup"
            ) from fault

    # --- samples ------------------------------------------------------------------------------------------------------

    def samples(
        self, drive: str, role: str, from_utc_ms: int, to_utc_ms: int, rows: int = 100_000
    ) -> Iterator[Samples]:
        """A point's readings in a time, both ends included, in the order in which they were read.

        Args:
            drive, role: See `roles`. from_utc_ms, to_utc_ms: By the stamps that they have. rows: In one slice at most.

        Raises:
            StoreError: They cannot be read.
        """
        wanted = Wanted(drive, role, from_utc_ms, to_utc_ms, self._endpoints(drive, role))
        listed = done = -1
        while True:
            life, sealed = self._sealed()
            end = life * LIFE + sealed
            yield from sliced(self._of_blocks(wanted, listed, done, end), rows)
            listed, done = end, max(done, end)
            if self._tail is None:
                return
            marks = self._marks()
            while self._sealed() == (life, sealed):
                found = self._tail.after(done - life * LIFE)
                if self._sealed() != (life, sealed):
                    break  # what was read may have been dropped in between: sealed now, it is read from there
                if not found:
                    return
                yield from sliced(self._of_tail(found, marks, wanted), rows)
                done = life * LIFE + found[-1].seq

    def _of_blocks(self, wanted: Wanted, listed: int, done: int, end: int) -> Iterator[Samples]:
        """Sealed samples. listed: Blocks up to this place were read. done: And samples up to this. end: To this."""
        file = self._file()
        while file is not None:
            try:
                found = file.listed(wanted.endpoints, listed, wanted.from_utc_ms, wanted.to_utc_ms, end)
            except Damaged as fault:
                if not self._is_lenient:
                    raise
                self.damaged.append(f"{fault}; sealed readings of {wanted.role} are not all shown")
                return
            if not found:
                return
            for row in found:
                yield from self._of_block(file, row, wanted, done)
            listed = found[-1].first_place

    def _endpoints(self, drive: str, role: str) -> list[str]:
        """PLCs that a point is or was read from."""
        sites = [then.site for then in self._all_settings() if drive in then.site.drives]
        points = [site.drives[drive].points().get(role) for site in sites]
        return list(dict.fromkeys(point.endpoint for point in points if point is not None))

    def _of_block(self, file: Blocks, row: BlockRow, wanted: Wanted, done: int) -> Iterator[Samples]:
        digest = row.digest or file.digest_at(row.first_place)
        inside = wanted.from_utc_ms <= row.low_utc_ms and row.high_utc_ms <= wanted.to_utc_ms
        try:
            after = done % LIFE if row.first_place <= done else -1
            found = self._read(file.open(row), digest, wanted, after)
        except (ColumnFault, Damaged) as fault:
            if file.is_there(row):  # it may just have been given up by retention
                self.damaged.append(f"{file.path}: block {row.id} of {row.endpoint} cannot be read ({fault})")
            return
        if found is not None:
            yield found if inside else within(found, wanted.from_utc_ms, wanted.to_utc_ms)

    def _of_tail(self, records: list[TailRecord], marks: Marks, wanted: Wanted) -> Iterator[Samples]:
        mine = [record for record in records if is_sound(record) and wanted.holds(record)]
        for piece in pieces(mine, Marks((), ()), marks):
            found = self._read(Unpacked.of(pack(piece.records)), piece.digest, wanted)
            if found is not None:
                yield found

    def _read(self, block: Unpacked, digest: str, wanted: Wanted, after: int = -1) -> Samples | None:
        then = self.settings_of(digest) if digest else None
        spec = then.site.drives.get(wanted.drive) if then is not None else None
        point = spec.points().get(wanted.role) if spec is not None else None
        plan = self.layout(block.layout) if point is not None and point.endpoint == block.endpoint else None
        series = read(block, plan, point) if plan is not None and point is not None else None
        if series is None or point is None:
            return None
        utc_ms = block.utc_ms()
        stamps = utc_ms if len(series.rows) == len(utc_ms) else utc_ms[series.rows]
        found = Samples(stamps, series.value, series.quality, point, digest)
        return found if after < 0 else _chosen(found, block.seq()[series.rows] > after)


def within(found: Samples, from_utc_ms: int, to_utc_ms: int) -> Samples:
    """Those of a time, both ends included."""
    return _chosen(found, (found.utc_ms >= from_utc_ms) & (found.utc_ms <= to_utc_ms))


def _chosen(found: Samples, mine: npt.NDArray[np.bool_]) -> Samples:
    return found._replace(utc_ms=found.utc_ms[mine], value=found.value[mine], quality=found.quality[mine])


def sliced(found: Iterator[Samples], rows: int) -> Iterator[Samples]:
    """Slices of a bounded size, none empty."""
    for one in found:
        for begin in range(0, len(one.utc_ms), rows):
            part = slice(begin, begin + rows)
            yield one._replace(utc_ms=one.utc_ms[part], value=one.value[part], quality=one.quality[part])
