"""Readings of one drive by input numbers, scan by scan: what a trip record is made of.

By numbers and not by time of day, so that a clock that is set back or ahead in a record's time hides nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from nightrake.domain.rows import TailRecord
from nightrake.domain.site import DriveSpec
from nightrake.history.columns import ColumnFault
from nightrake.history.cutting import Marks, is_sound, pieces
from nightrake.history.pack import pack
from nightrake.history.trips import At, Trip, inside
from nightrake.history.tripscans import Scans, scans_of
from nightrake.history.unpack import Unpacked
from nightrake.longterm.blocks import Blocks, Damaged
from nightrake.longterm.reading import History
from nightrake.longterm.writing import LIFE

MS_NS = 1_000_000


class Bounds(NamedTuple):
    """What of a record is wanted.

    Attributes:
        from_seq, to_seq: Input numbers, both included. before_ms, after_ms: Ends of the record from its trip; None =
            open.
    """

    from_seq: int
    to_seq: int
    before_ms: int
    after_ms: int | None


class TripReading(History):
    """History as trip records need it; see `History`."""

    def newest(self) -> tuple[int, At] | None:
        """Number and moment of the newest recorded input; None = the tail is empty."""
        newest = self._tail.newest() if self._tail is not None else None
        if newest is None or self._tail is None:
            return None
        boots = self._tail.boots()
        return newest[0], At(boots[-1][1] if boots else "", newest[1], newest[2])

    def first_seq(self, trip: Trip, before_ms: int) -> int:
        """An input number at or before a record's begin, at most some hours before it."""
        file, (life, sealed) = self._file(), self._sealed()
        lowest = self.seq_span()[0]
        if file is None:
            return lowest
        boot = file.number(trip.at.boot_id)
        bounds = (life * LIFE, life * LIFE + max(trip.input_seq, 1), trip.at.mono_ns - before_ms * MS_NS)
        where = "from block where first_place >= ? and first_place <= ?"
        same = f"select min(first_place), min(first_mono_ns) {where} and boot = {boot} and last_mono_ns >= ?"
        first, from_ns = file.ask(same, *bounds)[0]
        if first is None or from_ns > bounds[2]:  # the machine was started meanwhile
            other = f"select min(first_place) {where} and boot <> {boot} and high_utc_ms >= ?"
            found = file.ask(other, *bounds[:2], trip.at.utc_ms - before_ms)[0][0]
            first = found if found is not None else first
        return max(lowest, int(first) - life * LIFE if first is not None else sealed + 1)

    def last_seq(self, trip: Trip, after_ms: int, newest_seq: int) -> int:
        """An input number at or after a record's end."""
        file, (life, sealed) = self._file(), self._sealed()
        if file is None or sealed <= trip.input_seq:
            return newest_seq
        boot = file.number(trip.at.boot_id)
        statement = (
            "select max(last_place) from block where last_place >= ? and last_place < ?"
            f" and ((boot = {boot} and first_mono_ns <= ?) or (boot <> {boot} and low_utc_ms <= ?))"
        )
        limits = (trip.at.mono_ns + after_ms * MS_NS, trip.at.utc_ms + after_ms)
        begin = life * LIFE
        last = file.ask(statement, begin + trip.input_seq, begin + LIFE, *limits)[0][0]
        beyond = "select 1 from block where first_place > ? and first_place < ? limit 1"
        if last is not None and file.ask(beyond, int(last), begin + LIFE):
            return int(last) - begin
        return newest_seq

    def scans(self, trip: Trip, bounds: Bounds) -> Iterator[Scans]:
        """What was read of a record's drive; damaged hours are passed over, see `damaged`.

        Raises:
            StoreError: It cannot be read.
        """
        at = bounds.from_seq - 1
        while at < bounds.to_seq:
            file, (life, sealed) = self._file(), self._sealed()
            if file is not None and at < sealed:
                cut = file.cut_after(life * LIFE + at)
                if cut is not None:
                    yield from self._of_sealed(file, trip, bounds, cut[1])
                at = cut[1] - life * LIFE if cut is not None else sealed
                continue
            marks = self._marks()
            found = self._tail.after(at) if self._tail is not None else []
            if self._sealed() != (life, sealed):
                continue  # what was read may have been dropped in between: sealed now, it is read from there
            if not found:
                return
            yield from self._of_unsealed(trip, bounds, marks, found)
            at = found[-1].seq

    def _of_sealed(self, file: Blocks, trip: Trip, bounds: Bounds, last_place: int) -> Iterator[Scans]:
        for row in file.in_cut(last_place):
            digest = row.digest or file.digest_at(row.first_place)
            spec = self._spec(trip.drive, digest)
            if spec is None or row.endpoint not in _plcs(spec):
                continue
            try:
                found = self._scans(trip, bounds, file.open(row), digest, spec)
            except (ColumnFault, Damaged) as fault:
                if file.is_there(row):  # it may just have been given up by retention
                    self.damaged.append(f"block {row.id} of {row.endpoint} cannot be read ({fault})")
                continue
            if found is not None:
                yield found

    def _of_unsealed(self, trip: Trip, bounds: Bounds, digests: Marks, records: list[TailRecord]) -> Iterator[Scans]:
        boots = self._tail.boots() if self._tail is not None else []
        named = Marks([first for first, _ in boots], [name for _, name in boots])
        scans = [r for r in records if is_sound(r) and r.kind == "scan" and r.seq <= bounds.to_seq]
        known = {digest: self._spec(trip.drive, digest) for digest in {digests.of(r.seq) for r in scans}}
        plcs = {plc for spec in known.values() if spec is not None for plc in _plcs(spec)}
        for piece in pieces((r for r in scans if r.endpoint in plcs), named, digests):
            spec = known.get(piece.digest)
            if spec is None:
                continue
            block = Unpacked.of(pack(piece.records), piece.boot_id)
            found = self._scans(trip, bounds, block, piece.digest, spec)
            if found is not None:
                yield found

    def _spec(self, drive: str, digest: str) -> DriveSpec | None:
        then = self.settings_of(digest) if digest else None
        return then.site.drives.get(drive) if then is not None else None

    def _scans(self, trip: Trip, bounds: Bounds, block: Unpacked, digest: str, spec: DriveSpec) -> Scans | None:
        plan = self.layout(block.layout) if block.layout else None
        if plan is None:
            return None
        seq = block.seq()
        mine = inside(trip, block.boot_id, block.mono_ns(), block.utc_ms(), bounds.before_ms, bounds.after_ms)
        mine &= (seq >= bounds.from_seq) & (seq <= bounds.to_seq)
        return scans_of(block, plan, spec, digest, mine) if mine.any() else None


def _plcs(spec: DriveSpec) -> set[str]:
    return {point.endpoint for point in spec.points().values()}
