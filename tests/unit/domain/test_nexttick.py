"""When time alone may change a drive: the first of all that it waits for."""

from __future__ import annotations

from typing import Any

import pytest

from nightrake.domain.contacts import StageState
from nightrake.domain.protection import Protection, next_tick
from nightrake.domain.quality import CLEAR_NS, SETTLED
from nightrake.domain.stop import AWAITED, CONFIRMED
from works import SECOND, Works, rake, site_of

FROZEN_NS = 9_000 * SECOND
NOW_NS = 100 * SECOND


def protection_with(**changes: Any) -> tuple[Any, Protection]:
    """A drive's wire, and its protection with something waiting."""
    works = Works(site_of(rake("D")))
    works.scan()
    quiet = works.drive("D").protection._replace(settle_ns=SETTLED, clear_since_ns=0, stop="", test_until_ns=0)
    return works.state.wires["D"], quiet._replace(**changes)


@pytest.mark.parametrize(
    ("changes", "expected_ns"),
    [
        ({}, FROZEN_NS),
        ({"settle_ns": 0}, FROZEN_NS),
        ({"stop": CONFIRMED}, FROZEN_NS),
        ({"stop": AWAITED, "stop_due_ns": NOW_NS, "running": -1}, NOW_NS),
        ({"clear_since_ns": NOW_NS}, NOW_NS + CLEAR_NS),
        ({"test_until_ns": NOW_NS}, NOW_NS),
        ({"settle_ns": NOW_NS}, NOW_NS),
    ],
)
def test_whatever_waits_comes_before_the_heartbeat(changes: dict[str, Any], expected_ns: int) -> None:
    """Each kind alone; where nothing waits it is the heartbeat that may stand still."""
    wire, protection = protection_with(**changes)

    assert next_tick(wire, protection, FROZEN_NS) == expected_ns


@pytest.mark.parametrize("told", [False, True])
def test_channels_that_differ_wait_until_that_is_told(told: bool) -> None:
    """A fault of a pair of contacts is told once."""
    wire, protection = protection_with()
    first, *rest = protection.stages
    differs: StageState = first._replace(differ_since_ns=NOW_NS, differ_told=told)
    due_ns = next_tick(wire, protection._replace(stages=(*rest, differs)), FROZEN_NS)

    assert due_ns == (FROZEN_NS if told else NOW_NS + wire.spec.disagree_ns)
