"""From a side's periods to what they say: season and load events off, noise known, knots found, stories weighted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from nightrake.learning import recent
from nightrake.learning.days import I64, Floats, Side
from nightrake.learning.knots import Found, Knot, Penalties, Wave, level_line, search
from nightrake.learning.noise import Noise, first_guess, from_residuals
from nightrake.learning.pairs import Mixture
from nightrake.learning.recent import Prior
from nightrake.learning.season import OFFSETS_FREE, Cleaned, clean, of_year, refined, without_year
from nightrake.learning.series import Series
from nightrake.learning.white import BEND, STEP, White

STEP_GAIN = 22.0
"""What a step must explain, in variances of a day: about as BIC asks of a knot with a free date in three years."""
BEND_GAIN = 22.0
LIKELY_GAIN = 8.0
"""Likewise where the plant knows of a reason for a step."""
LOOSE = 0.4
"""Share of these that is asked while the noise is measured: a rise not yet certain is no noise either."""
STANDS_DAYS = 150.0
"""A step so long ago is no longer in question."""
BEND_STANDS_DAYS = 400.0
SETTLES_DAYS = 5.0
"""A step of the last days is told as one story among others only."""
MOST_RECORDS = 12
"""Changes of record, the latest, at which a step is taken for granted; that costs what was known of the level."""
YEAR_AFTER_DAYS = 200.0
"""Length of the record from which a yearly season is looked for: less than half of one is not told from creep."""
YEAR_GAIN = 20.0
"""What a yearly season must explain more than steps and bends alone do, penalties counted, in variances of a day."""
YEAR_SWING = 2.0
"""Standard deviation of each of its two parts before the data speak, % of shutdown (common practice, no source)."""
LEAST_SIGMA = 0.02
"""% of shutdown: no reading is better than that, whatever a quantised series looks like."""


@dataclass(frozen=True, slots=True)
class Ground:
    """What the periods say before any story of the last months is told.

    Attributes:
        series: All periods that can be judged.
        cleaned: The same without their weekly cycle, with the load events marked.
        used: Indices of those that count (no load events), rising.
        noise: Of a day about the level, % of shutdown.
        white: Of the used ones.
        given: Indices (among the used) of steps that are taken as known.
        knots: Steps and bends found, rising.
        wave: What the level swings over the year besides, of unknown size; None = nothing shows that it does.
    """

    series: Series
    cleaned: Cleaned
    used: I64
    noise: Noise
    white: White
    given: tuple[int, ...]
    knots: tuple[Knot, ...]
    wave: Wave | None


@dataclass(frozen=True, slots=True)
class Evidence(Ground):
    """Everything that verdict, slope and forecast are made from.

    Attributes:
        mixture: Stories about the present.
        standing_bends: Indices (among the used) of bends so long ago that all stories have them.
    """

    mixture: Mixture
    standing_bends: tuple[int, ...]


def gather(side: Side, series: Series) -> Evidence:
    """The ground with the stories told on it.

    Args:
        side: For the records and what the plant knows of shifts.
        series: Its periods, at least a dozen.
    """
    ground = ground_of(side, series)
    t = ground.white.t
    long_ago = tuple(k.at for k in ground.knots if k.kind == BEND and t[-1] - t[k.at] > BEND_STANDS_DAYS)
    own = {field.name: getattr(ground, field.name) for field in fields(Ground)}
    return Evidence(**own, mixture=told(ground, recent.PRIOR), standing_bends=long_ago)


def ground_of(side: Side, series: Series) -> Ground:
    """What stories are told on.

    Args:
        side: For the records and what the plant knows of shifts.
        series: Its periods, at least a dozen.
    """
    cleaned = clean(series.value, series.weekday)
    used = np.flatnonzero(~cleaned.event)
    t, y = series.t[used], cleaned.value[used]
    given, likely = _reasons(side, series, used)
    penalties = _penalties(len(t), likely)
    white = White(t, y, *_floored(first_guess(y)))
    loose = search(white, Penalties(penalties.step * LOOSE, penalties.bend * LOOSE), given)
    line = _line(white, given, loose.knots)
    cleaned = refined(cleaned, series.value, series.weekday, used, line)
    y = cleaned.value[used]
    weekly = OFFSETS_FREE if cleaned.known else 0
    noise = _floored(from_residuals(t, y - line, 1 + len(loose.knots) + len(given), weekly))
    white = White(t, y, *noise)
    found, wave = _found(white, penalties, given)
    if wave is not None:
        cleaned = without_year(cleaned, series.t, found.wave)
        white = White(t, cleaned.value[used], *noise)
    return Ground(series, cleaned, used, noise, white, tuple(given), tuple(found.knots), wave)


def _found(white: White, penalties: Penalties, given: Sequence[int]) -> tuple[Found, Wave | None]:
    """Steps and bends, with a yearly season where that explains much more."""
    plain = search(white, penalties, given)
    if white.s[0] > -YEAR_AFTER_DAYS:
        return plain, None
    turns = of_year(white.t)
    columns = np.column_stack([white.of(turn) for turn in turns.T])
    wave = Wave(columns, YEAR_SWING**-2, turns[-1])
    seasonal = search(white, penalties, given, wave)
    if plain.cost - seasonal.cost < YEAR_GAIN:
        return plain, None
    return seasonal, wave


def _floored(noise: Noise) -> Noise:
    return Noise(max(noise.sigma, LEAST_SIGMA), noise.rho)


def _line(white: White, given: Sequence[int], found: Sequence[Knot]) -> Floats:
    steps = [*given, *(k.at for k in found if k.kind == STEP)]
    return level_line(white, steps, [k.at for k in found if k.kind == BEND])


def _penalties(n: int, likely: Sequence[int]) -> Penalties:
    step, bend = np.full(n, STEP_GAIN), np.full(n, BEND_GAIN)
    for i in likely:
        step[i] = LIKELY_GAIN
    step[0] = np.inf
    bend[-4:] = np.inf
    return Penalties(step, bend)


def _reasons(side: Side, series: Series, used: I64) -> tuple[list[int], list[int]]:
    """Periods at which a changed record makes another scale; those at which the plant knows of another reason."""
    record = side.days.record[series.row[used]]
    changed = (np.flatnonzero(np.diff(record) != 0) + 1).tolist()[-MOST_RECORDS:]
    begins = side.days.utc_ms[series.row[used]]
    likely: set[int] = set()
    for known in side.known:
        at = int(np.searchsorted(begins, known.utc_ms))
        if not 0 < at < len(used) or any(abs(at - i) <= 2 for i in changed):
            continue
        if "settings" in known.why and len(changed) < MOST_RECORDS:
            changed.append(at)
        else:
            likely.add(at)
    return sorted(changed), sorted(likely)


def told(ground: Ground, prior: Prior) -> Mixture:
    """Stories about the present.

    Args:
        ground: What they are told on.
        prior: What is thought of steps and bends before the data speak.
    """
    white = ground.white
    standing = [Knot(STEP, i, 0.0) for i in ground.given]
    doubtful: list[Knot] = []
    open_: list[int] = []
    for knot in ground.knots:
        age = float(white.t[-1] - white.t[knot.at])
        if age > (STANDS_DAYS if knot.kind == STEP else BEND_STANDS_DAYS):
            standing.append(knot)
        elif knot.kind == STEP and age > SETTLES_DAYS:
            doubtful.append(knot)
        else:
            open_.append(knot.at)
    candidates = recent.candidates(white.t, open_, prior)
    return recent.stories(white, standing, doubtful, candidates, prior, ground.wave)
