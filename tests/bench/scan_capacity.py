"""Processor time of one drive-scan and scans that come late, beside the naive peer in the same call.

The watch reads every drive of the site at the pace given, all features on: states, quality, torque, journal, hot tail,
MQTT, forwarding. The peer runs flat out over 40 drives; both are compared by CPU per drive-scan. Then every alarm
contact of the site opens at once.

    scan_capacity.py [--drives 504] [--hz 10] [--seconds 60] [--runs 3] [--report-only]
"""

from __future__ import annotations

import argparse
import statistics
import time

from generated_site import write_site
from stand import DRIVES_PER_PLC, PlcServer, Stand, Verdicts, Watch, delta

FLOOD_S = 10.0
WARM_S = 5.0
PEER_S = 4.0
GOAL_RATIO = 10.0
GOAL_RATIO_WITHOUT_PUBLISHES = 6.0


def main() -> int:
    """Run it; exit code 1 when a goal was not met."""
    parser = argparse.ArgumentParser(description="Scan capacity; see the module.")
    parser.add_argument("--drives", type=int, default=504)
    parser.add_argument("--hz", type=float, default=10.0)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--runs", type=int, default=3, help="of the peer, half before and half after the watch")
    parser.add_argument("--report-only", action="store_true", help="no goals: numbers only")
    given = parser.parse_args()
    verdicts = Verdicts()
    with Stand() as stand:
        plcs = stand.plcs(-(-given.drives // DRIVES_PER_PLC), "vary")
        still = stand.plcs(1)
        peers: dict[str, list[float]] = {"publishing": [], "quiet": []}
        run_peers(stand, plcs, still, peers, given.runs - given.runs // 2)
        site = write_site(stand, given.drives, plcs.ports, 1 / given.hz, debounce_s=min(1.0, 2 / given.hz))
        with stand.watch(site) as watch:
            cpu_us = steady(watch, given, verdicts)
            flood(watch, plcs, given, verdicts)
        run_peers(stand, plcs, still, peers, given.runs // 2)
        compare(cpu_us, peers, given.report_only, verdicts)
    return verdicts.code()


def run_peers(stand: Stand, plcs: PlcServer, still: PlcServer, peers: dict[str, list[float]], runs: int) -> None:
    """CPU of one drive-scan of the naive peer, in us: publishing every change, and with values that never change."""
    common = ("--store", stand.store_url, "--mqtt", stand.mqtt_port, "--seconds", PEER_S)
    for _ in range(runs):
        scans, _wall, cpu_s, _publishes, _errors = stand.python("naive_peer.py", "--plc", plcs.ports[0], *common)
        peers["publishing"].append(cpu_s / scans * 1e6)
        scans, _wall, cpu_s, publishes, _errors = stand.python("naive_peer.py", "--plc", still.ports[0], *common)
        assert publishes <= 40, "the quiet peer published more than its first values"
        peers["quiet"].append(cpu_s / scans * 1e6)


def steady(watch: Watch, given: argparse.Namespace, verdicts: Verdicts) -> float:
    """CPU of one drive-scan of the watch, in us; prints timing."""
    time.sleep(WARM_S)
    before, used = watch.status(), watch.usage()
    time.sleep(given.seconds)
    after, used_after = watch.status(), watch.usage()
    scans = delta(before, after)
    share = (used_after.cpu_s - used.cpu_s) / (used_after.wall_s - used.wall_s)
    cpu_us = (used_after.cpu_s - used.cpu_s) / (scans["done"] * DRIVES_PER_PLC) * 1e6
    text = f"steady, {given.drives} drives at {given.hz:g} Hz for {given.seconds:g} s, {share:.2f} of a core"
    judge(
        f"{text}: {scans['late']} late and {scans['missed']} missed of {scans['due']} PLC scans", scans, given, verdicts
    )
    return cpu_us


def flood(watch: Watch, plcs: PlcServer, given: argparse.Namespace, verdicts: Verdicts) -> None:
    """Every alarm contact opens at once."""
    before = watch.status()
    plcs.command("all 0")
    time.sleep(FLOOD_S)
    after = watch.status()
    scans = delta(before, after)
    told = int(after["mqtt"]["acked"]) - int(before["mqtt"]["acked"])
    text = f"flood of {given.drives} contacts, {told} messages in {FLOOD_S:g} s"
    judge(
        f"{text}: {scans['late']} late and {scans['missed']} missed of {scans['due']} PLC scans", scans, given, verdicts
    )
    if not given.report_only:
        verdicts.goal(f"flood: at least one message for each of {given.drives} drives ({told})", told >= given.drives)


def judge(text: str, scans: dict[str, int], given: argparse.Namespace, verdicts: Verdicts) -> None:
    """No scan late by more than half a period is a goal, unless this run only reports."""
    if given.report_only:
        verdicts.report(text)
    else:
        verdicts.goal(f"{text} (must be 0)", scans["late"] == 0 and scans["missed"] == 0)


def compare(cpu_us: float, peers: dict[str, list[float]], report_only: bool, verdicts: Verdicts) -> None:
    """The ratio lines."""
    for kind, must in (("publishing", GOAL_RATIO), ("quiet", GOAL_RATIO_WITHOUT_PUBLISHES)):
        peer_us = statistics.median(peers[kind])
        spread = f"{min(peers[kind]):.0f} to {max(peers[kind]):.0f}"
        name = "naive peer" if kind == "publishing" else "naive peer without publishes"
        ratio = peer_us / cpu_us
        text = f"CPU per drive-scan: watch {cpu_us:.1f} us, {name} {peer_us:.0f} us ({spread}), ratio {ratio:.1f}"
        if report_only:
            verdicts.report(text)
        else:
            verdicts.goal(f"{text} (must be >= {must:g})", ratio >= must)


if __name__ == "__main__":
    raise SystemExit(main())
