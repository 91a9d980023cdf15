"""What people ask for: reset a latch, begin and end a function check. Each is answered and journalled. Pure."""

from __future__ import annotations

from nightrake.alarms.latch import Answer, on_reset
from nightrake.domain.cleantext import clean
from nightrake.domain.drive import EMPTY, judge
from nightrake.domain.inputs import Command
from nightrake.domain.rows import Entry
from nightrake.domain.scan import with_age
from nightrake.domain.site import Stage
from nightrake.domain.state import Outcome, SiteState
from nightrake.domain.wiring import DriveWire

MAX_TEST_NS = 4 * 3600 * 1_000_000_000
"""A function check ends by itself; nobody may set it longer than this."""


def _by(command: Command) -> dict[str, str]:
    return {"actor": command.actor, "role": command.role, "known_by": command.known_by}


def _refuse(state: SiteState, command: Command, drive: str, text: str) -> tuple[SiteState, Outcome]:
    text = clean(text, 4096)  # it may list the drives of a large site
    data = {**_by(command), "verb": clean(command.verb, 32), "asked": clean(command.drive, 64), "reason": text[:200]}
    entry = Entry("command", "refused", drive, "", data)
    return state, Outcome((entry,), (), ((command.ref, Answer(False, text)),))


def on_command(state: SiteState, command: Command) -> tuple[SiteState, Outcome]:
    """Carry out one command, or refuse it with a reason."""
    wire = state.wires.get(command.drive)
    handler = {"reset": _reset, "test": _begin_test, "test_end": _end_test}.get(command.verb)
    if handler is None:
        return _refuse(state, command, "", f"unknown command '{command.verb[:32]}'")
    if wire is None:
        text = f"no drive '{command.drive[:64]}' at this site; it has {', '.join(state.wires)}"
        return _refuse(state, command, "", text)
    if command.direction and command.direction not in wire.spec.directions:
        text = f"{command.drive} does not sense the direction '{command.direction[:32]}'"
        return _refuse(state, command, command.drive, text)
    return handler(state, command, wire)


def _reset(state: SiteState, command: Command, wire: DriveWire) -> tuple[SiteState, Outcome]:
    sides = [command.direction] if command.direction else [str(d) for d in wire.spec.directions]
    if not command.direction:
        # "Both" means those that are latched; with none latched the first one answers why there is nothing to do.
        sides = [s for s in sides if state.latches[command.drive, s].latched] or sides[:1]
    latches = dict(state.latches)
    entries: tuple[Entry, ...] = ()
    answers: list[Answer] = []
    for side in sides:
        operated, known = _shutdown_stage(state, wire, side)
        key = (command.drive, side)
        latches[key], more, answer = on_reset(latches[key], operated, known, command.drive, side, _by(command))
        entries += more
        answers.append(answer)
        if answer.ok:
            state = _forget_stop(state, command.drive, side)
    together = Answer(all(a.ok for a in answers), "; ".join(a.text for a in answers))
    return state._replace(latches=latches), Outcome(entries, (command.drive,), ((command.ref, together),))


def _forget_stop(state: SiteState, drive: str, side: str) -> SiteState:
    """With the latch goes the verdict on its stop: a motor that stops days later confirms nothing."""
    before = state.drives[drive]
    if before.protection.stop_direction != side:
        return state
    protection = before.protection._replace(stop="", stop_due_ns=0, stop_direction="")
    return state._replace(drives={**state.drives, drive: before._replace(protection=protection, tick_due_ns=1)})


def _shutdown_stage(state: SiteState, wire: DriveWire, side: str) -> tuple[int, bool]:
    """State of one direction's shutdown stage, and whether it is read well now.

    For a reset a contact counts as operated as soon as it reads so: its debounce is no reason to let go.
    """
    protection = state.drives[wire.spec.id].protection
    for stage, known in zip(wire.stages, protection.stages, strict=True):
        if stage.direction == side and stage.stage is Stage.SHUTDOWN:
            contacts = [protection.contacts[i] for i in stage.contacts]
            reads_operated = any(c.raw == 1 and not c.bad for c in contacts)
            return 1 if reads_operated else known.operated, known.known
    return 0, True


def _begin_test(state: SiteState, command: Command, wire: DriveWire) -> tuple[SiteState, Outcome]:
    try:
        span_ns = int(float(command.arg) * 1e9)
    except (ValueError, OverflowError):
        span_ns = 0
    if not 0 < span_ns <= MAX_TEST_NS:
        text = (
            f"{command.drive}: a function check needs a time limit above 0 and up to {span_text(MAX_TEST_NS / 1e9)}, "
            f"got '{command.arg[:32]}' as seconds"
        )
        return _refuse(state, command, command.drive, text)
    return _set_test(state, command, wire, command.mono_ns + span_ns, "test_began", {"limit_s": span_ns / 1e9})


def _end_test(state: SiteState, command: Command, wire: DriveWire) -> tuple[SiteState, Outcome]:
    if not state.drives[command.drive].protection.test_until_ns:
        return _refuse(state, command, command.drive, f"{command.drive}: is not in test")
    return _set_test(state, command, wire, 0, "test_ended", {"by": command.actor})


def _set_test(
    state: SiteState, command: Command, wire: DriveWire, until_ns: int, event: str, data: dict[str, object]
) -> tuple[SiteState, Outcome]:
    before = state.drives[command.drive]
    by = command.actor if until_ns else ""
    protection = before.protection._replace(test_until_ns=until_ns, test_by=by)
    entry = Entry("drive", event, command.drive, "", {**_by(command), **data})
    changed = before._replace(protection=protection, tick_due_ns=1)
    after, told = judge(wire, changed, before.raws, EMPTY, command.mono_ns, command.utc_ms)
    told = with_age(told, wire, state.endpoints, command.mono_ns)
    text = f"in test for {span_text((until_ns - command.mono_ns) / 1e9)}" if until_ns else "no longer in test"
    return state._replace(drives={**state.drives, command.drive: after}), Outcome(
        (entry, *told), (command.drive,), ((command.ref, Answer(True, f"{command.drive}: {text}")),)
    )


def span_text(seconds: float) -> str:
    """A span as people say it: minutes from one minute on, seconds below."""
    value, unit = (seconds / 60.0, "minute") if seconds >= 60.0 else (seconds, "second")
    return f"{value:.4g} {unit}{'' if value == 1.0 else 's'}"
