"""The store as the daemon holds it: puts that never block, intents before openings, what was learned, upkeep."""

from __future__ import annotations

import asyncio
import uuid
from collections.abc import Callable
from concurrent.futures import Future
from datetime import date, tzinfo
from pathlib import Path
from types import TracebackType
from typing import Self

from lungfish.core.air_budget import KeptOpening
from lungfish.core.baseline import Baseline
from lungfish.core.codes import Diagnosis, Quality
from lungfish.core.setup import Learned
from lungfish.errors import StoreBusy, StoreError
from lungfish.ports import BaselineRequest, EventRecord, ReadingRecord, Stamp, ZeroRecord
from lungfish.store.air import AirDayChore, PruneChore, Pruned, day_bounds_utc_s
from lungfish.store.archive import Archive
from lungfish.store.backlog import Backlog
from lungfish.store.baselines import BaselineItem, RequestsChore
from lungfish.store.clearings import TryItem
from lungfish.store.lock import StoreLock, held_lock, lock_store
from lungfish.store.opening import Connect, connect
from lungfish.store.rows import EventItem, Intent, IntentItem, LearnedItem, ReadingItem
from lungfish.store.writer import Writer
from lungfish.store.zeros import ZeroItem

__all__ = ["Store"]

_MOST_ITEMS = 4096
_MOST_TRACE_BYTES = 8 * 2**20
_PAUSES_S = (1.0, 60.0)
_INTENT_WITHIN_S = 2.0
_CLOSE_WITHIN_S = 10.0


class Store:
    """Where finished readings and events go; a `ReadingSink`. Made by `Store.open`."""

    def __init__(
        self, path: Path, lock: StoreLock, own_lock: bool, writer: Writer, backlog: Backlog, config: str | None
    ) -> None:
        self._path = path
        self._lock = lock
        self._own_lock = own_lock
        self._writer = writer
        self._backlog = backlog
        self._config = config
        self._session = uuid.uuid4().hex
        self._intents = 0
        self._tries = 0
        self._zeros = 0
        self._ended = False

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        now: Callable[[], Stamp] | None = None,
        on_trouble: Callable[[str | None], None] | None = None,
        config: str | None = None,
        make: Connect = connect,
        most_items: int = _MOST_ITEMS,
        most_trace_bytes: int = _MOST_TRACE_BYTES,
        pauses_s: tuple[float, float] = _PAUSES_S,
    ) -> Store:
        """Open a store for writing, made if it is not there; takes the lock unless this process has it already.

        The file is looked over first, which takes a while when it is large: call it in a thread beside an event loop.
        A full, failing or read-only disk is no error here: it is trouble, told and tried again.

        Args:
            path: the store's file.
            now: tells both clocks, for events of the store itself; None: they take the time of the latest record.
            on_trouble: called from the writer's thread: a sentence when writing fails, None when it works again.
            config: hash of the settings in force, kept with each reading.
            make: how to connect; for tests.
            most_items: records held in memory while the disk does not take them; more are refused and counted.
            most_trace_bytes: of packed traces held likewise; more are left out of their readings and counted.
            pauses_s: between two tries while writing fails: the first, doubled each time up to the second.

        Raises:
            StoreBusy: another lungfish holds it.
            StoreError: not a store of lungfish, from a newer one, or a path that can never work.
        """
        file = Path(path).resolve()
        lock = held_lock(file)
        own_lock = lock is None
        if lock is None:
            lock = lock_store(file)
        if not lock.begin_writing():
            raise StoreBusy(f"{file}: this process writes to the store already")
        backlog = Backlog(most_items=most_items, most_trace_bytes=most_trace_bytes)
        writer = Writer(file, backlog, make=make, now=now, on_trouble=on_trouble, pauses_s=pauses_s)
        try:
            writer.start()
        except BaseException:
            lock.end_writing()
            if own_lock:
                lock.release()
            raise
        return cls(file, lock, own_lock, writer, backlog, config)

    @property
    def trouble(self) -> str | None:
        """What keeps the store from being written, in a sentence; None while all is well."""
        losses = self._backlog.losses_now()
        parts = [self._writer.trouble or "", f"lost for want of memory: {losses}" if losses.any else ""]
        return "; ".join(part for part in parts if part) or None

    @property
    def waiting(self) -> int:
        """Records that are not on disk yet."""
        return len(self._backlog)

    def put_reading(self, record: ReadingRecord) -> None:
        """Keep a reading, and with it end the intent of its tank. Returns at once and raises nothing."""
        self._writer.seen(record.at)
        self._put_reading(record, ends=None)

    def put_event(self, record: EventRecord) -> None:
        """Keep an event. Returns at once and raises nothing."""
        self._writer.seen(record.at)
        self._backlog.put(EventItem.of(record))

    def put_learned(self, tank: str, learned: Learned, config: str | None = None) -> None:
        """Keep what a tank's cycles have learned, in the place of what was kept before.

        Args:
            tank: its name in the site file.
            learned: for its next cycle.
            config: hash of the settings that it was learned under.
        """
        self._backlog.put(LearnedItem.of(tank, learned, config))

    def learned(self, tank: str, config: str | None = None) -> Learned | None:
        """What earlier cycles of a tank have learned; None when nothing is kept or it can't be read.

        Args:
            tank: its name in the site file.
            config: hash of the settings; what was learned under others is not given. None takes any.
        """
        try:
            with Archive(self._path) as archive:
                return archive.learned(tank, config)
        except StoreError:
            return None  # the disk's trouble is told by `trouble`; the cycle can learn anew

    def put_baseline(self, tank: str, baseline: Baseline, config: str | None, answered: tuple[int, ...] = ()) -> None:
        """Keep a tank's baseline in the place of what was kept before.

        Args:
            tank: its name in the site file.
            baseline: what is normal, and how it goes.
            config: hash of the settings that it was learned under.
            answered: requests that are done with it; they go in the same transaction.
        """
        self._backlog.put(BaselineItem.of(tank, baseline, config, answered))

    def baseline(self, tank: str) -> tuple[Baseline, str | None] | None:
        """A tank's baseline and the hash of the settings that it was learned under; None as for `learned`."""
        try:
            with Archive(self._path) as archive:
                stored = archive.baseline(tank)
        except StoreError:
            return None
        return None if stored is None else (stored.baseline, stored.config)

    def baseline_requests(self, tank: str) -> Future[tuple[BaselineRequest, ...]]:
        """What people ask of a tank's baseline; none when that can't be read now."""
        future: Future[tuple[BaselineRequest, ...]] = Future()
        future.set_running_or_notify_cancel()
        self._writer.add(RequestsChore(tank, future))
        return future

    def announce(self, tank: str, at: Stamp) -> Future[bool]:
        """Announce that a valve is about to open.

        Returns:
            True once that is on disk; False after a try that failed, when it waits in memory only.
        """
        self._writer.seen(at)
        self._intents += 1
        intent = Intent(session=self._session, number=self._intents, tank=tank, at=at)
        taken = self._backlog.put(IntentItem(intent))
        future = self._backlog.when_written()
        if taken:
            return future
        refused: Future[bool] = Future()
        refused.set_result(False)
        return refused

    def put_clearing_try(self, tank: str, at: Stamp) -> Future[bool]:
        """Put down that a tank's tube is about to be blown down.

        Args:
            tank: its name in the site file.
            at: now.

        Returns:
            True once that is on disk; False when it is not, and then nothing may be blown.
        """
        self._writer.seen(at)
        self._tries += 1
        if self._backlog.put(TryItem(self._session, self._tries, tank, at)):
            return self._backlog.when_written()
        refused: Future[bool] = Future()
        refused.set_result(False)
        return refused

    def clearing_tries(self, tank: str) -> tuple[Stamp, ...] | None:
        """When the latest tries of a tank began; None when that can't be read, and then nothing may be blown.

        Args:
            tank: its name in the site file.
        """
        try:
            with Archive(self._path) as archive:
                return archive.clearing_tries(tank)
        except StoreError:
            return None  # told by `trouble`

    def recent_openings(self, now: Stamp, within_s: float) -> list[tuple[KeptOpening, float]] | None:
        """Openings that may lie within a time before now, and how long ago each surely was, s; None: can't be read.

        Args:
            now: now.
            within_s: how far back, s.
        """
        try:
            with Archive(self._path) as archive:
                return archive.recent_openings(now, within_s)
        except StoreError:
            return None  # told by `trouble`

    def put_zero(self, record: ZeroRecord) -> None:
        """Keep a look at a transmitter's zero. Returns at once and raises nothing."""
        self._writer.seen(record.at)
        self._zeros += 1
        self._backlog.put(ZeroItem(self._session, self._zeros, record))

    def zeros(self, tank: str) -> tuple[ZeroRecord, ...] | None:
        """The latest looks at a tank's zero, the newest first; None when that can't be read."""
        try:
            with Archive(self._path) as archive:
                return archive.zeros(tank)
        except StoreError:
            return None  # told by `trouble`

    async def open_intent(self, tank: str, at: Stamp, *, within_s: float | None = _INTENT_WITHIN_S) -> bool:
        """Announce that a valve is about to open, and wait until that is on disk; its reading takes it away again.

        Args:
            tank: its name in the site file.
            at: now.
            within_s: longest wait for a disk that does not answer; None: for ever.

        Returns:
            Whether it is on disk. If not, the cycle goes on all the same; the store's trouble has been told.
        """
        return await _within(self.announce(tank, at), within_s)

    def unfinished_intents(self) -> list[Intent]:
        """Openings that an earlier run announced and did not live to read: each is owed a row by `put_aborted`.

        Returns:
            In the order of opening; none when the store can't be read now: then they stay for the next start.
        """
        try:
            with Archive(self._path) as archive:
                return [intent for intent in archive.intents() if intent.session != self._session]
        except StoreError:
            return []  # told by `trouble`

    def put_aborted(self, intent: Intent, sentence: str) -> None:
        """Give an unfinished intent its row: `aborted`, with the time of the opening, and air and duration unknown.

        Args:
            intent: from `unfinished_intents`.
            sentence: what is known of it, for a person.
        """
        unknown = float("nan")
        record = ReadingRecord(
            tank=intent.tank,
            at=intent.at,
            level_m=None,
            level_u_m=None,
            head_pa=None,
            volume_m3=None,
            quality=Quality.BAD.value,
            diagnosis=Diagnosis.ABORTED.value,
            purge_s=unknown,
            air_sl=unknown,
            evidence={"sentences": [sentence]},
            trace=(),
        )
        self._put_reading(record, ends=intent)

    def flush(self) -> Future[bool]:
        """Try to write all that was put so far, at once.

        Returns:
            True once it is on disk; False after a try that failed.
        """
        return self._backlog.when_written()

    async def flushed(self, within_s: float | None = None) -> bool:
        """`flush` for a coroutine.

        Args:
            within_s: longest wait for a disk that does not answer; None: for ever.

        Returns:
            Whether all is on disk.
        """
        return await _within(self.flush(), within_s)

    def put_air_day(self, day: date, zone: tzinfo) -> Future[bool]:
        """Fill a day of the air ledger from its readings; to be called after the day's end.

        Args:
            day: local date.
            zone: the site's time zone.
        """
        future: Future[bool] = Future()
        future.set_running_or_notify_cancel()  # a waiter that gives up must not unmake it
        self._writer.add(AirDayChore(day, zone, future))
        return future

    def prune(
        self, at: Stamp, zone: tzinfo, *, readings_before: date | None = None, traces_before: date | None = None
    ) -> Future[Pruned | None]:
        """Remove whole old days, after their air stands in the ledger; an event tells what was removed.

        Args:
            at: now.
            zone: the site's time zone.
            readings_before: local date; readings of earlier days go. None: none.
            traces_before: likewise for traces; those of removed readings go in any case.

        Returns:
            What was removed; None when it had to be given up.
        """
        future: Future[Pruned | None] = Future()
        future.set_running_or_notify_cancel()
        start = [
            float("-inf") if day is None else day_bounds_utc_s(day, zone)[0] for day in (readings_before, traces_before)
        ]
        self._writer.add(PruneChore(at, readings_before_s=start[0], traces_before_s=start[1], zone=zone, future=future))
        return future

    def close(self, within_s: float | None = _CLOSE_WITHIN_S) -> None:
        """Write what waits, close the file and let go of the lock. A second call does nothing.

        Args:
            within_s: longest wait for a disk that does not answer.

        Raises:
            StoreError: not all could be written; what is missing is lost, and counted.
        """
        if self._ended:
            return
        self._ended = True
        self._backlog.close()
        ended = self._writer.join(within_s)
        self._lock.end_writing()
        if self._own_lock:
            self._lock.release()
        if not ended or len(self._backlog):
            why = self._writer.trouble or "the disk does not answer"
            raise StoreError(f"{len(self._backlog)} records could not be written and are lost: {why}")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _put_reading(self, record: ReadingRecord, *, ends: Intent | None) -> None:
        self._backlog.put(ReadingItem.of(record, session=self._session, config=self._config, ends=ends))


async def _within(future: Future[bool], within_s: float | None) -> bool:
    try:
        return await asyncio.wait_for(asyncio.wrap_future(future), within_s)
    except TimeoutError:
        return False
