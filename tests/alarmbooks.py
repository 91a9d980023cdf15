"""A book of alarms that is easy to walk in a test: seconds in, entries out."""

from __future__ import annotations

from nightrake.alarms import asked
from nightrake.alarms.book import advance, alarm_of
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.records import Alarm, AlarmBook, Condition
from nightrake.alarms.rules import AlarmRules, site_rules
from nightrake.domain.rows import Answer, Entry

S = 1_000_000_000
UTC = 1_790_000_000_000
DRIVES = tuple(f"D{i}" for i in range(40))
SHUTDOWN = AlarmKey("D0", "forward", "shutdown_contact")
ALARM = AlarmKey("D0", "forward", "alarm_contact")
HIGH = AlarmKey("D0", "forward", "torque_high")
ANNA = {"actor": "anna", "role": "operator", "known_by": "local user"}
BEN = {**ANNA, "actor": "ben"}


def everything(rules: AlarmRules) -> AlarmRules:
    """The rules of a site whose drives have every alarm there is, in both directions."""
    keys = {
        d: frozenset(str(AlarmKey(d, side, kind)) for kind in kinds for side in ("", "forward", "reverse"))
        for d, kinds in rules.drives.items()
    }
    return rules.judging(keys)


class Walk:
    """A book, its rules and a clock. `step_s`: how often time is let pass in between."""

    def __init__(self, rules: AlarmRules | None = None, step_s: float = 1.0) -> None:
        self.rules = everything(rules or site_rules(dict.fromkeys(DRIVES, 1800 * S), plcs=("P1", "P2", "P3", "P4")))
        self.book = AlarmBook()
        self.now_s = 100.0
        self.step_s = step_s
        self.entries: list[Entry] = []

    @property
    def now_ns(self) -> int:
        return round(self.now_s * S)

    @property
    def utc_ms(self) -> int:
        return UTC + round(self.now_s * 1000)

    def give(self, *conditions: Condition) -> list[Entry]:
        """Conditions now."""
        self.book, told = advance(self.book, self.rules, conditions, self.now_ns, self.utc_ms)
        self.entries += told
        return list(told)

    def say(self, key: AlarmKey, holds: bool | None, suppressed: str = "", severity: int = 0) -> list[Entry]:
        """One condition now."""
        return self.give(Condition(key, holds, suppressed, severity, {"torque_nm": 1.0}))

    def wait(self, seconds: float) -> list[Entry]:
        """Time passes."""
        told, until_s = [], self.now_s + seconds
        while self.now_s < until_s:
            self.now_s = min(until_s, self.now_s + self.step_s)
            told += self.give()
        return told

    def ask(self, verb: str, key: AlarmKey | str, *args: object, by: dict[str, str] | None = None) -> Answer:
        """A person's request."""
        asking = asked.Asking(str(key), by or ANNA, self.now_ns, self.utc_ms)
        done: asked.Asked = getattr(asked, verb)(self.book, self.rules, asking, *args)
        self.book, told, answer = done
        self.entries += told
        return answer

    def alarm(self, key: AlarmKey) -> Alarm:
        return alarm_of(self.book, key)

    def events(self) -> list[str]:
        """What has been told, by name."""
        return [e.event for e in self.entries]


def events(told: list[Entry]) -> list[str]:
    """What was told, by name."""
    return [e.event for e in told]
