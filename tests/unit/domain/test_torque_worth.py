"""A torque never goes alone: its uncertainty, the record that made it, and whether that is overdue go with it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from nightrake.cli.text import event_text, torque_text, with_uncertainty
from nightrake.domain.inputs import RawScan
from nightrake.domain.reading import Exactness
from nightrake.domain.site import CalibrationCurve, Direction, DriveSpec
from nightrake.domain.view import drive_view
from nightrake.historian.sampling import Sampler
from nightrake.kept import from_snapshot, snapshot
from nightrake.messages.payloads import TorqueData
from unit.historian.fieldtexts import fields_of
from works import PRELOADED, Works, rake, site_of

FITTED = CalibrationCurve(
    "PC1-forward-2026-03-14",
    "c" * 64,
    Direction.FORWARD,
    (0.5, 20.5),
    (8_800.0, 40_800.0),
    coefficients=(24_800.0, 1_600.0),
    reference_mm=10.5,
    uncertainty_nm=(200.0, 300.0, 400.0),
)


def works_with(curve: CalibrationCurve | None) -> Works:
    """One drive, its arm at 10 mm."""
    spec: DriveSpec = replace(rake(), calibrations={} if curve is None else {Direction.FORWARD: curve})
    return Works(site_of(spec))


def shut(works: Works) -> dict[str, Any]:
    """What is told of a shutdown."""
    works.scan()
    works.operate("D", "shutdown/A")
    works.scan()
    (entry,) = works.told("shutdown_operated")
    return dict(entry.data)


def test_event_names_uncertainty_and_record() -> None:
    """Enough to find the record again, and to convert the position anew under another."""
    data = shut(works_with(FITTED))

    assert (data["position_mm"], data["torque_nm"], data["torque_is"]) == (10.0, 24_000.0, "exact")
    assert data["torque_uncertainty_nm"] == pytest.approx(295.0)
    assert (data["calibration"], data["calibration_digest"]) == ("PC1-forward-2026-03-14", "c" * 64)
    assert "calibration_overdue" not in data


def test_event_says_that_the_record_is_overdue() -> None:
    """Past its due date the torque is marked."""
    assert shut(works_with(replace(FITTED, due_utc_ms=1_000)))["calibration_overdue"] is True


def test_event_of_a_record_without_uncertainty_says_none() -> None:
    """Older records made torque too, of unknown worth."""
    data = shut(works_with(PRELOADED))

    assert data["torque_uncertainty_nm"] is None
    assert data["calibration"] == "R1"


def test_event_without_a_torque_names_no_record() -> None:
    """Nothing was converted."""
    data = shut(works_with(None))

    assert data["torque_nm"] is None
    assert not any(key.startswith("calibration") for key in data)


@pytest.mark.parametrize(("due_utc_ms", "overdue"), [(0, False), (1_000, True)])
def test_view_carries_it_in_the_published_shape(due_utc_ms: int, overdue: bool) -> None:
    """Status, MQTT and table show the same."""
    works = works_with(replace(FITTED, due_utc_ms=due_utc_ms))
    works.scan()
    torque = drive_view(works.state, "D", works.now_ns, works.utc_ms)["torque_nm"]

    assert TorqueData.model_validate(torque).uncertainty == pytest.approx(295.0)
    assert (torque["calibration"], torque["overdue"]) == ("PC1-forward-2026-03-14", overdue)
    assert ("past its due date" in works.reasons("D")) is overdue


def test_limit_carries_the_uncertainty_of_its_end() -> None:
    """Below and beyond are told against a torque that has a worth of its own."""
    works = works_with(FITTED)
    works.set("D", "position", 19_800)  # 24.7 mm
    works.scan()

    assert works.drive("D").torque == (Exactness.BEYOND, 40_800.0, "beyond the last calibrated point", 400.0)


def test_snapshot_keeps_it_and_takes_states_that_had_none() -> None:
    """A replay can begin from a snapshot of before."""
    works = works_with(FITTED)
    works.scan()
    raw = snapshot(works.state)
    bare = works_with(FITTED).state
    old = raw.replace(b',"",295.0]', b',""]')

    assert old != raw
    assert from_snapshot(raw, bare).drives["D"].torque == works.drive("D").torque
    assert from_snapshot(old, bare).drives["D"].torque == (Exactness.EXACT, 24_000.0, "", None)


@pytest.mark.parametrize("curve", [FITTED, PRELOADED])
def test_forwarded_samples_carry_it_where_it_is_stated(curve: CalibrationCurve) -> None:
    """A field beside the torque, and none where the record states none."""
    works = works_with(curve)
    works.scan()
    scan = next(i for i in works.inputs if isinstance(i, RawScan))
    fields = fields_of(Sampler(scan.plan, works.state.wires).texts(scan)[0]["D"])

    assert fields["torque_nm"] == 24_000.0
    stated = fields.get("torque_uncertainty_nm")
    assert stated == (pytest.approx(295.0) if curve is FITTED else None)


@pytest.mark.parametrize(
    ("torque_nm", "uncertainty_nm", "text"),
    [
        (23_400.0, 275.0, "23.4 ±0.3"),
        (5_123.0, 48.6, "5.12 ±0.05"),
        (812.0, 3.0, "0.812 ±0.003"),
        (23_400.0, None, "23.4"),
    ],
)
def test_people_see_as_many_figures_as_the_torque_is_worth(
    torque_nm: float, uncertainty_nm: float | None, text: str
) -> None:
    """kN.m, with the uncertainty's own last figure."""
    assert with_uncertainty(torque_nm, uncertainty_nm) == text


def test_terminal_shows_it_with_limits_and_events() -> None:
    """One wording for the table and the list of events."""
    view = {"torque_nm": {"kind": "beyond", "value": 40_800.0, "uncertainty": 400.0}}
    row = {"event": "shutdown_operated", "drive": "D", "direction": "forward", "utc_ms": 0}
    data = {"torque_nm": 24_000.0, "torque_uncertainty_nm": 295.0}

    assert torque_text(view) == ">40.8 ±0.4"
    assert "(24.0 ±0.3 kN.m)" in event_text({**row, "data": data})
