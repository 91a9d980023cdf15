"""One write to an InfluxDB-protocol store, synchronous, in a thread of its own; its refusals as values.

influxdb-client's batching mode is never used: it drops what the store refuses or cannot take for three minutes.
"""

from __future__ import annotations

import asyncio
import contextlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, NamedTuple

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

_MS: Any = "ms"
"""The client's own constant is this text, typed as an object that it is not."""


class Verdict(StrEnum):
    """What the store made of a batch."""

    TAKEN = "taken"
    REFUSED = "refused"  # 400, 422: something in it is wrong
    TOO_LARGE = "too large"  # 413
    DENIED = "denied"  # 401, 403, 404: the batch is good, we are not let in
    BUSY = "busy"  # 429, 5xx: later
    UNREACHABLE = "unreachable"


class Answer(NamedTuple):
    """The verdict, the store's words, and how long it asks to be left alone."""

    verdict: Verdict
    text: str = ""
    retry_after_s: float = 0.0


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
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="forwarder")
        self._client = InfluxDBClient(
            url=target.url,
            token=target.token or "none",
            org=target.org or "-",
            timeout=int(target.timeout_s * 1000),
            enable_gzip=True,
            retries=False,
        )
        self._api = self._client.write_api(write_options=SYNCHRONOUS)

    async def send(self, lines: list[str]) -> Answer:
        """Send one batch. Never raises for what a store or a network does."""
        body = "\n".join(lines).encode()
        loop = asyncio.get_running_loop()
        try:
            # The client's own time-out covers a silent peer; this one covers a peer that trickles.
            async with asyncio.timeout(2 * self._target.timeout_s):
                return await loop.run_in_executor(self._thread, self._write, body)
        except TimeoutError:
            return Answer(Verdict.UNREACHABLE, f"{self._target.url} does not answer")

    def _write(self, body: bytes) -> Answer:
        try:
            self._api.write(bucket=self._target.bucket, record=body, write_precision=_MS)
        except ApiException as error:
            return _answer(error)
        except (HTTPError, OSError, TimeoutError) as error:
            return Answer(Verdict.UNREACHABLE, f"{self._target.url} cannot be reached: {_short(error)}")
        return Answer(Verdict.TAKEN)

    def close(self) -> None:
        """Close without waiting for a write that hangs."""
        self._thread.shutdown(wait=False, cancel_futures=True)
        with contextlib.suppress(Exception):  # closing is best effort; the library's writers may be gone
            self._client.close()


def _answer(error: ApiException) -> Answer:
    status = int(error.status or 0)
    words = f"the store says {status}: {str(error.body or error.reason or '')[:200]}".strip()
    if status in (400, 422):
        return Answer(Verdict.REFUSED, words)
    if status == 413:
        return Answer(Verdict.TOO_LARGE, words)
    if status in (401, 403, 404):
        return Answer(Verdict.DENIED, words)
    wait = dict(error.headers or {}).get("Retry-After", "")
    return Answer(Verdict.BUSY, words, float(wait) if str(wait).isdigit() else 0.0)


def _short(error: Exception) -> str:
    return str(error).rsplit(":", 1)[-1].strip(" )>'")[:120] or type(error).__name__
