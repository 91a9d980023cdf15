"""Reloads of the running watch: secrets that are missing, several at once, a drive that goes and comes back, SIGHUP."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from integration.site import Site, Watch, healthy, until
from plc.fixtures import LibmodbusServer

pytestmark = pytest.mark.timeout(60)  # several processes are started, one after the other

FORWARD = '[forward]\nenabled = true\nurl = "http://127.0.0.1:9"\ntoken_file = "{}"\n'
PASSWORD = '[mqtt]\nusername = "rake"\npassword_file = "{}"\n'


@pytest.fixture
def plc(make_libmodbus: Callable[[], LibmodbusServer]) -> LibmodbusServer:
    """A libmodbus server with two healthy drives."""
    server = make_libmodbus()
    healthy(server, 0)
    healthy(server, 1)
    return server


@pytest.fixture
def watch(plc: LibmodbusServer, make_recorder: Callable[..., int], free_port: int, tmp_path: Path) -> Iterator[Watch]:
    """A watch over two drives, its broker away; not started."""
    running = Watch(Site(tmp_path, [make_recorder(plc.port)], free_port, per_plc=2))
    yield running
    if running.running:
        running.end(signal.SIGKILL)


def change(watch: Watch, old: str, new: str, file: str = "site.toml") -> None:
    """Change a file of the settings folder."""
    path = watch.site.folder / file
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def rows(watch: Watch, event: str) -> list[dict[str, Any]]:
    """Journal rows of one name."""
    watch.wait_for_disk()
    return [r for r in watch.ask("journal", after=0, limit=500) if r["event"] == event]


@pytest.mark.parametrize(
    ("key", "table", "what"), [("[forward]\n", FORWARD, "forward token"), ("[mqtt]\n", PASSWORD, "mqtt password")]
)
def test_missing_secret_is_a_sentence_at_start_and_at_reload(watch: Watch, key: str, table: str, what: str) -> None:
    """At start exit code 1; at a reload a refusal with a row, by socket and by signal, and the watch goes on."""
    good = (watch.site.folder / "site.toml").read_text()
    missing = watch.site.folder.parent / "secret"
    bad = good.replace(key, table.format(missing)) if key in good else good + table.format(missing)
    (watch.site.folder / "site.toml").write_text(bad)
    watch.start(wait=False)
    assert watch.forget() == 1
    assert f"{what}: {missing} cannot be read" in watch.words()
    assert "Traceback" not in watch.words()
    (watch.site.folder / "site.toml").write_text(good)
    watch.start()
    (watch.site.folder / "site.toml").write_text(bad)

    refused = watch.ask("reload")
    os.mkfifo(missing)  # opening it would wait for a writer
    watch.hang_up()

    assert not refused["ok"]
    assert f"{what}: {missing} cannot be read" in refused["lines"][0]
    until(lambda: len(rows(watch, "refused")) == 2, "the refusal of the second")
    reasons = [(r["data"]["actor"] == "SIGHUP", r["data"]["reason"]) for r in rows(watch, "refused")]
    assert [by for by, _ in reasons] == [False, True]
    assert "no ordinary file" in reasons[1][1]
    assert watch.status()["settings"] == rows(watch, "started")[-1]["data"]["settings"]
    assert watch.end() == 0
    assert "Traceback" not in watch.log.read_text()


def test_reloads_at_once_are_taken_one_after_the_other_and_the_newest_wins(
    watch: Watch, free_ports: Callable[[int], list[int]]
) -> None:
    """Whoever asks is answered; what holds in the end is what the folder says; a stop is as quick as ever."""
    watch.start()
    first, second = free_ports(2)
    answers: list[Any] = []

    def reload() -> None:
        answers.append(watch.ask("reload"))

    change(watch, f"port = {broker_port(watch)}", f"port = {first}")
    threads = [threading.Thread(target=reload) for _ in range(4)]
    for thread in threads[:2]:
        thread.start()
    until(lambda: watch.status()["settings"] != rows(watch, "started")[0]["data"]["settings"], "the first reload")
    change(watch, f"port = {first}", f"port = {second}")
    for thread in threads[2:]:
        thread.start()
    for thread in threads:
        thread.join(15.0)

    assert [a["ok"] for a in answers] == [True] * 4
    until(lambda: f":{second}:" in watch.status()["mqtt"]["detail"], "the newest broker")
    assert watch.ask("reload")["lines"] == ["nothing changed"]
    assert watch.end() == 0


def broker_port(watch: Watch) -> int:
    """Where the site's broker is."""
    lines = (watch.site.folder / "site.toml").read_text().splitlines()
    return int(lines[lines.index("[mqtt]") + 1].removeprefix("port = "))


def test_burst_of_hang_ups_is_served_and_ends_with_the_folder_as_it_is(watch: Watch) -> None:
    """A hundred signals are a few readings; a stop in the middle of one waits for none of them."""
    watch.start()
    for number in range(100):
        change(watch, f'"Rake {number - 1}"' if number else '"Drive 1"', f'"Rake {number}"', "d1.toml")
        watch.hang_up()
    until(lambda: watch.drive("D1")["name"] == "Rake 99", "the last name")

    assert len(rows(watch, "settings_changed")) < 100
    watch.hang_up()
    assert watch.end() == 0
    assert "Traceback" not in watch.log.read_text()


def test_latched_drive_that_is_removed_is_named_and_comes_back_latched(watch: Watch, plc: LibmodbusServer) -> None:
    """The reload that removes it says so; the one that brings it back, after a kill too, finds its latch."""
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    plc.set("d", 1, 0)
    until(lambda: watch.drive("D0")["directions"]["forward"]["latched"], "the latch")
    plc.set("d", 1, 1)
    until(lambda: watch.stage("D0") == "normal", "the release")
    away = watch.site.folder.parent
    for name in ("d0.toml", "calibration/D0.toml"):
        (watch.site.folder / name).rename(away / Path(name).name.replace("D0", "record"))

    gone = watch.ask("reload")
    until(lambda: len(rows(watch, "settings_changed")) == 1, "the row")
    watch.end(signal.SIGKILL)
    watch.start()
    (away / "d0.toml").rename(watch.site.folder / "d0.toml")
    (away / "record.toml").rename(watch.site.folder / "calibration" / "D0.toml")
    assert watch.ask("reload")["ok"]

    until(lambda: len(rows(watch, "settings_changed")) == 2, "the second row")
    assert "D0 forward: its shutdown is latched, and nobody watches it now" in gone["lines"][-1]
    changed = [r["data"] for r in rows(watch, "settings_changed")]
    assert (changed[0]["latched_removed"], changed[1]["latched_back"]) == (["D0 forward"], ["D0 forward"])
    until(lambda: watch.stage("D0") == "normal", "the drive to be read again")
    assert watch.drive("D0")["directions"]["forward"]["latched"]
    assert watch.reset("D0")["ok"]
    watch.end()


def test_hang_up_while_the_watch_starts_is_a_reload(watch: Watch) -> None:
    """It neither ends the start nor is it forgotten: what the folder says by then is taken."""
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    program = (
        "import os, signal, sys\nimport nightrake.hangup as hangup\nnote = hangup.note_hang_up\n"
        "def noted():\n    event = note()\n    os.kill(os.getpid(), signal.SIGHUP)\n    return event\n"
        "hangup.note_hang_up = noted\nsys.argv = ['nightrake', 'watch', sys.argv[1]]\n"
        "from nightrake.cli.main import main\nmain()"
    )
    with watch.log.open("ab") as log:
        command = [sys.executable, "-c", program, str(watch.site.folder)]
        watch._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=environment)
    until(watch.answers, "the watch to answer")

    until(lambda: '"actor": "SIGHUP"' in watch.log.read_text(), "the reload's line")
    assert watch.end() == 0


def test_second_watch_on_one_control_socket_is_refused(watch: Watch, tmp_path: Path, free_port: int) -> None:
    """With a store of its own, too; the first stays reachable, and goes on."""
    watch.start()
    (tmp_path / "other").mkdir()
    other = Watch(Site(tmp_path / "other", [free_port], free_port))
    change(other, str(other.site.socket), str(watch.site.socket))
    other.start(wait=False)

    assert other.forget() == 1
    assert "another watch (process" in other.words()
    assert "Traceback" not in other.words()
    assert watch.answers()
    assert watch.end() == 0


def test_file_in_the_sockets_place_keeps_the_watch_from_starting(watch: Watch) -> None:
    """One sentence, exit code 1, and the file as it was."""
    watch.site.socket.write_text("precious")
    watch.start(wait=False)

    assert watch.forget() == 1
    assert watch.site.socket.read_text() == "precious"
    assert "is no socket" in watch.words()
    assert "Traceback" not in watch.words()


def test_odd_numbers_on_the_socket_stop_nothing(watch: Watch) -> None:
    """A row number that no row can have is refused in a sentence; the journal is read on."""
    from nightrake.errors import ControlError

    watch.start()
    for after in (10**30, -5, float("inf")):
        for verb in ("journal", "news"):
            with pytest.raises(ControlError, match=r"whole number|wrong arguments"):
                watch.ask(verb, after=after)

    assert rows(watch, "started")
    assert watch.end() == 0
