"""`nightrake journal`: the commands for people about the journal. They only read, also beside a running watch."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from nightrake.cli.journal_wanted import Filters

journal = typer.Typer(
    help="Read, verify and export the journal. Reads only, also beside a running watch.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
)

Config = Annotated[Path, typer.Option(help="Settings folder.")]
Overrides = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="KEY=VALUE", help="Replace one setting, for instance store.dir=copy; repeatable."),
]
Drive = Annotated[str, typer.Option(help="Rows about this drive.")]
Since = Annotated[str, typer.Option(help="From this time on, such as 2026-11-25T18:00 in the rota's zone.")]
Until = Annotated[str, typer.Option(help="Before this time.")]
Person = Annotated[str, typer.Option(help="Rows in which this person acts or is called.")]
Kind = Annotated[list[str] | None, typer.Option(help="alarm, call, command, lockout, drive, ...; repeatable.")]
Alarm = Annotated[
    str, typer.Option(help="Rows about this alarm (PC1/forward/alarm_contact) or kind of alarm (alarm_contact).")
]
Begin = Annotated[
    str, typer.Option("--from", metavar="TIME", help="Begin, such as 2026-11-25T18:00 in the rota's zone.")
]
End = Annotated[str, typer.Option("--to", metavar="TIME", help="End, not included.")]
CONFIG = Path("config")


@journal.command()
def read(
    config: Config = CONFIG,
    drive: Drive = "",
    since: Since = "",
    until: Until = "",
    person: Person = "",
    kind: Kind = None,
    alarm: Alarm = "",
    last: Annotated[
        int | None, typer.Option(min=0, help="So many of the newest, 0 = all. Default: 50, or all since a time given.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print lines of JSON.")] = False,
    override: Overrides = None,
) -> None:
    """Print rows of the journal, the newest last."""
    from nightrake.cli.journal_read import run_read

    filters = Filters(drive, since, until, person, tuple(kind or ()), alarm)
    raise SystemExit(run_read(config, _overrides(override), filters, last, as_json=as_json))


@journal.command()
def verify(
    config: Config = CONFIG,
    heads: Annotated[
        Path | None,
        typer.Option(help="Messages of the topic 'events' as mosquitto_sub -F %j kept them: shows a cut end."),
    ] = None,
    override: Overrides = None,
) -> None:
    """Check every row: hash chain, numbers, heads published over MQTT. Exit code 1 names the first wrong row."""
    from nightrake.cli.journal_verify import run_verify

    raise SystemExit(run_verify(config, _overrides(override), heads))


@journal.command()
def export(
    config: Config = CONFIG,
    csv: Annotated[str, typer.Option("--csv", metavar="FILE", help="Write CSV; - is standard output.")] = "",
    json: Annotated[
        str, typer.Option("--json", metavar="FILE", help="Write lines of JSON; - is standard output.")
    ] = "",
    replace: Annotated[bool, typer.Option("--replace", help="Put it in the place of a file that is there.")] = False,
    drive: Drive = "",
    since: Since = "",
    until: Until = "",
    person: Person = "",
    kind: Kind = None,
    alarm: Alarm = "",
    override: Overrides = None,
) -> None:
    """Write rows to a file, whole or not at all."""
    from nightrake.cli.journal_export import run_export

    filters = Filters(drive, since, until, person, tuple(kind or ()), alarm)
    raise SystemExit(run_export(config, _overrides(override), filters, csv, json, replace=replace))


@journal.command()
def account(config: Config = CONFIG, begin: Begin = "", end: End = "", override: Overrides = None) -> None:
    """Tell a night in sentences. Alarms, calls, answers, lockouts, unwatched time; by default last night."""
    from nightrake.cli.journal_night import run_account

    raise SystemExit(run_account(config, _overrides(override), begin, end))


@journal.command()
def figures(
    config: Config = CONFIG,
    begin: Begin = "",
    end: End = "",
    positions: Annotated[int, typer.Option(min=1, max=100, help="Operator positions that share the alarms.")] = 1,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    override: Overrides = None,
) -> None:
    """Show alarm figures by ISA-18.2 and EEMUA 191. Default: the last 30 days."""
    from nightrake.cli.journal_night import run_figures

    raise SystemExit(run_figures(config, _overrides(override), begin, end, positions, as_json=as_json))


def _overrides(pairs: list[str] | None) -> dict[str, str | int | float]:
    from nightrake.cli.main import overrides_of

    return overrides_of(pairs)
