"""The page on torque creep: who will reach the alarm first, each drive with its pictures; nothing outside is asked."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from nightrake.reports.page import render
from nightrake.reports.trend_figure import trend_svgs
from nightrake.reports.trend_picture import TrendPicture


class TableRow(NamedTuple):
    """One row of the ranking.

    Attributes:
        place: In it. who: Drive. anchor: Of its part on the page, "" = it has none. cells: Level, percent, creep, days,
            chance, how sure. sentence: Of the verdict. warning: It warns.
    """

    place: str
    who: str
    anchor: str
    cells: tuple[str, ...]
    sentence: str
    warning: bool


class Part(NamedTuple):
    """One drive on the page.

    Attributes:
        anchor: Its id. title, sentence: Words. facts: (label, text). picture: What is drawn. warning: It warns.
    """

    anchor: str
    title: str
    sentence: str
    facts: Sequence[tuple[str, str]]
    picture: TrendPicture
    warning: bool


def trend_page(
    title: str,
    about: str,
    rows: Sequence[TableRow],
    parts: Iterable[Part],
    *,
    explained: str,
    caution: str,
    beware: Sequence[str],
) -> str:
    """The page as HTML.

    Args:
        about: Site and period. rows: The ranking; none for a single drive. parts: Drives in detail, each drawn as it
            is taken.
        explained: What the columns are. caution: What the page does not show. beware: What could not be read.
    """
    drawn = [(part, trend_svgs(part.picture, f"d{number}")) for number, part in enumerate(parts, 1)]
    return render(
        "trend.html",
        title=title,
        paper=title,
        about=about,
        rows=rows,
        parts=drawn,
        explained=explained,
        caution=caution,
        beware=beware,
    )
