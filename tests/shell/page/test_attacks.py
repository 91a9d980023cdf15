"""What a page of somebody else's, a program on the network or a bad name might try: refused, each in one sentence."""

from __future__ import annotations

import socket
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import psutil
import pytest

from nightrake.page.shields import LONGEST_BODY
from pagewatch import Served, serving, signed_in, told_in

ACK = {"what": "acknowledge", "drive": "PC1"}
EVIL = "https://attacker.example"


async def command(client: httpx.AsyncClient, csrf: str, **headers: str) -> httpx.Response:
    """A command with these headers besides."""
    return await client.post("/api/v1/commands", json=ACK, headers={"X-CSRF-Token": csrf, **headers})


@pytest.mark.asyncio
async def test_other_sites_cannot_give_commands(tmp_path: Path, free_port: int) -> None:
    """CSRF: without the token, with another session's, from another origin, from none, over a plain form."""
    async with serving(tmp_path, free_port) as page, page.client() as client, page.client() as other:
        csrf = (await signed_in(client))["csrf"]
        theirs = (await signed_in(other, "super1"))["csrf"]
        answers = [
            await command(client, ""),
            await command(client, theirs),
            await command(client, csrf[:-4] + "AAAA"),
            await command(client, csrf, Origin=EVIL),
            await command(client, csrf, Origin="null"),
            await command(client, csrf, Origin=page.base.replace("http:", "https:")),
            await command(client, csrf, **{"Sec-Fetch-Site": "cross-site"}),
            await command(client, csrf, **{"Sec-Fetch-Site": "same-site"}),
            await client.post("/sign-out", data={"csrf": theirs}),
        ]
        client.headers.pop("Origin")
        answers.append(await command(client, csrf))
        commands = page.watch.of("person_command")
        person = (await client.get("/api/v1/session")).json()["person"]

    assert [a.status_code for a in answers] == [403] * 10
    assert all(a.headers["content-type"] == "application/problem+json" and a.json()["detail"] for a in answers)
    assert commands == []
    assert person == "night1"


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("text/plain", b'{"what": "acknowledge", "drive": "PC1", "x": "="}'),
        ("application/x-www-form-urlencoded", b"what=acknowledge&drive=PC1"),
        (
            "multipart/form-data; boundary=x",
            b'--x\r\nContent-Disposition: form-data; name="what"\r\n\r\nreset\r\n--x--',
        ),
        ("application/json; charset=utf-16", '{"what": "acknowledge"}'.encode("utf-16")),
        ("", b'{"what": "acknowledge", "drive": "PC1"}'),
    ],
    ids=["plain", "form", "multipart", "utf-16", "none"],
)
async def test_no_kind_of_body_is_a_way_round(tmp_path: Path, free_port: int, kind: str, body: bytes) -> None:
    """What somebody else's page can make a browser send: refused with the session's cookie, whatever it is."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        await signed_in(client)
        headers = {"Content-Type": kind} if kind else {}
        answers = []
        for more in ({}, {"Origin": EVIL}, {"Sec-Fetch-Site": "cross-site"}):
            answers.append(await client.post("/api/v1/commands", content=body, headers={**headers, **more}))
            if kind != "application/x-www-form-urlencoded":
                answers.append(await client.post("/sign-out", content=body, headers={**headers, **more}))
        commands = page.watch.of("person_command")
        person = (await client.get("/api/v1/session")).json()["person"]

    assert {a.status_code for a in answers} <= {400, 403, 415, 422}
    assert commands == []
    assert person == "night1"


@pytest.mark.asyncio
async def test_form_of_another_browser_signs_nobody_in(tmp_path: Path, free_port: int) -> None:
    """Sign-in CSRF: a token from the attacker's own form does not go with the victim's cookie."""
    async with serving(tmp_path, free_port) as page, page.client() as client, page.client() as attacker:
        theirs = (await attacker.get("/api/v1/session")).json()["csrf"]
        await client.get("/sign-in")
        fields = {"person": "night1", "password": "turn-it-slowly", "csrf": theirs}
        refused = await client.post("/sign-in", data=fields)
        bare = await client.post("/sign-in", data={**fields, "csrf": ""}, headers={"Accept": "application/json"})

    assert (refused.status_code, bare.status_code) == (403, 403)
    assert told_in(refused)["refused"].startswith("this page is of before")
    assert "nightrake" not in client.cookies


@pytest.mark.asyncio
async def test_a_name_that_leads_here_is_not_ours(tmp_path: Path, free_port: int) -> None:
    """DNS rebinding: a request under a strange name gets nothing, whatever it asks."""
    names: dict[str, Any] = {"public_url": "https://drives.fennmark.example", "hosts": ["pump"]}
    async with serving(tmp_path, free_port, **names) as page, page.client() as client:
        statuses = {}
        for host in (
            f"localhost:{page.port}", f"127.0.0.1:{page.port}", f"[::1]:{page.port}", "pump", "PUMP.:80",
            "drives.fennmark.example", "attacker.example", f"attacker.example:{page.port}", "127.0.0.1.nip.example",
            "localhost.attacker.example", "", "a@localhost", "localhost:80@attacker.example", "[", "127.0.0.2",
        ):  # fmt: skip
            statuses[host] = (await client.get("/api/v1/site", headers={"Host": host})).status_code

    assert [h for h, s in statuses.items() if s == 200] == [
        f"localhost:{page.port}", f"127.0.0.1:{page.port}", f"[::1]:{page.port}", "pump", "PUMP.:80",
        "drives.fennmark.example",
    ]  # fmt: skip
    assert set(statuses.values()) == {200, 421}


@pytest.mark.asyncio
async def test_nothing_outside_the_folder_is_served(tmp_path: Path, free_port: int) -> None:
    """Path traversal, plain and encoded: there is nothing to traverse, only names."""
    ways = (
        "../../pyproject.toml",
        "..%2f..%2fapp.py",
        "%2e%2e/app.py",
        "....//app.py",
        "/etc/passwd",
        "%00",
        "..\\app.py",
    )
    async with serving(tmp_path, free_port) as page, page.client() as client:
        statuses = {}
        for way in ways:
            url = httpx.URL(f"{page.base}/static/x/").copy_with(raw_path=f"/static/x/{way}".encode())
            statuses[way] = (await client.get(url)).status_code
        for path in ("/trips/..%2f..%2fetc%2fpasswd", "/drives/..%2fPC1", "/lockout/%2e%2e", "/..%2fpage.db"):
            url = httpx.URL(page.base).copy_with(raw_path=path.encode())
            statuses[path] = (await client.get(url)).status_code

    assert set(statuses.values()) <= {404, 503, 400}


@pytest.mark.asyncio
async def test_oversized_bodies_are_refused_before_they_are_kept(tmp_path: Path, free_port: int) -> None:
    """By the length that is announced, and in pieces without one."""

    async def without_end() -> AsyncIterator[bytes]:
        for _ in range(200):
            yield b"x" * 1000

    async with serving(tmp_path, free_port) as page, page.client() as client:
        csrf = (await signed_in(client))["csrf"]
        headers = {"X-CSRF-Token": csrf, "Content-Type": "application/json"}
        announced = await client.post("/api/v1/commands", content=b"x" * (LONGEST_BODY + 1), headers=headers)
        pieces = await client.post("/api/v1/commands", content=without_end(), headers=headers)
        after = await command(client, csrf)

    assert (announced.status_code, pieces.status_code) == (413, 413)
    assert after.status_code == 200


@pytest.mark.asyncio
@pytest.mark.parametrize(
    "body",
    [
        b"", b"{", b"[]", b"null", b'{"what": 1}', b'{"what": "x", "more": 1}', b'{"what": ""}', b'{"what": "x" * 40}',
        b'{"what": "acknowledge", "args": {"a": {"b": 1}}}', b'{"what": "acknowledge", "drive": "' + b"D" * 99 + b'"}',
        b"[" * 30_000, b'{"what": "a", "args": {"n": 1e999}}', b"\xff\xfe", b'{"what": "a", "args": {"n": NaN}}',
    ],
)  # fmt: skip
async def test_commands_that_are_none_are_problems(tmp_path: Path, free_port: int, body: bytes) -> None:
    """Whatever comes in the body: 4xx and one sentence, and the watch hears nothing."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        csrf = (await signed_in(client))["csrf"]
        headers = {"X-CSRF-Token": csrf, "Content-Type": "application/json"}
        answer = await client.post("/api/v1/commands", content=body, headers=headers)
        commands = page.watch.of("person_command")

    assert answer.status_code in (400, 422)
    assert "\n" not in answer.json()["detail"]
    assert commands == []


@pytest.mark.asyncio
async def test_sign_in_leads_to_no_other_site(tmp_path: Path, free_port: int) -> None:
    """`next` is a path of ours or nothing."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        onward = {}
        for way in (
            "/alarms?x=1",
            "//attacker.example",
            "https://attacker.example",
            "/\\attacker.example",
            "\t//x",
            "javascript:x",
        ):
            onward[way] = told_in(await client.get("/sign-in", params={"next": way}))["next"]

    assert onward.pop("/alarms?x=1") == "/alarms?x=1"
    assert set(onward.values()) == {"/"}


@pytest.mark.asyncio
async def test_every_answer_carries_the_guards(tmp_path: Path, free_port: int) -> None:
    """Pages, API, static files, refusals and problems alike."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        answers = [
            await client.get("/"),
            await client.get("/api/v1/drives"),
            await client.get("/nowhere"),
            await client.get("/api/v1/nowhere"),
            await client.get("/", headers={"Host": "attacker.example"}),
            await client.request("TRACE", "/"),
            await client.post("/api/v1/commands", json=ACK),
        ]

    assert [a.status_code for a in answers] == [200, 200, 404, 404, 421, 405, 401]
    for answer in answers:
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "same-origin"
        assert answer.headers["cross-origin-opener-policy"] == "same-origin"
        assert answer.headers["cache-control"] == "no-store"
        assert "server" not in answer.headers
        assert "strict-transport-security" not in answer.headers


@pytest.mark.asyncio
async def test_reports_of_browsers_are_bounded_lines(
    tmp_path: Path, free_port: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """A few a minute, one line each, whatever is in them."""
    report = {
        "csp-report": {
            "document-uri": "http://x/\nforged line",
            "blocked-uri": "inline",
            "effective-directive": "script-src",
        }
    }
    async with serving(tmp_path, free_port) as page, page.client() as client:
        client.headers.pop("Origin")
        statuses = {(await client.post("/csp", json=report)).status_code for _ in range(30)}
        statuses.add((await client.post("/csp", content=b"\xff{{{")).status_code)
    lines = capsys.readouterr().err.splitlines()

    assert statuses == {204}
    assert len(lines) == 10
    assert all(line.startswith("page: ") and "forged line" in line and "script-src" in line for line in lines)


@pytest.mark.asyncio
@pytest.mark.parametrize("report", [b"\xff{{{", b"[1]", b'{"csp-report":[1]}', b'{"csp-report":"x"}', b"9" * 9000])
async def test_reports_that_are_none_are_no_fault_of_ours(
    tmp_path: Path, free_port: int, report: bytes, capsys: pytest.CaptureFixture[str]
) -> None:
    """Anybody may send them: they are answered as any, and cost one line."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        answer = await client.post("/csp", content=report)

    assert answer.status_code == 204
    assert len(capsys.readouterr().err.splitlines()) == 1


@pytest.mark.asyncio
async def test_over_plain_http_only_this_machine_signs_in(tmp_path: Path, free_port: int) -> None:
    """`plain = true` beyond loopback is for looking: the decision is by the peer's address, not by what it claims."""
    async with serving(tmp_path, free_port, host="0.0.0.0", plain=True) as page:
        address = own_address()
        async with page.client() as client, away(page, address) as stranger:
            session = await signed_in(client)
            forged = {"X-Forwarded-For": "127.0.0.1", "Forwarded": "for=127.0.0.1"}
            seen = (await stranger.get("/api/v1/session", headers=forged)).json()
            form = {"person": "night1", "password": "turn-it-slowly", "csrf": seen["csrf"]}
            refused = await stranger.post("/sign-in", data=form, headers={"Accept": "application/json", **forged})
            stranger.cookies.set("nightrake", client.cookies["nightrake"])
            stolen = await stranger.get("/api/v1/session")
            looked = await stranger.get("/api/v1/drives")

    assert session["person"] == "night1"
    assert (seen["may_sign_in"], refused.status_code, stolen.json()["person"]) == (False, 403, "")
    assert looked.status_code == 200


@pytest.mark.asyncio
async def test_a_public_address_makes_no_plain_connection_safe(tmp_path: Path, free_port: int) -> None:
    """Whoever comes past the proxy, straight to the open port, cannot sign in by giving the proxy's name."""
    public = "https://drives.fennmark.example"
    async with serving(tmp_path, free_port, host="0.0.0.0", plain=True, public_url=public) as page:
        forged = {"Host": "drives.fennmark.example", "Origin": public, "X-Forwarded-For": "127.0.0.1"}
        async with away(page, own_address()) as stranger:
            seen = await stranger.get("/api/v1/session", headers=forged)

    assert seen.json()["may_sign_in"] is False
    assert "secure" not in seen.headers.get("set-cookie", "").lower()


def own_address() -> str:
    """An address of this machine that is no loopback, as another machine would come from."""
    for addresses in psutil.net_if_addrs().values():
        for one in addresses:
            if one.family == socket.AF_INET and not one.address.startswith("127."):
                return str(one.address)
    pytest.fail("this machine has no address but loopback")


def away(page: Served, address: str) -> httpx.AsyncClient:
    """A client that comes from that address, to it."""
    transport = httpx.AsyncHTTPTransport(local_address=address)
    base = f"http://{address}:{page.port}"
    headers = {"Origin": page.base, "Host": f"127.0.0.1:{page.port}"}
    return httpx.AsyncClient(base_url=base, headers=headers, transport=transport, trust_env=False)
