"""`nightrake replay`: its arguments."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from nightrake.cli.period import HELP

CONFIG = Path("config")


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command()(replay)


def replay(
    period: Annotated[str, typer.Argument(help=HELP)],
    speed: Annotated[
        float, typer.Option(min=0.0, max=1e6, help="Times as fast as it was; 0 = as fast as it goes.")
    ] = 0.0,
    quiet: Annotated[bool, typer.Option("--quiet", help="Only what comes of it, not the events.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, one object.")] = False,
    config: Annotated[Path, typer.Option(help="Settings folder.")] = CONFIG,
    override: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="KEY=VALUE",
            help="What if: by another setting, such as drive.PC1.alarm_nm=38000; repeatable.",
        ),
    ] = None,
) -> None:
    """Replay what was recorded through the same judgement. Says whether the same comes of it; with --set, what if."""
    from nightrake.cli.main import overrides_of
    from nightrake.cli.replay_run import Asked, run_replay

    raise SystemExit(run_replay(config, overrides_of(override), Asked(period, speed, quiet, as_json)))
