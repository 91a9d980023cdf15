"""The network is split: the PLC's side is well, broker and far store are gone. All goes on here, and is told later."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from integration.hardship import HardWatch, Plants, far_samples
from integration.ledger import Ledger
from integration.site import Site, until
from nightrake.journal.chain import verify
from peers.apart import FAR, Cable
from peers.mosquitto import Mosquitto
from peers.victoria import Victoria
from plc.fixtures import LibmodbusServer

SCAN_S = 0.25
SAID_S = 30.0
"""A silent cut is said within this: three times the keepalive that is set here, and the store's time-out."""
SERIES = 'nightrake_drive_position_mm{drive="D0"}'


class Outside:
    """Broker, far store and a subscriber at the other end of the cable."""

    def __init__(self, cable: Cable, folder: Path) -> None:
        self.mosquitto = Mosquitto(folder / "mosquitto", address=FAR)
        self.victoria = Victoria(folder / "victoria", ("-dedup.minScrapeInterval=1ms",), address=FAR)
        prefix = cable.plant.prefix()
        for peer in (self.mosquitto, self.victoria):
            peer.put_inside(prefix, cable.plant.pid)
            peer.start()
        self.heard = Ledger(self.mosquitto.port, folder / "heard.txt", address=FAR, prefix=prefix)

    def close(self) -> None:
        """End them."""
        self.heard.close()
        self.mosquitto.stop()
        self.victoria.stop()


@pytest.fixture
def outside(cable: Cable, tmp_path: Path) -> Iterator[Outside]:
    """The world beyond the cable."""
    made = Outside(cable, tmp_path)
    yield made
    made.close()


@pytest.fixture
def plc(plants: Plants, cable: Cable) -> LibmodbusServer:
    """A PLC with one healthy drive, on the watch's side."""
    plants.add(cable.control, "127.0.0.1")
    return plants.servers[-1]


@pytest.fixture
def watch(
    outside: Outside,
    plc: LibmodbusServer,
    plants: Plants,
    cable: Cable,
    make_watch: Callable[..., HardWatch],
    tmp_path: Path,
) -> HardWatch:
    """A watch over D0, at work, that tells and forwards through the cable."""
    site = Site(tmp_path, [plants.ports[-1]], outside.mosquitto.port, scan_s=SCAN_S, forward_url=outside.victoria.url)
    file = site.folder / "site.toml"
    file.write_text(file.read_text().replace("[mqtt]\n", f'[mqtt]\nhost = "{FAR}"\nkeepalive_s = 5\n'))
    made = make_watch(site, prefix=cable.control.prefix())
    made.start()
    until(lambda: made.stage("D0") == "normal", "the drive to be read")
    until(lambda: made.status()["forward"]["lines"] > 0, "forwarding to begin")
    until(lambda: len(outside.heard.events("started")) == 1, "the start to be told")
    return made


@pytest.mark.timeout(120)
@pytest.mark.parametrize("seen", [True, False])
def test_outside_gone_leaves_people_at_the_plant_everything_and_is_told_later(
    watch: HardWatch, plc: LibmodbusServer, cable: Cable, outside: Outside, seen: bool
) -> None:
    """A shutdown comes, is reset and comes again while nobody outside hears: seen or unseen by the watch's own card."""
    cut, mend = (cable.pull, cable.plug_in)
    if not seen:
        cut, mend = (cable.pull_behind_a_switch, cable.plug_in_behind_a_switch)
    before = watch.status()["plcs"]["P0"]
    cut()
    plc.set("d", 2, 0)
    until(lambda: watch.drive("D0")["running"] is False, "the motor off")
    plc.set("d", 1, 0)
    until(lambda: watch.stage("D0") == "shutdown", "the shutdown, at the plant", 5.0)
    plc.set("d", 1, 1)
    until(lambda: watch.stage("D0") == "normal", "the contact to release")
    reset = watch.reset("D0")
    plc.set("d", 0, 0)
    until(lambda: watch.stage("D0") == "alarm", "the alarm, at the plant", 5.0)
    until(lambda: not any(watch.status()["links"][k]["up"] for k in ("broker", "store")), "the cut to be said", SAID_S)
    links = watch.status()["links"]
    here = [r["event"] for r in watch.journal()]
    mend()
    until(lambda: len(outside.heard.events("alarm_operated")) == 1, "what happened meanwhile to be told", 60.0)
    until(lambda: all(watch.status()["links"][k]["up"] for k in ("broker", "store")), "both to be back", 40.0)
    until(lambda: forwards_all(watch.status()["forward"]), "the far store to have it all", 20.0)
    after, forwarded = watch.status()["plcs"]["P0"], watch.status()["forward"]["cursor"]
    assert watch.end() == 0
    rows, tail = watch.kept()
    late = {r.id for r in rows if r.seq >= rows[-1].seq - 2}  # of the end itself
    outside.heard.await_rows(r for r in rows if r.id not in late)

    told = outside.heard.events()
    order = [e["event"] for e in told if e["drive"] == "D0" and e["durable"]]
    assert (reset["ok"], reset["durable"]) == (True, True)
    assert all(links[k]["detail"] for k in ("broker", "store"))
    assert {"shutdown_operated", "raised", "reset", "alarm_operated"} <= set(here)
    assert after["connects"] == before["connects"] == 1
    assert after["missed"] - before["missed"] <= 2
    wanted = [r.event for r in rows if r.drive == "D0"]
    assert list(dict.fromkeys(order)) == list(dict.fromkeys(wanted))
    assert {r.id for r in rows} - late <= {e["id"] for e in told} <= {r.id for r in rows}
    assert verify(rows) == []
    stamps = {r.utc_ms for r in tail if r.kind == "scan"}
    due = {r.utc_ms for r in tail if r.kind == "scan" and r.seq <= forwarded}
    far = {stamp for stamp, _ in far_samples(outside.victoria, SERIES, len(due))}
    assert due <= far <= stamps


def forwards_all(forward: dict[str, Any]) -> bool:
    """Whether the far store has all but what was read just now."""
    return bool(forward["lag_rows"] <= 2 and not forward["backlog"]["stretches"])
