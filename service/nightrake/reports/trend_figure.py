"""A drive's creep drawn: level with trend, set points, shifts, forecast; control charts; season, chances, duty."""

from __future__ import annotations

import io
from typing import Any

import matplotlib as mpl
from markupsafe import Markup
from matplotlib.figure import Figure

from nightrake.domain.cleantext import clean
from nightrake.reports.figure import STYLE, inline_svg
from nightrake.reports.trend_level import SHARES, draw_level
from nightrake.reports.trend_picture import ROOMY, TrendPicture
from nightrake.reports.trend_sides import draw_sides

DPI = 130
WIDE, NARROW = (7.4, 9.0), (4.1, 9.5)
"""Inches and point size for paper and desktop, and for a telephone."""
SIDES_IN = 3.5
"""Height of what stands below the level, inches."""


def trend_svgs(picture: TrendPicture, name: str) -> list[tuple[str, Markup]]:
    """For wide and narrow screens: (class, figures)."""
    found = []
    for kind, (width, size) in (("wide", WIDE), ("narrow", NARROW)):
        tag = f"{name}-{kind}"
        with mpl.rc_context(_style(tag, size)):
            svg = inline_svg(_level_figure(picture, width), tag, _words(picture, "level, control charts and forecast"))
        with mpl.rc_context(_style(f"{tag}-more", size)):
            more = inline_svg(
                _sides_figure(picture, width),
                f"{tag}-more",
                _words(picture, "weekday, hour, chance of the alarm, duty"),
            )
        found.append((kind, svg + more))
    return found


def png_of(picture: TrendPicture) -> bytes:
    """One picture of it all."""
    with mpl.rc_context(_style("png", 9.0)):
        figure = Figure(figsize=(10.0, 10.6), dpi=DPI, layout="constrained")
        figure.suptitle(clean(picture.title, 120), x=0.01, ha="left", fontsize=12, fontweight="bold")
        parts: Any = figure.subfigures(2, 1, height_ratios=(sum(SHARES), SIDES_IN))
        upper, lower = parts
        draw_level(upper, picture, 6)
        draw_sides(lower, picture, 3)
        out = io.BytesIO()
        figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def _words(picture: TrendPicture, what: str) -> str:
    return f"{clean(picture.title, 120)}: {what}. {clean(picture.trend.sentence, 300)}"


def _style(tag: str, size: float) -> Any:
    return {**STYLE, "svg.hashsalt": tag, "svg.id": f"figure-{tag}", "font.size": size, "legend.fontsize": size - 1.0}


def _level_figure(picture: TrendPicture, width: float) -> Figure:
    figure = Figure(figsize=(width, sum(SHARES) if width > ROOMY else 1.25 * sum(SHARES)), layout="constrained")
    draw_level(figure, picture, 4 if width > ROOMY else 2)
    return figure


def _sides_figure(picture: TrendPicture, width: float) -> Figure:
    roomy = width > ROOMY
    figure = Figure(figsize=(width, SIDES_IN if roomy else 9.0), layout="constrained")
    draw_sides(figure, picture, 3 if roomy else 1)
    return figure


__all__ = ["TrendPicture", "png_of", "trend_svgs"]
