"""From a contact at the PLC to whoever has to know, beyond the poll that could first see it, and its peer.

The PLC server stamps each change of a contact and the first request that could see it; `mosquitto_sub` and the
telephone's server stamp what arrives. What lies between is the program's own time: judgement, alarms, whom to call,
commit to disk, publish. In a site of 200 drives one alarm contact after the other operates, without debounce or delay;
each is an event, an alarm, and a message to the person on duty, over the broker and by telephone. The last run of the
watch is stamped inside too (`latency_stamps.py`) and gives the breakdown. The disk's own share is printed beside it.

    latency.py [--drives 200] [--hz 10] [--seconds 40] [--runs 3]
"""

from __future__ import annotations

import argparse
import bisect
import json
import subprocess
import threading
import time
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from generated_site import write_site
from latency_people import Phone, write_people
from stand import (
    DRIVES_PER_PLC,
    SERVERS,
    SUBJECT,
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
EVENT, PERSON, PHONE = "event", "person's message", "telephone"
LEGS = ("poll", "judge and alarms", "commit", "hand to the broker's client", "broker and subscriber")


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


class Arrived(NamedTuple):
    """A message that came: when, of which drive and state of its contact, with which id."""

    at_s: float
    drive: int
    value: int
    id: str = ""


class Told(NamedTuple):
    """A change of a contact and what came of it: when it was made, when it could first be seen, the message."""

    flip_s: float
    seen_s: float
    arrived: Arrived

    @property
    def beyond_ms(self) -> float:
        """From the poll that could first see it."""
        return (self.arrived.at_s - self.seen_s) * 1e3


def subscriber(stand: Stand, *topics: str) -> Lines:
    """A subscriber that stamps every message as it arrives."""
    command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(stand.mqtt_port), "-q", "1", "-F", "%U %p"]
    return Lines(stand.start([*command, *(w for t in topics for w in ("-t", t))], SERVERS, stdout=subprocess.PIPE))


def peer_messages(lines: Iterable[str]) -> list[Arrived]:
    """Messages of the minimal script: the contact's bit."""
    return [Arrived(float(stamp), 0, int(value)) for stamp, _, value in (line.partition(" ") for line in lines)]


def watch_messages(lines: Iterable[str]) -> dict[str, list[Arrived]]:
    """Messages of the watch: the contacts are normally closed, so operated is 0."""
    found: dict[str, list[Arrived]] = {EVENT: [], PERSON: []}
    values = {"alarm_operated": 0, "alarm_released": 1}
    for stamp, _, text in (line.partition(" ") for line in lines):
        message = json.loads(text)
        if message["kind"] == "person" and message["data"].get("alarm", "").endswith("/alarm_contact"):
            found[PERSON].append(Arrived(float(stamp), int(message["drive"][1:]), 0, message["id"]))
        elif message["kind"] == "drive" and message["event"] in values:
            drive, value = int(message["drive"][1:]), values[message["event"]]
            found[EVENT].append(Arrived(float(stamp), drive, value, message["id"]))
    return found


def match(
    plc: Iterable[str], arrived: Iterable[Arrived], begin_s: float, end_s: float, *, all_of_it: bool
) -> list[Told]:
    """For each change that was seen: the first message of its drive and value after the request that could see it.

    Args:
        all_of_it: Releases are told too; else only operations are.
    """
    messages = defaultdict[tuple[int, int], list[Arrived]](list)
    for message in sorted(arrived):
        messages[message.drive, message.value].append(message)
    found, flip_s = [], 0.0
    for line in plc:
        word, drive, value, stamp = line.split()
        if word == "flip":
            flip_s = float(stamp)
            continue
        seen_s = float(stamp)
        if not begin_s + EDGES_S < seen_s < end_s - EDGES_S or (value == "1" and not all_of_it):
            continue
        those = messages[int(drive), int(value)]
        at = bisect.bisect_left(those, seen_s, key=lambda m: m.at_s)
        if at == len(those):
            raise SystemExit(f"a change of drive {drive}'s contact at {seen_s:.3f} was never told")
        found.append(Told(flip_s, seen_s, those[at]))
    return found


def measure_peer(stand: Stand, given: argparse.Namespace) -> list[Told]:
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
    return match(plc.lines, peer_messages(told.lines), begin_s, end_s, all_of_it=True)


def measure_watch(stand: Stand, given: argparse.Namespace, stamps: Path | None = None) -> dict[str, list[Told]]:
    """The watch, reading the whole site at the same pace, with people on duty."""
    server = stand.plcs(-(-given.drives // DRIVES_PER_PLC), "own", "vary", f"flip={FLIP_MS}")
    plc, phone = Lines(server.process), Phone()
    told = subscriber(stand, "nightrake/bench/events", "nightrake/bench/person/night1")
    site = write_site(stand, given.drives, server.ports, 1 / given.hz)
    write_people(site, phone.port)
    before = here_python("latency_stamps.py", stamps) if stamps else []
    with stand.watch(site, before):
        begin_s = time.time()
        time.sleep(given.seconds)
        end_s = time.time()
        end(server.process)
        seen = [line.split() for line in plc.lines if line.startswith("seen")]
        called = {f"D{int(n):04d}" for _, n, value, at_s in seen if value == "0" and float(at_s) < end_s - EDGES_S}
        wait_for(lambda: called <= {drive for _, drive in phone.rung}, "the last call")
    plc.close()
    told.close()
    phone.close()
    messages = watch_messages(told.lines)
    rung = [Arrived(at_s, int(drive[1:]), 0) for at_s, drive in phone.rung if drive]
    span = (begin_s, end_s)
    return {
        EVENT: match(plc.lines, messages[EVENT], *span, all_of_it=True),
        PERSON: match(plc.lines, messages[PERSON], *span, all_of_it=False),
        PHONE: match(plc.lines, rung, *span, all_of_it=False),
    }


def breakdown(stamps: Path, told: Iterable[Told]) -> list[list[float]]:
    """Milliseconds of each leg (`LEGS`) for each of these messages."""
    rows: dict[int, dict[str, float]] = {}
    published: dict[str, float] = {}
    commits: list[tuple[int, float]] = []
    for stamp in map(json.loads, stamps.read_text().splitlines()):
        if "row" in stamp:
            rows[stamp["row"]] = stamp
        elif "durable" in stamp:
            commits.append((stamp["durable"], stamp["at"]))
        else:
            published.setdefault(stamp["publish"], stamp["at"])
    legs: list[list[float]] = [[] for _ in LEGS]
    for one in told:
        seq = int(one.arrived.id.split("-")[1])
        row, on_disk_s = rows[seq], commits[bisect.bisect_left(commits, seq, key=lambda c: c[0])][1]
        at = (one.seen_s, row["begin"], row["end"], on_disk_s, published[one.arrived.id], one.arrived.at_s)
        for leg, begin_s, end_s in zip(legs, at, at[1:], strict=False):
            leg.append((end_s - begin_s) * 1e3)
    return legs


def shares(values: list[float], digits: int = 2) -> str:
    """Median and 99th percentile in words."""
    return ", ".join(f"p{q * 100:g} {percentile(values, q):.{digits}f}" for q in (0.5, 0.99))


def report(verdicts: Verdicts, name: str, told: list[Told]) -> None:
    """One line for each way."""
    total = [(one.arrived.at_s - one.flip_s) * 1e3 for one in told]
    beyond = shares([one.beyond_ms for one in told])
    verdicts.report(
        f"latency, {name}: beyond the poll {beyond} ms; from the contact {shares(total, 1)} ms ({len(told)})"
    )


def report_breakdown(verdicts: Verdicts, stamps: Path, found: dict[str, list[Told]]) -> None:
    """Where the time goes, for the event and for the person's message, in ms."""
    for name in (EVENT, PERSON):
        for leg, values in zip(LEGS, breakdown(stamps, found[name]), strict=True):
            verdicts.report(f"latency, breakdown of the {name}: {leg} {shares(values)} ms")


def main() -> int:
    """Run it; exit code 1 when a goal was not met."""
    parser = argparse.ArgumentParser(description="Latency; see the module.")
    parser.add_argument("--drives", type=int, default=200)
    parser.add_argument("--hz", type=float, default=10.0)
    parser.add_argument("--seconds", type=float, default=40.0)
    parser.add_argument("--runs", type=int, default=3)
    given = parser.parse_args()
    verdicts, peer = Verdicts(), list[Told]()
    watch: dict[str, list[Told]] = {EVENT: [], PERSON: [], PHONE: []}
    with Stand() as stand:
        verdicts.report(f"latency: 4 KiB made safe on this disk: {fsync_p99_ms(stand.folder):.2f} ms at p99")
        for _ in range(given.runs):
            peer += measure_peer(stand, given)
            for name, found in measure_watch(stand, given).items():
                watch[name] += found
        stamps = stand.folder / "stamps.txt"
        report_breakdown(verdicts, stamps, measure_watch(stand, given, stamps))
    report(verdicts, "minimal script", peer)
    floor_ms = percentile([one.beyond_ms for one in peer], 0.99)
    for name, found in watch.items():
        report(verdicts, f"watch, {given.drives} drives, {name}", found)
    for name in (EVENT, PERSON):
        ratio = percentile([one.beyond_ms for one in watch[name]], 0.99) / floor_ms
        text = f"latency: p99 of the {name} beyond the poll, ratio {ratio:.1f} (must be <= {GOAL_RATIO:g})"
        verdicts.goal(text, ratio <= GOAL_RATIO)
    return verdicts.code()


if __name__ == "__main__":
    raise SystemExit(main())
