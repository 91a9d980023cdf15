"""A daily series with its serial correlation removed, and what that makes of steps and bends of its level.

All inner products of steps and bends are sums over the periods behind the later of the two, so they come from three
running sums in closed form: a search among all of them needs no columns.

Source, from memory: whitening over gaps, R. H. Jones, Technometrics 22 (1980) 389-395.
"""

from __future__ import annotations

import numpy as np

from nightrake.learning.days import I64, Floats

STEP, BEND = 0, 1


class White:
    """A series with its serial correlation removed, and the same done to steps and bends.

    Attributes:
        t: Days, rising.
        w: The whitened series; white noise of standard deviation 1 if the level were zero.
        s: Days since the last period (0 and less), from which bends are reckoned, so that no digits are lost.
        u, v: What whitening makes of 1 and of s.
        first: 1 / standard deviation of the innovation: what whitening makes of a step's first value.
    """

    def __init__(self, t: Floats, y: Floats, sigma: float, rho: float) -> None:
        self.t = t
        self.s = t - t[-1]
        self._phi = np.zeros(len(t))
        self._phi[1:] = rho ** np.diff(t)
        self.first = 1.0 / (sigma * np.sqrt(1.0 - self._phi * self._phi))
        self.u = (1.0 - self._phi) * self.first
        self.v, self.w = self.of(self.s), self.of(y)
        self.u2, self.uv, self.v2 = (_after(a * b) for a, b in ((self.u, self.u), (self.u, self.v), (self.v, self.v)))
        self.step_norm = self.first**2 + self.u2
        self.bend_norm = self.v2 - 2 * self.s * self.uv + self.s * self.s * self.u2
        self._later = (
            self.uv + self.first * self.v,
            self.u2 + self.first * self.u,
            self.v2 - self.s * self.uv,
            self.uv - self.s * self.u2,
        )

    def of(self, values: Floats) -> Floats:
        """What whitening makes of a series."""
        before = np.concatenate([[0.0], values[:-1]])
        return np.asarray((values - self._phi * before) * self.first, dtype=np.float64)

    def step(self, index: int) -> Floats:
        """The whitened column of a step at that period."""
        column = np.zeros(len(self.t))
        column[index] = self.first[index]
        column[index + 1 :] = self.u[index + 1 :]
        return column

    def bend(self, index: int) -> Floats:
        """The whitened column of a bend from that period."""
        column = np.zeros(len(self.t))
        column[index + 1 :] = self.v[index + 1 :] - self.s[index] * self.u[index + 1 :]
        return column

    def column(self, kind: int, index: int) -> Floats:
        """Either."""
        return self.step(index) if kind == STEP else self.bend(index)

    def onto(self, column: Floats) -> Floats:
        """Inner products of a column with the step at each period, then with the bend at each."""
        after_u, after_v = _after(column * self.u), _after(column * self.v)
        return np.concatenate([column * self.first + after_u, after_v - self.s * after_u])

    def against(self, kind: int, index: int) -> Floats:
        """The same of the column of a step or bend."""
        n, p = len(self.t), index
        a, b, start = (0.0, 1.0, self.first[p]) if kind == STEP else (1.0, -self.s[p], 0.0)
        flat = a * self.uv[p] + b * self.u2[p] + start * self.u[p]
        steep = a * self.v2[p] + b * self.uv[p] + start * self.v[p]
        step_v, step_u, bend_v, bend_u = self._later
        out = np.empty(2 * n)
        out[:p] = flat
        out[p] = flat + start * (self.first[p] - self.u[p])
        out[p + 1 : n] = a * step_v[p + 1 :] + b * step_u[p + 1 :]
        out[n : n + p] = steep - self.s[:p] * flat
        out[n + p :] = a * bend_v[p:] + b * bend_u[p:]
        return out

    def gram(self, kind: I64, index: I64) -> Floats:
        """Inner products of some steps and bends with each other.

        Args:
            kind: `STEP` or `BEND` of each.
            index: Period of each.
        """
        bends = kind == BEND
        a, b = bends.astype(np.float64), np.where(bends, -self.s[index], 1.0)
        start = np.where(bends, 0.0, self.first[index])
        u2, uv, v2 = self.u2[index], self.uv[index], self.v2[index]
        p, q = a * v2 + b * uv, a * uv + b * u2
        same = np.outer(a, p) + np.outer(b, q) + np.outer(start, start)
        rising = np.outer(a, p + start * self.v[index]) + np.outer(b, q + start * self.u[index])
        earlier = index[:, None] < index
        return np.where(earlier, rising, np.where(earlier.T, rising.T, same))


def _after(values: Floats) -> Floats:
    """Sums over the later entries."""
    out = np.zeros_like(values)
    out[:-1] = np.cumsum(values[:0:-1])[::-1]
    return out
