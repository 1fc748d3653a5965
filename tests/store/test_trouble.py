"""A disk that is full, slow or failing: the cycle goes on, nothing is lost without a word, and all is told."""

from __future__ import annotations

import itertools
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from lungfish.core.setup import Learned
from lungfish.errors import StoreError
from lungfish.ports import Stamp
from lungfish.store import Archive, Store
from lungfish.store.opening import connect
from tests.store.samples import NEVER, FaultPlan, event, event_texts, integrity, reading, seqs, stamp

TROUBLES = {
    "full": sqlite3.SQLITE_FULL,
    "write": sqlite3.SQLITE_IOERR_WRITE,
    "fsync": sqlite3.SQLITE_IOERR_FSYNC,
    "locked": sqlite3.SQLITE_BUSY,
}


def work(store: Store) -> None:
    """Two cycles with all that goes with them; no step waits for the one before to succeed."""
    store.put_event(event())
    store.announce("sump", stamp(1.0)).result(10)
    store.put_reading(reading(2.0))
    store.put_learned("sump", Learned(cycles=1))
    store.flush().result(10)
    store.announce("sump", stamp(3.0)).result(10)
    store.put_reading(reading(4.0))
    store.put_learned("sump", Learned(cycles=2))
    store.flush().result(10)


def trouble_of(store: Store) -> str | None:
    """Its trouble as it is now."""
    return store.trouble


def one_life(directory: Path, plan: FaultPlan) -> list[str | None]:
    """One run of the store under a plan; checks that all is there in the end, once each.

    Returns:
        What was told of trouble, in order.
    """
    directory.mkdir()
    path = directory / "site.db"
    told: list[str | None] = []
    store = Store.open(path, now=lambda: stamp(9.0), on_trouble=told.append, make=plan.make, pauses_s=NEVER)
    work(store)
    plan.heal()
    store.flush().result(10)  # at once; it would be tried again in a while without this
    assert store.flush().result(10)
    assert (store.waiting, trouble_of(store)) == (0, None)
    store.close()
    with Archive(path) as archive:
        assert [(one.seq, one.at) for one in archive.readings()] == [(1, stamp(2.0)), (2, stamp(4.0))]
        assert [archive.trace(one.id) for one in archive.readings()] == [reading().trace] * 2
        assert archive.learned("sump") == Learned(cycles=2)
        assert archive.intents() == []
    assert event_texts(path, "start") == ["the daemon has started"]
    assert integrity(path) == "ok"
    return told


@pytest.mark.parametrize(
    ("code", "after", "lasting"),
    [
        pytest.param(code, after, lasting, id=f"{name}-{'done-yet-failed' if after else 'not-done'}-{lasting=}")
        for name, code in TROUBLES.items()
        for after, lasting in itertools.product((False, True), repeat=2)
        if name == "fsync" or after == lasting == (name == "full")  # the others differ in how the handle is treated
    ],
)
def test_whichever_call_fails_nothing_is_lost_or_doubled(tmp_path: Path, code: int, after: bool, lasting: bool) -> None:
    fired = 0
    for nth in itertools.count(1):
        plan = FaultPlan(nth=nth, code=code, after=after, lasting=lasting)
        told = one_life(tmp_path / str(nth), plan)
        if not plan.fired:
            break
        fired += 1
        assert told[0] is not None
        assert "can't be written" in told[0]
        assert told[-1] is None
        assert any("could not be written" in text for text in event_texts(tmp_path / str(nth) / "site.db"))
    assert fired > 50  # from the first look at the file to the last commit


def test_the_event_after_a_trouble_tells_how_long_why_and_what_became_of_it(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    moment = [stamp(0.0)]
    plan = FaultPlan()
    store = Store.open(path, now=lambda: moment[0], make=plan.make, pauses_s=NEVER)
    plan.nth, plan.lasting = plan.calls + 1, True
    store.put_reading(reading(1.0))
    assert not store.flush().result(10)
    moment[0] = stamp(3600.0)
    store.put_reading(reading(2.0))
    assert not store.flush().result(10)
    assert store.waiting == 2
    plan.heal()
    assert store.flush().result(10)
    store.close()
    (text,) = event_texts(path)
    assert "could not be written for 3600 s (injected, result code 13)" in text
    assert "2 records that waited in memory are kept now; nothing is lost" in text


def test_a_long_trouble_is_caught_up_with_in_order_and_counted(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    plan = FaultPlan()
    store = Store.open(path, now=stamp, make=plan.make, pauses_s=NEVER)
    plan.nth, plan.lasting = plan.calls + 1, True
    for i in range(600):  # more than one transaction takes
        store.put_reading(reading(i, trace=()))
    assert store.flush().result(10) is False  # it has been tried, and has failed
    plan.heal()
    while not store.flush().result(10):
        pass
    store.close()
    with Archive(path) as archive:
        assert [one.at for one in archive.readings()] == [stamp(i) for i in range(600)]
    (text,) = event_texts(path)
    assert "600 records that waited in memory are kept now; nothing is lost" in text


def test_an_intent_and_its_reading_in_one_doubtful_commit_leave_no_intent(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    plan = FaultPlan()
    store = Store.open(path, now=stamp, make=plan.make, pauses_s=NEVER)
    plan.nth, plan.lasting = plan.calls + 1, True
    assert not store.announce("sump", stamp(1.0)).result(10)
    store.put_reading(reading(2.0))
    plan.heal()

    def doubt(sql: str) -> None:
        if sql == "COMMIT":
            plan.nth, plan.lasting, plan.after = plan.calls + 1, False, True

    plan.hold, plan.code = doubt, sqlite3.SQLITE_IOERR_FSYNC
    assert not store.flush().result(10)
    plan.hold = lambda _sql: None
    plan.heal()
    assert store.flush().result(10)
    store.close()
    assert seqs(path) == [1]
    with Archive(path) as archive:
        assert archive.intents() == []


def test_the_store_tries_again_by_itself(tmp_path: Path) -> None:
    well = threading.Event()
    plan = FaultPlan()
    store = Store.open(
        tmp_path / "site.db",
        on_trouble=lambda text: well.set() if text is None else None,
        make=plan.make,
        pauses_s=(1e-3, 2e-3),
    )
    plan.nth, plan.lasting = plan.calls + 1, True
    store.put_reading(reading())
    assert not store.flush().result(10)
    plan.heal()
    assert well.wait(60)
    store.close()
    assert seqs(tmp_path / "site.db") == [1]


def test_without_a_clock_of_its_own_the_store_tells_at_the_next_record(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    plan = FaultPlan(nth=1, lasting=True)
    store = Store.open(path, make=plan.make, pauses_s=NEVER)
    assert store.trouble is not None
    plan.heal()
    assert store.flush().result(10)
    assert trouble_of(store) is None
    store.put_event(event(5.0))
    store.close()
    assert len(event_texts(path)) == 1


def test_what_memory_can_not_hold_is_counted_and_told(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    plan = FaultPlan()
    store = Store.open(path, now=stamp, make=plan.make, pauses_s=NEVER, most_items=5)
    plan.nth, plan.lasting = plan.calls + 1, True
    for i in range(12):
        store.put_reading(reading(i))
    store.put_event(event())
    assert not store.announce("sump", stamp()).result(10)
    assert store.trouble is not None
    assert "lost for want of memory: 7 readings, 0 traces and 2 other records" in store.trouble
    plan.heal()
    assert store.flush().result(10)
    assert trouble_of(store) is None
    store.close()
    assert seqs(path) == [1, 2, 3, 4, 5]
    (text,) = event_texts(path)
    assert "5 records that waited in memory are kept now; lost for want of memory: 7 readings" in text


def test_traces_give_way_before_readings(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    plan = FaultPlan()
    store = Store.open(path, now=stamp, make=plan.make, pauses_s=NEVER, most_trace_bytes=200)
    plan.nth, plan.lasting = plan.calls + 1, True
    for i in range(20):
        store.put_reading(reading(i))
    plan.heal()
    assert not store.flush().result(10) or store.waiting == 0
    assert store.flush().result(10)
    store.put_reading(reading(20.0))  # there is room again
    store.close()
    with Archive(path) as archive:
        kept = [bool(archive.trace(one.id)) for one in archive.readings()]
    assert len(kept) == 21
    assert kept[0]
    assert kept[20]
    (text,) = event_texts(path)
    assert f"0 readings, {kept.count(False)} traces and 0 other records" in text


@contextmanager
def hung_disk(plan: FaultPlan) -> Iterator[None]:
    """Commits do not return while this lasts."""
    release, reached = threading.Event(), threading.Event()

    def hold(sql: str) -> None:
        if sql == "COMMIT":
            reached.set()
            release.wait(60)

    plan.hold = hold
    try:
        yield
    finally:
        plan.hold = lambda _sql: None
        release.set()


async def test_a_disk_that_does_not_answer_holds_up_neither_puts_nor_the_cycle(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    plan = FaultPlan()
    store = Store.open(path, make=plan.make, pauses_s=NEVER)
    with hung_disk(plan):
        store.put_reading(reading(0.0))
        assert not await store.open_intent("sump", stamp(1.0), within_s=0.0)
        for i in range(1, 100):
            store.put_reading(reading(i))
        assert not await store.flushed(within_s=0.0)
    assert await store.flushed()
    store.close()
    assert seqs(path) == list(range(1, 101))


def test_closing_over_a_disk_that_does_not_answer_says_what_is_lost(tmp_path: Path) -> None:
    plan = FaultPlan()
    store = Store.open(tmp_path / "site.db", make=plan.make, pauses_s=NEVER)
    with hung_disk(plan):
        store.put_reading(reading())
        with pytest.raises(StoreError, match="1 records could not be written and are lost: the disk does not answer"):
            store.close(within_s=0.0)


def test_closing_over_a_full_disk_says_what_is_lost(tmp_path: Path) -> None:
    plan = FaultPlan()
    store = Store.open(tmp_path / "site.db", make=plan.make, pauses_s=NEVER)
    plan.nth, plan.lasting = plan.calls + 1, True
    store.put_reading(reading())
    with pytest.raises(StoreError, match=r"1 records could not be written and are lost: .*result code 13"):
        store.close()
    store.close()  # a second time says nothing new
    store.put_reading(reading())  # too late, and it neither blocks nor raises
    assert not store.flush().result(10)
    assert not store.announce("sump", stamp()).result(10)
    assert store.trouble is not None
    assert "1 readings" in store.trouble


def test_a_closed_store_answers_those_who_wait(tmp_path: Path) -> None:
    store = Store.open(tmp_path / "site.db")
    store.put_reading(reading())
    store.close()
    assert store.flush().result(10)  # all that was put is on disk


def test_after_a_failed_fsync_the_old_handle_is_never_used_again(tmp_path: Path) -> None:
    """The kernel may report the failure once and drop the pages: a second fsync on that file would lie."""
    made: list[sqlite3.Connection] = []
    plan = FaultPlan()

    def make(path: Path) -> sqlite3.Connection:
        made.append(plan.make(path))
        return made[-1]

    store = Store.open(tmp_path / "site.db", make=make, pauses_s=NEVER)
    store.put_reading(reading(0.0))
    store.flush().result(10)
    plan.nth, plan.code = plan.calls + 1, sqlite3.SQLITE_IOERR_FSYNC
    store.put_reading(reading(1.0))
    store.flush().result(10)
    assert store.flush().result(10)
    with pytest.raises(sqlite3.ProgrammingError, match="closed"):
        made[0].execute("SELECT 1")
    store.close()
    assert seqs(tmp_path / "site.db") == [1, 2]


def test_a_database_that_sqlite_itself_finds_full_is_filled_up_later(tmp_path: Path) -> None:
    """Not injected: SQLite's own limit on the number of pages gives a real SQLITE_FULL."""
    path = tmp_path / "site.db"
    limits = [60]

    def make(file: Path) -> sqlite3.Connection:
        connection = connect(file)
        connection.execute(f"PRAGMA max_page_count = {limits[0]}")
        made.append(connection)
        return connection

    made: list[sqlite3.Connection] = []
    store = Store.open(path, now=lambda: stamp(9.0), make=make, pauses_s=NEVER)
    put = 0
    while store.flush().result(10):
        store.put_reading(reading(put))
        put += 1
    assert store.trouble is not None
    assert "full" in store.trouble
    for _ in range(5):
        store.put_reading(reading(put))
        put += 1
    made[-1].execute("PRAGMA max_page_count = 10000")
    assert store.flush().result(10)
    store.close()
    assert seqs(path) == list(range(1, put + 1))
    assert any("database or disk is full" in text for text in event_texts(path))


def test_a_fault_of_our_own_in_the_writer_is_told_and_leaves_nobody_waiting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[str | None] = []
    ended: list[threading.ExceptHookArgs] = []
    monkeypatch.setattr(threading, "excepthook", ended.append)
    plan = FaultPlan()
    store = Store.open(tmp_path / "site.db", on_trouble=told.append, make=plan.make, pauses_s=NEVER)

    def bug(sql: str) -> None:
        raise RuntimeError(f"a bug at {sql}")

    plan.hold = bug
    store.put_reading(reading())
    assert not store.flush().result(10)
    assert told[-1] is not None
    assert "stopped by a fault of its own" in told[-1]
    with pytest.raises(StoreError, match="1 records could not be written"):
        store.close()
    assert [args.exc_type for args in ended] == [RuntimeError]


def test_the_time_of_an_old_opening_is_not_taken_for_now(tmp_path: Path) -> None:
    """A row given to an opening of an earlier boot does not date what the store has to tell."""
    path = tmp_path / "site.db"
    old = Stamp(boot_id="earlier", monotonic_s=5.0, utc_s=1_000_000.0, clock=stamp().clock)
    with Store.open(path) as store:
        store.announce("sump", old).result(10)
    plan = FaultPlan()
    store = Store.open(path, make=plan.make, pauses_s=NEVER)
    store.put_event(event(50.0))
    (intent,) = store.unfinished_intents()
    store.put_aborted(intent, "the daemon died")
    store.flush().result(10)
    plan.nth = plan.calls + 1
    store.flush().result(10)
    store.put_reading(reading(60.0))
    store.flush().result(10)
    store.close()
    with Archive(path) as archive:
        assert {one.at.boot_id for one in archive.events()} == {stamp().boot_id}
