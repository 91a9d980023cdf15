"""`nightrake operator`: make a person's key, list who has one."""

from __future__ import annotations

import getpass
import hashlib
import re
import sys
import textwrap
from collections.abc import Mapping
from pathlib import Path

from nightrake.domain.publickey import public_key_text
from nightrake.errors import NightrakeError
from nightrake.messages.operatorkey import PASSPHRASE_AT_LEAST, OperatorKey, is_encrypted, load_key
from nightrake.settings import Settings, load, secret
from nightrake.settings.signing import signers_of
from nightrake.settings.words import listed, nearest

WIDTH = 80
Overrides = Mapping[str, str | int | float]


def run_add(folder: Path, overrides: Overrides, person: str, file: Path | None, passphrase_file: Path | None) -> int:
    """Make a key pair; exit code 0."""
    if not re.fullmatch(r"[A-Za-z0-9_-]{1,32}", person):
        raise NightrakeError(f"'{person[:40]}' is no id of a person; expected letters, digits, '-' and '_', 1 to 32")
    settings = load(folder, overrides) if folder.exists() else None  # a key may be made on a machine of its own
    if settings is not None:
        known_person(settings, person)
    file = file or Path(f"{person}.pem")
    if file.exists():
        raise NightrakeError(f"{file}: is there already, and a key is never overwritten; move it away, or use --file")
    key = OperatorKey.make()
    key.save(file, new_passphrase(passphrase_file))
    texts = [f"Private key of {person}: {file}"]
    texts.append("It stays with this person; without its passphrase nobody can use it, and there is no other copy.")
    if settings is not None and settings.people[person].public_key:
        texts.append(f"{person} has a public key already; this one takes its place, and the old one no longer counts.")
    texts.append(f"Put this line below [person.{person}] in people.toml, then run: nightrake reload")
    for text in texts:
        print(textwrap.fill(text, WIDTH, break_long_words=False, break_on_hyphens=False))
    print()
    print(f'public_key = "{public_key_text(key.public)}"')
    return 0


def run_show(file: Path, passphrase_file: Path | None) -> int:
    """Print the public half of a key; exit code 0.

    Raises:
        NightrakeError: There is no such file, it is no key, or the passphrase is wrong.
    """
    key = load_key(file, given_passphrase(passphrase_file, f"Passphrase of {file}: ") if is_encrypted(file) else "")
    print(f'public_key = "{public_key_text(key.public)}"')
    print(f"Its fingerprint, as 'nightrake operator list' shows it: {fingerprint(key.public)}")
    return 0


def run_list(folder: Path, overrides: Overrides) -> int:
    """Print everybody with their role and the fingerprint of their key; exit code 0."""
    settings = load(folder, overrides)
    people = signers_of(settings.people)
    if not people:
        print("There is no [person.ID] in the settings.")
    width = max(map(len, people), default=0)
    for person, (role, key) in people.items():
        shown = f"key {fingerprint(key)}" if key else "no key: cannot send signed commands"
        print(f"{person:<{width}}  {role:<11}  {shown}")
    return 0


def fingerprint(key: bytes) -> str:
    """A public key in few characters, to be compared by eye or over the telephone."""
    digest = hashlib.sha256(key).hexdigest()[:16]
    return " ".join(digest[i : i + 4] for i in range(0, 16, 4))


def known_person(settings: Settings, person: str) -> None:
    """Look whether the settings have this person.

    Raises:
        NightrakeError: They have not.
    """
    if person not in settings.people:
        hint = nearest(person, settings.people) or f"there are: {listed(settings.people)}"
        raise NightrakeError(f"there is no [person.{person[:40]}] in the settings; {hint}")


def new_passphrase(file: Path | None) -> str:
    """A passphrase for a new key: from a file, or asked for twice.

    Raises:
        NightrakeError: It is too short, the two differ, or there is nobody to ask.
    """
    phrase = given_passphrase(file, "Passphrase for the new key: ")
    if len(phrase) < PASSPHRASE_AT_LEAST:
        raise NightrakeError(
            f"the passphrase has {len(phrase)} characters; at least {PASSPHRASE_AT_LEAST} are needed, for instance "
            "four words that do not belong together"
        )
    if file is None and getpass.getpass("Once more: ") != phrase:
        raise NightrakeError("the two passphrases differ; nothing was written")
    return phrase


def given_passphrase(file: Path | None, prompt: str) -> str:
    """A passphrase from a file, or asked for.

    Raises:
        NightrakeError: There is nobody to ask, or the file cannot be read.
    """
    if file is not None:
        return secret(str(file), "", "passphrase").reveal()
    if not sys.stdin.isatty():
        raise NightrakeError("there is no terminal to ask for the passphrase on; name a file with --passphrase-file")
    return getpass.getpass(prompt)
