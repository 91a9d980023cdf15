"""Pairs that stand the wrong way round in a permutation: how many, and which, in n log n steps of whole arrays.

A permutation of 0..n-1 is taken apart by the bits of its values, highest first. At each bit the values that share all
higher bits stand together in their old order (a group, whose values and places fill the same power of two). A pair is
the wrong way round if its first value has the bit and its second has not; parting each group into those without and
those with the bit, each in order, makes the groups of the next bit. Each pair of values parts at exactly one bit.

The place of a zero among its group is all that counts: z_k for the k-th of all zeros gives z_k - k - (ones of earlier
groups) ones before it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Perm = npt.NDArray[np.int32]


class Bit(NamedTuple):
    """All groups as they part at one bit.

    Attributes:
        zeros, ones: Values without and with the bit, group after group, each in order. before: For each of `zeros`,
            how many ones stand before it in its group. size: Zeros (and ones) of one group.
    """

    zeros: Perm
    ones: Perm
    before: Ints
    size: int


def _bits(permutation: npt.NDArray[np.integer]) -> Iterator[Bit]:
    """Each bit with all that parts at it; what fills the last group up is in order and adds no pair."""
    values = _filled(permutation)
    index = np.arange(len(values) // 2, dtype=np.int64)
    size = len(values) // 2
    while size:
        places, zeros, ones, values = _part(values, size)
        yield Bit(zeros, ones, places - index - (index & -size), size)
        size //= 2


def _filled(permutation: npt.NDArray[np.integer]) -> Perm:
    """Filled up to a power of two with values that stand in order."""
    n = len(permutation)
    values = np.arange(1 << max(n - 1, 0).bit_length(), dtype=np.int32)
    values[:n] = permutation
    return values


def _part(values: Perm, size: int) -> tuple[Ints, Perm, Perm, Perm]:
    """Places of the zeros of a bit, zeros, ones, and both as groups of the next bit."""
    has = values & np.int32(size) != 0
    places = np.flatnonzero(~has)
    parted = np.empty((len(places) // size, 2, size), np.int32)
    zeros, ones = values[places], values[np.flatnonzero(has)]
    parted[:, 0], parted[:, 1] = zeros.reshape(-1, size), ones.reshape(-1, size)
    return places, zeros, ones, parted.reshape(-1)


def count(permutation: npt.NDArray[np.integer]) -> int:
    """How many pairs i < j have permutation[i] > permutation[j].

    Args:
        permutation: Of 0..n-1, shape (n,).

    Returns:
        0 to n(n-1)/2.
    """
    values, found = _filled(permutation), 0
    half = size = len(values) // 2
    while size:
        places, _, _, values = _part(values, size)
        groups = half // size
        found += int(places.sum()) - half * (half - 1) // 2 - size * size * (groups * (groups - 1) // 2)
        size //= 2
    return found


def pairs(permutation: npt.NDArray[np.integer], which: Ints) -> tuple[Perm, Perm]:
    """The values of some of the pairs that stand the wrong way round.

    Args:
        permutation: Of 0..n-1, shape (n,). which: Numbers of pairs, 0 to `count` - 1, rising, repeats allowed; what
            pair has which number is arbitrary but fixed.

    Returns:
        The lesser value of each pair (it stands later), and the greater; each of the shape of `which`.
    """
    lesser, greater = [np.empty(0, np.int32)], [np.empty(0, np.int32)]
    passed = 0
    for bit in _bits(permutation):
        ends = np.cumsum(bit.before)
        first, last = np.searchsorted(which, (passed, passed + int(ends[-1])))
        wanted = which[first:last] - passed
        zero = np.searchsorted(ends, wanted, side="right")
        nth = wanted - (ends[zero] - bit.before[zero])
        lesser.append(bit.zeros[zero])
        greater.append(bit.ones[(zero & -bit.size) + nth])
        passed += int(ends[-1])
    return np.concatenate(lesser), np.concatenate(greater)
