"""A summary of what was recorded on change says the same of stages, running and cover as one of every reading."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from nightrake.domain.inputs import Got, RawScan
from nightrake.domain.onchange import Recording
from nightrake.domain.onchangespec import OnChange
from nightrake.domain.pipeline import step
from nightrake.domain.registers import decoder
from nightrake.domain.site import BitSignal, DriveSpec, Stage
from nightrake.domain.state import new_site
from nightrake.history.rows import STAGES, Table
from nightrake.history.summaries import Share, summarise
from nightrake.history.timeline import Track
from summarydrives import HOUR_UTC_MS
from works import MS, Works, bit, contact, rake, site_of, word

BAND_MA, LONGEST_MS, PERIOD_MS = 0.1, 4_000, 500
MINUTES = 10


def drive() -> DriveSpec:
    """Everything read twice a second; the alarm contact holds for a second and a half; all on change."""
    bits = [bit(n)._replace(period_ns=PERIOD_MS * MS) for n in range(3)]
    spec = rake(
        "D", contact("D", Stage.ALARM, bits[0], hold_ms=1_500), contact("D", Stage.SHUTDOWN, bits[1]), position=True
    )
    assert spec.position is not None
    point = spec.position.point._replace(period_ns=PERIOD_MS * MS)
    spec = replace(
        spec,
        position=replace(spec.position, point=point),
        running=BitSignal(bits[2]),
        heartbeat=word(20)._replace(period_ns=PERIOD_MS * MS),
    )
    rules = {role: OnChange(0.0, LONGEST_MS * MS) for role in spec.points()}
    rules |= {"position": OnChange(BAND_MA, LONGEST_MS * MS), "heartbeat": OnChange(1e9, LONGEST_MS * MS)}
    return replace(spec, on_change=rules)


def read(spec: DriveSpec, seed: int) -> tuple[list[RawScan], list[RawScan]]:
    """Ten minutes of scans, and what the engine would record of them."""
    chance, works = random.Random(seed), Works(site_of(spec))
    works.utc_begin_ms = HOUR_UTC_MS - works.now_ns // MS
    scans: list[RawScan] = []
    works.give = scans.append  # type: ignore[assignment, method-assign]
    value = 10_000
    for beat in range(MINUTES * 60_000 // PERIOD_MS):
        value = min(20_000, max(4_200, value + chance.randint(-60, 60)))
        works.set("D", "position", value)
        works.set("D", "heartbeat", beat)
        for which in ("alarm/A", "shutdown/A"):
            if chance.random() < 0.03:
                works.operate("D", which, chance.random() < 0.5)
        if chance.random() < 0.01:
            works.set("D", "running", chance.randint(0, 1))
        works.scan(PERIOD_MS, bad=[b for b in range(2) if chance.random() < 0.004])
    state, recording, kept = new_site(works.site), Recording(works.site), list[RawScan]()
    for scan in scans:
        before = state
        state, outcome = step(state, scan)
        brought = bool(outcome.entries or outcome.hidden or state.alarms is not before.alarms)
        brought = brought or scan is scans[-1]  # so that both end at the same moment
        kept += [some] if (some := recording.kept(scan, whole=brought)) is not None else []
    return scans, kept


def tracks(spec: DriveSpec, scans: Sequence[RawScan]) -> dict[str, Track]:
    """What history makes of scans: a reading for each that asked the point's block."""
    found = {}
    for role, point in spec.points().items():
        rows = []
        for scan in scans:
            block, offset = scan.plan.places[point]
            for reply in scan.blocks:
                if reply.block == block:
                    is_good = reply.got == Got.GOOD
                    shown = float(decoder(point, offset)(reply.data)) if is_good else np.nan
                    rows.append((1, scan.mono_ns, scan.utc_ms, shown, is_good))
        boot, mono_ns, utc_ms = (np.array([row[i] for row in rows], np.int64) for i in range(3))
        value, good = np.array([row[3] for row in rows]), np.array([row[4] for row in rows], np.bool_)
        found[role] = Track(boot, mono_ns, utc_ms, value, good)
    return found


def summed(table: Table, column: str) -> float:
    """Seconds of the ten minutes."""
    return float(table[column].sum()) / 1e9


@pytest.mark.parametrize("seed", range(6))
def test_times_are_the_same_and_torque_is_within_the_band(seed: int) -> None:
    """Stages with their debounce, running, cover; highest and lowest torque by what the band comes to."""
    spec = drive()
    scans, kept = read(spec, seed)
    assert sum(len(s.blocks) for s in kept) < 0.8 * sum(len(s.blocks) for s in scans)
    whole, part = (summarise(HOUR_UTC_MS, [Share(spec, tracks(spec, some))]) for some in (scans, kept))
    for name in [f"forward.time.{stage}_ns" for stage in STAGES] + [
        f"drive.{what}_ns" for what in ("covered", "running", "stopped", "good")
    ]:
        assert summed(part.minutes, name) == summed(whole.minutes, name), name
    band_nm = BAND_MA * 25.0 / 16.0 * 1_600.0  # of a mm: 1,600 N.m
    for name in ("forward.all.min_nm", "forward.all.max_nm"):
        assert part.hour[name][0] == pytest.approx(whole.hour[name][0], abs=band_nm + 1.0)
