"""A keeper without a disk, for rehearsals: what the daemon must have back is kept in memory, readings are passed on."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from typing import TypeVar

from lungfish.core.air_budget import KeptOpening
from lungfish.core.baseline import Baseline
from lungfish.core.setup import Learned
from lungfish.ports import BaselineRequest, EventRecord, ReadingRecord, Stamp, ZeroRecord

__all__ = ["MemoryKeeper"]

_T = TypeVar("_T")


def _done(value: _T) -> Future[_T]:
    future: Future[_T] = Future()
    future.set_result(value)
    return future


class MemoryKeeper:
    """Keeps what the daemon asks back, and the events; a reading goes to a listener and is forgotten.

    Args:
        on_reading: given each reading.
    """

    def __init__(self, on_reading: Callable[[ReadingRecord], None]) -> None:
        self._on_reading = on_reading
        self._learned: dict[str, tuple[Learned, str | None]] = {}
        self._baselines: dict[str, tuple[Baseline, str | None]] = {}
        self._tries: list[tuple[str, Stamp]] = []
        self._zeros: list[ZeroRecord] = []
        self.events: list[EventRecord] = []
        """Everything that was told, the oldest first."""

    def put_reading(self, record: ReadingRecord) -> None:
        """Pass a reading on."""
        self._on_reading(record)

    def put_event(self, record: EventRecord) -> None:
        """Keep an event."""
        self.events.append(record)

    def announce(self, tank: str, at: Stamp) -> Future[bool]:
        """Nothing to put down: nothing outlives this process."""
        return _done(True)

    def flush(self) -> Future[bool]:
        """True at once."""
        return _done(True)

    def put_learned(self, tank: str, learned: Learned, config: str | None = None) -> None:
        """Keep what a tank's cycles have learned."""
        self._learned[tank] = (learned, config)

    def learned(self, tank: str, config: str | None = None) -> Learned | None:
        """What is kept of that."""
        learned, kept_config = self._learned.get(tank, (None, None))
        return learned if kept_config == config else None

    def put_baseline(self, tank: str, baseline: Baseline, config: str | None, answered: tuple[int, ...] = ()) -> None:
        """Keep a tank's baseline."""
        self._baselines[tank] = (baseline, config)

    def baseline(self, tank: str) -> tuple[Baseline, str | None] | None:
        """What is kept of that."""
        return self._baselines.get(tank)

    def put_clearing_try(self, tank: str, at: Stamp) -> Future[bool]:
        """Put down that a tube is about to be blown down."""
        self._tries.append((tank, at))
        return _done(True)

    def clearing_tries(self, tank: str) -> tuple[Stamp, ...] | None:
        """When that was put down."""
        return tuple(at for name, at in self._tries if name == tank)

    def put_zero(self, record: ZeroRecord) -> None:
        """Keep a look at a transmitter's zero."""
        self._zeros.append(record)

    def zeros(self, tank: str) -> tuple[ZeroRecord, ...] | None:
        """The latest of those, the newest first."""
        return tuple(record for record in reversed(self._zeros) if record.tank == tank)

    def recent_openings(self, now: Stamp, within_s: float) -> list[tuple[KeptOpening, float]] | None:
        """Nothing was opened before."""
        return []

    def baseline_requests(self, tank: str) -> Future[tuple[BaselineRequest, ...]]:
        """Nobody asks."""
        return _done(())
