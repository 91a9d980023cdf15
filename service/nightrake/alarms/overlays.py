"""What lies over a life without touching it: shelved, suppressed by design, out of service. Pure.

Each has its end. The life beneath runs on, its latch included, and is what comes back. A shelving and a time out of
service end by the monotonic clock or by UTC, whichever is there first: a clock set back prolongs nothing, and neither
does a start of the machine. A suppression by design ends with the logic that made it.

Source: ANSI/ISA-18.2-2016 and IEC 62682:2014, states G, H, I (shelving: by a named person, with a reason and a limit).
"""

from __future__ import annotations

from typing import NamedTuple

from nightrake.alarms.rules import AlarmRule

MAX_OUT_OF_SERVICE_NS = 92 * 24 * 3600 * 1_000_000_000
"""A quarter of a year; after this somebody says anew that it is still so (own choice)."""
REASON_LIMIT = 200
"""Characters of a reason."""


class Overlay(NamedTuple):
    """A person's overlay.

    Attributes:
        until_ns, until_utc_ms: Its end, by either clock.
        by, reason: Who laid it, and why (out of service: the permit). since_utc_ms: when.
    """

    until_ns: int
    until_utc_ms: int
    by: str
    reason: str
    since_utc_ms: int


class Overlays(NamedTuple):
    """What lies over one alarm.

    Attributes:
        shelved, out_of_service: A person's, or None.
        suppressed: Why logic suppresses it, "" = it does not. suppressed_utc_ms: since when.
        shelvings: How often it has been shelved in a row without coming back to rest: repeated shelving is reported.
    """

    shelved: Overlay | None = None
    suppressed: str = ""
    suppressed_utc_ms: int = 0
    out_of_service: Overlay | None = None
    shelvings: int = 0

    @property
    def is_clear(self) -> bool:
        """Nothing lies over the life."""
        return self.shelved is None and self.out_of_service is None and not self.suppressed


BARE = Overlays()
SHELVED, SUPPRESSED, OUT_OF_SERVICE = "shelved", "suppressed by design", "out of service"


def why_silent(overlays: Overlays) -> str:
    """Which overlay keeps the alarm from calling, "" = none does. With several, the one that is named (`names`)."""
    if overlays.out_of_service is not None:
        return OUT_OF_SERVICE
    if overlays.suppressed:
        return f"{SUPPRESSED}: {overlays.suppressed}"
    return SHELVED if overlays.shelved is not None else ""


def laid(for_ns: int, by: str, reason: str, now_ns: int, utc_ms: int) -> Overlay:
    """A person's overlay that begins now."""
    return Overlay(now_ns + for_ns, utc_ms + for_ns // 1_000_000, by, reason[:REASON_LIMIT], utc_ms)


def is_over(overlay: Overlay, now_ns: int, utc_ms: int) -> bool:
    """Whether its time is over by either clock."""
    return now_ns >= overlay.until_ns or utc_ms >= overlay.until_utc_ms


def ended(overlays: Overlays, now_ns: int, utc_ms: int) -> tuple[Overlays, tuple[str, ...]]:
    """Take off what is over; gives back the names of what was."""
    names: tuple[str, ...] = ()
    if overlays.shelved is not None and is_over(overlays.shelved, now_ns, utc_ms):
        overlays, names = overlays._replace(shelved=None), (*names, SHELVED)
    if overlays.out_of_service is not None and is_over(overlays.out_of_service, now_ns, utc_ms):
        overlays, names = overlays._replace(out_of_service=None), (*names, OUT_OF_SERVICE)
    return overlays, names


def due(overlays: Overlays) -> tuple[int, int]:
    """When the next one ends, by the monotonic clock and by UTC (ms); 0 = none will by time."""
    over = [o for o in (overlays.shelved, overlays.out_of_service) if o is not None]
    return min((o.until_ns for o in over), default=0), min((o.until_utc_ms for o in over), default=0)


def suppressed(overlays: Overlays, rule: AlarmRule, why: str, utc_ms: int) -> Overlays:
    """Let logic suppress or stop suppressing; what may not be suppressed is left alone."""
    why = why if rule.type.may_suppress else ""
    if why == overlays.suppressed:
        return overlays
    since_utc_ms = overlays.suppressed_utc_ms if overlays.suppressed and why else utc_ms if why else 0
    return overlays._replace(suppressed=why, suppressed_utc_ms=since_utc_ms)


def why_not_shelve(rule: AlarmRule, overlays: Overlays, for_ns: int, reason: str) -> str:
    """Why it cannot be shelved so, "" = it can."""
    if not rule.type.may_shelve:
        return f"'{rule.type.title}' can never be shelved"
    if not rule.may_shelve:
        return f"'{rule.type.title}' is not to be shelved at this site"
    if overlays.shelved is not None:
        return f"{overlays.shelved.by} has shelved it already"
    if not 0 < for_ns <= rule.max_shelve_ns:
        most_min = rule.max_shelve_ns / 60e9
        return f"shelving needs a time limit above 0 and up to {most_min:g} minutes"
    return "" if reason.strip() else "shelving needs a reason"


def why_not_leave_service(rule: AlarmRule, overlays: Overlays, for_ns: int, reason: str) -> str:
    """Why it cannot be taken out of service so, "" = it can."""
    if not rule.type.may_leave_service:
        more = "; while its contact is repaired: test (a function check, for a limited time), and standby of the drive"
        return f"'{rule.type.title}' can never be out of service{more if rule.type.about_shutdown else ''}"
    if overlays.out_of_service is not None:
        return f"{overlays.out_of_service.by} has taken it out of service already"
    if not 0 < for_ns <= MAX_OUT_OF_SERVICE_NS:
        return f"out of service needs a time limit above 0 and up to {MAX_OUT_OF_SERVICE_NS // 86_400_000_000_000} days"
    return "" if reason.strip() else "out of service needs a reason: the permit, or the maintenance record"


def after_restart(overlays: Overlays, now_ns: int, utc_ms: int, *, same_boot: bool) -> Overlays:
    """After a start of the machine only UTC can say what is left of a time limit; never more than there was."""
    if same_boot:
        return overlays
    return overlays._replace(
        shelved=_again(overlays.shelved, now_ns, utc_ms), out_of_service=_again(overlays.out_of_service, now_ns, utc_ms)
    )


def _again(overlay: Overlay | None, now_ns: int, utc_ms: int) -> Overlay | None:
    if overlay is None:
        return None
    whole_ms = overlay.until_utc_ms - overlay.since_utc_ms
    left_ms = min(max(overlay.until_utc_ms - utc_ms, 0), whole_ms)
    return overlay._replace(until_ns=now_ns + left_ms * 1_000_000)
