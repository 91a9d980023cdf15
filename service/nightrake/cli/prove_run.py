"""Composition of `nightrake prove`: settings, the running watch, the session's file, the dialogue, what it leaves."""

from __future__ import annotations

import datetime
import textwrap
from collections.abc import Mapping
from pathlib import Path

from nightrake.cli.lines import Lines
from nightrake.cli.prove import CAUTIONS, HELP, TEST_S, Dialogue, session_path, take_up
from nightrake.cli.prove_file import SessionFile
from nightrake.cli.prove_head import agree, ask_about
from nightrake.cli.prove_live import LiveDrive
from nightrake.cli.prove_points import session_of_file
from nightrake.cli.prove_result import TOLERANCE_PCT, Proved, contacts_of, direction_of, free_ref, prove, write_record
from nightrake.commissioning.proved import all_passed
from nightrake.commissioning.proving import About, Session, begun, finished, finishing
from nightrake.commissioning.stillness import Still
from nightrake.commissioning.units import Dimension, QuantityError, si_value
from nightrake.control.client import ControlClient
from nightrake.domain.site import DriveSpec
from nightrake.errors import CalibrationError
from nightrake.settings import Settings, load


def run_prove(
    folder: Path,
    overrides: Mapping[str, str | int | float],
    drive_id: str,
    direction: str,
    points: Path | None,
    still: Still,
) -> int:
    """Prove one drive and direction.

    Returns:
        0 when finished or left to be taken up again, 1 where a contact did not pass or the proving was given up.

    Raises:
        NightrakeError: One sentence; what was taken is in the session's file.
    """
    settings = load(folder, overrides)
    drive = settings.site.drives.get(drive_id)
    if drive is None:
        raise CalibrationError(f"no drive '{drive_id[:64]}' at this site; it has {', '.join(settings.site.drives)}")
    if drive.position is None:
        raise CalibrationError(f"{drive.id} has no position transducer; torque against position cannot be recorded")
    direction = direction_of(drive, direction)
    proving = Proving(folder, settings, drive, direction)
    return proving.from_file(points) if points else proving.live(still)


class Proving:
    """One run of the command for one drive and direction."""

    def __init__(self, folder: Path, settings: Settings, drive: DriveSpec, direction: str) -> None:
        self._settings = settings
        self._site_name = settings.site.name
        self._drive = drive
        self._direction = direction
        self._records = folder / "calibration"
        self._file_path = session_path(folder, drive.id, direction)
        self._today = datetime.datetime.now(datetime.UTC).date()
        self._failed = False

    def from_file(self, points: Path) -> int:
        """Points from a clipboard: no drive is touched, nothing is put in test."""
        about = About(self._drive.id, self._direction, self._drive.device_serial, "", method="factory output")
        session = session_of_file(points, about, applied)
        proved = self._prove(session, *self._new_name())
        for line in self._write(proved):
            print("\n".join(textwrap.wrap(line, 79, subsequent_indent="  ")))
        return 1 if self._failed else 0

    def live(self, still: Still) -> int:
        """The guided dialogue."""
        with ControlClient(self._settings.control.socket) as client, Lines() as lines:
            for caution in CAUTIONS:
                lines.say("\n".join(textwrap.wrap(caution, 79)))
            agree(lines)
            with SessionFile(self._file_path) as file:
                live = LiveDrive(client, self._drive.id, self._direction, 0)
                live.poll("as found")
                if file.session.making:
                    for line in self._complete(file):
                        lines.say(line)
                    return 1 if self._failed else 0
                self._begin(lines, live, file)
                lines.say(live.begin_test(TEST_S) + ": shown to all, pages nobody, ends by itself")
                lines.say(HELP)
                contacts = contacts_of(self._drive, self._direction)
                code = Dialogue(lines, live, file, applied, lambda _: self._finish(file), contacts, still).run()
        return max(code, 1 if self._failed else 0)

    def _begin(self, lines: Lines, live: LiveDrive, file: SessionFile) -> None:
        """Take the session up, or begin it."""
        if file.session.about is not None:
            for line in take_up(file, live):
                lines.say("\n".join(textwrap.wrap(line, 79)))
            return
        if live.view["running"]:
            lines.say("! the motor runs now; known torque is applied to an isolated drive")
        about = ask_about(lines, self._drive, self._direction, self._today)
        file.append(begun(about, live.skip_to_head()))

    def _finish(self, file: SessionFile) -> list[str]:
        """Fit and judge; only when that went well is anything written, and then it is completed whatever stops it."""
        ref, made_on = self._new_name()
        self._prove(file.session, ref, made_on)
        file.append(finishing(ref, str(made_on)))
        return self._complete(file)

    def _complete(self, file: SessionFile) -> list[str]:
        """Write what a finished session leaves, as far as it is not there yet, and put the session away."""
        session = file.session
        proved = self._prove(session, session.making, datetime.date.fromisoformat(session.made_on))
        lines = self._write(proved)
        file.append(finished())
        file.put_away("finished")
        return lines

    def _new_name(self) -> tuple[str, datetime.date]:
        return free_ref(self._records, self._drive.id, self._direction, self._today), self._today

    def _prove(self, session: Session, ref: str, made_on: datetime.date) -> Proved:
        others = list(self._settings.site.drives.values())
        return prove(session, self._drive, made_on, ref, self._tolerance_pct(), others)

    def _tolerance_pct(self) -> float:
        """How far a contact may operate from its set point, % of it: the specification's, where there is one."""
        stated = self._settings.specifications.get(self._drive.id)
        contacts = None if stated is None else stated.contacts
        return TOLERANCE_PCT if contacts is None else contacts.tolerance_pct

    def _write(self, proved: Proved) -> list[str]:
        """Record and certificate; what to say of them."""
        path = write_record(self._records, proved)
        self._failed = not all_passed(proved.verdicts)
        from nightrake.reports.certificate_page import certificate_page  # with matplotlib: a second to load
        from nightrake.reports.page import write_page

        page = self._records / f"{proved.ref}.html"
        write_page(page, certificate_page(proved.record, proved.ref, proved.verdicts, self._drive, self._site_name))
        lines = [f"Record {proved.ref}: {path}", f"Certificate: {page}"]
        lines += [v.text for v in proved.verdicts]
        lines.append("The watch takes it with: nightrake reload")
        return lines


def applied(about: About, typed: str) -> float:
    """What was typed, in N.m, or in N where the method measures a force.

    Raises:
        CalibrationError: It is neither.
    """
    wanted = Dimension.FORCE if about.applies_force else Dimension.TORQUE
    try:
        return si_value(typed, wanted)
    except QuantityError as error:
        raise CalibrationError(f"the {wanted.name.lower()} {error}") from error
