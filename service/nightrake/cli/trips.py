"""`nightrake trips`: the arguments of its commands. They only read, also beside a running watch."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

trips = typer.Typer(
    help="Show, export and plot trip records. Reads only, also beside a running watch.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
)

Config = Annotated[Path, typer.Option(help="Settings folder.")]
Overrides = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="KEY=VALUE", help="Replace one setting, for instance store.dir=copy; repeatable."),
]
Name = Annotated[
    str,
    typer.Argument(help="Name as listed, or its beginning where that is enough; or the file of an exported record."),
]
Replace = Annotated[bool, typer.Option("--replace", help="Write over a file of that name.")]
CONFIG = Path("config")


@trips.command("list")
def list_records(
    drive: Annotated[str, typer.Option(help="Records of this drive.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """List the trip records, the newest last."""
    from nightrake.cli.main import overrides_of
    from nightrake.cli.trips_show import run_list

    raise SystemExit(run_list(config, overrides_of(override), drive, as_json=as_json))


@trips.command()
def show(name: Name, config: Config = CONFIG, override: Overrides = None) -> None:
    """Show what is in a record, and what happened in its time."""
    from nightrake.cli.main import overrides_of
    from nightrake.cli.trips_show import run_show

    raise SystemExit(run_show(config, overrides_of(override), name))


@trips.command()
def export(
    name: Name,
    file: Annotated[Path | None, typer.Argument(help="Where to. Default: NAME.zip in this folder.")] = None,
    replace: Replace = False,
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """Write a record as one file. A zip of CSV and JSON; README.txt in it says what is what."""
    from nightrake.cli.main import overrides_of
    from nightrake.cli.trips_show import run_export

    raise SystemExit(run_export(config, overrides_of(override), name, file, replace=replace))


@trips.command()
def plot(
    name: Name,
    file: Annotated[
        Path | None, typer.Argument(help="Where to, .html or .png. Default: NAME.html in this folder.")
    ] = None,
    near_min: Annotated[
        float, typer.Option("--near", min=0.1, max=1440.0, help="Minutes on either side of the trip shown larger.")
    ] = 10.0,
    replace: Replace = False,
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """Plot a record. A page that refers to nothing outside, or a picture."""
    from nightrake.cli.main import overrides_of
    from nightrake.cli.trips_plot import run_plot

    raise SystemExit(run_plot(config, overrides_of(override), name, file, near_min, replace=replace))
