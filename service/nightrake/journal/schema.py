"""Tables of the store, as numbered migrations: a step and the record that it ran share one transaction."""

from __future__ import annotations

import apsw

from nightrake.crashpoint import reach
from nightrake.errors import StoreError
from nightrake.journal.batch import rollback
from nightrake.journal.sql import fetch

APPLICATION_ID = 0x4E52_414B
"""In the file's header: what tells a store of ours from any other SQLite file."""

MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        "create table meta(key text primary key, value) without rowid",
        "create table clock_segment(id integer primary key, boot_id text not null, start_mono_ns integer not null,"
        " start_utc_ms integer not null, trusted integer not null)",
        "create table settings(digest text primary key, utc_ms integer not null, content text not null) without rowid",
        "create table layout(layout text primary key, content text not null) without rowid",
        # Time first: appending touches one page, whatever the number of PLCs.
        "create table tail(seq integer primary key, kind text not null, endpoint text not null, layout text not null,"
        " mono_ns integer not null, utc_ms integer not null, payload blob not null)",
        # Numbers rise within a file over all its epochs, so the number alone is the key; (epoch, seq) is the id.
        "create table journal(epoch text not null, seq integer primary key, kind text not null, event text not null,"
        " drive text not null, direction text not null, urgent integer not null, schema integer not null,"
        " input_seq integer not null, boot_id text not null, mono_ns integer not null, utc_ms integer not null,"
        " clock_trusted integer not null, payload blob not null, prev_hash blob not null, hash blob not null)",
        "create index journal_drive on journal(drive, seq)",
        "create table judgement(key text primary key, input_seq integer not null, payload blob not null) without rowid",
        "create table snapshot(input_seq integer primary key, utc_ms integer not null, payload blob not null)",
        "create table cursor(name text primary key, epoch text not null, seq integer not null, extra text not null)"
        " without rowid",
        "create table dead_letter(id integer primary key, utc_ms integer not null, line text not null,"
        " reason text not null)",
    ),
    (
        # Files of closed segments, see `archive`; place: see `archive.Where`.
        "create table archive(first_seq integer primary key, last_seq integer not null, rows integer not null,"
        " epoch text not null, prev_hash blob not null, hash blob not null, from_utc_ms integer not null,"
        " to_utc_ms integer not null, drives text not null, size_bytes integer not null, sha256 blob not null,"
        " place integer not null)",
    ),
)
"""One tuple of statements for each schema number, from 1."""


def schema_number(db: apsw.Connection) -> int:
    """Number of the last migration that ran; 0 in an empty file."""
    if not fetch(db, "select 1 from sqlite_schema where name = 'migration'"):
        return 0
    return int(fetch(db, "select coalesce(max(number), 0) from migration")[0][0])


def migrate(
    db: apsw.Connection, path: str, now_utc_ms: int, migrations: tuple[tuple[str, ...], ...] = MIGRATIONS
) -> int:
    """Bring a store to this program's schema.

    Args:
        db: The writing connection. path: For the message. now_utc_ms: For the record. migrations: All steps.

    Returns:
        The schema number before.

    Raises:
        StoreError: The file is newer than this program, or is no store.
    """
    before = schema_number(db)
    if before == 0 and fetch(db, "select 1 from sqlite_schema limit 1"):
        raise StoreError(f"{path}: is a SQLite file, but no store of nightrake; give the store a folder of its own")
    if before > len(migrations):
        raise StoreError(
            f"{path}: has store schema {before}, written by a newer nightrake; this one knows schemas up to "
            f"{len(migrations)}: start the newer version, or give this one another folder"
        )
    for number in range(before + 1, len(migrations) + 1):
        _step(db, number, migrations[number - 1], now_utc_ms)
    return before


def _step(db: apsw.Connection, number: int, statements: tuple[str, ...], now_utc_ms: int) -> None:
    db.execute("begin immediate")
    try:
        if number == 1:
            db.execute(f"pragma application_id = {APPLICATION_ID}")
            db.execute("create table migration(number integer primary key, utc_ms integer not null)")
        for statement in statements:
            db.execute(statement)
        reach("mid-migration")
        db.execute("insert into migration values(?, ?)", (number, now_utc_ms))
        db.execute("commit")
    except BaseException:
        rollback(db)
        raise
