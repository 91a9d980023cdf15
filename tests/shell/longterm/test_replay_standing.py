"""What-if: an alarm that stands when the period begins, or would have, is told; it is no 'when it came'."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from nightrake.cli.replay_run import Asked, run_replay
from recordeddays import CONFIG, RecordedDay
from shell.longterm.test_replay import replayed

LATER = "2026-09-21T15:20/PT10M"
LOWER = "drive.PC1.alarm_nm=15000"


def steady(day: RecordedDay) -> Iterator[None]:
    """PC1 under the same load all the time, PC2 just above its alarm point."""
    day.position("PC2", 0.72)
    yield from day.seconds(2_400)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """That day."""
    folder = tmp_path_factory.mktemp("steady")
    RecordedDay(folder, period_s=4.0).run(steady)
    return folder


def said(folder: Path, change: str, capsys: pytest.CaptureFixture[str]) -> str:
    """In words, on one line."""
    key, _, value = change.partition("=")
    run_replay(CONFIG, {"store.dir": str(folder), key: float(value)}, Asked(LATER))
    return " ".join(capsys.readouterr().out.split())


def test_alarm_that_would_have_stood_all_the_time_is_told(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The worst choice, an alarm point below the load that is always there: no word of 'when it came'."""
    text = said(made, LOWER, capsys)
    assert "When the period begins, 2026-09-21 15:20:01, PC1/forward/torque_high would have stood, and did not" in text
    assert "PC1/forward alarm point: torque is at or above it with the change, but not as it was" in text
    assert "None would have come" not in text
    assert "Every alarm would have come when it came" not in text
    found = replayed(made, LATER, LOWER, capsys=capsys)
    standing = {one["name"]: one for one in found["standing"]}  # type: ignore[attr-defined]
    high = standing["PC1/forward/torque_high"]
    assert (high["was"], high["now"]) == (False, True)
    assert high["came_utc_ms"] < found["from_utc_ms"] <= high["at_utc_ms"]
    assert [one["name"] for one in found["set_points_stood_above"]] == ["PC1/forward alarm point"]  # type: ignore[attr-defined]


def test_alarm_that_stands_and_would_not_have_is_told(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The other way round; an alarm that stands by both is no difference."""
    text = said(made, "drive.PC2.alarm_nm=39000", capsys)
    assert "PC2/forward/alarm_did_not_act stands, and would not have stood; it came at 2026-09-21 15:0" in text
    found = replayed(made, LATER, "drive.PC2.alarm_nm=39000", capsys=capsys)
    assert {one["was"] for one in found["standing"]} == {True}  # type: ignore[attr-defined]
    assert [one["name"] for one in found["standing"]] == ["PC2/forward/alarm_did_not_act"]  # type: ignore[attr-defined]


def test_period_from_the_very_begin_tells_all_as_coming_within_it(
    made: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What comes behind its first input has come within it, and is not told twice."""
    found = replayed(made, "2026-09-21", LOWER, capsys=capsys)
    assert found["standing"] == found["set_points_stood_above"] == []
    alarms = {a["alarm"]: a for a in found["alarms"]}  # type: ignore[attr-defined]
    assert alarms["PC1/forward/torque_high"]["new"] == 1
