"""Alarm figures, each against a number computed by hand or a published limit."""

from __future__ import annotations

import re

import pytest

from alarmfigures import BEGIN_MS, HOUR_S, A, C, Hand
from alarmnights import scripted
from nightrake.alarms import figurelimits as limits
from nightrake.alarms.figurelines import figure_lines
from nightrake.alarms.figures import Often, Tally
from nightrake.alarms.zones import UTC_ZONE
from unit.alarms.rotas import LONDON, local


def test_rates_by_hand() -> None:
    """6 alarms in 2 hours are 0.5 in 10 minutes (6 / 12); 4 within one ten minutes are the peak."""
    found = Hand().each([60, 120, 300, 659, 3_000, 6_000]).figures(2 * HOUR_S)

    assert (found.annunciated, found.average, found.peak) == (6, 0.5, 4)
    assert found.peak_utc_ms == BEGIN_MS + 659_000
    assert (found.periods, found.periods_over, found.floods) == (12, 0, 0)


def test_peak_window_excludes_its_end() -> None:
    """Ten minutes apart is not within ten minutes; a millisecond less is."""
    assert Hand().each([0, 600]).figures(HOUR_S).peak == 1
    assert Hand().each([0, 599.999]).figures(HOUR_S).peak == 2


def test_rates_are_per_operator_position() -> None:
    """Two positions share 22 alarms in ten minutes: 11 each is above 10; 20 are not."""
    found = Hand().each([float(i) for i in range(22)]).figures(HOUR_S, positions=2)
    calm = Hand().each([float(i) for i in range(20)]).figures(HOUR_S, positions=2)

    assert found.average == pytest.approx(22 / 6 / 2)
    assert (found.peak, found.periods_over, found.floods) == (11, 1, 1)
    assert (calm.peak, calm.periods_over, calm.floods) == (10, 0, 0)


def test_ten_in_ten_minutes_are_no_flood_and_eleven_are() -> None:
    """ISA-18.2, 16.4: a flood begins above 10."""
    ten = Hand().each(range(10)).figures(HOUR_S)
    eleven = Hand().each(range(11)).figures(HOUR_S)

    assert (ten.floods, ten.flood_s, ten.share_over) == (0, 0.0, 0.0)
    assert eleven.floods == 1
    assert eleven.share_over == pytest.approx(1 / 6)


def test_flood_ends_below_five() -> None:
    """ISA-18.2, 16.4. Raised at 0 to 10 s: a flood from 10 s on; at 606 s the fifth from the end goes, 4 are left."""
    assert Hand().each(range(11)).figures(HOUR_S).flood_s == 596.0


def test_floods_that_the_watch_told_are_counted_beside_those_of_the_standard() -> None:
    """What chatters makes a flood by the standard and none for the watch: both stand there, so that nobody wonders."""
    hand = Hand().each(range(11))
    only = "\n".join(figure_lines(hand.figures(HOUR_S), UTC_ZONE, "Works", {}))
    both = hand.row("alarm", "flood_began", 20).figures(HOUR_S)

    assert (both.floods, both.held_floods) == (1, 1)
    assert re.search(r"of which the watch told +0  low calls waited", only)
    assert Hand().row("alarm", "flood_began", -20).figures(HOUR_S).held_floods == 0


def test_flood_that_is_fed_goes_on() -> None:
    """Never fewer than 5: from 10 s to the end of the period, one flood."""
    found = Hand().each([*range(11), *range(100, HOUR_S, 100)]).figures(HOUR_S)

    assert (found.floods, found.flood_s) == (1, HOUR_S - 10.0)
    assert found.flood_share == pytest.approx(0.99722, abs=1e-5)


def test_flood_that_goes_on_ends_now() -> None:
    """A period that is not over counts up to now."""
    assert Hand().each(range(11)).figures(HOUR_S, now_s=70.0).flood_s == 60.0


def test_most_frequent_with_their_share() -> None:
    """12 alarms, one of them 3 times: the ten most frequent have 12 of 14 (85.7 %)."""
    hand = Hand().each(range(0, 1_200, 100)).put(2_000, "raised", "k5").put(3_000, "raised_again", "k5")
    found = hand.figures(HOUR_S)

    assert found.top[0] == Often("PC1/forward/k5", 3)
    assert len(found.top) == 10
    assert found.top_share == pytest.approx(12 / 14)


def test_chattering_is_three_within_a_minute_counted_by_episode() -> None:
    """0, 20, 40 s chatter (on at 90 s); 200, 230, 260 s is exactly a minute and does not; 500, 510, 520 s again."""
    hand = Hand()
    for at_s in (0, 20, 40, 90, 200, 230, 260, 500, 510, 520):
        hand.put(at_s, "raised_again", "k")

    assert hand.figures(HOUR_S).chattering == (Often("PC1/forward/k", 2),)
    assert Hand().each([0, 30, 60], "k").figures(HOUR_S).chattering == ()


def test_priority_split_and_notices_left_out() -> None:
    """8 low, 1 high, 1 urgent; three notices are no alarms."""
    hand = Hand().each(range(8), priority="low").put(9, "raised", "h").put(10, "raised", "u", "urgent")
    for at_s in (20, 30, 40):
        hand.put(at_s, "raised", "calibration_due", "notice")
    found = hand.figures(HOUR_S)

    assert found.by_priority == {"urgent": 1, "high": 1, "low": 8}
    assert (found.annunciated, found.notices, found.unacknowledged) == (10, 3, 10)


def test_stale_is_active_for_more_than_a_day() -> None:
    """24 h exactly is not; of three days one is stale for two (from 24 h on), one on the last only."""
    hand = Hand().put(0, "raised", "a").put(24 * HOUR_S, "cleared", "a")
    hand.put(24 * HOUR_S, "raised", "b").put(25 * HOUR_S, "acknowledged", "b")
    hand.put(30 * HOUR_S, "raised", "c").put(80 * HOUR_S, "cleared", "c", A)
    found = hand.figures(72 * HOUR_S)

    assert found.stale == ("PC1/forward/b", "PC1/forward/c")
    assert found.stale_most == 2
    assert hand.figures(48 * HOUR_S).stale == ()


def test_stale_and_standing_from_before_the_period() -> None:
    """What stood when the period began counts for both, though not as annunciated in it."""
    hand = Hand().put(0, "raised", "a").put(60, "acknowledged", "a")
    found = hand.figures(HOUR_S, from_s=30 * HOUR_S)

    assert (found.annunciated, found.stale, found.standing_most) == (0, ("PC1/forward/a",), 1)
    assert found.acknowledged == 0


@pytest.mark.parametrize(
    ("laid", "lifted"),
    [
        ("shelved", "unshelved"),
        ("shelved", "shelving_ended"),
        ("out_of_service", "returned_to_service"),
        ("suppressed", "suppression_ended"),
    ],
)
def test_what_lies_over_an_alarm_keeps_it_out(laid: str, lifted: str) -> None:
    """Neither annunciated nor stale while shelved and the like; when that ends and it waits, it is annunciated."""
    withheld = {"withheld": laid.replace("_", " ")}
    hand = Hand().put(0, laid, "a", life=A).put(10, "raised", "a", **withheld, suppressed="x" * (laid == "suppressed"))
    under = hand.figures(30 * HOUR_S)
    assert (under.annunciated, under.standing_most, under.stale) == (0, 0, ())

    hand.put(31 * HOUR_S, lifted, "a")
    found = hand.figures(40 * HOUR_S)
    assert (found.annunciated, found.standing_most, found.stale, found.unacknowledged) == (1, 1, (), 1)


def test_acknowledged_one_is_not_annunciated_when_its_shelving_ends() -> None:
    """ISA-18.2: it comes back as what it is."""
    hand = Hand().put(0, "raised").put(10, "acknowledged").put(20, "shelved", life=C).put(30, "unshelved", life=C)

    assert hand.figures(HOUR_S).annunciated == 1


def test_time_to_acknowledge_by_hand() -> None:
    """10, 20, ... 100 s: median 55 s, 90 % within 90 s (nearest rank); from the first coming that nobody answered."""
    hand = Hand()
    for number in range(1, 11):
        hand.put(1_000 * number, "raised", f"k{number}")
        hand.put(1_000 * number + 5, "raised_again", f"k{number}")
        hand.put(1_010 * number, "acknowledged", f"k{number}")
    found = hand.figures(4 * HOUR_S)

    assert (found.acknowledged, found.median_s, found.p90_s, found.unacknowledged) == (10, 55.0, 90.0, 0)


def test_one_value_is_its_own_median() -> None:
    """And that of three is the middle one."""
    one = Hand().put(0, "raised").put(7, "acknowledged").figures(HOUR_S)
    three = Hand()
    for at_s, wait_s in ((0, 30), (100, 10), (200, 20)):
        three.put(at_s, "raised").put(at_s + wait_s, "acknowledged")

    assert (one.median_s, one.p90_s) == (7.0, 7.0)
    assert three.figures(HOUR_S).median_s == 20.0


def test_worse_after_an_acknowledgement_waits_anew() -> None:
    """Time to acknowledge runs from the worsening."""
    hand = Hand().put(0, "raised").put(10, "acknowledged").put(100, "worsened").put(160, "acknowledged")
    found = hand.figures(HOUR_S)

    assert (found.annunciated, found.median_s, found.p90_s) == (2, 35.0, 60.0)


def test_rates_are_of_the_time_that_was_watched() -> None:
    """Two of four hours without the watch: 6 alarms are 0.5 in ten minutes; of 24 ten minutes 12 were watched."""
    hand = Hand().each(range(0, 600, 100))
    start = {"missed_from_utc_ms": BEGIN_MS + HOUR_S * 1000, "missed_s": 2.0 * HOUR_S}
    found = hand.row("service", "started", 3 * HOUR_S, **start).figures(4 * HOUR_S)

    assert (found.watched_s, found.average, found.periods) == (2.0 * HOUR_S, 0.5, 12)


def test_time_before_the_first_row_is_no_watched_time() -> None:
    """Six alarms in the hour since the watch first ran are 1 in ten minutes, however long the period is."""
    found = Hand(since_s=23.0 * HOUR_S).each(range(23 * HOUR_S, 24 * HOUR_S, 600)).figures(24 * HOUR_S)
    never = Hand(None).figures(24 * HOUR_S)

    assert (found.watched_s, found.average, found.periods) == (HOUR_S, 1.0, 6)
    assert (never.watched_s, never.average, never.share_over, never.flood_share) == (0, None, None, None)


def test_clock_that_was_set_back_makes_no_window_longer() -> None:
    """Its alarms are counted where it stood until then."""
    found = Hand().each([3_000, 100, 200]).figures(HOUR_S)

    assert (found.annunciated, found.peak) == (3, 3)
    assert Hand().each([3_000] * 6 + [100] * 6).figures(HOUR_S).periods_over == 1


@pytest.mark.parametrize(
    ("rate", "word"),
    [
        (0.99, "very likely acceptable"),
        (1.0, "manageable"),
        (2.0, "manageable"),
        (2.01, "likely over-demanding"),
        (10.0, "likely over-demanding"),
        (10.01, "very likely unacceptable"),
    ],
)
def test_classes_of_eemua_191(rate: float, word: str) -> None:
    """Below 1, 1 to 2, above 10 in ten minutes: classes of a published benchmark; what is between from memory."""
    assert limits.average_class(rate) == word


@pytest.mark.parametrize(("count", "word"), [(10, "manageable"), (11, "more than"), (20, "hard"), (101, "excessive")])
def test_classes_after_an_upset(count: float, word: str) -> None:
    """EEMUA 191: no more than 10 should be manageable (published); 20 to 100 and above from memory."""
    assert word in limits.upset_class(count)


def test_priority_split_of_the_standard() -> None:
    """ISA-18.2, 16.4: 80, 15 and 5 %, the lowest first."""
    assert list(limits.SPLIT.items()) == [("low", 80.0), ("high", 15.0), ("urgent", 5.0)]


def test_lines_of_an_empty_period_say_so() -> None:
    """No rows at all, rows but no alarm, and a period that has not begun."""
    nothing = "\n".join(figure_lines(Hand(None).figures(HOUR_S), UTC_ZONE, "Works", {}))
    calm = "\n".join(figure_lines(Hand().row("alarm", "flood_ended", 1).figures(HOUR_S), UTC_ZONE, "Works", {}))
    later = "\n".join(figure_lines(Hand().figures(HOUR_S, now_s=-5.0), UTC_ZONE, "Works", {}))

    assert "The journal holds no row." in nothing
    assert "No alarm was annunciated in this period." in calm
    assert "there are no figures" in nothing
    assert "there are no figures" in later


def test_lines_mark_what_is_above_its_limit_and_fit_80_columns() -> None:
    """A flood of low alarms: the limit and its source stand beside each figure."""
    lines = list(figure_lines(Hand().each(range(30), priority="low").figures(HOUR_S), UTC_ZONE, "Works", {}))
    text = "\n".join(lines)

    assert all(len(line) <= 80 for line in lines)
    marked = {line[2:32].strip() for line in lines if line.startswith("! ")}
    assert {"Average in 10 minutes", "Peak within any 10 minutes", "Time in flood", "Most active at once"} <= marked
    assert "EEMUA 191" in text
    assert "ISA-18.2" in text
    assert "30 days or more" in text


def test_figures_of_a_night_of_the_real_modules() -> None:
    """Three alarms; acknowledged after 17 min 20 s and 63 s; the watch was away for ten minutes."""
    tally = Tally(local("2026-11-25 18:00") * 1000, local("2026-11-26 08:00") * 1000)
    for row in scripted().rows:
        tally.take(row)
    found = tally.done(local("2026-11-26 09:00") * 1000)

    assert (found.annunciated, found.by_priority) == (3, {"urgent": 1, "high": 2, "low": 0})
    assert (found.acknowledged, found.p90_s, found.unacknowledged) == (2, 1_040.0, 1)
    assert found.watched_s == 14 * HOUR_S - 600
    assert list(figure_lines(found, LONDON, "Fennmark", {}))
