"""The page's certificate: renewed by a reload, half renewed, ended, wrong; and nobody loses the page in between."""

from __future__ import annotations

import re
import ssl
from pathlib import Path
from typing import Any

import httpx
import pytest

from certificates import write_pair
from clocks import ManualClock
from nightrake import pagekeeping
from nightrake.page.certificate import WARN_DAYS, ending, ends_utc_ms
from pagewatch import Hands, serving, signed_in, until
from shell.test_pagekeeping import SERVE, Peer, kept, peer, settings_with

__all__ = ["peer"]
DAY_MS = 86_400_000


def put(pair: tuple[Path, Path], at: tuple[Path, Path]) -> None:
    """As whoever renews it puts both in place."""
    for new, old in zip(pair, at, strict=True):
        old.write_bytes(new.read_bytes())


@pytest.mark.asyncio
async def test_renewed_certificate_is_taken_once_it_goes_with_its_key(
    peer: Peer, manual_clock: ManualClock, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Reloaded when only one of the two files was there yet: the page goes on, and takes both when they are."""
    monkeypatch.setattr(pagekeeping, "PAIR_AGAIN_S", 0.05)
    there = write_pair(tmp_path, "page")
    new = write_pair(tmp_path, "new")
    paths: dict[str, object] = {"cert_file": str(there[0]), "key_file": str(there[1])}
    peer.does(SERVE)
    async with kept(peer, manual_clock, **paths) as page:
        await until(lambda: page.status()["up"])
        there[0].write_bytes(new[0].read_bytes())
        page.settings_changed(settings_with(**paths), ["page.cert_file"])
        await until(lambda: "cannot be used as certificate and key" in page.status()["detail"])
        half = page.status()
        there[1].write_bytes(new[1].read_bytes())
        await until(lambda: page.status()["starts"] == 2 and page.status()["up"])
        after = page.status()

    assert (half["up"], half["starts"]) == (True, 1)
    assert half["detail"].endswith("the page goes on with those that it began with")
    assert after["detail"] == ""
    assert [up for up, _ in peer.told if not up] == []


@pytest.mark.asyncio
async def test_other_settings_wait_for_no_certificate(peer: Peer, manual_clock: ManualClock, tmp_path: Path) -> None:
    """Who may look is changed together with a certificate that is wrong: what was open must not stay so for that."""
    there = write_pair(tmp_path, "page")
    paths: dict[str, object] = {"cert_file": str(there[0]), "key_file": str(there[1])}
    peer.does(SERVE)
    async with kept(peer, manual_clock, **paths) as page:
        await until(lambda: page.status()["up"])
        there[0].write_text("no certificate")
        page.settings_changed(settings_with(**paths, open_view=False), ["page.cert_file"])
        await until(lambda: page.status()["starts"] == 2)


@pytest.mark.asyncio
async def test_a_browser_sees_the_certificate_that_was_put_there(tmp_path: Path, free_port: int) -> None:
    """Started anew with other files it shows the new one; one that is another's, or has ended, no browser takes."""
    old, new = write_pair(tmp_path, "old"), write_pair(tmp_path, "new")
    ended = write_pair(tmp_path, "ended", days=-1.0)
    there = (tmp_path / "cert.pem", tmp_path / "key.pem")
    tls = (str(there[0]), str(there[1]))
    found: dict[str, Any] = {}
    for name, pair in (("old", old), ("new", new), ("ended", ended)):
        put(pair, there)
        async with serving(tmp_path, free_port, tls=tls) as page:
            for trusted in (old, new, ended):
                context = ssl.create_default_context(cafile=str(trusted[0]))
                async with page.client(verify=context) as client:
                    try:
                        found[f"{name} by {trusted[0].stem}"] = (await signed_in(client))["person"]
                    except httpx.ConnectError as error:
                        found[f"{name} by {trusted[0].stem}"] = "expired" if "expired" in str(error) else "refused"

    assert [k for k, v in found.items() if v == "night1"] == ["old by old", "new by new"]
    assert found["ended by ended"] == "expired"
    assert set(found.values()) == {"night1", "refused", "expired"}


@pytest.mark.asyncio
async def test_the_end_of_a_certificate_is_told_days_before(tmp_path: Path, free_port: int) -> None:
    """The watch's status has it as the page's trouble; a page without TLS has none."""
    cert, key = write_pair(tmp_path, "page", days=3.0)
    hands = Hands()
    end_ms = ends_utc_ms(str(cert))
    assert end_ms is not None
    said = {}
    for days in (WARN_DAYS + 1, 2, -2):
        hands.utc_ms = end_ms - days * DAY_MS
        async with serving(tmp_path, free_port, tls=(str(cert), str(key)), hands=hands) as page:
            said[days] = page.said[0].get("error", "")
    async with serving(tmp_path, free_port, hands=hands) as page:
        plain = page.said[0]

    assert said[WARN_DAYS + 1] == ""
    assert re.fullmatch(
        r"the certificate in .*page\.pem ends on .* UTC, from then on browsers refuse .*reload", said[2]
    )
    assert re.fullmatch(r"the certificate in .*page\.pem ended on .* UTC, browsers refuse .* and reload", said[-2])
    assert "error" not in plain


def test_a_file_that_is_none_ends_nowhere(tmp_path: Path) -> None:
    """What cannot be read has its own sentence elsewhere."""
    (tmp_path / "no.pem").write_text("no certificate")

    assert ends_utc_ms(str(tmp_path / "no.pem")) is None
    assert ends_utc_ms(str(tmp_path / "none.pem")) is None
    assert ending("x", None, 0) == ""


def test_pair_that_cannot_be_used(tmp_path: Path) -> None:
    """Another's key, a locked key, no file: each is named; no certificate at all is no fault."""
    (one, key), (_, other) = write_pair(tmp_path, "one"), write_pair(tmp_path, "other")
    _, locked = write_pair(tmp_path, "locked", password=b"word")
    keys = (key, other, locked, tmp_path / "none")
    pages = [settings_with(cert_file=str(one), key_file=str(of)).page for of in keys]
    faults = [pagekeeping.pair_fault(page) for page in pages]

    assert faults[0] == ""
    assert all("cannot be used as certificate and key" in one for one in faults[1:])
    assert pagekeeping.pair_fault(settings_with().page) == ""
