"""A recorded past of a site of many drives, and what of it a store that is forwarded to must come to hold."""

from __future__ import annotations

import asyncio
import hashlib
import json
import math
import struct
import time
import urllib.parse
import urllib.request
from collections.abc import AsyncIterator, Iterable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

from nightrake.domain.inputs import BlockReply, Got, RawScan, Tick
from nightrake.domain.rows import TailRecord
from nightrake.domain.tailcodec import to_record
from nightrake.forwarding import Forwarding
from nightrake.historian.samplelines import SampleLines
from nightrake.historian.stamps import Stamps, Used
from nightrake.journal.store import Store
from nightrake.kept import plan_to_json
from nightrake.keptsettings import keep_settings
from nightrake.polling import plan_of
from nightrake.settings import Settings
from nightrake.settings import load as load_settings
from shell.forward.plantless import FixedClock, until

TICKS_S = 10
MS_NS = 1_000_000


def past(settings: Settings, first_seq: int, begin_ms: int, seconds: int) -> Iterator[TailRecord]:
    """Scans of every PLC once a second, positions and contacts on the move, and ticks between them.

    Args:
        settings: Of the site. first_seq: Number of the first input. begin_ms: UTC, and the monotonic clock in ms.
    """
    plans = [plan_of(settings.site, name) for name in settings.site.endpoints]
    seq = first_seq
    for second in range(seconds):
        for number, plan in enumerate(plans):
            utc_ms = begin_ms + 1000 * second + 1000 * number // len(plans)
            replies = []
            for index, block in enumerate(plan.blocks):
                if block.table.holds_bits:
                    bits = 0b1011 if (second + number) % 97 else 0b1010
                    data = bytes([bits] * ((block.count + 7) // 8))
                else:
                    counts = (load(second, number, word) for word in range(block.count))
                    data = struct.pack(f">{block.count}H", *counts)
                replies.append(BlockReply(index, Got.GOOD, data, utc_ms * MS_NS - 900_000))
            yield to_record(seq, RawScan(plan.endpoint, plan, utc_ms * MS_NS, utc_ms, tuple(replies)))
            seq += 1
        for tick in range(TICKS_S):
            utc_ms = begin_ms + 1000 * second + 100 * tick
            yield to_record(seq, Tick(utc_ms * MS_NS, utc_ms))
            seq += 1


def load(second: int, plc: int, word: int) -> int:
    """A register: 4-20 mA in twelve bits as microamperes, a load that comes and goes in hours, a count of noise."""
    swing = 600 * math.sin((second + 997 * plc + 310 * word) / 1_300.0)
    noise = ((second * 2_654_435_761 + plc * 40_503 + word * 97) >> 7) % 3 - 1
    return 4_000 + round((1_900 + round(swing) + noise) * 16_000 / 4_095)


Pairs = list[tuple[int, float]]
"""Stamps and values."""


class Digest:
    """Counts and hashes samples in order of time, holding none; VictoriaMetrics keeps fifteen digits or so."""

    def __init__(self) -> None:
        self._count, self._hash = 0, hashlib.sha256()

    def add(self, ms: int, value: float) -> None:
        """The next one."""
        self._count += 1
        self._hash.update(f"{ms} {value:.6f}\n".encode())

    def told(self) -> tuple[int, str]:
        """How many, and their hash."""
        return self._count, self._hash.hexdigest()


def expected(settings: Settings, records: Iterator[TailRecord], field: str) -> dict[str, tuple[int, str]]:
    """By the watch's own lines: drive -> how many samples of a field there are, and their hash."""
    found: dict[str, Digest] = {}
    for drive, ms, value in _samples(settings, records, field):
        found.setdefault(drive, Digest()).add(ms, value)
    return {drive: one.told() for drive, one in found.items()}


def expected_pairs(settings: Settings, records: Iterator[TailRecord], field: str) -> dict[str, Pairs]:
    """By the watch's own lines: drive -> its samples of a field, in order."""
    found: dict[str, Pairs] = {}
    for drive, ms, value in _samples(settings, records, field):
        found.setdefault(drive, []).append((ms, value))
    return found


def _samples(settings: Settings, records: Iterator[TailRecord], field: str) -> Iterator[tuple[str, int, float]]:
    lines, stamps = SampleLines(settings.site), Stamps()
    for name in settings.site.endpoints:
        lines.learn(plan_of(settings.site, name))
    for record in records:
        if record.kind != "scan":
            continue
        for line in lines.of(record, record.utc_ms, stamps):
            head, fields, stamp = line.split(" ")
            value = next(v for k, _, v in (f.partition("=") for f in fields.split(",")) if k == field)
            yield head.rpartition("drive=")[2], int(stamp), float(value)


def held(url: str, field: str, drives: Iterable[str]) -> dict[str, tuple[int, str]]:
    """What a VictoriaMetrics holds: drive -> how many samples of a field, each as often as it is there, and their hash.
    One drive after the other. Blocking."""
    found: dict[str, tuple[int, str]] = {}
    for drive in drives:
        mine = Digest()
        for ms, value in sorted(held_pairs(url, field, drive).get(drive, [])):
            mine.add(ms, value)
        found[drive] = mine.told()
    return found


def held_pairs(url: str, field: str, drive: str = "") -> dict[str, Pairs]:
    """What a VictoriaMetrics holds: drive -> its samples of a field, each as often as it is there. Blocking.

    Args:
        url: Of the store. field: See `historian/FIELDS.md`. drive: Of this one; "" = of all.
    """
    only = f'{{drive="{drive}"}}' if drive else ""
    query = urllib.parse.urlencode({"match[]": f"nightrake_drive_{field}{only}", "start": "0"})
    found: dict[str, Pairs] = {}
    with urllib.request.urlopen(f"{url}/api/v1/export?{query}", timeout=60.0) as reply:
        for text in reply:
            series = json.loads(text)
            pairs = zip(series["timestamps"], map(float, series["values"]), strict=True)
            found.setdefault(series["metric"]["drive"], []).extend(pairs)
    return found


DRIVES_PER_PLC = 8
TEMPLATE = """
[template.many]
machine = "rake"
directions = ["forward"]
alarm_nm = 32000.0
shutdown_nm = 40000.0
stale_s = 30.0
power = { table = "input", address = 1, type = "uint16", scale = 0.001 }

[[template.many.contact]]
stage = "alarm"
form = "normally_closed"
bit_1_means = "closed"
point = { table = "discrete", address = 0 }

[[template.many.contact]]
stage = "shutdown"
form = "normally_closed"
bit_1_means = "closed"
point = { table = "discrete", address = 1 }

[template.many.running]
point = { table = "discrete", address = 2 }

[template.many.rack_healthy]
point = { table = "discrete", address = 3 }

[template.many.position]
point = { table = "input", address = 0, type = "uint16", scale = 0.001 }
signal = "mA"
"""
RECORD = """drive = "{drive}"
device_serial = "MANY-{drive}"
made_by = "test"
made_on = "2025-01-01"
method = "factory output"
[[point]]
torque_nm = 8000.0
position_mm = 0.0
[[point]]
torque_nm = 32000.0
position_mm = 15.0
[[point]]
torque_nm = 48000.0
position_mm = 25.0
"""


def write_site(folder: Path, drives: int) -> Path:
    """Write the settings folder of a site of many drives, eight to a PLC; gives the folder."""
    (folder / "calibration").mkdir(parents=True)
    (folder / "site.toml").write_text(
        '[site]\nid = "many"\nname = "Many"\n\n[scan]\ncontacts_s = 1.0\nvalues_s = 1.0\n'
    )
    plcs = -(-drives // DRIVES_PER_PLC)
    tables = [f'[plc.P{n:03d}]\nhost = "127.0.0.1"\nport = {20_000 + n}\naddressing = "pdu"\n' for n in range(plcs)]
    for n in range(drives):
        place, name = n % DRIVES_PER_PLC, f"D{n:04d}"
        tables.append(
            f'[drive.{name}]\ntemplate = "many"\nname = "Drive {n}"\nplc = "P{n // DRIVES_PER_PLC:03d}"\n'
            f'device_serial = "MANY-{name}"\nshift = {{ discrete = {4 * place}, input = {2 * place} }}\n'
        )
        (folder / "calibration" / f"{name}.toml").write_text(RECORD.format(drive=name))
    (folder / "drives.toml").write_text(TEMPLATE + "\n" + "\n".join(tables))
    return folder


class Many:
    """A store of a site of many drives, and the forwarding from it.

    Attributes:
        seq: Number of the last input. before: And of the last that was sent before the test begins.
    """

    def __init__(self, settings: Settings, store: Store) -> None:
        self.settings, self.store = settings, store
        self.clock = FixedClock()
        self.links: list[tuple[bool, str]] = []
        self.first_seq = store.first_free_input_seq
        self.seq = self.first_seq - 1
        self.before = 0
        self._parts: list[tuple[int, int, int]] = []
        keep_settings(store, settings, self.clock.utc_ms())
        for name in settings.site.endpoints:
            plan = plan_of(settings.site, name)
            store.put_layout(plan.layout, plan_to_json(plan))
        self.forwarding = self.new_forwarding()

    def new_forwarding(self) -> Forwarding:
        """As a restart would make it."""
        newest = lambda: self.seq  # noqa: E731
        told = lambda up, detail: self.links.append((up, detail))  # noqa: E731
        self.forwarding = Forwarding(self.settings, self.store, self.clock, newest, told)
        return self.forwarding

    def begin_at(self, seq: int) -> Forwarding:
        """As a restart would begin that had sent what came up to an input number, and nothing since."""
        self.before = seq
        self.store.set_cursor("forward", self.store.epoch, seq, f"0 {Used(Stamps(), Stamps()).kept}")
        return self.new_forwarding()

    async def record(self, begin_ms: int, seconds: int) -> None:
        """Record a past."""
        self._parts.append((self.seq + 1, begin_ms, seconds))
        batch: list[TailRecord] = []
        for record in past(self.settings, *self._parts[-1]):
            batch.append(record)
            if len(batch) == 5_000:
                await self._hand_over(batch)
                batch = []
        await self._hand_over(batch)

    async def _hand_over(self, batch: list[TailRecord]) -> None:
        self.store.append((), {}, batch)
        self.seq = batch[-1].seq if batch else self.seq
        await until(lambda: self.store.stats().queued_tail < 10_000)

    async def kept(self) -> None:
        """Until all of it is on disk: what the writer has only just taken over is counted nowhere for a moment."""
        async with asyncio.timeout(12.0):
            while (await self.store.tail_span())[1] < self.seq:  # noqa: ASYNC110
                await asyncio.sleep(0.01)

    def records(self) -> Iterator[TailRecord]:
        """All that is to be forwarded."""
        for part in self._parts:
            yield from (record for record in past(self.settings, *part) if record.seq > self.before)

    @asynccontextmanager
    async def forwarded(self) -> AsyncIterator[Forwarding]:
        """Forwarding at work; cancelled at the end."""
        task = asyncio.create_task(self.forwarding.run(), name="forwarding")
        try:
            yield self.forwarding
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


@asynccontextmanager
async def many(folder: Path, url: str, drives: int) -> AsyncIterator[Many]:
    """A site of many drives, forwarding to `url`; its store is in `folder`."""
    overrides = {"forward.enabled": True, "forward.url": url, "store.dir": str(folder / "state")}
    settings = await asyncio.to_thread(lambda: load_settings(write_site(folder / "site", drives), overrides))
    now_ms = time.time_ns() // 1_000_000
    store = Store.open(settings.store_dir, now_utc_ms=now_ms, boot_id="boot", ballast_mb=0, keep_hours=1_000.0)
    store.start(lambda _seq: None, lambda _up, _detail: None, lambda _first, _last: None)
    try:
        yield Many(settings, store)
    finally:
        await store.close()
