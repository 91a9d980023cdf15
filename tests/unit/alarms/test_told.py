"""Rows read back for people: moments on the wall, spans, torque, and whatever a row does not hold."""

from __future__ import annotations

import pytest

from alarmnights import Chain
from nightrake.alarms.told import (
    Moment,
    between_s,
    comes_twice,
    counted,
    fact_of,
    listed,
    people_of,
    span_text,
    stamp,
    torque_text,
)
from nightrake.alarms.zones import UTC_ZONE
from nightrake.domain.rows import Entry, Row
from unit.alarms.rotas import LONDON, local, utc, zone


def row(**data: object) -> Row:
    return Chain().add(Entry("alarm", "raised", "PC1", "forward", data), 0, 0)


def test_moment_on_the_wall_in_both_nights_of_the_clock_change() -> None:
    """01:30 comes twice on 25 October 2026 in London and says which; 29 March has no 01:30, and nothing comes twice."""
    assert stamp(LONDON, utc("2026-10-25 00:30") * 1000) == "2026-10-25 01:30:00 (UTC+1)"
    assert stamp(LONDON, utc("2026-10-25 01:30") * 1000) == "2026-10-25 01:30:00 (UTC+0)"
    assert stamp(LONDON, utc("2026-10-25 02:00") * 1000) == "2026-10-25 02:00:00"
    assert stamp(LONDON, utc("2026-10-24 23:59") * 1000 + 999) == "2026-10-25 00:59:00"
    assert stamp(LONDON, utc("2026-03-29 01:00") * 1000) == "2026-03-29 02:00:00"
    assert not any(comes_twice(LONDON, utc("2026-03-28 12:00") + 600 * i) for i in range(144))
    assert sum(comes_twice(LONDON, utc("2026-10-24 12:00") + 600 * i) for i in range(144)) == 12


def test_offsets_that_are_no_whole_hours() -> None:
    """Lord Howe puts its clock back by half an hour on 5 April 2026 (time zone database)."""
    assert stamp(zone("Australia/Lord_Howe"), utc("2026-04-04 14:45") * 1000) == "2026-04-05 01:45:00 (UTC+11)"
    assert stamp(zone("Australia/Lord_Howe"), utc("2026-04-04 15:15") * 1000) == "2026-04-05 01:45:00 (UTC+10:30)"


@pytest.mark.parametrize("utc_ms", [-1, 253_402_300_800_000, 2**62, -(2**63)])
def test_clock_without_a_date(utc_ms: int) -> None:
    """Before 1970 and after 9999 there is none, and no traceback either."""
    assert stamp(UTC_ZONE, utc_ms) == "(a clock without a date)"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"),
        (0.4, "0 s"),
        (35, "35 s"),
        (60, "1 min"),
        (1_040, "17 min 20 s"),
        (7_200, "2 h"),
        (7_261, "2 h 1 min"),
    ],
)
def test_span_in_two_units(seconds: float, text: str) -> None:
    """Never more than anybody reads."""
    assert span_text(seconds) == text


def test_span_of_days() -> None:
    """Hours behind days, minutes no longer."""
    assert span_text(93_784) == "1 d 2 h"


def test_between_goes_by_the_monotonic_clock_within_one_boot() -> None:
    """A clock set back by an hour shortens nothing; over a start of the machine only UTC is left."""
    first = Moment("b", 10**9, 3_600_000)

    assert between_s(first, Moment("b", 61 * 10**9, 0)) == 60.0
    assert between_s(first, Moment("c", 5, 3_660_000)) == 60.0
    assert between_s(first, Moment("c", 5, 0)) == 0.0


@pytest.mark.parametrize(
    ("data", "text"),
    [
        ({"torque_nm": 31_234.0, "torque_uncertainty_nm": 900.0}, "31.2 ±0.9 kN.m"),
        ({"torque_nm": 31_234.0, "torque_uncertainty_nm": 20.0}, "31.23 ±0.02 kN.m"),
        ({"torque_nm": 46_400.0, "torque_is": "beyond"}, "beyond 46.4 kN.m"),
        ({"torque_nm": 5_000, "torque_is": "below"}, "below 5.0 kN.m"),
        ({"torque_nm": None, "torque_is": "absent"}, ""),
        ({"torque_nm": True}, ""),
        ({}, ""),
    ],
)
def test_torque_as_the_row_has_it(data: dict[str, object], text: str) -> None:
    """In kN.m, to the figure that its uncertainty is worth."""
    assert torque_text(fact_of(row(**data))) == text


@pytest.mark.parametrize("payload", [b"", b"[1]", b"null", b"\xff", b"{", b'"x"', b"[" * 100_000])
def test_payload_that_is_no_object_reads_as_nothing(payload: bytes) -> None:
    """A damaged or tampered row ends no telling."""
    fact = fact_of(row()._replace(payload=payload))

    assert (fact.data, fact.text("alarm"), fact.texts("people"), fact.number("x"), fact.count("x")) == (
        {},
        "",
        (),
        None,
        0,
    )


def test_values_of_another_type_read_as_nothing() -> None:
    """And texts come on one clean line."""
    fact = fact_of(row(alarm=5, people="night1", torque_nm="x", step=1e300, why="a\nb\x1b[2J", told=["a", 5, "b"]))

    assert (fact.text("alarm"), fact.texts("people"), fact.number("torque_nm"), fact.count("step")) == ("", (), None, 0)
    assert (fact.text("why"), fact.texts("told")) == ("a b?[2J", ("a", "b"))


def test_people_of_a_row_are_those_who_act_or_are_called() -> None:
    """Not those who had been called before."""
    called = row(people=["night1", "super1"], told_before=["day1"], told=["eng1"])

    assert people_of(fact_of(called)) == {"night1", "super1"}
    assert people_of(fact_of(row(actor="super1", first="super2"))) == {"super1", "super2"}
    assert people_of(fact_of(row(to="night1", **{"from": "fitter1"}))) == {"night1", "fitter1"}


def test_lists_and_counts_in_words() -> None:
    """As one says it."""
    assert [listed(x) for x in ((), ("a",), ("a", "b"), ("a", "b", "c"))] == ["", "a", "a and b", "a, b and c"]
    assert [counted(1, "call"), counted(0, "call"), counted(2, "person", "people")] == ["1 call", "0 calls", "2 people"]
    assert local("2026-11-25 18:00") == utc("2026-11-25 18:00")
