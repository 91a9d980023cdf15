"""`nightrake history`: its arguments."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from nightrake.cli.period import HELP

CONFIG = Path("config")


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command()(history)


def history(
    drive: Annotated[str, typer.Argument(help="Drive id.")],
    period: Annotated[str, typer.Argument(help=HELP)] = "last day",
    signal: Annotated[
        list[str] | None,
        typer.Option(help="torque, position, running, power, contacts, all, or one by its name; repeatable."),
    ] = None,
    every: Annotated[
        str, typer.Option(help="Rows so far apart (10s, 5min, 1h); 'reading' = each one. Default: for the screen.")
    ] = "",
    csv: Annotated[
        str, typer.Option("--csv", metavar="FILE", help="Write readings as CSV; - is standard output.")
    ] = "",
    parquet: Annotated[str, typer.Option("--parquet", metavar="FILE", help="Write readings as Parquet.")] = "",
    plot: Annotated[bool, typer.Option("--plot", help="Draw in the terminal.")] = False,
    png: Annotated[str, typer.Option("--png", metavar="FILE", help="Draw a picture.")] = "",
    replace: Annotated[bool, typer.Option("--replace", help="Put it in the place of a file that is there.")] = False,
    config: Annotated[Path, typer.Option(help="Settings folder.")] = CONFIG,
    override: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="KEY=VALUE", help="Replace one setting, such as store.dir=copy; repeatable."),
    ] = None,
) -> None:
    """Show what was read of a drive. As a table, a drawing, a picture, or every reading in a file."""
    from nightrake.cli.history_run import Asked, run_history
    from nightrake.cli.main import overrides_of

    asked = Asked(drive, period, tuple(signal or ()), every, csv, parquet, plot, png, replace)
    raise SystemExit(run_history(config, overrides_of(override), asked))
