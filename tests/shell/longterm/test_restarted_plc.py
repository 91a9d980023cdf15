"""A PLC that restarts serves zeros for a while: in summaries that is unknown time, no shutdown and no torque."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from nightrake.domain.pipeline import step
from nightrake.domain.readplan import ReadPlan, make_plan
from nightrake.domain.site import Direction
from nightrake.domain.state import new_site
from nightrake.domain.tailcodec import from_record
from nightrake.domain.witness import is_witness
from nightrake.history.rows import HOUR_MS
from nightrake.history.summaries import Hour
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.hourbuilding import HourBuilder
from shell.longterm.histories import NOON_MS, Past
from shell.longterm.test_summarising import seal_and_build

ZERO_S, ALL_S = 90, 900


class Restarted(Past):
    """A site whose read plans know their witnesses, with a PLC that serves zeros for a while."""

    def __init__(self) -> None:
        super().__init__()
        site = self.settings.site
        pairs = [(d, role, p) for d in site.drives.values() for role, p in d.points().items()]
        witnesses = frozenset(p for d, role, p in pairs if is_witness(d, role))
        for name, spec in site.endpoints.items():
            mine = [p for _, _, p in pairs if p.endpoint == name]
            self.plans[name] = make_plan(spec, mine, frozenset(p for p in witnesses if p.endpoint == name))
        self.zero_plc, self.alarm, self._beat = "", False, 0
        self._roles = {p: role for _, role, p in pairs}

    def _reply(self, plan: ReadPlan, number: int) -> bytes:
        """A sound PLC: closed contacts, healthy racks, counting heartbeats, arms at 9 mA and a little."""
        block, self._beat = plan.blocks[number], (self._beat + 1) % 60_000
        table = np.zeros(block.count, np.uint16)
        for point, (where, offset) in plan.places.items():
            if where == number:
                role = self._roles[point]
                value = (
                    1 if block.table.holds_bits else self._beat + 1 if role == "heartbeat" else 9_000 + self._beat % 7
                )
                table[offset] = 0 if role.startswith("contact:forward/alarm") and self.alarm else value
        if plan.endpoint == self.zero_plc:
            table[:] = 0
        if block.table.holds_bits:
            return np.packbits(table.astype(np.bool_), bitorder="little").tobytes()
        return table.astype(">u2").tobytes()


@pytest.fixture
def made(tmp_path: Path) -> tuple[Restarted, Hour]:
    """A quarter of an hour with an alarm and then the zeros in it, every block read in every scan; PC1's hour."""
    past = Restarted()
    past.snapshot()
    past._chance.random = lambda: 0.5  # type: ignore[method-assign]  # every block is due and answers
    past.go(300, 1.0)
    past.alarm = True
    past.go((ALL_S - ZERO_S) // 2 - 300, 1.0)
    past.alarm = False
    past.zero_plc = past.settings.site.drives["PC1"].points()["position"].endpoint
    past.go(ZERO_S, 1.0)
    past.zero_plc = ""
    past.go((ALL_S - ZERO_S) // 2, 1.0)
    past.store(tmp_path)
    seal_and_build(tmp_path, build_each=False)
    with closing(Blocks(tmp_path)) as blocks:
        return past, HourBuilder(blocks, pytest.fail).hour_of("PC1", NOON_MS // HOUR_MS)


def test_zeros_of_a_restart_are_neither_read_well_nor_known(made: tuple[Restarted, Hour]) -> None:
    """About the time of the zeros, give or take a scan; no reading of it is in the counts."""
    past, hour = made
    row = hour.hour

    assert any(plan.witness_blocks for plan in past.plans.values())
    unknown_s = row["forward.time.unknown_ns"][0] / 1e9
    assert unknown_s == pytest.approx(ZERO_S, abs=2.0)
    assert row["drive.covered_ns"][0] / 1e9 == pytest.approx(ALL_S, abs=10.0)
    assert row["drive.readings"][0] - row["drive.absent"][0] <= ALL_S - ZERO_S + 2
    assert all(entry.steps.lo > 0 for entry in hour.entries)


def test_time_in_each_stage_is_that_of_the_judgement(made: tuple[Restarted, Hour]) -> None:
    """The same records through the watch's own judgement: its stages, scan by scan, added up."""
    past, hour = made
    site = past.settings.site
    state, spans = new_site(site), dict.fromkeys(("normal", "alarm", "shutdown", "unknown"), 0.0)
    plans = {plan.layout: plan for plan in past.plans.values()}
    mine = site.drives["PC1"].points()["position"].endpoint
    last_ns = 0
    for record in past.records:
        given = from_record(record, plans.__getitem__, lambda _: (site, past.settings.response))
        if record.endpoint == mine and last_ns:
            spans[stage_of(state.drives["PC1"].protection.stages, state)] += (record.mono_ns - last_ns) / 1e9
        state, _ = step(state, given)
        last_ns = record.mono_ns if record.endpoint == mine else last_ns

    assert spans["alarm"] > 90.0
    assert spans["normal"] > 600.0
    for stage, seconds in spans.items():
        assert hour.hour[f"forward.time.{stage}_ns"][0] / 1e9 == pytest.approx(seconds, abs=7.0), stage


def stage_of(stages: tuple[object, ...], state: object) -> str:
    """The one word for a drive's forward stages."""
    wires = state.wires["PC1"].stages  # type: ignore[attr-defined]
    mine = [(w, s) for w, s in zip(wires, stages, strict=True) if w.direction is Direction.FORWARD]
    on = {str(w.stage) for w, s in mine if s.known and s.operated == 1}  # type: ignore[attr-defined]
    if "shutdown" in on:
        return "shutdown"
    if "alarm" in on:
        return "alarm"
    return "normal" if all(s.known and s.operated >= 0 for _, s in mine) else "unknown"  # type: ignore[attr-defined]
