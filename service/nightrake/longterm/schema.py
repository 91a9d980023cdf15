"""Tables of history.db, as numbered migrations: a step and the record that it ran share one transaction.

Whatever is ordered by input number has a place: ``life * 2**48 + number``. Numbers rise over all runs; only after a
store was lost or an old one put back would they recur, and then a new life begins.
"""

from __future__ import annotations

import apsw

from nightrake.crashpoint import reach
from nightrake.errors import StoreError
from nightrake.longterm.sql import fetch, rollback
from nightrake.longterm.summaries import SUMMARY_TABLES

APPLICATION_ID = 0x4E52_4849
"""In the file's header: what tells a history of ours from any other SQLite file."""

TABLES = (
    "create table meta(key text primary key, value) without rowid",
    # Endpoints, layouts, boot ids and settings digests, each under a small number.
    "create table name(id integer primary key, text text not null unique)",
    "create table life(life integer primary key, epoch text not null, utc_ms integer not null)",
    "create table settings(digest text primary key, utc_ms integer not null, content text not null,"
    " built text not null) without rowid",
    "create table layout(layout text primary key, content text not null) without rowid",
    "create table clock_segment(boot_id text not null, start_mono_ns integer not null, start_utc_ms integer not null,"
    " trusted integer not null, primary key(boot_id, start_mono_ns)) without rowid",
    "create table boot(place integer primary key, boot_id text not null)",
    # From this place on these settings were in force.
    "create table period(place integer primary key, digest text not null)",
    "create table snapshot(place integer primary key, utc_ms integer not null, digest text not null,"
    " payload blob not null)",
    # Everything between two places, over all PLCs: what was sealed in one transaction.
    "create table cut(last_place integer primary key, first_place integer not null, records integer not null,"
    " span_ms integer not null, utc_ms integer not null)",
    "create table block(id integer primary key, cut integer not null, endpoint integer not null,"
    " layout integer not null, boot integer not null, digest integer not null, first_place integer not null,"
    " last_place integer not null, first_mono_ns integer not null, last_mono_ns integer not null,"
    " low_utc_ms integer not null, high_utc_ms integer not null, records integer not null, bytes integer not null,"
    " head blob not null, sha256 blob not null)",
    "create index block_time on block(endpoint, first_place, low_utc_ms, high_utc_ms)",
    "create index block_cut on block(cut)",
    # Key: block * 2**24 + number of the column. New blocks go to the end, whatever the number of series, and the
    # oldest go from the front: few pages are touched, and those that are get full.
    "create table column_data(id integer primary key, data blob not null)",
    # Inputs that could not be kept, and why.
    "create table missing(first_place integer primary key, last_place integer not null, utc_ms integer not null,"
    " why text not null)",
)

MIGRATIONS: tuple[tuple[str, ...], ...] = (TABLES, SUMMARY_TABLES)
"""One tuple of statements for each schema number, from 1."""


def schema_number(db: apsw.Connection) -> int:
    """Number of the last migration that ran; 0 in an empty file."""
    if not fetch(db, "select 1 from sqlite_schema where name = 'migration'"):
        return 0
    return int(fetch(db, "select coalesce(max(number), 0) from migration")[0][0])


def migrate(
    db: apsw.Connection, path: str, now_utc_ms: int, migrations: tuple[tuple[str, ...], ...] = MIGRATIONS
) -> int:
    """Bring a history to this program's schema.

    Args:
        db: The writing connection. path: For the message. now_utc_ms: For the record. migrations: All steps.

    Returns:
        The schema number before.

    Raises:
        StoreError: The file is newer than this program, or is no history.
    """
    before = schema_number(db)
    if before == 0 and fetch(db, "select 1 from sqlite_schema limit 1"):
        raise StoreError(f"{path}: is a SQLite file, but no history of nightrake; move it out of the store's folder")
    if before > len(migrations):
        raise StoreError(
            f"{path}: has history schema {before}, written by a newer nightrake; this one knows schemas up to "
            f"{len(migrations)}: start the newer version, or move the file out of the store's folder"
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
        reach("mid-history-migration")
        db.execute("insert into migration values(?, ?)", (number, now_utc_ms))
        db.execute("commit")
    except BaseException:
        rollback(db)
        raise
