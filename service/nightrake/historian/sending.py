"""One write to an InfluxDB-protocol store, synchronous, in a thread of its own; its refusals as values.

influxdb-client's batching mode is never used: it drops what the store refuses or cannot take for three minutes.
"""

from __future__ import annotations

import asyncio
import contextlib
import queue
import threading
import time
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from email.utils import parsedate_to_datetime
from enum import StrEnum
from typing import Any, NamedTuple, TypeVar

from urllib3.exceptions import HTTPError

from nightrake.crashpoint import reach
from nightrake.historian.library import ApiException, InfluxDBClient, WriteService
from nightrake.historian.line import Bounded, Cut, pools

PRECISION = "ms"
GZIP_LEVEL = 1
GZIP = 31
"""To zlib: with the header and trailer of gzip."""
MOST_WAIT_S = 300.0
"""A store that asks for a longer pause is asked again after this one."""
TOO_MANY, LEAST_WAIT_S = 429, 1.0
"""Too many requests, and how long it is left alone where it does not say (RFC 6585, 4: it may say)."""
PROBE_HOLDS_S = 60.0
"""After a refusal a line that is certainly good is tried, at most this often."""
BLAMED_IN_A_ROW = 4
"""After as many refusals without a success between them it is tried all the same: meanwhile nothing may be taken."""
ABANDONED = 4
"""So many threads that were given up and have not ended yet, and no other is begun: a look-up of a name can hang."""


class Verdict(StrEnum):
    """What the store made of a batch."""

    TAKEN = "taken"
    REFUSED = "refused"  # 400, 422: something in it is wrong
    TOO_LARGE = "too large"  # 413
    DENIED = "denied"  # 401, 403, 404, no line at all is taken, or no store answers there: the batch is good
    BUSY = "busy"  # 429, 5xx: later
    UNREACHABLE = "unreachable"


class Answer(NamedTuple):
    """What came of a write.

    Attributes:
        verdict: See there. text: The store's words. retry_after_s: How long it asks to be left alone.
        lost: The connection before this write's had ended unasked: the store may have been killed since the last one,
            and forgotten what it had acknowledged.
    """

    verdict: Verdict
    text: str = ""
    retry_after_s: float = 0.0
    lost: bool = False

    @property
    def asks_to_wait(self) -> bool:
        """A store that stands and has enough for now: what it has acknowledged it keeps.

        Whoever took that for a loss would send the last half minute again each time, and never get on with a store
        that asks every few seconds.
        """
        return self.verdict is Verdict.BUSY and self.retry_after_s > 0.0 and not self.lost


class Found(NamedTuple):
    """What was said to a question. `status` 0: there was no answer; `form`: its content type."""

    status: int
    words: str
    form: str = ""


class Question(NamedTuple):
    """A request that reads. `path` begins with a slash and holds the query."""

    method: str
    path: str
    body: bytes | None = None
    content_type: str = ""


Job = Callable[[InfluxDBClient, Bounded], Any]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class StoreTarget:
    """Where to send. `token` is "" for none."""

    url: str
    org: str
    bucket: str
    timeout_s: float
    token: str = field(default="", repr=False)


class Sender:
    """Sends batches one after the other.

    Args:
        target: The store.
    """

    def __init__(self, target: StoreTarget) -> None:
        self._target = target
        self._worker: _Worker | None = None
        self._abandoned: list[_Worker] = []
        self._probed_s = -PROBE_HOLDS_S
        self._blamed = 0

    async def send(self, lines: Sequence[str]) -> Answer:
        """Send one batch. Never raises for what a store or a network does."""
        reach("before-post")
        answer = await self._post("\n".join(lines).encode())
        reach("after-post")
        blames = answer.verdict is Verdict.REFUSED or (answer.verdict is Verdict.TOO_LARGE and len(lines) == 1)
        self._blamed = self._blamed + 1 if blames else 0
        holds = time.monotonic() - self._probed_s < PROBE_HOLDS_S and self._blamed < BLAMED_IN_A_ROW
        return await self._probe(answer) if blames and not holds else answer

    async def _probe(self, refused: Answer) -> Answer:
        """Before lines are blamed one by one: a store that is set up wrongly refuses every line, and none is bad."""
        good = await self._post(f"nightrake_probe value=1.0 {time.time_ns() // 1_000_000}".encode())
        if good.verdict is Verdict.TAKEN:
            self._probed_s, self._blamed = time.monotonic(), 0
            return refused._replace(lost=refused.lost or good.lost)
        if good.verdict in (Verdict.REFUSED, Verdict.TOO_LARGE):
            what = "url, org and bucket" if good.verdict is Verdict.REFUSED else "what stands before the store"
            return Answer(Verdict.DENIED, f"{refused.text} (it takes no line at all; check {what})")
        return good._replace(lost=refused.lost or good.lost)

    async def ask(self, question: Question) -> Found:
        """Ask what the store holds. Never raises for what a store or a network does."""
        found = await self._done(lambda _, line: _ask(line, self._target, question))
        return found if found is not None else Found(0, "no answer")

    async def _post(self, body: bytes) -> Answer:
        if self._worker is None and not self._may_begin():
            return Answer(Verdict.UNREACHABLE, f"{self._target.url}: earlier tries still hang")
        answer = await self._done(lambda client, line: _write(client, line, self._target, body))
        return answer or Answer(Verdict.UNREACHABLE, f"{self._target.url} does not answer")

    def _may_begin(self) -> bool:
        self._abandoned = [w for w in self._abandoned if w.runs]
        return len(self._abandoned) < ABANDONED

    async def _done(self, job: Callable[[InfluxDBClient, Bounded], T]) -> T | None:
        """What came of a job in the thread; None where it took too long, or too many hang already."""
        if self._worker is None:
            if not self._may_begin():
                return None
            self._worker = _Worker(self._target)
        try:
            # The client's own time-out covers a silent peer; this one covers a peer that trickles.
            async with asyncio.timeout(2 * self._target.timeout_s):
                return await self._worker.do(job)
        except TimeoutError:
            self.close()
            return None

    def close(self) -> None:
        """Close without waiting: a write that is under way is cut off, and its thread ends with it."""
        worker, self._worker = self._worker, None
        if worker is not None:
            worker.end()
            self._abandoned.append(worker)


class _Worker:
    """A thread with its client. A daemon: a pool's thread would hold up the end of the process."""

    def __init__(self, target: StoreTarget) -> None:
        self._target = target
        self._cut = Cut()
        self._jobs: queue.SimpleQueue[tuple[Job, Callable[[Any], None]] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="forwarder", daemon=True)
        self._thread.start()

    @property
    def runs(self) -> bool:
        return self._thread.is_alive()

    async def do(self, job: Callable[[InfluxDBClient, Bounded], T]) -> T:
        loop = asyncio.get_running_loop()
        future: asyncio.Future[T] = loop.create_future()

        def give(answer: T) -> None:
            if not future.done():
                future.set_result(answer)

        def done(answer: T) -> None:
            with contextlib.suppress(RuntimeError):  # the loop is closed already
                loop.call_soon_threadsafe(give, answer)

        self._jobs.put((job, done))
        return await future

    def end(self) -> None:
        self._jobs.put(None)
        self._cut.cut()

    def _run(self) -> None:
        client = _client(self._target)
        line = pools(self._cut, client.api_client.rest_client.pool_manager)
        client.api_client.rest_client.pool_manager = line  # type: ignore[assignment]  # it asks for no more
        while (given := self._jobs.get()) is not None:
            job, done = given
            done(job(client, line))
        client.close()


def _client(target: StoreTarget) -> InfluxDBClient:
    client = InfluxDBClient(
        url=target.url,
        token=target.token or "none",
        org=target.org or "-",
        timeout=int(target.timeout_s * 1000),
        retries=False,
    )
    client.api_client.set_default_header("Accept-Encoding", "identity")
    return client


def _write(client: InfluxDBClient, line: Bounded, target: StoreTarget, body: bytes) -> Answer:
    # Packed here: the client's own packing takes six times as long for a body that is hardly smaller.
    packed = zlib.compress(body, GZIP_LEVEL, wbits=GZIP)
    try:
        WriteService(client.api_client).post_write(
            org=client.org, bucket=target.bucket, body=packed, precision=PRECISION, content_encoding="gzip"
        )
    except ApiException as error:
        return _answer(error)._replace(lost=line.lost)
    except (HTTPError, OSError, TimeoutError) as error:
        return Answer(Verdict.UNREACHABLE, f"{target.url} cannot be reached: {_short(error)}")
    except ValueError as error:  # a token or an address that cannot stand in a request
        return Answer(Verdict.DENIED, f"{target.url} cannot be asked: {_short(error)}")
    said = line.last
    if said is not None and said.status != 204 and said.words:
        # A store says 204 and nothing else, or nothing at all; a page is somebody else's, such as a proxy's log-in.
        text = f"{target.url} answers {said.status} with a page, as no store does: {said.words[:100]!r}"
        return Answer(Verdict.DENIED, f"{text}; check forward.url and what stands before the store")
    return Answer(Verdict.TAKEN, lost=line.lost)


def _ask(line: Bounded, target: StoreTarget, question: Question) -> Found:
    headers = {"Authorization": f"Token {target.token or 'none'}", "Accept-Encoding": "identity"}
    if question.content_type:
        headers["Content-Type"] = question.content_type
    url = target.url.rstrip("/") + question.path
    try:
        said = line.request(
            *(question.method, url), body=question.body, headers=headers, timeout=target.timeout_s, retries=False
        )
    except (HTTPError, OSError, TimeoutError, ValueError) as error:
        return Found(0, _short(error))
    return Found(int(said.status), said.words, said.headers.get("content-type", ""))


def _answer(error: ApiException) -> Answer:
    status = int(error.status or 0)
    words = f"the store says {status}: {str(error.body or error.reason or '')[:200]}".strip()
    if status in (400, 422):
        return Answer(Verdict.REFUSED, words)
    if status == 413:
        return Answer(Verdict.TOO_LARGE, words)
    if status in (401, 403, 404):
        return Answer(Verdict.DENIED, words)
    headers = {str(k).lower(): str(v) for k, v in dict(error.headers or {}).items()}
    pause_s = retry_after_s(headers.get("retry-after", ""), time.time())
    return Answer(Verdict.BUSY, words, max(pause_s, LEAST_WAIT_S) if status == TOO_MANY else pause_s)


def retry_after_s(text: str, now_s: float) -> float:
    """Seconds to wait, 0..`MOST_WAIT_S`, from a Retry-After header: seconds, or a date; 0 for anything else.

    Source: RFC 9110, 10.2.3.
    """
    if text.isascii() and text.isdigit():
        return min(float(text), MOST_WAIT_S)
    try:
        return min(max(parsedate_to_datetime(text).timestamp() - now_s, 0.0), MOST_WAIT_S)
    except (ValueError, TypeError, OverflowError):
        return 0.0


def _short(error: Exception) -> str:
    return str(error).rsplit(":", 1)[-1].strip(" )>'")[:120] or type(error).__name__
