"""A calibration record file as pydantic models: every key, its type and bounds. Unknown keys are refused.

The comments in the example's records document every one of these keys; a test holds that.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from nightrake.settings.base import DirectionName, Id, Label, Model, Text
from nightrake.settings.models import Finite, Remarks, Torque

Magnitude = Annotated[float, Field(ge=0.0, le=1e4, allow_inf_nan=False)]
Percent = Annotated[float, Field(ge=0.0, le=100.0, allow_inf_nan=False)]
Degrees = Annotated[float, Field(gt=0.0, le=1e9, allow_inf_nan=False)]
FormName = Literal["straight line", "quadratic", "straight segments"]


class CalibrationPoint(Model):
    """One of ``point``: an applied torque and where the arm stood."""

    torque_nm: Annotated[float, Field(ge=-1e8, le=1e8)]
    position_mm: Annotated[float, Field(ge=-1e4, le=1e4)]
    branch: Literal["rising", "falling"] = "rising"
    run: Annotated[int, Field(ge=1)] = 1
    weight: Annotated[float, Field(gt=0.0, le=1e9)] = 1.0


class ContactPoint(Model):
    """One of ``contact_point``: where a contact operated and released, before or after adjustment."""

    stage: Literal["alarm", "shutdown"]
    channel: Literal["A", "B"] = "A"
    state: Literal["as found", "as left"]
    operating_mm: Finite
    release_mm: Finite


class CornerTable(Model):
    """One of ``fit.corner``, of straight segments."""

    position_mm: Magnitude
    torque_nm: Torque


class UncertaintyTable(Model):
    """One of ``fit.uncertainty``: what a torque is worth at a position."""

    position_mm: Magnitude
    torque_nm: Torque
    expanded_nm: Torque
    k: Annotated[float, Field(ge=0.0, le=1e4, allow_inf_nan=False)]
    degrees_of_freedom: Degrees | None = None


class BudgetTable(Model):
    """One of ``fit.budget``: a source of uncertainty."""

    source: Label
    shape: Literal["normal", "rectangular", "U-shaped"]
    standard_nm: Torque
    degrees_of_freedom: Degrees | None = None


class FitTable(Model):
    """``[fit]``: derived from the points; positions and torques are magnitudes."""

    form: FormName
    asked: Literal["", "straight line", "quadratic", "straight segments"] = ""
    test: Text = ""
    test_f: Finite | None = None
    test_p: Finite | None = None
    test_dof: list[int] = Field(default=[], max_length=2)
    quadratic_f: Finite | None = None
    reference_position_mm: Finite
    coefficients: list[Finite] = Field(default=[], max_length=3)
    from_mm: Magnitude
    to_mm: Magnitude
    residual_nm: Torque
    degrees_of_freedom: Annotated[int, Field(ge=1)]
    repeats_nm: Torque = 0.0
    between_runs_nm: Torque = 0.0
    lack_test: Text = ""
    lack_f: Finite | None = None
    lack_p: Finite | None = None
    lack_dof: list[int] = Field(default=[], max_length=2)
    lack_nm: Torque | None = None
    hysteresis_nm: Torque
    not_in_budget: list[Label] = Field(default=[], max_length=20)
    corner: list[CornerTable] = Field(default=[], max_length=500)
    uncertainty: Annotated[list[UncertaintyTable], Field(min_length=2, max_length=500)]
    budget: list[BudgetTable] = Field(default=[], max_length=50)


class CalibrationTable(Model):
    """A calibration record file."""

    format: Literal[1] | None = None
    drive: Id
    direction: DirectionName = "forward"
    device_serial: Label
    made_by: Label
    made_on: Text
    place: Text = ""
    ambient_c: Annotated[float, Field(ge=-60.0, le=100.0)] | None = None
    reference_standard: Text = ""
    reference_uncertainty_pct: Percent | None = None
    method: Literal["factory output", "rakes tied off", "force at the arm"]
    method_detail: Text = ""
    method_uncertainty_pct: Percent | None = None
    transducer: Text = ""
    resolution_mm: Magnitude | None = None
    transducer_error_mm: Magnitude | None = None
    temperature_pct_per_k: Annotated[float, Field(ge=-10.0, le=10.0, allow_inf_nan=False)] | None = None
    temperature_range_k: Annotated[float, Field(ge=0.0, le=200.0, allow_inf_nan=False)] | None = None
    due_on: Text = ""
    supersedes: Text = ""
    remarks: Remarks = ""
    digest: Text = ""
    point: Annotated[list[CalibrationPoint], Field(max_length=2000)]
    contact_point: list[ContactPoint] = Field(default=[], max_length=100)
    fit: FitTable | None = None
