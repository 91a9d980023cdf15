"""The drive that is being proved, as the running watch reads it: timed positions, contacts, raw edges with places."""

from __future__ import annotations

import datetime
from collections import deque
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from nightrake.cli.prove_text import ROWS, RUNS_ON, is_told
from nightrake.commissioning.proving import ContactEdge
from nightrake.commissioning.stillness import Sample, place_of_edge
from nightrake.control.client import ControlClient
from nightrake.errors import ControlError

SAMPLES = 3000
"""Positions held: some minutes at the fastest scan."""
SETTLE_NS = 1_500_000_000
"""An edge waits this long for the position after it, then it is placed by what is there."""
RAN_NS = 2_000_000_000
"""An edge this soon after the motor was seen running is that of a stop."""
SOON_S = 3.0
"""How long the watch may take to end the test where this program has to end."""


class LiveDrive:
    """Polls one drive through the control socket.

    Args:
        client: Connected. drive, direction: Which. seq: Journal row after which edges count.
        socket: Where the watch listens, for a last word to it.
    """

    def __init__(self, client: ControlClient, drive: str, direction: str, seq: int, socket: Path) -> None:
        self._client = client
        self._socket = socket
        self._drive = drive
        self._direction = direction
        self._seq = seq
        self._waiting: list[Mapping[str, Any]] = []
        self._ran_ns = -RAN_NS
        self.samples: deque[Sample] = deque(maxlen=SAMPLES)
        self.view: Mapping[str, Any] = {}
        self._told: list[Mapping[str, Any]] = []

    @property
    def now_ns(self) -> int:
        """Monotonic time of the watch at the last poll."""
        return int(self.view.get("mono_ns", 0))

    def poll(self, state: str) -> list[ContactEdge]:
        """Read the drive once.

        Args:
            state: What an edge says now: as found or as left.

        Returns:
            Edges of the proved direction that can be placed by now.

        Raises:
            ControlError: The watch is away.
        """
        self.view = self._client.ask("live", drive=self._drive, after=self._seq)
        if self.view["running"]:
            self._ran_ns = self.now_ns
        read_ns, position = int(self.view["position_mono_ns"]), self.view["position_mm"]
        if position["value"] is not None and read_ns and (not self.samples or read_ns > self.samples[-1].mono_ns):
            self.samples.append(Sample(read_ns, float(position["value"])))
        for row in self.view["rows"]:
            self._seq = max(self._seq, int(row["seq"]))
            if row["event"] == "contact_edge" and row["direction"] == self._direction:
                self._waiting.append(row)
            self._told += [row] if is_told(row) else []
        ready = [row for row in self._waiting if self._is_ready(row)]
        self._waiting = [row for row in self._waiting if row not in ready]
        return [self._edge(row, state) for row in ready]

    def connect_again(self, state: str) -> list[ContactEdge]:
        """Try to reach the watch anew; edges journalled meanwhile, without places. Empty while there is none."""
        try:
            self._client = self._client.again()
            return self.missed(self._seq, state)[0]
        except ControlError:
            return []

    def news(self) -> list[str]:
        """What the watch has found since the last call that a person beside the drive must hear, with its time.

        A motor that had run on and stands still now is no longer to be stopped.
        """
        told, self._told = self._told, []
        stands = self.view["running"] is False
        return [
            f"{ROWS[row['event']]} ({_clock(int(row['utc_ms']))})"
            for row in told
            if not (stands and row["event"] == RUNS_ON)
        ]

    def skip_to_head(self) -> int:
        """Let nothing that has happened so far count, nor be told; the journal's head."""
        self._seq = max(self._seq, int(self.view["seq"]))
        self._waiting.clear()
        self._told.clear()
        return self._seq

    def missed(self, after: int, state: str) -> tuple[list[ContactEdge], int]:
        """Edges that the journal holds after a row, from a time when nobody proved: their places were not seen.

        Returns:
            The edges, and the journal's head.
        """
        edges: list[ContactEdge] = []
        head = after
        for _ in range(10_000):
            rows = self._client.ask("journal", after=head, limit=500)
            if not rows:
                break
            head = int(rows[-1]["seq"])
            self._told += [r for r in rows if is_told(r) and r["drive"] == self._drive]
            edges += [
                self._unplaced(r, state)
                for r in rows
                if r["event"] == "contact_edge" and r["drive"] == self._drive and r["direction"] == self._direction
            ]
        self._seq = max(self._seq, head)
        return edges, head

    def _is_ready(self, row: Mapping[str, Any]) -> bool:
        edge_ns = int(row["mono_ns"])
        seen_after = bool(self.samples) and self.samples[-1].mono_ns >= edge_ns
        return seen_after or self.now_ns - edge_ns > SETTLE_NS + 2 * self._gap_ns()

    def _gap_ns(self) -> int:
        return self.samples[-1].mono_ns - self.samples[-2].mono_ns if len(self.samples) > 1 else 0

    def _edge(self, row: Mapping[str, Any], state: str) -> ContactEdge:
        period_ms = next((c["period_ms"] for c in self.view["contacts"] if c["contact"] == row["data"]["contact"]), 0.0)
        rest_mm = row["data"].get("position_mm") or 0.0
        place = place_of_edge(list(self.samples), int(row["mono_ns"]), int(period_ms * 1e6), rest_mm)
        stage, channel = row["data"]["contact"].split("/")[2:]
        return ContactEdge(
            stage, channel, bool(row["data"]["operated"]), round(place.position_mm, 4), round(place.half_width_mm, 4),
            place.known, state, int(row["utc_ms"]), int(row["seq"]), int(row["mono_ns"]) - self._ran_ns < RAN_NS,
        )  # fmt: skip

    @staticmethod
    def _unplaced(row: Mapping[str, Any], state: str) -> ContactEdge:
        stage, channel = row["data"]["contact"].split("/")[2:]
        position_mm = row["data"].get("position_mm") or 0.0
        operated = bool(row["data"]["operated"])
        return ContactEdge(
            stage, channel, operated, position_mm, 0.0, False, state, int(row["utc_ms"]), int(row["seq"])
        )

    def begin_test(self, seconds: float) -> str:
        """Put the drive in test, or prolong it.

        Raises:
            ControlError: The watch refused.
        """
        answer = self._client.ask("command", what="test", drive=self._drive, arg=str(seconds))
        if not answer["ok"]:
            raise ControlError(str(answer["text"]))
        return str(answer["text"])

    def end_test(self) -> str:
        """Take the drive out of test; what the watch answers."""
        return str(self._client.ask("command", what="test_end", drive=self._drive)["text"])

    def end_test_soon(self) -> None:
        """Take the drive out of test, on a connection of its own, waiting `SOON_S` at most.

        Raises:
            ControlError: The watch did not do it in that time.
        """
        with ControlClient(self._socket, timeout_s=SOON_S) as client:
            client.ask("command", what="test_end", drive=self._drive)


def _clock(utc_ms: int) -> str:
    return f"{datetime.datetime.fromtimestamp(utc_ms / 1000.0, datetime.UTC):%H:%M:%S} UTC"
