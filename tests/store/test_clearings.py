"""Tries to blow a tube free outlive whatever happens: what is not on disk may not be blown."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from lungfish.store import Archive, Store
from lungfish.store.schema import MIGRATIONS, SCHEMA_VERSION, migrate
from tests.store.samples import stamp


def test_a_try_is_on_disk_before_its_first_pulse_and_the_next_run_finds_it(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    for number in range(2):
        with Store.open(path) as store:
            assert store.put_clearing_try("sump", stamp(3600.0 * number)).result(10.0) is True
            with Archive(path) as beside:  # while the daemon runs: nothing waits in memory
                assert len(beside.clearing_tries("sump")) == number + 1
    with Store.open(path) as store:
        kept = store.clearing_tries("sump")
        assert kept == (stamp(0.0), stamp(3600.0))
        assert store.clearing_tries("other") == ()


def test_a_try_can_be_neither_deleted_nor_rewritten(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        store.put_clearing_try("sump", stamp()).result(10.0)
    connection = sqlite3.connect(path)
    for statement in ("DELETE FROM clearing_tries", "UPDATE clearing_tries SET utc_s = 0"):
        with pytest.raises(sqlite3.IntegrityError, match="never"):
            connection.execute(statement)
    connection.close()


def test_a_store_that_can_t_be_read_gives_no_list_rather_than_an_empty_one(tmp_path: Path) -> None:
    path = tmp_path / "site.db"
    with Store.open(path) as store:
        path.rename(tmp_path / "away.db")
        assert store.clearing_tries("sump") is None


def test_a_store_of_the_format_before_takes_the_table(tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / "site.db", isolation_level=None)
    migrate(connection, MIGRATIONS[:2])
    told = migrate(connection)
    assert told == [f"the store's format was brought from {n} to {n + 1}" for n in range(2, SCHEMA_VERSION)]
    assert connection.execute("SELECT count(*) FROM clearing_tries").fetchone() == (0,)
    connection.close()
