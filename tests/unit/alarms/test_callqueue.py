"""What waits for a person: the latest, urgent first, within a limit, nothing whose alarm is over."""

from __future__ import annotations

from nightrake.alarms.callqueue import GATHER_S, HELD, Call, CallQueue, Limit, More

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
    """What came after 'and N more' waits for the span's end at most."""
    queue = CallQueue(LIMIT)
    for n in range(5):
        queue.mark(call(f"a{n}"))
    drained(queue)
    drained(queue, 10.0)
    queue.mark(call("late"))

    assert drained(queue, 20.0) == []
    wait_s = queue.wait_s(20.0)
    assert wait_s == 580.0
    assert alarms(drained(queue, 20.0 + wait_s)) == ["late"]


def test_urgent_is_never_held_back() -> None:
    """A hundred shutdowns are a hundred messages."""
    queue = CallQueue(LIMIT)
    for n in range(100):
        queue.mark(call(f"u{n}", priority="urgent"))

    assert len(drained(queue)) == 100


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
