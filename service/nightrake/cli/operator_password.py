"""`nightrake operator password`: a person's password for the page, as the hash that stands in people.toml.

The only place outside the page's own process that loads argon2.
"""

from __future__ import annotations

import getpass
import sys
import textwrap
import unicodedata
from pathlib import Path

from argon2 import PasswordHasher
from argon2.profiles import RFC_9106_LOW_MEMORY

from nightrake.cli.operator_keys import WIDTH, Overrides, known_person
from nightrake.errors import NightrakeError
from nightrake.settings import load, secret

PASSWORD_AT_LEAST = 8
"""Characters. Source: NIST SP 800-63B, its least for a password that a person chooses (from memory)."""
PASSWORD_AT_MOST = 200
COMMON = frozenset("password passw0rd 12345678 123456789 1234567890 qwertyui qwertyuiop nightrake operator".split())
"""A few of those that are tried first; common practice, no source."""


def run_password(folder: Path, overrides: Overrides, person: str, password_file: Path | None) -> int:
    """Ask for a password twice and print the line for people.toml; exit code 0."""
    settings = load(folder, overrides)
    known_person(settings, person)
    text = new_password(person, password_file)
    hashed = PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY).hash(text)
    before = settings.people[person].page_password
    texts = [f"{person} has a password already; this one takes its place, and ends every sign-in."] if before else []
    texts.append(f"Put this line below [person.{person}] in people.toml, then run: nightrake reload")
    if not settings.page.enabled:
        texts.append("There is no page yet: set enabled = true below [page].")
    for line in texts:
        print(textwrap.fill(line, WIDTH, break_long_words=False, break_on_hyphens=False))
    print()
    print(f'page_password = "{hashed}"')
    return 0


def new_password(person: str, file: Path | None) -> str:
    """A password, from a file or asked for twice.

    Raises:
        NightrakeError: It is none that can be taken, the two differ, or there is nobody to ask.
    """
    text = unicodedata.normalize("NFC", _given(file))  # a phone's keyboard may compose its letters otherwise
    if len(text) < PASSWORD_AT_LEAST:
        raise NightrakeError(
            f"the password has {len(text)} characters; at least {PASSWORD_AT_LEAST} are needed, for instance four "
            "words that do not belong together"
        )
    if len(text) > PASSWORD_AT_MOST:
        raise NightrakeError(f"the password has {len(text)} characters; at most {PASSWORD_AT_MOST} are taken")
    if text.lower() in COMMON or len(set(text)) < 3 or (person.lower() in text.lower() and len(text) < 12):
        raise NightrakeError("the password is one of those that are tried first; take four words that do not belong")
    if file is None and unicodedata.normalize("NFC", getpass.getpass("Once more: ")) != text:
        raise NightrakeError("the two passwords differ; nothing was made")
    return text


def _given(file: Path | None) -> str:
    if file is not None:
        return secret(str(file), "", "password").reveal()
    if not sys.stdin.isatty():
        raise NightrakeError("there is no terminal to ask for the password on; name a file with --password-file")
    return getpass.getpass("New password for the page: ")
