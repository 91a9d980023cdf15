"""A drive's plain facts, easy to set in a test, and the conditions that they give."""

from __future__ import annotations

from dataclasses import replace

from nightrake.alarms.conditions import UNWATCHED, Watch, evaluate, is_quiet
from nightrake.alarms.drivesetup import Setup, TorqueLimits, setup_of
from nightrake.alarms.judges import Facts
from nightrake.alarms.rules import site_rules
from nightrake.domain.contacts import StageState
from nightrake.domain.reading import Exactness, Reading, absent
from nightrake.domain.site import Direction, DriveSpec, Stage
from nightrake.domain.wiring import wire_drive
from works import FAR_SIDE, NEAR_SIDE, bit, contact, rake

S = 1_000_000_000
RELEASED = StageState(operated=0, known=True)
OPERATED = StageState(operated=1, known=True)
LOST = StageState(operated=1, known=False)
UNREAD = StageState()
FORWARD, REVERSE = Direction.FORWARD, Direction.REVERSE


def two_way() -> DriveSpec:
    """Both directions sensed, two channels of each stage."""
    contacts = tuple(
        contact("D", stage, bit(8 * i + 4 * j + k), side=side, channel=channel)
        for i, side in enumerate(Direction)
        for j, stage in enumerate(Stage)
        for k, channel in enumerate("AB")
    )
    spec = rake("D", *contacts)
    sides = {FORWARD: NEAR_SIDE, REVERSE: FAR_SIDE}
    return replace(spec, directions=(FORWARD, REVERSE), calibrations=sides, alarm_nm=28_000.0, turn_ns=1800 * S)


def one_way() -> DriveSpec:
    """Forward only: alarm at 28 kN.m, shutdown at 40 kN.m."""
    return replace(rake("D"), alarm_nm=28_000.0, turn_ns=1800 * S)


def setup_for(spec: DriveSpec, limits: TorqueLimits | None = None) -> Setup:
    """The drive laid out as the core would."""
    rules = site_rules({"D": spec.turn_ns})
    stages = [(w.direction, w.stage) for w in wire_drive(spec).stages]
    return setup_of(spec, stages, rules, limits or TorqueLimits())


def torque(nm: float | None, *, kind: Exactness = Exactness.EXACT, give_nm: float | None = 500.0) -> Reading:
    """A torque with its uncertainty; None = no reading."""
    return absent("no reading") if nm is None else Reading(kind, nm, "", give_nm)


class Judged:
    """A drive, its watch and a clock. Everything begins healthy: released, running, 10 kN.m."""

    def __init__(self, spec: DriveSpec | None = None, limits: TorqueLimits | None = None) -> None:
        self.spec = spec or one_way()
        self.setup = setup_for(self.spec, limits)
        self.facts = Facts((RELEASED,) * len(wire_drive(self.spec).stages), torque(10_000.0), FORWARD, running=1)
        self.watch: Watch = UNWATCHED
        self.now_s = 100.0
        self.holds: dict[str, bool | None] = {}
        self.suppressed: dict[str, str] = {}
        self.severity: dict[str, int] = {}
        self.judge()

    @property
    def now_ns(self) -> int:
        return round(self.now_s * S)

    def judge(self, after_s: float = 0.0, **facts: object) -> list[tuple[str, bool | None]]:
        """Facts change after a while, then everything is judged; what differs."""
        self.now_s += after_s
        self.facts = self.facts._replace(**facts)  # type: ignore[arg-type]
        self.watch, found = evaluate(self.setup, self.watch, self.facts, self.now_ns)
        told = []
        for c in found:
            name = c.key.kind if c.key.direction in ("", "forward") else f"{c.key.kind}/{c.key.direction}"
            self.holds[name], self.suppressed[name], self.severity[name] = c.holds, c.suppressed, c.severity
            told.append((name, c.holds))
        return told

    def stages(self, *states: StageState, after_s: float = 0.0) -> list[tuple[str, bool | None]]:
        """Forward alarm, forward shutdown, and so on."""
        return self.judge(after_s, stages=(*states, *self.facts.stages[len(states) :]))

    def quiet(self, nm: float) -> bool:
        """Whether this torque changes nothing now."""
        return is_quiet(self.watch, torque(nm), self.facts.leans, self.now_ns)

    @property
    def on(self) -> set[str]:
        """Kinds that hold now."""
        return {kind for kind, holds in self.holds.items() if holds}
