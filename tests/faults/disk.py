"""What can be wrong with the store's disk, done without root: by SQLite's own limits and locks, or injected.

Real: `pages_end` (SQLite's own limit on the number of pages gives its own SQLITE_FULL), `locked` (another connection
holds the lock), `damage` (bytes of the file are overwritten between two starts), `deleted`. Injected at the call of
the library: `fails`, `stalls`.
"""

from __future__ import annotations

import sqlite3
import threading
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path

from lungfish.ports import BaselineRequest, Stamp
from lungfish.store import Store
from tests.store.samples import FaultPlan

__all__ = ["Disk", "DiskFaults", "WaitedStore"]

_CODES = {
    "full": sqlite3.SQLITE_FULL,
    "write": sqlite3.SQLITE_IOERR_WRITE,
    "fsync": sqlite3.SQLITE_IOERR_FSYNC,
    "read-only": sqlite3.SQLITE_READONLY,
    "open": sqlite3.SQLITE_CANTOPEN,
}
_PATIENCE_S = 20.0


@dataclass(slots=True, kw_only=True)
class DiskFaults:
    """What is wrong with the store; to be changed while it runs."""

    fails: str = ""
    """Every call fails so: `full`, `write`, `fsync`, `read-only`, `open`; empty for none."""
    pages_end: bool = False
    """The file may grow no more."""
    locked: bool = False
    """Another program holds the file's lock."""
    stalls: bool = False
    """Commits do not return."""
    deleted: bool = False
    """The file is removed while it is open."""
    damage: str = ""
    """Between two starts the file is spoilt: `header`, `page`, `truncated`, `zeroed`, `emptied`, `log`."""


class WaitedStore(Store):
    """The real store; what its thread does takes real time and no virtual time, unless it stalls."""

    stalled = False

    def announce(self, tank: str, at: Stamp) -> Future[bool]:
        """As the store does, and wait."""
        return self._waited(super().announce(tank, at))

    def flush(self) -> Future[bool]:
        """As the store does, and wait."""
        return self._waited(super().flush())

    def baseline_requests(self, tank: str) -> Future[tuple[BaselineRequest, ...]]:
        """As the store does, and wait."""
        future = super().baseline_requests(tank)
        if not self.stalled:
            future.exception(_PATIENCE_S)
        return future

    def _waited(self, future: Future[bool]) -> Future[bool]:
        if not self.stalled:
            future.result(_PATIENCE_S)
        return future


class Disk:
    """The store's file, and the faults that it suffers."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.store: WaitedStore | None = None
        """The store that is open now."""
        self._plan = FaultPlan()
        self._made: list[sqlite3.Connection] = []
        self._pages: int | None = None
        self._other: sqlite3.Connection | None = None
        self._release = threading.Event()

    def make(self, path: Path) -> sqlite3.Connection:
        """Connect as the store does, faults included."""
        connection = self._plan.make(path)
        if self._pages is not None:
            sqlite3.Connection.execute(connection, f"PRAGMA max_page_count = {self._pages}")
        self._made.append(connection)
        return connection

    def begin(self, faults: DiskFaults) -> None:
        """Let a fault begin."""
        if faults.fails:
            self._plan.nth, self._plan.lasting, self._plan.code = self._plan.calls + 1, True, _CODES[faults.fails]
        if faults.pages_end:
            connection = self._made[-1]
            (self._pages,) = sqlite3.Connection.execute(connection, "PRAGMA page_count").fetchone()
            sqlite3.Connection.execute(connection, f"PRAGMA max_page_count = {self._pages}")
        if faults.locked:
            self._other = sqlite3.connect(self.path, isolation_level=None)
            self._other.execute("BEGIN IMMEDIATE")
        if faults.stalls:
            self._stall()
        if faults.deleted:
            for tail in ("", "-wal", "-shm"):
                self.path.with_name(self.path.name + tail).unlink(missing_ok=True)
        if faults.damage:
            self._damage(faults.damage)

    def end(self) -> None:
        """All is well again."""
        self._plan.heal()
        if self._pages is not None:
            self._pages = None
            sqlite3.Connection.execute(self._made[-1], "PRAGMA max_page_count = 1000000")
        if self._other is not None:
            self._other.execute("ROLLBACK")
            self._other.close()
            self._other = None
        if self.store is not None and self.store.stalled:
            self._plan.hold = lambda _sql: None
            self.store.stalled = False
            self._release.set()

    def _stall(self) -> None:
        assert self.store is not None
        self.store.stalled = True

        def hold(sql: str) -> None:
            if sql == "COMMIT":
                self._release.wait(_PATIENCE_S)

        self._plan.hold = hold

    def _damage(self, how: str) -> None:
        content = bytearray(self.path.read_bytes())
        page = int.from_bytes(content[16:18], "big")
        match how:
            case "header":
                content[0:64] = b"\xff" * 64
            case "page":
                content[page : 2 * page] = b"\xa5" * page
            case "truncated":
                del content[len(content) // 2 :]
            case "zeroed":
                content[:] = bytes(len(content))
            case "emptied":
                content.clear()
            case "log":
                self.path.with_name(self.path.name + "-wal").write_bytes(b"\x5a" * 5000)
        self.path.write_bytes(content)
