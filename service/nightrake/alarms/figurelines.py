"""Alarm figures as lines of 80 columns, each with its limit and source beside it. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Mapping

from nightrake.alarms import figurelimits as limits
from nightrake.alarms.accountwords import title_of
from nightrake.alarms.figurelimits import Limit
from nightrake.alarms.figures import Figures, Often
from nightrake.alarms.told import counted, span_text, stamp
from nightrake.alarms.zones import Zone

WIDTH, LABEL, VALUE = 80, 30, 12


def figure_lines(figures: Figures, zone: Zone, site: str, drive_names: Mapping[str, str]) -> Iterator[str]:
    """All figures; of an empty period that it is empty."""
    at = [stamp(zone, ms)[:16] for ms in (figures.from_utc_ms, figures.to_utc_ms)]
    yield from _wrapped(f"{site}: alarm figures from {at[0]} to {at[1]}, {zone.name}")
    yield from _wrapped(_coverage(figures, zone))
    if not figures.watched_s:
        yield from _wrapped("The watch did not run in this period; there are no figures.")
        return
    yield ""
    if not figures.annunciated:
        yield from _wrapped("No alarm was annunciated in this period.")
    else:
        yield from _rates(figures, zone)
    yield from _standing(figures, drive_names)
    if figures.annunciated:
        yield from _most(figures, drive_names)
    yield from _row("Notices (left out)", str(figures.notices), "no alarms: nobody has to act at once")
    yield ""
    yield from _wrapped("! = above the limit. " + _span(figures))


def _coverage(figures: Figures, zone: Zone) -> str:
    count = counted(figures.positions, "operator position")
    watched = f"The watch ran for {span_text(figures.watched_s)} of it; {count}."
    if figures.first_utc_ms is None:
        return "The journal holds no row."
    if figures.first_utc_ms > figures.from_utc_ms:
        return f"The journal begins only at {stamp(zone, figures.first_utc_ms)}. {watched}"
    return watched


def _span(figures: Figures) -> str:
    if figures.to_utc_ms - figures.from_utc_ms >= limits.SPAN_S * 1000:
        return "The period is long enough for such figures (30 days or more, ISA-18.2)."
    return "Such figures are taken over 30 days or more (ISA-18.2); those of a shorter time say what was, no more."


def _rates(figures: Figures, zone: Zone) -> Iterator[str]:
    yield from _row("Alarms annunciated", str(figures.annunciated), "notices left out")
    if figures.average is not None:
        word = f"{limits.EEMUA}: {limits.average_class(figures.average)}. {limits.AVERAGE.text}"
        yield from _row("Average in 10 minutes", f"{figures.average:.2f}", word, figures.average > limits.AVERAGE.most)
    at = stamp(zone, figures.peak_utc_ms)
    word = f"{limits.EEMUA}: {limits.upset_class(figures.peak)}. {limits.PEAK.text}. At {at}"
    yield from _row("Peak within any 10 minutes", f"{figures.peak:g}", word, figures.peak > limits.PEAK.most)
    over = f"{figures.periods_over} of {figures.periods}"
    yield from _share("10-minute periods above 10", figures.share_over, limits.SHARE_OVER, over)
    flood = f"{counted(figures.floods, 'flood')}, {span_text(figures.flood_s)}"
    yield from _share("Time in flood", figures.flood_share, limits.FLOOD_SHARE, flood)
    if figures.floods or figures.held_floods:
        word = "low calls waited. What chatters, or waits again after having been put aside, makes none of these"
        yield from _row("  of which the watch told", str(figures.held_floods), word)
    for priority, percent in limits.SPLIT.items():
        count = figures.by_priority.get(priority, 0)
        part = f"{100 * count / figures.annunciated:.1f} %"
        yield from _row(f"Priority {priority}", part, f"{counted(count, 'alarm')}. {limits.ISA}: about {percent:g} %")


def _standing(figures: Figures, drive_names: Mapping[str, str]) -> Iterator[str]:
    most, stale = figures.standing_most, figures.stale_most
    yield from _row("Most active at once", str(most), limits.STANDING.text, most > limits.STANDING.most)
    yield from _row("Stale (active over 24 h)", str(len(figures.stale)), limits.STALE.text, stale > limits.STALE.most)
    yield from (line for name in figures.stale[:20] for line in _wrapped(title_of(name, drive_names), "   ", "     "))
    if figures.acknowledged:
        count = f"{counted(figures.acknowledged, 'acknowledgement')}; no published limit"
        yield from _row("Time to acknowledge, median", span_text(figures.median_s or 0.0), count)
        yield from _row("  90 % within", span_text(figures.p90_s or 0.0), "nearest rank")
    yield from _row("Not acknowledged at the end", str(figures.unacknowledged), "")


def _most(figures: Figures, drive_names: Mapping[str, str]) -> Iterator[str]:
    episodes = sum(o.times for o in figures.chattering)
    yield from _row("Chattering alarms", str(len(figures.chattering)), limits.CHATTERING.text, episodes > 0)
    yield from _often(figures.chattering[:20], drive_names, lambda o: counted(o.times, "time"))
    yield from _share("Share of the 10 most frequent", figures.top_share, limits.TOP_SHARE, "")
    share = 100 / figures.annunciated
    yield from _often(figures.top, drive_names, lambda o: f"{o.times} ({share * o.times:.1f} %)")


def _often(found: tuple[Often, ...], drive_names: Mapping[str, str], words: Callable[[Often], str]) -> Iterator[str]:
    for often in found:
        yield from _wrapped(f"{words(often)}  {title_of(often.alarm, drive_names)}", "   ", "     ")


def _share(label: str, share: float | None, limit: Limit, detail: str) -> Iterator[str]:
    text = f"{detail}. {limit.text}" if detail else limit.text
    yield from _row(label, "-" if share is None else f"{100 * share:.1f} %", text, (share or 0.0) > limit.most)


def _row(label: str, value: str, words: str, over: bool = False) -> Iterator[str]:
    head = f"{'!' if over else ' '} {label:<{LABEL}}{value:>{VALUE}}  "
    yield from textwrap.wrap(head + words, WIDTH, subsequent_indent=" " * (LABEL + VALUE + 4), break_on_hyphens=False)


def _wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)
