"""Arguments of `operator` and `send`: keys and passwords of people, and commands signed with keys."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from nightrake.cli.response_args import CONFIG, Config, Folder, Overrides
from nightrake.cli.send_words import send_help

operator = typer.Typer(
    help="Keys of people, and their passwords for the page.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
)
PassphraseFile = Annotated[
    Path | None, typer.Option("--passphrase-file", help="File that holds the passphrase; default: it is asked for.")
]


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.add_typer(operator, name="operator")
    app.command(epilog=send_help())(send)


def _overrides(pairs: list[str] | None) -> dict[str, str | int | float]:
    from nightrake.cli.main import overrides_of

    return overrides_of(pairs)


@operator.command("add")
def operator_add(
    person: Annotated[str, typer.Argument(help="Id of the person, as in people.toml.")],
    file: Annotated[Path | None, typer.Option(help="For the private key; default: PERSON.pem here.")] = None,
    passphrase_file: PassphraseFile = None,
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """Make a person's key pair. The private key goes into a new file under a passphrase, the public one is shown."""
    from nightrake.cli.operator_keys import run_add

    raise SystemExit(run_add(config, _overrides(override), person, file, passphrase_file))


@operator.command("list")
def operator_list(folder: Folder = CONFIG, override: Overrides = None) -> None:
    """List the people of the site, and who may send signed commands."""
    from nightrake.cli.operator_keys import run_list

    raise SystemExit(run_list(folder, _overrides(override)))


@operator.command("show")
def operator_show(
    file: Annotated[Path, typer.Argument(help="File with the private key, such as night1.pem.")],
    passphrase_file: PassphraseFile = None,
) -> None:
    """Show the public key of a private key once more. The line for people.toml, and its fingerprint."""
    from nightrake.cli.operator_keys import run_show

    raise SystemExit(run_show(file, passphrase_file))


@operator.command("password")
def operator_password(
    person: Annotated[str, typer.Argument(help="Id of the person, as in people.toml.")],
    password_file: Annotated[
        Path | None, typer.Option("--password-file", help="File that holds the password; default: it is asked for.")
    ] = None,
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """Make the line that lets a person sign in at the page. A hash of their password; the password is kept nowhere."""
    from nightrake.cli.operator_password import run_password

    raise SystemExit(run_password(config, _overrides(override), person, password_file))


def send(
    verb: Annotated[str, typer.Argument(help="What is asked for; the list is below.")],
    args: Annotated[
        list[str] | None,
        typer.Argument(metavar="[KEY=VALUE]...", help="For instance alarm=PC1/forward/alarm_contact occurrence=1"),
    ] = None,
    person: Annotated[str, typer.Option("--as", help="Who asks: id of the person.")] = "",
    key: Annotated[Path | None, typer.Option(help="Private key; default: PERSON.pem here.")] = None,
    passphrase_file: PassphraseFile = None,
    user: Annotated[str, typer.Option(help="User name at the broker; default: the person, where names are used.")] = "",
    password_file: Annotated[str, typer.Option(help="File that holds the password at the broker.")] = "",
    cert_file: Annotated[str, typer.Option(help="Certificate to show to the broker.")] = "",
    cert_key_file: Annotated[str, typer.Option(help="Its key.")] = "",
    wait_s: Annotated[float, typer.Option("--wait", min=1.0, max=50.0, help="Seconds for the answer.")] = 15.0,
    config: Config = CONFIG,
    override: Overrides = None,
) -> None:
    """Send a signed command over MQTT. As a telephone or a gateway would; shows the answer."""
    from nightrake.cli.send import Login, run_send

    login = Login(user, password_file, cert_file, cert_key_file)
    raise SystemExit(
        run_send(config, _overrides(override), person, verb, args or [], key, passphrase_file, login, wait_s)
    )
