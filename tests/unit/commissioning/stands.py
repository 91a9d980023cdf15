"""A record's content as a careful person would bring it, to be spoiled by tests."""

from __future__ import annotations

from dataclasses import replace

from nightrake.commissioning.points import CalibrationPoint, ContactPoint, RecordContent

LEVELS = (9_000.0, 16_000.0, 23_000.0, 30_000.0, 37_000.0, 44_000.0)
FRICTION_NM = 80.0
OFF_MM = (0.004, -0.006, 0.001, 0.007, -0.003, -0.002, 0.005)
"""Errors of the positions, one after the other."""


def points(runs: int = 2, levels: tuple[float, ...] = LEVELS, square: float = 0.0) -> tuple[CalibrationPoint, ...]:
    """8000 N.m preload, 1600 N.m a mm, with a gap of twice the friction."""
    made: list[CalibrationPoint] = []
    for run in range(1, runs + 1):
        for branch, order, half in (("rising", levels, -FRICTION_NM), ("falling", levels[::-1], FRICTION_NM)):
            for t in order:
                x = (t + half - 8_000.0) / 1_600.0
                x += square * x * x + OFF_MM[len(made) % len(OFF_MM)]
                made.append(CalibrationPoint(t, round(x, 4), branch, run))
    return tuple(made)


def content(**changed: object) -> RecordContent:
    """A good record of PC1; `changed`: what is to be different."""
    good = RecordContent(
        drive="PC1",
        device_serial="FM-0101",
        made_by="F. Example",
        made_on="2026-06-01",
        method="factory output",
        points=points(),
        place="stand",
        ambient_c=20.0,
        reference_standard="TT-7",
        reference_uncertainty_pct=0.3,
        transducer="4-20 mA",
        resolution_mm=0.002,
        transducer_error_mm=0.05,
        temperature_pct_per_k=0.03,
        temperature_range_k=20.0,
        due_on="2028-06-01",
        remarks='with "quotes", a \\ and an umlaut: ü',
        contact_points=(
            ContactPoint("alarm", "A", "as left", 15.02, 14.61),
            ContactPoint("shutdown", "A", "as left", 20.01, 19.6),
        ),
    )
    return replace(good, **changed)  # type: ignore[arg-type]
