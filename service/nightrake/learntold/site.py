"""A site judged and told: the ranking, drives in detail, the whole page; each drive is read when it is wanted."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import NamedTuple

from nightrake.alarms.zones import Zone
from nightrake.domain.site import Direction, DriveSpec, Stage
from nightrake.history.period import Period
from nightrake.learning.trend import Options, State, Trend
from nightrake.learnreading.contacts import ContactRows
from nightrake.learnreading.site import Asked, Failed, Outcome, detailed, journal_of, judged, told_about
from nightrake.learnreading.told import Told
from nightrake.learntold.more import NOTHING_MORE, Beside, Seen
from nightrake.learntold.table import Named, ranked
from nightrake.learntold.words import Detail
from nightrake.settings import Settings
from nightrake.settings.zones import zone_about

ON_PAGE = 12
"""Drives with pictures on a page of a site, the first of the ranking; the others stand in its table."""

Count = Callable[[int, int], object]
"""Told after each drive: how many are done, of how many."""


def options_of(settings: Settings) -> Options:
    """What the judgement is told of the site's wishes."""
    return Options(false_warnings_year=settings.learning.false_warnings_year)


class SideTold(NamedTuple):
    """One row of the ranking; beside it the drive's name and its set points in N.m (0.0 = none)."""

    row: Named
    name: str
    points_nm: tuple[float, float]


class SiteTold:
    """One look at some drives of a site.

    Args:
        settings: Of the site. asked: What is looked at. drives: Those with a position.

    Attributes:
        beware: What could not be read, a sentence each; grows.

    Raises:
        StoreError: There is no history.
    """

    def __init__(self, settings: Settings, asked: Asked, drives: Sequence[DriveSpec], *, beside: bool) -> None:
        self._settings, self._asked, self._drives = settings, asked, drives
        self._beside: Beside | None = None
        alone = len(drives) == 1
        contacts = None
        if beside:
            contacts = ContactRows(drives[0].id if alone else "", *asked.period)
            seen = Period(asked.period.from_ms, asked.now_utc_ms)
            self._beside = Beside(settings, seen, contacts, deep=alone)
        self._told: Mapping[str, Told]
        self._told, lacking = journal_of(asked.state_dir, asked.period, asked.now_utc_ms, contacts)
        self.beware = [lacking] if lacking else []

    def details(self, spec: DriveSpec, seen: Seen = lambda utc_ms: None) -> list[Detail]:
        """Every direction of a drive in detail; a second one only where anything was measured in it.

        Args:
            seen: Told up to which moment (UTC ms) readings have been read, now and then.
        """
        pairs = detailed(self._asked, spec, self._told)
        used = [(side, trend) for side, trend in pairs if len(side.days.utc_ms)] or pairs[:1]
        more = self._beside.of(spec, told_about(self._told, spec), seen) if self._beside is not None else {}
        several = len(spec.directions) > 1
        return [
            Detail(spec.name, side, trend, several, self.zone, more.get(side.direction, NOTHING_MORE))
            for side, trend in used
        ]

    def zone(self, utc_ms: int) -> Zone:
        """The site's, with the offsets of the years around a moment."""
        return zone_about(self._settings.duty.rota.zone, utc_ms)

    def ranking(self, done: Count = lambda count, of: None) -> list[SideTold]:
        """Verdicts in order of rank; a direction in which the motor never ran is none."""
        found: Sequence[Outcome] = judged(self._asked, self._drives, self._told, done)
        self.beware += [f"{one.drive}: {one.why}" for one in found if isinstance(one, Failed)]
        specs = self._settings.site.drives
        return [
            SideTold(
                Named(t, *points_nm(specs[t.drive], t)[1:], len(specs[t.drive].directions) > 1),
                specs[t.drive].name,
                points_nm(specs[t.drive], t),
            )
            for t in ranked(trend for one in found if not isinstance(one, Failed) for trend in _used(one))
        ]

    def page(self, rows: Sequence[SideTold], period_text: str, done: Count = lambda count, of: None) -> str:
        """The whole page as HTML: the ranking, and the first drives of it with their pictures."""
        specs = self._settings.site.drives
        first = list(dict.fromkeys(told.row.trend.drive for told in rows))[:ON_PAGE]
        details: list[Detail] = []
        for number, drive in enumerate(first, 1):
            details += self.details(specs[drive])
            done(number, 2 * len(first))
        return self._page([told.row for told in rows], details, period_text, done)

    def page_of_drive(self, details: Sequence[Detail], period_text: str, done: Count = lambda count, of: None) -> str:
        """The page of one drive as HTML."""
        return self._page([], details, period_text, done)

    def _page(self, rows: Sequence[Named], details: Sequence[Detail], period_text: str, done: Count) -> str:
        from nightrake.learntold.page import page_of, picture_of

        site = self._settings.site
        pairs = [(detail, picture_of(detail)) for detail in details]
        half = len(pairs) if rows else 0
        drawing: Count = lambda count, of: done(half + count, half + of)  # noqa: E731
        return page_of(rows, pairs, (site.name or site.id, period_text), self.beware, drawing)


def _used(trends: Sequence[Trend]) -> Iterator[Trend]:
    """Directions of a drive in which anything was measured; of a drive without any its first."""
    used = [t for t in trends if len(t.fitted.utc_ms) or t.state is not State.CANNOT_SAY]
    yield from used or trends[:1]


def points_nm(spec: DriveSpec, trend: Trend) -> tuple[float, float]:
    """Set points of alarm and shutdown, N.m; 0.0 = not stated."""
    side = Direction(trend.direction)
    return spec.set_point_nm(side, Stage.ALARM), spec.set_point_nm(side, Stage.SHUTDOWN)
