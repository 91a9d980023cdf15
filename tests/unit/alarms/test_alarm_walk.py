"""From a PLC's words to an alarm: scans and ticks through the core, its facts, conditions and book."""

from __future__ import annotations

from dataclasses import replace

from nightrake.alarms.book import advance, is_latched
from nightrake.alarms.conditions import UNWATCHED, evaluate, is_quiet
from nightrake.alarms.drivesetup import setup_of
from nightrake.alarms.facts import facts_of, momentary_of
from nightrake.alarms.records import AlarmBook, Condition
from nightrake.alarms.rules import site_rules
from nightrake.domain.rows import Entry
from nightrake.domain.site import Direction, Stage
from works import SECOND, Works, bit, contact, lone_rake, rake, site_of, word

ALARM_SPEC = replace(rake("D"), alarm_nm=28_000.0, turn_ns=1800 * SECOND)


class Watched(Works):
    """A works whose one drive has its alarms."""

    def __init__(self, works: Works) -> None:
        super().__init__(works.site)
        spec = self.site.drives["D"]
        wire = self.state.wires["D"]
        rules = site_rules({"D": spec.turn_ns}, plcs=self.site.endpoints)
        self.setup = setup_of(spec, [(w.direction, w.stage) for w in wire.stages], rules)
        self.rules = rules.judging({"D": self.setup.texts})
        self.watch, self.book, self.judged = UNWATCHED, AlarmBook(), 0
        self.alarms: list[Entry] = []

    def look(self, entries: tuple[Entry, ...] = (), *, changed: bool = False) -> None:
        """What the core is to do after each step."""
        wire, state = self.state.wires["D"], self.state.drives["D"]
        conditions: tuple[Condition, ...] = ()
        if changed or not is_quiet(self.watch, state.torque, state.side, self.now_ns):
            self.judged += 1
            facts = facts_of(wire, state, self.now_ns, self.utc_ms)
            held = tuple(is_latched(self.book, "D", str(s.direction)) for s in self.setup.sides)
            facts = facts._replace(held=held, momentary=momentary_of(entries, "D"))
            self.watch, conditions = evaluate(self.setup, self.watch, facts, self.now_ns)
        self.book, told = advance(self.book, self.rules, conditions, self.now_ns, self.utc_ms)
        self.alarms += told

    def run(self, seconds: float) -> None:
        """Scans each quarter of a second, with a tick after each."""
        for _ in range(round(seconds * 4)):
            for is_scan in (True, False):
                before = self.state.drives["D"].protection
                outcome = self.scan(250) if is_scan else self.tick(0)
                changed = self.state.drives["D"].protection is not before
                self.look(outcome.entries, changed=changed or bool(outcome.entries))

    def raised(self) -> list[str]:
        """Kinds that were raised, in order."""
        return [e.data["alarm"].split("/")[2] for e in self.alarms if e.event == "raised"]


def test_creep_to_alarm_to_shutdown_to_a_confirmed_stop() -> None:
    """Torque high, the alarm contact, the shutdown contact, each in its turn, with the torque of the moment."""
    works = Watched(Works(site_of(ALARM_SPEC)))
    works.set("D", "position", 8_000)
    works.run(60)
    assert works.raised() == []
    works.set("D", "position", 11_200)
    works.run(10)
    works.set("D", "position", 12_400)
    works.operate("D", "alarm/A")
    works.run(3)
    works.set("D", "position", 16_800)
    works.operate("D", "shutdown/A")
    works.run(0.25)
    works.set("D", "running", 0)
    works.run(10)

    raised = [kind for kind in works.raised() if kind != "torque_rising"]
    assert raised == ["torque_high", "alarm_contact", "shutdown_contact"]
    shutdown = next(e for e in works.alarms if "shutdown_contact" in e.data["alarm"])
    assert (shutdown.urgent, shutdown.data["torque_is"], shutdown.data["stop"]) == (True, "exact", "awaited")
    assert shutdown.data["torque_nm"] > 39_000.0
    assert is_latched(works.book, "D", "forward")
    works.set("D", "running", 1)
    works.run(1)
    assert works.raised()[-1] == "running_while_locked_out"


def test_a_quiet_drive_is_hardly_ever_judged() -> None:
    """A torque that wanders between its limits: only what the rate needs, four times a minute."""
    works = Watched(Works(site_of(ALARM_SPEC)))
    works.run(5)
    works.judged = 0
    for i in range(60):
        works.set("D", "position", 9_000 + 17 * i)
        works.run(1)

    assert works.judged <= 6
    assert works.alarms == []


def test_motor_that_runs_on_after_a_shutdown() -> None:
    """An alarm of its own; the shutdown's latch is one life."""
    works = Watched(lone_rake())
    works.run(2)
    works.operate("D", "shutdown/A")
    works.run(6)

    assert [k for k in works.raised() if k in ("shutdown_contact", "still_running")] == [
        "shutdown_contact",
        "still_running",
    ]


def test_an_operation_that_only_the_plc_has_seen_latches() -> None:
    """Its counter moved, both scans saw the contact released."""
    shut = contact("D", Stage.SHUTDOWN, bit(1), counter=word(30))
    works = Watched(lone_rake(contact("D", Stage.ALARM, bit(0)), shut))
    works.run(2)
    works.set("D", "counter:forward/shutdown/A", 1)
    works.run(1)

    assert "shutdown_contact" in works.raised()
    assert works.book.subjects["D"].occurrences["D/forward/shutdown_contact"] == 1


def test_a_contact_that_nobody_can_read_is_told_and_clears_nothing() -> None:
    """A latched alarm stands; the contacts cannot be read, after thirty seconds."""
    works = Watched(lone_rake())
    works.run(2)
    works.operate("D", "alarm/A")
    works.run(2)
    bad = works.blocks("contact:forward/alarm/A", drive="D")
    for _ in range(160):
        outcome = works.scan(250, bad=bad)
        works.look(outcome.entries, changed=True)

    assert "contact_unreadable" in works.raised()
    assert not [e for e in works.alarms if e.event in ("cleared", "latched")]


def test_facts_say_which_way_the_arm_leans() -> None:
    """And nothing is known before the first scan."""
    works = Watched(lone_rake())
    facts = facts_of(works.state.wires["D"], works.state.drives["D"], works.now_ns, works.utc_ms)

    assert (facts.leans, facts.position_bad, facts.running_bad) == (Direction.FORWARD, True, True)
    assert [s.known for s in facts.stages] == [False, False]
