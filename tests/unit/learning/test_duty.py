"""Miner's rule, cycles by class, hours at torque: by hand, and what limits of the record do to them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.learning.duty import (
    AtTorque,
    Basis,
    Counts,
    CycleCounting,
    Duty,
    Rule,
    miner,
    steady,
    time_at_torque,
)
from nightrake.learning.dutyrainflow import rainflow
from nightrake.learning.dutytold import agreement, told_counts, told_duty

DAY_MS = 86_400_000
FROM_MS = 1_780_272_000_000  # 2026-06-01
RULE = Rule(40_000.0)


def counted(values: list[float], below: list[bool] | None = None, rule: Rule = RULE) -> CycleCounting:
    counting = CycleCounting(rule)
    counting.add(np.array(values), None if below is None else np.array(below))
    return counting


def at(torque_nm: list[float], hours: list[float], code: list[int] | None = None) -> AtTorque:
    return AtTorque(np.array(torque_nm), np.array(hours), np.array(code or [0] * len(hours), np.int8))


def test_miner_on_the_standards_example() -> None:
    """The counts of ASTM E1049's example by hand: sum(n S^3) = 0.5*27 + 1.5*64 + 0.5*216 + 512 + 0.5*729 = 1094.

    Equivalent ranges (1094/4)^(1/3) and (67838/4)^(1/5): worked out from the table, not published.
    """
    found = rainflow((-2, 1, -3, 5, -1, 3, -4, 4, -2))

    assert miner(found.size, found.number, 3.0, 1.0) == pytest.approx(1094.0, rel=1e-12)
    assert miner(found.size, found.number, 5.0, 1.0) == pytest.approx(67_838.0, rel=1e-12)
    assert steady(1094.0, 4.0, 3.0, 1.0) == pytest.approx(6.491112112888497, rel=1e-12)
    assert steady(67_838.0, 4.0, 5.0, 1.0) == pytest.approx(7.012657184894694, rel=1e-12)


def test_miner_is_the_sum_of_n_over_n() -> None:
    """A block of three levels as textbooks have it (own numbers; Palmgren 1924, Miner 1945, from memory).

    On the line N = 10^6 (100 / S)^4: 1 000 cycles of 200, 5 000 of 150 and 20 000 of 100 MPa use up
    1000/62500 + 5000/197531 + 20000/1000000 of a life, so sum(n S^4) at 100 MPa is 10^6 times that.
    """
    shares = 1_000 / 62_500 + 5_000 / (1e6 / 1.5**4) + 20_000 / 1e6

    assert miner([200.0, 150.0, 100.0], [1_000, 5_000, 20_000], 4.0, 100.0) == pytest.approx(1e6 * shares, rel=1e-12)


def test_cycles_by_class_and_what_they_do() -> None:
    """Ten cycles of the reference's half, exponent 5: as much as 10 / 32; the class of 50 % holds them."""
    values = [0.0, 20_000.0] * 10 + [0.0]
    found = counted(values).cycles(Basis.SCANS, FROM_MS, FROM_MS + DAY_MS, 24.0)

    assert found.total == 10.0
    assert found.count[50] == 10.0
    assert found.mean_nm[50] == 10_000.0
    assert (found.range_nm[50], found.class_nm, found.largest_nm) == (20_000.0, 400.0, 20_000.0)
    assert found.equivalent.low == found.equivalent.high == pytest.approx(10 / 32)
    assert "no life" not in found.sentence
    assert found.sentence == (
        "10.0 cycles of torque, the largest of 20.0 kN.m (2026-06-01 to 2026-06-02, counted from every reading); by "
        "Miner's rule with exponent 5 they do as much as 0.31 cycles between nothing and shutdown torque (40.0 kN.m): "
        "a figure to compare drives and months by, not a statement of life."
    )


def test_readings_below_the_preload_bound_the_sum_from_both_sides() -> None:
    """Two swings from below 8 kN.m to 40: at least those of 32, at most those of 40; said, and the rest exact."""
    values, below = [8_000.0, 40_000.0, 8_000.0, 40_000.0, 8_000.0], [True, False, True, False, True]
    found = counted(values, below).cycles(Basis.MINUTES, FROM_MS, FROM_MS + DAY_MS)

    assert found.equivalent.low == pytest.approx(2 * 0.8**5)
    assert found.equivalent.high == pytest.approx(2.0)
    assert "they do at least as much as 0.66 cycles" in found.sentence
    assert any("as much as 2.0 such cycles" in remark for remark in found.remarks)


def test_first_reading_below_may_come_late() -> None:
    """What was counted before the first one below is in both bounds."""
    counting = CycleCounting(RULE)
    counting.add(np.array([10_000.0, 30_000.0, 10_000.0]), np.zeros(3, np.bool_))
    counting.add(np.array([30_000.0, 8_000.0]), np.array([False, True]))
    found = counting.cycles(Basis.SCANS, FROM_MS, FROM_MS + DAY_MS)

    low = rainflow([10_000, 30_000, 10_000, 30_000, 8_000])
    high = rainflow([10_000, 30_000, 10_000, 30_000, 0])
    assert found.equivalent.low == pytest.approx(miner(low.size, low.number, 5.0, 40_000.0))
    assert found.equivalent.high == pytest.approx(miner(high.size, high.number, 5.0, 40_000.0))


@given(st.lists(st.floats(0.0, 50_000.0), max_size=50), st.integers(0, 50))
def test_slices_make_no_difference_to_a_sum(values: list[float], cut: int) -> None:
    """The same classes and sum however readings are sliced."""
    whole, parts = counted(values), CycleCounting(RULE)
    for part in (values[:cut], values[cut:]):
        parts.add(np.array(part))
    one, other = (c.cycles(Basis.SCANS, FROM_MS, FROM_MS + DAY_MS) for c in (whole, parts))

    assert one.count.tolist() == other.count.tolist()
    assert one.equivalent.low == pytest.approx(other.equivalent.low)
    assert one.largest_nm == other.largest_nm


def test_nothing_read_is_a_sentence() -> None:
    """No reading, or readings that are none: no cycle, and no invented figure."""
    found = counted([np.nan, np.nan]).cycles(Basis.SCANS, FROM_MS, FROM_MS + DAY_MS)

    assert (found.total, found.largest_nm, found.equivalent.high) == (0.0, 0.0, 0.0)
    assert found.sentence.startswith("No cycle of torque")


def test_hours_at_torque_by_class() -> None:
    """100 h at half the reference and 1 h at it, exponent 6.6: 100 * 2^-6.6 + 1 h at the reference."""
    found = time_at_torque(
        [at([20_000.0, 40_000.0], [100.0, 1.0])], RULE, FROM_MS, FROM_MS + 7 * DAY_MS, is_running=True
    )

    assert found is not None
    assert found.edge_nm.tolist() == [4_000.0 * i for i in range(12)]
    assert (found.hours[5], found.hours[10], found.total_h) == (100.0, 1.0, 101.0)
    assert found.equivalent_h.low == found.equivalent_h.high == pytest.approx(100 * 2**-6.6 + 1)
    assert found.equivalent_nm.low == pytest.approx(40_000 * ((100 * 2**-6.6 + 1) / 101) ** (1 / 6.6))
    assert "not a statement of life" in found.sentence


def test_hours_below_and_beyond_are_kept_apart_and_said() -> None:
    """Hours below the preload make a bound, hours beyond the record a remark; neither goes into a class."""
    parts = [at([8_000.0, 20_000.0, 44_000.0], [50.0, 50.0, 0.5], [-1, 0, 1])]
    found = time_at_torque(parts, RULE, FROM_MS, FROM_MS + 7 * DAY_MS, is_running=True)

    assert found is not None
    assert (found.below_h, found.below_nm, found.beyond_h, found.beyond_nm) == (50.0, 8_000.0, 0.5, 44_000.0)
    assert found.hours.sum() == 50.0
    assert found.equivalent_h.high - found.equivalent_h.low == pytest.approx(50 * 0.2**6.6)
    assert [remark.split(" ")[0] for remark in found.remarks] == ["50", "For"]


def test_no_torque_is_none() -> None:
    """Where there is no torque there are no hours at it."""
    parts = [at([np.nan], [5.0]), at([1.0], [0.0])]

    assert time_at_torque(parts, RULE, FROM_MS, FROM_MS + DAY_MS, is_running=True) is None


def counts(**given: object) -> Counts:
    told: dict[str, object] = {
        "running_h": 20.0, "covered_h": 24.0, "period_h": 24.0, "starts": 3, "starts_basis": Basis.MINUTES, "alarms": 1,
        "shutdowns": 0, "energy_kwh": None, "energy_h": 0.0, "energy_from_utc_ms": 0, "energy_to_utc_ms": 0,
    }  # fmt: skip
    return Counts(**{**told, **given}, sentence="")  # type: ignore[arg-type]


def test_counts_in_words() -> None:
    """Running time, starts, overloads; no energy is told where no power is read."""
    found = told_counts(counts())

    assert found.sentence == (
        "Ran for 20.0 h of 24.0 h in which it was read; at least 3 starts; 1 alarm and 0 shutdowns in service."
    )


def test_counts_say_what_is_not_known() -> None:
    """No run feedback and gaps are said; energy with the time that it is of."""
    found = told_counts(
        counts(
            running_h=float("nan"),
            starts=None,
            starts_basis=None,
            covered_h=12.0,
            energy_kwh=8.5,
            energy_h=12.0,
            energy_from_utc_ms=FROM_MS,
            energy_to_utc_ms=FROM_MS + DAY_MS,
        )
    )

    assert "there is no run feedback" in found.sentence
    assert "8.50 kWh in the 12.0 h from 2026-06-01 to 2026-06-02" in found.sentence
    assert found.remarks == ("Nothing was read for 50 % of the time.",)


def test_duty_in_one_sentence() -> None:
    """Counts, the steady torque that does as much, and how far it swung."""
    hours = time_at_torque([at([20_000.0], [20.0])], RULE, FROM_MS, FROM_MS + DAY_MS, is_running=True)
    cycles = counted([0.0, 20_000.0, 0.0]).cycles(Basis.MINUTES, FROM_MS, FROM_MS + DAY_MS)
    whole = Duty("PC1", "forward", FROM_MS, FROM_MS + DAY_MS, told_counts(counts()), hours, (cycles,), "", "")

    assert told_duty(whole).sentence.endswith(
        "the load was as a steady 20.0 kN.m (Miner's rule, exponent 6.6); its torque swung by up to 20.0 kN.m."
    )


def test_rows_beside_readings() -> None:
    """What rows find of what all readings find is told in shares; of nothing it is not told."""
    scans = counted([0.0, 30_000.0] * 4 + [0.0]).cycles(Basis.SCANS, FROM_MS, FROM_MS + DAY_MS)
    rows = counted([0.0, 30_000.0] * 2 + [0.0]).cycles(Basis.MINUTES, FROM_MS, FROM_MS + DAY_MS)
    none = counted([]).cycles(Basis.SCANS, FROM_MS, FROM_MS + DAY_MS)

    assert "50 % of the larger cycles, 50 % of all cycles, and 50 % of what they do" in agreement(rows, scans)
    assert agreement(rows, none) == ""
