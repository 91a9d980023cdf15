"""Forwarding in `nightrake status`: link, lag, rate, what reading back says, the backlog while there is one."""

from __future__ import annotations

from typing import Any

import pytest

from nightrake.cli.status import READ_BACK, forward_lines
from nightrake.forwardrate import STEP_NS, WINDOW_NS, Rate
from nightrake.historian.readback import Kept

FORWARD: dict[str, Any] = {
    "enabled": True, "up": True, "detail": "", "lag_rows": 12, "lag_s": 0.62, "lines_per_s": 200.4, "dead_letters": 0,
    "backlog": {"stretches": 0}, "probe": {"read_back": "", "by": ""},
}  # fmt: skip


def test_live_lane_in_a_line() -> None:
    """How far behind in inputs and seconds, how fast, what was refused; off is said."""
    assert forward_lines(FORWARD) == ["Forwarding: up; 12 inputs (0.6 s) behind, 200 lines/s, 0 dead letters"]
    assert forward_lines({**FORWARD, "enabled": False}) == ["Forwarding: off"]
    assert forward_lines({**FORWARD, "up": False, "detail": "no"})[0].startswith("Forwarding: DOWN: no; ")


@pytest.mark.parametrize("kept", list(Kept))
def test_what_reading_back_says_is_in_words(kept: Kept) -> None:
    """Each outcome has its own."""
    (line,) = forward_lines({**FORWARD, "probe": {"read_back": kept.value, "by": "/api/v1/export"}})

    assert line.endswith(f"; the store {READ_BACK[kept.value]}")
    assert len(set(READ_BACK.values())) == len(Kept)


def test_backlog_has_a_line_of_its_own() -> None:
    """What is left, how fast, why what is new waits."""
    backlog = {"stretches": 2, "inputs": 5_000, "lines": 9, "lines_per_s": 61_000.0, "holds": False, "detail": ""}
    fine = forward_lines({**FORWARD, "backlog": backlog})
    waits = forward_lines({**FORWARD, "backlog": {**backlog, "holds": True, "detail": "it has ended"}})

    assert fine[1] == "Backlog: 5000 inputs in 2 stretches, 61000 lines/s"
    assert waits[1] == f"{fine[1]}; what is new waits for it, for the clock was moved; it has ended"


def test_rate_is_that_of_the_last_seconds() -> None:
    """It follows a change within the window, and is 0 when nothing was counted any more."""
    now = [0]
    rate = Rate(lambda: now[0])
    assert rate.per_s() == 0.0
    total = 0
    for step in range(100):
        now[0] += STEP_NS
        total += 50 if step < 50 else 500
        rate.count(total)
        if step == 49:
            assert rate.per_s() == 100.0
    assert rate.per_s() == 1_000.0
    now[0] += WINDOW_NS + 1
    assert rate.per_s() == 0.0
    rate.begin()
    assert rate.per_s() == 0.0
