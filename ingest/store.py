"""The SQLite store: connections, transactions, and the version's journal mode.

A bug in SQLite 3.7.0 to 3.51.2 can corrupt a database in WAL mode when two connections write and
checkpoint at once; it is fixed in 3.51.3. Older versions therefore use the rollback journal. Both
with synchronous=FULL. There is one writer at a time (`ingest.lock`); readers fetch all and close.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from ingest.errors import BadInput, plainly

WAL_SINCE = (3, 51, 3)
BUSY_MS = 5_000
"""How long a reader waits for a commit."""
WRITER_BUSY_MS = 20_000
"""How long a commit waits for readers: reading a million readings takes about ten seconds."""


def journal_mode(version: tuple[int, ...] = sqlite3.sqlite_version_info) -> str:
    """Name the journal mode that is safe with a version of SQLite: `wal` or `delete`."""
    return "wal" if version >= WAL_SINCE else "delete"


@contextmanager
def writer(path: Path, *, upgrading: bool = False) -> Iterator[sqlite3.Connection]:
    """Open for writing; the caller holds the writer's lock. Makes the tables where none are.

    Raises BadInput for the database of another version, unless it is older and `upgrading`.
    """
    with plainly(f"Writing to {path.name}"), closing(_connect(path, WRITER_BUSY_MS)) as connection:
        connection.execute(f"PRAGMA journal_mode = {journal_mode()}")
        connection.execute("PRAGMA synchronous = FULL")
        # a spilling cache would lock readers out long before the commit
        connection.execute("PRAGMA cache_spill = OFF")
        _prepare(connection, upgrading)
        yield connection


@contextmanager
def reader(path: Path) -> Iterator[sqlite3.Connection]:
    """Open for reading in one consistent view of the tables."""
    with plainly(f"Reading {path.name}"), closing(_connect(path)) as connection:
        connection.execute("PRAGMA query_only = ON")
        connection.execute("BEGIN")
        yield connection
        connection.execute("ROLLBACK")


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Run the block in one write transaction: all of it or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _connect(path: Path, busy_ms: int = 0) -> sqlite3.Connection:
    wait_s = (busy_ms or BUSY_MS) / 1000
    connection = sqlite3.connect(path, isolation_level=None, timeout=wait_s)
    connection.row_factory = None
    return connection


def version(path: Path) -> int:
    """Return the version of a database, 0 where there is none."""
    if not path.exists():
        return 0
    with plainly(f"Reading {path.name}"), closing(_connect(path)) as connection:
        return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _prepare(connection: sqlite3.Connection, upgrading: bool) -> None:
    """Make the tables, or add the columns that a contract gained."""
    from ingest.schema import VERSION, fingerprint, migrate

    found = connection.execute("PRAGMA user_version").fetchone()[0]
    if found > VERSION:
        raise BadInput(
            f"The database has version {found}, newer than this program reads ({VERSION}); "
            "install a newer Glasstally."
        )
    if 0 < found < VERSION and not upgrading:
        raise BadInput(
            f"The database has version {found}, this program writes {VERSION}: "
            "run `glasstally upgrade`, which keeps a copy first."
        )
    if found == VERSION and meta(connection, "schema") == fingerprint():
        return
    from sqlite_utils import Database

    with transaction(connection):
        migrate(Database(connection, execute_plugins=False))
        put_meta(connection, "schema", fingerprint())


def meta(connection: sqlite3.Connection, key: str) -> str:
    """Return a remembered value, empty if there is none."""
    row = connection.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
    return str(row[0]) if row else ""


def put_meta(connection: sqlite3.Connection, key: str, value: str) -> None:
    """Remember a value inside the caller's transaction."""
    connection.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))
