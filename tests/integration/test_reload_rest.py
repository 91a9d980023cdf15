"""What a reload cannot change, what it must not overlook, and what comes while the watch ends."""

from __future__ import annotations

import os
import shutil
import signal
import threading
import time
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from integration.hardship import HardWatch
from integration.site import Site, until
from integration.test_reload import change, rows
from plc.fixtures import LibmodbusServer

SERVICE = Path(__file__).parents[2] / "service"


class Gate:
    """A store that lets in who has the right token."""

    def __init__(self) -> None:
        self.token = "old"
        gate = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                self.rfile.read(int(self.headers["content-length"]))
                good = self.headers["authorization"] == f"Token {gate.token}"
                self.send_response(204 if good else 401)
                self.send_header("content-length", "0")
                self.end_headers()

            def log_message(self, *words: object) -> None:
                return

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever)
        self._thread.start()
        self.url = f"http://127.0.0.1:{self._server.server_port}"

    def close(self) -> None:
        """Listen no more."""
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


@pytest.fixture
def gate() -> Iterator[Gate]:
    """A store that wants a token."""
    made = Gate()
    yield made
    made.close()


@pytest.fixture
def watch(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    free_port: int,
    gate: Gate,
    tmp_path: Path,
) -> HardWatch:
    """A watch over D0 that forwards with a token from a file and has a password for its broker, which is away."""
    site = Site(tmp_path, [make_recorder(plc.port)], free_port, forward_url=gate.url)
    for name in ("token", "password"):
        (tmp_path / name).write_text("old\n")
    path = site.folder / "site.toml"
    text = path.read_text().replace("[forward]", f'[forward]\ntoken_file = "{tmp_path / "token"}"')
    path.write_text(text.replace("[mqtt]", f'[mqtt]\nusername = "u"\npassword_file = "{tmp_path / "password"}"'))
    return make_watch(site)


@pytest.mark.timeout(40)
def test_replaced_secrets_are_taken_though_no_setting_has_changed(watch: HardWatch, gate: Gate, tmp_path: Path) -> None:
    """Each is named and journalled, its text nowhere; the store lets us in again, the broker is asked anew."""
    watch.start()
    until(lambda: watch.status()["forward"]["up"], "the store to let us in")
    gate.token = "brandnewtoken"
    until(lambda: not watch.status()["forward"]["up"], "the store to refuse us")
    (tmp_path / "token").write_text("brandnewtoken\n")
    assert watch.ask("reload")["lines"] == ["forward token was replaced, and is used from now on"]
    until(lambda: watch.status()["forward"]["up"], "the store to let us in again")
    (tmp_path / "password").write_text("brandnewpassword\n")
    assert watch.ask("reload")["lines"] == ["mqtt password was replaced, and is used from now on"]
    assert watch.ask("reload")["lines"] == ["nothing changed"]
    which = [r["data"]["which"] for r in rows(watch, "secrets_replaced")]
    assert watch.end() == 0

    assert which == [["forward token"], ["mqtt password"]]
    files = [watch.log, *watch.site.state.glob("store.db*")]
    assert [f.name for f in files if b"brandnew" in f.read_bytes()] == []


@pytest.mark.timeout(40)
def test_what_a_reload_cannot_change_is_said_until_the_restart(watch: HardWatch) -> None:
    """Each key in a sentence with both values, at each reload; nothing of it in the running watch."""
    watch.start()
    change(watch, "[store]\n", "[store]\nquota_mb = 64\ntail_hours = 48.0\nballast_mb = 1\n")
    said = watch.ask("reload")["lines"]
    again = watch.ask("reload")["lines"]
    change(watch, "quota_mb = 64\ntail_hours = 48.0\nballast_mb = 1\n", "")
    back = watch.ask("reload")["lines"]
    assert watch.end() == 0

    assert said == [
        "[store]: quota_mb stays 2048 until the watch is restarted, which then takes 64",
        "[store]: ballast_mb stays 8 until the watch is restarted, which then takes 1",
        "[store]: tail_hours stays 2 until the watch is restarted, which then takes 48",
    ]
    assert again == ["nothing changed", *said]
    assert back == ["nothing changed"]


@pytest.mark.timeout(40)
def test_clock_that_has_to_be_synchronised_is_asked_from_the_reload_on(watch: HardWatch) -> None:
    """What a reload can apply it applies: forwarding waits, for the clock of a test machine is not synchronised."""
    watch.start()
    until(lambda: watch.status()["forward"]["up"], "the store to let us in")
    path = watch.site.folder / "site.toml"
    path.write_text(path.read_text() + "[clock]\nrequire_sync = true\n")

    assert watch.ask("reload")["lines"] == ["[clock]: require_sync false -> true"]
    from nightrake.clock import kernel_says_synchronised

    if not kernel_says_synchronised():
        until(lambda: "clock" in watch.status()["forward"]["detail"], "forwarding to wait")
    assert watch.end() == 0


@pytest.mark.timeout(60)
def test_program_upgraded_under_the_running_watch_is_not_asked_for_settings(
    plc: LibmodbusServer,
    make_recorder: Callable[..., int],
    make_watch: Callable[..., HardWatch],
    free_port: int,
    tmp_path: Path,
) -> None:
    """A field more in the middle of a record would shift all that follow: refused, with what to do; nothing shifts."""
    service = tmp_path / "service"
    shutil.copytree(SERVICE, service, ignore=shutil.ignore_patterns("__pycache__"))
    site = Site(tmp_path, [make_recorder(plc.port)], free_port)
    watch = make_watch(site, environment={"PYTHONPATH": str(service)})
    watch.start()
    until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    change(watch, '"Drive 0"', '"Rake 0"', "d0.toml")
    assert watch.ask("reload")["ok"]
    spec = service / "nightrake" / "domain" / "site.py"
    text = spec.read_text()
    assert text.count("    alarm_nm: float = 0.0\n") == 1
    spec.write_text(
        text.replace("    alarm_nm: float = 0.0\n", "    rated_nm: float = 0.0\n    alarm_nm: float = 0.0\n")
    )
    change(watch, '"Rake 0"', '"Rake nought"', "d0.toml")
    answer = watch.ask("reload")
    plc.set("d", 1, 0)
    until(lambda: watch.stage("D0") == "shutdown", "the watch to go on")

    assert not answer["ok"]
    assert "restart the watch, which takes program and settings together" in answer["lines"][0]
    assert watch.drive("D0")["name"] == "Rake 0"
    assert watch.end() == 0
    assert "Traceback" not in watch.log.read_text()


@pytest.mark.timeout(40)
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_hang_ups_while_it_ends_do_not_change_how_it_ends(watch: HardWatch, number: int) -> None:
    """As from a terminal that closes: exit code 0, the stop is clean, to the last line of the program."""
    for _ in range(3):
        watch.start()
        process = watch._process
        assert process is not None
        os.kill(watch.pid, number)
        while process.poll() is None:
            for each in (signal.SIGHUP, number):
                process.send_signal(each)
            time.sleep(0.002)
        assert watch.forget() == 0
    watch.start()
    assert [r["data"]["clean_stop_before"] for r in rows(watch, "started")] == [True] * 4
    assert watch.end() == 0
