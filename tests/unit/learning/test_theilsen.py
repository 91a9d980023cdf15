"""The median of all slopes without writing them down: the same numbers, whatever is equal to what, in little memory."""

from __future__ import annotations

import tracemalloc

import numpy as np
import numpy.typing as npt
import pytest

from nightrake.errors import LearningError
from nightrake.learning import slopeorder, theilsen
from nightrake.learning.theilsen import Line, slopes

Floats = npt.NDArray[np.floating]
SIZE = 900
"""More points than are done by writing all slopes down."""
QUANTILES = (0.0, 0.05, 0.5, 1.0)


@pytest.fixture
def chance() -> np.random.Generator:
    """The same numbers each time."""
    return np.random.default_rng(7)


@pytest.fixture
def small_rounds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Samples of 32 slopes and few written down, so that small sets of points take many rounds."""
    monkeypatch.setattr(slopeorder, "FEW_POINTS", 0)
    monkeypatch.setattr(slopeorder, "SAMPLE", 32)
    monkeypatch.setattr(slopeorder, "FEW_SLOPES", 0)


def by_all_slopes(x: Floats, y: Floats) -> list[float]:
    """Slope and quantiles of slopes by the plain definition."""
    dx, dy = np.subtract.outer(x, x), np.subtract.outer(y, y)
    all_slopes = np.sort(dy[dx > 0] / dx[dx > 0])
    return [float(np.median(all_slopes)), *np.quantile(all_slopes, QUANTILES).tolist()]


def numbers(line: Line) -> list[float]:
    """Slope and quantiles."""
    return [line.slope, *line.quantiles]


def values_of(kind: str, x: Floats, chance: np.random.Generator) -> Floats:
    """Values that a drive's history, or a mistake, may bring."""
    n = len(x)
    noise = chance.normal(size=n)
    kinds: dict[str, Floats] = {
        "noise": noise,
        "creep": 0.01 * np.arange(n) + noise,
        "counts": np.round(2_000 + 3 * noise + 0.002 * np.arange(n)),
        "constant": np.full(n, 7.25),
        "two values": np.where(noise > 0, 4.0, 20.0),
        "nearly constant": np.where(noise > 2.5, 1.0, 0.0),
        "step": np.where(np.arange(n) > n // 2, 1.0, 0.0) + np.round(noise, 1),
        "exact line": 3.0 + 0.1 * x,
        "huge offset": 1e9 + noise,
        "wild": np.tan(chance.uniform(-1.57, 1.57, n)),
    }
    return kinds[kind]


KINDS = ["noise", "creep", "counts", "constant", "two values", "nearly constant", "step", "exact line", "huge offset"]


@pytest.mark.parametrize("kind", [*KINDS, "wild"])
@pytest.mark.parametrize("times", ["days", "gaps", "together", "utc ms"])
def test_same_slopes_as_all_written_down(kind: str, times: str, chance: np.random.Generator) -> None:
    """Slope and quantiles of 900 points are those of the 400 000 slopes, to the last bits."""
    x = {
        "days": np.arange(SIZE, dtype=np.float64),
        "gaps": np.sort(chance.choice(3 * SIZE, SIZE, replace=False)).astype(np.float64),
        "together": chance.integers(0, 40, SIZE).astype(np.float64),
        "utc ms": 1_767_225_600_000.0 + np.arange(SIZE) * 86_400_000.0,
    }[times]
    y = values_of(kind, x, chance)
    shuffled = chance.permutation(SIZE)

    line = slopes(x[shuffled], y[shuffled], quantiles=QUANTILES)

    assert numbers(line) == pytest.approx(by_all_slopes(x, y), rel=1e-13, abs=0)


@pytest.mark.usefixtures("small_rounds")
@pytest.mark.parametrize("seed", range(60))
def test_same_slopes_through_many_rounds(seed: int) -> None:
    """Where samples are tiny and wrong guesses happen, rounds go on until the slope is the right one."""
    chance = np.random.default_rng(seed)
    n = int(chance.integers(5, 80))
    x = np.unique(chance.integers(0, 200, n)).astype(np.float64) * 10.0 ** chance.integers(-6, 6)
    y = values_of([*KINDS, "wild"][seed % 10], x, chance)

    line = slopes(x, y, quantiles=QUANTILES)

    assert numbers(line) == pytest.approx(by_all_slopes(x, y), rel=1e-12, abs=1e-300)


def test_a_hundred_quantiles_at_once(chance: np.random.Generator) -> None:
    """Many wanted places, near and far from each other, are all found."""
    x, y = np.arange(SIZE, dtype=np.float64), chance.normal(size=SIZE)
    shares = np.linspace(0.0, 1.0, 101)
    dx = np.subtract.outer(x, x)

    line = slopes(x, y, quantiles=shares.tolist())

    expected = np.quantile(np.subtract.outer(y, y)[dx > 0] / dx[dx > 0], shares)
    assert list(line.quantiles) == pytest.approx(expected.tolist(), rel=1e-12)


def test_groups_keep_apart(chance: np.random.Generator) -> None:
    """Pairs of unlike groups do not count, however many groups there are."""
    x, y, group = np.arange(SIZE, dtype=np.float64), chance.normal(size=SIZE), chance.integers(0, 7, SIZE)
    dx = np.subtract.outer(x, x)
    wanted = (dx > 0) & (group[:, None] == group)
    expected = np.sort(np.subtract.outer(y, y)[wanted] / dx[wanted])

    found = slopeorder.ordered(x, y, group, [0, 1_000, 30_000, len(expected) - 1])

    assert theilsen.unlike_pairs(x, group) == len(expected)
    assert found.tolist() == expected[[0, 1_000, 30_000, -1]].tolist()


@pytest.mark.parametrize("kind", ["creep", "counts", "constant", "two values"])
def test_fifty_thousand_points_take_little_memory(kind: str, chance: np.random.Generator) -> None:
    """1.25 thousand million slopes, many of them equal, in less than a hundredth of what they would take."""
    x = np.arange(50_000, dtype=np.float64)
    y = values_of(kind, x, chance)
    tracemalloc.start()
    try:
        line = slopes(x, y)
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()

    assert line.pairs == 50_000 * 49_999 // 2
    assert line.low <= line.slope <= line.high
    assert peak_bytes < 50_000_000


def test_interval_of_an_exact_line() -> None:
    """All slopes equal: so are the limits, and the intercept is the line's."""
    line = slopes([0, 1, 2, 3, 5, 8], [10, 12, 14, 16, 20, 26])

    assert line == Line(2.0, 10.0, 2.0, 2.0, 6, 15, True, ())


def test_serial_correlation_widens_the_interval(chance: np.random.Generator) -> None:
    """Four times the variance of S makes limits about twice as far apart; the slope stays."""
    x, y = np.arange(300), chance.normal(size=300)
    plain, wide = slopes(x, y), slopes(x, y, variance_factor=4.0)

    assert wide.slope == plain.slope
    assert wide.high - wide.low == pytest.approx(2.0 * (plain.high - plain.low), rel=0.15)


def test_more_confidence_is_wider(chance: np.random.Generator) -> None:
    """99 % contains 95 % contains 50 %."""
    x, y = np.arange(60), chance.normal(size=60)
    lows, highs = zip(*((line.low, line.high) for line in (slopes(x, y, c) for c in (0.5, 0.95, 0.99))), strict=True)

    assert list(lows) == sorted(lows, reverse=True)
    assert list(highs) == sorted(highs)


def test_too_few_points_for_the_confidence_are_said() -> None:
    """Four points have no 95 % interval: the limits are the ends, and it is said."""
    line = slopes([1, 2, 3, 4], [1.0, 3.0, 2.0, 5.0])

    assert not line.reached
    assert (line.low, line.high) == (-1.0, 3.0)
    assert slopes([1, 2, 3, 4, 5], [1.0, 3.0, 2.0, 5.0, 5.5], confidence=0.5).reached


def test_gaps_are_left_out() -> None:
    """NaN in x or y, and infinities, leave the line to the others."""
    x = [0.0, 1.0, np.nan, 3.0, 4.0, 5.0, 6.0]
    y = [0.0, 2.0, 50.0, np.nan, 8.0, np.inf, 12.0]

    assert slopes(x, y)[:5] == (2.0, 0.0, 2.0, 2.0, 4)


@pytest.mark.parametrize(
    ("x", "y", "why"),
    [
        ([], [], "trend: 0;"),
        ([1], [1], "trend: 1;"),
        ([1, 2], [1, 2], "trend: 2;"),
        ([1, 2, 3], [np.nan, np.nan, 2.0], "trend: 1;"),
        ([4, 4, 4], [1, 2, 3], "one x"),
        ([1, 2, 3], [1, 2], "3 times and 2 values"),
        ([1, 2, 3], [1, 2, 1e200], "fitting unit"),
        ([1, 2, 3], [1, 2, 1e-200], "fitting unit"),
    ],
)
def test_what_carries_no_line_is_refused(x: list[float], y: list[float], why: str) -> None:
    """One sentence that says why."""
    with pytest.raises(LearningError, match=why):
        slopes(x, y)


@pytest.mark.parametrize(
    ("given", "why"),
    [
        ({"confidence": 1.0}, "confidence"),
        ({"confidence": np.nan}, "confidence"),
        ({"quantiles": (0.5, 1.5)}, "quantile"),
        ({"variance_factor": -1.0}, "variance factor"),
        ({"variance_factor": np.nan}, "variance factor"),
    ],
)
def test_arguments_out_of_range_are_refused(given: dict[str, float], why: str) -> None:
    """One sentence that says which."""
    with pytest.raises(LearningError, match=why):
        slopes([1, 2, 3, 4], [1, 2, 3, 5], **given)  # type: ignore[arg-type]


def test_all_but_tied_in_both_still_has_an_interval() -> None:
    """Where taking off both kinds of ties would leave less than nothing, the variance is not below nought."""
    x, y = np.array([1.0] * 9 + [2.0]), np.array([5.0] * 9 + [6.0])

    line = slopes(x, y)

    assert theilsen.sen_variance(x, y) >= 0
    assert (line.slope, line.low, line.high, line.pairs) == (1.0, 1.0, 1.0, 9)
