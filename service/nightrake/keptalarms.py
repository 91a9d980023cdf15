"""The alarms of a site to bytes and back, for the store: each part under its own key, written when it has changed.

An escalation that has ended is kept as an empty value, which means that there is none.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, NamedTuple, TypeVar

from pydantic import TypeAdapter, ValidationError

from nightrake.alarms.book import changed_subjects
from nightrake.alarms.callchecks import CallChecks
from nightrake.alarms.calls import Escalation, Escalations
from nightrake.alarms.flood import Flood
from nightrake.alarms.lockout import Lockout
from nightrake.alarms.overlays import Overlay
from nightrake.alarms.records import AlarmBook, Subject
from nightrake.alarms.rights import Seconds
from nightrake.alarms.silence import Silence
from nightrake.alarms.standing import SiteAlarms, after_restart


class Rest(NamedTuple):
    """What is small and kept as one."""

    flood: Flood = Flood()
    silence: Silence = Silence()
    checks: CallChecks = CallChecks()
    unreached: tuple[str, ...] = ()
    seconds: Seconds = Seconds()
    standby: Mapping[str, Overlay] = {}


_T = TypeVar("_T")
_SUBJECT: TypeAdapter[Subject] = TypeAdapter(Subject)
_CALL: TypeAdapter[Escalation] = TypeAdapter(Escalation)
_LOCKOUT: TypeAdapter[Lockout] = TypeAdapter(Lockout)
_REST: TypeAdapter[Rest] = TypeAdapter(Rest)
_ALL: TypeAdapter[SiteAlarms] = TypeAdapter(SiteAlarms)
SUBJECT, CALL, LOCKOUT, REST = "alarms:", "call:", "lockout:", "alarms"
"""Keys, or how they begin."""


def _rest(alarms: SiteAlarms) -> Rest:
    return Rest(alarms.book.flood, alarms.silence, alarms.checks, alarms.unreached, alarms.seconds, alarms.standby)


def _lasting(alarms: SiteAlarms) -> Rest:
    """Of when the rota was last looked at, which changes with each second, only whether it ever was."""
    rest = _rest(alarms)
    return rest._replace(checks=rest.checks._replace(looked_utc_s=int(rest.checks.looked_utc_s > 0)))


def alarm_states(before: SiteAlarms, after: SiteAlarms) -> dict[str, bytes]:
    """What is different after a step, by key."""
    if after is before:
        return {}
    kept = {
        f"{SUBJECT}{n}": _SUBJECT.dump_json(after.book.subjects[n]) for n in changed_subjects(before.book, after.book)
    }
    if after.calls.running is not before.calls.running:
        was, now = before.calls.running, after.calls.running
        kept |= {f"{CALL}{n}": _CALL.dump_json(e) for n, e in now.items() if e is not was.get(n)}
        kept |= {f"{CALL}{n}": b"" for n in was if n not in now}
    kept |= {
        f"{LOCKOUT}{d}": _LOCKOUT.dump_json(held)
        for d, held in after.lockouts.items()
        if held is not before.lockouts.get(d)
    }
    if _lasting(after) != _lasting(before):
        kept[REST] = _REST.dump_json(_rest(after))
    return kept


def restored_alarms(
    kept: Mapping[str, bytes], now_ns: int, utc_ms: int, *, same_boot: bool
) -> tuple[SiteAlarms, list[str]]:
    """What the store holds. The settings may have changed while nothing ran: the first step looks at that, so that what
    comes of it is journalled (`domain.newplan.begin`).

    Args:
        same_boot: See `kept.restore`.

    Returns:
        The alarms, and the keys that are damaged and were left out.
    """
    unfit: list[str] = []
    rest = _parse(_REST, kept.get(REST, b""), REST, unfit) or Rest()
    subjects = _all(_SUBJECT, SUBJECT, kept, unfit)
    calls = Escalations(_all(_CALL, CALL, kept, unfit))
    alarms = SiteAlarms(
        book=AlarmBook(subjects, rest.flood),
        silence=rest.silence,
        calls=calls,
        checks=rest.checks,
        unreached=rest.unreached,
        seconds=rest.seconds,
        lockouts=_all(_LOCKOUT, LOCKOUT, kept, unfit),
        standby=rest.standby,
    )
    return after_restart(alarms, now_ns, utc_ms, same_boot=same_boot), unfit


def _all(adapter: TypeAdapter[_T], begin: str, kept: Mapping[str, bytes], unfit: list[str]) -> dict[str, _T]:
    found = {}
    for key, raw in kept.items():
        if key.startswith(begin) and raw:
            value = _parse(adapter, raw, key, unfit)
            if value is not None:
                found[key.removeprefix(begin)] = value
    return found


def _parse(adapter: TypeAdapter[_T], raw: bytes, key: str, unfit: list[str]) -> _T | None:
    if not raw:
        return None
    try:
        return adapter.validate_json(raw)
    except ValidationError:
        unfit.append(key)
        return None


def alarms_to(alarms: SiteAlarms) -> Any:
    """All of it as plain JSON values, for a snapshot."""
    return json.loads(_ALL.dump_json(alarms))


def alarms_from(data: Any) -> SiteAlarms:
    """What `alarms_to` gave."""
    return _ALL.validate_json(json.dumps(data))
