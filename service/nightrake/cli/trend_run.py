"""`nightrake trend`: how torque creeps, as a table, one drive in words, a page, a picture or a file."""

from __future__ import annotations

import json
import sys
import textwrap
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from nightrake.cli.journal_wanted import now_utc_ms
from nightrake.cli.period import period_from, period_text
from nightrake.cli.progress import Progress
from nightrake.cli.wholefile import check_target, whole_file
from nightrake.control.client import ControlClient
from nightrake.domain.cleantext import clean
from nightrake.domain.site import DriveSpec
from nightrake.errors import NightrakeError
from nightrake.history.period import Period
from nightrake.learnreading.site import Asked
from nightrake.learnreading.sitesteps import kept
from nightrake.learntold.files import days_csv, table_csv, trend_json
from nightrake.learntold.site import SideTold, SiteTold, options_of, points_nm
from nightrake.learntold.table import EXPLAINED, WIDTH, Named, table_lines
from nightrake.learntold.words import RECORD_ONLY, detail_lines, headline
from nightrake.settings import Settings, load
from nightrake.settings.words import nearest

SITE = "site"
LOOKS_S = 3600.0
"""For a watch that looks at a large site."""
SAID = 6
"""Sentences under the table at most: of those that warn, or could reach the alarm within 90 days."""


class Wanted(NamedTuple):
    """As typed; "" = not given."""

    what: str = SITE
    period: str = "last 1100 days"
    html: str = ""
    png: str = ""
    csv: str = ""
    as_json: bool = False
    replace: bool = False


def run_trend(folder: Path, overrides: Mapping[str, str | int | float], wanted: Wanted) -> int:
    """Show or write it; exit code 0, or 1 where a drive could not be read.

    Raises:
        NightrakeError: Folder, drive, area or period is wrong, there is no history, or a file cannot be written.
    """
    if sum(map(bool, (wanted.html, wanted.png, wanted.csv, wanted.as_json))) > 1:
        raise NightrakeError("give one of --html, --png, --csv and --json")
    targets = (wanted.html, ".html"), (wanted.png, ".png"), (wanted.csv if wanted.csv != "-" else "", "")
    for target, suffix in targets:
        if target:
            check_target(Path(target), replace=wanted.replace, suffix=suffix)
    settings = load(folder, overrides)
    now_ms = now_utc_ms()
    period = period_from(settings, wanted.period, now_ms)
    if period.from_ms >= now_ms:
        raise NightrakeError(f"period '{wanted.period[:60]}': nothing of it has passed yet; give one that has begun")
    before = kept(settings.store_dir)
    asked = Asked(settings.store_dir, period, min(now_ms, period.to_ms), options_of(settings), before.taught)
    return _Telling(settings, asked, wanted, chosen(settings, wanted.what), before.lacking).run()


def run_now(folder: Path, overrides: Mapping[str, str | int | float]) -> int:
    """Have the running watch look at once; exit code 0 when it has.

    Raises:
        ControlError: No watch runs.
    """
    settings = load(folder, overrides)
    with ControlClient(settings.control.socket, timeout_s=LOOKS_S) as client:
        answer = client.ask("learn")
    text = f"The watch {answer['text']}." if answer["ok"] else f"The watch could not look: {answer['text']}."
    print(textwrap.fill(clean(text, 500), WIDTH, break_on_hyphens=False))
    return 0 if answer["ok"] else 1


def chosen(settings: Settings, what: str) -> list[DriveSpec]:
    """The drives of a name: a drive, an area, or the site.

    Raises:
        NightrakeError: There is none of that name, or none with a position.
    """
    drives = settings.site.drives
    areas = list(dict.fromkeys(spec.area for spec in drives.values() if spec.area))
    mine = [drives[what]] if what in drives else [s for s in drives.values() if what == SITE or what == s.area]
    if not mine:
        there = f"there are the drives {', '.join(list(drives)[:12])}"
        there += f" and the areas {', '.join(areas[:12])}" if areas else ""
        hint = nearest(what, [*drives, *areas]) or there
        raise NightrakeError(f"there is no drive or area '{what[:40]}' in the settings; {hint}")
    measured = [spec for spec in mine if spec.position is not None]
    if not measured:
        names = ", ".join(spec.id for spec in mine[:12])
        raise NightrakeError(f"{names}: no position is read, so there is no torque to trend; add drive.ID.position")
    return measured


class _Telling:
    """One request, ready to be answered."""

    def __init__(
        self, settings: Settings, asked: Asked, wanted: Wanted, drives: Sequence[DriveSpec], lacking: str
    ) -> None:
        self._settings, self._asked, self._wanted, self._drives = settings, asked, wanted, drives
        beside = not wanted.csv and (len(drives) == 1 or bool(wanted.html))
        self._site = SiteTold(settings, asked, drives, beside=beside)
        self._site.beware += [lacking] if lacking else []

    def run(self) -> int:
        if len(self._drives) == 1:
            self._one(self._drives[0])
        elif self._wanted.png:
            raise NightrakeError("--png: draws one drive; name one, or write a page of all with --html FILE")
        else:
            self._many()
        for sentence in self._site.beware:
            print(textwrap.fill(f"Beware: {clean(sentence, 500).rstrip('.')}.", WIDTH), file=sys.stderr)
        return 1 if self._site.beware else 0

    def _ranking(self) -> list[SideTold]:
        with Progress("judging", *self._asked.period) as progress:
            rows = self._site.ranking(lambda n, of: progress.share(n, of, f"of {of} drives"))
        if not rows and not self._site.beware:
            raise NightrakeError(f"nothing was read of these drives in {self._period_text()}")
        return rows

    def _period_text(self) -> str:
        return period_text(self._settings, Period(self._asked.period.from_ms, self._asked.now_utc_ms))

    # --- answers ------------------------------------------------------------------------------------------------------

    def _one(self, spec: DriveSpec) -> None:
        wanted = self._wanted
        with Progress("reading", *self._asked.period) as progress:
            details = self._site.details(spec, seen_by(progress, self._asked.now_utc_ms))
        if wanted.as_json:
            sides = [trend_json(d.trend, d.name, points_nm(spec, d.trend), list(d.more.facts())) for d in details]
            self._print_json(sides)
        elif wanted.csv:
            self._write_csv(days_csv(details[0].side, details[0].trend.fitted))
        elif wanted.html:
            with Progress("drawing", *self._asked.period) as progress:
                page = self._site.page_of_drive(details, self._period_text(), progress_of(progress))
            self._write(wanted.html, page.encode())
        elif wanted.png:
            from nightrake.learntold.page import picture_of
            from nightrake.reports.trend_figure import png_of

            self._write(wanted.png, png_of(picture_of(details[0])))
        else:
            for number, detail in enumerate(details):
                print("\n" * (number > 0) + "\n".join(detail_lines(detail)))
            print("\n" + textwrap.fill(RECORD_ONLY, WIDTH))

    def _many(self) -> None:
        rows, wanted = self._ranking(), self._wanted
        given = [(told.row.trend, told.name, told.points_nm) for told in rows]
        if wanted.as_json:
            self._print_json([trend_json(*one, ()) for one in given])
        elif wanted.csv:
            self._write_csv(table_csv(given))
        elif wanted.html:
            with Progress("drawing", *self._asked.period) as progress:
                page = self._site.page(rows, self._period_text(), progress_of(progress))
            self._write(wanted.html, page.encode())
        else:
            self._print_table([told.row for told in rows])

    def _print_table(self, rows: Sequence[Named]) -> None:
        print(textwrap.fill(f"Who will reach the alarm first: {self._period_text()}", WIDTH))
        print()
        for line in table_lines(rows):
            print(line)
        print()
        for row in said_of(rows):
            print(textwrap.fill(headline(row.trend, row.who), WIDTH, break_on_hyphens=False))
        print(textwrap.fill(EXPLAINED, WIDTH, break_on_hyphens=False))
        print(textwrap.fill(RECORD_ONLY, WIDTH, break_on_hyphens=False))

    def _print_json(self, trends: Sequence[object]) -> None:
        asked = self._asked
        about = {"site": self._settings.site.id, "from_utc_ms": asked.period.from_ms, "now_utc_ms": asked.now_utc_ms}
        print(json.dumps({**about, "beware": self._site.beware, "trends": trends}, indent=1, allow_nan=False))

    def _write_csv(self, data: bytes) -> None:
        if self._wanted.csv != "-":
            self._write(self._wanted.csv, data)
            return
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()

    def _write(self, target: str, data: bytes) -> None:
        with whole_file(Path(target), replace=self._wanted.replace) as out:
            out.write(data)
        print(f"Written: {target}.")


def progress_of(progress: Progress) -> Callable[[int, int], None]:
    """Drives done, told on."""
    return lambda n, of: progress.share(n, of, f"of {of} drives")


def seen_by(progress: Progress, to_utc_ms: int) -> Callable[[int], None]:
    """Readings that are kept, told on by the moment up to which they have been read; they may be of the last days only.

    Args:
        to_utc_ms: The moment of the last one.
    """
    first_ms: list[int] = []

    def seen(utc_ms: int) -> None:
        first_ms[:] = first_ms or [utc_ms]
        progress.share(utc_ms - first_ms[0], to_utc_ms - first_ms[0], "of the readings that are kept")

    return seen


def said_of(rows: Sequence[Named]) -> list[Named]:
    """Whose sentence stands under the table."""
    return [row for row in rows if row.trend.warning or row.trend.alarm.within.get(90, 0.0) >= 0.05][:SAID]
