"""Makes the example's calibration records anew, from simulated factory runs of the plant's own devices.

    python tests/example_records.py [FOLDER]      (default: config/calibration)

Two runs up and down over ten torques each, with the small errors of a good test stand. The same seed gives the same
files; a test holds that they are what stands in `config/calibration/`.
"""

from __future__ import annotations

import math
import random
import sys
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "service")]

from nightrake.commissioning.points import CalibrationPoint, ContactPoint, RecordContent  # noqa: E402
from nightrake.commissioning.record import make_record  # noqa: E402
from nightrake.commissioning.recordtext import record_toml  # noqa: E402
from nightrake.plant.device import Arm, Contact  # noqa: E402
from nightrake.plant.fennmark import fennmark_machines  # noqa: E402

TITLE = "Calibration record of the example (invented), made by tests/example_records.py. A record is never edited."
LEVELS, RUNS = 10, 2
NOISE_MM, REFERENCE_NOISE = 0.006, 0.0003
"""Scatter of a position and of an applied torque (share of the shutdown torque), standard deviations."""


class Stand(NamedTuple):
    """What the factory knew of one drive's device."""

    serial: str
    transducer: str
    resolution_mm: float
    two_sided: bool = False


STANDS = {
    "PC1": Stand("FM-0101", "4-20 mA, 0 to 25 mm", 0.002),
    "PC2": Stand("FM-0102", "4-20 mA, 0 to 25 mm", 0.002),
    "SC1": Stand("FM-0201", "serial, 0 to 25 mm", 0.01),
    "SC2": Stand("FM-0202", "serial, 0 to 25 mm", 0.01),
    "GT1": Stand("FM-0301", "4-20 mA, -25 to 25 mm", 0.015, two_sided=True),
    "SCR1": Stand("FM-0401", "serial, 0 to 25 mm", 0.01),
}


class Run:
    """One device on the stand, in one direction."""

    def __init__(self, drive: str, direction: str) -> None:
        machine = fennmark_machines()[drive]
        truth: Arm = machine.arm
        self.drive, self.direction = drive, direction
        self.sign = -1.0 if direction == "reverse" else 1.0
        self.arm = Arm(truth.preload_nm, truth.nm_per_mm, truth.friction_nm, two_sided=truth.two_sided)
        self.shutdown_nm = machine.shutdown_nm
        self.contacts: list[Contact] = [c for c in machine.contacts if c.sign * self.sign > 0.0]
        self.stand = STANDS[drive]
        self.chance = random.Random(f"{drive}/{direction}/2026-03-14")

    def position(self, torque_nm: float) -> float:
        """Position as read, after the torque has acted."""
        seen = self.arm.follow(self.sign * torque_nm) + self.chance.gauss(0.0, NOISE_MM)
        step = self.stand.resolution_mm
        return round(round(seen / step) * step, 4)

    def points(self) -> tuple[CalibrationPoint, ...]:
        """Two runs: up, past the top, down, back to the bottom."""
        low = self.arm.preload_nm + 0.5 * self.arm.nm_per_mm + self.arm.friction_nm
        high = self.arm.preload_nm + 24.3 * self.arm.nm_per_mm
        levels = [_round(low + (high - low) * i / (LEVELS - 1)) for i in range(LEVELS)]
        points: list[CalibrationPoint] = []
        for run in range(1, RUNS + 1):
            self.position(0.0)
            points += [self.point(level, "rising", run) for level in levels]
            self.position(high + 0.5 * self.arm.nm_per_mm)
            points += [self.point(level, "falling", run) for level in reversed(levels)]
        return tuple(points)

    def point(self, level_nm: float, branch: str, run: int) -> CalibrationPoint:
        """One applied torque."""
        true = level_nm + self.chance.gauss(0.0, REFERENCE_NOISE * self.shutdown_nm)
        return CalibrationPoint(level_nm, self.position(true), branch, run)

    def contact_points(self) -> tuple[ContactPoint, ...]:
        """Where the contacts were found before, and left after adjustment."""
        found, left = [], []
        for number, c in enumerate(self.contacts):
            channel = "B" if number == 2 else "A"
            off = round(self.chance.uniform(-0.3, 0.3), 2)
            at = (c.operating_mm, c.operating_mm - c.differential_mm)
            off_mm, on_mm = (round(self.sign * (x + off), 2) for x in at), (round(self.sign * x, 2) for x in at)
            found.append(ContactPoint(c.stage, channel, "as found", *off_mm))
            left.append(ContactPoint(c.stage, channel, "as left", *on_mm))
        return (*found, *left)

    def content(self) -> RecordContent:
        """The record's content."""
        stand = self.stand
        return RecordContent(
            drive=self.drive,
            direction=self.direction,
            device_serial=stand.serial,
            made_by="F. Example",
            made_on="2026-03-14",
            place="factory test stand",
            ambient_c=21.0,
            reference_standard="torque transducer TT-7",
            reference_uncertainty_pct=0.3,
            method="factory output",
            method_detail="output shaft against the stand's brake; nothing between it and the reference",
            method_uncertainty_pct=0.0,
            transducer=stand.transducer,
            resolution_mm=stand.resolution_mm,
            transducer_error_mm=0.05,
            temperature_pct_per_k=-0.03,
            temperature_range_k=20.0,
            due_on="2028-03-14",
            remarks="simulated factory run of an invented device",
            points=self.points(),
            contact_points=self.contact_points(),
        )


def _round(torque_nm: float) -> float:
    """A round torque, as people apply it: two significant figures below the range's own size."""
    unit = 10.0 ** (math.floor(math.log10(torque_nm)) - 2)
    return float(round(torque_nm / unit) * unit)


def texts() -> dict[str, str]:
    """File name -> text of every record of the example."""
    made = {}
    for drive, stand in STANDS.items():
        for direction in ("forward", "reverse") if stand.two_sided else ("forward",):
            record = make_record(Run(drive, direction).content())
            made[f"{record.ref}.toml"] = record_toml(record, TITLE)
    return made


def main() -> int:
    """Write them."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "config" / "calibration"
    for name, text in texts().items():
        (folder / name).write_text(text, encoding="utf-8")
        print(folder / name)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
