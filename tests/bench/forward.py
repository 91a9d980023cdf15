"""Processor time of one forwarded line, beside the client's own `Point` objects, in one run; and lines a second.

    python tests/bench/forward.py

Both send the same values of the same scans to one VictoriaMetrics, five thousand lines to a write, packed: 200 drives,
12-bit positions with a count of noise under a load that comes and goes in hours. Ours begins with the records as the
store keeps them: unpacked, decoded, turned into torque, stamped, written as lines. The peer is given the decoded fields
and makes a `Point` of each drive and scan, which its client turns into lines and packs. Time is that of this process,
all threads; runs alternate, and the median counts.
"""

from __future__ import annotations

import asyncio
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent)]

from influxdb_client.client.influxdb_client import InfluxDBClient  # noqa: E402
from influxdb_client.client.write.point import Point  # noqa: E402
from influxdb_client.client.write_api import SYNCHRONOUS  # noqa: E402
from influxdb_client.domain.write_precision import WritePrecision  # noqa: E402

from nightrake.domain.rows import TailRecord  # noqa: E402
from nightrake.historian.samplelines import SampleLines  # noqa: E402
from nightrake.historian.sending import Sender, StoreTarget, Verdict  # noqa: E402
from nightrake.historian.stamps import Stamps  # noqa: E402
from nightrake.polling import plan_of  # noqa: E402
from nightrake.settings import Settings, load  # noqa: E402
from peers.victoria import Victoria  # noqa: E402
from shell.forward.hourglass import past, write_site  # noqa: E402

DRIVES, SECONDS, RUNS, WRITE_LINES = 200, 400, 3, 5_000
GOAL = 4.0

Fields = tuple[str, dict[str, float], int]


def lines_of(settings: Settings, records: Sequence[TailRecord]) -> list[str]:
    """Ours: records to lines."""
    lines, stamps, found = SampleLines(settings.site), Stamps(), list[str]()
    for name in settings.site.endpoints:
        lines.learn(plan_of(settings.site, name))
    for record in records:
        if record.kind == "scan":
            found += lines.of(record, record.utc_ms, stamps)
    return found


def fields_of(lines: Sequence[str]) -> list[Fields]:
    """What the peer is given: drive, fields, stamp."""
    found: list[Fields] = []
    for line in lines:
        head, fields, stamp = line.split(" ")
        pairs = (part.partition("=") for part in fields.split(","))
        found.append((head.rpartition("drive=")[2], {k: float(v) for k, _, v in pairs}, int(stamp)))
    return found


def send_ours(url: str, settings: Settings, records: Sequence[TailRecord]) -> None:
    """From records to the store."""

    async def send() -> None:
        sender = Sender(StoreTarget(url, "-", "bench", 10.0))
        lines = lines_of(settings, records)
        for begin in range(0, len(lines), WRITE_LINES):
            answer = await sender.send(lines[begin : begin + WRITE_LINES])
            assert answer.verdict is Verdict.TAKEN, answer
        sender.close()

    asyncio.run(send())


def send_points(url: str, fields: Sequence[Fields]) -> None:
    """From decoded fields to the store, as the client's documentation has it."""
    with InfluxDBClient(url=url, token="none", org="-", enable_gzip=True) as client:
        api = client.write_api(write_options=SYNCHRONOUS)
        for begin in range(0, len(fields), WRITE_LINES):
            points = [point_of(one) for one in fields[begin : begin + WRITE_LINES]]
            api.write(bucket="bench", record=points, write_precision=WritePrecision.MS)


def point_of(one: Fields) -> Any:
    """One `Point`."""
    drive, fields, utc_ms = one
    point = Point("nightrake_drive").tag("site", "many").tag("drive", drive).time(utc_ms, WritePrecision.MS)
    for name, value in fields.items():
        point.field(name, value)
    return point


def timed(act: Callable[[], None]) -> tuple[float, float]:
    """Processor seconds and seconds."""
    cpu_s, wall_s = time.process_time(), time.perf_counter()
    act()
    return time.process_time() - cpu_s, time.perf_counter() - wall_s


def main() -> int:
    """Print both; exit code 1 when ours costs more than a quarter of the peer's."""
    with tempfile.TemporaryDirectory() as folder:
        settings = load(write_site(Path(folder) / "site", DRIVES))
        records = list(past(settings, 1, time.time_ns() // 1_000_000 - SECONDS * 1000, SECONDS))
        lines = lines_of(settings, records)
        fields, count = fields_of(lines), len(lines)
        store = Victoria(Path(folder) / "victoria", ("-dedup.minScrapeInterval=1ms",))
        store.start()
        try:
            runs = [
                (timed(lambda: send_ours(store.url, settings, records)), timed(lambda: send_points(store.url, fields)))
                for _ in range(RUNS)
            ]
        finally:
            store.stop()
    ours, peer = (statistics.median(run[side][0] for run in runs) / count * 1e6 for side in (0, 1))
    ratio = statistics.median(peer_run[0] / our_run[0] for our_run, peer_run in runs)
    rate, peer_rate = (count / statistics.median(run[side][1] for run in runs) for side in (0, 1))
    print(f"{count} lines of {sum(map(len, lines)) // count} bytes, {RUNS} runs, median")
    print(f"nightrake, from records: {ours:5.1f} us of processor time a line, {rate:8.0f} lines/s")
    print(f"client, Point objects:   {peer:5.1f} us of processor time a line, {peer_rate:8.0f} lines/s")
    print(f"ratio {ratio:.1f} (goal {GOAL:g})")
    return 0 if ratio >= GOAL else 1


if __name__ == "__main__":
    sys.exit(main())
