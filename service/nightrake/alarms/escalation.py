"""Whom to call for an alarm, and whom next, until somebody answers for it. Pure.

One escalation for each alarm that stands. Theory of operation:

- An alarm that calls (unacknowledged, and active or latched) has its next call due at all times: the next step, a
  reminder, or its first step again after the last one. Only an acknowledgement of the occurrence that stands, the end
  of the need (returned to normal, shelved, in test), or, for priorities that must not reach somebody, the last of the
  rounds that the site has set, ends this.
- A step that has nobody on duty is passed over at once, and said so; a whole chain without anybody is everybody.
- An acknowledgement holds for the alarm's time to respond. Still active then, it calls again from its first step.
- Worse than before: from its first step at once, whatever was acknowledged.
- What comes and goes calls no faster than what stands: an alarm that only comes again (a new occurrence, the end of a
  suppression) calls `APART_NS` after its last call at the earliest, and the waits of its steps go on meanwhile.

Durations are monotonic nanoseconds; who is on duty is asked for the UTC of the moment.
"""

from __future__ import annotations

from collections.abc import Mapping

from nightrake.alarms.calls import Escalation, Escalations, Late, Need, Standing
from nightrake.alarms.callsteps import Moved, Told, again, answered, begin, entry_of, go_on, last_step, put_off, soon_ns
from nightrake.alarms.rota import Rota
from nightrake.alarms.zones import wall_text
from nightrake.domain.rows import Answer, Entry

NOBODY = "nobody"
"""Why calls ended: see `end`."""


def on_transition(
    state: Escalations, rota: Rota, now: Standing, now_ns: int, utc_ms: int, goes_on: str = ""
) -> tuple[Escalations, Told]:
    """Take in an alarm as it stands now; the same again changes nothing.

    Args:
        goes_on: Under which other name it goes on, "" = under none.
    """
    held = state.running.get(now.alarm)
    if held is not None and now.occurrence < held.standing.occurrence:
        return state, ()
    if now.need in (Need.OVER, Need.AWAY):
        why = "away" if now.need is Need.AWAY else "normal"
        return end(state, rota, now.alarm, why, now_ns, utc_ms, goes_on)
    if held is not None and held.standing == now:
        return state, ()
    late = state.late.get(now.alarm) if held is None else None
    before = _in_occurrence(held, late, now)
    was = before.standing
    after = before._replace(standing=now)
    worse = (held or late) is not None and _is_worse(before, now, now_ns)
    if now.need is Need.CALL:
        after, told = _on_call(rota, after, was, worse, now_ns, utc_ms)
    elif now.need is Need.RESPOND:
        after, told = _on_respond(rota, after, was, worse, now_ns, utc_ms)
    else:
        was_told = before.told and _is_calling(before)
        data = {"told": list(after.told), **_under(goes_on)}
        told = (entry_of(after, "calls_stopped", data),) if was_told else ()
    return _put(state, after, now_ns, utc_ms), told


def _in_occurrence(held: Escalation | None, late: Late | None, now: Standing) -> Escalation:
    """The escalation that goes on; a new occurrence of an alarm that nobody answered stays where its calls stand."""
    if held is None:
        return Escalation(now, apart_ns=late.apart_ns, worst=late.worst) if late is not None else Escalation(now)
    if held.standing.occurrence == now.occurrence:
        return held
    if held.calling and held.due_ns:
        # Otherwise a contact that comes and goes would call the first step for ever.
        still = held.standing.need is Need.CALL  # nobody has been told yet that it was over
        return held._replace(acked_by="", acked_utc_ms=0, told=held.told if still else ())
    return Escalation(now._replace(need=Need.REST), apart_ns=held.apart_ns, worst=held.worst)


def _is_worse(before: Escalation, now: Standing, now_ns: int) -> bool:
    """Whether it is worse than what people have been told; what was called a moment ago counts over occurrences."""
    counts = before.calling or now_ns < before.apart_ns
    return now.severity > (before.worst if counts else before.standing.severity)


def _on_call(rota: Rota, after: Escalation, was: Standing, worse: bool, now_ns: int, utc_ms: int) -> Moved:
    if worse:
        return begin(rota, after, "worse", now_ns, utc_ms)
    is_near = now_ns < after.apart_ns
    if not after.calling or not after.due_ns:
        return (put_off(after), ()) if is_near else begin(rota, after, "raised", now_ns, utc_ms)
    if was.need is not Need.CALL or was.occurrence != after.standing.occurrence:
        if is_near:
            return after._replace(due_ns=min(after.due_ns, after.apart_ns)), ()
        return again(rota, after, "again", now_ns, utc_ms)
    if was.priority != after.standing.priority:
        return begin(rota, after, "other priority", now_ns, utc_ms)
    return after, ()


def _on_respond(rota: Rota, after: Escalation, was: Standing, worse: bool, now_ns: int, utc_ms: int) -> Moved:
    if worse:
        return begin(rota, after, "worse", now_ns, utc_ms)
    if after.calling and after.due_ns and was.need is Need.REST:
        if now_ns < after.apart_ns:
            return after._replace(due_ns=min(after.due_ns, after.apart_ns)), ()
        return again(rota, after, "again", now_ns, utc_ms)
    if (after.calling and was.need is Need.CALL) or not (after.calling or after.due_ns):
        return answered(after, now_ns), ()
    return after, ()


def on_tick(state: Escalations, rota: Rota, now_ns: int, utc_ms: int) -> tuple[Escalations, Told]:
    """Do what is due: call the next step, remind, go round again, or call again after the time to respond."""
    if not state.due_ns or now_ns < state.due_ns:
        return state, ()
    running, entries = dict(state.running), list[Entry]()
    for name, held in state.running.items():
        if not 0 < held.next_ns <= now_ns:
            continue
        after, told = _on_due(rota, held, now_ns, utc_ms)
        running[name] = after._replace(seen_ns=now_ns, seen_utc_ms=utc_ms)
        entries.extend(told)
    return state._replace(running=running, due_ns=earliest(running)), tuple(sorted(entries, key=lambda e: not e.urgent))


def _on_due(rota: Rota, held: Escalation, now_ns: int, utc_ms: int) -> Moved:
    if not held.calling:
        return begin(rota, held, "still active", now_ns, utc_ms)
    if held.step < 0:
        return begin(rota, held, "again", now_ns, utc_ms)
    if now_ns >= held.until_ns:
        return go_on(rota, held, held.step + 1, "nobody answered", now_ns, utc_ms)
    if held.told and now_ns > held.until_ns - soon_ns(rota, held):
        return held._replace(due_ns=held.until_ns), ()  # after a restart: a reminder and the next step are one call
    return again(rota, held, "reminder" if held.told else "again", now_ns, utc_ms)


def on_acknowledge(
    state: Escalations, rota: Rota, alarm: str, occurrence: int, by: Mapping[str, str], now_ns: int, utc_ms: int
) -> tuple[Escalations, Told, Answer]:
    """Stop the calls of one occurrence for its time to respond, or refuse and say why.

    Args:
        occurrence: The one that the person has seen. by: ``actor``, ``role``, ``known_by``.
    """
    held = state.running.get(alarm)
    refusal = _why_not(rota, held, occurrence)
    if held is None or refusal:
        data = {**by, "verb": "acknowledge", "alarm": alarm, "occurrence": occurrence, "reason": refusal}
        about = (held.standing.drive, held.standing.direction) if held is not None else ("", "")
        entry = Entry("command", "refused", *about, data)
        return state, (entry,), Answer(False, f"{alarm}: not acknowledged: {refusal}")
    after = answered(held, now_ns)._replace(acked_by=by["actor"], acked_utc_ms=utc_ms)
    if held.standing.need is Need.CALL:
        after = after._replace(standing=held.standing._replace(need=Need.RESPOND))
    respond_s = held.standing.respond_ns / 1e9
    entry = entry_of(after, "calls_answered", {**by, "told": list(after.told), "respond_s": respond_s})
    minutes = f"; still active in {respond_s / 60:g} min, it calls again" if respond_s else ""
    return _put(state, after, now_ns, utc_ms), (entry,), Answer(True, f"{alarm}: acknowledged{minutes}")


def _why_not(rota: Rota, held: Escalation | None, occurrence: int) -> str:
    if held is None:
        return "no such alarm stands now"
    stands = held.standing.occurrence
    if occurrence < stands:
        return f"occurrence {occurrence} is over and {stands} stands now; look at it and acknowledge that one"
    if occurrence > stands:
        return f"there is no occurrence {occurrence} of it yet; {stands} stands now"
    if held.acked_by and not held.calling:
        at = wall_text(rota.zone, held.acked_utc_ms // 1000)
        return f"{_name(rota, held.acked_by)} has acknowledged it already, at {at}"
    return ""


def _name(rota: Rota, person: str) -> str:
    return f"{rota.people[person].name} ({person})" if person in rota.people else person


def after_restart(state: Escalations, now_ns: int, utc_ms: int, *, same_boot: bool) -> Escalations:
    """Bring stored escalations back: nothing is called twice for it, and nothing forgotten.

    After a start of the machine the monotonic clock is another one. What was left of a wait is shortened by the UTC
    that has passed, and never becomes longer than it was.
    """
    if same_boot:
        return Escalations(state.running, earliest(state.running))
    running = {}
    for name, held in state.running.items():
        gone_ns = max(0, utc_ms - held.seen_utc_ms) * 1_000_000
        due_ns, until_ns = (
            now_ns + max(1, at_ns - held.seen_ns - gone_ns) if at_ns else 0 for at_ns in (held.due_ns, held.until_ns)
        )
        moved = held._replace(due_ns=due_ns, until_ns=until_ns, apart_ns=0)
        running[name] = moved._replace(seen_ns=now_ns, seen_utc_ms=utc_ms)
    return Escalations(running, earliest(running))


# --- parts ---


def end(
    state: Escalations, rota: Rota, alarm: str, why: str, now_ns: int, utc_ms: int, goes_on: str = ""
) -> tuple[Escalations, Told]:
    """Call nobody for it any more.

    Args:
        why: ``normal``, ``away`` (its drive or PLC was taken out of the settings), ``lost`` (nothing is known of it),
            ``nobody`` (nobody is left in the settings). goes_on: under which other name it does (``renamed``).
    """
    held = state.running.get(alarm)
    if held is None:
        return state, ()
    running = {name: e for name, e in state.running.items() if name != alarm}
    late = {name: one for name, one in state.late.items() if now_ns < one.apart_ns}
    if why == "normal" and now_ns < held.apart_ns:
        late[alarm] = Late(held.apart_ns, held.worst)
    stands = held.standing.need in (Need.CALL, Need.RESPOND)
    whose = dict.fromkeys(held.told)
    if why == "away" and stands:
        whose |= dict.fromkeys(last_step(rota, held, utc_ms))
    data = {"told": list(whose), "why": why, "stands": stands, **_under(goes_on)}
    told = (entry_of(held, "calls_ended", data),) if whose or why == NOBODY else ()
    return Escalations(running, state.due_ns if running else 0, late), told


def _under(goes_on: str) -> dict[str, str]:
    return {"why": "renamed", "goes_on_as": goes_on} if goes_on else {}


def _put(state: Escalations, after: Escalation, now_ns: int, utc_ms: int) -> Escalations:
    running = {**state.running, after.standing.alarm: after._replace(seen_ns=now_ns, seen_utc_ms=utc_ms)}
    dues = [ns for ns in (state.due_ns, after.next_ns) if ns]
    return state._replace(running=running, due_ns=min(dues, default=0))


def earliest(running: Mapping[str, Escalation]) -> int:
    """When the first of them has something due, 0 = none ever has."""
    return min((e.next_ns for e in running.values() if e.next_ns), default=0)


def _is_calling(held: Escalation) -> bool:
    return held.calling and held.step >= 0 and held.standing.need in (Need.CALL, Need.RESPOND)
