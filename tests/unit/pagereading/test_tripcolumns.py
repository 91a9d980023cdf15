"""Readings of a trip record: each of a signal that was asked for, and no hole where it was not."""

from __future__ import annotations

import numpy as np

from nightrake.longterm.tripfile import Readings
from nightrake.pagereading.tripcolumns import TripColumns

NAN = float("nan")


def part() -> Readings:
    """Contacts are read four times a second, the position once; one time its wire is broken."""
    torque = [10.0, NAN, NAN, NAN, 20.0, NAN, NAN, NAN, NAN, NAN, NAN, NAN, 40.0]
    words = ["" if np.isnan(value) else "exact" for value in torque]
    times = np.arange(13, dtype=np.int64) * 250
    bad = ["position=bad" if n == 8 else "" for n in range(13)]
    values = {"torque_nm": np.array(torque), "torque_uncertainty_nm": np.array(torque) / 100, "contact:a": np.ones(13)}
    return Readings("PLCA", times, times * 1_000_000, times, values, words, bad)


def test_scan_that_did_not_ask_for_the_position_is_no_hole() -> None:
    """The line goes on from one reading of the position to the next, and is broken where that was bad."""
    told = TripColumns([part()], None, 0, 3_001).between(0, 0, 2_000)["signals"]["torque_nm"]

    assert told["utc_s"] == [0.0, 1.0, 2.0, 3.0]
    assert told["mean"] == [10.0, 20.0, None, 40.0]
    assert told["limit"] == [0, 0, 0, 0]
