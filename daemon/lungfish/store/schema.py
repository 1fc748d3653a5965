"""The tables, and how an older store becomes a newer one. A published migration is never edited: append another."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

from lungfish.errors import StoreError

__all__ = ["APPLICATION_ID", "MIGRATIONS", "SCHEMA_VERSION", "migrate"]

APPLICATION_ID = 0x4C756E67
"""In the file's header, so that a foreign SQLite file is known at once: "Lung" in ASCII."""

_STAMP = """
    utc_s REAL NOT NULL CHECK (utc_s BETWEEN 0 AND 253402300799.0),
    monotonic_s REAL NOT NULL,
    clock TEXT NOT NULL CHECK (clock IN ('synchronised', 'unsynchronised', 'unknown')),
"""

_FIRST: tuple[str, ...] = (
    f"""CREATE TABLE readings (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    boot_id TEXT NOT NULL CHECK (boot_id <> ''),
    seq INTEGER NOT NULL CHECK (seq >= 1),
    {_STAMP}
    tank TEXT NOT NULL CHECK (tank <> ''),
    level_m REAL,
    level_u_m REAL CHECK (level_u_m >= 0),
    head_pa REAL,
    volume_m3 REAL,
    quality TEXT NOT NULL CHECK (quality IN ('good', 'uncertain', 'bad')),
    diagnosis TEXT NOT NULL CHECK (diagnosis <> ''),
    purge_s REAL CHECK (purge_s >= 0),
    air_sl REAL CHECK (air_sl >= 0),
    config TEXT,
    evidence TEXT NOT NULL CHECK (json_valid(evidence)),
    CHECK (quality <> 'bad' OR (level_m IS NULL AND level_u_m IS NULL AND volume_m3 IS NULL)),
    UNIQUE (boot_id, seq)
    ) STRICT""",
    "CREATE INDEX readings_by_time ON readings (utc_s)",
    """CREATE TABLE traces (
    reading_id INTEGER PRIMARY KEY REFERENCES readings (id),
    codec INTEGER NOT NULL CHECK (codec >= 1),
    points INTEGER NOT NULL CHECK (points >= 1),
    packed BLOB NOT NULL
    ) STRICT""",
    f"""CREATE TABLE events (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    boot_id TEXT NOT NULL CHECK (boot_id <> ''),
    seq INTEGER NOT NULL CHECK (seq >= 1),
    {_STAMP}
    kind TEXT NOT NULL CHECK (kind <> ''),
    tank TEXT CHECK (tank <> ''),
    text TEXT NOT NULL,
    UNIQUE (boot_id, seq)
    ) STRICT""",
    # One page to write: an intent comes and goes with every reading.
    f"""CREATE TABLE intents (
    session TEXT NOT NULL CHECK (session <> ''),
    number INTEGER NOT NULL CHECK (number >= 1),
    boot_id TEXT NOT NULL CHECK (boot_id <> ''),
    {_STAMP}
    tank TEXT NOT NULL CHECK (tank <> ''),
    PRIMARY KEY (session, number)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE learned (
    tank TEXT PRIMARY KEY CHECK (tank <> ''),
    config TEXT,
    state TEXT NOT NULL CHECK (json_valid(state))
    ) STRICT""",
    """CREATE TABLE air_days (
    day TEXT NOT NULL CHECK (day GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'),
    tank TEXT NOT NULL CHECK (tank <> ''),
    air_sl REAL NOT NULL CHECK (air_sl >= 0),
    open_s REAL NOT NULL CHECK (open_s >= 0),
    purges INTEGER NOT NULL CHECK (purges >= 0),
    unknown INTEGER NOT NULL CHECK (unknown BETWEEN 0 AND purges),
    PRIMARY KEY (day, tank)
    ) STRICT""",
    # Retention states here how far it may delete, in the same transaction that deletes; else the table is empty.
    """CREATE TABLE pruning (
    what TEXT PRIMARY KEY CHECK (what IN ('readings', 'traces')),
    before_utc_s REAL NOT NULL
    ) STRICT""",
    """CREATE TRIGGER readings_no_update BEFORE UPDATE ON readings
    BEGIN SELECT RAISE (ABORT, 'readings are never rewritten'); END""",
    """CREATE TRIGGER readings_no_replace BEFORE INSERT ON readings
    WHEN EXISTS (SELECT 1 FROM readings WHERE id = NEW.id OR (boot_id = NEW.boot_id AND seq = NEW.seq))
    BEGIN SELECT RAISE (ABORT, 'readings are never rewritten'); END""",
    """CREATE TRIGGER readings_no_delete BEFORE DELETE ON readings
    WHEN NOT EXISTS (SELECT 1 FROM pruning WHERE what = 'readings' AND OLD.utc_s < before_utc_s)
    BEGIN SELECT RAISE (ABORT, 'readings are never deleted but by retention'); END""",
    """CREATE TRIGGER traces_no_update BEFORE UPDATE ON traces
    BEGIN SELECT RAISE (ABORT, 'traces are never rewritten'); END""",
    """CREATE TRIGGER traces_no_replace BEFORE INSERT ON traces
    WHEN EXISTS (SELECT 1 FROM traces WHERE reading_id = NEW.reading_id)
    BEGIN SELECT RAISE (ABORT, 'traces are never rewritten'); END""",
    """CREATE TRIGGER traces_no_delete BEFORE DELETE ON traces
    WHEN NOT EXISTS (SELECT 1 FROM pruning, readings WHERE what = 'traces' AND readings.id = OLD.reading_id
        AND readings.utc_s < before_utc_s)
    BEGIN SELECT RAISE (ABORT, 'traces are never deleted but by retention'); END""",
    """CREATE TRIGGER events_no_update BEFORE UPDATE ON events
    BEGIN SELECT RAISE (ABORT, 'events are never rewritten'); END""",
    """CREATE TRIGGER events_no_replace BEFORE INSERT ON events
    WHEN EXISTS (SELECT 1 FROM events WHERE id = NEW.id OR (boot_id = NEW.boot_id AND seq = NEW.seq))
    BEGIN SELECT RAISE (ABORT, 'events are never rewritten'); END""",
    """CREATE TRIGGER events_no_delete BEFORE DELETE ON events
    BEGIN SELECT RAISE (ABORT, 'events are never deleted'); END""",
)

_BASELINES: tuple[str, ...] = (
    """CREATE TABLE baselines (
    tank TEXT PRIMARY KEY CHECK (tank <> ''),
    config TEXT,
    state TEXT NOT NULL CHECK (json_valid(state))
    ) STRICT""",
    # What people ask of a baseline while another process holds the store; it takes them away when they are done.
    """CREATE TABLE baseline_requests (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    tank TEXT NOT NULL CHECK (tank <> ''),
    act TEXT NOT NULL CHECK (act IN ('reset', 'lock', 'unlock')),
    name TEXT NOT NULL CHECK (name <> ''),
    reason TEXT NOT NULL CHECK (reason <> '')
    ) STRICT""",
)

_CLEARING: tuple[str, ...] = (
    # A try is put down before the first pulse, so that a daemon that dies in it has used it up all the same.
    f"""CREATE TABLE clearing_tries (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    session TEXT NOT NULL CHECK (session <> ''),
    number INTEGER NOT NULL CHECK (number >= 1),
    boot_id TEXT NOT NULL CHECK (boot_id <> ''),
    {_STAMP}
    tank TEXT NOT NULL CHECK (tank <> ''),
    UNIQUE (session, number)
    ) STRICT""",
    "CREATE INDEX clearing_tries_by_tank ON clearing_tries (tank, id)",
    """CREATE TRIGGER clearing_tries_no_update BEFORE UPDATE ON clearing_tries
    BEGIN SELECT RAISE (ABORT, 'tries are never rewritten'); END""",
    """CREATE TRIGGER clearing_tries_no_delete BEFORE DELETE ON clearing_tries
    BEGIN SELECT RAISE (ABORT, 'tries are never deleted'); END""",
)

_ZERO: tuple[str, ...] = (
    f"""CREATE TABLE zero_checks (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    session TEXT NOT NULL CHECK (session <> ''),
    number INTEGER NOT NULL CHECK (number >= 1),
    boot_id TEXT NOT NULL CHECK (boot_id <> ''),
    {_STAMP}
    tank TEXT NOT NULL CHECK (tank <> ''),
    config TEXT,
    source TEXT NOT NULL CHECK (source IN ('vent', 'tip')),
    outcome TEXT NOT NULL CHECK (outcome <> ''),
    zero_pa REAL,
    u_pa REAL CHECK (u_pa >= 0),
    rest_pa REAL,
    proven INTEGER NOT NULL CHECK (proven IN (0, 1)),
    came_back INTEGER CHECK (came_back IN (0, 1)),
    detail TEXT NOT NULL,
    UNIQUE (session, number)
    ) STRICT""",
    "CREATE INDEX zero_checks_by_tank ON zero_checks (tank, id)",
    """CREATE TRIGGER zero_checks_no_update BEFORE UPDATE ON zero_checks
    BEGIN SELECT RAISE (ABORT, 'zero checks are never rewritten'); END""",
    """CREATE TRIGGER zero_checks_no_delete BEFORE DELETE ON zero_checks
    BEGIN SELECT RAISE (ABORT, 'zero checks are never deleted'); END""",
)

MIGRATIONS: tuple[tuple[str, ...], ...] = (_FIRST, _BASELINES, _CLEARING, _ZERO)
"""Statements that lead from version n to n + 1, at place n."""

SCHEMA_VERSION = len(MIGRATIONS)
"""`user_version` of a store that is up to date."""


def migrate(
    connection: sqlite3.Connection,
    migrations: tuple[tuple[str, ...], ...] = MIGRATIONS,
    after_statement: Callable[[str], None] = lambda _statement: None,
) -> list[str]:
    """Bring a store up to date, each step in one transaction: a death leaves the old version or the new one.

    Args:
        connection: to a store of ours or to an empty file; in autocommit mode.
        migrations: what leads from each version to the next.
        after_statement: called after each statement, with its text; for tests that die there.

    Returns:
        One sentence for each step taken from an existing store; none for a new one.

    Raises:
        StoreError: the store is from a newer lungfish, or is not one.
        sqlite3.Error: the disk is full or fails.
    """
    told = []
    is_new = _version(connection) == 0
    while (version := _version(connection)) != len(migrations):
        if version > len(migrations):
            raise StoreError(
                f"the store has format {version}, this lungfish knows up to {len(migrations)}: "
                "use the newer lungfish that wrote it, or name another store"
            )
        connection.execute("BEGIN IMMEDIATE")
        try:
            for statement in migrations[version]:
                connection.execute(statement)
                after_statement(statement)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {version + 1}")
            connection.execute("COMMIT")
        finally:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
        if not is_new:
            told.append(f"the store's format was brought from {version} to {version + 1}")
    return told


def _version(connection: sqlite3.Connection) -> int:
    """Version of the store, 0 for an empty file.

    Raises:
        StoreError: the file holds something else.
    """
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    empty = application == 0 and version == 0 and tables == 0
    if not empty and (application != APPLICATION_ID or version < 1):
        raise StoreError("this is an SQLite file, but not a store of lungfish: it is left alone; name another path")
    return int(version)
