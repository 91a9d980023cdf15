"""Laws of the whole walk: short path equals long one, recorded runs replay, nothing handed in changes, latches hold."""

from __future__ import annotations

import copy

from hypothesis import given, settings
from hypothesis import strategies as st

from nightrake.alarms.book import is_latched
from nightrake.alarms.response import UNSET
from nightrake.domain.inputs import Command, Input, RawScan, Tick
from nightrake.domain.pipeline import step
from nightrake.domain.rows import Entry
from nightrake.domain.site import Stage
from nightrake.domain.state import SiteState, new_site
from nightrake.domain.tailcodec import from_record, to_record
from nightrake.domain.wiring import wire_site
from works import MS, Works, bit, contact, rake, site_of, word

SPEC = rake(
    "D",
    contact("D", Stage.ALARM, bit(0), hold_ms=300, counter=word(5)),
    contact("D", Stage.SHUTDOWN, bit(1), channel="A"),
    contact("D", Stage.SHUTDOWN, bit(4), channel="B", hold_ms=200, release_ms=0),
    heartbeat=True,
    rack=True,
)
SITE = site_of(SPEC)
ROLES = ("position", "running", "rack_healthy", "heartbeat", "counter:forward/alarm/A")

moves = st.one_of(
    st.tuples(st.just("contact"), st.sampled_from(("alarm/A", "shutdown/A", "shutdown/B")), st.booleans()),
    st.tuples(st.just("value"), st.sampled_from(ROLES), st.sampled_from((0, 1, 2, 4_000, 10_400, 20_300, 60_000))),
    st.tuples(st.just("scan"), st.sampled_from((50, 250, 900)), st.sampled_from(((), (0,), (1,), (2,), (0, 1, 2, 3)))),
    st.tuples(st.just("tick"), st.sampled_from((100, 600, 3_000)), st.none()),
    st.tuples(
        st.just("command"), st.sampled_from(("reset", "test", "test_end", "open")), st.sampled_from(("5", "x", ""))
    ),
)
runs = st.lists(moves, min_size=1, max_size=60)


def inputs_of(run: list[tuple[str, object, object]]) -> list[Input]:
    """The inputs that a run of moves at the PLC and at the desk gives."""
    works = Works(SITE)
    given: list[Input] = []
    works.give = given.append  # type: ignore[assignment, method-assign]
    for kind, what, how in run:
        stamp = (works.now_ns, works.utc_ms)
        if kind == "contact":
            works.operate("D", str(what), bool(how))
        elif kind == "value":
            works.set("D", str(what), int(str(how)) & (1 if what in ("running", "rack_healthy") else 0xFFFF))
        elif kind == "scan":
            works.scan(int(str(what)), bad=tuple(how))  # type: ignore[arg-type]
        elif kind == "tick":
            works.now_ns += int(str(what)) * MS
            given.append(Tick(works.now_ns, works.utc_ms))
        else:
            given.append(Command(*stamp, str(what), "D", "", "a", "local", "local user", str(how), "r"))
    return given


def walk(inputs: list[Input], *, long_way: bool = False) -> tuple[SiteState, list[Entry]]:
    """All inputs from the beginning."""
    state = new_site(SITE)
    entries: list[Entry] = []
    for one in inputs:
        state, outcome = step(state, one, long_way=long_way)
        entries += outcome.entries
    return state, entries


@given(run=runs)
@settings(max_examples=150)
def test_short_path_equals_the_long_one(run: list[tuple[str, object, object]]) -> None:
    """What is skipped because nothing relevant changed would have changed nothing."""
    inputs = inputs_of(run)
    short, long = walk(inputs), walk(inputs, long_way=True)

    assert short[1] == long[1]
    assert short[0].alarms == long[0].alarms
    a, b = short[0].drives["D"], long[0].drives["D"]
    assert (a.raws, a.position, a.torque, a.blocked) == (b.raws, b.position, b.torque, b.blocked)
    assert [(s.operated, s.degraded) for s in a.protection.stages] == [
        (s.operated, s.degraded) for s in b.protection.stages
    ]
    assert (a.protection.stop, a.protection.reasons) == (b.protection.stop, b.protection.reasons)


@given(run=runs)
def test_recorded_run_replays_to_the_same(run: list[tuple[str, object, object]]) -> None:
    """Through the tail's bytes and back: the same entries, the same state."""
    inputs = inputs_of(run)
    works = Works(SITE)
    records = [to_record(n, given) for n, given in enumerate(inputs)]
    again = [from_record(r, lambda _: works.plans["P"], lambda _: (SITE, UNSET)) for r in records]

    first, second = walk(inputs), walk(again)

    assert again == inputs
    assert first[1] == second[1]
    assert (first[0].drives, first[0].alarms) == (second[0].drives, second[0].alarms)


@given(run=runs)
@settings(max_examples=40)
def test_step_changes_nothing_that_it_is_handed(run: list[tuple[str, object, object]]) -> None:
    """A room returns new values; the old ones stay as they were."""
    inputs = inputs_of([*run, ("scan", 250, ())])
    before, _ = walk(inputs[:-1])
    kept = copy.deepcopy((before.drives, before.alarms, before.links))

    step(before, inputs[-1])

    assert (before.drives, before.alarms, before.links) == kept


@given(run=runs)
def test_nothing_leaves_latched_without_an_accepted_reset(run: list[tuple[str, object, object]]) -> None:
    """Whatever the contacts and the desk do in between."""
    state, latched = new_site(SITE), False
    for one in inputs_of(run):
        state, outcome = step(state, one)
        reset = any(e.event == "reset" for e in outcome.entries)
        now = is_latched(state.alarms.book, "D", "forward")
        assert not (latched and not now and not reset)
        assert not reset or isinstance(one, Command)
        if isinstance(one, Command):
            assert len(outcome.answers) == 1
        latched = now


@given(run=runs)
def test_good_reading_of_an_operated_shutdown_contact_without_hold_is_never_missed(
    run: list[tuple[str, object, object]],
) -> None:
    """Channel A has no debounce: operated in a good scan of a sound rack and live heartbeat is a shutdown, told."""
    wires = wire_site(SITE)
    slot = next(c.slot for c in wires["D"].contacts if str(c.spec.id).endswith("shutdown/A"))
    state = new_site(SITE)
    for one in inputs_of(run):
        state, _ = step(state, one)
        drive_state = state.drives["D"]
        if isinstance(one, RawScan) and not drive_state.blocked and drive_state.raws[slot] == 0:
            stage = next(
                s
                for w, s in zip(wires["D"].stages, drive_state.protection.stages, strict=True)
                if w.stage == "shutdown"
            )
            assert stage.operated == 1
