"""Two lanes write the series of drives that draw on several PLCs: whatever the clock did, no stamp is given twice."""

from __future__ import annotations

from hypothesis import example, given
from hypothesis import strategies as st

from nightrake.historian.split import SHORTEST_SCAN_MS, Going, split_of
from nightrake.historian.stamps import Stamps

BEGIN_MS = 1_790_000_000_000
DRAWS = {"only a": ("a",), "a and b": ("a", "b"), "all": ("a", "b", "c")}
"""Series -> the PLCs that its drive draws on: each scan of any of them is a sample."""
Step = tuple[str, int, int]
Scan = tuple[str, int]
STEPS = st.lists(
    st.tuples(
        st.sampled_from(("a", "b", "c")),
        st.sampled_from((0, 0, 1, 3, 10, 10, 40, 250, 1_000)),
        st.sampled_from((0,) * 8 + (-1_000, -400, -30, 500)),
    ),
    max_size=60,
)
"""Which PLC's scan comes next, how long after the one before, and by how far the clock is set meanwhile; in ms."""


class Clock:
    """Goes on evenly beneath, and is set now and then; no PLC is read more often than may be."""

    def __init__(self) -> None:
        self.mono_ms, self.offset_ms = 0, BEGIN_MS
        self._read: dict[str, int] = {}

    def scans(self, steps: list[Step]) -> list[Scan]:
        """PLC and UTC of each scan."""
        found = []
        for plc, step_ms, set_ms in steps:
            self.mono_ms = max(self.mono_ms + step_ms, self._read.get(plc, -SHORTEST_SCAN_MS) + SHORTEST_SCAN_MS)
            self.offset_ms += set_ms
            self._read[plc] = self.mono_ms
            found.append((plc, self.offset_ms + self.mono_ms))
        return found


def taken(stamps: Stamps, scans: list[Scan]) -> list[tuple[str, int]]:
    """Series and stamp of each sample."""
    return [(name, stamps.take(name, ms)) for plc, ms in scans for name, plcs in DRAWS.items() if plc in plcs]


def blocks_of(scans: list[Scan]) -> list[tuple[str, int, int, int]]:
    """As they are sealed: PLC, earliest, latest, number, of each run of a PLC's scans in which the clock went on."""
    found: dict[tuple[str, int], list[int]] = {}
    runs: dict[str, tuple[int, int]] = {}
    for plc, ms in scans:
        run, last_ms = runs.get(plc, (0, ms - 1))
        runs[plc] = (run + (ms <= last_ms), ms)
        found.setdefault((plc, runs[plc][0]), []).append(ms)
    return [(plc, times[0], times[-1], len(times)) for (plc, _), times in found.items()]


@given(before=STEPS, sealed=STEPS, tail=STEPS, live=STEPS)
@example(before=[], sealed=[], tail=[("a", 0, 0), ("b", 0, 0), ("c", 0, 0)], live=[("a", 10, -30)])
def test_no_stamp_is_given_by_both_lanes(
    before: list[Step], sealed: list[Step], tail: list[Step], live: list[Step]
) -> None:
    """The stretch lies partly in sealed blocks, of which only the ends are looked at, and partly in the tail."""
    clock, safe = Clock(), Stamps()
    taken(safe, clock.scans(before))
    stretch = clock.scans(sealed), clock.scans(tail)
    now_ms = clock.offset_ms + clock.mono_ms
    going = Going(safe.highest_ms, DRAWS.values())
    for block in blocks_of(stretch[0]):
        going.take(*block)
    for scan in stretch[1]:
        going.take_scan(*scan)
    split = split_of(safe, going.extent(), now_ms)
    lane = Stamps.of(safe.kept)
    old = [sample for part in stretch for sample in taken(lane, part)]
    new = taken(lane if split.hold else split.stamps, clock.scans(live))

    assert len({*old, *new}) == len(old) + len(new)
    for name in DRAWS:
        mine = [ms for series, ms in new if series == name]
        assert mine == sorted(set(mine))


@given(
    tail=st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from((10, 250)), st.just(0)), min_size=1, max_size=60)
)
def test_clock_that_only_goes_on_moves_nothing(tail: list[Step]) -> None:
    """Scans of several PLCs in turn: what comes next has its own time in both lanes."""
    clock = Clock()
    scans, going = clock.scans(tail), Going(0, DRAWS.values())
    for scan in scans:
        going.take_scan(*scan)
    now_ms = scans[-1][1]
    split = split_of(Stamps(), going.extent(), now_ms)

    assert not split.hold
    assert split.stamps.take("all", now_ms + SHORTEST_SCAN_MS) == now_ms + SHORTEST_SCAN_MS
