"""Does the level of a drive's torque creep, since when, how fast, and when does it reach alarm and shutdown?

The warning stands on the level before the creep: the weighted stories of `recent` say how likely it is that the level
rises now, and the warning comes where that chance passes what the wanted rate of false warnings allows. What that costs
and brings is measured by ``tests/bench/creep.py``.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log, nan

import numpy as np

from nightrake.learning import words
from nightrake.learning.alike import chance_that_counts
from nightrake.learning.days import Days, Side
from nightrake.learning.evidence import Evidence, gather, ground_of
from nightrake.learning.forecast import Past, Paths, reached
from nightrake.learning.level import fitted_of, present_level
from nightrake.learning.recent import PRIOR, chance_of_fall
from nightrake.learning.season import hour_offsets
from nightrake.learning.series import NONE, series_of
from nightrake.learning.shifts import shifts_of
from nightrake.learning.sitesteps import known, steps_of
from nightrake.learning.slope import Stretch, rate, stretch_of, upper_rate
from nightrake.learning.soundness import refusal, remarks_of, rising
from nightrake.learning.trend import (
    DEFAULT,
    FOUND,
    WITHIN_DAYS,
    Fitted,
    Forecast,
    Options,
    Shift,
    Span,
    State,
    Step,
    Trend,
)

__all__ = [
    "DEFAULT",
    "FOUND",
    "WITHIN_DAYS",
    "Fitted",
    "Forecast",
    "Options",
    "Shift",
    "Span",
    "State",
    "Step",
    "Trend",
    "judge",
    "warning_of",
]

WARNS_AT = (
    (0.05, 0.59, 0.8),
    (0.1, 0.44, 0.56),
    (0.2, 0.23, 0.42),
    (0.3, 0.15, 0.29),
    (0.5, 0.08, 0.135),
    (1.0, 0.03, 0.047),
)
"""False warnings a year -> chance of a rise from which a warning comes, where a day scatters by 1 % of shutdown and
where by 2 %; measured on drives of the benchmark's plant, with seeds other than those of its table. They hold for
drives that stand alone; at a site whose steps are alike a drive without creep warns an eighth less often."""
QUIET = 1.2
"""% of shutdown: scatter up to which a drive is as quiet as the first; it is known to a tenth at best."""
FALLS_AT = 0.5
LEAST_FALL = 0.3
"""% of shutdown a month: a slower fall is none."""
CENSORED = 0.2
"""Share of a stretch's periods with the median below preload from which it has no slope."""
OPEN = 6.0
"""Width of the rate's interval, % of shutdown a month, from which a level is not called steady."""
LAST = 14
"""Periods that say whether the level is below preload now."""


def judge(side: Side, now_utc_ms: int, options: Options = DEFAULT, others: Sequence[Step] = ()) -> Trend:
    """What the level of this side does, seen from a moment.

    Args:
        side: The periods and what the plant knows of shifts.
        now_utc_ms: The moment; periods that end after it are not looked at.
        options: What a false warning may cost.
        others: Steps that the site's other drives have shown, of any time; the warning learns their size.

    Returns:
        The verdict; for data that carry none, `State.CANNOT_SAY` with the reason as its sentence.
    """
    side, remarks = rising(side, now_utc_ms)
    remarks = (*side.sentences, *remarks)
    if not (np.isfinite(side.shutdown_nm) and side.shutdown_nm > 0):
        return _nothing(side, now_utc_ms, refusal(side, NONE, now_utc_ms, options.least_days), remarks)
    series = series_of(side, options.window_days)
    why = refusal(side, series, now_utc_ms, options.least_days)
    if why:
        return _nothing(side, now_utc_ms, why, remarks)
    return _Verdict(side, gather(side, series), now_utc_ms, options, others).trend(remarks)


def warning_of(
    side: Side, now_utc_ms: int, options: Options = DEFAULT, others: Sequence[Step] = ()
) -> tuple[float, bool] | None:
    """The warning alone, as `judge` has it, in a third of the time.

    Args:
        side, now_utc_ms, options, others: As of `judge`.

    Returns:
        The chance that it stands on, and whether it is given; None = nothing can be said.
    """
    side, _ = rising(side, now_utc_ms)
    if not (np.isfinite(side.shutdown_nm) and side.shutdown_nm > 0):
        return None
    series = series_of(side, options.window_days)
    if refusal(side, series, now_utc_ms, options.least_days):
        return None
    ground = ground_of(side, series)
    chance = chance_that_counts(ground, known(others, now_utc_ms))
    return chance, chance > warns_at(options.false_warnings_year, ground.noise.sigma)


def warns_at(false_warnings_year: float, sigma: float = 1.0) -> float:
    """Chance of a rise from which a warning comes.

    Args:
        false_warnings_year: That a drive without creep may give in a year.
        sigma: Of a day about the level, % of shutdown; in more noise, steps too small to be seen pass for creep.
    """
    rates, quiet, noisy = np.log(np.array(WARNS_AT)).T
    rate = log(max(false_warnings_year, 1e-6))
    calm, loud = np.interp(rate, rates, quiet), np.interp(rate, rates, noisy)
    noisier = log(max(sigma, 1e-6) / QUIET) / log(2.0 / QUIET)
    return float(np.exp(calm + (loud - calm) * np.clip(noisier, 0.0, 1.2)))


class _Verdict:
    """One verdict in the making."""

    def __init__(
        self, side: Side, evidence: Evidence, now_utc_ms: int, options: Options, others: Sequence[Step]
    ) -> None:
        self.side, self.evidence, self.now_utc_ms, self.options = side, evidence, now_utc_ms, options
        self.others = known(others, now_utc_ms)
        self.chance = chance_that_counts(evidence, self.others)
        self.warns_at = warns_at(options.false_warnings_year, evidence.noise.sigma)
        self.warning = self.chance > self.warns_at
        self.falls = not self.warning and chance_of_fall(evidence.mixture, LEAST_FALL) > FALLS_AT
        since_step = stretch_of(evidence, creeping=0)
        moving = 1 if self.warning else -1 if self.falls else 0
        self.stretch: Stretch = stretch_of(evidence, creeping=moving) if moving else since_step
        self.rate = rate(evidence, since_step)
        below = evidence.series.below[evidence.used]
        self.is_below = bool(np.mean(below[-LAST:]) >= 0.5)
        self.censored = self.is_below or bool(np.mean(below[self.stretch.first :]) > CENSORED)
        self.percent = None if self.censored else self.rate

    def trend(self, remarks: Sequence[str]) -> Trend:
        """The verdict."""
        side, evidence = self.side, self.evidence
        nm = side.shutdown_nm / 100.0
        state = self._state()
        alarm, shutdown = self._forecasts()
        begins = side.days.utc_ms[evidence.series.row]
        since = int(begins[evidence.used[self.stretch.first]])
        limit = float(side.days.below_nm[evidence.series.row[evidence.series.below]][-1]) if self.censored else nan
        limits = remarks_of(side, evidence.series, evidence.cleaned.event, evidence.cleaned.known)
        n = len(evidence.used) - self.stretch.line_from
        return Trend(
            side.drive, side.direction, self.now_utc_ms, state, self._sentence(state, since, alarm, limit),
            limit if self.is_below else present_level(evidence) * nm, self.is_below,
            None if self.percent is None else Span(*(v * nm for v in self.percent)), self.percent,
            since, None if self.censored else self.stretch.p, words.method(self.stretch.sen, self.stretch.factor, n),
            shifts_of(side, evidence), alarm, shutdown, self.warning, self._season(),
            tuple(int(v) for v in begins[evidence.cleaned.event]),
            fitted_of(side, evidence, self.stretch.first if self.warning or self.falls else None),
            tuple(dict.fromkeys([*remarks, *limits, *self._swing()])), self.chance,
            "share below preload" if self.is_below else "median",
            upper_rate(side, evidence, self.stretch) if self.censored else None, self._notes(),
            steps_of(side, evidence),
        )  # fmt: skip

    def _state(self) -> State:
        if self.warning:
            return State.CREEPING
        if self.censored or self._is_open():
            return State.CANNOT_SAY
        return State.FALLING if self.falls else State.STEADY

    def _sentence(self, state: State, since: int, alarm: Forecast, limit: float) -> str:
        if state is State.CREEPING:
            return words.creeping(self.percent, since, alarm, limit, self.chance)
        if self.percent is None:
            return words.below(limit) if self.is_below else words.half_below()
        if self._is_open() and state is State.CANNOT_SAY:
            return words.too_soon(since)
        return (words.falling if state is State.FALLING else words.steady)(self.percent, since)

    def _is_open(self) -> bool:
        return not self.falls and self.rate.high - self.rate.low > OPEN

    def _forecasts(self) -> tuple[Forecast, Forecast]:
        if self.censored:
            why = "The level is below preload or was too often, so when it reaches a stage cannot be said."
            return Forecast(None, {}, why), Forecast(None, {}, why)
        noise = self.evidence.noise
        past = Past(-self.evidence.white.s, noise.sigma**2 * (1.0 + noise.rho) / (1.0 - noise.rho))
        paths = Paths(self.evidence.mixture, past, PRIOR, self.options.stops_chance_month)
        both = []
        for stage_nm in (self.side.alarm_nm, self.side.shutdown_nm):
            if np.isfinite(stage_nm) and stage_nm > 0:
                both.append(reached(paths, 100.0 * stage_nm / self.side.shutdown_nm))
            else:
                both.append(Forecast(None, {}, "No torque is stated for this stage."))
        return both[0], both[1]

    def _season(self) -> dict[str, tuple[float, ...]]:
        nm = self.side.shutdown_nm / 100.0
        season = {}
        if self.evidence.cleaned.known:
            season["weekday"] = tuple(float(v * nm) for v in self.evidence.cleaned.weekday)
        if self.evidence.cleaned.months is not None:
            season["month"] = tuple(float(v * nm) for v in self.evidence.cleaned.months)  # January first
        hours = hour_offsets(self.side.by_hour_nm)
        if hours is not None:
            season["hour"] = hours
        return season

    def _swing(self) -> list[str]:
        months = self.evidence.cleaned.months
        return [] if months is None else [words.over_the_year(float(np.ptp(months)) * self.side.shutdown_nm / 100.0)]

    def _notes(self) -> dict[str, float]:
        sen = self.stretch.sen
        noise = self.evidence.noise
        told = {"sigma_percent": noise.sigma, "rho": noise.rho, "warns_at": self.warns_at}
        told["taught_by"] = float(len(self.others))
        if sen is not None and not self.censored:
            told |= {"sen_low": sen.low, "sen": sen.mid, "sen_high": sen.high}
        return told


def _nothing(side: Side, now_utc_ms: int, why: str, remarks: Sequence[str]) -> Trend:
    empty = np.empty(0)
    nothing = (empty,) * 9
    fitted = Fitted(np.empty(0, np.int64), *nothing, np.empty(0, np.bool_), 5.0)
    cannot = Forecast(None, {}, why)
    days: Days = side.days
    shares, limit = days.below[-LAST:], days.below_nm[-1:]
    is_below = bool(len(shares) and np.mean(shares > 0.5) >= 0.5 and np.isfinite(limit).all())
    return Trend(
        side.drive, side.direction, now_utc_ms, State.CANNOT_SAY, why, float(limit[0]) if is_below else nan, is_below,
        None, None, now_utc_ms, None, "none", (), cannot, cannot, False, {}, (), fitted, tuple(dict.fromkeys(remarks)),
    )  # fmt: skip
