"""Which trip record a person means, and the place that its times and names are told by."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from nightrake.alarms.zones import UTC_ZONE, Zone
from nightrake.cli.journal_wanted import zone_at
from nightrake.errors import ConfigError, NightrakeError, StoreError
from nightrake.history.triprecord import Record
from nightrake.longterm.tripfile import TripFile
from nightrake.longterm.tripfolder import FOLDER, SUFFIX, record_paths
from nightrake.settings import Settings, load

SOME = 12
"""Names in one sentence."""
Overrides = Mapping[str, str | int | float]


class Place(NamedTuple):
    """Where a record is told.

    Attributes:
        settings: None = the record's file stands alone; then times are UTC.
        names: Of drives.
    """

    settings: Settings | None
    names: Mapping[str, str]

    def zone(self, utc_ms: int) -> Zone:
        """The site's, at a moment."""
        return zone_at(self.settings, utc_ms) if self.settings is not None else UTC_ZONE


def found(folder: Path, overrides: Overrides, name: str) -> tuple[Path, Place]:
    """A record's file or folder, and its place.

    Args:
        name: As typed: a name, its beginning, or a file.

    Raises:
        NightrakeError: There is none, or there are several.
    """
    file = Path(name)
    if file.suffix == SUFFIX and file.is_file():
        try:
            settings = load(folder, overrides)
        except ConfigError:
            return file, Place(None, {})
        return file, _place(settings)
    settings = load(folder, overrides)
    paths = {_short(path): path for path in paths_in(settings)}
    exact = {short: path for short, path in paths.items() if name in (short, _stem(path))}
    mine = exact or {short: path for short, path in paths.items() if short.casefold().startswith(name.casefold())}
    if len(mine) == 1:
        return next(iter(mine.values())), _place(settings)
    if not mine:
        there = f"there are {', '.join(list(paths)[-SOME:])}" if paths else "there is none yet"
        raise NightrakeError(f"there is no trip record '{name[:80]}' in {settings.store_dir / FOLDER}; {there}")
    raise NightrakeError(f"'{name[:80]}' may be any of {', '.join(list(mine)[:SOME])}; type more of it")


def _place(settings: Settings) -> Place:
    return Place(settings, {i: drive.name for i, drive in settings.site.drives.items()})


def paths_in(settings: Settings) -> list[Path]:
    """Files and folders of a site's records."""
    return record_paths(settings.store_dir)


def _stem(path: Path) -> str:
    return path.name.removesuffix(SUFFIX)


def _short(path: Path) -> str:
    """Without the life of the store, which only tells two stores' records apart."""
    stem, others = _stem(path), path.parent
    short = stem.rpartition("-")[0] or stem
    alike = [p for p in others.iterdir() if _stem(p) != stem and _stem(p).rpartition("-")[0] == short]
    return stem if alike else short


def records_in(settings: Settings) -> tuple[list[tuple[str, Path, Record]], list[str]]:
    """All records by their names, the oldest first, and a sentence for each file that is none."""
    records, faults = [], []
    for path in paths_in(settings):
        try:
            with TripFile(path) as file:
                records.append((_short(path), path, file.record))
        except StoreError as error:
            if path.exists():  # it may just have been put together, or given up
                faults.append(str(error))
    return sorted(records, key=lambda one: (one[2].trip.at.utc_ms, one[2].trip.row)), faults
