"""Alarms and lockouts as lines of 80 columns, at the site's time."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from nightrake.alarms.told import stamp
from nightrake.alarms.zones import UTC_ZONE, Zone
from nightrake.cli.text import clock_text
from nightrake.domain.cleantext import clean
from nightrake.domain.torquetext import torque_words

WIDTH = 80
_INDENT = "    "
_ASIDE = (("shelved", "shelved"), ("out_of_service", "out of service"))
SHOWN = 6
"""Names in one line."""


class Told(NamedTuple):
    """How things are told: people's names by id, and the zone in which the site tells the time."""

    names: Mapping[str, str] = {}
    zone: Zone = UTC_ZONE

    def at(self, utc_ms: int) -> str:
        """Date and time of day."""
        return stamp(self.zone, utc_ms)

    def clock(self, utc_ms: int) -> str:
        """Time of day."""
        return clock_text(utc_ms, self.zone)

    def name(self, person: str) -> str:
        """A person with the id."""
        return f"{self.names[person]} ({person})" if person in self.names else person


def alarm_lines(alarms: Sequence[Mapping[str, Any]], told: Told) -> Iterator[str]:
    """Alarms first, then notices and what people have put aside."""
    standing = [a for a in alarms if a["is_alarm"] and a["life"] != "normal"]
    notices = [a for a in alarms if not a["is_alarm"] and a["life"] != "normal"]
    aside = [a for a in alarms if a["life"] == "normal"]
    if not standing:
        yield "No alarm stands."
    for alarm in standing:
        yield from one_alarm(alarm, told)
    if notices:
        yield from ("", "Notices, for the daytime:")
        for notice in notices:
            yield from _wrapped(f"{notice['alarm']}: {notice['title']}, since {told.at(notice['since_utc_ms'])}")
    if aside:
        yield from ("", "Put aside while nothing is the matter:")
        for alarm in aside:
            yield from _wrapped(f"{alarm['alarm']}: {_aside(alarm, told)}")
    if alarms:
        legend = "! calls now.  " if any(a["calling"] for a in standing) else ""
        yield from ("", f"{legend}Times are those of {told.zone.name}.")


def one_alarm(alarm: Mapping[str, Any], told: Told) -> Iterator[str]:
    """One alarm: what, since when, with what, how it stands now, whom it called, who has answered."""
    mark = "!" if alarm["calling"] else " "
    head = f"{mark} {alarm['alarm']}  occurrence {alarm['occurrence']}  {alarm['priority'].upper()}"
    yield from _wrapped(head, _INDENT)
    for text in _about(alarm, told):
        yield from _wrapped(f"{_INDENT}{text}", _INDENT)


def _about(alarm: Mapping[str, Any], told: Told) -> Iterator[str]:
    yield f"{alarm['title']}: {alarm['life']}, since {told.at(alarm['since_utc_ms'])}"
    yield from _facts(alarm, told)
    if alarm.get("gone_utc_ms"):
        gone = "the contact released" if alarm["kind"] in ("alarm_contact", "shutdown_contact") else "gone"
        then = "it latches" if alarm["kind"] == "shutdown_contact" else "over"
        at, ends = told.clock(alarm["gone_utc_ms"]), told.clock(alarm["over_utc_ms"])
        yield f"{gone} at {at}; {then} at {ends} if it stays so"
    if alarm["acked_by"]:
        yield f"acknowledged by {told.name(alarm['acked_by'])} at {told.at(alarm['acked_utc_ms'])}"
    elif alarm["told"]:
        yield f"called: {_called(alarm, told)}"
    aside = _aside(alarm, told)
    if alarm["withheld"] and not aside:
        yield f"nobody is called for it{' any more' if alarm['told'] else ''}: {alarm['withheld']}"
    if aside:
        yield aside


def _called(alarm: Mapping[str, Any], told: Told) -> str:
    names = [told.name(p) for p in alarm["told"][:SHOWN]]
    more = alarm.get("told_count", len(alarm["told"])) - len(names)
    who = ", ".join(names) + (f" and {more} more" if more > 0 else "")
    if alarm["next_call_utc_ms"]:
        return f"{who}; next call at {told.clock(alarm['next_call_utc_ms'])}"
    return who


# --- with what it came, and how it is now ---


def _facts(alarm: Mapping[str, Any], told: Told) -> Iterator[str]:
    """What the alarm said when it came, and how its drive stands now; of others whom or what they are about."""
    facts, now, urgent = alarm["facts"], alarm.get("now"), alarm["priority"] == "urgent"
    lacks = facts.get("torque_uncertainty_lacks") or ()
    then = torque_words(
        facts.get("torque_is", ""), facts.get("torque_nm"), facts.get("torque_uncertainty_nm"), lacks=bool(lacks)
    )
    if then:
        yield f"when it came: torque {_joined(then, facts.get('running'), facts.get('stop'), urgent)}"
    if now is not None and (then or urgent):
        torque = now["torque_nm"]
        lacks = lacks or torque["uncertainty_lacks"]
        marked = bool(torque["uncertainty_lacks"])
        value = torque_words(torque["kind"], torque["value"], torque["uncertainty"], lacks=marked)
        yield f"now: torque {_joined(value or 'not known', now['running'], now['stop'], urgent)}"
    if lacks and then:
        yield f"*: without {', '.join(lacks)}"
    other = _others(facts, told)
    if other:
        yield other


def _joined(torque: str, running: object, stop: object, urgent: bool) -> str:
    """Torque, motor, and of what is urgent whether it has stopped; a stop that a running motor has undone is none."""
    runs = "motor RUNS" if urgent else "motor runs"
    parts = [torque] + ([runs if running else "motor stands"] if isinstance(running, bool) else [])
    if urgent and stop and not (running is True and stop == "confirmed"):
        parts.append(str(stop) if str(stop).startswith("still") else f"stop {stop}")
    return "; ".join(parts)


def _others(facts: Mapping[str, Any], told: Told) -> str:
    people = [told.name(p) for p in facts.get("people") or ()]
    parts = [f"not reached: {_some(people)}"] if people else []
    parts += [f"silent: {_some(facts['plcs'])}"] if facts.get("plcs") else []
    drives = facts.get("drives") or ()
    if facts.get("unwatched"):
        count = facts["unwatched"]
        named = f": {_some(drives)}" if drives else ""
        parts.append(f"{count} {'drive' if count == 1 else 'drives'} unwatched{named}")
    return "; ".join([*parts, *(str(facts[k]) for k in ("link", "detail") if facts.get(k))])


def _some(names: Sequence[str]) -> str:
    more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
    return ", ".join(names[:SHOWN]) + more


def _aside(alarm: Mapping[str, Any], told: Told) -> str:
    parts = [f"suppressed by design: {alarm['suppressed']}"] if alarm["suppressed"] else []
    for key, words in _ASIDE:
        overlay = alarm[key]
        if overlay:
            by, until = told.name(overlay["by"]), told.at(overlay["until_utc_ms"])
            parts.append(f"{words} by {by} at {told.clock(overlay['since_utc_ms'])} until {until}: {overlay['reason']}")
    return "; ".join(parts)


def _wrapped(text: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(clean(text, 1000).rstrip() if text.strip() else "", WIDTH, subsequent_indent=indent) or [""]


# --- lockouts ---


def lockout_lines(held: Mapping[str, Any], told: Told) -> Iterator[str]:
    """What was reported, in order, and what is still missing."""
    drive = held["drive"]
    if not held["number"]:
        yield f"{drive} has never been locked out."
        return
    if held["open"]:
        opened = f"open since {told.at(held['opened_utc_ms'])}"
        yield from _wrapped(f"{drive} lockout {held['number']}, {opened}: {held['because']}")
    else:
        ended = "cancelled" if held["cancelled"] else "released"
        by, at = told.name(held["released_by"]), told.at(held["released_utc_ms"])
        yield from _wrapped(f"{drive} lockout {held['number']}: {ended} by {by} at {at}")
    for report in held["reports"]:
        said = [report.get(k, "") for k in ("lock_number", "cause", "lock_of", "to", "name", "remark")]
        more = f": {', '.join(s for s in said if s)}" if any(said) else ""
        what = report["step"].replace("_", " ")
        yield from _wrapped(f"  {told.at(report['utc_ms'])}  {told.name(report['by'])}: {what}{more}", _INDENT)
    for lock in held["locks"]:
        off = f"off since {told.at(lock['off_utc_ms'])}" if lock["off_utc_ms"] else "ON"
        beyond = f"({lock['unlisted']} beyond the list)" if lock.get("unlisted") else "(no number)"
        yield from _wrapped(f"  lock {lock['number'] or beyond} of {told.name(lock['person'])}: {off}", _INDENT)
    if held["test_run_s"]:
        yield f"  A supervised test run goes on for another {held['test_run_s']:.0f} s."
    for missing in held["missing"]:
        yield from _wrapped(f"  missing: {missing}", _INDENT)
    yield from _wrapped(f"Times are those of {told.zone.name}.", "")
    yield from _wrapped(held["words"], "")
