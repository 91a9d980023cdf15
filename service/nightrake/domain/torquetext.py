"""A torque as people read it: kN.m, to the figure that its uncertainty is worth. Pure."""

from __future__ import annotations

_SIGNS = {"below": "below ", "beyond": "beyond "}


def with_uncertainty(torque_nm: float, uncertainty_nm: float | None, *, lacks: bool = False) -> str:
    """Torque in kN.m with its expanded uncertainty, both to the figure that the uncertainty is worth.

    Args:
        torque_nm, uncertainty_nm: N.m. lacks: The uncertainty lacks a source; it is marked '*'.
    """
    if uncertainty_nm is None:
        return f"{torque_nm / 1000:.1f}"
    places = 1 if uncertainty_nm >= 95.0 else 2 if uncertainty_nm >= 9.5 else 3
    return f"{torque_nm / 1000:.{places}f} ±{uncertainty_nm / 1000:.{places}f}{'*' if lacks else ''}"


def torque_words(kind: str, torque_nm: float | None, uncertainty_nm: float | None, *, lacks: bool = False) -> str:
    """A reading in words: ``41.2 ±0.6 kN.m``, ``beyond 46.4 ±0.7* kN.m``, or "" where there is none."""
    if torque_nm is None:
        return ""
    return f"{_SIGNS.get(kind, '')}{with_uncertainty(torque_nm, uncertainty_nm, lacks=lacks)} kN.m"
