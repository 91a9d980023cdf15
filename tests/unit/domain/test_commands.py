"""Commands over two directions, what is refused and why, and what a contact's wiring and bit mean together."""

from __future__ import annotations

from dataclasses import replace

import pytest

from nightrake.domain.inputs import RawScan
from nightrake.domain.site import BitMeans, Direction, Form, Stage
from nightrake.domain.stop import AWAITED, CONFIRMED, NOT_CONFIRMED, STILL_RUNNING, Stop, stop_scan_due, stop_tick_due
from works import Works, bit, contact, rake, site_of


def two_sided() -> Works:
    """A drive with two sensed directions, one shutdown contact each; both operated, and released again."""
    reverse = contact("D", Stage.SHUTDOWN, bit(4), side=Direction.REVERSE)
    spec = rake("D", contact("D", Stage.SHUTDOWN, bit(1)), reverse, rack=True)
    works = Works(site_of(replace(spec, directions=(Direction.FORWARD, Direction.REVERSE))))
    works.scan()
    works.set("D", "running", 0)
    for which in ("forward/shutdown/A", "reverse/shutdown/A"):
        works.operate("D", which)
        works.scan()
    return works


def test_each_direction_latches_and_is_reset_by_itself() -> None:
    """The other side's latch, and the verdict on its stop, stand."""
    works = two_sided()
    assert works.latched("D", "forward")
    assert works.latched("D", "reverse")
    works.operate("D", "forward/shutdown/A", False)
    assert works.reset("D", "forward")[0]

    assert not works.latched("D", "forward")
    assert works.latched("D", "reverse")
    assert works.protection("D").stop == CONFIRMED
    assert works.protection("D").stop_direction == "reverse"


def test_reset_of_both_says_yes_only_if_both_could_be_reset() -> None:
    """One answer for two latches: it names each, and the one that could be reset is."""
    works = two_sided()
    works.operate("D", "forward/shutdown/A", False)
    ok, text = works.reset("D")
    assert not ok
    assert "D/forward/shutdown_contact: the latch is reset" in text
    assert "D/reverse/shutdown_contact: not reset" in text
    assert not works.latched("D", "forward")
    works.operate("D", "reverse/shutdown/A", False)

    assert works.reset("D")[0]
    assert not works.latched("D", "reverse")
    assert works.protection("D").stop == ""


def test_direction_that_is_not_sensed_is_refused_by_name() -> None:
    """Said with the drive, and journalled."""
    works = Works(site_of(rake()))
    works.scan()
    ok, text = works.ask("reset", "D", side="reverse")

    assert (ok, text) == (False, "D does not sense the direction 'reverse'")
    assert works.entries[-1].data["reason"] == text


def test_reset_is_refused_as_soon_as_the_contact_reads_operated() -> None:
    """Its debounce has not accepted the change, but that is no reason to let the latch go."""
    works = Works(site_of(rake("D", contact("D", Stage.SHUTDOWN, bit(1), hold_ms=500), rack=True)))
    works.scan()
    works.set("D", "running", 0)
    works.operate("D", "shutdown/A")
    works.scans(4)
    works.operate("D", "shutdown/A", False)
    works.scans(4)
    assert works.latched("D")
    works.operate("D", "shutdown/A")
    works.scan()
    ok, text = works.ask("reset", "D")

    assert not ok
    assert "still operated" in text


def test_direction_without_a_shutdown_contact_has_nothing_to_reset() -> None:
    """The answer is a sentence, not a fault of the program."""
    works = Works(site_of(rake("D", contact("D", Stage.ALARM, bit(0)))))
    works.scan()
    ok, text = works.ask("reset", "D")

    assert not ok
    assert "there is no alarm of this name" in text


def test_overlong_words_are_cut_in_the_journal() -> None:
    """A command may hold anything; a row has its bounds."""
    works = Works(site_of(rake()))
    assert not works.ask("v" * 9_999, "D")[0]
    assert not works.ask("reset", "d" * 9_999)[0]
    assert not works.ask("test", "D", "9" * 9_999)[0]

    assert all(len(str(v)) <= 200 for e in works.told("refused") for v in e.data.values())


@pytest.mark.parametrize(
    ("form", "means", "operated_bit"),
    [
        (Form.NORMALLY_OPEN, BitMeans.CLOSED, 1),
        (Form.NORMALLY_CLOSED, BitMeans.CLOSED, 0),
        (Form.NORMALLY_OPEN, BitMeans.OPERATED, 1),
        (Form.NORMALLY_CLOSED, BitMeans.OPERATED, 1),
    ],
)
def test_wiring_and_bit_meaning_are_two_settings(form: Form, means: BitMeans, operated_bit: int) -> None:
    """A normally closed contact opens when it operates; a PLC program may have turned the bit round."""
    spec = replace(contact("D", Stage.SHUTDOWN, bit(1), form=form), bit_1_means=means)

    assert spec.operated_bit == operated_bit
    assert spec.shows_broken_wire is (form is Form.NORMALLY_CLOSED)
    works = Works(site_of(rake("D", spec, rack=True)))
    works.values[spec.point] = 1 - operated_bit
    works.scan()
    assert not works.latched("D")
    works.values[spec.point] = operated_bit
    works.scan()
    assert works.latched("D")


@pytest.mark.parametrize(
    ("verdict", "running", "scan_due", "tick_due"),
    [
        (AWAITED, 1, 9, 0),
        (AWAITED, 0, 1, 0),
        (AWAITED, -1, 0, 9),
        (NOT_CONFIRMED, 1, 9, 0),
        (NOT_CONFIRMED, 0, 1, 0),
        (NOT_CONFIRMED, -1, 0, 0),
        (STILL_RUNNING, 1, 0, 0),
        (STILL_RUNNING, 0, 1, 0),
        (CONFIRMED, 0, 0, 0),
        ("", 1, 0, 0),
    ],
)
def test_verdict_says_when_it_wants_to_be_looked_at(verdict: str, running: int, scan_due: int, tick_due: int) -> None:
    """A fresh reading decides while there is feedback, time alone while there is none; then nothing is due."""
    stop = Stop(verdict, 9, "forward")

    assert (stop_scan_due(stop, running), stop_tick_due(stop, running)) == (scan_due, tick_due)


def test_plan_that_is_equal_but_not_the_same_object_is_the_same_plan() -> None:
    """A replay makes its plans anew."""
    works = Works(site_of(rake()))
    works.scan()
    twin = replace(works.plans["P"])
    works.give(RawScan("P", twin, works.now_ns, works.utc_ms, ()))

    assert works.state.endpoints["P"].plan is twin
    assert works.state.endpoints["P"].blocks[0] is not None
