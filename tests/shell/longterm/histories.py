"""A store with a recorded past of the example site: scans with failures, ticks, reloads, a clock that is set."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import apsw

from nightrake.domain.inputs import BlockReply, Command, Got, LinkHealth, RawScan, SettingsChanged, Tick
from nightrake.domain.readplan import ReadPlan, make_plan
from nightrake.domain.registers import decoder
from nightrake.domain.rows import TailRecord
from nightrake.domain.tailcodec import to_record, unpack_scan
from nightrake.journal.store import Store
from nightrake.kept import plan_to_json
from nightrake.keptsettings import BUILT, built_text
from nightrake.longterm.sealing import Sealing
from nightrake.longterm.tail import Tail
from nightrake.longterm.writing import Writing
from nightrake.settings import Settings, load
from shell.journal.makers import opened, until

CONFIG = Path(__file__).resolve().parents[3] / "config"
NOON_MS = 1_790_000_000_000 - 1_790_000_000_000 % 3_600_000
MONO_NS = 50_000_000_000_000
S = 1_000_000_000


class Past:
    """Makes recorded inputs, in order, with clocks of its own.

    Args:
        seed: Of the chance in it. seq: First input number.

    Attributes:
        settings: Of the example site. plans: By PLC. records: All that was made.
    """

    def __init__(self, seed: int = 1, seq: int = 1, utc_ms: int = NOON_MS, mono_ns: int = MONO_NS) -> None:
        self.settings: Settings = load(CONFIG)
        site = self.settings.site
        points = [p for drive in site.drives.values() for p in drive.points().values()]
        self.plans = {
            name: make_plan(spec, [p for p in points if p.endpoint == name]) for name, spec in site.endpoints.items()
        }
        self.records: list[TailRecord] = []
        self.snapshots: list[tuple[int, int, bytes]] = []
        self.seq, self.utc_ms, self.mono_ns = seq, utc_ms, mono_ns
        self._chance = random.Random(seed)
        self._data: dict[tuple[str, int], bytearray] = {}

    def snapshot(self) -> None:
        """As the engine keeps one at the beginning of a run, and each hour."""
        payload = f'{{"digest":"{self.settings.digest}"}}'.encode()
        self.snapshots.append((self.seq - 1, self.utc_ms, payload))

    def go(self, seconds: int, period_s: float = 1.0) -> None:
        """Scans of every PLC for a while."""
        for _ in range(int(seconds / period_s)):
            for plan in self.plans.values():
                self.pass_time(int(period_s * S) // len(self.plans) + self._chance.randint(-500_000, 500_000))
                self.put(self.scan(plan))
            if self._chance.random() < 0.02:
                self.put(Tick(self.mono_ns, self.utc_ms))
            if self._chance.random() < 0.01:
                self.put(LinkHealth(self.mono_ns, self.utc_ms, "broker", self._chance.random() < 0.5, "went \u2026"))
            if self._chance.random() < 0.01:
                command = Command(
                    self.mono_ns, self.utc_ms, "test", "PC1", "", "night1", "operator", "local user", "60"
                )
                self.put(command)

    def pass_time(self, ns: int) -> None:
        """Both clocks go on."""
        self.mono_ns += ns
        self.utc_ms += ns // 1_000_000

    def step_clock(self, ms: int) -> None:
        """UTC is set."""
        self.utc_ms += ms

    def reload(self, name: str) -> None:
        """Other settings are taken in: the site is called otherwise."""
        digest = (name * 64)[:64]
        self.settings = replace(
            self.settings, digest=digest, site=replace(self.settings.site, name=name, digest=digest), content="{}"
        )
        self.put(SettingsChanged(self.mono_ns, self.utc_ms, self.settings.site, self.settings.response))

    def scan(self, plan: ReadPlan) -> RawScan:
        """One scan: now and then a block fails, or only one of them was due."""
        replies = []
        due = range(len(plan.blocks)) if self._chance.random() < 0.7 else [self._chance.randrange(len(plan.blocks))]
        for number in due:
            ago_ns = self._chance.randint(100_000, 3_000_000)
            if self._chance.random() < 0.01:
                replies.append(BlockReply(number, Got.NO_REPLY, b"", self.mono_ns - ago_ns, "no reply within 1 s"))
            else:
                replies.append(BlockReply(number, Got.GOOD, self._reply(plan, number), self.mono_ns - ago_ns))
        return RawScan(plan.endpoint, plan, self.mono_ns, self.utc_ms, tuple(replies))

    def _reply(self, plan: ReadPlan, number: int) -> bytes:
        block = plan.blocks[number]
        size = (block.count + 7) // 8 if block.table.holds_bits else 2 * block.count
        data = self._data.setdefault((plan.endpoint, number), bytearray(b"\x11\x80" * size)[:size])
        data[-1] = (data[-1] + self._chance.randint(-1, 1)) % 256
        if self._chance.random() < 0.003:
            data[0] ^= 1
        return bytes(data)

    def put(self, given: RawScan | Tick | LinkHealth | Command | SettingsChanged) -> None:
        """Record an input."""
        self.records.append(to_record(self.seq, given))
        self.seq += 1

    def store(self, folder: Path, begin: int = 0) -> None:
        """Put what was made, from a record on, into a store as the watch does."""

        async def write() -> None:
            async with opened(folder, keep_hours=1_000.0) as (store, _):
                self.hand_over(store, self.records[begin:])
                await until(lambda: not store.stats().queued_tail)

        asyncio.run(write())

    def hand_over(self, store: Store, records: Sequence[TailRecord]) -> None:
        """Records, and what they rest on."""
        for plan in self.plans.values():
            store.put_layout(plan.layout, plan_to_json(plan))
        settings = self.settings
        store.put_settings(settings.digest, NOON_MS, settings.content)
        store.put_settings(settings.digest + BUILT, NOON_MS, built_text(settings.site, settings.response))
        store.put_segment("boot", MONO_NS, NOON_MS, True)
        for begin in range(0, len(records), 5_000):
            store.append((), {}, records[begin : begin + 5_000])
        for snapshot in self.snapshots:
            store.put_snapshot(*snapshot)

    def expected(self, drive: str, role: str, low: int, high: int) -> list[tuple[int, object, int]]:
        """A point's samples by the watch's own codec: UTC ms, value, what came of it."""
        point = self.settings.site.drives[drive].points()[role]
        plan = self.plans[point.endpoint]
        number, offset = plan.places[point]
        decode = decoder(point, offset)
        found: list[tuple[int, object, int]] = []
        for record in self.records:
            if record.kind != "scan" or record.endpoint != point.endpoint or not low <= record.utc_ms <= high:
                continue
            for reply in unpacked(record, plan):
                if reply.block == number:
                    value = decode(reply.data) if reply.got == Got.GOOD else None
                    found.append((record.utc_ms, value, int(reply.got)))
        return found


def unpacked(record: TailRecord, plan: ReadPlan) -> Sequence[BlockReply]:
    """The replies of a recorded scan."""
    return unpack_scan(record, plan).blocks


def seal(folder: Path, *, everything: bool = True) -> int:
    """Seal what is due, or all there is, as the worker does; gives the number of cuts."""
    tail, writing = Tail(folder), Writing(folder, NOON_MS)
    try:
        writing.begin(tail.meta("epoch"), tail.span()[0], NOON_MS)
        sealing, cuts = Sealing(tail, writing), 0
        while everything or sealing.is_due():
            if not sealing.seal(NOON_MS):
                break
            cuts += 1
        return cuts
    finally:
        writing.close()
        tail.close()


def forget_tail(folder: Path, up_to: int) -> None:
    """Drop tail records as retention does."""
    db = apsw.Connection(str(folder / "store.db"))
    try:
        db.execute("delete from tail where seq <= ?", (up_to,))
    finally:
        db.close()
