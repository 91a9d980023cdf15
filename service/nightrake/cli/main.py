"""`nightrake`: the commands and their arguments. Each imports what it needs when it runs: `watch` stays small."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import Annotated

import typer

from nightrake import __version__
from nightrake.cli.historian import historian
from nightrake.cli.history import register as register_history
from nightrake.cli.journal import journal
from nightrake.cli.operator_args import register as register_operator
from nightrake.cli.output import output_told
from nightrake.cli.prove_words import head_help
from nightrake.cli.replay import register as register_replay
from nightrake.cli.response_args import register
from nightrake.cli.stopping import OWN_WAYS, Stopped, stopped_in_order
from nightrake.cli.trend import register as register_trend
from nightrake.cli.trips import trips
from nightrake.errors import ConfigError, NightrakeError

app = typer.Typer(
    name="nightrake",
    help="Watches slow, high-torque drives fitted with a two-stage torque overload device. It is no safety function.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

app.add_typer(journal, name="journal")
app.add_typer(historian, name="historian")
app.add_typer(trips, name="trips")
register(app)
register_operator(app)
register_history(app)
register_replay(app)
register_trend(app)

Folder = Annotated[Path, typer.Argument(help="Settings folder.", show_default=True)]
Overrides = Annotated[
    list[str] | None,
    typer.Option(
        "--set", metavar="KEY=VALUE", help="Replace one setting, for instance plc.PLCA.port=1502; repeatable."
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
CONFIG = Path("config")
STOPPED = 130
"""Exit code after Ctrl-C: 128 and the signal's number, as shells have it."""


@app.command()
def watch(folder: Folder = CONFIG, override: Overrides = None) -> None:
    """Run the watch: read the PLCs, judge, keep, tell. Ends on SIGTERM or Ctrl-C; SIGHUP reloads the settings."""
    from nightrake.hangup import note_hang_up

    hung_up = note_hang_up()  # loading the rest takes a while
    from nightrake.app import run_watch

    raise SystemExit(run_watch(folder, overrides_of(override), hung_up))


@app.command()
def check(
    folder: Folder = CONFIG,
    override: Overrides = None,
    live: Annotated[bool, typer.Option("--live", help="Read each configured point once, read-only.")] = False,
    as_json: AsJson = False,
) -> None:
    """Validate the settings folder without connecting. With --live also read every point once and show it."""
    from nightrake.cli.check import run_check

    raise SystemExit(run_check(folder, overrides_of(override), live=live, as_json=as_json))


@app.command()
def status(folder: Folder = CONFIG, override: Overrides = None, as_json: AsJson = False) -> None:
    """Show drives, links, scans and queues of the watch."""
    from nightrake.cli.status import run_status

    raise SystemExit(run_status(folder, overrides_of(override), as_json=as_json))


@app.command()
def reset(
    drive: Annotated[str, typer.Argument(help="Drive id.")],
    direction: Annotated[str, typer.Option(help="forward or reverse; default: all that are latched.")] = "",
    config: Annotated[Path, typer.Option(help="Settings folder.")] = CONFIG,
    override: Overrides = None,
) -> None:
    """Reset the service's own shutdown latch of a drive. It does nothing in the plant and isolates no energy."""
    from nightrake.cli.commands import run_command

    raise SystemExit(run_command(config, overrides_of(override), "reset", drive, direction, ""))


@app.command()
def test(
    drive: Annotated[str, typer.Argument(help="Drive id.")],
    minutes: Annotated[
        float, typer.Option("--for", min=0.1, max=240.0, help="Minutes until the function check ends by itself.")
    ] = 30.0,
    end: Annotated[bool, typer.Option("--end", help="End the function check now.")] = False,
    config: Annotated[Path, typer.Option(help="Settings folder.")] = CONFIG,
    override: Overrides = None,
) -> None:
    """Put a drive 'in test' while its contacts are proved. Shown everywhere, latches nothing, ends by itself."""
    from nightrake.cli.commands import run_command

    verb, arg = ("test_end", "") if end else ("test", str(minutes * 60.0))
    raise SystemExit(run_command(config, overrides_of(override), verb, drive, "", arg))


@app.command()
def specify(
    folder: Folder = CONFIG,
    drive: Annotated[list[str] | None, typer.Option("--drive", help="Drive id; repeatable. Default: all.")] = None,
    html: Annotated[
        Path | None, typer.Option(help="Also write pages to print: a .html file for one drive, or a folder.")
    ] = None,
    override: Overrides = None,
) -> None:
    """Show the data sheets of drives, computed and judged. Exit code 1 if anything is 'wrong'; 'look again' gives 0."""
    from nightrake.cli.specify import run_specify

    raise SystemExit(run_specify(folder, overrides_of(override), drive or [], html))


@app.command(epilog=head_help())
def prove(
    drive: Annotated[str, typer.Argument(help="Drive id.")],
    direction: Annotated[str, typer.Option(help="forward or reverse, where the device senses both.")] = "",
    points: Annotated[
        Path | None, typer.Option(help="CSV of points taken by hand, in place of the dialogue; the README shows it.")
    ] = None,
    still_mm: Annotated[
        float, typer.Option(min=0.001, max=5.0, help="Spread in mm that passes as standing still.")
    ] = 0.05,
    still_s: Annotated[float, typer.Option(min=0.5, max=600.0, help="For how long, s.")] = 3.0,
    config: Annotated[Path, typer.Option(help="Settings folder.")] = CONFIG,
    override: Overrides = None,
) -> None:
    """Prove a drive's torque and contacts with known torque. Goes on live; writes record and certificate."""
    from nightrake.cli.prove_run import run_prove
    from nightrake.commissioning.stillness import Still

    still = Still(still_mm, still_s)
    raise SystemExit(run_prove(config, overrides_of(override), drive, direction, points, still))


@app.command("reload")
def reload_settings(folder: Folder = CONFIG, override: Overrides = None) -> None:
    """Make the running watch take its changed settings. In whole, or it refuses it whole."""
    from nightrake.cli.commands import run_reload

    raise SystemExit(run_reload(folder, overrides_of(override)))


@app.command(
    context_settings={"allow_extra_args": True, "ignore_unknown_options": True, "help_option_names": []},
)
def simulate(context: typer.Context) -> None:
    """Run the simulated Fennmark plant; see simulate --help. A Modbus/TCP server with physics of its own."""
    from nightrake.plant.main import main as plant_main

    raise SystemExit(plant_main(context.args))


@app.command()
def demo(
    seconds: Annotated[
        float, typer.Option("--for", min=0.0, help="End by itself after this many seconds (0: run on).")
    ] = 0.0,
    folder: Annotated[Path, typer.Option("--config", help="Settings folder.")] = CONFIG,
    seed: Annotated[int, typer.Option(help="Seed of the plant's chance.")] = 7,
    browser: Annotated[bool, typer.Option(help="Open the page, where there is a desktop.")] = True,
) -> None:
    """Run simulated plant, broker, store, watch and its page. Nothing to install by hand."""
    from nightrake.cli.demo import run_demo

    raise SystemExit(run_demo(folder, seconds, seed, browser))


@app.command(hidden=True)
def schemas(folder: Annotated[Path, typer.Argument(help="Where to write the JSON Schemas.")]) -> None:
    """Write the JSON Schemas of everything that is told over MQTT (for contributors)."""
    from nightrake.messages.payloads import write_schemas

    write_schemas(folder)


def overrides_of(pairs: list[str] | None) -> dict[str, str | int | float]:
    """Turn ``key=value`` texts into overrides; what looks like a number or a truth value becomes one.

    Raises:
        NightrakeError: A text without '='.
    """
    overrides: dict[str, str | int | float] = {}
    for pair in pairs or []:
        key, equals, value = pair.partition("=")
        if not equals or not key:
            raise NightrakeError(f"--set {pair}: expected KEY=VALUE, for instance --set mqtt.port=1883")
        overrides[key] = _value(value)
    return overrides


def _value(text: str) -> str | int | float | bool:
    """A value as TOML would take it: true, false, a number, else a text."""
    if text in ("true", "false"):
        return text == "true"
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text


@app.callback(invoke_without_command=True)
def root(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
) -> None:
    """Common options."""
    if context.invoked_subcommand not in OWN_WAYS:
        context.with_resource(stopped_in_order())
        context.with_resource(output_told())
    if version:
        typer.echo(f"nightrake {__version__}")
        raise SystemExit(0)


def main() -> None:
    """Entry point: every expected failure is a sentence on standard error and exit 1."""
    try:
        app()
    except ConfigError as error:
        for mistake in error.mistakes:
            _tell(str(mistake))
        count = len(error.mistakes)
        _tell(f"{count} mistake{'s' if count != 1 else ''}; nothing was changed or started.")
        raise SystemExit(1) from None
    except NightrakeError as error:
        _tell(f"nightrake: {error}")
        raise SystemExit(1) from None
    except BrokenPipeError:
        raise SystemExit(0) from None
    except KeyboardInterrupt:
        _tell("nightrake: stopped by Ctrl-C.")
        raise SystemExit(STOPPED) from None
    except Stopped as end:
        _tell(f"nightrake: stopped by {end.number.name}.")
        raise
    except SystemExit as end:
        if end.code == STOPPED:  # so says typer of a Ctrl-C that nobody took
            _tell("nightrake: stopped by Ctrl-C.")
        raise


def _tell(text: str) -> None:
    with contextlib.suppress(OSError):  # the terminal may be closed, the disk full
        print(text, file=sys.stderr)
