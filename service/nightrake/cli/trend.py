"""`nightrake trend`: its arguments."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from nightrake.cli.period import HELP

CONFIG = Path("config")


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command()(trend)


def trend(
    what: Annotated[str, typer.Argument(help="A drive's id, an area, or site.")] = "site",
    period: Annotated[str, typer.Argument(help=f"What is looked at; judged as of its end. {HELP}")] = "last 1100 days",
    html: Annotated[str, typer.Option("--html", metavar="FILE", help="Write a page with pictures.")] = "",
    png: Annotated[str, typer.Option("--png", metavar="FILE", help="Draw a picture, of one drive.")] = "",
    csv: Annotated[
        str, typer.Option("--csv", metavar="FILE", help="Write the table, or of one drive its days; - = stdout.")
    ] = "",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Put it in the place of a file that is there.")] = False,
    now: Annotated[
        bool, typer.Option("--now", help="Have the running watch look now: notices, the page, and its report.")
    ] = False,
    config: Annotated[Path, typer.Option(help="Settings folder.")] = CONFIG,
    override: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="KEY=VALUE", help="Replace one setting, such as store.dir=copy; repeatable."),
    ] = None,
) -> None:
    """Show how torque creeps and who will trip first. Reads only, also beside a running watch."""
    from nightrake.cli.main import overrides_of
    from nightrake.cli.trend_run import Wanted, run_now, run_trend

    if now:
        raise SystemExit(run_now(config, overrides_of(override)))

    wanted = Wanted(what, period, html, png, csv, as_json, replace)
    raise SystemExit(run_trend(config, overrides_of(override), wanted))
