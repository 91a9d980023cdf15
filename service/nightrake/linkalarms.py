"""Alarms of our own links that nobody else will end: the trouble was over before this run began, or the link is gone.

A part tells its link's health when that changes. A disk that has room again after a restart never changes, and a
forwarding that was switched off tells nothing any more; the alarm of the last run would stand, and call, for ever.
"""

from __future__ import annotations

from collections.abc import Callable

from nightrake.alarms.book import alarm_of
from nightrake.alarms.life import Life
from nightrake.alarms.silence import link_condition
from nightrake.calling import Now
from nightrake.domain.inputs import LinkHealth


class LinkAlarms:
    """See the module.

    Args:
        now: Gives the present state, and when that is. submit: Takes an input through the walk.
    """

    def __init__(self, now: Callable[[], Now], submit: Callable[[LinkHealth], object]) -> None:
        self._now = now
        self._submit = submit

    def committed(self) -> None:
        """The disk takes what we write; where no trouble was told in this run, there is none."""
        if "disk" not in self._now().state.links:
            self._end("disk", "")

    def look(self, *, forwards: bool) -> None:
        """Settings were taken: at the start of a run, and at each reload.

        Args:
            forwards: Whether samples are forwarded.
        """
        if not forwards:
            self._end("store", "forwarding is switched off")
        if "history" not in self._now().state.links:
            self._end("history", "")  # no trouble in this run yet; one that goes on is said anew

    def _end(self, link: str, why: str) -> None:
        now = self._now()
        condition = link_condition(link, True, why)
        if condition is None or alarm_of(now.state.alarms.book, condition.key).state.life is Life.NORMAL:
            return
        self._submit(LinkHealth(now.mono_ns, now.utc_ms, link, True, why))
