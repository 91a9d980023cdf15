"""What a call is about, as plain values: whoever words it or shows it needs nothing else. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from nightrake.alarms.keys import SITE, parse_key
from nightrake.alarms.rules import AlarmRule
from nightrake.alarms.zones import UTC_ZONE, Zone, wall_text
from nightrake.domain.torquetext import torque_words
from nightrake.messages.trend import Trend

STEADY_PCT_PER_MIN = 0.2
"""A torque that changes by less than this part of the shutdown torque in a minute is called steady (own choice)."""
STEADY_NM_PER_MIN = 50.0
"""The same where no shutdown torque is stated."""
STEADY_BAND_PCT, STEADY_BAND_NM = 1.0, 250.0
"""So far apart values may lie that follow no line, and still be called steady (own choice)."""
JUMP = 0.6
"""From this part of the whole range on, the way from the oldest value to the newest is what has happened."""
TODAY_MS = 43_200_000
"""A time of day within so much of now needs no date."""
STOP_WORDS = {
    ("awaited", True): "stop awaited, MOTOR RUNS",
    ("awaited", None): "stop awaited",
    ("confirmed", True): "MOTOR RUNS AGAIN after its stop was confirmed",
    ("confirmed", False): "stop confirmed",
    ("confirmed", None): "stop was confirmed, run feedback not known now",
    ("not confirmed", True): "STOP NOT CONFIRMED, MOTOR RUNS",
    ("not confirmed", False): "STOP NOT CONFIRMED",
    ("not confirmed", None): "STOP NOT CONFIRMED",
    ("still running", True): "MOTOR STILL RUNS",
    ("still running", False): "motor stands now, after it ran on",
    ("still running", None): "MOTOR RAN ON, run feedback not known now",
    ("", True): "motor runs",
    ("", False): "motor stands",
    ("", None): "run feedback not known",
}
"""By the verdict on the last shutdown's stop, and what the run feedback says now: that always counts."""


class About(NamedTuple):
    """One alarm that people are called for.

    Attributes:
        site: Name of the site. alarm, occurrence: Which.
        title, priority: Of its rule. since_utc_ms: When this life of it began.
        drive_name: "" where it is about no drive.
        now: The drive as it stands (`domain.view.drive_view`); {} where it is about no drive.
        trend: How its torque has gone over the last minute, None = not known.
        facts: What was said of the alarm when it was last raised.
        cause, consequence, instructions: Of its rule.
        zone: In which times are written. people: Name of each person by id.
        gone_utc_ms: Since when its condition is gone although it is not over, 0 = it holds. over_utc_ms: when it is
            over unless it comes back. silent: what somebody or logic has laid over it, in words.
        flood_utc_ms: Since when there is an alarm flood at the site, 0 = there is none.
    """

    site: str
    alarm: str
    occurrence: int
    title: str
    priority: str
    since_utc_ms: int
    drive_name: str = ""
    now: Mapping[str, Any] = {}
    trend: Trend | None = None
    facts: Mapping[str, Any] = {}
    cause: str = ""
    consequence: str = ""
    instructions: tuple[str, ...] = ()
    zone: Zone = UTC_ZONE
    people: Mapping[str, str] = {}
    gone_utc_ms: int = 0
    over_utc_ms: int = 0
    silent: str = ""
    flood_utc_ms: int = 0

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

    def when(self, utc_ms: int, now_utc_ms: int) -> str:
        """The same as time of day alone, where it is clear which day is meant."""
        text = self.at(utc_ms)
        return text[-5:] if abs(now_utc_ms - utc_ms) < TODAY_MS else text

    def person(self, person: str) -> str:
        """A person by name and id."""
        return f"{self.people[person]} ({person})" if person in self.people else person

    # --- the drive as it stands ---

    @property
    def torque(self) -> str:
        """``41.2 ±0.6 kN.m``, or ""; ``±0.6*`` where the uncertainty lacks a source."""
        reading = self.now.get("torque_nm") or {}
        lacks = bool(reading.get("uncertainty_lacks"))
        return torque_words(str(reading.get("kind", "")), reading.get("value"), reading.get("uncertainty"), lacks=lacks)

    @property
    def percent(self) -> float | None:
        """Torque in percent of the shutdown torque."""
        value, full = (self.now.get("torque_nm") or {}).get("value"), self.now.get("shutdown_nm")
        return 100.0 * value / full if value is not None and full else None

    @property
    def trend_words(self) -> str:
        """``rising 1.2 kN.m/min``, ``steady``, ``up from 57.0 within a minute``, ..., or ``trend not known``."""
        went = self.trend
        if went is None:
            return "trend not known"
        full = self.now.get("shutdown_nm") or 0.0
        rate, band_nm = went.nm_per_min, went.most_nm - went.least_nm
        if went.is_straight and abs(rate) >= (full * STEADY_PCT_PER_MIN / 100.0 or STEADY_NM_PER_MIN):
            places = 1 if abs(rate) >= 1000.0 else 2
            return f"{'rising' if rate > 0 else 'falling'} {abs(rate) / 1000:.{places}f} kN.m/min"
        if went.is_straight or band_nm <= (full * STEADY_BAND_PCT / 100.0 or STEADY_BAND_NM):
            return "steady"
        if abs(went.last_nm - went.first_nm) >= JUMP * band_nm:
            way = "up" if went.last_nm > went.first_nm else "down"
            return f"{way} from {went.first_nm / 1000:.1f} within a minute"
        return f"between {went.least_nm / 1000:.1f} and {went.most_nm / 1000:.1f} in the last minute"

    @property
    def torque_line(self) -> str:
        """Torque, percent of shutdown and trend in one phrase, or ""."""
        if not self.torque:
            return ""
        percent = "" if self.percent is None else f"{self.percent:.0f} % of shutdown"
        return ", ".join(p for p in (self.torque, percent, self.trend_words) if p)

    @property
    def stop_line(self) -> str:
        """What is known of the stop and the motor, or ""."""
        if "running" not in self.now:
            return ""
        stop, running = str(self.now.get("stop", "")), self.now["running"]
        return STOP_WORDS.get((stop, running)) or STOP_WORDS["", running]

    @property
    def lockout_line(self) -> str:
        """What the record holds over the drive, or ""; a shutdown's own lockout is no news with the shutdown."""
        now, lines = self.now, []
        began_before = int(now.get("locked_out_utc_ms") or 0) < self.since_utc_ms - 1000
        if now.get("locked_out") and (began_before or not self.alarm.endswith("/shutdown_contact")):
            lines.append(
                f"locked out in the record since {self.when(int(now['locked_out_utc_ms']), self.since_utc_ms)}"
            )
        if now.get("test_run_s"):
            lines.append("a supervised test run is on")
        if now.get("in_test_s"):
            lines.append("a function check is on")
        if now.get("standby"):
            lines.append("in standby")
        return ", ".join(lines)

    def gone_line(self, now_utc_ms: int) -> str:
        """That the condition is gone although the alarm is not over, or ""."""
        if not self.gone_utc_ms:
            return ""
        over = f"; over at {self.at(self.over_utc_ms)[-5:]} unless it comes back" if self.over_utc_ms else ""
        return f"condition gone since {self.when(self.gone_utc_ms, now_utc_ms)}{over}"

    @property
    def flood_line(self) -> str:
        """That there is a flood, or ""."""
        return f"alarm flood since {self.at(self.flood_utc_ms)[-5:]}, low alarms wait" if self.flood_utc_ms else ""

    @property
    def other_line(self) -> str:
        """For what is about no drive: what is unwatched, who cannot be reached, or why a link is bad."""
        facts = self.facts
        if facts.get("people"):
            return f"no answer from {', '.join(self.person(str(p)) for p in facts['people'][:4])}"
        if facts.get("unwatched"):
            drives = ", ".join(map(str, facts.get("drives", ())[:8]))
            return f"{facts['unwatched']} drives unwatched: {drives}"
        return str(facts.get("detail") or "")
