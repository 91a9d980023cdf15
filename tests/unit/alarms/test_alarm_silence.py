"""PLCs that fall silent, one by one or together, and our own links."""

from __future__ import annotations

import pytest
from pydantic import TypeAdapter

from alarmbooks import S, Walk
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.silence import Silence, after_restart, link_condition, on_plc, on_settings

DRIVES = {"P1": ["A1", "A2"], "P2": ["B1", "A2"], "P3": ["C1"], "P4": []}
KEPT: TypeAdapter[Silence] = TypeAdapter(Silence)


class Plcs(Walk):
    """PLCs over a book."""

    def __init__(self) -> None:
        super().__init__()
        self.silence = Silence()
        for plc in DRIVES:
            self.link(plc, True)

    def link(self, plc: str, up: bool, after_s: float = 0.0) -> None:
        self.wait(after_s)
        self.silence, conditions = on_plc(self.silence, plc, up, DRIVES, self.now_ns)
        self.give(*conditions)

    def told(self) -> list[tuple[str, str]]:
        return [(e.event, e.data["alarm"]) for e in self.entries]


def test_one_silent_plc_is_an_alarm_after_30_seconds() -> None:
    """With the drives that nobody watches now."""
    walk = Plcs()
    walk.link("P1", False)
    assert walk.wait(29) == []
    (raised,) = walk.wait(1)

    assert (raised.data["alarm"], raised.data["plcs"], raised.data["unwatched"], raised.data["drives"]) == (
        ("plc:P1/-/plc_silent", ["P1"], 2, ["A1", "A2"])
    )
    assert (raised.drive, raised.data["priority"]) == ("", "high")


def test_several_within_ten_seconds_are_one_alarm() -> None:
    """It says how many drives are unwatched, each counted once, and lasts as long as any PLC is silent."""
    walk = Plcs()
    walk.link("P2", False)
    walk.link("P1", False, 5)
    walk.link("P3", False, 5)
    walk.wait(60)
    (raised,) = walk.entries
    assert (raised.data["alarm"], raised.data["plcs"], raised.data["unwatched"]) == (
        ("plc:P2/-/plc_silent", ["P2", "P1", "P3"], 4)
    )
    walk.link("P2", True)
    walk.link("P3", True)
    walk.wait(60)
    assert len(walk.entries) == 1
    walk.link("P1", True)
    walk.wait(60)

    assert walk.told()[1:] == [("cleared", "plc:P2/-/plc_silent")]


def test_more_than_ten_seconds_apart_are_two_alarms() -> None:
    """Each under its own name."""
    walk = Plcs()
    walk.link("P1", False)
    walk.link("P2", False, 11)
    walk.wait(60)

    assert walk.told() == [("raised", "plc:P1/-/plc_silent"), ("raised", "plc:P2/-/plc_silent")]


def test_a_short_silence_is_no_alarm() -> None:
    """Below the on-delay."""
    walk = Plcs()
    for _ in range(10):
        walk.link("P1", False, 5)
        walk.link("P1", True, 5)

    assert walk.entries == []


def test_those_that_flap_together_stay_one_alarm() -> None:
    """Whichever is first the next time."""
    walk = Plcs()
    for first, second in (("P1", "P2"), ("P2", "P1"), ("P2", "P1")):
        walk.link(first, False)
        walk.link(second, False, 1)
        walk.wait(40)
        walk.link(first, True)
        walk.link(second, True)
        walk.wait(5)

    assert {name for _, name in walk.told()} == {"plc:P1/-/plc_silent"}
    walk.wait(120)
    walk.link("P2", False)
    walk.wait(40)
    assert walk.told()[-1] == ("raised", "plc:P2/-/plc_silent"), "long after, it is a new matter"


def test_a_restart_keeps_a_group_together_and_raises_nothing_twice() -> None:
    """Though the PLCs are heard of in another order; one not yet heard of is not back."""
    walk = Plcs()
    walk.link("P1", False)
    walk.link("P2", False, 1)
    walk.wait(40)
    walk.silence = after_restart(KEPT.validate_json(KEPT.dump_json(walk.silence)), walk.now_ns)
    walk.link("P2", True)
    walk.wait(60)
    assert len(walk.entries) == 1
    walk.link("P1", False)
    walk.wait(60)
    assert len(walk.entries) == 1
    walk.link("P1", True)
    walk.wait(60)

    assert [e.event for e in walk.entries] == ["raised", "cleared"]


def test_a_plc_that_is_taken_out_of_the_settings_leaves_its_group() -> None:
    """The rest goes on under the next name."""
    walk = Plcs()
    walk.link("P1", False)
    walk.link("P2", False, 1)
    walk.wait(40)
    without = {plc: d for plc, d in DRIVES.items() if plc != "P1"}
    silence, (condition,) = on_settings(walk.silence, without, walk.now_ns)

    assert (condition.key, condition.holds) == (AlarmKey("plc:P2", "", "plc_silent"), True)
    assert silence.groups[0].members == ("P2",)


@pytest.mark.parametrize(
    ("link", "kind"),
    [
        ("disk", "store_full"),
        ("broker", "broker_unreachable"),
        ("store", "not_forwarded"),
        ("history", "history_behind"),
    ],
)
def test_our_own_links(link: str, kind: str) -> None:
    """Each has its alarm, about the site."""
    down, up = link_condition(link, False, "refused"), link_condition(link, True, "")

    assert down is not None
    assert up is not None
    assert (str(down.key), down.holds, up.holds) == (f"site/-/{kind}", True, False)
    assert down.data == {"link": link, "detail": "refused"}
    assert link_condition("plc:P1", False, "") is None


def test_the_clock_of_the_walk_is_in_seconds() -> None:
    """So that the delays above are what they say."""
    walk = Plcs()
    before = walk.now_ns
    walk.wait(1)
    assert walk.now_ns - before == S


def test_a_plc_that_was_back_is_not_hidden_by_one_that_is_still_silent() -> None:
    """Its silence a day later is an alarm of its own, whatever was done about the other's."""
    walk = Plcs()
    walk.link("P1", False)
    walk.link("P2", False, 1)
    walk.wait(40)
    assert walk.ask("out_of_service", "plc:P1/-/plc_silent", 30 * 86_400 * S, "P1 in repair").ok
    walk.link("P2", True)
    walk.wait(86_400)
    walk.entries.clear()
    walk.link("P2", False)
    walk.wait(40)

    (raised,) = walk.entries
    assert (raised.event, raised.data["alarm"], raised.data["call"]) == ("raised", "plc:P2/-/plc_silent", True)
    assert raised.data["plcs"] == ["P2"]


def test_the_first_of_a_group_that_was_back_and_is_silent_again_is_not_hidden_either() -> None:
    """Its name stands for the other's long silence: both go on under another name, which is called."""
    walk = Plcs()
    walk.link("P1", False)
    walk.link("P2", False, 1)
    walk.wait(40)
    assert walk.ask("out_of_service", "plc:P1/-/plc_silent", 30 * 86_400 * S, "P2 in repair").ok
    walk.link("P1", True)
    walk.wait(86_400)
    walk.entries.clear()
    walk.link("P1", False)
    walk.wait(40)

    raised = [e for e in walk.entries if e.event == "raised"]
    assert [(e.data["alarm"], e.data["plcs"], e.data["call"]) for e in raised] == [
        ("plc:P2/-/plc_silent", ["P1", "P2"], True)
    ]


def test_back_for_a_moment_it_stays_in_its_group() -> None:
    """A network that comes and goes is one alarm; after a restart one that was back counts as back for long."""
    for restarted, alarms in ((False, {"plc:P1/-/plc_silent"}), (True, {"plc:P1/-/plc_silent", "plc:P2/-/plc_silent"})):
        walk = Plcs()
        walk.link("P1", False)
        walk.link("P2", False, 1)
        walk.wait(40)
        walk.link("P2", True)
        if restarted:
            walk.silence = after_restart(KEPT.validate_json(KEPT.dump_json(walk.silence)), walk.now_ns)
            walk.link("P1", False)
        walk.link("P2", False, 5)
        walk.wait(60)
        assert {name for _, name in walk.told()} == alarms


def test_more_drives_unwatched_than_were_acknowledged_call_again() -> None:
    """A drive that is put onto a silent PLC."""
    walk = Plcs()
    walk.link("P1", False)
    walk.wait(40)
    assert walk.ask("acknowledge", "plc:P1/-/plc_silent", 1).ok
    walk.silence, conditions = on_settings(walk.silence, {**DRIVES, "P1": ["A1", "A2", "A3"]}, walk.now_ns)
    walk.give(*conditions)

    assert walk.told()[-1] == ("worsened", "plc:P1/-/plc_silent")
