"""Published data with published results, typed in from their sources."""

from __future__ import annotations

from nightrake.commissioning.points import CalibrationPoint, content_of
from nightrake.settings.recordmodels import CalibrationTable

# NIST StRD, linear least squares: Norris (calibration of ozone monitors), 36 points.
NORRIS_X = [
    *(0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4),
    *(0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3),
    *(0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5),
]
NORRIS_Y = [
    *(0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3),
    *(0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3),
    *(0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2),
]
# NIST StRD, linear least squares: Pontius (load cells), loads in thousands; two runs over the same twenty loads.
PONTIUS_X = [150.0 * i for i in range(1, 21)] * 2
PONTIUS_Y = [
    *(0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146),
    *(1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844),
    *(0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.983, 1.0915),
    *(1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829),
]


def imported(x: list[float], y: list[float], runs: int = 1) -> tuple[CalibrationPoint, ...]:
    """The data as a record file would bring them: through the record's own model, rising and falling alike."""
    each = len(x) // runs
    points = [
        {"position_mm": a, "torque_nm": b, "branch": branch, "run": i // each + 1}
        for branch in ("rising", "falling")
        for i, (a, b) in enumerate(zip(x, y, strict=True))
    ]
    table = CalibrationTable.model_validate(
        {
            "drive": "X",
            "device_serial": "S",
            "made_by": "P",
            "made_on": "2026-01-01",
            "method": "factory output",
            "point": points,
        }
    )
    return content_of(table.model_dump()).points
