"""`nightrake history`: what was read of a drive, as a table, a drawing, a picture or a file."""

from __future__ import annotations

import re
import shutil
import sys
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from nightrake.alarms.zones import Zone, offset_s
from nightrake.cli.history_export import Layout, ParquetFile, check_parquet, csv_parts
from nightrake.cli.history_marks import Marks, gaps_of, marks_of
from nightrake.cli.history_plot import plot_text
from nightrake.cli.history_read import DriveHistory
from nightrake.cli.history_table import reading_lines, table_lines
from nightrake.cli.journal_wanted import now_utc_ms, zone_at
from nightrake.cli.period import UNITS_MS, period_from, period_text
from nightrake.cli.progress import Progress
from nightrake.cli.wholefile import check_target, whole_file
from nightrake.errors import NightrakeError
from nightrake.history.gaps import opened
from nightrake.history.lanes import Chunk, side_by_side
from nightrake.history.period import Period
from nightrake.history.picture import Grid, Shown, Thinning, bridged, grid_for
from nightrake.history.screen import COLUMNS
from nightrake.history.signals import Kind, Signal
from nightrake.longterm.drivereading import Lane, lanes_of
from nightrake.longterm.summarydrawing import draw_rows, readings_in, recorded_in, source_for
from nightrake.settings import Settings, load

TABLE_ROWS, PNG_COLUMNS = 30, 1200
READING = "reading"
_EVERY = re.compile(r"(\d{1,6})\s*([a-z]+)")
_SHORT = {"s": 1000, "m": 60_000, "h": 3_600_000, "d": 86_400_000, "w": 7 * 86_400_000}


class Asked(NamedTuple):
    """As typed; "" and () = not given."""

    drive: str
    period: str = "last day"
    signals: tuple[str, ...] = ()
    every: str = ""
    csv: str = ""
    parquet: str = ""
    plot: bool = False
    png: str = ""
    replace: bool = False


def run_history(folder: Path, overrides: Mapping[str, str | int | float], asked: Asked) -> int:
    """Show or write it; exit code 0.

    Raises:
        NightrakeError: Folder, drive, signal or period is wrong, or a file cannot be written.
    """
    if sum(map(bool, (asked.csv, asked.parquet, asked.plot, asked.png))) > 1:
        raise NightrakeError("give one of --csv, --parquet, --plot and --png")
    step_ms = step_of(asked.every)
    for target, suffix in ((asked.parquet, ""), (asked.png, ".png"), (asked.csv if asked.csv != "-" else "", "")):
        if target:
            check_target(Path(target), replace=asked.replace, suffix=suffix)
    if asked.parquet:
        check_parquet()
    settings = load(folder, overrides)
    period = period_from(settings, asked.period, now_utc_ms())
    with DriveHistory(settings.store_dir, asked.drive) as drive:
        within = _within(settings, drive, period)
        _Showing(settings, drive, within, drive.chosen(asked.signals), asked).show(step_ms)
        for sentence in (*drive.unread(), *drive.history.damaged, *drive.left_out(settings, within)):
            print(textwrap.fill(f"Beware: {sentence}.", 80), file=sys.stderr)
    return 0


def step_of(every: str) -> int:
    """``--every`` in ms: 0 = by the screen, -1 = each reading."""
    if every in ("", READING):
        return -1 if every else 0
    found = _EVERY.fullmatch(every.strip().lower())
    unit = (_SHORT.get(found[2]) or UNITS_MS.get(found[2]) or UNITS_MS.get(found[2].removesuffix("s"))) if found else 0
    step = int(found[1]) * unit if found and unit else 0
    if not step:
        raise NightrakeError(f"--every '{every[:20]}': expected whole units, such as 10s, 5min, 1h, 1d, or 'reading'")
    return step


def _within(settings: Settings, drive: DriveHistory, period: Period) -> Period:
    """The part of a period of which something is recorded; summaries may reach further back than readings."""
    spans = [drive.span(), recorded_in(drive, period)]
    known = [span for span in spans if span is not None]
    kept = Period(min(s.from_ms for s in known), max(s.to_ms for s in known)) if known else None
    if kept is None or period.to_ms <= kept.from_ms or period.from_ms >= kept.to_ms:
        said = f"recorded is {period_text(settings, kept)}" if kept else "there is no record at all"
        gone = drive.left_out(settings, period)
        raise NightrakeError(
            "; ".join([f"nothing is recorded in {period_text(settings, period)}", said, *drive.unread(), *gone])
        )
    return Period(max(period.from_ms, kept.from_ms), min(period.to_ms, kept.to_ms))


class _Showing:
    """One request, opened."""

    def __init__(
        self, settings: Settings, drive: DriveHistory, period: Period, signals: Sequence[Signal], asked: Asked
    ) -> None:
        self._settings, self._drive, self._period = settings, drive, period
        self._signals, self._asked = signals, asked
        self._lanes = lanes_of(signals)
        self._by_summaries = ""

    def show(self, step_ms: int) -> None:
        asked = self._asked
        if asked.csv or asked.parquet:
            if step_ms > 0:
                raise NightrakeError("--every: a file has every reading; leave --every out, or ask for a table")
            self._export()
        elif asked.png:
            self._picture(step_ms)
        elif asked.plot:
            width, height = shutil.get_terminal_size((80, 24))
            grid = self._grid(max(20, width - 12), step_ms)
            shown = self._bridged(grid)
            print(plot_text(shown, grid, self._marks(), self._settings, self._title(grid), (width, height)))
        elif step_ms < 0:
            for line in reading_lines(self._chunks(), self._layout(), self._settings, self._title(None)):
                print(line)
        else:
            grid = self._grid(TABLE_ROWS, step_ms)
            for line in table_lines(self._thinned(grid), grid, self._settings, self._title(grid)):
                print(line)

    # --- readings ---

    def _layout(self) -> Layout:
        return Layout(self._signals, self._lanes)

    def _chunks(self) -> Iterator[Chunk]:
        return side_by_side([self._drive.pieces(lane, self._period) for lane in self._lanes])

    def _export(self) -> None:
        asked, layout, rows = self._asked, self._layout(), 0
        with Progress(f"writing {self._drive.drive}", *self._period) as progress:
            if asked.csv == "-":
                for part, chunk in csv_parts(layout, self._chunks(), self._zone):
                    sys.stdout.buffer.write(part)
                    rows += len(chunk.utc_ms)
                    progress.at(_last(chunk, self._period), rows, "rows")
                sys.stdout.buffer.flush()
                return
            target = Path(asked.csv or asked.parquet)
            with whole_file(target, replace=asked.replace) as out:
                if asked.csv:
                    for part, chunk in csv_parts(layout, self._chunks(), self._zone):
                        out.write(part)
                        rows += len(chunk.utc_ms)
                        progress.at(_last(chunk, self._period), rows, "rows")
                else:
                    with closing(ParquetFile(out, layout, self._about())) as file:
                        for chunk in self._chunks():
                            file.add(chunk)
                            rows += len(chunk.utc_ms)
                            progress.at(_last(chunk, self._period), rows, "rows")
        text = f"Written: {target}, {rows} row{'s' if rows != 1 else ''}, {period_text(self._settings, self._period)}."
        print(textwrap.fill(text, 80, break_long_words=False))

    def _zone(self, utc_ms: int) -> Zone:
        return zone_at(self._settings, utc_ms)

    def _about(self) -> dict[str, str]:
        return {
            "site": self._settings.site.id,
            "drive": self._drive.drive,
            "zone": zone_at(self._settings, self._period.from_ms).name,
        }

    # --- pictures ---

    def _grid(self, columns: int, step_ms: int) -> Grid:
        zone = zone_at(self._settings, self._period.from_ms)
        offset_ms = offset_s(zone, self._period.from_ms // 1000) * 1000
        grid = grid_for(*self._period, columns, max(0, step_ms), offset_ms)
        if grid.columns > COLUMNS:
            raise NightrakeError(
                f"--every: that makes {grid.columns} rows; at most {COLUMNS} fit, so take longer steps"
            )
        return grid

    def _thinned(self, grid: Grid) -> list[Shown]:
        found: list[Shown] = []
        with Progress(f"reading {self._drive.drive}", *self._period) as progress:
            for lane in self._lanes:
                found += self._lane(lane, grid, progress)
        return [one for signal in self._signals for one in found if one.signal == signal]

    def _lane(self, lane: Lane, grid: Grid, progress: Progress) -> list[Shown]:
        thinning, period, rows = Thinning(lane.signals, grid), self._period, 0
        if [s.kind for s in lane.signals] == [Kind.TORQUE]:
            source = source_for(self._drive, period, grid.columns, readings_in(self._drive, period))
            if source.grain is not None:
                whole = Period(period.from_ms, min(period.to_ms, source.rows_to_ms))
                gaps = draw_rows(self._drive, source.grain, whole, thinning.pictures["torque"])
                for piece in (piece for gap in gaps for piece in self._drive.pieces(lane, gap)):
                    thinning.add(piece)
                period = Period(max(period.from_ms, source.read_from_ms), period.to_ms)
                self._by_summaries = f"torque from summaries by {source.grain.name.lower()}"
        if period.from_ms < period.to_ms:
            for piece in self._drive.pieces(lane, period):
                thinning.add(piece)
                rows += len(piece.utc_ms)
                progress.at(int(piece.utc_ms[-1]), rows, f"readings of {lane.role}")
        return thinning.shown()

    def _marks(self) -> Marks:
        return marks_of(self._settings, self._drive, self._period)

    def _title(self, grid: Grid | None) -> str:
        name = self._settings.site.drives[self._drive.drive].name if self._is_known else ""
        parts = [f"{self._drive.drive} {name}".strip() + f": {period_text(self._settings, self._period)}"]
        if grid is not None:
            parts.append(f"by {step_text(grid.step_ms)}")
        if self._by_summaries:
            parts.append(self._by_summaries)
        return ", ".join(parts)

    @property
    def _is_known(self) -> bool:
        return self._drive.drive in self._settings.site.drives

    def _bridged(self, grid: Grid) -> list[Shown]:
        """For drawing: between two readings that are no farther apart than they are due, unless nobody watched."""
        found = self._thinned(grid)
        spec = self._drive.last_spec or self._settings.site.drives.get(self._drive.drive)
        points = spec.points() if spec is not None else {}
        rules = spec.on_change if spec is not None else {}
        periods_ms = {role: point.period_ns // 1_000_000 for role, point in points.items()}
        silences_ms = {role: rule.longest_ns // 1_000_000 for role, rule in rules.items()}
        held = [
            bridged(one, grid.step_ms, periods_ms.get(one.signal.role, 0), silences_ms.get(one.signal.role, 0))
            for one in found
        ]
        gaps = gaps_of(self._settings, self._drive, self._period)
        return [opened(one, grid, gaps) for one in held]

    def _picture(self, step_ms: int) -> None:
        from nightrake.reports.history_figure import Event, Lane, Picture, png_of

        grid = self._grid(PNG_COLUMNS, step_ms)
        shown = self._bridged(grid)
        zone = zone_at(self._settings, self._period.from_ms)
        offset = offset_s(zone, self._period.from_ms // 1000)
        marks, lanes = self._marks(), []
        for signal, thin, uncertainty_nm in shown:
            is_torque = signal.kind is Kind.TORQUE
            scale, unit = (1000.0, "kN.m") if is_torque else (1.0, signal.unit)
            values = (thin.low / scale, thin.mean / scale, thin.high / scale, uncertainty_nm / scale)
            lanes.append(Lane(signal.name, unit, signal.is_yes_or_no, thin.utc_ms, *values))
        points = [(name, nm / 1000) for name, nm in marks.set_points] if lanes[0].name == "torque" else []
        events = [Event(*event) for event in marks.events]
        picture = Picture(self._title(grid), zone.name, offset, grid.step_ms, lanes, points, events)
        data = png_of(picture)
        with whole_file(Path(self._asked.png), replace=self._asked.replace) as out:
            out.write(data)
        print(f"Written: {self._asked.png}.")


def _last(chunk: Chunk, period: Period) -> int:
    return int(chunk.utc_ms[-1]) if len(chunk.utc_ms) else period.from_ms


def step_text(step_ms: int) -> str:
    """A step in its largest whole unit."""
    for unit, size in (("d", 86_400_000), ("h", 3_600_000), ("min", 60_000), ("s", 1000)):
        if step_ms % size == 0:
            return f"{step_ms // size} {unit}"
    return f"{step_ms} ms"
