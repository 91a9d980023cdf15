"""Counts of raw steps: order-free merging, ends kept exactly, quantiles within a bin of the readings' own."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.site import ValueType
from nightrake.history.histogram import EMPTY, Histogram, histogram, merge, quantile, raw_of, steps_of

steps = st.lists(st.integers(-(2**31), 2**32 - 1), max_size=60)


def same(a: Histogram, b: Histogram) -> None:
    """Equal in all."""
    assert (a.shift, a.lo, a.hi) == (b.shift, b.lo, b.hi)
    assert a.bins.tolist() == b.bins.tolist()
    assert a.counts.tolist() == b.counts.tolist()


@given(parts=st.lists(steps, max_size=5), most=st.integers(2, 12), data=st.data())
def test_merging_in_any_order_and_grouping_is_counting_all(
    parts: list[list[int]], most: int, data: st.DataObject
) -> None:
    """How coarse it is depends on what is in it, not on the way it came together."""
    whole = histogram(np.array([s for part in parts for s in part], np.int64), most=most)
    singles = [histogram(np.array(part, np.int64), most=most) for part in data.draw(st.permutations(parts))]
    cut = data.draw(st.integers(0, len(singles)))

    same(merge(singles, most), whole)
    same(merge([merge(singles[:cut], most), merge(singles[cut:], most)], most), whole)


@given(some=steps.filter(bool), most=st.integers(2, 40), share=st.sampled_from([0.0, 0.05, 0.5, 0.95, 1.0]))
def test_quantile_is_within_a_bin_of_numpys(some: list[int], most: int, share: float) -> None:
    """Of steps counted singly it is numpy's own; of coarser ones no more than a bin from it."""
    counts = histogram(np.array(some, np.int64), most=most)
    found = quantile(counts.middles().astype(np.float64), counts.counts, share)

    assert abs(found - np.quantile(some, share)) <= counts.width - 1 + 1e-5
    assert counts.n == len(some)
    assert (counts.lo, counts.hi) == (min(some), max(some))
    assert len(counts.bins) <= most


@given(values=st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=30), share=st.floats(0.0, 1.0), data=st.data())
def test_quantile_of_counted_values_is_numpys_of_them_written_out(
    values: list[float], share: float, data: st.DataObject
) -> None:
    """Straight lines between neighbours, however often each was read."""
    ordered = np.sort(np.array(values))
    counts = np.array([data.draw(st.integers(1, 5)) for _ in values], np.int64)

    assert quantile(ordered, counts, share) == pytest.approx(np.quantile(np.repeat(ordered, counts), share), abs=1e-6)


@given(bits=st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=40))
def test_floats_become_steps_in_their_own_order_and_come_back(bits: list[int]) -> None:
    """Every finite single-precision number, the least ones and both zeros included."""
    values = [v for v in (struct.unpack("<f", struct.pack("<I", b))[0] for b in bits) if abs(v) < float("inf")]
    raw = np.array(values, np.float64)
    found = steps_of(raw, ValueType.FLOAT32)

    assert raw_of(found, ValueType.FLOAT32).tolist() == raw.tolist()
    assert np.array_equal(np.argsort(found, kind="stable"), np.argsort(raw, kind="stable"))


def test_neighbouring_floats_are_one_step_apart() -> None:
    """Through zero too."""
    least = np.nextafter(np.float32(0), np.float32(1))
    around = np.array([-least, -0.0, 0.0, least], np.float64)

    assert steps_of(around, ValueType.FLOAT32).tolist() == [-1, 0, 0, 1]


def test_nothing_read_is_an_empty_histogram() -> None:
    """And merges with anything."""
    one = histogram(np.array([5, 5, 7], np.int64))

    same(histogram(np.empty(0, np.int64)), EMPTY)
    same(merge([EMPTY, one, EMPTY]), one)
    same(merge([]), EMPTY)
    assert np.isnan(quantile(np.empty(0), np.empty(0, np.int64), 0.5))


def test_twelve_bit_signal_keeps_single_counts_over_a_quarter_of_its_range() -> None:
    """A usual day is exact; a sweep over the whole range has bins of four counts."""
    assert histogram(np.arange(1_024)).shift == 0
    assert histogram(np.arange(4_096)).width == 4
