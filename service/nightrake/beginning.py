"""How a run of the watch begins on what the last one left: its states, the row that tells of it."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from nightrake import __version__
from nightrake.alarms.keys import AlarmKey
from nightrake.alarms.life import AlarmState, Life
from nightrake.alarms.records import Alarm, Subject
from nightrake.alarms.standing import SiteAlarms
from nightrake.clock import Clock, SystemClock, boot_id
from nightrake.control.place import Place
from nightrake.domain.rows import Entry, Row
from nightrake.domain.state import SiteState
from nightrake.journal.damage import WRONG
from nightrake.journal.store import Store
from nightrake.kept import plan_to_json, states_of
from nightrake.keptalarms import SUBJECT, alarm_states
from nightrake.loglibrary import structlog
from nightrake.logs import LineLog
from nightrake.messages.broker import BrokerSettings
from nightrake.settings import Secrets, Settings

log = structlog.get_logger("nightrake.beginning")

OPERATED, LATCHED, RESET = "shutdown_operated", "latched", "reset"
"""The last of these about a drive and direction says whether its shutdown holds; nothing else latches or is reset."""


class Given(NamedTuple):
    """What a watch is made of.

    Attributes:
        settings, secrets: What to do, and with which passwords. folder, overrides: Where a reload reads from.
        store: Open. clock: The machine's. place, taken: Of the control socket. log: Of the log lines.
        hung_up: Set when a SIGHUP came before anybody could serve it.
    """

    settings: Settings
    secrets: Secrets
    folder: Path
    overrides: Mapping[str, Any]
    store: Store
    clock: SystemClock
    place: Place
    taken: socket.socket
    log: LineLog
    hung_up: threading.Event


def with_latches(state: SiteState, store: Store, unfit: Sequence[str]) -> SiteState:
    """The site with latches from the journal in the place of those that are damaged in the store.

    Args:
        state, unfit: From `kept.restore`.
    """
    subjects = dict(state.alarms.book.subjects)
    for drive, wire in state.wires.items():
        if f"{SUBJECT}{drive}" in unfit:
            words = {str(d): store.last_row_of(drive, str(d), (OPERATED, LATCHED, RESET)) for d in wire.spec.directions}
            found = [latch_of(drive, side, row) for side, row in words.items() if row is not None]
            alarms = {str(a.key): a for a in found if a is not None}
            subjects[drive] = Subject(alarms, {text: a.state.occurrence for text, a in alarms.items()})
    book = state.alarms.book._replace(subjects=subjects, due_ns=1)
    return state._replace(alarms=state.alarms._replace(book=book))


def latch_of(drive: str, side: str, row: Row) -> Alarm | None:
    """The alarm of a shutdown that latches, by the last row on it; None = it was reset.

    Where that row is damaged too, it is latched: a person has to look.
    """
    key, since_ms = AlarmKey(drive, side, "shutdown_contact"), row.utc_ms if type(row.utc_ms) is int else 0
    try:
        occurrence, is_reset = int(json.loads(row.payload).get("occurrence", 1)), row.event == RESET
    except (*WRONG, AttributeError):
        occurrence, is_reset = 1, False
    if is_reset:
        return None
    life = AlarmState(Life.LATCHED_UNACKNOWLEDGED, occurrence, raised_utc_ms=since_ms, changed_utc_ms=since_ms)
    return Alarm(key, life)


def is_same_boot(store: Store) -> bool:
    """Whether the monotonic times in the stored states are of this start of the machine; a new file cannot tell."""
    opened = store.opened
    return not (opened.rebooted or opened.new or opened.copied)


def start_entry(settings: Settings, store: Store, last_utc_ms: int, utc_ms: int, unfit: list[str]) -> Entry:
    """The row that a start leaves: what was missed, which numbers were burnt, what happened to the store."""
    opened = store.opened
    data = {
        "version": __version__,
        "settings": settings.digest,
        "clean_stop_before": opened.was_clean,
        "missed_from_utc_ms": last_utc_ms,
        "missed_s": round(max(0, utc_ms - last_utc_ms) / 1000, 1) if last_utc_ms else 0.0,
        "numbers_skipped": [store.last_seq + 1, store.first_free_seq - 1]
        if store.first_free_seq > store.last_seq + 1
        else [],
        "store_new": opened.new,
        "store_damaged": opened.damaged,
        "states_salvaged": opened.salvaged,
        "store_unwritable": opened.unwritable,
        "rebooted": opened.rebooted,
        "store_copied": opened.copied,
        "state_left_out": unfit,
    }
    return Entry("service", "started", "", "", data)


def updated_from(store: Store) -> str:
    """Version of the program that ran before, "" where it was the same or is not known. Before `Store.start` only."""
    row = store.last_row_of("", "", ("started",))
    try:
        version = str(json.loads(row.payload)["version"]) if row is not None else ""
    except WRONG:
        return ""
    return "" if version == __version__ else version


def on_change_told(store: Store) -> Mapping[str, Any]:
    """What the journal says of recording on change (`domain.onchange`), {} = it is off. Before `Store.start` only."""
    row = store.last_row_of("", "", ("recording_on_change_began", "recording_on_change_ended"))
    try:
        data = json.loads(row.payload) if row is not None and row.event == "recording_on_change_began" else {}
    except WRONG:
        return {}
    return data if isinstance(data, dict) else {}


async def hand_over(store: Store, state: SiteState) -> None:
    """Give a store that was begun anew all that only the running watch knows: read plans, states, alarms."""
    for endpoint in state.endpoints.values():
        store.put_layout(endpoint.plan.layout, plan_to_json(endpoint.plan))
    store.append((), alarm_states(SiteAlarms(), state.alarms), ())
    for drive in list(state.drives):
        store.append((), states_of(state, state, {drive}), ())
        await asyncio.sleep(0)


def broker_of(settings: Settings, secrets: Secrets) -> BrokerSettings:
    """Where the broker is, as the settings say."""
    mqtt = settings.mqtt
    return BrokerSettings(
        host=mqtt.host,
        port=mqtt.port,
        protocol=mqtt.protocol,
        client_id=mqtt.client_id or f"nightrake-{settings.site.id}",
        username=mqtt.username,
        password=secrets.mqtt_password.reveal(),
        ca_file=mqtt.ca_file,
        cert_file=mqtt.cert_file,
        key_file=mqtt.key_file,
        keepalive_s=mqtt.keepalive_s,
    )


def open_store(settings: Settings, clock: Clock) -> Store:
    """The store of these settings.

    Raises:
        StoreError: It cannot be used; nothing was started.
    """
    store = Store.open(
        settings.store_dir,
        now_utc_ms=clock.utc_ms(),
        boot_id=boot_id(),
        quota_mb=settings.store.quota_mb,
        ballast_mb=settings.store.ballast_mb,
        keep_hours=settings.store.tail_hours,
    )
    if store.opened.unwritable:
        log.warning("store_unwritable", detail=store.opened.unwritable, in_memory=store.opened.unbegun)
    return store
