"""What keeps on changing: the first few rows are told singly, the rest are counted in one row. Pure.

A bouncing contact would otherwise write twenty rows a second, and fill the store within days; a storm over a large
site, some hundred times as many. What holds is never hidden: a shutdown that latches is always told, the states
themselves go on, and the row that counts carries the last of what it counts, so that nobody is left with what came
before. A count is told once its events have been quiet for some seconds, or before the next of them that is told
singly: the last word in the journal is what holds.

The bounds, with K things that change (a thing: a stage of a drive, a link, a drive's quality and the like):

- one thing alone: `TOLD_SINGLY` rows a minute until something of it had to be counted; from then on counts only, ever
  more seldom (after 1, 2, 4 ... 60 minutes that go on, after 5, 10, 20 ... 300 s of quiet), until a minute was quiet;
- the whole site: `SITE_SINGLY` rows a minute singly, and beyond those `FIRST` of each thing that was quiet before, for
  an hour of storm must not hide that another drive has begun to change. So an hour brings at most
  60 * 2 * SITE_SINGLY + K * (FIRST + some 20 counts) rows, and a storm that goes on without a pause about
  SITE_SINGLY + 9 K: that of 200 drives some thousand.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple

from nightrake.domain.rows import Entry

TOLD_SINGLY = 20
"""Rows of one kind told singly in a minute (the hot tail still holds every reading)."""
SITE_SINGLY = 300
"""Rows told singly in a minute at the whole site: fifteen things that change as fast as they may. More than that nobody
reads, and at 500 bytes a row a day of it is 200 MB."""
FIRST = 2
"""Of what was quiet before, so many are told whatever the site is at: that it began, and how it went on."""
MINUTE_NS = 60_000_000_000
QUIET_NS = 5_000_000_000
"""After this long without another one, what was counted is told before its minute is over."""
LONGEST_QUIET_NS = 300_000_000_000
"""What has been counted again and again waits for so much quiet at most."""
LONGEST_NS = 3_600_000_000_000
"""What goes on and on is told at least so often."""
FORGET_NS = 600_000_000_000
"""What has been quiet for so long begins as new."""
SWEEP_NS = 1_000_000_000
"""Counts are looked at so often: thousands of them stand there in a storm."""

FAMILIES = {
    "contact_edge": "contact_edges",
    "alarm_operated": "alarm_changes",
    "alarm_released": "alarm_changes",
    "shutdown_operated": "shutdown_changes",
    "shutdown_released": "shutdown_changes",
    "stop_confirmed": "stop_verdicts",
    "stop_not_confirmed": "stop_verdicts",
    "still_running": "stop_verdicts",
    "channels_disagree": "channel_changes",
    "channels_agree": "channel_changes",
    "counter_restarted": "counter_restarts",
    "quality_changed": "quality_changes",
    "image_restarting": "image_changes",
    "image_suspect": "image_changes",
    "image_sound": "image_changes",
    "shutdown_suspect": "suspicions",
    "link_up": "link_changes",
    "link_down": "link_changes",
    "refused": "refusals",
    "sign_in_refused": "sign_in_refusals",
    "signed_in": "sign_ins",
    "signed_out": "sign_ins",
    "signed_out_everywhere": "sign_ins",
    "delivered": "deliveries",
    "delivery_failed": "deliveries",
    "clock_stepped": "clock_steps",
    "clock_trust_changed": "clock_trust_changes",
}
"""Event -> what it is counted under. Whatever does not stand here is told singly, however often it comes."""
_OF_SITE = {"refused"}
"""Whoever has commands refused chooses the drive that they name."""
_SITE = "site"
"""Key, under no drive, of what was told singly at the whole site in the present minute."""


class Tally(NamedTuple):
    """Rows of one kind, about one thing.

    Attributes:
        from_ns: When the present minute began, or the stretch since the last count that its length ended.
        singly: Rows told in that minute. counted: Rows kept back of which nothing was told yet.
        last: The last of them. last_ns: When the last row came, told or kept back.
        summed: Rows kept back that were told as a count. counts: How many counts have told them.
        since_ns: When the first of those rows came that `singly`, `summed` and `counted` are about.
        fresh: Rows that are still told whatever the site is at.
    """

    from_ns: int
    singly: int = 0
    counted: int = 0
    last: Entry | None = None
    last_ns: int = 0
    summed: int = 0
    counts: int = 0
    since_ns: int = 0
    fresh: int = FIRST

    def at(self, now_ns: int) -> Tally:
        """Before one more row: a minute that was quiet, or in which nothing was kept back, is over."""
        if self.counted:
            return self
        if now_ns - self.last_ns >= FORGET_NS:
            return Tally(now_ns, since_ns=now_ns)
        over = now_ns - self.last_ns >= MINUTE_NS if self.summed else self.is_minute_over(now_ns)
        return self.anew(now_ns) if over else self

    def is_minute_over(self, now_ns: int) -> bool:
        """Whether a minute has passed since it began, or since the last count."""
        return now_ns - self.from_ns >= MINUTE_NS

    def anew(self, now_ns: int) -> Tally:
        """A new minute begins."""
        return self._replace(from_ns=now_ns, singly=0, summed=0, since_ns=now_ns)

    def and_one(self, entry: Entry, now_ns: int) -> Tally:
        """With one more kept back."""
        return self._replace(counted=self.counted + 1, last=entry, last_ns=now_ns)

    def over_restart(self, now_ns: int) -> Tally:
        """As a new run finds it: due at once. How long ago the last of it came is not known any more."""
        span_ns = self.last_ns - self.since_ns
        return self._replace(from_ns=now_ns - LONGEST_NS, last_ns=-1, since_ns=-1 - span_ns)

    def told(self, now_ns: int) -> Tally:
        """Nothing is kept back any more."""
        summed = self.summed + self.counted
        return self._replace(counted=0, last=None, summed=summed, counts=self.counts + 1, from_ns=now_ns)

    def and_told(self, now_ns: int) -> Tally:
        """With one more told singly."""
        return self._replace(singly=self.singly + 1, last_ns=now_ns, fresh=max(0, self.fresh - 1))

    def is_due(self, now_ns: int) -> bool:
        """Whether what was kept back is to be told now; ever more seldom."""
        if not self.counted:
            return False
        more = 1 << min(self.counts, 16)
        if now_ns - self.last_ns >= min(QUIET_NS * more, LONGEST_QUIET_NS):
            return True
        return now_ns - self.from_ns >= min(MINUTE_NS * more, LONGEST_NS)

    def is_over(self, now_ns: int) -> bool:
        """Whether nothing of it need be remembered."""
        return not self.counted and now_ns - self.last_ns >= FORGET_NS

    def entry(self, family: str, now_ns: int) -> Entry:
        """The row that counts."""
        assert self.last is not None
        data = {
            "events": self.singly + self.summed + self.counted,
            "told": self.singly,
            "within_s": round((self.last_ns - self.since_ns) / 1e9, 1),
            "last": self.last.event,
            "last_data": dict(self.last.data),
        }
        if self.last_ns >= 0:
            data["last_ago_s"] = round((now_ns - self.last_ns) / 1e9, 1)
        last = self.last
        return Entry(last.kind, f"{family}_counted", last.drive, last.direction, data, urgent=last.urgent)


Tallies = Mapping[str, Mapping[str, Tally]]
"""Drive ("" = none) -> key of `key_of` -> what was told and kept back."""


class Bounded(NamedTuple):
    """What is left to tell.

    Attributes:
        tallies: Counts after. entries: To be told. hidden: Drive of each entry that was only counted ("" = none).
    """

    tallies: Tallies
    entries: tuple[Entry, ...]
    hidden: tuple[str, ...] = ()


def bound(tallies: Tallies, entries: Sequence[Entry], now_ns: int) -> Bounded:
    """Let entries through within their bounds, and tell the counts that are due.

    Args:
        tallies: Counts before. entries: What a step brought, the latches' entries included.
        now_ns: Monotonic time of the step.
    """
    work = _Bounding(tallies, now_ns)
    work.sweep()
    called = _called(entries)
    for entry in entries:
        work.take(entry, called)
    return work.done()


class _Bounding:
    """Tallies while one step works on them; those handed in stay as they were."""

    def __init__(self, tallies: Tallies, now_ns: int) -> None:
        self._before = tallies
        self._after: dict[str, Mapping[str, Tally]] | None = None
        self._ours: dict[str, dict[str, Tally]] = {}  # groups of `_after` that were made in this step
        self._now_ns = now_ns
        self._site = tallies.get("", {}).get(_SITE) or Tally(now_ns)
        self._told: list[Entry] = []
        self._hidden: list[str] = []

    def done(self) -> Bounded:
        tallies = self._before if self._after is None else self._after
        return Bounded(tallies, tuple(self._told), tuple(self._hidden))

    def sweep(self) -> None:
        """Tell what is due, forget what is over; once a second, which the site's own tally remembers."""
        now_ns = self._now_ns
        if not self._before or now_ns - self._site.last_ns < SWEEP_NS:
            return
        others = False
        for drive, group in self._before.items():
            others |= self._sweep(drive, group)
        if now_ns - self._site.from_ns >= MINUTE_NS:
            self._site = Tally(now_ns)
        self._put("", _SITE, self._site._replace(last_ns=now_ns) if others else None)

    def _sweep(self, drive: str, group: Mapping[str, Tally]) -> bool:
        """One drive's; whether anything of it is left."""
        left = False
        for key, tally in group.items():
            if key == _SITE:
                continue
            if tally.is_due(self._now_ns):
                self._count(drive, key, tally)
            elif tally.is_over(self._now_ns):
                self._put(drive, key, None)
                continue
            left = True
        return left

    def take(self, entry: Entry, called: Collection[str]) -> None:
        """One entry: told, or only counted."""
        key = key_of(entry)
        if not key:
            self._told.append(entry)
            return
        drive = "" if entry.event in _OF_SITE else entry.drive
        now_ns, spared = self._now_ns, entry.data.get("in_test") is True
        known = (self._before if self._after is None else self._after).get(drive, {}).get(key)
        tally = (known or Tally(now_ns, since_ns=now_ns, last_ns=now_ns)).at(now_ns)
        if spared and tally.is_minute_over(now_ns):
            tally = (self._count(drive, key, tally) if tally.counted else tally).anew(now_ns)
        if not (_latches(entry, called) or self._may_tell(tally, spared)):
            self._hidden.append(entry.drive)
            self._put(drive, key, tally.and_one(entry, now_ns))
            return
        if tally.counted:  # first what came before
            tally = self._count(drive, key, tally)
        self._told.append(entry)
        self._put(drive, key, tally.and_told(now_ns))
        self._put("", _SITE, self._site._replace(singly=self._site.singly + 1, last_ns=self._site.last_ns or now_ns))

    def _may_tell(self, tally: Tally, spared: bool) -> bool:
        """Whoever proves a contact wants to see its edges, whatever the site is at (spared)."""
        if tally.counted or tally.singly >= TOLD_SINGLY or (tally.summed and not spared):
            return False
        return spared or tally.fresh > 0 or self._site.singly < SITE_SINGLY

    def _count(self, drive: str, key: str, tally: Tally) -> Tally:
        self._told.append(tally.entry(_family(key), self._now_ns))
        after = tally.told(self._now_ns)
        self._put(drive, key, after)
        return after

    def _put(self, drive: str, key: str, tally: Tally | None) -> None:
        if self._after is None:
            self._after = dict(self._before)
        if key == _SITE:
            self._site = tally or Tally(self._now_ns)
        group = self._ours.get(drive)
        if group is None:
            group = self._after[drive] = self._ours[drive] = dict(self._after.get(drive, {}))
        if tally is not None:
            group[key] = tally
        else:
            group.pop(key, None)
        if not group:
            del self._after[drive], self._ours[drive]


def key_of(entry: Entry) -> str:
    """What an entry is counted under: kind, family, drive, direction, and link, actor or person; "" = always told."""
    family = FAMILIES.get(entry.event)
    if family is None:
        return ""
    data = entry.data
    about = data.get("link") or data.get("actor") or data.get("contact") or ""
    if family == "image_changes":
        about = f"{data['plc']} {data['unit']}"
    if family == "deliveries":  # who was reached, and how, must not be lost behind others
        about = f"{data.get('person', '')} {data.get('channel', '')}"
    drive = "" if entry.event in _OF_SITE else entry.drive
    return f"{entry.kind}|{family}|{drive}|{entry.direction if drive else ''}|{about}"


def _family(key: str) -> str:
    return key.split("|")[1]


_CALLING = {"raised", "raised_again", "worsened"}
_ALARMS = {"shutdown_operated": ("shutdown_contact",), "still_running": ("shutdown_contact", "motor_runs_on")}


def _latches(entry: Entry, called: Collection[str]) -> bool:
    """Whether the entry's shutdown latches, or its motor is found to run on, in this very step.

    Args:
        called: Alarms that the step has raised.
    """
    return any(f"{entry.drive}/{entry.direction}/{kind}" in called for kind in _ALARMS.get(entry.event, ()))


def _called(entries: Sequence[Entry]) -> set[str]:
    return {str(e.data["alarm"]) for e in entries if e.kind == "alarm" and e.event in _CALLING}
