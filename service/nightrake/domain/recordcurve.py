"""The stored fit of a calibration record -> `CalibrationCurve`, without any numeric library. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any

from nightrake.domain.site import CalibrationCurve, Direction


def curve_from(table: Mapping[str, Any], ref: str, digest: str) -> CalibrationCurve:
    """The curve of a checked record table that has a fit.

    Args:
        table: Every key of the record as plain values; positions and torques of ``fit`` are magnitudes.
        ref, digest: Of the record.
    """
    fit = table["fit"]
    direction = Direction(table.get("direction", "forward"))
    sign = -1.0 if direction is Direction.REVERSE else 1.0
    corners = fit_corners(fit)
    return CalibrationCurve(
        ref=ref,
        digest=digest,
        direction=direction,
        position_mm=tuple(sign * x for x, _ in corners),
        torque_nm=tuple(t for _, t in corners),
        valid_from_utc_ms=utc_ms(_day(table["made_on"])),
        due_utc_ms=utc_ms(_day(table.get("due_on", ""))),
        coefficients=tuple(fit["coefficients"]),
        reference_mm=fit["reference_position_mm"],
        uncertainty_nm=tuple(row["expanded_nm"] for row in fit["uncertainty"]),
        not_in_budget=tuple(fit.get("not_in_budget", ())),
    )


def fit_corners(fit: Mapping[str, Any]) -> list[tuple[float, float]]:
    """Position and torque, as magnitudes, at the corners of straight segments, or at both ends of a polynomial."""
    if fit.get("corner"):
        return [(c["position_mm"], c["torque_nm"]) for c in fit["corner"]]
    reference_mm = fit["reference_position_mm"]
    return [(x, polynomial(x - reference_mm, fit["coefficients"])) for x in (fit["from_mm"], fit["to_mm"])]


def polynomial(d_mm: float, coefficients: Sequence[float]) -> float:
    """c0 + d (c1 + d c2), missing coefficients being 0."""
    c0, c1, c2 = (*coefficients, 0.0, 0.0, 0.0)[:3]
    return c0 + d_mm * (c1 + d_mm * c2)


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def utc_ms(day: date | None) -> int:
    """Start of a day, UTC; 0 for none."""
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() * 1000) if day else 0
