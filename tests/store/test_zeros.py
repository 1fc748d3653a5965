"""Looks at a zero outlive restarts as they were, and nothing rewrites them."""

from __future__ import annotations

import math
import sqlite3
from pathlib import Path

import pytest

from lungfish.core.zero import Outcome, Source, Zero
from lungfish.ports import ZeroRecord
from lungfish.store import Archive, Store
from lungfish.store.schema import MIGRATIONS, SCHEMA_VERSION, migrate
from tests.store.samples import stamp

SEEN = Zero(
    source=Source.VENT, outcome=Outcome.MEASURED, zero_pa=-12.5, u_pa=1.5, rest_pa=14e3, proven=True, came_back=False
)


def record(at_s: float, zero: Zero = SEEN, tank: str = "sump") -> ZeroRecord:
    return ZeroRecord(tank=tank, at=stamp(at_s), config="c", zero=zero)


def test_what_was_seen_comes_back_as_it_was_the_newest_first(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    missed = Zero(source=Source.VENT, outcome=Outcome.NOT_MOVED, rest_pa=14e3, detail="it did not open")
    with Store.open(path) as store:
        store.put_zero(record(0.0))
    with Store.open(path) as store:
        store.put_zero(record(60.0, missed))
        store.put_zero(record(60.0, SEEN, "other"))
        assert store.flush().result(10.0) is True
        assert store.zeros("sump") == (record(60.0, missed), record(0.0))
        with Archive(path) as beside:
            assert beside.zeros("other") == (record(60.0, SEEN, "other"),)
        assert store.zeros("nobody") == ()


def test_failures_do_not_push_the_last_zero_that_was_measured_out_of_sight(tmp_path: Path) -> None:
    missed = Zero(source=Source.VENT, outcome=Outcome.NOT_MOVED, rest_pa=14e3, detail="it did not open")
    with Store.open(tmp_path / "site.db") as store:
        store.put_zero(record(0.0))
        for hour in range(1, 100):
            store.put_zero(record(3600.0 * hour, missed))
        assert store.flush().result(10.0) is True
        seen = store.zeros("sump") or ()
    assert seen[0] == record(3600.0 * 99, missed)
    assert seen[-1] == record(0.0)
    assert len(seen) == 51


def test_a_number_that_is_none_is_kept_as_not_known(tmp_path: Path) -> None:
    with Store.open(tmp_path / "site.db") as store:
        store.put_zero(record(0.0, Zero(source=Source.TIP, outcome=Outcome.MEASURED, zero_pa=math.nan, u_pa=math.inf)))
        assert store.flush().result(10.0) is True
        (kept,) = store.zeros("sump") or ()
    assert (kept.zero.zero_pa, kept.zero.u_pa) == (None, None)


def test_none_can_be_deleted_or_rewritten(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        store.put_zero(record(0.0))
    connection = sqlite3.connect(path)
    for statement in ("DELETE FROM zero_checks", "UPDATE zero_checks SET zero_pa = 0"):
        with pytest.raises(sqlite3.IntegrityError, match="never"):
            connection.execute(statement)
    connection.close()


def test_a_store_that_can_t_be_read_gives_no_list_rather_than_an_empty_one(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        path.rename(tmp_path / "away.db")
        assert store.zeros("sump") is None


def test_a_store_of_the_format_before_takes_the_table(tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / "site.db", isolation_level=None)
    migrate(connection, MIGRATIONS[:3])
    told = migrate(connection)
    assert told == [f"the store's format was brought from {n} to {n + 1}" for n in range(3, SCHEMA_VERSION)]
    assert connection.execute("SELECT count(*) FROM zero_checks").fetchone() == (0,)
    connection.close()
