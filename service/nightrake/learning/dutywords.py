"""Figures as people read them, for the sentences of duty, trips and contacts. Pure."""

from __future__ import annotations

import math
from datetime import UTC, datetime

MINUTE_S, HOUR_S, DAY_S = 60.0, 3_600.0, 86_400.0


def figure(value: float, digits: int = 3) -> str:
    """A number to so many significant figures, thousands apart by commas, no exponent below a million million."""
    if not math.isfinite(value):
        return "unknown" if math.isnan(value) else "unlimited"
    if value == 0.0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    rounded = round(value, places)
    if abs(rounded) < 1e-4 or abs(rounded) >= 1e12:
        return f"{rounded:.{digits - 1}e}"
    return f"{rounded:,.{max(0, places)}f}"


def torque(torque_nm: float) -> str:
    """``23.4 kN.m``; below one kN.m in N.m."""
    if abs(torque_nm) < 1_000.0:
        return f"{figure(torque_nm)} N.m"
    return f"{figure(torque_nm / 1_000.0)} kN.m"


def limited(torque_nm: float, *, below: bool = False, beyond: bool = False) -> str:
    """A torque that may be a limit only."""
    return f"{'below ' if below else 'beyond ' if beyond else ''}{torque(torque_nm)}"


def span(seconds: float) -> str:
    """``4 s``, ``12 min``, ``3.5 h``, ``23 days``."""
    if seconds < 2.0 * MINUTE_S:
        return f"{figure(seconds, 2)} s"
    if seconds < 2.0 * HOUR_S:
        return f"{figure(seconds / MINUTE_S, 2)} min"
    if seconds < 2.0 * DAY_S:
        return f"{figure(seconds / HOUR_S, 2)} h"
    return f"{seconds / DAY_S:.0f} days"


def day(utc_ms: int) -> str:
    """A UTC day, ISO; a stamp of no calendar as it is."""
    at = _at(utc_ms)
    return f"{at:%Y-%m-%d}" if at is not None else f"UTC ms {utc_ms}"


def moment(utc_ms: int) -> str:
    """A UTC day and minute."""
    at = _at(utc_ms)
    return f"{at:%Y-%m-%d %H:%M} UTC" if at is not None else f"UTC ms {utc_ms}"


def _at(utc_ms: int) -> datetime | None:
    try:
        return datetime.fromtimestamp(int(utc_ms) / 1000, UTC)
    except (ValueError, OverflowError, OSError):
        return None


def several(count: int, what: str) -> str:
    """``1 operation``, ``7 operations``."""
    return f"{count:,} {what}{'' if count == 1 else 's'}"
