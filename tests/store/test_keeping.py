"""What is put is what comes back: readings, events, intents, what was learned."""

from __future__ import annotations

import asyncio
import math
import sqlite3
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lungfish.core.setup import Learned
from lungfish.errors import StoreError
from lungfish.ports import ClockState, EventRecord, ReadingRecord, ReadingSink, Stamp
from lungfish.store import Archive, Store, StoredReading
from tests.store.samples import BOOT, START_UTC_S, TRACE, event, event_texts, integrity, reading, relaxed, seqs, stamp

finite = st.floats(allow_nan=False, allow_infinity=False)
not_negative = st.floats(min_value=0, max_value=1e9)
json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | finite | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)
names = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=20)
stamps = st.builds(
    Stamp,
    boot_id=st.sampled_from([BOOT, "another-boot"]),
    monotonic_s=not_negative,
    utc_s=st.floats(0, 2.5e11),
    clock=st.sampled_from(ClockState),
)
readings = st.builds(
    ReadingRecord,
    tank=names,
    at=stamps,
    level_m=finite,
    level_u_m=st.none() | not_negative,
    head_pa=st.none() | finite,
    volume_m3=st.none() | finite,
    quality=st.sampled_from(["good", "uncertain"]),
    diagnosis=names,
    purge_s=not_negative,
    air_sl=not_negative,
    evidence=st.dictionaries(st.text(), json_values, max_size=3),
    trace=st.just(TRACE) | st.just(()),
)


def same(kept: StoredReading, record: ReadingRecord) -> bool:
    """All that a record says stands in the store."""
    columns = (
        "tank",
        "at",
        "level_m",
        "level_u_m",
        "head_pa",
        "volume_m3",
        "quality",
        "diagnosis",
        "purge_s",
        "air_sl",
    )
    return all(getattr(kept, name) == getattr(record, name) for name in columns) and kept.evidence == record.evidence


@settings(max_examples=60, deadline=None)
@given(st.lists(readings, max_size=6))
def test_readings_come_back_whole_and_numbered_without_a_hole(records: list[ReadingRecord]) -> None:
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory, "site.db")
        with Store.open(path, make=relaxed) as store:
            for record in records:
                store.put_reading(record)
        with Archive(path) as archive:
            kept = sorted(archive.readings(), key=lambda one: one.id)
            assert [same(one, record) for one, record in zip(kept, records, strict=True)] == [True] * len(records)
            assert [archive.trace(one.id) for one in kept] == [record.trace for record in records]
        for boot_id in {record.at.boot_id for record in records}:
            expected = [record for record in records if record.at.boot_id == boot_id]
            assert seqs(path, boot_id) == list(range(1, len(expected) + 1))


odd = st.floats(allow_nan=True, allow_infinity=True)
odd_text = st.text(max_size=5)  # empty, lone surrogates and NUL among them
anything = st.fixed_dictionaries(
    {
        "tank": odd_text,
        "at": st.builds(
            Stamp, boot_id=odd_text, monotonic_s=odd, utc_s=odd, clock=st.sampled_from(ClockState)
        ),
        "level_m": odd | st.none(),
        "level_u_m": odd | st.none(),
        "volume_m3": odd | st.none(),
        "quality": st.sampled_from(["good", "bad", "splendid", "", "\ud800"]),
        "diagnosis": odd_text,
        "purge_s": odd,
        "air_sl": odd,
        "evidence": st.dictionaries(st.text(), st.floats() | st.just(object()) | st.just({1j: b"\0"}), max_size=2),
    }
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(anything)
def test_a_record_that_fits_no_table_still_has_its_row(odd_values: dict[str, Any]) -> None:
    """Every opening of the valve has a row, whatever a bug upstream makes of its values."""
    record = reading(**odd_values)
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory, "site.db")
        with Store.open(path, make=relaxed) as store:
            store.put_reading(record)
            store.put_event(EventRecord(at=record.at, kind="!" + record.tank, tank=record.tank, text=record.diagnosis))
            store.put_reading(reading(1.0))
            assert store.flush().result(10)
        with Archive(path) as archive:
            first, last = sorted(archive.readings(), key=lambda one: one.id)
            events = list(archive.events())
        assert same(last, reading(1.0))
        assert sum(one.kind != "store" for one in events) == 1
        if "refused" in first.evidence:
            assert (first.quality, first.level_m) == ("bad", None)
            assert any("another form" in one.text for one in events)
        elif record.level_m is None or not math.isfinite(record.level_m):
            assert first.level_m is None
        else:
            assert (first.quality, first.level_m) == (record.quality, record.level_m)


def test_what_is_not_known_is_kept_as_unknown(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    unknown: dict[str, Any] = {"level_m": None, "level_u_m": math.nan, "head_pa": math.inf, "volume_m3": None}
    with Store.open(path) as store:
        store.put_reading(reading(quality="bad", diagnosis="link_lost", purge_s=math.nan, air_sl=math.nan, **unknown))
    with Archive(path) as archive:
        (kept,) = archive.readings()
    assert [kept.level_m, kept.level_u_m, kept.head_pa, kept.volume_m3, kept.purge_s, kept.air_sl] == [None] * 6


def test_numbers_that_json_has_no_form_for_stay_readable_in_the_evidence(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        store.put_reading(reading(evidence={"dof": math.inf, "plateau_pa": math.nan, "clock": ClockState.UNKNOWN}))
    with Archive(path) as archive:
        (kept,) = archive.readings()
    assert kept.evidence == {"dof": "inf", "plateau_pa": "nan", "clock": "unknown"}


def test_evidence_is_kept_as_it_was_when_it_was_put(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    evidence: dict[str, object] = {"plateau_pa": 1.0}
    with Store.open(path) as store:
        store.put_reading(reading(evidence=evidence))
        evidence["plateau_pa"] = 2.0
    with Archive(path) as archive:
        (kept,) = archive.readings()
    assert kept.evidence == {"plateau_pa": 1.0}


def test_a_new_run_in_the_same_boot_goes_on_counting(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    for run in range(3):
        with Store.open(path) as store:
            store.put_reading(reading(run))
            store.put_reading(reading(run + 0.5))
    assert seqs(path) == [1, 2, 3, 4, 5, 6]


def test_the_store_is_a_reading_sink(tmp_path: Path) -> None:
    with Store.open(tmp_path / "site.db") as store:
        sink: ReadingSink = store
        sink.put_event(event())
    assert event_texts(tmp_path / "site.db", "start") == ["the daemon has started"]


def test_readings_are_found_by_tank_and_time(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        for after_s in (30.0, 10.0, 20.0):  # kept in another order than they were true in
            store.put_reading(reading(after_s, "sump"))
            store.put_reading(reading(after_s + 1, "digester"))
    with Archive(path) as archive:
        everything = [one.at.utc_s - START_UTC_S for one in archive.readings()]
        some = [one.at.utc_s - START_UTC_S for one in archive.readings("sump", START_UTC_S + 20, START_UTC_S + 30)]
        assert everything == [10, 11, 20, 21, 30, 31]
        assert some == [20]
        last = archive.last_reading("digester")
        assert last is not None
        assert last.at.utc_s == START_UTC_S + 21  # the latest kept
        assert archive.last_reading("silo") is None


def test_many_readings_of_one_moment_all_come_back_once(tmp_path: Path) -> None:
    """Pages end between rows of the same time."""
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        for _ in range(1203):
            store.put_reading(reading(5.0, trace=()))
    with Archive(path) as archive:
        assert [one.seq for one in archive.readings()] == list(range(1, 1204))


def test_a_slow_reader_does_not_hold_up_the_log(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        for i in range(1200):
            store.put_reading(reading(i, trace=()))
        assert store.flush().result(10)
        with Archive(path) as archive:
            rows = archive.readings()
            first = next(rows)  # and then nobody asks for a while
            store.put_reading(reading(5000.0))
            assert store.flush().result(10)
            connection = sqlite3.connect(path)
            busy, _, _ = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            connection.close()
            assert busy == 0
            assert first.seq == 1
            assert sum(1 for _ in rows) == 1199  # as it stood when the first was asked for


def test_a_trace_in_a_form_of_a_newer_lungfish_is_told(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        store.put_reading(reading(trace=()))
    connection = sqlite3.connect(path)
    with connection:
        connection.execute("INSERT INTO traces VALUES (1, 99, 4, x'00')")
    connection.close()
    with Archive(path) as archive, pytest.raises(StoreError, match="the trace of reading 1 is in form 99"):
        archive.trace(1)


def test_a_reading_whose_bytes_have_rotted_is_told(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        store.put_reading(reading(evidence={"sentence": "steady within two pascal"}))
    path.write_bytes(path.read_bytes().replace(b'"steady within', b"#steady within"))
    with Archive(path) as archive, pytest.raises(StoreError, match=r"site\.db: reading 1 is damaged"):
        list(archive.readings())


def test_what_was_learned_comes_back_but_for_the_moment_of_the_last_look(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    learned = Learned(
        cycles=7, friction_ratio=1.25, leak_pa_s=0.5, lost_pa_s=0.1, shut_gauge_pa=19_000.0, shut_at_s=1234.5
    )
    with Store.open(path) as store:
        assert store.learned("sump") is None
        store.put_learned("sump", Learned(cycles=1), "hash-1")
        store.put_learned("sump", learned, "hash-2")
    with Store.open(path) as store:
        kept = store.learned("sump", "hash-2")
        assert kept is not None
        assert asdict(kept) == asdict(learned) | {"shut_at_s": None}
        assert store.learned("sump", "hash-1") is None
        assert store.learned("digester") is None


@pytest.mark.parametrize(
    "state", ['{"cycles": "seven"}', '{"cycles": true}', "[1]", '{"cycles": 1e999}', '{"friction_ratio": null}']
)
def test_learned_state_that_makes_no_sense_is_learned_anew(tmp_path: Path, state: str) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        store.put_learned("sump", Learned(cycles=3))
    connection = sqlite3.connect(path)
    with connection:
        connection.execute("UPDATE learned SET state = ?", (state,))
    connection.close()
    with Archive(path) as archive:
        assert archive.learned("sump") == Learned()


def test_learned_state_of_another_version_keeps_what_both_know(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        store.put_learned("sump", Learned())
    connection = sqlite3.connect(path)
    with connection:
        connection.execute("""UPDATE learned SET state = '{"cycles": 4, "colour_of_the_tube": "blue"}'""")
    connection.close()
    with Archive(path) as archive:
        assert archive.learned("sump") == Learned(cycles=4)


async def test_an_intent_is_on_disk_before_the_valve_may_open_and_goes_with_its_reading(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store, Archive(path) as archive:
        assert await store.open_intent("sump", stamp(1.0))
        assert [(one.tank, one.at) for one in archive.intents()] == [("sump", stamp(1.0))]
        assert store.unfinished_intents() == []  # not left by a death: this run's own
        assert await store.open_intent("digester", stamp(2.0))
        store.put_reading(reading(3.0, "sump"))
        assert await store.flushed()
        assert [one.tank for one in archive.intents()] == ["digester"]


async def test_an_opening_that_a_run_did_not_live_to_read_gets_its_row_from_the_next(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    store = Store.open(path)
    await store.open_intent("sump", stamp(1.0))
    await store.open_intent("digester", stamp(2.0))
    store.close()  # as good as a death: no reading came

    with Store.open(path) as store:
        left = store.unfinished_intents()
        assert [intent.tank for intent in left] == ["sump", "digester"]
        await store.open_intent("sump", stamp(60.0))
        store.put_reading(reading(61.0, "sump"))  # a new cycle does not hide the old one
        await store.flushed()
        assert [intent.tank for intent in store.unfinished_intents()] == ["sump", "digester"]
        for intent in left:
            store.put_aborted(intent, "the daemon died while the valve may have been open")
        await store.flushed()
        assert store.unfinished_intents() == []
    with Archive(path) as archive:
        rows = [(one.tank, one.at, one.diagnosis, one.quality) for one in archive.readings()]
        aborted = next(archive.readings("digester"))
    assert rows == [
        ("sump", stamp(1.0), "aborted", "bad"),
        ("digester", stamp(2.0), "aborted", "bad"),
        ("sump", stamp(61.0), "ok", "good"),
    ]
    assert (aborted.level_m, aborted.purge_s, aborted.air_sl) == (None, None, None)


async def test_waiting_for_an_intent_leaves_the_event_loop_free(tmp_path: Path) -> None:
    with Store.open(tmp_path / "site.db") as store:
        answers = await asyncio.gather(*(store.open_intent(f"tank-{i}", stamp(i)) for i in range(50)))
    assert answers == [True] * 50
    assert integrity(tmp_path / "site.db") == "ok"
