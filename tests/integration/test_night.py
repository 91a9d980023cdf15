"""A night on the simulated plant: creep to alarm, nobody answers, the next one does, shutdown, lockout, release.

People act over MQTT with keys of their own; two brokers, two protocols. The journal of the night is verified, with the
heads that went out over the broker, and told.
"""

from __future__ import annotations

import asyncio
import json
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from integration.site import until
from integration.talk import TALKS, Talk
from nightrake.alarms.replay import replayed
from nightrake.clock import SystemClock
from nightrake.control.client import ControlClient
from nightrake.domain.publickey import public_key_text
from nightrake.domain.rows import Entry
from nightrake.errors import ControlError
from nightrake.messages.asking import Wish, command_message, send_command
from nightrake.messages.broker import BrokerSettings
from nightrake.messages.operatorkey import OperatorKey
from nightrake.messages.topics import Topics
from peers.mosquitto import Mosquitto
from peers.process import program

CONFIG = Path(__file__).parents[2] / "config"
PEOPLE = {"night1": "operator", "night2": "operator", "super1": "supervisor", "fitter1": "maintenance"}
KEYS = {name: OperatorKey.from_seed(name.encode().ljust(32, b".")) for name in PEOPLE}
STEPS = "".join(
    f'[[escalation.{priority}.step]]\npeople = ["{who}"]\nwait_s = {wait_s}\n'
    for priority in ("urgent", "high", "low")
    for who, wait_s in (("night1", 10), ("night2", 60))
)
ALARMS = """
[alarm.alarm_contact]
on_delay_s = 0.3
respond_s = 6.0
[alarm.shutdown_contact]
off_delay_s = 1.0
[torque_limits]
high_pct = 0
rise_pct_per_min = 0
"""
ALARM, SHUTDOWN = "PC1/forward/alarm_contact", "PC1/forward/shutdown_contact"


class Heard:
    """A subscriber beside the watch: everything of the site, line by line."""

    def __init__(self, port: int, file: Path) -> None:
        self._file = file
        self._out = file.open("wb")
        command = [program("mosquitto_sub", "mosquitto-clients"), "-p", str(port), "-q", "1", "-F", "%t %p"]
        self._process = subprocess.Popen([*command, "-t", "nightrake/fennmark/#"], stdout=self._out)

    def raw(self, below: str) -> list[str]:
        """Payloads on topics that begin so, below the site's, in order."""
        lines = [line.partition(" ") for line in self._file.read_text(errors="replace").splitlines()]
        return [text for topic, _, text in lines if topic.startswith(f"nightrake/fennmark/{below}")]

    def messages(self, below: str) -> list[Any]:
        """The same as values, without empty ones."""
        return [json.loads(text) for text in self.raw(below) if text]

    def close(self) -> None:
        """Stop listening."""
        self._process.terminate()
        self._process.wait(5.0)
        self._out.close()


class EmbeddedBroker:
    """The demo's own broker, in a process of its own: MQTT 3.1.1."""

    CODE = (
        "import asyncio\nfrom nightrake.cli.demo import _broker\n"
        "async def run():\n    _, port = await _broker()\n    print(port, flush=True)\n    await asyncio.sleep(300)\n"
        "asyncio.run(run())"
    )

    def __init__(self) -> None:
        self._process = subprocess.Popen([sys.executable, "-c", self.CODE], stdout=subprocess.PIPE)
        assert self._process.stdout is not None
        self.port = int(self._process.stdout.readline())

    def close(self) -> None:
        """End it."""
        self._process.kill()
        self._process.wait(5.0)
        assert self._process.stdout is not None
        self._process.stdout.close()


class Night:
    """Fennmark at night: plant, watch, and four people with telephones."""

    def __init__(self, folder: Path, port: int, protocol: int) -> None:
        self.config, self.socket, self.store = folder / "config", folder / "control", folder / "store"
        self.broker = BrokerSettings("127.0.0.1", port, protocol, "telephone")
        shutil.copytree(CONFIG, self.config)
        people = "".join(
            f'[person.{name}]\nname = "{name}"\nrole = "{role}"\npublic_key = "{public_key_text(KEYS[name].public)}"\n'
            for name, role in PEOPLE.items()
        )
        (self.config / "people.toml").write_text(f'[rota]\nzone = "Europe/London"\n{people}{STEPS}')
        (self.config / "alarms.toml").write_text(ALARMS)
        (self.config / "channels.toml").unlink()
        self.plant = Talk("simulate", "--ports", "0", "--commands")
        ports = json.loads(self.plant.hear("ready"))["ports"]
        sets = [f"plc.{plc}.port={p}" for plc, p in ports.items()]
        sets += [f"mqtt.port={port}", f"mqtt.protocol={protocol}", "mqtt.canary_period_s=2", f"store.dir={self.store}"]
        sets += [f"control.socket={self.socket}", "forward.enabled=false"]
        self.settings = [part for text in sets for part in ("--set", text)]
        self.watch = Talk("watch", str(self.config), *self.settings)
        self.heard = Heard(port, folder / "heard.txt")
        until(self.is_up, "the watch to reach its broker", 20.0)

    def is_up(self) -> bool:
        """Whether the watch answers and has its broker."""
        try:
            return bool(self.ask("status")["mqtt"]["up"])
        except ControlError:
            return False

    def ask(self, verb: str, **args: Any) -> Any:
        """Over the control socket."""
        with ControlClient(self.socket) as client:
            return client.ask(verb, **args)

    def plant_does(self, line: str) -> None:
        """One command to the plant."""
        self.plant.say(line)
        self.plant.hear("ok")

    def send(self, person: str, verb: str, **args: Any) -> tuple[bool, str]:
        """A signed command, and its answer."""
        topics, wish = Topics("nightrake", "fennmark"), Wish(person, verb, drive="PC1", args=args)
        message = command_message(topics, KEYS[person], wish, SystemClock().utc_ms())
        reply = asyncio.run(send_command(self.broker, topics, message, 10.0))
        return reply["data"]["ok"], reply["data"]["text"]

    def acknowledge(self, person: str, alarm: str) -> None:
        """The occurrence that stands."""
        (stands,) = [a for a in self.ask("alarms") if a["alarm"] == alarm]
        ok, text = self.send(person, "acknowledge", alarm=alarm, occurrence=stands["occurrence"])
        assert ok, text

    def rows(self) -> list[Any]:
        """The journal so far."""
        return list(self.ask("journal", limit=500))

    def standing(self) -> tuple[list[Any], dict[str, str]]:
        """The journal, and the lives of the alarms after its last row."""
        found: list[tuple[list[Any], dict[str, str]]] = []

        def look() -> bool:
            newest = self.ask("status")["store"]["last_seq"]
            stands = {a["alarm"]: a["life"] for a in self.ask("alarms")}
            found[:] = [(self.rows(), stands)]
            return bool(found[0][0][-1]["seq"] == newest == self.ask("status")["store"]["last_seq"])

        until(look, "the journal and the alarms of one moment")
        return found[0]

    def stop_confirmed(self) -> bool:
        """Whether a row says so: the shutdown's own, or one that follows."""
        return any(r["event"] == "stop_confirmed" or r["data"].get("stop") == "confirmed" for r in self.rows())

    def called(self, alarm: str) -> list[list[str]]:
        """Whom an alarm has called, in order."""
        return [r["data"]["people"] for r in self.rows() if r["event"] == "called" and r["data"]["alarm"] == alarm]

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        """A command of the program beside the settings folder."""
        where = ("--config", str(self.config), "--set", f"store.dir={self.store}")
        return subprocess.run(
            [sys.executable, "-m", "nightrake.cli", *words, *where],
            capture_output=True,
            text=True,
            timeout=20,
            check=False,
        )


@pytest.fixture(params=["Mosquitto, MQTT 5", "the demo's broker, MQTT 3.1.1"])
def night(request: pytest.FixtureRequest, tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Night]:
    """The same night on two brokers."""
    embedded = EmbeddedBroker() if "demo" in request.param else None
    made = Night(tmp_path, embedded.port, 311) if embedded else Night(tmp_path, mosquitto.port, 5)
    yield made
    made.heard.close()
    for talk in list(TALKS):
        talk.end(signal.SIGKILL)
    if embedded:
        embedded.close()


@pytest.mark.timeout(110)
def test_night_from_creep_to_release(night: Night) -> None:
    """Every station of it, at the plant, in the journal and on the telephones."""
    night.plant_does("push PC1 0.40 1")
    until(lambda: night.called(ALARM) == [["night1"]], "the first person is called", 20.0)
    until(lambda: night.called(ALARM)[-1:] == [["night2"]], "nobody answered, so the second is called", 14.0)
    night.acknowledge("night2", ALARM)
    until(lambda: len(night.called(ALARM)) == 3, "the time to respond is over, so it calls again", 10.0)
    assert night.called(ALARM)[2] == ["night1"]

    night.plant_does("jam PC1")
    until(lambda: night.called(SHUTDOWN) == [["night1"]], "the shutdown calls", 20.0)
    until(night.stop_confirmed, "the stop is confirmed", 6.0)
    night.acknowledge("night1", SHUTDOWN)
    ok, text = night.send("night1", "release")
    assert not ok
    assert "supervisor" in text
    walk_to_release(night)

    look_at_journal(night)
    look_at_telephones(night)


def walk_to_release(night: Night) -> None:
    """Everything that people report before a supervisor lets the drive go."""
    ok, text = night.send("super1", "release")
    assert not ok
    assert "still operated" in text
    assert "nobody has reported the isolation" in text
    assert night.send("fitter1", "isolation_reported", lock_number="7")[0]
    night.plant_does("free PC1")
    night.plant_does("unwind PC1")
    for step, said in (
        ("zero_energy_reported", {}),
        ("cause", {"cause": "foreign object", "remark": "a plank"}),
        ("cleared", {}),
        ("contacts_proved", {}),
        ("area_clear", {}),
        ("lock_removed", {}),
    ):
        assert night.send("fitter1", step, **said)[0]
    until(lambda: night.send("super1", "release")[0], "the release", 20.0)
    assert not night.ask("lockout", drive="PC1")["open"]
    assert [a["alarm"] for a in night.ask("alarms") if a["alarm"] == SHUTDOWN] == []


def look_at_journal(night: Night) -> None:
    """It holds, with the heads that went out; it replays to the same states; it can be told."""
    heads = night.store.parent / "heads.txt"
    heads.write_text("".join(f"{text}\n" for text in night.heard.raw("events")))
    rows, stands = night.standing()
    entries = [Entry(r["kind"], r["event"], r["drive"], r["direction"], r["data"]) for r in rows]
    seen = {name: s.life.value for name, s in replayed(entries).items() if s.life.value != "normal"}
    assert seen == stands
    night.watch.end(signal.SIGTERM)

    verified = night.command("journal", "verify", "--heads", str(heads))
    assert verified.returncode == 0, verified.stdout + verified.stderr
    begin = time.strftime("%Y-%m-%dT%H:%MZ", time.gmtime(rows[0]["utc_ms"] / 1000 - 60))
    end = time.strftime("%Y-%m-%dT%H:%MZ", time.gmtime(time.time() + 60))
    told = night.command("journal", "account", "--from", begin, "--to", end)
    assert told.returncode == 0, told.stderr
    (night.store.parent / "account.txt").write_text(told.stdout)
    text = re.sub(r"\s+", " ", told.stdout)
    for words in ("nobody", "night2", "stop", "released", "super1", "a plank"):
        assert words.lower() in text.lower(), words


def look_at_telephones(night: Night) -> None:
    """Each person got what they were called for, in readable words, and the retained state of the alarm is gone."""
    mine = [m for m in night.heard.messages("person/night1") if m["event"] == "called"]
    urgent = next(m for m in mine if m["data"]["alarm"] == SHUTDOWN)
    assert urgent["data"]["subject"].startswith("URGENT: PC1 forward: shutdown contact operated")
    assert "Do not reset, restart, jog or reverse." in urgent["data"]["text"]
    assert night.heard.messages("person/night2")[0]["data"]["alarm"] == ALARM
    assert night.heard.raw(f"alarm/{SHUTDOWN}")[-1] == ""
