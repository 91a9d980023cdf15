"""The process that knows the notification library: one message a line in, one outcome a line out.

    watch -- {"id", "url", "subject", "body", "hide"} --> python -m nightrake.channels.worker -- {"id", "ok", "detail"}

With ``look`` in place of subject and body nothing is sent: it says only whether it could send to such an address.

The library takes some 50 MB and half a second to load, and a server that answers drop by drop can hold a send up for
ever, one that answers without end fills the memory: so it runs apart within a limit, is started when there is something
to send, and can be ended.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import resource
import sys
import threading
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

PARALLEL = 4
MEMORY_BYTES = 160 << 20
"""Of data, the library's included (some 75 MB): an answer without end must not take the memory of the whole unit."""
DETAIL_LENGTH = 240
_SOCKET = "Socket Exception: "
_DULL = ("Sent ", "Response Details", "Applying", "Loading")


class _Heard(logging.Handler):
    """What the library logs on this thread; it answers only with yes or no, and says why in its log."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.local = threading.local()

    def emit(self, record: logging.LogRecord) -> None:
        text = record.getMessage()
        if text.startswith(_SOCKET):
            self.local.cause = text.removeprefix(_SOCKET).rpartition("(Caused by ")[2]
        elif record.levelno >= logging.WARNING and not text.startswith(_DULL):
            self.local.warning = text

    def begin(self) -> None:
        self.local.cause = self.local.warning = ""

    def why(self) -> str:
        parts = [getattr(self.local, name, "") for name in ("warning", "cause")]
        return " ".join(p for p in parts if p)


def hidden(text: str, secrets: Iterable[str]) -> str:
    """A text in which no secret stands, on one line."""
    for secret in sorted((s for s in secrets if s), key=len, reverse=True):
        text = text.replace(secret, "***")
    return " ".join(text.split())[:DETAIL_LENGTH]


def _send(heard: _Heard, asked: dict[str, Any]) -> tuple[bool, str]:
    import apprise

    heard.begin()
    asset = apprise.AppriseAsset(app_id="nightrake", app_desc="nightrake", async_mode=False, secure_logging=True)
    try:
        service = apprise.Apprise.instantiate(asked["url"], asset=asset, suppress_exceptions=False)
        if service is None:
            return False, heard.why() or "the library takes no such URL; compare its documentation"
        if asked.get("look"):  # whether it could be sent to is all that is asked
            return True, ""
        done = service.notify(body=asked["body"], title=asked["subject"], body_format=apprise.NotifyFormat.TEXT)
    except MemoryError:
        return False, "its answer takes more memory than one may have here; is it the server that was meant?"
    except Exception as error:  # noqa: BLE001  (190 services of others; whatever it is, it is this message's outcome)
        return False, f"{heard.why()} {type(error).__name__}: {error}"
    return bool(done), "" if done else heard.why() or "the other side did not take it, and the library does not say why"


def main() -> None:
    """Serve until standard input ends."""
    with contextlib.suppress(OSError):  # should memory run short, this process is the one to end
        Path("/proc/self/oom_score_adj").write_text("1000", encoding="ascii")
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))
    heard, writing = _Heard(), threading.Lock()
    logger = logging.getLogger("apprise")
    logger.addHandler(heard)
    logger.setLevel(logging.DEBUG)
    logger.propagate = False

    def serve(asked: dict[str, Any]) -> None:
        ok, detail = _send(heard, asked)
        line = json.dumps({"id": asked["id"], "ok": ok, "detail": hidden(detail, asked["hide"])})
        with writing:
            print(line, flush=True)  # noqa: T201  (this is how it answers)

    pool = ThreadPoolExecutor(PARALLEL)
    for line in sys.stdin:
        pool.submit(serve, json.loads(line))
    if "--look" in sys.argv[1:]:  # nothing is sent, so nothing can hang
        pool.shutdown()
    os._exit(0)  # a send that hangs must not keep the process


if __name__ == "__main__":
    main()
