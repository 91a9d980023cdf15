"""Why a reading cannot be trusted, as the page says it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.page.factwords import reason_words


@pytest.mark.parametrize(
    ("reason", "brief", "words"),
    [
        ("no reply within 1 s", True, "no reply within 1 s"),
        ("no connection to 10.0.0.5:502: refused", True, "no connection to its PLC"),
        ("no connection to 10.0.0.5:502: refused", False, "no connection to 10.0.0.5:502: refused"),
        ("exception 2 (contact:forward/alarm/A)", False, "exception 2 (alarm contact A)"),
        ("exception 2 (latched:reverse/shutdown/B)", False, "exception 2 (shutdown contact's latch reverse B)"),
        ("zeros (heartbeat, position, kept:flow_m3_per_h)", False, "zeros (heartbeat, position, flow m3 per h)"),
        (
            "no reply (contact:forward/alarm/A, counter:forward/alarm/A, running, rack_healthy)",
            True,
            "no reply (4 signals)",
        ),
        ("position: 3.6 mA or less (NE 43)", True, "position: 3.6 mA or less (NE 43)"),
        ("an odd one )", True, "an odd one )"),
        ("", True, ""),
    ],
)
def test_reason_names_signals_as_people_do(reason: str, brief: bool, words: str) -> None:
    """Roles of the settings become words, many of them a number; an address that all drives share is left out."""
    assert reason_words(reason, brief=brief) == words


@given(st.text(max_size=60), st.booleans())
def test_no_reason_breaks_a_strip(reason: str, brief: bool) -> None:
    """Whatever a PLC's library says, it is one text."""
    assert isinstance(reason_words(reason, brief=brief), str)
