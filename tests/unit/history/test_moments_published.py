"""Mean and spread against NIST's Statistical Reference Datasets, univariate summary statistics; data from memory.

Certified values (NIST StRD, also from memory): NumAcc1 mean 10000002, standard deviation 1; NumAcc2 1.2 and 0.1;
NumAcc3 1000000.2 and 0.1; NumAcc4 10000000.2 and 0.1; Michelson's speed of light (Michelso) 299.852400000000 and
0.0790105478190518. The data of NumAcc2 to 4 are a first value and 500 pairs around it.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightrake.history.moments import Moments, merge, moments

MICHELSON = (  # km/s less 299 000
    "850 740 900 1070 930 850 950 980 980 880 1000 980 930 650 760 810 1000 1000 960 960 "
    "960 940 960 940 880 800 850 880 900 840 830 790 810 880 880 830 800 790 760 800 "
    "880 880 880 860 720 720 620 860 970 950 880 910 850 870 840 840 850 840 840 840 "
    "890 810 810 820 800 770 760 740 750 760 910 920 890 860 880 720 840 850 850 780 "
    "890 840 780 810 760 810 790 810 820 850 870 870 810 740 810 940 950 800 810 870"
)


def around(first: float, low: float, high: float) -> list[float]:
    """A value and 500 pairs."""
    return [first, *[low, high] * 500]


CERTIFIED = {
    "NumAcc1": ([10_000_001.0, 10_000_003.0, 10_000_002.0], 10_000_002.0, 1.0, 1e-15),
    "NumAcc2": (around(1.2, 1.1, 1.3), 1.2, 0.1, 1e-13),
    # 0.1 beside 1e6 and 1e7 has no more digits in double precision than these.
    "NumAcc3": (around(1_000_000.2, 1_000_000.1, 1_000_000.3), 1_000_000.2, 0.1, 1e-8),
    "NumAcc4": (around(10_000_000.2, 10_000_000.1, 10_000_000.3), 10_000_000.2, 0.1, 1e-7),
    "Michelso": ([299.0 + int(v) / 1000.0 for v in MICHELSON.split()], 299.8524, 0.0790105478190518, 1e-12),
}


@pytest.mark.parametrize("name", CERTIFIED)
@pytest.mark.parametrize("pieces", [1, 2, 7])
def test_certified_values_are_met(name: str, pieces: int) -> None:
    """In one batch, and merged from pieces."""
    values, mean, std, rel = CERTIFIED[name]
    found = merge(moments(part) for part in np.array_split(np.array(values), pieces))

    assert found.n == len(values)
    assert found.mean == pytest.approx(mean, rel=1e-14)
    assert found.std == pytest.approx(std, rel=rel)
    assert (found.low, found.high) == (min(values), max(values))


@given(
    values=st.lists(st.floats(-1e5, 1e5), max_size=40),
    cuts=st.lists(st.integers(0, 40), max_size=4),
    counts=st.lists(st.integers(1, 9), min_size=40, max_size=40),
)
def test_merged_moments_are_those_of_numpy(values: list[float], cuts: list[int], counts: list[int]) -> None:
    """Any cutting, with counted values, empty pieces among them."""
    edges = [0, *sorted(cuts), 40]
    array, weights = np.array(values), np.array(counts[: len(values)], np.int64)
    found = merge(moments(array[a:b], weights[a:b]) for a, b in itertools.pairwise(edges))
    plain = np.repeat(array, weights)

    assert found.n == len(plain)
    if not len(plain):
        assert math.isnan(found.mean)
        return
    assert found.mean == pytest.approx(plain.mean(), rel=1e-12, abs=1e-9)
    assert found.low <= found.mean <= found.high
    if len(plain) > 1:
        assert found.std == pytest.approx(plain.std(ddof=1), rel=1e-9, abs=1e-7)


def test_one_value_has_no_spread() -> None:
    """A single reading says nothing about the spread; that is no zero."""
    assert math.isnan(moments(np.array([7.0])).std)
    assert Moments(2, 1.0, 0.0, 1.0, 1.0).std == 0.0
