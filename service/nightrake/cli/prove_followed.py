"""The drive that is being proved, followed: polled while anybody waits; what happens to it is kept and said."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Any

from nightrake.cli.lines import END, STOP, Lines
from nightrake.cli.prove_file import SessionFile
from nightrake.cli.prove_head import say
from nightrake.cli.prove_live import LiveDrive
from nightrake.cli.prove_text import NOT_IN_TEST, RUNS, edge_text, status_text
from nightrake.commissioning.proving import ContactEdge, Session, edge_seen
from nightrake.errors import ControlError, NightrakeError

POLL_S = 0.1
RETRY_S = 30.0
"""How long the dialogue waits for a watch that is being restarted."""


class Followed:
    """One drive beside its dialogue.

    Attributes:
        lines: Where words go. live: The drive.
        may_be_blind: A person has said that the motor stands still, where that cannot be read.

    Args:
        file: The session's file, begun.
    """

    def __init__(self, lines: Lines, live: LiveDrive, file: SessionFile) -> None:
        self.lines = lines
        self.live = live
        self._file = file
        self._in_test = True
        self._runs = False
        self.may_be_blind = False

    @property
    def session(self) -> Session:
        """What has been done so far."""
        return self._file.session

    def say(self, text: str) -> None:
        """Print a text in lines that fit."""
        say(self.lines, text)

    def keep(self, event: Mapping[str, Any]) -> None:
        """Put an event on disk."""
        self._file.append(event)

    def status(self) -> str:
        """What stands beside the prompt."""
        about = self.session.about
        return status_text(self.live.view, about.direction if about else "")

    def poll(self) -> None:
        """Read the drive once; wait for a watch that is away.

        Raises:
            ControlError: It stays away, or somebody leaves meanwhile.
        """
        deadline = time.monotonic() + RETRY_S
        while True:
            try:
                edges = self.live.poll(self.session.state)
                break
            except ControlError as error:
                if time.monotonic() > deadline:
                    raise ControlError(f"{error}; nothing is lost, run the same command to go on") from error
                if self.lines.read(0.5, "the watch is away, waiting for it") in (END, STOP):
                    raise ControlError("left while the watch was away; run the same command to go on") from error
                self._keep_edges(self.live.connect_again(self.session.state))
        self._keep_edges(edges)
        self._warn()

    def _keep_edges(self, edges: list[ContactEdge]) -> None:
        for edge in edges:
            self.keep(edge_seen(edge))
            self.say(edge_text(edge))

    def _warn(self) -> None:
        """Say once what has changed for whoever stands beside the drive."""
        view = self.live.view
        runs, in_test = view["running"] is True, float(view["in_test_s"]) > 0.0
        if runs and not self._runs:
            self.say(f"! {RUNS}")
        if self._in_test and not in_test:
            self.say(f"! {NOT_IN_TEST}")
        for text in self.live.news():
            self.say(f"! {text}")
        self._runs, self._in_test = runs, in_test
        self.may_be_blind = self.may_be_blind and view["running"] is None

    def end_test_at_once(self) -> None:
        """What is left to do where the dialogue cannot go on; never raises."""
        try:
            self.live.end_test_soon()
        except NightrakeError as error:
            self.say(f"! the drive may still be in test ({error}); its time limit ends it")

    def end_test(self) -> None:
        """Take the drive out of test, and say so; a watch that is away is no error here."""
        if self.lines.is_told_to_end:
            self.end_test_at_once()
            return
        try:
            self.live.poll(self.session.state)
            if float(self.live.view["in_test_s"]) > 0.0:
                self.say(self.live.end_test())
        except ControlError as error:
            self.say(f"! the drive may still be in test ({error}); its time limit ends it")
