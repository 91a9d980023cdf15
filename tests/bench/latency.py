"""From a contact at the PLC to a message at a subscriber, beyond the poll that could first see it, and its peer.

The PLC server stamps each flip of a contact and the first request that could see it; `mosquitto_sub` stamps the
message's arrival. What lies between those two is the program's own time: judgement, commit to disk, publish. The
contact has no debounce. The disk's own share is printed beside it.

    latency.py [--drives 200] [--hz 20] [--seconds 30] [--runs 2]
"""

from __future__ import annotations

import argparse
import json
import subprocess
import threading
import time
from collections.abc import Callable
from typing import NamedTuple

from generated_site import write_site
from stand import (
    DRIVES_PER_PLC,
    SERVERS,
    SUBJECT,
    PlcServer,
    Stand,
    Verdicts,
    end,
    fsync_p99_ms,
    here_python,
    percentile,
    wait_for,
)

GOAL_RATIO = 10.0
FLIP_MS = 260
EDGES_S = 1.0
"""What happens this close to the begin and end of a run is left out: starting and stopping, not telling."""


class Lines:
    """What a process says, line by line, read as it comes."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.lines: list[str] = []
        self._process = process
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.lines.append(line.rstrip("\n"))

    def close(self) -> None:
        """End the process and take in its last words."""
        self._process.terminate()
        self._process.wait()
        self._thread.join()


class Found(NamedTuple):
    """Times in ms: beyond the poll, and from the contact itself."""

    beyond_ms: list[float]
    total_ms: list[float]


def subscriber(stand: Stand, topic: str) -> Lines:
    """A subscriber that stamps every message as it arrives."""
    command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(stand.mqtt_port), "-t", topic, "-q", "1", "-F", "%U %p"]
    return Lines(stand.start(command, SERVERS, stdout=subprocess.PIPE))


def peer_value(payload: str) -> int | None:
    """The contact's bit in a message of the minimal script."""
    return int(payload)


def watch_value(payload: str) -> int | None:
    """The same in a message of the watch: the contact is normally closed, so operated is 0."""
    message = json.loads(payload)
    if message["drive"] != "D0000" or not message["event"].startswith("alarm_"):
        return None
    return {"alarm_operated": 0, "alarm_released": 1}.get(message["event"])


def match(plc: Lines, told: Lines, value_of: Callable[[str], int | None], begin_s: float, end_s: float) -> Found:
    """For each flip that was seen: the first message of its value after the request that could see it."""
    arrived = []
    for line in told.lines:
        stamp, _, payload = line.partition(" ")
        value = value_of(payload)
        if value is not None:
            arrived.append((float(stamp), value))
    found = Found([], [])
    flip_s = 0.0
    for line in plc.lines:
        word, value_text, stamp = line.split()
        if word == "flip":
            flip_s = float(stamp)
            continue
        seen_s, value = float(stamp), int(value_text)
        if not begin_s + EDGES_S < seen_s < end_s - EDGES_S:
            continue
        first = next((t for t, v in arrived if t >= seen_s and v == value), None)
        if first is None:
            raise SystemExit(f"a change of the contact at {seen_s:.3f} was never told")
        found.beyond_ms.append((first - seen_s) * 1e3)
        found.total_ms.append((first - flip_s) * 1e3)
    return found


def measure_peer(stand: Stand, given: argparse.Namespace) -> Found:
    """The minimal script."""
    server = stand.plcs(1, f"flip={FLIP_MS}")
    plc, told = Lines(server.process), subscriber(stand, "peer/contact")
    begin_s = time.time()
    arguments = ("--plc", server.ports[0], "--mqtt", stand.mqtt_port, "--hz", given.hz, "--seconds", given.seconds)
    script = stand.start(here_python("latency_peer.py", *arguments), SUBJECT)
    script.wait(timeout=given.seconds + 30)
    end_s = time.time()
    plc.close()
    told.close()
    return match(plc, told, peer_value, begin_s, end_s)


def measure_watch(stand: Stand, given: argparse.Namespace, others: PlcServer, verdicts: Verdicts) -> Found:
    """The watch, reading the whole site at the same pace."""
    server = stand.plcs(1, f"flip={FLIP_MS}")
    plc, told = Lines(server.process), subscriber(stand, "nightrake/bench/events")
    site = write_site(stand, given.drives, [server.ports[0], *others.ports], 1 / given.hz)
    with stand.watch(site) as watch:
        begin_s = time.time()
        time.sleep(given.seconds)
        end_s = time.time()
        commit_ms = watch.status()["store"]["commit_p99_ms"]
        seen = sum(line.startswith("seen") for line in plc.lines)
        wait_for(lambda: sum(watch_value(x.partition(" ")[2]) is not None for x in told.lines) > seen // 2, "messages")
    end(server.process)
    plc.close()
    told.close()
    verdicts.report(f"latency: the watch's commits took {commit_ms:.2f} ms at the 99th percentile")
    return match(plc, told, watch_value, begin_s, end_s)


def main() -> int:
    """Run it; exit code 1 when a goal was not met."""
    parser = argparse.ArgumentParser(description="Latency; see the module.")
    parser.add_argument("--drives", type=int, default=200)
    parser.add_argument("--hz", type=float, default=20.0)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--runs", type=int, default=2)
    given = parser.parse_args()
    verdicts = Verdicts()
    peer, watch = Found([], []), Found([], [])
    with Stand() as stand:
        others = stand.plcs(max(1, -(-given.drives // DRIVES_PER_PLC) - 1), "vary")
        verdicts.report(f"latency: 4 KiB made safe on this disk: {fsync_p99_ms(stand.folder):.2f} ms at p99")
        for _ in range(given.runs):
            for sink, found in (
                (peer, measure_peer(stand, given)),
                (watch, measure_watch(stand, given, others, verdicts)),
            ):
                sink.beyond_ms.extend(found.beyond_ms)
                sink.total_ms.extend(found.total_ms)
    for name, found in (("minimal script", peer), (f"watch, {given.drives} drives", watch)):
        shares = ", ".join(f"p{q * 100:g} {percentile(found.beyond_ms, q):.2f}" for q in (0.5, 0.99))
        total = ", ".join(f"p{q * 100:g} {percentile(found.total_ms, q):.1f}" for q in (0.5, 0.99))
        verdicts.report(
            f"latency, {name}: beyond the poll {shares} ms; from the contact {total} ms ({len(found.total_ms)})"
        )
    ratio = percentile(watch.beyond_ms, 0.99) / percentile(peer.beyond_ms, 0.99)
    verdicts.goal(f"latency: p99 beyond the poll, ratio {ratio:.1f} (must be <= {GOAL_RATIO:g})", ratio <= GOAL_RATIO)
    return verdicts.code()


if __name__ == "__main__":
    raise SystemExit(main())
