"""`nightrake history` on a recorded day: what it shows is what the watch read, in whatever form it is asked for."""

from __future__ import annotations

import csv
import io
import json
import shutil
import struct
import sys
import tracemalloc
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

import apsw
import numpy as np
import pyarrow.parquet
import pytest

from nightrake.alarms.zones import UTC_ZONE
from nightrake.cli.history_export import Layout, ParquetFile, csv_parts, safe_cell
from nightrake.cli.main import main
from nightrake.domain.calibration import torque_of
from nightrake.domain.signals import position_of
from nightrake.history.lanes import Piece, side_by_side
from nightrake.history.signals import signals_of
from nightrake.longterm.drivereading import lanes_of
from nightrake.settings import load
from recordeddays import CONFIG, RecordedDay
from shell.longterm.histories import Past, forget_tail, seal
from shell.longterm.test_replay import both
from shell.longterm.test_summarising import seal_and_build

HALF_HOUR = "2026-09-21T15:00/PT30M"


class Done(NamedTuple):
    """How a command ended."""

    code: int
    out: str
    err: str


class Command:
    """Runs ``nightrake history`` on a store."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder = folder
        self._capsys, self._monkeypatch = capsys, monkeypatch

    def run(self, *words: str) -> Done:
        store = ("--config", str(CONFIG), "--set", f"store.dir={self.folder}")
        self._monkeypatch.setattr("sys.argv", ["nightrake", "history", *words, *store])
        self._capsys.readouterr()
        with pytest.raises(SystemExit) as end:
            main()
        out, err = self._capsys.readouterr()
        return Done(int(end.value.code or 0), out, err)

    def refused(self, *words: str) -> str:
        """The one sentence of a refusal."""
        done = self.run(*words)
        assert done.code == 1, done
        lines = done.err.splitlines()
        assert len(lines) == 1, done.err
        return lines[0].removeprefix("nightrake: ")


def half_hour(day: RecordedDay) -> Iterator[None]:
    """A rise, an alarm, a shutdown, a PLC that is silent for a while."""
    for share in range(40, 90, 5):
        day.position("PC1", share / 100)
        yield from day.seconds(30)
    day.works.operate("PC1", "forward/alarm/A")
    yield from day.seconds(60)
    both(day, "PC1", True)
    day.works.set("PC1", "running", 0)
    yield from day.seconds(300)
    day.silent = set(day.works.site.endpoints)
    yield from day.seconds(120)
    day.silent = set()
    yield from day.seconds(1_020)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The half hour, recorded once."""
    folder = tmp_path_factory.mktemp("half")
    RecordedDay(folder, period_s=3.0).run(half_hour)
    return folder


@pytest.fixture
def command(made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Command:
    """The command on the same store in the test's own folder."""
    state = tmp_path / "state"
    state.mkdir()
    shutil.copy(made / "store.db", state)
    return Command(state, capsys, monkeypatch)


def read_csv(text: str) -> list[dict[str, str]]:
    """Rows by their heads."""
    return list(csv.DictReader(io.StringIO(text)))


def test_csv_is_what_the_watch_decodes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every reading of a past with failures, beside the core's own decoder, position and torque: bit for bit."""
    past = Past(seed=5)
    past.snapshot()
    past.go(400)
    past.store(tmp_path)
    done = Command(tmp_path, capsys, monkeypatch).run(
        "PC1", "2026-09-01/2026-12-01", "--signal", "torque", "--signal", "position", "--csv", "-"
    )
    rows = [row for row in read_csv(done.out) if row["position_mm"] or row["not_good"] or row["torque_is"]]
    spec = past.settings.site.drives["PC1"]
    assert spec.position is not None
    to_mm, (curve,) = position_of(spec.position), spec.calibrations.values()
    to_nm = torque_of(curve)
    expected = past.expected("PC1", "position", 0, 2**60)
    assert len(rows) == len(expected) > 250
    for row, (utc_ms, value, got) in zip(rows, expected, strict=True):
        assert round(datetime.fromisoformat(row["utc"]).timestamp() * 1000) == utc_ms
        assert datetime.fromisoformat(row["local"]) == datetime.fromisoformat(row["utc"])
        assert row["local"].endswith("+01:00")
        mm = to_mm(float(value)) if got == 0 and isinstance(value, int | float) else None
        if mm is None or mm.value is None:
            assert (row["position_mm"], row["torque_nm"], row["torque_is"]) == ("", "", "absent")
            assert bool(row["not_good"]) == (got != 0)
            continue
        torque = to_nm(mm.value)
        assert float(row["position_mm"]) == mm.value
        assert float(row["torque_nm"]) == torque.value
        assert float(row["torque_u_nm"]) == torque.uncertainty
        assert row["torque_is"] == str(torque.kind)


@pytest.mark.parametrize("sealed", [False, True])
def test_all_signals_stand_side_by_side(command: Command, sealed: bool) -> None:
    """One row a scan with every column of the drive; silence is named; the same from sealed blocks."""
    if sealed:
        seal(command.folder)
        forget_tail(command.folder, 2**40)
    done = command.run("PC1", HALF_HOUR, "--signal", "all", "--csv", "-")
    rows = read_csv(done.out)
    assert len(rows) == pytest.approx(600, abs=3)
    assert {"torque_nm", "power_kw", "flow_m3_per_h", "forward/shutdown/B", "running"} <= set(rows[0])
    silent = [row for row in rows if row["not_good"]]
    assert len(silent) == 40
    assert "position: no reply" in silent[0]["not_good"]
    assert "running: no reply" in silent[0]["not_good"]
    assert {row["forward/shutdown/A"] for row in rows} == {"", "0", "1"}
    first = next(row for row in rows if row["forward/shutdown/A"] == "1")
    assert first["local"][11:16] == "15:06"
    assert first["running"] == "0"
    to_nm = torque_of(next(iter(load(CONFIG).site.drives["PC1"].calibrations.values())))
    read = {float(row["position_mm"]): float(row["torque_nm"]) for row in rows if row["torque_nm"]}
    assert len(read) == 10
    assert all(to_nm(mm).value == nm for mm, nm in read.items())


def test_parquet_holds_the_same(command: Command, tmp_path: Path) -> None:
    """Typed, with nothing where nothing was read, and with its zone."""
    target = tmp_path / "pc1.parquet"
    done = command.run("PC1", HALF_HOUR, "--signal", "all", "--parquet", str(target))
    assert done.out.startswith("Written: ")
    table = pyarrow.parquet.read_table(target)
    rows = read_csv(command.run("PC1", HALF_HOUR, "--signal", "all", "--csv", "-").out)
    assert table.num_rows == len(rows)
    assert str(table.schema.field("utc").type) == "timestamp[ms, tz=UTC]"
    assert table.schema.metadata[b"zone"] == b"Europe/London"
    for name in ("torque_nm", "torque_is", "running", "forward/alarm/A", "not_good"):
        column = ["" if v is None else v for v in table.column(name).to_pylist()]
        assert [str(v) if isinstance(v, str) else float(v) for v in column] == [
            row[name] if name in ("torque_is", "not_good") or not row[name] else float(row[name]) for row in rows
        ]


def test_missing_library_is_one_sentence(command: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without pyarrow CSV is named in its place, before anything is read or written."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    said = command.refused("PC1", HALF_HOUR, "--parquet", str(tmp_path / "x.parquet"))
    assert "nightrake[parquet]" in said
    assert "--csv" in said
    assert not (tmp_path / "x.parquet").exists()


def test_table_fits_the_screen_and_hides_no_extreme(command: Command) -> None:
    """Some thirty rows whatever the period; the highest of a bin is the highest reading in it."""
    done = command.run("PC1", HALF_HOUR, "--signal", "torque", "--signal", "running")
    lines = done.out.splitlines()
    assert len(lines) <= 36
    assert "(Europe/London), by 1 min" in " ".join(lines[:2])
    assert lines[2].split() == ["torque,", "kN.m", "running"]
    by_time = {line[:16]: line[16:].split() for line in lines if line.startswith("2026")}
    rows = read_csv(command.run("PC1", HALF_HOUR, "--signal", "torque", "--csv", "-").out)
    for minute in ("15:03", "15:05", "15:08"):
        mine = [float(r["torque_nm"]) / 1000 for r in rows if r["local"][11:16] == minute and r["torque_nm"]]
        low, mean, high = (float(cell) for cell in by_time[f"2026-09-21 {minute}"][:3])
        assert low == pytest.approx(min(mine), abs=0.06)
        assert high == pytest.approx(max(mine), abs=0.06)
        assert low <= mean <= high
    assert by_time["2026-09-21 15:12"][:3] == ["-", "-", "-"]
    assert by_time["2026-09-21 15:03"][-2:] == ["100", "%"]


def test_each_reading_can_be_listed(command: Command) -> None:
    """A line a scan, its stamp to the ms, below its day; none wider than a terminal of 80 columns."""
    done = command.run("PC1", "2026-09-21T15:05:30/PT30S", "--every", "reading")
    lines = done.out.splitlines()
    scans = [line for line in lines if line.startswith("15:05:")]
    assert len(scans) == 10
    assert all(line[8] == "." for line in scans)
    assert lines[lines.index(scans[0]) - 1] == "2026-09-21"
    assert max(map(len, lines)) <= 80


def test_terminal_drawing_has_set_points_and_events(command: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    """No line is wider than the terminal; set points are named, events listed; no colours, so that it can be mailed."""
    monkeypatch.setenv("COLUMNS", "72")
    monkeypatch.setenv("LINES", "40")
    done = command.run("PC1", HALF_HOUR, "--plot")
    lines = done.out.splitlines()
    assert max(map(len, lines)) <= 72
    assert "alarm set point 32; shutdown set point 40" in " ".join(done.out.split())
    assert "shutdown operated" in done.out
    assert "\x1b" not in done.out
    shutdown = lines[lines.index("forward/shutdown/A:") + 1]
    assert shutdown.startswith("  \u00b7")
    assert "\u2588" in shutdown
    assert " " in shutdown.strip()  # the silence


def test_drawing_is_open_where_nobody_watched(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A watch that was away for seven seconds, less than a point may be silent: no lane goes on over that time."""

    def minute(day: RecordedDay) -> Iterator[None]:
        day.note("gap", seconds=7.0)
        yield from day.seconds(60)

    day = RecordedDay(tmp_path)
    day.run(lambda one: one.seconds(60))
    day.clock.advance(7.0)
    day.run(minute)
    monkeypatch.setenv("COLUMNS", "80")
    done = Command(tmp_path, capsys, monkeypatch).run("PC1", "2026-09-21T15:00:34/PT60S", "--plot", "--every", "1s")
    lines = done.out.splitlines()

    for name in ("forward/alarm/A:", "running:"):
        lane = lines[lines.index(name) + 1].strip()
        assert 5 <= lane.count(" ") <= 10, lane
        assert len(lane.split()) == 2


def test_picture_is_drawn_with_what_is_marked(command: Command, tmp_path: Path) -> None:
    """A PNG of a size that can be read; another one where the journal has no events to mark."""
    target, bare = tmp_path / "pc1.png", tmp_path / "bare.png"
    assert command.run("PC1", HALF_HOUR, "--png", str(target)).out == f"Written: {target}.\n"
    data = target.read_bytes()
    width, height = struct.unpack(">II", data[16:24])
    assert data.startswith(b"\x89PNG")
    assert 1000 <= width <= 2000
    assert 500 <= height <= 2000
    db = apsw.Connection(str(command.folder / "store.db"))
    db.execute("delete from journal where drive = 'PC1'")
    db.close()
    command.run("PC1", HALF_HOUR, "--png", str(bare))
    assert bare.read_bytes() != data
    assert struct.unpack(">II", bare.read_bytes()[16:24])[1] < height  # without the list of events


def test_long_time_of_torque_comes_from_summaries(command: Command) -> None:
    """Where they are fine enough: the same as from readings, which are read where the position is asked for too."""
    seal_and_build(command.folder, build_each=False)
    short = command.run("PC1", HALF_HOUR, "--signal", "torque", "--every", "5min").out
    assert "torque from summaries by minute" in " ".join(short.split())
    long = command.run("PC1", HALF_HOUR, "--signal", "torque", "--signal", "position", "--every", "5min").out
    assert "summaries" not in long
    cells = [[line.split()[2:5] for line in out.splitlines() if line.startswith("2026")] for out in (short, long)]
    assert len(cells[0]) == 6
    for one, other in zip(*cells, strict=True):
        assert [float(v) for v in one] == pytest.approx([float(v) for v in other], abs=0.11)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("PC9", HALF_HOUR), "there is no drive 'PC9' in what is recorded"),
        (("PC1", HALF_HOUR, "--signal", "torqe"), "has no such signal; did you mean"),
        (("PC1", "2024-01-01"), "nothing is recorded in 2024-01-01 00:00:00 to"),
        (("PC1", "next week"), "expected"),
        (("PC1", HALF_HOUR, "--every", "often"), "--every 'often'"),
        (("PC1", HALF_HOUR, "--every", "0s"), "--every '0s'"),
        (("PC1", HALF_HOUR, "--csv", "a", "--png", "b"), "give one of"),
        (("PC1", HALF_HOUR, "--csv", "/"), "is a folder"),
        (("PC1", HALF_HOUR, "--csv", "/nowhere/x.csv"), "there is no folder"),
        (("PC1", HALF_HOUR, "--csv", "-", "--every", "1min"), "a file has every reading"),
    ],
)
def test_mistakes_are_said_in_a_sentence(command: Command, words: tuple[str, ...], said: str) -> None:
    """What is wrong, and what there is."""
    assert said in command.refused(*words)


def test_file_that_is_there_is_kept(command: Command, tmp_path: Path) -> None:
    """Unless it may be replaced."""
    target = tmp_path / "there.csv"
    target.write_text("mine")
    assert "is there already" in command.refused("PC1", HALF_HOUR, "--csv", str(target))
    assert target.read_text() == "mine"
    assert command.run("PC1", HALF_HOUR, "--csv", str(target), "--replace").code == 0
    assert target.read_text().startswith("utc,local,torque_nm")


def test_no_cell_is_taken_for_a_formula() -> None:
    """Names come from settings of any time; a negative number stays a number."""
    assert safe_cell("=cmd|' /C calc'!A0").startswith("'=cmd")
    assert safe_cell(" @SUM(1)").startswith("' @")
    assert safe_cell('a,"b"') == '"a,""b"""'
    assert safe_cell("forward/alarm/A") == "forward/alarm/A"


def long_series(slices: int, columns: int) -> Iterator[Piece]:
    """A series that is made as it is read: nobody holds it whole."""
    for number in range(slices):
        utc_ms = 1_790_000_000_000 + np.arange(number * 2_000, (number + 1) * 2_000, dtype=np.int64) * 250
        values = np.sin(utc_ms / 7e5)
        yield Piece(utc_ms, (*[values] * (columns - 1), np.zeros(2_000, np.int16)))


@pytest.mark.timeout(120)
@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_export_of_any_length_needs_little_memory(form: str, tmp_path: Path) -> None:
    """Ten times the rows take no more memory: 400,000 of them, some 40 MB of text, within 25 MB (Parquet 60 MB)."""
    signals = [s for s in signals_of(["position", "power", "speed"]) if s.name != "torque"]
    lanes = lanes_of(signals)
    layout = Layout(signals, lanes)
    chunks = side_by_side([long_series(200, 1 + len(lane.columns)) for lane in lanes])
    rows = 0
    with (tmp_path / "long").open("wb") as out:
        if form == "parquet":
            file = ParquetFile(out, layout, {"drive": "PC1"})
        tracemalloc.start()
        try:
            if form == "csv":
                for part, chunk in csv_parts(layout, chunks, lambda utc_ms: UTC_ZONE):
                    out.write(part)
                    rows += len(chunk.utc_ms)
            else:
                for chunk in chunks:
                    file.add(chunk)
                    rows += len(chunk.utc_ms)
                file.close()
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
    assert rows == 400_000
    assert peak < (25_000_000 if form == "csv" else 60_000_000)


def test_period_of_the_whole_history_is_cut_to_what_there_is(command: Command) -> None:
    """The title says from when until when, so that nobody takes a gap for silence."""
    done = command.run("PC1", "2020-01-01/2030-01-01", "--signal", "running")
    assert "2026-09-21 15:00:00 to 2026-09-21 15:" in done.out
    assert json.dumps(load(CONFIG).site.drives["PC1"].name).strip('"') in done.out
