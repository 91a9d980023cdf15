"""What lies over a drive, in its view and its rows: lockout, standby by command and by schedule, what is put aside."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from nightrake.alarms.lockout import LockoutRules
from nightrake.alarms.response import Response
from nightrake.alarms.standby import Standing
from nightrake.alarms.zones import DAY_S
from nightrake.domain.site import SiteSpec
from nightrake.domain.view import drive_view
from nightrake.messages.payloads import DriveData
from works import SECOND, Works, rake, site_of

ALARM = "D/forward/alarm_contact"
SUPERVISOR = {"actor": "boss", "role": "supervisor"}


def site() -> SiteSpec:
    """Two drives."""
    return site_of(replace(rake("D"), alarm_nm=28_000.0), rake("E", unit=2))


def watched(response: Response = Response()) -> Works:  # noqa: B008  (immutable)
    """A site that has been read."""
    works = Works(site(), response)
    for _ in range(3):
        works.scan()
        works.tick(100)
    return works


def shown(works: Works, drive: str = "D") -> dict[str, Any]:
    """What is shown of what lies over a drive; it fits the published shape."""
    view = drive_view(works.state, drive, works.now_ns, works.utc_ms)
    DriveData.model_validate(view)
    return {k: view[k] for k in ("locked_out", "test_run_s", "standby", "out_of_service", "shelved")}


BARE: dict[str, Any] = {"locked_out": False, "test_run_s": 0.0, "standby": None, "out_of_service": [], "shelved": []}


def test_nothing_lies_over_a_new_drive() -> None:
    """And its rows carry no mark."""
    works = watched()
    works.operate("D", "alarm/A")
    works.scan()

    assert shown(works) == BARE
    assert not {"locked_out", "standby", "shelved", "out_of_service"} & set(works.told("alarm_operated")[0].data)


def test_schedule_is_shown_with_its_ends_and_told_when_it_begins() -> None:
    """Also where no alarm changes for it: the drive is among those whose state is told anew."""
    works = watched()
    begins_s = works.utc_ms // 1000 + 60
    schedule = (Standing(days=tuple(range(7)), from_s=begins_s % DAY_S, to_s=(begins_s + 3_600) % DAY_S),)
    works = watched(Response(standby={"D": schedule}))
    before, told = shown(works), list[str]()
    for _ in range(61):
        works.scan(500)
        told += works.tick(500).drives
    works.operate("D", "alarm/A")
    works.scan()

    assert before == BARE
    assert told == ["D"]
    assert shown(works)["standby"] == {
        "by": "schedule",
        "reason": "",
        "since_utc_ms": begins_s * 1000,
        "until_utc_ms": (begins_s + 3_600) * 1000,
    }
    assert shown(works, "E") == BARE
    assert works.told("alarm_operated")[-1].data["standby"] is True


def test_what_is_put_aside_is_named_while_it_lasts() -> None:
    """Shelved and out of service, each by the alarm's name, and gone when their time is over."""
    works = watched()
    assert works.ask("shelve", "", alarm=ALARM, reason="known", for_s=30, **SUPERVISOR)[0]
    assert works.ask("out_of_service", "", alarm="D/forward/torque_high", reason="7", for_s=60, **SUPERVISOR)[0]
    first = shown(works)
    for _ in range(31):
        outcome = works.tick(1_000)
        if works.told("shelving_ended"):
            break
    second = shown(works)
    for _ in range(31):
        works.tick(1_000)

    assert (first["shelved"], first["out_of_service"]) == ([ALARM], ["D/forward/torque_high"])
    assert (second["shelved"], second["out_of_service"]) == ([], ["D/forward/torque_high"])
    assert outcome.drives == ("D",)
    assert shown(works) == BARE


def test_lockout_and_its_test_run_are_shown() -> None:
    """Since when, and how much of the test run is left; its rows carry the mark until it is released."""
    works = watched(Response(lockout=LockoutRules(("ice",), after_shutdown=True, needs=())))
    works.operate("D", "shutdown/A")
    works.scan()
    opened_utc_ms = works.utc_ms
    assert works.ask("test_run", "D", name="slow", limit_s=60, **SUPERVISOR)[0]
    works.tick(1_000)
    view = drive_view(works.state, "D", works.now_ns, works.utc_ms)

    assert (view["locked_out"], view["locked_out_utc_ms"], view["test_run_s"]) == (True, opened_utc_ms, 59.0)
    assert works.told("shutdown_operated")[0].data["locked_out"] is True
    assert not drive_view(works.state, "E", works.now_ns, works.utc_ms)["locked_out"]


def test_row_of_a_function_check_says_so_whatever_kind_it_is() -> None:
    """Facts of the drive and transitions of its alarms alike."""
    works = watched()
    assert works.ask("test", "D", "60", **SUPERVISOR)[0]
    works.operate("D", "shutdown/A")
    works.scan()
    begun = works.told("test_began")[0]
    works.now_ns += 61 * SECOND
    works.tick(100)

    assert begun.data["in_test"] is True
    assert works.told("shutdown_operated")[0].data["in_test"] is True
    assert not works.told("test_ended")[0].data.get("in_test")
