"""Signed commands to the whole watch: a key made, taken in by a reload, used, used again after a kill, taken away."""

from __future__ import annotations

import asyncio
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from integration.site import Site, Watch, healthy, until
from nightrake.clock import SystemClock
from nightrake.messages.asking import Wish, command_message, send_command
from nightrake.messages.operatorkey import load_key
from nightrake.messages.reception import UNANSWERED
from nightrake.messages.topics import Topics
from peers.mosquitto import Mosquitto
from plc.fixtures import LibmodbusServer
from shell.messages.ledger import settings

pytestmark = pytest.mark.timeout(60)  # several processes are started, one after the other

PHRASE = "four words that fit"
TOPICS = Topics("nightrake", "works")
PEOPLE = """
[person.a]
name = "Ann Example"
role = "engineer"
[person.b]
name = "Bob Example"
role = "operator"
"""


@pytest.fixture
def watch(
    make_libmodbus: Callable[[], LibmodbusServer],
    make_recorder: Callable[..., int],
    mosquitto: Mosquitto,
    tmp_path: Path,
) -> Iterator[Watch]:
    """A running watch over one drive, with people without keys."""
    server = make_libmodbus()
    healthy(server, 0)
    site = Site(tmp_path, [make_recorder(server.port)], mosquitto.port)
    (site.folder / "people.toml").write_text(PEOPLE)
    running = Watch(site)
    running.start()
    until(lambda: running.status()["mqtt"]["up"], "the broker")
    yield running
    if running.running:
        running.end(signal.SIGKILL)


def cli(watch: Watch, *words: str) -> subprocess.CompletedProcess[str]:
    """Run a command of the program beside the settings folder."""
    return subprocess.run(
        [sys.executable, "-m", "nightrake.cli", *words, "--config", str(watch.site.folder)],
        cwd=watch.site.folder.parent,
        capture_output=True,
        text=True,
        timeout=15,
        check=False,
    )


def add(watch: Watch, person: str) -> None:
    """Make a person's key, and put the line that is shown where it says."""
    phrase = watch.site.folder.parent / "phrase"
    phrase.write_text(f"{PHRASE}\n")
    done = cli(watch, "operator", "add", person, "--passphrase-file", str(phrase))
    assert done.returncode == 0, done.stderr
    found = re.search(r'^public_key = ".*"$', done.stdout, re.MULTILINE)
    assert found
    file = watch.site.folder / "people.toml"
    file.write_text(file.read_text().replace(f"[person.{person}]", f"[person.{person}]\n{found.group()}"))


def send(watch: Watch, person: str, *words: str) -> subprocess.CompletedProcess[str]:
    """Send one command as a person."""
    return cli(watch, "send", *words, "--as", person, "--passphrase-file", "phrase")


def rows(watch: Watch, event: str) -> list[dict[str, Any]]:
    """Journal rows of one name."""
    watch.wait_for_disk()
    return [r for r in watch.ask("journal", after=0, limit=500) if r["event"] == event]


def test_key_is_made_taken_in_used_and_taken_away(watch: Watch) -> None:
    """From `operator add` over a reload to `send`, each step as the program itself says; then by another role."""
    add(watch, "a")
    early = send(watch, "a", "test", "drive=D0", "for_s=60")
    assert watch.ask("reload")["ok"]
    done = send(watch, "a", "test", "drive=D0", "for_s=60")
    add(watch, "b")
    assert watch.ask("reload")["ok"]
    rank = send(watch, "b", "test-end", "drive=D0")
    file = watch.site.folder / "people.toml"
    file.write_text(PEOPLE)
    assert watch.ask("reload")["ok"]
    gone = send(watch, "a", "test-end", "drive=D0")

    assert (early.returncode, "no public_key" in early.stdout.replace("\n", " ")) == (1, True), early.stderr
    assert (done.returncode, done.stdout) == (0, "D0: in test for 1 minute\n"), done.stderr
    assert (rank.returncode, "may not" in rank.stdout.replace("\n", " ")) == (1, True)
    assert gone.returncode == 1
    assert watch.drive("D0")["in_test_s"] > 0
    began = rows(watch, "test_began")
    assert [(r["data"]["actor"], r["data"]["role"], r["data"]["known_by"]) for r in began] == [
        ("a", "engineer", "signature")
    ]
    refused = [(r["data"]["actor"], r["data"]["known_by"], r["data"].get("why")) for r in rows(watch, "refused")]
    nobody = ("somebody on the topic of a", "topic", "no_key")
    assert refused == [nobody, ("b", "signature", None), nobody]


@pytest.mark.asyncio
@pytest.mark.blocks("starts and kills the watch from the test's own loop")
async def test_kill_does_not_let_a_command_be_done_twice(watch: Watch) -> None:
    """kill -9 after the answer; the same bytes again are known to the successor, and change nothing."""
    await asyncio.to_thread(add, watch, "a")
    watch.ask("reload")
    key = load_key(watch.site.folder.parent / "a.pem", PHRASE)
    fields = command_message(TOPICS, key, Wish("a", "test", "D0", args={"for_s": 600}), SystemClock().utc_ms())
    port = int(re.search(r"port = (\d+)\ncanary", (watch.site.folder / "site.toml").read_text())[1])  # type: ignore[index]
    own = settings(port, client_id="phone")
    first = await send_command(own, TOPICS, fields, 10.0)
    watch.end(signal.SIGKILL)
    await asyncio.to_thread(watch.start)
    again = await send_command(own, TOPICS, fields, 10.0)

    assert first["data"]["ok"]
    assert again["data"]["again"]
    # The kill may come between the answer and the commit that keeps it; then it says that it does not know.
    assert again["data"]["text"] in (first["data"]["text"], UNANSWERED.text)
    assert len(rows(watch, "test_began")) == 1
