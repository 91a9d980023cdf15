"""The process that reads history, trips and the journal for the page: so that nobody who is live waits for a disk.

    python -m nightrake.workers.pagereader '{"state_dir": ..., "config_dir": ...}'

    page worker -- {"what": "history", "args": {...}} --> standard input, a line of JSON; one question at a time
    page worker -- {"hurry": true} --> while it is answered: others wait
    page worker <-- {"ok": true, "size": 4711} and a line end, then so many bytes of JSON -- standard output
    page worker <-- {"ok": false, "error": "one sentence", "kind": "lookup" | "store"} -- likewise, without bytes
        (where the sentence names a folder of the machine, that is left out, and "whole" has it for the log)

It writes nothing and may be killed anywhere.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import traceback
from pathlib import Path
from typing import Any

from nightrake.domain.cleantext import clean
from nightrake.errors import NightrakeError, StoreError
from nightrake.page.folders import Folders
from nightrake.pagereading.answers import Answers
from nightrake.workers.line import Line, be_last

NICER = 5
"""Beyond what every worker is: it waits for the page's own process too."""
WAIT_S = 3600.0
LONGEST = 500


def answered(answers: Answers, asked: dict[str, Any], folders: Folders) -> tuple[dict[str, Any], bytes]:
    """The head of an answer, and its bytes."""
    args = asked.get("args")
    try:
        body = answers.answer(str(asked.get("what", "")), args if isinstance(args, dict) else {})
    except LookupError as error:
        return _refused("lookup", str(error.args[0] if error.args else ""), folders), b""
    except NightrakeError as error:
        if isinstance(error, StoreError):
            answers.forget()
        return _refused("store", str(error), folders), b""
    except Exception as error:  # noqa: BLE001 - a fault of the program itself costs one answer
        answers.forget()
        traceback.print_exc()
        words = clean(f"{type(error).__name__}: {error}", 200)
        return _refused("store", f"it cannot be read, by a fault of this program ({words})", folders), b""
    body = folders.without_in(body)
    return {"ok": True, "size": len(body)}, body


def _refused(kind: str, text: str, folders: Folders) -> dict[str, Any]:
    """What a browser is told, and for the log the sentence whole where that is another."""
    whole = clean(text, LONGEST)
    told = folders.without(whole)
    return {"ok": False, "kind": kind, "error": told, **({"whole": whole} if told != whole else {})}


def main() -> None:
    """Answer until standard input ends."""
    be_last()
    with contextlib.suppress(OSError):
        os.nice(NICER)
    job = json.loads(sys.argv[1])
    config_dir = str(job.get("config_dir") or "")
    line, out = Line(), sys.stdout.buffer
    folder, config = Path(str(job["state_dir"])), Path(config_dir) if config_dir else None
    answers = Answers(folder, config, others_wait=lambda: line.has_more)
    folders = Folders(str(folder), config_dir)
    out.write(b'{"ready":true}\n')
    out.flush()
    while True:
        asked = line.ask(WAIT_S)
        if "what" not in asked:
            continue  # nothing, or a hurry that came after its answer
        head, body = answered(answers, asked, folders)
        try:
            out.write(json.dumps(head, separators=(",", ":")).encode() + b"\n" + body)
            out.flush()
        except OSError:
            os._exit(0)  # nobody listens any more


if __name__ == "__main__":
    main()
