"""What a call is about, as plain values: whoever words it or shows it needs nothing else. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from nightrake.alarms.keys import SITE, parse_key
from nightrake.alarms.rules import AlarmRule
from nightrake.alarms.zones import UTC_ZONE, Zone, wall_text
from nightrake.domain.torquetext import torque_words

STEADY_PCT_PER_MIN = 0.2
"""A torque that changes by less than this part of the shutdown torque in a minute is called steady (own choice)."""
STEADY_NM_PER_MIN = 50.0
"""The same where no shutdown torque is stated."""
STOP_WORDS = {
    "awaited": "stop awaited",
    "confirmed": "stop confirmed",
    "not confirmed": "STOP NOT CONFIRMED",
    "still running": "MOTOR STILL RUNS",
}


class About(NamedTuple):
    """One alarm that people are called for.

    Attributes:
        site: Name of the site. alarm, occurrence: Which.
        title, priority: Of its rule. since_utc_ms: When this life of it began.
        drive_name: "" where it is about no drive.
        now: The drive as it stands (`domain.view.drive_view`); {} where it is about no drive.
        trend_nm_per_min: How its torque has changed over the last minutes, None = not known.
        facts: What was said of the alarm when it was last raised.
        cause, consequence, instructions: Of its rule.
        zone: In which times are written. people: Name of each person by id.
    """

    site: str
    alarm: str
    occurrence: int
    title: str
    priority: str
    since_utc_ms: int
    drive_name: str = ""
    now: Mapping[str, Any] = {}
    trend_nm_per_min: float | None = None
    facts: Mapping[str, Any] = {}
    cause: str = ""
    consequence: str = ""
    instructions: tuple[str, ...] = ()
    zone: Zone = UTC_ZONE
    people: Mapping[str, str] = {}

    def ruled(self, rule: AlarmRule) -> About:
        """The same with what its rule says."""
        return self._replace(
            title=rule.type.title,
            priority=rule.priority.value,
            cause=rule.cause,
            consequence=rule.consequence,
            instructions=rule.instructions,
        )

    @property
    def place(self) -> str:
        """``GT1 forward``, ``PLC GWC``, or "" for the site."""
        key = parse_key(self.alarm)
        if key.subject == SITE:
            return ""
        if not key.drive:
            return f"PLC {key.subject.partition(':')[2]}"
        return " ".join(p for p in (key.drive, key.direction) if p)

    @property
    def long_place(self) -> str:
        """``GT1 Gravity thickener, forward``."""
        key = parse_key(self.alarm)
        if not (key.drive and self.drive_name):
            return self.place
        named = f"{key.drive} {self.drive_name}"
        return f"{named}, {key.direction}" if key.direction else named

    def at(self, utc_ms: int) -> str:
        """A moment on the wall clock there, to the minute."""
        return wall_text(self.zone, utc_ms // 1000)

    def person(self, person: str) -> str:
        """A person by name and id."""
        return f"{self.people[person]} ({person})" if person in self.people else person

    # --- the drive as it stands ---

    @property
    def torque(self) -> str:
        """``41.2 ±0.6 kN.m``, or ""."""
        reading = self.now.get("torque_nm") or {}
        return torque_words(str(reading.get("kind", "")), reading.get("value"), reading.get("uncertainty"))

    @property
    def percent(self) -> float | None:
        """Torque in percent of the shutdown torque."""
        value, full = (self.now.get("torque_nm") or {}).get("value"), self.now.get("shutdown_nm")
        return 100.0 * value / full if value is not None and full else None

    @property
    def trend(self) -> str:
        """``rising 1.2 kN.m/min``, ``falling ...``, ``steady``, or ""."""
        rate = self.trend_nm_per_min
        if rate is None:
            return ""
        full = self.now.get("shutdown_nm") or 0.0
        if abs(rate) < (full * STEADY_PCT_PER_MIN / 100.0 or STEADY_NM_PER_MIN):
            return "steady"
        places = 1 if abs(rate) >= 1000.0 else 2
        return f"{'rising' if rate > 0 else 'falling'} {abs(rate) / 1000:.{places}f} kN.m/min"

    @property
    def torque_line(self) -> str:
        """Torque, percent of shutdown and trend in one phrase, or ""."""
        if not self.torque:
            return ""
        percent = "" if self.percent is None else f"{self.percent:.0f} % of shutdown"
        return ", ".join(p for p in (self.torque, percent, self.trend) if p)

    @property
    def stop_line(self) -> str:
        """What is known of the stop and the motor, or ""."""
        stop = STOP_WORDS.get(str(self.now.get("stop", "")), "")
        if stop or "running" not in self.now:
            return stop
        return {True: "motor runs", False: "motor stands", None: "run feedback not known"}[self.now["running"]]

    @property
    def other_line(self) -> str:
        """For what is about no drive: what is unwatched, or why a link is bad."""
        facts = self.facts
        if facts.get("unwatched"):
            drives = ", ".join(map(str, facts.get("drives", ())[:8]))
            return f"{facts['unwatched']} drives unwatched: {drives}"
        return str(facts.get("detail") or "")
