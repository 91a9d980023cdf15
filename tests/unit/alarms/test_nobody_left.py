"""Settings without anybody in them: each call that ends has its row, and an alarm stands that says so."""

from __future__ import annotations

import pytest

from callnights import ALARM, NOBODY, RESPONSE, SHUTDOWN, Night
from nightrake.alarms.account import KINDS
from nightrake.alarms.accountwords import call_words
from nightrake.alarms.told import Fact, Moment
from nightrake.domain.alarmview import alarms_view

LEFT = "site/-/nobody_to_call"


def stands(night: Night) -> list[str]:
    """Lives of that alarm: none, or where it stands."""
    return [v["life"] for v in alarms_view(night.state, night.now_ns, night.utc_ms) if v["alarm"] == LEFT]


def emptied() -> Night:
    """Two alarms call; then nobody is left in the settings."""
    night = Night()
    night.operate("D", "alarm/A")
    night.run(5)
    night.trip()
    night.run(5)
    night.entries.clear()
    night.reload(NOBODY)
    return night


def test_each_call_that_ends_with_the_last_person_has_its_row() -> None:
    """What is urgent first; the alarms stand on, and no row says that they are over."""
    night = emptied()
    ended = night.told("calls_ended")

    assert {e.data["alarm"] for e in ended} >= {SHUTDOWN}
    assert ended[0].data["alarm"] == SHUTDOWN
    assert ended[0].urgent
    assert {(e.data["why"], tuple(e.data["told"])) for e in ended} == {("nobody", ("night",))}
    assert night.state.alarms.calls.running == {}
    assert {v["alarm"] for v in alarms_view(night.state, night.now_ns, night.utc_ms)} >= {SHUTDOWN, LEFT}


def test_account_says_why_nobody_is_called_any_more() -> None:
    """In words, with who had been called."""
    row = emptied().told("calls_ended")[0]
    assert row.kind in KINDS
    words = call_words(Fact(1, Moment("boot", 0, 0), row.kind, row.event, row.drive, row.direction, row.data))

    assert words == (
        "Nobody is called any more, for nobody is left in the settings; it may still hold; night had been."
    )


@pytest.mark.parametrize("calling", [True, False])
def test_an_alarm_says_that_nobody_is_left_until_somebody_is(calling: bool) -> None:
    """Also where nothing calls just then; over a restart; and those who come are not called for it."""
    night = emptied() if calling else Night()
    night.reload(NOBODY)
    assert stands(night) == ["unacknowledged"]
    night.run(60)
    night.restart()
    night.run(30)
    assert stands(night) == ["unacknowledged"]
    night.entries.clear()
    night.reload(RESPONSE)
    night.run(30)

    assert stands(night) == ["cleared unacknowledged"]
    assert night.calls(LEFT) == []
    assert night.calls(SHUTDOWN) == ([("called", ("night",))] if calling else [])


def test_people_that_are_gone_after_a_restart_are_missed_where_they_were_calling() -> None:
    """The settings were changed while nothing ran."""
    night = Night()
    night.operate("D", "alarm/A")
    night.run(5)
    assert night.calls(ALARM)
    night.restart(NOBODY)
    night.run(5)

    assert stands(night) == ["unacknowledged"]
    assert [e.data["why"] for e in night.told("calls_ended")] == ["nobody"]


def test_people_that_are_gone_after_a_restart_are_missed_where_all_was_well() -> None:
    """Nothing called: the next alarm would have called somebody all the same. Over one more restart it stands."""
    night = Night()
    night.restart(NOBODY)
    night.run(5)
    assert stands(night) == ["unacknowledged"]
    assert len([e for e in night.told("raised") if e.data["alarm"] == LEFT]) == 1
    night.restart()
    night.run(5)
    assert len([e for e in night.told("raised") if e.data["alarm"] == LEFT]) == 1
    night.restart(RESPONSE)
    night.run(5)

    assert stands(night) == ["cleared unacknowledged"]


def test_a_site_that_never_had_people_has_no_such_alarm() -> None:
    """Checking its settings says so; it is no news at each start."""
    night = Night(NOBODY)
    night.reload(NOBODY)
    night.restart()
    night.run(5)

    assert stands(night) == []
