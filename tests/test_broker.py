"""The shipped broker configuration, as it stands, in a real Mosquitto: who gets in, and who may do what."""

from __future__ import annotations

import asyncio
import os
import stat
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from commanders import NOW_MS, SIGNERS, TOPICS, Memory, message
from nightrake.domain.rows import Answer
from nightrake.errors import MessageError
from nightrake.messages.asking import send_command
from nightrake.messages.broker import BrokerSettings, Received
from nightrake.messages.link import connect
from nightrake.messages.reception import Dealings, Reception, Remembered
from peers.certificates import Authority
from peers.process import Peer, port_free, program
from shell.messages.ledger import Watch, row, until

DEPLOY = Path(__file__).resolve().parent.parent / "deploy" / "broker"
USERS = ("nightrake", "night1", "super1", "gateway", "viewer", "store")
SITE = "nightrake/fennmark/"

OF_WATCH = (
    "service events drive/PC1 alarm/PC1/forward/alarm_contact alarm/site/-/store_full person/night1 person/super1 "
    "person/.canary reply/night1/x reply/super1/x/y"
).split()
OF_NIGHT1, OF_SUPER1 = ["command/night1"], ["command/super1"]
STATES = {t for t in OF_WATCH if t.startswith(("service", "drive", "alarm"))}
WRITES = {"nightrake": OF_WATCH, "night1": OF_NIGHT1, "super1": OF_SUPER1, "gateway": [], "viewer": [], "store": []}
READS = {
    "nightrake": {"events", "person/.canary", "command/night1", "command/super1"} | STATES - {"service"},
    "night1": {"events", "person/night1", "reply/night1/x"} | STATES,
    "super1": {"events", "person/super1", "reply/super1/x/y"} | STATES,
    "gateway": {"service", "person/night1", "person/super1", "person/.canary"},
    "viewer": STATES,
    "store": {"service", "events", "drive/PC1"},
}
EVERYTHING = [*OF_WATCH, *OF_NIGHT1, *OF_SUPER1, "command/gateway", "command/viewer", "command/store", "something/else"]
VERSIONS = pytest.mark.parametrize("protocol", [5, 311])


class Shipped(Peer):
    """Mosquitto with the shipped files; only ports and places of files differ."""

    def __init__(self, folder: Path, certificates: Path) -> None:
        super().__init__(folder, port_free())
        self.local = port_free()
        self.certificates = certificates
        passwords, rules = folder / "passwords", folder / "acl"
        passwords.touch(mode=0o600)
        for user in USERS:
            run("mosquitto_passwd", "-b", str(passwords), user, f"{user}-pw")
        rules.write_text((DEPLOY / "nightrake.acl").read_text(encoding="utf-8"))
        text = (DEPLOY / "nightrake.conf").read_text(encoding="utf-8")
        for shipped, here in (
            ("listener 1883 127.0.0.1", f"listener {self.local} 127.0.0.1"),
            ("listener 8883", f"listener {self.port} 127.0.0.1"),
            ("/etc/mosquitto/certs", str(certificates)),
            ("/etc/mosquitto/nightrake.passwd", str(passwords)),
            ("/etc/mosquitto/nightrake.acl", str(rules)),
            ("persistence true", f"persistence true\npersistence_location {folder}/\nuser root"),
        ):
            assert f"\n{shipped}" in text or f" {shipped}" in text
            text = text.replace(shipped, here)
        self._conf = folder / "mosquitto.conf"
        self._conf.write_text(text)

    def command(self) -> list[str]:
        return [program("mosquitto", "mosquitto"), "-c", str(self._conf)]


def run(*command: str, timeout_s: float = 15.0) -> subprocess.CompletedProcess[str]:
    """Run a program and keep what it says."""
    return subprocess.run(command, capture_output=True, text=True, timeout=timeout_s, check=False)


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the shipped script makes, for a broker on this machine."""
    folder = tmp_path_factory.mktemp("certs")
    done = run(str(DEPLOY / "make-certificates"), str(folder), "127.0.0.1", *USERS)
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture
def broker(tmp_path: Path, certificates: Path) -> Iterator[Shipped]:
    """The broker, running."""
    peer = Shipped(tmp_path / "broker", certificates)
    peer.start()
    yield peer
    peer.stop()


class As(NamedTuple):
    """Somebody at the broker, with Mosquitto's own clients."""

    broker: Shipped
    user: str
    protocol: int = 5

    def _command(self, name: str, *more: str) -> list[str]:
        version = {5: "5", 311: "311"}[self.protocol]
        who = ("-u", self.user, "-P", f"{self.user}-pw", "-V", version, "-q", "1")
        folder = self.broker.certificates
        tls = ("--cafile", str(folder / "plant-ca.crt"), "--cert", str(folder / f"{self.user}.crt"))
        key = ("--key", str(folder / f"{self.user}.key"))
        return [name, "-h", "127.0.0.1", "-p", str(self.broker.port), *who, *tls, *key, *more]

    def tells(self, topic: str, text: str) -> bool:
        """Publish a retained message; whether MQTT 5 says that the broker took it (3.1.1 cannot say)."""
        done = run(*self._command("mosquitto_pub", "-r", "-t", SITE + topic, "-m", text))
        assert done.returncode == 0, done.stderr
        return "Not authorized" not in done.stderr

    def sees(self) -> dict[str, str]:
        """Everything retained that they get to see: topic below the site -> text.

        It comes before what is published after it was asked for; so the watch says something until they hear it.
        """
        where, end = ("drive/end" if self.user == "nightrake" else "service"), "that is all"
        say = As(self.broker, "nightrake")._command("mosquitto_pub", "-t", SITE + where, "-m", end)
        heard = self.broker.folder / "heard.txt"
        with heard.open("wb") as out:
            listening = subprocess.Popen(self._command("mosquitto_sub", "-t", "#", "-v", "-W", "15"), stdout=out)
        while end not in heard.read_text():
            assert listening.poll() is None, "nothing came within 15 s"
            assert run(*say).returncode == 0
        listening.terminate()
        listening.wait(5.0)
        before = heard.read_text().partition(f"{SITE}{where} {end}")[0]
        lines = [line.partition(" ") for line in before.splitlines()]
        return {topic.removeprefix(SITE): text for topic, _, text in lines}


# --- who may do what --------------------------------------------------------------------------------------------------


@VERSIONS
def test_each_role_writes_and_reads_what_is_its_own_and_nothing_else(broker: Shipped, protocol: int) -> None:
    """All right ones work. Nobody but the watch tells; a person asks in no other name; viewers ask nothing.

    Every user tries every topic, with a text of its own; what lies there in the end is from whom it may be.
    """
    for user in USERS:
        who = As(broker, user, protocol)
        for topic in EVERYTHING:
            took = who.tells(topic, f"from-{user}")
            if protocol == 5:
                assert took == (topic in WRITES[user]), f"{user} on {topic}"
    owner = {topic: user for user, topics in WRITES.items() for topic in topics}

    for user in USERS:
        seen = As(broker, user, protocol).sees()
        assert set(seen) == READS[user], user
        assert seen == {topic: f"from-{owner[topic]}" for topic in seen}, user


def test_access_list_is_written_for_the_site_of_the_example() -> None:
    """Every role of the list has its block, and what it names are topics of ours."""
    text = (DEPLOY / "nightrake.acl").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]

    assert tuple(line.split()[1] for line in lines if line.startswith("user ")) == USERS
    assert all(line.startswith("user ") or f" {SITE}" in line for line in lines)
    assert "#" not in {line.split(SITE)[-1] for line in lines}, "nobody may do everything"


# --- who gets in ------------------------------------------------------------------------------------------------------


def coming(broker: Shipped, user: str = "night1", **other: str | int) -> BrokerSettings:
    """How our own program comes in over TLS."""
    folder = broker.certificates
    facts: dict[str, str | int] = {
        "host": "127.0.0.1",
        "port": broker.port,
        "protocol": 5,
        "client_id": f"{user}-test",
        "username": user,
        "password": f"{user}-pw",
        "ca_file": str(folder / "plant-ca.crt"),
        "cert_file": str(folder / f"{user}.crt"),
        "key_file": str(folder / f"{user}.key"),
    }
    return BrokerSettings(**(facts | other))  # type: ignore[arg-type]


async def why_not(settings: BrokerSettings) -> str:
    """The sentence with which a connection fails, "" when it does not."""
    try:
        link = await connect(settings, None, _nothing, 5)
        try:
            await link.subscribe(SITE + "service", 1)  # with TLS 1.3 a certificate is refused after the handshake only
        finally:
            await link.close(0.4)
    except MessageError as error:
        return str(error)
    return ""


def _nothing(_message: Received) -> bool:
    return False


@pytest.mark.asyncio
@VERSIONS
async def test_right_certificate_and_password_come_in(broker: Shipped, protocol: int) -> None:
    """Every role, over TLS; and over the local listener, which takes passwords only."""
    for user in USERS:
        assert await why_not(coming(broker, user, protocol=protocol)) == ""
    local: dict[str, str | int] = {"port": broker.local, "ca_file": "", "cert_file": "", "key_file": ""}
    assert await why_not(coming(broker, "nightrake", protocol=protocol, **local)) == ""
    assert "password" in await why_not(coming(broker, "nightrake", protocol=protocol, **local, password="wrong"))


@pytest.mark.asyncio
@VERSIONS
async def test_wrong_ones_stay_outside_with_a_sentence(broker: Shipped, tmp_path: Path, protocol: int) -> None:
    """Wrong password, unknown user, no password; no certificate, another authority's, an old one; plain on TLS."""
    cert, key = Authority(tmp_path / "other", "other").sign("night1")
    certificates = {"cert_file": "", "key_file": ""}
    refused = {
        "wrong password": ({"password": "nightrake-pw"}, "password"),
        "unknown user": ({"username": "nobody"}, "password"),
        "no password": ({"username": "", "password": ""}, "password"),
        "no certificate": (certificates, "certificate"),
        "certificate of another authority": ({"cert_file": str(cert), "key_file": str(key)}, "certificate"),
        "no TLS": ({"ca_file": "", **certificates}, "want TLS"),
    }
    for name, (other, words) in refused.items():
        told = await why_not(coming(broker, protocol=protocol, **other))
        assert told.startswith(f"broker 127.0.0.1:{broker.port}"), f"{name}: {told!r}"
        assert words in told, f"{name}: {told}"


@pytest.mark.asyncio
async def test_broker_that_is_another_is_not_told_a_password(broker: Shipped, tmp_path: Path) -> None:
    """A broker whose certificate is from another authority, or for another host, gets nothing from us."""
    other = Authority(tmp_path / "other", "other")

    assert "not in mqtt.ca_file" in await why_not(coming(broker, ca_file=str(other.file)))
    assert "for another host name" in await why_not(coming(broker, host="localhost"))


def test_script_makes_keys_for_their_owner_only_and_keeps_what_is_there(certificates: Path) -> None:
    """Mode 0600; a second call adds a client and changes nothing else; a bad name is one sentence."""
    before = {p.name: p.read_bytes() for p in certificates.glob("*.crt")}
    script = str(DEPLOY / "make-certificates")

    again = run(script, str(certificates), "127.0.0.1", "night1", "another")
    bad = run(script, str(certificates), "127.0.0.1", "../x")
    none = run(script)

    assert again.returncode == 0, again.stderr
    assert {n: (certificates / n).read_bytes() for n in before} == before
    assert (certificates / "another.crt").exists()
    assert {stat.S_IMODE(p.stat().st_mode) for p in certificates.glob("*.key")} == {0o600}
    assert (bad.returncode, "no name of a client" in bad.stderr) == (1, True)
    assert (none.returncode, none.stderr.count("\n")) == (1, 1)
    assert os.access(script, os.X_OK)


# --- the whole way ----------------------------------------------------------------------------------------------------


@pytest.mark.asyncio
@VERSIONS
async def test_watch_and_person_do_their_work_behind_these_rules(broker: Shipped, protocol: int) -> None:
    """Events with their canaries, a command and its answer, all over TLS and under the access list."""

    async def ask(verb: str, drive: str, *rest: object) -> tuple[Answer, bool]:
        await asyncio.sleep(0)
        return Answer(True, f"{verb} {drive}"), True

    notes: list[object] = []
    dealings = Dealings(ask, notes.append, lambda: NOW_MS, lambda: True, Remembered(Memory().keep))
    reception = Reception(TOPICS, SIGNERS, dealings)
    watch = Watch(coming(broker, "nightrake", protocol=protocol), commands=reception, people=True)
    async with watch:
        await watch.link(True)
        watch.happen(row(1))
        await until(lambda: watch.ledger.cursor == 1)
        own = coming(broker, "night1", protocol=protocol)
        answer = await send_command(own, TOPICS, message(verb="reset", drive="PC1"), 10.0)
        with pytest.raises(MessageError, match="no answer"):  # signed rightly, but sent as another user
            await send_command(own, TOPICS, message("super1", "reset", drive="PC1"), 1.0)

    assert answer["data"]["text"] == "reset PC1"
    assert notes == []
