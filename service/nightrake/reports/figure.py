"""Figures as inline SVG: text stays text, nothing refers outside, the same input gives the same bytes."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure

INK, GRID = "#1a1a1a", "#c9c9c9"
STYLE = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "text.parse_math": False,
    "font.size": 9.0,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": GRID,
    "grid.linewidth": 0.5,
    "legend.frameon": False,
    "lines.linewidth": 1.6,
}
"""Shared by all figures; every line also differs in its dashes, so that a grey print can be read."""
HEADROOM = 1.12
"""Room for the names of the marks above the highest of them."""


def svg_of(
    draw: Callable[[Axes], None], name: str, title: str, width_in: float = 7.0, height_in: float = 2.7
) -> Markup:
    """Draw on one pair of axes and give it as inline SVG.

    Args:
        draw: Draws. name: Unique within the page, for the ids. title: What it shows, for those who cannot see it.
        width_in, height_in: Size; on the page it takes the width that there is.
    """
    return svg_of_stack([(draw, 1.0)], name, title, width_in, height_in)


def svg_of_stack(
    draws: Sequence[tuple[Callable[[Axes], None], float]],
    name: str,
    title: str,
    width_in: float = 7.0,
    height_in: float = 2.7,
) -> Markup:
    """Draw several pairs of axes above one another, which share their positions, as one inline SVG.

    Args:
        draws: What draws each, from above, and its share of the height. Others: As for `svg_of`.
    """
    style: Any = {**STYLE, "svg.hashsalt": name, "svg.id": f"figure-{name}"}
    with mpl.rc_context(style):
        figure = Figure(figsize=(width_in, height_in), layout="constrained")
        ratios = [share for _, share in draws]
        stack = figure.subplots(len(draws), sharex=True, squeeze=False, gridspec_kw={"height_ratios": ratios})
        for (draw, _), axes in zip(draws, stack[:, 0], strict=True):
            draw(axes)
        figure.align_ylabels(stack[:, 0])
        return inline_svg(figure, name, title)


def inline_svg(figure: Figure, name: str, title: str) -> Markup:
    """A figure, drawn within a style of `svg_of_stack`, as one inline SVG."""
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return _inline(out.getvalue(), name, title)


def _inline(svg: str, name: str, title: str) -> Markup:
    """Only the element: no prolog, no metadata, no namespace addresses, ids of its own."""
    body = svg[svg.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    body = re.sub(r'\s+xmlns(:\w+)?="[^"]*"', "", body)
    body = re.sub(r'(\bid="|url\(#|xlink:href="#)(?!figure-)', rf"\g<1>{name}-", body)
    head = Markup('<svg role="img" aria-label="{}"').format(title)
    return Markup(body.replace("<svg", head, 1))


@dataclass(frozen=True, slots=True)
class Mark:
    """A point on the curve with its name, dashes leading to it from both axes."""

    name: str
    position_mm: float
    torque_knm: float
    dashes: str


@dataclass(frozen=True, slots=True)
class Curve:
    """Torque against position.

    Attributes:
        position_mm, torque_knm: The curve. low_knm, high_knm: A band about it, or empty.
        label, band_label: Names for the legend.
    """

    position_mm: Sequence[float]
    torque_knm: Sequence[float]
    label: str
    low_knm: Sequence[float] = ()
    high_knm: Sequence[float] = ()
    band_label: str = ""


def draw_torque(axes: Axes, curves: Sequence[Curve], marks: Sequence[Mark], normal_knm: float | None) -> None:
    """Torque (kN.m) against arm position (mm), with set points and, if known, the normal torque."""
    for number, curve in enumerate(curves):
        named = number == 0
        if curve.low_knm:
            axes.fill_between(
                curve.position_mm,
                curve.low_knm,
                curve.high_knm,
                color="#b9cbe0",
                linewidth=0.0,
                label=curve.band_label if named else None,
            )
        axes.plot(curve.position_mm, curve.torque_knm, color="#1f3b5c", label=curve.label if named else None)
    for mark in marks:
        axes.plot([mark.position_mm], [mark.torque_knm], marker="o", color=INK, markersize=5.0, linestyle="none")
        axes.vlines(mark.position_mm, 0.0, mark.torque_knm, color=INK, linestyle=mark.dashes, linewidth=1.0)
        left = mark.position_mm < 0.0
        axes.annotate(
            f"{mark.name} {mark.position_mm:.1f} mm, {mark.torque_knm:.4g} kN.m",
            (mark.position_mm, mark.torque_knm),
            xytext=(8 if left else -8, 6),
            textcoords="offset points",
            ha="left" if left else "right",
        )
    if normal_knm is not None:
        axes.axhline(normal_knm, color=INK, linestyle=":", linewidth=1.0, label=f"normal torque {normal_knm:.4g} kN.m")
    highest = max([*(t for c in curves for t in (*c.torque_knm, *c.high_knm)), *(m.torque_knm for m in marks)])
    axes.set_ylim(0.0, HEADROOM * highest)
    axes.margins(x=0.02)
    axes.set_xlabel("arm position from rest, mm")
    axes.set_ylabel("output torque, kN.m")
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, borderaxespad=0.2)
