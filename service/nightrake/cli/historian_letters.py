"""`nightrake historian dead-letters`: what the store forwarded to has refused, shown, or sent again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path
from typing import Annotated, Any

import typer

letters = typer.Typer(add_completion=False, rich_markup_mode=None)

AT_ONCE = 1000
SHOWN = 20
"""Kinds of refusal that are shown."""
LINE_CHARS, REASON_CHARS = 150, 200
WAIT_S = 3600.0
"""How long sending them again may take: what is new goes first."""


@letters.command("dead-letters")
def dead_letters(
    retry: Annotated[
        bool, typer.Option("--retry", help="Send them again; needs a running watch. Taken ones are dropped.")
    ] = False,
    config: Annotated[Path, typer.Option(help="Settings folder.")] = Path("config"),
    override: Annotated[
        list[str] | None, typer.Option("--set", metavar="KEY=VALUE", help="Replace one setting; repeatable.")
    ] = None,
) -> None:
    """Show what the far store has refused, and why. --retry sends it again."""
    from nightrake.cli.main import overrides_of

    raise SystemExit(run_letters(config, overrides_of(override), retry=retry))


def run_letters(folder: Path, overrides: Mapping[str, str | int | float], *, retry: bool) -> int:
    """Show, or send again; exit code 1 when some were refused again."""
    from nightrake.control.client import ControlClient
    from nightrake.settings import load

    settings = load(folder, overrides)
    if not retry:
        print("\n".join(letter_lines(settings)))
        return 0
    with ControlClient(settings.control.socket, timeout_s=WAIT_S) as client:
        counts = client.ask("retry_letters")
    print(retried_text(counts))
    return 1 if counts["refused"] else 0


def retried_text(counts: Mapping[str, int]) -> str:
    """What came of sending them again, in a sentence."""
    text = f"{counts['taken']} taken by the store, {counts['refused']} refused again"
    if counts["no_lines"]:
        text += f", {counts['no_lines']} cannot be sent (damaged here)"
    return text + ("; those taken are dropped in half a minute, if the store stays up." if counts["taken"] else ".")


def letter_lines(settings: Any) -> Iterator[str]:
    """Refusals by the store's words: how many, from when to when, the first line of each.

    Raises:
        StoreError: There is no readable store.
    """
    from nightrake.cli.journal_wanted import now_utc_ms, zone_at
    from nightrake.cli.text import when_text
    from nightrake.domain.cleantext import clean
    from nightrake.journal.reader import Reader

    found: dict[str, list[Any]] = {}
    after = count = 0
    with closing(Reader(settings.store_dir / "store.db")) as reader:
        while part := reader.letters_after(after, AT_ONCE):
            for number, utc_ms, line, reason in part:
                kind = found.setdefault(clean(reason, REASON_CHARS), [0, utc_ms, utc_ms, clean(line, LINE_CHARS)])
                kind[0], kind[2], after, count = kind[0] + 1, utc_ms, number, count + 1
    if not found:
        yield "No dead letters: the store forwarded to has taken every line, or none was sent."
        return
    now_ms = now_utc_ms()
    zone = zone_at(settings, now_ms)
    yield f"{count} dead letters; nightrake historian dead-letters --retry sends them again"
    for reason, (many, first_ms, last_ms, line) in list(found.items())[:SHOWN]:
        begin, end = (when_text(utc_ms, now_ms, zone) for utc_ms in (first_ms, last_ms))
        yield ""
        yield f"{many} x {reason}"
        yield f"  {begin}" + (f" to {end}" if last_ms != first_ms else "")
        yield f"  first: {line}"
    if len(found) > SHOWN:
        yield f"and {len(found) - SHOWN} other reasons"
