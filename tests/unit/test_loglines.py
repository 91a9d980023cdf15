"""A log line says which contact did what, and how grave it is."""

from __future__ import annotations

import logging

from nightrake.domain.rows import Entry
from nightrake.logs import facts_of, level_of
from works import Works, lone_rake


def levels(works: Works) -> dict[str, str]:
    """Event -> the level of its line."""
    return {e.event: logging.getLevelName(level_of(e)) for e in works.entries}


def test_edge_names_drive_direction_stage_channel_and_state() -> None:
    """Operated and released, of which contact."""
    works = lone_rake()
    works.scan()
    works.operate("D", "shutdown/A")
    works.scan()
    works.operate("D", "shutdown/A", False)
    works.scan()

    lines = [facts_of(e) for e in works.told("contact_edge")]
    keys = ("drive", "direction", "stage", "channel", "state")
    assert [tuple(line[k] for k in keys) for line in lines] == [
        ("D", "forward", "shutdown", "A", "operated"),
        ("D", "forward", "shutdown", "A", "released"),
    ]


def test_operated_stages_and_lost_trust_stand_out() -> None:
    """Shutdown and what follows are errors, alarms and lost quality warnings, good news and edges information."""
    works = lone_rake()
    works.scan()
    works.operate("D", "alarm/A")
    works.scan()
    works.operate("D", "shutdown/A")
    works.scan()
    works.scans(16)
    works.scan(bad=range(9))
    found = levels(works)
    works.entries.clear()
    works.scans(40)

    assert {k: v for k, v in found.items() if v == "ERROR"}.keys() == {
        "shutdown_operated",
        "raised",
        "still_running",
    }
    assert (found["alarm_operated"], found["quality_changed"], found["contact_edge"]) == ("WARNING", "WARNING", "INFO")
    assert levels(works)["quality_changed"] == "INFO"


def test_shutdown_in_a_function_check_is_expected() -> None:
    """Still a warning, no error."""
    works = lone_rake()
    works.scan()
    works.ask("test", "D", "600")
    works.operate("D", "shutdown/A")
    works.scan()

    assert levels(works)["shutdown_operated"] == "WARNING"
    assert facts_of(works.told("shutdown_operated")[0])["in_test"] is True


def test_a_figure_of_zero_is_a_fact_and_nothing_is_not() -> None:
    """Zero torque is told, an empty word is not; run feedback that is off is."""
    entry = Entry("drive", "alarm_operated", "D", "forward", {"torque_nm": 0.0, "running": False, "reason": ""})

    assert facts_of(entry) == {"drive": "D", "direction": "forward", "torque_nm": 0.0, "running": False}
