"""Nights made of the real alarm book, escalation and lockout, with their rows as the engine chains them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from nightrake.alarms import asked, callchecks, escalation, lockout
from nightrake.alarms.book import advance, alarm_of, changed_standings
from nightrake.alarms.callchecks import CallChecks
from nightrake.alarms.calls import Escalations
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.lockout import Lockout, LockoutRules
from nightrake.alarms.lockoutsteps import LockoutStep, Said
from nightrake.alarms.records import AlarmBook, Condition
from nightrake.alarms.release import Facts, on_release
from nightrake.alarms.rights import Seconds, Who
from nightrake.alarms.rota import Rota
from nightrake.alarms.rules import AlarmRules, site_rules
from nightrake.domain.rows import GENESIS, SCHEMA_VERSION, Entry, Row, canonical, chain_hash
from unit.alarms.rotas import local, rota

S = 1_000_000_000
PC1_ALARM = AlarmKey("PC1", "forward", "alarm_contact")
PC1_SHUTDOWN = AlarmKey("PC1", "forward", "shutdown_contact")
SILENT = AlarmKey("plc:PLCA", "", "plc_silent")
FACTS: Mapping[str, Any] = {
    "torque_nm": 31_200.0,
    "torque_is": "exact",
    "torque_uncertainty_nm": 900.0,
    "position_mm": 14.2,
    "running": True,
    "stop": "",
}
FITTER = Who("fitter1", "maintenance", "signature")
SUPER = Who("super1", "supervisor", "signature")
FREE = Facts(torque_nm=4_000.0, torque_is="exact", torque_fitted=True)


def _judging_all(rules: AlarmRules) -> AlarmRules:
    """Every alarm of every drive, in both directions."""
    sides = ("", "forward", "reverse")
    return rules.judging(
        {
            d: frozenset(str(AlarmKey(d, side, kind)) for kind in kinds for side in sides)
            for d, kinds in rules.drives.items()
        }
    )


class Chain:
    """Makes rows as the engine does."""

    def __init__(self) -> None:
        self.rows: list[Row] = []
        self.epoch, self.boot_id = "e1", "boot"
        self.next_seq = 1

    def add(self, entry: Entry, mono_ns: int, utc_ms: int, *, trusted: bool = True) -> Row:
        """One more row."""
        previous = self.rows[-1].hash if self.rows else GENESIS
        row = Row(
            epoch=self.epoch,
            seq=self.next_seq,
            kind=entry.kind,
            event=entry.event,
            drive=entry.drive,
            direction=str(entry.direction),
            urgent=entry.urgent,
            schema=SCHEMA_VERSION,
            input_seq=0,
            boot_id=self.boot_id,
            mono_ns=mono_ns,
            utc_ms=utc_ms,
            clock_trusted=trusted,
            payload=canonical(entry.data),
            prev_hash=previous,
            hash=b"",
        )
        row = row._replace(hash=chain_hash(previous, row))
        self.rows.append(row)
        self.next_seq += 1
        return row


class Nights:
    """A site at night: conditions and people's deeds in, rows out.

    Args:
        begins: Local time at which it begins. crew: Whom to call. drives: which there are.
    """

    def __init__(
        self, begins: str = "2026-11-25 18:00", crew: Rota | None = None, drives: Iterable[str] = ("PC1", "SC1")
    ) -> None:
        self.chain = Chain()
        self.crew = crew or rota()
        self.rules = _judging_all(site_rules(dict.fromkeys(drives, 1800 * S), plcs=("PLCA",)))
        self.book = AlarmBook()
        self.calls = Escalations()
        self.checks = CallChecks()
        self.lockout = Lockout("PC1")
        self.seconds = Seconds()
        self.now_ns = 1_000 * S
        self.utc_ms = local(begins) * 1000

    @property
    def rows(self) -> list[Row]:
        """All so far."""
        return self.chain.rows

    def note(self, *entries: Entry) -> None:
        """Rows as they come."""
        for entry in entries:
            self.chain.add(entry, self.now_ns, self.utc_ms)

    def tell(self, kind: str, event: str, drive: str = "", direction: str = "", **data: Any) -> None:
        """A row of one's own."""
        self.note(Entry(kind, event, drive, direction, data))

    def say(self, key: AlarmKey, holds: bool, data: Mapping[str, Any] = FACTS, severity: int = 0) -> None:
        """A condition now."""
        self._advance([Condition(key, holds, "", severity, data if holds else {})])

    def wait(self, minutes: float) -> None:
        """Time passes, in steps of ten seconds."""
        for _ in range(round(minutes * 6)):
            self.now_ns += 10 * S
            self.utc_ms += 10_000
            self._advance([])
            self.calls, told = escalation.on_tick(self.calls, self.crew, self.now_ns, self.utc_ms)
            self.checks, more = callchecks.on_tick(self.checks, self.crew, self.now_ns, self.utc_ms)
            self.note(*told, *more)

    def until(self, text: str) -> None:
        """Until a local time."""
        self.wait((local(text) * 1000 - self.utc_ms) / 60_000)

    def _advance(self, conditions: list[Condition]) -> None:
        before = self.book
        self.book, told = advance(before, self.rules, conditions, self.now_ns, self.utc_ms)
        self.note(*told)
        self._standings(before)

    def _standings(self, before: AlarmBook) -> None:
        for standing in changed_standings(before, self.book, self.rules):
            self.calls, told = escalation.on_transition(self.calls, self.crew, standing, self.now_ns, self.utc_ms)
            self.note(*told)

    def ask(self, verb: str, key: AlarmKey, *args: object, who: str = "night1") -> None:
        """A person's request of an alarm."""
        by = {"actor": who, "role": "operator", "known_by": "signature"}
        asking = asked.Asking(str(key), by, self.now_ns, self.utc_ms)
        before = self.book
        self.book, told, _ = getattr(asked, verb)(before, self.rules, asking, *args)
        self.note(*told)
        if verb == "acknowledge" and not any(e.event == "refused" for e in told):
            occurrence = int(str(args[0]))
            done = escalation.on_acknowledge(self.calls, self.crew, str(key), occurrence, by, self.now_ns, self.utc_ms)
            self.calls = done[0]
            self.note(*done[1])
        self._standings(before)

    def acknowledge(self, key: AlarmKey, who: str = "night1") -> None:
        """The occurrence that stands."""
        self.ask("acknowledge", key, alarm_of(self.book, key).state.occurrence, who=who)

    def trip(self) -> None:
        """A shutdown that stops the motor three seconds later, and opens the lockout."""
        facts = {**FACTS, "torque_nm": 46_400.0, "torque_is": "beyond", "stop": "awaited"}
        self.note(Entry("drive", "shutdown_operated", "PC1", "forward", facts, True))
        self.say(PC1_SHUTDOWN, True, facts)
        self.lockout, told = lockout.on_shutdown(self.lockout, f"{PC1_SHUTDOWN} 1", self.utc_ms)
        self.note(*told)
        self.now_ns += 3 * S
        self.utc_ms += 3000
        self.note(Entry("drive", "stop_confirmed", "PC1", "forward", {**FACTS, "running": False}, True))

    def step(self, step: LockoutStep, who: Who = FITTER, **said: Any) -> None:
        """A step of the lockout."""
        self.lockout, told, _ = lockout.on_step(
            self.lockout, LockoutRules(), step, who, Said(**said), self.now_ns, self.utc_ms
        )
        self.note(*told)

    def release(self, who: Who = SUPER) -> None:
        """Try to release the lockout."""
        self.lockout, self.seconds, told, _ = on_release(
            self.lockout, LockoutRules(), frozenset(), self.seconds, who, "", FREE, self.now_ns, self.utc_ms
        )
        self.note(*told)

    def started(self, missed_s: float = 0.0, skipped: Iterable[int] = ()) -> None:
        """A start of the watch that had not run for so long; `skipped`: first and last number that was burnt."""
        run = list(skipped)
        if run:
            self.chain.next_seq = run[1] + 1
        missed_from = self.utc_ms - round(missed_s * 1000) if missed_s else 0
        data = {"version": "0.1.0", "missed_from_utc_ms": missed_from, "missed_s": missed_s, "numbers_skipped": run}
        self.note(Entry("service", "started", "", "", data))


def scripted(evening: str = "2026-11-25", morning: str = "2026-11-26") -> Nights:
    """Creep to alarm, the second person answers, shutdown, lockout walked to release; a gap; a silent PLC."""
    night = Nights(f"{evening} 18:00")
    night.started()
    night.until(f"{evening} 23:14")
    night.say(PC1_ALARM, True)
    night.wait(17.5)
    night.acknowledge(PC1_ALARM, "super1")
    night.wait(40)
    night.trip()
    night.wait(1)
    night.acknowledge(PC1_SHUTDOWN, "night1")
    walk_lockout(night)
    night.wait(10)
    night.say(SILENT, True, {"plcs": ["PLCA"], "unwatched": 2, "drives": ["PC1", "SC1"]})
    night.tell("link", "link_down", link="plc:PLCA", detail="no answer")
    night.wait(5)
    night.tell("link", "link_up", link="plc:PLCA", detail="")
    night.say(SILENT, False)
    night.wait(30)
    night.now_ns += 600 * S
    night.utc_ms += 600_000
    night.started(missed_s=600.0)
    night.until(f"{morning} 09:00")
    return night


def walk_lockout(night: Nights) -> None:
    """All steps, a release that is refused, and one that is not; then the reset."""
    night.wait(20)
    night.step(LockoutStep.ISOLATION, lock_number="L-7")
    night.step(LockoutStep.ZERO_ENERGY)
    night.release()
    night.wait(30)
    night.step(LockoutStep.CAUSE, cause="foreign object", remark="a plank under the blade")
    night.step(LockoutStep.CLEARED)
    night.step(LockoutStep.CONTACTS_PROVED)
    night.step(LockoutStep.AREA_CLEAR)
    night.say(PC1_SHUTDOWN, False)
    night.say(PC1_ALARM, False)
    night.step(LockoutStep.LOCK_REMOVED)
    night.wait(25)
    night.release()
    night.ask("reset", PC1_SHUTDOWN, who="super1")
