"""A point of a live drive, with a watch played by a socket of ours: what is asked before it is taken, what is told."""

from __future__ import annotations

import datetime
import io
import json
import os
import socket
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from nightrake.cli.lines import Lines
from nightrake.cli.prove import Dialogue, take_up
from nightrake.cli.prove_checks import Plausible, plausible
from nightrake.cli.prove_file import SessionFile
from nightrake.cli.prove_followed import Followed
from nightrake.cli.prove_keys import Head
from nightrake.cli.prove_live import LiveDrive
from nightrake.cli.prove_run import applied
from nightrake.cli.prove_taking import Taking
from nightrake.commissioning.proving import About, begun, noted
from nightrake.commissioning.stillness import Still
from nightrake.control.client import ControlClient
from nightrake.errors import CalibrationError
from nightrake.settings import load
from unit.commissioning.examples import CONFIG


class PlayedWatch:
    """Answers `live` with a view that a test changes, and every command with yes, or with nothing."""

    def __init__(self, path: Path) -> None:
        self.view: dict[str, Any] = {
            "running": None,
            "in_test_s": 3600.0,
            "position_mm": {"value": 2.5, "reason": ""},
            "torque_nm": {"value": 12_000.0, "kind": "measured"},
            "contacts": [],
            "seq": 7,
        }
        self.journal: list[dict[str, Any]] = []
        self.rows: list[dict[str, Any]] = []
        self.is_mute = False
        self.commands: list[str] = []
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(path))
        self._listener.listen()
        self._threads = [threading.Thread(target=self._serve)]
        self._threads[0].start()

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self._threads.append(threading.Thread(target=self._talk, args=(connection,)))
            self._threads[-1].start()

    def _talk(self, connection: socket.socket) -> None:
        with connection, connection.makefile("rwb") as lines:
            for line in lines:
                asked = json.loads(line)
                if asked["verb"] == "command":
                    self.commands.append(asked["args"]["what"])
                    if self.is_mute:
                        continue
                lines.write(json.dumps({"ok": True, "result": self._result(asked)}).encode() + b"\n")
                lines.flush()

    def _result(self, asked: dict[str, Any]) -> Any:
        if asked["verb"] == "command":
            return {"ok": True, "text": "yes"}
        if asked["verb"] == "journal":
            rows, self.journal = self.journal, []
            return rows
        now_ns = time.monotonic_ns()
        rows, self.rows = self.rows, []
        return {**self.view, "mono_ns": now_ns, "position_mono_ns": now_ns, "utc_ms": 1, "rows": rows}

    def end(self) -> None:
        """Stop listening; whoever is connected has to have hung up."""
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for thread in self._threads:
            thread.join(5.0)


class Scene:
    """One drive, followed, with somebody typing."""

    def __init__(self, folder: Path, stack: ExitStack, monkeypatch: pytest.MonkeyPatch) -> None:
        (folder / "calibration").mkdir()
        self.watch = PlayedWatch(folder / "control")
        stack.callback(self.watch.end)
        theirs, self._ours = os.pipe()
        monkeypatch.setattr(sys, "stdin", stack.enter_context(os.fdopen(theirs)))
        stack.callback(os.close, self._ours)
        lines = stack.enter_context(Lines())
        client = stack.enter_context(ControlClient(folder / "control"))
        self.file = stack.enter_context(SessionFile(folder / "calibration" / "PC1-forward.proving"))
        self.file.append(begun(About("PC1", "forward", "FM-0101", "F"), 0))
        self.live = LiveDrive(client, "PC1", "forward", 0, folder / "control")
        self.live.poll("as found")
        self.drive = Followed(lines, self.live, self.file)
        self.taking = Taking(lines, self.drive, applied, Plausible("forward"), Still(0.05, 0.5))

    def type(self, *lines: str) -> None:
        """Type lines."""
        os.write(self._ours, "".join(f"{line}\n" for line in lines).encode())


@pytest.fixture
def scene(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Scene]:
    """A drive in test whose run feedback cannot be read."""
    with ExitStack() as stack:
        yield Scene(tmp_path, stack, monkeypatch)


def test_motor_that_cannot_be_read_is_asked_for_once(scene: Scene, capsys: pytest.CaptureFixture[str]) -> None:
    """A person has to say that it stands still; then points are taken until it can be read again."""
    scene.type("yes")
    scene.taking.take("12 kN*m")
    scene.taking.take("12 kN*m")
    assert capsys.readouterr().out.count("whether the motor runs cannot be read") == 1

    scene.watch.view["running"] = False
    scene.taking.take("12 kN*m")
    scene.watch.view["running"] = None
    scene.drive.poll()
    scene.type("no")
    with pytest.raises(CalibrationError, match=r"^not taken$"):
        scene.taking.take("12 kN*m")

    assert capsys.readouterr().out.count("whether the motor runs cannot be read") == 1
    assert [p.number for p in scene.file.session.points] == [1, 2, 3]


def test_motor_that_starts_while_the_arm_is_waited_for_ends_the_wait(scene: Scene) -> None:
    """The arm never stands still meanwhile."""
    scene.watch.view |= {"running": False, "position_mm": {"value": 2.5, "reason": ""}}
    scene.drive.poll()
    scene.watch.view["running"] = True

    with pytest.raises(CalibrationError, match="not taken: the motor runs"):
        scene.taking.take("12 kN*m")

    assert scene.file.session.points == ()


def test_line_typed_while_the_arm_is_waited_for_is_obeyed_next(scene: Scene) -> None:
    """The point is left, the line is not lost."""
    scene.watch.view["running"] = False
    scene.drive.poll()
    scene.type("show")

    with pytest.raises(CalibrationError, match="something was typed"):
        scene.taking.take("12 kN*m")

    assert scene.drive.lines.read(1.0, "") == "show"


def trip() -> list[dict[str, Any]]:
    """What the watch journals of a motor that runs on, at ten o'clock."""
    where = {"drive": "PC1", "direction": "forward", "utc_ms": 1_795_687_200_000}
    return [
        {"seq": 10, "event": "still_running", "data": {}, **where},
        {"seq": 11, "event": "raised", "data": {"alarm": "PC1/forward/shutdown_contact"}, **where},
        {"seq": 12, "event": "raised", "data": {"alarm": "PC1/forward/shutdown_without_alarm"}, **where},
    ]


def test_trip_from_before_the_session_is_not_told_as_if_now(scene: Scene, capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever begins, or takes a session up, has nothing of old trips to see to."""
    scene.watch.view["running"] = True
    scene.watch.rows = trip()
    scene.live.poll("as found")
    scene.live.skip_to_head()
    scene.drive.poll()
    scene.watch.rows, scene.watch.journal = trip(), trip()
    scene.live.poll("as found")
    take_up(scene.file, scene.live)
    scene.drive.poll()

    assert "RUNS ON" not in capsys.readouterr().out
    assert scene.live.news() == []


def test_motor_that_was_stopped_meanwhile_is_not_to_be_stopped(scene: Scene) -> None:
    """It ran on while nobody looked and is off now: only the latch is news."""
    scene.watch.view["running"] = False
    scene.watch.rows = trip()
    scene.live.poll("as found")

    (told,) = scene.live.news()
    assert told.startswith("the watch has latched a shutdown")


class Answering(io.StringIO):
    """A screen, and somebody before it who answers a question once it stands there."""

    def __init__(self, scene: Scene, question: str, answer: str) -> None:
        super().__init__()
        self._scene, self._question, self._answer = scene, question, answer

    def write(self, text: str) -> int:
        """Print."""
        if self._question in text:
            self._scene.type(self._answer)
        return super().write(text)


def test_point_off_the_record_in_force_is_asked_for(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """12 kN.m are said where the arm means 32; from the first point on."""
    scene.watch.view |= {"running": False, "position_mm": {"value": 15.0, "reason": ""}}
    settings = load(CONFIG)
    known = plausible(settings.site.drives["PC1"], "forward", None, 5.0)
    taking = Taking(scene.drive.lines, scene.drive, applied, known, Still(0.05, 0.5))
    scene.drive.poll()
    screen = Answering(scene, "Type 'yes' to go on", "no")
    monkeypatch.setattr(sys, "stdout", screen)
    with pytest.raises(CalibrationError, match=r"^not taken$"):
        taking.take("12 kN*m")
    taking.take("32 kN*m")

    said = " ".join(screen.getvalue().split())
    assert said.count("! by the record in force, PC1-forward-2026-03-14, the arm at 15.00 mm means 32.") == 1
    assert [p.torque_nm for p in scene.file.session.points] == [32_000.0]
    assert "waiting" not in scene.drive.lines.status


def test_session_that_cannot_be_put_away_goes_on(scene: Scene, capsys: pytest.CaptureFixture[str]) -> None:
    """Its folder is gone: one sentence, the test is not ended, and the session may be left as it is."""
    scene.watch.view["running"] = False
    scene.drive.poll()
    folder = scene.file.path.parent
    folder.rename(folder.with_name("elsewhere"))
    settings = load(CONFIG)
    drive = settings.site.drives["PC1"]
    head = Head(drive, "forward", datetime.date(2026, 11, 26), [drive])
    dialogue = Dialogue(scene.drive.lines, scene.file, scene.drive, scene.taking, lambda _: [], [], head)
    scene.type("abandon PC1", "pause")

    assert dialogue.run() == 0

    said = " ".join(capsys.readouterr().out.split())
    assert "cannot be put away as PC1-forward.proving.abandoned (No such file or directory); it is kept" in said
    assert scene.watch.commands == ["test_end"], "of the pause"


def test_session_that_is_removed_from_under_us_is_written_anew(scene: Scene) -> None:
    """Nothing is lost, as is said."""
    before = scene.file.path.read_text()
    scene.file.path.unlink()
    scene.file.append(noted("after"))

    assert scene.file.path.read_text().startswith(before)
    assert scene.file.path.read_text().count("\n") == before.count("\n") + 1


def test_motor_that_runs_on_is_told(scene: Scene, capsys: pytest.CaptureFixture[str]) -> None:
    """What the watch journals of it is repeated beside the drive; its edges do not count."""
    scene.watch.view |= {"running": True, "contacts": [{"contact": "PC1/forward/shutdown/A", "period_ms": 50.0}]}
    scene.drive.poll()
    edge = {
        "seq": 9, "event": "contact_edge", "direction": "forward", "mono_ns": time.monotonic_ns(), "utc_ms": 1,
        "data": {"contact": "PC1/forward/shutdown/A", "operated": True},
    }  # fmt: skip
    scene.watch.rows = [edge, *trip()]
    for _ in range(3):
        scene.drive.poll()

    said = " ".join(capsys.readouterr().out.split())
    assert "! THE MOTOR RUNS ON although the shutdown contact has operated; stop it at its starter (10:00:00" in said
    assert "! the watch has latched a shutdown of this drive, and tells people of it (10:00:00 UTC)" in said
    assert "shutdown A operated at 2.500 mm while the motor ran: it does not count" in said
    assert scene.file.session.edges_of("shutdown", "A", operated=True, state="as found") == ()


def test_watch_that_hangs_does_not_hold_up_the_end(scene: Scene, capsys: pytest.CaptureFixture[str]) -> None:
    """A last word to it within seconds; then it is said that the drive may still be in test."""
    scene.watch.is_mute = True

    scene.drive.end_test_at_once()

    assert "! the drive may still be in test" in capsys.readouterr().out
    assert scene.watch.commands == ["test_end"]
