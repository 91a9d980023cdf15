"""What the journal's rows say, read back for people: moments, facts, and words that several tellings share. Pure.

A row may be of an older version, or have been tampered with: whatever is missing or of another type reads as nothing.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from nightrake.alarms.zones import DAY_S, EPOCH_ORDINAL, Zone, day_of, offset_s, wall_text
from nightrake.domain.cleantext import clean
from nightrake.domain.rows import Row
from nightrake.domain.torquetext import torque_words

LAST_DAY = 3_652_059 - EPOCH_ORDINAL
"""31 December 9999; a clock beyond it has lost its date."""
FINE_S = 100.0
"""A clock that is set by less is told to the part of a second."""
YEAR_S = 365.25 * 86_400
TEXT = 500
"""Characters of one text at most, as people's remarks are kept."""


class Moment(NamedTuple):
    """When something was, by all that its row says.

    Attributes:
        boot_id, mono_ns: Monotonic time, which counts within one start of the machine only.
        utc_ms: By the wall clock. trusted: whether that could be believed.
    """

    boot_id: str
    mono_ns: int
    utc_ms: int
    trusted: bool = True


class Fact(NamedTuple):
    """One row of the journal with its payload read.

    Attributes:
        seq: Its number. at: when. The rest as in `domain.rows.Entry`.
    """

    seq: int
    at: Moment
    kind: str
    event: str
    drive: str
    direction: str
    data: Mapping[str, Any]

    def text(self, key: str) -> str:
        """A text of the payload on one clean line; "" where there is none."""
        value = self.data.get(key)
        return clean(value, TEXT) if isinstance(value, str) else ""

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts; () where there is none."""
        value = self.data.get(key)
        return tuple(clean(v, TEXT) for v in value if isinstance(v, str)) if isinstance(value, list) else ()

    def number(self, key: str) -> float | None:
        """A number; None where there is none."""
        value = self.data.get(key)
        return value if isinstance(value, int | float) and not isinstance(value, bool) else None

    def count(self, key: str) -> int:
        """A whole number; 0 where there is none."""
        value = self.number(key)
        return int(value) if value is not None and abs(value) < 2**63 else 0


def fact_of(row: Row) -> Fact:
    """Read a row; a payload that is no object of JSON reads as an empty one."""
    try:
        data = json.loads(row.payload)
    except (ValueError, TypeError, RecursionError):
        data = {}
    at = Moment(row.boot_id, row.mono_ns, row.utc_ms, row.clock_trusted)
    whole = data if isinstance(data, dict) else {}
    return Fact(row.seq, at, row.kind, row.event, clean(row.drive), clean(row.direction), whole)


def between_s(first: Moment, later: Moment) -> float:
    """Seconds from one moment to another, at least 0: monotonic within one start of the machine, else by UTC."""
    if first.boot_id == later.boot_id:
        return max(0.0, (later.mono_ns - first.mono_ns) / 1e9)
    return max(0.0, (later.utc_ms - first.utc_ms) / 1000)


def people_of(fact: Fact) -> frozenset[str]:
    """Person ids (or users of the machine) whom a row is about: who acted, and who was called or named in it.

    Those who had been called before are not meant.
    """
    single = (fact.text(k) for k in ("actor", "person", "first", "from", "to", "lock_of", "supervised_by", "whom"))
    return frozenset(p for p in (*single, *fact.texts("people")) if p)


def gap_of(fact: Fact) -> tuple[int, int] | None:
    """The time in which nobody watched that a row of the service tells of, UTC ms; None = of none."""
    key = {"gap": "seconds", "started": "missed_s"}.get(fact.event, "")
    seconds = fact.number(key) if key else None
    if seconds is None or not 0.0 < seconds < 1e11:
        return None
    return fact.at.utc_ms - round(seconds * 1000), fact.at.utc_ms


# --- words ---


def span_text(seconds: float) -> str:
    """A span in its two largest units: ``17 min 35 s``."""
    left = round(seconds)
    parts = []
    for unit, size in (("d", 86_400), ("h", 3_600), ("min", 60), ("s", 1)):
        count, left = divmod(left, size)
        parts.append((count, unit))
    first = next((i for i, (count, _) in enumerate(parts) if count), 3)
    return " ".join(f"{count} {unit}" for count, unit in parts[first : first + 2] if count) or "0 s"


def step_text(by_s: float) -> str:
    """How far a clock was set, as people say it: ``by +2.5 s``, ``back by 41 d 12 h``, ``forward by 1095 years``."""
    if not abs(by_s) >= FINE_S:
        return f"by {by_s:+g} s"
    years = abs(by_s) / YEAR_S
    span = f"{years:.0f} years" if years >= 2.0 else span_text(abs(by_s))
    return f"{'back' if by_s < 0 else 'forward'} by {span}"


def stamp(zone: Zone, utc_ms: int) -> str:
    """A moment on the wall: ``2026-11-25 23:14:05``; in an hour that comes twice with its offset behind."""
    utc_s = utc_ms // 1000
    if not 0 <= day_of(zone, utc_s) < LAST_DAY:
        return "(a clock without a date)"
    local_s = utc_s + offset_s(zone, utc_s)
    text = f"{wall_text(zone, utc_s)}:{local_s % 60:02}"
    return f"{text} (UTC{_offset_text(offset_s(zone, utc_s))})" if comes_twice(zone, utc_s) else text


def comes_twice(zone: Zone, utc_s: int) -> bool:
    """Whether the wall shows this time a second time within a day, because the clock was put back."""
    wall_s = utc_s + offset_s(zone, utc_s)
    offsets = {offset_s(zone, utc_s + shift_s) for shift_s in (-DAY_S, DAY_S)}
    return any(wall_s - o != utc_s and offset_s(zone, wall_s - o) == o for o in offsets)


def _offset_text(offset: int) -> str:
    hours, minutes = divmod(abs(offset) // 60, 60)
    return f"{'-' if offset < 0 else '+'}{hours}" + (f":{minutes:02}" if minutes else "")


def torque_text(fact: Fact) -> str:
    """Torque in kN.m as far as the row says: ``31.2 ±0.9 kN.m``, ``beyond 46.4 kN.m``; "" where it says none."""
    lacks = bool(fact.texts("torque_uncertainty_lacks"))
    uncertainty_nm = fact.number("torque_uncertainty_nm")
    return torque_words(fact.text("torque_is"), fact.number("torque_nm"), uncertainty_nm, lacks=lacks)


def listed(names: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    return " and ".join((", ".join(names[:-1]), names[-1])) if len(names) > 1 else "".join(names)


def counted(count: int, one: str, more: str = "") -> str:
    """``1 call``, ``3 calls``."""
    return f"{count} {one if count == 1 else more or one + 's'}"
