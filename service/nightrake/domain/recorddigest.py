"""The digest of a calibration record: SHA-256 over everything it says. Pure."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

from nightrake.domain.rows import canonical

RECORD_FORMAT = 1
_FIRST_KEYS = frozenset(
    (
        "drive direction device_serial made_by made_on place ambient_c reference_standard reference_uncertainty_pct "
        "method due_on remarks point contact_point"
    ).split()
)
"""Keys that records had before they said their format; a record that holds no others keeps its digest of then."""


def record_digest(table: Mapping[str, Any]) -> str:
    """SHA-256 (hex) over a record's content, its own digest apart; layout and comments of the file do not matter.

    Args:
        table: All keys of the record as plain values, defaults written out or not given at all where they are empty.
    """
    content = {k: v for k, v in table.items() if k != "digest"}
    said = _without_empty(content)
    if set(said) <= _FIRST_KEYS and all(p.get("weight", 1.0) == 1.0 for p in content.get("point", ())):
        first = {k: content.get(k) for k in _FIRST_KEYS}
        first["point"] = [{k: v for k, v in p.items() if k != "weight"} for p in content.get("point", ())]
        return hashlib.sha256(canonical(first)).hexdigest()
    return hashlib.sha256(canonical(said)).hexdigest()


def _without_empty(value: Any) -> Any:
    """Tables without the keys that say nothing."""
    if isinstance(value, Mapping):
        plain = {k: _without_empty(v) for k, v in value.items()}
        return {k: v for k, v in plain.items() if v is not None and v not in ("", [], {})}
    return [_without_empty(v) for v in value] if isinstance(value, (list, tuple)) else value
