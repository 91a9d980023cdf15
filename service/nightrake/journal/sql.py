"""One typed way to read rows: apsw's own types say that any column may be anything."""

from __future__ import annotations

from typing import Any

import apsw


def fetch(db: apsw.Connection, statement: str, bindings: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Run a statement to its end and give all its rows (a pragma such as incremental_vacuum needs to be run out)."""
    return list(db.execute(statement, bindings))
