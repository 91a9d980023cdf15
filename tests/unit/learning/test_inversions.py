"""Pairs the wrong way round: counted and named as the plain double loop does it."""

from __future__ import annotations

import numpy as np
import pytest

from nightrake.learning.inversions import count, pairs


@pytest.mark.parametrize("n", [*range(10), 16, 17, 255, 256, 257])
def test_counted_as_by_a_double_loop(n: int) -> None:
    """Sizes below, at and above powers of two; none and one value have no pair."""
    order = np.random.default_rng(n).permutation(n)

    assert count(order) == np.triu(order[:, None] > order, 1).sum()


@pytest.mark.parametrize("n", [2, 3, 8, 33, 100])
def test_each_pair_is_named_once(n: int) -> None:
    """All numbers name all pairs, the lesser value first, which stands later."""
    order = np.random.default_rng(n).permutation(n)
    place = np.argsort(order)

    lesser, greater = pairs(order, np.arange(count(order)))

    assert (lesser < greater).all()
    assert (place[lesser] > place[greater]).all()
    assert len(set(zip(lesser.tolist(), greater.tolist(), strict=True))) == count(order)


def test_a_number_names_the_same_pair_alone_and_among_others() -> None:
    """Some numbers, some of them twice, name what they name among all."""
    order = np.random.default_rng(3).permutation(50)
    which = np.array([0, 7, 7, 100, count(order) - 1])
    lesser, greater = pairs(order, np.arange(count(order)))

    some = pairs(order, which)

    assert some[0].tolist() == lesser[which].tolist()
    assert some[1].tolist() == greater[which].tolist()


def test_reversed_order_has_all_pairs() -> None:
    """The most there can be: n(n-1)/2, beyond 32 bits for a hundred thousand values."""
    assert count(np.arange(100_000)[::-1]) == 100_000 * 99_999 // 2
