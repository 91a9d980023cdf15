"""Names of drives and people by the settings in force, as the store keeps them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, NamedTuple

from nightrake.errors import StoreError
from nightrake.page.people import People
from nightrake.pagereading.kept import KeptHistory


class Names(NamedTuple):
    """Names by id.

    Attributes:
        drives, people: Everybody and everything in the settings; what is not there any more is called by its id.
    """

    drives: Mapping[str, str]
    people: People


NOBODY = Names({}, People({}))


class NameBook:
    """Reads names, once for each of the settings.

    Args:
        kept: The files.
    """

    def __init__(self, kept: KeptHistory) -> None:
        self._kept = kept
        self._read: tuple[str, Names] = ("", NOBODY)

    def names(self) -> Names:
        """Those of now; none where they cannot be read, for a row can be told without."""
        try:
            _, history = self._kept.files()
            then = history.in_force()
            if then is None or then.digest == self._read[0]:
                return self._read[1]
            drives = {drive: spec.name for drive, spec in then.site.drives.items()}
            people = _people_in(history.content_of(then.digest))
        except StoreError:
            return self._read[1]
        self._read = then.digest, Names(drives, People(people))
        return self._read[1]


def _people_in(content: str) -> dict[str, dict[str, Any]]:
    try:
        told = json.loads(content or "{}")["settings"]["person"]
        return {str(person): {"name": str(table["name"])} for person, table in told.items()}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}
