"""What lies over a drive stands in its retained state and in its rows, so that a screen need not ask: on Mosquitto."""

from __future__ import annotations

import getpass
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from integration.hardship import HardWatch
from integration.ledger import Ledger
from integration.site import Site, until
from nightrake.messages.payloads import DriveMessage, EventMessage
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer

ALARM = "D0/forward/alarm_contact"
PEOPLE = f"""
[person.super1]
name = "Shift supervisor"
role = "supervisor"
local_user = "{getpass.getuser()}"
"""


class Shown:
    """A running watch over one drive, and what the broker was given of it."""

    def __init__(self, watch: HardWatch, plc: LibmodbusServer, heard: Ledger) -> None:
        self.watch, self.plc, self.heard = watch, plc, heard

    def asks(self, what: str, drive: str = "D0", **args: Any) -> None:
        """A command that is accepted."""
        arg = str(args.pop("arg", ""))
        answer = self.watch.ask("command", what=what, drive=drive, args=args, arg=arg)
        assert answer["ok"], answer

    def states(self) -> list[dict[str, Any]]:
        """The drive's retained states so far."""
        return [m["data"] for m in self.heard.heard("drive/D0")]

    def shows(self, **wanted: object) -> None:
        """Wait until the newest state has these values."""
        until(lambda: self.states() and {k: self.states()[-1][k] for k in wanted} == wanted, f"{wanted}")

    def marks(self, event: str) -> dict[str, Any]:
        """Marks of the newest event of a name."""
        until(lambda: self.heard.events(event), event)
        data = self.heard.events(event)[-1]["data"]
        return {k: data[k] for k in ("in_test", "locked_out", "standby", "out_of_service", "shelved") if data.get(k)}


@pytest.fixture
def shown(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    heard: Ledger,
    tmp_path: Path,
) -> Shown:
    """It watches, and nothing lies over the drive."""
    site = Site(tmp_path, [make_recorder(plc.port)], mosquitto.port)
    site_file = site.folder / "site.toml"
    site_file.write_text(site_file.read_text().replace("[mqtt]\n", "[mqtt]\nstate_period_s = 3600.0\n"))
    (site.folder / "people.toml").write_text(PEOPLE)
    (site.folder / "alarms.toml").write_text("[alarm.alarm_contact]\non_delay_s = 0.0\noff_delay_s = 0.1\n")
    watch = make_watch(site)
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    made = Shown(watch, plc, heard)
    made.shows(locked_out=False, standby=None, out_of_service=[], shelved=[], in_test_s=0.0, test_run_s=0.0)
    return made


@pytest.mark.timeout(60)
def test_each_overlay_is_retained_at_once_and_marks_rows(shown: Shown, mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Told when it comes and when it goes, without waiting for the hour's renewal; rows between carry the mark."""
    shown.asks("standby", reason="tank empty", for_s=600)
    until(lambda: (shown.states()[-1]["standby"] or {}).get("reason") == "tank empty", "the standby")
    assert shown.states()[-1]["standby"]["by"] == "super1"
    shown.plc.set("d", 0, 0)
    assert shown.marks("alarm_operated") == {"standby": True}
    shown.asks("standby_end")
    shown.shows(standby=None)

    shown.asks("shelve", drive="", alarm=ALARM, reason="known", for_s=600)
    shown.shows(shelved=[ALARM])
    shown.plc.set("d", 0, 1)
    assert shown.marks("cleared") == {"shelved": True}
    shown.asks("unshelve", drive="", alarm=ALARM)
    shown.shows(shelved=[])

    shown.asks("out_of_service", drive="", alarm=ALARM, reason="permit 7", for_s=3600)
    shown.shows(out_of_service=[ALARM])
    shown.asks("test", arg="60")
    until(lambda: shown.states()[-1]["in_test_s"] > 0, "the test")
    shown.plc.set("d", 0, 0)
    until(lambda: len(shown.heard.events("alarm_operated")) == 2, "the contact in the test")
    assert shown.marks("alarm_operated") == {"in_test": True}
    shown.plc.set("d", 0, 1)
    until(lambda: len(shown.heard.events("alarm_released")) == 2, "its release")
    shown.asks("test_end")
    shown.shows(in_test_s=0.0)

    shown.asks("lockout_open", remark="by hand")
    shown.shows(locked_out=True, out_of_service=[ALARM])
    assert shown.states()[-1]["locked_out_utc_ms"] > 0
    shown.plc.set("d", 0, 0)
    until(lambda: len(shown.heard.events("alarm_operated")) == 3, "the contact under lockout")
    assert shown.marks("alarm_operated") == {"locked_out": True}

    late = Ledger(mosquitto.port, tmp_path / "late.txt")
    try:
        until(lambda: late.heard("drive/D0"), "the retained state, for who comes late")
        whole = DriveMessage.model_validate(late.heard("drive/D0")[0]).data
    finally:
        late.close()
    assert (whole.locked_out, whole.out_of_service, whole.standby) == (True, [ALARM], None)
    assert all(EventMessage.model_validate(e) for e in shown.heard.events())
