"""Lines: only finite floats, names that nothing can break out of; stamps that only rise and come again the same."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.historian.lineprotocol import escape, fields_text, head, line
from nightrake.historian.stamps import Stamps, Used
from nightrake.journal.damage import WRONG

SERIES = head("nightrake_drive", {"site": "fennmark", "drive": "PC1"})


def test_golden_line() -> None:
    """The text as stores take it."""
    text = line(SERIES, fields_text({"torque_nm": 41000.5, "good": 1.0}), 1_790_000_000_123)

    assert text == "nightrake_drive,site=fennmark,drive=PC1 torque_nm=41000.5,good=1.0 1790000000123"


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 1, True, "1.0", None])
def test_anything_but_a_finite_float_is_refused(value: object) -> None:
    """Stores keep strings as 0, drop NaN in silence, and let one integer set a field's type for ever."""
    with pytest.raises(ValueError, match="torque_nm"):
        fields_text({"torque_nm": value})  # type: ignore[dict-item]


def test_line_without_fields_is_refused() -> None:
    """An empty line would be accepted and mean nothing."""
    with pytest.raises(ValueError, match="without a field"):
        fields_text({})


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_float_comes_back_as_itself(value: float) -> None:
    """No digit is lost on the way."""
    assert float(line(SERIES, fields_text({"v": value}), 0).split(" ")[1].removeprefix("v=")) == value


@given(st.text(min_size=1, max_size=20))
def test_no_tag_breaks_out_of_its_place(text: str) -> None:
    """Whatever a name holds, it is refused, or the line splits into the same three parts."""
    try:
        escaped = escape(text)
    except ValueError:
        assert {"\n", "\r"} & set(text)
        return
    assert re.sub(r"\\(.)", r"\1", escaped, flags=re.DOTALL) == text
    parts = re.split(r"(?<!\\)(?:\\\\)* ", line(f"m,tag={escaped}", fields_text({"v": 1.0}), 5))
    assert len(parts) == 3


@given(st.lists(st.tuples(st.sampled_from("abc"), st.integers(0, 10_000)), max_size=60))
def test_stamps_rise_in_every_series_and_come_again_the_same(takes: list[tuple[str, int]]) -> None:
    """However the clock jumps; and from a copy of the same beginning the same stamps follow."""
    stamps = Stamps(5000)
    again = stamps.copy()
    first = [(series, stamps.take(series, ms)) for series, ms in takes]

    assert first == [(series, again.take(series, ms)) for series, ms in takes]
    for name in "abc":
        mine = [ms for series, ms in first if series == name]
        assert mine == sorted(set(mine))
    assert all(ms >= asked for (_, ms), (_, asked) in zip(first, takes, strict=True))


def test_clock_set_back_over_a_restart_begins_above_what_was_used() -> None:
    """A run that begins an hour back puts nothing on top of the last one's samples."""
    before = Stamps()
    used = before.take("a", 10_000_000)

    assert Stamps(before.highest_ms).take("a", 10_000_000 - 3_600_000) == used + 1


def test_same_millisecond_from_another_series_keeps_its_stamp_over_a_restart() -> None:
    """Two PLCs answer in one millisecond and a restart begins between them: the second is not moved or doubled."""
    before = Stamps()
    before.take("PC1", 10_000_000)
    kept = before.kept
    told = before.take("PC2", 10_000_000)

    assert Stamps.of(kept).take("PC2", 10_000_000) == told


# --- a clock that was far off -----------------------------------------------------------------------------------------

HOUR = 3_600_000
DAY = 24 * HOUR
NOW = 1_790_000_000_000
YEARS = 10 * 365 * DAY


def test_stamps_come_back_from_a_clock_that_was_years_ahead() -> None:
    """What was stamped far ahead holds nobody there: afterwards each sample has its own time again."""
    stamps = Stamps()
    series = ("PC1", "PC2")
    takes = [NOW + n for n in range(5)] + [NOW + YEARS + n for n in range(5, 10)] + [NOW + n for n in range(10, 15)]

    assert [stamps.take(s, ms) for ms in takes for s in series] == [ms for ms in takes for _ in series]


def test_they_come_back_over_a_restart_too() -> None:
    """The kept text knows where the clock has been: neither a run in wrong years nor one after them overwrites."""
    first = Stamps()
    used = {first.take("a", NOW + 1000 * n) for n in range(10)}
    ahead = Stamps.of(first.kept)
    used |= {ahead.take("a", NOW + YEARS + 1000 * n) for n in range(10)}
    back = Stamps.of(ahead.kept)
    again = [back.take("a", ms) for ms in (NOW + 5000, NOW + HOUR, NOW + 2 * HOUR)]
    ahead_again = Stamps.of(back.kept).take("a", NOW + YEARS + 3000)

    assert again == [NOW + 9001, NOW + HOUR, NOW + 2 * HOUR]
    assert ahead_again == NOW + YEARS + 9001
    assert len(used) == 20


def test_clock_set_back_by_hours_or_days_over_what_was_used_waits_above_it() -> None:
    """A year of history lies below: neither an hour nor three days back goes into it."""
    stamps = Stamps(NOW)
    assert [stamps.take("a", NOW + 1), stamps.take("a", NOW - HOUR), stamps.take("a", NOW - 3 * DAY)] == [
        NOW + 1,
        NOW + 2,
        NOW + 3,
    ]


def test_time_that_reaches_a_stretch_used_before_goes_on_above_it() -> None:
    """Three days ahead for an hour; three days later that time really comes."""
    stamps = Stamps(NOW)
    ahead = [stamps.take("a", NOW + 3 * DAY + n) for n in (0, HOUR)]
    true = [stamps.take("a", NOW + n * 20 * HOUR) for n in range(1, 4)]
    then = [stamps.take("a", NOW + 3 * DAY + n) for n in (1, 2)]
    later = stamps.take("a", NOW + 3 * DAY + 2 * HOUR)

    assert true == [NOW + n * 20 * HOUR for n in range(1, 4)]
    assert then == [ahead[-1] + 1, ahead[-1] + 2]
    assert later == NOW + 3 * DAY + 2 * HOUR


def test_series_that_begins_later_with_an_earlier_time_keeps_it_where_nothing_was_used() -> None:
    """The rows are sent first, the scans of the minutes before them a moment later: each under its own time."""
    stamps = Stamps()
    scans = [("PC1", NOW - HOUR + n) for n in range(3)]
    takes = [("events", NOW), *scans, ("events", NOW + 1), ("PC2", NOW - 2 * HOUR)]
    after = [stamps.take(series, ms) for series, ms in takes]
    again = Stamps.of(stamps.kept).take("PC2", NOW - HOUR)

    assert after == [ms for _, ms in takes]
    assert again == NOW - HOUR  # over a restart it is still known what each of them has used


def test_samples_and_events_are_kept_apart_over_a_restart() -> None:
    """The events of an outage are all sent with its first samples; the rest of the samples keep their own time."""
    used = Used.of("0")
    used.samples.take("PC1", NOW - HOUR)
    used.events.take("started", NOW)
    after = Used.of(used.kept)

    assert after.samples.take("PC1", NOW - HOUR + 250) == NOW - HOUR + 250
    assert after.events.take("started", NOW - HOUR) == NOW + 1
    assert Used.of(used.samples.kept).events.take("started", NOW) == NOW


@given(
    st.lists(
        st.tuples(st.sampled_from("abc"), st.sampled_from([0, HOUR, 2 * DAY, 9 * DAY, YEARS]), st.integers(0, 2 * DAY)),
        max_size=60,
    )
)
def test_no_stamp_comes_twice_in_a_series_whatever_the_clock_does(takes: list[tuple[str, int, int]]) -> None:
    """Leaps of hours, days and years, there and back, over each other; and none is before its sample's own time."""
    stamps = Stamps()
    given_: dict[str, list[int]] = {"a": [], "b": [], "c": []}
    for series, leap, ms in takes:
        stamp = stamps.take(series, NOW + leap + ms)
        assert stamp >= NOW + leap + ms
        given_[series].append(stamp)

    assert all(len(set(each)) == len(each) for each in given_.values())


@pytest.mark.parametrize("kept", ["17", "17;5", "17;5;1-3;7-9", "17;5|23;6"])
def test_what_earlier_versions_kept_is_understood(kept: str) -> None:
    """All series count as used up to where it says, with nothing known of any single one."""
    used = Used.of(kept)

    assert (used.samples.take("a", 4), used.events.take("b", 4)) == (18, 24 if "|" in kept else 18)


def test_of_very_many_series_those_used_last_are_kept_and_the_others_count_as_used_up_to_there() -> None:
    """The text stays bounded; no stamp is taken twice for it."""
    stamps = Stamps(most=3)
    for number in range(6):
        stamps.take(f"s{number}", NOW + 1000 * number)
    after = Stamps.of(stamps.kept)

    assert after.take("s5", NOW + 5500) == NOW + 5500
    assert after.take("s3", NOW + 2000) == NOW + 3001
    assert after.take("s0", NOW) == NOW + 2001
    assert "s2" not in stamps.kept


def test_damaged_text_is_an_error_and_not_a_guess() -> None:
    """Whoever reads it begins as new."""
    whole = Used.of("0").kept
    for text in (
        whole[:-2],
        whole.replace("top", "tip"),
        whole.replace("[]", "[5]"),
        "1x",
        "17;0;5-x",
        "[1,2]",
        "[{}]",
    ):
        with pytest.raises(WRONG):
            Used.of(text)


LEAPS = [0, 0, 0, -1_500, -10_000, -HOUR, HOUR, 30 * HOUR, -30 * HOUR, YEARS, -YEARS]


@given(
    st.lists(st.tuples(st.sampled_from("abcd"), st.sampled_from(LEAPS), st.integers(0, 2_000)), max_size=80), st.data()
)
def test_no_stamp_comes_twice_and_none_changes_however_often_a_run_begins_again(
    steps: list[tuple[str, int, int]], data: st.DataObject
) -> None:
    """A store keeps the last value under each stamp: runs that begin again at an older mark leave each record once."""
    clock_ms, records = NOW, []
    for series, leap, later in steps:
        clock_ms += leap + later
        records.append((series, clock_ms))
    at, stamps, marks, given_ = 0, Stamps(), [(0, Stamps().kept)], dict[int, set[int]]()
    for _ in range(6):
        until = min(len(records), at + data.draw(st.integers(1, 30)))
        for number in range(at, until):
            given_.setdefault(number, set()).add(stamps.take(*records[number]))
        at = until
        marks.append((at, stamps.kept))
        if data.draw(st.booleans()):
            at, kept = data.draw(st.sampled_from(marks[-3:]))
            stamps = Stamps.of(kept)

    assert [number for number, taken in given_.items() if len(taken) != 1] == []
    used = [(records[number][0], stamp) for number, (stamp,) in given_.items()]
    assert len(used) == len(set(used))
