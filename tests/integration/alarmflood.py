"""Every contact of a large site operates within a second: what has to hold afterwards, for the test and the soak."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from statistics import mean
from typing import Any

from integration.crew import called, calls, owed, rings, rung
from integration.hardship import HardWatch
from integration.ledger import Ledger
from integration.site import healthy
from nightrake.domain.rows import Row
from nightrake.journal.chain import verify
from peers.webhook import Webhook
from plc.fixtures import LibmodbusServer

PER_PLC = 100
ALONE = 4
"""Of so many drives one has its alarm contact operated only, the others both contacts: those are shut down."""
URGENT = ("shutdown_contact", "still_running")
"""Alarms of a drive that is shut down, and called singly or together at once: the contact, the motor that runs on."""
ALARMS = "[alarm.alarm_contact]\non_delay_s = 0.0\noff_delay_s = 0.3\n[alarm.shutdown_contact]\noff_delay_s = 0.3\n"
GROWTH_MB = 60.0
"""What 1 250 alarms with their calls and some thousands of rows may add at most; 20 MB were seen."""
MOST_MESSAGES = 40
"""For one person, of all of these: some singly, then one in the place of many now and then."""


def memory_mb(pid: int) -> dict[str, float]:
    """Resident memory of a process now (VmRSS) and at its highest (VmHWM)."""
    text = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    return {key: int(text.split(f"{key}:")[1].split()[0]) * 1024 / 1e6 for key in ("VmRSS", "VmHWM")}


def all_healthy(plcs: Iterable[LibmodbusServer]) -> None:
    """Every drive at rest, its motor running."""
    for plc in plcs:
        for at in range(PER_PLC):
            healthy(plc, at)


def operate_all(plcs: Iterable[LibmodbusServer], operated: bool = True) -> None:
    """The contacts of every drive, the shutdown contact first; twenty milliseconds for a thousand of them."""
    for plc in plcs:
        for at in range(PER_PLC):
            for address in (1, 0) if at % ALONE else (0,):
                plc.set("d", 10 * at + address, int(not operated))


def is_shut(drive: int) -> bool:
    """Whether both contacts of a drive operate."""
    return drive % ALONE != 0


def urgent_of(drives: int) -> set[str]:
    """Names of the urgent alarms."""
    return {f"D{n}/forward/{kind}" for n in range(drives) if is_shut(n) for kind in URGENT}


def alarms_of(drives: int) -> set[str]:
    """Names of all alarms."""
    return urgent_of(drives) | {f"D{n}/forward/alarm_contact" for n in range(drives)}


def raised_by(rows: Iterable[Mapping[str, Any]]) -> list[str]:
    """Alarms of these kinds that rows (as plain values) say were raised, in order of names.

    Where a scan ends between the two contacts of a drive, another follows: shutdown without a preceding alarm.
    """
    names = (str(row["data"]["alarm"]) for row in rows if row["event"] == "raised")
    return sorted(name for name in names if name.endswith((*URGENT, "alarm_contact")))


def has_calls(told: Counter[str], heard: Ledger, person: str, urgent: int) -> bool:
    """Whether a person was told of every call so far, `urgent` urgent ones among them."""
    return told["urgent"] >= urgent and told == owed(heard.events(), person)


def has_all(heard: Ledger, watch: HardWatch) -> bool:
    """Whether the subscriber has every row so far, and a canary has come back since."""
    last = watch.status()["store"]["last_seq"]
    return any(e["seq"] == last for e in reversed(heard.events())) and watch.status()["mqtt"]["cursor"] >= last


def judge_rows(rows: Sequence[Row], heard: Ledger, drives: int) -> None:
    """The journal is whole and holds every contact and alarm once; the subscriber had the same, shutdowns first."""
    entries = plain(rows)
    events = heard.events()
    shut = sorted(f"D{n}" for n in range(drives) if is_shut(n))
    everyone = sorted(f"D{n}" for n in range(drives))
    assert verify(list(rows)) == []
    for event, whose in (("alarm_operated", everyone), ("shutdown_operated", shut), ("still_running", shut)):
        assert sorted(e["drive"] for e in entries if e["event"] == event) == whose
    assert raised_by(entries) == sorted(alarms_of(drives))
    assert {e["id"] for e in events} == {r.id for r in rows}
    assert len(events) == len(rows)
    assert lead(rows, events) > 0


def lead(rows: Sequence[Row], events: Sequence[Mapping[str, Any]]) -> float:
    """By how many places shutdowns were told before alarm contacts that came with the same scan, on the average."""
    places = {e["id"]: n for n, e in enumerate(events)}
    scans: dict[int, tuple[list[int], list[int]]] = defaultdict(lambda: ([], []))
    for row in rows:
        if row.event in ("shutdown_operated", "alarm_operated"):
            scans[row.input_seq][row.event == "alarm_operated"].append(places[row.id])
    return mean(mean(alarms) - mean(shutdowns) for shutdowns, alarms in scans.values() if shutdowns and alarms)


def judge_calls(rows: Sequence[Row], heard: Ledger, phone: Webhook, person: str) -> None:
    """Who was owed a call has it, by either way, singly or as one of many; none twice, and in few messages."""
    due = owed(plain(rows), person)
    told = calls(heard, person)
    singles = [m["data"]["alarm"] for m in told if m["event"] == "called"]
    assert due["high"] > 0
    assert called(heard, person) == due
    assert rung(phone, person) == due
    assert len(singles) == len(set(singles))
    assert len(told) <= MOST_MESSAGES
    assert len(rings(phone, person)) <= MOST_MESSAGES


def plain(rows: Iterable[Row]) -> list[dict[str, Any]]:
    """Rows as plain values."""
    return [{"kind": r.kind, "event": r.event, "drive": r.drive, "data": json.loads(r.payload)} for r in rows]


def is_retained(late: Ledger, watch: HardWatch) -> bool:
    """Whether a newcomer finds every alarm as the watch has it, and no other."""
    keys = ("life", "occurrence", "priority", "withheld", "told")
    found = {name: [s[k] for k in keys] for name, s in late.states("alarm/").items() if s["life"] != "normal"}
    return found == {a["alarm"]: [a[k] for k in keys] for a in watch.ask("alarms") if a["life"] != "normal"}
