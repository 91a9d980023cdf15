"""Every error that nightrake raises on purpose.

    NightrakeError
    +-- ConfigError         the settings folder is wrong; carries every mistake found
    +-- CalibrationError    a calibration record cannot be used
    +-- FieldError          a PLC could not be read
    +-- StoreError          the local store cannot be opened, read or written
    +-- MessageError        the broker or the forwarded store refused or vanished
    +-- ControlError        a command could not be carried out
    +-- LearningError       numbers carry no answer to what is asked of them: too few, all alike, out of range

Message: where, what, what was expected, what to do. One sentence. The facts stay as attributes, so that no caller has
to take a text apart. Exceptions mean a broken program, configuration or link; a bad reading is a value, never one of
these.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class NightrakeError(Exception):
    """Base of all errors that a user can cause or meet; its text is one sentence fit for a person."""


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake in the settings folder.

    Attributes:
        file: File name relative to the settings folder's parent, for instance ``config/drives.toml``.
        line: Line number from 1, or 0 where the mistake has no line (a missing file, a missing table).
        key: Dotted key path, for instance ``drive.PC1.contact[2].debounce_operate_s``; empty where there is none.
        text: What is wrong and what to do, one sentence.
    """

    file: str
    line: int
    key: str
    text: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        return f"{place}: {self.key}: {self.text}" if self.key else f"{place}: {self.text}"


class ConfigError(NightrakeError):
    """The settings folder cannot be taken; ``mistakes`` holds all of them, in file and line order."""

    def __init__(self, mistakes: Sequence[Mistake]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__("\n".join(str(m) for m in self.mistakes))


class CalibrationError(NightrakeError):
    """A calibration record is unusable: too few points, not monotone, units mixed up."""


class FieldError(NightrakeError):
    """A PLC could not be read at all (opening for ``check --live``); scan failures are values, not errors."""


class StoreError(NightrakeError):
    """The local store cannot be opened, is newer than this program, or is held by another watch."""


class MessageError(NightrakeError):
    """The broker, or the store forwarded to, refused or vanished."""


class ControlError(NightrakeError):
    """No watch answers on the control socket, or it refused the command.

    `nobody` is True where there is no watch at all.
    """

    def __init__(self, text: str, *, nobody: bool = False) -> None:
        self.nobody = nobody
        super().__init__(text)


class LearningError(NightrakeError):
    """Numbers do not carry what is asked of them: too few points, all at one time, out of range."""
