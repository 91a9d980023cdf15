"""All that is kept of a site's alarms: conditions as last said, lives, calls, lockouts. Pure values."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from nightrake.alarms import book as books
from nightrake.alarms import callchecks, escalation, lockout
from nightrake.alarms import silence as silences
from nightrake.alarms.callchecks import CallChecks
from nightrake.alarms.calls import Escalations
from nightrake.alarms.conditions import UNWATCHED, Watch, carried
from nightrake.alarms.lockout import Lockout
from nightrake.alarms.overlays import Overlay
from nightrake.alarms.records import AlarmBook
from nightrake.alarms.rights import Seconds
from nightrake.alarms.silence import Silence
from nightrake.domain.rows import Entry


class SiteAlarms(NamedTuple):
    """See the module.

    Attributes:
        watches: By drive; one that is missing has not been judged. due_ns: a moment before which time alone changes
            nothing in any of them.
        book: Lives and overlays. silence: PLCs that do not answer.
        calls: Whom to call next. checks: test calls. unreached: people who did not answer theirs.
        seconds: Commands that wait for a second person.
        lockouts: By drive; a drive that never had one is missing.
        standby: Drives that a person has said are to stand. scheduled: those that stand by schedule now.
        schedule_s: UTC, when the schedules are to be looked at again; 0 = now.
        restored: They come from the store, and the settings may be others now: the first step looks at it all once.
    """

    watches: Mapping[str, Watch] = {}
    due_ns: int = 0
    book: AlarmBook = AlarmBook()
    silence: Silence = Silence()
    calls: Escalations = Escalations()
    checks: CallChecks = CallChecks()
    unreached: tuple[str, ...] = ()
    seconds: Seconds = Seconds()
    lockouts: Mapping[str, Lockout] = {}
    standby: Mapping[str, Overlay] = {}
    scheduled: tuple[str, ...] = ()
    schedule_s: int = 0
    restored: bool = False

    def watch_of(self, drive: str) -> Watch:
        """What is remembered of a drive."""
        return self.watches.get(drive, UNWATCHED)

    def lockout_of(self, drive: str) -> Lockout:
        """A drive's lockout, or one that never was."""
        return self.lockouts.get(drive) or Lockout(drive)


def marked(entry: Entry, alarms: SiteAlarms, *, in_test: bool) -> Entry:
    """An entry about a drive, with what lies over that drive and over the alarm that it is about.

    Each mark is there only where it is so: whoever reads the row alone must not take a proving for a trip.

    Args:
        entry: What has happened. alarms: After the step that brought it. in_test: the drive is in a function check.
    """
    drive, marks = entry.drive, dict[str, bool]()
    if in_test:
        marks["in_test"] = True
    if drive in alarms.lockouts and alarms.lockouts[drive].is_open:
        marks["locked_out"] = True
    if drive in alarms.standby or drive in alarms.scheduled:
        marks["standby"] = True
    subject = alarms.book.subjects.get(drive)
    alarm = subject.alarms.get(str(entry.data.get("alarm", ""))) if subject is not None else None
    if alarm is not None and not alarm.overlays.is_clear:
        marks |= {"out_of_service": True} if alarm.overlays.out_of_service is not None else {}
        marks |= {"shelved": True} if alarm.overlays.shelved is not None else {}
    return entry._replace(data={**entry.data, **marks}) if marks else entry


def after_restart(alarms: SiteAlarms, now_ns: int, utc_ms: int, *, same_boot: bool) -> SiteAlarms:
    """Bring stored alarms back: nothing is raised or called twice for it, and nothing is forgotten.

    Args:
        same_boot: The machine was not started anew, so monotonic times go on.
    """
    lockouts = {d: lockout.after_restart(held, same_boot=same_boot) for d, held in alarms.lockouts.items()}
    standby = {d: _restarted(o, now_ns, utc_ms, same_boot=same_boot) for d, o in alarms.standby.items()}
    return alarms._replace(
        watches={d: carried(w) for d, w in alarms.watches.items()},
        due_ns=0,
        book=books.after_restart(alarms.book, now_ns, utc_ms, same_boot=same_boot),
        silence=silences.after_restart(alarms.silence, now_ns),
        calls=escalation.after_restart(alarms.calls, now_ns, utc_ms, same_boot=same_boot),
        checks=callchecks.after_restart(alarms.checks, now_ns, utc_ms, same_boot=same_boot),
        seconds=alarms.seconds if same_boot else Seconds(),
        lockouts=lockouts,
        standby=standby,
        schedule_s=0,
        restored=True,
    )


def _restarted(overlay: Overlay, now_ns: int, utc_ms: int, *, same_boot: bool) -> Overlay:
    if same_boot:
        return overlay
    left_ms = min(max(overlay.until_utc_ms - utc_ms, 0), overlay.until_utc_ms - overlay.since_utc_ms)
    return overlay._replace(until_ns=now_ns + left_ms * 1_000_000)
