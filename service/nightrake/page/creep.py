"""Torque creep as the page ranks it: who will reach the alarm first, and when that was judged. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from nightrake.page.moments import Wall, span
from nightrake.page.torquebar import Bar, Number, bar_of, in_units, number_of

PAGE = 100
"""Rows of a page."""
OLD_MS = 50 * 3_600_000
"""It is looked for once a day: what is older than two days and a while was not judged when it should have been."""
LONG_DAYS = 999
"""Days beyond which only 'more' is said."""
SOON = "30"
SLOW_S = 5.0
"""What took less is not worth a word."""
REPORT_ROWS = 60
RECORD_ONLY = (
    "An estimate from what was read; it shows nothing to be safe, and no contact to be sound. Before anybody acts near "
    "the machine: lock out, verify zero energy, release wind-up slowly, follow the manufacturer's instructions and "
    "local codes, and leave the work to qualified people."
)
CANNOT_KNOW = (
    "It knows what the sensors told, and supposes that what has begun goes on: no storm, no repair and no change of "
    "operation to come, and nothing that a bound arm or a slipped calibration hides."
)
WORDS = {"creeping": "Creeping", "steady": "Steady", "falling": "Falling", "cannot say": "Cannot say"}
WARNING = "Creep warning"
SHAPES = {"cannot say": "aside"}
AHEAD_MS = 3_600_000
"""What was judged further ahead than this was not judged by the clock of now; it is not shown as of now either."""

Told = Mapping[str, Any]


class Torque(NamedTuple):
    """A level as bar and figures: what the macros of the overview take.

    Attributes:
        bar, number: See `torquebar`. direction: "", for the share is said to be of shutdown.
    """

    bar: Bar
    number: Number
    direction: str = ""


class Row(NamedTuple):
    """One side in the ranking.

    Attributes:
        place: From 1. drive: Id. name: What people call it. direction: Where the drive senses two, else "".
        known: The site has it now, so that it has a page. tone, shape, word: How it stands; ``creep`` is a warning.
        torque: The level. creep, between: Percent of shutdown a month with its interval, "" = cannot be said.
        alarm, why_not: When the alarm point is reached; why that cannot be said. chance: Of that within 30 days.
        sentence: The verdict.
    """

    place: int
    drive: str
    name: str
    direction: str
    known: bool
    tone: str
    shape: str
    word: str
    torque: Torque
    creep: str
    between: str
    alarm: str
    why_not: str
    chance: str
    sentence: str


class Judged(NamedTuple):
    """When creep was looked for last.

    Attributes:
        utc_ms: For when; 0: never, or it cannot be read. old: Why it does not count as of now, a sentence;
            "" = it does. took: How long it took, in words. notes: What is missing or doubtful, in sentences.
    """

    utc_ms: int
    old: str
    took: str
    notes: list[str]


class CreepList(NamedTuple):
    """A page of the ranking.

    Attributes:
        judged: See `Judged`. rows: In order of rank. warnings: How many of all warn. drives: How many there are.
        newest: The newest report's name, or "". reports: All kept, name and size in words.
        before, after: Addresses of the pages around, "" = there is none. words: Which of how many these are.
    """

    judged: Judged
    rows: list[Row]
    warnings: int
    drives: int
    newest: str
    reports: list[tuple[str, str, str]]
    before: str
    after: str
    words: str


def list_of(told: Told | None, why_not: str, names: Mapping[str, str], wall: Wall) -> CreepList:
    """A page of the ranking.

    Args:
        told: As `Reader.creep` gives it, `PAGE` at most; None: it cannot be read. why_not: Then why.
        names: Of drives, by id.
    """
    judged = judged_of(told, why_not, wall)
    if told is None:
        return CreepList(judged, [], 0, 0, "", [], "", "", "")
    skip, total = int(told["skip"]), int(told["total"])
    rows = [row_of(side, place, names) for place, side in enumerate(told["sides"], skip + 1)]
    reports = [report_of(one) for one in told["reports"]]
    before = _address(max(0, skip - PAGE)) if skip else ""
    after = _address(skip + PAGE) if skip + PAGE < total else ""
    words = f"{skip + 1} to {skip + len(rows)} of {total}" if before or after else ""
    newest, counts = reports[0][0] if reports else "", (int(told["warnings"]), int(told["drives"]))
    return CreepList(judged, rows, *counts, newest, reports[:REPORT_ROWS], before, after, words)


def _address(skip: int) -> str:
    return f"/creep?skip={skip}" if skip else "/creep"


def report_of(told: Told) -> tuple[str, str, str]:
    """A report's name, its day and its size in words."""
    name = str(told["name"])
    return name, name.removeprefix("creep-").removesuffix(".html"), size_words(told["bytes"])


def size_words(size: int) -> str:
    """Bytes for people."""
    return f"{size / 1e6:.1f} MB" if size >= 1e6 else f"{max(1, round(size / 1e3))} kB"


def judged_of(told: Told | None, why_not: str, wall: Wall) -> Judged:
    """When it was, and what is to be said of that.

    Args:
        told: As the reader gives it; None: it cannot be read. why_not: Then why.
    """
    if told is None:
        return Judged(0, "", "", [why_not or "what is known of creep cannot be read now"])
    at, now = told["judged_utc_ms"], int(told["read_utc_ms"])
    notes = [*told["notes"], *told["beware"]]
    if at is None:
        return Judged(0, "", "", notes)
    old = ""
    if now - at > OLD_MS:
        old = f"Not judged since {wall.at(at)}, {span((now - at) / 1000)} ago"
    elif at > now + AHEAD_MS:
        old = f"It was judged for {wall.full(at)}, which lies ahead: a clock was wrong then, or is now"
    took = span(told["took_s"]) if told["took_s"] is not None and told["took_s"] >= SLOW_S else ""
    return Judged(int(at), old, took, notes)


# --- one side ---------------------------------------------------------------------------------------------------------


def row_of(side: Told, place: int, names: Mapping[str, str]) -> Row:
    """One side in the ranking.

    Args:
        side: As `Reader.creep` has it. place: In the ranking. names: Of drives, by id.
    """
    drive = str(side["drive"])
    tone, shape, word = mark_of(side)
    forecast = side["alarm"]
    creep, between = rate_words(side["slope_percent_month"])
    return Row(
        place, drive, names.get(drive, str(side["name"])), str(side["direction"]) if side["several"] else "",
        drive in names, tone, shape, word, torque_of(side), creep, between, days_words(forecast),
        "" if forecast["days"] else dotless(forecast["why_not"]), chance_words(forecast["within"].get(SOON)),
        in_units(side["sentence"]),
    )  # fmt: skip


def mark_of(side: Told) -> tuple[str, str, str]:
    """Tone, shape and word: coloured only where it warns."""
    if side["warning"]:
        return "creep", "notice", WARNING
    state = str(side["state"])
    return "calm", SHAPES.get(state, "calm"), WORDS.get(state, "Cannot say")


def torque_of(side: Told) -> Torque:
    """The level on the bar of the overview: its end is 110 % of shutdown there, too."""
    level, below = side["level_nm"], bool(side["level_is_below"])
    kind = "absent" if level is None else "below" if below else "exact"
    torque = {"value": level, "uncertainty": None, "uncertainty_lacks": (), "kind": kind}
    view = {"torque_nm": torque, "alarm_nm": side["alarm_nm"], "shutdown_nm": side["shutdown_nm"]}
    return Torque(bar_of(view), number_of(view))


def rate_words(rate: Told | None) -> tuple[str, str]:
    """Percent of shutdown a month: ``+3.0``, and its interval ``+2.5 to +3.5``."""
    if rate is None or rate["mid"] is None:
        return "", ""
    ends = ["?" if rate[part] is None else signed(rate[part]) for part in ("low", "high")]
    return signed(rate["mid"]), " to ".join(ends)


def signed(value: float) -> str:
    """A rate with its sign; nothing is no negative nothing."""
    text = f"{value:+.0f}" if abs(value) >= 100 else f"{value:+.1f}"
    return "0.0" if float(text) == 0 else text.replace("-", "\u2212")


def days_words(forecast: Told) -> str:
    """When a stage is reached: ``in 40 to 90 days``, ``in 60 days or more``; "" = it cannot be said."""
    days = forecast["days"]
    if days is None:
        return ""
    low, high = days["low"], days["high"]
    if high is not None and high <= 0:
        return "reached"
    if low > LONG_DAYS:
        return f"in over {LONG_DAYS} days"
    if high is None or high > LONG_DAYS:
        return f"in {max(0.0, low):.0f} days or more"
    return f"in {max(0.0, low):.0f} to {high:.0f} days"


def chance_words(chance: float | None) -> str:
    """A chance in percent that never says never; "" = it cannot be said."""
    if chance is None:
        return ""
    percent = 100.0 * chance
    return "< 1 %" if percent < 1 else "> 99 %" if percent > 99 else f"{percent:.0f} %"


def dotless(text: str) -> str:
    """A sentence as a part of one."""
    text = in_units(text).rstrip(". ")
    return text[:1].lower() + text[1:] if text[1:2].islower() or text[1:2] == " " else text
