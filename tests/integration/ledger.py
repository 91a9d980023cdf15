"""The outside ledger: a subscriber of its own (mosquitto_sub) that writes down every event it hears."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from integration.site import until
from nightrake.domain.rows import Row
from peers.process import program


class Ledger:
    """Hears the event stream of a broker until closed.

    Args:
        port, address: Of the broker. file: What is heard. prefix: Goes before the subscriber's command.
    """

    def __init__(self, port: int, file: Path, *, address: str = "127.0.0.1", prefix: Sequence[str] = ()) -> None:
        self._file = file
        self._out = file.open("wb")
        command = [*prefix, program("mosquitto_sub", "mosquitto-clients"), "-h", address, "-p", str(port)]
        command += ["-t", "nightrake/works/#", "-q", "1", "-F", "%t %p"]
        self._process = subprocess.Popen(command, stdout=self._out, stderr=subprocess.DEVNULL)

    def _lines(self) -> list[tuple[str, str]]:
        """Topic and payload of all that was heard; the line that is just being written is left for later."""
        lines = self._file.read_text(errors="replace").split("\n")[:-1]
        return [(where, text) for where, _, text in (line.partition(" ") for line in lines)]

    def heard(self, topic: str) -> list[dict[str, Any]]:
        """Messages on a topic below the site's, in the order heard."""
        found = []
        for where, text in self._lines():
            if where == f"nightrake/works/{topic}" and text:
                found.append(json.loads(text))
        return found

    def events(self, name: str = "") -> list[dict[str, Any]]:
        """Events, canaries left out; all, or those of one name."""
        events = [e for e in self.heard("events") if e["kind"] != "canary"]
        return [e for e in events if not name or e["event"] == name]

    def await_rows(self, rows: Iterable[Row]) -> None:
        """Wait until each of these rows was heard; a failure names those that were not."""
        wanted = {row.id: f"{row.seq} {row.event} {row.drive}".rstrip() for row in rows}

        def missing() -> list[str]:
            heard = {e["id"] for e in self.events()}
            return [words for id, words in wanted.items() if id not in heard]

        until(lambda: not missing(), lambda: f"the subscriber to hear of every row; missing: {', '.join(missing())}")

    def alarm(self, event: str, kind: str = "shutdown_contact") -> list[dict[str, Any]]:
        """What alarms of one kind went through: ``raised``, ``reset`` and so on."""
        return [e for e in self.events(event) if e["kind"] == "alarm" and e["data"]["alarm"].endswith(kind)]

    def states(self, below: str) -> dict[str, dict[str, Any]]:
        """What stands on the topics that begin so, by the rest of the topic; those that were cleared are left out."""
        found = dict(self._lines())
        begin = f"nightrake/works/{below}"
        ours = {w: t for w, t in found.items() if w.startswith(begin) and t and not w.endswith("/.canary")}
        return {w.removeprefix(begin): json.loads(t)["data"] for w, t in ours.items()}

    def close(self) -> None:
        """Stop listening."""
        self._process.terminate()
        self._process.wait(5.0)
        self._out.close()


def told_by_the_end(rows: Sequence[Row]) -> list[Row]:
    """The rows that a watch tells before it ends: those up to its last `stopped`.

    What is written down while it says good-bye (what came of a telephone call that was under way, a link's news) is
    told by the next one.
    """
    last = max(row.seq for row in rows if row.event == "stopped")
    return [row for row in rows if row.seq <= last]
