"""Composition of `nightrake prove`: settings, the running watch, the session's file, the dialogue, what it leaves."""

from __future__ import annotations

import contextlib
import datetime
import textwrap
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from nightrake.cli.lines import Lines
from nightrake.cli.prove import HELP, TEST_S, Dialogue, session_path, take_up
from nightrake.cli.prove_checks import Plausible, plausible
from nightrake.cli.prove_file import SessionFile
from nightrake.cli.prove_followed import Followed
from nightrake.cli.prove_head import agree, ask_about, say, summary
from nightrake.cli.prove_keys import Head
from nightrake.cli.prove_live import LiveDrive
from nightrake.cli.prove_points import session_of_file
from nightrake.cli.prove_readback import must_be_readable, record_of
from nightrake.cli.prove_result import TOLERANCE_PCT, Proved, contacts_of, direction_of, free_ref, prove, write_record
from nightrake.cli.prove_taking import Taking
from nightrake.cli.prove_text import CAUTIONS, RUNS
from nightrake.commissioning.proving import About, Session, begun, finished, finishing
from nightrake.commissioning.recordtext import record_toml
from nightrake.commissioning.stillness import Still
from nightrake.commissioning.units import Dimension, QuantityError, si_value
from nightrake.commissioning.verdicts import all_passed
from nightrake.control.client import ControlClient
from nightrake.domain.site import Direction, DriveSpec
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
    proving = Proving(folder, overrides, settings, drive, direction)
    return proving.from_file(points) if points else proving.live(still)


class Proving:
    """One run of the command for one drive and direction."""

    def __init__(
        self,
        folder: Path,
        overrides: Mapping[str, str | int | float],
        settings: Settings,
        drive: DriveSpec,
        direction: str,
    ) -> None:
        self._folder = folder
        self._overrides = overrides
        self._settings = settings
        self._site_name = settings.site.name
        self._drive = drive
        self._direction = direction
        self._records = folder / "calibration"
        self._file_path = session_path(folder, drive.id, direction)
        self._today = datetime.datetime.now(datetime.UTC).date()
        self._failed = False
        self.head = Head(drive, direction, self._today, list(settings.site.drives.values()))
        stated = settings.specifications.get(drive.id)
        self._specification = None if stated is None else stated.model_dump()

    def from_file(self, points: Path) -> int:
        """Points from a clipboard: no drive is touched, nothing is put in test."""
        session = session_of_file(points, self.head, applied)
        proved = self._prove(session, *self._new_name())
        for line in self._write(proved):
            print("\n".join(textwrap.wrap(line, 79, subsequent_indent="  ")))
        return 1 if self._failed else 0

    def live(self, still: Still) -> int:
        """The guided dialogue."""
        with ControlClient(self._settings.control.socket) as client, Lines() as lines:
            for caution in CAUTIONS:
                say(lines, caution)
            agree(lines)
            with SessionFile(self._file_path) as file:
                live = LiveDrive(client, self._drive.id, self._direction, 0, self._settings.control.socket)
                live.poll("as found")
                if file.session.making:
                    for line in self.complete(file):
                        say(lines, line)
                    return 1 if self._failed else 0
                self._begin(lines, live, file)
                say(lines, live.begin_test(TEST_S) + ": shown to all, pages nobody, ends by itself")
                code = self._talk(lines, live, file, still)
        return max(code, 1 if self._failed else 0)

    def _begin(self, lines: Lines, live: LiveDrive, file: SessionFile) -> None:
        """Take the session up, or begin it."""
        if live.view["running"]:
            say(lines, f"! {RUNS}")
        if file.session.about is None:
            about = ask_about(lines, self.head)
            live.poll("as found")  # the answers took their time
            file.append(begun(about, live.skip_to_head()))
            return
        for line in take_up(file, live):
            say(lines, line)
        for line in summary(file.session.about):
            say(lines, line)
        for sentence in self.head.wrongs(file.session.about):
            say(lines, f"! {sentence}")

    def _talk(self, lines: Lines, live: LiveDrive, file: SessionFile, still: Still) -> int:
        """The dialogue; whatever ends it, the test is ended with it."""
        drive = Followed(lines, live, file)
        taking = Taking(lines, drive, applied, self._plausible(), still)
        contacts = contacts_of(self._drive, self._direction)
        say(lines, HELP)
        dialogue = Dialogue(lines, file, drive, taking, lambda _: self._finish(file), contacts, self.head)
        try:
            return dialogue.run()
        except BaseException:
            drive.end_test_at_once()
            raise

    def _plausible(self) -> Plausible:
        return plausible(self._drive, self._direction, self._specification, self._tolerance_pct())

    def _finish(self, file: SessionFile) -> list[str]:
        """Fit and judge; only when that went well is anything written, and then it is completed whatever stops it."""
        ref, made_on = self._new_name()
        self._prove(file.session, ref, made_on)
        file.append(finishing(ref, str(made_on)))
        return self.complete(file)

    def complete(self, file: SessionFile) -> list[str]:
        """Write what a finished session leaves, as far as it is not there yet, and put the session away."""
        session = file.session
        proved = self._prove(session, session.making, datetime.date.fromisoformat(session.made_on))
        lines = self._write(proved)
        try:
            file.append(finished())
            file.put_away("finished")
        except CalibrationError as error:  # the record is there; the same command puts the session away later
            lines.append(f"! {error}")
        return lines

    def _new_name(self) -> tuple[str, datetime.date]:
        return free_ref(self._records, self._drive.id, self._direction, self._today), self._today

    def _prove(self, session: Session, ref: str, made_on: datetime.date) -> Proved:
        others = list(self._settings.site.drives.values())
        tolerance_pct = self._tolerance_pct()
        drive, serial = self._before(ref)
        proved = prove(session, drive, made_on, ref, tolerance_pct, others, self._specification, serial)
        text = record_toml(proved.record)
        must_be_readable(self._folder, self._overrides, ref, self._drive.id, self._direction, text)
        return proved

    def _before(self, ref: str) -> tuple[DriveSpec, str]:
        """The drive with the record in force before this one, and the serial that this record is of.

        Where a stop came after the record was written, it is in force already.
        """
        direction = Direction(self._direction)
        curve = self._drive.calibrations.get(direction)
        if curve is None or curve.ref != ref:
            serials = [r.device_serial for r in self._settings.records if curve and r.curve.ref == curve.ref]
            return self._drive, serials[0] if serials else ""
        written = tomllib.loads((self._records / f"{ref}.toml").read_text(encoding="utf-8"))
        others = {d: c for d, c in self._drive.calibrations.items() if d is not direction}
        if not written.get("supersedes"):
            return replace(self._drive, calibrations=others), ""
        older = record_of(self._folder, self._overrides, ref, written["supersedes"])
        before, serial = (
            (older.curve, older.device_serial) if older else (replace(curve, ref=written["supersedes"]), "")
        )
        return replace(self._drive, calibrations=others | {direction: before}), serial

    def _tolerance_pct(self) -> float:
        """How far a contact may operate from its set point, % of it: the specification's, where there is one."""
        stated = self._settings.specifications.get(self._drive.id)
        contacts = None if stated is None else stated.contacts
        return TOLERANCE_PCT if contacts is None else contacts.tolerance_pct

    def _write(self, proved: Proved) -> list[str]:
        """Certificate and record, both or neither; what to say of them."""
        page = self._records / f"{proved.ref}.html"
        self._write_page(page, proved)
        try:
            path = write_record(self._records, proved)
        except CalibrationError:
            with contextlib.suppress(OSError):  # on a disk that takes nothing any more it may have to stay
                page.unlink(missing_ok=True)
            raise
        self._failed = not all_passed(proved.verdicts)
        lines = [f"Record {proved.ref}: {path}", f"Certificate: {page}"]
        lines += [*(v.text for v in proved.verdicts), *proved.remarks]
        lines += [proved.step] if proved.step else []
        return [*lines, self._closing(proved, path)]

    def _closing(self, proved: Proved, path: Path) -> str:
        """What is to be done with the record: only a good one is offered to the watch without more."""
        if self._failed:
            return (
                "Not every contact passed. Put that right and prove again; this record stays as what was found, and "
                f"from its next 'nightrake reload' or start on the watch reads torque by it, unless {path.name} is "
                "moved out of the folder."
            )
        if proved.step:
            return (
                "Before the watch takes it with 'nightrake reload', be sure that this record is right and the one "
                f"before it is not; else move {path.name} out of the folder."
            )
        return "The watch takes it with: nightrake reload"

    def _write_page(self, page: Path, proved: Proved) -> None:
        from nightrake.reports.certificate_page import certificate_page  # with matplotlib: a second to load
        from nightrake.reports.page import ReportError, write_page

        more = [proved.step] if proved.step else []
        html = certificate_page(proved.record, proved.ref, proved.verdicts, self._drive, self._site_name, more)
        try:
            write_page(page, html)
        except ReportError as error:
            why = getattr(error.__cause__, "strerror", None) or str(error)
            raise CalibrationError(
                f"{page}: the certificate was not written ({why}), and the record neither; free some space, or see who "
                "may write there, and repeat it"
            ) from error


def applied(about: About, typed: str) -> float:
    """What was typed, in N.m, or in N where the method measures a force.

    Raises:
        CalibrationError: It is neither.
    """
    wanted = Dimension.FORCE if about.applies_force else Dimension.TORQUE
    try:
        return si_value(typed, wanted)
    except QuantityError as error:
        measured = f"; '{about.method}' measures a {wanted.name.lower()} here"
        raise CalibrationError(f"the {wanted.name.lower()} {error}{measured}") from error
