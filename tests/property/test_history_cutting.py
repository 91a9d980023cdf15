"""Cuts and blocks: every record in exactly one, and only what belongs together."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.rows import TailRecord
from nightrake.history.cutting import HOUR_MS, SLACK_MS, STEP_NS, Marks, ends_cut, pieces

NOON_MS = 1_790_000_000_000 - 1_790_000_000_000 % HOUR_MS
STEPS_MS = st.one_of(
    st.integers(0, 2_000), st.sampled_from([-1, 3_600_000, -3_600_000, 10 * 365 * 86_400_000, 499, 501])
)


@st.composite
def pasts(draw: st.DrawFn) -> list[TailRecord]:
    """Inputs of a few PLCs, in order; clocks go on, are set, begin anew."""
    seq, mono_ns, utc_ms, records = draw(st.integers(0, 100)), 10**12, NOON_MS + draw(st.integers(0, HOUR_MS)), []
    for _ in range(draw(st.integers(1, 80))):
        seq += draw(st.integers(1, 5))
        by_ms = draw(st.integers(0, 2_000))
        mono_ns = mono_ns + by_ms * 1_000_000 if draw(st.integers(0, 40)) else draw(st.integers(0, 10**12))
        utc_ms += by_ms if draw(st.integers(0, 15)) else draw(STEPS_MS)
        endpoint = draw(st.sampled_from(["", "A", "B"]))
        layout = draw(st.sampled_from(["l1", "l1", "l1", "l2"])) if endpoint else ""
        records.append(TailRecord(seq, "scan" if endpoint else "tick", endpoint, layout, mono_ns, utc_ms, b""))
    return records


def marks(chosen: list[int]) -> Marks:
    """Something that changes at these numbers."""
    at = sorted(set(chosen))
    return Marks(at, [f"from {number}" for number in at], "before")


CHANGES = st.lists(st.integers(0, 400), max_size=4)


@given(pasts(), CHANGES, CHANGES)
def test_every_record_is_in_one_piece_of_its_own_kind(
    records: list[TailRecord], boots_at: list[int], digests_at: list[int]
) -> None:
    """One PLC, read plan, boot and settings in each; clocks that keep step within it; order kept."""
    boots, digests = marks(boots_at), marks(digests_at)
    found = list(pieces(records, boots, digests))
    assert sorted((r for piece in found for r in piece.records), key=lambda r: r.seq) == records
    assert [p.records[0].seq for p in found] == sorted(p.records[0].seq for p in found)
    for piece in found:
        assert len({(r.endpoint, r.layout) for r in piece.records}) == 1
        assert {(boots.of(r.seq), digests.of(r.seq)) for r in piece.records} == {(piece.boot_id, piece.digest)}
        for before, after in pairwise(piece.records):
            assert before.seq < after.seq
            assert before.mono_ns <= after.mono_ns
            jump_ns = (after.utc_ms - before.utc_ms) * 1_000_000 - (after.mono_ns - before.mono_ns)
            assert abs(jump_ns) < STEP_NS


@given(pasts())
def test_cuts_end_and_hold_one_hour(records: list[TailRecord]) -> None:
    """Cut after cut everything is reached, and no cut holds stamps of two hours but for a straggler."""
    begin = 0
    while begin < len(records):
        first, end = records[begin], begin + 1
        while end < len(records) and not ends_cut(first, records[end]):
            end += 1
        hour_ms = first.utc_ms - first.utc_ms % HOUR_MS
        assert all(hour_ms - SLACK_MS <= r.utc_ms < hour_ms + HOUR_MS for r in records[begin:end])
        begin = end
