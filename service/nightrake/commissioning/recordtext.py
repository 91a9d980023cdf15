"""A calibration record as the text of its file: TOML that a person can read, a comment to every key."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from nightrake.commissioning.record import Record

WIDTH = 120
TITLE = "Calibration record. It is never edited: a new record supersedes it, and its digest shows any change."
COMMENTS = {
    "format": "version of this format",
    "device_serial": "of the overload device that was measured",
    "made_by": "who signs for it",
    "reference_uncertainty_pct": "expanded uncertainty (k = 2) of the reference, % of reading",
    "method": "factory output, rakes tied off (pull x radius), or force at the arm (x ratio x efficiency)",
    "method_detail": "radius, or ratio and efficiency, in words",
    "method_uncertainty_pct": "expanded uncertainty (k = 2) that the method adds, % of torque",
    "resolution_mm": "least step of a position as it is read",
    "transducer_error_mm": "largest error of the transducer between proof and use, +- mm",
    "temperature_pct_per_k": "change of torque at one position, % per K",
    "temperature_range_k": "how far the site's temperature goes from ambient_c, +- K",
    "due_on": "when the next is due",
    "supersedes": "the record (file name without .toml) that this one takes the place of; needed on the same day only",
    "digest": "SHA-256 over everything in this file but this line, layout and comments",
    "form": "straight line, quadratic, or straight segments; torque on position, mean of both branches",
    "asked": "form that was asked for; empty: line or quadratic by the test below, at 5 %",
    "test": "what chose the form",
    "test_f": "its F for the straight line; the quadratic is taken where test_p is below 0.05",
    "test_dof": "degrees of freedom, numerator and denominator",
    "quadratic_f": "lack of fit of the quadratic itself (0: no repeats)",
    "coefficients": "torque = c0 + c1 d + c2 d^2, d = position - reference_position_mm",
    "from_mm": "calibrated range, magnitudes; outside it a reading says only 'below' or 'beyond'",
    "residual_nm": "residual standard deviation of torque about the curves of both branches",
    "repeats_nm": "standard deviation of the repeats about their own mean",
    "between_runs_nm": "standard deviation between runs beyond that, where an F test at 5 % shows it",
    "lack_test": "whether the form that was taken is that of the points at all",
    "lack_f": "its F; below 0.05 lack_p says that it is not",
    "lack_dof": "degrees of freedom, numerator and denominator",
    "lack_nm": "standard deviation by which the points miss the form, beyond their own scatter",
    "hysteresis_nm": "largest gap between rising and falling branch",
    "not_in_budget": "sources of which nothing was stated",
}
POINT_NOTES = (
    "points, one a line, in the order taken:",
    "torque_nm: applied output torque",
    "position_mm: arm position from the rest stop, as read; negative in the reverse direction",
    "branch: rising or falling torque",
    "run: number of the run",
    "weight: relative weight in the fit; left out, it is 1.0",
)
CONTACT_NOTES = (
    "contact points: where contacts operated and released, before and after adjustment:",
    "stage: alarm or shutdown",
    "channel: A or B",
    "state: as found, or as left",
    "operating_mm: arm position where it operates, as read",
    "release_mm: and where it releases",
)
FIT_NOTES = {
    "corner": ("corner: position and torque at the corners of straight segments; other forms have none",),
    "uncertainty": (
        "uncertainty: of one reading, evenly spaced over the calibrated range, straight lines between:",
        "expanded_nm: expanded uncertainty (95 %), rounded up",
        "k: coverage factor, expanded over combined standard uncertainty; from the effective degrees of freedom and,",
        "   where a bounded source weighs, the convolution with it (JCGM 100 G.4, JCGM 101)",
        "degrees_of_freedom: effective ones of the whole; left out above 1000",
    ),
    "budget": (
        "budget: standard uncertainties at to_mm:",
        "source: what it comes from",
        "shape: its distribution",
        "standard_nm: standard uncertainty",
        "degrees_of_freedom: left out where it was not estimated here",
    ),
}


def record_toml(record: Record, title: str = TITLE) -> str:
    """The file's text, digest included; what stands in it is what `record.table` holds.

    Args:
        title: First comment line.
    """
    table = record.table
    lines = [f"# {title}"]
    head = {k: v for k, v in table.items() if k not in ("point", "contact_point", "fit")}
    lines += _keys(head | {"digest": record.digest})
    lines += ["", *(f"# {note}" for note in POINT_NOTES), *_rows("point", table["point"])]
    lines += ["", *(f"# {note}" for note in CONTACT_NOTES), *_rows("contact_point", table["contact_point"])]
    lines += ["", "# derived from the points; positions and torques are magnitudes", "[fit]"]
    fit = table["fit"]
    rows = ("corner", "uncertainty", "budget")
    lines += _keys({k: v for k, v in fit.items() if k not in rows})
    for key in rows:
        lines += ["", *(f"# {note}" for note in FIT_NOTES[key]), *(_rows(key, fit[key]) if key in fit else ())]
    return "\n".join(lines) + "\n"


def _keys(values: Mapping[str, Any]) -> Iterator[str]:
    """``key = value``, with a comment where there is one; keys without a value as a comment only."""
    for key, value in values.items():
        empty = value is None or value in ("", [])
        text = f"# {key} =" if empty else f"{key} = {plain_toml(value)}"
        comment = COMMENTS.get(key, "")
        fits = len(text) + len(comment) + 5 <= WIDTH
        if comment and not fits:
            yield f"# {comment}:"
        yield f"{text}   # {comment}" if comment and fits else text


def _rows(key: str, rows: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    yield f"{key} = ["
    for row in rows:
        said = (f"{k} = {plain_toml(v)}" for k, v in row.items() if (k, v) != ("weight", 1.0))
        yield f"    {{ {', '.join(said)} }},"
    yield "]"


def plain_toml(value: Any) -> str:
    """A plain value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, float):
        return repr(value) if abs(value) < 1e16 or "e" in repr(value) else f"{value:e}"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(plain_toml(v) for v in value)}]"
    return str(value)
