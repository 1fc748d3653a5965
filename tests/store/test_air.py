"""Air since midnight, the daily ledger, and retention of whole days."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from lungfish.ports import ClockState, Stamp
from lungfish.store import AirUse, Archive, Pruned, Store, day_bounds_utc_s
from tests.store.samples import NEVER, FaultPlan, event_texts, integrity, reading, seqs, stamp

LONDON = ZoneInfo("Europe/London")


def at(
    text: str, *, monotonic_s: float = 1.0, boot_id: str = "boot", clock: ClockState = ClockState.SYNCHRONISED
) -> Stamp:
    """A moment from its local time in London."""
    moment = datetime.fromisoformat(text)
    utc_s = (moment if moment.tzinfo else moment.replace(tzinfo=LONDON)).timestamp()
    return Stamp(boot_id=boot_id, monotonic_s=monotonic_s, utc_s=utc_s, clock=clock)


@pytest.mark.parametrize(
    ("day", "hours"),
    [
        (date(2026, 3, 5), 24),
        (
            date(2026, 3, 29),
            23,
        ),  # summer time begins on the last Sunday of March (Directive 2000/84/EC; UK: SI 2002/262)
        (date(2026, 10, 25), 25),  # and ends on the last Sunday of October
    ],
)
def test_a_day_lasts_from_local_midnight_to_local_midnight(day: date, hours: int) -> None:
    start_s, end_s = day_bounds_utc_s(day, LONDON)
    assert end_s - start_s == hours * 3600
    assert datetime.fromtimestamp(start_s, LONDON).isoformat()[:19] == f"{day}T00:00:00"


def test_air_since_a_moment_counts_that_tank_only_and_says_what_it_does_not_know(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        store.put_reading(reading(0.0, air_sl=100.0))  # before
        store.put_reading(reading(10.0, air_sl=0.25, purge_s=10.0))
        store.put_reading(reading(20.0, air_sl=0.5, purge_s=20.0))
        store.put_reading(reading(30.0, air_sl=0.0, purge_s=0.0, quality="bad", diagnosis="link_lost", level_m=None,
                                  level_u_m=None, volume_m3=None))  # fmt: skip
        store.put_reading(reading(40.0, air_sl=math.nan, purge_s=5.0))
        store.put_reading(reading(50.0, air_sl=math.nan, purge_s=math.nan))
        store.put_reading(reading(15.0, "digester", air_sl=7.0))
    with Archive(path) as archive:
        use = archive.air_since(stamp(5.0).utc_s, "sump")
        assert use == AirUse(air_sl=0.75, open_s=30.0, purges=4, unknown=2)
        assert archive.air_since(stamp(1e6).utc_s, "sump") == AirUse(air_sl=0.0, open_s=0.0, purges=0, unknown=0)


def test_the_ledger_closes_at_local_midnight(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        for text, air_sl in [
            ("2026-06-30T23:59:59.999", 1.0),
            ("2026-07-01T00:00:00", 2.0),
            ("2026-07-01T23:59:59.999", 4.0),
            ("2026-07-02T00:00:00", 8.0),
        ]:
            store.put_reading(reading(at=at(text), air_sl=air_sl, purge_s=air_sl * 40))
        assert store.put_air_day(date(2026, 7, 1), LONDON).result(10)
        assert store.put_air_day(date(2026, 7, 1), LONDON).result(10)  # a second time changes nothing
        with Archive(path) as archive:
            (line,) = archive.air_days()
            assert (line.day, line.tank) == ("2026-07-01", "sump")
            assert line.use == AirUse(air_sl=6.0, open_s=240.0, purges=2, unknown=0)
        store.put_reading(reading(at=at("2026-07-01T12:00"), air_sl=16.0, purge_s=640.0))  # told late
        assert store.put_air_day(date(2026, 7, 1), LONDON).result(10)
        with Archive(path) as archive:
            assert archive.air_days()[0].use.air_sl == 22.0


def days_of_readings(store: Store, days: range) -> None:
    """Four readings a day in July, one boot."""
    for day in days:
        for hour in (0, 6, 12, 18):
            store.put_reading(
                reading(at=at(f"2026-07-{day:02d}T{hour:02d}:00", monotonic_s=day * 86400.0 + hour * 3600))
            )


def test_retention_takes_whole_old_days_and_leaves_their_air_in_the_ledger(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        days_of_readings(store, range(1, 11))
        pruned = store.prune(
            at("2026-07-10T20:00"), LONDON, readings_before=date(2026, 7, 4), traces_before=date(2026, 7, 8)
        ).result(10)
    assert pruned == Pruned(readings=12, traces=28)
    with Archive(path) as archive:
        kept = list(archive.readings())
        assert kept[0].at == at("2026-07-04T00:00", monotonic_s=4 * 86400.0)
        assert len(kept) == 28
        assert [bool(archive.trace(one.id)) for one in kept] == [False] * 16 + [True] * 12
        assert [(line.day, line.use.air_sl) for line in archive.air_days()] == [
            ("2026-07-01", 0.75),
            ("2026-07-02", 0.75),
            ("2026-07-03", 0.75),
        ]
    (text,) = event_texts(path, "retention")
    assert text == "retention removes 12 readings before 2026-07-04 and 28 traces before 2026-07-08"
    assert integrity(path) == "ok"


def test_retention_with_nothing_to_do_says_nothing(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        days_of_readings(store, range(1, 3))
        assert store.prune(at("2026-07-10T20:00"), LONDON).result(10) == Pruned(readings=0, traces=0)
        pruned = store.prune(at("2026-07-10T20:00"), LONDON, readings_before=date(2026, 7, 1)).result(10)
    assert pruned == Pruned(readings=0, traces=0)
    assert event_texts(path, "retention") == []


def test_retention_of_traces_alone_keeps_every_reading(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        days_of_readings(store, range(1, 3))
        pruned = store.prune(at("2026-07-10T20:00"), LONDON, traces_before=date(2026, 7, 3)).result(10)
    assert pruned == Pruned(readings=0, traces=8)
    assert len(seqs(path, "boot")) == 8
    assert event_texts(path, "retention") == ["retention removes 0 readings and 8 traces before 2026-07-03"]


def test_counting_goes_on_after_retention_has_taken_all_of_a_boot(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        days_of_readings(store, range(1, 3))
        store.prune(at("2026-07-20T00:00"), LONDON, readings_before=date(2026, 7, 15)).result(10)
    with Store.open(path) as store:
        store.put_reading(reading(at=at("2026-07-20T01:00", monotonic_s=2e6)))
    assert seqs(path, "boot") == [8, 9]


def test_readings_under_a_clock_not_yet_set_are_not_taken_for_old(tmp_path: Path) -> None:
    """A board without a battery clock wakes in 1970 and measures before the network tells the time."""
    path = tmp_path / "site.db"
    unset = ClockState.UNSYNCHRONISED
    with Store.open(path) as store:
        far = at("2099-01-01T00:00", boot_id="wild", monotonic_s=1.0, clock=unset)  # proves nothing either
        store.put_reading(reading(at=far))
        days_of_readings(store, range(1, 3))
        for minute in range(3):
            wakes = at(f"1970-01-01T00:0{minute}+00:00", boot_id="later", monotonic_s=60.0 * minute, clock=unset)
            store.put_reading(reading(at=wakes))
        store.put_reading(reading(at=at("2026-07-20T01:00", boot_id="later", monotonic_s=600.0)))
        pruned = store.prune(at("2026-07-20T02:00"), LONDON, readings_before=date(2026, 7, 2)).result(10)
        assert pruned == Pruned(readings=4, traces=4)
        assert len(seqs(path, "later")) == 4
        later = store.prune(at("2026-08-20T02:00"), LONDON, readings_before=date(2026, 8, 1)).result(10)
        assert later == Pruned(readings=3 + 3, traces=8)  # the last of each boot holds its count
    assert len(seqs(path, "wild")) == 1


def test_a_prune_that_is_cut_off_is_finished_by_the_next_with_the_same_ledger(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    plan = FaultPlan()
    store = Store.open(path, make=plan.make, pauses_s=NEVER, now=lambda: at("2026-07-10T20:00"))
    for day in range(1, 31):
        for _ in range(3):
            days_of_readings(store, range(day, day + 1))
    assert store.flush().result(10)

    steps: list[str] = []

    def cut(sql: str) -> None:
        if sql.startswith("DELETE FROM readings"):
            plan.nth = plan.calls + 1 if steps else 0
            steps.append(sql)

    plan.hold = cut
    asked = (at("2026-07-31T20:00"), LONDON)
    assert store.prune(*asked, readings_before=date(2026, 7, 30)).result(10) is None
    with Archive(path) as archive:
        left = len(list(archive.readings()))
        assert 12 < left < 348
        assert left % 12  # cut off in the middle of a day
        ledger = archive.air_days()
    plan.hold = lambda _sql: None
    plan.heal()
    assert store.flush().result(10)
    again = store.prune(*asked, readings_before=date(2026, 7, 30)).result(10)
    store.close()
    assert again == Pruned(readings=left - 12, traces=0)
    with Archive(path) as archive:
        assert archive.air_days() == ledger
        assert len(list(archive.readings())) == 12


def test_upkeep_does_not_hold_up_what_is_put_meanwhile(tmp_path: Path) -> None:
    """Between two steps of a long prune, readings are written."""
    path = tmp_path / "site.db"
    plan = FaultPlan()
    store = Store.open(path, make=plan.make, pauses_s=NEVER)
    for _ in range(4):
        days_of_readings(store, range(1, 31))
    assert store.flush().result(10)
    seen: list[str] = []

    def watch(sql: str) -> None:
        seen.append(sql.split(" WHERE ")[0].strip())
        if sql.startswith("DELETE FROM traces") and seen.count("DELETE FROM traces") == 1:
            store.put_reading(reading(at=at("2026-08-30T20:00", boot_id="now")))

    plan.hold = watch
    store.prune(at("2026-08-31T20:00"), LONDON, readings_before=date(2026, 8, 1)).result(10)
    store.close()
    inserts = [i for i, sql in enumerate(seen) if sql.startswith("INSERT INTO readings")]
    deletes = [i for i, sql in enumerate(seen) if sql.startswith("DELETE FROM readings")]
    assert inserts
    assert max(inserts) < min(deletes)


def test_upkeep_of_a_closed_store_is_given_up_at_once(tmp_path: Path) -> None:
    store = Store.open(tmp_path / "site.db")
    store.close()
    assert store.prune(at("2026-07-31T20:00"), UTC).result(10) is None
    assert not store.put_air_day(date(2026, 7, 1), UTC).result(10)
