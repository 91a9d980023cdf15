"""Days of a simulated load as the summaries of the history keep them: raw positions by the drive's own record."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from nightrake.commissioning.convert import BELOW, BEYOND, EXACT, torques
from nightrake.domain.site import Direction, DriveSpec, Stage, ValueType
from nightrake.history.basis import FORWARD, Basis, basis_of
from nightrake.history.histogram import Floats, histogram
from nightrake.history.kept import HourBytes
from nightrake.history.rows import Grain, Table, blank, columns_of
from nightrake.history.summaries import RUNNING, STOPPED, Entry, raw_steps
from twoyearloads import IN_MINUTE, WORTH

SECOND_NS = 1_000_000_000
FINE_MM = 0.01
"""Step of a transmitter that gives mm as a float."""
CODES = (("exact", EXACT), ("below", BELOW), ("beyond", BEYOND))


class Arm:
    """A drive's arm and transducer: torque to the value that its PLC serves, which is what `Basis` undoes.

    Args:
        spec: Its settings; the forward record is the truth.
    """

    def __init__(self, spec: DriveSpec) -> None:
        curve, position = spec.calibrations[Direction.FORWARD], spec.position
        assert position is not None
        basis = basis_of(spec)
        assert basis is not None
        self.spec, self.position, self.basis = spec, position, basis
        self._mm = np.linspace(0.0, abs(curve.position_mm[-1]), 4_000)
        found = torques(self._mm, curve)
        self._mm, self._nm = self._mm[found.code == EXACT], found.torque_nm[found.code == EXACT]

    def value(self, torque_nm: Floats) -> Floats:
        """Decoded values; below the first point of the record the arm lies on its stop."""
        mm = np.where(torque_nm < self._nm[0], 0.0, np.interp(torque_nm, self._nm, self._mm))
        p = self.position
        value = p.lo + (mm - p.lo_mm) / (p.hi_mm - p.lo_mm) * (p.hi - p.lo)
        if p.point.type is ValueType.FLOAT32:
            return np.round(value / FINE_MM) * FINE_MM
        return np.round((value - p.point.offset) / p.point.scale) * p.point.scale + p.point.offset

    def raw(self, torque_nm: float) -> float:
        """The raw value in the register."""
        point = self.position.point
        raw = (float(self.value(np.array([torque_nm]))[0]) - point.offset) / point.scale
        return raw if point.type is ValueType.FLOAT32 else float(round(raw))


def hours_of(
    arm: Arm,
    named: tuple[str, Basis],
    torque_nm: Floats,
    runs: npt.NDArray[np.bool_],
    wanted: Sequence[int],
    *,
    minutes: bool,
) -> dict[int, HourBytes]:
    """A day as its hours.

    Args:
        named: By which it is counted, with its digest; perhaps another record than the true one.
        torque_nm: True torque, shape (1440, readings). runs: Whether the motor ran, by hour. wanted: Which hours.
        minutes: With their rows too.
    """
    digest, basis = named
    torque_nm = torque_nm.reshape(24, 60, -1)[list(wanted)]
    on = runs[list(wanted)]
    true_nm = np.where(on[:, None, None], torque_nm, 0.0).reshape(-1, torque_nm.shape[2])
    steps = raw_steps(arm.value(true_nm), arm.position.point)
    different, back = np.unique(steps, return_inverse=True)
    found = basis.convert(different)
    nm, code = found.torque_nm[back].reshape(steps.shape), found.code[back].reshape(steps.shape)
    count = len(on)
    by_hour = _rows(arm.spec, Grain.HOUR, nm.reshape(count, -1), code.reshape(count, -1), on)
    by_minute = _rows(arm.spec, Grain.MINUTE, nm, code, np.repeat(on, 60)) if minutes else {}
    hours = {}
    for at, hour in enumerate(wanted):
        counted = histogram(steps[at * 60 : at * 60 + 60].reshape(-1))
        kind = RUNNING if on[at] else STOPPED
        entry = Entry(digest, FORWARD, kind, counted._replace(counts=counted.counts * WORTH))
        row = {name: column[at : at + 1] for name, column in by_hour.items()}
        some = {name: column[at * 60 : at * 60 + 60] for name, column in by_minute.items()}
        hours[hour] = HourBytes(some, row, (entry,))
    return hours


def _rows(spec: DriveSpec, grain: Grain, nm: Floats, code: npt.NDArray[np.int8], runs: npt.NDArray[np.bool_]) -> Table:
    """Rows of minutes or hours; each row's readings lie in a row of `nm`."""
    table = blank(columns_of(list(spec.directions)), grain, len(nm))
    n, ns = nm.shape[1] * WORTH, grain.span_ms * 1_000_000
    assert n == grain.span_ms // 60_000 * IN_MINUTE * WORTH
    table["drive.covered_ns"][:] = table["drive.good_ns"][:] = ns
    table["drive.running_ns"][runs] = table["drive.stopped_ns"][~runs] = ns
    table["drive.readings"][:] = n
    for name, number in CODES:
        table[f"forward.time.{name}"][:] = (code == number).sum(axis=1) * WORTH
    over: Floats = (nm >= spec.set_point_nm(Direction.FORWARD, Stage.ALARM)).mean(axis=1)
    table["forward.time.alarm_ns"][:] = (over * ns).astype(np.int64)
    table["forward.time.normal_ns"][:] = ns - table["forward.time.alarm_ns"]
    for side in spec.directions[1:]:
        table[f"{side}.time.normal_ns"][:] = ns
    values = {
        "n": np.full(len(nm), n, np.int64),
        "min_nm": nm.min(axis=1),
        "mean_nm": nm.mean(axis=1),
        "max_nm": nm.max(axis=1),
        "std_nm": nm.std(axis=1, ddof=1),
        "median_nm": np.median(nm, axis=1),
        "p95_nm": np.quantile(nm, 0.95, axis=1),
    }
    for name, column in values.items():
        table[f"forward.all.{name}"][:] = column
        table[f"forward.running.{name}"][runs] = column[runs]
    return table
