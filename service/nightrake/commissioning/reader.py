"""Quantities out of a table of texts, each within bounds that a mixed-up unit does not keep. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from nightrake.commissioning.shown import shown
from nightrake.commissioning.units import Dimension, QuantityError, short, si_value

Path = tuple[str | int, ...]
"""Keys and list positions below the table."""


class Slip(NamedTuple):
    """One mistake: where, and the end of a sentence that begins with the key."""

    path: Path
    text: str


class TableReader:
    """Reads one table and remembers what is wrong with it.

    Attributes:
        slips: So far, each path once.
    """

    def __init__(self, table: Mapping[str, Any]) -> None:
        self._table = table
        self.slips: list[Slip] = []

    def value(self, path: Path) -> Any:
        """What stands at a path; None where it, or what would hold it, is left out."""
        here: Any = self._table
        for part in path:
            if here is None:
                return None
            here = here[part] if isinstance(part, int) else here.get(part)
        return here

    def quantity(self, path: Path, dimension: Dimension, low: float, high: float) -> float | None:
        """A quantity in SI units.

        Args:
            path: Where it stands. dimension: What it has to be.
            low, high: Bounds, both included, wide enough for every drive of this kind.

        Returns:
            None where it is left out, or wrong (then there is a slip).
        """
        text = self.value(path)
        if text is None:
            return None
        try:
            value = si_value(text, dimension)
        except QuantityError as error:
            self.slip(path, str(error))
            return None
        if low <= value <= high:
            return value
        bounds = f"{shown(low, dimension)[0]} to {shown(high, dimension)[0]}"
        self.slip(path, f"is '{short(text)}', which no drive of this kind has ({bounds}); was a unit mixed up?")
        return None

    def slip(self, path: Path, text: str) -> None:
        """Note a mistake."""
        if all(s.path != path for s in self.slips):
            self.slips.append(Slip(path, text))

    def has_slip(self, path: Path) -> bool:
        """Whether something at or below a path is wrong."""
        return any(s.path[: len(path)] == path for s in self.slips)
