"""What a reload changed, in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from typing import Any

from nightrake.alarms.response import Response
from nightrake.domain.site import ContactSpec, DriveSpec
from nightrake.settings.people import PeopleModel
from nightrake.settings.taken import Settings
from nightrake.settings.words import listed

MAX_LINES = 200
"""A reply is read by a person; a folder that changes more than this is named by the count of the rest."""


def reload_diff(old: Settings, new: Settings) -> list[str]:
    """What differs between two settings, one sentence a change; ``nothing changed`` where nothing does."""
    lines = _fields("site", {"id": old.site.id, "name": old.site.name}, {"id": new.site.id, "name": new.site.name})
    lines += _tables("PLC", old.site.endpoints, new.site.endpoints)
    lines += _tables("drive", old.site.drives, new.site.drives)
    lines += _tables("person", old.people, new.people)
    lines += _duty(old.duty.tables, new.duty.tables)
    lines += _response(old.response, new.response)
    lines += _tables("channel", old.channels, new.channels)
    for name in ("mqtt", "forward", "store", "history", "learning", "page", "control", "clock", "person_limit"):
        lines += _fields(f"[{name}]", _plain(getattr(old, name)), _plain(getattr(new, name)))
    if not lines and old.digest != new.digest:
        lines = ["only what the running watch does not use has changed"]
    more = len(lines) - MAX_LINES
    return [*lines[:MAX_LINES], f"and {more} more changes"] if more > 0 else lines or ["nothing changed"]


def _duty(old: PeopleModel, new: PeopleModel) -> list[str]:
    lines = _tables("team", old.team, new.team)
    lines += _tables("escalation", old.escalation, new.escalation)
    for name in ("rota", "test_call", "rights", "lockout"):
        lines += _fields(f"[{name}]", _plain(getattr(old, name)), _plain(getattr(new, name)))
    return lines


def _response(old: Response, new: Response) -> list[str]:
    """Alarms, limits and standby; of drives that are new or gone nothing is told here."""
    lines = _tables("alarm", old.overrides, new.overrides)
    both = [drive for drive in new.limits if drive in old.limits]
    for drive in both:
        mine, theirs = (r.drive_overrides.get(drive, {}) for r in (old, new))
        lines += _tables(f"drive {drive}: alarm", mine, theirs)
    limits: dict[str, list[str]] = {}
    for drive in both:
        for change in _fields("torque_limits", _plain(old.limits[drive]), _plain(new.limits[drive])):
            limits.setdefault(change, []).append(drive)
    lines += [f"{'every drive' if names == both else f'drive {listed(names)}'}: {c}" for c, names in limits.items()]
    for drive in both:
        lines += _fields(f"drive {drive}", {"standby": old.schedule_of(drive)}, {"standby": new.schedule_of(drive)})
    zones = (name for name in new.zones if name in old.zones and new.zones[name] != old.zones[name])
    return lines + [f"time zone data of {name} changed" for name in zones]


def _tables(word: str, old: Mapping[Any, Any], new: Mapping[Any, Any]) -> list[str]:
    lines = [f"{word} {name} is new" for name in new if name not in old]
    lines += [f"{word} {name} is gone" for name in old if name not in new]
    for name in (n for n in new if n in old and new[n] != old[n]):
        lines += _fields(f"{word} {name}", _plain(old[name]), _plain(new[name]))
    return lines


def _fields(head: str, old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    changed = (k for k in dict.fromkeys((*old, *new)) if old.get(k) != new.get(k))
    return [f"{head}: {_change(key, old.get(key), new.get(key))}" for key in changed]


def _change(key: str, old: Any, new: Any) -> str:
    if _is_short(old) and _is_short(new) and "password" not in key.rpartition("_")[2]:
        return f"{key} {_shown(old)} -> {_shown(new)}"
    if new in (None, "", ()):
        return f"{key} is gone"
    return f"{key} is new" if old in (None, "", ()) else f"{key} changed"


def _is_short(value: Any) -> bool:
    return isinstance(value, (bool, int, float)) or (isinstance(value, str) and len(value) <= 60)


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return f"'{value}'" if isinstance(value, str) else f"{value:.10g}"


def _plain(value: Any) -> dict[str, Any]:
    """A record's fields by the names that the settings have for them, spans in seconds."""
    if isinstance(value, DriveSpec):
        return _drive(value)
    if hasattr(value, "model_dump"):
        return dict(value.model_dump())
    if not is_dataclass(value):
        return _named(value._asdict().items())
    return _named((f.name, getattr(value, f.name)) for f in fields(value))


def _named(pairs: Iterable[tuple[str, Any]]) -> dict[str, Any]:
    return {
        f"{name.removesuffix('_ns')}_s" if name.endswith("_ns") else name: v / 1e9 if name.endswith("_ns") else v
        for name, v in pairs
    }


def _drive(drive: DriveSpec) -> dict[str, Any]:
    parts = {f.name: getattr(drive, f.name) for f in fields(drive)}
    contacts: tuple[ContactSpec, ...] = parts.pop("contacts")
    plain = _named((name, value) for name, value in parts.items() if name not in ("kept", "calibrations", "on_change"))
    plain |= {f"contact {c.id.direction} {c.id.stage} {c.id.channel}": c for c in contacts}
    plain |= {f"kept {name}": point for name, point in drive.kept.items()}
    plain |= {
        f"record_on_change of {role}": f"band {rule.band:g}, longest_s {rule.longest_ns / 1e9:g}"
        for role, rule in drive.on_change.items()
    }
    plain |= {f"calibration record {side}": curve.ref for side, curve in drive.calibrations.items()}
    return plain
