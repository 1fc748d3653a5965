"""One lungfish per store: two daemons would fight over the valves."""

from __future__ import annotations

import errno
import fcntl
import os
import threading
from pathlib import Path
from types import TracebackType
from typing import Self

from lungfish.errors import StoreBusy, StoreError

__all__ = ["StoreLock", "lock_store"]

_held: dict[Path, StoreLock] = {}
_guard = threading.Lock()


class StoreLock:
    """A held lock; released by `release`, by leaving the `with` block, or by the death of the process."""

    def __init__(self, path: Path, descriptor: int) -> None:
        self.path = path
        """The store that is locked."""
        self._written = False
        self._descriptor = descriptor

    def begin_writing(self) -> bool:
        """Take the right to write, which one `Store` at a time has; False when another has it."""
        with _guard:
            free, self._written = not self._written, True
        return free

    def end_writing(self) -> None:
        """Give that right back."""
        self._written = False

    def release(self) -> None:
        """Let go; a second call does nothing. The lock file stays: removing it would race with the next taker."""
        with _guard:
            if _held.get(self.path) is self:
                del _held[self.path]
                os.close(self._descriptor)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()


def lock_store(path: Path | str) -> StoreLock:
    """Take the store for this process. The lock is on `PATH.lock`, so it works before the store is there.

    Args:
        path: the store's file; need not exist yet.

    Raises:
        StoreBusy: another process holds it, or this one does already.
        StoreError: the lock file can't be made or opened.
    """
    store = Path(path).resolve()
    lock_file = store.with_name(store.name + ".lock")
    with _guard:
        if store in _held:
            raise StoreBusy(f"{store}: this process holds the store already")
        descriptor = _open(lock_file)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as exc:
            holder = os.pread(descriptor, 20, 0).decode("ascii", "replace").strip()
            os.close(descriptor)
            if exc.errno not in (errno.EWOULDBLOCK, errno.EACCES):
                raise StoreError(f"{lock_file}: can't be locked: {exc.strerror}") from exc
            who = f"process {holder}" if holder.isdigit() else "another process"
            raise StoreBusy(
                f"{store}: {who} holds this store; stop it first (two would fight over the valves)"
            ) from exc
        _sign(descriptor)
        lock = _held[store] = StoreLock(store, descriptor)
    return lock


def held_lock(path: Path | str) -> StoreLock | None:
    """The lock that this process holds on a store, if it does."""
    with _guard:
        return _held.get(Path(path).resolve())


def _open(lock_file: Path) -> int:
    try:
        return os.open(lock_file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as exc:
        try:  # a medium that has become read-only can still be locked, if the file is there
            return os.open(lock_file, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            raise StoreError(f"{lock_file}: can't be made: {exc.strerror}; look at the path and its rights") from exc


def _sign(descriptor: int) -> None:
    """Write our process id into the lock file, for the message that another one shows; a full disk is no obstacle."""
    try:
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, f"{os.getpid()}\n".encode("ascii"), 0)
    except OSError as exc:
        if exc.errno not in (errno.EBADF, errno.EINVAL, errno.ENOSPC, errno.EROFS, errno.EDQUOT, errno.EIO):
            raise
