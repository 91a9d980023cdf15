"""The account of a night as lines of 80 columns. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from nightrake.alarms.accountstories import Line, Night, Story
from nightrake.alarms.accountwords import title_of
from nightrake.alarms.told import between_s, counted, listed, span_text, stamp
from nightrake.alarms.zones import DAY_S, Zone

WIDTH = 80
SHUTDOWN = "/shutdown_contact"
_LINKS = {"disk": "The disk took no rows", "broker": "The broker did not get messages through"}
_LINKS |= {"store": "The store forwarded to was away"}


class Names(NamedTuple):
    """Labels as the settings have them now: of the site, of drives by id, of people by id."""

    site: str
    drives: Mapping[str, str]
    people: Mapping[str, str]


class Told(NamedTuple):
    """How moments are shown: the site's zone, and the period."""

    zone: Zone
    from_utc_ms: int
    to_utc_ms: int

    def at(self, utc_ms: int) -> str:
        """The time of day, with the date where the period does not make it plain."""
        whole = stamp(self.zone, utc_ms)
        short = self.to_utc_ms - self.from_utc_ms <= DAY_S * 1000 and self.from_utc_ms <= utc_ms < self.to_utc_ms
        return whole[11:] if short and whole[:1].isdigit() else whole


def account_lines(night: Night, zone: Zone, names: Names, now_utc_ms: int) -> Iterator[str]:
    """The whole account.

    Args:
        night: What the rows say. zone: In which the site tells the time. names: Labels.
        now_utc_ms: For what has no end yet.
    """
    told = Told(zone, night.from_utc_ms, night.to_utc_ms)
    yield from _wrapped(f"{names.site}: account of the journal")
    yield from _wrapped(f"From {_minute(told, night.from_utc_ms)} to {_minute(told, night.to_utc_ms)}, {zone.name}.")
    yield from _head(night, told, now_utc_ms)
    for number, story in enumerate(night.alarms, 1):
        yield ""
        yield from _alarm(story, number, told, names, night)
    for story in night.lockouts:
        yield ""
        yield from _lockout(story, told, names)
    for title, lines in (
        ("Unwatched", list(_unwatched(night, told, now_utc_ms))),
        ("Test calls", list(_lines(night.checks, told))),
        ("Besides", list(_lines(night.others, told))),
        ("Nobody answered", list(_unanswered(night, told, names))),
    ):
        if lines:
            yield from ("", title, *lines)
    yield ""
    yield from _wrapped(_closing(night, now_utc_ms))
    yield from _legend(night, names)


def _minute(told: Told, utc_ms: int) -> str:
    text = stamp(told.zone, utc_ms)
    return text[:16] + text[19:] if text[:1].isdigit() else text


def _head(night: Night, told: Told, now_utc_ms: int) -> Iterator[str]:
    if night.to_utc_ms > now_utc_ms:
        yield from _wrapped("The period is not over yet.")
    if night.first is None:
        yield from _wrapped("The journal holds no row of what an account tells.")
    elif night.first.utc_ms >= night.to_utc_ms or night.first.utc_ms > night.from_utc_ms:
        yield from _wrapped(f"The journal begins only at {stamp(told.zone, night.first.utc_ms)}.")
    if night.rows == 0 and night.first is not None:
        yield from _wrapped("No row of what an account tells falls into this period.")
    if night.untrusted:
        text = f"{counted(night.untrusted, 'row')} of it written while the clock could not be trusted"
        yield from _wrapped(f"{text}; the order is right, the times may not be.")


def _alarm(story: Story, number: int, told: Told, names: Names, night: Night) -> Iterator[str]:
    priority = f" ({story.priority})" if story.priority else ""
    yield from _wrapped(f"{number}. {title_of(story.name, names.drives)}{priority}", "   ")
    if story.came is None and not story.never_came:
        yield from _wrapped("It stood before the first row that tells of it.", "   ", "   ")
    elif story.came is not None and story.came.utc_ms < night.from_utc_ms:
        acked = f", acknowledged by {story.acked_before}" if story.acked_before else ""
        yield from _wrapped(f"It had come at {stamp(told.zone, story.came.utc_ms)}{acked}.", "   ", "   ")
    yield from _lines(story.lines, told)
    if story.left_out:
        yield from _wrapped(f"{counted(story.left_out, 'further row')} of it not shown.", "   ", "   ")
    yield from _wrapped(_end(story, told), "   ", "   ")


def _end(story: Story, told: Told) -> str:
    """How it stood when the period ended, and what was never said."""
    parts = []
    if story.never_came:
        return "It did not come."
    if story.name.endswith(SHUTDOWN) and story.stop != "confirmed":
        last = f"; last told: {story.stop}" if story.stop else ""
        parts.append(f"No row confirms the stop{last}.")
    if story.over is None and story.again is not None:
        parts.append(f"It came again at {told.at(story.again.utc_ms)}, before it was over; see there.")
    elif story.over is None:
        parts.append(f"It stood at the end of the period{'' if story.waits is None else ', not acknowledged'}.")
    elif story.came is not None:
        parts.append(
            f"Over at {told.at(story.over.utc_ms)}, {span_text(between_s(story.came, story.over))} after it came."
        )
    else:
        parts.append(f"Over at {told.at(story.over.utc_ms)}.")
    return " ".join(parts)


def _lockout(story: Story, told: Told, names: Names) -> Iterator[str]:
    label = f"{story.name} {names.drives.get(story.name, '')}".strip()
    yield from _wrapped(f"Lockout {story.number} of {label} (a record of what people reported)", "   ")
    if story.came is not None and story.came.utc_ms < told.from_utc_ms:
        yield from _wrapped(f"It was opened at {stamp(told.zone, story.came.utc_ms)}.", "   ", "   ")
    yield from _lines(story.lines, told)
    if story.left_out:
        yield from _wrapped(f"{counted(story.left_out, 'further row')} of it not shown.", "   ", "   ")
    if story.over is None:
        yield from _wrapped("It was open at the end of the period.", "   ", "   ")


def _unwatched(night: Night, told: Told, now_utc_ms: int) -> Iterator[str]:
    for down in night.unwatched.spans(now_utc_ms):
        what = "The watch did not run" if not down.what else _LINKS.get(down.what, f"Link {down.what} was down")
        if down.what.startswith("plc:"):
            what = f"PLC {down.what.removeprefix('plc:')} was silent"
        span = span_text((down.to_utc_ms - down.from_utc_ms) / 1000)
        end = ", no end is told" if down.is_open else ""
        text = f"{what} from {told.at(down.from_utc_ms)} to {told.at(down.to_utc_ms)} ({span}{end})."
        yield from _wrapped(text, "     ", "   ")
    if night.unwatched.left_out:
        yield f"   {counted(night.unwatched.left_out, 'further span')} not shown."


def _unanswered(night: Night, told: Told, names: Names) -> Iterator[str]:
    for number, story in enumerate(night.alarms, 1):
        if story.calls and story.waits is not None:
            called = listed(list(story.called))
            text = f"Alarm {number}, {title_of(story.name, names.drives)}: {counted(story.calls, 'call')} to {called}"
            yield from _wrapped(f"{text}, no acknowledgement of it as it last came.", "     ", "   ")
    for line in night.checks:
        if "did not answer" in line.text:
            yield from _lines([line], told)


def _closing(night: Night, now_utc_ms: int) -> str:
    came = [s for s in night.alarms if s.came is not None and s.came.utc_ms >= night.from_utc_ms]
    stood = sum(not s.never_came for s in night.alarms) - len(came)
    alarms, notices = [s for s in came if s.priority != "notice"], [s for s in came if s.priority == "notice"]
    by = ", ".join(f"{sum(s.priority == p for s in alarms)} {p}" for p in ("urgent", "high", "low"))
    people = {p for s in night.alarms for p in s.called}
    acks = [(who, after_s) for s in night.alarms for who, after_s in s.acked]
    slowest_s = max((s for _, s in acks if s is not None), default=None)
    unanswered = sum(bool(s.calls) and s.waits is not None for s in night.alarms)
    opened = sum(s.came is not None and s.came.utc_ms >= night.from_utc_ms for s in night.lockouts)
    cancelled = sum(s.cancelled for s in night.lockouts)
    released = sum(s.over is not None for s in night.lockouts) - cancelled
    shutdowns = [s for s in came if s.name.endswith(SHUTDOWN)]
    stops = sum(s.stop == "confirmed" for s in shutdowns)
    watch_s = night.unwatched.watch_s(now_utc_ms)
    parts = [
        f"{counted(len(alarms), 'alarm')} came" + (f" ({by})" if alarms else ""),
        f"{stood} stood from before",
        *([counted(len(notices), "notice")] if notices else []),
        *([f"{counted(len(shutdowns), 'shutdown')}, {stops} with the stop confirmed"] if shutdowns else []),
        f"{counted(sum(s.calls for s in night.alarms), 'call')} to {counted(len(people), 'person', 'people')}",
        counted(len(acks), "acknowledgement") + (f", the slowest after {span_text(slowest_s)}" if slowest_s else ""),
        f"{counted(unanswered, 'alarm')} called for and not answered",
        f"{counted(opened, 'lockout')} opened, {released} released" + (f", {cancelled} cancelled" if cancelled else ""),
        f"the watch did not run for {span_text(watch_s)}" if watch_s else "no time without the watch is told",
    ]
    return f"In all: {'; '.join(parts)}."


def _legend(night: Night, names: Names) -> Iterator[str]:
    """Who the people are, as the settings name them now."""
    stories = (*night.alarms, *night.lockouts)
    texts = " ".join(line.text for s in stories for line in s.lines)
    texts += " ".join(line.text for line in (*night.checks, *night.others))
    words = set(texts.replace(",", " ").replace(".", " ").replace(":", " ").replace(";", " ").split())
    known = [f"{person} = {name}" for person, name in names.people.items() if person in words]
    if known:
        yield from _wrapped(f"People, as the settings name them now: {'; '.join(known)}.")


def _lines(lines: Sequence[Line], told: Told) -> Iterator[str]:
    for line in lines:
        begin = f"   {told.at(line.at.utc_ms)}  "
        again = f" Again at {listed([told.at(m.utc_ms) for m in line.again])}." if line.again else ""
        yield from _wrapped(f"{begin}{line.text}{again}", " " * len(begin))


def _wrapped(text: str, rest: str = "", first: str = "") -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False, drop_whitespace=True
    ) or [""]
