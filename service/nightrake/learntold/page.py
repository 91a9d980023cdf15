"""The page of `nightrake trend`: what stands in it, put together for `reports`."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from nightrake.alarms.zones import offset_s
from nightrake.learntold.table import (
    EXPLAINED,
    SOON_DAYS,
    Named,
    chance_text,
    creep_text,
    days_text,
    level_text,
    percent_text,
    sure_text,
)
from nightrake.learntold.words import RECORD_ONLY, Detail, facts_of
from nightrake.reports.trend_page import Part, TableRow, trend_page
from nightrake.reports.trend_picture import TrendPicture


def picture_of(detail: Detail) -> TrendPicture:
    """What is drawn of a drive."""
    zone = detail.zone(detail.trend.now_utc_ms)
    offset_ms = offset_s(zone, detail.trend.now_utc_ms // 1000) * 1000
    return TrendPicture(
        detail.title, zone.name, offset_ms, detail.side, detail.trend, detail.more.duty, detail.more.trips
    )


def page_of(
    rows: Sequence[Named],
    details: Sequence[tuple[Detail, TrendPicture]],
    about: tuple[str, str],
    beware: Sequence[str],
    drawing: Callable[[int, int], object] = lambda done, of: None,
) -> str:
    """The whole page.

    Args:
        rows: The ranked table, empty for a single drive. details: Drives with pictures. about: The site's name, and the
            period. beware: What could not be read, sentences. drawing: Told before each drive is drawn: how many are
            already, and of how many.
    """
    drawn = {(d.trend.drive, d.trend.direction) for d, _ in details}
    title = f"Torque creep: {details[0][0].title}" if not rows and details else f"Torque creep: {about[0]}"
    return trend_page(
        title,
        f"{about[0]}. {about[1]}.",
        [_table_row(place, row, drawn) for place, row in enumerate(rows, 1)],
        _parts(details, drawing),
        explained=EXPLAINED,
        caution=RECORD_ONLY,
        beware=list(beware),
    )


def _parts(details: Sequence[tuple[Detail, TrendPicture]], drawing: Callable[[int, int], object]) -> Iterator[Part]:
    for number, (detail, picture) in enumerate(details):
        drawing(number, len(details))
        trend = detail.trend
        anchor = _anchor(trend.drive, trend.direction)
        yield Part(anchor, detail.title, trend.sentence, facts_of(detail), picture, trend.warning)


def _anchor(drive: str, direction: str) -> str:
    return f"drive-{drive}-{direction}"


def _table_row(place: int, row: Named, drawn: set[tuple[str, str]]) -> TableRow:
    trend = row.trend
    here = (trend.drive, trend.direction) in drawn
    return TableRow(
        str(place),
        row.who,
        _anchor(trend.drive, trend.direction) if here else "",
        (
            level_text(trend),
            percent_text(trend, row.shutdown_nm),
            creep_text(trend.slope_percent_month),
            days_text(trend.alarm),
            chance_text(trend.alarm.within.get(SOON_DAYS)),
            sure_text(trend),
        ),
        trend.sentence,
        trend.warning,
    )
