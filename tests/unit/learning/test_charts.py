"""Control charts: gaps, first values, dates of what they found, arguments."""

from __future__ import annotations

import numpy as np
import pytest

from nightrake.errors import LearningError
from nightrake.learning.charts import cusum, cusum_run_length, ewma, since


def test_a_gap_is_no_news() -> None:
    """Both charts stand still over a NaN, signal nothing there, and go on as if it had not been."""
    y = np.array([1.0, 9.0, np.nan, np.inf, 2.0, 9.0])
    there = np.isfinite(y)

    weighted, summed = ewma(y, 0.5, 0.0, 1.0, 1.0), cusum(y, 0.0, 0.5, 2.0)
    plain_weighted, plain_summed = ewma(y[there], 0.5, 0.0, 1.0, 1.0), cusum(y[there], 0.0, 0.5, 2.0)

    assert weighted.value[there].tolist() == plain_weighted.value.tolist()
    assert weighted.value[2:4].tolist() == [weighted.value[1]] * 2
    assert summed.high[there].tolist() == plain_summed.high.tolist()
    assert summed.high[2:4].tolist() == [summed.high[1]] * 2
    assert not {2, 3} & {*weighted.signals.tolist(), *summed.signals.tolist()}


def test_a_gap_at_the_beginning() -> None:
    """Nothing read yet: the EWMA is the centre, the sums are nought."""
    assert ewma([np.nan, 4.0], 0.25, 2.0, 1.0, 3.0).value.tolist() == [2.0, 2.5]
    assert cusum([np.nan, 4.0], 2.0, 0.5, 9.0).high.tolist() == [0.0, 1.5]
    assert ewma([], 0.25, 2.0, 1.0, 3.0).value.size == cusum([], 2.0, 0.5, 9.0).low.size == 0


def test_first_limits_are_narrower() -> None:
    """The first point's limits are those of one weighted value, and widen to those of the long run."""
    exact = ewma(np.zeros(200), 0.2, 0.0, 1.0, 3.0, is_steady=False)
    steady = ewma(np.zeros(200), 0.2, 0.0, 1.0, 3.0)

    assert exact.high[0] == pytest.approx(3.0 * 0.2)
    assert (np.diff(exact.high) >= 0).all()
    assert exact.high[-1] == pytest.approx(steady.high[0], rel=1e-12)


def test_a_weight_of_one_is_the_plain_chart() -> None:
    """The values themselves, with limits of three sigma."""
    chart = ewma([0.0, 3.5, -4.0], 1.0, 0.0, 1.0, 3.0)

    assert chart.value.tolist() == [0.0, 3.5, -4.0]
    assert chart.signals.tolist() == [1, 2]
    assert chart.low[0] == -3.0


def test_both_sides_signal() -> None:
    """What falls counts like what rises."""
    y = np.array([0.0, 0.0, 3.0, 3.0, 0.0, 0.0])

    up, down = cusum(y, 0.0, 0.5, 4.0), cusum(-y, 0.0, 0.5, 4.0)

    assert up.high.tolist() == down.low.tolist() == [0.0, 0.0, 2.5, 5.0, 4.5, 4.0]
    assert up.signals.tolist() == down.signals.tolist() == [3, 4]


def test_when_the_climb_began() -> None:
    """A step at 40 that signals some values later is dated back to where it began."""
    y = np.concatenate((np.random.default_rng(4).normal(size=40), np.full(10, 2.0)))
    chart = cusum(y, 0.0, 0.5, 5.0)

    assert int(chart.signals[0]) > 40
    assert 38 <= since(chart.high, int(chart.signals[0])) <= 40
    assert since(np.array([1.0, 2.0]), 1) == 0


def test_finer_cells_change_nothing() -> None:
    """The run length has settled at the cells that are taken by default."""
    assert cusum_run_length(0.5, 5.0) == pytest.approx(cusum_run_length(0.5, 5.0, cells=500), rel=1e-3)


@pytest.mark.parametrize(
    ("given", "why"),
    [
        ({"weight": 0.0}, "weight"),
        ({"weight": 1.1}, "weight"),
        ({"weight": np.nan}, "weight"),
        ({"sigma": -1.0}, "sigma"),
        ({"centre": np.nan}, "centre"),
        ({"width": -3.0}, "width"),
    ],
)
def test_ewma_arguments_out_of_range(given: dict[str, float], why: str) -> None:
    """One sentence that says which."""
    with pytest.raises(LearningError, match=why):
        ewma([1.0], **{"weight": 0.2, "centre": 0.0, "sigma": 1.0, "width": 3.0, **given})  # type: ignore[arg-type]


@pytest.mark.parametrize("name", ["target", "k", "h"])
def test_cusum_arguments_out_of_range(name: str) -> None:
    """One sentence that says which; a target may be below nought."""
    assert cusum([-1.0], target=-1.0, k=0.5, h=1.0).high.tolist() == [0.0]
    with pytest.raises(LearningError, match=name):
        cusum([1.0], **{"target": 0.0, "k": 0.5, "h": 4.0, name: np.nan})
