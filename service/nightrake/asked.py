"""What the watch is asked over its control socket: status, news, journal rows, one drive live, points, commands.

Reading a drive live serves proving: position with the time of its reply, each contact as it reads, the journal's head.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from nightrake.alarms.rights import Who
from nightrake.clock import Clock
from nightrake.control.server import Caller
from nightrake.crashpoint import reach
from nightrake.domain.alarmnow import alarms_now
from nightrake.domain.alarmview import alarms_summary, lockout_view
from nightrake.domain.cleantext import clean
from nightrake.domain.inputs import Command, Got
from nightrake.domain.pace import Pace
from nightrake.domain.rows import Answer, Entry
from nightrake.domain.scan import position_read_ns
from nightrake.domain.sceneview import contact_views
from nightrake.domain.state import SiteState
from nightrake.domain.view import drive_view
from nightrake.errors import ControlError
from nightrake.status import news_of, points_given, probed_plain, row_view, status_of

if TYPE_CHECKING:
    from nightrake.app import Watch

COMMIT_WAIT_S = 1.0
"""A command's reply waits this long for its commit; then it is given with the word that it is not on disk yet."""
HIGHEST = 2**63 - 1
"""No row has a higher number."""
REFUSED_S = 0.05
"""A refusal takes this long, so that nonsense without end does not push the scans out of the hot tail."""
ARGS, TEXT = 20, 500
"""Keys that come with a command, and characters of one text, at most."""
WISH = 100_000
"""Characters of a wish that holds a calibration record."""
ROWS = 500
"""Journal rows in one answer at most."""


class Asked:
    """Answers for one running watch.

    Args:
        watch: The watch. clock: Its clock.
    """

    def __init__(self, watch: Watch, clock: Clock) -> None:
        self._watch = watch
        self._clock = clock
        self._pace = Pace()

    def verbs(self) -> dict[str, Any]:
        """Verb -> who answers it."""
        return {
            "status": self._status,
            "news": self._news,
            "journal": self._journal,
            "probe": self._probe,
            "live": self._live,
            "command": self._command,
            "alarms": self._alarms,
            "summary": self._summary,
            "lockout": self._lockout,
            "retry_letters": self._retry_letters,
            "recompute": self._recompute,
            "compact": self._compact,
            "learn": self._learn,
        }

    async def _status(self, caller: Caller, args: Mapping[str, Any]) -> Any:  # noqa: ARG002
        return await status_of(self._watch, self._clock)

    async def _news(self, caller: Caller, args: Mapping[str, Any]) -> Any:  # noqa: ARG002
        return await news_of(self._watch, self._clock, _number(args, "after", 0))

    async def _journal(self, caller: Caller, args: Mapping[str, Any]) -> Any:  # noqa: ARG002
        rows = await self._watch.store.rows_after(_number(args, "after", 0), min(_number(args, "limit", 100), ROWS))
        return [row_view(r) for r in rows]

    async def _probe(self, caller: Caller, args: Mapping[str, Any]) -> Any:  # noqa: ARG002
        """Points of one PLC, the caller's own, on the connection that stands: they may be those of a changed folder."""
        plc, host, port = str(args["plc"]), str(args["host"]), int(args["port"])
        endpoint = self._watch.settings.site.endpoints.get(plc)
        if endpoint is None:
            return {"known": False, "here": "", "read": []}
        if (endpoint.host, endpoint.port) != (host, port):
            return {"known": False, "here": f"{endpoint.host}:{endpoint.port}", "read": []}
        probed = await self._watch.pollers.probe(plc, points_given(args["points"], endpoint))
        up, why = self._watch.pollers.pollers[plc].link_state
        read = [p._replace(detail=why) if p.got is Got.NO_CONNECTION and not up and why else p for p in probed]
        return {"known": True, "here": "", "read": [probed_plain(p) for p in read]}

    async def _live(self, caller: Caller, args: Mapping[str, Any]) -> Any:  # noqa: ARG002
        state, drive = self._watch.engine.state, str(args["drive"])
        if drive not in state.drives:
            raise ControlError(f"no drive '{clean(drive, 64)}' at this site; it has {', '.join(state.drives)}")
        view = live_view(state, drive, self._clock.mono_ns(), self._clock.utc_ms())
        last_seq, after = self._watch.engine.last_seq, _number(args, "after", -1)
        rows = [row_view(r) for r in self._watch.recent if r.seq > after and r.drive == drive] if after >= 0 else []
        return {**view, "seq": last_seq, "epoch": self._watch.store.epoch, "rows": rows}

    async def _alarms(self, caller: Caller, args: Mapping[str, Any]) -> Any:  # noqa: ARG002
        return alarms_now(self._watch.engine.state, self._clock.mono_ns(), self._clock.utc_ms())

    async def _summary(self, caller: Caller, args: Mapping[str, Any]) -> Any:  # noqa: ARG002
        return alarms_summary(self._watch.engine.state)

    async def _retry_letters(self, caller: Caller, args: Mapping[str, Any]) -> Any:  # noqa: ARG002
        return await self._watch.forwarding.retry_letters()

    async def _lockout(self, caller: Caller, args: Mapping[str, Any]) -> Any:  # noqa: ARG002
        state, drive = self._watch.engine.state, str(args["drive"])
        if drive not in state.drives:
            raise ControlError(f"no drive '{clean(drive, 64)}' at this site; it has {', '.join(state.drives)}")
        return lockout_view(state, drive, self._clock.mono_ns())

    async def _recompute(self, caller: Caller, args: Mapping[str, Any]) -> Any:
        """Torque of a past period under another calibration record; done by the history worker, in minutes perhaps."""
        return await self._watch.keeping.ask(recompute=str(args["wish"])[:WISH], actor=caller.actor)

    async def _learn(self, caller: Caller, args: Mapping[str, Any]) -> Any:  # noqa: ARG002
        return await self._watch.learning.look_now()

    async def _compact(self, caller: Caller, args: Mapping[str, Any]) -> Any:  # noqa: ARG002
        """Free pages of history.db are given back, by the history worker."""
        return await self._watch.keeping.ask(compact=True)

    async def _command(self, caller: Caller, args: Mapping[str, Any]) -> Any:
        actor, role, known_by = self._who(caller)
        answer, durable = await self.command(
            str(args["what"]),
            str(args.get("drive", "")),
            str(args.get("direction", "")),
            plain_args(args.get("args", {})),
            (actor, role, known_by),
            str(args.get("arg", "")),
        )
        text = answer.text if durable else f"{answer.text} (not on disk yet)"
        return {"ok": answer.ok, "text": text, "durable": durable}

    def _who(self, caller: Caller) -> tuple[str, str, str]:
        """A user of the machine is the person that the settings name for them, or nobody in particular."""
        person = self._watch.settings.duty.local_users.get(caller.actor, "")
        if person:
            return person, self._watch.settings.people[person].role, f"local user {clean(caller.actor, 32)}"
        return clean(caller.actor), "local", "local user"

    async def command(
        self, verb: str, drive: str, direction: str, args: Mapping[str, Any], who: tuple[str, str, str], arg: str = ""
    ) -> tuple[Answer, bool]:
        """Put one command through the walk, whichever way it came in.

        Returns:
            Its answer, after its commit or a second later; and whether it is on disk.
        """
        mono_ns, utc_ms = self._clock.mono_ns(), self._clock.utc_ms()
        given = Command(mono_ns, utc_ms, clean(verb), clean(drive), clean(direction), *who, clean(arg), "ref", args)
        watch = self._watch
        answer = self._too_fast(given)
        if answer is None:
            answer = watch.engine.submit(given).answers[0][1]
            if answer.ok:
                self._pace = self._pace.and_one(given.verb, Who(*who), mono_ns)
        if not answer.ok:
            await asyncio.sleep(REFUSED_S)
        durable = await watch.store.wait_durable(watch.engine.last_seq, COMMIT_WAIT_S)
        reach("before-command-answer")
        return answer, durable

    def _too_fast(self, given: Command) -> Answer | None:
        """One person may not fill the journal, whichever way they come; None: it goes on to the walk."""
        who = Who(given.actor, given.role, given.known_by)
        no = self._pace.why_not(given.verb, who, given.mono_ns)
        if not no:
            return None
        engine = self._watch.engine
        drive = given.drive if given.drive in engine.state.wires else ""
        engine.note(Entry("command", "refused", drive, "", {**who.data(), "verb": given.verb, "reason": no}))
        return Answer(False, f"{drive or given.verb}: not taken: {no}")


def plain_args(given: Any) -> dict[str, Any]:
    """What came with a command, as far as it can stand in the record: short, flat, plain.

    Raises:
        ControlError: It cannot.
    """
    if not isinstance(given, Mapping) or len(given) > ARGS:
        raise ControlError(f"'args' is an object of {ARGS} keys at most")
    return {clean(str(key), 32): _plain(str(key), value) for key, value in given.items()}


def _plain(key: str, value: Any) -> Any:
    if isinstance(value, str):
        return clean(value, TEXT)
    if isinstance(value, bool) or value is None or (isinstance(value, int) and abs(value) < 2**53):
        return value
    if isinstance(value, float) and math.isfinite(value):
        return value
    if isinstance(value, list) and len(value) <= ARGS and all(isinstance(v, str) for v in value):
        return [clean(v, TEXT) for v in value]
    raise ControlError(f"'{clean(key, 32)}' is a text, a number or a list of texts")


def _number(args: Mapping[str, Any], name: str, default: int) -> int:
    """A number as an argument.

    Raises:
        ControlError: It is none that a row can have.
    """
    number = int(args.get(name, default))
    if not -1 <= number <= HIGHEST:
        raise ControlError(f"'{name}' is a whole number from 0 to {HIGHEST}")
    return number


def live_view(state: SiteState, drive_id: str, mono_ns: int, utc_ms: int) -> dict[str, Any]:
    """A drive as `drive_view` shows it, with what proving needs besides.

    Returns:
        The view, and: ``mono_ns`` (now), ``position_mono_ns`` (when the position's reply came; 0 = never),
        ``contacts`` (see `contact_views`).
    """
    wire, drive = state.wires[drive_id], state.drives[drive_id]
    view = drive_view(state, drive_id, mono_ns, utc_ms)
    return {
        **view,
        "mono_ns": mono_ns,
        "position_mono_ns": 0 if drive.position.value is None else position_read_ns(wire, state.endpoints),
        "device_serial": wire.spec.device_serial,
        "contacts": contact_views(wire, drive),
    }
