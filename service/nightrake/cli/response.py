"""`nightrake alarms`, `acknowledge`, `shelve` and so on, `lockout`: what people do about alarms, at the machine."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from nightrake.cli.commands import CAUTION
from nightrake.control.client import ControlClient
from nightrake.domain.cleantext import clean
from nightrake.domain.torquetext import with_uncertainty
from nightrake.errors import ControlError
from nightrake.settings import load

WIDTH = 80
Overrides = Mapping[str, str | int | float]


def run_alarms(folder: Path, overrides: Overrides, *, as_json: bool) -> int:
    """Print every alarm that stands; exit code 0."""
    settings = load(folder, overrides)
    with ControlClient(settings.control.socket) as client:
        alarms = client.ask("alarms")
    if as_json:
        print(json.dumps(alarms, indent=2))
        return 0
    names = {p: t.name for p, t in settings.people.items()}
    print("\n".join(alarm_lines(alarms, names)))
    return 0


def alarm_lines(alarms: Sequence[Mapping[str, Any]], names: Mapping[str, str]) -> Iterator[str]:
    """Alarms first, then notices and what people have put aside."""
    standing = [a for a in alarms if a["is_alarm"] and a["life"] != "normal"]
    notices = [a for a in alarms if not a["is_alarm"] and a["life"] != "normal"]
    aside = [a for a in alarms if a["life"] == "normal"]
    if not standing:
        yield "No alarm stands."
    for alarm in standing:
        yield from _alarm(alarm, names)
    if notices:
        yield ""
        yield "Notices, for the daytime:"
        for notice in notices:
            yield from _wrapped(f"{notice['alarm']}: {notice['title']}, since {moment(notice['since_utc_ms'])}")
    if aside:
        yield ""
        yield "Put aside while nothing is the matter:"
        for alarm in aside:
            yield from _wrapped(f"{alarm['alarm']}: {_aside(alarm)}")


def _alarm(alarm: Mapping[str, Any], names: Mapping[str, str]) -> Iterator[str]:
    mark = "!" if alarm["calling"] else " "
    yield from _wrapped(
        f"{mark} {alarm['alarm']}  occurrence {alarm['occurrence']}  {alarm['priority'].upper()}", "    "
    )
    yield from _wrapped(f"    {alarm['title']}; {alarm['state']}, since {moment(alarm['since_utc_ms'])}", "    ")
    facts = alarm["facts"]
    if facts.get("torque_nm") is not None:
        word = {"below": "less than ", "beyond": "more than "}.get(facts.get("torque_is", ""), "")
        text = f"    torque {word}{with_uncertainty(facts['torque_nm'], facts.get('torque_uncertainty_nm'))} kN.m"
        stop = str(facts.get("stop") or "")
        stop = stop if stop.startswith("still") or not stop else f"stop {stop}"
        yield text + (f"; {stop}" if stop and alarm["priority"] == "urgent" else "")
    told = ", ".join(_name(p, names) for p in alarm["told"])
    if alarm["acked_by"]:
        at = moment(alarm["acked_utc_ms"])
        yield from _wrapped(f"    acknowledged by {_name(alarm['acked_by'], names)} at {at}", "    ")
    elif told:
        next_utc_ms = alarm["next_call_utc_ms"]
        soon = f"; next call at {moment(next_utc_ms)[11:]}" if next_utc_ms else ""
        yield from _wrapped(f"    called: {told}{soon}", "    ")
    if alarm["withheld"]:
        yield from _wrapped(f"    nobody is called for it: {alarm['withheld']}", "    ")
    aside = _aside(alarm)
    if aside:
        yield from _wrapped(f"    {aside}", "    ")


def _aside(alarm: Mapping[str, Any]) -> str:
    parts = [f"suppressed by design: {alarm['suppressed']}"] if alarm["suppressed"] else []
    for key, words in (("shelved", "shelved"), ("out_of_service", "out of service")):
        overlay = alarm[key]
        if overlay:
            parts.append(f"{words} by {overlay['by']} until {moment(overlay['until_utc_ms'])}: {overlay['reason']}")
    return "; ".join(parts)


def _name(person: str, names: Mapping[str, str]) -> str:
    return f"{names[person]} ({person})" if person in names else person


def moment(utc_ms: int) -> str:
    """Local date and time of day."""
    return datetime.fromtimestamp(utc_ms / 1000, UTC).astimezone().strftime("%Y-%m-%d %H:%M:%S")


def _wrapped(text: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(clean(text, 1000).rstrip() if text.strip() else "", WIDTH, subsequent_indent=indent) or [""]


# --- commands ---


def run_acknowledge(folder: Path, overrides: Overrides, what: str, occurrence: int | None) -> int:
    """Acknowledge one alarm, or every unanswered one of a drive, as they are shown now.

    Raises:
        ControlError: There is nothing to acknowledge.
    """
    settings = load(folder, overrides)
    with ControlClient(settings.control.socket) as client:
        alarms = client.ask("alarms")
        wanted = [a for a in alarms if what in (a["alarm"], a["drive"]) and a["life"] != "normal"]
        if what in settings.site.drives:
            wanted = [a for a in wanted if not a["acked_by"] or a["calling"]]
        if not wanted and "/" not in what:
            raise ControlError(f"no alarm of '{what[:64]}' waits for anybody; see: nightrake alarms")
        seen = [(a["alarm"], a["occurrence"]) for a in wanted] or [(what, 0)]
        names = {p: t.name for p, t in settings.people.items()}
        for alarm in wanted:
            print("\n".join(_alarm(alarm, names)))
        code = 0
        for alarm, stands in seen:
            args = {"alarm": alarm, "occurrence": stands if occurrence is None else occurrence}
            code = max(code, _ask(client, "acknowledge", "", args))
    return code


def run_ask(
    folder: Path, overrides: Overrides, verb: str, drive: str, args: Mapping[str, Any], *, caution: bool = False
) -> int:
    """One command and its answer; exit code 0 accepted, 1 refused."""
    settings = load(folder, overrides)
    with ControlClient(settings.control.socket) as client:
        if caution:
            print(textwrap.fill(CAUTION, WIDTH))
        return _ask(client, verb, drive, args)


def _ask(client: ControlClient, verb: str, drive: str, args: Mapping[str, Any]) -> int:
    answer = client.ask("command", what=verb, drive=drive, args=dict(args))
    print(textwrap.fill(answer["text"], WIDTH))
    return 0 if answer["ok"] else 1


def run_lockout_show(folder: Path, overrides: Overrides, drive: str, *, as_json: bool) -> int:
    """Print a drive's lockout; exit code 0."""
    settings = load(folder, overrides)
    with ControlClient(settings.control.socket) as client:
        held = client.ask("lockout", drive=drive)
    if as_json:
        print(json.dumps(held, indent=2))
        return 0
    names = {p: t.name for p, t in settings.people.items()}
    print("\n".join(lockout_lines(held, names)))
    return 0


def lockout_lines(held: Mapping[str, Any], names: Mapping[str, str]) -> Iterator[str]:
    """What was reported, in order, and what is still missing."""
    drive = held["drive"]
    if not held["number"]:
        yield f"{drive} has never been locked out."
        return
    if held["open"]:
        yield from _wrapped(
            f"{drive} lockout {held['number']}, open since {moment(held['opened_utc_ms'])}: {held['because']}"
        )
    else:
        by = _name(held["released_by"], names)
        yield from _wrapped(f"{drive} lockout {held['number']}: released by {by} at {moment(held['released_utc_ms'])}")
    for report in held["reports"]:
        said = [report.get(k, "") for k in ("lock_number", "cause", "lock_of", "to", "name", "remark")]
        more = f": {', '.join(s for s in said if s)}" if any(said) else ""
        what = report["step"].replace("_", " ")
        yield from _wrapped(f"  {moment(report['utc_ms'])}  {_name(report['by'], names)}: {what}{more}", "    ")
    for lock in held["locks"]:
        off = f"off since {moment(lock['off_utc_ms'])}" if lock["off_utc_ms"] else "ON"
        yield from _wrapped(
            f"  lock {lock['number'] or '(no number)'} of {_name(lock['person'], names)}: {off}", "    "
        )
    if held["test_run_s"]:
        yield f"  A supervised test run goes on for another {held['test_run_s']:.0f} s."
    for missing in held["missing"]:
        yield from _wrapped(f"  missing: {missing}", "    ")
    yield from _wrapped(held["words"], "")
