"""A record before it is written: read by the settings' own reader, in a folder that has it already."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path

from nightrake.errors import CalibrationError, ConfigError
from nightrake.settings import load
from nightrake.settings.calibrations import CalibrationRecord


def must_be_readable(
    folder: Path, overrides: Mapping[str, str | int | float], ref: str, drive: str, direction: str, text: str
) -> None:
    """See that check and watch will take a record, and use it.

    Args:
        folder: The settings folder. overrides: Of the command line.
        ref: The record's reference. drive, direction: Whose it is. text: Its file.

    Raises:
        CalibrationError: With everything that would be wrong with the folder if the record were in it.
    """
    folder = folder.resolve()  # '..' names no folder below another one
    try:
        with tempfile.TemporaryDirectory(prefix="nightrake-") as place:
            tried = Path(place) / (folder.name or "settings")
            _mirror(folder, tried)
            own = tried / "calibration" / f"{ref}.toml"
            own.unlink(missing_ok=True)  # a link to the record that a stop left behind must not be written through
            own.write_text(text, encoding="utf-8")
            mistakes, used = _mistakes(tried, overrides, ref, drive)
    except OSError as error:
        raise CalibrationError(f"the record could not be tried ({error}); nothing was written, repeat it") from error
    new = [m for m in mistakes if m not in _mistakes(folder, overrides, ref, drive)[0]] if mistakes else []
    if new:
        raise CalibrationError("\n".join(["the settings would refuse this record; nothing was written:", *new]))
    if not mistakes and not used:
        raise CalibrationError(
            f"the watch would not use this record of {drive} {direction}; nothing was written: look at the dates and "
            "serials of the others with 'nightrake check'"
        )


def record_of(folder: Path, overrides: Mapping[str, str | int | float], but: str, ref: str) -> CalibrationRecord | None:
    """A record of the folder as it was in force while another one, `but`, was not there yet; None = it was not.

    Raises:
        CalibrationError: The temporary folder cannot be made.
    """
    folder = folder.resolve()
    try:
        with tempfile.TemporaryDirectory(prefix="nightrake-") as place:
            tried = Path(place) / (folder.name or "settings")
            _mirror(folder, tried)
            (tried / "calibration" / f"{but}.toml").unlink(missing_ok=True)
            records = load(tried, overrides).records
    except ConfigError:
        return None
    except OSError as error:
        raise CalibrationError(f"the record before could not be read ({error}); repeat it") from error
    return next((r for r in records if r.curve.ref == ref), None)


def _mirror(folder: Path, tried: Path) -> None:
    """The settings files and records as links, below another folder of the same name."""
    (tried / "calibration").mkdir(parents=True)
    for below in ("", "calibration"):
        for file in (folder / below).glob("*.toml"):
            (tried / below / file.name).symlink_to(file)


def _mistakes(folder: Path, overrides: Mapping[str, str | int | float], ref: str, drive: str) -> tuple[list[str], bool]:
    """What is wrong with a folder, and whether the record of this reference is in force."""
    try:
        settings = load(folder, overrides)
    except ConfigError as error:
        return [str(m) for m in error.mistakes], False
    return [], any(c.ref == ref for c in settings.site.drives[drive].calibrations.values())
