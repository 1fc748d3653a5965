"""From a path to a checked, up-to-date database: new, as it was, or moved aside because it was damaged."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

from lungfish.errors import StoreError
from lungfish.store.schema import APPLICATION_ID, migrate

__all__ = ["Connect", "connect", "open_database"]

Connect = Callable[[Path], sqlite3.Connection]
"""Makes a connection in autocommit mode that may be used from another thread."""

_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_APPLICATION_ID_AT = 68  # https://www.sqlite.org/fileformat2.html section 1.3
_HEADER_BYTES = 100
_BUSY_S = 5.0
_JOURNAL_LIMIT_BYTES = 4 * 2**20


def connect(path: Path) -> sqlite3.Connection:
    """Plain connection: explicit transactions only."""
    return sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None, check_same_thread=False)


def open_database(path: Path, make: Connect = connect) -> tuple[sqlite3.Connection, list[str]]:
    """Open, check and bring up to date; make it when it is not there.

    A damaged store is moved aside, never deleted, and a new one begun.

    Args:
        path: the store's file.
        make: how to connect.

    Returns:
        The connection, and a sentence for each thing that people must be told.

    Raises:
        StoreError: not a store of lungfish, from a newer one, or a path that can never work.
        sqlite3.Error: the disk is full, read-only or fails: worth another try later.
        OSError: likewise.
    """
    refuse_hopeless(path)
    told: list[str] = []
    new = not path.exists()
    try:
        connection = _checked(path, make)
    except sqlite3.DatabaseError as exc:
        if primary_code(exc) not in _DAMAGE:
            raise
        if not _looks_ours(path):
            raise StoreError(f"{path}: not a store of lungfish: it is left alone; name another path") from exc
        aside = _move_aside(path)
        told.append(f"the store was damaged ({exc}); it was moved to {aside.name} and a new one begun")
        connection = _checked(path, make)
        new = True
    try:
        told += _prepare(connection)
        if new:
            _sync_directory(path)
    except StoreError as exc:
        connection.close()
        raise StoreError(f"{path}: {exc}") from exc
    except BaseException:
        connection.close()
        raise
    return connection, told


def refuse_hopeless(path: Path) -> None:
    """Refuse what no waiting will mend.

    Raises:
        StoreError: no such directory, a directory in the file's place, or no right to write there.
    """
    parent = path.parent
    if not parent.is_dir():
        raise StoreError(f"{parent}: no such directory; make it, or change store.path")
    if path.exists() and not path.is_file():
        raise StoreError(f"{path}: not a file; change store.path")
    read_only_medium = bool(os.statvfs(parent).f_flag & os.ST_RDONLY)
    if not read_only_medium and not (os.access(parent, os.W_OK) and (not path.exists() or os.access(path, os.W_OK))):
        raise StoreError(f"{path}: no right to write there; change the owner or rights, or store.path")


def primary_code(exc: sqlite3.Error) -> int:
    """Primary result code of SQLite, 0 when the error came from Python's side."""
    return int(getattr(exc, "sqlite_errorcode", 0)) & 0xFF


def _checked(path: Path, make: Connect) -> sqlite3.Connection:
    """Connect and let SQLite look the file over.

    Raises:
        sqlite3.DatabaseError: damaged (CORRUPT, NOTADB), or the disk's trouble.
    """
    connection = make(path)
    try:
        rows = connection.execute("PRAGMA quick_check(1)").fetchall()
        if rows != [("ok",)]:
            exc = sqlite3.DatabaseError(f"quick_check: {str(rows[0][0]).splitlines()[-1] if rows else 'no answer'}")
            exc.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
            raise exc
    except BaseException:
        connection.close()
        raise
    return connection


def _prepare(connection: sqlite3.Connection) -> list[str]:
    told = migrate(connection)
    (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        told.append(f"this file system allows no write-ahead log (mode {mode}): writing is slower, not less safe")
    connection.execute("PRAGMA synchronous = FULL")  # NORMAL loses the last commits in a power cut
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute(f"PRAGMA journal_size_limit = {_JOURNAL_LIMIT_BYTES}")
    return told


def _looks_ours(path: Path) -> bool:
    """Whether a file that SQLite can't read was once a store: our mark in the header, or a header of zeros."""
    with path.open("rb") as file:
        head = file.read(_HEADER_BYTES)
    ours = head[_APPLICATION_ID_AT : _APPLICATION_ID_AT + 4] == APPLICATION_ID.to_bytes(4, "big")
    return ours or head == bytes(len(head))


def _move_aside(path: Path) -> Path:
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    # The log first: a death in between must not leave it to a new file that it does not belong to.
    for tail in ("-wal", "-shm", ""):
        piece = path.with_name(path.name + tail)
        if piece.exists():
            piece.rename(aside.with_name(aside.name + tail))
    _sync_directory(path)
    return aside


def _sync_directory(path: Path) -> None:
    """Make a new or moved name last through a power cut."""
    descriptor = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
