"""Laws of the walk over a site with everything in it: two PLCs, units, slow memories, two channels and directions."""

from __future__ import annotations

import copy
import pickle
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from nightrake.alarms.response import UNSET
from nightrake.domain.inputs import Command, Got, Input, LinkHealth, RawScan, SettingsChanged
from nightrake.domain.pipeline import step
from nightrake.domain.rows import canonical
from nightrake.domain.site import BitSignal, Direction, Form, Order, SiteSpec, Stage, Table, ValueType
from nightrake.domain.state import Outcome, SiteState, new_site
from nightrake.domain.tailcodec import from_record, to_record
from nightrake.kept import from_snapshot, snapshot
from works import FAR_SIDE, MS, NEAR_SIDE, PRELOADED, Works, bit, centred, contact, loop, rake, site_of, word

START_UTC_MS = 1_790_000_000_000


def everything() -> SiteSpec:
    """The site of these laws."""
    primary = rake(
        "D",
        contact("D", Stage.ALARM, bit(0), hold_ms=300, counter=word(40)),
        contact("D", Stage.SHUTDOWN, bit(1), counter=word(41, ValueType.UINT32, order=Order.CDAB), latched=bit(70)),
        contact("D", Stage.SHUTDOWN, bit(4), channel="B", hold_ms=200, latched=bit(71)),
        heartbeat=True,
        rack=True,
    )
    due = replace(PRELOADED, due_utc_ms=START_UTC_MS + 110_000)
    primary = replace(primary, power=word(30, plc="Q", scale=0.001), calibrations={Direction.FORWARD: due})
    side = {"plc": "Q", "unit": 3}
    both = replace(
        rake(
            "E",
            contact("E", Stage.ALARM, bit(0, plc="Q", unit=3)),
            contact("E", Stage.SHUTDOWN, bit(1, plc="Q", unit=3), hold_ms=100),
            contact("E", Stage.SHUTDOWN, bit(2, plc="Q", unit=3), side=Direction.REVERSE, form=Form.NORMALLY_OPEN),
        ),
        directions=(Direction.FORWARD, Direction.REVERSE),
        position=centred(word(10, **side)),  # type: ignore[arg-type]
        running=BitSignal(bit(9, plc="Q", unit=3, table=Table.COIL)),
        calibrations={Direction.FORWARD: NEAR_SIDE, Direction.REVERSE: FAR_SIDE},
        kept={"level_mm": word(12, **side)},  # type: ignore[arg-type]
        stale_ns=3_000 * MS,
    )
    screw = replace(rake("F", unit=4, running=False), position=loop(word(10, unit=4, scale=0.001)))
    return site_of(primary, both, screw)


SITE = everything()
CONTACTS = [(d, str(c.id).removeprefix(f"{d}/")) for d, spec in SITE.drives.items() for c in spec.contacts]
NUMBERS = [(d, role) for d, spec in SITE.drives.items() for role in spec.points() if not role.startswith("contact:")]

levels = st.tuples(st.just("contact"), st.sampled_from(CONTACTS), st.booleans())
figures = st.tuples(
    st.just("value"), st.sampled_from(NUMBERS), st.sampled_from((0, 1, 2, 819, 2_457, 3_700, 10_400, 20_300, 60_000))
)
wholes = st.tuples(st.just("whole"), st.sampled_from("PPQ"), st.sampled_from((50, 250, 900, 2_500)))
masks = st.integers(0, 255)
parts = st.tuples(st.just("part"), st.sampled_from("PPQ"), st.tuples(masks, st.just(0) | masks))
ticks = st.tuples(st.just("tick"), st.sampled_from((100, 600, 3_000)), st.none())
desk = st.tuples(
    st.just("command"),
    st.sampled_from(("reset", "test", "test_end", "open")),
    st.tuples(st.sampled_from("DDEX"), st.sampled_from(("", "forward", "reverse")), st.sampled_from("2x")),
)
rare = st.sampled_from(
    (
        ("zero", ("P", 1), None),
        ("zero", ("Q", 3), None),
        ("zero", ("P", 4), None),
        ("healthy", None, None),
        ("healthy", None, None),
        ("link", True, ""),
        ("link", False, "refused"),
        ("settings", "2", None),
    )
)
moves = st.one_of(levels, figures, wholes, parts, levels, figures, wholes, parts, ticks, desk, rare)
runs = st.lists(moves, min_size=20, max_size=80)
Run = list[tuple[str, object, object]]


def inputs_of(run: Run) -> list[Input]:
    """The inputs that a run of moves in the plant and at the desk gives, whatever the core makes of them."""
    works = Works(SITE)

    def keep(given: Input) -> Outcome:
        works.inputs.append(given)
        return Outcome()

    works.give = keep  # type: ignore[method-assign]
    for move in run:
        in_the_plant(works, *move)
        to_the_watch(works, *move)
    return works.inputs


def in_the_plant(works: Works, kind: str, what: object, how: object) -> None:
    """Something changes there; nobody has read it yet."""
    match kind, what, how:
        case "contact", (str(drive), str(which)), bool(operated):
            works.operate(drive, which, operated)
        case "value", (str(drive), str(role)), int(value):
            point = SITE.drives[drive].points()[role]
            works.values[point] = value & (1 if point.type is ValueType.BIT else 0xFFFF)
        case "zero", (str(plc), int(unit)), _:
            works.zero(plc, unit)
        case "healthy", _, _:
            works.values = Works(SITE).values


def to_the_watch(works: Works, kind: str, what: object, how: object) -> None:
    """One of its inputs."""
    match kind, what, how:
        case "whole", str(plc), int(after_ms):
            works.scan(after_ms, plc)
        case "part", str(plc), (int(some), int(failed)):
            blocks = [b for b in range(len(works.plans[plc].blocks)) if some >> b & 1]
            bad = [b for b in blocks if failed >> b & 1]
            works.scan(125, plc, only=blocks, bad=bad, got=Got.NO_CONNECTION, detail="not connected")
        case "tick", int(after_ms), _:
            works.tick(after_ms)
        case "command", str(verb), (str(drive), str(side), str(arg)):
            stamps = (works.now_ns, works.utc_ms)
            works.give(Command(*stamps, verb, drive, side, "somebody", "local", "local user", arg, "r"))
        case "link", bool(up), str(detail):
            works.give(LinkHealth(works.now_ns, works.utc_ms, "broker", up, detail))
        case "settings", str(digest), _:
            works.give(SettingsChanged(works.now_ns, works.utc_ms, replace(SITE, digest=digest)))


def walk(inputs: list[Input], *, long_way: bool = False) -> tuple[list[SiteState], list[Outcome]]:
    """State after and outcome of every input."""
    state, states, outcomes = new_site(SITE), [], []
    for given_input in inputs:
        state, outcome = step(state, given_input, long_way=long_way)
        states.append(state)
        outcomes.append(outcome)
    return states, outcomes


def judged(state: SiteState) -> tuple[object, ...]:
    """All of a state that means something, timers and due times included."""
    images = {(n, u): i for n, e in state.endpoints.items() for u, i in e.images.items()}
    blocks = {n: (e.blocks, e.stale) for n, e in state.endpoints.items()}
    return state.drives, state.alarms, state.links, images, blocks, state.site.digest


@given(run=runs)
@settings(max_examples=250)
def test_short_path_equals_the_long_one_in_every_field(run: Run) -> None:
    """After every single input: states, timers, due times, outcomes, answers."""
    inputs = inputs_of(run)
    short, long = walk(inputs), walk(inputs, long_way=True)

    for n, (a, b, told_a, told_b) in enumerate(zip(short[0], long[0], short[1], long[1], strict=True)):
        assert (told_a.entries, told_a.answers) == (told_b.entries, told_b.answers), inputs[n]
        assert set(told_a.drives) == set(told_b.drives), inputs[n]
        assert judged(a) == judged(b), inputs[n]


@given(run=runs)
@settings(max_examples=60)
def test_recorded_run_replays_bit_for_bit(run: Run) -> None:
    """Through the tail's bytes and back: the same states and the same canonical journal payloads."""
    inputs = inputs_of(run)
    plans = {p.layout: p for p in Works(SITE).plans.values()}
    sites = {digest: (replace(SITE, digest=digest), UNSET) for digest in (SITE.digest, "2", "3")}
    again = [from_record(to_record(n, i), plans.__getitem__, sites.__getitem__) for n, i in enumerate(inputs)]
    first, second = walk(inputs), walk(again)

    assert again == inputs
    assert [judged(s) for s in first[0]] == [judged(s) for s in second[0]]
    payloads = [
        [[(e.kind, e.event, e.drive, str(e.direction), canonical(e.data)) for e in o.entries] for o in outcomes]
        for outcomes in (first[1], second[1])
    ]
    assert payloads[0] == payloads[1]


@given(run=runs)
@settings(max_examples=40)
def test_no_step_changes_what_it_was_handed(run: Run) -> None:
    """State and input are the same after as before, down to the last dict."""
    state = new_site(SITE)
    for given_input in inputs_of(run):
        before = copy.deepcopy(judged(state)), pickle.dumps(given_input)
        after, _ = step(state, given_input)
        assert (judged(state), pickle.dumps(given_input)) == before
        state = after


@given(run=runs)
@settings(max_examples=60)
def test_scan_of_one_plc_touches_only_the_drives_that_draw_on_it(run: Run) -> None:
    """A drive of another PLC is the very same value afterwards."""
    state = new_site(SITE)
    works = Works(SITE)
    for given_input in inputs_of(run):
        after, _ = step(state, given_input)
        if isinstance(given_input, RawScan):
            plc = given_input.endpoint
            for drive, spec in SITE.drives.items():
                if all(p.endpoint != plc for p in spec.points().values()):
                    assert after.drives[drive] is state.drives[drive]
        state = after
    assert works.site is SITE


@given(run=runs, share=st.floats(0.0, 1.0))
@settings(max_examples=60)
def test_replay_may_begin_at_any_snapshot(run: Run, share: float) -> None:
    """A state that went through its stored form walks on exactly as the one that did not."""
    inputs = inputs_of(run)
    cut = int(len(inputs) * share)
    kept = new_site(SITE)
    for given_input in inputs[:cut]:
        kept, _ = step(kept, given_input)
    stored = from_snapshot(snapshot(kept), new_site(kept.site))
    assert judged(stored) == judged(kept)

    for given_input in inputs[cut:]:
        kept, told = step(kept, given_input)
        stored, told_again = step(stored, given_input)
        assert told == told_again
        assert judged(stored) == judged(kept)
