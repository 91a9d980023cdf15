"""`nightrake specify`: the data sheets of drives, in the terminal at 80 columns and as pages to print."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from nightrake.commissioning.finding import Finding, Verdict
from nightrake.commissioning.judged import is_wrong, judge, summary
from nightrake.commissioning.sheet import Sheet, make_sheet
from nightrake.commissioning.sheetrows import CAUTIONS, Row, sections
from nightrake.commissioning.stated import read_specification, specification_slips
from nightrake.errors import NightrakeError
from nightrake.settings import Settings, load
from nightrake.settings.words import nearest

WIDTH = 80
LABEL, SI = 30, 21
SIGNS = {Verdict.OK: " ", Verdict.LOOK_AGAIN: "?", Verdict.WRONG: "!", Verdict.OUTSIDE: "-"}
Judged = tuple[Sheet, Sequence[Finding]]


def run_specify(
    folder: Path, overrides: Mapping[str, str | int | float], wanted: Sequence[str], html: Path | None
) -> int:
    """Print the sheets, and write them as pages if asked; exit code 1 if anything is wrong, else 0.

    Raises:
        ConfigError: The folder, or a quantity in it, is mistaken.
        NightrakeError: There is no such drive, it has no specification, or a page cannot be written.
    """
    settings = load(folder, overrides, specification_check=specification_slips)
    drives = _drives(settings, wanted)
    pages = {} if html is None else _files(html, drives)
    judged = [_judged(settings, drive) for drive in drives]
    if pages:  # before anything is printed: a reader that closes the pipe shall not cost a page
        _write(settings, judged, pages)
    for sheet, findings in judged:
        print("\n".join(sheet_lines(sheet, findings)), end="\n\n")
    for sheet, findings in judged:
        print(f"{sheet.specification.drive.id}: {summary(findings)}")
    print()
    for line in (*_without(settings, wanted), *(p for c in CAUTIONS for p in textwrap.wrap(c, WIDTH))):
        print(line)
    for file in pages.values():
        print(f"Written: {file}")
    return 1 if any(is_wrong(findings) for _, findings in judged) else 0


def _drives(settings: Settings, wanted: Sequence[str]) -> list[str]:
    """Drives to be shown: those wanted, or all that have a specification."""
    for drive in wanted:
        if drive not in settings.site.drives:
            known = list(settings.site.drives)
            hint = nearest(drive, known) or f"there are: {', '.join(known[:12])}"
            raise NightrakeError(f"there is no drive '{drive}'; {hint}")
        if drive not in settings.specifications:
            text = f"drive {drive} has no specification; add [drive.{drive}.specification], as in the commented example"
            raise NightrakeError(f"{text} of config/drives.toml")
    found = list(dict.fromkeys(wanted)) or [d for d in settings.site.drives if d in settings.specifications]
    if not found:
        raise NightrakeError("no drive of this folder has a specification; add [drive.ID.specification]")
    return found


def _without(settings: Settings, wanted: Sequence[str]) -> Iterator[str]:
    lacking = [] if wanted else [d for d in settings.site.drives if d not in settings.specifications]
    if lacking:
        yield from textwrap.wrap(f"No specification: {', '.join(lacking)}; add [drive.ID.specification].", WIDTH)
        yield ""


def _judged(settings: Settings, drive: str) -> Judged:
    table = settings.specifications[drive].model_dump()
    specification, _ = read_specification(settings.site.drives[drive], table)
    sheet = make_sheet(specification)
    return sheet, judge(sheet)


# --- pages ------------------------------------------------------------------------------------------------------------


def _files(html: Path, drives: Sequence[str]) -> dict[str, Path]:
    """Which page goes where, before anything is done."""
    if html.suffix.lower() not in (".html", ".htm") or html.is_dir():
        if html.exists() and not html.is_dir():
            raise NightrakeError(f"--html {html}: is a file that does not end in .html; name a folder or a .html file")
        return {drive: html / f"{drive}.html" for drive in drives}
    if len(drives) > 1:
        text = f"--html {html}: is one file, but there are {len(drives)} sheets"
        raise NightrakeError(f"{text}; name a folder, or one drive with --drive")
    return {drives[0]: html}


def _write(settings: Settings, judged: Sequence[Judged], pages: Mapping[str, Path]) -> None:
    from nightrake.reports.page import write_page
    from nightrake.reports.sheet_page import About, sheet_page

    about = About(settings.site.name, datetime.now(UTC).date().isoformat(), settings.digest[:16])
    for sheet, findings in judged:
        write_page(pages[sheet.specification.drive.id], sheet_page(sheet, findings, about))


# --- terminal ---------------------------------------------------------------------------------------------------------


def sheet_lines(sheet: Sheet, findings: Sequence[Finding]) -> list[str]:
    """One sheet: findings first, then what they stand on."""
    drive = sheet.specification.drive
    lines = [*textwrap.wrap(f"{drive.id} {drive.name}: data sheet", WIDTH), "=" * WIDTH]
    for finding in findings:
        lines += finding_lines(finding)
    for section in sections(sheet):
        lines += ["", section.title]
        for row in section.rows:
            lines += row_lines(row)
    return lines


def finding_lines(finding: Finding) -> list[str]:
    """A finding with its sign: '!' wrong, '?' look again, '-' outside this tool; the word stands beside it."""
    text = f"{finding.verdict}: {finding.subject}: {finding.text} [{finding.source}]"
    return textwrap.wrap(text, WIDTH, initial_indent=f"{SIGNS[finding.verdict]} ", subsequent_indent="    ")


def row_lines(row: Row) -> list[str]:
    """Label, SI value, US value in columns; what is too long goes on below its column."""
    label = f"  {row.label}"
    head = textwrap.wrap(label, LABEL - 1, initial_indent="", subsequent_indent="    ", drop_whitespace=False)
    body = [(row.si, row.us)]
    if not row.us or len(row.si) >= SI or len(row.us) > WIDTH - LABEL - SI:
        body = [(text, "") for value in (row.si, row.us) for text in textwrap.wrap(value, WIDTH - LABEL)]
    lines = []
    for at in range(max(len(head), len(body))):
        name = head[at] if at < len(head) else ""
        si, us = body[at] if at < len(body) else ("", "")
        lines.append(f"{name:<{LABEL}}{si:<{SI}}{us}".rstrip())
    return lines
