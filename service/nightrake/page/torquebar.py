"""The torque bar: where value, uncertainty and set points lie, in percent of its width. Pure.

The bar ends at 110 % of the shutdown torque, so that equal lengths on two drives mean equal nearness to a shutdown.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, NamedTuple

from nightrake.domain.torquetext import with_uncertainty

FULL = 1.10
"""The bar's end, as a part of the shutdown torque."""
WITHOUT_SHUTDOWN = 1.25
"""Its end as a part of the alarm torque, where no shutdown torque is stated (own choice)."""
UNIT = "kN\u00b7m"
_MINUS = re.compile(r"(?<=[ (])-(?=[0-9])")
_TORQUE = re.compile(r"([0-9]+(?:\.[0-9]+)?) N\.m\b")
_SIGNS = {"below": "below", "beyond": "beyond"}


class Bar(NamedTuple):
    """One bar. All places and widths are in percent of its width, 0 to 100.

    Attributes:
        value: Where the value ends; None: there is none to show.
        from_, width: The uncertainty around it; width 0: none.
        alarm, shutdown: The set points; None: not stated. over: the value lies beyond the bar's end.
        kind: As `domain.reading.Exactness`. full_nm: torque at the bar's end, 0 where no set point is stated.
    """

    value: float | None
    from_: float
    width: float
    alarm: float | None
    shutdown: float | None
    over: bool
    kind: str
    full_nm: float


class Number(NamedTuple):
    """A torque in figures.

    Attributes:
        sign: "", ``below`` or ``beyond``. value: kN.m as text, "" where there is none. uncertainty: ``±0.6``, or "".
        percent: Of the shutdown torque, None where it cannot be said. nm: the value, N.m.
    """

    sign: str
    value: str
    uncertainty: str
    percent: int | None
    nm: float | None


def bar_of(view: Mapping[str, Any]) -> Bar:
    """The bar of a drive.

    Args:
        view: As `domain.view.drive_view`.
    """
    torque, alarm_nm, shutdown_nm = view["torque_nm"], view["alarm_nm"] or 0.0, view["shutdown_nm"] or 0.0
    full_nm = shutdown_nm * FULL if shutdown_nm > 0 else max(0.0, alarm_nm) * WITHOUT_SHUTDOWN
    value, uncertainty = torque["value"], torque["uncertainty"]
    alarm, shutdown = _place(alarm_nm, full_nm), _place(shutdown_nm, full_nm)
    if value is None or not full_nm:
        return Bar(None, 0.0, 0.0, alarm, shutdown, False, torque["kind"], full_nm)
    size = abs(value)
    low, high = (_share(nm, full_nm) for nm in (size - (uncertainty or 0.0), size + (uncertainty or 0.0)))
    width = round(high - low, 2) if uncertainty else 0.0
    return Bar(_share(size, full_nm), low, width, alarm, shutdown, size > full_nm, torque["kind"], full_nm)


def _share(nm: float, full_nm: float) -> float:
    return round(min(100.0, max(0.0, 100.0 * nm / full_nm)), 2)


def _place(nm: float, full_nm: float) -> float | None:
    return _share(nm, full_nm) if nm > 0 and full_nm > 0 else None


def number_of(view: Mapping[str, Any]) -> Number:
    """The torque of a drive in figures."""
    torque, shutdown_nm = view["torque_nm"], view["shutdown_nm"] or 0.0
    value = torque["value"]
    if value is None:
        return Number("", "", "", None, None)
    text = with_uncertainty(value, torque["uncertainty"], lacks=bool(torque["uncertainty_lacks"]))
    shown, _, uncertainty = text.partition(" ")
    percent = round(100 * abs(value) / shutdown_nm) if shutdown_nm > 0 else None
    return Number(_SIGNS.get(torque["kind"], ""), shown.replace("-", "\u2212"), uncertainty, percent, value)


def kilo(nm: float | None) -> str:
    """A set point as people say it: ``32 kN·m``, "" where it is not stated."""
    return f"{nm / 1000:g} {UNIT}" if nm else ""


def in_units(text: str) -> str:
    """Words of the judgement with the page's signs for units and minus; every torque in the unit of the bars."""
    return _MINUS.sub("\u2212", _TORQUE.sub(_in_kilo, text).replace("N.m", "N\u00b7m"))


def _in_kilo(found: re.Match[str]) -> str:
    kn = float(found.group(1)) / 1000
    return f"{kn:.1f} {UNIT}" if kn >= 1 or not kn else f"{kn:.2g} {UNIT}"


def alarm_share(view: Mapping[str, Any]) -> float:
    """Torque as a part of the alarm torque (else of the shutdown torque); 0 where it cannot be said."""
    value, limit_nm = view["torque_nm"]["value"], view["alarm_nm"] or view["shutdown_nm"] or 0.0
    return abs(value) / limit_nm if value is not None and limit_nm > 0 else 0.0


HOUR_MIN = 60
"""Minutes of the small line."""


def hour_path(minutes: list[float | None], full_nm: float) -> str:
    """The last hour as the ``d`` of an SVG path, one step a minute from left to right; a gap where nothing was read.

    Args:
        minutes: Highest torque in each minute, N.m, the oldest first; None: nothing was read in it.
        full_nm: Torque at the upper edge.

    Returns:
        In a box 59 wide and 100 high; "" where there is nothing to draw.
    """
    if full_nm <= 0:
        return ""
    shown = minutes[-HOUR_MIN:]
    x0, pieces, drawing = HOUR_MIN - len(shown), [], False
    for x, nm in enumerate(shown, x0):
        if nm is None:
            drawing = False
            continue
        y = 100 - round(_share(abs(nm), full_nm))
        pieces.append(f"{'L' if drawing else 'M'}{x} {y}")
        drawing = True
    return "".join(pieces)
