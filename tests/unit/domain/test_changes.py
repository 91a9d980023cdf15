"""What outlives a reload of the settings and a restart of the service, and what does not."""

from __future__ import annotations

from dataclasses import replace

from nightrake.alarms import standing
from nightrake.domain.drive import after_restart
from nightrake.domain.inputs import LinkHealth, RawScan, SettingsChanged
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.site import SiteSpec, Stage, Table
from nightrake.domain.state import new_site
from nightrake.domain.view import drive_state, drive_view
from nightrake.kept import restore, states_of
from works import MS, SECOND, Works, bit, contact, plan_of, rake, site_of, word


def reload(works: Works, site: SiteSpec) -> None:
    """A whole new site takes the place of the old one."""
    new = replace(site, digest="1" * 64)
    works.give(SettingsChanged(works.now_ns, works.utc_ms, new))
    works.site, works.plans = new, {plc: plan_of(new, plc) for plc in new.endpoints}
    for spec in new.drives.values():
        for role, point in spec.points().items():
            works.values.setdefault(point, 10_400 if role == "position" else 1)


def restart(works: Works, down_ms: int) -> Works:
    """The service starts anew with what it had stored: drive states and latches."""
    again = Works(works.site)
    again.now_ns, again.values = works.now_ns + down_ms * MS, works.values
    drives = {d: after_restart(w, works.state.drives[d], again.now_ns) for d, w in again.state.wires.items()}
    alarms = standing.after_restart(works.state.alarms, again.now_ns, again.utc_ms, same_boot=False)
    again.state = again.state._replace(drives=drives, alarms=alarms)
    return again


# --- reload -----------------------------------------------------------------------------------------------------------


def test_reload_keeps_drives_and_latches_by_id_and_tells_what_came_and_went() -> None:
    """A further drive disturbs none of the others."""
    works = Works(site_of(rake("D"), rake("E", unit=2)))
    works.scan()
    works.operate("D", "shutdown/A")
    works.set("D", "running", 0)
    works.scan()
    before = len(works.entries)
    reload(works, site_of(rake("D"), rake("F", plc="Q")))

    assert [(e.event, e.data.get("added"), e.data.get("removed")) for e in works.entries[before:]] == [
        ("settings_changed", ["F"], ["E"])
    ]
    works.scans(3)
    assert works.latched("D")
    assert len(works.told("shutdown_operated")) == 1
    assert "E" not in works.state.drives


def test_reload_to_the_same_site_changes_no_state() -> None:
    """No edge, no operation, no quality event; the next scan finds everything as it was."""
    works = Works(site_of(rake("D", heartbeat=True, rack=True)))
    works.scans(4)
    reload(works, works.site)
    works.scans(4)

    assert [e.event for e in works.entries] == ["settings_changed"]


def test_point_that_moved_is_not_read_until_it_is_read_at_its_new_place() -> None:
    """A contact keeps its last known state, marked so, and settles by its own next reading."""
    works = Works(site_of(rake("D")))
    works.scan()
    moved = rake("D", contact("D", Stage.ALARM, bit(0)), contact("D", Stage.SHUTDOWN, bit(60, table=Table.COIL)))
    reload(works, site_of(moved))
    works.tick(100)
    assert "not read since start" in works.reasons("D")
    view = drive_view(works.state, "D", works.now_ns, works.utc_ms)["directions"]["forward"]
    assert (view["state"], view["known_now"]) == ("normal", False)
    works.scan()

    assert works.reasons("D") == ""
    assert works.told("quality_changed") == []


def test_last_scan_of_an_endpoint_that_was_taken_away_changes_nothing() -> None:
    """It was in flight when the settings changed."""
    works = Works(site_of(rake("D"), rake("E", plc="Q")))
    works.scan(plc="Q")
    late: ReadPlan = works.plans["Q"]
    reload(works, site_of(rake("D")))
    before = works.state
    works.give(RawScan("Q", late, works.now_ns, works.utc_ms, ()))

    assert works.state == before


def test_latch_of_a_removed_drive_is_said_to_go_and_comes_back_with_it() -> None:
    """A drive taken out of the settings and put back has not been reset by that, and its occurrences go on."""
    works = Works(site_of(rake("D"), rake("E", plc="Q")))
    works.scan()
    works.operate("D", "shutdown/A")
    works.scan()
    works.operate("D", "shutdown/A", False)
    works.scan()

    reload(works, site_of(rake("E", plc="Q")))
    reload(works, site_of(rake("D"), rake("E", plc="Q")))
    works.scans(3)

    gone, back = works.told("settings_changed")
    assert (gone.data["latched_removed"], "latched_back" in gone.data) == (["D forward"], False)
    assert (back.data["latched_back"], "latched_removed" in back.data) == (["D forward"], False)
    assert works.latched("D")
    assert works.reset("D")[0]
    works.operate("D", "shutdown/A")
    works.scan()
    assert works.shutdown("D").occurrence == 2


def test_latch_of_a_removed_drive_outlives_restarts() -> None:
    """The store keeps it, whether or not the drive is there when the service starts."""
    both, without = site_of(rake("D"), rake("E", plc="Q")), site_of(rake("E", plc="Q"))
    works = Works(both)
    works.scan()
    works.operate("D", "shutdown/A")
    works.scan()
    kept = states_of(new_site(both), works.state, {"D", "E"})

    away, unfit = restore(new_site(without), kept, 5, 5)
    works.state = away
    reload(works, both)

    assert unfit == []
    assert works.latched("D")
    assert works.told("settings_changed")[-1].data["latched_back"] == ["D forward"]


def test_reload_touches_only_what_it_changes() -> None:
    """A drive and a PLC whose settings are the same are the very same afterwards; the changed one is judged anew."""
    works = Works(site_of(rake("D"), rake("E", plc="Q")))
    works.scan()
    works.scan(plc="Q")
    before = works.state
    named = replace(rake("E", plc="Q"), name="Other")
    outcome = works.give(SettingsChanged(works.now_ns, works.utc_ms, replace(site_of(rake("D"), named), digest="2")))

    assert outcome.drives == ("E",)
    assert works.state.drives["D"] is before.drives["D"]
    assert works.state.endpoints["P"] is before.endpoints["P"]
    assert "Q" not in works.state.endpoints
    assert works.state.wires["E"].spec.name == "Other"


# --- restart ----------------------------------------------------------------------------------------------------------


def test_restart_keeps_the_latch_and_tells_no_operation_twice() -> None:
    """The contact is still operated when the service comes back: it was told, and stays told."""
    works = Works(site_of(rake("D")))
    works.scan()
    works.operate("D", "shutdown/A")
    works.set("D", "running", 0)
    works.scan()
    again = restart(works, 60_000)
    again.scans(3)

    assert again.told("shutdown_operated") == []
    assert again.latched("D")
    assert not again.ask("reset", "D")[0]


def test_shutdown_while_the_service_was_down_is_told_at_its_first_reading() -> None:
    """What is operated now and was not when it stopped has operated meanwhile."""
    works = Works(site_of(rake("D")))
    works.scan()
    works.operate("D", "shutdown/A")
    again = restart(works, 60_000)
    again.scan()

    assert len(again.told("shutdown_operated")) == 1
    assert again.latched("D")


def test_operation_that_came_and_went_while_the_service_was_down_stands_in_the_plcs_counter() -> None:
    """The last counter value is part of what is stored."""
    spec = rake("D", contact("D", Stage.SHUTDOWN, bit(1), counter=word(40)))
    works = Works(site_of(spec))
    works.scan()
    works.set("D", "counter:forward/shutdown/A", 1)
    again = restart(works, 60_000)
    again.scans(2)

    assert len(again.told("shutdown_operated")) == 1


def test_edge_seen_just_before_the_stop_explains_the_counter_after_it() -> None:
    """The slow counter had not been read again; one operation stays one."""
    spec = rake("D", contact("D", Stage.SHUTDOWN, bit(1), counter=word(40)))
    works = Works(site_of(spec))
    works.scan()
    fast = works.blocks("contact:forward/shutdown/A", drive="D")
    position = works.blocks("position", drive="D")
    for operated in (True, False):
        works.operate("D", "shutdown/A", operated)
        works.scan(only=[*fast, *position])
    works.set("D", "counter:forward/shutdown/A", 1)
    again = restart(works, 1_000)
    again.scans(4)

    assert again.told("shutdown_operated") == []


def test_stop_that_was_awaited_is_judged_anew_after_a_restart() -> None:
    """Three seconds from the start, on readings of its own."""
    works = Works(site_of(rake("D")))
    works.scan()
    works.operate("D", "shutdown/A")
    works.scan()
    again = restart(works, 10_000)
    again.scans(11)
    assert again.told("still_running") == []
    again.scans(2)

    assert len(again.told("still_running")) == 1


def test_restart_ends_a_function_check() -> None:
    """Nobody stands at the drive for a service that has just come back; what is still operated then counts."""
    works = Works(site_of(rake("D")))
    works.scan()
    works.set("D", "running", 0)
    works.ask("test", "D", "600")
    works.operate("D", "shutdown/A")
    works.scan()
    again = restart(works, 1_000)
    again.scan()

    assert again.latched("D")


# --- links and the view -----------------------------------------------------------------------------------------------


def test_link_news_is_told_when_it_changes() -> None:
    """Up, down, and down for another reason."""
    works = Works(site_of(rake()))
    for up, why in ((False, "refused"), (False, "refused"), (False, "no route"), (True, "")):
        works.give(LinkHealth(works.now_ns, works.utc_ms, "broker", up, why))

    assert [(e.event, e.data["detail"]) for e in works.entries] == [
        ("link_down", "refused"),
        ("link_down", "no route"),
        ("link_up", ""),
    ]


def test_link_to_a_plc_that_a_reload_takes_away_is_forgotten() -> None:
    """What is no longer read is not down; the links that stay keep their state."""
    works = Works(site_of(rake("D"), rake("E", plc="Q")))
    for link in ("plc:P", "plc:Q", "store"):
        works.give(LinkHealth(works.now_ns, works.utc_ms, link, False, "no route"))
    works.give(SettingsChanged(works.now_ns, works.utc_ms, site_of(rake("D"))))

    assert works.state.links == {"plc:P": (False, "no route"), "store": (False, "no route")}


def test_state_of_a_direction_is_plain_fact() -> None:
    """Shutdown before alarm before unknown; normal only when both are known to be released."""
    assert [drive_state(a, s) for a, s in ((0, 0), (1, 0), (1, 1), (0, 1), (-1, 0), (0, -1), (1, -1), (-1, 1))] == [
        "normal",
        "alarm",
        "shutdown",
        "shutdown",
        "unknown",
        "unknown",
        "alarm",
        "shutdown",
    ]


def test_view_shows_what_holds_now() -> None:
    """One shape for status, messages and table: torque with its kind, the latch with its number, time left in test."""
    works = Works(site_of(rake()))
    works.scan()
    works.operate("D", "shutdown/A")
    works.set("D", "running", 0)
    works.scan()
    works.ask("test", "D", "60")
    works.now_ns += 10 * SECOND
    view = drive_view(works.state, "D", works.now_ns, works.utc_ms)

    forward = view["directions"]["forward"]
    assert (forward["state"], forward["latched"], forward["occurrence"]) == ("shutdown", True, 1)
    assert forward["stages"]["shutdown"]["operated"] is True
    assert view["torque_nm"] == {
        "kind": "exact",
        "value": 24_000.0,
        "reason": "",
        "uncertainty": None,
        "uncertainty_lacks": [],
        "calibration": "R1",
        "overdue": False,
    }
    assert (view["running"], view["stop"], view["in_test_s"]) == (False, "confirmed", 50.0)
    assert view["quality"] == "function check"
    unread = drive_view(Works(site_of(rake())).state, "D", 0, 0)
    assert unread["directions"]["forward"]["stages"]["shutdown"]["operated"] is None
    assert unread["torque_nm"].items() >= {"kind": "absent", "value": None, "reason": "not read since start"}.items()
