"""Values in the store are damaged, which SQLite's check cannot see: the watch starts, tells, forwards, and says so."""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Callable
from pathlib import Path

import apsw
import pytest

from integration.hardship import HardWatch, far_samples, kept_in
from integration.ledger import Ledger
from integration.site import Site, until
from nightrake.journal.chain import verify
from peers.mosquitto import Mosquitto
from peers.victoria import Victoria
from plc.fixtures import LibmodbusServer

DAMAGES = (
    "update tail set payload = cast(substr(payload, 1, 2) || x'ff' || substr(payload, 4) as blob)"
    " where seq = (select max(seq) from tail where kind = 'scan')",
    "update journal set drive = 'D' || x'0a', utc_ms = 'zz' where seq = 3",
    "update judgement set payload = x'5b' where key = 'alarms:D0'",
    "update cursor set extra = '17&&,3' where name = 'forward'",
    "update cursor set seq = 'q' where name = 'mqtt'",
    "update meta set value = '12z' where key = 'seq_reserved'",
)


DAMAGED = ("hot tail record", "journal row", "a cursor", "a number")
"""Words for each kind."""


def is_all_kept(store: Path) -> bool:
    """Whether a store holds everything that will be damaged, both cursors and a scan above all."""
    db = apsw.Connection(str(store), flags=apsw.SQLITE_OPEN_READONLY)
    try:
        cursors = {str(name) for (name,) in db.execute("select name from cursor")}
        return {"forward", "mqtt"} <= cursors and bool(list(db.execute("select 1 from tail where kind = 'scan'")))
    finally:
        db.close()


def told_damage(heard: Ledger) -> str:
    """What the rows say that was damaged."""
    return " ".join(str(e["data"]["what"]) for e in heard.events("damage_found"))


@pytest.mark.timeout(60)
def test_damaged_values_stop_neither_this_start_nor_the_next(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    victoria: Victoria,
    heard: Ledger,
    tmp_path: Path,
) -> None:
    """All at once: what is damaged is told as that, the rest is told and forwarded, the latch comes from the journal,
    and of the damage there is a row for each kind and a count in the status."""
    watch = make_watch(Site(tmp_path, [make_recorder(plc.port)], mosquitto.port, forward_url=victoria.url))
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    plc.set("d", 1, 0)
    until(lambda: len(heard.events("still_running")) == 1, "the shutdown to be told")
    until(lambda: is_all_kept(watch.site.state / "store.db"), "all that will be damaged to be on disk")
    watch.end(signal.SIGKILL)
    db = apsw.Connection(str(watch.site.state / "store.db"))
    for statement in DAMAGES:
        db.execute(statement)
        assert db.changes() == 1
    db.close()

    for start in (1, 2):
        watch.start()
        until(lambda: watch.status()["forward"]["lag_rows"] < 20, "the tail to be forwarded")
        until(lambda n=start: len(heard.events("started")) >= 1 + n, "the start to be told")
        assert watch.drive("D0")["directions"]["forward"]["latched"]
        if start == 1:
            until(lambda: len(heard.events("damage_found")) >= 5, "the damage to be told")
            until(lambda: all(words in told_damage(heard) for words in DAMAGED), "each kind of it to be told")
            until(lambda: bool(heard.events("row_damaged")), "the damaged row to be told")
            until(lambda: watch.status()["forward"]["dead_letters"] >= 2, "what cannot be forwarded to be counted")
            status = watch.status()
        assert watch.end() == 0

    assert all(words in told_damage(heard) for words in DAMAGED)
    assert {e["seq"] for e in heard.events("row_damaged")} == {3}
    assert status["store"]["damaged"] >= 5
    assert status["forward"]["dead_letters"] >= 2
    assert far_samples(victoria, 'nightrake_drive_good{drive="D0"}', 10)
    assert "Traceback" not in watch.log.read_text()
    rows, _ = watch.kept()
    assert verify(rows) == ["journal row 3 does not fit its own hash: it was changed"]
    left_out = [e["data"]["state_left_out"] for e in heard.events("started")]
    assert ["alarms:D0"] in left_out


@pytest.mark.timeout(60)
@pytest.mark.parametrize("cut", ["store.db", "store.db-wal"])
def test_store_cut_in_mid_run_is_told_and_the_latch_outlives_a_kill(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    heard: Ledger,
    tmp_path: Path,
    cut: str,
) -> None:
    """A log rotation with the wrong pattern: noticed within seconds, and what the watch knows is written anew."""
    watch = make_watch(Site(tmp_path, [make_recorder(plc.port)], mosquitto.port))
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    plc.set("d", 1, 0)
    until(lambda: len(heard.events("still_running")) == 1, "the shutdown to be told")
    os.truncate(watch.site.state / cut, 0)
    until(lambda: any(e["data"]["link"] == "disk" for e in heard.events("link_up")), "the new file to be told")
    plc.set("d", 0, 0)
    until(lambda: any(e["durable"] for e in heard.events("alarm_operated")), "what follows to be kept")
    watch.end(signal.SIGKILL)
    watch.start()
    until(lambda: len(heard.events("started")) == 2, "the second start to be told")
    until(lambda: watch.drive("D0")["directions"]["forward"]["known_now"], "the drive to be read")
    assert watch.drive("D0")["directions"]["forward"]["latched"]
    assert watch.end() == 0

    (down,) = (e["data"]["detail"] for e in heard.events("link_down") if e["data"]["link"] == "disk")
    rows, _ = watch.kept()
    assert "the store was damaged while the watch ran" in down
    assert verify(rows) == []
    assert heard.events("started")[1]["data"]["store_damaged"] == ""
    assert len({e["id"] for e in heard.events("shutdown_operated")}) == 1


@pytest.mark.timeout(60)
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
def test_old_store_moved_over_the_open_one_gets_nothing_and_silences_nobody(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    heard: Ledger,
    tmp_path: Path,
    number: int,
) -> None:
    """A backup restored under the running watch: telling goes on, the status says why nothing is durable, what happened
    is kept beside it, and the next start is that of a restored store."""
    watch = make_watch(Site(tmp_path, [make_recorder(plc.port)], mosquitto.port))
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    assert watch.end() == 0
    old = tmp_path / "old.db"
    shutil.copy(watch.site.state / "store.db", old)
    watch.start()
    plc.set("d", 1, 0)
    until(lambda: len(heard.events("still_running")) == 1, "the shutdown to be told")
    os.replace(old, watch.site.state / "store.db")
    until(lambda: any(e["data"]["link"] == "disk" for e in heard.events("link_down")), "it to be told")
    plc.set("d", 0, 0)
    until(lambda: len(heard.events("alarm_operated")) == 1, "what happens to be told all the same")
    status = watch.status()["store"]
    (beside,) = watch.site.state.glob("store.db.displaced-*")
    if number == signal.SIGTERM:
        assert watch.end() == 0
    else:
        watch.end(number)
    rows, _ = kept_in(beside)

    watch.start()
    until(lambda: len(heard.events("started")) == 3, "the third start to be told")
    assert watch.end() == 0

    (down,) = (e["data"]["detail"] for e in heard.events("link_down") if e["data"]["link"] == "disk")
    assert "another file has taken the place of the store" in down
    assert beside.name in down
    assert (status["up"], status["detail"][:100]) == (False, down[:100])
    assert [e["durable"] for e in heard.events("alarm_operated")] == [False]
    assert verify(rows) == []
    assert "shutdown_operated" in {r.event for r in rows}
    assert ("alarm_operated" in {r.event for r in rows}) == (number == signal.SIGTERM)
    start = heard.events("started")[2]
    assert (start["data"]["store_copied"], start["data"]["store_damaged"]) == (True, "")
    assert start["epoch"] not in {r.epoch for r in rows}
    assert "Traceback" not in watch.log.read_text()
    assert verify(watch.kept()[0]) == []
