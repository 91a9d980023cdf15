"""Periods as people type them, in the zone of the rota (Europe/London), nights of clock changes included."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from pathlib import Path

import pytest

from nightrake.cli.period import period_from, period_text
from nightrake.cli.progress import Progress
from nightrake.errors import NightrakeError
from nightrake.history.period import Period
from nightrake.settings import Settings, load

NOW = "2026-11-26T06:30:00Z"
HOUR_MS = 3_600_000


@pytest.fixture(scope="module")
def settings() -> Settings:
    """The example site's."""
    return load(Path(__file__).resolve().parents[3] / "config")


def ms(text: str) -> int:
    """A moment with its offset, UTC ms."""
    return round(datetime.fromisoformat(text).timestamp() * 1000)


@pytest.mark.parametrize(
    ("text", "begin", "end"),
    [
        ("last 3 days", "2026-11-23T06:30Z", NOW),
        ("last day", "2026-11-25T06:30Z", NOW),
        ("Last  90 min", "2026-11-26T05:00Z", NOW),
        ("last 1.5 hours", "2026-11-26T05:00Z", NOW),
        ("last 2 weeks", "2026-11-12T06:30Z", NOW),
        ("today", "2026-11-26T00:00Z", "2026-11-27T00:00Z"),
        ("yesterday", "2026-11-25T00:00Z", "2026-11-26T00:00Z"),
        ("2026-07-01", "2026-06-30T23:00Z", "2026-07-01T23:00Z"),
        ("2026-10-25", "2026-10-24T23:00Z", "2026-10-26T00:00Z"),  # 25 hours: summer time ends
        ("2026-03-29", "2026-03-29T00:00Z", "2026-03-29T23:00Z"),  # 23 hours: summer time begins
        ("2026-11-25T18:00", "2026-11-25T18:00Z", NOW),
        ("2026-11-25T18:00/2026-11-26T06:00", "2026-11-25T18:00Z", "2026-11-26T06:00Z"),
        ("2026-07-01T18:00+02:00/PT90M", "2026-07-01T16:00Z", "2026-07-01T17:30Z"),
        ("P1W/2026-11-25", "2026-11-18T00:00Z", "2026-11-25T00:00Z"),
        ("2026-11-25/..", "2026-11-25T00:00Z", NOW),
        ("2026-09-21T15:10/", "2026-09-21T14:10Z", NOW),
        ("last 2 h", "2026-11-26T04:30Z", NOW),
        ("last 90m", "2026-11-26T05:00Z", NOW),
        ("last w", "2026-11-19T06:30Z", NOW),
        ("2026-09-21T15:10 / PT10M", "2026-09-21T14:10Z", "2026-09-21T14:20Z"),
        ("2026-09-21T15:10/15:20", "2026-09-21T14:10Z", "2026-09-21T14:20Z"),
        ("2026-09-21 15:10/15:20:30.5", "2026-09-21T14:10Z", "2026-09-21T14:20:30.500Z"),
        ("2026-09-21T15:10Z/15:20", "2026-09-21T15:10Z", "2026-09-21T15:20Z"),
        ("2026-09-21T15:10+02:00/15:20", "2026-09-21T13:10Z", "2026-09-21T13:20Z"),
        ("2026-10", "2026-09-30T23:00Z", "2026-11-01T00:00Z"),
        ("2026-12", "2026-12-01T00:00Z", "2027-01-01T00:00Z"),
        ("2026-09/2026-10", "2026-08-31T23:00Z", "2026-09-30T23:00Z"),
        ("2026-11-25T10:00/P1DT2H3M4.5S", "2026-11-25T10:00Z", "2026-11-26T12:03:04.500Z"),
    ],
)
def test_period_is_read(settings: Settings, text: str, begin: str, end: str) -> None:
    """ISO 8601 intervals, days on the wall, and a few words."""
    assert period_from(settings, text, ms(NOW)) == Period(ms(begin), ms(end))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("last 0 days", "it is empty, for it ends as it begins"),
        ("2026-09-21/2026-09-21", "it is empty, for it ends as it begins"),
        ("2026-09-22/2026-09-21", "it ends before it begins; turn it round"),
        ("2026-09-21T15:10/15:00", "it ends before it begins; turn it round"),
        ("last 5 ms", "'ms' is no unit"),
        ("last 2 fortnights", "'fortnights' is no unit"),
        ("2026-13", "expected a time such as"),
        ("2026-09-21/15:20", "expected a time such as"),
        ("15:10/15:20", "expected a time such as"),
        ("/", "expected a time such as"),
        ("PT1H/PT1H", "two lengths"),
        ("2026", "expected 'last 3 days'"),
    ],
)
def test_what_is_no_period_is_said(settings: Settings, text: str, words: str) -> None:
    """What is wrong with it, and what is expected."""
    with pytest.raises(NightrakeError, match=words):
        period_from(settings, text, ms(NOW))


def test_period_is_said_with_its_zone(settings: Settings) -> None:
    """As people write it; summer's time in summer."""
    said = period_text(settings, Period(ms("2026-06-30T23:00Z"), ms("2026-07-01T23:00Z")))
    assert said == "2026-07-01 00:00:00 to 2026-07-02 00:00:00 (Europe/London)"


def test_progress_is_said_now_and_then() -> None:
    """Off a terminal a line every ten seconds; nothing of what is over before."""
    now, out = [0.0], io.StringIO()
    with Progress("writing PC1", 0, 1000, out, lambda: now[0]) as progress:
        for utc_ms in range(0, 1000, 100):
            now[0] += 2.5
            progress.at(utc_ms, utc_ms * 2, "rows")
    assert out.getvalue().splitlines() == ["writing PC1: 30 %, 600 rows", "writing PC1: 70 %, 1400 rows"]


def test_utc_is_meant() -> None:
    """The helper above reads an offset."""
    assert ms("1970-01-01T01:00+01:00") == 0
    assert datetime.fromtimestamp(0, UTC).year == 1970


def test_share_of_work_without_a_period_is_said() -> None:
    """Now and then, never more than all of it."""
    out, now = io.StringIO(), [0.0]
    with Progress("backing up", 0, 1, out, lambda: now[0]) as progress:
        progress.share(1, 10, "of 10 MiB")
        now[0] = 11.0
        progress.share(5, 10, "of 10 MiB")
        progress.share(6, 10, "of 10 MiB")
        now[0] = 22.0
        progress.share(11, 10, "")

    assert out.getvalue() == "backing up: 50 % of 10 MiB\nbacking up: 100 %\n"
