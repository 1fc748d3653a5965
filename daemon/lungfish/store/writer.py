"""The one writer: a thread. Nothing that the disk does reaches the cycle, and nothing is lost without a word."""

from __future__ import annotations

import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Protocol

from lungfish.errors import StoreError
from lungfish.ports import EventRecord, Stamp
from lungfish.store.backlog import Backlog, Losses
from lungfish.store.opening import Connect, open_database, primary_code
from lungfish.store.rows import EventItem, Item, Numbering

__all__ = ["Chore", "Writer"]

_BATCH = 256
_HANDLE_STAYS_GOOD = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
_EMPTIED = "the store's file was empty, as a power cut can leave it; it is begun anew, without earlier records"
_REFUSED_RECORD = (
    sqlite3.IntegrityError,
    sqlite3.DataError,
    sqlite3.InterfaceError,
    sqlite3.ProgrammingError,
    OverflowError,
    UnicodeError,
)

Numbers = Mapping[str, Numbering]


class Chore(Protocol):
    """Upkeep that must not hold up the queue: done in steps, each a transaction between two batches."""

    def step(self, connection: sqlite3.Connection, numbers: Numbers) -> bool:
        """Do a little.

        Returns:
            Whether that was all.

        Raises:
            sqlite3.Error: not done; the transaction is undone.
        """
        ...

    def ended(self, *, done: bool) -> None:
        """Called once: all is done, or it was given up."""
        ...


class _Notices:
    """What the store itself has to tell, made into events as soon as it knows what time it is."""

    def __init__(self, backlog: Backlog, now: Callable[[], Stamp] | None) -> None:
        self._backlog = backlog
        self._now = now
        self._latest: Stamp | None = None
        self._untold: list[str] = []
        self._lock = threading.Lock()

    def stamp(self) -> Stamp | None:
        """Now, or the time of the latest record; None when neither is known."""
        return self._now() if self._now is not None else self._latest

    def seen(self, at: Stamp) -> None:
        """A record of this moment was put."""
        self._latest = at
        self.tell([])

    def tell(self, texts: list[str]) -> None:
        """Tell this, and what is still untold."""
        with self._lock:
            self._untold += texts
            at = self.stamp() if self._untold else None
            if at is not None:
                for text in self._untold:
                    self._backlog.put(EventItem.of(_own_event(at, text)))
                self._untold = []


class Writer:
    """Owns the connection and the thread."""

    def __init__(
        self,
        path: Path,
        backlog: Backlog,
        *,
        make: Connect,
        now: Callable[[], Stamp] | None,
        on_trouble: Callable[[str | None], None] | None,
        pauses_s: tuple[float, float],
    ) -> None:
        self._pauses_s = pauses_s
        self.trouble: str | None = None
        self._path = path
        self._backlog = backlog
        self._make = make
        self._now = now
        self._on_trouble = on_trouble
        self._connection: sqlite3.Connection | None = None
        self._file: tuple[int, int] | None = None
        self._log_path = path.with_name(path.name + "-wal")
        self._log: tuple[int, int] | None = None
        self._numbers = {table: Numbering(table) for table in ("readings", "events")}
        self._chores: deque[tuple[int, Chore]] = deque()
        self._chores_lock = threading.Lock()
        self._notices = _Notices(backlog, now)
        self._failed_since: Stamp | None = None
        self._reason = ""
        self._kept_late = 0
        self._pause_s: float | None = None
        self._ended = False
        self._thread = threading.Thread(target=self._run, name="store", daemon=True)

    def start(self) -> None:
        """Open the file in the caller's thread, then start the writing one; trouble that may pass is not raised.

        Raises:
            StoreError: not a store, from a newer lungfish, or a path that can never work.
        """
        try:
            emptied = self._path.is_file() and self._path.stat().st_size == 0
            self._reopen()
        except (sqlite3.Error, OSError) as exc:
            self._failed(exc)
        else:
            if emptied:  # a file that was never there is no news
                self._notices.tell([_EMPTIED])
        self._thread.start()

    def join(self, within_s: float | None) -> bool:
        """Wait for the thread's end; False when it did not come."""
        self._thread.join(within_s)
        return not self._thread.is_alive()

    def seen(self, at: Stamp) -> None:
        """Remember the time of the latest record, for what the store itself has to tell."""
        self._notices.seen(at)

    def add(self, chore: Chore) -> None:
        """Take a chore; it is begun after all that was put before, and given up when writing fails or has ended."""
        with self._chores_lock:
            if not self._ended:
                self._chores.append((self._backlog.place, chore))
                self._backlog.poke()
                return
        chore.ended(done=False)

    def _run(self) -> None:
        try:
            while True:
                self._backlog.wait(pause_s=0.0 if self._chores and self._pause_s is None else self._pause_s)
                closing = self._backlog.closed
                if not self._turn() and closing:
                    break
                if closing and not len(self._backlog):
                    break
        finally:  # also when a bug of ours ends the thread: nobody waits for ever, and it is told
            self._drop_connection()
            with self._chores_lock:
                self._ended = True
            self._give_up_chores()
            self._backlog.stopped()
            if not self._backlog.closed:
                self._set_trouble("the store's writer has stopped by a fault of its own; nothing more is kept")

    def _turn(self) -> bool:
        """Write the oldest of what waits, else do one step of a chore.

        Returns:
            Whether all went well.
        """
        try:
            if self._connection is None:
                self._reopen()
            self._see_that_it_is_there()
            items, are_all = self._backlog.first(_BATCH)
            self._write(items, tell=are_all)
            self._log = _identity(self._log_path)
            if are_all:
                self._do_chore()
            else:
                self._backlog.poke()
        except (sqlite3.Error, OSError, StoreError) as exc:
            self._failed(exc)
            return False
        return True

    def _write(self, items: list[Item], *, tell: bool) -> None:
        """One transaction; with `tell`, word of what went wrong before is part of it."""
        losses = self._backlog.losses_now() if tell else Losses()
        told = self._recovery(losses, len(items)) if self.trouble is not None or losses.any else ""
        at = self._notices.stamp() if tell and told else None
        refused: list[str] = []
        if items or at is not None:
            with self._transaction() as connection:
                for item in items:
                    self._write_one(connection, item, refused)
                if at is not None:
                    EventItem.of(_own_event(at, told)).write(connection, self._numbers)
        self._kept_late += len(items) if self.trouble is not None else 0
        self._notices.tell(refused if at is not None or not (tell and told) else [*refused, told])
        self._pause_s = None
        if tell and self.trouble is not None:
            self._kept_late, self._failed_since, self._reason = 0, None, ""
            self._set_trouble(None)
        self._backlog.written(len(items), losses if at is not None else Losses())

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        connection = self._connection
        if connection is None:
            raise sqlite3.OperationalError("the store is not open")
        connection.execute("BEGIN IMMEDIATE")
        yield connection
        connection.execute("COMMIT")  # an error before or here: `_failed` undoes it

    def _write_one(self, connection: sqlite3.Connection, item: Item, refused: list[str]) -> None:
        """Write an item; one that the tables refuse is kept in a form that they take, and that is told.

        A refused statement leaves nothing behind, so the transaction goes on.
        """
        try:
            item.write(connection, self._numbers)
        except _REFUSED_RECORD as exc:
            refused.append(f"a record did not fit the store and was kept in another form: {exc}")
            try:
                item.rescued(str(exc)).write(connection, self._numbers)
            except _REFUSED_RECORD as again:
                refused[-1] = f"a record did not fit the store and is lost: {again}: {item}"

    def _do_chore(self) -> None:
        place, chore = self._chores[0] if self._chores else (0, None)
        if chore is None or not self._backlog.passed(place):
            return
        with self._transaction() as connection:
            done = chore.step(connection, self._numbers)
        if done:
            self._chores.popleft()
            chore.ended(done=True)

    def _give_up_chores(self) -> None:
        while self._chores:
            self._chores.popleft()[1].ended(done=False)

    def _reopen(self) -> None:
        self._connection, told = open_database(self._path, self._make)
        self._file = _identity(self._path)
        self._notices.tell(told)

    def _see_that_it_is_there(self) -> None:
        """SQLite writes on into a file that was removed or replaced, where nobody will ever find it.

        Raises:
            OSError: it is not the file that was opened; that handle is not used again.
        """
        if _identity(self._path) == self._file:
            return
        self._drop_connection()
        if self._log is not None and _identity(self._log_path) == self._log:
            _lay_aside(self._log_path)  # it belongs to the file that is gone and would spoil the one in its place
        raise OSError("the file was removed or replaced while it was open; what it held is no longer in the store")

    def _failed(self, exc: Exception) -> None:
        """Undo, tell, and wait before the next try. After an I/O error the handle is not used again.

        The kernel may report a failed fsync once only and forget the pages: a second fsync on the same file would
        succeed without them.
        """
        if isinstance(exc, sqlite3.Error) and primary_code(exc) in _HANDLE_STAYS_GOOD and self._connection is not None:
            try:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
            except sqlite3.Error:
                self._drop_connection()
        else:
            self._drop_connection()
        if self._failed_since is None:
            self._failed_since = self._notices.stamp()
        first_s, longest_s = self._pauses_s
        self._pause_s = min(longest_s, 2 * self._pause_s) if self._pause_s else first_s
        self._give_up_chores()
        if self.trouble is None or self._reason != str(exc):
            self._reason = str(exc)
            self._set_trouble(f"{self._path}: can't be written: {exc}; records are kept in memory")
        self._backlog.failed()

    def _drop_connection(self) -> None:
        if self._connection is not None:
            with suppress(sqlite3.Error):  # what could not be undone is undone when the file is opened again
                self._connection.close()
            self._connection = None

    def _recovery(self, losses: Losses, last: int) -> str:
        """What an event says of a trouble that is over, or of losses without one (a disk too slow)."""
        text = "the store was too slow"
        if self.trouble is not None:
            since, at = self._failed_since, self._notices.stamp()
            gap = f" for {at.monotonic_s - since.monotonic_s:.0f} s" if at and since else ""
            text = f"the store could not be written{gap} ({self._reason})"
        text += f"; {self._kept_late + last} records that waited in memory are kept now"
        return text + (f"; lost for want of memory: {losses}" if losses.any else "; nothing is lost")

    def _set_trouble(self, text: str | None) -> None:
        self.trouble = text
        if self._on_trouble is not None:
            self._on_trouble(text)


def _identity(path: Path) -> tuple[int, int] | None:
    """Device and inode: the same only for the same file; None when there is none."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino


def _lay_aside(path: Path) -> None:
    number = 1
    while (aside := path.with_name(f"{path.name}.left-{number}")).exists():
        number += 1
    path.rename(aside)


def _own_event(at: Stamp, text: str) -> EventRecord:
    return EventRecord(at=at, kind="store", tank=None, text=text)
