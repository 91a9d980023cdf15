"""What the last run left in the store: where numbers and the chain go on, whatever of that is damaged."""

from __future__ import annotations

from typing import Any

import apsw

from nightrake.domain.rows import GENESIS
from nightrake.journal.damage import Found
from nightrake.journal.numbers import AHEAD_INPUTS, AHEAD_ROWS, Numbers
from nightrake.journal.sql import fetch

HIGHEST = 2**53
"""No number is that high; whoever reads JSON could not tell higher ones apart. Source: RFC 8259, 6."""
_AHEAD = {"seq_reserved": AHEAD_ROWS, "input_reserved": AHEAD_INPUTS}


def meta_of(db: apsw.Connection) -> dict[str, Any]:
    """What the store says of itself, whatever of it is damaged."""
    found = fetch(db, "select cast(key as blob), typeof(value), cast(value as blob) from meta")
    texts = {_text(key): (kind, _text(value)) for key, kind, value in found}
    return {key: int(text) if kind == "integer" else text for key, (kind, text) in texts.items()}


def _text(value: bytes | None) -> str:
    return (value or b"").decode(errors="replace")


def newest_of(db: apsw.Connection, damages: list[Found]) -> tuple[int, bytes]:
    """Number and hash of the newest journal row; where its hash is damaged, the chain begins anew behind it."""
    newest = fetch(db, "select seq, hash from journal order by seq desc limit 1")
    if not newest:
        return 0, GENESIS
    last_seq, last_hash = newest[0]
    if isinstance(last_hash, bytes) and len(last_hash) == len(GENESIS):
        return last_seq, last_hash
    damages.append(Found("the hash of the newest journal row, so that the chain begins anew behind it", str(last_seq)))
    return last_seq, GENESIS


def numbers_of(meta: dict[str, Any], key: str, used: int, damages: list[Found]) -> Numbers:
    """Where numbers go on; if that cannot be read, behind all that can have been set aside, by what is in use.

    Args:
        meta: From `meta_of`. key: Of the series. used: Highest number found. damages: Gets what was found damaged.
    """
    kept, ahead = meta.get(key, 0 if not meta else None), _AHEAD[key]
    if not isinstance(kept, int) or not 0 <= kept < HIGHEST:
        damages.append(Found("a number in the store's own table", key))
        kept = used + ahead
    return Numbers(key, kept, used, ahead)
