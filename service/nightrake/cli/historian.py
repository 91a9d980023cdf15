"""`nightrake historian`: the commands that look after the long-term history."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from nightrake.cli.historian_letters import letters

historian = typer.Typer(
    help="Look after what is kept. Backup, verify, restore, compact; derive torque anew.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
)

historian.add_typer(letters)

Config = Annotated[Path, typer.Option(help="Settings folder.")]
Overrides = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="KEY=VALUE", help="Replace one setting, for instance store.dir=copy; repeatable."),
]
CONFIG = Path("config")


@historian.command()
def recompute(
    drive: Annotated[str, typer.Argument(help="Drive id.")],
    begin: Annotated[str, typer.Option("--from", metavar="TIME", help="Begin, such as 2026-11-01 in the rota's zone.")],
    end: Annotated[
        str, typer.Option("--to", metavar="TIME", help="End, not included. Default: all that is summarised.")
    ] = "",
    as_of: Annotated[
        str,
        typer.Option("--as-of", metavar="DAY", help="Use the record that was in force on this day. Default: today."),
    ] = "",
    direction: Annotated[str, typer.Option(help="forward or reverse. Default: each that has a record.")] = "",
    write: Annotated[
        bool, typer.Option("--write", help="Write it; without this it only shows what would change.")
    ] = False,
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """Derive torque anew by the record now in force. Shows what changes; --write keeps it."""
    from nightrake.cli.historian_recompute import Asked, run_recompute
    from nightrake.cli.main import overrides_of

    asked = Asked(drive, begin, end, as_of, direction, write)
    raise SystemExit(run_recompute(config, overrides_of(override), asked))


@historian.command()
def backup(
    target: Annotated[Path, typer.Argument(help="Folder that is to be made.")],
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """Copy all that is kept into a new folder. The watch may run."""
    from nightrake.cli.historian_care import run_backup
    from nightrake.cli.main import overrides_of

    raise SystemExit(run_backup(config, overrides_of(override), target))


@historian.command()
def verify(
    backup: Annotated[Path | None, typer.Argument(help="Folder of a backup. Default: the site's own store.")] = None,
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """Look through all that is kept, or a backup. Exit code 1 if anything is not as written."""
    from nightrake.cli.historian_verify import run_verify_all
    from nightrake.cli.main import overrides_of

    raise SystemExit(run_verify_all(config, overrides_of(override), backup))


@historian.command()
def restore(
    backup: Annotated[Path, typer.Argument(help="Folder of the backup.")],
    replace: Annotated[bool, typer.Option("--replace", help="Move what is there aside; nothing is deleted.")] = False,
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """Put a backup in the store's place. Not while a watch runs."""
    from nightrake.cli.historian_care import run_restore
    from nightrake.cli.main import overrides_of

    raise SystemExit(run_restore(config, overrides_of(override), backup, replace=replace))


@historian.command()
def compact(
    leave_out_damaged: Annotated[
        bool,
        typer.Option("--leave-out-damaged", help="Of a damaged history keep what can be read. Not while a watch runs."),
    ] = False,
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """Give free room back to the disk. By the history worker, if a watch runs."""
    from nightrake.cli.historian_care import run_compact
    from nightrake.cli.main import overrides_of

    raise SystemExit(run_compact(config, overrides_of(override), leave_out_damaged=leave_out_damaged))
