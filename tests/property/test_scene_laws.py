"""Whatever happens at a site: who applies what the page is told, in order, has what the whole picture is."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from nightrake.domain.alarmnow import alarms_now
from nightrake.domain.alarmscene import RENEW_NS
from nightrake.domain.scenefeed import Feed, Now
from nightrake.domain.sceneview import scene_view, with_values
from nightrake.domain.site import SiteSpec, Stage
from works import MS, SECOND, Works, bit, contact, lone_rake, rake, site_of

DRIVES = [f"D{n}" for n in range(11)]
"""More than one slice."""
TIMED = ("utc_ms", "read_utc_ms", "in_test_s", "test_run_s")
"""What only time changes; `utc_ms` says when."""


def site() -> SiteSpec:
    """Drives on two PLCs; every third one's contacts have to hold for a second."""
    made = []
    for n, d in enumerate(DRIVES):
        here: dict[str, Any] = {"plc": f"P{n % 2}", "unit": 1 + n // 2}
        held = [contact(d, stage, bit(at, **here), hold_ms=1_000) for at, stage in enumerate(Stage)]
        made.append(rake(d, *(held if n % 3 == 2 else ()), heartbeat=True, rack=True, **here))
    return site_of(*(replace(d, alarm_nm=28_000.0) for d in made))


class Listener:
    """Applies what it is told, as the page does."""

    def __init__(self, works: Works) -> None:
        self.works = works
        self.feed = Feed()
        self.drives: dict[str, dict[str, Any]] = {}
        self.alarms: list[dict[str, Any]] | None = None
        self.said = 0

    def now(self) -> Now:
        """The present."""
        return Now(self.works.state, self.works.now_ns, self.works.utc_ms)

    def hear(self, *steps: Callable[[], object]) -> None:
        """Everything that is news; between two slices the site goes on, by these steps."""
        meanwhile = iter(steps)
        for source in (self.feed.drives(self.now), self.feed.alarms(self.now())):
            for text in source:
                self.apply(text)
                next(meanwhile, lambda: None)()

    def apply(self, text: str) -> None:
        """One message."""
        if not text:
            return
        self.said += 1
        message = json.loads(text)
        self.drives |= message.get("drives", {})
        for drive, values in message.get("values", {}).items():
            self.drives[drive] = with_values(self.drives[drive], values)
        self.alarms = message.get("alarms", self.alarms)

    def assert_whole(self) -> None:
        """What it has is what there is, to the last reason and contact, apart from how long things are left."""
        now = self.now()
        for drive in now.state.drives:
            whole = json.loads(json.dumps(view_of(now, drive)))
            assert untimed(self.drives[drive]) == untimed(whole)
        whole_list = json.loads(json.dumps(alarms_now(*now)))
        assert self.alarms is not None
        assert [untold(a) for a in self.alarms] == [untold(a) for a in whole_list]


def view_of(now: Now, drive: str) -> dict[str, Any]:
    """The whole of a drive."""
    return scene_view(now.state, drive, now.mono_ns, now.utc_ms)


def untimed(view: dict[str, Any]) -> dict[str, Any]:
    """Without what only time changes."""
    return {k: v for k, v in view.items() if k not in TIMED}


def untold(alarm: dict[str, Any]) -> dict[str, Any]:
    """Without what is told again only every ten seconds: the torque beside it, and moments counted from now."""
    return {k: v for k, v in alarm.items() if k not in ("now", "next_call_utc_ms", "gone_utc_ms", "over_utc_ms")}


def asked(works: Works, what: str, drive: str) -> None:
    """A command of somebody who may give it; mostly accepted."""
    alarm = f"{drive}/forward/alarm_contact"
    who: dict[str, Any] = {"actor": "ann", "role": "supervisor"}
    if what == "acknowledge":
        works.acknowledge(drive, "forward", "alarm_contact")
        works.acknowledge(drive)
    elif what == "test":
        works.ask("test", drive, "60", **who)
    elif what == "lockout":
        works.ask("isolation_reported", drive, **who)
    else:
        works.ask(what, drive, alarm=alarm, for_s=60, reason="known", **who)


Step = tuple[str, str, int]
PLANT = ("position", "alarm", "shutdown", "release", "rack", "scan", "scan", "bad", "wait")
COMMANDS = ("test", "test_end", "standby", "standby_end", "acknowledge", "shelve", "out_of_service", "lockout")
STEPS = st.lists(
    st.tuples(
        st.sampled_from(PLANT + COMMANDS),
        st.sampled_from(DRIVES),
        st.integers(0, 9),
    ),
    min_size=5,
    max_size=25,
)


def do(works: Works, step: Step) -> None:
    """One thing that happens."""
    what, drive, size = step
    plc = f"P{DRIVES.index(drive) % 2}"
    if what == "position":
        works.set(drive, "position", 10_000 + 500 * size)
    elif what in ("alarm", "shutdown"):
        works.operate(drive, f"{what}/A")
    elif what == "release":
        works.operate(drive, "alarm/A", False)
        works.operate(drive, "shutdown/A", False)
    elif what == "rack":
        works.set(drive, "rack_healthy", size % 2)
    elif what == "bad":
        works.scan(250, plc, bad=(size % len(works.plans[plc].blocks),))
    elif what == "scan":
        works.scans(1 + size, 250, plc)
    elif what in COMMANDS:
        asked(works, what, drive)
    else:
        works.tick(1 + size * 700)
    if size % 2:
        works.scan(250, plc)


@given(STEPS, st.integers(1, 5), st.booleans())
def test_what_is_told_adds_up_to_the_whole(steps: list[Step], every: int, was_read: bool) -> None:
    """After any steps, heard after some of them, and with more of them between the slices."""
    works = Marked(site())
    listener = works.listener = Listener(works)
    for plc in works.plans if was_read else ():
        works.scans(20, plc=plc)
    listener.hear()
    for number, step in enumerate(steps):
        do(works, step)
        if number % every == 0:
            listener.hear(lambda: None, partial(do, works, steps[-1 - number]))
    listener.hear()

    listener.assert_whole()


class Marked(Works):
    """A site whose outcomes mark drives as the engine does."""

    listener: Listener

    def give(self, given: Any) -> Any:
        """One input, and the marks that it brings."""
        outcome = super().give(given)
        if hasattr(self, "listener"):
            self.listener.feed.mark(outcome.drives)
        return outcome


def test_the_commands_of_the_law_are_mostly_accepted() -> None:
    """Otherwise it would say nothing of them."""
    works = Works(site())
    works.scans(4, plc="P0")
    works.operate("D0", "alarm/A")
    works.scans(4, plc="P0")
    for what in COMMANDS:
        do(works, (what, "D0", 0))
    refused = [e.data["verb"] for e in works.told("refused")]

    assert set(refused) <= {"isolation_reported", "shelve", "acknowledge"}, works.told("refused")


def heard(works: Works) -> Listener:
    """Somebody who has heard everything so far."""
    listener = Listener(works)
    listener.hear()
    return listener


def test_a_quiet_site_says_nothing_but_that_values_are_still_read() -> None:
    """Nothing for five seconds; then the values, with the time of their reading, and no view."""
    works = lone_rake()
    works.scans(4)
    listener = heard(works)
    assert listener.said == 2  # the drive, and that there are no alarms

    works.scans(8)
    listener.hear()
    assert listener.said == 2

    works.scans(16)
    listener.hear()
    assert listener.said == 3
    assert listener.drives["D"]["read_utc_ms"] == works.utc_ms


def test_only_the_drive_that_changed_is_told_anew() -> None:
    """A measured value costs a few numbers, a contact one view."""
    works = Works(site())
    for plc in works.plans:
        works.scan(250, plc)
    listener = heard(works)
    before = dict(listener.drives)
    works.set("D3", "position", 12_000)
    works.operate("D4", "alarm/A")
    works.scan(250, "P0")
    works.scan(250, "P1")
    texts = [t for t in listener.feed.drives(listener.now) if t]

    views = [json.loads(t)["drives"] for t in texts if '"drives"' in t]
    (values,) = [json.loads(t)["values"] for t in texts if '"values"' in t]
    assert [list(v) for v in views] == [["D4"]]
    assert list(values) == ["D3"]
    assert before["D3"]["torque_nm"]["value"] != values["D3"][0]


def test_raw_contact_is_shown_before_its_debounce_is_over() -> None:
    """Nobody else is told of it; the page shows it raw and as it counts."""
    works = lone_rake(contact("D", Stage.SHUTDOWN, bit(1), hold_ms=1_000))
    works.scans(8)
    listener = heard(works)
    works.operate("D", "shutdown/A")
    works.scan()
    listener.hear()

    (shown,) = listener.drives["D"]["contacts"]
    assert (shown["reads"], shown["settled"]) == (1, 0)


def test_what_only_time_changes_is_renewed() -> None:
    """How long a function check has left, every ten seconds."""
    works = lone_rake()
    works.scans(4)
    assert works.ask("test", "D", "600")[0]
    listener = heard(works)
    left_s = listener.drives["D"]["in_test_s"]
    works.now_ns += RENEW_NS - SECOND
    listener.hear()
    assert listener.drives["D"]["in_test_s"] == left_s

    works.now_ns += SECOND + MS
    listener.hear()
    assert listener.drives["D"]["in_test_s"] < left_s - 9


def test_drive_that_is_taken_out_is_told_no_more() -> None:
    """Nor is anything kept of it."""
    works = Works(site())
    listener = heard(works)
    del works.state.drives["D5"]  # type: ignore[attr-defined]
    listener.feed.mark(["D5", "D6"])
    texts = [t for t in listener.feed.drives(listener.now) if t]

    assert texts == []
    assert "D5" not in listener.feed._told
    assert listener.feed._dirty == set()
