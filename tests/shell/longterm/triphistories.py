"""A recorded past of the example site with alarms and lockouts in its journal, and trip records made of it."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from nightrake.domain.rows import SCHEMA_VERSION, Row, canonical, chain_hash
from nightrake.history.triprecord import Record
from nightrake.history.trips import RULES, Rules
from nightrake.journal.reader import Reader
from nightrake.longterm.tripfile import TripFile
from nightrake.longterm.tripreading import TripReading
from nightrake.longterm.trips import Trips
from shell.journal.makers import Chain, opened, until
from shell.longterm.histories import Past

MINUTE_MS = 60_000


class TripPast(Past):
    """Makes journal rows beside the recorded inputs, at the same clocks."""

    def __init__(self, **given: int) -> None:
        super().__init__(**given)
        self._told: list[Row] = []
        self._stored = (0, 0)
        self.boot_id = "boot"

    def tell(self, kind: str, event: str, drive: str, direction: str = "", **data: Any) -> None:
        """A row that the last input caused."""
        blank = b""
        self._told.append(
            Row(
                epoch="",
                seq=0,
                kind=kind,
                event=event,
                drive=drive,
                direction=direction,
                urgent=False,
                schema=SCHEMA_VERSION,
                input_seq=self.seq - 1,
                boot_id=self.boot_id,
                mono_ns=self.mono_ns,
                utc_ms=self.utc_ms,
                clock_trusted=True,
                payload=canonical(data),
                prev_hash=blank,
                hash=blank,
            )
        )

    def alarm(
        self, drive: str, kind: str, occurrence: int, event: str = "raised", life: str = "unacknowledged"
    ) -> None:
        """A transition of a contact's alarm."""
        key = f"{drive}/forward/{kind}_contact"
        self.tell("alarm", event, drive, "forward", alarm=key, occurrence=occurrence, life=life, torque_nm=41_000.0)

    def lockout(self, drive: str, event: str) -> None:
        """A step of a drive's lockout."""
        self.tell("lockout", event, drive, lockout=1)

    def keep(self, folder: Path) -> None:
        """Put what is new into the store, rows and inputs alike."""

        async def write() -> None:
            async with opened(folder, keep_hours=1_000.0, boot_id=self.boot_id) as (store, _):
                inputs, rows = self._stored
                chain = Chain.of(store)
                self.hand_over(store, self.records[inputs:])
                made = [_chained(chain, row) for row in self._told[rows:]]
                for begin in range(0, len(made), 1_000):
                    store.append(made[begin : begin + 1_000], {}, ())
                    await until(lambda: not store.stats().queued)
                await until(lambda: not store.stats().queued_tail)
                self._stored = len(self.records), len(self._told)

        asyncio.run(write())


def _chained(chain: Chain, row: Row) -> Row:
    row = row._replace(epoch=chain.epoch, seq=chain.seq, prev_hash=chain.last_hash)
    row = row._replace(hash=chain_hash(chain.last_hash, row))
    chain.last_hash, chain.seq = row.hash, row.seq + 1
    return row


@contextmanager
def keeping(folder: Path, quota_mb: int = 100, rules: Rules = RULES) -> Iterator[Trips]:
    """The records of a store, as the worker keeps them."""
    rows, reading = Reader(folder / "store.db"), TripReading(folder)
    try:
        yield Trips(folder, rows, reading, quota_mb, rules)
    finally:
        reading.close()
        rows.close()


def turn(folder: Path, quota_mb: int = 100, rules: Rules = RULES) -> None:
    """One turn of it, begun anew as after a kill."""
    with keeping(folder, quota_mb, rules) as trips:
        trips.turn()


def records(folder: Path) -> dict[str, Record]:
    """Every record there is, by the beginning of its name (drive, direction, stage, occurrence)."""
    found = {}
    for path in sorted((folder / "trips").iterdir()):
        if path.is_dir() or path.suffix == ".zip":
            with TripFile(path) as file:
                found[file.record.name.rpartition("-")[0]] = file.record
    return found


@contextmanager
def trip_file(folder: Path, begin: str) -> Iterator[TripFile]:
    """The one record whose name begins so."""
    (path,) = [p for p in (folder / "trips").iterdir() if p.name.startswith(begin)]
    with TripFile(path) as file:
        yield file
