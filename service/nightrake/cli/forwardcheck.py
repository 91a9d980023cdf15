"""Whether the store forwarded to keeps what it acknowledges, and keeps what comes twice once: for `check --live`."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterator

from nightrake.errors import NightrakeError
from nightrake.historian.readback import Kept, Probe, ReadBack
from nightrake.historian.sending import Sender, StoreTarget, Verdict
from nightrake.settings import Settings, secret

LOOKS_S = (1.5, 2.0, 4.0, 6.0)
"""Between looks: a new series shows after a second or so, and after ten at the latest if it was asked for too early."""
TWICE = (
    "keeps what is sent twice twice, and the last half minute is sent again after a lost connection; switch on its "
    "deduplication (VictoriaMetrics: -dedup.minScrapeInterval=1ms)"
)
UNKNOWN = (
    "cannot be read back, so nobody can say whether it keeps what it acknowledges; see to it that a line that comes "
    "twice counts once"
)


def forward_doubts(settings: Settings) -> Iterator[str]:
    """One sentence if something is wrong, or cannot be known; nothing while nothing is forwarded."""
    forward = settings.forward
    if not forward.enabled:
        return
    try:
        token = secret(forward.token_file, forward.token_env, "forward token").reveal()
    except NightrakeError as error:
        yield str(error)
        return
    target = StoreTarget(forward.url, forward.org, forward.bucket, forward.timeout_s, token)
    words = asyncio.run(_asked(target, settings.site.id))
    if words:
        yield f"forward.url: {words}"


async def _asked(target: StoreTarget, site: str) -> str:
    sender, back = Sender(target), ReadBack(target)
    probe = Probe(site, 0, time.time_ns() // 1_000_000)
    try:
        answer = await sender.send(probe.lines())
        if answer.verdict is not Verdict.TAKEN:
            return answer.text
        kept = Kept.UNKNOWN
        for wait_s in LOOKS_S:
            await asyncio.sleep(wait_s)
            kept = await back.look(sender, probe)
            if kept is not Kept.NOT:
                break
    finally:
        sender.close()
    if kept is Kept.NOT:
        return f"the store at {target.url} acknowledges what is written, and keeps nothing of it; check the store"
    return {Kept.TWICE: f"the store at {target.url} {TWICE}", Kept.UNKNOWN: f"the store at {target.url} {UNKNOWN}"}.get(
        kept, ""
    )
