"""The watch with stamps taken from outside: ``latency_stamps.py FILE python -m nightrake.cli watch FOLDER``.

The watch itself is the one that is shipped; around three of its calls the time is noted, and written to FILE when it
has ended, a line of JSON each, times as seconds since 1970:

    {"row": SEQ, "begin": T, "end": T}     the input that made this row was taken up; its rows were with the store
    {"durable": SEQ, "at": T}              every row up to this one is on disk
    {"publish": ID, "at": T}               a message with this id was handed to the broker's client
"""

from __future__ import annotations

import json
import runpy
import sys
import time
from pathlib import Path
from typing import Any

Stamps = list[dict[str, Any]]
Published = list[tuple[float, bytes]]


def plant(stamps: Stamps, published: Published) -> None:
    """Note the time around an input, at a commit and at a publish."""
    from nightrake.engine import Engine
    from nightrake.messages.link import Link

    submit, durable, publish = Engine.submit, Engine.durable, Link.publish

    def timed_submit(engine: Engine, given: Any) -> Any:
        before, begin_s = engine.last_seq, time.time()
        outcome = submit(engine, given)
        if engine.last_seq != before:
            end_s = time.time()
            stamps.extend({"row": n, "begin": begin_s, "end": end_s} for n in range(before + 1, engine.last_seq + 1))
        return outcome

    def timed_durable(engine: Engine, seq: int) -> None:
        stamps.append({"durable": seq, "at": time.time()})
        durable(engine, seq)

    async def timed_publish(link: Link, topic: str, payload: bytes, **more: Any) -> None:
        if topic.endswith("/events") or "/person/" in topic:
            published.append((time.time(), payload))
        await publish(link, topic, payload, **more)

    for owner, name, call in (
        (Engine, "submit", timed_submit),
        (Engine, "durable", timed_durable),
        (Link, "publish", timed_publish),
    ):
        setattr(owner, name, call)


def main() -> None:
    """See the module."""
    file, _, _, module, *arguments = sys.argv[1:]
    stamps: Stamps = []
    published: Published = []
    plant(stamps, published)
    sys.argv = [module, *arguments]
    try:
        runpy.run_module(module, run_name="__main__", alter_sys=True)
    finally:
        stamps += [{"publish": json.loads(payload)["id"], "at": at_s} for at_s, payload in published]
        Path(file).write_text("".join(json.dumps(stamp) + "\n" for stamp in stamps))


if __name__ == "__main__":
    main()
