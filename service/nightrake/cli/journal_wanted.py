"""What a person asks of the journal: times in the site's zone, filters, and the store opened for reading."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, get_args

from nightrake.errors import NightrakeError

if TYPE_CHECKING:
    from nightrake.alarms.zones import Zone
    from nightrake.domain.rows import Row
    from nightrake.journal.search import Search, Wanted
    from nightrake.settings import Settings

NIGHT_FROM_S, NIGHT_TO_S = 18 * 3600, 8 * 3600


class Filters(NamedTuple):
    """As typed; "" and () = not given."""

    drive: str = ""
    since: str = ""
    until: str = ""
    person: str = ""
    kinds: tuple[str, ...] = ()
    alarm: str = ""


def now_utc_ms() -> int:
    """Now."""
    return time.time_ns() // 1_000_000


@contextmanager
def searching(settings: Settings) -> Iterator[Search]:
    """The site's store, opened read-only; neither lock nor watch is asked.

    Raises:
        StoreError: There is none, or it cannot be read.
    """
    from nightrake.errors import StoreError
    from nightrake.journal.search import Search

    path = settings.store_dir / "store.db"
    if not path.is_file():
        raise StoreError(f"{path}: there is no store; check store.dir in the settings, or give --set store.dir=FOLDER")
    search = Search(path)
    try:
        yield search
    finally:
        search.close()


# --- times ---


def zone_at(settings: Settings, utc_ms: int) -> Zone:
    """The site's zone with the offsets of the years around a moment, however long ago."""
    from nightrake.settings.zones import zone_about

    return zone_about(settings.duty.rota.zone, utc_ms)


def moment_of(settings: Settings, option: str, text: str) -> int:
    """A time as typed -> UTC ms.

    Raises:
        NightrakeError: It is none.
    """
    from nightrake.alarms.zones import EPOCH_ORDINAL, instant

    zone = settings.duty.rota.zone
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        at = None
    if at is None or not 1972 <= at.year < 9980:
        raise NightrakeError(
            f"{option} '{text[:40]}': expected a time such as 2026-11-25T18:00 (in {zone.name}), a day such as "
            "2026-11-25, or a time with an offset such as 2026-11-25T18:00Z"
        )
    if at.tzinfo is not None:
        return round(at.timestamp() * 1000)
    day_s = at.hour * 3600 + at.minute * 60 + at.second
    near = zone_at(settings, round(at.replace(tzinfo=UTC).timestamp() * 1000))
    return instant(near, at.toordinal() - EPOCH_ORDINAL, day_s) * 1000 + at.microsecond // 1000


def last_night(zone: Zone, now_ms: int) -> tuple[int, int]:
    """From yesterday 18:00 to today 08:00, by the wall."""
    from nightrake.alarms.zones import day_of, instant

    today = day_of(zone, now_ms // 1000)
    return instant(zone, today - 1, NIGHT_FROM_S) * 1000, instant(zone, today, NIGHT_TO_S) * 1000


def period_of(
    settings: Settings, begin: str, end: str, default: tuple[int, int], names: tuple[str, str]
) -> tuple[int, int]:
    """A period as typed, each end with its default.

    Raises:
        NightrakeError: An end is no time, or the begin is not before the end.
    """
    from_ms = moment_of(settings, names[0], begin) if begin else default[0]
    to_ms = moment_of(settings, names[1], end) if end else default[1]
    if from_ms >= to_ms:
        given = f"{names[0]} {begin}" if begin else f"the begin ({_shown(settings, from_ms)})"
        upto = f"{names[1]} {end}" if end else f"the end ({_shown(settings, to_ms)})"
        raise NightrakeError(f"{given} is not before {upto}; turn them round, or give both")
    return from_ms, to_ms


def _shown(settings: Settings, utc_ms: int) -> str:
    from nightrake.alarms.told import stamp

    return stamp(zone_at(settings, utc_ms), utc_ms)


# --- filters ---


class Chosen:
    """Filters, checked as far as the settings tell, and what they make of rows.

    Args:
        settings: The site's. search: The open store. filters: As typed.

    Raises:
        NightrakeError: A filter that can fit nothing.
    """

    def __init__(self, settings: Settings, search: Search, filters: Filters) -> None:
        from nightrake.journal.search import Wanted

        self._settings, self._filters = settings, filters
        self._found = False
        _check_kinds(filters.kinds)
        _check_alarm(settings, search, filters.alarm)
        if filters.drive:
            _check_drive(settings, search, filters.drive)
        since = moment_of(settings, "--since", filters.since) if filters.since else None
        until = moment_of(settings, "--until", filters.until) if filters.until else None
        if since is not None and until is not None and since >= until:
            raise NightrakeError(f"--since {filters.since} is not before --until {filters.until}; turn them round")
        self.wanted: Wanted = Wanted(filters.drive, filters.kinds, (), since, until)

    def of(self, rows: Iterable[Row]) -> Iterator[Row]:
        """Those that fit person and alarm too."""
        from nightrake.alarms.told import fact_of, people_of

        person, alarm = self._filters.person, self._filters.alarm
        for row in rows:
            fact = fact_of(row) if person or alarm else None
            if fact is not None and person and person not in people_of(fact):
                continue
            if fact is not None and alarm and not is_about(fact.text("alarm"), alarm):
                continue
            self._found = True
            yield row

    def check_person(self) -> None:
        """After nothing was found: is there such a person at all?

        Raises:
            NightrakeError: Neither the settings nor a row that fits the other filters know the person.
        """
        from nightrake.settings.words import nearest

        person, known = self._filters.person, list(self._settings.people)
        if person and not self._found and person not in known:
            hint = nearest(person, known) or f"the settings name {', '.join(known[:12]) or 'nobody'}"
            raise NightrakeError(f"--person '{person[:40]}': neither the settings nor these rows know them; {hint}")


def is_about(text: str, alarm: str) -> bool:
    """Whether a row's alarm is the one asked for, by its whole name or its kind."""
    return text == alarm if "/" in alarm else text.split("/")[2:3] == [alarm]


def _check_kinds(kinds: tuple[str, ...]) -> None:
    from nightrake.messages.payloads import EventMessage
    from nightrake.settings.words import nearest

    known = [str(k) for k in get_args(EventMessage.model_fields["kind"].annotation)]
    for kind in kinds:
        if kind not in known:
            hint = nearest(kind, known) or f"there are: {', '.join(known)}"
            raise NightrakeError(f"--kind '{kind[:40]}': there is no such kind of row; {hint}")


def _check_alarm(settings: Settings, search: Search, alarm: str) -> None:
    from nightrake.alarms.keys import parse_key
    from nightrake.alarms.table import ALARM_TYPES
    from nightrake.settings.words import nearest

    if not alarm:
        return
    kind = alarm
    if "/" in alarm:
        try:
            key = parse_key(alarm)
        except ValueError as error:
            raise NightrakeError(f"--alarm: {error}") from None
        kind = key.kind
        if key.drive:
            _check_drive(settings, search, key.drive)
    if kind not in ALARM_TYPES:
        known = list(ALARM_TYPES)
        hint = nearest(kind, known) or f"such as {', '.join(known[:3])}"
        raise NightrakeError(f"--alarm '{alarm[:80]}': there is no alarm of that kind; {hint}")


def _check_drive(settings: Settings, search: Search, drive: str) -> None:
    from nightrake.settings.words import nearest

    known = list(settings.site.drives)
    if drive not in known and not search.knows_drive(drive):
        hint = nearest(drive, known) or f"there are: {', '.join(known[:12])}"
        raise NightrakeError(f"there is no drive '{drive[:40]}', neither in the settings nor in the journal; {hint}")


def day_of_row(zone: Zone, utc_ms: int) -> date | None:
    """The local date of a row, None of a clock that has lost its date."""
    from nightrake.alarms.told import LAST_DAY
    from nightrake.alarms.zones import EPOCH_ORDINAL, day_of

    day = day_of(zone, utc_ms // 1000)
    return date.fromordinal(EPOCH_ORDINAL + day) if 0 <= day < LAST_DAY else None


def store_path(settings: Settings) -> Path:
    """Where the store is."""
    return settings.store_dir / "store.db"
