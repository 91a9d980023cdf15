"""The whole watch where the disk has not a byte for a store: people are called, and all of it is on disk later."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from integration.crew import calls, rings, write_crew
from integration.hardship import HardWatch, kept_in
from integration.ledger import Ledger
from integration.site import Site, until
from nightrake.journal.chain import verify
from peers.apart import Apart
from peers.mosquitto import Mosquitto
from peers.webhook import Webhook
from plc.fixtures import LibmodbusServer

SHUTDOWN, FULL = "D0/forward/shutdown_contact", "site/-/store_full"


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Apart]:
    """A disk of 32 MiB of the test's own where the store will be, filled to its last byte."""
    place = tmp_path / "state"
    place.mkdir()
    fill = f"cat /dev/zero >'{place}/filler' 2>'{tmp_path}/said' || true"
    made = Apart("mount", f"mount -t tmpfs -o size=32m,mode=700 nightrake-test '{place}'; {fill}")
    yield made
    made.close()


@pytest.mark.timeout(60)
def test_people_are_called_without_a_store_and_it_begins_by_itself(
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    plc: LibmodbusServer,
    heard: Ledger,
    phone: Webhook,
    disk: Apart,
    tmp_path: Path,
) -> None:
    """First start of a new site on a full disk: a shutdown, its call, its answer; then room, and all is kept."""
    site = Site(tmp_path, [make_recorder(plc.port)], mosquitto.port)
    write_crew(site, phone, lockout=False)
    with (site.folder / "alarms.toml").open("a") as file:
        file.write("[alarm.store_full]\non_delay_s = 0.0\noff_delay_s = 0.0\n")
    watch, state = make_watch(site, prefix=disk.prefix()), disk.root(site.state)
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    assert not (state / "store.db").exists()
    plc.set("d", 1, 0)
    until(lambda: heard.events("shutdown_operated"), "the shutdown without a store")
    until(lambda: calls(heard, "night1", "called"), "its call over the broker")
    until(lambda: any("shutdown" in title for title in rings(phone, "night1")), "its call by telephone")
    until(lambda: heard.alarm("raised", "store_full"), "the full disk to be an alarm")
    told = [*heard.events(), *calls(heard, "night1", "called")]
    answer = watch.ask("command", what="acknowledge", args={"alarm": SHUTDOWN, "occurrence": 1})
    before = watch.status()["store"]
    asked = watch.ask("journal", after=0, limit=100)

    (state / "filler").unlink()
    until(lambda: watch.status()["store"]["up"] and watch.status()["store"]["queued"] == 0, "the store to begin")
    until(lambda: FULL not in [a["alarm"] for a in watch.ask("alarms") if a["life"] == "unacknowledged"], "its end")
    newest = watch.status()["store"]["last_seq"]
    until(lambda: watch.status()["mqtt"]["cursor"] >= newest, "everything to be told")
    assert watch.end() == 0, watch.words()
    copy = shutil.copy(state / "store.db", tmp_path / "copy.db")  # SQLite itself would look for it out here
    rows, _ = kept_in(Path(copy))
    watch.start()
    until(lambda: watch.stage("D0") == "shutdown", "the drive to be read again")
    stands = {a["alarm"]: a["occurrence"] for a in watch.ask("alarms")}
    heard.await_rows(rows)

    assert not any(event["durable"] for event in told)
    assert (answer["ok"], answer["durable"], "not on disk yet" in answer["text"]) == (True, False, True)
    assert (before["up"], before["durable_seq"], asked) == (False, 0, [])
    assert "the disk is full" in before["detail"]
    assert "the disk has no room for it" in watch.log.read_text()
    assert {e["id"] for e in heard.events()} >= {r.id for r in rows} >= {e["id"] for e in told if e["kind"] != "person"}
    assert verify(rows) == []
    assert [r.seq for r in rows] == list(range(1, len(rows) + 1))
    assert stands[SHUTDOWN] == 1, "raised once, whatever became of the store"
    assert watch.end() == 0
