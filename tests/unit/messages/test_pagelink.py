"""Links to the page: of a drive's alarm to the drive, of anything else to the alarms, and none without a page."""

from __future__ import annotations

import pytest

from nightrake.messages.pagelink import page_link, with_link

URL = "https://rakes.fennmark.example"


@pytest.mark.parametrize(
    ("alarm", "end"),
    [
        ("PC1/forward/shutdown_contact", "/drives/PC1"),
        ("PC1/forward/contact_disagree/A", "/drives/PC1"),
        ("PC9/forward/shutdown_contact", "/alarms"),  # taken out of the settings: it has no page
        ("plc:GWC/-/plc_silent", "/alarms"),
        ("site/-/disk_full", "/alarms"),
        ("test-call", "/alarms"),
        ("alarm-flood", "/alarms"),
        ("", "/alarms"),
    ],
)
def test_link_leads_to_what_the_message_is_about(alarm: str, end: str) -> None:
    """With and without a stroke at the end of the page's address."""
    assert page_link(URL, alarm, {"PC1"}) == URL + end
    assert page_link(f"{URL}/", alarm, {"PC1"}) == URL + end
    assert page_link("", alarm, {"PC1"}) == ""


def test_text_ends_with_its_link() -> None:
    """Where there is one."""
    assert with_link("Said.", f"{URL}/alarms") == f"Said. {URL}/alarms"
    assert with_link("Said.", "", "\n\n") == "Said."
