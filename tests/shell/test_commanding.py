"""A signed command through broker, walk and store: what the journal then says, and what survives a restart."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from commanders import KEY_LINES, TOPICS, message
from nightrake.alarms.rights import MAY
from nightrake.app import Watch as App
from nightrake.asked import Asked
from nightrake.clock import Segment, SystemClock
from nightrake.commanding import Commanding
from nightrake.domain.rows import Row
from nightrake.domain.state import new_site
from nightrake.engine import Engine
from nightrake.journal.store import Store
from nightrake.kept import restore
from nightrake.messages.asking import send_command
from nightrake.settings import load
from peers.mosquitto import Mosquitto
from shell.messages.ledger import Watch, settings, until

CONFIG = Path(__file__).resolve().parents[2] / "config"
SETTINGS = load(CONFIG, KEY_LINES)

Ask = Callable[[dict[str, Any]], Any]


@asynccontextmanager
async def site(broker: Mosquitto, folder: Path) -> AsyncIterator[tuple[Ask, list[Row], Engine]]:
    """Engine, store and teller as the watch puts them together, without PLCs."""
    clock = SystemClock()
    store = Store.open(folder, now_utc_ms=clock.utc_ms())
    kept, rows = store.states(), list[Row]()
    blank = new_site(SETTINGS.site, SETTINGS.response)
    state, _ = restore(blank, kept, clock.mono_ns(), clock.utc_ms(), same_boot=True)
    engine = Engine(
        state,
        store,
        clock,
        epoch=store.epoch,
        next_seq=store.first_free_seq,
        last_hash=store.last_hash,
        next_input_seq=store.first_free_input_seq,
        segment=Segment("boot", clock.mono_ns(), clock.utc_ms(), True),
        trusted=clock.trusted,
        tellable=lambda: store.reserved_seq,
        tell=lambda row, durable: rows.append(row),
        changed=lambda drives: None,
    )
    asked = Asked(cast(App, SimpleNamespace(engine=engine, store=store, settings=SETTINGS)), clock)
    commanding = Commanding(clock, asked.command, engine.note, store, kept)
    store.start(engine.durable, lambda up, detail: None)

    async def ask(fields: dict[str, Any]) -> Any:
        own = settings(broker.port, client_id=f"phone-{fields['person']}")
        return (await send_command(own, TOPICS, fields, 10.0))["data"]

    try:
        async with Watch(settings(broker.port), commands=commanding.reception(SETTINGS)) as watch:
            await watch.link(True)
            yield ask, rows, engine
    finally:
        await store.close()


def now_ms() -> int:
    """By the machine's clock."""
    return SystemClock().utc_ms()


def data(row: Row) -> dict[str, Any]:
    """What a row says."""
    found: dict[str, Any] = json.loads(row.payload)
    return found


@pytest.mark.asyncio
async def test_journal_says_who_signed_what_and_what_was_refused(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Done, refused for the role, refused for the signature: each with person, role and how they are known."""
    test = message("drives", "test", now_ms=now_ms(), drive="PC1", args={"for_s": 60})
    rank = message("night1", "test", now_ms=now_ms(), drive="PC1", args={"for_s": 60})
    forged = {**message("night1", "reset", now_ms=now_ms(), drive="PC1"), "drive": "PC2"}
    async with site(mosquitto, tmp_path) as (ask, rows, engine):
        answers = [await ask(fields) for fields in (test, rank, forged)]
        await until(lambda: len(rows) >= 3)
        in_test = engine.state.drives["PC1"].protection.test_until_ns

    assert [a["ok"] for a in answers] == [True, False, False]
    assert "test is for" in answers[1]["text"]
    assert "the role 'operator' may not" in answers[1]["text"]
    assert [a["reason"] for a in answers] == ["", "", "forged"]
    assert in_test
    began = next(r for r in rows if r.event == "test_began")
    by_key = ("drives", "engineer", "signature")
    assert tuple(data(began)[k] for k in ("actor", "role", "known_by")) == by_key
    refused = [data(r) for r in rows if r.event == "refused"]
    assert [(d["actor"], d["known_by"]) for d in refused] == [
        ("night1", "signature"),
        ("somebody on the topic of night1", "topic"),
    ]


@pytest.mark.asyncio
async def test_restart_answers_the_same_command_from_the_store_and_does_nothing(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """The id, the digest and the first answer come back with the judgement states."""
    fields = message("super1", "lockout_open", now_ms=now_ms(), drive="GT1", args={"remark": "noise"})
    async with site(mosquitto, tmp_path) as (ask, _, engine):
        first = await ask(fields)
        number = engine.state.alarms.lockout_of("GT1").number
    async with site(mosquitto, tmp_path) as (ask, rows, engine):
        again = await ask(fields)
        assert engine.state.alarms.lockout_of("GT1").number == number

    assert first["ok"]
    assert again == {**first, "again": True}
    assert [r.event for r in rows] == []


@pytest.mark.asyncio
async def test_two_at_once_are_each_answered(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Two people open the same lockout: one does, the other hears that it is open."""
    both = [message(p, "lockout_open", now_ms=now_ms(), drive="GT1") for p in ("night1", "super1")]
    async with site(mosquitto, tmp_path) as (ask, _, _engine):
        answers = await asyncio.gather(*map(ask, both))

    assert sorted(a["ok"] for a in answers) == [False, True]


@pytest.mark.asyncio
async def test_every_verb_of_the_rights_gets_through_to_the_walk(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Each is proved and answered by the walk itself, whatever it then says to it."""
    async with site(mosquitto, tmp_path) as (ask, _, _engine):
        for verb in MAY:
            answer = await ask(message("super1", verb, now_ms=now_ms(), drive="SC1"))
            assert answer["reason"] == "", verb
            assert "unknown" not in answer["text"], verb


@pytest.mark.asyncio
async def test_flood_of_forged_commands_leaves_a_bounded_journal(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Some are told singly, the rest counted; the last one is answered as the first was."""
    async with site(mosquitto, tmp_path) as (ask, rows, _engine):
        for _ in range(30):
            answer = await ask({**message("night1", "reset", now_ms=now_ms(), drive="PC1"), "drive": "PC2"})
            assert answer["reason"] == "forged"
        await until(lambda: len(rows) >= 20)

    assert len(rows) == 20
    assert all(r.event == "refused" for r in rows)
