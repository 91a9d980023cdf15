"""How far a long piece of work has come: by its period, or where that says nothing by what was done."""

from __future__ import annotations

import io

import pytest

from nightrake.cli.progress import Progress
from nightrake.cli.trend_run import seen_by

YEAR_MS = 366 * 86_400_000


@pytest.mark.parametrize(
    ("span_ms", "said"),
    [(YEAR_MS, "writing PC1: 25 %, 70 rows\n"), (1_095 * YEAR_MS, "writing PC1: 70 rows\n")],
)
def test_period_over_a_clock_that_was_far_off_has_no_percentage(span_ms: int, said: str) -> None:
    """It would stand at 0 % to the end."""
    times, out = iter([0.0, 60.0]), io.StringIO()
    with Progress("writing PC1", 0, span_ms, out, lambda: next(times)) as progress:
        progress.at(YEAR_MS // 4, 70, "rows")
    assert out.getvalue() == said


def test_readings_that_are_kept_are_a_part_of_the_period_only() -> None:
    """Of three years looked at thirty days of readings are there: the share is of those."""
    day_ms, times, out = 86_400_000, iter([0.0, 5.0, 20.0, 40.0]), io.StringIO()
    with Progress("reading", 0, 3 * YEAR_MS, out, lambda: next(times)) as progress:
        seen = seen_by(progress, 1_000 * day_ms)
        for day in (970, 985, 1_000):
            seen(day * day_ms)
    assert out.getvalue() == "".join(f"reading: {n} % of the readings that are kept\n" for n in (50, 100))
