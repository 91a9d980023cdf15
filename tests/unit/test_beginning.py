"""Latches whose record is damaged come from the journal; where that is damaged, too, a person has to look."""

from __future__ import annotations

import pytest

from nightrake.alarms.latch import Latch
from nightrake.beginning import latch_of
from nightrake.domain.rows import GENESIS, SCHEMA_VERSION, Row


def row(event: str, payload: bytes) -> Row:
    """A row of D forward."""
    where = ("e", 7, "alarm", event, "D", "forward", True)
    return Row(*where, SCHEMA_VERSION, 0, "boot", 5, 1_790_000_000_000, True, payload, GENESIS, GENESIS)


@pytest.mark.parametrize(
    ("event", "payload", "latch"),
    [
        ("shutdown_latched", b'{"occurrence":4}', Latch(True, 4, 1_790_000_000_000)),
        ("shutdown_reset", b'{"occurrence":4}', Latch(False, 4, 1_790_000_000_000)),
        ("shutdown_reset", b"{", Latch(True, 1)),
        ("shutdown_latched", b"[]", Latch(True, 1)),
        ("shutdown_latched", b'{"occurrence":null}', Latch(True, 1)),
    ],
)
def test_last_word_of_the_journal_decides(event: str, payload: bytes, latch: Latch) -> None:
    """Latched or reset as it says; latched where nobody can read it."""
    assert latch_of(row(event, payload)) == latch
