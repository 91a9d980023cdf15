"""Words from outside: one printable line, whatever was in them."""

from __future__ import annotations

import pytest

from nightrake.domain.cleantext import clean
from nightrake.domain.inputs import LinkHealth
from works import lone_rake


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("plain, with ä and µ and 水", "plain, with ä and µ and 水"),
        ("\x1b[31mred\x1b[0m", "?[31mred?[0m"),
        ("first\nPLC P0: up\r\n", "first PLC P0: up  "),
        ("\x9b2J\x85", "?2J "),  # C1: control sequence introducer, next line
        ("left\u202eright\u2066", "left?right?"),  # bidirectional override and isolate
        ("\u2028\u2029", "  "),
        ("\ud800 half a pair", "? half a pair"),
        ("\x00\x7f", "??"),
    ],
)
def test_controls_are_taken_out(text: str, left: str) -> None:
    """Line breaks become blanks, other controls question marks; real words stay as they are."""
    assert clean(text) == left


def test_length_is_bounded() -> None:
    """A body of megabytes is a sentence."""
    assert clean("x" * 1000, 10) == "x" * 10


def test_what_a_store_answers_is_clean_in_the_journal() -> None:
    """Details of links and words of commands come from outside; rows hold them without controls."""
    works = lone_rake()
    works.give(LinkHealth(works.now_ns, works.utc_ms, "store", False, "\x1b[2J\nstore: \u202eup"))
    works.ask("\x1b]0;title\x07", "D\u0000\n\x9b")

    assert [e.data["detail"] for e in works.told("link_down")] == ["?[2J store: ?up"]
    (refused,) = works.told("refused")
    assert (refused.data["verb"], refused.data["asked"]) == ("?]0;title?", "D? ?")
    assert works.state.links["store"][1].isprintable()
