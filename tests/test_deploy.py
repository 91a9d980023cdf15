"""The deployment files do what their comments say, tried with the programs that read them."""

from __future__ import annotations

import configparser
import re
import subprocess
import sys
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


LOADS = {
    "watch": "import nightrake.app",
    "page": "import nightrake.workers.page, argon2; argon2.PasswordHasher(1, 8, 1).hash('a word')",
    "reading for the page": "import nightrake.workers.pagereader, numpy; numpy.ones((9, 9)) @ numpy.ones((9, 9))",
}


@pytest.mark.parametrize("process", LOADS)
def test_it_loads_under_the_units_memory_wall(process: str) -> None:
    """Everything that a process imports works where memory may not become executable (MemoryDenyWriteExecute)."""
    # The kernel's own form of that wall, from 6.3 on; an older one says EINVAL and the import alone is tried.
    wall = "import ctypes; ctypes.CDLL(None).prctl(65, 1, 0, 0, 0)"  # PR_SET_MDWE, PR_MDWE_REFUSE_EXEC_GAIN

    done = run(sys.executable, "-c", f"{wall}; {LOADS[process]}")

    assert done.returncode == 0, done.stderr


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
