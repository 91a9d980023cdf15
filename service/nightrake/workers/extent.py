"""How the clock went while a stretch of the record was made: what its stamps will span, before any of them is given."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Iterable, Iterator
from contextlib import closing
from pathlib import Path

from nightrake.errors import StoreError
from nightrake.historian.dating import Dating
from nightrake.historian.split import Extent, Going
from nightrake.history.cutting import is_sound
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.sql import Slow
from nightrake.longterm.tail import SLICE, Tail
from nightrake.longterm.writing import FILE, LIFE

TRIES = 3
"""On a machine that is too busy it is begun again so often."""


def extent_of(
    state_dir: Path,
    from_seq: int,
    to_seq: int,
    dating: Dating,
    used_ms: int = 0,
    together: Iterable[Collection[str]] = (),
) -> Extent:
    """Look through the sealed blocks of a stretch, then through what of it is in the hot tail.

    Args:
        state_dir: Folder of the store. from_seq: The stretch begins after it. to_seq: Its last input number.
        dating: Says when things really were. used_ms: The highest stamp used before it.
        together: See `Going`.

    Raises:
        StoreError: It cannot be read.
    """
    for _ in range(TRIES - 1):
        with contextlib.suppress(Slow):
            return _extent_of(state_dir, from_seq, to_seq, dating, Going(used_ms, together))
    return _extent_of(state_dir, from_seq, to_seq, dating, Going(used_ms, together))


def _extent_of(state_dir: Path, from_seq: int, to_seq: int, dating: Dating, going: Going) -> Extent:
    sealed = 0
    if (state_dir / FILE).exists():
        with closing(Blocks(state_dir)) as blocks:
            if blocks.ready:
                life, sealed = blocks.sealed()
                for one in _sealed(blocks, life * LIFE + from_seq, life * LIFE + min(to_seq, sealed), dating):
                    going.take(*one)
    after = max(from_seq, sealed)
    with closing(Tail(state_dir)) as tail:
        while after < to_seq and (found := tail.after(after, SLICE)):
            for record in found:
                if record.kind == "scan" and is_sound(record) and record.seq <= to_seq:
                    utc_ms = dating.utc_of_input(record.seq, record.mono_ns, record.utc_ms)
                    if utc_ms is not None:
                        going.take_scan(record.endpoint, utc_ms)
            after = found[-1].seq
    return going.extent()


def _sealed(blocks: Blocks, after: int, until: int, dating: Dating) -> Iterator[tuple[str, int, int, int]]:
    """PLC, earliest and latest true time and number of scans of each block between two places, in order."""
    what = (
        "select endpoint, boot, first_mono_ns, last_mono_ns, low_utc_ms, high_utc_ms, first_place, last_place, records"
    )
    while after < until and (cut := blocks.cut_after(after)) is not None:
        for v in blocks.ask(f"{what} from block where cut = ? order by first_place", cut[1]):
            endpoint, boot_id = blocks.name(int(v[0])), blocks.name(int(v[1]))
            low_ms, high_ms = dating.utc_of(boot_id, v[2], v[4]), dating.utc_of(boot_id, v[3], v[5])
            if endpoint and low_ms is not None and high_ms is not None and v[7] > after and v[6] <= until:
                yield endpoint, low_ms, high_ms, int(v[8])
        after = cut[1]


def skip_of(state_dir: Path, seq: int) -> int:
    """The last input number of the sealed cut that holds what comes after a number; the number itself if there is none.

    Raises:
        StoreError: It cannot be read.
    """
    if not (state_dir / FILE).exists():
        return seq
    with closing(Blocks(state_dir)) as blocks:
        if not blocks.ready:
            raise StoreError(f"{blocks.path}: is being made or upgraded")
        life, sealed = blocks.sealed()
        cut = blocks.cut_after(life * LIFE + seq) if seq < sealed else None
        return cut[1] - life * LIFE if cut is not None else seq
