"""Latches whose record is damaged come from the journal; where that is damaged, too, a person has to look."""

from __future__ import annotations

import pytest

from nightrake.alarms.life import Life
from nightrake.beginning import latch_of
from nightrake.domain.rows import GENESIS, SCHEMA_VERSION, Row


def row(kind: str, event: str, payload: bytes) -> Row:
    """A row of D forward."""
    where = ("e", 7, kind, event, "D", "forward", True)
    return Row(*where, SCHEMA_VERSION, 0, "boot", 5, 1_790_000_000_000, True, payload, GENESIS, GENESIS)


@pytest.mark.parametrize(
    ("kind", "event", "payload", "occurrence"),
    [
        ("alarm", "latched", b'{"occurrence":4}', 4),
        ("drive", "shutdown_operated", b'{"torque_nm":1.0}', 1),
        ("alarm", "reset", b'{"occurrence":4}', 0),
        ("alarm", "reset", b"{", 1),
        ("alarm", "latched", b"[]", 1),
        ("alarm", "latched", b'{"occurrence":null}', 1),
    ],
)
def test_last_word_of_the_journal_decides(kind: str, event: str, payload: bytes, occurrence: int) -> None:
    """Latched or reset as it says; latched where nobody can read it."""
    alarm = latch_of("D", "forward", row(kind, event, payload))

    assert (alarm.state.occurrence if alarm else 0) == occurrence
    if alarm:
        assert (str(alarm.key), alarm.state.life) == ("D/forward/shutdown_contact", Life.LATCHED_UNACKNOWLEDGED)
