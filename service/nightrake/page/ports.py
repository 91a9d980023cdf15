"""What the page needs of others: the watch, the readers of what is kept, and how things look. Plain types only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

if TYPE_CHECKING:
    from nightrake.page.scene import Changes, Scene

Plain = dict[str, Any]
"""A JSON object."""


class Asker(NamedTuple):
    """For whom something is read.

    Attributes:
        who: A person's session, else the network address; "" = the page itself. is_known: They are signed in.
    """

    who: str = ""
    is_known: bool = False


ITSELF = Asker()
ASKER: ContextVar[Asker] = ContextVar("asker", default=ITSELF)
"""Of the request that is being answered, so that readers can be fair."""


class Watch(Protocol):
    """The watch, as far as the page speaks with it.

    Everything raises `ControlError` with one sentence: `nobody` where the watch is away, else its own refusal.
    """

    async def command(self, person: str, what: str, drive: str, direction: str, args: Mapping[str, Any]) -> Plain:
        """Put one command through the walk: ``{"ok", "text", "durable"}``; the watch looks the role up itself."""
        ...

    async def note(self, event: str, person: str, data: Mapping[str, Any]) -> None:
        """A row of the journal about sessions: ``signed_in``, ``signed_out``, ``sign_in_refused``, ..."""
        ...

    async def lockout(self, drive: str) -> Plain:
        """A drive's lockout as `domain.alarmview.lockout_view` gives it."""
        ...


class Feed(Protocol):
    """Keeps the scene up to date while somebody looks."""

    async def wanted(self) -> None:
        """Somebody looks now: returns when the scene is whole and live, or after a moment when it will not be."""
        ...


class Reader(Protocol):
    """What is kept: history, trips, journal, calibration, data sheets. Times are UTC in ms since 1970.

    Everything raises `LookupError` with a sentence where there is no such thing, `StoreError` where it cannot be read
    now. `bytes` are JSON text already, to be handed out as it is; ``notes`` are sentences about what could not be read.
    """

    async def history(self, drive: str, signal: str, begin_utc_ms: int, end_utc_ms: int, columns: int) -> bytes:
        """At most `columns` (2000) columns of one signal, rising in time, `null` where nothing was read.

        ``{"drive", "signal", "kind", "unit", "begin_utc_ms", "end_utc_ms", "step_ms", "grain": "reading" | "minute" |
        "hour" | "day", "from_utc_ms", "until_utc_ms": recorded within, "set_points": [{"stage", "direction",
        "torque_nm"}], "columns": {"utc_s", "min", "mean", "max", "bad": share of readings without a value; of torque
        "limit": share outside the calibrated span, "uncertainty"}, "notes"}``. Of a contact or bit ``mean`` is the
        share of readings in which it had operated; where readings are gone, of the known time in which its stage stood
        (of the alarm stage: or the shutdown), and ``bad`` is the share of time that was not known. Columns begin at
        whole steps, so that panning asks for the same.
        """
        ...

    async def signals(self, drive: str) -> Plain:
        """``{"signals": [{"name", "kind", "unit", "yes_or_no"}], "set_points", "from_utc_ms", "until_utc_ms",
        "readings_from_utc_ms", "notes"}``."""
        ...

    async def marks(self, drive: str, begin_utc_ms: int, end_utc_ms: int) -> Plain:
        """``{"marks": [{"utc_ms", "kind", "text", "seq", "from_utc_ms"}], "notes"}``, at most 500, in order of time."""
        ...

    async def trips(self, drive: str = "", stage: str = "", skip: int = 0, limit: int = 100) -> Plain:
        """``{"trips": [{"trip": its name, "drive", "direction", "stage", "utc_ms", "from_utc_ms", "to_utc_ms", "open",
        "because", "peak": {"torque_nm", "torque_is", "utc_ms"} | None, ...}], "total", "more", "notes"}``, the newest
        first."""
        ...

    async def trip(self, trip: str) -> Plain:
        """The same of one trip, with its ``events`` (as `journal`), ``remarks``, ``calibrations``, ``set_points``."""
        ...

    async def trip_readings(self, trip: str, begin_utc_ms: int, end_utc_ms: int, columns: int) -> bytes:
        """Readings of a trip at full rate where at most `columns` (40000) are in the time, else thinned; 0, 0 = all.

        ``{"signals": {"torque_nm": {"grain": "reading" | "column", "utc_s", "mean", "min" and "max" of columns,
        "uncertainty", "limit"}, "position_mm", "power", "speed"}, "lanes": [{"name", "on": [[s, s]], "unknown"}],
        "from_utc_ms", "to_utc_ms": of the record, "begin_utc_ms", "end_utc_ms", "trip_utc_ms", "set_points", "notes"}``
        Of a record with more than 150000 scans 0, 0 is the hour before and after the trip, and a note says so.
        """
        ...

    async def journal(self, drive: str, before: int, limit: int) -> Plain:
        """``{"rows": [a row's view with "about", "text", "strong"], "more", "notes"}``: rows below number `before`
        (0 = from the newest on), the newest first, at most 500; drive "" = of all."""
        ...

    async def calibration(self, drive: str) -> Plain:
        """``{"directions": [{"direction", "record": None | {"ref", "made_by", "made_on", "due_utc_ms", "overdue",
        "points", "curve", "uncertainty", "fit", ...}}], "device_serial", "notes"}``: the records in force."""
        ...

    async def sheet(self, drive: str) -> Plain:
        """``{"sections": [{"title", "rows": [{"label", "si", "us"}]}], "findings": [{"subject", "verdict", "text",
        "source"}], "cautions", "notes"}``."""
        ...

    async def creep(self, skip: int = 0, limit: int = 0) -> bytes:
        """Torque creep as it was judged last, the first to reach its alarm point first; at most `limit`, 0 = all.

        ``{"judged_utc_ms": None = never, or it cannot be read; "read_utc_ms", "took_s", "total", "warnings" and
        "drives": how many of all; "skip": so many before these, at most to the last page; "sides": [{"drive",
        "direction", "several", "name", "state": "creeping" | "steady" | "falling" | "cannot say", "warning",
        "sentence", "level_nm", "level_is_below", "alarm_nm", "shutdown_nm", "slope_percent_month": {"low", "mid",
        "high"} | None, "since_utc_ms", "alarm": {"days": {"low", "mid", "high": None = open} | None, "within": {"7",
        "30", "90": chance}, "why_not"}, "shutdown", "shifts", "remarks", ...}], "report": made with it,
        "reports": [{"name", "bytes"}], "beware", "notes"}``.
        """
        ...

    async def creep_of(self, drive: str) -> bytes:
        """The same of one drive; each of its ``sides`` with ``place`` in the order of all (``of``) and ``days``:
        columns ``utc_ms``, ``median_nm``, ``line_nm``, ``low_nm``, ``high_nm``, ``below_nm``, ``outlier``, or None."""
        ...

    async def creep_report(self, name: str) -> Plain:
        """``{"name", "html"}``: one of the ``reports``."""
        ...


class Part(Protocol):
    """One element of a page, rendered: its id, its HTML ("" = it is gone), its place among its like or None."""

    @property
    def id(self) -> str:
        """Of the element."""
        ...

    @property
    def html(self) -> str:
        """The element."""
        ...

    @property
    def order(self) -> int | None:
        """Its place, the lowest first."""
        ...


class Look(Protocol):
    """How things look: the same for everybody, but for who is signed in."""

    def page(self, where: str, scene: Scene, who: Plain | None, csrf: str, more: Plain) -> str:
        """A whole page."""
        ...

    def parts(self, where: str, scene: Scene, changes: Changes) -> Sequence[Part]:
        """The elements of a page that changed; all of them where ``changes.all``."""
        ...
