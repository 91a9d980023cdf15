"""Proving a drive of the simulated plant through the running watch, killed in the middle and taken up again."""

from __future__ import annotations

import fcntl
import json
import os
import select
import shutil
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from integration.site import until
from integration.talk import TALKS, Talk
from nightrake.control.client import ControlClient
from nightrake.domain.calibration import torque_of
from nightrake.domain.site import Direction
from nightrake.errors import ControlError
from nightrake.settings import load

CONFIG = Path(__file__).parents[2] / "config"
SCANS = ("--set", "plc.PLCA.scan.contacts_s=0.05", "--set", "plc.PLCA.scan.values_s=0.05")
ANSWERS = ("isolated", "FM-0101", "F. Example", "", "21", "torque cell TC-3", "0.3", "1", "", "yes")
CHANGE_NM = {1: (32_080, 40_080), -1: (31_280, 39_280)}
"""Where PC1's contacts operate as the torque rises, and release as it falls: its friction is 80 N.m either way."""
LEVELS_NM = (10_000, 16_000, 22_000, 28_000, 34_000, 43_000)


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
        until(self.reads, "the watch to read PC1", 20.0)

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


def pull(works: Works, from_nm: int, torque_nm: int) -> None:
    """Move the known torque; where a contact may change, by a tenth of a millimetre once the watch has read the last.

    However slow the machine is, no contact changes unseen between two positions far from each other.
    """
    way = 1 if torque_nm > from_nm else -1
    for contact_nm in CHANGE_NM[way][::way]:
        if way * from_nm < way * contact_nm < way * torque_nm:
            for tenth in range(-4, 5):
                assert works.command(f"pull PC1 {contact_nm + way * tenth * 160}") == "ok"
                for _ in range(2):  # one reading may have been on its way
                    wait_for_a_reading(works)
    assert works.command(f"pull PC1 {torque_nm}") == "ok"


def wait_for_a_reading(works: Works) -> None:
    """The next one of the position."""
    last_ns = works.live()["position_mono_ns"]
    until(lambda: works.live()["position_mono_ns"] > last_ns, "another reading")


@pytest.mark.timeout(120)
def test_proving_killed_and_taken_up_gives_a_record_within_its_own_uncertainty(works: Works) -> None:
    """Points and contact edges of before the kill count; the record's torques and contacts hold the plant's truth.

    The plant's truth: 8000 N.m preload, 1600 N.m a millimetre, friction 80 N.m either way; contacts at 15.00 and
    20.00 mm, shutdown B at 20.02 mm.
    """
    talk = works.prove()
    talk.say(*ANSWERS)
    talk.hear("in test for 60 minutes: shown to all")
    rise, fall = LEVELS_NM, (42_000, *LEVELS_NM[-2::-1])
    for number, (before_nm, torque_nm) in enumerate(pairwise((9_000, *rise)), 1):
        pull(works, before_nm, torque_nm)
        talk.say(f"{torque_nm / 1000} kN*m")
        talk.hear(f"  point {number}:")
    assert works.live()["in_test_s"] > 0
    assert talk.end(signal.SIGKILL) == -signal.SIGKILL
    assert works.live()["in_test_s"] > 0, "the function check has a limit of its own; a killed dialogue does not end it"

    talk = works.prove()
    talk.say("isolated")
    talk.hear(f"Taken up again: {len(rise)} points, 3 contact edges")
    for number, (before_nm, torque_nm) in enumerate(pairwise((rise[-1], *fall)), len(rise) + 1):
        pull(works, before_nm, torque_nm)
        talk.say(f"{torque_nm / 1000} kN*m")
        talk.hear(f"  point {number}:")
    talk.say("finish")
    talk.hear("Record PC1-forward-")
    code = talk.end()

    assert code == 0, "\n".join(talk.heard)
    assert sum("PASS" in line for line in talk.heard) == 3
    assert works.live()["in_test_s"] == 0
    assert [r for r in works.journal("raised") if "shutdown_contact" in r["data"]["alarm"]] == [], (
        "proving latches nothing"
    )
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
    talk.hear("in test for 60 minutes: shown to all")
    assert works.command("pull PC1 30000 60") == "ok"
    talk.say("12 kN*m")
    time.sleep(0.5)
    talk.say("12 lbf")
    talk.hear("not taken: something was typed")
    talk.hear("! the torque is '12 lbf', a force and not a torque")
    talk.say("surprise", "drop", "drop \u00b2", "adjusted", "pause")
    talk.hear("'surprise' is no command")
    talk.hear("there is no point to drop")
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


def begun(works: Works) -> Talk:
    """A dialogue at its first point."""
    talk = works.prove()
    talk.say(*ANSWERS)
    talk.hear("in test for 60 minutes: shown to all")
    talk.hear("abandon       give it up")
    return talk


@pytest.mark.timeout(60)
def test_running_motor_takes_no_point_and_its_edges_do_not_count(works: Works) -> None:
    """Told when it starts; a contact that changes meanwhile is written down as that; on taking up it is told again."""
    talk = begun(works)
    assert works.command("release PC1") == "ok"
    assert works.command("start PC1") == "ok"
    talk.hear("! THE MOTOR RUNS")
    talk.say("12 kN*m")
    talk.hear("! not taken: the motor runs")
    assert works.command("wire PC1 0 cut") == "ok"
    talk.hear("while the motor ran: it does not count")
    assert works.command("starter PC1 jumpered") == "ok"
    assert works.command("wire PC1 1 cut") == "ok"
    talk.hear("! THE MOTOR RUNS ON")
    talk.hear("! the watch has latched a shutdown")
    talk.say("show")
    talk.hear("alarm A: has not operated yet")
    assert talk.end() == 0

    talk = works.prove()
    talk.say("isolated", "12 kN*m")
    talk.hear("! THE MOTOR RUNS")
    talk.hear("Taken up again: 0 points")
    talk.hear("! not taken: the motor runs")
    assert talk.end() == 0
    assert not any("RUNS ON" in line or "latched" in line for line in talk.heard), "that was before"


@pytest.mark.timeout(60)
def test_test_that_has_ended_takes_no_point(works: Works) -> None:
    """Somebody else ends it: told at once, no point until it is begun anew."""
    talk = begun(works)
    with ControlClient(works.socket) as client:
        client.ask("command", what="test_end", drive="PC1")
    talk.hear("! the drive is NOT IN TEST any more")
    talk.say("9 kN*m")
    talk.hear("! not taken: the drive is NOT IN TEST")
    assert works.live()["in_test_s"] == 0, "a torque typed without looking does not begin it"
    talk.say("test", "9 kN*m")
    talk.hear("PC1: in test for 60 minutes")
    talk.hear("  point 1:")
    assert talk.end() == 0


@pytest.mark.timeout(60)
def test_torque_that_can_hardly_be_true_is_asked_twice(works: Works) -> None:
    """Far above the gear unit's rating; or more torque, and the arm where it was."""
    talk = begun(works)
    talk.say("120 kN*m")
    talk.hear("! 120.0 kN.m is 2.4 times the highest of shutdown torque and gear rating (50.0")
    talk.say("no")
    talk.hear("! not taken")
    talk.say("9 kN*m")
    talk.hear("  point 1: 9.000 kN.m")
    talk.say("22 kN*m")
    talk.hear("! the arm has moved 0.0")
    talk.say("show")
    talk.hear("! not taken")
    talk.hear("  point 1: 9.000 kN.m")
    talk.say("22 kN*m")
    talk.hear("! the arm has moved 0.0")
    talk.say("yes")
    talk.hear("  point 2: 22.000 kN.m")
    assert talk.end() == 0


@pytest.mark.timeout(60)
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_program_that_has_to_end_ends_the_test(works: Works, number: signal.Signals) -> None:
    """A closed terminal or a stop of the machine: nobody is left beside a drive in test, and nothing is lost."""
    talk = begun(works)
    talk.say("9 kN*m")
    talk.hear("  point 1:")
    talk.say("head due_on 2031-01-31")
    talk.hear("  due_on: 2031-01-31")

    assert talk.end(number) == 0

    assert works.live()["in_test_s"] == 0
    talk = works.prove()
    talk.say("isolated", "show")
    talk.hear("Taken up again: 1 points")
    talk.hear("  due_on: 2031-01-31")
    talk.hear("  point 1:")
    talk.say("abandon PC1")
    assert talk.end() == 1


@pytest.mark.timeout(60)
def test_head_is_corrected_and_survives_a_kill(works: Works) -> None:
    """By key, with the sentence that the record would be refused with; what was entered as torque stays torque."""
    talk = begun(works)
    talk.say("9 kN*m")
    talk.hear("  point 1:")
    talk.say("head due_on 2020-01-01", "head radius_m 13", "head method 2", "10 kN*m")
    talk.hear("! due_on is 2020-01-01, not after the day it was made")
    talk.hear("! radius_m belongs to the method 'rakes tied off'")
    talk.hear("! method_uncertainty_pct is missing")
    talk.hear("! not taken: method_uncertainty_pct is missing")
    talk.say("head method_uncertainty_pct 0")
    talk.hear("  method_uncertainty_pct: 0.0")
    talk.say("head radius_m 13")
    talk.hear("! the points so far were entered as a torque; drop them first")
    assert talk.end(signal.SIGKILL) == -signal.SIGKILL

    talk = works.prove()
    talk.say("isolated")
    talk.hear("  method: rakes tied off")
    talk.hear("  method_uncertainty_pct: 0.0")
    assert talk.end() == 0


def read_until(terminal: int, words: bytes) -> bytes:
    """What comes out of a terminal up to these words."""
    seen, end = b"", time.monotonic() + 20.0
    while words not in seen:
        assert time.monotonic() < end, seen.decode()
        if select.select([terminal], [], [], 0.2)[0]:
            seen += os.read(terminal, 65536)
    return seen


@pytest.mark.timeout(60)
def test_terminal_shows_motor_and_test_first_and_its_end_ends_the_test(works: Works) -> None:
    """A terminal of sixty columns: nothing of the status is cut, what was asked stays; closed, the test is over."""
    ours, theirs = os.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 60, 0, 0))
    command = [sys.executable, "-m", "nightrake.cli", "prove", "PC1", "--config", str(works.config), *works.settings]
    process = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True)
    try:
        os.close(theirs)
        seen = read_until(ours, b"> ")
        os.write(ours, "".join(f"{a}\r" for a in ANSWERS).encode())
        seen += read_until(ours, b"shutdown B off")
        assert works.live()["in_test_s"] > 0
        os.close(ours)
        code = process.wait(15.0)
    finally:
        process.kill()
        process.wait()

    text = seen.decode().replace("\r\n", "\n")
    assert "\rmotor off, in test 60 min, " in text.replace("\x1b[J", "")
    for part in ("alarm A off", "shutdown A off", "shutdown B off", "Where [in place]\n"):
        assert part in text
    assert "~" not in text
    assert code == 0
    assert works.live()["in_test_s"] == 0
