"""A settings folder on disk that a test may spoil."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from nightrake.domain.site import PointSpec
from nightrake.errors import ConfigError, Mistake
from nightrake.settings import Settings, load
from nightrake.settings.calibrations import content_digest
from nightrake.settings.recordmodels import CalibrationTable

ROOT = Path(__file__).resolve().parents[3]
TODAY = date(2026, 11, 1)


PC1_RISING = ((8000, 0), (16000, 5), (24000, 10), (32000, 15), (40000, 20), (46400, 24))
PC1_FALLING = ((46240, 24), (31840, 15), (15840, 5))
GT1_RISING = ((0, 0), (28125, -5), (56250, -10), (84375, -15), (112500, -20), (135000, -24))
GT1_FALLING = ((134550, -24), (83925, -15), (27675, -5))
HANDWRITTEN_HEAD = """drive = "{drive}"
direction = "{direction}"
device_serial = "{serial}"
made_by = "F. Example"
made_on = "2026-03-14"
place = "factory test stand"
ambient_c = 21.0
reference_standard = "torque transducer TT-7"
reference_uncertainty_pct = 0.3
method = "factory output"
due_on = "2028-03-14"
remarks = ""
# digest = ""
"""


def handwritten(drive: str) -> str:
    """A record as people write them, without a fit: PC1 forward, or GT1 reverse."""
    direction, serial = {"PC1": ("forward", "FM-0101"), "GT1": ("reverse", "FM-0301")}[drive]
    rising, falling = {"PC1": (PC1_RISING, PC1_FALLING), "GT1": (GT1_RISING, GT1_FALLING)}[drive]
    alarm_mm, shutdown_mm = {"PC1": (15.0, 20.0), "GT1": (-16.0, -20.0)}[drive]
    text = HANDWRITTEN_HEAD.format(drive=drive, direction=direction, serial=serial)
    for branch, points in (("rising", rising), ("falling", falling)):
        for t, x in points:
            text += f'[[point]]\ntorque_nm = {float(t)}\nposition_mm = {float(x)}\nbranch = "{branch}"\nrun = 1\n'
    for stage, at_mm in (("alarm", alarm_mm), ("shutdown", shutdown_mm)):
        text += f'[[contact_point]]\nstage = "{stage}"\nchannel = "A"\nstate = "as left"\n'
        text += f"operating_mm = {at_mm}\nrelease_mm = {at_mm - 0.4 if at_mm > 0 else at_mm + 0.4:g}\n"
    return text


class Folder:
    """A settings folder on disk."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def replace(self, file: str, old: str, new: str) -> int:
        """Replace a text that stands there; gives the line, from 1, where the new one begins."""
        text = (self.path / file).read_text(encoding="utf-8")
        assert old in text, f"{file} does not hold {old!r}"
        self.write(file, text.replace(old, new, 1))
        return text[: text.index(old)].count("\n") + 1

    def append(self, file: str, text: str) -> int:
        """Add lines at the end; gives the line, from 1, of the first of them."""
        before = (self.path / file).read_text(encoding="utf-8")
        self.write(file, f"{before}\n{text}\n")
        return before.count("\n") + 2

    def write(self, file: str, text: str | bytes) -> None:
        """Write a whole file."""
        (self.path / file).write_bytes(text.encode() if isinstance(text, str) else text)

    def handwrite(self) -> Folder:
        """Put records without a fit in the place of PC1's and of GT1's reverse one."""
        self.write("calibration/PC1-forward-2026-03-14.toml", handwritten("PC1"))
        self.write("calibration/GT1-reverse-2026-03-14.toml", handwritten("GT1"))
        return self

    def reseal(self, file: str) -> None:
        """Give a record that was changed the digest of what it says now."""
        text = (self.path / file).read_text(encoding="utf-8")
        table = {k: v.isoformat() if isinstance(v, date) else v for k, v in tomllib.loads(text).items()}
        digest = content_digest(CalibrationTable.model_validate(table))
        self.write(file, re.sub(r'^digest = ".*"', f'digest = "{digest}"', text, flags=re.MULTILINE))

    def load(self, overrides: Mapping[str, Any] | None = None, today: date = TODAY) -> Settings:
        """Load it as on a fixed day."""
        return load(self.path, overrides, today=today)

    def mistakes(self, overrides: Mapping[str, Any] | None = None, today: date = TODAY) -> tuple[Mistake, ...]:
        """Every mistake; it must hold one at least."""
        with pytest.raises(ConfigError) as caught:
            self.load(overrides, today)
        return caught.value.mistakes


def points_of(settings: Settings) -> dict[str, PointSpec]:
    """Every point: drive and role -> point."""
    return {f"{d.id} {role}": p for d in settings.site.drives.values() for role, p in d.points().items()}


class Slip(NamedTuple):
    """One mistake: what is replaced in a file, and what has to be said of it."""

    file: str
    old: str
    new: str
    key: str
    words: str


def assert_told(folder: Folder, slip: Slip) -> None:
    """Spoil a good folder by one slip; it has to be named by key and line, and no secret with it."""
    folder.replace(slip.file, slip.old, slip.new)
    mistakes = folder.mistakes()
    told = [m for m in mistakes if m.key == slip.key and slip.words in m.text]

    assert told, [str(m) for m in mistakes]
    assert all(m.line > 0 for m in mistakes)
    assert "hunter2" not in "".join(str(m) for m in mistakes)
