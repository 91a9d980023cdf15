"""What waits for a person: the latest, urgent first, within a limit, nothing whose alarm is over."""

from __future__ import annotations

from nightrake.alarms.callperson import FIRST_APART_S, URGENT_APART_S, URGENT_GATHER_S, URGENT_SINGLY, URGENT_SPAN_S
from nightrake.alarms.callqueue import GATHER_S, HELD, Call, CallQueue, Limit, More, Together

LIMIT = Limit(4, 600.0)


def call(alarm: str, n: int = 0, *, person: str = "night1", priority: str = "high", ends: bool = False) -> Call:
    """A call about an alarm."""
    return Call(person, alarm, priority, {"n": n}, n, ends)


def drained(queue: CallQueue, now_s: float = 0.0) -> list[Call | More]:
    """Everything that may go now, acknowledged."""
    out: list[Call | More] = []
    while (job := queue.take(now_s)) is not None:
        queue.done(job)
        out.append(job)
    return out


def alarms(jobs: list[Call | More]) -> list[str]:
    return [j.alarm if isinstance(j, Call) else "more" for j in jobs]


def test_only_the_latest_is_told() -> None:
    """An hour of reminders is one message."""
    queue = CallQueue(LIMIT)
    for n in range(1, 61):
        queue.mark(call("a", n))

    assert [j.payload for j in drained(queue) if isinstance(j, Call)] == [{"n": 60}]


def test_urgent_goes_first_and_high_before_low() -> None:
    """In whatever order they came."""
    queue = CallQueue(Limit(10, 600.0))
    for alarm, priority in (("a", "low"), ("b", "high"), ("c", "urgent"), ("d", "low"), ("e", "urgent")):
        queue.mark(call(alarm, priority=priority))

    assert alarms(drained(queue)) == ["c", "e", "b", "a", "d"]


def test_beyond_the_limit_one_message_says_how_many_more() -> None:
    """Three singly, then one for the other nine, by priority; never before it has gathered for some seconds."""
    queue = CallQueue(LIMIT)
    for n in range(12):
        queue.mark(call(f"a{n}", n + 1, priority="high" if n < 5 else "low"))

    assert alarms(drained(queue)) == ["a0", "a1", "a2"]
    assert queue.wait_s(0.0) == GATHER_S
    (more,) = drained(queue, GATHER_S)
    assert isinstance(more, More)
    assert more.counts == {"high": 2, "low": 7}
    assert drained(queue, 599.0) == []
    assert queue.cursor == 12


def test_after_the_span_singles_go_again() -> None:
    """What is no news and came after 'and N more' waits for the span's end at most."""
    queue = CallQueue(LIMIT)
    for n in range(5):
        queue.mark(call(f"a{n}"))
    drained(queue)
    drained(queue, 10.0)
    queue.mark(call("late", priority="low"))

    assert drained(queue, 20.0) == []
    wait_s = queue.wait_s(20.0)
    assert wait_s == 580.0
    assert alarms(drained(queue, 20.0 + wait_s)) == ["late"]


def test_reminders_leave_room_for_what_is_new() -> None:
    """Ten minutes of reminders, low alarms and 'no longer needed' use up two thirds; a PLC that falls silent still goes
    by itself, before all that waits."""
    queue = CallQueue(Limit(10, 600.0))
    for n in range(4):
        queue.mark(call(f"r{n}")._replace(reminder=True))
        queue.mark(call(f"l{n}", priority="low"))
        queue.mark(call(f"e{n}", ends=True))
    assert len(drained(queue)) == 6
    queue.mark(call("plc:GWC/-/plc_silent"))

    assert alarms(drained(queue, 1.0)) == ["plc:GWC/-/plc_silent"]


def test_what_is_new_goes_beyond_the_limit_once_a_minute() -> None:
    """Everything is used up: the first waits some seconds for others, the next a minute, and alone each goes whole."""
    queue = CallQueue(LIMIT)
    for n in range(9):
        queue.mark(call(f"a{n}"))
    drained(queue)
    drained(queue, GATHER_S)
    queue.mark(call("new"))

    assert drained(queue, GATHER_S) == []
    wait_s = queue.wait_s(GATHER_S)
    assert wait_s == FIRST_APART_S
    assert alarms(drained(queue, GATHER_S + wait_s)) == ["new"]


def test_reminder_of_what_was_never_told_is_news() -> None:
    """The first call still waits as the reminder takes its place."""
    queue = CallQueue(Limit(2, 600.0))
    for name in ("a", "b"):
        queue.mark(call(name))
    drained(queue)
    queue.mark(call("b", 2)._replace(reminder=True))

    assert alarms(drained(queue, GATHER_S)) == ["b"]


def test_test_calls_are_outside_the_limit() -> None:
    """They go when everything is used up, and use up nothing."""
    queue = CallQueue(LIMIT)
    for n in range(9):
        queue.mark(call(f"a{n}"))
    drained(queue)
    queue.mark(call("test-call")._replace(apart=True))
    assert alarms(drained(queue)) == ["test-call"]

    fresh = CallQueue(LIMIT)
    for n in range(20):
        fresh.mark(call("test-call", n)._replace(apart=True))
        assert len(drained(fresh)) == 1
    fresh.mark(call("a"))
    assert alarms(drained(fresh)) == ["a"]


def test_urgent_storm_becomes_one_message_every_few_seconds() -> None:
    """A hundred shutdowns: ten singly, one urgent message for ninety within a second, the worst of them first."""
    queue = CallQueue(LIMIT)
    for n in range(99):
        queue.mark(call(f"D{n}/forward/shutdown_contact", n + 1, priority="urgent"))
    singles = drained(queue)
    queue.mark(call("PC1/-/running_while_locked_out", 100, priority="urgent"))
    assert drained(queue) == []
    assert queue.cursor == URGENT_SINGLY

    assert len(singles) == URGENT_SINGLY
    assert queue.wait_s(0.0) == URGENT_GATHER_S
    (more,) = drained(queue, URGENT_GATHER_S)
    assert isinstance(more, More)
    assert (more.urgent, more.counts) == (True, {"urgent": 90})
    assert more.calls[0].alarm == "PC1/-/running_while_locked_out"
    assert queue.cursor == 100


def test_nobody_is_owed_silence_in_an_urgent_storm() -> None:
    """One more shutdown goes after ten seconds at most, and alone it goes whole; after the minute singly at once."""
    queue = CallQueue(LIMIT)
    for n in range(30):
        queue.mark(call(f"u{n}", priority="urgent"))
    drained(queue)
    drained(queue, URGENT_GATHER_S)
    queue.mark(call("late", priority="urgent"))

    assert drained(queue, 2.0) == []
    assert queue.wait_s(2.0) == URGENT_GATHER_S + URGENT_APART_S - 2.0
    assert alarms(drained(queue, URGENT_GATHER_S + URGENT_APART_S)) == ["late"]
    queue.mark(call("later", priority="urgent"))
    assert alarms(drained(queue, URGENT_SPAN_S + URGENT_GATHER_S + URGENT_APART_S)) == ["later"]


def test_urgent_message_for_many_that_was_not_sent_comes_again_at_once() -> None:
    """With what still calls; its people hear of the end as if they had been told singly."""
    queue = CallQueue(LIMIT)
    for n in range(13):
        queue.mark(call(f"u{n}", n + 1, priority="urgent"))
    drained(queue)
    more = queue.take(URGENT_GATHER_S)
    assert isinstance(more, More)
    queue.drop("u10")
    queue.give_back(more)
    assert queue.cursor == 11

    assert drained(queue, URGENT_GATHER_S) == []
    (again,) = drained(queue, 2 * URGENT_GATHER_S)
    assert isinstance(again, More)
    assert [c.alarm for c in again.calls] == ["u11", "u12"]
    queue.mark(call("u12", 20, priority="urgent", ends=True))
    end, _ = drained(queue, 700.0)
    assert isinstance(end, Call)
    assert (end.alarm, end.ends) == ("u12", True)


def test_what_was_told_as_one_of_many_is_noted_for_the_journal() -> None:
    """To whom, how many by priority, and which."""
    queue = CallQueue(LIMIT)
    for n in range(6):
        queue.mark(call(f"a{n}", priority="low"))
    queue.mark(call("a5", ends=True))
    drained(queue)
    drained(queue, GATHER_S)

    assert queue.noted() == [Together("night1", {"low": 3}, 1, ("a2", "a3", "a4", "a5"))]
    assert queue.noted() == []


def test_alarm_that_came_and_went_is_counted_once_told_of() -> None:
    """During an outage three came, two of them went: one call, and one message that says two went."""
    queue = CallQueue(Limit(10, 600.0))
    for alarm in ("a", "b", "c"):
        queue.mark(call(alarm))
    queue.mark(call("a", 7, ends=True))
    queue.drop("b")

    assert alarms(drained(queue)) == ["c"]
    (more,) = drained(queue, GATHER_S)
    assert isinstance(more, More)
    assert (more.counts, more.over) == ({}, 2)
    assert more.over_subjects == ("a", "b")


def test_who_acknowledged_is_not_told_that_it_is_over() -> None:
    """What waited for them is dropped without a word; somebody else hears what became of it."""
    queue = CallQueue(LIMIT)
    for person in ("night1", "super1"):
        queue.mark(call("a", person=person)._replace(payload={"subject": "HIGH: a"}))
    end = call("a", person="super1", ends=True)
    queue.mark(end._replace(payload={"subject": "No longer needed: a: acknowledged by night1"}))
    queue.drop("a", "night1")

    (more,) = drained(queue) + drained(queue, GATHER_S)
    assert isinstance(more, More)
    assert (more.person, more.over_subjects) == ("super1", ("No longer needed: a: acknowledged by night1",))


def test_second_end_of_what_was_never_told_is_no_message_of_its_own() -> None:
    """It waited while the broker was away, ended, came again for somebody else only, and ended once more."""
    queue = CallQueue(Limit(50, 600.0))
    queue.mark(call("a", 10))
    queue.mark(call("a", 11, ends=True))
    queue.drop("a")
    queue.mark(call("a", 20, ends=True))
    queue.drop("a")

    assert alarms(drained(queue) + drained(queue, GATHER_S)) == ["more"]


def test_who_was_told_hears_that_they_are_not_needed() -> None:
    """In the place of a reminder that waits; who was never told hears nothing of it singly."""
    queue = CallQueue(LIMIT)
    queue.mark(call("a", 1))
    drained(queue)
    queue.mark(call("a", 2))
    queue.mark(call("a", 3, ends=True))

    (job,) = drained(queue)
    assert isinstance(job, Call)
    assert job.ends


def test_end_of_what_nobody_spoke_of_is_stale_news() -> None:
    """A flood that began and ended while nothing got through: who was called in it hears of its end only if that call,
    which names the flood, had come to them."""
    queue = CallQueue()
    queue.mark(call("before", 4))
    drained(queue)
    queue.mark(call("in it", 7))
    queue.mark(call("flood", 9, ends=True)._replace(since=5))
    assert alarms(drained(queue)) == ["in it"]

    queue.mark(call("flood", 12, ends=True)._replace(since=5))
    assert alarms(drained(queue)) == ["flood"]


def test_end_without_a_call_in_this_run_is_told() -> None:
    """After a restart nobody knows who was told before: better once too often."""
    queue = CallQueue(LIMIT)
    queue.mark(call("a", 3, ends=True))

    assert alarms(drained(queue)) == ["a"]


def test_given_back_goes_again_unless_its_alarm_is_over() -> None:
    """A dead connection loses nothing, and revives nothing."""
    queue = CallQueue(LIMIT)
    for alarm in ("a", "b"):
        queue.mark(call(alarm, priority="urgent"))
    first, second = queue.take(0.0), queue.take(0.0)
    assert first is not None
    assert second is not None
    queue.drop("a")
    queue.give_back(first)
    queue.give_back(second)

    assert alarms(drained(queue)) == ["b"]


def test_newer_one_wins_over_what_is_given_back() -> None:
    """And is not sent while the older is still on its way."""
    queue = CallQueue(LIMIT)
    queue.mark(call("a", 1, priority="urgent"))
    old = queue.take(0.0)
    assert old is not None
    queue.mark(call("a", 2, priority="urgent"))
    assert queue.take(0.0) is None
    queue.give_back(old)

    assert [j.payload for j in drained(queue) if isinstance(j, Call)] == [{"n": 2}]


def test_more_that_was_not_sent_comes_again() -> None:
    """With what still calls; the rest counts as gone."""
    queue = CallQueue(LIMIT)
    for n in range(6):
        queue.mark(call(f"a{n}"))
    drained(queue)
    more = queue.take(GATHER_S)
    assert isinstance(more, More)
    queue.drop("a5")
    queue.give_back(more)

    drained(queue, GATHER_S)
    (again,) = drained(queue, 3 * GATHER_S)
    assert isinstance(again, More)
    assert (again.counts, again.over) == ({"high": 2}, 1)


def test_memory_is_bounded_for_what_is_not_urgent() -> None:
    """A thousand alarms in a second: some are kept, the rest are counted, none is left out of the number."""
    queue = CallQueue(LIMIT)
    for n in range(1000):
        queue.mark(call(f"a{n}", priority="low"))

    assert queue.due == HELD
    singles = drained(queue)
    (more,) = drained(queue, GATHER_S)
    assert isinstance(more, More)
    assert len(singles) + sum(more.counts.values()) == 1000


def test_cursor_stays_below_what_waits() -> None:
    """A restart begins where something may have been left out."""
    queue = CallQueue(LIMIT)
    queue.mark(call("a", 5))
    queue.mark(call("b", 9, person="day1"))
    assert queue.cursor == 4
    job = queue.take(0.0)
    assert queue.cursor == 4
    assert job is not None
    queue.done(job)
    assert queue.cursor == 8
    drained(queue)
    assert queue.cursor == 9


def test_again_tells_only_what_still_calls() -> None:
    """What a broker may have lost."""
    queue = CallQueue(LIMIT)
    for alarm in ("a", "b"):
        queue.mark(call(alarm, priority="urgent"))
    drained(queue)
    queue.drop("a")
    queue.again([("night1", "a"), ("night1", "b"), ("nobody", "b")])

    assert alarms(drained(queue)) == ["b"]


def test_rows_that_call_nobody_move_the_cursor_unless_something_waits() -> None:
    """Or a start after a quiet month would read a month of rows anew."""
    queue = CallQueue(LIMIT)
    queue.pass_over(3)
    quiet = queue.cursor
    queue.mark(call("a", 5))
    queue.pass_over(9)
    waiting = queue.cursor
    drained(queue)
    queue.pass_over(2)

    assert (quiet, waiting, queue.cursor) == (3, 4, 9)
