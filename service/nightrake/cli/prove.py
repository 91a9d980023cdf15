"""`nightrake prove`: the guided proving of one drive, live through the running watch."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from nightrake.cli.lines import END, STOP, Lines
from nightrake.cli.prove_file import SessionFile
from nightrake.cli.prove_followed import POLL_S, Followed
from nightrake.cli.prove_head import summary
from nightrake.cli.prove_keys import Head
from nightrake.cli.prove_live import LiveDrive
from nightrake.cli.prove_taking import Taking
from nightrake.cli.prove_text import edge_text, point_text
from nightrake.commissioning.points import FALLING, RISING
from nightrake.commissioning.proving import (
    AS_LEFT,
    About,
    Session,
    contacts_adjusted,
    edge_seen,
    head_corrected,
    noted,
    point_dropped,
    resumed,
)
from nightrake.errors import CalibrationError, NightrakeError

TEST_S = 3600.0
PROLONG_BELOW_S = 1800.0
"""A command typed with less than this left prolongs the function check: somebody is there."""

HELP = """commands:
  TORQUE        such as 12 kN*m (or the pull, such as 2.4 kN, where the method
                measures a force): applied now; taken as a point when the arm
                stands still
  rising TORQUE, falling TORQUE
                the same, where the order of torques does not tell the branch:
                go beyond the highest torque and come back to it, so that both
                branches reach as far
  adjusted      the contacts have been moved: what follows is 'as left'
  drop [N]      the last point, or number N, is not to count
  show          points and contacts so far
  note TEXT     a remark for the record
  head          the head of the record as it stands
  head KEY VALUE
                corrects it, such as: head due_on 2030-01-31
  test          begins the function check anew, where it has ended
  pause         leave it unfinished; the same command takes it up again
  finish        fit, judge, write the record and the certificate
  abandon       give it up; the session's file is kept under another name"""


class Dialogue:
    """One proving at a terminal or from a pipe.

    Args:
        lines: Where lines come from. file: The session's file, begun. drive: The drive, followed. taking: Takes points.
        finish: Makes record and certificate, says what it did. contacts: (stage, channel) of the proved direction.
        head: What the record's head may say.
    """

    def __init__(
        self,
        lines: Lines,
        file: SessionFile,
        drive: Followed,
        taking: Taking,
        finish: Callable[[Session], list[str]],
        contacts: list[tuple[str, str]],
        head: Head,
    ) -> None:
        self._lines = lines
        self._file = file
        self._drive = drive
        self._taking = taking
        self._finish = finish
        self._contacts = contacts
        self._head = head
        self._say = drive.say
        self._commands: Mapping[str, Callable[[str], int | None]] = {
            "rising": lambda typed: self._point(typed, RISING),
            "falling": lambda typed: self._point(typed, FALLING),
            "help": lambda _: self._say(HELP),
            "show": lambda _: self._show(),
            "adjusted": lambda _: self._adjusted(),
            "drop": self._drop,
            "note": self._note,
            "head": self._correct,
            "test": lambda _: self._say(self._drive.live.begin_test(TEST_S)),
            "pause": lambda _: self._pause(),
            "finish": lambda _: self._finished(),
            "abandon": self._abandon,
        }

    @property
    def _session(self) -> Session:
        return self._file.session

    @property
    def _about(self) -> About:
        about = self._session.about
        assert about is not None
        return about

    def run(self) -> int:
        """Talk until it is finished, paused or given up; exit code 0, or 1 where it ended otherwise."""
        while True:
            self._drive.poll()
            line = self._lines.read(POLL_S, self._drive.status())
            if line is None:
                continue
            if line in (END, STOP):
                return self._pause()
            try:
                code = self._obey(line.strip())
            except NightrakeError as error:
                self._say(f"! {error}")
                continue
            if code is not None:
                return code

    def _obey(self, line: str) -> int | None:
        if not line:
            return None
        if 0.0 < float(self._drive.live.view["in_test_s"]) < PROLONG_BELOW_S:
            self._drive.live.begin_test(TEST_S)
        word, _, rest = line.partition(" ")
        command = self._commands.get(word.lower())
        if command is not None:
            return command(rest.strip())
        if not line[0].isnumeric() and line[0] not in "+-.":
            self._say(f"! '{word[:32]}' is no command; 'help' lists them, a torque is written like 12 kN*m")
        else:
            self._point(line)
        return None

    def _point(self, typed: str, branch: str = "") -> None:
        wrong = self._head.wrongs(self._about)
        if wrong:  # what is applied has a meaning only by a method that is complete
            raise CalibrationError(f"not taken: {wrong[0]} (with: head KEY VALUE)")
        self._taking.take(typed, branch)

    # --- commands -----------------------------------------------------------------------------------------------------

    def _show(self) -> None:
        for point in self._session.points:
            self._say(point_text(point))
        for edge in self._session.edges:
            self._say(edge_text(edge))
        seen = {(e.stage, e.channel) for e in self._session.edges if e.known and e.operated and not e.running}
        for stage, channel in self._contacts:
            if (stage, channel) not in seen:
                self._say(f"  {stage} {channel}: has not operated yet")

    def _adjusted(self) -> None:
        self._file.append(contacts_adjusted())
        self._say(f"What follows is '{AS_LEFT}'. Let each contact operate and release again.")

    def _drop(self, which: str) -> None:
        points = self._session.points
        if not points:
            raise CalibrationError("there is no point to drop")
        number = points[-1].number if not which else int(which) if which.isascii() and which.isdigit() else -1
        if number not in [p.number for p in points]:
            raise CalibrationError(f"there is no point {which[:16]}; 'show' lists them")
        self._file.append(point_dropped(number))
        self._say(f"point {number} does not count any more")

    def _note(self, text: str) -> None:
        if not text:
            raise CalibrationError("a note needs a text")
        self._file.append(noted(text))
        self._say("noted")

    def _correct(self, typed: str) -> None:
        key, _, text = typed.partition(" ")
        if key:
            about = self._about
            changes = self._head.changes(about, key.rstrip(":="), text.strip())
            other = replace(about, **changes)
            if self._session.points and other.applies_force != about.applies_force:
                what = "a pull" if about.applies_force else "a torque"
                raise CalibrationError(f"the points so far were entered as {what}; drop them first")
            self._file.append(head_corrected(changes))
            if self._session.points and other.factor != about.factor:
                self._say("The torques of the points taken so far follow it; 'show' lists them.")
        for line in summary(self._about):
            self._say(line)
        for sentence in self._head.wrongs(self._about):
            self._say(f"! {sentence}")

    def _pause(self) -> int:
        self._drive.end_test()
        self._say(f"Left unfinished, nothing is lost: {self._file.path}. The same command takes it up again.")
        return 0

    def _finished(self) -> int:
        lines = self._finish(self._session)
        self._drive.end_test()
        for line in lines:
            self._say(line)
        return 0

    def _abandon(self, typed: str) -> int | None:
        if typed != self._about.drive:
            self._say(f"! to give up this proving, type: abandon {self._about.drive}")
            return None
        kept = self._file.put_away("abandoned")
        self._drive.end_test()
        self._say(f"Given up; what was taken is kept in {kept}")
        return 1


def take_up(file: SessionFile, live: LiveDrive) -> list[str]:
    """Go on with an unfinished session: what the contacts did meanwhile is written down, without places.

    Returns:
        What to say.
    """
    session = file.session
    edges, head = live.missed(session.seq, session.state)
    live.skip_to_head()  # what was in force before is no news now; that the motor runs is said by itself
    for edge in edges:
        file.append(edge_seen(edge))
    file.append(resumed(head))
    lines = [f"Taken up again: {len(session.points)} points, {len(session.edges)} contact edges so far."]
    if edges:
        lines.append(
            f"! {len(edges)} contact edges came while nobody proved: their places were not seen, so they do not count"
        )
    return lines


def session_path(folder: Path, drive: str, direction: str) -> Path:
    """Where an unfinished proving is kept: beside the records, under a name that is not one."""
    return folder / "calibration" / f"{drive}-{direction}.proving"
