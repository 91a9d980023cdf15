"""Which alarms `nightrake acknowledge` means."""

from __future__ import annotations

from nightrake.cli.response import waiting_of

PLAIN = {"drive": "GT1", "life": "unacknowledged", "acked_by": "", "calling": False, "suppressed": "", "shelved": None}
PLAIN |= {"out_of_service": None}
ALARMS = [
    {**PLAIN, "alarm": "calls", "calling": True},
    {**PLAIN, "alarm": "cleared", "life": "cleared unacknowledged"},
    {**PLAIN, "alarm": "calls again", "acked_by": "night1", "calling": True},
    {**PLAIN, "alarm": "answered", "acked_by": "night1"},
    {**PLAIN, "alarm": "suppressed", "suppressed": "the shutdown has acted"},
    {**PLAIN, "alarm": "shelved", "shelved": {"by": "night1"}},
    {**PLAIN, "alarm": "out", "out_of_service": {"by": "fitter1"}},
    {**PLAIN, "alarm": "nothing", "life": "normal"},
    {**PLAIN, "alarm": "other", "drive": "PC1"},
]


def test_a_drive_means_what_waits_and_nothing_that_is_put_aside() -> None:
    """An answer to the one is no answer to what nobody was called for."""
    assert [a["alarm"] for a in waiting_of(ALARMS, "GT1", is_drive=True)] == ["calls", "cleared", "calls again"]


def test_an_alarm_by_its_name_is_meant_whatever_lies_over_it() -> None:
    """Who names it has seen it."""
    assert [a["alarm"] for a in waiting_of(ALARMS, "suppressed", is_drive=False)] == ["suppressed"]
