"""What waits to be written: bounded in memory, first in first out, and those who wait for it."""

from __future__ import annotations

import threading
from collections import deque
from concurrent.futures import Future
from dataclasses import dataclass, replace
from itertools import islice

from lungfish.store.rows import Item, ReadingItem

__all__ = ["Backlog", "Losses"]


@dataclass(slots=True)
class Losses:
    """What could not be held."""

    readings: int = 0
    """Readings refused because the backlog was full."""
    others: int = 0
    """Events, intents and learned states refused for the same reason."""
    traces: int = 0
    """Traces left out to save memory; their readings are kept."""

    @property
    def any(self) -> bool:
        """Anything at all was lost."""
        return bool(self.readings or self.others or self.traces)

    def __str__(self) -> str:
        return f"{self.readings} readings, {self.traces} traces and {self.others} other records"


class Backlog:
    """The queue between any thread that puts and the one that writes."""

    def __init__(self, *, most_items: int, most_trace_bytes: int) -> None:
        self._changed = threading.Condition()
        self._items: deque[Item] = deque()
        self._most_items = most_items
        self._most_trace_bytes = most_trace_bytes
        self._trace_bytes = 0
        self._put = 0
        self._written = 0
        self._waiting: list[tuple[int, Future[bool]]] = []
        self._hurry = False
        self._closed = False
        self._stopped = False
        self._losses = Losses()

    def put(self, item: Item) -> bool:
        """Add an item; when the memory allowed is used up, leave its trace out or refuse it, and count that.

        Returns:
            Whether it was taken.
        """
        with self._changed:
            if self._closed or len(self._items) >= self._most_items:
                if isinstance(item, ReadingItem):
                    self._losses.readings += 1
                else:
                    self._losses.others += 1
                return False
            if isinstance(item, ReadingItem) and item.trace is not None:
                if self._trace_bytes + len(item.trace) > self._most_trace_bytes:
                    item.trace = None
                    self._losses.traces += 1
                else:
                    self._trace_bytes += len(item.trace)
            self._items.append(item)
            self._put += 1
            self._changed.notify_all()
            return True

    def when_written(self) -> Future[bool]:
        """A future for all that was put so far: True once it is on disk, False after a try that failed."""
        future: Future[bool] = Future()
        future.set_running_or_notify_cancel()  # a waiter that gives up must not unmake it
        with self._changed:
            if self._stopped:
                future.set_result(not self._items)
            else:
                self._waiting.append((self._put, future))
                self._hurry = True
                self._changed.notify_all()
        return future

    @property
    def place(self) -> int:
        """How many items were ever put."""
        return self._put

    def passed(self, place: int) -> bool:
        """All that was put up to that place is on disk."""
        return self._written >= place

    def poke(self) -> None:
        """Wake the writer."""
        with self._changed:
            self._hurry = True
            self._changed.notify_all()

    def close(self) -> None:
        """Take nothing more; wake the writer for the last time."""
        with self._changed:
            self._closed = True
            self._hurry = True
            self._changed.notify_all()

    @property
    def closed(self) -> bool:
        """`close` was called."""
        return self._closed

    def __len__(self) -> int:
        return len(self._items)

    def wait(self, *, pause_s: float | None) -> None:
        """Return when there is something to do.

        Args:
            pause_s: after a failure: at most this long, and items alone don't wake; None: until an item comes.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._hurry or (pause_s is None and bool(self._items)), pause_s)
            self._hurry = False

    def first(self, most: int) -> tuple[list[Item], bool]:
        """The oldest items, left in place, and whether they are all."""
        with self._changed:
            return list(islice(self._items, most)), len(self._items) <= most

    def losses_now(self) -> Losses:
        """A copy of what was lost and not yet told."""
        with self._changed:
            return replace(self._losses)

    def written(self, number: int, told: Losses) -> None:
        """The oldest items are on disk, and so is the word of these losses."""
        with self._changed:
            self._losses.readings -= told.readings
            self._losses.others -= told.others
            self._losses.traces -= told.traces
            for _ in range(number):
                item = self._items.popleft()
                if isinstance(item, ReadingItem) and item.trace is not None:
                    self._trace_bytes -= len(item.trace)
            self._written += number
            done = [future for place, future in self._waiting if place <= self._written]
            self._waiting = [(place, future) for place, future in self._waiting if place > self._written]
        for future in done:
            future.set_result(True)

    def stopped(self) -> None:
        """The writer has ended: what still waits will never be written."""
        with self._changed:
            self._stopped = True
        self.failed()

    def failed(self) -> None:
        """A try has failed: nobody is kept waiting for the disk."""
        with self._changed:
            done = [future for _, future in self._waiting]
            self._waiting = []
        for future in done:
            future.set_result(False)
