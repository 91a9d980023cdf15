"""Whether a contact operates where it should: pass, fail, or not proved. Pure.

Every single operation has to lie within the tolerance; the tolerance itself decides (simple acceptance, JCGM 106 8.2),
under a limit on what the measurement can tell: where the expanded uncertainty is larger than the tolerance, nothing is
proved, and from a third of it on a look is asked for (common practice, no source for either figure). A release counts
where its place is known to within the tolerance, and how far below the operation it lies is held against the
differential of the specification.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from nightrake.commissioning.contactworth import ContactWorth
from nightrake.commissioning.proved import ContactFigures

PASS, FAIL, NOT_PROVED = "pass", "fail", "not proved"
LOOK_FROM = 1.0 / 3.0
"""Share of the tolerance from which the uncertainty deserves a look (common practice, no source)."""
DIFFERENTIALS = (0.25, 4.0)
"""A contact releases this many times its specified differential below its operation (common practice, no source)."""
MOST_NAMED = 6


@dataclass(frozen=True, slots=True)
class Verdict:
    """A contact's operating torque against its set point.

    Attributes:
        figures: Where it operated. set_nm: what was asked for. tolerance_nm: how far off it may be.
        worth: At which torques it operates by the new record, with the expanded uncertainty (95 %).
        result: ``pass``, ``fail`` or ``not proved``. why: What keeps it from a plain pass, in a few words each.
        mark: "*" where the uncertainty lacks a source, else "".
    """

    figures: ContactFigures
    set_nm: float
    tolerance_nm: float
    worth: ContactWorth
    result: str
    why: tuple[str, ...] = ()
    mark: str = ""

    @property
    def passed(self) -> bool:
        """Whether it is a pass."""
        return self.result == PASS

    @property
    def torque_nm(self) -> float | None:
        """Torque at the mean of its operations; None where there is none."""
        return self.worth.torque_nm

    @property
    def uncertainty_nm(self) -> float:
        """Expanded uncertainty (95 %) of that."""
        return self.worth.uncertainty_nm

    @property
    def text(self) -> str:
        """One sentence."""
        figures = self.figures
        parts = [f"{figures.stage} {figures.channel} {figures.state}: {self.result.upper()}"]
        if self.torque_nm is not None:
            parts.append(
                f"operates at {_torques(self.worth.each_nm, self.torque_nm)} kN.m "
                f"(+-{self.uncertainty_nm / 1000:.2f}{self.mark}), "
                f"set {self.set_nm / 1000:.2f} +-{self.tolerance_nm / 1000:.2f}"
            )
        return "; ".join([", ".join(parts), *self.why])


def _torques(each_nm: Sequence[float], mean_nm: float) -> str:
    """Every value, up to a few; then how many, and between which."""
    values = [f"{t / 1000:.2f}" for t in each_nm] or [f"{mean_nm / 1000:.2f}"]
    if len(values) > MOST_NAMED:
        return f"{min(each_nm) / 1000:.2f} to {max(each_nm) / 1000:.2f} ({len(values)} times)"
    return " and ".join([", ".join(values[:-1]), values[-1]] if len(values) > 1 else values)


def verdict(
    figures: ContactFigures,
    set_nm: float,
    tolerance_nm: float,
    worth: ContactWorth,
    mark: str = "",
    differential_mm: float | None = None,
) -> Verdict:
    """Judge one contact in one state.

    Args:
        figures: Where it operated and released. set_nm, tolerance_nm: Torque, and how far off it may be, N.m.
        worth: What the record says of its operations. mark: What is put behind an uncertainty that lacks a source.
        differential_mm: What the specification says of it, None = nothing.
    """
    result, why = _judged(figures, set_nm, tolerance_nm, worth)
    if worth.torque_nm is not None:
        why += _release_doubts(figures, differential_mm)
    return Verdict(figures, set_nm, tolerance_nm, worth, result, tuple(why), mark)


def _judged(figures: ContactFigures, set_nm: float, tolerance_nm: float, worth: ContactWorth) -> tuple[str, list[str]]:
    if worth.torque_nm is None:
        return NOT_PROVED, [worth.outside or "did not operate while its position was seen"]
    if not set_nm:
        return NOT_PROVED, ["the drive has no set point for it; state one"]
    uncertainty_nm = worth.uncertainty_nm
    outside = [t for t in worth.each_nm if abs(t - set_nm) > tolerance_nm]
    if outside:
        named = ", ".join(f"{t / 1000:.2f}" for t in outside[:MOST_NAMED])
        which = f"{named} kN.m lies" if len(outside) == 1 else f"{len(outside)} of {len(worth.each_nm)} ({named}) lie"
        near = _near(outside, worth, set_nm, tolerance_nm) if uncertainty_nm <= tolerance_nm else []
        return FAIL, [f"{which} outside the tolerance", *near]
    lacking = []
    if uncertainty_nm > tolerance_nm:
        lacking.append("the uncertainty is larger than the tolerance, so this measurement cannot tell")
    if not figures.released_mm:
        fast = "it released while the arm moved too fast to say where: pull slower"
        lacking.append(fast if figures.fast_releases else "it was never seen to release")
    if lacking:
        return NOT_PROVED, lacking
    why = _near(worth.each_nm, worth, set_nm, tolerance_nm)
    if uncertainty_nm > LOOK_FROM * tolerance_nm:
        why.append(
            "look again: the uncertainty is more than a third of the tolerance; a slower pull, a faster scan or "
            "another run makes it less"
        )
    return PASS, why


def _release_doubts(figures: ContactFigures, differential_mm: float | None) -> list[str]:
    """Releases that lie where no contact of this specification releases, or that no operation belongs to."""
    found = []
    at_mm = figures.operating_mm
    if at_mm is not None and differential_mm:
        least_mm, most_mm = (share * differential_mm for share in DIFFERENTIALS)
        below = [abs(at_mm) - abs(x) for x in figures.released_mm]
        off = [f"{gap:.2f}" for gap in below if not least_mm <= gap <= most_mm]
        if off:
            found.append(
                f"look again: it releases {', '.join(off[:MOST_NAMED])} mm below where it operates; specified is a "
                f"differential of {differential_mm:g} mm, and {least_mm:g} to {most_mm:g} mm would be plausible"
            )
    if figures.stray_releases:
        many = figures.stray_releases
        which = f"{many} releases without an operation do" if many > 1 else "1 release without an operation does"
        found.append(f"look again: {which} not count")
    return found


def _near(each_nm: Sequence[float], worth: ContactWorth, set_nm: float, tolerance_nm: float) -> list[str]:
    """A word where the limit is nearer than the uncertainty, be it from inside or from outside."""
    off = [abs(abs(t - set_nm) - tolerance_nm) for t in each_nm]
    return ["nearer to the limit than the uncertainty"] if min(off) < worth.uncertainty_nm else []


def all_passed(verdicts: Sequence[Verdict]) -> bool:
    """Whether every contact, as it was left, operates where it should; what was found before an adjustment may not."""
    last = {(v.figures.stage, v.figures.channel): v for v in verdicts}
    return bool(last) and all(v.passed for v in last.values())
