"""The uncertainty budget of a calibrated torque, position by position (JCGM 100:2008).

What is common to all points is not averaged away: the reference standard's and the method's error shift every point
alike, and a run's own error every point of that run. Only the scatter about the curve gets smaller in the curve's own
part, and enters once more in full, because the watch reads once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from nightrake.commissioning.branches import TwoBranchFit
from nightrake.commissioning.coverage import HALF_WIDTH, RECTANGULAR, U_SHAPED, Component, Expanded, expanded
from nightrake.commissioning.fit import Floats
from nightrake.commissioning.points import RecordContent

BETWEEN_RUNS = "between runs"
GRID_CELLS = 10
"""The uncertainty varies slowly along the travel; between eleven positions a straight line is close enough."""


@dataclass(frozen=True)
class Budget:
    """Everything that makes a torque uncertain.

    Attributes:
        position_mm, torque_nm: Where, as magnitudes, evenly spaced over the calibrated range.
        components: The sources. result: Combined and expanded. left_out: sources of which nothing was stated.
    """

    position_mm: Floats
    torque_nm: Floats
    components: tuple[Component, ...]
    result: Expanded
    left_out: tuple[str, ...]


def budget(content: RecordContent, fit: TwoBranchFit) -> Budget:
    """The budget of a record.

    Args:
        content: What was stated of instruments and surroundings; `reference_uncertainty_pct` has to be there.
        fit: Its curve.
    """
    x = np.linspace(fit.from_mm, fit.to_mm, GRID_CELLS + 1)
    torque = fit.at(x)
    components = (*_estimated(fit, x), *_stated(content, fit, x, torque))
    stated = {
        BETWEEN_RUNS: fit.runs > 1,
        "resolution": content.resolution_mm is not None,
        "transducer": content.transducer_error_mm is not None,
        "temperature": content.temperature_pct_per_k is not None and content.temperature_range_k is not None,
    }
    left_out = tuple(name for name, there in stated.items() if not there)
    return Budget(x, torque, components, expanded(components), left_out)


def _estimated(fit: TwoBranchFit, x: Floats) -> Iterator[Component]:
    """What the points themselves show."""
    ones = np.ones_like(x)
    yield Component("fit", fit.scatter_sd * np.sqrt(fit.leverage(x)), dof=fit.scatter_dof, estimate="scatter")
    yield Component("repeatability", fit.scatter_sd * ones, dof=fit.scatter_dof, estimate="scatter")
    if fit.run_sd:
        between = fit.run_sd * np.sqrt(1.0 + 1.0 / fit.runs)
        yield Component(BETWEEN_RUNS, between * ones, dof=fit.run_dof)
    # Load that swings takes the arm from branch to branch, and where it swings less than the gap, to and fro between
    # them: U-shaped, JCGM 101 6.4.6. The rectangle of JCGM 100 F.2.2.2 is for want of such knowledge; it would make a
    # branch no more likely than any place between, and hold less than 95 % of what a swinging load does.
    yield Component("hysteresis", np.abs(fit.half_gap(x)) / HALF_WIDTH[U_SHAPED], U_SHAPED)


def _stated(content: RecordContent, fit: TwoBranchFit, x: Floats, torque: Floats) -> Iterator[Component]:
    """What is known of the instruments and surroundings."""
    slope = np.abs(fit.slope(x))
    yield Component("reference standard", torque * (content.reference_uncertainty_pct or 0.0) / 200.0)
    if content.method_uncertainty_pct:
        yield Component("method", torque * content.method_uncertainty_pct / 200.0)
    if content.resolution_mm:
        # The scatter about the curve holds the rounding of positions already; only what it does not show is added.
        step = slope * content.resolution_mm / 12.0**0.5
        yield Component("resolution", np.sqrt(np.maximum(step**2 - fit.scatter_sd**2, 0.0)), RECTANGULAR)
    if content.transducer_error_mm:
        yield Component("transducer", slope * content.transducer_error_mm / HALF_WIDTH[RECTANGULAR], RECTANGULAR)
    if content.temperature_pct_per_k and content.temperature_range_k:
        share = abs(content.temperature_pct_per_k) / 100.0 * content.temperature_range_k / HALF_WIDTH[RECTANGULAR]
        yield Component("temperature", torque * share, RECTANGULAR)
