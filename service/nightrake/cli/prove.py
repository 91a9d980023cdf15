"""`nightrake prove`: the guided proving of one drive, live through the running watch."""

from __future__ import annotations

import textwrap
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from nightrake.cli.lines import END, STOP, Lines
from nightrake.cli.prove_file import SessionFile
from nightrake.cli.prove_live import LiveDrive
from nightrake.commissioning.points import FALLING, RISING
from nightrake.commissioning.proving import (
    AS_LEFT,
    About,
    ContactEdge,
    Point,
    Session,
    contacts_adjusted,
    edge_seen,
    noted,
    point_dropped,
    point_taken,
    resumed,
)
from nightrake.commissioning.stillness import STILL, Still, Stillness, stillness
from nightrake.errors import CalibrationError, ControlError, NightrakeError

POLL_S = 0.1
STILL_WAIT_S = 30.0
"""How long a point waits for the arm to stand still."""
TEST_S = 3600.0
PROLONG_BELOW_S = 1800.0
"""A command typed with less than this left prolongs the function check: somebody is there."""
RETRY_S = 30.0
"""How long the dialogue waits for a watch that is being restarted."""

CAUTIONS = (
    "Known torque is applied to a machine that can hold stored energy. Only qualified people: isolate and lock out, "
    "verify zero energy, secure the rakes and the pulling gear, keep clear of the line of pull, release the wind-up "
    "slowly. Follow the manufacturer's instructions and local codes (OSHA 29 CFR 1910.147 in the United States).",
    "While the drive is in test its contacts page nobody and latch nothing here; the hard-wired stop is not touched by "
    "this program, and this program proves nothing about it. A motor that runs on after the shutdown contact is told "
    "all the same.",
)
HELP = """commands:
  TORQUE        such as 12 kN*m (or the pull, such as 2.4 kN, where the method measures a force):
                applied now; taken as a point when the arm stands still
  rising TORQUE, falling TORQUE
                the same, where the order of torques does not tell the branch: go beyond the
                highest torque and come back to it, so that both branches reach as far
  adjusted      the contacts have been moved: what follows is 'as left'
  drop [N]      the last point, or number N, is not to count
  show          points and contacts so far
  note TEXT     a remark for the record
  pause         leave it unfinished; the same command takes it up again
  finish        fit, judge, write the record and the certificate
  abandon       give it up; the session's file is kept under another name"""


class Dialogue:
    """One proving at a terminal or from a pipe.

    Args:
        lines: Where lines come from and go to. live: The drive. file: The session's file, begun.
        applied: Turns what was typed into N.m (or N). finish: Makes record and certificate, says what it did.
        contacts: (stage, channel) of the proved direction. still: What passes as standing still.
    """

    def __init__(
        self,
        lines: Lines,
        live: LiveDrive,
        file: SessionFile,
        applied: Callable[[About, str], float],
        finish: Callable[[Session], list[str]],
        contacts: list[tuple[str, str]],
        still: Still = STILL,
    ) -> None:
        self._lines = lines
        self._live = live
        self._file = file
        self._applied = applied
        self._finish = finish
        self._contacts = contacts
        self._still = still
        self._in_test = True
        self._commands: Mapping[str, Callable[[str], int | None]] = {
            "rising": lambda typed: self._take(typed, RISING),
            "falling": lambda typed: self._take(typed, FALLING),
            "help": lambda _: self._say(HELP),
            "show": lambda _: self._show(),
            "adjusted": lambda _: self._adjusted(),
            "drop": self._drop,
            "note": self._note,
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
            self._poll()
            line = self._lines.read(POLL_S, self._status())
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

    def _say(self, text: str) -> None:
        for paragraph in text.split("\n"):
            self._lines.say("\n".join(textwrap.wrap(paragraph, 79, subsequent_indent="  ")) or "")

    # --- the drive ----------------------------------------------------------------------------------------------------

    def _poll(self) -> None:
        deadline = time.monotonic() + RETRY_S
        while True:
            try:
                edges = self._live.poll(self._session.state)
                break
            except ControlError as error:
                if time.monotonic() > deadline:
                    raise ControlError(f"{error}; nothing is lost, run the same command to go on") from error
                if self._lines.read(0.5, "the watch is away, waiting for it") in (END, STOP):
                    raise ControlError("left while the watch was away; run the same command to go on") from error
                for edge in self._live.connect_again(self._session.state):
                    self._file.append(edge_seen(edge))
                    self._say(edge_text(edge))
        for edge in edges:
            self._file.append(edge_seen(edge))
            self._say(edge_text(edge))
        in_test = float(self._live.view["in_test_s"]) > 0.0
        if self._in_test and not in_test:
            self._say("! the drive is no longer in test: its contacts page and latch again; any command begins it anew")
        self._in_test = in_test

    def _status(self) -> str:
        return status_text(self._live.view, self._about.direction)

    def _obey(self, line: str) -> int | None:
        if not line:
            return None
        if float(self._live.view["in_test_s"]) < PROLONG_BELOW_S:
            self._live.begin_test(TEST_S)
        word, _, rest = line.partition(" ")
        command = self._commands.get(word.lower())
        if command is not None:
            return command(rest.strip())
        if not line[0].isdigit() and line[0] not in "+-.":
            self._say(f"! '{word[:32]}' is no command; 'help' lists them, a torque is written like 12 kN*m")
        else:
            self._take(line)
        return None

    def _take(self, typed: str, branch: str = "") -> None:
        torque_nm = self._about.torque_nm(self._applied(self._about, typed))
        since_ns, until = self._live.now_ns, time.monotonic() + STILL_WAIT_S
        found: Stillness | None = None
        while time.monotonic() < until:
            self._poll()
            reading = self._live.view["position_mm"]
            if reading["reason"]:
                raise CalibrationError(f"not taken: the position is not good ({reading['reason']})")
            found = stillness(list(self._live.samples), self._live.now_ns, still=self._still, since_ns=since_ns)
            if found.still:
                break
            stop = self._lines.read(POLL_S, f"waiting: {found.why}")
            if stop is not None:
                raise CalibrationError("not taken: something was typed before the arm stood still")
        if found is None or not found.still:
            raise CalibrationError(f"not taken: {found.why if found else 'nothing was read'}; enter it again")
        told, run = self._session.branch_of(torque_nm)
        branch = branch or told
        point = Point(
            self._session.taken + 1, torque_nm, round(found.position_mm, 5), branch, run, round(found.spread_mm, 5),
            found.readings, int(self._live.view["utc_ms"]), typed[:64],
        )  # fmt: skip
        self._file.append(point_taken(point))
        self._say(point_text(point))

    # --- commands -----------------------------------------------------------------------------------------------------

    def _show(self) -> None:
        for point in self._session.points:
            self._say(point_text(point))
        for edge in self._session.edges:
            self._say(edge_text(edge))
        seen = {(e.stage, e.channel) for e in self._session.edges if e.known and e.operated}
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
        number = points[-1].number if not which else int(which) if which.isdigit() else -1
        if number not in [p.number for p in points]:
            raise CalibrationError(f"there is no point {which[:16]}; 'show' lists them")
        self._file.append(point_dropped(number))
        self._say(f"point {number} does not count any more")

    def _note(self, text: str) -> None:
        if not text:
            raise CalibrationError("a note needs a text")
        self._file.append(noted(text))
        self._say("noted")

    def _pause(self) -> int:
        self._end_test()
        self._say(f"Left unfinished, nothing is lost: {self._file.path}. The same command takes it up again.")
        return 0

    def _finished(self) -> int:
        lines = self._finish(self._session)
        self._end_test()
        for line in lines:
            self._say(line)
        return 0

    def _abandon(self, typed: str) -> int | None:
        if typed != self._about.drive:
            self._say(f"! to give up this proving, type: abandon {self._about.drive}")
            return None
        self._end_test()
        self._say(f"Given up; what was taken is kept in {self._file.put_away('abandoned')}")
        return 1

    def _end_test(self) -> None:
        try:
            self._live.poll(self._session.state)
            if float(self._live.view["in_test_s"]) > 0.0:
                self._say(self._live.end_test())
        except ControlError as error:
            self._say(f"! the drive may still be in test ({error}); its time limit ends it")


def take_up(file: SessionFile, live: LiveDrive) -> list[str]:
    """Go on with an unfinished session: what the contacts did meanwhile is written down, without places.

    Returns:
        What to say.
    """
    session = file.session
    edges, head = live.missed(session.seq, session.state)
    for edge in edges:
        file.append(edge_seen(edge))
    file.append(resumed(head))
    lines = [f"Taken up again: {len(session.points)} points, {len(session.edges)} contact edges so far."]
    if edges:
        lines.append(
            f"! {len(edges)} contact edges came while nobody proved: their places were not seen, so they do not count"
        )
    return lines


def point_text(point: Point) -> str:
    """A point in a line."""
    return (
        f"  point {point.number}: {point.torque_nm / 1000:.3f} kN.m at {point.position_mm:.3f} mm, {point.branch}, "
        f"run {point.run} (+-{point.spread_mm / 2:.3f} mm)"
    )


def edge_text(edge: ContactEdge) -> str:
    """An edge in a line."""
    what = "operated" if edge.operated else "released"
    if not edge.known:
        return f"! {edge.stage} {edge.channel} {what}, but the arm's place was not seen; repeat it slowly"
    return (
        f"  {edge.stage} {edge.channel} {what} at {edge.position_mm:.3f} mm (+-{edge.half_width_mm:.3f}), {edge.state}"
    )


def status_text(view: Mapping[str, Any], direction: str) -> str:
    """Position, torque, contacts, motor and time left, in one line."""
    position, torque = view["position_mm"], view["torque_nm"]
    parts = ["no position" if position["value"] is None else f"{position['value']:.2f} mm"]
    if position["reason"]:
        parts.append(f"BAD: {position['reason']}")
    elif torque["value"] is not None:
        sign = {"below": "<", "beyond": ">"}.get(torque["kind"], "")
        parts.append(f"{sign}{torque['value'] / 1000:.1f} kN.m")
    for contact in view["contacts"]:
        if contact["direction"] == direction:
            reads = {1: "ON", 0: "off", None: "?"}[contact["reads"]]
            parts.append(f"{contact['stage']} {contact['channel']} {reads}")
    parts.append({True: "motor RUNS", False: "motor off", None: "motor ?"}[view["running"]])
    parts.append(f"in test {view['in_test_s'] / 60:.0f} min" if view["in_test_s"] else "NOT IN TEST")
    return ", ".join(parts)


def session_path(folder: Path, drive: str, direction: str) -> Path:
    """Where an unfinished proving is kept: beside the records, under a name that is not one."""
    return folder / "calibration" / f"{drive}-{direction}.proving"
