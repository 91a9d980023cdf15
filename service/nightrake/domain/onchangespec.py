"""How a point is recorded on change, as the settings say. Pure."""

from __future__ import annotations

from typing import NamedTuple


class OnChange(NamedTuple):
    """A point whose readings are recorded only when they say something new.

    Attributes:
        band: A value no further than this from the one last recorded is not recorded, unit of the scaled value; 0.0:
            each change is.
        longest_ns: Something is recorded at least this often, so that silence is told from standing still.
    """

    band: float
    longest_ns: int
