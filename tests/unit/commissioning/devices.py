"""Simulated overload devices whose truth is known: springs outside the fit's model, friction, backlash, and a load.

The device knows nothing of the fit. Torque moves the arm through friction (a play of `friction_nm` each way) and
backlash (a play of `backlash_mm`); the spring's law bends by a square, a cube and a ripple. It is calibrated against a
reference standard with an error of its own, warms up or cools down, its transducer drifts; then a load swings for a
while, and the torque really there is compared with what the record says of the position as read.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightrake.commissioning.fit import Floats
from nightrake.commissioning.points import CalibrationPoint, RecordContent
from nightrake.commissioning.record import curve_of, make_record
from nightrake.domain.calibration import torque_of
from nightrake.domain.reading import Exactness

SHUTDOWN_NM = 40_000.0


@dataclass(frozen=True)
class Kind:
    """What devices of a kind are drawn from; shares are of the shutdown torque.

    Attributes:
        friction, backlash_mm: Largest half play of torque and of position.
        square, cube, ripple: Largest bend of the spring's law at the end of travel, and ripple along it.
        noise_mm, resolution_mm, drift_mm: Of the transducer. reference_pct: expanded uncertainty of the reference.
        reference_noise: Scatter of one applied torque, standard deviation.
        temperature_pct_per_k, temperature_range_k: As stated in the record, and true.
        runs, levels: Of the calibration. run_sd: What a whole run is off by, and a later reading too, standard
            deviation (how the gear was bedded in, how warm it ran).
        swing: Largest amplitude of the load's swing after it.
        form: As asked for.
    """

    friction: float = 0.003
    backlash_mm: float = 0.02
    square: float = 0.02
    cube: float = 0.004
    ripple: float = 0.0005
    noise_mm: float = 0.01
    resolution_mm: float = 0.01
    drift_mm: float = 0.04
    reference_pct: float = 0.4
    reference_noise: float = 0.0005
    temperature_pct_per_k: float = 0.03
    temperature_range_k: float = 12.0
    runs: int = 2
    levels: int = 10
    swing: float = 0.15
    form: str = ""
    run_sd: float = 0.0


class Play:
    """A play operator: follows what drives it, `half` behind."""

    def __init__(self, half: float, at: float = 0.0) -> None:
        self.half, self.at = half, at

    def follow(self, drive: float) -> float:
        self.at = min(max(self.at, drive - self.half), drive + self.half)
        return self.at


class Device:
    """One device of a kind."""

    def __init__(self, kind: Kind, rng: np.random.Generator) -> None:
        self.kind, self.rng = kind, rng
        self.preload_nm = float(rng.uniform(0.15, 0.25)) * SHUTDOWN_NM
        self.nm_per_mm = float(rng.uniform(0.040, 0.050)) * SHUTDOWN_NM
        self.travel_mm = 25.0
        full = self.nm_per_mm * self.travel_mm
        self.square, self.cube = (float(rng.uniform(-b, b)) * full for b in (kind.square, kind.cube))
        self.ripple = float(rng.uniform(0.0, kind.ripple)) * full
        self.wave_mm, self.phase = float(rng.uniform(4.0, 12.0)), float(rng.uniform(0.0, 6.28))
        self.friction = Play(float(rng.uniform(0.1, 1.0)) * kind.friction * SHUTDOWN_NM)
        self.backlash = Play(float(rng.uniform(0.0, 1.0)) * kind.backlash_mm / 2.0)
        self.drift_mm = 0.0
        self.warmth = 1.0
        self._x = np.linspace(0.0, self.travel_mm, 2001)
        self._t = self.spring(self._x)
        assert np.all(np.diff(self._t) > 0.0)

    def spring(self, x_mm: Floats) -> Floats:
        """Torque that the springs hold at a position, cold as at the proof."""
        u = x_mm / self.travel_mm
        bend = self.square * u * (1.0 - u) * 4.0 + self.cube * u * (1.0 - u) * (0.5 - u) * 20.0
        return (
            self.preload_nm
            + self.nm_per_mm * x_mm
            + bend
            + self.ripple * np.sin(x_mm / self.wave_mm * 6.283 + self.phase)
        )

    def apply(self, torque_nm: float) -> float:
        """Let the torque act; gives the position as the transducer and its converter read it."""
        held = self.friction.follow(torque_nm) / self.warmth
        self.backlash.follow(float(np.interp(held, self._t, self._x)))
        return self.read()

    def read(self) -> float:
        """The position as the transducer and its converter give it."""
        seen = self.backlash.at + self.drift_mm + float(self.rng.normal(0.0, self.kind.noise_mm))
        return round(round(seen / self.kind.resolution_mm) * self.kind.resolution_mm, 6)

    def calibrate(self) -> RecordContent:
        """Runs up and down past both ends of the points."""
        kind, rng = self.kind, self.rng
        wrong = 1.0 + float(rng.normal(0.0, kind.reference_pct / 200.0))
        levels = np.linspace(self.preload_nm + 0.03 * SHUTDOWN_NM, 1.1 * SHUTDOWN_NM, kind.levels)
        points = []
        for run in range(1, kind.runs + 1):
            off_nm = self.run_off_nm()
            self.apply(0.5 * self.preload_nm)
            for branch, order in (("rising", levels), ("falling", levels[::-1])):
                for level in order:
                    true = float(level) + float(rng.normal(0.0, kind.reference_noise * SHUTDOWN_NM))
                    points.append(CalibrationPoint(round(true * wrong + off_nm, 1), self.apply(true), branch, run))
                self.apply(1.18 * SHUTDOWN_NM)
        return RecordContent(
            drive="D",
            device_serial="S",
            made_by="sim",
            made_on="2026-03-14",
            method="factory output",
            points=tuple(points),
            reference_uncertainty_pct=kind.reference_pct,
            resolution_mm=kind.resolution_mm,
            transducer_error_mm=kind.drift_mm,
            temperature_pct_per_k=kind.temperature_pct_per_k,
            temperature_range_k=kind.temperature_range_k,
            form=kind.form,
        )

    def run_off_nm(self) -> float:
        """What one run is off by."""
        sd = self.kind.run_sd
        return float(self.rng.normal(0.0, sd * SHUTDOWN_NM)) if sd else 0.0

    def go_to_site(self) -> None:
        """Years later: another temperature, a drifted transducer."""
        kind, rng = self.kind, self.rng
        self.warmth = (
            1.0 - kind.temperature_pct_per_k / 100.0 * float(rng.uniform(-1.0, 1.0)) * kind.temperature_range_k
        )
        self.drift_mm = float(rng.uniform(-1.0, 1.0)) * kind.drift_mm

    def work(self) -> tuple[float, float]:
        """A load that swings about a level for a while; the true torque and the position read at a moment of it."""
        rng = self.rng
        level = float(rng.uniform(0.35, 1.0)) * SHUTDOWN_NM
        amplitude = float(rng.uniform(0.0, self.kind.swing)) * SHUTDOWN_NM
        self.apply(0.0)
        steps = np.arange(int(rng.integers(30, 90)))
        slow, fast = rng.uniform(0.05, 0.15), rng.uniform(0.5, 1.5)
        swing = np.sin(slow * steps + rng.uniform(0, 6.28)) + 0.2 * np.sin(fast * steps + rng.uniform(0, 6.28))
        torque = np.clip(level + amplitude * swing, 0.0, 1.08 * SHUTDOWN_NM)
        position = 0.0
        for value in torque:
            position = self.apply(float(value))
        return float(torque[-1]), position

    def rest(self) -> tuple[float, float]:
        """The arm stands anywhere between its branches, no place more likely than another."""
        held = float(self.rng.uniform(0.35, 1.05)) * SHUTDOWN_NM
        torque = held + float(self.rng.uniform(-1.0, 1.0)) * self.friction.half
        self.friction.at = held
        x = float(np.interp(held / self.warmth, self._t, self._x))
        self.backlash.at = x + float(self.rng.uniform(-1.0, 1.0)) * self.backlash.half
        return torque, self.read()


@dataclass(frozen=True)
class Study:
    """What a number of devices showed.

    Attributes:
        kind: What they were. cases: Readings within the calibrated range. covered: of them, those whose interval holds
            the true torque. largest_pct, mean_pct: Expanded uncertainty as % of shutdown torque, the largest along each
            record. forms: how many records took each form. left_out: of the budget, as the records say.
    """

    kind: Kind
    cases: int
    covered: int
    largest_pct: float
    mean_pct: float
    forms: dict[str, int]
    left_out: tuple[str, ...] = ()

    @property
    def share(self) -> float:
        """Share of the intervals that hold the truth."""
        return self.covered / self.cases


def study(kind: Kind, count: int, seed: int, *, swinging: bool) -> Study:
    """Calibrate `count` devices, send each to its site, read it once there.

    Args:
        swinging: The arm follows a load that swings; otherwise it rests anywhere between its branches.
    """
    rng = np.random.default_rng(seed)
    covered = cases = 0
    largest: list[float] = []
    forms: dict[str, int] = {}
    for _ in range(count):
        device = Device(kind, rng)
        record = make_record(device.calibrate())
        forms[record.fit.form] = forms.get(record.fit.form, 0) + 1
        largest.append(100.0 * max(record.budget.result.expanded_nm) / SHUTDOWN_NM)
        device.go_to_site()
        true_nm, position_mm = device.work() if swinging else device.rest()
        true_nm += device.run_off_nm()
        reading = torque_of(curve_of(record))(position_mm)
        if reading.kind is Exactness.EXACT:
            assert reading.value is not None
            assert reading.uncertainty is not None
            cases += 1
            covered += abs(true_nm - reading.value) <= reading.uncertainty
    return Study(kind, cases, covered, max(largest), float(np.mean(largest)), forms, record.budget.left_out)
