"""Proving a drive of the simulated plant through the running watch, killed in the middle and taken up again."""

from __future__ import annotations

import contextlib
import json
import os
import select
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from integration.site import until
from nightrake.control.client import ControlClient
from nightrake.domain.calibration import torque_of
from nightrake.domain.site import Direction
from nightrake.errors import ControlError
from nightrake.settings import load

CONFIG = Path(__file__).parents[2] / "config"
SCANS = ("--set", "plc.PLCA.scan.contacts_s=0.05", "--set", "plc.PLCA.scan.values_s=0.05")
ANSWERS = ("isolated", "FM-0101", "F. Example", "", "21", "torque cell TC-3", "0.3", "1", "")
LEVELS_NM = (10_000, 16_000, 22_000, 28_000, 34_000, 43_000)


TALKS: list[Talk] = []
"""All that a test has started; what it has not ended itself is killed after it."""


class Talk:
    """A command of ours with a pipe to it: lines in, lines out."""

    def __init__(self, *arguments: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "nightrake.cli", *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        TALKS.append(self)
        self._got = b""
        self.heard: list[str] = []

    def say(self, *lines: str) -> None:
        """Type lines."""
        assert self._process.stdin is not None
        self._process.stdin.write("".join(f"{line}\n" for line in lines).encode())
        self._process.stdin.flush()

    def hear(self, words: str, within_s: float = 15.0) -> str:
        """The next line that holds these words."""
        assert self._process.stdout is not None
        end = time.monotonic() + within_s
        while time.monotonic() < end:
            line, newline, rest = self._got.partition(b"\n")
            if newline:
                self._got = rest
                self.heard.append(line.decode())
                if words in self.heard[-1]:
                    return self.heard[-1]
            elif select.select([self._process.stdout], [], [], 0.2)[0]:
                got = os.read(self._process.stdout.fileno(), 4096)
                if not got:
                    break
                self._got += got
        pytest.fail(f"never said '{words}':\n" + "\n".join(self.heard))

    def end(self, number: int = 0) -> int:
        """Send a signal, close its input, and give its exit code."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        if self in TALKS:
            TALKS.remove(self)
        if number:
            self._process.send_signal(number)
        with contextlib.suppress(BrokenPipeError):
            self._process.stdin.close()
        code = self._process.wait(10.0)
        self.heard += (self._got + self._process.stdout.read()).decode().splitlines()
        self._process.stdout.close()
        return code


class Works:
    """Fennmark running: plant and watch."""

    def __init__(self, folder: Path) -> None:
        self.config = folder / "config"
        shutil.copytree(CONFIG, self.config)
        self.socket = folder / "control"
        self.plant = Talk("simulate", "--ports", "0", "--commands")
        ports = json.loads(self.plant.hear("ready"))["ports"]
        places = [a for plc, port in ports.items() for a in ("--set", f"plc.{plc}.port={port}")]
        store = ("--set", f"store.dir={folder / 'store'}", "--set", f"control.socket={self.socket}")
        self.settings = (*places, *store, *SCANS, "--set", "forward.enabled=false")
        self.watch = Talk("watch", str(self.config), *self.settings)
        until(self.reads, "the watch to read PC1")

    def reads(self) -> bool:
        """Whether the watch has read the drive."""
        try:
            return bool(self.live()["position_mono_ns"])
        except ControlError:
            return False

    def live(self) -> Any:
        """PC1 as the watch reads it."""
        with ControlClient(self.socket) as client:
            return client.ask("live", drive="PC1")

    def command(self, line: str) -> str:
        """One command to the plant, and what it answers."""
        self.plant.say(line)
        return self.plant.hear("")

    def prove(self) -> Talk:
        """Start the dialogue."""
        return Talk("prove", "PC1", "--still-s", "0.8", "--config", str(self.config), *self.settings)

    def journal(self, event: str) -> list[Any]:
        """Rows of one kind of event."""
        with ControlClient(self.socket) as client:
            return [r for r in client.ask("journal", limit=500) if r["event"] == event]

    def end(self) -> None:
        """End both."""
        self.watch.end(signal.SIGTERM)
        self.plant.end(signal.SIGTERM)


@pytest.fixture
def works(tmp_path: Path) -> Iterator[Works]:
    """Fennmark with PC1 stopped and held."""
    try:
        made = Works(tmp_path)
        assert made.command("stop PC1") == "ok"
        assert made.command("pull PC1 9000") == "ok"
        yield made
        made.end()
    finally:
        for talk in tuple(TALKS):
            talk.end(signal.SIGKILL)


def pull(works: Works, torque_nm: int) -> None:
    """Move the known torque, slowly enough for contacts to be placed, and wait until it is there."""
    seconds = 1.5
    assert works.command(f"pull PC1 {torque_nm} {seconds}") == "ok"
    until(lambda: f"'torque_nm': {float(torque_nm)}" in works.command("truth PC1"), "the torque", 5.0)


@pytest.mark.timeout(120)
def test_proving_killed_and_taken_up_gives_a_record_within_its_own_uncertainty(works: Works) -> None:
    """Points and contact edges of before the kill count; the record's torques and contacts hold the plant's truth.

    The plant's truth: 8000 N.m preload, 1600 N.m a millimetre, friction 80 N.m either way; contacts at 15.00 and
    20.00 mm, shutdown B at 20.02 mm.
    """
    talk = works.prove()
    talk.say(*ANSWERS)
    talk.hear("in test: shown to all")
    rise, fall = LEVELS_NM, (42_000, *LEVELS_NM[-2::-1])
    for number, torque_nm in enumerate(rise, 1):
        pull(works, torque_nm)
        talk.say(f"{torque_nm / 1000} kN*m")
        talk.hear(f"  point {number}:")
    assert works.live()["in_test_s"] > 0
    assert talk.end(signal.SIGKILL) == -signal.SIGKILL
    assert works.live()["in_test_s"] > 0, "the function check has a limit of its own; a killed dialogue does not end it"

    talk = works.prove()
    talk.say("isolated")
    talk.hear(f"Taken up again: {len(rise)} points, 3 contact edges")
    for number, torque_nm in enumerate(fall, len(rise) + 1):
        pull(works, torque_nm)
        talk.say(f"{torque_nm / 1000} kN*m")
        talk.hear(f"  point {number}:")
    talk.say("finish")
    talk.hear("Record PC1-forward-")
    code = talk.end()

    assert code == 0, "\n".join(talk.heard)
    assert sum("PASS" in line for line in talk.heard) == 3
    assert works.live()["in_test_s"] == 0
    assert works.journal("shutdown_latched") == [], "proving latches nothing"
    check_record(works.config)


def check_record(config: Path) -> None:
    """The record in force is the new one, and holds what the plant really is."""
    settings = load(config)
    curve = settings.site.drives["PC1"].calibrations[Direction.FORWARD]
    assert not curve.ref.endswith("2026-03-14")
    convert = torque_of(curve)
    for position_mm in (3.0, 8.0, 15.0, 20.0):
        reading = convert(position_mm)
        assert reading.value is not None
        assert reading.uncertainty is not None
        truth_nm = 8_000.0 + 1_600.0 * position_mm
        assert abs(reading.value - truth_nm) <= reading.uncertainty
        assert reading.uncertainty < 0.02 * 40_000.0
    record = next(r for r in settings.records if r.curve.ref == curve.ref)
    places = {(str(p.stage), str(p.channel)): p for p in record.contact_points}
    for which, truth_mm in ((("alarm", "A"), 15.0), (("shutdown", "A"), 20.0), (("shutdown", "B"), 20.02)):
        assert places[which].operating_mm == pytest.approx(truth_mm, abs=0.15)
        assert places[which].release_mm == pytest.approx(truth_mm - 0.4, abs=0.15)


@pytest.mark.timeout(60)
def test_moving_arm_is_refused_and_pausing_loses_nothing(works: Works) -> None:
    """A torque that still rises is no point; the session is left and taken up; a wrong word is answered."""
    talk = works.prove()
    talk.say(*ANSWERS)
    talk.hear("in test: shown to all")
    assert works.command("pull PC1 30000 60") == "ok"
    talk.say("12 kN*m")
    time.sleep(0.5)
    talk.say("12 lbf")
    talk.hear("not taken: something was typed")
    talk.say("surprise", "drop", "adjusted", "pause")
    talk.hear("'surprise' is no command")
    talk.hear("there is no point to drop")
    talk.hear("'as left'")
    talk.hear("Left unfinished")
    assert talk.end() == 0
    assert works.live()["in_test_s"] == 0

    talk = works.prove()
    talk.say("isolated")
    talk.hear("Taken up again: 0 points")
    talk.say("finish", "abandon PC1")
    talk.hear("!")
    talk.hear("Given up")
    assert talk.end() == 1
    assert list((works.config / "calibration").glob("*.proving.abandoned"))
    assert len(list((works.config / "calibration").glob("PC1*.toml"))) == 1
