"""What the PLC says does not go together: contacts against torque, and a map that an update of the PLC has moved."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from integration.hardship import HardWatch
from integration.ledger import Ledger
from integration.site import Site, healthy, until
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer

pytestmark = pytest.mark.timeout(60)  # several processes are started, one after the other

HEARTBEAT_S = 1.0


@pytest.fixture
def site(plc: LibmodbusServer, make_recorder: Callable[..., int], mosquitto: Mosquitto, tmp_path: Path) -> Site:
    """Settings of two drives."""
    healthy(plc, 1)
    return Site(tmp_path, [make_recorder(plc.port)], mosquitto.port, per_plc=2)


ABOVE_SHUTDOWN = (19_000, 45_500.0)
"""uA and N.m: 23.44 mm on the record, above the 40 kN.m at which the shutdown contact operates."""
LIGHT = (6_000, 13_000.0)


@pytest.mark.parametrize(
    ("current", "alarm", "shutdown", "state"),
    [
        (ABOVE_SHUTDOWN, 1, 1, "normal"),
        (ABOVE_SHUTDOWN, 0, 1, "alarm"),
        (ABOVE_SHUTDOWN, 1, 0, "shutdown"),
        (LIGHT, 0, 1, "alarm"),
        (LIGHT, 1, 0, "shutdown"),
        (LIGHT, 0, 0, "shutdown"),
    ],
)
def test_contacts_win_over_the_torque_and_both_are_shown(
    site: Site,
    plc: LibmodbusServer,
    make_watch: Callable[..., HardWatch],
    heard: Ledger,
    current: tuple[int, float],
    alarm: int,
    shutdown: int,
    state: str,
) -> None:
    """The state is what the contacts say, whatever the arm says; the torque is shown as it is, and told with the event.

    A contact bit of 1 is closed, which is released here.
    """
    watch = make_watch(site)
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    plc.set("i", 0, current[0])
    until(lambda: watch.drive("D0")["torque_nm"]["value"] == current[1], "the torque")
    plc.set("d", 0, alarm)
    plc.set("d", 1, shutdown)
    until(lambda: watch.stage("D0") == state, "the state")
    done = watch.status()["plcs"]["P0"]["done"]
    until(lambda: watch.status()["plcs"]["P0"]["done"] > done + 5, "further scans")
    expected = {event for event, bit in (("alarm_operated", alarm), ("shutdown_operated", shutdown)) if not bit}
    until(lambda: expected <= {e["event"] for e in heard.events()}, "the events")
    drive = watch.drive("D0")
    assert watch.end() == 0

    told = {e["event"]: e["data"] for e in heard.events() if e["event"].endswith("_operated")}
    assert set(told) == expected
    assert all(data["torque_nm"] == current[1] for data in told.values())
    assert drive["torque_nm"]["value"] == current[1]
    assert drive["directions"]["forward"]["state"] == state


@pytest.mark.timeout(40)
def test_map_moved_by_a_plc_update_is_noticed_where_there_is_a_heartbeat(
    site: Site, plc: LibmodbusServer, make_watch: Callable[..., HardWatch], heard: Ledger
) -> None:
    """Every register one further on, in one instant: the counter stands still, so nothing counts as known now.

    Where the counter was there is now what does not count. Whoever has no heartbeat cannot notice (`check` says so).
    """
    file = site.folder / "d0.toml"
    beat = 'heartbeat = { table = "input", address = 9, type = "uint16" }\n'
    file.write_text(file.read_text().replace("plc = ", f"heartbeat_s = {HEARTBEAT_S}\n{beat}plc = ", 1))
    watch = make_watch(site)
    count = iter(range(1, 60_000))

    def beats() -> None:
        plc.set("i", where, next(count))

    where = 9
    beats()
    watch.start()

    def normal() -> bool:
        beats()
        return watch.stage("D0") == "normal" and watch.drive("D0")["directions"]["forward"]["known_now"]

    until(normal, "the drive to be read")

    where = 14
    plc.set("i", 9, 10_400)
    plc.set("i", 1, 10_400)
    plc.set("i", 0, 0)

    def noticed() -> bool:
        beats()
        return any("heartbeat" in r for r in watch.drive("D0")["reasons"])

    until(noticed, "the counter that stands still to be noticed")
    drive, other = watch.drive("D0"), watch.drive("D1")
    where = 9
    plc.set("i", 0, 10_400)
    until(lambda: normal() and watch.drive("D0")["quality"] == "good", "the map to be right again", 15.0)
    assert watch.end() == 0

    assert drive["quality"] == "failure"
    assert drive["torque_nm"]["value"] is None
    assert drive["directions"]["forward"]["state"] == "normal"
    assert not drive["directions"]["forward"]["known_now"]
    assert other["quality"] == "good"  # it has no heartbeat
    assert not [e for e in heard.events() if e["event"].endswith("_operated")]
