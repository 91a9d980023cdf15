"""``[page]``: where the page is served and who may look; people's password hashes; keys, checks and doubts."""

from __future__ import annotations

import binascii
import hashlib
import ipaddress
import re
from base64 import b64decode
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import urlsplit

from pydantic import Field

from nightrake.settings.base import Model, Text
from nightrake.settings.folder import Document
from nightrake.settings.lines import Path as KeyPath

if TYPE_CHECKING:
    from nightrake.settings.models import FolderModel

PasswordHash = Annotated[str, Field(max_length=300, repr=False)]
MEMORY_KIB = (8 * 1024, 256 * 1024)
"""A hash that needs less costs a guesser nothing; one that needs more, the page's own machine too much (own choice)."""
ROUNDS, LANES = (1, 20), (1, 16)
LEAST_KIB_ROUNDS = 19 * 1024 * 2
"""Memory times rounds below which a hash is weak: 19 MiB and 2 rounds. Source: OWASP Password Storage Cheat Sheet, its
least for Argon2id (from memory)."""
_HASH = re.compile(
    r"\$argon2id\$v=19\$m=([0-9]{1,7}),t=([0-9]{1,3}),p=([0-9]{1,3})\$([A-Za-z0-9+/]{11,86})\$([A-Za-z0-9+/]{22,86})"
)
"""The PHC text of an Argon2id hash. Source: the PHC string format; version 0x13 of RFC 9106."""
EVERYWHERE = ("0.0.0.0", "::")
"""Where it listens on all networks, so that no name of its own follows from it."""
MAKE_ONE = "make it with 'nightrake operator password PERSON', which shows the whole line"


class PageTable(Model):
    """``[page]``"""

    enabled: bool = False
    host: Annotated[Text, Field(min_length=1)] = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 8470
    cert_file: Text = ""
    key_file: Text = ""
    plain: bool = False
    public_url: Text = ""
    hosts: Annotated[list[Text], Field(max_length=50)] = []
    open_view: bool = True
    list_people: bool = False
    sign_in_hours: Annotated[float, Field(ge=0.1, le=168.0)] = 12.0


def is_loopback(host: str) -> bool:
    """Whether nobody but this machine reaches what listens there."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def host_fault(host: str) -> str:
    """What is wrong with a host name or an IP address, or ""."""
    if "://" in host or "/" in host or re.search(r"\s", host):
        return f"is '{host}'; expected a host name or an IP address alone"
    if host.count(":") == 1 or host.startswith("["):
        return f"is '{host}'; the port stands in a key of its own, port, and IPv6 needs no brackets"
    return ""


def check_page(document: Document, folder: FolderModel) -> None:
    """Note what is wrong with the page and with password hashes."""
    page = folder.page
    fault = host_fault(page.host)
    if fault:
        document.wrong(("page", "host"), fault)
    if bool(page.cert_file) != bool(page.key_file):
        key = "key_file" if page.cert_file else "cert_file"
        document.wrong(("page", key), "is missing; the page's certificate and its key are given together")
    elif not fault and not page.cert_file and not page.plain and not is_loopback(page.host):
        text = f"is '{page.host}', which other machines reach, but there is no certificate: give cert_file and key_file"
        rests_on: tuple[KeyPath, ...] = (("page", "cert_file"), ("page", "key_file"), ("page", "plain"))
        document.wrong(("page", "host"), f"{text}, or set plain = true, and then nobody signs in from there", *rests_on)
    _check_url(document, page.public_url)
    for number, host in enumerate(page.hosts):
        fault = "is empty; name a host, or remove it" if not host else host_fault(host)
        if not fault and not re.fullmatch(r"[A-Za-z0-9._:-]+", host):
            fault = f"is '{host}'; each host is named in full, without a wildcard"
        if fault:
            document.wrong(("page", "hosts", number), fault)
    _check_hashes(document, folder)


def _check_url(document: Document, url: str) -> None:
    path: KeyPath = ("page", "public_url")
    example = "expected for instance 'https://rakes.fennmark.example'"
    if not url:
        return
    try:
        parts = urlsplit(url)
        fits = parts.scheme in ("http", "https") and bool(parts.hostname) and (parts.port is None or parts.port > 0)
    except ValueError:
        document.wrong(path, f"is no address; {example}")
        return
    if parts.username is not None or parts.password is not None:
        document.wrong(path, f"holds a user name or password, which every message would carry; {example}")
    elif not fits or re.search(r"[^\x21-\x7e]", url):
        document.wrong(path, f"is '{url[:60]}'; {example}")
    elif parts.path not in ("", "/") or parts.query or parts.fragment:
        document.wrong(path, f"has something behind the host, but the page stands at its root; {example}")


def _check_hashes(document: Document, folder: FolderModel) -> None:
    """A line copied from somebody else would let both in with one password."""
    seen: dict[str, str] = {}
    for person_id, person in folder.person.items():
        path: KeyPath = ("person", person_id, "page_password")
        if not person.page_password:
            continue
        fault = hash_fault(person.page_password)
        if fault:
            document.wrong(path, fault)
            continue
        other = seen.setdefault(person.page_password, person_id)
        if other != person_id:
            document.wrong(path, f"is that of person.{other} too; each person has a password of their own, so make one")


def hash_fault(text: str) -> str:
    """What is wrong with a password hash, or ""; never showing it, for it may be the password itself."""
    found = _HASH.fullmatch(text)
    if found is None:
        kind = "a hash of another kind" if text.startswith("$") else "no hash, and a password never stands in here"
        return f"is {kind}; expected '$argon2id$v=19$m=...,t=...,p=...$...$...': {MAKE_ONE}"
    memory, rounds, lanes = (int(n) for n in found.groups()[:3])
    for what, number, (least, most) in (("m", memory, MEMORY_KIB), ("t", rounds, ROUNDS), ("p", lanes, LANES)):
        if not least <= number <= most:
            return f"is a hash with {what}={number}; from {least} to {most} is taken: {MAKE_ONE}"
    for part in found.groups()[3:]:
        try:
            b64decode(part + "=" * (-len(part) % 4), validate=True)
        except (binascii.Error, ValueError):
            return f"is a hash of which a part is missing; {MAKE_ONE}"
    return ""


def page_doubts(folder: FolderModel) -> Iterator[str]:
    """What is allowed but seldom meant about the page, one sentence for each."""
    page = folder.page
    if not page.enabled:
        return
    reached = not is_loopback(page.host)
    signers = [i for i, p in folder.person.items() if p.page_password]
    if page.plain and page.cert_file:
        yield "page.plain is true, but there is a certificate, so it changes nothing; remove it"
    elif page.plain and reached:
        yield (
            f"page: {page.host} is served without TLS: whoever is on that network can read along, and nobody can sign "
            "in but on this machine itself, so the page is for looking only"
        )
    if page.host in EVERYWHERE and not page.public_url and not page.hosts:
        yield (
            f"page: {page.host} is every network, but neither page.public_url nor page.hosts has a name or address of "
            "this machine, and by others the page is not given: browsers on other machines are refused"
        )
    if not signers:
        what = "nobody may act on the page" if page.open_view else "nobody may even look at the page"
        yield f"page: no person has a page_password, so nobody can sign in and {what}"
    if page.list_people and page.open_view:
        yield "page.list_people is true, but so is open_view, where names are listed anyway; remove it"
    for person in signers:
        found = _HASH.fullmatch(folder.person[person].page_password)
        if found and int(found[1]) * int(found[2]) < LEAST_KIB_ROUNDS:
            yield f"person.{person}: page_password is a hash that is quickly guessed at; {MAKE_ONE}"
    if page.public_url.startswith("http:") and not is_loopback(urlsplit(page.public_url).hostname or ""):
        yield f"page.public_url is {page.public_url}, so messages lead people to a page without TLS"


def without_hashes(content: dict[str, Any]) -> dict[str, Any]:
    """The folder's content as it is kept and digested: of a password hash only that it is another than before."""
    people = {
        i: {**p, "page_password": hashlib.sha256(p["page_password"].encode()).hexdigest()[:16]}
        for i, p in content["person"].items()
        if p["page_password"]
    }
    return {**content, "person": {**content["person"], **people}}
