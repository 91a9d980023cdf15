"""Whatever comes in as a command, it is proved only as what was signed, and nothing makes the watch stumble."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from commanders import message, prover, received
from nightrake.messages.proving import Proved, Unproved
from nightrake.messages.signed import KEYS

GOOD = message(id="0123456789abcdef")
RAW = json.dumps(GOOD).encode()
PROVED = prover().prove("night1", received(RAW))
VALUES: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=40),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=10), inner, max_size=4),
    max_leaves=8,
)


@given(
    at=st.integers(0, len(RAW) - 1), cut=st.integers(0, 3), new=st.binary(max_size=3), also=st.integers(0, len(RAW) - 1)
)
def test_changed_bytes_never_mean_something_else(at: int, cut: int, new: bytes, also: int) -> None:
    """Bytes taken away, put in, exchanged: it is refused, or (a blank, say) it means exactly what was signed."""
    changed = RAW[:at] + new + RAW[at + cut :]
    changed = changed[:also] + changed[also:].replace(b" ", b"", 1)

    found = prover().prove("night1", received(changed))

    assert isinstance(found, Unproved) or found == PROVED


@given(fields=st.dictionaries(st.sampled_from(sorted(KEYS)) | st.text(max_size=10), VALUES, max_size=10))
def test_values_of_any_kind_are_refused(fields: dict[str, Any]) -> None:
    """A good message some of whose keys hold anything at all."""
    found = prover().prove("night1", received(json.dumps({**GOOD, **fields}).encode()))

    assert isinstance(found, Unproved) or found == PROVED


@given(raw=st.binary(max_size=300) | st.text(max_size=300).map(lambda t: t.encode(errors="replace")))
def test_any_bytes_are_refused(raw: bytes) -> None:
    """Nothing that is no command gets past, or ends the program."""
    assert isinstance(prover().prove("night1", received(raw)), Unproved)


def test_the_message_that_is_changed_above_is_a_good_one() -> None:
    """Otherwise all this would show nothing."""
    assert isinstance(PROVED, Proved)
