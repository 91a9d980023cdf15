"""Whatever a specification says within its shapes: slips in sentences, or a sheet, judged and shown."""

from __future__ import annotations

import re
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from nightrake.cli.specify import sheet_lines
from nightrake.commissioning.judged import judge
from nightrake.commissioning.sheet import make_sheet
from nightrake.commissioning.stated import read_specification
from unit.commissioning.examples import example, table_of

QUANTITIES = st.builds(
    "{} {}".format,
    st.one_of(st.floats(1e-4, 1e6).map("{:.3g}".format), st.sampled_from(["0", "-1", "1", "90", "1e9"])),
    st.sampled_from(
        ["N*m", "kN*m", "N", "m", "mm", "kW", "rpm", "N/mm", "N/m", "N*m/m", "MPa", "deg", "degC", "lbf-in"]
    ),
)
NUMBERS = {
    "percent": st.floats(0.1, 1000.0),
    "breakdown_ratio": st.floats(1.0, 10.0),
    "limit_ratio": st.floats(1.0, 10.0),
    "ratio": st.floats(1.0, 1e5),
    "efficiency": st.floats(0.001, 1.0),
    "friction": st.floats(0.001, 0.5),
    "active_coils": st.floats(1.0, 100.0),
    "rate_change_pct_per_k": st.floats(-1.0, 1.0),
    "count": st.integers(1, 20),
}

LISTS = {"runs", "gear", "supervised", "protects_people"}
"""Keys whose default is an empty list."""


@st.composite
def specifications(draw: st.DrawFn) -> tuple[str, dict[str, Any]]:
    """A drive of the example, with a few values changed or left out; texts stay quantities, numbers within bounds."""
    drive = draw(st.sampled_from(["PC1", "SC1", "GT1", "SCR1"]))
    table = table_of(drive)
    for _ in range(draw(st.integers(0, 5))):
        holder, key = draw(st.sampled_from(leaves(table)))
        value = holder[key]
        if key in NUMBERS:
            holder[key] = draw(NUMBERS[key])
        elif isinstance(value, dict) or draw(st.booleans()):
            holder[key] = [] if key in LISTS else None if nullable(key) else value
        elif isinstance(value, str) and re.match(r"[-\d]", value):
            holder[key] = draw(QUANTITIES)
    return drive, table


def nullable(key: str) -> bool:
    """Keys that may be left out; the others have a default or are needed for the shape."""
    return key not in {
        *("arrangement", "kind", "part", "ratio", "count", "rest_angle", "adjusted_at", "floating", "balanced"),
        *("seen_from", "mounting", "rate_change_pct_per_k", "tolerance_pct"),
    }


def leaves(table: Any) -> list[tuple[Any, Any]]:
    """Every (table, key) below a table, list elements looked into."""
    found: list[tuple[Any, Any]] = []
    for key, value in table.items():
        found.append((table, key))
        parts = value if isinstance(value, list) else [value]
        for part in parts:
            if isinstance(part, dict):
                found += leaves(part)
    return found


@settings(max_examples=600)
@given(specifications())
def test_specification_gives_a_sheet_or_slips(drawn: tuple[str, dict[str, Any]]) -> None:
    """No value makes it fall over; a sheet's lines hold numbers and words, at 80 columns."""
    drive, table = drawn
    specification, slips = read_specification(example().site.drives[drive], table)
    for slip in slips:
        assert slip.text.isprintable()
        assert 10 < len(slip.text) < 320
    if not slips:
        sheet = make_sheet(specification)
        for line in sheet_lines(sheet, judge(sheet)):
            assert len(line) <= 80, line
            assert not re.search(r"\bnan\b|\bNone\b|\binf\b", line), line
