"""The HTTP API: what is kept through a reader, OpenAPI, static files, compression, TLS."""

from __future__ import annotations

import asyncio
import gzip
import json
import socket
import ssl
import subprocess
from pathlib import Path
from typing import Any

import httpx
import pytest

from nightrake.errors import StoreError
from nightrake.page.statics import Statics
from nightrake.workers.page import CannotServe, Job, listening_of, tls_of
from pagewatch import PASSWORDS, Hands, serving, signed_in, told_in

READS = (
    "history?drive=PC1&signal=torque_nm&begin=1&end=2",
    "signals?drive=PC1",
    "marks?drive=PC1&begin=1&end=2",
    "trips?drive=PC1&stage=shutdown&skip=5&limit=6",
    "trips/T1",
    "trips/T1/readings?columns=9",
    "journal",
    "calibration/PC1",
    "sheet/PC1",
    "creep",
    "creep/PC1",
)


class Shelf:
    """A reader of what somebody else keeps."""

    trouble: Exception | None = None

    def _of(self, *what: Any) -> dict[str, Any]:
        if self.trouble is not None:
            raise self.trouble
        return {"asked": list(what), "rows": [], "trips": []}

    async def history(self, drive: str, signal: str, begin_utc_ms: int, end_utc_ms: int, columns: int) -> bytes:
        return json.dumps(self._of(drive, signal, begin_utc_ms, end_utc_ms, columns)).encode()

    async def signals(self, drive: str) -> dict[str, Any]:
        return self._of(drive)

    async def marks(self, drive: str, begin_utc_ms: int, end_utc_ms: int) -> dict[str, Any]:
        return self._of(drive, begin_utc_ms, end_utc_ms)

    async def trips(self, drive: str = "", stage: str = "", skip: int = 0, limit: int = 100) -> dict[str, Any]:
        return self._of(drive, stage, skip, limit)

    async def trip(self, trip: str) -> dict[str, Any]:
        return self._of(trip)

    async def trip_readings(self, trip: str, begin_utc_ms: int, end_utc_ms: int, columns: int) -> bytes:
        return json.dumps(self._of(trip, begin_utc_ms, end_utc_ms, columns)).encode()

    async def journal(self, drive: str, before: int, limit: int) -> dict[str, Any]:
        return self._of(drive, before, limit)

    async def calibration(self, drive: str) -> dict[str, Any]:
        return self._of(drive)

    async def sheet(self, drive: str) -> dict[str, Any]:
        return self._of(drive)

    async def creep(self, skip: int = 0, limit: int = 0) -> bytes:
        return json.dumps(self._of("creep", skip, limit)).encode()

    async def creep_of(self, drive: str) -> bytes:
        return json.dumps(self._of(drive)).encode()

    async def creep_report(self, name: str) -> dict[str, Any]:
        return {**self._of(name), "name": name, "html": "<!doctype html><title>Creep</title>"}


@pytest.mark.asyncio
async def test_what_is_kept_comes_through_the_reader(tmp_path: Path, free_port: int) -> None:
    """Each question reaches it as asked; it is 404, 503 or 422 in one sentence where it cannot be answered."""
    shelf = Shelf()
    async with serving(tmp_path, free_port, reader=shelf) as page, page.client() as client:
        answers = [(await client.get(f"/api/v1/{path}")).json() for path in READS]
        shelf.trouble = LookupError("no trip 'T1' is kept")
        missing = await client.get("/api/v1/trips/T1")
        page_of_it = await client.get("/trips/T1")
        shelf.trouble = StoreError("history.db cannot be read: disk I/O error")
        broken = [await client.get(f"/api/v1/{path}") for path in READS]
        pages = [
            (await client.get(path)).status_code for path in ("/", "/alarms", "/drives/PC1", "/trips", "/trips/T1")
        ]
        wrong = [
            await client.get(f"/api/v1/{path}")
            for path in (
                "history?drive=PC1&signal=t&begin=2&end=1",
                "history?drive=PC1&signal=t&begin=x&end=1",
                "history",
                "history?drive=PC1&signal=t&begin=1&end=2&columns=99999",
                "journal?limit=0",
                "journal?before=-1",
            )
        ]

    assert [a["asked"] for a in answers] == [
        ["PC1", "torque_nm", 1, 2, 1000],
        ["PC1"],
        ["PC1", 1, 2],
        ["PC1", "shutdown", 5, 6],
        ["T1"],
        ["T1", 0, 0, 9],
        ["", 0, 100],
        ["PC1"],
        ["PC1"],
        ["creep", 0, 0],
        ["PC1"],
    ]
    assert (missing.status_code, missing.json()["detail"]) == (404, "no trip 'T1' is kept")
    assert page_of_it.status_code == 404
    assert {b.status_code for b in broken} == {503}
    assert broken[0].json()["detail"] == "history.db cannot be read: disk I/O error"
    assert pages == [200, 200, 200, 200, 503]
    assert {w.status_code for w in wrong} == {422}
    assert all(w.headers["content-type"] == "application/problem+json" for w in (*wrong, *broken, missing))


@pytest.mark.asyncio
async def test_without_a_reader_the_pages_stand(tmp_path: Path, free_port: int) -> None:
    """What is kept is 503; what is live is shown all the same."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        refused = {(await client.get(f"/api/v1/{path}")).status_code for path in READS}
        shown = [
            await client.get(p) for p in ("/", "/alarms", "/drives/PC1", "/lockout/PC1", "/trips", "/help", "/sign-in")
        ]
        strange = [
            (await client.get(p)).status_code for p in ("/drives/XX9", "/lockout/XX9", "/nowhere", "/api/v1/drives/XX9")
        ]

    assert refused == {503}
    assert [a.status_code for a in shown] == [200] * 7
    assert told_in(shown[3])["lockout"]["missing"] == ["a cause"]
    assert strange == [404] * 4


@pytest.mark.asyncio
async def test_openapi_describes_every_call_with_an_example(tmp_path: Path, free_port: int) -> None:
    """Each has a summary, and an example or a shape of its answer; refusals are problems."""
    async with serving(tmp_path, free_port) as page, page.client() as client:
        told = (await client.get("/api/openapi.json")).json()
        page_of_docs = (await client.get("/docs")).status_code

    calls = {f"{m} {p}": c for p, ms in told["paths"].items() for m, c in ms.items()}
    assert len(calls) == 21
    for call in calls.values():
        assert call["summary"]
        for status, answer in call["responses"].items():
            kinds = answer.get("content", {})
            assert status == "204" or all(
                "example" in k or "$ref" in k["schema"] for k in kinds.values() if status == "200"
            )
            assert status < "300" or "application/problem+json" in kinds
    assert "ProblemBody" in told["components"]["schemas"]
    assert "HTTPValidationError" not in str(told)
    assert page_of_docs == 404


@pytest.mark.asyncio
async def test_pages_and_json_are_compressed_and_streams_are_not(tmp_path: Path, free_port: int) -> None:
    """A telephone at the rim of the tank has a slow line; an event must not wait in a compressor."""
    drives = [f"PC{n}" for n in range(200)]
    async with serving(tmp_path, free_port, drives=drives) as page, page.client() as client:
        listed = await client.get("/api/v1/drives")
        shown = await client.get("/")
        async with client.stream("GET", "/live", headers={"Accept-Encoding": "gzip"}) as stream:
            encoding, kind = stream.headers.get("content-encoding"), stream.headers["content-type"]

    assert listed.headers["content-encoding"] == shown.headers["content-encoding"] == "gzip"
    assert len(listed.json()) == 200
    assert int(listed.headers["content-length"]) < 10_000
    assert (encoding, kind) == (None, "text/event-stream; charset=utf-8")


def test_static_files_have_their_digest_in_the_address(tmp_path: Path) -> None:
    """Only known kinds of files are served, links are not followed, and any change gives new addresses."""
    (tmp_path / "vendor").mkdir()
    (tmp_path / "vendor" / "chart.js").write_text("export const a = 1;\n" * 100)
    (tmp_path / "page.css").write_text("a{}")
    (tmp_path / "notes.md").write_text("x")
    (tmp_path / "link.js").symlink_to("/etc/passwd")
    first = Statics(tmp_path)
    file = first.find("vendor/chart.js")
    (tmp_path / "page.css").write_text("b{}")
    second = Statics(tmp_path)

    assert first.address("page.css") == f"/static/{first.digest}/page.css"
    assert second.digest != first.digest
    assert file is not None
    assert file.media_type == "text/javascript; charset=utf-8"
    assert gzip.decompress(file.packed) == file.plain
    assert [first.find(n) for n in ("notes.md", "link.js", "../x", "vendor")] == [None] * 4
    with pytest.raises(LookupError):
        first.address("nothing.js")


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """A certificate of 127.0.0.1 that signs itself, and its key, by openssl."""
    folder = tmp_path_factory.mktemp("tls")
    cert, key = str(folder / "cert.pem"), str(folder / "key.pem")
    made = [
        "openssl",
        "req",
        "-x509",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:prime256v1",
        "-nodes",
        "-days",
        "2",
    ]
    names = ["-subj", "/CN=nightrake test", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", key, "-out", cert]
    subprocess.run([*made, *names], check=True, capture_output=True, timeout=15)
    return cert, key


@pytest.mark.asyncio
async def test_over_tls_cookies_are_bound_to_the_host(
    tmp_path: Path, free_port: int, certificate: tuple[str, str]
) -> None:
    """__Host- cookies, HSTS, and people sign in from anywhere; plain HTTP on that port gets nothing."""
    trust = ssl.create_default_context(cafile=certificate[0])
    async with serving(tmp_path, free_port, tls=certificate) as page, page.client(verify=trust) as client:
        session = await signed_in(client)
        shown = await client.get("/")
        names = {c.name: c.secure for c in client.cookies.jar}
        done = await client.post(
            "/api/v1/commands", json={"what": "acknowledge"}, headers={"X-CSRF-Token": session["csrf"]}
        )
        async with httpx.AsyncClient(trust_env=False) as plain:
            with pytest.raises(httpx.HTTPError):
                await plain.get(f"http://127.0.0.1:{page.port}/")

    assert names == {"__Host-nightrake": True, "__Host-nightrake-browser": True}
    assert shown.headers["strict-transport-security"] == "max-age=31536000"
    assert told_in(shown)["who"]["person"] == "night1"
    assert done.status_code == 200


@pytest.mark.asyncio
async def test_connections_without_a_handshake_hold_no_place(
    tmp_path: Path, free_port: int, certificate: tuple[str, str]
) -> None:
    """More silent connections than there are places, before TLS has begun: a browser still comes in."""
    trust = ssl.create_default_context(cafile=certificate[0])
    async with serving(tmp_path, free_port, tls=certificate) as page, page.client(verify=trust) as client:
        hogs = [socket.socket() for _ in range(310)]
        for hog in hogs:
            hog.setblocking(False)
            hog.connect_ex(("127.0.0.1", page.port))
            await asyncio.sleep(0)
        answer = await client.get("/api/v1/session")
        for hog in hogs:
            hog.close()

    assert answer.status_code == 200


@pytest.mark.asyncio
async def test_behind_a_proxy_the_public_address_counts(tmp_path: Path, free_port: int) -> None:
    """A proxy that brings TLS: its origin is ours, cookies are Secure; nobody else's origin is."""
    public = "https://drives.fennmark.example"
    far = {"Origin": public, "X-Forwarded-For": "203.0.113.9, 10.0.0.9"}
    async with serving(tmp_path, free_port, public_url=public) as page:
        async with page.client(headers={"Host": "drives.fennmark.example", "Origin": public}) as client:
            session = await client.get("/api/v1/session")
            cookie = session.headers["set-cookie"]
        async with page.client(headers=far) as client:  # a proxy that writes a Host of its own
            client.cookies.set("__Host-nightrake-form", "x" * 43)
            csrf = (await client.get("/api/v1/session")).json()["csrf"]
            fields = {"person": "night1", "password": PASSWORDS["night1"], "csrf": csrf}
            entered = await client.post(
                "/sign-in", data=fields, headers={"Cookie": f"__Host-nightrake-form={'x' * 43}"}
            )
        told = page.watch.of("person_note")

    assert entered.status_code == 303
    assert told == [{"event": "signed_in", "person": "night1", "data": {"address": "10.0.0.9"}}]
    assert cookie.startswith("__Host-nightrake-form=")
    assert "; Secure" in cookie
    assert session.headers["strict-transport-security"]


def job(**page: Any) -> Job:
    """A job with these settings of the page."""
    return Job.of({"fd": 0, "state_dir": "x", "page": page})


def test_what_cannot_be_served_is_one_sentence(tmp_path: Path, free_port: int, certificate: tuple[str, str]) -> None:
    """Files that are none, keys that do not go with it, ports that are taken, hosts without TLS."""
    cert, key = certificate
    (tmp_path / "no.pem").write_text("no certificate")
    wrong = [
        job(cert_file=str(tmp_path / "none.pem"), key_file=key),
        job(cert_file=str(tmp_path / "no.pem"), key_file=key),
        job(cert_file=cert, key_file=cert),
        job(host="0.0.0.0"),
    ]
    told = []
    for one in wrong:
        with pytest.raises(CannotServe) as caught:
            tls_of(one)
        told.append(str(caught.value))
    first = listening_of(job(port=free_port))
    with pytest.raises(CannotServe, match=f"port {free_port} of 127.0.0.1 cannot be listened on .*change page.port"):
        listening_of(job(port=free_port))
    first.close()

    assert all("\n" not in words and words for words in told)
    assert told[3].startswith("page.host 0.0.0.0: beyond this machine")
    assert tls_of(job(host="0.0.0.0", plain=True)) is None


@pytest.mark.asyncio
async def test_a_fault_of_ours_is_one_line_and_a_problem(
    tmp_path: Path, free_port: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """No traceback for the visitor, none in the log, and the page goes on."""
    shelf = Shelf()
    shelf.trouble = ZeroDivisionError("by\nzero")
    async with serving(tmp_path, free_port, reader=shelf, hands=Hands()) as page, page.client() as client:
        broken = await client.get("/api/v1/trips")
        after = await client.get("/api/v1/session")
    lines = capsys.readouterr().err.splitlines()

    assert (broken.status_code, broken.headers["content-type"]) == (500, "application/problem+json")
    assert after.status_code == 200
    assert lines == ["page: GET /api/v1/trips: ZeroDivisionError: by zero"]
