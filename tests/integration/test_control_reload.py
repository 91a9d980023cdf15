"""A reload that names a folder: the watch takes its own and no other, and says so; periods are one sentence."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from integration.hardship import kept_in
from integration.site import Site, Watch, healthy, until
from integration.test_reload import change, rows
from nightrake.reloading import what_changed
from nightrake.settings import load
from plc.fixtures import LibmodbusServer

pytestmark = pytest.mark.timeout(60)  # several processes are started, one after the other


@pytest.fixture
def watch(
    make_libmodbus: Callable[[], LibmodbusServer], make_recorder: Callable[..., int], free_port: int, tmp_path: Path
) -> Iterator[Watch]:
    """A watch over two drives, its broker away; running."""
    server = make_libmodbus()
    healthy(server, 0)
    healthy(server, 1)
    running = Watch(Site(tmp_path, [make_recorder(server.port)], free_port, per_plc=2))
    running.start()
    yield running
    if running.running:
        running.end()


def nightrake(*words: str, at: Path) -> tuple[int, str]:
    """A command in a folder: exit code, and what it says as one line."""
    done = subprocess.run(
        [sys.executable, "-m", "nightrake.cli", *words], cwd=at, capture_output=True, text=True, check=False, timeout=15
    )
    return done.returncode, " ".join((done.stdout + done.stderr).split())


def test_another_folder_is_refused_in_one_sentence(watch: Watch) -> None:
    """It is named, so is the watch's own, and what to do; nothing is read, nothing changes, the journal knows."""
    ours = watch.site.folder
    other = ours.with_name("other")
    shutil.copytree(ours, other)
    before = watch.status()["settings"]

    code, said = nightrake("reload", "other", at=other.parent)

    assert code == 1
    assert said == (
        f"this watch reads {ours}, not {other}, and takes no other folder while it runs: bring the changes into {ours} "
        f"and reload that, or restart the watch with {other}"
    )
    assert watch.status()["settings"] == before
    assert [r["data"]["verb"] for r in rows(watch, "refused")] == ["reload"]


def test_own_folder_is_taken_by_whatever_path(watch: Watch) -> None:
    """Relative, through a link, or not named at all (an older command, SIGHUP)."""
    os.symlink(watch.site.folder, watch.site.folder.with_name("link"))
    for number, folder in enumerate(("config", "link", str(watch.site.folder))):
        change(watch, f'"Drive {number - 1}x"' if number else '"Drive 1"', f'"Drive {number}x"', "d1.toml")
        code, said = nightrake("reload", folder, at=watch.site.folder.parent)
        assert (code, f"-> 'Drive {number}x'" in said) == (0, True)

    assert watch.ask("reload")["lines"] == ["nothing changed"]


def test_period_of_everything_is_one_sentence(watch: Watch) -> None:
    """A line for each drive would say nothing more; what else changed is told as ever."""
    change(watch, "values_s = 0.1", "values_s = 0.2")
    assert watch.ask("reload")["lines"] == ["how often points are read has changed, for all drives"]

    change(watch, "values_s = 0.2", "values_s = 0.3")
    change(watch, '"Drive 1"', '"Rake 1"', "d1.toml")
    lines = watch.ask("reload")["lines"]

    assert "drive D1: name 'Drive 1' -> 'Rake 1'" in lines
    assert lines[-1] == "how often points are read has changed, for D0"


def test_sentence_names_a_few_drives_only(tmp_path: Path) -> None:
    """Seven of eight drives: six names and 'others'."""
    site = Site(tmp_path, [1502], 1883, per_plc=8)
    old = load(site.folder, {})
    for n in range(7):
        path = site.folder / f"d{n}.toml"
        path.write_text(path.read_text() + "scan = { contacts_s = 0.2, values_s = 0.4 }\n")

    (line,) = what_changed(old, load(site.folder, {}))

    assert line == "how often points are read has changed, for D0, D1, D2, D3, D4, D5 and others"


def test_live_check_through_the_watch_names_an_unknown_host(watch: Watch) -> None:
    """The watch knows why it has no connection; who asks it for a point is told that, not 'not connected'."""
    change(watch, 'host = "127.0.0.1"', 'host = "plc-p0.invalid"')
    assert watch.ask("reload")["ok"]
    until(lambda: "host name" in watch.status()["plcs"]["P0"]["detail"], "the name to be looked up")

    code, said = nightrake("check", "--live", str(watch.site.folder), at=watch.site.folder.parent)

    assert code == 1
    assert "P0: none of its points could be read: host name 'plc-p0.invalid'" in said


def lived_ms(watch: Watch) -> int:
    """UTC of the newest scan on disk."""
    return max((r.utc_ms for r in kept_in(watch.site.state / "store.db")[1]), default=0)


def test_after_a_restart_without_the_plc_a_state_was_known_until_the_last_run_ended(
    plc: LibmodbusServer, make_recorder: Callable[..., int], free_port: int, tmp_path: Path
) -> None:
    """Not since it began to be known: status says until when somebody watched."""
    watch = Watch(Site(tmp_path, [make_recorder(plc.port)], free_port))
    try:
        watch.start()
        until(lambda: watch.stage("D0") == "normal", "the drive to be read")
        plc.set("d", 0, 0)
        until(lambda: watch.stage("D0") == "alarm", "the alarm, which is kept")
        known_ms = watch.drive("D0")["directions"]["forward"]["known_utc_ms"]
        seen_ms = watch.drive("D0")["utc_ms"]
        until(lambda: lived_ms(watch) >= seen_ms, "what was seen to be on disk")
        watch.end(signal.SIGKILL)
        plc.stop_hard()
        watch.start()
        until(lambda: watch.drive("D0")["reasons"] != [], "the PLC to be missed")
        side = watch.drive("D0")["directions"]["forward"]
        code, said = nightrake("status", str(watch.site.folder), at=tmp_path)
    finally:
        if watch.running:
            watch.end()

    assert (side["state"], side["known_now"]) == ("alarm", False)
    assert side["known_utc_ms"] >= max(known_ms, seen_ms)
    assert code == 0
    assert "ALARM (last known)" in said
