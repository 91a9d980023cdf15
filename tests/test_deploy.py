"""The deployment files do what their comments say, tried with the programs that read them."""

from __future__ import annotations

import configparser
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

DEPLOY = Path(__file__).resolve().parent.parent / "deploy"
UNIT = DEPLOY / "systemd" / "nightrake.service"
WORST_EXPOSURE = 2.0


def run(*command: str, timeout_s: float = 15.0) -> subprocess.CompletedProcess[str]:
    """Run a program and keep what it says."""
    return subprocess.run(command, capture_output=True, text=True, timeout=timeout_s, check=False)


# --- systemd ----------------------------------------------------------------------------------------------------------


def unit() -> configparser.RawConfigParser:
    """The unit file; the last of repeated keys wins here."""
    parser = configparser.RawConfigParser(strict=False)
    parser.optionxform = str  # type: ignore[assignment,method-assign]  # the way configparser documents it
    parser.read(UNIT, encoding="utf-8")
    return parser


def test_unit_is_told_ready_is_watched_and_never_gives_up() -> None:
    """A watch that hangs is restarted, one that dies comes back, however often."""
    parser = unit()

    assert parser["Service"]["Type"] == "notify"
    assert parser["Service"]["Restart"] == "always"
    assert int(parser["Service"]["WatchdogSec"]) <= 60
    assert parser["Unit"]["StartLimitIntervalSec"] == "0"


def test_unit_exposes_little() -> None:
    """systemd's own measure of the walls around the service stays at 2.0 or below."""
    done = run("systemd-analyze", "security", "--offline=true", "--no-pager", str(UNIT))

    found = re.search(r"exposure level for nightrake\.service: ([0-9.]+)", done.stdout)
    assert found, done.stdout + done.stderr
    assert float(found.group(1)) <= WORST_EXPOSURE


def test_unit_has_no_key_that_systemd_does_not_know() -> None:
    """A misspelt wall is no wall: systemd only warns and goes on."""
    done = run("systemd-analyze", "verify", "--man=no", str(UNIT))

    complaints = [line for line in (done.stdout + done.stderr).splitlines() if "is not executable" not in line]
    assert [line for line in complaints if "nightrake" in line] == []


def test_installation_as_the_unit_says_it_works_on_a_bare_system(tmp_path: Path) -> None:
    """Its own lines, below another root in which only systemd's folder for units exists."""
    (tmp_path / "etc" / "systemd" / "system").mkdir(parents=True)
    lines = [line.removeprefix("#").strip() for line in UNIT.read_text(encoding="utf-8").splitlines()]
    commands = [line.split("#")[0].split("&&")[0].strip() for line in lines if line.startswith(("install ", "cp "))]
    assert len(commands) == 3

    for command in commands:
        done = subprocess.run(
            command.replace(" /etc/", f" {tmp_path}/etc/").split(), cwd=DEPLOY.parent, capture_output=True, check=False
        )
        assert done.returncode == 0, done.stderr

    assert (tmp_path / "etc" / "sysusers.d" / "nightrake.conf").is_file()
    assert (tmp_path / "etc" / "systemd" / "system" / "nightrake.service").is_file()
    assert (tmp_path / "etc" / "nightrake" / "drives.toml").is_file()


def test_watch_loads_under_the_units_memory_wall() -> None:
    """Everything that the watch imports works where memory may not become executable (MemoryDenyWriteExecute)."""
    # The kernel's own form of that wall, from 6.3 on; an older one says EINVAL and the import alone is tried.
    wall = "import ctypes; ctypes.CDLL(None).prctl(65, 1, 0, 0, 0)"  # PR_SET_MDWE, PR_MDWE_REFUSE_EXEC_GAIN

    done = run(sys.executable, "-c", f"{wall}; import nightrake.app")

    assert done.returncode == 0, done.stderr


# --- mosquitto --------------------------------------------------------------------------------------------------------


@pytest.fixture
def broker_port(tmp_path: Path, free_port: int) -> Iterator[int]:
    """Mosquitto with the shipped configuration; only port and file places differ."""
    passwords = tmp_path / "passwords"
    passwords.touch(mode=0o600)
    for user in ("nightrake", "pager"):
        assert run("mosquitto_passwd", "-b", str(passwords), user, f"{user}-pw").returncode == 0
    rules = tmp_path / "acl"
    rules.write_text((DEPLOY / "mosquitto" / "nightrake.acl").read_text(encoding="utf-8"))
    text = (DEPLOY / "mosquitto" / "nightrake.conf").read_text(encoding="utf-8")
    for shipped, here in (
        ("listener 1883 127.0.0.1", f"listener {free_port} 127.0.0.1"),
        ("/etc/mosquitto/nightrake.passwd", str(passwords)),
        ("/etc/mosquitto/nightrake.acl", str(rules)),
        ("persistence true", f"persistence true\npersistence_location {tmp_path}/\nuser root"),
    ):
        assert shipped in text
        text = text.replace(shipped, here)
    config = tmp_path / "mosquitto.conf"
    config.write_text(text)
    broker = subprocess.Popen(["mosquitto", "-c", str(config)], stderr=subprocess.PIPE, text=True)
    try:
        wait_until(lambda: told(free_port, "nightrake", "nightrake/fennmark/service", "probe"))
        yield free_port
    finally:
        broker.terminate()
        broker.communicate(timeout=10)


def wait_until(ready: Callable[[], bool], within_s: float = 10.0) -> None:
    """Look again until it is so."""
    deadline = time.monotonic() + within_s
    while not ready():
        assert time.monotonic() < deadline, "the broker did not start with the shipped configuration"
        time.sleep(0.05)


def client(program: str, port: int, user: str, *more: str) -> subprocess.CompletedProcess[str]:
    """Run one of Mosquitto's clients as a user."""
    who = ("-u", user, "-P", f"{user}-pw")
    return run(program, "-h", "127.0.0.1", "-p", str(port), "-V", "5", *who, "-q", "1", *more)


def told(port: int, user: str, topic: str, text: str) -> bool:
    """Publish a retained message; whether the broker allowed it."""
    return client("mosquitto_pub", port, user, "-r", "-t", topic, "-m", text).returncode == 0


def retained(port: int, user: str, topic: str) -> str:
    """The retained message that a user gets to see within a second."""
    return client("mosquitto_sub", port, user, "-t", topic, "-C", "1", "-W", "1").stdout.strip()


def test_shipped_broker_configuration_lets_the_watch_tell_and_receivers_only_read(broker_port: int) -> None:
    """The watch writes its site's topics; a receiver reads them and changes nothing; a stranger gets nothing."""
    topic = "nightrake/fennmark/drive/PC1"

    assert told(broker_port, "nightrake", topic, "from the watch")
    told(broker_port, "pager", topic, "forged")
    assert retained(broker_port, "pager", topic) == "from the watch"
    anonymous = run("mosquitto_sub", "-h", "127.0.0.1", "-p", str(broker_port), "-t", "#", "-C", "1", "-W", "1")
    assert anonymous.returncode != 0
    assert anonymous.stdout == ""


# --- the other files --------------------------------------------------------------------------------------------------


def test_store_defaults_start_a_store(tmp_path: Path, free_port: int) -> None:
    """VictoriaMetrics takes the shipped flags (retention, duplicates) as they stand."""
    text = (DEPLOY / "victoria-metrics.default").read_text(encoding="utf-8")
    found = re.search(r'^ARGS="(.*)"$', text, re.MULTILINE)
    assert found
    flags = found.group(1).replace("127.0.0.1:8428", f"127.0.0.1:{free_port}")
    flags = flags.replace("/var/lib/victoria-metrics", str(tmp_path))
    assert "-dedup.minScrapeInterval=1ms" in flags.split()
    assert any(f.startswith("-retentionPeriod=") for f in flags.split())

    store = subprocess.Popen(["victoria-metrics", *flags.split()], stderr=subprocess.PIPE, text=True)
    try:
        assert store.stderr is not None
        for line in store.stderr:
            if "started VictoriaMetrics" in line or "fatal" in line or "flag provided but not defined" in line:
                break
        assert "started VictoriaMetrics" in line, line
    finally:
        store.terminate()
        store.communicate(timeout=15)
