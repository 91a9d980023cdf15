"""Inputs to tail records and back; what is damaged is refused, never guessed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.alarms.response import UNSET, Response
from nightrake.domain.inputs import BlockReply, Command, Got, LinkHealth, RawScan, SettingsChanged, Tick
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.site import SiteSpec
from nightrake.domain.tailcodec import from_record, to_record, unpack_scan
from works import Works, rake, site_of

SITE = site_of(rake())
PLAN = Works(SITE).plans["P"]

texts = st.text(max_size=300)  # any character but lone surrogates
stamps = st.integers(0, 2**62)
replies = st.builds(
    BlockReply,
    block=st.integers(0, 65_535),
    got=st.sampled_from(list(Got)),
    data=st.binary(max_size=250),
    mono_ns=stamps,
    detail=texts,
)
scans = st.builds(
    RawScan,
    endpoint=st.just("P"),
    plan=st.just(PLAN),
    mono_ns=stamps,
    utc_ms=stamps,
    blocks=st.lists(replies, max_size=9).map(tuple),
)
plain = (
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats(allow_nan=False, allow_infinity=False) | texts
)
args = st.dictionaries(texts, plain | st.lists(plain, max_size=3), max_size=4)
commands = st.builds(Command, stamps, stamps, texts, texts, texts, texts, texts, texts, texts, texts, args)
links = st.builds(LinkHealth, stamps, stamps, texts, st.booleans(), texts)
inputs = (
    scans
    | st.builds(Tick, stamps, stamps)
    | commands
    | links
    | st.builds(SettingsChanged, stamps, stamps, st.just(SITE), st.just(UNSET))
)


def plan_of(layout: str) -> ReadPlan:
    """The one plan there is."""
    assert layout == PLAN.layout
    return PLAN


def site_of_digest(digest: str) -> tuple[SiteSpec, Response]:
    """The one site there is."""
    assert digest == SITE.digest
    return SITE, UNSET


@given(what=inputs, seq=stamps)
def test_every_input_comes_back_as_it_was(what: RawScan | Tick | Command | LinkHealth, seq: int) -> None:
    """Bit for bit, stamps of each reply included, in any language."""
    record = to_record(seq, what)

    assert from_record(record, plan_of, site_of_digest) == what
    assert (record.seq, record.mono_ns, record.utc_ms) == (seq, what.mono_ns, what.utc_ms)


@given(scan=scans.filter(lambda s: bool(s.blocks)), share=st.floats(0.0, 1.0, exclude_max=True))
def test_cut_scan_is_refused_or_is_a_shorter_whole(scan: RawScan, share: float) -> None:
    """A payload may end between two blocks only; anywhere else it raises and names the record."""
    record = to_record(7, scan)
    cut = record._replace(payload=record.payload[: int(len(record.payload) * share)])
    try:
        got = unpack_scan(cut, PLAN)
    except ValueError:
        return  # which sentence it gives is shown below
    assert got.blocks == scan.blocks[: len(got.blocks)]
    assert len(got.blocks) < len(scan.blocks)


def test_cut_in_a_head_and_in_the_data_both_raise() -> None:
    """The two places where a scan's payload can end too early."""
    scan = RawScan("P", PLAN, 10, 10, (BlockReply(0, Got.GOOD, b"\x01\x02\x03", 9),))
    record = to_record(3, scan)

    for cut in (1, len(record.payload) - 1):
        with pytest.raises(ValueError, match="scan 3: payload is cut"):
            unpack_scan(record._replace(payload=record.payload[:cut]), PLAN)


def test_lone_surrogates_in_a_detail_do_not_stop_the_record() -> None:
    """The operating system's words may hold anything."""
    scan = RawScan("P", PLAN, 10, 10, (BlockReply(0, Got.NO_CONNECTION, b"", 9, "refused \udcff"),))

    assert unpack_scan(to_record(3, scan), PLAN).blocks[0].detail == "refused ?"


def test_unknown_kind_is_refused() -> None:
    """A tail written by a newer program is not guessed at."""
    record = to_record(5, Tick(1, 2))._replace(kind="dream")

    with pytest.raises(ValueError, match="tail record 5: unknown kind 'dream'"):
        from_record(record, plan_of, site_of_digest)


def test_layout_names_the_plan_that_the_scan_was_read_by() -> None:
    """Splits included: the record carries the layout, not the latest one."""
    split = replace(PLAN, layout="split")

    assert to_record(1, RawScan("P", split, 1, 1, ())).layout == "split"
