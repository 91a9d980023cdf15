"""The calibration record in force for each direction of a drive: the curve that the watch uses, and its own file."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from nightrake.domain.site import CalibrationCurve, DriveSpec
from nightrake.pagereading.kept import KeptHistory
from nightrake.settings.calibrations import content_digest
from nightrake.settings.recordmodels import CalibrationTable

MOST_BYTES = 4 * 1024 * 1024
"""Of a record's file."""
CURVE_POINTS = 60
ABOUT = (
    "device_serial",
    "made_by",
    "made_on",
    "place",
    "ambient_c",
    "reference_standard",
    "reference_uncertainty_pct",
    "method",
    "method_detail",
    "transducer",
    "due_on",
    "supersedes",
    "remarks",
)
FIT = ("form", "from_mm", "to_mm", "residual_nm", "hysteresis_nm", "degrees_of_freedom", "test", "test_p")


def drive_now(kept: KeptHistory, drive: str) -> DriveSpec:
    """A drive as the settings in force have it.

    Raises:
        LookupError: There is no such drive now. StoreError: It cannot be read.
    """
    _, history = kept.files()
    then = history.in_force()
    spec = then.site.drives.get(drive) if then is not None else None
    if spec is None:
        raise LookupError(f"there is no drive '{drive[:40]}' in the settings in force")
    return spec


def calibration(kept: KeptHistory, config_dir: Path | None, drive: str, now_utc_ms: int) -> dict[str, Any]:
    """What turns the position of a drive into torque, by direction.

    Args:
        config_dir: The settings folder, None = not known. now_utc_ms: Against which due dates count.

    Raises:
        LookupError, StoreError: See `drive_now`.
    """
    spec = drive_now(kept, drive)
    notes: list[str] = []
    directions: list[dict[str, Any]] = []
    for direction in spec.directions:
        curve = spec.calibrations.get(direction)
        if curve is None:
            directions.append({"direction": str(direction), "record": None})
            continue
        table, why_not = record_of(config_dir, curve)
        notes += [why_not] if why_not else []
        shown = {**curve_view(curve, now_utc_ms), **({} if table is None else table_view(table))}
        directions.append({"direction": str(direction), "record": shown})
    return {"drive": drive, "device_serial": spec.device_serial, "directions": directions, "notes": notes}


def curve_view(curve: CalibrationCurve, now_utc_ms: int) -> dict[str, Any]:
    """The curve, as the watch uses it; torque is a magnitude."""
    return {
        "ref": curve.ref,
        "digest": curve.digest,
        "valid_from_utc_ms": curve.valid_from_utc_ms or None,
        "due_utc_ms": curve.due_utc_ms or None,
        "overdue": bool(curve.due_utc_ms) and now_utc_ms >= curve.due_utc_ms,
        "curve": {"position_mm": list(curve.position_mm), "torque_nm": list(curve.torque_nm)},
        "falling": {"position_mm": list(curve.falling_mm), "torque_nm": list(curve.falling_nm)},
        "coefficients": list(curve.coefficients),
        "reference_mm": curve.reference_mm,
        "uncertainty": _uncertainty(curve),
        "not_in_budget": list(curve.not_in_budget),
    }


def _uncertainty(curve: CalibrationCurve) -> dict[str, list[float]]:
    """Expanded uncertainty (95 %) at positions evenly spaced over the calibrated range."""
    count = len(curve.uncertainty_nm)
    first, last = curve.position_mm[0], curve.position_mm[-1]
    places = [first + (last - first) * i / max(1, count - 1) for i in range(count)]
    return {"position_mm": [round(x, 4) for x in places], "expanded_nm": list(curve.uncertainty_nm)}


def table_view(table: CalibrationTable) -> dict[str, Any]:
    """Who, when, with what; the points and the fit."""
    told = table.model_dump()
    fit: Mapping[str, Any] | None = told["fit"]
    return {
        **{key: told[key] for key in ABOUT},
        "points": told["point"],
        "contact_points": told["contact_point"],
        "fit": None if fit is None else {key: fit[key] for key in FIT},
        "budget": [] if fit is None else fit["budget"],
    }


def record_of(config_dir: Path | None, curve: CalibrationCurve) -> tuple[CalibrationTable | None, str]:
    """A curve's record file, and why it is not shown; believed only if its content is that of the record in force."""
    only = "only the curve that the watch uses is shown"
    if config_dir is None:
        return None, f"{curve.ref}: the settings folder is not known here, so {only}"
    path = config_dir / "calibration" / f"{curve.ref}.toml"
    if path.parent.parent != config_dir:
        return None, f"{curve.ref[:60]}: is no name of a record, so {only}"
    try:
        if path.stat().st_size > MOST_BYTES:
            return None, f"{path}: is larger than {MOST_BYTES >> 20} MiB, so {only}"
        table = CalibrationTable.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        return None, f"{path}: cannot be read ({error.strerror}), so {only}"
    except (ValueError, RecursionError, ValidationError):
        return None, f"{path}: is no calibration record any more, so {only}; nightrake check says what is wrong"
    if content_digest(table) != curve.digest:
        return None, f"{path}: was changed since the watch took it, so {only}; reload the settings or put it back"
    return table, ""
