"""Arguments of what people do about alarms: `alarms`, `acknowledge`, `shelve`, `standby`, `lockout` and the rest."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer

CONFIG = Path("config")
Config = Annotated[Path, typer.Option(help="Settings folder.")]
Folder = Annotated[Path, typer.Argument(help="Settings folder.", show_default=True)]
Overrides = Annotated[list[str] | None, typer.Option("--set", metavar="KEY=VALUE", help="Replace one setting.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
AlarmName = Annotated[str, typer.Argument(help="As 'nightrake alarms' shows it: PC1/forward/alarm_contact.")]
Drive = Annotated[str, typer.Argument(help="Drive id.")]
Reason = Annotated[str, typer.Option(help="Why; it stands in the journal.")]
Remark = Annotated[str, typer.Option(help="Free text for the record.")]

lockout = typer.Typer(
    help="Lockout after a shutdown, as a record. It isolates nothing; local rules come first.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
)


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    for command in (alarms, acknowledge, shelve, unshelve, standby, answer):
        app.command()(command)
    app.command("out-of-service")(out_of_service)
    app.command("return-to-service")(return_to_service)
    app.add_typer(lockout, name="lockout")


def _overrides(pairs: list[str] | None) -> dict[str, str | int | float]:
    from nightrake.cli.main import overrides_of

    return overrides_of(pairs)


def _ask(
    config: Path,
    override: list[str] | None,
    verb: str,
    drive: str,
    args: Mapping[str, object],
    *,
    caution: bool = False,
) -> None:
    from nightrake.cli.response import run_ask

    raise SystemExit(run_ask(config, _overrides(override), verb, drive, args, caution=caution))


def alarms(folder: Folder = CONFIG, override: Overrides = None, as_json: AsJson = False) -> None:
    """Show every alarm that stands. Since when, whom it called, who acknowledged it."""
    from nightrake.cli.response import run_alarms

    raise SystemExit(run_alarms(folder, _overrides(override), as_json=as_json))


def acknowledge(
    what: Annotated[str, typer.Argument(help="An alarm as 'nightrake alarms' shows it, or a drive: all of its own.")],
    occurrence: Annotated[
        int | None, typer.Option(help="The occurrence you have seen; default: the one shown.")
    ] = None,
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """Say that you see to an alarm. Its calls stop for its time to respond."""
    from nightrake.cli.response import run_acknowledge

    raise SystemExit(run_acknowledge(config, _overrides(override), what, occurrence))


def shelve(
    alarm: AlarmName,
    reason: Reason = "",
    minutes: Annotated[float, typer.Option("--for", min=1.0, max=1440.0, help="Minutes.")] = 60.0,
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """Shelve one alarm for a limited time. It comes back by itself. What is about a shutdown cannot be shelved."""
    _ask(config, override, "shelve", "", {"alarm": alarm, "reason": reason, "for_s": minutes * 60.0})


def unshelve(alarm: AlarmName, config: Config = CONFIG, override: Overrides = None) -> None:
    """End a shelving before its time."""
    _ask(config, override, "unshelve", "", {"alarm": alarm})


def out_of_service(
    alarm: AlarmName,
    reason: Reason = "",
    hours: Annotated[float, typer.Option("--for", min=0.1, max=2208.0, help="Hours.")] = 8.0,
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """Take one alarm out of service for a limited time. Under a permit, or a maintenance record."""
    _ask(config, override, "out_of_service", "", {"alarm": alarm, "reason": reason, "for_s": hours * 3600.0})


def return_to_service(alarm: AlarmName, config: Config = CONFIG, override: Overrides = None) -> None:
    """Put one alarm back into service before its time."""
    _ask(config, override, "return_to_service", "", {"alarm": alarm})


def standby(
    drive: Drive,
    reason: Reason = "",
    hours: Annotated[float, typer.Option("--for", min=0.1, max=744.0, help="Hours until it ends by itself.")] = 8.0,
    end: Annotated[bool, typer.Option("--end", help="End it now.")] = False,
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """Say that a drive is meant to stand. 'Stopped without a trip' is not told meanwhile."""
    if end:
        _ask(config, override, "standby_end", drive, {})
    _ask(config, override, "standby", drive, {"reason": reason, "for_s": hours * 3600.0})


def answer(config: Config = CONFIG, override: Overrides = None) -> None:
    """Answer a test call. The way to you is alive."""
    _ask(config, override, "answer", "", {})


@lockout.command("show")
def lockout_show(drive: Drive, config: Config = CONFIG, override: Overrides = None, as_json: AsJson = False) -> None:
    """Show what was reported and what is missing."""
    from nightrake.cli.response import run_lockout_show

    raise SystemExit(run_lockout_show(config, _overrides(override), drive, as_json=as_json))


@lockout.command("open")
def lockout_open(drive: Drive, remark: Remark = "", config: Config = CONFIG, override: Overrides = None) -> None:
    """Take a drive out without a shutdown."""
    _ask(config, override, "lockout_open", drive, {"remark": remark})


STEPS = (
    "isolation-reported zero-energy-reported cause cleared contacts-proved area-clear lock-removed lock-exception "
    "shift-transfer test-run test-run-end"
)


@lockout.command("report")
def lockout_report(
    step: Annotated[str, typer.Argument(help=f"One of: {', '.join(STEPS.split())}.")],
    drive: Drive,
    remark: Remark = "",
    lock: Annotated[str, typer.Option(help="Number of your own lock.")] = "",
    cause: Annotated[str, typer.Option(help="Cause, from the site's list or in own words.")] = "",
    person: Annotated[str, typer.Option(help="shift-transfer: to whom. lock-exception: whose lock.")] = "",
    name: Annotated[str, typer.Option(help="test-run: what it is called.")] = "",
    minutes: Annotated[float, typer.Option("--for", min=0.0, max=60.0, help="test-run: minutes.")] = 10.0,
    fact: Annotated[
        list[str] | None,
        typer.Option(
            help="lock-exception: three times, in this order: absence verified; how sought; how they will be told."
        ),
    ] = None,
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """Report a step. Every step can be reported at any time; it records and isolates nothing."""
    if step not in STEPS.split():
        raise typer.BadParameter(f"'{step[:40]}' is no step; expected one of {', '.join(STEPS.split())}")
    said = {"remark": remark, "lock_number": lock, "cause": cause, "whom": person, "name": name}
    args: dict[str, object] = {key: text for key, text in said.items() if text}
    args |= {"limit_s": minutes * 60.0} if step == "test-run" else {}
    args |= {"facts": list(fact)} if fact else {}
    _ask(config, override, step.replace("-", "_"), drive, args)


@lockout.command("cancel")
def lockout_cancel(drive: Drive, reason: Reason = "", config: Config = CONFIG, override: Overrides = None) -> None:
    """Cancel a lockout opened by mistake, by a supervisor. Only without a shutdown, and with no lock on record."""
    _ask(config, override, "lockout_cancel", drive, {"reason": reason})


@lockout.command("release")
def lockout_release(drive: Drive, reason: Reason = "", config: Config = CONFIG, override: Overrides = None) -> None:
    """Release a drive, by a supervisor. Refused while anything stands against it; it names all of it."""
    _ask(config, override, "release", drive, {"reason": reason}, caution=True)
