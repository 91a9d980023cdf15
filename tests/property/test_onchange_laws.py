"""Recording on change: the record says of every moment what was read, within the band, and is never silent for long."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from nightrake.domain.inputs import BlockReply, Got, RawScan
from nightrake.domain.onchange import Recording
from nightrake.domain.onchangespec import OnChange
from nightrake.domain.registers import decoder
from nightrake.domain.site import BitSignal, DriveSpec, SiteSpec, Stage, ValueType
from nightrake.domain.tailcodec import pack_scan, to_record, unpack_scan
from works import MS, Works, bit, contact, rake, site_of, word

PERIOD_MS = 1_000
LONGEST_NS = 5_000 * MS
ROLES = ("position", "heartbeat", "counter:forward/alarm/A", "kept:level_m", "contact", "running", "rack_healthy")


def drive(bands: dict[str, float]) -> DriveSpec:
    """A drive whose points are all read once a second, words and bits; those in `bands` are recorded on change."""
    bits = [bit(n)._replace(period_ns=PERIOD_MS * MS) for n in range(4)]
    spec = replace(
        rake("D", contact("D", Stage.ALARM, bits[0], counter=word(5)), contact("D", Stage.SHUTDOWN, bits[1])),
        running=BitSignal(bits[2]),
        rack_healthy=BitSignal(bits[3]),
        heartbeat=word(20),
        kept={"level_m": word(40, ValueType.FLOAT32)},
    )
    return replace(spec, on_change={r: OnChange(bands.get(r, 0.0), LONGEST_NS) for r in spec.points()})


class Tape:
    """What a reader of the record knows of each block: the last reply recorded, and when."""

    def __init__(self, site: SiteSpec) -> None:
        self.recording = Recording(site)
        self.known: dict[int, tuple[BlockReply, int]] = {}
        self.scans = self.blocks = 0

    def take(self, scan: RawScan, *, whole: bool = False) -> None:
        """Record a scan, and read it back as history does."""
        kept = self.recording.kept(scan, whole=whole)
        if kept is None:
            return
        self.scans += 1
        back = unpack_scan(to_record(1, kept), scan.plan)
        assert pack_scan(back) == pack_scan(kept)
        assert set(back.blocks) <= set(scan.blocks)
        for reply in back.blocks:
            self.blocks += 1
            self.known[reply.block] = reply, scan.mono_ns


def check(scan: RawScan, tape: Tape, bands: dict[str, float], spec: DriveSpec) -> None:
    """Every point of a scan against the record."""
    for reply in scan.blocks:
        known, at_ns = tape.known[reply.block]
        assert scan.mono_ns - at_ns <= LONGEST_NS
        assert (known.got, known.detail) == (reply.got, reply.detail)
        for role, point in spec.points().items():
            block, offset = scan.plan.places[point]
            if block != reply.block or reply.got != Got.GOOD:
                continue
            decode = decoder(point, offset)
            was, now = decode(known.data), decode(reply.data)
            if isinstance(was, str) or isinstance(now, str):
                assert was == now
            else:
                assert abs(now - was) <= bands.get(role, 0.0)


moves = st.lists(
    st.tuples(
        st.sampled_from(ROLES),
        st.one_of(st.integers(0, 1), st.sampled_from([4_000, 10_400, 10_450, 60_000])),
        st.sampled_from([-60, -2, 0, 1, 2, 60]),  # a walk beside the jump
        st.integers(PERIOD_MS * 3 // 4, PERIOD_MS * 3 // 2),  # scans come early and late
        st.sampled_from([(), (), (), (0,), (1,), (0, 1, 2)]),
        st.sampled_from([(Got.NO_REPLY, "no reply"), (Got.EXCEPTION, "exception 4"), (Got.UNIT_SILENT, "")]),
        st.booleans(),
    ),
    min_size=1,
    max_size=60,
)


@given(
    run=moves,
    bands=st.fixed_dictionaries(
        {
            "position": st.sampled_from([0.0, 0.05, 3.0]),
            "kept:level_m": st.sampled_from([0.0, 1.5]),
            "heartbeat": st.sampled_from([0.0, 70_000.0]),
        }
    ),
)
@settings(max_examples=200)
def test_record_is_within_the_band_at_every_scan(
    run: list[tuple[str, int, int, int, tuple[int, ...], tuple[Got, str], bool]], bands: dict[str, float]
) -> None:
    """Values, failures and silence, however values jump or creep and whichever blocks fail."""
    spec = drive(bands)
    works, tape = Works(site_of(spec)), Tape(site_of(spec))
    scans: list[RawScan] = []
    works.give = scans.append  # type: ignore[assignment, method-assign]
    creep = 10_400
    for role, value, by, after_ms, bad, (got, detail), jumps in run:
        if role == "contact":
            works.operate("D", "alarm/A", bool(value & 1))
        elif role in ("running", "rack_healthy"):
            works.set("D", role, value & 1)
        else:
            creep = max(0, (value if jumps else creep) + by)
            works.set("D", role, creep % 65_536)
        works.scan(after_ms, bad=[b for b in bad if b < len(works.plans["P"].blocks)], got=got, detail=detail)
        tape.take(scans[-1], whole=by == 60 and jumps)
        check(scans[-1], tape, bands, spec)


def test_slow_creep_is_followed() -> None:
    """A band is around what was recorded, not around what was read last: many small steps are one large one."""
    spec = drive({"position": 1.0, "heartbeat": 1e9})
    works, tape = Works(site_of(spec)), Tape(site_of(spec))
    scans: list[RawScan] = []
    works.give = scans.append  # type: ignore[assignment, method-assign]
    for raw in range(4_000, 20_000, 300):
        works.set("D", "position", raw)
        works.scan(PERIOD_MS)
        tape.take(scans[-1])
        check(scans[-1], tape, {"position": 1.0, "heartbeat": 1e9}, spec)

    assert tape.blocks < 0.5 * sum(len(s.blocks) for s in scans)
