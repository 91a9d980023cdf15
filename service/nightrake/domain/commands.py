"""What people ask for: which command is whose, and the function check. Each is answered and journalled. Pure."""

from __future__ import annotations

from nightrake.alarms.lockoutsteps import MAX_TEXT
from nightrake.alarms.rights import refusal
from nightrake.domain.asking import Asked
from nightrake.domain.cleantext import clean
from nightrake.domain.drive import EMPTY, judge
from nightrake.domain.inputs import Command
from nightrake.domain.latches import latched_sides
from nightrake.domain.requests import ABOUT_ALARMS, ABOUT_DRIVES, Handler, heard
from nightrake.domain.respond import Responding, respond
from nightrake.domain.rows import Answer, Entry
from nightrake.domain.scan import with_age
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
    about_alarm, about_drive = ABOUT_ALARMS.get(command.verb), ABOUT_DRIVES.get(command.verb)
    check = {"test": _begin_test, "test_end": _end_test}.get(command.verb)
    if about_alarm is not None:
        return _through(state, command, about_alarm)
    if about_drive is None and check is None:
        return _refuse(state, command, "", f"unknown command '{command.verb[:32]}'")
    wire = state.wires.get(command.drive)
    if wire is None:
        text = f"no drive '{command.drive[:64]}' at this site; it has {', '.join(state.wires)}"
        return _refuse(state, command, "", text)
    known = (*wire.spec.directions, *latched_sides(state.alarms, command.drive))
    if command.direction and command.direction not in known:
        text = f"{command.drive} does not sense the direction '{command.direction[:32]}'"
        return _refuse(state, command, command.drive, text)
    if about_drive is not None:
        return _through(state, command, about_drive)
    no = refusal(command.verb, command.role)
    if no or check is None:
        return _refuse(state, command, command.drive, f"{command.drive}: {no}")
    after, outcome = check(state, command, wire)
    return respond(state, after, outcome._replace(judged=(command.drive,)), command)


def _through(state: SiteState, command: Command, handler: Handler) -> tuple[SiteState, Outcome]:
    """A command about alarms or lockouts."""
    work = Responding(state, command)
    if not refusal("answer", command.role):  # a user of the machine may be called like a person, and is none
        heard(work, command.actor)
    answer = handler(Asked(work, command))
    drives = (command.drive,) if command.drive in state.wires else ()
    return work.done(Outcome((), drives, ((command.ref, answer),)))


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
    reason = clean(str(command.args.get("reason") or ""), MAX_TEXT)
    data: dict[str, object] = {"limit_s": span_ns / 1e9, **({"reason": reason} if reason else {})}
    return _set_test(state, command, wire, command.mono_ns + span_ns, "test_began", data)


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
