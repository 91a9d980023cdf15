"""What a command to a running watch needs of its folder, also while somebody has a mistake in it.

A watch goes on with the settings that it has taken, whatever is written into its folder meanwhile. People have to be
able to see and acknowledge its alarms then, too.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from nightrake.alarms.zones import UTC_ZONE, Zone
from nightrake.errors import ConfigError
from nightrake.settings.folder import Document
from nightrake.settings.loading import load
from nightrake.settings.models import ControlTable
from nightrake.settings.templates import OVERRIDE
from nightrake.settings.zones import zone_table


class Reach(NamedTuple):
    """Where the watch of a folder answers, and how its site tells people and times.

    Attributes:
        socket: Its control socket. zone: The site's. names: Person id -> name. drives: Ids.
        mistakes: Why the folder could not be taken as a whole; None where there is no mistake in it.
    """

    socket: Path
    zone: Zone
    names: Mapping[str, str]
    drives: Collection[str]
    mistakes: ConfigError | None = None


def reach_of(folder: Path, overrides: Mapping[str, str | int | float]) -> Reach:
    """What the folder says of it; of one with mistakes in it what can be read all the same.

    Raises:
        ConfigError: There is no folder of settings, or an override is wrong.
    """
    try:
        settings = load(folder, overrides)
    except ConfigError as error:
        document = Document(folder)
        document.read()
        if not document.tables or any(mistake.file == OVERRIDE for mistake in error.mistakes):
            raise
        return _despite(document, overrides, error)
    names = {i: person.name for i, person in settings.people.items()}
    return Reach(settings.control.socket, settings.duty.rota.zone, names, settings.site.drives)


def _despite(document: Document, overrides: Mapping[str, Any], error: ConfigError) -> Reach:
    def text(table: str, key: str, default: str) -> str:
        value = overrides.get(f"{table}.{key}", _table(document.tables, table).get(key))
        return value if isinstance(value, str) else default

    zone = zone_table(text("rota", "zone", UTC_ZONE.name), datetime.now(UTC).date()) or UTC_ZONE
    people = _table(document.tables, "person")
    names = {i: str(_table(people, i).get("name", i)) for i in people}
    socket = Path(text("control", "socket", ControlTable().socket))
    return Reach(socket, zone, names, document.names("drive"), error)


def _table(tables: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    value = tables.get(key)
    return value if isinstance(value, dict) else {}
