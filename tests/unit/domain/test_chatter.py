"""What keeps on changing is counted: bounded rows, nothing that holds is hidden, and the last of it is told."""

from __future__ import annotations

from dataclasses import replace

from nightrake.domain.chatter import FIRST, FORGET_NS, QUIET_NS, TOLD_SINGLY, Tallies, bound
from nightrake.domain.inputs import LinkHealth, SettingsChanged
from nightrake.domain.pipeline import step
from nightrake.domain.rows import Entry, canonical
from nightrake.domain.state import new_site
from nightrake.kept import from_snapshot, restore, snapshot, states_of
from works import SECOND, Works, lone_rake, rake, site_of

COUNTED = "shutdown_changes_counted"


def chatter(works: Works, which: str, changes: int, after_ms: int = 100) -> None:
    """A contact turns over in every scan."""
    for number in range(changes):
        works.operate("D", which, number % 2 == 0)
        works.scan(after_ms)


def test_chattering_alarm_contact_is_told_singly_and_then_counted() -> None:
    """A hundred changes in a minute are twenty rows, and one that says how many there were and how they ended."""
    works = lone_rake()
    works.scan()
    chatter(works, "alarm/A", 101)
    told = works.told("alarm_operated") + works.told("alarm_released")
    assert len(told) == TOLD_SINGLY
    assert works.told("alarm_changes_counted") == []
    stage = next(s for s in works.protection("D").stages if s.operated == 1)
    assert stage.known

    works.tick(60_000)

    (row,) = works.told("alarm_changes_counted")
    assert (row.kind, row.drive, row.direction) == ("drive", "D", "forward")
    assert (row.data["events"], row.data["told"], row.data["last"]) == (101, TOLD_SINGLY, "alarm_operated")
    assert row.data["last_data"]["torque_nm"] == 24_000.0  # 10.4 mA = 10 mm
    assert not any("alarm" in key for key in works.state.tallies)
    assert canonical(row.data)


def test_hour_of_chatter_is_a_bounded_number_of_rows() -> None:
    """The journal grows by some rows a minute, not by twenty a second."""
    works = lone_rake()
    works.scan()
    chatter(works, "alarm/A", 3 * 600)

    rows = [e for e in works.entries if e.event.startswith("alarm_")]
    assert len(rows) <= 3 * (TOLD_SINGLY + 1) + 1


def test_shutdown_that_latches_is_never_hidden() -> None:
    """Not even when it comes after twenty others in the same minute, which a function check has excused."""
    works = lone_rake()
    works.scan()
    works.set("D", "running", 0)
    works.ask("test", "D", "600")
    chatter(works, "shutdown/A", 60, 50)
    works.ask("test_end", "D")
    assert not works.latched("D")
    before = len(works.entries)

    works.operate("D", "shutdown/A")
    works.scan(50)

    news = [(e.event, e.data.get("alarm", "")) for e in works.entries[before:]]
    assert news[:2] == [("shutdown_changes_counted", ""), ("shutdown_operated", "")]
    assert ("raised", "D/forward/shutdown_contact") in news
    assert works.latched("D")


def test_last_word_on_a_contact_is_what_holds() -> None:
    """What was counted is told before the operation that latches, and nothing of it afterwards."""
    works = lone_rake()
    works.scan()
    works.set("D", "running", 0)
    works.ask("test", "D", "600")
    chatter(works, "shutdown/A", 60, 50)
    works.ask("test_end", "D")
    works.operate("D", "shutdown/A")
    works.scan(50)
    works.tick(60_000)
    told = [e for e in works.entries if e.event in ("shutdown_operated", "shutdown_released", COUNTED)]

    assert told[-1].event == "shutdown_operated"
    assert (told[-2].data["last"], told[-2].data["events"]) == ("shutdown_released", 60)


def test_contact_that_stands_after_chatter_is_told_within_seconds() -> None:
    """It operates for good after twenty changes: nobody waits for the end of the minute to be told."""
    works = lone_rake()
    works.scan()
    chatter(works, "alarm/A", 41)
    works.scans(QUIET_NS // SECOND * 4)
    works.tick(100)
    (quiet,) = works.told("alarm_changes_counted")
    assert (quiet.data["last"], quiet.data["events"]) == ("alarm_operated", 41)

    chatter(works, "alarm/A", 2)
    works.tick(60_000)

    late = works.told("alarm_changes_counted")[-1]
    assert (late.data["last"], late.data["events"], late.data["told"]) == ("alarm_released", 42, TOLD_SINGLY)


def test_refused_commands_are_answered_each_and_counted() -> None:
    """Ten thousand nonsense commands are ten thousand answers and a few rows, whatever drives they name."""
    works = lone_rake()
    answers = [works.ask("reset", f"X{n}") for n in range(1000)]
    works.tick(60_000)

    assert all(not ok and "no drive" in text for ok, text in answers)
    assert len(works.told("refused")) == TOLD_SINGLY
    (row,) = works.told("refusals_counted")
    assert (row.data["events"], row.data["last_data"]["asked"]) == (1000, "X999")
    assert row.data["last_data"]["actor"] == "somebody"


def test_link_that_comes_and_goes_is_counted_by_itself() -> None:
    """The state of the link goes on; another link's first change is told."""
    works = lone_rake()
    for number in range(50):
        works.give(LinkHealth(works.now_ns, works.utc_ms, "broker", number % 2 == 1, "x"))
    works.give(LinkHealth(works.now_ns, works.utc_ms, "disk", False, "full"))

    assert [e.data["link"] for e in works.entries].count("broker") == TOLD_SINGLY
    assert works.entries[-1].data["link"] == "disk"
    assert works.state.links["broker"] == (True, "x")


def test_isolated_events_leave_no_count() -> None:
    """Ten minutes after an event everything is as if it had never been counted."""
    works = lone_rake()
    works.scan()
    works.operate("D", "alarm/A")
    works.scan()
    assert [d for d in works.state.tallies if d] == ["D"]
    before = len(works.entries)

    works.scan(FORGET_NS // 1_000_000)
    works.tick(100)

    assert works.state.tallies == {}
    assert [e.event for e in works.entries[before:] if "counted" in e.event] == []


def test_counts_stand_in_a_snapshot_and_outlive_a_restart() -> None:
    """A replay begins with them; after a kill they are told, so that the last that holds is known."""
    works = lone_rake()
    works.scan()
    chatter(works, "alarm/A", 41)
    blank = new_site(works.site)
    state = works.state
    assert from_snapshot(snapshot(state), blank).tallies == state.tallies
    kept = states_of(blank, state, {"D"})

    again, unfit = restore(blank, kept, works.now_ns + 5 * SECOND, works.utc_ms + 5_000)
    works.state, works.entries = again, []
    works.tick(6_000)

    assert unfit == []
    (row,) = works.told("alarm_changes_counted")
    assert (row.data["events"], row.data["last"]) == (41, "alarm_operated")


def test_reload_in_the_middle_keeps_the_count() -> None:
    """Changed settings are no way round the bound."""
    works = Works(site_of(rake("D")))
    works.scan()
    chatter(works, "alarm/A", 30)
    site = replace(works.site, digest="1" * 64)
    works.state, _ = step(works.state, SettingsChanged(works.now_ns, works.utc_ms, site))
    chatter(works, "alarm/A", 30)

    assert len(works.told("alarm_operated") + works.told("alarm_released")) == TOLD_SINGLY


def test_clock_that_is_stepped_again_and_again_is_counted() -> None:
    """Two time services pull at it eight times a second: some rows a minute, and the last step is told."""
    tallies: Tallies = {}
    told: list[Entry] = []
    for number in range(480):
        entry = Entry("service", "clock_stepped", "", "", {"by_s": float(number), "trusted": True})
        tallies, entries, _ = bound(tallies, (entry,), number * SECOND // 8)
        told += entries
    tallies, entries, _ = bound(tallies, (), 120 * SECOND)

    assert len(told) == TOLD_SINGLY
    assert [(e.event, e.data["last_data"]["by_s"]) for e in entries] == [("clock_steps_counted", 479.0)]


def test_chatter_that_goes_on_is_told_ever_more_seldom() -> None:
    """An hour of it is some thirty rows in place of a thousand; how many there were and how it ended is in the last."""
    tallies: Tallies = {}
    told: list[Entry] = []
    for number in range(36_000):
        entry = Entry("drive", ("alarm_operated", "alarm_released")[number % 2], "D", "forward", {})
        tallies, entries, _ = bound(tallies, (entry,), number * SECOND // 10)
        told += entries
    tallies, entries, _ = bound(tallies, (), 8_000 * SECOND)

    assert len(told) <= TOLD_SINGLY + 7
    assert (entries[0].data["events"], entries[0].data["last"]) == (36_000, "alarm_released")
    assert (entries[0].data["within_s"], entries[0].data["last_ago_s"]) == (3_599.9, 4_400.1)


def test_after_a_quiet_minute_rows_are_told_singly_again() -> None:
    """Chatter of the morning hides no operation in the afternoon, nor one two minutes later."""
    tallies: Tallies = {}
    for number in range(100):
        tallies, _, _ = bound(tallies, (_changed(number),), number * SECOND // 10)
    tallies, counts, _ = bound(tallies, (), 20 * SECOND)
    tallies, late, _ = bound(tallies, (_changed(0),), 130 * SECOND)

    assert [e.event for e in (*counts, *late)] == ["alarm_changes_counted", "alarm_operated"]


def test_storm_over_the_site_hides_no_other_drives_first_rows() -> None:
    """A thousand drives chatter; the one that begins then is told twice singly, and then counted."""
    tallies: Tallies = {}
    told: list[Entry] = []
    for number in range(10):
        tallies, entries, _ = bound(tallies, [_changed(number, f"S{d}") for d in range(1000)], number * SECOND // 10)
        told += entries
    singly = [e for e in told if not e.event.endswith("_counted")]
    assert len(singly) == 1000 * FIRST

    late: list[Entry] = []
    for number in range(10):
        tallies, entries, _ = bound(tallies, [_changed(number, "LATE")], SECOND + number * SECOND // 10)
        late += [e for e in entries if e.drive == "LATE"]

    assert [e.event for e in late] == ["alarm_operated", "alarm_released"]


def test_edges_of_a_proving_are_told_also_in_a_storm() -> None:
    """Whoever proves a contact sees each of its edges up to its own bound, whatever the rest of the site does."""
    tallies: Tallies = {}
    for number in range(10):
        tallies, _, _ = bound(tallies, [_changed(number, f"S{d}") for d in range(1000)], number * SECOND // 10)
    proved: list[Entry] = []
    for number in range(12):
        entry = Entry("drive", "contact_edge", "PROVED", "forward", {"contact": "c", "in_test": True})
        tallies, entries, _ = bound(tallies, [entry], 2 * SECOND + number * SECOND // 10)
        proved += [e for e in entries if e.drive == "PROVED"]

    assert [e.event for e in proved] == ["contact_edge"] * 12


def _changed(number: int, drive: str = "D") -> Entry:
    return Entry("drive", ("alarm_operated", "alarm_released")[number % 2], drive, "forward", {})
