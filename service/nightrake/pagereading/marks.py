"""What a chart marks: trips, alarms, resets, calibration, tests, standby, times in which nobody watched."""

from __future__ import annotations

from typing import Any, NamedTuple

from nightrake.alarms.keys import parse_key
from nightrake.alarms.table import ALARM_TYPES
from nightrake.alarms.told import Fact, fact_of, gap_of, span_text
from nightrake.domain.rows import Row
from nightrake.domain.site import DriveSpec
from nightrake.errors import StoreError
from nightrake.journal.reader import HIGHEST
from nightrake.journal.search import Wanted, has_form
from nightrake.longterm.warm import WarmHistory
from nightrake.pagereading.kept import KeptHistory
from nightrake.pagereading.limit import Limit
from nightrake.pagereading.rows import LATE, TooLong, opened

MOST = 500
"""Marks of one answer."""
LOOKED = 100_000
"""Rows that are looked at for them."""
DRIVE_EVENTS = {
    "shutdown_operated": ("shutdown", "shutdown contact operated"),
    "alarm_operated": ("trip", "alarm contact operated"),
    "shutdown_released": ("released", "shutdown contact released"),
    "alarm_released": ("released", "alarm contact released"),
    "reset": ("reset", "reset"),
    "test_began": ("test", "test began"),
    "test_ended": ("test", "test ended"),
    "standby_began": ("standby", "standby began"),
    "standby_ended": ("standby", "standby ended"),
}
LOCKOUT = {"opened": "lockout opened", "released": "lockout released", "cancelled": "lockout cancelled"}
WEIGHT = {"shutdown": 0, "trip": 1, "lockout": 2, "calibration": 3, "gap": 4, "reset": 5, "released": 10}
"""Where there are too many, what stands first here stays; the rest are weighed alike."""


class Mark(NamedTuple):
    """Something to be marked.

    Attributes:
        utc_ms: When. kind: ``shutdown``, ``trip``, ``released``, ``alarm``, ``lockout``, ``reset``, ``test``,
            ``standby``, ``calibration``, ``settings``, ``gap``. text: In a few words. seq: Of its row.
        from_utc_ms: Where it is about a time that ends then, when that began; else None.
    """

    utc_ms: int
    kind: str
    text: str
    seq: int
    from_utc_ms: int | None = None


def marks(kept: KeptHistory, limit: Limit, drive: str, begin_ms: int, end_ms: int) -> dict[str, Any]:
    """Events of a drive in a time, its end not included, in order.

    Raises:
        LookupError: There is no such drive. StoreError: The journal cannot be read.
    """
    kept.drive(drive)
    _, history = kept.files()
    found: list[Mark] = []
    notes: list[str] = []
    search = opened(kept.state_dir, limit)
    mine = Wanted(drive, ("alarm", "lockout", "history"), tuple(DRIVE_EVENTS), begin_ms, end_ms)
    of_all = Wanted("", ("service", "settings"), (), begin_ms, end_ms)
    try:
        for wanted in (mine, of_all):
            for looked, row in enumerate(search.before(wanted, HIGHEST)):
                mark = mark_of(row, drive, history) if has_form(row) else None
                found += [mark] if mark is not None else []
                if looked >= LOOKED:
                    raise TooLong
    except TooLong:
        notes.append(f"{LATE}, so marks are missing; ask for a shorter time")
    finally:
        search.close()
    found, left_out = _fitting(found)
    if left_out:
        notes.append(f"{left_out} lesser marks are left out; ask for a shorter time")
    return {"drive": drive, "marks": [one._asdict() for one in sorted(found)], "notes": notes}


def _fitting(found: list[Mark]) -> tuple[list[Mark], int]:
    if len(found) <= MOST:
        return found, 0
    by_weight = sorted(found, key=lambda one: (WEIGHT.get(one.kind, 9), -one.utc_ms))
    return by_weight[:MOST], len(found) - MOST


def mark_of(row: Row, drive: str, history: WarmHistory) -> Mark | None:
    """What a row marks on a drive's charts; None = nothing."""
    fact = fact_of(row)
    of_kind = {"alarm": _alarm, "lockout": _lockout, "drive": _drive, "history": _recomputed, "service": _service}
    if row.kind == "settings":
        return _settings(fact, drive, history)
    told = of_kind[row.kind](fact) if row.kind in of_kind else None
    return None if told is None else Mark(row.utc_ms, told[0], told[1], row.seq, _since(fact, told[0]))


def _alarm(fact: Fact) -> tuple[str, str] | None:
    try:
        key = parse_key(fact.text("alarm"))
    except ValueError:
        return None
    if fact.event == "reset":
        return "reset", "latched contact reset"
    if fact.event not in ("raised", "raised_again"):
        return None
    if key.kind in ("alarm_contact", "shutdown_contact"):
        return None  # the drive's own events mark contacts
    title = ALARM_TYPES[key.kind].title if key.kind in ALARM_TYPES else key.kind.replace("_", " ")
    return "alarm", title


def _lockout(fact: Fact) -> tuple[str, str] | None:
    return ("lockout", LOCKOUT[fact.event]) if fact.event in LOCKOUT else None


def _drive(fact: Fact) -> tuple[str, str] | None:
    kind, words = DRIVE_EVENTS[fact.event]
    return kind, f"{words}, {fact.direction}" if fact.direction == "reverse" else words


def _recomputed(fact: Fact) -> tuple[str, str] | None:
    if fact.event != "recomputed":
        return None
    return "calibration", f"torque derived anew under {fact.text('record') or 'another record'}"


def _service(fact: Fact) -> tuple[str, str] | None:
    gap = gap_of(fact)
    return ("gap", f"not watched for {span_text((gap[1] - gap[0]) / 1000)}") if gap is not None else None


def _since(fact: Fact, kind: str) -> int | None:
    if kind == "gap":
        gap = gap_of(fact)
        return gap[0] if gap is not None else None
    begin = fact.number("from_utc_ms") if kind == "calibration" else None
    return round(begin) if begin is not None and 0 <= begin < 2**53 else None


def _settings(fact: Fact, drive: str, history: WarmHistory) -> Mark | None:
    if fact.event != "settings_changed":
        return None
    old, new = (_spec(history, fact.text(key), drive) for key in ("was", "digest"))
    if old is None or new is None or old == new:
        return None
    if {s: c.digest for s, c in old.calibrations.items()} == {s: c.digest for s, c in new.calibrations.items()}:
        return Mark(fact.at.utc_ms, "settings", "settings of this drive changed", fact.seq)
    names = ", ".join(curve.ref for curve in new.calibrations.values()) or "none"
    return Mark(fact.at.utc_ms, "calibration", f"calibration record now in force: {names}", fact.seq)


def _spec(history: WarmHistory, digest: str, drive: str) -> DriveSpec | None:
    try:
        then = history.settings_of(digest)
    except StoreError:
        return None
    return then.site.drives.get(drive) if then is not None else None
