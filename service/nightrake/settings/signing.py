"""Public keys of people: who may send signed commands."""

from __future__ import annotations

from collections.abc import Mapping

from nightrake.domain.publickey import public_key_of
from nightrake.settings.folder import Document
from nightrake.settings.models import FolderModel
from nightrake.settings.people import PersonTable


def check_keys(document: Document, folder: FolderModel) -> None:
    """Note keys that are none, and a key that two people share: then nobody could tell who has signed."""
    seen: dict[bytes, str] = {}
    for person_id, person in folder.person.items():
        if not person.public_key:
            continue
        try:
            key = public_key_of(person.public_key)
        except ValueError as error:
            document.wrong(("person", person_id, "public_key"), str(error))
            continue
        other = seen.setdefault(key, person_id)
        if other != person_id:
            text = f"is that of person.{other} too; each person has a key of their own, so make another one"
            document.wrong(("person", person_id, "public_key"), text)


def signers_of(people: Mapping[str, PersonTable]) -> dict[str, tuple[str, bytes]]:
    """Role and public key of each person; b"" for who has none. Only for a folder without mistakes."""
    return {i: (p.role, public_key_of(p.public_key) if p.public_key else b"") for i, p in people.items()}
