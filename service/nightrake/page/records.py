"""What stands behind a drive's torque, for people: the calibration record in force, its curve, the data sheet. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from nightrake.page.moments import Wall
from nightrake.page.torquebar import UNIT, kilo

WIDTH, HEIGHT = 480.0, 200.0
"""Of a curve's drawing, in its own units."""
LEFT, BOTTOM, TOP, RIGHT = 46.0, 30.0, 14.0, 8.0
MINUS = "\u2212"
_MEASURED = ("Transducer", "Against", "Place")
"""Facts of figures and units; the others are names, and people's own words."""
SAMPLES = 40
"""Places of a curved line."""
STEPS = (1, 2, 2.5, 5, 10)


class Curve(NamedTuple):
    """A record's curve as it is drawn: places in the drawing's own units.

    Attributes:
        path: From position to torque. falling: The same for falling torque, "" where there is none.
        band: Its uncertainty, "" where none is stated. points: What was measured: x, y, branch.
        across, up: Ticks of both axes: place and text. levels: Set points: height and words.
    """

    path: str
    falling: str
    band: str
    points: list[tuple[float, float, str]]
    across: list[tuple[float, str]]
    up: list[tuple[float, str]]
    levels: list[tuple[float, str]]


class RecordView(NamedTuple):
    """The record of one direction.

    Attributes:
        direction: Of rotation. ref: The record's name, "" where there is none. overdue: Past its due date.
        facts: What it says of itself: label and value. curve: None where there is nothing to draw.
        table: Its points: position, torque, branch, run.
    """

    direction: str
    ref: str
    overdue: bool
    facts: list[tuple[str, str]]
    curve: Curve | None
    table: list[tuple[str, str, str, str]]


def records_of(told: Mapping[str, Any] | None, view: Mapping[str, Any], wall: Wall) -> list[RecordView]:
    """Every direction's record.

    Args:
        told: As `Reader.calibration` gives it; None: it could not be read. view: The drive as it stands.
    """
    several = len(told["directions"]) > 1 if told is not None else False
    levels = [] if several else [(view.get("alarm_nm"), "alarm"), (view.get("shutdown_nm"), "shutdown")]
    found = []
    for side in told["directions"] if told is not None else ():
        record = side["record"]
        if record is None:
            found.append(RecordView(side["direction"], "", False, [], None, []))
            continue
        found.append(
            RecordView(
                side["direction"],
                record["ref"],
                bool(record.get("overdue")),
                _facts(record, wall),
                curve_of(record, [(nm, words) for nm, words in levels if nm]),
                [_point(point) for point in record.get("points") or ()],
            )
        )
    return found


def _facts(record: Mapping[str, Any], wall: Wall) -> list[tuple[str, str]]:
    told = record.get
    due = told("due_on") or _day(told("due_utc_ms"), wall)
    reference = str(told("reference_standard") or "")
    if reference and told("reference_uncertainty_pct") is not None:
        reference += f", ±{told('reference_uncertainty_pct'):g} %"
    place = str(told("place") or "")
    if told("ambient_c") is not None:
        place = f"{place}, {told('ambient_c'):g} °C".removeprefix(", ")
    rows = [
        ("Device", told("device_serial")),
        ("Made by", told("made_by")),
        ("Made on", told("made_on") or _day(told("valid_from_utc_ms"), wall)),
        ("Due", due or "no date is stated"),
        ("Method", ", ".join(str(told(k)) for k in ("method", "method_detail") if told(k))),
        ("Place", place),
        ("Against", reference),
        ("Transducer", told("transducer")),
        ("Fit", _fit(told("fit"))),
        ("Uncertainty (95 %)", _uncertainty(record["uncertainty"]["expanded_nm"])),
        ("Not in the ±", ", ".join(told("not_in_budget") or ())),
        ("In place of", told("supersedes")),
        ("Remarks", told("remarks")),
    ]
    return [(label, in_signs(str(value)) if label in _MEASURED else str(value)) for label, value in rows if value]


def _day(utc_ms: int | None, wall: Wall) -> str:
    return wall.full(utc_ms)[:10] if utc_ms else ""


def _fit(fit: Mapping[str, Any] | None) -> str:
    if not fit:
        return ""
    words = f"{fit['form']}, {fit['from_mm']:g} to {fit['to_mm']:g} mm, residual {_kilos(fit['residual_nm'])} {UNIT}"
    return f"{words}, hysteresis {_kilos(fit['hysteresis_nm'])} {UNIT}" if fit.get("hysteresis_nm") else words


def _kilos(nm: float) -> str:
    """In the unit of the torque that it belongs to, however small it is."""
    return f"{nm / 1000:.3g}"


def _uncertainty(expanded: Sequence[float]) -> str:
    if not expanded:
        return "none is stated"
    low, high = _kilos(min(expanded)), _kilos(max(expanded))
    return f"±{low} {UNIT}" if low == high else f"±{low} to ±{high} {UNIT} over the range"


def _point(point: Mapping[str, Any]) -> tuple[str, str, str, str]:
    return f"{point['position_mm']:g} mm", kilo(point["torque_nm"]) or f"0 {UNIT}", point["branch"], str(point["run"])


# --- the curve ---


def curve_of(record: Mapping[str, Any], levels: Sequence[tuple[float, str]]) -> Curve | None:
    """A record's curve, drawn.

    Args:
        levels: Set points, N.m, and their words.
    """
    record, minus = _upright(record)
    line = _line(record)
    if len(line) < 2:
        return None
    fall = list(zip(record["falling"]["position_mm"], record["falling"]["torque_nm"], strict=True))
    measured = [(p["position_mm"], abs(p["torque_nm"]), p["branch"]) for p in record.get("points") or ()]
    far = max([x for x, _ in line] + [abs(x) for x, _, _ in measured])
    high = max([y for _, y in line] + [y for _, y, _ in measured] + [nm for nm, _ in levels])
    if far <= 0 or high <= 0:
        return None
    to = _Scale(far * 1.04, high * 1.08)
    return Curve(
        to.path(line),
        to.path(fall) if len(fall) > 1 else "",
        _band(record, line, to),
        [(*to.place(abs(x), y), branch) for x, y, branch in measured],
        [(to.place(x, 0)[0], f"{MINUS if minus and x else ''}{x:g}") for x in ticks(to.far, 6)],
        [(to.place(0, y * 1000)[1], f"{y:g}") for y in ticks(to.high / 1000, 4)],
        [(to.place(0, nm)[1], f"{words} {kilo(nm)}") for nm, words in levels],
    )


def _upright(record: Mapping[str, Any]) -> tuple[Mapping[str, Any], bool]:
    """The other side of a centred device is drawn to the right and upwards as well; and whether it is that side."""
    minus = sum(record["curve"]["position_mm"]) < 0

    def turned(columns: Mapping[str, Sequence[float]]) -> dict[str, list[float]]:
        sizes = {key: [abs(v) if key != "position_mm" else -v for v in column] for key, column in columns.items()}
        order = sorted(range(len(sizes["position_mm"])), key=sizes["position_mm"].__getitem__)
        return {key: [column[i] for i in order] for key, column in sizes.items()}

    if not minus:
        return record, False
    return {**record, **{key: turned(record[key]) for key in ("curve", "falling", "uncertainty")}}, True


class _Scale(NamedTuple):
    """What lies at the right and upper edge: mm and N.m; the lower left corner is 0, 0."""

    far: float
    high: float

    def place(self, mm: float, nm: float) -> tuple[float, float]:
        """Where something lies in the drawing."""
        x = LEFT + (WIDTH - LEFT - RIGHT) * mm / self.far
        y = HEIGHT - BOTTOM - (HEIGHT - BOTTOM - TOP) * nm / self.high
        return round(x, 1), round(y, 1)

    def path(self, places: Sequence[tuple[float, float]]) -> str:
        """A line through places."""
        drawn = [self.place(mm, nm) for mm, nm in places]
        return "M" + "L".join(f"{x} {y}" for x, y in drawn)


def _line(record: Mapping[str, Any]) -> list[tuple[float, float]]:
    """Position and torque along the curve; a polynomial of more than the first degree as many short lines."""
    mm, nm = record["curve"]["position_mm"], record["curve"]["torque_nm"]
    coefficients = record.get("coefficients") or ()
    if len(coefficients) < 3 or len(mm) < 2:
        return list(zip(mm, nm, strict=True))
    places = [mm[0] + (mm[-1] - mm[0]) * i / SAMPLES for i in range(SAMPLES + 1)]
    return [(x, sum(c * (x - record["reference_mm"]) ** n for n, c in enumerate(coefficients))) for x in places]


def _band(record: Mapping[str, Any], line: Sequence[tuple[float, float]], to: _Scale) -> str:
    places, wide = record["uncertainty"]["position_mm"], record["uncertainty"]["expanded_nm"]
    if len(places) < 2:
        return ""
    middle = [between(line, mm) for mm in places]
    upper = [(mm, nm + u) for mm, nm, u in zip(places, middle, wide, strict=True)]
    lower = [(mm, max(0.0, nm - u)) for mm, nm, u in zip(places, middle, wide, strict=True)]
    return f"{to.path([*upper, *reversed(lower)])}Z"


def between(line: Sequence[tuple[float, float]], x: float) -> float:
    """Height of a line of straight parts at a place; beyond its ends, that of the end."""
    before = line[0]
    for after in line:
        if after[0] >= x:
            wide = after[0] - before[0]
            return before[1] + (after[1] - before[1]) * (x - before[0]) / wide if wide > 0 else after[1]
        before = after
    return before[1]


def ticks(end: float, most: int) -> list[float]:
    """Round values from 0 up to an end, so many at most and the 0."""
    size = 10.0 ** (len(f"{int(end / most)}") - 1) if end / most >= 1 else 0.1
    step = next((s * size for s in STEPS if end / (s * size) <= most), 10 * size)
    return [round(i * step, 6) for i in range(int(end / step) + 1)]


_SHEET = (
    (re.compile(r"\+-(?=[0-9])"), "\u00b1"),
    (re.compile(r"(?<![\w.)])-(?=[0-9])"), MINUS),
    (re.compile(r"(?<=[0-9]) (?=[CF]\b)"), " \u00b0"),
    (re.compile(r"(?<=[0-9]) deg\b"), "\u00b0"),
    (re.compile(r"\^2\b"), "\u00b2"),
    (re.compile(r"(?<=N|f)\.(?=m\b|in\b)"), "\u00b7"),
)
"""What the sheet writes without signs, since it is printed in terminals as well; and these signs."""


def in_signs(text: str) -> str:
    """Words of a record or data sheet with the page's signs."""
    for written, sign in _SHEET:
        text = written.sub(sign, text)
    return text


def notes_of(*told: Mapping[str, Any] | None) -> list[str]:
    """What could not be read, or is not there."""
    return [str(note) for one in told if one is not None for note in one.get("notes", ())]
