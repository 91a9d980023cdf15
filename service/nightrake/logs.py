"""Structured logs on standard error, which never make the watch wait and never end it.

A row's line is made behind the engine's next tick, a few at a time, when what happened is told already. A line is put
into a bounded queue, and a thread of its own writes it. A reader that sleeps, a pipe that is closed, a full disk cost
log lines, which are counted and told as soon as a line gets through again; what happened stands in the journal, which
comes first.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import queue
import select
import threading
from datetime import UTC, datetime
from typing import Any

from nightrake.domain.rows import Entry
from nightrake.loglibrary import structlog

LINES = 2000
"""Lines that may wait; more are dropped and counted."""
RETRY_S = 1.0
"""After a line that could not be written."""
CLOSE_S = 1.0
"""At the end: for what still waits."""
LAST_WORDS_BYTES = 4096
"""A pipe that takes anything takes this much without a wait. Source: pipe(7), PIPE_BUF on Linux."""

LEVELS = {
    **dict.fromkeys("shutdown_operated still_running rows_lost archive_given_up".split(), logging.ERROR),
    **dict.fromkeys(
        # drives and PLCs
        "alarm_operated shutdown_suspect stop_not_confirmed channels_disagree image_suspect link_down "
        "alarm_changes_counted shutdown_changes_counted stop_verdicts_counted channel_changes_counted "
        "counter_restarts_counted contact_edges_counted quality_changes_counted image_changes_counted "
        "suspicions_counted link_changes_counted "
        # alarms, calls, lockouts
        "flood_began chattering_began nobody_on_duty chain_ended check_unanswered delivery_failed "
        "deliveries_counted opened shutdown_again lock_exception "
        # the service and its store
        "gap clock_stepped clock_steps_counted clock_trust_changes_counted damage_found row_damaged refused "
        "refusals_counted unheard recompute_failed trip_given_up lost_again sign_in_refused "
        "sign_in_refusals_counted".split(),
        logging.WARNING,
    ),
    **dict.fromkeys(
        # drives and PLCs
        "alarm_released shutdown_released stop_confirmed channels_agree counter_restarted contact_edge "
        "image_restarting image_sound link_up test_began test_ended standby_began standby_ended "
        # alarms; those that call are judged by their priority
        "acknowledged cleared latched reset repeating_with_rotation chattering_ended call_released flood_ended "
        "shelved unshelved shelving_ended out_of_service returned_to_service out_of_service_ended suppressed "
        "suppression_ended withdrawn reinstated raised raised_again worsened "
        # calls, lockouts
        "called reminded calls_stopped calls_answered calls_ended check_called check_answered delivered "
        "told_together "
        "isolation_reported zero_energy_reported cause cleared contacts_proved area_clear lock_removed "
        "shift_transfer test_run test_run_end release_asked released cancelled first_of_two "
        # the service
        "started stopped settings_changed secrets_replaced clock_trust_changed quality_changed "
        "recomputed report_written recording_on_change_began recording_on_change_ended "
        "signed_in signed_out signed_out_everywhere sign_ins_counted".split(),
        logging.INFO,
    ),
}
"""Every event that the journal knows: errors and warnings are what somebody who looks for trouble must find."""
_FACTS = (
    *("link", "detail", "plc", "stop", "torque_nm", "torque_is", "position_mm", "position_age_ms", "running", "file"),
    *("in_test", "momentary", "without_alarm", "reason", "reasons", "quality", "actor", "events", "told", "last"),
    *("alarm", "occurrence", "priority", "people", "person", "channel", "lockout", "verb"),
    *("what", "where", "which", "points", "first_seq", "last_seq", "seconds", "why", "by_s", "trusted", "within_s"),
    *("address", "added", "removed", "store_damaged", "store_unwritable", "state_left_out", "missed_s"),
)
_TOLD_IF_FALSE = ("running", "trusted")
_ILL_START = ("store_damaged", "store_unwritable", "state_left_out")


def level_of(entry: Entry) -> int:
    """How grave an event is, as a level of `logging`: stages that operate, and trust that is lost, stand out."""
    if entry.event == "quality_changed":
        return logging.INFO if entry.data.get("quality") == "good" else logging.WARNING
    if entry.kind == "alarm" and entry.event in ("raised", "raised_again", "worsened"):
        return {"urgent": logging.ERROR, "notice": logging.INFO}.get(entry.data["priority"], logging.WARNING)
    if entry.event == "clock_trust_changed":
        return logging.INFO if entry.data.get("trusted") else logging.WARNING
    if entry.event == "started" and any(entry.data.get(k) for k in _ILL_START):
        return logging.WARNING
    level = LEVELS.get(entry.event, logging.INFO)
    return min(level, logging.WARNING) if entry.data.get("in_test") else level


def facts_of(entry: Entry) -> dict[str, Any]:
    """The few facts of an event that belong in a log line: where, which contact in which state, why."""
    facts: dict[str, Any] = {"drive": entry.drive, "direction": str(entry.direction), **_contact(entry)}
    facts |= {k: entry.data[k] for k in _FACTS if entry.data.get(k) is not None}
    return {k: v for k, v in facts.items() if v not in ("", [], ()) and not (v is False and k not in _TOLD_IF_FALSE)}


def _contact(entry: Entry) -> dict[str, str]:
    """Stage, channel and state, of an entry about one contact or one stage."""
    facts = {}
    contact = str(entry.data.get("contact", "")).split("/")
    if len(contact) == 4:
        facts = {"stage": contact[2], "channel": contact[3]}
    elif "stage" in entry.data:
        facts = {"stage": str(entry.data["stage"])}
    if "operated" in entry.data:
        facts["state"] = "operated" if entry.data["operated"] else "released"
    return facts


class LineLog:
    """Writes lines to a file descriptor in a thread of its own.

    Args:
        fd: Where to. lines: See `LINES`.
    """

    def __init__(self, fd: int, lines: int = LINES) -> None:
        self._fd = fd
        self._queue: queue.Queue[bytes | None] = queue.Queue(lines)
        self._closing = threading.Event()
        self._guard = threading.Lock()
        self._untold = 0
        self.dropped = 0
        """Lines given up since start."""
        self._thread = threading.Thread(target=self._run, name="log-writer", daemon=True)
        self._thread.start()

    @property
    def waiting(self) -> int:
        """Lines not written yet."""
        return self._queue.qsize()

    def put(self, line: str) -> None:
        """Hand over a line; never waits, never fails."""
        try:
            self._queue.put_nowait(line.encode(errors="backslashreplace") + b"\n")
        except queue.Full:
            self._drop(1, 1)

    def close(self, within_s: float = CLOSE_S) -> None:
        """Write what waits, as far as that goes in the time; the thread of a reader that sleeps is left behind."""
        self._closing.set()
        with contextlib.suppress(queue.Full):
            self._queue.put_nowait(None)
        self._thread.join(within_s)

    def _drop(self, lines: int, untold: int) -> None:
        with self._guard:
            self.dropped += lines
            self._untold += untold

    # --- the thread ---------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        while (line := self._queue.get()) is not None:
            with self._guard:
                untold, self._untold = self._untold, 0
            if untold:
                line = b'{"event": "log_lines_dropped", "level": "warning", "lines": %d}\n' % untold + line
            if not self._write(line):
                self._drop(1, untold + 1)
                self._closing.wait(RETRY_S)
            if self._closing.is_set() and self._queue.empty():
                return

    def _write(self, line: bytes) -> bool:
        while line:
            try:
                line = line[os.write(self._fd, line) :]
            except BlockingIOError:  # somebody has made our standard error non-blocking
                select.select((), (self._fd,), (), RETRY_S)
            except OSError:
                return False
        return True


class _Lines:
    """structlog's logger: whatever the level, a rendered line goes to the log."""

    def __init__(self, log: LineLog) -> None:
        self.msg = self.debug = self.info = self.warning = self.error = self.critical = log.put


class _Handler(logging.Handler):
    """What libraries and asyncio itself have to say goes the same way."""

    def __init__(self, log: LineLog) -> None:
        super().__init__(logging.WARNING)
        self._log = log

    def emit(self, record: logging.LogRecord) -> None:
        at = datetime.fromtimestamp(record.created, UTC).isoformat().replace("+00:00", "Z")
        said = {"library": record.name, "text": self.format(record), "event": "library_says", "timestamp": at}
        self._log.put(json.dumps({**said, "level": record.levelname.lower()}, ensure_ascii=False))


def set_up_logs() -> LineLog:
    """Structured logs on standard error from now on, one JSON line for each change of state."""
    hold_standard_descriptors()
    log = LineLog(2)
    logging.getLogger().addHandler(_Handler(log))
    structlog.configure(
        processors=[
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.add_log_level,
            _without_nothing,
            structlog.processors.JSONRenderer(ensure_ascii=False),
        ],
        logger_factory=lambda *_: _Lines(log),
        cache_logger_on_first_use=True,
    )
    return log


def _without_nothing(logger: Any, name: str, event: Any) -> Any:  # noqa: ARG001  # structlog's signature
    return {k: v for k, v in event.items() if v is not None}


def hold_standard_descriptors() -> None:
    """Started without a standard error, the next file opened would get its number, and our words would go into it."""
    while True:
        fd = os.open(os.devnull, os.O_RDWR | os.O_CLOEXEC)
        if fd > 2:
            os.close(fd)
            return


def last_words(words: bytes) -> None:
    """Say something at once, unless nobody takes it: for an end that must not wait for anything."""
    with contextlib.suppress(OSError, ValueError):
        if select.select((), (2,), (), 0.0)[1]:
            os.write(2, words[:LAST_WORDS_BYTES])
