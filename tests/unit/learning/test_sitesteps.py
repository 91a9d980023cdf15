"""What the steps of a site's other drives say: as much as they are alike, and nothing that their record cannot bear."""

from __future__ import annotations

import numpy as np
import pytest

from creepdays import FIRST_MS, days_of, end_ms, noise, side_of
from nightrake.learning.alike import chance_that_counts
from nightrake.learning.creep import judge, warning_of
from nightrake.learning.days import DAY_MS, MONTH_DAYS, Floats
from nightrake.learning.evidence import Ground, ground_of
from nightrake.learning.evidence import told as stories_told
from nightrake.learning.pairs import Mixture
from nightrake.learning.recent import Prior
from nightrake.learning.series import series_of
from nightrake.learning.sitesteps import (
    ENOUGH,
    NONE,
    NOTHING,
    SEEN_DAYS,
    known,
    log_any,
    log_ratio,
    own,
    steps_of,
    usual_of,
)
from nightrake.learning.trend import Step

N = 420


def seen(sizes: list[float] | Floats, error: float = 0.2) -> Floats:
    """Steps of these sizes, each known to the same error."""
    return np.column_stack([sizes, np.full(len(sizes), error)])


def ground(percent: Floats, record: Floats | None = None) -> Ground:
    """What stories are told on, at the end of these days."""
    days = days_of(percent)
    if record is not None:
        days = days._replace(record=record.astype(np.int64))
    side = side_of(days, records=2)
    return ground_of(side, series_of(side, 1_100.0))


def measured(size: float, scatter: float, seed: int, count: int = 12) -> Floats:
    """Steps up and down of about a size, as a site has shown them."""
    chance = np.random.default_rng(seed)
    sizes = size * np.exp(scatter * chance.normal(size=count)) + chance.normal(0.0, 0.2, count)
    return seen(sizes * chance.choice([-1.0, 1.0], count))


@pytest.mark.parametrize("size", [2.0, 3.0, 5.0])
def test_steps_of_one_size_tell_it(size: float) -> None:
    """Whatever the size: it is learnt, with a scatter that the error of each does not widen."""
    usual = usual_of(measured(size, 0.0, 1))

    assert usual.share > 0.8
    assert usual.size == pytest.approx(size, abs=0.2)
    assert usual.scatter < 0.1 * size


def test_more_steps_tell_more() -> None:
    """One says a little, three say more, twelve say nearly all; and about where ever more closely."""
    few = [usual_of(measured(3.0, 0.0, 4, count)) for count in (1, 3, 12)]

    assert 0.2 < few[0].share < few[1].share < few[2].share
    assert few[0].scatter > few[1].scatter > few[2].scatter


def test_steps_that_scatter_tell_little() -> None:
    """Sizes of a site that scatter as anybody's do: the more of them, the less is thought to be alike."""
    few, many = ([usual_of(measured(3.3, 0.6, seed, n)).share for seed in range(40)] for n in (6, 30))

    assert np.mean(few) < 0.3
    assert np.mean(many) < 0.1
    assert np.quantile(many, 0.9) < 0.2


def test_strays_spoil_nothing() -> None:
    """Two of twelve that are something else: still most are alike, and of the same size."""
    usual = usual_of(seen([3.0, -3.1, 2.9, 3.0, -3.0, 3.1, -2.8, 3.0, -2.9, 3.1, 6.5, -1.7]))

    assert usual.share > 0.6
    assert usual.size == pytest.approx(3.0, abs=0.15)


@pytest.mark.parametrize("sizes", [[], [0.4], [30.0], [-0.1, 45.0]])
def test_some_steps_teach_nothing(sizes: list[float]) -> None:
    """None at all, those that nobody would call a step, and those that had a cause of their own."""
    assert usual_of(seen(sizes)) == NOTHING
    assert usual_of(seen([*sizes, 3.0, -3.0])) == usual_of(seen([3.0, -3.0]))


def test_step_of_which_the_error_is_not_known_teaches_nothing() -> None:
    """A size that the data cannot say comes with an endless error."""
    assert usual_of(np.array([[3.0, np.inf], [np.nan, np.inf]])) == NOTHING


def test_density_of_any_step_is_one() -> None:
    """It adds to one over all sizes, or shares would be measured by two rules."""
    at = np.linspace(0.01, 60.0, 200_001)

    assert np.sum(np.exp(log_any(at))) * (at[1] - at[0]) == pytest.approx(1.0, abs=1e-3)


def test_drive_whose_own_steps_are_others_is_not_the_sites() -> None:
    """Own steps of another size say against the site's; of the same size, for it; one stray is borne."""
    usual = usual_of(measured(3.0, 0.0, 2))

    assert log_ratio(seen([3.1, -2.9]), usual) > 0.5
    assert log_ratio(seen([5.5, -5.6]), usual) < -3.0
    assert log_ratio(NONE, usual) == 0.0
    assert log_ratio(seen([5.5]), usual) == pytest.approx(np.log(0.05), abs=0.1)


def test_only_old_steps_are_known_and_the_newest_of_them() -> None:
    """A young one may turn out to be creep; of very many the last ones count."""
    now_ms = FIRST_MS + 2_000 * DAY_MS
    steps = [Step(FIRST_MS + day * DAY_MS, float(day), 0.2) for day in range(0, 2_000, 5)]
    found = known(reversed(steps), now_ms)

    assert len(found) == ENOUGH
    assert found[-1, 0] == 2_000 - SEEN_DAYS - 5
    assert known([], now_ms).shape == (0, 2)
    assert known(steps, FIRST_MS + 60 * DAY_MS).shape == (0, 2)


def test_found_steps_come_with_day_size_and_error() -> None:
    """On a drive whose steps are known: each within its error, none at the change of a calibration record."""
    at = np.arange(N)
    level = 40.0 + 4.0 * ((at >= 80) & (at < 220)) + 6.0 * (at >= 300)
    days = days_of(level + noise(N, 5))._replace(record=(at >= 300).astype(np.int64))
    side = side_of(days, records=2)
    there = ground_of(side, series_of(side, 1_100.0))
    up, down = steps_of(side, there)

    assert (up.utc_ms - FIRST_MS) / DAY_MS == pytest.approx(80, abs=3)
    assert (down.utc_ms - FIRST_MS) / DAY_MS == pytest.approx(220, abs=3)
    assert 0.05 < up.error < 0.5
    assert up.percent == pytest.approx(4.0, abs=4 * up.error)
    assert down.percent == pytest.approx(-4.0, abs=4 * down.error)
    assert own(there)[:, 0] == pytest.approx([up.percent, down.percent])


def test_errors_of_sizes_are_right_on_average() -> None:
    """Measured sizes lie about the true one as far as their errors say."""
    at = np.arange(N)
    away = []
    for seed in range(40):
        steps = own(ground(40.0 + 4.0 * (at >= 200) + noise(N, seed)))
        away += [((size - 4.0) / error) for size, error in steps if abs(size - 4.0) < 2.0]

    assert len(away) >= 40
    assert 0.7 < np.std(away) < 1.4


def test_creep_is_plainer_where_the_sites_steps_are_others() -> None:
    """Seven weeks of creep by 1 % a month, 1.6 %: no step of 4 %, as all of the site have been."""
    at = np.arange(N)
    grounds = [ground(40.0 + np.maximum(at - (N - 50), 0) / MONTH_DAYS + noise(N, seed)) for seed in range(12)]
    alone = [chance_that_counts(each) for each in grounds]
    beside = [chance_that_counts(each, measured(4.0, 0.0, 3)) for each in grounds]

    assert np.mean(beside) > np.mean(alone) + 0.03


def test_step_of_the_sites_size_is_no_creep() -> None:
    """One of the usual size, five weeks ago on a drive that never stepped: no likelier creep than without the site."""
    at = np.arange(N)
    grounds = [ground(40.0 + 4.0 * (at >= N - 35) + noise(N, seed)) for seed in range(8)]

    assert max(chance_that_counts(each, measured(4.0, 0.0, 3)) for each in grounds) < 0.25


def test_site_without_steps_changes_nothing() -> None:
    """To the last bit: neither no step nor steps that teach nothing."""
    at = np.arange(N)
    there = ground(40.0 + np.maximum(at - 370, 0) / MONTH_DAYS + 4.0 * (at < 150) + noise(N, 3))

    assert chance_that_counts(there) == chance_that_counts(there, NONE) == chance_that_counts(there, seen([0.3, 40.0]))


def test_of_what_says_nothing_no_story_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three tellings at most; two where the site's steps scatter, or the drive's own are of no weight beside them."""
    at = np.arange(N)
    there = ground(40.0 + 3.0 * ((at >= 80) & (at < 220)) + noise(N, 3))
    told = list[float]()

    def counted(ground: Ground, prior: Prior) -> Mixture:
        told.append(prior.usual)
        return stories_told(ground, prior)

    monkeypatch.setattr("nightrake.learning.alike.told", counted)
    counts = []
    for others in (NONE, measured(3.0, 0.0, 3, 3), measured(3.0, 0.0, 3, 60), seen([1.6, 2.4, 3.5, 5.2, 8.0] * 8)):
        told.clear()
        chance_that_counts(there, others)
        counts.append(len(told))

    assert counts == [2, 3, 2, 2]


def test_verdict_learns_what_the_warning_alone_learns() -> None:
    """And says from how many steps; it hands on the drive's own."""
    at = np.arange(N)
    days = days_of(40.0 + np.maximum(at - 365, 0) / MONTH_DAYS + 4.0 * (at < 150) + noise(N, 3))
    side, now_ms = side_of(days), end_ms(days)
    others = [Step(FIRST_MS + 40 * n * DAY_MS, 4.0 * (-1) ** n, 0.2) for n in range(10)]
    trend = judge(side, now_ms, others=others)

    assert warning_of(side, now_ms, others=others) == (trend.chance, trend.warning)
    assert trend.notes["taught_by"] == 9
    assert judge(side, now_ms).notes["taught_by"] == 0
    assert trend.chance != judge(side, now_ms).chance
    assert trend.steps == judge(side, now_ms).steps
    assert [step.percent for step in trend.steps] == pytest.approx([-4.0], abs=0.8)
