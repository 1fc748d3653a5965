"""Everything that the daemon tells: to the store, to the log, and to whoever listens for readings."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from concurrent.futures import Future
from datetime import UTC, datetime
from typing import Protocol

from lungfish.app.clock import Stamps
from lungfish.app.log import event_log
from lungfish.core.air_budget import KeptOpening
from lungfish.core.baseline import Baseline
from lungfish.core.setup import Learned
from lungfish.ports import BaselineRequest, EventRecord, ReadingRecord, ReadingSink, Stamp, ZeroRecord

__all__ = ["Journal", "Keeper", "iso_utc", "store_trouble"]

_ANNOUNCE_WITHIN_S = 2.0
"""A purge waits no longer than this for a disk that does not answer."""
_LOG = logging.getLogger("lungfish")


class Keeper(ReadingSink, Protocol):
    """What the daemon needs of the store. Nothing here blocks or raises."""

    def announce(self, tank: str, at: Stamp) -> Future[bool]:
        """Put down that a valve is about to open; True once that is on disk."""
        ...

    def flush(self) -> Future[bool]:
        """True once all that was put so far is on disk, False after a try that failed."""
        ...

    def put_learned(self, tank: str, learned: Learned, config: str | None = None) -> None:
        """Keep what a tank's cycles have learned."""
        ...

    def learned(self, tank: str, config: str | None = None) -> Learned | None:
        """What is kept of that."""
        ...

    def put_baseline(self, tank: str, baseline: Baseline, config: str | None, answered: tuple[int, ...] = ()) -> None:
        """Keep a tank's baseline; the requests that it answers are done."""
        ...

    def baseline(self, tank: str) -> tuple[Baseline, str | None] | None:
        """What is kept of that, and the hash of the settings that it was learned under."""
        ...

    def put_clearing_try(self, tank: str, at: Stamp) -> Future[bool]:
        """Put down that a tube is about to be blown down; True once that is on disk."""
        ...

    def clearing_tries(self, tank: str) -> tuple[Stamp, ...] | None:
        """When that was put down; None when it can't be read."""
        ...

    def recent_openings(self, now: Stamp, within_s: float) -> list[tuple[KeptOpening, float]] | None:
        """Openings of any tank that may lie within a time before now, each with its age, s; None: can't be read."""
        ...

    def put_zero(self, record: ZeroRecord) -> None:
        """Keep a look at a transmitter's zero."""
        ...

    def zeros(self, tank: str) -> tuple[ZeroRecord, ...] | None:
        """The latest of those, the newest first; None when they can't be read."""
        ...

    def baseline_requests(self, tank: str) -> Future[tuple[BaselineRequest, ...]]:
        """What people ask of a tank's baseline."""
        ...


def iso_utc(utc_s: float) -> str:
    """A moment as `export` writes it: ISO 8601, UTC, milliseconds."""
    at = datetime.fromtimestamp(round(utc_s, 3), UTC)
    return f"{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}Z"


class Journal:
    """Tells each thing once, everywhere that it belongs. Used from the event loop only.

    Args:
        keeper: the store.
        stamps: both clocks.
        on_reading: given each reading when the store has taken it: the record, and whether it is on disk.
    """

    def __init__(
        self,
        keeper: Keeper,
        stamps: Stamps,
        on_reading: Callable[[ReadingRecord, bool], None] | None = None,
    ) -> None:
        self.stamps = stamps
        self.keeper = keeper
        self._on_reading = on_reading
        self._loop = asyncio.get_running_loop()
        self._waiting: set[asyncio.Future[bool]] = set()

    def reading(self, record: ReadingRecord) -> None:
        """Keep a reading; it is logged and passed on when the store has said whether it is on disk."""
        self.keeper.put_reading(record)
        flushed = asyncio.wrap_future(self.keeper.flush(), loop=self._loop)
        self._waiting.add(flushed)
        flushed.add_done_callback(lambda done: self._flushed(done, record))

    def _flushed(self, done: asyncio.Future[bool], record: ReadingRecord) -> None:
        self._waiting.discard(done)
        kept = not done.cancelled() and done.result()
        event_log(
            _LOG,
            logging.INFO if kept else logging.WARNING,
            "reading",
            tank=record.tank,
            at=iso_utc(record.at.utc_s),
            boot=record.at.boot_id,
            monotonic_s=f"{record.at.monotonic_s:.6f}",
            level_m=None if record.level_m is None else round(record.level_m, 4),
            level_u_m=None if record.level_u_m is None else round(record.level_u_m, 4),
            quality=record.quality,
            diagnosis=record.diagnosis,
            purge_s=round(record.purge_s, 2),
            air_sl=round(record.air_sl, 3),
            kept="yes" if kept else "not yet",
        )
        if self._on_reading is not None:
            self._on_reading(record, kept)

    def event(self, kind: str, text: str, *, tank: str | None = None, level: int = logging.INFO) -> None:
        """Keep and log an event.

        Args:
            kind: short name, such as `start`, `stop`, `valve`, `clock-step`, `gap`.
            text: one sentence for a person.
            tank: the tank concerned; None for the site.
            level: of the log line.
        """
        self.keeper.put_event(EventRecord(at=self.stamps.now(), kind=kind, tank=tank, text=text))
        event_log(_LOG, level, kind, tank=tank, text=text)

    def fault(self, part: str, error: BaseException) -> None:
        """Keep and log a fault of lungfish itself, with its trace in the log."""
        text = f"{part}: {type(error).__name__}: {error}"
        self.keeper.put_event(EventRecord(at=self.stamps.now(), kind="fault", tank=None, text=text))
        _LOG.error("fault", exc_info=error, extra={"fields": {"part": part, "text": text}})

    async def announce(self, tank: str) -> None:
        """Put down on disk that a valve is about to open; when the disk does not take it, go on all the same."""
        future = asyncio.wrap_future(self.keeper.announce(tank, self.stamps.now()), loop=self._loop)
        await asyncio.wait({future}, timeout=_ANNOUNCE_WITHIN_S)

    async def settle(self, within_s: float) -> None:
        """Wait until the store has answered for every reading, at most so long."""
        if self._waiting:
            await asyncio.wait(set(self._waiting), timeout=within_s)


def store_trouble(text: str | None) -> None:
    """Log that the store can't be written, or again can. May be called from any thread.

    Args:
        text: the trouble; None when it is over.
    """
    if text is None:
        event_log(_LOG, logging.WARNING, "store", text="the store can be written again")
    else:
        event_log(_LOG, logging.ERROR, "store", text=text)
