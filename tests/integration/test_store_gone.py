"""The store's file deleted under the running watch, or an old copy put back: noticed, told, no number used twice."""

from __future__ import annotations

import json
import shutil
import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from integration.hardship import HardWatch
from integration.ledger import Ledger
from integration.site import Site, until
from nightrake.journal.chain import verify
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer


@pytest.fixture
def watch(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    mosquitto: Mosquitto,
    heard: Ledger,  # it listens before anything is told
    tmp_path: Path,
) -> HardWatch:
    """A watch over D0, at work, with a shutdown latched and told."""
    made = make_watch(Site(tmp_path, [make_recorder(plc.port)], mosquitto.port))
    made.start()
    until(lambda: made.stage("D0") == "normal", "the drive to be read")
    plc.set("d", 1, 0)
    until(lambda: len(heard.events("still_running")) == 1, "the shutdown to be told")
    return made


def latched(watch: HardWatch) -> bool:
    """Whether D0's shutdown is latched, once D0 is read."""
    until(lambda: watch.drive("D0")["directions"]["forward"]["known_now"], "the drive to be read")
    return bool(watch.drive("D0")["directions"]["forward"]["latched"])


@pytest.mark.timeout(40)
@pytest.mark.parametrize("whole_folder", [False, True])
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
def test_store_deleted_in_mid_run_is_written_anew_and_outlives_the_watch(
    watch: HardWatch, plc: LibmodbusServer, heard: Ledger, whole_folder: bool, number: int
) -> None:
    """It is told, what follows is kept, and the next watch knows the latch: the chain is whole from the first row."""
    if whole_folder:
        shutil.rmtree(watch.site.state)
    else:
        for file in watch.site.state.glob("store.db*"):
            file.unlink()
    until(lambda: any(e["data"]["link"] == "disk" for e in heard.events("link_up")), "the new file to be told")
    plc.set("d", 0, 0)
    until(lambda: any(e["durable"] for e in heard.events("alarm_operated")), "what follows to be kept")
    watch.end(number)
    watch.start()
    until(lambda: len(heard.events("started")) == 2, "the second start to be told")
    assert latched(watch)
    assert watch.end() == 0

    rows, tail = watch.kept()
    downs = [e["data"]["detail"] for e in heard.events("link_down") if e["data"]["link"] == "disk"]
    start = heard.events("started")[1]["data"]
    assert len(downs) == 1
    assert "deleted while the watch ran; it was written anew" in downs[0]
    assert verify(rows) == []
    assert rows[0].event == "started"
    assert {e["id"] for e in heard.events() if e["durable"]} <= {r.id for r in rows}
    assert len({e["id"] for e in heard.events("shutdown_operated")}) == 1
    assert (start["clean_stop_before"], start["store_damaged"]) == (number == signal.SIGTERM, "")
    assert len({r.epoch for r in rows}) == 1
    assert [r.seq for r in tail] == sorted({r.seq for r in tail})


@pytest.mark.timeout(40)
def test_old_store_put_back_has_an_epoch_of_its_own_and_answers_nothing_anew(
    watch: HardWatch, plc: LibmodbusServer, heard: Ledger
) -> None:
    """A backup from before the reset: the latch is back, said to be so by a new epoch; no id means two things."""
    backup = watch.site.state.with_name("backup")
    assert watch.end() == 0
    shutil.copytree(watch.site.state, backup)
    watch.start()
    assert latched(watch)
    plc.set("d", 1, 1)
    until(lambda: watch.stage("D0") == "normal", "the contact to release")
    assert watch.reset("D0")["durable"]
    until(lambda: len(heard.alarm("reset")) == 1, "the reset to be told")
    assert watch.end() == 0
    shutil.rmtree(watch.site.state)
    shutil.copytree(backup, watch.site.state)

    watch.start()
    until(lambda: len(heard.events("started")) == 3, "the third start to be told")
    assert latched(watch)
    plc.set("d", 0, 0)
    until(lambda: any(e["durable"] for e in heard.events("alarm_operated")), "what follows to be told")
    assert watch.end() == 0

    rows, _ = watch.kept()
    starts = heard.events("started")
    epochs = [e["epoch"] for e in starts]
    meanings: dict[str, set[str]] = {}
    for e in heard.events():
        meanings.setdefault(e["id"], set()).add(f"{e['event']} {e['occurred']} {json.dumps(e['data'], sort_keys=True)}")
    assert epochs[0] == epochs[1] != epochs[2]
    assert starts[2]["data"]["store_copied"] is True
    assert [i for i, m in meanings.items() if len(m) > 1] == []
    assert verify(rows) == []
    assert len({e["id"] for e in heard.events("shutdown_operated")}) == 1
    assert len(heard.alarm("reset")) == 1
