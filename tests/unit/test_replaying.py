"""Parts of a replay: how fast it goes, how other settings are put on those of then."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from nightrake.alarms.drivesetup import TorqueLimits
from nightrake.alarms.response import Response
from nightrake.cli.replay_told import paced
from nightrake.domain.rows import TailRecord
from nightrake.errors import NightrakeError
from nightrake.replaying import Step
from nightrake.whatif import Change, merged
from works import rake, site_of

S = 1_000_000_000
MIN_MS = 60_000


def step(mono_s: float, *, begun: bool = False) -> Step:
    """A step at a moment."""
    stamp = int(mono_s * S)
    return Step(TailRecord(1, "tick", "", "", stamp, stamp // 1_000_000, b""), ((),), begun)


# --- how fast it goes -------------------------------------------------------------------------------------------------


def waits(steps: list[Step], speed: float) -> list[float]:
    """Seconds waited before each step, by a clock that only the waiting moves."""
    now, found = [0], []

    def sleep(seconds: float) -> None:
        now[0] += round(seconds * S)

    before = 0
    for _ in paced(iter(steps), speed, lambda step: True, lambda: now[0], sleep):
        found.append((now[0] - before) / S)
        before = now[0]
    return found


def test_pace_is_that_of_the_inputs_or_faster() -> None:
    """Ten times as fast is a tenth of the time; zero waits for nothing; absences and another boot are left out."""
    steps = [step(100), step(101), step(104)]
    assert waits(steps, 1.0) == [0.0, 1.0, 3.0]
    assert waits(steps, 10.0) == pytest.approx([0.0, 0.1, 0.3])
    assert waits(steps, 0.0) == [0.0, 0.0, 0.0]
    assert waits([step(100), step(9_000, begun=True), step(9_002)], 1.0) == [0.0, 0.0, 2.0]
    assert waits([step(100), step(3), step(5)], 1.0) == [0.0, 0.0, 2.0]


def test_way_to_the_period_is_not_paced() -> None:
    """Only steps of the period are waited for."""
    steps: Iterator[Step] = iter([step(1), step(50), step(52)])
    slept: list[float] = []
    assert len(list(paced(steps, 1.0, lambda s: s.record.mono_ns >= 50 * S, lambda: 0, slept.append))) == 3
    assert slept == [2.0]


# --- other settings ---------------------------------------------------------------------------------------------------


def test_only_what_differs_comes_along() -> None:
    """The folder has since got another name and shutdown point: they stay as they were then."""
    then = site_of(replace(rake("D"), name="old", alarm_nm=30_000.0, shutdown_nm=40_000.0))
    now = site_of(replace(rake("D"), name="new", alarm_nm=28_000.0, shutdown_nm=42_000.0))
    lower = site_of(replace(rake("D"), name="new", alarm_nm=26_600.0, shutdown_nm=42_000.0))
    limits = Response(limits={"D": TorqueLimits(high_pct=90.0)})
    other = Response(limits={"D": TorqueLimits(high_pct=80.0)})
    kept = Response(limits={"D": TorqueLimits(high_pct=90.0, worse_pct=33.0)})
    site, response = Change((now, limits), (lower, other)).of(then, kept)
    drive = site.drives["D"]
    assert (drive.name, drive.alarm_nm, drive.shutdown_nm) == ("old", 26_600.0, 40_000.0)
    assert response.limits["D"] == TorqueLimits(high_pct=80.0, worse_pct=33.0)


def test_what_was_not_read_cannot_be_asked() -> None:
    """Another scale, a drive more, a drive less."""
    one, two = site_of(rake("D")), site_of(rake("D"), rake("E", plc="Q"))
    position = rake("D").position
    assert position is not None
    scaled = site_of(replace(rake("D"), position=replace(position, point=position.point._replace(scale=2.0))))
    nothing = Response()
    for after in (scaled, two):
        with pytest.raises(NightrakeError, match="replay has only what was read then"):
            Change((one, nothing), (after, nothing)).of(one, nothing)
    with pytest.raises(NightrakeError, match="adds or removes E"):
        Change((two, nothing), (one, nothing)).of(two, nothing)


def test_labels_and_addresses_are_no_change_and_do_not_come_along() -> None:
    """Nothing is judged by them; beside a limit that is changed, the PLC stays where it was read from."""
    now = site_of(rake("D"))
    moved = {name: replace(plc, port=plc.port + 1) for name, plc in now.endpoints.items()}
    renamed = {"D": replace(now.drives["D"], name="other", area="north", machine="mixer")}
    other = replace(now, id="other", name="other", digest="other", endpoints=moved, drives=renamed)
    assert Change((now, Response()), (other, Response(site_name="other"))).is_none
    lower = replace(other, drives={"D": replace(renamed["D"], alarm_nm=1_000.0)})
    change = Change((now, Response()), (lower, Response()))
    assert not change.is_none
    made, _ = change.of(now, Response())
    assert (made.id, made.endpoints, made.drives["D"].alarm_nm) == (now.id, now.endpoints, 1_000.0)


def test_merging_follows_the_shape() -> None:
    """Mappings by key, tuples by place where they are as long, anything else whole."""
    assert merged({"a": 1, "b": 2}, {"a": 1, "b": 5}, {"a": 1, "b": 6, "c": 7}) == {"a": 1, "b": 6, "c": 7}
    assert merged({"a": 1, "b": 2}, {"a": 1, "b": 5}, {"a": 1}) == {"a": 1}
    assert merged({"a": 1, "z": 3}, {"a": 1}, {"a": 2}) == {"a": 2, "z": 3}
    assert merged((1, 2), (3, 4), (3, 5)) == (1, 5)
    assert merged((1, 2, 3), (3, 4), (3, 5)) == (3, 5)
    assert merged("old", "a", "a") == "old"
    assert merged("old", "a", "b") == "b"
