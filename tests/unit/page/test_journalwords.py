"""Journal rows in words on the page."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.page.journalwords import told_row, told_rows
from nightrake.page.people import People
from pagescenes import PEOPLE, row

WHO = People(PEOPLE)
NAMES = {"PC1": "Primary clarifier 1"}
ALARM = "PC1/forward/alarm_contact"


@pytest.mark.parametrize(
    ("given_row", "about", "text"),
    [
        (
            row(1, "alarm", "raised", "PC1", alarm=ALARM, torque_nm=33_100.0, torque_is="exact", running=True),
            "PC1 Primary clarifier 1, forward: alarm contact operated",
            "It came at 33.1 kN·m, motor running.",
        ),
        (
            row(2, "alarm", "acknowledged", "PC1", alarm=ALARM, actor="night1"),
            None,
            "Night shift operator acknowledged it.",
        ),
        (row(3, "service", "started"), "", "Started."),
        (
            row(4, "lockout", "isolation_reported", "PC1", actor="fitter1", role="maintenance", lock_number="17"),
            "PC1 Primary clarifier 1: lockout",
            "Maintenance fitter (maintenance): isolation reported, lock 17.",
        ),
        (
            row(
                5, "command", "refused", "PC1", actor="night1", verb="release", reason="the cause has not been reported"
            ),
            "PC1 Primary clarifier 1",
            "Night shift operator asked for 'release' and was refused: the cause has not been reported.",
        ),
        (
            row(7, "lockout", "opened", "PC1", because="PC1/forward/shutdown_contact 4"),
            "PC1 Primary clarifier 1: lockout",
            "Opened, because of PC1 Primary clarifier 1, forward: shutdown contact operated.",
        ),
        (
            row(8, "lockout", "opened", "PC1", because="by hand: fitter1"),
            None,
            "Opened by hand by Maintenance fitter.",
        ),
        (
            row(9, "lockout", "opened", "PC1", because="by hand: fitter1", actor="fitter1", role="maintenance"),
            None,
            "Maintenance fitter (maintenance): opened by hand.",
        ),
        (row(6, "drive", "stop_confirmed", "PC1"), None, "The stop is confirmed: the run feedback is off."),
        (
            row(10, "drive", "contact_edge", "PC1", contact="PC1/forward/alarm/A", operated=True, torque_nm=19_700.0),
            "PC1 Primary clarifier 1",
            "The alarm contact A reads operated at 19.7 kN·m.",
        ),
        (
            row(11, "drive", "shutdown_operated", "PC1", torque_nm=46_400.0, torque_is="beyond", in_test=True),
            None,
            "The shutdown contact has operated with the torque beyond 46.4 kN·m, during a function check.",
        ),
        (
            row(12, "drive", "quality_changed", "PC1", quality="failure", reasons=["a", "b", "c"]),
            None,
            "Quality failure: a; b and 1 more.",
        ),
        (row(13, "drive", "quality_changed", "PC1", quality="good", reasons=[]), None, "Quality good."),
        (row(14, "plc", "image_sound", plc="PLCA"), "", "PLC PLCA serves sound values again."),
        (row(15, "link", "link_down", link="plc:PLCA", detail="refused"), "", "PLC PLCA does not answer (refused)."),
        (row(16, "link", "link_up", link="broker"), "", "The broker can be reached."),
        (row(17, "link", "link_down", link="disk", detail="full"), "", "Link down: disk, full."),
        (
            row(20, "link", "link_down", link="notice:creep_forecast:PC1:forward", detail="Below 9000 N.m once."),
            "",
            "Of notice for PC1: torque creeps towards the alarm point. Below 9.0 kN·m once.",
        ),
        (
            row(21, "link", "link_up", link="notice:creep_forecast:GT1:reverse", detail="retired"),
            "",
            "No longer of notice for GT1, reverse: torque creeps towards the alarm point.",
        ),
        (
            row(22, "link", "link_down", link="notice:service_updated", detail="from 0.1.0 to 0.2.0"),
            "",
            "Of notice: the service was updated. From 0.1.0 to 0.2.0.",
        ),
        (
            row(18, "drive", "test_began", "PC1", actor="fitter1", limit_s=1800.0, reason="spring is changed"),
            None,
            "Maintenance fitter put it in test for 30 min: 'spring is changed'.",
        ),
        (row(19, "drive", "test_ended", "PC1", by="time limit"), None, "The function check is over."),
    ],
)
def test_rows_in_words(given_row: dict[str, Any], about: str | None, text: str) -> None:
    """One sentence each, with the drive's name before it."""
    told = told_row(given_row, NAMES, WHO)

    assert told.text == text
    assert about is None or told.about == about


_WILD = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=10), inner, max_size=3),
    max_leaves=5,
)
_KEYS = st.sampled_from(["alarm", "actor", "torque_nm", "people", "reasons", "limit_s", "step", "to", "reason", "life"])


@given(
    st.sampled_from(["alarm", "call", "lockout", "command", "history", "drive", "page", "?"]),
    st.sampled_from(["raised", "cleared", "called", "opened", "refused", "delivered", "calls_ended", "x"]),
    st.dictionaries(_KEYS, _WILD, max_size=6),
)
def test_no_row_breaks_the_list(kind: str, event: str, data: dict[str, Any]) -> None:
    """A row of another version, or tampered with, still reads as something."""
    assert told_rows([row(1, kind, event, "PC1", **data)], NAMES, WHO)[0].text


def test_people_are_named_wherever_a_row_has_them() -> None:
    """Those who had been called when the calls ended, and those whose lock stood against a release."""
    ended = row(1, "call", "calls_ended", "PC1", alarm=ALARM, told=["night1", "super1"])
    no = "the number of fitter1's lock has not been given; fitter1 has not reported their own lock 17 as removed"
    refused = row(2, "command", "refused", "PC1", actor="night1", verb="release", reason=no)

    assert "Night shift operator and Shift supervisor had been" in told_row(ended, NAMES, WHO).text
    assert "Maintenance fitter's lock" in told_row(refused, NAMES, WHO).text
    assert "fitter1" not in told_row(refused, NAMES, WHO).text
