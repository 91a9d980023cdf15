"""A drive's history as a person asks for it: the drive and its signals by name."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from nightrake.alarms.told import stamp
from nightrake.cli.journal_wanted import zone_at
from nightrake.cli.period import period_text
from nightrake.errors import NightrakeError, StoreError
from nightrake.history.period import Period
from nightrake.history.signals import Kind, Signal
from nightrake.longterm.drivereading import DriveReading, Opened
from nightrake.longterm.leftout import LeftOut
from nightrake.settings import Settings
from nightrake.settings.words import nearest

CONTACTS, ALL = "contacts", "all"
NAMED = 3
"""Stretches that are named."""
DEFAULT = (Kind.TORQUE, Kind.CONTACT)


class DriveHistory(DriveReading):
    """One drive's history, opened for reading.

    Args:
        state_dir: Folder of the store. drive: Its id.

    Raises:
        NightrakeError: There is no such drive, or no history.
    """

    def __init__(self, state_dir: Path, drive: str) -> None:
        self._opened = Opened(state_dir)
        try:
            known = self._opened.history.drives()
            if drive not in known:
                hint = nearest(drive, known) or f"there are: {', '.join(known[:12]) or 'none'}"
                raise NightrakeError(f"there is no drive '{drive[:40]}' in what is recorded; {hint}")
            super().__init__(self._opened, drive)
        except BaseException:
            self._opened.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._opened.close()

    def chosen(self, names: Sequence[str]) -> list[Signal]:
        """Signals by their names, in the drive's order; without names torque, contacts and running.

        Raises:
            NightrakeError: There is no such signal.
        """
        if not names:
            return [s for s in self.signals if s.kind in DEFAULT or s.name == "running"]
        wanted: list[Signal] = []
        for name in names:
            found = [s for s in self.signals if _is_meant(s, name)]
            if not found:
                known = [s.name for s in self.signals]
                hint = nearest(name, known) or f"there are: {', '.join(known[:20])}"
                raise NightrakeError(f"--signal '{name[:40]}': {self.drive} has no such signal; {hint}")
            wanted += found
        return [s for s in self.signals if s in wanted]

    def left_out(self, settings: Settings, period: Period) -> list[str]:
        """Of which time readings were left out of a damaged file, in sentences."""
        try:
            found = self._opened.left_out(period)
        except StoreError:
            return []  # what cannot be read is said by whoever reads
        said = [_left_out_text(settings, one) for one in found[:NAMED]]
        return [*said, f"and {len(found) - NAMED} stretches more"] if found[NAMED:] else said

    def unread(self) -> list[str]:
        """What of the history could not be read at all, in sentences."""
        only = "what is sealed is not shown, only what is still in store.db"
        return [f"{self.history.unread}; {only}"] if self.history.unread else []


def _left_out_text(settings: Settings, one: LeftOut) -> str:
    when = "of a time not known"
    if one.to_ms:
        when = f"within {period_text(settings, Period(one.from_ms, one.to_ms))}"
    elif one.from_ms:
        when = f"after {stamp(zone_at(settings, one.from_ms), one.from_ms)}"
    anew = stamp(zone_at(settings, one.anew_ms), one.anew_ms)
    return f"readings {when} were damaged, and left out when history.db was written anew {anew}; a backup may have them"


def _is_meant(signal: Signal, name: str) -> bool:
    if name == CONTACTS:
        return signal.kind is Kind.CONTACT
    return name in (ALL, signal.name, signal.role, signal.column)
