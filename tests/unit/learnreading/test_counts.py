"""Shares and quantiles of counted positions are those of the readings written out one by one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.commissioning.convert import BELOW, BEYOND
from nightrake.domain.site import Direction
from nightrake.history.basis import FORWARD, REVERSE, Basis, basis_of
from nightrake.history.histogram import histogram
from nightrake.history.summaries import NOT_KNOWN, RUNNING, STOPPED, Entry
from nightrake.learnreading.counts import QUANTILES, Place, figures, while_running
from summarydrives import STEEPER, make_drive


def certain(basis: Basis | None) -> Basis:
    """A basis that is there."""
    assert basis is not None
    return basis


ONE = certain(basis_of(make_drive()))
TWO = certain(basis_of(make_drive(two=True)))
OTHER = ONE.with_curve(STEEPER)


def entry(steps: list[int], basis: Basis = ONE, running: int = RUNNING, side: int = FORWARD) -> Entry:
    """Counts of raw steps, each kept."""
    return Entry(basis.digest, side, running, histogram(np.array(steps)))


STEPS = st.lists(st.integers(0, 4_095), min_size=1, max_size=40)


@given(st.lists(st.tuples(st.integers(0, 3), STEPS, st.booleans()), min_size=1, max_size=6))
def test_as_of_the_readings_one_by_one(days: list[tuple[int, list[int], bool]]) -> None:
    """Any counts of any days under two records: number, shares and quantiles, censored where they lie outside."""
    places = [Place(day, entry(steps, OTHER if other else ONE)) for day, steps, other in days]
    found = figures(places, {ONE.digest: ONE, OTHER.digest: OTHER})
    for at, day in enumerate(found.period.tolist()):
        torques, codes = list[float](), list[int]()
        for own, steps, other in days:
            converted = (OTHER if other else ONE).convert(np.array(steps))
            torques += converted.torque_nm[~np.isnan(converted.torque_nm)].tolist() if own == day else []
            codes += converted.code[~np.isnan(converted.torque_nm)].tolist() if own == day else []
        order = np.argsort(torques, kind="stable")
        assert found.n[at] == len(torques)
        assert found.below[at] == codes.count(BELOW)
        assert found.beyond[at] == codes.count(BEYOND)
        assert found.n[at] + found.absent[at] == sum(len(s) for own, s, _ in days if own == day)
        for share, value in zip(QUANTILES, found.quantiles[:, at], strict=True):
            if not len(order):
                assert np.isnan(value)
                continue
            where = (len(torques) - 1) * share
            is_outside = int(where) < codes.count(BELOW) or min(int(where) + 1, len(torques) - 1) >= (
                len(torques) - codes.count(BEYOND)
            )
            assert np.isnan(value) if is_outside else value == pytest.approx(np.quantile(torques, share))


def test_nothing_counted() -> None:
    """No counts, no figures."""
    assert len(figures([], {}).period) == 0


def test_sides_are_kept_apart() -> None:
    """Counts of forward and reverse of one day are two rows."""
    places = [Place(5, entry([3_500], TWO)), Place(5, entry([900, 950], TWO, side=REVERSE))]
    found = figures(places, {TWO.digest: TWO})
    assert found.side.tolist() == [FORWARD, REVERSE]
    assert found.n.tolist() == [1, 2]


def test_only_while_the_motor_ran() -> None:
    """Standstill does not count; where feedback said nothing all day, everything does, and the day is named."""
    places = [
        Place(1, entry([3_000])),
        Place(1, entry([900], running=STOPPED)),
        Place(1, entry([950], running=NOT_KNOWN)),
        Place(2, entry([900], running=STOPPED)),
        Place(3, entry([3_100], running=NOT_KNOWN)),
    ]
    chosen = while_running(places)
    assert [place.period for place in chosen.places] == [1, 3]
    assert chosen.unknown == {3}


def test_direction_without_a_record_gives_no_torque() -> None:
    """Readings of a side that has no record in force are counted as absent."""
    lone = Basis(TWO.position, True, Direction.FORWARD, {Direction.FORWARD: TWO.curves[Direction.FORWARD]})
    found = figures([Place(1, entry([900, 901], lone, side=REVERSE))], {lone.digest: lone})
    assert (found.n.tolist(), found.absent.tolist()) == ([0], [2])
    assert np.isnan(found.quantiles).all()
