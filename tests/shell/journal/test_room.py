"""What would grow without end and is not the tail: read plans, clock segments, refused lines."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import apsw
import pytest

from nightrake.domain.rows import TailRecord
from nightrake.journal import room as room_module
from nightrake.journal.batch import INSERT_TAIL, Batch
from nightrake.journal.room import PLANS, PLANS_KEY, PUT_LAYOUT, Room
from nightrake.journal.schema import migrate
from shell.journal.makers import MONO_NS, UTC_MS, record


class Keep:
    """A store's tables in memory, and the room that is made in them, as the writer uses both."""

    def __init__(self, tmp_path: Path) -> None:
        self.path = tmp_path
        self.db = apsw.Connection(":memory:")
        migrate(self.db, "store", UTC_MS)
        self.seq = 0
        self.restart()

    def restart(self) -> None:
        """Another run begins, which knows nothing of the plans of the one before."""
        self.room = Room(self.path, 0, 3_600_000_000_000, ())

    def put(self, layout: str) -> None:
        """The engine hands over a plan that comes into force."""
        batch = Batch()
        batch.extra.append((PUT_LAYOUT, (layout, "plan")))
        self.room.note(batch)
        self.db.execute(*batch.extra[0])

    def scan(self, layout: str, plc: str = "plc1") -> None:
        """A scan under a plan."""
        self.seq += 1
        batch = Batch()
        one: TailRecord = record(self.seq)._replace(layout=layout, endpoint=plc)
        batch.add((), {}, [one])
        self.room.note(batch)
        self.db.execute(INSERT_TAIL, one)

    def left(self, but_the_last: int) -> set[str]:
        """The tail is cut to its newest records, and house is kept; gives the plans that are left."""
        self.db.execute("delete from tail where seq <= ?", (self.seq - but_the_last,))
        self.room.trim(self.db, None)
        return {layout for (layout,) in self.db.execute("select layout from layout")}


@pytest.fixture
def keep(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Keep]:
    """See `Keep`; looked through each time."""
    monkeypatch.setattr(room_module, "PLANS_PERIOD_S", 0.0)
    keep = Keep(tmp_path)
    yield keep
    keep.db.close()


def test_read_plan_goes_with_the_last_of_its_scans(keep: Keep) -> None:
    """The one in force stays however old its last scan, and so does one that has just come into force again."""
    keep.put("a")
    keep.scan("a")
    keep.put("rare")
    keep.scan("rare", "plc2")
    keep.put("b")
    keep.scan("b")
    assert keep.left(3) == {"a", "rare", "b"}
    assert keep.left(1) == {"rare", "b"}

    keep.put("a")
    assert keep.left(1) == {"a", "rare", "b"}
    keep.scan("a")

    assert keep.left(1) == {"a", "rare"}


def test_read_plans_of_an_earlier_run_go_once_none_of_its_scans_is_left(keep: Keep) -> None:
    """Which of them the scans of the earlier run need is not known, so all stay as long as one does."""
    for layout in ("a", "b"):
        keep.put(layout)
        keep.scan(layout)
    keep.restart()
    assert keep.left(2) == {"a", "b"}
    keep.put("c")
    keep.scan("c")
    assert keep.left(2) == {"a", "b", "c"}

    assert keep.left(1) == {"c"}


def test_read_plans_go_also_where_every_run_is_shorter_than_the_retention(keep: Keep) -> None:
    """A plan for each run, six scans kept of three a run: what no scan refers to any more goes, though no run outlives
    the scans of the one before."""
    left = []
    for run in range(6):
        keep.restart()
        keep.put(f"plan {run}")
        for _ in range(3):
            keep.scan(f"plan {run}")
            left.append(keep.left(6))

    assert left[8] == {"plan 1", "plan 2"}
    assert all(len(plans) <= 3 for plans in left)
    assert left[-1] == {"plan 4", "plan 5"}


def test_read_plan_that_was_in_force_at_a_kill_stays_for_what_came_after_the_last_look(keep: Keep) -> None:
    """Scans went on under it after it was last kept in mind; none of them loses its plan, and then it goes."""
    keep.put("a")
    keep.scan("a")
    assert keep.left(1) == {"a"}
    keep.scan("a")
    keep.scan("a")
    keep.restart()
    keep.put("b")
    keep.scan("b")
    assert keep.left(2) == {"a", "b"}
    keep.restart()
    keep.scan("b")
    assert keep.left(3) == {"a", "b"}

    assert keep.left(2) == {"b"}


def test_damaged_memory_of_the_plans_costs_no_plan_that_is_needed(keep: Keep) -> None:
    """As without one: the plans of earlier runs stay as long as one of their scans does."""
    for layout in ("a", "b"):
        keep.put(layout)
        keep.scan(layout)
    assert keep.left(2) == {"a", "b"}
    keep.db.execute("update meta set value = ? where key = ?", (b"\xff{", PLANS_KEY))
    keep.restart()
    keep.put("c")
    keep.scan("c")
    assert keep.left(2) == {"a", "b", "c"}

    assert keep.left(1) == {"c"}


def test_plans_without_end_do_not_stay(keep: Keep) -> None:
    """A plan for each scan: deleted as fast as they came, some at a time so that no commit waits for them."""
    for number in range(3 * PLANS):
        keep.put(f"{number}")
        keep.scan(f"{number}")

    assert [len(keep.left(1)) for _ in range(4)] == [2 * PLANS, PLANS, 1, 1]


def test_segments_and_refused_lines_are_bounded(keep: Keep, monkeypatch: pytest.MonkeyPatch) -> None:
    """A clock that is set again and again does not fill the disk; the newest are kept."""
    monkeypatch.setattr(room_module, "SEGMENTS", 5)
    monkeypatch.setattr(room_module, "DEAD_LETTERS", 3)
    for number in range(20):
        keep.db.execute(
            "insert into clock_segment(boot_id, start_mono_ns, start_utc_ms, trusted) values(?, ?, ?, 1)",
            ("boot", MONO_NS + number, UTC_MS),
        )
        keep.db.execute("insert into dead_letter(utc_ms, line, reason) values(?, ?, ?)", (UTC_MS, f"{number}", "x"))
    keep.room.trim(keep.db, None)

    segments = [ns - MONO_NS for (ns,) in keep.db.execute("select start_mono_ns from clock_segment order by id")]
    assert segments == [15, 16, 17, 18, 19]
    assert [line for (line,) in keep.db.execute("select line from dead_letter order by id")] == ["17", "18", "19"]
