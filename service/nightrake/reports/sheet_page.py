"""The data sheet of a drive as one page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from nightrake.commissioning.finding import Finding, Verdict
from nightrake.commissioning.judged import summary
from nightrake.commissioning.sheet import Sheet, Side
from nightrake.commissioning.sheetrows import CAUTIONS, sections
from nightrake.domain.site import Direction
from nightrake.reports.figure import Curve, Mark, draw_torque, svg_of
from nightrake.reports.page import render

_MARKS = {Verdict.OK: "ok", Verdict.LOOK_AGAIN: "look", Verdict.WRONG: "wrong", Verdict.OUTSIDE: "outside"}


@dataclass(frozen=True, slots=True)
class About:
    """What the page says of itself: the site's name, the day it was made, the settings it was made from."""

    site: str
    made_on: str
    settings: str


def sheet_page(sheet: Sheet, findings: Sequence[Finding], about: About) -> str:
    """The whole page as HTML."""
    drive = sheet.specification.drive
    return render(
        "sheet.html",
        title=f"Data sheet {drive.id}",
        paper=f"Data sheet {drive.id}, {about.made_on}, settings {about.settings}",
        drive=drive,
        about=about,
        sections=sections(sheet),
        findings=[(_MARKS[f.verdict], f) for f in findings],
        summary=summary(findings),
        figure=torque_figure(sheet),
        cautions=CAUTIONS,
    )


def torque_figure(sheet: Sheet) -> Markup | None:
    """Torque against position with both set points, for every direction that can be computed; None for none."""
    sides = list(sheet.sides.values())
    main = sheet.main
    if not sides or main is None:
        return None
    low, high = main.low / main.best, main.high / main.best
    curves = [_curve(side, low, high) for side in sides]
    marks = [mark for side in sides for mark in _marks(side)]
    process = sheet.specification.process
    normal = process.torque_nm / 1000.0 if process else None
    return svg_of(
        lambda axes: draw_torque(axes, curves, marks, normal),
        name=f"torque-{sheet.specification.drive.id}",
        title="output torque against arm position, with the set points; the values stand in the table",
    )


def _sign(side: Side) -> float:
    return -1.0 if side.direction is Direction.REVERSE else 1.0


def _curve(side: Side, low: float, high: float) -> Curve:
    torques = [t / 1000.0 for _, t in side.curve]
    return Curve(
        position_mm=[_sign(side) * x * 1000.0 for x, _ in side.curve],
        torque_knm=torques,
        label="best efficiency",
        low_knm=[t * low for t in torques],
        high_knm=[t * high for t in torques],
        band_label="range of the main gear's efficiency",
    )


def _marks(side: Side) -> list[Mark]:
    points = (("alarm", side.alarm, "--"), ("shutdown", side.shutdown, "-"))
    return [
        Mark(name, _sign(side) * p.position_m * 1000.0, p.torque_nm / 1000.0, dashes)
        for name, p, dashes in points
        if p is not None and p.position_m is not None
    ]
