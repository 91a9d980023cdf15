"""The operator's page of 200 drives attacked in every way at once: what the watch and the operator notice of it.

    python tests/soak/page_attack.py --seconds 30

A process of its own attacks from twelve addresses: pages, histories, journals, lockouts and judgements of creep without
end, streams that nobody reads, bodies that come byte by byte, guesses at passwords, and junk. The watch scans eight
PLCs four times a second; its late scans are counted with nothing beside it, beside two programs that only count, and
under the attack.
Meanwhile an operator who is signed in loads pages, gives commands and reads histories, and at the end signs in anew.
Exit 0 where the attack makes no scan late that would not be beside those two (on a machine with nothing else to do:
none), each of the operator's requests was answered, and none took longer than `SLOW_S`.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import os
import random
import re
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Awaitable, Callable
from pathlib import Path

import httpx

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]

from browser.works import WORD, Works  # noqa: E402  (the path has to be set first)
from peers.process import program  # noqa: E402

PLCS, PER_PLC, SCAN_S = 8, 25, 0.25
SLOW_S = 5.0
ADDRESSES = 12
NICE = 10
"""Of the attack: it is to hold the page, not the processor of the watch."""


class Attack:
    """Goes on until it is ended.

    Args:
        port: Of the page.
    """

    def __init__(self, port: int) -> None:
        self._port = port
        self._head = f"Host: 127.0.0.1:{port}\r\n"
        self.answers: Counter[str] = Counter()

    async def run(self) -> None:
        """Every way at once."""
        kinds: list[tuple[Callable[[int], Awaitable[None]], int]] = [
            (self.pages, 10), (self.histories, 6), (self.journals, 2), (self.marks, 2), (self.lockouts, 3),
            (self.creep, 2), (self.slow, 4), (self.deaf, 3), (self.guesses, 2), (self.junk, 1),
        ]  # fmt: skip
        one_by_one = [kind for kind, count in kinds for _ in range(count)]
        await asyncio.gather(*(self._again(kind, n) for n, kind in enumerate(one_by_one)))

    async def _again(self, kind: Callable[[int], Awaitable[None]], number: int) -> None:
        while True:
            try:
                await kind(number)
            except (OSError, EOFError, TimeoutError) as error:
                self.answers[type(error).__name__] += 1
                await asyncio.sleep(0.1)

    async def _open(self, number: int) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        return await asyncio.open_connection(
            "127.0.0.1", self._port, local_addr=(f"127.0.1.{number % ADDRESSES + 1}", 0)
        )

    async def _ask(self, number: int, what: str, request: str, more: str = "", body: str = "") -> bytes:
        reader, writer = await self._open(number)
        try:
            writer.write(f"{request} HTTP/1.1\r\n{self._head}{more}Connection: close\r\n\r\n{body}".encode())
            answer = await asyncio.wait_for(reader.read(), 30.0)
        finally:
            writer.close()
        self.answers[f"{what} {answer[9:12].decode(errors='replace')}"] += 1
        return answer

    async def pages(self, number: int) -> None:
        """The dearest page."""
        await self._ask(number, "page", "GET /")

    async def histories(self, number: int) -> None:
        """Another span each time, so that nothing is at hand."""
        now = int(time.time() * 1000)
        span = f"begin={now - random.randrange(1, 10**7)}&end={now}&columns=2000"
        await self._ask(number, "history", f"GET /api/v1/history?drive={self._drive()}&signal=torque&{span}")

    async def journals(self, number: int) -> None:
        """Five hundred rows."""
        await self._ask(number, "journal", f"GET /api/v1/journal?limit=500&drive={self._drive()}")

    async def marks(self, number: int) -> None:
        """Of all time."""
        await self._ask(number, "marks", f"GET /api/v1/marks?drive={self._drive()}&begin=0&end={2**53 - 1}")

    async def lockouts(self, number: int) -> None:
        """Each is asked of the watch."""
        await self._ask(number, "lockout", f"GET /api/v1/lockout/{self._drive()}")

    async def creep(self, number: int) -> None:
        """The ranking, and one drive's judgement with its pictures."""
        await self._ask(number, "creep", f"GET {random.choice(['/creep', f'/drives/{self._drive()}/creep'])}")

    async def slow(self, number: int) -> None:
        """A body, byte by byte."""
        _, writer = await self._open(number)
        writer.write(f"POST /csp HTTP/1.1\r\n{self._head}Content-Length: 60000\r\n\r\n".encode())
        for _ in range(20):
            writer.write(b"x")
            await asyncio.sleep(0.5)
        writer.close()

    async def deaf(self, number: int) -> None:
        """A stream that nobody reads."""
        loop = asyncio.get_running_loop()
        with socket.socket() as sock:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            sock.bind((f"127.0.1.{number % ADDRESSES + 1}", 0))
            sock.setblocking(False)
            await loop.sock_connect(sock, ("127.0.0.1", self._port))
            await loop.sock_sendall(sock, f"GET /live?where=overview HTTP/1.1\r\n{self._head}\r\n".encode())
            await asyncio.sleep(5.0)

    async def guesses(self, number: int) -> None:
        """At the operator's password."""
        told = await self._ask(number, "session", "GET /api/v1/session")
        cookie, csrf = re.search(rb"(nightrake-form=[^;]+)", told), re.search(rb'"csrf":"([^"]+)"', told)
        if cookie is None or csrf is None:
            return
        form = f"person=night1&password=x{random.random()}&csrf={csrf[1].decode()}"
        more = (
            f"Origin: http://127.0.0.1:{self._port}\r\nCookie: {cookie[1].decode()}\r\nAccept: application/json\r\n"
            f"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {len(form)}\r\n"
        )
        await self._ask(number, "guess", "POST /sign-in", more, form)

    async def junk(self, number: int) -> None:
        """What is no request."""
        reader, writer = await self._open(number)
        writer.write(random.choice([os.urandom(300), b"X" * 40_000, b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n"]))
        with contextlib.suppress(ConnectionError):
            await asyncio.wait_for(reader.read(), 30.0)
        writer.close()
        self.answers["junk"] += 1

    def _drive(self) -> str:
        return f"D{random.randrange(PLCS * PER_PLC)}"


class Operator:
    """Somebody who has work to do."""

    def __init__(self, works: Works) -> None:
        self._works = works
        self.client, self._csrf = self._signed_in()
        self.took_s: dict[str, list[float]] = {}
        self.refused: list[str] = []

    def _signed_in(self) -> tuple[httpx.Client, str]:
        headers = {"Origin": self._works.url, "Accept": "application/json"}
        client = httpx.Client(base_url=self._works.url, headers=headers, trust_env=False, timeout=30.0)
        csrf = client.get("/api/v1/session").json()["csrf"]
        answer = client.post("/sign-in", data={"person": "super1", "password": WORD, "csrf": csrf})
        return client, answer.raise_for_status().json()["csrf"]

    def work(self, number: int) -> None:
        """One round."""
        now, drive = int(time.time() * 1000), f"D{(number + 1) // 2 % 200}"
        what = "standby" if number % 2 else "return_to_service"
        command = {"what": what, "drive": drive, "args": {"for_s": 600, "reason": "x"} if number % 2 else {}}
        self._timed("page", "GET", "/", headers={"Accept": "text/html"})
        self._timed("command", "POST", "/api/v1/commands", json=command, headers={"X-CSRF-Token": self._csrf})
        span = f"begin={now - 600_000}&end={now}&columns=300"
        self._timed("history", "GET", f"/api/v1/history?drive={drive}&signal=torque&{span}")

    def _timed(self, name: str, method: str, path: str, **more: object) -> None:
        began_s = time.monotonic()
        answer = self.client.request(method, path, **more)  # type: ignore[arg-type]
        self.took_s.setdefault(name, []).append(time.monotonic() - began_s)
        if answer.status_code not in (200, 409):
            self.refused.append(f"{name}: {answer.status_code} {answer.text[:120]}")

    def sign_in_anew(self) -> None:
        """As after a pause."""
        self.client.close()
        self.client, self._csrf = self._signed_in()


def late(works: Works, seconds: float, meanwhile: Callable[[], None] = lambda: time.sleep(0.2)) -> tuple[int, int]:
    """Scans that were due, and late or missed, in a time."""
    before, end_s = works.watch.status()["plcs"], time.monotonic() + seconds
    while time.monotonic() < end_s:
        meanwhile()
    after = works.watch.status()["plcs"]
    due, bad = (sum(after[p][k] - before[p][k] for p in after for k in keys) for keys in (["due"], ["late", "missed"]))
    return due, bad


def judged(works: Works, seconds: float) -> list[str]:
    """Run it; gives what is wrong."""
    operator, rounds = Operator(works), iter(range(1, 10**6))
    time.sleep(3.0)
    calm = late(works, seconds / 2)
    counting = [subprocess.Popen(["nice", "-n", str(NICE), sys.executable, "-c", "while 1: pass"]) for _ in range(2)]
    busy = late(works, seconds)
    for one in counting:
        one.kill()
        one.wait()
    command = [sys.executable, __file__, "--attack", str(works.port)]
    with subprocess.Popen(["nice", "-n", str(NICE), *command], stdout=subprocess.PIPE, text=True) as attack:
        time.sleep(2.0)
        attacked = late(works, seconds, lambda: operator.work(next(rounds)))
        operator.sign_in_anew()
        attack.terminate()
        answers = attack.stdout.read() if attack.stdout is not None else ""
    operator.client.close()
    print(f"scans due and late: calm {calm}, busy {busy}, attacked {attacked}\nthe attack: {answers.strip()}")
    for name, took in operator.took_s.items():
        print(
            f"the operator's {name}: median {statistics.median(took):.2f} s, longest {max(took):.2f} s of {len(took)}"
        )
    wrong = list(operator.refused)
    if attacked[1] > busy[1]:
        wrong.append(f"{attacked[1]} scans were late under the attack, {busy[1]} beside plain load")
    return wrong + [f"a {n} took {max(took):.1f} s" for n, took in operator.took_s.items() if max(took) > SLOW_S]


async def attack(port: int) -> None:
    """The other process: until it is ended."""
    made, stop = Attack(port), asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(15, stop.set)
    work = asyncio.create_task(made.run())
    await stop.wait()
    work.cancel()
    await asyncio.gather(work, return_exceptions=True)
    print(dict(sorted(made.answers.items())))


def main() -> int:
    """Run and judge."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=30.0, help="of the attack")
    parser.add_argument("--attack", type=int, default=0, metavar="PORT", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.attack:
        asyncio.run(attack(given.attack))
        return 0
    with tempfile.TemporaryDirectory(prefix="page-attack-") as name:
        binary, source = Path(name) / "plc", ROOT / "tests" / "plc" / "libmodbus_server.c"
        subprocess.run([program("gcc", "gcc"), "-O1", "-o", str(binary), str(source), "-lmodbus"], check=True)
        works = Works(Path(name), binary, plcs=PLCS, per_plc=PER_PLC, scan_s=SCAN_S)
        try:
            works.start()
            wrong = judged(works, given.seconds)
        finally:
            works.close()
    for sentence in wrong:
        print(f"WRONG: {sentence}")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
