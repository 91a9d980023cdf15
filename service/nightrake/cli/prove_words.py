"""The keys of a proving's head, in words. It loads nothing, so that --help may show them."""

from __future__ import annotations

import textwrap

METHODS = ("factory output", "rakes tied off", "force at the arm")
HEAD_NOTES = {
    "drive": "of the command line; another one is refused",
    "direction": "of the command line; another one is refused",
    "device_serial": "serial number of the overload device; left out: that of the settings",
    "made_by": "who signs for it; needed",
    "place": "where",
    "ambient_c": "ambient temperature, degrees C",
    "reference_standard": "instrument that measured torque or pull, and its serial",
    "reference_uncertainty_pct": "its expanded uncertainty (k = 2), % of reading; needed",
    "method": f"{', '.join(METHODS)}; needed",
    "method_uncertainty_pct": "expanded uncertainty (k = 2) of lever, ratio, efficiency; needed but for factory output",
    "radius_m": "rakes tied off: lever of the pull, m; left out: the column holds torque",
    "arm_m": "force at the arm: length of the arm, m",
    "ratio": "force at the arm: ratio of the main gear unit",
    "efficiency": "force at the arm: its efficiency, 0 to 1",
    "due_on": "when it is due again, such as 2027-11-25",
    "remarks": "anything else",
    "altered": "what was altered on the device since the record before, such as its springs",
    "form": "straight, quadratic or segments; left out: chosen by test",
}
"""Key -> what it is; `drive` and `direction` only say what the command was told already."""
WIDTH = 76


def head_help() -> str:
    """The keys and their notes, in lines that fit below --help; ``\\b`` keeps them as they are."""
    lines = ["\b", "A file of points begins with its head: lines such as '# made_by: F. Example'."]
    for key, note in HEAD_NOTES.items():
        lines += textwrap.wrap(f"{key}: {note}", WIDTH, initial_indent="  ", subsequent_indent=" " * 6)
    return "\n".join(lines)
