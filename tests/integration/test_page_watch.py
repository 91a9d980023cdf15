"""The whole watch with its page worker: served, killed, moved by a reload, switched off; the watch notices nothing."""

from __future__ import annotations

import signal
import socket
import ssl
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import psutil
import pytest
from argon2 import PasswordHasher

from integration.site import Site, Watch, healthy, until
from nightrake.errors import ControlError
from peers.certificates import Authority
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer
from unit.settings.test_page import HASH

PEOPLE = f'[person.night1]\nname = "Night shift"\nrole = "operator"\npage_password = "{HASH}"\n'


@pytest.fixture
def port(free_port: int) -> int:
    """Where the page is."""
    return free_port


@pytest.fixture
def watch(tmp_path: Path, plc: LibmodbusServer, mosquitto: Mosquitto, port: int) -> Iterator[Watch]:
    """A watch of one drive, with a page."""
    healthy(plc)
    site = Site(tmp_path, [plc.port], mosquitto.port)
    (site.folder / "people.toml").write_text(PEOPLE)
    (site.folder / "page.toml").write_text(f"[page]\nenabled = true\nport = {port}\n")
    running = Watch(site)
    try:
        yield running
    finally:
        if running.running:
            running.end(signal.SIGKILL)


def page_of(watch: Watch) -> Any:
    """What the status says of it."""
    return watch.status()["page"]


def worker_of(watch: Watch) -> list[psutil.Process]:
    """The watch's page worker, if there is one."""
    pid = watch._process.pid if watch._process is not None else 0
    return [p for p in psutil.Process(pid).children() if "nightrake.workers.page" in p.cmdline()]


def alarms_of(watch: Watch) -> list[Any]:
    """Alarms of the alarm contact."""
    return [a for a in watch.ask("alarms") if a["kind"] == "alarm_contact"]


def served(port: int) -> str:
    """The page itself, "" where nobody serves it."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=5.0) as answer:
            return str(answer.read().decode())
    except OSError:
        return ""


@pytest.mark.timeout(60)
def test_page_is_served_and_a_killed_worker_is_replaced(watch: Watch, plc: LibmodbusServer, port: int) -> None:
    """It shows the drive; killed, another serves, and the watch has seen a shutdown meanwhile and missed nothing."""
    watch.start()
    until(lambda: page_of(watch)["up"], "the page", 20.0)
    assert page_of(watch)["address"] == f"http://127.0.0.1:{port}"
    until(lambda: "Drive 0" in served(port), "the drive on the page")
    (worker,) = worker_of(watch)
    assert HASH not in " ".join(worker.cmdline())
    worker.kill()
    plc.set("d", 1, 0)
    until(lambda: watch.stage("D0") == "shutdown", "the shutdown to be noticed while there is no page")
    until(lambda: page_of(watch)["starts"] == 2 and page_of(watch)["up"], "another worker", 20.0)
    until(lambda: "Drive 0" in served(port), "the drive on the page again")
    events = [row["event"] for row in watch.ask("journal", after=0, limit=500)]
    assert "gap" not in events
    assert watch.status()["scans"]["missed"] == 0
    (worker,) = worker_of(watch)
    assert watch.end() == 0
    worker.wait(5.0)
    assert served(port) == ""


@pytest.mark.timeout(60)
def test_reload_moves_the_page_and_switches_it_off(watch: Watch, port: int, free_ports: Any) -> None:
    """On another port it is another worker; people who change leave it alone."""
    watch.start()
    until(lambda: page_of(watch)["up"], "the page", 20.0)
    (worker,) = worker_of(watch)
    folder = watch.site.folder
    (folder / "people.toml").write_text(PEOPLE.replace("Night shift", "Night watch"))
    assert watch.ask("reload")["lines"] == ["person night1: name 'Night shift' -> 'Night watch'"]
    assert [p.pid for p in worker_of(watch)] == [worker.pid]
    (other,) = free_ports(1)
    (folder / "page.toml").write_text(f"[page]\nenabled = true\nport = {other}\n")
    assert watch.ask("reload")["lines"] == [f"[page]: port {port} -> {other}"]
    until(lambda: page_of(watch)["address"].endswith(f":{other}"), "the page elsewhere", 20.0)
    assert served(other)
    assert not served(port)
    (worker,) = worker_of(watch)
    (folder / "page.toml").write_text("")
    assert watch.ask("reload")["ok"]
    worker.wait(5.0)
    assert worker_of(watch) == []
    assert page_of(watch)["enabled"] is False


@pytest.mark.timeout(60)
def test_renewed_certificate_is_served_after_a_reload(watch: Watch, tmp_path: Path, port: int) -> None:
    """The same file names, another certificate in them: browsers get it within seconds, and only with the reload."""
    authority = Authority(tmp_path / "authority", "authority")
    cert_file, key_file = authority.sign("page")
    tls = f'cert_file = "{cert_file}"\nkey_file = "{key_file}"\n'
    (watch.site.folder / "page.toml").write_text(f"[page]\nenabled = true\nport = {port}\n{tls}")
    watch.start()
    until(lambda: page_of(watch)["up"], "the page", 20.0)

    def shown() -> str:
        return ssl.get_server_certificate(("127.0.0.1", port), ca_certs=str(authority.file))

    assert shown() == cert_file.read_text()
    (worker,) = worker_of(watch)
    authority.sign("page")
    assert shown() != cert_file.read_text()
    assert watch.ask("reload")["lines"] == [
        f"page.{key} was replaced, and is used as soon as certificate and key go together"
        for key in ("cert_file", "key_file")
    ]
    worker.wait(10.0)
    until(lambda: page_of(watch)["starts"] == 2 and page_of(watch)["up"], "another worker", 20.0)
    assert shown() == cert_file.read_text()


@pytest.mark.timeout(60)
def test_taken_port_is_said_in_the_status(watch: Watch, port: int) -> None:
    """In one sentence with the port; the watch watches."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", port))
        taken.listen()
        watch.start()
        until(lambda: str(port) in page_of(watch)["detail"], "the reason", 20.0)
        assert page_of(watch)["up"] is False
        until(lambda: watch.stage("D0") == "normal", "the drive to be read")
    until(lambda: page_of(watch)["up"], "the page once the port is free", 20.0)


@pytest.mark.timeout(60)
def test_who_signs_in_acts_under_their_name(watch: Watch, plc: LibmodbusServer, port: int) -> None:
    """An alarm is acknowledged on the page: alarm, session and name stand in the journal; signed out, nothing goes."""
    word = "turn-it-slowly-now"
    weak = PasswordHasher(time_cost=1, memory_cost=8192, parallelism=1).hash(word)
    (watch.site.folder / "people.toml").write_text(PEOPLE.replace(HASH, weak))
    watch.start()
    until(lambda: page_of(watch)["up"], "the page", 20.0)
    plc.set("d", 0, 0)
    until(lambda: alarms_of(watch), "the alarm")
    (alarm,) = alarms_of(watch)
    wish = {"what": "acknowledge", "args": {"alarm": alarm["alarm"], "occurrence": alarm["occurrence"]}}
    with httpx.Client(base_url=f"http://127.0.0.1:{port}", headers={"Origin": f"http://127.0.0.1:{port}"}) as browser:
        browser.get("/sign-in")
        csrf = browser.get("/api/v1/session").json()["csrf"]
        assert browser.post("/api/v1/commands", json=wish, headers={"X-CSRF-Token": csrf}).status_code >= 400
        answer = browser.post("/sign-in", data={"person": "night1", "password": word, "csrf": csrf})
        assert answer.status_code == 303, answer.text[:300]
        csrf = browser.get("/api/v1/session").json()["csrf"]
        done = browser.post("/api/v1/commands", json=wish, headers={"X-CSRF-Token": csrf})
        assert (done.status_code, done.json()["ok"]) == (200, True), done.text
        again = browser.post("/api/v1/commands", json={**wish, "what": "release"}, headers={"X-CSRF-Token": csrf})
        assert again.status_code == 409
    rows = watch.ask("journal", after=0, limit=500)
    (acked,) = [r["data"] for r in rows if (r["kind"], r["event"]) == ("alarm", "acknowledged")]
    assert (acked["actor"], acked["role"], acked["known_by"]) == ("night1", "operator", "page session")
    (signed_in,) = [r["data"] for r in rows if r["kind"] == "page"]
    assert (signed_in["actor"], signed_in["address"]) == ("night1", "127.0.0.1")


@pytest.mark.timeout(60)
def test_nobody_on_the_control_socket_speaks_for_a_person(watch: Watch) -> None:
    """Neither a command in their name, nor a sign-in, nor the scene with their hashes."""
    watch.start()
    for verb in ("person_command", "person_note", "scene"):
        with pytest.raises(ControlError, match=f"unknown verb '{verb}'"):
            watch.ask(verb, person="night1", what="reset", drive="D0", event="signed_in")
    assert "argon2" not in str(watch.status())
