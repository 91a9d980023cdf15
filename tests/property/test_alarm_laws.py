"""The life of an alarm held against laws written without its table; faults planted in the table, each found by them."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import run_state_machine_as_test

from alarmdrives import FORWARD, OPERATED, RELEASED, REVERSE, UNREAD, Judged, one_way, torque, two_way
from alarmlaws import AlarmLaws
from nightrake.alarms import life
from nightrake.alarms.conditions import evaluate, is_quiet
from nightrake.alarms.life import TABLE, Event, Life
from nightrake.domain.contacts import StageState
from nightrake.domain.reading import Exactness

AlarmLaws.TestCase.settings = settings(max_examples=250, stateful_step_count=40)
TestAlarmLaws = AlarmLaws.TestCase
"""What anybody may rely on, whatever happens in whatever order."""

A, B, C, D, E, F = Life
PLANTED: Mapping[str, tuple[tuple[Life, Event], Life | None]] = {
    "raised as acknowledged": ((A, Event.OCCURS), C),
    "raised as cleared": ((A, Event.OCCURS), D),
    "never raised": ((A, Event.OCCURS), None),
    "acknowledged is normal": ((B, Event.ACKNOWLEDGED), A),
    "cannot be acknowledged": ((B, Event.ACKNOWLEDGED), None),
    "cleared needs nobody": ((B, Event.CLEARS), A),
    "cleared as latched": ((B, Event.CLEARS), E),
    "the latch is lost before the acknowledgement": ((B, Event.CLEARS_LATCHED), D),
    "latched counts as acknowledged": ((B, Event.CLEARS_LATCHED), F),
    "the latch is lost after the acknowledgement": ((C, Event.CLEARS_LATCHED), A),
    "acknowledged asks once more when it clears": ((C, Event.CLEARS), D),
    "never clears": ((C, Event.CLEARS), None),
    "worse calls nobody": ((C, Event.WORSENS), None),
    "cleared cannot be acknowledged": ((D, Event.ACKNOWLEDGED), None),
    "comes again unnoticed": ((D, Event.OCCURS), None),
    "comes again as acknowledged": ((D, Event.OCCURS), C),
    "an acknowledgement resets": ((E, Event.ACKNOWLEDGED), A),
    "a latched one comes again unnoticed": ((E, Event.OCCURS), None),
    "an acknowledged latch comes again unnoticed": ((F, Event.OCCURS), None),
    "an acknowledged latch comes again as acknowledged": ((F, Event.OCCURS), C),
    "a further trip after the acknowledgement calls nobody": ((C, Event.AGAIN), None),
    "a further trip counts as acknowledged": ((C, Event.AGAIN), C),
    "a further trip before the acknowledgement is not told": ((B, Event.AGAIN), None),
    "reset before the acknowledgement": ((E, Event.RESET), A),
    "reset of what is cleared": ((D, Event.RESET), A),
    "cannot be reset": ((F, Event.RESET), None),
}


SEARCHED = 2000
"""The search ends with its first find, mostly within fifty cases; a smaller bound would now and then be reached."""


@pytest.mark.timeout(60)
@pytest.mark.parametrize("name", list(PLANTED))
def test_fault_planted_in_the_table_is_found(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """One arrow goes elsewhere, is missing, or is too many: the laws, which know no table, fail."""
    arrow, to = PLANTED[name]
    assert TABLE.get(arrow) is not to
    table = {**TABLE, arrow: to}
    monkeypatch.setattr(life, "TABLE", {k: v for k, v in table.items() if v is not None})

    with pytest.raises(AssertionError):
        run_state_machine_as_test(
            AlarmLaws, settings=settings(max_examples=SEARCHED, stateful_step_count=40, phases=(Phase.generate,))
        )


STAGES = st.sampled_from((RELEASED, OPERATED, UNREAD))
TORQUES = st.one_of(
    st.floats(0.0, 45_000.0),
    st.sampled_from((16_800.0, 24_000.0, 25_200.0, 28_000.0, 28_500.0, 34_000.0, 40_000.0)),
)
KINDS = st.sampled_from((Exactness.EXACT,) * 6 + (Exactness.BELOW, Exactness.BEYOND))
STEPS = st.lists(
    st.tuples(st.sampled_from((0.1, 0.25, 1.0, 16.0)), st.none() | TORQUES, KINDS, st.booleans(), st.none() | STAGES),
    max_size=40,
)


@given(steps=STEPS, two=st.booleans(), start=st.booleans())
@settings(max_examples=200)
def test_a_quiet_drive_would_give_nothing_if_it_were_judged(
    steps: list[tuple[float, float | None, Exactness, bool, StageState | None]], two: bool, start: bool
) -> None:
    """The short way and the long way give the same conditions at the same times."""
    drive = Judged(two_way() if two else one_way())
    if start:
        drive.judge(running=0)
        drive.judge(running=1)
    short = long = drive.watch
    for after_s, nm, kind, lean, stage in steps:
        drive.now_s += after_s
        reading = torque(nm, kind=kind, give_nm=None if nm is None else 100.0 + nm / 100)
        facts = drive.facts._replace(torque=reading, leans=REVERSE if two and lean else FORWARD)
        if stage is not None:
            facts = facts._replace(stages=(stage, *facts.stages[1:]))
        same = facts.stages == drive.facts.stages
        drive.facts = facts
        long, expected = evaluate(drive.setup, long, facts, drive.now_ns)
        if same and is_quiet(short, reading, facts.leans, drive.now_ns):
            assert expected == ()
            continue
        short, found = evaluate(drive.setup, short, facts, drive.now_ns)
        assert found == expected
