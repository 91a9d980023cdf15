"""One message in the place of many, and what is said of an alarm flood, in words. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from nightrake.alarms.callqueue import Call, More
from nightrake.alarms.keys import SITE, AlarmKey
from nightrake.domain.cleantext import clean
from nightrake.messages.wording import (
    LONG_LENGTH,
    SHORT_CAUTION,
    SHORT_LENGTH,
    Summary,
    bare_subject,
    cut,
    cut_longest,
    subject_line,
)

SEE = "All that stand: nightrake alarms, or the retained alarm topics."
SHORT_LINES, LONG_LINES = 3, 20
SHORT_DRIVES = 40
_ENDED = "No longer needed: "
_URGENT_FIRST = (
    "First: Keep people away. Do not reset, restart, jog or reverse. See which machines still run, and stop those at "
    "their isolators by the site's own procedure. Call whoever answers for the drives."
)
"""Common practice in the trade (no source)."""


def more_summary(more: More, site: str) -> Summary:
    """Words for one message in the place of many."""
    if more.urgent:
        return _urgent_summary(more, site)
    counts, number = more.counts, sum(more.counts.values())
    parts = [f"{n} {p}" for p, n in counts.items()]
    calling = f"{number} more {_plural(number, 'alarm calls', 'alarms call')} you: {', '.join(parts)}" if number else ""
    some = [bare_subject(c.subject, site) for c in more.calls if not c.ends]
    ended = [bare_subject(line, site).removeprefix(_ENDED) for line in more.over_subjects]
    over = f"{more.over} {_plural(more.over, 'alarm needs', 'alarms need')} you no longer" if more.over else ""
    see = SEE if number else ""
    short = cut_longest(
        [
            f"{site}: {calling}." if calling else "",
            *(f"{line}." for line in some[:SHORT_LINES]),
            (f"{'' if calling else f'{site}: '}{over}: {_listed(ended, more.over, SHORT_LINES)}.") if over else "",
            see,
        ],
        SHORT_LENGTH,
    )
    blocks = [
        f"{site}: {calling}." if calling else "",
        "\n".join(f" - {line}" for line in some[:LONG_LINES]),
        f"{'' if calling else f'{site}: '}{over}:\n" + "\n".join(f" - {x}" for x in ended[:LONG_LINES]) if over else "",
        see,
    ]
    long = cut("\n\n".join(b for b in blocks if b), LONG_LENGTH)
    what = ended[0] if not number and more.over == len(ended) == 1 else "; ".join(p for p in (calling, over) if p)
    head = subject_line("MORE" if number else "Over", "", what, site)
    return Summary(head, short, long)


def _urgent_summary(more: More, site: str) -> Summary:
    """A storm of urgent calls: how many, the worst first, and what holds for all of them."""
    number = sum(more.counts.values())
    lines = [bare_subject(c.subject, site).removeprefix("URGENT: ") for c in more.calls]
    calling = f"{number} more URGENT {_plural(number, 'alarm calls', 'alarms call')} you"
    worst = [f"Worst: {lines[0]}.", *(f"{line}." for line in lines[1:SHORT_LINES])]
    drives = _drives(more.calls)
    if len(drives) > len(worst):  # whose drives they are matters more than what else is known of three of them
        worst = [worst[0], f"Drives: {_listed(drives, len(drives), SHORT_DRIVES)}."]
    short = cut_longest([f"{site}: {calling}.", *worst, _URGENT_FIRST, SEE, SHORT_CAUTION], SHORT_LENGTH)
    listed = "\n".join(f" - {line}" for line in lines[:LONG_LINES])
    every = f"\n\nDrives: {', '.join(drives)}." if len(lines) > LONG_LINES and drives else ""
    head = f"{site}: {calling}, the worst first:\n\n{listed}"
    tail = f"\n\n{_URGENT_FIRST}\n{SHORT_CAUTION}\n\n{SEE}"
    long = f"{cut(head + every, LONG_LENGTH - len(tail))}{tail}"
    return Summary(subject_line("URGENT", "", f"{number} more urgent; worst: {lines[0]}", site), short, long)


def _drives(calls: Iterable[Call]) -> list[str]:
    """Which drives they are about, each once, in the order of the calls."""
    names = (c.alarm.partition("/")[0] for c in calls)
    return list(dict.fromkeys(n for n in names if n and n != SITE and ":" not in n))


def more_payload(more: More, site: str) -> dict[str, Any]:
    """What goes out over MQTT in the place of many messages."""
    words = more_summary(more, site)
    ended = [clean(bare_subject(line, site).removeprefix(_ENDED)) for line in more.over_subjects[:LONG_LINES]]
    data = {"person": more.person, "subject": words.subject, "text": words.short}
    calling = [c for c in more.calls if not c.ends]
    return data | {"calling": more.counts, "drives": _drives(calling), "over": more.over, "over_names": ended}


def flood_summary(site: str, count: int, standing: Mapping[str, int], worst: Sequence[str]) -> Summary:
    """Words for the beginning of an alarm flood.

    Args:
        count: Alarms so far. standing: how many stand and call, by priority. worst: some of them, the worst first.
    """
    stands = ", ".join(f"{n} {p}" for p, n in standing.items() if n) or "none"
    short = cut_longest(
        [
            f"{site}: alarm flood: {count} alarms within 10 minutes.",
            "Low alarms wait until it is over; urgent and high ones still come.",
            f"Standing and not acknowledged: {stands}.",
            *(f"{line}." for line in worst[:SHORT_LINES]),
            "One cause may stand behind many: power, network, a PLC, a storm flow. All that stand: nightrake alarms.",
        ],
        SHORT_LENGTH,
    )
    return Summary(
        subject_line("ALARM FLOOD", "", f"{count} alarms within 10 minutes; standing: {stands}", site), short, short
    )


def worst_lines(calling: Iterable[tuple[AlarmKey, str, str]]) -> list[str]:
    """The worst of alarms that call, in words.

    Args:
        calling: Key, priority and title of each.
    """
    calls = [(Call("", str(key), priority, {}).order, key, title) for key, priority, title in calling]
    worst = sorted(calls, key=lambda c: c[0])[:SHORT_LINES]
    return [f"{' '.join(p for p in (k.drive or k.subject, k.direction) if p)}: {title}" for _, k, title in worst]


def flood_over_summary(site: str, count: int, since: str, at: str) -> Summary:
    """Words for its end."""
    short = clean(
        f"{site}: the alarm flood since {since} is over at {at}, after {count} alarms. Low alarms that waited are "
        f"called now, if they still stand.",
        SHORT_LENGTH,
    )
    return Summary(subject_line("Alarm flood over", "", f"{count} alarms since {since}", site), short, short)


def _listed(lines: Sequence[str], number: int, most: int) -> str:
    named = "; ".join(lines[:most])
    left = number - len(lines[:most])
    return f"{named} and {left} more" if left > 0 else named


def _plural(number: int, one: str, many: str) -> str:
    return one if number == 1 else many
