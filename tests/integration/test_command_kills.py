"""kill -9 between the commit of a command and its answer: it stands once, and sent again it is not done again."""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from integration.site import Site, Watch, healthy, until
from nightrake.clock import SystemClock
from nightrake.control.client import ControlClient
from nightrake.domain.publickey import public_key_text
from nightrake.errors import ControlError, MessageError
from nightrake.messages.asking import Wish, command_message, send_command
from nightrake.messages.operatorkey import OperatorKey
from nightrake.messages.reception import UNANSWERED
from nightrake.messages.topics import Topics
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer
from shell.messages.ledger import settings

MOMENT = "before-command-answer"
KEY = OperatorKey.from_seed(b"super1".ljust(32, b"."))
TOPICS = Topics("nightrake", "works")
SHUTDOWN, ALARM = "D0/forward/shutdown_contact", "D1/forward/alarm_contact"


class Asked(NamedTuple):
    """One command.

    Attributes:
        verb, drive, args: What is asked. event: The row that it leaves. says: What it is answered, asked again over the
            control socket, where no signature tells that it is the same. reports: Rows there are then: what a person
            reports is written down as often as they do.
    """

    verb: str
    drive: str
    args: dict[str, Any]
    event: str
    says: str
    reports: int = 1


COMMANDS = (
    Asked("acknowledge", "", {"alarm": SHUTDOWN, "occurrence": 1}, "acknowledged", "has acknowledged it already"),
    Asked("isolation_reported", "D0", {"lock_number": "21"}, "isolation_reported", "lock 21 was on record already", 2),
    Asked(
        "shelve", "", {"alarm": ALARM, "for_s": 600, "reason": "fitter at work"}, "shelved", "has shelved it already"
    ),
)


class Plant(NamedTuple):
    """A watch that is not started yet, and its broker's port."""

    watch: Watch
    port: int


@pytest.fixture
def plant(
    make_libmodbus: Callable[[], LibmodbusServer],
    make_recorder: Callable[..., int],
    mosquitto: Mosquitto,
    tmp_path: Path,
) -> Iterator[Plant]:
    """D0's shutdown and D1's alarm contact have operated; one supervisor, known by a key and as this user."""
    server = make_libmodbus()
    healthy(server, 0)
    healthy(server, 1)
    site = Site(tmp_path, [make_recorder(server.port)], mosquitto.port, per_plc=2)
    (site.folder / "people.toml").write_text(
        f'[person.super1]\nname = "Super One"\nrole = "supervisor"\nlocal_user = "{getpass.getuser()}"\n'
        f'public_key = "{public_key_text(KEY.public)}"\n[lockout]\nafter_shutdown = true\n'
    )
    with (site.folder / "alarms.toml").open("a") as file:
        file.write("[alarm.alarm_contact]\non_delay_s = 0.1\n")
    server.set("d", 1, 0)
    server.set("d", 10, 0)
    watch = Watch(site)
    yield Plant(watch, mosquitto.port)
    if watch.running:
        watch.end(signal.SIGKILL)


def both_stand(watch: Watch) -> bool:
    """Whether both alarms are there, and the broker."""
    stand = {a["alarm"] for a in watch.ask("alarms")}
    return {SHUTDOWN, ALARM} <= stand and bool(watch.status()["mqtt"]["up"])


def rows(watch: Watch, event: str) -> list[dict[str, Any]]:
    """Journal rows of one name."""
    return [r for r in watch.ask("journal", after=0, limit=500) if r["event"] == event]


def stands(watch: Watch) -> dict[str, Any]:
    """What the three commands have brought about, as it stands now."""
    alarms = {a["alarm"]: a for a in watch.ask("alarms")}
    lockout = watch.ask("lockout", drive="D0")
    return {
        "acknowledge": alarms[SHUTDOWN]["life"] == "acknowledged",
        "isolation_reported": [lock for lock in lockout["locks"] if lock["number"] == "21"],
        "shelve": alarms[ALARM]["state"] == "shelved",
    }


async def signed(plant: Plant, fields: dict[str, Any]) -> Any:
    """Send a signed command; None where the watch dies over it."""
    own = settings(plant.port, client_id="phone")
    sending = asyncio.create_task(send_command(own, TOPICS, fields, 15.0))
    while not sending.done() and plant.watch.running:  # noqa: ASYNC110
        await asyncio.sleep(0.02)
    if plant.watch.running:
        return await sending
    sending.cancel()
    with contextlib.suppress(asyncio.CancelledError, MessageError):
        await sending
    return None


def killed(plant: Plant) -> None:
    """The watch has died where it was to; another takes its place."""
    assert plant.watch.forget() == -signal.SIGKILL
    plant.watch.start()
    until(lambda: both_stand(plant.watch), "the watch to be back")


@pytest.mark.asyncio
@pytest.mark.timeout(60)
@pytest.mark.blocks("starts the watch from the test's own loop")
@pytest.mark.parametrize("asked", COMMANDS, ids=lambda asked: asked.verb)
async def test_signed_command_is_done_once(plant: Plant, asked: Asked) -> None:
    """The same bytes again are known; what came of them is not, and that is what it says, whatever stands."""
    plant.watch.start(f"{MOMENT}:1")
    until(lambda: both_stand(plant.watch), "both alarms")
    wish = Wish("super1", asked.verb, asked.drive, args=asked.args)
    fields = command_message(TOPICS, KEY, wish, SystemClock().utc_ms())
    assert await signed(plant, fields) is None
    await asyncio.to_thread(killed, plant)
    before = rows(plant.watch, asked.event)
    again = await signed(plant, fields)

    assert [r["data"]["actor"] for r in before] == ["super1"]
    assert stands(plant.watch)[asked.verb]
    assert (again["data"]["again"], again["data"]["ok"], again["data"]["text"]) == (True, False, UNANSWERED.text)
    assert rows(plant.watch, asked.event) == before


@pytest.mark.timeout(60)
@pytest.mark.parametrize("asked", COMMANDS, ids=lambda asked: asked.verb)
def test_command_over_the_control_socket_stands_once(plant: Plant, asked: Asked) -> None:
    """Nobody can tell it from another like it: it is answered by how things stand, and nothing is there twice."""
    plant.watch.start(f"{MOMENT}:1")
    until(lambda: both_stand(plant.watch), "both alarms")
    request = {"what": asked.verb, "drive": asked.drive, "args": asked.args}
    with pytest.raises(ControlError), ControlClient(plant.watch.site.socket) as client:
        client.ask("command", **request)
    killed(plant)
    before = stands(plant.watch)[asked.verb]
    answer = plant.watch.ask("command", **request)

    told = [r["data"]["actor"] for r in rows(plant.watch, asked.event)]

    assert told == ["super1"] * asked.reports
    assert before
    assert stands(plant.watch)[asked.verb] == before
    assert asked.says in answer["text"]
