"""One contact from scan to scan: raw state, debounced state, PLC counters and latched bits. Pure.

Debounce: a new state counts once every scan has shown it for the hold time. Only fresh evidence settles it; time alone
does not, so a contact is never accepted on a reading that nobody took.
"""

from __future__ import annotations

from typing import NamedTuple

UNKNOWN = -1
COUNTER, LATCHED = 1, 2
COUNTER_WRAP_SPAN = 1000
"""A counter that fell and, taken as wrapped, advanced by more than this has restarted instead."""


class ContactState(NamedTuple):
    """What is known of one contact.

    Attributes:
        raw: Last good reading: 1 operated, 0 released, -1 never read since start.
        since_ns: Since when every good reading has shown `raw`.
        settled: The debounced state: 1, 0 or -1.
        bad: Why the present reading is bad; "" when good.
        counter: Last good value of the PLC's operation counter, -1 when unknown.
        latched: Last good value of the PLC's latched bit, -1 when unknown.
        moved: COUNTER and/or LATCHED: a raw edge was seen, or an operation told, since that memory of the PLC was last
            read, so that its next rise is explained.
        pending: An operation that no scan has seen, by what showed it ("counter", "latched bit"), "" = none. It waits
            for the contact's next reading: had it only just begun, that reading shows it.
    """

    raw: int = UNKNOWN
    since_ns: int = 0
    settled: int = UNKNOWN
    bad: str = "not read since start"
    counter: int = UNKNOWN
    latched: int = UNKNOWN
    moved: int = 0
    pending: str = ""


def settle(
    prev: ContactState, operated: int, now_ns: int, operate_hold_ns: int, release_hold_ns: int
) -> tuple[int, int, int]:
    """Debounce one good, fresh reading.

    Args:
        prev: The contact before it.
        operated: The reading, 1 or 0.
        now_ns: Monotonic time of the reply.
        operate_hold_ns, release_hold_ns: Hold times, 0 or more.

    Returns:
        (raw, since_ns, settled).
    """
    since_ns = now_ns if operated != prev.raw else prev.since_ns
    if operated == prev.settled:
        return operated, since_ns, operated
    hold_ns = operate_hold_ns if operated else release_hold_ns
    settled = operated if now_ns - since_ns >= hold_ns else prev.settled
    return operated, since_ns, settled


def counted(before: int, now: int, width_bits: int) -> tuple[int, bool]:
    """Operations that a PLC's counter shows since it was last read.

    Args:
        before: Last value, -1 when unknown. now: Present value. width_bits: 16 or 32.

    Returns:
        (operations, restarted): a counter that restarted shows what it has counted since.
    """
    if before == UNKNOWN:
        return 0, False
    advanced = (now - before) % (1 << width_bits)
    if now < before and advanced > COUNTER_WRAP_SPAN:
        return now, True
    return advanced, False
