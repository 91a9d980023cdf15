"""History for a process that is asked again and again: what is not sealed yet is kept at hand, PLC by PLC, packed.

The hot tail is in order of time over all PLCs, and holds an hour or more of a large site. Whoever looks at one drive
each second would read all of it each second; here only what is new of that drive's PLC is read.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from nightrake.domain.rows import TailRecord
from nightrake.errors import StoreError
from nightrake.history.columns import ColumnFault
from nightrake.history.cutting import MOST_SEQ, Marks, is_sound, pieces
from nightrake.history.pack import pack
from nightrake.history.unpack import Unpacked
from nightrake.keptsettings import BUILT
from nightrake.longterm.reading import History, Samples, SettingsThen, Wanted, sliced, within
from nightrake.longterm.tail import SCANNED, Tail, digest_in
from nightrake.longterm.writing import LIFE

PLCS = 32
"""PLCs at hand."""
MOST = 200_000
"""Scans of one PLC at hand: more than an hour of a fast one. Where sealing lags by more, the tail is read as it is."""
FRESH = 1_000
"""Scans that wait to be packed together."""


class _Piece(NamedTuple):
    """Scans packed together: settings in force, earliest and latest stamp, number of the last, and how many."""

    digest: str
    low_utc_ms: int
    high_utc_ms: int
    last_seq: int
    scans: int
    block: Unpacked


@dataclass
class _Plc:
    """One PLC's scans behind what is sealed.

    Attributes:
        to_seq: Looked through up to this input. pieces: Packed. fresh: Not yet.
    """

    to_seq: int
    pieces: list[_Piece] = field(default_factory=list)
    fresh: list[TailRecord] = field(default_factory=list)

    @property
    def count(self) -> int:
        """Scans at hand."""
        return sum(piece.scans for piece in self.pieces) + len(self.fresh)


class WarmHistory(History):
    """See the module; used by one thread at a time.

    Args:
        state_dir: Folder of the store. is_lenient: See `longterm.kept.Kept`.

    Raises:
        StoreError: Neither store nor history can be read.
    """

    def __init__(self, state_dir: Path, *, is_lenient: bool = False) -> None:
        super().__init__(state_dir, is_lenient=is_lenient)
        self._plcs: dict[str, _Plc] = {}
        self._life = -1
        self._reloads: list[tuple[int, str]] = []
        self._reloads_to = 0
        self._snapshot_digests: dict[int, str] = {}
        self._looked_at: dict[str, str] = {}
        self._points: dict[str, dict[str, dict[str, None]]] = {}

    # --- what there is: each of the settings is looked at once --------------------------------------------------------

    def drives(self) -> list[str]:
        """Every drive that any settings kept know, in order of first mention."""
        return list(self._known())

    def roles(self, drive: str) -> list[str]:
        """Roles of the points that a drive has or had (`DriveSpec.points`)."""
        return list(self._known().get(drive, ()))

    def unreadable(self) -> list[str]:
        """A sentence for each of the settings kept that cannot be read; what was recorded under them is left out."""
        self._known()
        return [fault for fault in self._looked_at.values() if fault]

    def in_force(self) -> SettingsThen | None:
        """The settings in force now; None where they are not kept."""
        return self.settings_at(MOST_SEQ)

    def content_of(self, digest: str) -> str:
        """The canonical content of settings as JSON text; "" = not kept."""
        found = self._tail.content(digest) if self._tail is not None else ""
        file = self._file()
        if found or file is None:
            return found
        rows = file.ask("select content from settings where digest = ?", digest)
        return str(rows[0][0]) if rows else ""

    def _endpoints(self, drive: str, role: str) -> list[str]:
        return list(self._known().get(drive, {}).get(role, ()))

    def _known(self) -> dict[str, dict[str, dict[str, None]]]:
        """Drive -> role -> PLCs."""
        file = self._file()
        digests = file.digests() if file is not None else []
        if self._tail is not None:
            digests += [key for key in self._tail.digests() if not key.endswith(BUILT)]
        for digest in digests:
            if digest in self._looked_at:
                continue
            try:
                then = self.settings_of(digest)
            except StoreError as error:
                self._looked_at[digest] = str(error)
                continue
            if then is None:
                continue  # what was built of them comes in a moment
            self._looked_at[digest] = ""
            for drive, spec in then.site.drives.items():
                mine = self._points.setdefault(drive, {})
                for role, point in spec.points().items():
                    mine.setdefault(role, {})[point.endpoint] = None
        return self._points

    # --- readings -----------------------------------------------------------------------------------------------------

    def samples(
        self, drive: str, role: str, from_utc_ms: int, to_utc_ms: int, rows: int = 100_000
    ) -> Iterator[Samples]:
        """As `History.samples`; of a point that moved to another PLC, in order for each of them only."""
        wanted = Wanted(drive, role, from_utc_ms, to_utc_ms, self._endpoints(drive, role))
        tail = self._tail
        plcs = [self._taken(tail, endpoint) for endpoint in wanted.endpoints] if tail is not None else []
        if any(plc is None for plc in plcs):
            yield from super().samples(drive, role, from_utc_ms, to_utc_ms, rows)
            return
        # Numbers up to here are in blocks, however far sealing went since; what is beyond is at hand.
        life, sealed = self._sealed()
        yield from sliced(self._of_blocks(wanted, -1, -1, life * LIFE + sealed), rows)
        for plc in plcs:
            if plc is not None:
                yield from sliced(self._of_plc(plc, wanted, sealed), rows)

    def _taken(self, tail: Tail, endpoint: str) -> _Plc | None:
        """A PLC's scans, up to the newest; None = too many."""
        life, sealed = self._sealed()
        if life != self._life:
            self._plcs.clear()
            self._reloads, self._reloads_to, self._life = [], sealed, life
        plc = self._plcs.pop(endpoint, None) or _Plc(sealed)
        self._plcs[endpoint] = plc
        while len(self._plcs) > PLCS:
            del self._plcs[next(iter(self._plcs))]
        plc.pieces = [piece for piece in plc.pieces if piece.last_seq > sealed]
        plc.to_seq = max(plc.to_seq, sealed)
        first, last = tail.span()
        plc.to_seq = max(plc.to_seq, first - 1)
        while plc.to_seq < last:
            to_seq = min(last, plc.to_seq + SCANNED)
            plc.fresh += [record for record in tail.scans(endpoint, plc.to_seq, to_seq) if is_sound(record)]
            plc.to_seq = to_seq
            if len(plc.fresh) >= FRESH:
                plc.pieces += self._packed(plc.fresh)
                plc.fresh = []
            if plc.count > MOST:
                del self._plcs[endpoint]
                return None
        return plc

    def _packed(self, records: list[TailRecord]) -> list[_Piece]:
        found = []
        for piece in pieces(records, Marks((), ()), self._marks()):
            stamps = [record.utc_ms for record in piece.records]
            block = Unpacked.of(pack(piece.records))
            last = piece.records[-1].seq
            found.append(_Piece(piece.digest, min(stamps), max(stamps), last, len(stamps), block))
        return found

    def _of_plc(self, plc: _Plc, wanted: Wanted, sealed: int) -> Iterator[Samples]:
        for piece in [*plc.pieces, *self._packed([r for r in plc.fresh if wanted.holds(r)])]:
            if piece.last_seq <= sealed or piece.high_utc_ms < wanted.from_utc_ms:
                continue
            if piece.low_utc_ms > wanted.to_utc_ms:
                continue
            try:
                found = self._read(piece.block, piece.digest, wanted, sealed)
            except ColumnFault:  # it was packed here: a reading of the store that no layout fits
                continue
            if found is not None:
                yield within(found, wanted.from_utc_ms, wanted.to_utc_ms)

    def _marks(self) -> Marks:
        """As `Kept._marks`; snapshots and reloads are looked at once."""
        file, (life, sealed) = self._file(), self._sealed()
        before = file.digest_at(life * LIFE + sealed) if file is not None else ""
        told: list[tuple[int, str]] = []
        if self._tail is not None:
            told = [(seq + 1, self._digest_of(self._tail, seq)) for seq, _ in self._tail.snapshots(sealed - 1)]
            newest = self._tail.span()[1]
            self._reloads += self._tail.reloads(max(self._reloads_to, sealed))
            self._reloads_to = max(self._reloads_to, newest)
            self._reloads = [one for one in self._reloads if one[0] > sealed]
            told += self._reloads
        told = sorted({one for one in told if one[1]})
        first = told[0][1] if told and not before else before
        return Marks([seq for seq, _ in told], [digest for _, digest in told], first)

    def _digest_of(self, tail: Tail, seq: int) -> str:
        if seq not in self._snapshot_digests:
            if len(self._snapshot_digests) > 200:
                self._snapshot_digests.clear()
            self._snapshot_digests[seq] = digest_in(tail.snapshot(seq))
        return self._snapshot_digests[seq]


__all__ = ["WarmHistory"]
