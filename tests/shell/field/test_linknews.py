"""The word on a link: one for each change, and one only for a link that comes and goes. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from nightrake.field.linknews import CHANGES, STEADY_NS, LinkNews

SECOND = 1_000_000_000


def told(news: LinkNews, looks: Sequence[tuple[float, bool, str]]) -> list[tuple[bool, str]]:
    """What is told in the course of looks at (seconds, up, detail)."""
    words = []
    for at_s, up, detail in looks:
        if news.look(up, detail, int(at_s * SECOND)):
            assert news.told is not None
            words.append(news.told)
    return words


def test_each_change_is_told_once() -> None:
    """Whatever the look, the same state is no news."""
    looks = [(0, False, "refused"), (1, False, "no route"), (2, True, ""), (3, True, ""), (4, False, "silence")]

    assert told(LinkNews(), looks) == [(False, "refused"), (True, ""), (False, "silence")]


def test_link_that_comes_and_goes_is_told_once_and_then_counted() -> None:
    """A thousand changes in 500 s are a few rows; the state says how many; a minute's quiet ends it, told too."""
    news = LinkNews()
    first = told(news, [(n / 2, n % 2 == 1, "" if n % 2 else "silence") for n in range(1000)])
    shown = news.state
    quiet_s = 499.5 + STEADY_NS / SECOND
    then = told(news, [(quiet_s - 1, True, ""), (quiet_s, True, ""), (quiet_s + 1, True, "")])

    assert len(first) == CHANGES + 2
    assert first[-1][0] is False
    assert "comes and goes" in first[-1][1]
    assert shown is not None
    assert "999 changes" in shown[1]
    assert then == [(True, "steady again after 999 changes")]
    assert news.state == (True, "")


def test_link_that_settles_down_stays_down_with_its_reason() -> None:
    """After coming and going it is gone for good: said once, with why."""
    news = LinkNews()
    told(news, [(n, n % 2 == 1, "" if n % 2 else "silence") for n in range(21)])

    assert told(news, [(81, False, "no route"), (82, False, "no route")]) == [(False, "no route (after 20 changes)")]


def test_few_changes_in_a_long_time_are_told_each() -> None:
    """A PLC that restarts every five minutes is told each time: only a link that comes and goes is summed up."""
    looks = [(n * 120.0, n % 2 == 1, "" if n % 2 else "silence") for n in range(30)]

    assert len(told(LinkNews(), looks)) == 30
