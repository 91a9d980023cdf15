"""One point of a proving: typed, checked, taken when the arm stands still."""

from __future__ import annotations

import time
from collections.abc import Callable

from nightrake.cli.lines import STOP, Lines
from nightrake.cli.prove_checks import Plausible
from nightrake.cli.prove_followed import POLL_S, Followed
from nightrake.cli.prove_head import YES
from nightrake.cli.prove_text import NOT_IN_TEST, point_text
from nightrake.commissioning.proving import About, Point, point_taken
from nightrake.commissioning.stillness import STILL, Still, Stillness, stillness
from nightrake.errors import CalibrationError

STILL_WAIT_S = 30.0
"""How long a point waits for the arm to stand still."""


class Taking:
    """Takes points of one drive.

    Args:
        lines: Where lines come from. drive: The drive, followed. applied: Turns what was typed into N.m (or N).
        plausible: What a point is held against. still: What passes as standing still.
    """

    def __init__(
        self,
        lines: Lines,
        drive: Followed,
        applied: Callable[[About, str], float],
        plausible: Plausible,
        still: Still = STILL,
    ) -> None:
        self._lines = lines
        self._drive = drive
        self._applied = applied
        self._plausible = plausible
        self._still = still

    def take(self, typed: str, branch: str = "") -> None:
        """Take a point at the torque, or pull, that was typed; on a branch that was named, or by the order of torques.

        Raises:
            CalibrationError: Not taken, and why.
        """
        self._must_be_safe()
        session = self._drive.session
        about = session.about
        assert about is not None
        torque_nm = about.torque_nm(self._applied(about, typed))
        self._plausible.must_have_sign(torque_nm)
        self._sure(self._plausible.too_much(torque_nm))
        found = self._standing()
        doubt = self._plausible.unmoved(session, torque_nm, found.position_mm, self._still.spread_mm)
        doubt = doubt or self._plausible.off_record(about, torque_nm, found.position_mm)
        if doubt:
            self._sure(doubt)
            found = self._standing()
        self._plausible.must_have_sign(torque_nm, found.position_mm)
        told, run = session.branch_of(torque_nm)
        point = Point(
            session.taken + 1, torque_nm, round(found.position_mm, 5), branch or told, run,
            round(found.spread_mm, 5), found.readings, int(self._drive.live.view["utc_ms"]), typed[:64],
        )  # fmt: skip
        self._drive.keep(point_taken(point))
        self._lines.show(self._drive.status())  # no longer that it waits
        self._drive.say(point_text(point))

    def _must_be_safe(self) -> None:
        """No point while the motor runs or the test has ended; where run feedback says nothing a person has to."""
        view = self._drive.live.view
        if not view["in_test_s"]:
            raise CalibrationError(f"not taken: {NOT_IN_TEST}")
        if view["running"]:
            raise CalibrationError("not taken: the motor runs; known torque is applied to a drive that is locked out")
        if view["running"] is None and not self._drive.may_be_blind:
            self._sure("whether the motor runs cannot be read; does it stand still, isolated and locked out?")
            self._drive.may_be_blind = True

    def _sure(self, doubt: str) -> None:
        """Have a doubt, if there is one, put aside by a person.

        Raises:
            CalibrationError: It was not; what else was typed is obeyed next.
        """
        if not doubt:
            return
        self._drive.say(f"! {doubt}")
        self._drive.say(f"Type '{YES}' to go on all the same, anything else to leave this point.")
        while (line := self._lines.read(POLL_S, self._drive.status())) is None:
            self._drive.poll()
        if line.strip().lower() == YES:
            return
        if line.strip().lower() not in ("no", "") and line != STOP:
            self._lines.push_back(line)
        raise CalibrationError("not taken")

    def _standing(self) -> Stillness:
        """The arm, once it stands still.

        Raises:
            CalibrationError: It does not in time, its position is not good, or something else came between.
        """
        since_ns, until = self._drive.live.now_ns, time.monotonic() + STILL_WAIT_S
        found: Stillness | None = None
        while time.monotonic() < until:
            self._drive.poll()
            self._must_be_safe()
            reading = self._drive.live.view["position_mm"]
            if reading["reason"]:
                raise CalibrationError(f"not taken: the position is not good ({reading['reason']})")
            live = self._drive.live
            found = stillness(list(live.samples), live.now_ns, still=self._still, since_ns=since_ns)
            if found.still:
                return found
            line = self._lines.read(POLL_S, f"{self._drive.status()}, waiting: {found.why}")
            if line is not None:
                if line != STOP:
                    self._lines.push_back(line)
                raise CalibrationError("not taken: something was typed before the arm stood still")
        raise CalibrationError(f"not taken: {found.why if found else 'nothing was read'}; enter it again")
