"""A calibration record as a value: its content, its fit, its budget, its digest; and whether a stored fit is its own.

`make_record` is the one way to a new record. A record is never edited: a new one supersedes it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from itertools import zip_longest
from typing import Any

import numpy as np

from nightrake.commissioning.branches import TwoBranchFit, fit_points, inverted_gap_nm
from nightrake.commissioning.coverage import INFINITE
from nightrake.commissioning.fit import UnfitError
from nightrake.commissioning.points import HEAD_KEYS, STRAIGHT_SEGMENTS, RecordContent, content_of
from nightrake.commissioning.refusals import Known, RecordRefused, refusals
from nightrake.commissioning.uncertainty import Budget, budget
from nightrake.domain.recordcurve import curve_from
from nightrake.domain.recorddigest import RECORD_FORMAT, record_digest
from nightrake.domain.site import CalibrationCurve

SAME_REL = 1e-6
"""A stored fit is that of its points when all figures agree to this, beyond any difference between machines."""


@dataclass(frozen=True)
class Record:
    """A whole calibration record.

    Attributes:
        content: What was measured. fit: The curve. budget: Its uncertainty. table: Every key of the file but `digest`,
            as plain values. digest: Over that.
    """

    content: RecordContent
    fit: TwoBranchFit
    budget: Budget
    table: Mapping[str, Any]
    digest: str

    @property
    def ref(self) -> str:
        """Reference and file name without ending: drive, direction, day."""
        return f"{self.content.drive}-{self.content.direction}-{self.content.made_on}"


def make_record(content: RecordContent, known: Known | None = None) -> Record:
    """Fit the points and state the uncertainty.

    Args:
        content: What was measured. known: What else is known of the drive, for plausibility.

    Raises:
        RecordRefused: The content cannot be a record; it says everything that is wrong. Nothing is written.
    """
    content = replace(content, points=tuple(_floats(p) for p in content.points))
    wrong = refusals(content, known or Known())
    if wrong:
        raise RecordRefused(wrong)
    try:
        fit = fit_points(content.points, content.form)
    except UnfitError as error:
        raise RecordRefused([str(error)]) from error
    if gap_nm := inverted_gap_nm(fit):
        raise RecordRefused(
            [
                f"the falling branch lies {gap_nm:.0f} N.m above the rising one, which no friction does: were rising "
                "and falling exchanged?"
            ]
        )
    worth = budget(content, fit)
    table = {"format": RECORD_FORMAT, **_head(content), **_lists(content), "fit": fit_table(content, fit, worth)}
    return Record(content, fit, worth, table, record_digest(table))


def _floats(point: Any) -> Any:
    return replace(
        point,
        torque_nm=float(point.torque_nm),
        position_mm=float(point.position_mm),
        run=int(point.run),
        weight=float(point.weight),
    )


def _head(content: RecordContent) -> dict[str, Any]:
    values = {key: getattr(content, key) for key in HEAD_KEYS}
    return {k: float(v) if isinstance(v, (int, float)) else v for k, v in values.items()}


def _lists(content: RecordContent) -> dict[str, Any]:
    return {"point": [asdict(p) for p in content.points], "contact_point": [asdict(c) for c in content.contact_points]}


def fit_table(content: RecordContent, fit: TwoBranchFit, worth: Budget) -> dict[str, Any]:
    """The derived ``[fit]`` of a record file; positions and torques in it are magnitudes."""
    segments = fit.form == STRAIGHT_SEGMENTS
    table: dict[str, Any] = {
        "form": fit.form,
        "asked": content.form,
        **_test(fit),
        "reference_position_mm": 0.0 if segments else fit.rising.basis.reference_mm,
        "coefficients": [] if segments else [float(c) for c in fit.coefficients],
        "from_mm": fit.from_mm,
        "to_mm": fit.to_mm,
        "residual_nm": _figures(fit.scatter_sd, 6),
        "degrees_of_freedom": fit.scatter_dof,
        "repeats_nm": _figures(fit.pure_sd, 6),
        "between_runs_nm": _figures(fit.run_sd, 6),
        **_lack(fit),
        "hysteresis_nm": _figures(2.0 * float(np.max(np.abs(fit.half_gap(worth.position_mm)))), 6),
        "not_in_budget": list(worth.left_out),
    }
    if segments:
        corners = zip(fit.rising.basis.knots_mm, fit.coefficients, strict=True)
        table["corner"] = [{"position_mm": float(x), "torque_nm": float(t)} for x, t in corners]
    return {**table, "uncertainty": _uncertainty(worth), "budget": _budget(worth)}


def _budget(worth: Budget) -> list[dict[str, Any]]:
    """The sources at the upper end of the range, where they are largest."""
    rows: list[dict[str, Any]] = []
    for c in worth.components:
        row = {"source": c.source, "shape": c.shape, "standard_nm": _figures(float(c.standard_nm[-1]), 4)}
        rows.append(row if c.dof == INFINITE else {**row, "degrees_of_freedom": float(c.dof)})
    return rows


def _test(fit: TwoBranchFit) -> dict[str, Any]:
    test = fit.test
    if test is None:
        return {}
    figures = {"test": test.name, "test_f": _figures(test.f, 6), "test_p": _figures(test.p, 6)}
    return {**figures, "test_dof": [int(n) for n in test.dof], "quadratic_f": _figures(test.f_quadratic, 6)}


def _lack(fit: TwoBranchFit) -> dict[str, Any]:
    lack = fit.lack
    if lack is None:
        return {}
    figures = {"lack_test": lack.name, "lack_f": _figures(lack.f, 6), "lack_p": _figures(lack.p, 6)}
    return {**figures, "lack_dof": [int(n) for n in lack.dof], "lack_nm": _figures(lack.size_nm, 6)}


def _uncertainty(worth: Budget) -> list[dict[str, Any]]:
    """Rounded up to three figures, so that a rounded value never says less."""
    result = worth.result
    rows = []
    for i, (x, t) in enumerate(zip(worth.position_mm, worth.torque_nm, strict=True)):
        dof = float(result.dof[i])
        rows.append(
            {
                "position_mm": round(float(x), 4),
                "torque_nm": round(float(t), 2),
                "expanded_nm": _up(float(result.expanded_nm[i]), 3),
                "k": round(float(result.k[i]), 3),
                **({} if dof > 1000.0 else {"degrees_of_freedom": round(dof, 1)}),
            }
        )
    return rows


def _figures(value: float, figures: int) -> float:
    return float(f"{value:.{figures}g}")


def _up(value: float, figures: int) -> float:
    """Rounded up; a value that is round already stays, whatever its last bits say."""
    if value <= 0.0:
        return 0.0
    unit = 10.0 ** (math.floor(math.log10(value)) - figures + 1)
    return float(f"{math.ceil(value / unit * (1.0 - 1e-9)) * unit:.{figures}g}")


def stored_fit_faults(table: Mapping[str, Any]) -> list[str]:
    """Whether the ``[fit]`` of a record file is that of its points; one sentence for each thing that is not.

    Args:
        table: Every key of a checked record file as plain values.
    """
    stored = table["fit"]
    content = content_of(table)
    content = replace(content, points=tuple(_floats(p) for p in content.points))
    try:
        fit = fit_points(content.points, content.form)
    except UnfitError as error:
        return [f"its points carry no fit: {error}"]
    fresh = fit_table(content, fit, budget(content, fit))
    if stored["form"] != fresh["form"]:
        return [f"the stored fit is a {stored['form']}, but its points give a {fresh['form']}"]
    faults = [
        f"the stored {name} is {old:.7g}, but its points give {new:.7g}"
        for name, old, new, tolerance in _compared(stored, fresh)
        if abs(old - new) > tolerance
    ]
    return faults[:3]


def _compared(stored: Mapping[str, Any], fresh: Mapping[str, Any]) -> Iterator[tuple[str, float, float, float]]:
    """Name, stored and fresh value, and by how much rounding may let them differ."""
    top = max(row["torque_nm"] for row in fresh["uncertainty"])
    for key in ("from_mm", "to_mm", "reference_position_mm"):
        yield key, stored[key], fresh[key], SAME_REL
    span = fresh["to_mm"] - fresh["from_mm"]
    for power, (old, new) in enumerate(zip_longest(stored["coefficients"], fresh["coefficients"], fillvalue=math.inf)):
        yield f"coefficients[{power}]", old, new, SAME_REL * top / span**power
    for i, (old, new) in enumerate(zip_longest(stored.get("corner", ()), fresh.get("corner", ()), fillvalue=None)):
        missing = {"position_mm": math.inf, "torque_nm": math.inf}
        yield f"corner[{i}].torque_nm", (old or missing)["torque_nm"], (new or missing)["torque_nm"], SAME_REL * top
        yield f"corner[{i}].position_mm", (old or missing)["position_mm"], (new or missing)["position_mm"], SAME_REL
    yield "residual_nm", stored["residual_nm"], fresh["residual_nm"], 1e-4 * fresh["residual_nm"] + SAME_REL
    yield "uncertainty rows", len(stored["uncertainty"]), len(fresh["uncertainty"]), 0
    for i, (old, new) in enumerate(zip(stored["uncertainty"], fresh["uncertainty"], strict=False)):
        yield f"uncertainty[{i}].expanded_nm", old["expanded_nm"], new["expanded_nm"], 0.011 * new["expanded_nm"]


def curve_of(record: Record) -> CalibrationCurve:
    """The record as the watch will have it once its file is read."""
    return curve_from(record.table, record.ref, record.digest)
