"""Debounce laws, PLC memory, and the vote of two channels over every combination."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.debounce import COUNTER_WRAP_SPAN, UNKNOWN, ContactState, counted, settle
from nightrake.domain.site import DriveSpec, Order, Stage, Table, ValueType
from works import MS, Works, bit, contact, rake, site_of, word

SHUT = "forward/shutdown/A"


def with_memory(*, counter: bool = True, latched: bool = True, hold_ms: int = 0) -> DriveSpec:
    """A drive whose shutdown contact (250 ms) has a counter and a latched bit in blocks of their own (1 s)."""
    shutdown = contact(
        "D",
        Stage.SHUTDOWN,
        bit(1),
        hold_ms=hold_ms,
        counter=word(40) if counter else None,
        latched=bit(70) if latched else None,
    )
    return rake("D", contact("D", Stage.ALARM, bit(0)), shutdown)


def works_with_memory(**more: bool) -> tuple[Works, list[int], list[int], list[int]]:
    """Works, read once; and the blocks of the contact, the counter and the latched bit."""
    works = Works(site_of(with_memory(**more)))
    works.scans(3)
    fast = works.blocks("contact:" + SHUT, "running", drive="D")
    counter = works.blocks("counter:" + SHUT, drive="D") if more.get("counter", True) else []
    latched = works.blocks("latched:" + SHUT, drive="D") if more.get("latched", True) else []
    return works, fast, counter, latched


# --- debounce ---------------------------------------------------------------------------------------------------------


@given(
    hold_ms=st.integers(1, 1_000),
    pulses=st.lists(st.tuples(st.integers(1, 2_000), st.integers(1, 2_000)), max_size=30),
    step_ms=st.integers(1, 100),
)
def test_pulses_shorter_than_the_hold_never_pass(hold_ms: int, pulses: list[tuple[int, int]], step_ms: int) -> None:
    """However often they come: no pulse that every reading within the hold has not shown gets through."""
    state, now_ns = ContactState(raw=0, settled=0, bad=""), 0
    for rest_ms, pulse_ms in pulses:
        for level, span_ms in ((0, rest_ms), (1, min(pulse_ms, hold_ms - 1))):
            end_ns = now_ns + span_ms * MS
            while now_ns < end_ns:
                raw, since_ns, settled = settle(state, level, now_ns, hold_ms * MS, hold_ms * MS)
                state = state._replace(raw=raw, since_ns=since_ns, settled=settled)
                now_ns += step_ms * MS
            # The reading that ends the pulse falls where the level has already changed.
            now_ns = end_ns
    assert state.settled == 0


@given(hold_ms=st.integers(0, 1_000), step_ms=st.integers(1, 400), level=st.sampled_from((0, 1)))
def test_a_state_that_lasts_is_always_accepted(hold_ms: int, step_ms: int, level: int) -> None:
    """The first reading at or after the hold settles it, not one earlier and none later."""
    state, now_ns, accepted_ns = ContactState(raw=1 - level, settled=1 - level, bad=""), 0, None
    for _ in range(hold_ms // step_ms + 2):
        raw, since_ns, settled = settle(state, level, now_ns, hold_ms * MS, hold_ms * MS)
        state = state._replace(raw=raw, since_ns=since_ns, settled=settled)
        if settled == level and accepted_ns is None:
            accepted_ns = now_ns
        now_ns += step_ms * MS

    first_at_hold = -(-hold_ms // step_ms) * step_ms * MS
    assert accepted_ns == first_at_hold


def test_operating_and_release_have_holds_of_their_own() -> None:
    """The hold that counts is that of the new state."""
    operated = ContactState(raw=1, since_ns=0, settled=1, bad="")

    assert settle(operated, 0, 0, 0, 500)[2] == 1
    assert settle(operated._replace(raw=0), 0, 500, 0, 500)[2] == 0
    assert settle(ContactState(raw=0, settled=0, bad=""), 1, 7, 0, 500) == (1, 7, 1)


# --- counters ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "now", "bits", "expected"),
    [
        (UNKNOWN, 7, 16, (0, False)),
        (7, 7, 16, (0, False)),
        (7, 9, 16, (2, False)),
        (65_535, 0, 16, (1, False)),
        (65_535, 3, 16, (4, False)),
        (2**32 - 1, 1, 32, (2, False)),
        (500, 0, 16, (0, True)),
        (500, 3, 16, (3, True)),
        (65_535, 3, 32, (3, True)),
        (65_000, 464, 16, (COUNTER_WRAP_SPAN, False)),
        (65_000, 465, 16, (465, True)),
    ],
)
def test_counter_wraps_at_its_width_and_restarts_from_zero(
    before: int, now: int, bits: int, expected: tuple[int, bool]
) -> None:
    """A small step over the top is a wrap; falling far back is a PLC that restarted."""
    assert counted(before, now, bits) == expected


def test_counter_of_32_bits_counts_in_every_word_order() -> None:
    """A counter in swapped words is an integer like any other (it was a float once, and counted nothing)."""
    for order in Order:
        counter = word(40, ValueType.UINT32, order=order)
        works = Works(site_of(rake("D", contact("D", Stage.SHUTDOWN, bit(1), counter=counter))))
        works.set("D", "counter:" + SHUT, 2**16 - 1)
        works.scan()
        works.set("D", "counter:" + SHUT, 2**16)
        works.scans(2)

        assert len(works.told("shutdown_operated")) == 1, order


# --- operations that no scan has seen ---------------------------------------------------------------------------------


@pytest.mark.parametrize("order", ["counter first", "latched first", "together"])
def test_one_operation_shown_by_counter_and_latched_bit_is_told_once(order: str) -> None:
    """The two memories lie in different blocks and are read at different times; it is still one operation."""
    works, fast, counter, latched = works_with_memory()
    works.set("D", "counter:" + SHUT, 1)
    works.set("D", "latched:" + SHUT, 1)
    blocks = {
        "counter first": (counter, latched),
        "latched first": (latched, counter),
        "together": (counter + latched,),
    }
    for more in blocks[order]:
        works.scan(only=[*fast, *more])
        works.scan(only=fast)
    works.scans(6)

    (event,) = works.told("shutdown_operated")
    assert event.data["momentary"] is True
    assert event.data["seen_by"] in ("counter", "latched bit")
    assert event.urgent
    assert works.latched("D")


def test_memory_in_a_block_that_is_never_read_with_the_contact_still_counts() -> None:
    """The poller may read the slow block in scans of its own."""
    works, fast, counter, _ = works_with_memory(latched=False)
    works.set("D", "counter:" + SHUT, 1)
    works.scan(only=counter)
    assert works.told("shutdown_operated") == []  # the contact's next reading decides whether it has only just begun
    works.scan(only=fast)

    assert len(works.told("shutdown_operated")) == 1


def test_operation_that_begins_between_the_two_reads_of_one_scan_is_told_once() -> None:
    """Contact read, contact operates, counter read: the next scan shows it operated, and that is the same operation."""
    works, fast, counter, _ = works_with_memory(latched=False)
    works.set("D", "counter:" + SHUT, 1)
    works.scan(only=[*fast, *counter])
    works.operate("D", "shutdown/A")
    works.scan(only=fast)
    works.scans(8)

    (event,) = works.told("shutdown_operated")
    assert "momentary" not in event.data


def test_operation_is_told_even_if_the_contact_goes_bad_before_its_next_reading() -> None:
    """Nobody can say how it went on, so it counts."""
    works, fast, counter, _ = works_with_memory(latched=False)
    works.set("D", "counter:" + SHUT, 1)
    works.scan(only=[*fast, *counter])
    works.scan(bad=fast)

    assert len(works.told("shutdown_operated")) == 1


def test_slow_counter_that_moves_with_an_edge_the_fast_contact_showed_is_no_further_operation() -> None:
    """Operated and released again within one period of the counter, bounce included."""
    works, fast, counter, latched = works_with_memory()
    works.operate("D", "shutdown/A")
    works.scan(only=fast)
    works.operate("D", "shutdown/A", False)
    works.scan(only=fast)
    works.set("D", "counter:" + SHUT, 4)
    works.set("D", "latched:" + SHUT, 1)
    works.scan(only=[*fast, *counter])
    works.scan(only=[*fast, *latched])
    works.scans(8)

    assert len(works.told("shutdown_operated")) == 1


def test_hidden_operation_after_one_that_was_seen_is_not_lost() -> None:
    """What explained a rise is used up once the memory has been read, also when nothing else changes in between."""
    works, _, _, _ = works_with_memory(latched=False)
    works.operate("D", "shutdown/A")
    works.set("D", "counter:" + SHUT, 1)
    works.scan()
    works.operate("D", "shutdown/A", False)
    works.scan()
    works.scans(3)
    works.set("D", "counter:" + SHUT, 2)
    works.scans(2)

    assert ["momentary" in e.data for e in works.told("shutdown_operated")] == [False, True]


def test_hidden_operation_is_noticed_over_an_outage() -> None:
    """The PLC was not reached while the contact came and went; its counter remembers."""
    works, fast, counter, _ = works_with_memory(latched=False)
    works.scan(bad=[*fast, *counter])
    works.set("D", "counter:" + SHUT, 1)
    works.scan(5_000, bad=[*fast, *counter])
    works.scans(2)

    assert len(works.told("shutdown_operated")) == 1


def test_latched_bit_that_the_plant_clears_can_show_the_next_operation() -> None:
    """1 stays 1 until it is reset there; only a rise is an operation."""
    works, _, _, _ = works_with_memory(counter=False)
    for value, expected in ((1, 1), (1, 1), (0, 1), (1, 2)):
        works.set("D", "latched:" + SHUT, value)
        works.scans(3)
        assert len(works.told("shutdown_operated")) == expected


def test_memory_says_nothing_before_there_is_something_to_compare() -> None:
    """A counter at 900 and a latched bit at 1 on the first reading are history."""
    works = Works(site_of(with_memory()))
    works.set("D", "counter:" + SHUT, 900)
    works.set("D", "latched:" + SHUT, 1)
    works.scans(6)

    assert works.told("shutdown_operated") == []


# --- the vote ---------------------------------------------------------------------------------------------------------

LEVELS = ("released", "operated", "bad")


def two_channels(before: tuple[int, int] = (0, 0)) -> Works:
    """Shutdown channels A and B in blocks of their own, settled as told."""
    spec = rake(
        "D",
        contact("D", Stage.SHUTDOWN, bit(1)),
        contact("D", Stage.SHUTDOWN, bit(40, table=Table.COIL), channel="B"),
    )
    works = Works(site_of(spec))
    for channel, level in zip("AB", before, strict=True):
        works.operate("D", f"shutdown/{channel}", bool(level))
    works.scan()
    return works


@pytest.mark.parametrize(("a", "b"), list(product(LEVELS, LEVELS)))
@pytest.mark.parametrize("before", [0, 1])
def test_two_channels_vote_one_out_of_two(a: str, b: str, before: int) -> None:
    """One operated is enough; a bad channel leaves it to the good one; two bad ones change nothing."""
    works = two_channels((before, before))
    bad: list[int] = []
    for channel, level in (("A", a), ("B", b)):
        if level == "bad":
            bad += works.blocks(f"contact:forward/shutdown/{channel}", drive="D")
        else:
            works.operate("D", f"shutdown/{channel}", level == "operated")
    works.scan(bad=bad)

    good = [level for level in (a, b) if level != "bad"]
    (stage,) = works.protection("D").stages
    assert stage.operated == (before if not good else int("operated" in good))
    assert stage.known is bool(good)
    assert stage.degraded is (len(good) == 1)
    assert ("degraded" in works.reasons("D")) is (len(good) == 1)


def test_disagreement_is_a_fault_after_its_time_and_told_once_until_both_agree() -> None:
    """Shorter is the two sensors' spread; a channel that goes bad meanwhile is no agreement."""
    works = two_channels()
    works.operate("D", "shutdown/B")
    works.scan()
    works.tick(1_900)
    assert works.told("channels_disagree") == []
    works.tick(200)
    works.scans(10)
    assert len(works.told("channels_disagree")) == 1
    assert "the two channels disagree" in works.reasons("D")

    works.scan(bad=works.blocks("contact:forward/shutdown/A", drive="D"))
    assert works.told("channels_agree") == []
    works.operate("D", "shutdown/A")
    works.scans(10)

    assert len(works.told("channels_agree")) == 1
    assert len(works.told("channels_disagree")) == 1


def test_short_disagreement_is_not_told_and_starts_anew_each_time() -> None:
    """Two sensors never operate at the very same torque."""
    works = two_channels()
    for n in range(6):
        works.operate("D", "shutdown/B", n % 2 == 0)
        works.scan(1_900)

    assert works.told("channels_disagree") == []


def test_last_known_time_is_when_the_reading_was_lost() -> None:
    """A contact that was released for days and is lost now was last known now, not days ago."""
    works = Works(site_of(rake("D", position=False)))
    works.scans(400)
    works.scan(bad=[0, 1])
    lost_utc_ms = works.utc_ms
    works.scan(60_000, bad=[0, 1])

    assert {(s.known, s.known_utc_ms) for s in works.protection("D").stages} == {(False, lost_utc_ms)}
