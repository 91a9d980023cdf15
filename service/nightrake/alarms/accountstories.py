"""What an account of a night is made of: lines, stories of alarms and lockouts, and the night itself. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from nightrake.alarms.life import Life
from nightrake.alarms.told import Moment
from nightrake.alarms.unwatched import Unwatched


class Line(NamedTuple):
    """One thing that was.

    Attributes:
        at, text: When, and in words.
        key: What a line has in common with one that says the same once more, () = nothing. again: when that was.
    """

    at: Moment
    text: str
    key: tuple[str, ...] = ()
    again: tuple[Moment, ...] = ()


@dataclass(slots=True)
class Story:
    """One occurrence of an alarm, or one lockout.

    Attributes:
        name: The alarm's key as text, or the drive. number: its occurrence, or the lockout's number.
        came: When, None = before the first row. over: when it was over, None = it was not.
        again: When the alarm came again, as another occurrence, before this one was over.
        was: Life before its first row. priority: of an alarm. stop: what was last said of the stop after a shutdown.
        waits: Since when nobody has acknowledged, None = somebody has.
        lines: What was, within the period. left_out: how many lines were too many.
        calls, called: Calls and reminders within the period, and to whom.
        comings: Lines of its coming and going.
        acked: Who acknowledged within the period, after how many seconds (None = not known). acked_before: the last
            one before the period. ack_mark: the acknowledgement told last, by actor and moment.
        touched: Something of it falls into the period. cancelled: Of a lockout: its end was no release.
    """

    name: str
    number: int
    came: Moment | None = None
    over: Moment | None = None
    again: Moment | None = None
    was: str = ""
    priority: str = ""
    stop: str = ""
    waits: Moment | None = None
    lines: list[Line] = field(default_factory=list)
    left_out: int = 0
    comings: int = 0
    calls: int = 0
    called: dict[str, None] = field(default_factory=dict)
    acked: list[tuple[str, float | None]] = field(default_factory=list)
    acked_before: str = ""
    ack_mark: tuple[str, int] = ("", 0)
    touched: bool = False
    cancelled: bool = False

    @property
    def stands(self) -> bool:
        """It was not over when the rows ended, and no later occurrence of it has come."""
        return self.over is None and self.again is None

    @property
    def never_came(self) -> bool:
        """An alarm that was only shelved, refused and the like, while it was normal."""
        return self.came is None and self.was == Life.NORMAL.value


class Night(NamedTuple):
    """A period as told.

    Attributes:
        from_utc_ms, to_utc_ms: The period.
        rows: Rows that fall into it. untrusted: those of them whose clock could not be believed.
        first, last: The journal's first row, and the last one before the end of the period.
        alarms, lockouts: What came or stood in it, in order. checks, others: further lines.
        unwatched: See there.
    """

    from_utc_ms: int
    to_utc_ms: int
    rows: int
    untrusted: int
    first: Moment | None
    last: Moment | None
    alarms: tuple[Story, ...]
    lockouts: tuple[Story, ...]
    checks: tuple[Line, ...]
    others: tuple[Line, ...]
    unwatched: Unwatched
