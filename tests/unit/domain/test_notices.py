"""Notices as the walk makes them: they stand until somebody has seen them, and call nobody."""

from __future__ import annotations

from nightrake.domain.alarmview import alarms_summary, alarms_view
from nightrake.domain.inputs import LinkHealth
from unit.domain.test_respond import at_night, calls, events, run


def test_notice_is_no_alarm_and_no_link() -> None:
    """It calls nobody and stands until somebody has seen it; the links know nothing of it."""
    works = at_night()
    for up in (False, True):
        works.give(LinkHealth(works.now_ns, works.utc_ms, "notice:service_updated", up, "from 1 to 2"))
    run(works, 30)

    assert calls(works) == []
    assert events(works, "site/-/service_updated")[0] == "raised"
    assert [a["life"] for a in alarms_view(works.state, works.now_ns, works.utc_ms)] == ["cleared unacknowledged"]
    assert alarms_summary(works.state)["standing"] == 0
    assert works.told("link_down") == []


def test_creep_is_a_notice_of_its_direction_that_calls_nobody() -> None:
    """It stands until what creeps has been seen to; a drive or a direction that is not there has none."""
    works = at_night()
    for side in ("D:forward", "D:reverse", "GONE:forward"):
        link = f"notice:creep_forecast:{side}"
        works.give(LinkHealth(works.now_ns, works.utc_ms, link, False, "alarm in 20 to 50 days"))
    run(works, 60)

    raised = works.told("raised")
    assert [(e.drive, e.direction, e.data["alarm"]) for e in raised] == [("D", "forward", "D/forward/creep_forecast")]
    assert raised[0].data["detail"] == "alarm in 20 to 50 days"
    assert calls(works) == []
    assert works.told("link_down") == []
    works.give(LinkHealth(works.now_ns, works.utc_ms, "notice:creep_forecast:D:forward", True, ""))
    run(works, 30)
    assert [a["life"] for a in alarms_view(works.state, works.now_ns, works.utc_ms)] == ["cleared unacknowledged"]


def test_history_that_is_behind_is_a_notice_after_ten_minutes() -> None:
    """An hour's sealing that fails once is nobody's matter; it calls nobody, and ends with the trouble."""
    works = at_night()
    works.give(LinkHealth(works.now_ns, works.utc_ms, "history", False, "the disk is full"))
    run(works, 590)
    before = events(works, "site/-/history_behind")
    run(works, 20)
    raised = works.told("raised")
    works.give(LinkHealth(works.now_ns, works.utc_ms, "history", True, ""))
    run(works, 40)

    assert before == []
    assert [(e.data["alarm"], e.data["priority"]) for e in raised] == [("site/-/history_behind", "notice")]
    assert events(works, "site/-/history_behind")[-1] == "cleared"
    assert calls(works) == []
