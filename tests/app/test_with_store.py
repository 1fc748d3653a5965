"""The daemon with its real store, in virtual time: what a second start finds of the first."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from pathlib import Path

import pytest

from lungfish.app.house import tell_unfinished
from lungfish.core.air_budget import KeptOpening
from lungfish.core.baseline import Baseline
from lungfish.core.cycle import Cycle
from lungfish.core.setup import CycleSetup, Learned
from lungfish.ports import BaselineRequest, ClockState, EventRecord, ReadingRecord, Stamp, ZeroRecord
from lungfish.rig.virtual_loop import run_virtual
from lungfish.store import Archive, Store, StoredReading
from tests.app.virtual_site import MemoryKeeper, VirtualSite, site_of


class StoreKeeper(MemoryKeeper):
    """The real store; what its thread does takes real time and no virtual time."""

    def __init__(self, store: Store) -> None:
        super().__init__()
        self.store = store
        self.dead = False
        """The process has died: it writes no reading any more."""

    def put_reading(self, record: ReadingRecord) -> None:
        if not self.dead:
            self.store.put_reading(record)

    def put_event(self, record: EventRecord) -> None:
        self.store.put_event(record)

    def announce(self, tank: str, at: Stamp) -> Future[bool]:
        future = self.store.announce(tank, at)
        future.result(10.0)
        return future

    def put_clearing_try(self, tank: str, at: Stamp) -> Future[bool]:
        future = self.store.put_clearing_try(tank, at)
        future.result(10.0)
        return future

    def clearing_tries(self, tank: str) -> tuple[Stamp, ...] | None:
        return self.store.clearing_tries(tank)

    def recent_openings(self, now: Stamp, within_s: float) -> list[tuple[KeptOpening, float]] | None:
        self.store.flush().result(10.0)
        return self.store.recent_openings(now, within_s)

    def put_zero(self, record: ZeroRecord) -> None:
        self.store.put_zero(record)
        self.store.flush().result(10.0)

    def zeros(self, tank: str) -> tuple[ZeroRecord, ...] | None:
        return self.store.zeros(tank)

    def flush(self) -> Future[bool]:
        future = self.store.flush()
        future.result(10.0)
        return future

    def put_learned(self, tank: str, learned: Learned, config: str | None = None) -> None:
        self.store.put_learned(tank, learned, config)

    def learned(self, tank: str, config: str | None = None) -> Learned | None:
        return self.store.learned(tank, config)

    def put_baseline(self, tank: str, baseline: Baseline, config: str | None, answered: tuple[int, ...] = ()) -> None:
        self.store.put_baseline(tank, baseline, config, answered)

    def baseline(self, tank: str) -> tuple[Baseline, str | None] | None:
        return self.store.baseline(tank)

    def baseline_requests(self, tank: str) -> Future[tuple[BaselineRequest, ...]]:
        future = self.store.baseline_requests(tank)
        future.result(10.0)
        return future


@contextmanager
def opened(path: Path) -> Iterator[StoreKeeper]:
    store = Store.open(path, now=lambda: Stamp(boot_id="b", monotonic_s=0.0, utc_s=1.7e9, clock=ClockState.UNKNOWN))
    try:
        yield StoreKeeper(store)
    finally:
        store.close()


def rows(path: Path) -> list[StoredReading]:
    with Archive(path) as archive:
        return list(archive.readings())


def test_every_slot_is_a_row_in_the_store_with_its_trace_and_a_restart_goes_on_with_what_was_learned(
    tmp_path: Path,
) -> None:
    path = tmp_path / "site.db"
    given: list[Learned] = []

    def make(setup: CycleSetup, learned: Learned) -> Cycle:
        given.append(learned)
        return Cycle(setup, learned)

    async def main(keeper: StoreKeeper) -> None:
        await VirtualSite(site_of(2, every="10 min"), keeper=keeper, make_cycle=make).run_for(1800.0 - 1.0)

    for _ in range(2):
        with opened(path) as keeper:
            run_virtual(main(keeper))
    kept = rows(path)
    assert len(kept) == 12
    assert {row.quality for row in kept} == {"good"}
    with Archive(path) as archive:
        assert all(len(archive.trace(row.id)) > 50 for row in kept)
        assert archive.intents() == []  # each was ended by its reading
    assert [learned.cycles for learned in given[6:8]] == [3, 3]
    assert given[6].shut_at_s is None  # nobody watched the tube while the daemon was away
    assert given[2].shut_at_s is not None


def test_an_opening_that_its_daemon_did_not_live_to_finish_is_told_as_aborted_by_the_next(tmp_path: Path) -> None:
    path = tmp_path / "site.db"

    async def die_while_open(keeper: StoreKeeper) -> None:
        site = VirtualSite(site_of(1), keeper=keeper)
        running = asyncio.create_task(site.daemon.run(site.stop))
        await asyncio.sleep(2.0)
        assert site.any_open() == ["t0"]
        keeper.dead = True
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running

    with opened(path) as keeper:
        run_virtual(die_while_open(keeper))
    assert rows(path) == []
    with opened(path) as keeper:
        tell_unfinished(keeper.store)
    (row,) = rows(path)
    assert (row.tank, row.quality, row.diagnosis) == ("t0", "bad", "aborted")
    assert (row.level_m, row.purge_s, row.air_sl) == (None, None, None)  # unknown, not zero
    with opened(path) as keeper:
        tell_unfinished(keeper.store)
    assert len(rows(path)) == 1  # told once
