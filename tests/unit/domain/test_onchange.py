"""Recording on change, case by case: which blocks of a scan are recorded, and why."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest

from nightrake.domain.inputs import Got, RawScan
from nightrake.domain.onchange import Recording, facts_of, news, records_on_change
from nightrake.domain.onchangespec import OnChange
from nightrake.domain.site import DriveSpec, SiteSpec, ValueType
from works import MS, Works, rake, site_of, word

LONGEST_NS = 60_000 * MS


def on_change(spec: DriveSpec, *roles: str, band: float = 0.0, longest_ns: int = LONGEST_NS) -> DriveSpec:
    """The drive with some roles, or all, recorded on change."""
    return replace(spec, on_change={role: OnChange(band, longest_ns) for role in roles or spec.points()})


class Desk:
    """Scans of a site, and what is recorded of each."""

    def __init__(self, *drives: DriveSpec) -> None:
        self.works = Works(site_of(*drives))
        self.recording = Recording(self.works.site)
        self.works.give = self._take  # type: ignore[assignment, method-assign]
        self.kept: RawScan | None = None
        self.scan: RawScan
        self.whole = False

    def _take(self, scan: RawScan) -> None:
        self.scan, self.kept = scan, self.recording.kept(scan, whole=self.whole)

    def read(self, after_ms: int = 1_000, *, bad: Iterable[int] = (), **more: object) -> list[int]:
        """One scan; the blocks that are recorded."""
        self.works.scan(after_ms, bad=bad, **more)  # type: ignore[arg-type]
        return [] if self.kept is None else [reply.block for reply in self.kept.blocks]


def block_of(desk: Desk, role: str, drive: str = "D") -> int:
    """Where a role is read."""
    return desk.works.blocks(role, drive=drive)[0]


def test_without_the_setting_the_scan_itself_is_recorded() -> None:
    """Nothing is copied, looked at or remembered."""
    desk = Desk(rake("D"))
    for _ in range(3):
        desk.read()
        assert desk.kept is desk.scan
    assert not records_on_change(desk.works.site)
    assert facts_of(desk.works.site) == {}


def test_what_stands_still_is_recorded_once_and_after_the_longest_silence() -> None:
    """All at first; then nothing, until the next scan could be too late: half a period before."""
    desk = Desk(on_change(rake("D")))
    assert desk.read() == [0, 1]
    recorded = {second: blocks for second in range(1, 120) if (blocks := desk.read())}
    bits, values = block_of(desk, "running"), block_of(desk, "position")
    assert recorded == {59: [values], 60: [bits], 118: [values]}  # read every 250 ms, and every second


def test_only_the_block_that_changed_is_recorded() -> None:
    """Contacts and values are read in requests of their own."""
    desk = Desk(on_change(rake("D")))
    desk.read()
    desk.works.operate("D", "shutdown/A")
    assert desk.read() == [block_of(desk, "running")]
    desk.works.set("D", "position", 10_401)
    assert desk.read() == [block_of(desk, "position")]
    assert desk.read() == []


def test_point_without_the_setting_holds_its_block_to_every_scan() -> None:
    """Running is not on change: its bits are recorded each time, the position is not."""
    spec = rake("D")
    desk = Desk(on_change(spec, *(r for r in spec.points() if r != "running")))
    desk.read()
    assert [desk.read() for _ in range(3)] == [[block_of(desk, "running")]] * 3


def test_point_that_two_drives_read_is_recorded_as_the_stricter_says() -> None:
    """The smaller band and the shorter silence; without the setting at one of them, always."""
    first, second = rake("D"), rake("E")
    wide, narrow = on_change(first, band=5.0), on_change(second, band=1.0, longest_ns=10_000 * MS)
    desk = Desk(wide, narrow)
    desk.read()
    desk.works.set("D", "position", 10_400 + 2_000)
    assert desk.read() == [block_of(desk, "position")]
    assert [len(desk.read()) for _ in range(9)] == [*([0] * 8), 2]
    assert Desk(wide, second).read() == [0, 1]
    desk = Desk(wide, second)
    desk.read()
    assert desk.read() == [0, 1]


@pytest.mark.parametrize(
    ("steps", "recorded"), [((500,), False), ((501,), True), ((-500, 499), False), ((300, 300), True)]
)
def test_band_is_around_the_value_last_recorded(steps: tuple[int, ...], recorded: bool) -> None:
    """Scaled values: 0.5 mA of a loop that comes in microamperes. At the band's edge nothing is recorded."""
    spec = replace(rake("D"), on_change={r: OnChange(0.5, LONGEST_NS) for r in rake("D").points()})
    desk = Desk(spec)
    value = 8_000
    desk.works.set("D", "position", value)
    desk.read()
    for by in steps:
        value += by
        desk.works.set("D", "position", value)
        last = desk.read()
    assert bool(last) is recorded


def test_outcomes_are_recorded_when_they_change() -> None:
    """Bad, bad for another reason, good again: each once."""
    desk = Desk(on_change(rake("D")))
    desk.read()
    block = block_of(desk, "position")
    assert desk.read(bad=[block]) == [block]
    assert desk.read(bad=[block]) == []
    assert desk.read(bad=[block], detail="no reply within 2 s") == [block]
    assert desk.read(bad=[block], got=Got.EXCEPTION, detail="no reply within 2 s") == [block]
    assert desk.read() == [block]
    assert desk.read() == []


def test_scan_that_brought_something_about_is_recorded_whole() -> None:
    """And counts as recorded: silence begins anew."""
    desk = Desk(on_change(rake("D")))
    desk.read()
    for _ in range(30):
        assert desk.read() == []
    desk.whole = True
    assert desk.read() == [0, 1]
    assert desk.kept is desk.scan
    desk.whole = False
    assert [n for n in range(1, 62) if desk.read()] == [59, 60]


def test_zeros_of_a_witness_are_recorded_with_all_that_was_read() -> None:
    """Whether zeros are a PLC that restarts is told by the other witnesses of the same scan."""
    desk = Desk(on_change(rake("D")))
    witness = desk.works.plans["P"].witness_blocks
    assert len(witness) == 2
    desk.read()
    desk.works.set("D", "position", 0)
    assert desk.read() == [0, 1]


def test_another_read_plan_begins_anew() -> None:
    """Blocks are numbered otherwise: what was remembered says nothing of them."""
    desk = Desk(on_change(rake("D")))
    desk.read()
    assert desk.read() == []
    plan = desk.works.plans["P"]
    desk.works.plans["P"] = replace(plan, layout="another")
    assert desk.read() == [0, 1]


def test_scan_of_no_block_is_recorded_as_ever() -> None:
    """There is nothing that it could leave out."""
    desk = Desk(on_change(rake("D")))
    desk.works.scan(only=[])
    assert desk.kept is desk.scan


def site(*drives: DriveSpec) -> SiteSpec:
    """Short."""
    return site_of(*drives)


def test_row_tells_each_choice_once() -> None:
    """On, other bands, off; many points are counted, not all named."""
    off, on = facts_of(site(rake("D"))), facts_of(site(on_change(rake("D"))))
    other = facts_of(site(on_change(rake("D"), band=2.0)))
    assert [e.event for e in news(off, on)] == ["recording_on_change_began"]
    assert news(off, on)[0].data == on
    assert news(on, on) == news(off, off) == ()
    assert [e.event for e in news(on, other)] == ["recording_on_change_began"]
    assert [(e.event, e.data["points"]) for e in news(other, off)] == [("recording_on_change_ended", 4)]
    many = facts_of(site(*(on_change(rake(f"D{n}")) for n in range(40))))
    assert (many["points"], len(many["names"])) == (160, 50)


def test_scans_that_come_late_do_not_stretch_the_silence() -> None:
    """Just short of four seconds nothing is due yet by the clock, but the scan after it may be half a period late."""
    desk = Desk(on_change(rake("D"), longest_ns=5_000 * MS))
    values = block_of(desk, "position")
    desk.read()
    assert [values in desk.read(999) for _ in range(4)] == [False, False, False, True]


def test_block_is_recorded_as_its_most_demanding_point_asks() -> None:
    """The shortest of the longest silences holds for all that is read with it."""
    spec = rake("D", heartbeat=True)
    spec = replace(spec, heartbeat=word(11))
    rules = {"position": OnChange(0.0, 9_000 * MS), "heartbeat": OnChange(1e9, 30_000 * MS)}
    desk = Desk(replace(on_change(spec), on_change={**on_change(spec).on_change, **rules}))
    assert block_of(desk, "position") == block_of(desk, "heartbeat")
    desk.read()
    assert [n for n in range(1, 18) if block_of(desk, "position") in desk.read()] == [8, 16]


def test_value_that_is_no_number_is_another_value() -> None:
    """A float that is none, and one that is again, are recorded; as long as it is none, once."""
    spec = replace(rake("D", position=False), kept={"level_m": word(40, ValueType.FLOAT32)})
    desk = Desk(on_change(spec, band=1e6))
    block = block_of(desk, "kept:level_m")
    desk.read()
    desk.works.set("D", "kept:level_m", float("nan"))
    assert desk.read() == [block]
    assert desk.read() == []
    desk.works.set("D", "kept:level_m", 1.0)
    assert desk.read() == [block]
